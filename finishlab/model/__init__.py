"""Fitting: scales, the step and surface models, checks, effects and prediction.

Here trials become a `FinishModel` that says of any studied process what it will read, how
long it takes and how probably the next job meets a goal; is asked whether it is as good as
it says; and tells what matters most. Planning trials and choosing a process do not belong
here.

A fit goes one way: `readings`, `trial_groups`, `pooling` -> `observed` (what is taken in);
with a curve from `steps` or `surface` (and what a curve misses) and a scale from `scales`
-> `latent`, `laplace` -> `response` (one response, fitted). `fitting` makes the `finish_model` of them all, with
minutes and film from `additive` and `limits`; `trial_coverage` and `evidence` say what it rests on.
Promises: `assurance`, `all_goals`, `bounds` (very many processes), `patch_readings` (this very patch).
Doubts: `linear_view`, `check_questions` -> `checks`; `model_comparison`.
Answers: `other_settings` -> `effects`, `curves`, `grids`; `straight_scale` -> `differences`, `spread_shares`; `constants`,
`scratches`; `lenth` needs no fit.
"""

from finishlab.model.checks import ModelChecks, check_model
from finishlab.model.constants import StepConstants, step_constants
from finishlab.model.curves import PassCurve, pass_curve
from finishlab.model.differences import LevelDifferences, compare_levels
from finishlab.model.effects import WhatMatters, what_matters
from finishlab.model.finish_model import FinishModel
from finishlab.model.fitting import fit
from finishlab.model.grids import SettingGrid, setting_grid
from finishlab.model.lenth import ScreenedEffects, screen_effects
from finishlab.model.model_comparison import ModelComparison, compare_models
from finishlab.model.spread_shares import VarianceShares, variance_shares

__all__ = [
    "FinishModel",
    "LevelDifferences",
    "ModelChecks",
    "ModelComparison",
    "PassCurve",
    "ScreenedEffects",
    "SettingGrid",
    "StepConstants",
    "VarianceShares",
    "WhatMatters",
    "check_model",
    "compare_levels",
    "compare_models",
    "fit",
    "pass_curve",
    "screen_effects",
    "setting_grid",
    "step_constants",
    "variance_shares",
    "what_matters",
]
