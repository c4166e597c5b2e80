"""Which trials to run, on which panels, in which order.

`plan_trials` is the door. Behind it: `layout.py` shapes the plan (panels, controls,
repeats), `criterion.py` says what a good plan is, `exchange.py` finds the settings, and
`trials.py` makes the sheet. What becomes of the trials is not planned here but recorded
in `records` and judged in `model`.
"""

from finishlab.plan.trials import new_panels, plan_trials

__all__ = ["new_panels", "plan_trials"]
