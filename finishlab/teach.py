"""For the classroom: is one more pass worth it, pass by pass.

What the model says of processes that differ by one pass, in words for people without
statistics. The difference of two step counts has its own interval, in which panels,
patches and the meter cancel; "alike" is shown, never concluded from "not different".
Curves for the owner are in `finishlab.model.curves`.

References
----------
Schuirmann, D. J. (1987). A comparison of the two one-sided tests procedure and the power approach. Journal of
Pharmacokinetics and Biopharmaceutics 15, 657-680 (two step counts are alike when the 90 % interval of
their difference lies within what does not matter; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab import _show
from finishlab._plain import plain_rows
from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.model.curves import counted_levels
from finishlab.study import RESPONSES

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Smallest difference that matters when nobody says, in GU (common practice, no source), and for haze and faults.
SMALLEST = {"gloss": 1.0, "haze": 2.0, "faults": 0.5}
#: A gain is worth it, or its absence sure, from this chance on.
_SURE = 0.9


@dataclass(frozen=True, eq=False)
class StepCounts:
    """
    What each further pass brings.

    Made by `step_counts`.

    Attributes
    ----------
    factor, response : str
    smallest : float
        Smallest difference that matters, in units of the response.
    held : str
        The process that the rest is held at, in words.
    worth : float
        The last count whose pass is still worth it: the chance that it gains more than `smallest` is 90 % or more; the
        first count where none is.
    """

    factor: str
    response: str
    smallest: float
    held: str
    worth: float
    _table: pd.DataFrame

    def table(self) -> pd.DataFrame:
        """
        Return one row a count: the reading, what this pass adds, and whether it is worth it.

        ``gain`` over the count before with its 90 % interval ``gain_low``, ``gain_high``; ``chance`` that it is worth more
        than the smallest difference that matters; ``alike`` where the interval lies within that difference
        either way (two one-sided tests at 5 %); ``most_alike`` the highest count that is alike with this one; ``minutes`` of the process.
        """
        return self._table.copy()

    def text(self) -> str:
        """Say up to which pass one more is worth it, and from where on they are alike."""
        label, unit = RESPONSES[self.response]
        unit = f" {unit}" if unit else ""
        name = _show.label(self.factor)
        said = [
            f"Up to {_show.plain_number(self.worth)} {name} one more is worth more than {_show.plain_number(self.smallest)}{unit} of {label} "
            f"with a chance of {_show.asked_percent(_SURE)} or more, the rest held at {self.held}."
        ]
        alike = self._table[self._table["alike"]]
        if len(alike):
            first = alike.iloc[0][self.factor]
            said.append(
                f"From {_show.plain_number(first)} on a further one changes it by less than {_show.plain_number(self.smallest)}{unit}, for sure enough: "
                "those counts are alike."
            )
        open_ = self._table[~self._table["alike"] & (self._table["chance"] < _SURE)].dropna(subset=["gain"])
        if len(open_):
            counts = _show.listed(_show.plain_number(v) for v in open_[self.factor])
            said.append(f"Of {counts} the trials cannot tell yet.")
        return " ".join(said)

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        rows = plain_rows(self._table)
        kept = {k: getattr(self, k) for k in ("factor", "response", "smallest", "held", "worth")}
        return {**kept, "counts": rows}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw what each further pass adds, with its interval, and the band that does not matter."""
        from finishlab import _effect_figures

        rows = self._table.dropna(subset=["gain"]).rename(
            columns={"gain": "difference", "gain_low": "difference_low", "gain_high": "difference_high"}
        )
        label, unit = RESPONSES[self.response]
        names = [f"{_show.plain_number(v)} {_show.label(self.factor)}" for v in rows[self.factor]]
        ax = _effect_figures.ranked(
            rows.reset_index(drop=True),
            names,
            over=f"what this pass adds to {label}{', ' + unit if unit else ''}",
            title=self.text().split(". ")[0] + ".",
            ax=ax,
        )
        ax.axvspan(-self.smallest, self.smallest, color="#ececec", zorder=0)
        return ax

    def _repr_html_(self) -> str:
        return _show.sentence_and_table(self.text(), self.table())


def step_counts(
    model: FinishModel,
    factor: str,
    *,
    smallest: float | None = None,
    at: Mapping[str, Any] | None = None,
    response: str | None = None,
) -> StepCounts:
    """
    Say pass by pass whether one more is worth it.

    Parameters
    ----------
    model : FinishModel
    factor : str
        A count that the study varies, as ``cut_passes``.
    smallest : float, optional
        Smallest difference that matters, in units of the response: 1 GU of gloss when nobody says.
    at : mapping of factor -> level, optional
        What the rest is held at, as for `pass_curve`.
    response : str, optional
        The first of the goal when not given.

    Returns
    -------
    StepCounts

    Raises
    ------
    ModelError
        That is no factor, or no number, or `smallest` is not above 0.
    OutsideStudy
        `at` names a setting that was never studied.

    References
    ----------
    Schuirmann, D. J. (1987), Journal of Pharmacokinetics and Biopharmaceutics 15, 657 (two step counts are alike when the 90 %
    interval of their difference lies within what does not matter; from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> sheet = fl.plan_trials(bench.study, trials=24, panels=4, seed=1)
    >>> model = fl.fit(bench.study, bench.work(sheet, seed=1))
    >>> ladder = fl.step_counts(model, "cut_passes")
    >>> ladder.table()["cut_passes"].tolist()
    [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
    >>> first, last = ladder.table()["gain"].iloc[[1, -1]]
    >>> bool(first > last)
    True

    >>> fl.step_counts(model, "cut_passes", smallest=0)
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: smallest is 0; it must be above 0, in units of the response.
    """
    import pandas as pd

    if smallest is not None and not smallest > 0:
        raise ModelError(f"smallest is {smallest!r}; it must be above 0, in units of the response.")
    counted = counted_levels(model, factor, at=at, response=response)
    name = counted.response
    matters = SMALLEST[name.split("_")[0]] if smallest is None else float(smallest)
    # Less haze is the gain, as more gloss is.
    side = 1.0 if name.startswith("gloss") else -1.0
    drawn = side * counted.drawn
    gain = np.diff(drawn, axis=1)
    low, high, same = _alike(gain, matters)
    none = [np.nan]
    chance = np.r_[none, (gain > matters).mean(axis=0)]
    most_alike = []
    for k in range(drawn.shape[1]):
        last = k
        for j in range(k + 1, drawn.shape[1]):
            if _alike(drawn[:, j] - drawn[:, k], matters)[2]:
                last = j
        most_alike.append(counted.levels[last])
    table = pd.DataFrame(
        {
            factor: counted.levels,
            name: counted.value,
            "gain": np.r_[none, gain.mean(axis=0)],
            "gain_low": np.r_[none, low],
            "gain_high": np.r_[none, high],
            "chance": chance,
            "alike": np.r_[False, same],
            "most_alike": most_alike,
            "minutes": counted.minutes,
        }
    )
    # Worth it one after the other: a gain beyond one that was not is no reason to go through that one.
    ahead = chance[1:] >= _SURE
    worth = counted.levels[int(np.argmin(np.r_[ahead, False]))]
    return StepCounts(factor, name, matters, counted.held, float(worth), table)


def _alike(drawn: np.ndarray, matters: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the ends of the 90 % interval of drawn differences, and whether it lies within what does not matter either way."""
    low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
    return low, high, (low > -matters) & (high < matters)
