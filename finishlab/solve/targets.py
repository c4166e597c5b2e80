"""Minutes against the target: what a higher finish costs.

One fitted model, asked again and again with another target; nothing is fitted here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import StudyError
from finishlab.model import FinishModel
from finishlab.numbers import is_number
from finishlab.plain import plain
from finishlab.solve.search import in_order, quickest
from finishlab.study import RESPONSES, Condition, Study
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Targets asked about when none are given.
_TARGETS = 9


@dataclass(frozen=True, eq=False)
class Frontier:
    """
    The shortest process for each of several targets.

    Made by `frontier`.

    Attributes
    ----------
    targets : DataFrame
        One row a target: `target` in units of the response, `found`, `job_minutes` with `job_minutes_low` and
        `job_minutes_high` (90 % interval of the next job), `minutes` likewise of a section, `assurance`, and
        the factors; NaN where none was found.
    response : str
    wanted : float
        Assurance asked of each, a probability.
    study : Study
    cautions : tuple of str
    band : float
        Width of the band that the goal is, in the unit of the response; each target is its lower end. 0 where
        the goal has one side.
    """

    targets: pd.DataFrame
    response: str
    wanted: float
    study: Study
    cautions: tuple[str, ...]
    band: float = 0.0

    def text(self) -> str:
        """Say what the range of targets costs."""
        label, unit = RESPONSES[self.response]
        found = self.targets[self.targets["found"]]
        with_ = f"with {show.asked_percent(self.wanted)} assurance"
        if found.empty:
            return f"No studied process reaches any of these targets of {label} {with_}."
        first, last = found.iloc[0], found.iloc[-1]
        unit = show.spaced(unit)
        band = f" within a band of {self.band:g}{unit}" if self.band else ""
        up = " and up" if self.band else ""
        line = f"{label}{band} {with_}: {first['target']:g}{unit}{up} takes {show.time_text(first['minutes'], first['job_minutes'])}"
        if len(found) == 1:
            return f"{line}{'' if len(self.targets) == 1 else '; no other of these targets is reached'}."
        return f"{line}, {last['target']:g}{unit}{up} takes {show.minutes_text(last['job_minutes'])}."

    def table(self) -> pd.DataFrame:
        """Return a copy of the targets."""
        return self.targets.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        return {k: plain(v) for k, v in vars(self).items() if k != "study"}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw minutes against the target."""
        from finishlab.figures import answer_figures

        return answer_figures.frontier(
            self.targets, response=self.response, wanted=self.wanted, band=self.band, ax=ax
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def frontier(
    model: FinishModel,
    response: str,
    *,
    targets: Sequence[float] | None = None,
    goal: Mapping[str, Any] | None = None,
    assurance: float | None = None,
) -> Frontier:
    """
    Find the shortest process for each of several targets of one response.

    Where the goal is a band, the band is moved: each target is its lower end, its width stays.

    Parameters
    ----------
    model : FinishModel
    response : str
        As ``gloss_20``; the other goals stay as they are.
    targets : sequence of float, optional
        Values to ask for in units of the response, at least (gloss) or at most (haze, faults);
        nine about what the trials reached when not given.
    goal : mapping of response -> condition, optional
        The other goals, as for `shortest`; the study file's when not given.
    assurance : float, optional
        Probability asked of each target; the study file's when not given.

    Returns
    -------
    Frontier

    Raises
    ------
    StudyError
        The response is not known, the goal or assurance is not right, or targets are empty.
    ModelError
        A response was never read, or a limit cannot be judged.

    References
    ----------
    As `shortest`, once a target: Peterson, J. J. (2004), Journal of Quality Technology 36, 139.

    Examples
    --------
    >>> import finishlab as fl
    >>> front = fl.frontier(model, "gloss_20", targets=[60, 75, 99])
    >>> front.table()["found"].tolist()
    [True, True, False]

    >>> fl.frontier(model, "gloss")
    Traceback (most recent call last):
        ...
    finishlab.errors.StudyError: 'gloss' is not a response. Known are gloss_20, gloss_60, gloss_85, haze, faults.
    """
    import pandas as pd

    conditions, wanted = model.study.asked(goal, assurance)
    if response not in RESPONSES:
        raise StudyError(f"'{response}' is not a response. Known are {', '.join(RESPONSES)}.")
    rising = response.startswith("gloss")
    present, band = conditions.get(response, Condition()), 0.0
    if present.at_least is not None and present.at_most is not None:
        band = present.at_most - present.at_least
    about = _about_band(present.at_least or 0.0, band) if band else _about(model, response)
    given = np.ravel(np.asarray(about if targets is None else targets, object))
    if wrong := [target for target in given if not is_number(target)]:
        raise StudyError(f"{wrong[0]!r} is no target. Give numbers, in units of {RESPONSES[response][0]}.")
    asked = np.unique(given.astype(float))
    if not len(asked):
        raise StudyError("no target was given. Name at least one, or leave targets out.")
    walk = in_order(model)
    rows: dict[float, dict[str, Any]] = {}
    # From the easiest on: what falls short of an easier target falls short of a harder one. Not so for
    # bands: what shines too much for one is right for the next.
    for target in asked if rising else asked[::-1]:
        side: dict[str, Any] = {"at_least" if rising else "at_most": float(target)}
        if band:
            side = {"at_least": float(target), "at_most": float(target) + band}
        goals = {**conditions, response: replace(present, **side)}
        best = quickest(model, goals, wanted, walk)
        rows[target] = {"target": float(target), "found": best is not None}
        if best is not None:
            walk = walk if band else walk.where(slice(best.at, None))
            rows[target] |= vars(best.process) | best.process.settings
    columns = [
        "target",
        "found",
        *(f"{of}minutes{end}" for of in ("job_", "") for end in ("", "_low", "_high")),
        "assurance",
        *model.study.basis.names,
    ]
    return Frontier(
        pd.DataFrame([rows[t] for t in asked]).reindex(columns=columns),
        response,
        wanted,
        model.study,
        model.cautions,
        band,
    )


def _about_band(lowest: float, width: float) -> np.ndarray:
    """Return lower ends of the band about the one that is asked, moved by up to its own width."""
    steps = np.arange(_TARGETS) - _TARGETS // 2
    ends = lowest + np.unique(np.round(steps * width / (_TARGETS // 2) * 2) / 2)
    return ends[ends >= 0]


def _about(model: FinishModel, response: str) -> np.ndarray:
    """Return targets about what the trials reached, in round numbers."""
    reached = model.response(response).left_out.y
    low, high = (
        np.quantile(reached, [0.5, 1.0]) if response.startswith("gloss") else np.quantile(reached, [0.0, 0.5])
    )
    if response == "faults":
        return np.arange(0, int(high) + 2)
    step = max(round((high - low) / (_TARGETS - 1) * 2) / 2, 0.5)
    top = np.floor(high / step) * step
    return (
        top - step * np.arange(_TARGETS)
        if response.startswith("gloss")
        else np.ceil(low / step) * step + step * np.arange(_TARGETS)
    )
