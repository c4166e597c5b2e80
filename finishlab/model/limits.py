"""Limits for the paint's sake: will the film removed stay within what a person allowed?

Every limit comes from the study file with the name of who set it; nothing is assumed
here. Also the processes that a burn-through rules out. Finish goals are elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.model.additive import Additive
from finishlab.study import Setting, Study

if TYPE_CHECKING:
    import pandas as pd


def removal_probability(removal: Additive, values: np.ndarray, at_most: float, sections: int) -> np.ndarray:
    """
    Probability that the worst section of the next job loses at most `at_most` µm.

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

    More passes and coarser grit are harsher; other settings as the study file ranks them
    in [harsher]; a setting without rank must be the same. A step left out is milder.
    """
    out = np.zeros(len(values), bool)
    if "burned_after_step" not in trials.columns:
        return out
    burned = trials[trials["burned_after_step"].map(lambda v: isinstance(v, str) and v != "")]
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
    return out


def _at_least_as_harsh(study: Study, factor: Setting, v: np.ndarray, burned: float) -> np.ndarray:
    if np.isnan(burned):
        return np.ones(len(v), bool)
    if factor.numeric:
        return v >= burned
    if factor.name == "grit":
        return v <= burned  # levels run from coarse to fine
    rank: tuple[Any, ...] | None = study.harsher.get(factor.factor)
    if rank is None or factor.levels[int(burned)] not in rank:
        return v == burned
    harshness = np.array([rank.index(level) if level in rank else -1 for level in factor.levels])
    known = ~np.isnan(v)
    return known & (harshness[np.where(known, v, 0).astype(int)] >= harshness[int(burned)])
