"""The ways on from a point of a process, weighed: further minutes, assurance after a reading, limits kept.

Made once for a point, weighed for any reading: for one patch by `mid_job.py`, for all that may be read
by `bench_card.py`. The assurance is the job's, as the recipe's is: all sections that the study names, worked alike on
one panel. What a reading tells of them is `finishlab.model.patch_readings`'s.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.model.all_goals import all_met
from finishlab.model.patch_readings import GlossRead, ThisPatch
from finishlab.plan.day import READING_MINUTES
from finishlab.solve.mid_job_question import NextPasses, completed, last_worked
from finishlab.solve.recipe import Recipe
from finishlab.study import RESPONSES, Condition, Job, Step
from finishlab.words import show

#: Ways on that are shown beside the one advised.
_SHOWN = 3
#: A reading so many spreads off what was foretold is told, not only used.
_UNUSUAL = 3.5
#: Up to so many spreads above what was foretold a reading is as expected: three in four patches read no better.
_AS_EXPECTED = 0.674


class Weighed:
    """
    The ways on from a point of a process: made once, weighed for any reading.

    Parameters
    ----------
    model : FinishModel
    worked : mapping of factor -> setting
    recipe : Recipe or None
    goal : mapping of response -> Condition
    """

    def __init__(
        self,
        model: FinishModel,
        worked: Mapping[str, Any],
        recipe: Recipe | None,
        goal: Mapping[str, Condition],
    ) -> None:
        self.model, self.goal, self.study = model, dict(goal), model.study
        gloss = [n for n in goal if n.startswith("gloss_")]
        if not gloss or model.response(gloss[0]).kind != "steps":
            raise ModelError(
                "this model does not follow the gloss from step to step, so a reading in the middle tells it nothing of the end. Fit it "
                'with kind="steps", from trials read after each step.'
            )
        self.gloss = gloss[0]
        self.index = last_worked(model, worked)
        self.step: Step = self.study.steps[self.index]
        self.so_far = self.study.basis.row(completed(model, worked, self.index))
        self.values = self._ways(recipe)
        self.minutes = self._further()
        fits = {n: model.response(n) for n in self.goal}
        self._fits = fits
        self._others = {n: fits[n].predicted(self.values) for n in self.goal if n != self.gloss}
        self.own = self._own(recipe)
        self.patch = ThisPatch(fits[self.gloss], self.values, self.so_far, self.index, self._unchanged())

    def _ways(self, recipe: Recipe | None) -> np.ndarray:
        """Return every process that goes on from what was worked."""
        basis = self.study.basis
        position = {s.name: i for i, s in enumerate(self.study.steps)}
        held = None if recipe is None else basis.row(recipe.settings)[0]

        def goes_on(rows: np.ndarray) -> np.ndarray:
            keep = np.ones(len(rows), bool)
            for j, f in enumerate(basis.factors):
                at, mine, inactive = position[f.step], self.so_far[0, j], np.isnan(rows[:, j])
                amount = f is self.study.step(f.step).amount
                if at == self.index and amount:
                    keep &= rows[:, j] >= mine
                elif at <= self.index:
                    keep &= (rows[:, j] == mine) | (inactive & np.isnan(mine))
                elif held is not None and not amount and not np.isnan(held[j]):
                    keep &= (rows[:, j] == held[j]) | inactive
            return rows[keep]

        ways = np.concatenate([goes_on(rows[self.model.worked.covers(rows)]) for rows in basis.chunks()])
        if not len(ways):
            raise ModelError(
                f"no process that the trials worked goes on from {show.process_text(basis.settings(self.so_far[0]), self.study)}. Look at the settings and passes."
            )
        return ways

    def _own(self, recipe: Recipe | None) -> int:
        """Return which way on is the recipe itself; -1 where none is."""
        if recipe is None:
            return -1
        same = self.study.basis.same(self.values, self.study.basis.row(recipe.settings)[0])
        return int(np.argmax(same)) if same.any() else -1

    def _further(self) -> np.ndarray:
        """
        Return the further minutes of each way on.

        More of the step just worked is set up and wiped once more: it was wiped already, to be read.
        """
        steps, minutes = [s.name for s in self.study.steps], self.model.minutes
        by_step = minutes.by_step(self.values)
        more = self._more_of_this()
        if all(name in by_step for name in steps[self.index :]):
            mine = steps[self.index]
            later = sum((by_step[n] for n in steps[self.index + 1 :]), np.zeros(len(self.values)))
            spent = minutes.by_step(self._with(self.values, 0))[mine]
            return later + np.where(
                more > 0,
                np.maximum(by_step[mine] - spent, 0.0) + self._set_up(self.step, self.so_far[0]),
                0.0,
            )
        # Not timed by step: what the passes add, set-ups left out.
        return np.maximum(minutes.mean(self.values) - minutes.mean(self._only_so_far()), 0.0)

    def _unchanged(self) -> np.ndarray:
        """Return which ways on do nothing more."""
        still = self._more_of_this() == 0
        for step in self.study.steps[self.index + 1 :]:
            if not step.can_be_left_out or step.amount is None or step.amount.held:
                return np.zeros(len(self.values), bool)
            still &= self.values[:, self.study.basis.column(step.amount.factor)] == 0
        return still

    def _more_of_this(self) -> np.ndarray:
        """Return the further passes of the step just worked, of each way on."""
        amount = self.step.amount
        if amount is None or amount.factor not in self.study.basis.names:
            return np.zeros(len(self.values))
        j = self.study.basis.column(amount.factor)
        return np.asarray(self.values[:, j] - self.so_far[0, j])

    def _with(self, values: np.ndarray, more: float) -> np.ndarray:
        """Return processes with so many more passes of the step just worked than it had."""
        values, amount = values.copy(), self.step.amount
        if amount is not None and amount.factor in self.study.basis.names:
            j = self.study.basis.column(amount.factor)
            values[:, j] = self.so_far[0, j] + more
        return values

    def _set_up(self, step: Step, row: np.ndarray) -> float:
        """Return the minutes of a step that do not depend on its passes, its set-up and wipe, as a process works it."""
        amount, minutes = step.amount, self.model.minutes
        if amount is None or amount.held:
            return 0.0
        j = self.study.basis.column(amount.factor)
        worked = [v for v in self.study.basis.levels[j] if v > 0][:2]
        if len(worked) < 2:
            return 0.0
        rows = np.array([row, row])
        rows[:, j] = first, second = worked
        taken = minutes.by_step(rows).get(step.name)
        if taken is None:
            return 0.0
        return float(max(taken[0] - first * (taken[1] - taken[0]) / (second - first), 0.0))

    def _reading_again(self, sure: int, chance: np.ndarray) -> tuple[int, float]:
        """
        Return the way with fewer passes of the last step that is best worked and then read again, and its minutes on average.

        With the reading, its wait and, where it falls short, the passes that were saved and another set-up and wipe; `chance` is
        that of this section. The way that is sure without a reading comes back where none is quicker than it.
        """
        settings = self.study.basis.settings(self.values[sure])
        last = next(s for s in reversed(self.study.steps) if not show.left_out(s, settings))
        amount = last.amount
        if amount is None or amount.held:
            return sure, float(self.minutes[sure])
        j = self.study.basis.column(amount.factor)
        mine = self.values[sure]
        rest = [k for k in range(len(mine)) if k != j]
        less = (self.values[:, j] > 0) & (self.values[:, j] < mine[j])
        same = self.study.basis.same(self.values[:, rest], mine[rest])
        fewer = np.flatnonzero(less & same & ~self._unchanged())
        if not len(fewer):
            return sure, float(self.minutes[sure])
        reading = READING_MINUTES + self.study.reading.wait_minutes
        short = self.minutes[sure] - self.minutes[fewer] + self._set_up(last, mine)
        average = self.minutes[fewer] + reading + (1 - chance[fewer]) * short
        k = int(np.argmin(average))
        if average[k] >= self.minutes[sure]:
            return sure, float(self.minutes[sure])
        return int(fewer[k]), float(average[k])

    def at(
        self, reads: Sequence[GlossRead], spare: Mapping[str, float] | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """
        Return the assurance of the job, and whether the limits are kept, for each way on after a reading of one section.

        `spare` is the film that each limit still lets go, µm.
        """
        return self._met(reads, self.study.job), self._keeps(spare or {})

    def this_section(self, reads: Sequence[GlossRead]) -> np.ndarray:
        """Return the chance that the section that was read meets the goal, for each way on."""
        return self._met(reads, Job())

    def _met(self, reads: Sequence[GlossRead], job: Job) -> np.ndarray:
        """Return the chance that a job meets every goal, all its sections worked alike and one of them read."""
        chance, predicted = self.patch.chance(reads, self.goal[self.gloss], job)
        chances = np.array(
            [
                chance if n == self.gloss else self._fits[n].chance(self._others[n], self.goal[n], job)
                for n in self.goal
            ]
        )
        of = [predicted if n == self.gloss else self._others[n] for n in self.goal]
        return all_met(self.goal, chances, of, self.model.correlations(self.goal), self.study.reading.spots)

    def follows_recipe(self, sure: np.ndarray, reads: Sequence[GlossRead]) -> bool:
        """
        Return whether a reading leaves it with the recipe: that is sure enough, and the reading no better than most.

        Fewer passes would now and then do as well; a reading as expected is no news, and no reason to leave the recipe.
        """
        if self.own < 0 or not sure[self.own]:
            return False
        return all(r.gu <= self.patch.reads(r.angle, r.count, _AS_EXPECTED)[2] for r in reads)

    def _keeps(self, spare: Mapping[str, float]) -> np.ndarray:
        """Return which ways on keep the limits, as foretold and from the film that was read."""
        model = self.model
        keeps = model.keeps_limits(self.values)
        if not spare or model.removal is None:
            return keeps
        mean, so_far = model.removal.mean(self.values), model.removal.mean(self._only_so_far())
        further = np.maximum(mean - so_far, 0.0)
        for name, um in spare.items():
            gone = model.most_removal(name) - um
            # A patch that lost more than foretold goes on to lose more; one that lost less is given no credit.
            faster = np.maximum(gone / np.maximum(so_far, 1e-9), 1.0) if so_far.min() > 0 else 1.0
            # What is left to go scatters as its share of the whole.
            sure = model.removal.next_section(self.values).quantile(self.study.limits[name].assurance)
            scatter = np.maximum(sure - mean, 0.0) * np.sqrt(further / np.maximum(mean, 1e-9))
            keeps &= (further == 0) | (further * faster + scatter <= um)
        return keeps

    def _only_so_far(self) -> np.ndarray:
        """Return the ways on as if nothing were done after the step just worked."""
        values = self._with(self.values, 0)
        for step in self.study.steps[self.index + 1 :]:
            if step.amount is not None and step.amount.factor in self.study.basis.names:
                values[:, self.study.basis.column(step.amount.factor)] = 0.0
        return values

    def unexpected(self, reads: Sequence[GlossRead]) -> tuple[str, ...]:
        """Return a caution for each reading that lies far off what the trials foretell of this state."""
        said = []
        for read in reads:
            _, low, high = self.patch.reads(read.angle, read.count, _UNUSUAL)
            if not low <= read.gu <= high:
                said.append(
                    f"{RESPONSES[f'gloss_{read.angle}'][0]} {show.number(read.gu)} GU after {self.step.name} lies outside the {show.number(low)} to {show.number(high)} GU "
                    "that the trials foretell. Read it again, and look whether the steps were worked as said."
                )
        return tuple(said)

    def answer(
        self, reads: Sequence[GlossRead], wanted: float, spare: Mapping[str, float] | None = None
    ) -> NextPasses:
        """Return the recipe where a reading is as expected, else the way on that takes the least further minutes and keeps the promise."""
        import pandas as pd

        minutes = self.minutes
        chance, keeps = self.at(reads, spare)
        order = np.lexsort((-chance, minutes))
        enough = (chance >= wanted) & keeps
        sure = order[enough[order]]
        found = len(sure) > 0
        stays = self.follows_recipe(enough, reads)
        allowed = chance * keeps
        at = self.own if stays else int(sure[0]) if found else int(np.argmax(allowed))
        if not found and not keeps.any():
            who = show.listed(
                f"{v.condition.text(n)}, set by {v.set_by}" for n, v in self.study.limits.items()
            )
            return self.stop(
                f"no way on keeps the film as surely as is asked ({who or 'burn-through in the trials'})",
                wanted,
            )
        quicker = [k for k in order[np.argsort(-allowed[order], kind="stable")] if minutes[k] < minutes[at]]
        best = np.argsort(-allowed, kind="stable")
        shown = list(
            dict.fromkeys([at, *sure[:_SHOWN].tolist(), *quicker[:2], *best[: 1 if found else _SHOWN]])
        )
        sections = self.study.job.sections
        alone = chance if sections == 1 else self.this_section(reads)
        again, average = self._reading_again(at, alone) if found and not stays else (at, float(minutes[at]))
        if read_again := again != at:
            at = again
            shown = list(dict.fromkeys([at, *shown]))
        options = pd.DataFrame(
            {
                "way": [self.way(k) for k in shown],
                "minutes": minutes[shown],
                "assurance": chance[shown],
                "keeps_limits": keeps[shown],
            }
        )
        action = "cannot tell" if not found else "done" if minutes[at] < 1e-9 else "go on"
        return NextPasses(
            action,
            float(self._more_of_this()[at]),
            self.study.basis.settings(self.values[at]),
            average,
            float(chance[at]),
            float(alone[at]),
            wanted,
            read_again,
            _advice(
                action,
                self.way(at),
                average,
                float(chance[at]),
                float(alone[at]),
                wanted,
                read_again,
                sections,
            ),
            options,
            tuple(self.model.cautions),
        )

    def stop(self, why: str, wanted: float) -> NextPasses:
        """Return that work stops here for the film's sake."""
        import pandas as pd

        said = f"Stop: {why}. Work this patch no further; what is done about it is for the person who set the limit."
        options = pd.DataFrame(columns=["way", "minutes", "assurance", "keeps_limits"])
        return NextPasses(
            "stop",
            0.0,
            {},
            0.0,
            float("nan"),
            float("nan"),
            wanted,
            False,
            said,
            options,
            tuple(self.model.cautions),
        )

    @property
    def goes_back(self) -> np.ndarray:
        """Which ways on begin with more of the step just worked."""
        return self._more_of_this() > 0

    def way(self, k: int) -> str:
        """Return a way on in words, as "2 more cut passes, then polish 4 passes"."""
        settings = self.study.basis.settings(self.values[k])
        parts = []
        if more := float(self._more_of_this()[k]):
            assert self.step.amount is not None
            what = "second" if self.step.amount.name == "seconds" else f"{self.step.name} pass"
            plural = "" if more == 1 else "es" if what.endswith("pass") else "s"
            parts.append(f"{more:g} more {what}{plural}, wipe")
        for step in self.study.steps[self.index + 1 :]:
            if not show.left_out(step, settings):
                parts.append(_step_words(step, settings))
        return ", then ".join(parts) if parts else f"nothing after {self.step.name}"


