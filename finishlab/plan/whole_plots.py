"""Panels, and halves of them, over which hard-to-change settings stay the same.

For textbook plans (`blocks.py`): runs are sorted onto panels by those settings, panels shared
among the combinations by how many runs each has, today's process with those that are today's.
Without such settings every panel may take every run. Which of the panels that may take a run gets
it is settled in `blocks.py`.

References
----------
Jones, B. and Nachtsheim, C. J. (2009). Split-plot designs: what, why, and how. Journal of
Quality Technology 41, 340-361 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from finishlab.errors import PlanError
from finishlab.plan.layout import hard_settings
from finishlab.words.show import counted, listed

if TYPE_CHECKING:
    from finishlab.plan.classical import Design
    from finishlab.study import Study


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
