"""Haze that no meter reads: the difference of two glosses by ASTM D4039, for the fit.

Fitted is the difference of each patch's own pair, not a difference of two fitted glosses. Of a
next job it must be known how far the two angles go together from panel to panel, and a
handful of panels cannot say that; in the difference of a pair it is counted already, as are
patch and meter. The price: readings at one angle alone say nothing of haze.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from finishlab.records import readings_of
from finishlab.trade import optics

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

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
