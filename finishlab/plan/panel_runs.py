"""Textbook plans on panels: which run goes on which panel, and runs that need not or may not be worked.

The runs are given (`classical.py`). What has been run before is not run again; avoided
combinations go to the nearest process that may be run. Panels are blocks, today's process is a
control on each; hard-to-change settings decide which panels may take a run (`layout.py`).
Within that, runs change places between panels until panels cost the effects least. What to run
is not decided here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import PlanError
from finishlab.plan.classical import Design
from finishlab.plan.layout import HardSettings, Layout, freedom_between
from finishlab.plan.plan_criterion import RATIO, Criterion
from finishlab.words.show import counted, process_text

if TYPE_CHECKING:
    from finishlab.study import Study

_STARTS = 4
#: Runs worked before that are named one by one.
_NAMED = 4


@dataclass(frozen=True, eq=False)
class Blocked:
    """
    A textbook plan on its panels.

    Attributes
    ----------
    values : ndarray, shape (trials, factors)
        The process of every row.
    layout : Layout
    facts : dict
        What is known of the plan, in words and plain numbers.
    cautions : list of str
    """

    values: np.ndarray
    layout: Layout
    facts: dict[str, Any]
    cautions: list[str]


def block(
    study: Study,
    criterion: Criterion,
    designs: list[Design],
    trials: int,
    panels: int,
    *,
    before: np.ndarray,
    panels_before: np.ndarray,
    rng: np.random.Generator,
) -> Blocked:
    """
    Put the largest textbook plan for which there is room on panels.

    Parameters
    ----------
    designs : list of Design
        Of one kind, the largest first.
    before, panels_before : ndarray, shape (existing trials, factors) and (existing trials,)
        What has been run already, and on which panels.

    Raises
    ------
    PlanError
        There is no room for the smallest, or hard-to-change settings forbid it.
    """
    for last in range(1 - len(designs), 1):
        try:
            return _block(study, criterion, designs[last - 1], trials, panels, before, panels_before, rng)
        except PlanError:
            if not last:
                raise
    raise AssertionError("there is always a smallest plan")


def _block(
    study: Study,
    criterion: Criterion,
    design: Design,
    trials: int,
    panels: int,
    before: np.ndarray,
    panels_before: np.ndarray,
    rng: np.random.Generator,
) -> Blocked:
    runs, cautions = _allowed(study, criterion, design)
    hard = HardSettings(study)
    hard.check(design, runs)
    worked = _worked(study.basis.canonical(runs), before)
    left = runs[~worked]
    plots = hard.plots(design, left if len(left) else runs, panels)
    controls = [k for k, plot in enumerate(plots) if plot.control]
    spare = trials - len(controls) - len(left)
    if spare < 0:
        raise PlanError(_no_room(design, len(runs), len(left), trials - len(controls), bool(controls)))
    plots = hard.shuffled(plots, rng)
    rows, at = hard.fill(design, plots, left, runs, spare, rng)
    if controls and study.today is not None:
        rows = np.vstack([np.repeat(study.basis.row(study.today), len(controls), axis=0), rows])
    plot = np.concatenate([np.array(controls, int), at])
    layout = Layout(
        panel=np.array([plots[k].panel for k in plot]),
        half=np.array([plots[k].half for k in plot]),
        control=np.arange(len(plot)) < len(controls),
        units=[np.arange(len(plot))] * len(study.factors),
        between=freedom_between(study, panels + len(set(panels_before))),
    )
    prior = criterion.prior + criterion.information(before, panels_before)
    values = _spread(
        criterion, study.basis.canonical(rows), layout, np.array([plots[k].group for k in plot]), prior, rng
    )
    facts = dict(design.facts)
    if worked.any():
        facts["already_run"] = _names(study, study.basis.canonical(runs[worked]))
        cautions.append(_already(design.kind, facts["already_run"], len(runs)))
    return Blocked(values, layout, facts, cautions)


# --- the runs ------------------------------------------------------------------------------------


def _allowed(study: Study, criterion: Criterion, design: Design) -> tuple[np.ndarray, list[str]]:
    """
    Move runs that are avoided to the nearest process that may be run, and say so.

    Left-out steps keep the settings that the textbook gives them, which say on what panel the
    run belongs.
    """
    basis = study.basis
    runs = design.values.copy()
    bad = ~basis.admissible(basis.canonical(runs))
    cautions = list(design.cautions)
    if bad.any():
        may = basis.canonical(criterion.processes)
        coded = np.hstack(basis.coded(may))
        hard = HardSettings(study).columns
        for i in np.flatnonzero(bad):
            away = ((coded - np.hstack(basis.coded(runs[i : i + 1]))) ** 2).sum(axis=1)
            # One for the same panel, if there is one, before one that is near otherwise.
            moves = ~np.isnan(may[:, hard]) & (may[:, hard] != runs[i, hard])
            nearest = may[(away + 1e6 * moves.sum(axis=1)).argmin()]
            runs[i] = np.where(np.isnan(nearest), runs[i], nearest)
        cautions.append(
            f"{counted(int(bad.sum()), 'run')} of {len(runs)} met an avoided combination and went to the nearest process "
            "that may be run, so what the textbook says of this plan holds nearly, not exactly."
        )
    same = len(runs) - len(np.unique(np.nan_to_num(basis.canonical(runs), nan=-1.0), axis=0))
    if same:
        cautions.append(
            f"{counted(same, 'run')} of {len(runs)} equal another one: where a step is left out, its other settings mean nothing."
        )
    return runs, cautions


def _worked(runs: np.ndarray, before: np.ndarray) -> np.ndarray:
    """Return which runs have been worked already; each existing trial stands for one."""
    stock: dict[bytes, int] = {}
    for row in before:
        stock[row.tobytes()] = stock.get(row.tobytes(), 0) + 1
    worked = np.zeros(len(runs), bool)
    for i, row in enumerate(runs):
        if stock.get(row.tobytes(), 0):
            stock[row.tobytes()] -= 1
            worked[i] = True
    return worked


def _names(study: Study, runs: np.ndarray) -> tuple[str, ...]:
    rows: list[dict[str, Any]] = study.basis.frame(runs).to_dict("records")  # type: ignore[assignment]
    return tuple(process_text(row, study) for row in rows)


def _already(kind: str, names: tuple[str, ...], runs: int) -> str:
    if len(names) == runs:
        return f"Every run of this {kind} plan stands in the existing trials; the new ones repeat them."
    more = len(names) - _NAMED
    shown = " / ".join(names[:_NAMED]) + (f" / and {more} more" if more > 0 else "")
    return (
        f"{len(names)} of the {runs} runs stand{'s' if len(names) == 1 else ''} in the existing trials and will not be worked "
        f"again: {shown}. Old and new trials are on different panels, and how panels differ comes between them."
    )


def _no_room(design: Design, runs: int, left: int, room: int, controls: bool) -> str:
    worked = f", {runs - left} of them worked already" if left < runs else ""
    beside = " beside today's process" if controls else ""
    return (
        f"{design.kind}: it needs {counted(runs, 'run')}{worked}, and there is room for {max(room, 0)}{beside}. "
        f"Plan {counted(left - room, 'trial')} more, or {design.instead}."
    )


# --- which of the panels that may take a run -----------------------------------------------------------


def _spread(
    criterion: Criterion,
    values: np.ndarray,
    layout: Layout,
    groups: np.ndarray,
    prior: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Let runs change places between panels, from several starts, until panels cost the effects least."""
    best, most = values, -np.inf
    for _ in range(_STARTS):
        tried = values.copy()
        for group in np.unique(groups):
            some = np.flatnonzero((groups == group) & ~layout.control)
            tried[some] = tried[rng.permutation(some)]
        tried, log_det = _swapped(criterion, tried, layout, groups, prior)
        if log_det > most + 1e-7:
            best, most = tried, log_det
    return best


