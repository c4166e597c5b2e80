"""Textbook plans on panels: which run goes on which panel, and runs that may not be worked.

The runs are given (`classical.py`); panels are blocks, today's process is a control on each.
Runs change places between panels until panels cost the effects least. What to run is not
decided here, but for avoided combinations, which go to the nearest process that may be run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from finishlab._show import counted
from finishlab.plan.classical import Design
from finishlab.plan.criterion import RATIO, Criterion
from finishlab.plan.layout import Layout

if TYPE_CHECKING:
    from finishlab.study import Study

_STARTS = 4


def block(
    study: Study, criterion: Criterion, design: Design, trials: int, panels: int, rng: np.random.Generator
) -> tuple[np.ndarray, Layout, list[str]]:
    """
    Return the process of every row, its place, and what deserves care.

    Parameters
    ----------
    design : Design
        At most as many runs as there are trials beside the controls; centre points, or runs
        drawn anew, fill the rest.
    """
    layout = _layout(study, trials, panels)
    values = np.empty((trials, len(study.factors)))
    if study.today is not None:
        values[layout.control] = study.basis.row(study.today)
    runs, cautions = _allowed(study, criterion, design)
    room = int((~layout.control).sum())
    left = room - len(runs)
    pool = study.basis.canonical(design.more) if len(design.more) else runs[rng.permutation(len(runs))]
    runs = np.vstack([runs, pool[np.arange(left) % len(pool)]])
    values[~layout.control] = runs
    free = np.flatnonzero(~layout.control)
    best, most = values, -np.inf
    for _ in range(_STARTS):
        tried = values.copy()
        tried[free] = values[rng.permutation(free)]
        tried, log_det = _swapped(criterion, tried, layout.panel, free)
        if log_det > most + 1e-7:
            best, most = tried, log_det
    return best, layout, cautions


def _layout(study: Study, trials: int, panels: int) -> Layout:
    panel = np.repeat(np.arange(panels), [len(part) for part in np.array_split(np.arange(trials), panels)])
    first = np.r_[True, panel[1:] != panel[:-1]]
    control = first if study.today is not None else np.zeros(trials, bool)
    each = np.arange(trials)
    return Layout(panel, np.zeros(trials, int), control, [each] * len(study.factors), {})


def _allowed(study: Study, criterion: Criterion, design: Design) -> tuple[np.ndarray, list[str]]:
    """Move runs that are avoided to the nearest process that may be run, and say so."""
    basis = study.basis
    runs = basis.canonical(design.values)
    bad = ~basis.admissible(runs)
    cautions = list(design.cautions)
    if bad.any():
        may = basis.canonical(criterion.processes)
        coded = np.hstack(basis.coded(may))
        for i in np.flatnonzero(bad):
            wanted = np.hstack(basis.coded(design.values[i : i + 1]))
            runs[i] = may[((coded - wanted) ** 2).sum(axis=1).argmin()]
        cautions.append(
            f"{counted(int(bad.sum()), 'run')} of {len(runs)} met an avoided combination and went to the nearest process "
            "that may be run, so what the textbook says of this plan holds nearly, not exactly."
        )
    same = len(runs) - len(np.unique(np.nan_to_num(runs, nan=-1.0), axis=0))
    if same:
        cautions.append(
            f"{counted(same, 'run')} of {len(runs)} equal another one: where a step is left out, its other settings mean nothing."
        )
    return runs, cautions


def _swapped(
    criterion: Criterion, values: np.ndarray, panel: np.ndarray, free: np.ndarray
) -> tuple[np.ndarray, float]:
    """Let runs change places between panels while that makes the determinant grow."""
    x = criterion.matrix(values)
    plain = criterion.prior + x.T @ x
    sums = np.array([x[panel == p].sum(axis=0) for p in range(panel.max() + 1)])
    share = np.sqrt(RATIO / (1 + RATIO * np.bincount(panel)))[:, None]

    def log_det(of: np.ndarray) -> float:
        scaled = of * share
        return float(np.linalg.slogdet(plain - scaled.T @ scaled)[1])

    now = log_det(sums)
    improved = True
    while improved:
        improved = False
        for a, i in enumerate(free):
            for j in free[a + 1 :]:
                if panel[i] == panel[j]:
                    continue
                tried = sums.copy()
                tried[panel[i]] += x[j] - x[i]
                tried[panel[j]] += x[i] - x[j]
                after = log_det(tried)
                if after > now + 1e-8:
                    sums, now, improved = tried, after, True
                    values[[i, j]], x[[i, j]] = values[[j, i]], x[[j, i]]
    return values, now
