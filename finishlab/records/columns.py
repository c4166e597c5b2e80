"""Which column of a trial table means what.

A heading is a setting, a reading of a response after a step (perhaps one of several
repeats), a film reading, a word about the trial, or the shop's own extra column that
passes through untouched. Their names are in `column_names.py`; what takes a heading apart is
here, and so is `readings_of`, which turns the wide table into one row a reading for the model. Whether
the values in a column are right is not this module's business (`sheet_check.py`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from finishlab.study import RESPONSES
from finishlab.study.column_names import FILM, LABELS, MIL_UM, START, TEXTS, Column, Role, known_columns

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

#: The names themselves stand above this room, since a study file may use them too.
__all__ = [
    "FILM",
    "LABELS",
    "MIL_UM",
    "START",
    "TEXTS",
    "Column",
    "Role",
    "gathered",
    "known_columns",
    "read_at_spots",
    "readings_of",
    "understand",
]

_REPEAT = re.compile(r"(.+)_([1-9][0-9]*)")


def understand(headings: Iterable[str], study: Study) -> dict[str, Column]:
    """
    Return what every heading means, in the order given.

    Parameters
    ----------
    headings : iterable of str
    study : Study

    Returns
    -------
    dict of str to Column

    Examples
    --------
    >>> from finishlab.records.columns import _example
    >>> found = understand(["gloss_20", "gloss_20_2", "sand_gloss_60_1", "pad_lot"], _example())
    >>> [(c.role, c.mean, c.step, c.repeat) for c in found.values()]
    [('reading', 'gloss_20', 'cut', 0), ('reading', 'gloss_20', 'cut', 2), ('reading', 'sand_gloss_60', 'sand', 1), ('extra', 'pad_lot', '', 0)]
    """
    known = known_columns(study)
    columns: dict[str, Column] = {}
    for heading in headings:
        repeat = _REPEAT.fullmatch(heading)
        if heading in known:
            columns[heading] = known[heading]
        elif repeat and (base := known.get(repeat[1])) and base.role in ("reading", "film"):
            columns[heading] = replace(base, heading=heading, repeat=int(repeat[2]))
        else:
            columns[heading] = Column(heading, "extra", heading, heading)
    return columns


def gathered(columns: Iterable[Column], role: Role) -> dict[str, list[Column]]:
    """Return the columns of one role by the column that carries the trial's value, repeats in order."""
    groups: dict[str, list[Column]] = {}
    for column in columns:
        if column.role == role:
            groups.setdefault(column.mean, []).append(column)
    return {mean: sorted(group, key=lambda c: (c.in_mil, c.repeat)) for mean, group in groups.items()}


