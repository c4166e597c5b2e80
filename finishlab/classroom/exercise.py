"""A class exercise: students plan, work and recommend on a hidden practice bench, and are scored on its truth.

Everybody works the same shop, so that scores compare and what differs is the plan, the luck of one's own panels, and how
the readings are read; with a shop each, the luck of the draw would be what is compared. The bench is `invented_shop.py`'s, the ways
that are scored beside the class are those of the proving ground. What is hidden is hidden from a glance, not from somebody
who takes the program apart.
"""

from __future__ import annotations

import copy
import math
import re
import secrets
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.classroom.class_score import ClassScore
from finishlab.errors import FinishlabError, PlanError, RecordsError
from finishlab.model import fit
from finishlab.plain import plain_rows
from finishlab.plan import plan_trials
from finishlab.practice.invented_shop import PracticeBench
from finishlab.proving.bench_path import (
    OURS,
    PANELS,
    ROUND,
    Design,
    own_goal,
    recommends,
    scored,
    worked_trials,
)
from finishlab.solve import shortest
from finishlab.study import Study
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd

#: The textbook's way that is scored beside the class, as the proving ground calls it.
TEXTBOOK = "quadratic, point prediction"
#: Trials that finishlab plans at least before it follows up, and how often it does.
_PLANNED, _ROUNDS = 12, 3
_FORMAT = 1
#: So many invented shops a seed is drawn from.
_SHOPS = 1_000_000


