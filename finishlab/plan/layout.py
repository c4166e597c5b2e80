"""Which row of a plan is on which panel, what is settled beforehand, what must be alike.

Before any setting is chosen, a plan has a shape: panels as equal in size as can be, today's
process on them as a control, rows that repeat one another on different panels, and settings
that stay the same over a panel because they are hard to change. This module makes that
shape; which settings fill it is `exchange.py`'s matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from finishlab.study import Study

#: Share of trials that repeat another process on another panel: what tells a patch's and a
#: panel's own spread from a wrong model (common practice, no source).
REPEATS = 0.1


@dataclass(frozen=True, eq=False)
class Layout:
    """
    The shape of a plan. Rows stand panel by panel, the control first.

    Attributes
    ----------
    panel, half : ndarray of int, shape (rows,)
        Panel, and half of it, from 0. All halves are 0 unless a setting changes by half panel.
    control : ndarray of bool, shape (rows,)
        Rows that run today's process.
    units : list of ndarray, each of shape (rows,)
        For each factor, rows with the same number share its setting.
    between : dict of str -> (int, int)
        For each hard-to-change factor, its main columns and the degrees of freedom that the
        units it changes by leave beyond them.
    """

    panel: np.ndarray
    half: np.ndarray
    control: np.ndarray
    units: list[np.ndarray]
    between: dict[str, tuple[int, int]]

    @property
    def halved(self) -> bool:
        """True when some setting changes by half panel."""
        return bool(self.half.any())

    @property
    def groups(self) -> list[np.ndarray]:
        """Which panel each trial is on, and which half where halves matter: these differ."""
        return [self.panel, 2 * self.panel + self.half] if self.halved else [self.panel]


def lay_out(study: Study, trials: int, panels: int, before: np.ndarray, panels_before: np.ndarray) -> Layout:
    """
    Return the shape of a plan.

    Parameters
    ----------
    study : Study
    trials, panels : int
        `trials` at least `panels`.
    before, panels_before : ndarray, shape (existing trials, factors) and (existing trials,)
        Existing trials and their panels: they count for the repeats and for the degrees of
        freedom between panels.
    """
    hard = hard_settings(study)
    panel = np.repeat(np.arange(panels), [len(part) for part in np.array_split(np.arange(trials), panels)])
    place = np.concatenate([np.arange(n) for n in np.bincount(panel)])
    halved = "half panel" in hard.values()
    half = (place >= (np.bincount(panel)[panel] + 1) // 2).astype(int) if halved else np.zeros(trials, int)
    alike = _alike(study, hard, panels)
    control = (place == 0) & (panel < alike) if study.today is not None else np.zeros(trials, bool)

    # Panels 0 to alike - 1 share their hard-to-change settings, in their first halves at least.
    shared = np.where(panel < alike, 0, panel)
    by_panel, by_half = shared, np.where(half == 1, panels + panel, shared)
    wanted = math.ceil(REPEATS * (trials + len(before))) - _repeated(before, panels_before)
    rows = _repeats(wanted - max(0, int(control.sum()) - 1), panel, half, control, alike)
    by_name = {"panel": by_panel, "half panel": by_half}
    names = study.basis.names
    return Layout(
        panel=panel,
        half=half,
        control=control,
        units=[by_name[hard[name]] if name in hard else rows for name in names],
        between=freedom_between(study, panels + len(set(panels_before))),
    )


def hard_settings(study: Study) -> dict[str, str]:
    """Return the unit by which each hard-to-change factor changes."""
    return {
        s.factor: step.unit
        for step in study.steps
        for s in step.settings
        if s.name in step.hard_to_change and not s.held
    }


def freedom_between(study: Study, panels: int) -> dict[str, tuple[int, int]]:
    """Return for each hard-to-change factor its main columns and the degrees of freedom that these panels leave."""
    left = {}
    for name, unit in hard_settings(study).items():
        columns = len(study.basis.main[study.basis.column(name)])
        # Halves are compared within a panel, so panels do not cost them the one for the mean.
        left[name] = (columns, panels - columns - (1 if unit == "panel" else 0))
    return left


def _alike(study: Study, hard: dict[str, str], panels: int) -> int:
    """
    Return how many panels share their hard-to-change settings.

    Only those can run one process twice. Without such settings it is every panel; with
    them, their fair share, and two at least where four panels or more can spare them.
    """
    if not hard or (study.today is not None and "panel" not in hard.values()):
        return panels
    choices = math.prod(len(study.settings[name].levels) for name in hard)
    return min(panels, max(math.ceil(panels / choices), 2 if panels >= 4 else 1))


def _repeated(values: np.ndarray, panels: np.ndarray) -> int:
    """Return how many trials repeat a process that another panel has too."""
    seen = {(row.tobytes(), panel) for row, panel in zip(values, panels, strict=True)}
    return len(seen) - len({row for row, _ in seen})


def _repeats(wanted: int, panel: np.ndarray, half: np.ndarray, control: np.ndarray, alike: int) -> np.ndarray:
    """Number the rows, with one number for two rows that are to run the same process."""
    number = np.arange(len(panel))
    spare = [list(np.flatnonzero((panel == p) & (half == 0) & ~control)) for p in range(alike)]
    for k in range(wanted):
        one, other = spare[k % alike], spare[(k + 1) % alike]
        if one and other and (one is not other or len(one) > 1):
            number[other.pop()] = number[one.pop(0)]
    return number