def readings_of(table: pd.DataFrame, study: Study) -> pd.DataFrame:
    """
    Return one row for every single reading of the done trials.

    Parameters
    ----------
    table : DataFrame
        Trials as `read_trials` gives them, one row a trial.
    study : Study

    Returns
    -------
    DataFrame
        In the order of the table, then of the steps. Columns: `row` (index label of the
        trial), `response` (as ``gloss_20``), `step` (after which it was read), `value`,
        `repeat` (1 for the first or only one), `readings` (of how many it is the mean). Where
        repeats are logged they stand here, each a single reading; else the trial's one value,
        which is the mean of the study's spots (a count of faults is one count). Left out are trials not done, readings from the step
        of a burn-through on, readings before any work, and ASTM D4039 haze where both
        gloss readings are there: it is their difference, not a reading of its own.

    References
    ----------
    ASTM D4039: haze index = 60-degree less 20-degree gloss.

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.records.columns import _example
    >>> trials = pd.DataFrame({
    ...     "cut_passes": [2, 3], "panel": [1, 1], "minutes": [5.0, 6.5], "sand_gloss_20": [4.5, 5.0],
    ...     "gloss_20": [80.5, 83.0], "gloss_20_1": [80.0, 83.0], "gloss_20_2": [81.0, None],
    ...     "status": ["done", "done"]})
    >>> readings_of(trials, _example())
       row  response  step  value  repeat  readings
    0    0  gloss_20  sand    4.5       1         3
    1    0  gloss_20   cut   80.0       1         1
    2    0  gloss_20   cut   81.0       2         1
    3    1  gloss_20  sand    5.0       1         3
    4    1  gloss_20   cut   83.0       1         1

    A burn-through keeps only what was read before the step that burned:

    >>> readings_of(trials.assign(burned_after_step=["cut", None]), _example())["row"].tolist()
    [0, 1, 1]
    """
    import pandas as pd

    steps, responses = [s.name for s in study.steps], list(RESPONSES)
    groups = gathered(understand(map(str, table.columns), study).values(), "reading")
    done = (
        table["status"].eq("done").to_numpy(bool) if "status" in table.columns else np.ones(len(table), bool)
    )
    burned = np.full(len(table), len(steps))
    if "burned_after_step" in table.columns:
        at = {name: i for i, name in enumerate(steps)}
        burned = table["burned_after_step"].map(at).fillna(len(steps)).to_numpy(int)
    parts: list[tuple[np.ndarray, ...]] = []
    for mean, group in groups.items():
        step, response = group[0].step, group[0].quantity
        if step == START:
            continue
        values, repeats, alone = _single(table, mean, group)
        several = study.reading.spots if read_at_spots(response) else 1
        usable = done & (steps.index(step) < burned)
        if response == "haze" and study.reading.haze_method == "ASTM D4039":
            usable &= ~_both_gloss(table, mean)
        rows, which = np.nonzero(~np.isnan(values) & usable[:, None])
        place = np.full(len(rows), steps.index(step)), np.full(len(rows), responses.index(response))
        parts.append((rows, *place, values[rows, which], repeats[which], np.where(alone[rows], several, 1)))
    rows, step_at, response_at, value, repeat, readings = (
        (np.concatenate(p) for p in zip(*parts, strict=True))
        if parts
        else (np.empty(0, int) for _ in range(6))
    )
    order = np.lexsort((repeat, response_at, step_at, rows))
    return pd.DataFrame(
        {
            "row": table.index.to_numpy()[rows[order]],
            "response": np.array(responses, object)[response_at[order]],
            "step": np.array(steps, object)[step_at[order]],
            "value": value[order].astype(float),
            "repeat": repeat[order],
            "readings": readings[order],
        }
    )


def read_at_spots(response: str) -> bool:
    """Return whether a response is read at the study's spots; faults are counted once a patch."""
    return response != "faults"


def _single(table: pd.DataFrame, mean: str, group: list[Column]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    Return the single readings behind one trial value, shape (rows, repeats), and their repeat numbers.

    Third, where a trial has only its one value, shape (rows,).
    """
    repeats = [c for c in group if c.repeat]
    if not repeats:
        return table[[mean]].to_numpy(float), np.array([1]), np.ones(len(table), bool)
    values = table[[c.heading for c in repeats]].to_numpy(float)
    numbers = np.array([c.repeat for c in repeats])
    alone = np.isnan(values).all(axis=1)
    if mean in table.columns:
        # A trial with only its one value keeps it as its first reading.
        first = np.where(alone, table[mean].to_numpy(float), values[:, 0])
        values = np.column_stack([first, values[:, 1:]])
    return values, numbers, alone


def _both_gloss(table: pd.DataFrame, haze: str) -> np.ndarray:
    """Return where both gloss readings behind a D4039 haze column are there."""
    names = [haze.removesuffix("haze") + angle for angle in ("gloss_20", "gloss_60")]
    if not set(names) <= set(table.columns):
        return np.zeros(len(table), bool)
    return table[names].notna().all(axis=1).to_numpy(bool)


def _example() -> Study:
    """A study of two steps for the examples of this package."""
    from finishlab.study import Study

    return Study.from_toml(
        """
        title = "Doors"
        pass_means = "one direction, 50 % overlap"
        [[step]]
        name = "sand"
        grit = "P2000"
        [[step]]
        name = "cut"
        passes = { lowest = 1, highest = 4 }
        [goal]
        gloss_20 = { at_least = 82 }
        assurance = 0.9
        """
    )
