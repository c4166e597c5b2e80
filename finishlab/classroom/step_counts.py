"""For the classroom: is one more pass worth it, pass by pass.

What the model says of processes that differ by one pass, in words for people without statistics. Whether a pass is
worth it is judged as `shortest` judges a process: by the chance that the next job meets the goal. How far a pass
moves the mean is said beside it, with its own interval, in which panels, patches and the meter cancel; "alike" is
shown, never concluded from "not different". Curves for the owner are in `finishlab.model.curves`.

pingouin's two one-sided tests (`tost`) take two samples of readings, with all else alike. Trials of a plan differ in all
else: of 24 on a practice bench (kind 1, seed 3) those with 6 and with 8 cut passes read 1.3 GU apart on average, for which
`tost` has p 0.97 within 1 GU; the model finds less than 0.1 GU between them.

References
----------
Schuirmann, D. J. (1987). A comparison of the two one-sided tests procedure and the power approach. Journal of
Pharmacokinetics and Biopharmaceutics 15, 657-680 (the means of two step counts are alike when the 90 % interval of
their difference lies within what does not matter; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.model.curves import counted_levels
from finishlab.plain import plain_rows
from finishlab.study import RESPONSES
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Smallest difference that matters when nobody says, in GU (common practice, no source), and for haze and faults.
SMALLEST = {"gloss": 1.0, "haze": 2.0, "faults": 0.5}
#: A gain of the mean is sure from this chance on.
_SURE = 0.9
#: Chances of the next job that differ by less are the same for the shop (common practice, no source).
_SAME_CHANCE = 0.02


@dataclass(frozen=True, eq=False)
class StepCounts:
    """
    What each further pass brings.

    Made by `step_counts`.

    Attributes
    ----------
    factor, response : str
    smallest : float
        Smallest difference of the mean that matters, in units of the response.
    held : str
        The process that the rest is held at, in words.
    wanted : float
        The assurance that the study asks for, a probability.
    worth : float
        The last count whose pass is worth it, in the factor's own unit (passes, seconds): the lowest with which the next job meets
        the goal with the probability asked for and every limit is kept, as `shortest` judges it. Where no count does, the lowest
        that comes within 2 points of the best.
    """

    factor: str
    response: str
    smallest: float
    held: str
    wanted: float
    worth: float
    _table: pd.DataFrame

    def table(self) -> pd.DataFrame:
        """
        Return one row a count: the reading, what this pass adds to it and to the chance of the next job.

        ``gain`` of the mean over the count before with its 90 % interval ``gain_low``, ``gain_high``; ``chance`` that it is more
        than the smallest difference that matters; ``next_job`` the chance that the next job meets the goal, ``next_job_gain`` over
        the count before; ``keeps_limits`` (of film and burn-through); ``alike`` where the interval lies within that
        smallest difference either way (two one-sided tests at 5 %) and the chance of the next job changes by less than 2 points;
        ``most_alike`` the highest count that is alike with this one; ``minutes`` of the process.
        """
        return self._table.copy()

    @property
    def enough(self) -> str:
        """One sentence: the count that is enough, and the chance of the next job with it and with one pass fewer."""
        rows, k, name = self._table, self._at, show.label(self.factor)
        count, asked = show.plain_number(self.worth), show.asked_percent(self.wanted)
        sure = f"the next job meets the goal with {show.percent(rows['next_job'][k])} assurance"
        if not rows["keeps_limits"].any():
            return f"No number of {name} keeps the limits here."
        if rows["next_job"][k] < self.wanted:
            with_it = f", with {count}" if k else ""
            return f"No number of {name} is enough here: at best {sure} ({asked} asked){with_it}."
        one = self.worth == 1 and name.endswith("passes")
        said = f"{count} {name.removesuffix('es') + ' is' if one else name + ' are'} enough: {sure} ({asked} asked)"
        if k and rows["keeps_limits"][k - 1]:
            fewer, less = show.plain_number(rows[self.factor][k - 1]), show.percent(rows["next_job"][k - 1])
            said += f", with {fewer} only with {less}"
        return f"{said}."

    @property
    def _at(self) -> int:
        return int(np.argmax(self._table[self.factor] == self.worth))

    def text(self) -> str:
        """Say which count is enough, what its pass and the next one bring, and which counts are alike."""
        rows, k = self._table, self._at
        label, unit = RESPONSES[self.response]
        little = f"{show.plain_number(self.smallest)}{show.spaced(unit)}"
        said = [self.enough, *(self._brings(i) for i in (k, k + 1) if 0 < i < len(rows))]
        alike = rows.index[rows["alike"]]
        if len(alike):
            said.append(
                f"{show.begun(self._passes(alike))} change{'s' if len(alike) == 1 else ''} the mean {label} by less than {little}, "
                f"and the chance by less than {100 * _SAME_CHANCE:.0f} points."
            )
        # Where the mean moves by more or by less than matters, not where the chance does.
        open_ = rows.index[
            ~rows["gain"].isna()
            & (rows["chance"] < _SURE)
            & ~((rows["gain_low"] > -self.smallest) & (rows["gain_high"] < self.smallest))
        ]
        if len(open_):
            said.append(
                f"Whether the mean changes by more than {little} with {self._passes(open_)}, the trials cannot tell yet."
            )
        if (broken := rows.index[~rows["keeps_limits"]]).size:
            counts = show.listed(show.plain_number(v) for v in rows[self.factor][broken])
            said.append(f"A limit is not kept surely enough with {counts} {show.label(self.factor)}.")
        said.append(f"The rest is held at {self.held}.")
        return " ".join(said)

    def _passes(self, index: pd.Index) -> str:
        """Return passes by their number, as "cut pass 5 and 6"; steps of other numbers as "from 2 to 4 cut passes"."""
        name, levels = show.label(self.factor), self._table[self.factor]
        if name.endswith(" passes") and (levels.diff().dropna() == 1).all():
            listed = show.listed(show.plain_number(v) for v in levels[index])
            return f"{name.removesuffix('es') if len(index) == 1 else name} {listed}"
        moves = [f"from {show.plain_number(levels[i - 1])} to {show.plain_number(levels[i])}" for i in index]
        return f"{show.listed(moves)} {name}"

    def _brings(self, k: int) -> str:
        """Say what a pass does to the mean and to the chance of the next job."""
        rows = self._table
        label, unit = RESPONSES[self.response]
        gain = rows["gain"][k]
        done = "adds" if (gain >= 0) == self.response.startswith("gloss") else "takes off"
        size = f"{show.number(abs(gain), 1)}{show.spaced(unit)}"
        before, now = (show.percent(rows["next_job"][i]) for i in (k - 1, k))
        moved = (
            f"leaves the chance of the next job at {now}"
            if before == now
            else f"takes the chance of the next job from {before} to {now}"
        )
        return f"{show.begun(self._passes(rows.index[[k]]))} {done} {size} {'of' if done == 'takes off' else 'to the mean'} {label} and {moved}."

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        rows = plain_rows(self._table)
        kept = {k: getattr(self, k) for k in ("factor", "response", "smallest", "held", "wanted", "worth")}
        return {**kept, "counts": rows}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw what each further pass adds, with its interval, and the band that does not matter."""
        from finishlab.figures import model_figures

        rows = self._table.dropna(subset=["gain"]).rename(
            columns={"gain": "difference", "gain_low": "difference_low", "gain_high": "difference_high"}
        )
        label, unit = RESPONSES[self.response]
        names = [f"{show.plain_number(v)} {show.label(self.factor)}" for v in rows[self.factor]]
        ax = model_figures.ranked(
            rows.reset_index(drop=True),
            names,
            over=f"what this pass adds to {label}{', ' + unit if unit else ''}",
            title=self.enough,
            ax=ax,
        )
        ax.axvspan(-self.smallest, self.smallest, color="#ececec", zorder=0)
        return ax

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def step_counts(
    model: FinishModel,
    factor: str,
    *,
    smallest: float | None = None,
    at: Mapping[str, Any] | None = None,
    response: str | None = None,
) -> StepCounts:
    """
    Say pass by pass whether one more is worth it: by the chance that the next job meets the study's goal.

    Parameters
    ----------
    model : FinishModel
    factor : str
        A count that the study varies, as ``cut_passes``.
    smallest : float, optional
        Smallest difference of the mean that matters, in units of the response: 1 GU of gloss when nobody says.
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
    Schuirmann, D. J. (1987), Journal of Pharmacokinetics and Biopharmaceutics 15, 657 (the means of two step counts are alike when
    the 90 % interval of their difference lies within what does not matter; from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> ladder = fl.step_counts(model, "cut_passes")
    >>> ladder.table()["cut_passes"].tolist()
    [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
    >>> first, last = ladder.table()["gain"].iloc[[1, -1]]
    >>> bool(first > last)
    True

    With the last count that is worth it the next job meets the goal as surely as asked, where any count does:

    >>> ladder = fl.step_counts(model, "cut_passes", at={"polish_passes": 6})
    >>> enough = ladder.table().set_index("cut_passes").loc[ladder.worth]
    >>> bool(enough["next_job"] >= ladder.wanted)
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
    next_job = model.probability_of(counted.values, model.study.goal)
    keeps = _keeps_limits(model, counted.values)
    none = [np.nan]
    most_alike = []
    for k in range(drawn.shape[1]):
        last = k
        for j in range(k + 1, drawn.shape[1]):
            if (
                _alike(drawn[:, j] - drawn[:, k], matters)[2]
                and abs(next_job[j] - next_job[k]) < _SAME_CHANCE
            ):
                last = j
        most_alike.append(counted.levels[last])
    table = pd.DataFrame(
        {
            factor: counted.levels,
            name: counted.value,
            "gain": np.r_[none, gain.mean(axis=0)],
            "gain_low": np.r_[none, low],
            "gain_high": np.r_[none, high],
            "chance": np.r_[none, (gain > matters).mean(axis=0)],
            "next_job": next_job,
            "next_job_gain": np.r_[none, np.diff(next_job)],
            "keeps_limits": keeps,
            "alike": np.r_[False, same & (np.abs(np.diff(next_job)) < _SAME_CHANCE)],
            "most_alike": most_alike,
            "minutes": counted.minutes,
        }
    )
    wanted, allowed = model.study.assurance, next_job * keeps
    # Where none is sure enough: what comes within a little of the best.
    least = wanted if (allowed >= wanted).any() else allowed.max() - _SAME_CHANCE
    worth = counted.levels[int(np.argmax(keeps & (next_job >= least)))]
    return StepCounts(factor, name, matters, counted.held, float(wanted), float(worth), table)


def _keeps_limits(model: FinishModel, values: np.ndarray) -> np.ndarray:
    """Return which processes keep every limit; all where the film was not read, which no lesson needs."""
    if model.study.limits and model.removal is None:
        return np.ones(len(values), bool)
    return model.keeps_limits(values)


def _alike(drawn: np.ndarray, matters: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the ends of the 90 % interval of drawn differences, and whether it lies within what does not matter either way."""
    low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
    return low, high, (low > -matters) & (high < matters)
