"""Which trials to run, on which panels, in which order, and what they will be able to see.

`plan_trials` is the door. Behind it: `layout.py` shapes the plan (panels, controls,
repeats), `criterion.py` and `step_criterion.py` say what a good plan is, `exchange.py`
finds the settings, `classical.py`, `blocks.py` and `whole_plots.py` make textbook plans, and
`trials.py` makes the sheet; `places.py` asks what a trial must say of where it belongs. `day.py` lays out the work, `foresight.py` (with `power.py`, `spreads.py` and `costs.py`) says
what will be seen and what it costs, `how_many.py` how many trials pay. What becomes of the
trials is recorded in `records` and judged in `model`, whose curves a plan is made for.
"""

from finishlab.plan.day import RunDay, run_day
from finishlab.plan.foresight import Foresight, foresee
from finishlab.plan.how_many import HowMany, how_many_trials
from finishlab.plan.trials import new_panels, plan_trials

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
