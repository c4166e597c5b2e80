"""Which row of a plan is on which panel, and which settings stay the same over a panel or half of one."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from finishlab.errors import PlanError
from finishlab.study import Study
from finishlab.words.show import counted, listed

if TYPE_CHECKING:
    from finishlab.plan.classical import Design
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


@dataclass(frozen=True)
class Plot:
    """
    A panel, or half of one.

    Attributes
    ----------
    panel, half : int
        From 0. All halves are 0 unless a setting changes by half panel.
    room : int
        Patches.
    group : int
        Which combination of the hard-to-change settings it is worked at.
    control : bool
        True where today's process is worked on it.
    """

    panel: int
    half: int
    room: int
    group: int
    control: bool


class HardSettings:
    """
    The hard-to-change settings of a study, as columns of its processes.

    Attributes
    ----------
    by_panel, by_half, columns : list of int
        Columns that change by panel, by half panel, and both.
    """

    def __init__(self, study: Study) -> None:
        self._study = study
        self._unit = hard_settings(study)
        column = study.basis.column
        self.by_panel = [column(name) for name, unit in self._unit.items() if unit == "panel"]
        self.by_half = [column(name) for name, unit in self._unit.items() if unit != "panel"]
        self.columns = [*self.by_panel, *self.by_half]

    def groups(self, runs: np.ndarray) -> np.ndarray:
        """Return for each run the number of its combination of hard-to-change settings."""
        return _same(runs[:, self.columns])

    def check(self, design: Design, runs: np.ndarray) -> None:
        """Refuse a plan in which another setting would change only together with these."""
        for held in (self.by_panel, self.columns):
            group = _same(runs[:, held])
            stuck = [
                factor.label()
                for j, factor in enumerate(self._study.factors)
                if j not in held and all(np.ptp(runs[group == g, j]) == 0 for g in range(group.max() + 1))
            ]
            if held and stuck and len(runs) > group.max() + 1:
                raise PlanError(
                    f"{design.kind}: {listed(stuck)} would change only together with {self._named(held)}, hard to change, "
                    f"and so only from panel to panel. Plan more trials for a larger plan, or {design.instead}."
                )

    def plots(self, design: Design, runs: np.ndarray, panels: int) -> list[Plot]:
        """
        Share panels, and their halves, among the combinations of hard-to-change settings.

        Raises
        ------
        PlanError
            There are too few panels.
        """
        patches = self._study.patches
        groups = self.groups(runs)
        keys = np.array([runs[groups == g][0] for g in range(groups.max() + 1)])
        size = np.bincount(groups)
        outer = _same(keys[:, self.by_panel])
        mine = [self._todays(keys[outer == o][0], self.by_panel) for o in range(outer.max() + 1)]
        plots: list[Plot] = []
        panel = 0
        for o, many in enumerate(self._shares(design, np.bincount(outer, size), mine, panels, patches)):
            inner = np.flatnonzero(outer == o)
            at = range(panel, panel + many)
            panel += many
            if not self.by_half:
                plots += [Plot(p, 0, patches, int(inner[0]), mine[o]) for p in at]
                continue
            own = [self._todays(keys[g], self.columns) for g in inner]
            turns = self._shares(design, size[inner], own, 2 * many, patches // 2)
            # Dealt in turn, so that the halves of a panel differ where they can.
            dealt = sorted((turn, k) for k, count in enumerate(turns) for turn in range(count))
            for place, (_, k) in enumerate(dealt):
                p, half = at[place // 2], place % 2
                before = half == 1 and plots[-1].control
                room = patches // 2 if half else patches - patches // 2
                plots.append(Plot(p, half, room, int(inner[k]), own[k] and not before))
        return plots

    def shuffled(self, plots: list[Plot], rng: np.random.Generator) -> list[Plot]:
        """Number the panels at random, else they would be worked in the order of their settings."""
        if not self.columns:
            return plots
        drawn = rng.permutation(max(plot.panel for plot in plots) + 1)
        return [replace(plot, panel=int(drawn[plot.panel])) for plot in plots]

    def fill(
        self,
        design: Design,
        plots: list[Plot],
        left: np.ndarray,
        runs: np.ndarray,
        spare: int,
        rng: np.random.Generator,
    ) -> tuple[np.ndarray, np.ndarray]:
        """
        Give every run a plot, and what room is left to centre points or else to repeats.

        Returns
        -------
        rows : ndarray, shape (runs left and spare, factors)
        plot : ndarray of int, shape (as many,)
        """
        start = left if len(left) else runs
        groups = self.groups(start)
        size = np.array([int(plot.control) for plot in plots])
        room = np.array([plot.room for plot in plots])
        of_group = np.array([plot.group for plot in plots])
        rows, place = [], []

        def add(row: np.ndarray, among: np.ndarray) -> None:
            k = int(np.where(among & (size < room), size, room.max() + 1).argmin())
            size[k] += 1
            rows.append(row)
            place.append(k)

        pools, used = [], [0] * (groups.max() + 1)
        for g in range(len(used)):
            key = start[groups == g][0][self.columns]
            centre, again = (some[(some[:, self.columns] == key).all(axis=1)] for some in (design.more, runs))
            pools.append(centre if len(centre) else again[rng.permutation(len(again))])
        for i in rng.permutation(len(left)):
            add(left[i], of_group == groups[i])
        for _ in range(spare):
            k = int(np.where(size < room, size, room.max() + 1).argmin())
            g = plots[k].group
            add(pools[g][used[g] % len(pools[g])], np.arange(len(plots)) == k)
            used[g] += 1
        return np.array(rows).reshape(-1, runs.shape[1]), np.array(place, int)

    def _shares(
        self, design: Design, wanted: np.ndarray, todays: list[bool], count: int, room: int
    ) -> list[int]:
        """Share panels or halves by how many runs each combination has; today's process comes along on its own."""
        if not self.columns:
            return [count]
        own = np.array(todays, int)
        share = np.maximum(1, np.ceil(wanted / np.maximum(room - own, 1))).astype(int)
        if share.sum() > count:
            unit = "panel" if room == self._study.patches else "half panel"
            raise PlanError(
                f"{design.kind}: {self._named(self.columns)}, hard to change, has {counted(len(share), 'choice')} in this plan, "
                f"and each needs {unit}s of its own: {share.sum()}, and twice that to tell what it does from how {unit}s "
                f"differ. There are {count}. Plan more panels, or {design.instead}."
            )
        while share.sum() < count:
            share[int(np.argmax(wanted / share + own))] += 1
        return share.tolist()

    def _todays(self, key: np.ndarray, columns: list[int]) -> bool:
        """Say whether today's process can be worked where the hard-to-change settings are these."""
        if self._study.today is None:
            return False
        today = self._study.basis.row(self._study.today)[0]
        return all(math.isnan(today[j]) or today[j] == key[j] for j in columns)

    def _named(self, columns: list[int]) -> str:
        return listed(self._study.factors[j].label() for j in columns)


def _same(rows: np.ndarray) -> np.ndarray:
    """Number the rows, equal ones alike."""
    if not rows.shape[1]:
        return np.zeros(len(rows), int)
    return np.unique(rows, axis=0, return_inverse=True)[1].ravel()