def _swapped(
    criterion: Criterion, values: np.ndarray, layout: Layout, groups: np.ndarray, prior: np.ndarray
) -> tuple[np.ndarray, float]:
    """Let runs of one group change places while that makes the determinant grow."""
    x = criterion.matrix(values)
    plain = prior + x.T @ x
    # With a panel's (and half panel's) effect as rows of z, V = I + RATIO z z', and x' V^-1 x is x' x less what
    # the sums over panels take away (Woodbury); only those sums change when two runs do.
    z = np.hstack([np.eye(g.max() + 1)[g] for g in layout.groups])
    z = z[:, z.any(axis=0)]
    share = np.linalg.cholesky(np.linalg.inv(np.eye(z.shape[1]) / RATIO + z.T @ z)).T

    def log_det(sums: np.ndarray) -> float:
        taken = share @ sums
        return float(np.linalg.slogdet(plain - taken.T @ taken)[1])

    sums = z.T @ x
    now = log_det(sums)
    free = np.flatnonzero(~layout.control)
    place = layout.groups[-1]
    improved = True
    while improved:
        improved = False
        for a, i in enumerate(free):
            for j in free[a + 1 :]:
                if place[i] == place[j] or groups[i] != groups[j]:
                    continue
                tried = sums + np.outer(z[i] - z[j], x[j] - x[i])
                after = log_det(tried)
                if after > now + 1e-8:
                    sums, now, improved = tried, after, True
                    values[[i, j]], x[[i, j]] = values[[j, i]], x[[j, i]]
    return values, now
