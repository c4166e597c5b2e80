"""Fitting: scales, the step and surface models, checks and prediction.

Here trials become a `FinishModel` that says of any studied process what it will read, how
long it takes and how probably the next job meets a goal. Planning trials and choosing a
process do not belong here.
"""

from finishlab.model.constants import StepConstants, step_constants
from finishlab.model.finish import FinishModel, fit

__all__ = ["FinishModel", "StepConstants", "fit", "step_constants"]
