"""The study: its steps, settings, goal and limits; its file; every admissible process.

From the one `Study` plan, run sheet, form, model, search and procedure are derived. No trial data here.
"""

from finishlab.study.definition import Study
from finishlab.study.process import Kind, Setting, Step, level_of
from finishlab.study.requirements import Avoid, Condition, Job, Lifted, Limit, Reading
from finishlab.study.vocabulary import AMOUNTS, HAZE_METHODS, LIMITS, RANGES, RESPONSES

__all__ = [
    "AMOUNTS",
    "HAZE_METHODS",
    "LIMITS",
    "RANGES",
    "RESPONSES",
    "Avoid",
    "Condition",
    "Job",
    "Kind",
    "Lifted",
    "Limit",
    "Reading",
    "Setting",
    "Step",
    "Study",
    "level_of",
]