class ClassExercise:
    """
    A practice bench that a class works without knowing its truth; no meter and no paint.

    Parameters
    ----------
    students : int
        They are the numbers from 1.
    seed : int, optional
        Which shop, 0 or more. Drawn when left out, so that nobody can look its truth up beforehand.
    kind : int, optional
        As of `PracticeBench`; drawn by the seed when left out.
    trials : int, optional
        What each student may work. They are counted and not the minutes, for only these are known before the work.

    Attributes
    ----------
    study : Study
        What everybody sees: the settings, the goal, the assurance asked for.
    students, trials : int
        As they were given.
    scored : bool
        Whether the truth is out; nothing is worked or recommended any more.

    Raises
    ------
    PlanError
        There are no students or no trials, or the seed is none.
    StudyError
        There is no such kind.

    Notes
    -----
    The shop is the same for all; panels, patches and readings are each student's own.

    References
    ----------
    Brier, G. W. (1950). Verification of forecasts expressed in terms of probability. Monthly Weather Review 78, 1-3 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> lesson = fl.ClassExercise(students=2, seed=8, trials=12)
    >>> print(lesson.text())
    Students 1 to 2 each have 12 trials, up to 8 on a panel, to find the shortest process whose next job meets 20° gloss at least 87 GU with 90 % assurance. Settings: sand grit P1500, P2000, P3000; cut pad wool, microfibre, foam; cut product compound A, compound B; cut 1 to 8 passes; polish 0 to 6 passes.
    >>> sheet = fl.plan_trials(lesson.study, trials=8, panels=2, seed=1)
    >>> lesson.work(1, sheet)["gloss_20"].round(1).tolist()[:3]
    [85.5, 87.1, 84.4]
    >>> lesson.recommend(1, lesson.study.today, assurance=0.95)
    >>> lesson
    <ClassExercise: 2 students, 12 trials each; 1 has worked, 1 has recommended>

    Nobody has more than their trials:

    >>> lesson.work(1, sheet)
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: student 1 has 4 of 12 trials left, and this plan has 8. Nothing was worked. Leave trials out, or recommend from what was read.

    The truth, and nothing after it:

    >>> score = lesson.score()
    >>> score.table()[["who", "kept"]].values.tolist()
    [['student 1', False], ['student 2', False], ['finishlab', True], ["textbook's quadratic, point prediction", False]]
    >>> lesson.recommend(2, score.best["settings"], assurance=0.95)
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: the exercise is scored: its truth is out, and nothing is worked or recommended any more. ...
    """

    def __init__(
        self, *, students: int = 12, seed: int | None = None, kind: int | None = None, trials: int = 24
    ) -> None:
        seed = secrets.randbelow(_SHOPS) if seed is None else seed
        mistakes = [
            f"{name} is {value!r}; give a whole number, {fewest} or more."
            for name, value, fewest in (("students", students, 1), ("trials", trials, 1), ("seed", seed, 0))
            if (_whole(value) or 0) < fewest or _whole(value) is None
        ]
        if mistakes:
            raise PlanError(mistakes)
        self.students, self.trials = int(students), int(trials)
        if kind is None:
            kind = int(np.random.default_rng(seed).choice(list(PracticeBench.KINDS)))
        bench = PracticeBench(kind=kind, seed=seed)
        # The bench's own title tells which shop it is.
        self.study = Study.from_toml(
            bench.study.source.replace(bench.study.title, "Class exercise (an invented shop)")
        )
        self._bench = PracticeBench(kind=kind, seed=seed, study=self.study)
        self._logs: dict[int, pd.DataFrame] = {}
        self._sheets: list[dict[str, Any]] = []
        self._recommended: dict[int, dict[str, Any]] = {}
        self._score: ClassScore | None = None
        self.scored = False

    def instructor_seed(self) -> int:
        """Return the number that makes this same shop again (`from_dict`), for the instructor to note; it tells the truth."""
        return self._bench.seed

    def __repr__(self) -> str:
        worked, said = (
            f"{len(d)} {'has' if len(d) == 1 else 'have'}" for d in (self._logs, self._recommended)
        )
        return (
            f"<ClassExercise: {show.counted(self.students, 'student')}, {show.counted(self.trials, 'trial')} each; "
            f"{worked} worked, {said} recommended{', scored' if self.scored else ''}>"
        )

    def text(self) -> str:
        """Say what the class is asked."""
        s = self.study
        goal = show.listed(c.text(name) for name, c in s.goal.items())
        settings = "; ".join(
            f"{f.step} {show.levels_text(f)}"
            if f.numeric
            else f"{show.label(f.factor)} {show.levels_text(f)}"
            for f in s.factors
        )
        who = f"Students 1 to {self.students} each have" if self.students > 1 else "Student 1 has"
        return (
            f"{who} {show.counted(self.trials, 'trial')}, up to {s.patches} on a panel, to find the shortest process whose next job meets {goal} "
            f"with {show.asked_percent(s.assurance)} assurance. Settings: {settings}."
        )

    # --- the students' work ----------------------------------------------------------------------

    def work(self, student: int, plan: pd.DataFrame) -> pd.DataFrame:
        """
        Work a student's trials.

        Parameters
        ----------
        student : int
        plan : DataFrame
            One row a trial: the factors and ``panel``, as `plan_trials` and `follow_up` give or by hand; ``patch`` and ``run_order``
            are made when missing.

        Returns
        -------
        DataFrame
            One row a trial, index of `plan`, as `PracticeBench.work` logs it; trials are numbered on.

        Raises
        ------
        PlanError
            There is no such student, the budget does not hold the plan, a panel is full, or the exercise is scored. Nothing is worked.
        OutsideStudy
            A setting is missing or not part of the study.
        RecordsError
            There is no panel, or a patch is planned twice.
        """
        import pandas as pd

        student = self._open(student)
        done = self.log(student)
        left = self.trials - len(done)
        if len(plan) > left:
            raise PlanError(
                f"student {student} has {left} of {show.counted(self.trials, 'trial')} left, and this plan has {len(plan)}. Nothing was worked. "
                "Leave trials out, or recommend from what was read."
            )
        sheet = self.study.basis.frame(self.study.basis.values(plan))
        if "panel" in plan.columns:
            sheet["panel"] = plan["panel"].astype(str).to_numpy()
            used = done["panel"].value_counts()
            next_patch = (
                sheet.groupby("panel").cumcount() + 1 + sheet["panel"].map(used).fillna(0).astype(int)
            )
            sheet["patch"] = plan["patch"].to_numpy() if "patch" in plan.columns else next_patch
            self._check_patches(done, sheet)
            # Everybody's panels are their own, whatever they are called.
            sheet["panel"] += f" / {student}"
        order = plan["run_order"] if "run_order" in plan.columns else pd.Series(range(len(plan)))
        sheet["run_order"] = len(done) + order.rank(method="first", na_option="bottom").astype(int).to_numpy()
        sheet["trial"] = np.arange(len(done) + 1, len(done) + len(plan) + 1)
        log = self._bench.work(sheet, seed=student).assign(
            panel=lambda t: t["panel"].str.rpartition(" / ")[0]
        )
        self._logs[student] = pd.concat([done, log], ignore_index=True) if len(done) else log
        kept = sheet.assign(panel=log["panel"]).drop(columns="trial")
        self._sheets.append({"student": student, "plan": plain_rows(kept)})
        return log.set_axis(plan.index)

    def log(self, student: int) -> pd.DataFrame:
        """
        Return what a student has worked so far: one row a trial, ready for `fit`.

        Raises
        ------
        PlanError
            There is no such student.
        """
        import pandas as pd

        student = self._known(student)
        nothing = pd.DataFrame(columns=[*self.study.basis.names, "panel"])
        return self._logs[student].copy() if student in self._logs else self._bench.work(nothing)

    def recommend(self, student: int, settings: Mapping[str, Any], *, assurance: float) -> None:
        """
        Take in what a student recommends; a later recommendation takes the place of an earlier one.

        Parameters
        ----------
        student : int
        settings : mapping of factor -> setting
            As ``recipe.settings``; those of a left-out step may be missing or None.
        assurance : float
            The probability, above 0 and below 1, that the next job meets the goal, as the student believes.

        Raises
        ------
        RecordsError
            As `recommend_all`.
        """
        import pandas as pd

        settings = {name: settings.get(name) for name in self.study.basis.names}
        self.recommend_all(pd.DataFrame([{"student": student, **settings, "assurance": assurance}]))

    def recommend_all(self, table: pd.DataFrame) -> None:
        """
        Take in several students' recommendations, or none of them.

        Parameters
        ----------
        table : DataFrame
            One row a student: ``student``, the factors, ``assurance``.

        Raises
        ------
        RecordsError
            A column is missing, there is no such student or a student is there twice, a setting is not part of the study, an assurance is no
            probability: all mistakes at once. Or the exercise is scored.
        """
        import pandas as pd

        mistakes = [
            f"column '{name}' is missing. Columns: {', '.join(map(str, table.columns))}."
            for name in ("student", "assurance")
            if name not in table.columns
        ]
        taken: dict[int, dict[str, Any]] = {}
        for row in [] if mistakes else table.to_dict("records"):
            try:
                student = self._open(row["student"])
                who = f"student {student}"
                if student in taken:
                    mistakes.append(f"{who} is there twice. Keep one recommendation.")
                known = {str(k): v for k, v in row.items()}
                values = self.study.basis.values(pd.DataFrame([known], index=[who]))
                # None would be the study's own; nobody's belief is taken for granted.
                claim = math.nan if row["assurance"] is None else row["assurance"]
                _, sure = self.study.asked(assurance=claim)
                taken[student] = {"settings": self.study.basis.settings(values[0]), "assurance": sure}
            except FinishlabError as problem:
                mistakes += problem.mistakes
        if mistakes:
            raise RecordsError(mistakes)
        self._recommended |= taken

    def _open(self, student: Any) -> int:
        if self.scored:
            raise PlanError(
                "the exercise is scored: its truth is out, and nothing is worked or recommended any more. Make another, with another seed."
            )
        return self._known(student)

    def _known(self, student: Any) -> int:
        number = _whole(student)
        if number is None or not 1 <= number <= self.students:
            raise PlanError(f"student is {student!r}; students are the numbers 1 to {self.students}.")
        return number

    def _check_patches(self, done: pd.DataFrame, sheet: pd.DataFrame) -> None:
        """Raise where a patch was worked before, or a panel has no room."""
        import pandas as pd

        mistakes = []
        before = set(zip(done["panel"].astype(str), done["patch"].astype(str), strict=True))
        for panel, patch in zip(sheet["panel"], sheet["patch"].astype(str), strict=True):
            if (panel, patch) in before:
                mistakes.append(
                    f"patch {patch} of panel {panel} was worked before. A patch is worked once, fresh: take a new panel, or plan with existing=."
                )
        for panel, count in pd.concat([done["panel"], sheet["panel"]]).value_counts(sort=False).items():
            if count > self.study.patches:
                mistakes.append(
                    f"panel {panel} would have {count} trials; {self.study.patches} fit on one. Spread them over more panels."
                )
        if mistakes:
            raise PlanError(mistakes)

    # --- the truth -------------------------------------------------------------------------------

    def score(self) -> ClassScore:
        """
        End the exercise and score everybody on the truth.

        Beside the class stand two ways on the same budget: finishlab's own (`plan_trials`, then `follow_up` in rounds of four where the budget
        holds them, `fit`, `shortest`) and the textbook's, a quadratic of the same trials that is taken at its point prediction.

        Returns
        -------
        ClassScore
            The same again when asked again.

        Raises
        ------
        PlanError
            Nobody has recommended anything yet. Nothing is told.
        """
        import pandas as pd

        if self._score is not None:
            return self._score
        if not self._recommended:
            raise PlanError(
                "nobody has recommended a process yet. Take the recommendations in first: once scored, the truth is out."
            )
        wanted, best = self.study.assurance, self._bench.best()
        rows = []
        for student in range(1, self.students + 1):
            said, log = self._recommended.get(student), self.log(student)
            settings = said["settings"] if said else None
            claim = said["assurance"] if said else math.nan
            rows.append(
                self._row(
                    f"student {student}", settings, claim, log, note="" if said else "no recommendation"
                )
            )
        rows += self._ways()
        self.scored = True
        self._score = ClassScore(
            rows=pd.DataFrame(rows),
            best={k: best[k] for k in ("settings", "minutes", "job_minutes", "assurance")}
            | {"process": show.process_text(best["settings"], self.study)},
            wanted=wanted,
            budget=self.trials,
            kind=self._bench.kind,
            seed=self._bench.seed,
            shop=_shop(self._bench.kind),
        )
        return self._score

    def _row(
        self, who: str, settings: Mapping[str, Any] | None, claim: float, log: pd.DataFrame, *, note: str
    ) -> dict[str, Any]:
        found = scored(self._bench, settings, own_goal(self._bench), self._bench.best())
        return {
            "who": who,
            "process": "" if settings is None else show.process_text(settings, self.study),
            "true_probability": found["true"],
            "kept": bool(found["true"] >= self.study.assurance),
            "times_shortest": found["ratio"],
            "said_probability": claim,
            "said_minus_true": claim - found["true"],
            "trials": len(log),
            "bench_minutes": float(log["minutes"].sum()),
            "note": note,
        }

    def _ways(self) -> list[dict[str, Any]]:
        """Return the rows of finishlab's way and the textbook's, on trials of their own."""
        b, s, goal = self._bench, self.study, own_goal(self._bench)
        # As the proving ground collects trials: planned ones, then rounds of four where the budget holds them.
        rounds = min(_ROUNDS, max(0, (self.trials - _PLANNED) // ROUND))
        planned = self.trials - ROUND * rounds
        panels = max(math.ceil(planned / s.patches), min(PANELS, planned // 3), 1)
        log = self.log(1).head(0)
        answers: dict[str, tuple[Mapping[str, Any] | None, float, str]] = {}
        try:
            plan = plan_trials(s, trials=planned, panels=panels, seed=b.seed)
            design = Design("", planned, rounds)
            log = worked_trials(b, plan, design, goal, assurance=s.assurance, seed=b.seed)
            model = fit(s, log)
            recipe = shortest(model)
            answers[OURS] = (
                (recipe.settings, recipe.assurance, "") if recipe.found else (None, math.nan, recipe.text())
            )
            # A point prediction says no probability.
            answers[TEXTBOOK] = (recommends(TEXTBOOK, model, goal, s.assurance), math.nan, "")
        except FinishlabError as problem:
            for way in (OURS, TEXTBOOK):
                answers.setdefault(way, (None, math.nan, str(problem)))
        return [
            self._row(f"textbook's {way}" if way == TEXTBOOK else way, settings, claim, log, note=note)
            for way, (settings, claim, note) in answers.items()
        ]

    # --- over two days -----------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """
        Return what was worked and recommended as plain Python, ready for JSON; which shop it is stays out.

        Returns
        -------
        dict
            With `from_dict` and the seed, the exercise as it stands.
        """
        return {
            "format": _FORMAT,
            "students": self.students,
            "trials": self.trials,
            "worked": copy.deepcopy(self._sheets),
            # To know the shop again by what the class has seen of it.
            "read": self._read(),
            "recommended": {str(k): copy.deepcopy(v) for k, v in self._recommended.items()},
            "scored": self.scored,
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any], *, seed: int, kind: int | None = None) -> ClassExercise:
        """
        Make an exercise again from what `to_dict` gave.

        Parameters
        ----------
        kept : mapping of str -> value
        seed, kind : int
            As the exercise was made with.

        Raises
        ------
        RecordsError
            That is no kept exercise, or another shop than the one it was begun with.
        """
        import pandas as pd

        if kept.get("format") != _FORMAT:
            raise RecordsError(
                f"this is no class exercise of this finishlab (format {kept.get('format')!r}). Give what to_dict gave."
            )
        again = cls(students=kept["students"], seed=seed, kind=kind, trials=kept["trials"])
        for sheet in kept["worked"]:
            again.work(sheet["student"], pd.DataFrame(sheet["plan"]))
        if not np.allclose(np.array(again._read(), float), np.array(kept["read"], float), equal_nan=True):
            raise RecordsError(
                "the readings are not those of this seed and kind. Give the ones that the exercise was made with."
            )
        for student, said in kept["recommended"].items():
            again.recommend(int(student), said["settings"], assurance=said["assurance"])
        again.scored = kept["scored"]
        return again

    def _read(self) -> list[float | None]:
        """Return the final gloss of every trial, student by student."""
        read = [x for _, log in sorted(self._logs.items()) for x in log["gloss_20"]]
        return [None if math.isnan(x) else float(x) for x in read]


def _whole(value: Any) -> int | None:
    """Return a whole number, be it written 3.0 as a sheet may have it; None where it is none."""
    if isinstance(value, bool) or not isinstance(value, int | float | np.integer) or value != value // 1:
        return None
    return int(value)


def _shop(kind: int) -> str:
    """Return how finishing goes in a kind of shop; where its words point to another kind, that one's too."""
    said = PracticeBench.KINDS[kind]
    like = re.match(r"as (\d+)", said)
    return f"kind {kind}, {said}" + (f" ({like[1]}: {PracticeBench.KINDS[int(like[1])]})" if like else "")
