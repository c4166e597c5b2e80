"""Which trials to run, on which panels, in which order, and what they will be able to see.

`plan_trials` is the door. Behind it: `layout.py` shapes the plan (panels, controls,
repeats), `plan_criterion.py` says what a good plan is, `exchange.py`
finds the settings, `classical.py`, `panel_runs.py` and `layout.py` make textbook plans,
`trial_plan.py` makes the sheet, and `patch_places.py` asks what each trial must say of where it belongs.
`day.py` lays out the work; `foresight.py` says what will be seen (with `power.py` and `guessed_spreads.py`),
what cannot be told apart (`confounding.py`) and what it costs (`day.py`); `how_many.py` how many
trials pay. What becomes of the trials is recorded in `records` and judged in `model`, whose
curves a plan is made for.
"""

from finishlab.plan.day import RunDay, run_day
from finishlab.plan.foresight import Foresight, foresee
from finishlab.plan.how_many import HowMany, how_many_trials
from finishlab.plan.trial_plan import new_panels, plan_trials

__all__ = [
    "Foresight",
    "HowMany",
    "RunDay",
    "foresee",
    "how_many_trials",
    "new_panels",
    "plan_trials",
    "run_day",
]
