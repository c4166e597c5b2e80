"""Practice benches: invented shops whose truth is known, to learn on and to be tested on.

`PracticeBench(kind=1, seed=3)` has a study, works a sheet of trials as a technician would log it,
and, unlike a real shop, can say how often the next job would truly meet a goal and which process
is truly the shortest. How roughness falls in each kind of shop is in `truths.py`; here are
the spreads from panel to panel and patch to patch, the readings, and what a job needs. No fitted
model belongs here, and no figure of a bench says anything about a real paint.
"""

from __future__ import annotations

import bisect
from collections.abc import Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import StudyError
from finishlab.numbers import is_whole
from finishlab.practice import trial_log
from finishlab.practice.true_jobs import (
    RESPONSES,
    gloss_at_20,
    gloss_at_60,
    haze_units,
    job_probability,
    lost_at_20,
)
from finishlab.practice.truths import (
    KINDS,
    STEPS,
    FloatArray,
    Typical,
    draw_shop,
    processes_of,
    typical,
)
from finishlab.study import Condition, Study

if TYPE_CHECKING:
    import pandas as pd

#: What some process shall truly reach, so that the bench's own goals can be promised at 0.97.
_SURE = 0.975
#: Where the joint goal looks for its haze figure, and the share of processes that shall reach it.
_HAZE_RANGE = (4, 200)
_JOINT_SHARE = 0.15

_STUDY = """\
title = "Practice bench, kind {kind}, seed {seed} (invented)"
pass_means = "one direction, 50 % overlap, 50 mm/s, section 0.4 m x 0.4 m"

[[step]]
name = "sand"
grit = ["P1500", "P2000", "P3000"]
passes = 4

[[step]]
name = "cut"
pad = ["wool", "microfibre", "foam"]
product = ["compound A", "compound B"]
passes = {{ lowest = 1, highest = 8 }}
changeover_minutes = 3

[[step]]
name = "polish"
pad = "soft foam"
product = "polish A"
passes = {{ lowest = 0, highest = 6 }}
changeover_minutes = 3

[goal]
gloss_20 = {{ at_least = {target} }}
assurance = 0.90

[today]
sand_grit = "P1500"
cut_pad = "wool"
cut_product = "compound A"
cut_passes = 6
polish_passes = 4

[harsher]
cut_pad = ["foam", "microfibre", "wool"]

[panel]
patches = 8

[reading]
spots = 3
after = ["sand", "cut", "polish"]
wipe = "panel wipe, lint-free cloth"
wait_minutes = 15
haze_method = "ISO 13803"
"""


