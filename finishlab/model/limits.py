"""Limits for the paint's sake: will the film removed stay within what a person allowed?

Every limit comes from the study file with the name of who set it; nothing is assumed
here. Also the processes that a burn-through rules out. Finish goals are elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.model.additive import Additive
from finishlab.model.readings import burned_through
from finishlab.study import Condition, Setting, Study

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class LimitForecast:
    """
    What a limit on film asks, and what is predicted of a process beside it.

    Attributes
    ----------
    set_by : str
        Who set the limit.
    assurance : float
        With which it is to be kept, a probability.
    at_least, at_most : float or None
        The limit, µm left or µm removed; None where it has no such end.
    film_before_um : float or None
        Film of the job before work, µm, of a limit on the film left.
    predicted, worst : float or None
        Film left or removed, µm: on average, and on the worst section with that assurance.
    probability : float or None
        That the next job keeps the limit, 0 to 1.
    """

    set_by: str
    assurance: float
    at_least: float | None = None
    at_most: float | None = None
    film_before_um: float | None = None
    predicted: float | None = None
    worst: float | None = None
    probability: float | None = None

    @property
    def condition(self) -> Condition:
        """The limit as a condition."""
        return Condition(self.at_least, self.at_most)


def removal_probability(removal: Additive, values: np.ndarray, at_most: float, sections: int) -> np.ndarray:
    """
    Probability that the worst section of the next job loses at most `at_most` µm.

    Parameters
    ----------
    removal : Additive
        Film removed from one section, µm.
    values : ndarray, shape (rows, factors)
    at_most : float
        What may be removed, µm.
    sections : int

    Returns
    -------
    ndarray, shape (rows,)
        A safe bound over sections: 1 - sections x (1 - p), never below 0.
    """
    one = removal.next_section(values).below(at_most)
    return np.maximum(1 - sections * (1 - one), 0.0)


def most_removed(
    removal: Additive, values: np.ndarray, assurance: float, sections: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean removal and what the worst section stays under with `assurance`, µm."""
    worst = removal.next_section(values).quantile(1 - (1 - assurance) / sections)
    return removal.mean(values), worst


def ruled_out(study: Study, trials: pd.DataFrame, values: np.ndarray) -> np.ndarray:
    """
    Return the processes as harsh as one that burned through, or harsher.

    Harsher is what the study file ranks so in [harsher]; without a rank more of a number
    (passes, speed) and coarser grit are harsher, and a choice must be the same. A step left
    out is milder.

    Parameters
    ----------
    study : Study
    trials : DataFrame
        Every trial; those with a step in ``burned_after_step`` burned through, whatever
        their status.
    values : ndarray, shape (rows, factors)

    Returns
    -------
    ndarray of bool, shape (rows,)

    Examples
    --------
    >>> import pandas as pd
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction"
    ... [[step]]
    ... name = "cut"
    ... pad = ["wool", "foam"]
    ... passes = { lowest = 1, highest = 4 }
    ... [goal]
    ... faults = { at_most = 0 }
    ... assurance = 0.9
    ... [harsher]
    ... cut_pad = ["foam", "wool"]
    ... ''')
    >>> trials = pd.DataFrame({"cut_pad": ["foam"], "cut_passes": [3], "burned_after_step": ["cut"]})
    >>> every = next(study.basis.chunks())
    >>> study.basis.frame(every[ruled_out(study, trials, every)]).to_numpy().tolist()
    [['wool', 3], ['wool', 4], ['foam', 3], ['foam', 4]]

    What the owner lifts, with a reason, is let back in:

    >>> lifted = Study.from_toml(study.source + '''
    ... [[lifted]]
    ... cut_pad = "wool"
    ... set_by = "owner, 2 March"
    ... reason = "the foam pad was worn out"
    ... ''')
    >>> study.basis.frame(every[ruled_out(lifted, trials, every)]).to_numpy().tolist()
    [['foam', 3], ['foam', 4]]

    Without a burn-through nothing is ruled out:

    >>> ruled_out(study, trials.assign(burned_after_step=""), every).any()
    np.False_
    """
    out = np.zeros(len(values), bool)
    burned = _comparable(study, trials[burned_through(trials)])
    if burned.empty:
        return out
    position = {s.name: i for i, s in enumerate(study.steps)}
    worst = study.basis.values(burned)
    for row, step in zip(worst, burned["burned_after_step"], strict=True):
        as_harsh = np.ones(len(values), bool)
        for j, factor in enumerate(study.basis.factors):
            if position[factor.step] > position[step]:
                continue  # what came after the burn did not cause it
            as_harsh &= _at_least_as_harsh(study, factor, values[:, j], row[j])
        out |= as_harsh
    for lifted in study.lifted:
        out &= ~study.basis.meets(lifted.where, values)
    return out


def _comparable(study: Study, burned: pd.DataFrame) -> pd.DataFrame:
    """
    Return burn-throughs in levels that the study has, as far as they say anything about its processes.

    One outside the question still counts: what burned below the lowest number burns at it. Only a
    word that the study no longer has, up to the step that burned, can be compared with nothing.
    """
    if "status" not in burned.columns or not (burned["status"] == "outside").any():
        return burned
    order = [s.name for s in study.steps]
    table = burned.astype({f.factor: object for f in study.basis.factors})
    keep = []
    for row in table.index:
        comparable = True
        for factor in study.basis.factors:
            value = table.loc[row, factor.factor]
            if value is None or value != value:
                continue
            if factor.numeric:
                table.loc[row, factor.factor] = min(max(value, factor.levels[0]), factor.levels[-1])
            elif value not in factor.levels:
                comparable &= order.index(factor.step) > order.index(str(table.loc[row, "burned_after_step"]))
                table.loc[row, factor.factor] = factor.levels[0]
        keep.append(comparable)
    return table[keep]


def _at_least_as_harsh(study: Study, factor: Setting, v: np.ndarray, burned: float) -> np.ndarray:
    if np.isnan(burned):
        return np.ones(len(v), bool)
    rank: tuple[Any, ...] | None = study.harsher.get(factor.factor)
    if factor.numeric:
        # Water, say, may be ranked the other way: the less the harsher.
        return v <= burned if rank is not None and rank[-1] < rank[0] else v >= burned
    if factor.name == "grit" and rank is None:
        return v <= burned  # levels run from coarse to fine
    if rank is None or factor.levels[int(burned)] not in rank:
        return v == burned
    harshness = np.array([rank.index(level) if level in rank else -1 for level in factor.levels])
    known = ~np.isnan(v)
    return known & (harshness[np.where(known, v, 0).astype(int)] >= harshness[int(burned)])
