"""From logged readings to patch means.

Repeat readings become patch means with the meter's own spread kept apart; a mean that was
logged as one value counts as the readings it is the mean of; a reading that
its neighbours on the patch contradict is set aside and named. Which trials count is
decided here. What patches have in common is said in `observed.py`; no curve, scale or goal
is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from finishlab.records.repeat_spread import robust_spread

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

#: A single reading is set aside when it stands this many meter spreads, and this many units,
#: from the others of its patch while they agree (common practice, no source).
_BLUNDER_SPREADS, _BLUNDER_UNITS = 6.0, 3.0


@dataclass(frozen=True, eq=False)
class PatchMeans:
    """One row a patch and step: mean of its readings, how many, and their trial."""

    row: np.ndarray  # index labels of the trials
    step: np.ndarray  # position of the step
    y: np.ndarray
    repeats: np.ndarray  # effective number, in readings after the last step
    meter_ss: float
    meter_df: float
    base: float  # spread of one reading after the last step, 1 where nobody repeated
    cautions: tuple[str, ...]


def patch_means(readings: pd.DataFrame, study: Study, response: str, base: float | None = None) -> PatchMeans:
    """
    Return patch means of one response, blunders set aside and named.

    `base` is the spread in whose terms readings count; that of the last step's when not given.
    """
    position = {s.name: i for i, s in enumerate(study.steps)}
    long = readings[readings["response"] == response]
    rows, steps, values, of = [], [], [], []
    for key, group in long.groupby(["row", "step"], sort=False):
        row, step = key
        rows.append(row)
        steps.append(position[str(step)])
        values.append(group["value"].to_numpy(float))
        of.append(int(group["readings"].iloc[0]))  # a mean that was logged stands alone
    step_of = np.array(steps, int)
    spread = {k: robust_spread([v for v, s in zip(values, steps, strict=True) if s == k]) for k in set(steps)}
    cautions = []
    for i, v in enumerate(values):
        keep, blunder = _without_blunder(v, spread[steps[i]])
        if blunder is not None:
            values[i] = keep
            cautions.append(
                f"trial in row {rows[i]}: one {response} reading of {blunder:g} after {study.steps[steps[i]].name} "
                f"stands apart from the others ({', '.join(f'{x:g}' for x in keep)}) and was set aside as a slip. "
                "Read that patch again if it still exists."
            )
    last = max(spread)
    base = base or spread[last] or 1.0
    # Sanded surfaces scatter more from spot to spot; their means then count for less.
    relative = np.array([max((spread[s] or base) / base, 1.0) for s in steps])
    final = [v for v, s in zip(values, steps, strict=True) if s == last]
    return PatchMeans(
        row=np.array(rows, dtype=object),
        step=step_of,
        y=np.array([v.mean() for v in values]),
        repeats=np.array([len(v) * n for v, n in zip(values, of, strict=True)]) / relative**2,
        meter_ss=float(sum(((v - v.mean()) ** 2).sum() for v in final)),
        meter_df=float(sum(len(v) - 1 for v in final)),
        base=base,
        cautions=tuple(cautions),
    )


def _without_blunder(v: np.ndarray, spread: float) -> tuple[np.ndarray, float | None]:
    if len(v) < 3 or spread == 0:
        return v, None
    far = np.abs(v - np.median(v))
    worst = int(far.argmax())
    rest = np.delete(v, worst)
    gap = abs(v[worst] - rest.mean())
    if gap > max(_BLUNDER_SPREADS * spread, _BLUNDER_UNITS) and np.ptp(rest) < 4 * spread:
        return rest, float(v[worst])
    return v, None


def burned_through(trials: pd.DataFrame) -> np.ndarray:
    """Return for each trial whether it burned through, shape (trials,)."""
    if "burned_after_step" not in trials.columns:
        return np.zeros(len(trials), bool)
    return trials["burned_after_step"].map(lambda v: isinstance(v, str) and v != "").to_numpy(bool)


def counted_trials(trials: pd.DataFrame) -> pd.DataFrame:
    """Return the trials whose readings count: done ones, burn-throughs among them."""
    return trials[trials["status"] == "done"] if "status" in trials.columns else trials