def _advice(
    action: str,
    way: str,
    minutes: float,
    chance: float,
    alone: float,
    wanted: float,
    read_again: bool,
    sections: int,
) -> str:
    """Say what to do: a way on in words, the further minutes that it takes, the chance that the goal is then met."""
    takes = f"{show.minutes_text(minutes)} more{' a section' if sections > 1 else ''}"
    sure, this = show.percent(chance), show.percent(alone)
    if action == "cannot tell":
        job = " for the job" if sections > 1 else ""
        return (
            f"No way on is sure enough{job} ({show.asked_percent(wanted)} asked). The likeliest: {way}, {takes}, at "
            f"{sure}. Ask the owner before going on."
        )
    if read_again:
        return (
            f"{show.begun(way)}, then read again: {takes} on average, the reading and its wait included; "
            f"{this} of such patches then meet the goal, and the others take more passes."
        )
    meets = f"this section {'' if action == 'done' else 'then '}meets the goal with {this} assurance"
    if sections > 1:
        meets = f"with all {sections} sections worked so, the job meets the goal with {sure} assurance (this section alone: {this})"
    if action == "done":
        return f"Done: {meets}. Wipe, and read it once more after the last step."
    return f"{show.begun(way)}: {takes}; {meets}."


def _step_words(step: Step, settings: Mapping[str, Any]) -> str:
    """Return a step with what is set in it, as "polish 4 passes"."""
    own = [show.setting_text(s, settings.get(s.factor)) for s in step.settings if not s.held]
    return " ".join([show.step_name(step), ", ".join(own)]).strip()
