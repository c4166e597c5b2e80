"""From logged readings to patch means, haze from two glosses, and patches that all read the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from finishlab.errors import ModelError
from finishlab.records import readings_of
from finishlab.records.repeat_spread import robust_spread
from finishlab.study import RESPONSES
from finishlab.trade import optics
from finishlab.words import show

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


def refuse_all_alike(response: str, y: np.ndarray) -> None:
    """
    Refuse a response whose patches all read the same.

    Counted faults are not asked: no fault in so many patches does say something.

    Raises
    ------
    ModelError
        Every patch reads the same.

    Examples
    --------
    >>> refuse_all_alike("gloss_20", np.array([84.0, 85.0]))
    >>> refuse_all_alike("gloss_20", np.array([84.0, 84.0]))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: 20° gloss: all 2 patches read 84.0 GU. Nothing says what the settings do. Look whether the meter is stuck, or study settings further apart.
    """
    if response == "faults" or np.ptp(y) > 0:
        return
    label, unit = RESPONSES[response]
    raise ModelError(
        f"{label}: all {len(y)} patches read {show.number(y[0], 1)}{show.spaced(unit)}. "
        "Nothing says what the settings do. Look whether the meter is stuck, or study settings further apart."
    )


_PAIR = ["gloss_20", "gloss_60"]


def is_computed(study: Study, response: str) -> bool:
    """Return whether a response is the difference of two others."""
    return response == "haze" and study.reading.haze_method == "ASTM D4039"


def fitted_readings(table: pd.DataFrame, study: Study) -> pd.DataFrame:
    """
    Return every reading of trials that a response may be fitted to, as `readings_of`.

    Under ASTM D4039 haze is added for each patch and step with both glosses and more than 70 GU
    at 60 degrees, the mean of the patch. Where both angles have the same repeats the pairs
    keep their repeat numbers, so that the meter's scatter of the difference is seen.

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.study import Study
    >>> study = Study.from_toml('''
    ... title = "t"
    ... pass_means = "one direction, 50 % overlap"
    ... [[step]]
    ... name = "cut"
    ... passes = [2, 4]
    ... [reading]
    ... haze_method = "ASTM D4039"
    ... [goal]
    ... haze = { at_most = 15 }
    ... assurance = 0.9
    ... ''')
    >>> trials = pd.DataFrame({"cut_passes": [4, 2], "panel": [1, 1], "status": ["done", "done"],
    ...     "gloss_20_1": [80.0, 30.0], "gloss_20_2": [81.0, 31.0], "gloss_20": [80.5, 30.5],
    ...     "gloss_60_1": [90.0, 60.0], "gloss_60_2": [90.5, 61.0], "gloss_60": [90.25, 60.5]})
    >>> readings = fitted_readings(trials, study)
    >>> readings[readings["response"] == "haze"]["value"].tolist()
    [10.0, 9.5]
    """
    import pandas as pd

    readings = readings_of(table, study)
    if not is_computed(study, "haze"):
        return readings
    pairs = readings[readings["response"].isin(_PAIR)]
    found = []
    for (row, step), group in pairs.groupby(["row", "step"], sort=False):
        wide = group.pivot_table(index="repeat", columns="response", values="value")
        if len(wide.columns) < 2:
            continue
        mean = wide.mean()
        if not np.isfinite(optics.haze_index(mean["gloss_60"], mean["gloss_20"])):
            continue
        if wide.notna().all(axis=None):
            haze, several = wide["gloss_60"] - wide["gloss_20"], int(group["readings"].min())
        else:  # other repeats at one angle than at the other: only the means are a pair
            haze = pd.Series([mean["gloss_60"] - mean["gloss_20"]], index=[1])
            several = int(group.groupby("response")["readings"].sum().min())
        found.append(
            pd.DataFrame(
                {
                    "row": row,
                    "response": "haze",
                    "step": step,
                    "value": haze.to_numpy(float),
                    "repeat": haze.index,
                    "readings": several,
                }
            )
        )
    return pd.concat([readings, *found], ignore_index=True)