class PracticeBench:
    """
    An invented shop with a known truth.

    Parameters
    ----------
    kind : int
        How finishing goes in this shop; `KINDS` says each in plain words.
    seed : int
        Which shop of that kind, 0 or more. The same kind and seed are always the same shop.
    study : Study, optional
        Another question put to the same shop: other goal, job, limit, spots or narrower settings.
        Its settings must be among those of the bench's own study, which is the default.

    Attributes
    ----------
    study : Study
        Its goal asks for 20-degree gloss alone, with a figure that 10 to 40 % of the processes
        truly reach in nine jobs of ten.

    Raises
    ------
    StudyError
        There is no such kind, or the study has settings that this bench does not know.

    Notes
    -----
    The next job is a new panel with `study.job.sections` new patches; a section's reading is the mean
    of `study.reading.spots` meter readings, and each section (or their mean) must meet every goal.
    A burned-through section does not. A misread spot is a slip of logging, not of the finish: in a
    job it is read again, in the trial log it stays. Limits are not judged here.

    Examples
    --------
    >>> bench = PracticeBench(kind=1, seed=3)
    >>> bench.KINDS[3]
    'gloss itself climbs to a plateau of the stage, as 1 - exp(-passes / tau)'
    >>> best = bench.best()
    >>> best["found"], best["assurance"] >= 0.90
    (True, True)

    A goal above the ceiling of the clear is reached by no process:

    >>> bench.best(goal={"gloss_20": {"at_least": 99}})["found"]
    False
    """

    KINDS = KINDS

    def __init__(self, *, kind: int = 1, seed: int = 0, study: Study | None = None) -> None:
        if kind not in KINDS:
            raise StudyError(
                f"there is no practice bench of kind {kind!r}. Kinds are {', '.join(map(str, KINDS))}."
            )
        self.kind, self.seed = int(kind), _whole(seed)
        self._shop = draw_shop(self.kind, self.seed)
        if study is None:
            # The goal's figure depends on what the shop can do, so it is found on a first draft.
            self.study = _own_study(kind, seed, target=80.0)
            self.study = _own_study(kind, seed, target=self._fair_target())
        else:
            _check_study(study)
            self.study = study

    # --- the truth -----------------------------------------------------------------------------

    def true_probability(
        self, processes: pd.DataFrame, *, goal: Mapping[str, Any] | None = None
    ) -> pd.Series:
        """
        How often the next job worked by each process would meet the goal.

        Parameters
        ----------
        processes : DataFrame
            One row a process, with the factor columns of the study.
        goal : mapping, optional
            In the words of ``[goal]``; the study's own when left out.

        Returns
        -------
        Series
            Probability, 0 to 1, right to about 0.003; index of `processes`.

        Raises
        ------
        OutsideStudy
            A setting is missing or was never part of the study.
        StudyError
            The goal is not right, or names a response that this bench does not read.

        Examples
        --------
        >>> import pandas as pd
        >>> bench = PracticeBench(kind=1, seed=3)
        >>> today = pd.DataFrame([bench.study.today])
        >>> bench.true_probability(today, goal={"gloss_20": {"at_least": 75}}).round(2).tolist()
        [1.0]

        No polishing, no such gloss:

        >>> bench.true_probability(today.assign(polish_passes=0)).round(2).tolist()
        [0.0]
        """
        import pandas as pd

        p = self._job_probability(self._typical(processes), self._conditions(goal))
        return pd.Series(p, index=processes.index, name="true_probability")

    def true_minutes(self, processes: pd.DataFrame) -> pd.Series:
        """
        Working minutes that one section takes on average, change-overs apart.

        Parameters
        ----------
        processes : DataFrame
            One row a process, with the factor columns of the study.

        Returns
        -------
        Series
            Minutes; index of `processes`.

        Raises
        ------
        OutsideStudy
            A setting is missing or was never part of the study.

        Examples
        --------
        >>> import pandas as pd
        >>> bench = PracticeBench(kind=1, seed=3)
        >>> today = pd.DataFrame([bench.study.today])
        >>> bench.true_minutes(pd.concat([today, today.assign(polish_passes=0)])).round(1).tolist()
        [11.9, 7.7]
        """
        import pandas as pd

        minutes = self._typical(processes).minutes.sum(axis=1)
        return pd.Series(minutes, index=processes.index, name="true_minutes")

    def true_levels(self, processes: pd.DataFrame) -> pd.DataFrame:
        """
        What each process leaves on a typical patch: no panel, patch or meter about it.

        Parameters
        ----------
        processes : DataFrame
            One row a process, with the factor columns of the study.

        Returns
        -------
        DataFrame
            ``sand_gloss_20``, ``sand_gloss_60``, ``cut_...``, then the finish: ``gloss_20``,
            ``gloss_60`` (GU), ``haze``, the mean count of ``faults``, and ``removed_um``.
        """
        import pandas as pd

        t = self._typical(processes)
        lost = lost_at_20(t.log_roughness)
        (gloss_20, _), (gloss_60, _) = gloss_at_20(self._shop, lost), gloss_at_60(self._shop, lost)
        columns = {}
        for j, prefix in enumerate([*(f"{step}_" for step in STEPS[:-1]), ""]):
            columns[f"{prefix}gloss_20"], columns[f"{prefix}gloss_60"] = gloss_20[:, j], gloss_60[:, j]
        columns["haze"] = haze_units(self._shop, lost[:, -1], t.haze_weight)
        columns |= {"faults": t.faults, "removed_um": t.removed_um.sum(axis=1)}
        return pd.DataFrame(columns, index=processes.index)

    def best(
        self, *, goal: Mapping[str, Any] | None = None, assurance: float | None = None
    ) -> dict[str, Any]:
        """
        The truly shortest process that keeps the promise.

        Parameters
        ----------
        goal, assurance : optional
            As for a recipe; the study's own when left out.

        Returns
        -------
        dict
            ``found``, ``settings`` (factor -> setting), ``minutes`` (expected, a section), ``job_minutes``
            (expected, of the study's job, by which it is the shortest) and ``assurance`` (true probability);
            no settings and nan when no process reaches it.
        """
        conditions = self._conditions(goal)
        _, wanted = self.study.asked(goal, assurance)
        probability = self._job_probability(self._grid, conditions)
        minutes = self._grid.minutes.sum(axis=1)
        reached = np.flatnonzero(probability >= wanted)
        if not len(reached):
            none = dict.fromkeys(("minutes", "job_minutes", "assurance"), float("nan"))
            return {"found": False, "settings": {}, **none}
        job = self.study.basis.job_minutes(self._grid_values, minutes)
        # Among equally quick ones the surest.
        winner = reached[np.lexsort((-probability[reached], job[reached]))[0]]
        return {
            "found": True,
            "settings": self.study.basis.settings(self._grid_values[winner]),
            "minutes": float(minutes[winner]),
            "job_minutes": float(job[winner]),
            "assurance": float(probability[winner]),
        }

    @cached_property
    def joint_goal(self) -> dict[str, dict[str, float]]:
        """A goal of gloss, haze and faults together that a fair share of the processes truly reaches."""
        target = self.study.goal["gloss_20"].at_least if "gloss_20" in self.study.goal else None
        gloss = (target if target is not None else self._fair_target()) - 0.5

        def fair(haze: int, faults: int) -> bool:
            goal = {
                "gloss_20": Condition(gloss),
                "haze": Condition(at_most=haze),
                "faults": Condition(at_most=faults),
            }
            p = self._job_probability(self._grid, goal)
            return bool(np.mean(p >= 0.9) >= _JOINT_SHARE and p.max() >= _SURE)

        # The strictest haze that is fair; with one fault allowed where none is too hard.
        faults = 0 if fair(_HAZE_RANGE[1], 0) else 1
        haze = bisect.bisect_left(range(*_HAZE_RANGE), True, key=lambda h: fair(h, faults)) + _HAZE_RANGE[0]
        return {"gloss_20": {"at_least": gloss}, "haze": {"at_most": haze}, "faults": {"at_most": faults}}

    def _fair_target(self) -> float:
        """Highest 20-degree gloss, to 0.5 GU, that enough processes reach and one reaches surely."""
        target = np.floor(2 * self._shop.ceiling_20) / 2
        while True:
            p = self._job_probability(self._grid, {"gloss_20": Condition(at_least=target)})
            if np.mean(p >= 0.9) >= self._shop.share_wanted and p.max() >= _SURE:
                return float(target)
            target -= 0.5

    @cached_property
    def _grid_values(self) -> FloatArray:
        return np.vstack(list(self.study.basis.chunks()))

    @cached_property
    def _grid(self) -> Typical:
        return typical(self._shop, processes_of(self.study, self._grid_values))

    def _typical(self, processes: pd.DataFrame) -> Typical:
        return typical(self._shop, processes_of(self.study, self.study.basis.values(processes)))

    def _conditions(self, goal: Mapping[str, Any] | None) -> dict[str, Condition]:
        conditions, _ = self.study.asked(goal)
        unread = [name for name in conditions if name not in RESPONSES]
        if unread:
            raise StudyError(
                f"a practice bench does not read {', '.join(unread)}. It reads {', '.join(RESPONSES)}."
            )
        return conditions

    def _job_probability(self, t: Typical, goal: Mapping[str, Condition]) -> FloatArray:
        return job_probability(self._shop, t, goal, self.study.job, self.study.reading.spots)

    # --- the work ------------------------------------------------------------------------------

    def work(self, sheet: pd.DataFrame, *, seed: int = 0) -> pd.DataFrame:
        """
        Work the trials of a sheet and log them as a technician would.

        Parameters
        ----------
        sheet : DataFrame
            The factor columns and ``panel``; ``patch``, ``run_order`` and ``trial`` are made when
            missing. A left-out step may have any other settings.
        seed : int
            Which patches and readings. A panel label is the same panel whatever the seed; another
            seed is new patches on it. The order of the rows does not matter to what a patch reads. The
            same panel, patch and seed is the same patch: worked by a longer process it goes on with the same luck, so a
            job may be read in the middle and gone on with as the reading says.

        Returns
        -------
        DataFrame
            One row a trial, index of `sheet`: who and when, the factors, film and film removed in
            micrometres, readings after each step of `study.reading.after` with repeats ``_1 ...``
            and their mean, `faults`, minutes by step and in total. After a burn-through the later
            readings and the totals are missing.

        Raises
        ------
        OutsideStudy
            A factor is missing, or a setting is not part of the study.
        RecordsError
            There is no panel column, or a patch is planned twice.

        Examples
        --------
        >>> import pandas as pd
        >>> bench = PracticeBench(kind=1, seed=3)
        >>> sheet = pd.DataFrame([bench.study.today]).assign(panel="P1")
        >>> bench.work(sheet, seed=1).filter(regex="^gloss_20").round(2).values.tolist()
        [[79.3, 80.3, 80.4, 80.0]]

        The panel is the same with another seed, the patch is not; a sheet without trials logs none:

        >>> bench.work(sheet, seed=2).filter(regex="^gloss_20").round(2).values.tolist()
        [[80.3, 79.5, 79.1, 79.63]]
        >>> len(bench.work(sheet.head(0)))
        0

        The patch after cutting, gone on with differently:

        >>> more = bench.work(sheet.assign(polish_passes=6), seed=1)
        >>> more[["cut_gloss_20", "gloss_20"]].round(2).values.tolist()
        [[63.27, 81.3]]
        """
        return trial_log.work(self._shop, self.study, sheet, _whole(seed))


