"""The recommended process with its evidence: `Recipe`.

A recipe is a frozen answer. It says the process, its minutes, its assurance, what came
close, what it saves and what deserves care; or that nothing was found, what comes nearest
and what would settle it. It is found in `choice.py` and hung up by `finishlab.procedure`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from finishlab.errors import StudyError
from finishlab.model.evidence import Evidence
from finishlab.model.limits import LimitForecast
from finishlab.plain import from_plain, plain, plain_rows
from finishlab.solve.answer_parts import EarlierAnswer, Saving, TimedProcess
from finishlab.solve.forecast import Forecast
from finishlab.solve.verdict import Limit, Words
from finishlab.study import Condition, Study
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Fields that are NaN when no process was found, and None in the kept form.
_NUMBERS = ("minutes", "minutes_low", "minutes_high", "assurance")
#: Columns of the rivals beside the factors.
RIVAL_COLUMNS = (
    *(f"{of}minutes{end}" for of in ("", "job_") for end in ("", "_low", "_high")),
    "assurance",
    "keeps_limits",
)


@dataclass(frozen=True, eq=False)
class Recipe:
    """
    The shortest process found for a goal, or that none was found.

    Made by `shortest`; `read_procedure` returns one as it was kept.

    Attributes
    ----------
    found : bool
    settings : dict of factor -> setting
        None for the settings of a left-out step. Empty when not found.
    minutes, minutes_low, minutes_high : float
        Working minutes of one section, with the 90 % interval of the next section. NaN when
        not found.
    assurance : float
        Probability that the next job meets every goal, 0 to 1, on average over studies.
    wanted : float
        The assurance asked for, a probability.
    goal : dict of response -> Condition
    study : Study
    predicted : dict of str -> float
        Readings (in units of the response) and minutes of the process (of the closest when none was found), with
        intervals named by what they cover, as `FinishModel.predict`.
    rivals : DataFrame
        One row a process, by the job's minutes: quicker ones that fall short and near equals that do not.
    closest : TimedProcess or None
        What comes nearest when none was found.
    saves : Saving or None
        Work saved a section against today's process, minutes. `job_saves` says the same of the job.
    limits : dict of limit -> LimitForecast
        What each asks (µm), who set it, what is predicted.
    evidence : Evidence
        What it rests on: trials, panels, model, fingerprint, ceilings, spreads.
    verdict : {"found", "cannot tell yet", "not reachable"}
    limited_by : str
        When none was found: what keeps the closest from it, as `Verdict.limited_by`; else empty.
    would_settle : str
        When none was found: what would settle it.
    cautions : tuple of str
    equals : tuple of TimedProcess
        Others that keep the promise and whose job takes as long for all that is known (the 90 % interval of
        the difference holds none), the surest first.
    forecast : Forecast or None
        What was predicted of this process (of the closest when none was found), to hold later
        trials and jobs against. None in a recipe kept before forecasts were.
    history : tuple of EarlierAnswer
        The answers before this one, oldest first, as `after` puts them in.
    """

    found: bool
    settings: dict[str, Any]
    minutes: float
    minutes_low: float
    minutes_high: float
    assurance: float
    wanted: float
    goal: dict[str, Condition]
    study: Study
    predicted: dict[str, float]
    rivals: pd.DataFrame
    closest: TimedProcess | None
    saves: Saving | None
    limits: dict[str, LimitForecast]
    evidence: Evidence
    verdict: Words
    limited_by: Limit
    would_settle: str
    cautions: tuple[str, ...]
    equals: tuple[TimedProcess, ...] = ()
    forecast: Forecast | None = None
    history: tuple[EarlierAnswer, ...] = ()

    @property
    def job_minutes(self) -> float:
        """Minutes of the job: its sections, the change-overs of the steps used, waits before readings; NaN when not found."""
        return self.study.basis.job_of(self.settings, self.minutes) if self.found else math.nan

    @property
    def job_minutes_low(self) -> float:
        """Lower end of the 90 % interval of the next job's minutes; NaN where it is not known."""
        return show.known(self.predicted.get("job_minutes_low")) if self.found else math.nan

    @property
    def job_minutes_high(self) -> float:
        """Upper end of the 90 % interval of the next job's minutes; NaN where it is not known."""
        return show.known(self.predicted.get("job_minutes_high")) if self.found else math.nan

    @property
    def job_saves(self) -> Saving | None:
        """
        What the process (the closest when none was found) saves a job against today's: None without today's process.

        The interval is of the averages.
        """
        if self.saves is None or self.study.today is None:
            return None
        settings = self.closest.settings if self.closest else self.settings
        job, sections = self.study.basis.job_of, self.study.job.sections
        # What both do beside their work differs by the same whatever the work.
        beside = job(self.study.today, 0.0) - job(settings, 0.0)
        return Saving(
            minutes=sections * self.saves.minutes + beside,
            low=sections * self.saves.low + beside,
            high=sections * self.saves.high + beside,
            today_minutes=job(self.study.today, self.saves.today_minutes),
            today_assurance=self.saves.today_assurance,
            today_keeps_limits=self.saves.today_keeps_limits,
        )

    def after(self, earlier: Recipe) -> Recipe:
        """
        Return the recipe with an earlier answer, and those before it, as its history.

        Parameters
        ----------
        earlier : Recipe
            Found before the last round of trials.

        Returns
        -------
        Recipe

        Raises
        ------
        StudyError
            It is about other factors, or rests on more trials than this one.

        Examples
        --------
        >>> import finishlab as fl
        >>> first = fl.shortest(fl.fit(bench.study, trials[:12]))
        >>> [answer.trials for answer in recipe.after(first).history]
        [12]
        """
        mistakes = []
        if earlier.study.basis.names != self.study.basis.names:
            mistakes.append(
                f"the earlier recipe is about {show.listed(earlier.study.basis.names)}, this one about {show.listed(self.study.basis.names)}. "
                "Give an earlier answer of the same study."
            )
        before, now = earlier.evidence.trials, self.evidence.trials
        if before > now:
            mistakes.append(
                f"the earlier recipe rests on {before} trials, this one on {now}. Give the one found before the last round."
            )
        if mistakes:
            raise StudyError(mistakes)
        named = earlier.closest or earlier
        stood = EarlierAnswer(
            found=earlier.found,
            process=show.process_text(named.settings, earlier.study),
            minutes=named.minutes,
            job_minutes=self.study.basis.job_of(named.settings, named.minutes),
            assurance=named.assurance,
            trials=earlier.evidence.trials,
            panels=earlier.evidence.panels,
            fingerprint=earlier.evidence.fingerprint,
        )
        return replace(self, history=(*earlier.history, stood))

    def text(self) -> str:
        """Say the answer in plain words, numbers after them."""
        goal = show.listed(c.text(name) for name, c in self.goal.items())
        wanted = show.asked_percent(self.wanted)
        stand = f"({self.evidence.trials} trials, {show.counted(self.evidence.panels, 'panel')})"
        if not self.found:
            nearest = ""
            if self.closest:
                nearest = (
                    f" Closest: {show.process_text(self.closest.settings, self.study)}, "
                    f"{show.time_text(self.closest.minutes, self.closest.job_minutes)} at {show.percent(self.closest.assurance)}."
                )
            begin = (
                "No studied process" if self.verdict == "not reachable" else "Cannot name a process yet that"
            )
            unguarded = "" if self.study.limits else f" {show.NO_FILM_LIMIT}"
            return f"{begin} reaches {goal} with {wanted} assurance {stand}.{unguarded}{nearest} {self.would_settle}"
        lines = [
            f"{show.process_text(self.settings, self.study)}: {show.time_text(self.minutes, self.job_minutes)}"
            f"{self._saving()}. The next job reaches {goal} with {show.percent(self.assurance)} assurance {stand}."
        ]
        if not self.study.limits:
            lines.append(show.NO_FILM_LIMIT)
        if self.equals:
            first = self.equals[0]
            many = (
                "one other takes as long: "
                if len(self.equals) == 1
                else f"{len(self.equals)} others take as long; the surest of them: "
            )
            lines.append(
                f"For all the trials can tell {many}{show.process_text(first.settings, self.study)}, "
                f"{show.minutes_text(first.job_minutes)} at {show.percent(first.assurance)}."
            )
        quicker = self.quicker()
        if quicker is not None:
            lines.append(
                f"Closest quicker choice: {show.process_text(quicker.settings, self.study)}, "
                f"{show.minutes_text(quicker.job_minutes)} at {show.percent(quicker.assurance)}."
            )
        return " ".join(lines)

    def _saving(self) -> str:
        saves = self.job_saves
        if saves is None:
            return ""
        saved = saves.minutes
        told = show.number(abs(saved), toward="down")
        beyond = "" if saves.today_keeps_limits else ", which does not keep a limit surely enough"
        if saves.low <= 0 <= saves.high or not float(told):
            return f", about as long as today's process{beyond}"
        return f", {told} {'less' if saved > 0 else 'more'} than today's process{beyond}"

    def quicker(self) -> TimedProcess | None:
        """Return the likeliest of the quicker processes that fall short, or None."""
        if not self.found or self.rivals.empty:
            return None
        names = self.study.basis.names
        rows = [row for row in plain_rows(self.rivals) if row["keeps_limits"]]
        quicker = [
            TimedProcess.from_dict(row | {"settings": {n: row[n] for n in names}}, self.study) for row in rows
        ]
        short = [process for process in quicker if process.job_minutes < self.job_minutes]
        return max(short, key=lambda process: process.assurance, default=None)

    def table(self) -> pd.DataFrame:
        """Return every process considered, in words, the chosen one first."""
        return show.considered(self)

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision; `from_dict` brings it back."""
        more = {"job_minutes": self.job_minutes, "job_saves": self.job_saves}
        return plain({**vars(self), **more, "study": self.study.source})

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> Recipe:
        """Make the recipe again from what `to_dict` gave."""
        import pandas as pd

        study = Study.from_toml(facts["study"])
        goal, _ = study.asked(facts["goal"])
        rivals = pd.DataFrame(facts["rivals"], columns=[*study.basis.names, *RIVAL_COLUMNS])
        # An older finishlab kept the minutes of a section alone.
        rivals["job_minutes"] = [study.basis.job_of(row, row["minutes"]) for row in rivals.to_dict("records")]
        return cls(
            found=facts["found"],
            settings=dict(facts["settings"]),
            **{k: math.nan if facts[k] is None else facts[k] for k in _NUMBERS},
            wanted=facts["wanted"],
            goal=goal,
            study=study,
            predicted=dict(facts["predicted"]),
            rivals=rivals,
            closest=TimedProcess.from_dict(facts["closest"], study) if facts["closest"] else None,
            saves=from_plain(Saving, facts["saves"]) if facts["saves"] else None,
            limits={name: from_plain(LimitForecast, limit) for name, limit in facts["limits"].items()},
            evidence=Evidence.from_dict(facts["evidence"]),
            verdict=facts["verdict"],
            limited_by=facts["limited_by"],
            would_settle=facts["would_settle"],
            equals=tuple(TimedProcess.from_dict(e, study) for e in facts["equals"]),
            cautions=tuple(facts["cautions"]),
            forecast=Forecast.from_dict(facts["forecast"]) if facts.get("forecast") else None,
            history=tuple(EarlierAnswer.from_dict(answer) for answer in facts.get("history", ())),
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw minutes against the probability that the next job meets the goal."""
        from finishlab.figures import answer_figures

        return answer_figures.recipe(self.table(), wanted=self.wanted, ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())
