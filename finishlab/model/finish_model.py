"""The fitted model of a study: every response, the minutes and the film, in one object.

The goal's responses are fitted when the model is made (`fitting.py`), any other when it is first
asked for, from the model's own copy of the trials; the model says in plain sentences how well it held. Whether trials can carry a model at all is asked in `fitting.py`; choosing a process is
the business of `finishlab.solve`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab.errors import ModelError
from finishlab.memo import remembered
from finishlab.model.additive import Additive, fit_additive
from finishlab.model.all_goals import PatchCorrelation, all_met, patch_correlation
from finishlab.model.bounds import can_be_sure
from finishlab.model.check_questions import REACH, Asked, Check, ask_all
from finishlab.model.evidence import Evidence, evidence_of
from finishlab.model.limits import LimitForecast, most_removed, removal_probability, ruled_out
from finishlab.model.observed import MeterSpread
from finishlab.model.pooling import Earlier
from finishlab.model.readings import burned_through, counted_trials
from finishlab.model.response import ResponseFit, fit_response
from finishlab.model.trial_coverage import Worked
from finishlab.study import Condition, Study
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Fewer trials than this cannot tell a process from its luck (common practice, no source).
FEWEST_TRIALS = 6
#: Processes whose goals are joined at a time, for memory.
_ROWS = 4_000
#: Column of the clear alone before work, µm, where a shop's gauge tells layers apart.
CLEAR = "clear_before_um"


@dataclass(frozen=True, eq=False)
class FinishModel:
    """
    What the trials say of every process within the study.

    Made by `fit`. Predictions cover only what was studied; anything else raises
    `OutsideStudy`.

    Attributes
    ----------
    study : Study
    trials : DataFrame
        One row a trial, as given and checked; spoiled and planned trials are kept in it. A copy:
        nothing done to it, or to the table that was given, changes an answer.
    kind : {"steps", "surface"}
    seed : int
        Of the draws over spreads and ceiling.
    meters : mapping of response -> meter study
        What is known of the meter beside the trials' own repeats.
    earlier : Earlier or None
        Trials of an earlier study that stand in as weak prior knowledge.
    cautions : tuple of str
    """

    study: Study
    _trials: pd.DataFrame
    kind: Literal["steps", "surface"]
    seed: int
    meters: Mapping[str, MeterSpread] = field(default_factory=dict)
    earlier: Earlier | None = None
    _own_cautions: tuple[str, ...] = ()

    @property
    def trials(self) -> pd.DataFrame:
        """The trials as given and checked; a copy."""
        return self._trials.copy()

    @remembered
    def response(self, name: str) -> ResponseFit:
        """Return the fit of one response, the same ever after."""
        return fit_response(
            self.study,
            self._trials,
            name,
            self.kind,
            self.seed,
            meter=self.meters.get(name),
            earlier=self.earlier,
        )

    @property
    def done(self) -> pd.DataFrame:
        """The trials that count; a copy."""
        return counted_trials(self._trials).copy()

    @cached_property
    def worked(self) -> Worked:
        """The settings that the trials worked, which every answer keeps to."""
        return Worked.of(self.study, self.done)

    @property
    def panels(self) -> int:
        """How many test panels the trials that count are on."""
        return int(self.done["panel"].nunique())

    @cached_property
    def minutes(self) -> Additive:
        """Working minutes of one section, by step where the steps were timed."""
        import pandas as pd

        table = self.done[pd.to_numeric(self.done["minutes"], errors="coerce").notna()]
        by_step = {
            s.name: pd.to_numeric(table[f"{s.name}_minutes"], errors="coerce").to_numpy(float)
            for s in self.study.steps
            if f"{s.name}_minutes" in table.columns
        }
        whole = ~burned_through(table)
        table, by_step = table[whole], {k: v[whole] for k, v in by_step.items()}
        return fit_additive(
            self.study.basis,
            self.study.basis.values(table),
            table["minutes"].to_numpy(float),
            by_step,
            table["panel"].astype(str).to_numpy(),
            relative=True,
            what="minutes",
        )

    @cached_property
    def removal(self) -> Additive | None:
        """Film removed, µm; None when the trials do not say."""
        import pandas as pd

        if "removed_um" not in self.done.columns:
            return None
        removed = pd.to_numeric(self.done["removed_um"], errors="coerce").to_numpy(float)
        burned = burned_through(self.done)
        # A burn-through says only that all the clear went. Where the clear alone was read
        # before, the removal is known to be at least that; else it is kept out of the average.
        # Either way it rules out harsher processes (`limits.ruled_out`).
        if burned.any():
            clear = np.full(len(removed), np.nan)
            if CLEAR in self.done.columns:
                clear = pd.to_numeric(self.done[CLEAR], errors="coerce").to_numpy(float)
            removed = np.where(burned, clear, removed)
        use = np.isfinite(removed)
        if (use & ~burned).sum() < FEWEST_TRIALS:
            return None
        table = self.done[use]
        return fit_additive(
            self.study.basis,
            self.study.basis.values(table),
            removed[use],
            {},
            table["panel"].astype(str).to_numpy(),
            relative=False,
            what="film removed",
            at_least=burned[use],
        )

    def probability_of(
        self, values: np.ndarray, goal: Mapping[str, Condition], more_trials: float = 0.0
    ) -> np.ndarray:
        """As `probability`, for processes as `Basis.values`; `more_trials` as `ResponseFit.predicted`."""
        fits = [self.response(name) for name in goal]
        out = np.empty(len(values))
        for start in range(0, len(values), _ROWS):
            part = slice(start, start + _ROWS)
            predicted = [fit.predicted(values[part], more_trials) for fit in fits]
            chances = np.array(
                [f.chance(p, c) for f, p, c in zip(fits, predicted, goal.values(), strict=True)]
            )
            out[part] = all_met(goal, chances, predicted, self.correlations(goal), self.study.reading.spots)
        return out

    def correlations(self, names: Iterable[str]) -> dict[tuple[str, str], PatchCorrelation]:
        """Return how two responses of one patch go together, for each pair of some."""
        return {(a, b): self._correlation(a, b) for a, b in combinations(names, 2)}

    @remembered
    def _correlation(self, a: str, b: str) -> PatchCorrelation:
        return patch_correlation(self.response(a).left_out, self.response(b).left_out)

    def can_be_sure(
        self, values: np.ndarray, goal: Mapping[str, Condition], wanted: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return which processes may have a probability of `wanted`, and about what they have; see `bounds`."""
        return can_be_sure({name: self.response(name) for name in goal}, goal, values, wanted)

    def probability(
        self,
        processes: pd.DataFrame,
        *,
        goal: Mapping[str, Any] | None = None,
        of: Literal["next job", "mean of many jobs"] = "next job",
    ) -> pd.Series:
        """
        Probability that the next job meets every goal, or that many jobs do on average.

        Parameters
        ----------
        processes : DataFrame
            One row a process, a column for each factor.
        goal : mapping, optional
            In the words of the study file; its own goal when not given.
        of : {"next job", "mean of many jobs"}
            The next job is one: a new panel with its sections. The mean of many jobs leaves only
            what is not known of the process; it says nothing of any single job.

        Returns
        -------
        Series
            0 to 1, the index of `processes`; named for what it is the probability of. Several goals hold jointly; how they go together from
            patch to patch is estimated (`finishlab.model.all_goals`).

        Raises
        ------
        OutsideStudy
            A process was never studied.
        ModelError
            `of` is neither.
        """
        import pandas as pd

        conditions, _ = self.study.asked(goal)
        values = self.study.basis.values(processes)
        if of == "next job":
            found, name = self.probability_of(values, conditions), "probability"
        elif of == "mean of many jobs":
            chances = [self.response(n).mean_probability(values, c) for n, c in conditions.items()]
            # What is not known of one curve is not what is not known of another.
            found, name = np.prod(chances, axis=0), "probability_of_mean"
        else:
            raise ModelError(f"of is {of!r}; it must be 'next job' or 'mean of many jobs'.")
        return pd.Series(found, index=processes.index, name=name)

    def predict(self, processes: pd.DataFrame) -> pd.DataFrame:
        """
        Expected readings and minutes of processes, with intervals named by what they cover.

        Parameters
        ----------
        processes : DataFrame
            One row a process, a column for each factor.

        Returns
        -------
        DataFrame
            The index of `processes`. For each response of the goal: its typical reading,
            ``_mean_low``/``_mean_high`` (90 % interval of what the process itself reads) and
            ``_job_low``/``_job_high`` (90 % interval of a section of the next job);
            ``minutes`` with the 90 % interval of the next section, ``job_minutes`` with that of the next
            job (change-overs and waits included), ``<step>_minutes`` where steps were timed; ``removed_um``
            likewise where film was read.

        Raises
        ------
        OutsideStudy
            A process was never studied.
        """
        import pandas as pd

        return pd.DataFrame(self.predict_values(self.study.basis.values(processes)), index=processes.index)

    def predict_values(
        self, values: np.ndarray, responses: Mapping[str, Any] | None = None
    ) -> dict[str, np.ndarray]:
        """As `predict`, for processes as `Basis.values`."""
        out: dict[str, np.ndarray] = {}
        for name in responses or self.study.goal:
            for key, column in self.response(name).intervals(values).items():
                out[name if key == "value" else f"{name}_{key}"] = column
        out |= self.times(values)
        out |= {f"{step}_minutes": mean for step, mean in self.minutes.by_step(values).items()}
        if self.removal is not None:
            mean, low, high = self.removal.interval(values)
            out["removed_um"], out["removed_um_job_low"], out["removed_um_job_high"] = mean, low, high
        return out

    def times(self, values: np.ndarray, sections: int | None = None) -> dict[str, np.ndarray]:
        """
        Return working minutes of the next section, and minutes of the next job, with 90 % intervals.

        ``minutes``, ``job_minutes`` and each with ``_low`` and ``_high``; of the study's job, or of so many `sections`.
        """
        basis, count = self.study.basis, self.study.job.sections if sections is None else sections
        out: dict[str, np.ndarray] = {}
        for name, of in (("minutes", 1), ("job_minutes", count)):
            for end, value in zip(("", "_low", "_high"), self.minutes.interval(values, of), strict=True):
                # The interval is of the mean over the sections.
                out[name + end] = value if name == "minutes" else basis.job_minutes(values, value, count)
        return out

    def job_difference(self, a: np.ndarray, b: np.ndarray) -> tuple[float, float, float]:
        """
        Return how much longer a job takes by one process than by another on average, minutes, and its 90 % interval.

        Both have shape (1, factors). Change-overs and waits are known; only the work is estimated.
        """
        basis, sections = self.study.basis, self.study.job.sections
        beside = float((basis.job_minutes(a, 0.0) - basis.job_minutes(b, 0.0))[0])
        mean, low, high = (sections * minutes + beside for minutes in self.minutes.difference(a, b))
        return mean, low, high

    def keeps_limits(self, values: np.ndarray, sections: int | None = None) -> np.ndarray:
        """Return for each process whether every limit is kept as surely as its setter asked, the study's job or another."""
        sections = self.study.job.sections if sections is None else sections
        ok = ~ruled_out(self.study, self._trials, values)
        for name, limit in self.study.limits.items():
            at_most = self.most_removal(name)
            if self.removal is None:
                raise ModelError(
                    f"the study limits {name}, but the trials do not say how much film was removed. "
                    "Read film_before_um and film_after_um on every patch."
                )
            ok &= removal_probability(self.removal, values, at_most, sections) >= limit.assurance
        return ok

    def most_removal(self, name: str) -> float:
        """Return the removal that a limit allows, µm."""
        condition, before = self.study.limits[name].condition, self.study.job.film_before_um
        if name == "removed_um":
            return float(condition.at_most)  # type: ignore[arg-type]
        if before is None:
            raise ModelError(
                "the study limits film_left_um, but the job's film before work is not given. "
                "Read the thinnest spot of the job and write it as film_before_um in [job]."
            )
        return before - float(condition.at_least)  # type: ignore[arg-type]

    def limit_forecasts(self, values: np.ndarray) -> dict[str, LimitForecast]:
        """Return for one process what each limit asks and what is predicted of it."""
        found: dict[str, LimitForecast] = {}
        for name, limit in self.study.limits.items():
            if self.removal is None:
                continue
            sections = self.study.job.sections
            mean, worst = most_removed(self.removal, values, limit.assurance, sections)
            p = removal_probability(self.removal, values, self.most_removal(name), sections)
            start = 0.0 if name == "removed_um" else float(self.study.job.film_before_um or 0.0)
            sign = 1.0 if name == "removed_um" else -1.0
            found[name] = LimitForecast(
                set_by=limit.set_by,
                assurance=limit.assurance,
                at_least=limit.condition.at_least,
                at_most=limit.condition.at_most,
                film_before_um=None if name == "removed_um" else start,
                predicted=float(start + sign * mean[0]),
                worst=float(start + sign * worst[0]),
                probability=float(p[0]),
            )
        return found

    @cached_property
    def checked(self) -> tuple[Check, ...]:
        """Every check of every response, as `check_model` shows them."""
        return tuple(c for name in self.study.goal for c in ask_all(Asked(self.response(name), self.done)))

    @property
    def checks(self) -> tuple[str, ...]:
        """How well the model held when trials were left out, one plain sentence a response."""
        return tuple(c.sentence for c in self.checked if c.question == "prediction")

    @cached_property
    def cautions(self) -> tuple[str, ...]:
        """What deserves care; travels to the recipe and the procedure."""
        found = [*self.study.cautions, *self._own_cautions]
        for name in self.study.goal:
            found += self.response(name).cautions
            found += [c.caution for c in self.checked if c.response == name and c.caution]
        found += self.minutes.cautions
        if burned_through(self._trials).any():
            found += [
                f"A trial burned through; {said.set_by} lets processes back in that it would rule out: {said.reason}. "
                "Read the film before and after, and stop at the limit."
                for said in self.study.lifted
            ]
        if self.study.limits and self.removal is not None:
            found += self.removal.cautions
        return tuple(dict.fromkeys(found))

    def evidence(self) -> Evidence:
        """Return what the model rests on, for the recipe and the procedure."""
        fits = {name: self.response(name) for name in self.study.goal}
        found = evidence_of(self.study, self._trials, self.done, fits, kind=self.kind, seed=self.seed)
        return replace(
            found,
            worked={f.factor: list(self.worked.levels(f)) for f in self.study.factors},
            earlier_trials=None if self.earlier is None else len(self.earlier.trials),
            earlier_study=None if self.earlier is None else self.earlier.title,
        )

    def text(self) -> str:
        """Return one sentence: what was fitted, and how well it held."""
        return f"{len(self.done)} trials on {show.counted(self.panels, 'panel')}. " + " ".join(
            map(show.begun, self.checks)
        )

    def table(self) -> pd.DataFrame:
        """Return each trial's reading beside what the other trials say of it."""
        import pandas as pd

        parts = []
        for name in self.study.goal:
            left = self.response(name).left_out
            parts.append(
                pd.DataFrame(
                    {
                        "response": name,
                        "row": left.row,
                        "reading": left.y,
                        "expected": left.expected,
                        "spread": left.sd,
                    }
                )
            )
        return pd.concat(parts, ignore_index=True)

    def to_dict(self) -> dict[str, Any]:
        """Return the evidence, checks and cautions as plain Python."""
        return {**self.evidence().to_dict(), "checks": list(self.checks), "cautions": list(self.cautions)}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw readings against what the other trials say of them, for the first goal."""
        from finishlab.figures import answer_figures

        name = next(iter(self.study.goal))
        left = self.response(name).left_out
        reach = REACH * left.sd
        return answer_figures.fit(
            left.y, left.expected, left.expected - reach, left.expected + reach, response=name, ax=ax
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())