# --- what may be asked -----------------------------------------------------------------------


def _whole(seed: int) -> int:
    if is_whole(seed) and seed >= 0:
        return int(seed)
    raise StudyError(f"seed is {seed!r}; it must be a whole number, 0 or more.")


def _own_study(kind: int, seed: int, target: float) -> Study:
    return Study.from_toml(_STUDY.format(kind=kind, seed=seed, target=target))


def _check_study(study: Study) -> None:
    """Raise unless every setting of `study` is one that the benches know."""
    own = _own_study(kind=1, seed=0, target=80.0)
    mistakes = []
    if tuple(s.name for s in study.steps) != STEPS:
        mistakes.append(
            f"the steps are {', '.join(s.name for s in study.steps)}; a practice bench has {', '.join(STEPS)}."
        )
    for name, known in own.settings.items():
        if name not in study.settings:
            mistakes.append(f"{name} is missing. Give it one or more of {', '.join(map(str, known.levels))}.")
        elif strange := [v for v in study.settings[name].levels if v not in known.levels]:
            mistakes.append(
                f"{name} has {strange[0]!r}; a practice bench knows {', '.join(map(str, known.levels))}."
            )
    mistakes += [
        f"{name} is a setting that a practice bench does not have."
        for name in study.settings
        if name not in own.settings
    ]
    if study.reading.haze_method not in ("", "ISO 13803"):
        mistakes.append(f"haze_method is {study.reading.haze_method}; a practice bench reads ISO 13803.")
    if mistakes:
        raise StudyError(mistakes, heading="This study cannot be put to a practice bench.")
