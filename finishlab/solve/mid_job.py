"""At the bench, in the middle of a job: stop, some more passes, or go on?

From a reading taken on this patch after the step just worked, and the film left, what takes the least
further minutes and still keeps the promise for this section. What the reading tells is
`finishlab.model.conditioned`'s; the table for the bench card is `bench_card.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab import _show
from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.model.all_goals import all_met
from finishlab.model.conditioned import chance_here, on_this_patch
from finishlab.solve.recipe import Recipe
from finishlab.study import RANGES, Condition, Step

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Ways on that are shown beside the one advised.
_SHOWN = 6


@dataclass(frozen=True, eq=False)
class NextPasses:
    """
    What to do now with a patch in the middle of its process.

    Attributes
    ----------
    action : {"stop", "done", "go on", "cannot tell"}
        Stop for the film's sake; the finish is there already; go on as said; no way on is sure enough.
    more : float
        Further passes (or seconds) of the step just worked.
    settings : dict
        The whole process as it then stands, factor -> setting; empty on a stop.
    minutes : float
        Further working minutes of this section.
    assurance : float
        Probability that this section meets every goal.
    wanted : float
    said : str
    options : DataFrame
        The ways on that were weighed: ``way`` in words, ``minutes``, ``assurance``, ``keeps_limits``.
    cautions : tuple of str
    """

    action: str
    more: float
    settings: dict[str, Any]
    minutes: float
    assurance: float
    wanted: float
    said: str
    options: pd.DataFrame
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say what to do now, on one screen."""
        return self.said

    def table(self) -> pd.DataFrame:
        """Return a copy of the ways on that were weighed."""
        return self.options.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        kept = {k: v for k, v in vars(self).items() if k not in ("options", "settings", "cautions")}
        return {
            **kept,
            "settings": dict(self.settings),
            "cautions": list(self.cautions),
            "options": self.options.to_dict("records"),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw further minutes against the assurance of every way on that was weighed."""
        from finishlab import _next_figure

        return _next_figure.ways(
            self.options, wanted=self.wanted, title=self.said.split(". ")[0] + ".", ax=ax
        )

    def _repr_html_(self) -> str:
        return _show.sentence_and_table(self.text(), self.table())


def next_passes(
    model: FinishModel,
    worked: Mapping[str, Any],
    readings: Mapping[str, Any],
    *,
    recipe: Recipe | None = None,
    goal: Mapping[str, Any] | None = None,
    assurance: float | None = None,
) -> NextPasses:
    """
    Say what to do now with a patch that was read after a step.

    Parameters
    ----------
    model : FinishModel
        A step model, of trials that were read after their steps.
    worked : mapping of factor -> setting
        All factors of the steps worked so far, the last of them with the passes it has had.
    readings : mapping of str -> float or list of float
        ``gloss_20`` or ``gloss_60`` of this patch now, GU; ``film_removed_um`` so far where the study limits film.
    recipe : Recipe, optional
        Whose pads, products and speeds later steps keep; all that were studied are weighed when not given.
    goal, assurance : optional
        For one question; the study file's when not given.

    Returns
    -------
    NextPasses
        For this section: the assurance is its own, on this panel.

    Raises
    ------
    ModelError
        The steps or readings make no sense, the model does not follow steps, or a film limit stands and no film was read.
    OutsideStudy
        A setting was never studied.

    Examples
    --------
    >>> import finishlab as fl
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> sheet = fl.plan_trials(bench.study, trials=24, panels=4, seed=1)
    >>> model = fl.fit(bench.study, bench.work(sheet, seed=1))
    >>> worked = {"sand_grit": "P1500", "cut_pad": "wool", "cut_product": "compound A", "cut_passes": 4}
    >>> rough, fine = (fl.next_passes(model, worked, {"gloss_20": g}) for g in (35, 55))
    >>> rough.minutes >= fine.minutes
    True

    What was read must be told:

    >>> fl.next_passes(model, worked, {})
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: no gloss reading is given. Read the patch after cut and give gloss_20 or gloss_60.
    """
    conditions, wanted = model.study.asked(goal, assurance)
    weigh = Weighed(model, worked, recipe, conditions)
    name, value, count = _gloss(readings, weigh.step)
    if stop := _film_stop(model, readings, weigh):
        return stop
    chance, minutes, keeps = weigh.at(name, value, count, _removed(model, readings))
    return weigh.answer(chance, minutes, keeps, wanted)


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
        self.index = _last_worked(model, worked)
        self.step: Step = self.study.steps[self.index]
        self.so_far = self.study.basis.row(_complete(model, worked, self.index))
        self.values = self._ways(recipe)
        self._elsewhere = {
            n: model.response(n).probability(self.values, c) for n, c in self.goal.items() if n != self.gloss
        }
        self.minutes = self._further()

    def _ways(self, recipe: Recipe | None) -> np.ndarray:
        """Return every process that goes on from what was worked."""
        basis = self.study.basis
        every = np.concatenate(list(basis.chunks()))
        keep = np.ones(len(every), bool)
        for j, f in enumerate(basis.factors):
            at = [s.name for s in self.study.steps].index(f.step)
            mine = self.so_far[0, j]
            amount = self.study.step(f.step).amount
            if at < self.index or (at == self.index and f is not amount):
                keep &= (every[:, j] == mine) | (np.isnan(every[:, j]) & np.isnan(mine))
            elif at == self.index:
                keep &= every[:, j] >= mine
            elif recipe is not None and f is not amount and recipe.settings.get(f.factor) is not None:
                own = basis.row(recipe.settings)[0, j]
                keep &= (every[:, j] == own) | np.isnan(every[:, j])
        if not keep.any():
            raise ModelError(
                f"no studied process goes on from {_show.process_text(basis.settings(self.so_far[0]), self.study)}. Look at the settings and passes."
            )
        return every[keep]

    def _further(self) -> np.ndarray:
        """Return the further minutes of each way on."""
        steps = [s.name for s in self.study.steps]
        by_step = self.model.minutes.by_step(self.values)
        if all(name in by_step for name in steps[self.index :]):
            later = sum((by_step[n] for n in steps[self.index + 1 :]), np.zeros(len(self.values)))
            spent = self.model.minutes.by_step(self._with_own_passes())[steps[self.index]]
            return later + np.maximum(by_step[steps[self.index]] - spent, 0.0)
        # Not timed by step: the least of all ways on is where one stands at best.
        whole = self.model.minutes.mean(self.values)
        return whole - whole.min()

    def _with_own_passes(self) -> np.ndarray:
        """Return the ways on with no more of the step just worked."""
        values = self.values.copy()
        if self.step.amount is not None and self.step.amount.factor in self.study.basis.names:
            j = self.study.basis.column(self.step.amount.factor)
            values[:, j] = self.so_far[0, j]
        return values

    def at(
        self, name: str, reading: float, count: int, removed: float | None
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return assurance, further minutes and whether the limits are kept, for each way on after a reading."""
        fit = self.model.response(self.gloss)
        here = on_this_patch(
            fit, self.values, self.so_far, self.index, reading, count, int(name.removeprefix("gloss_"))
        )
        chances = np.array(
            [
                chance_here(fit, here, c) if n == self.gloss else self._elsewhere[n]
                for n, c in self.goal.items()
            ]
        )
        predicted = [
            here.predicted if n == self.gloss else self.model.response(n).predicted(self.values)
            for n in self.goal
        ]
        spots = self.study.reading.spots
        together = all_met(self.goal, chances, predicted, self.model.correlations(self.goal), spots)
        return together, self.minutes, self._keeps(removed)

    def _keeps(self, removed: float | None) -> np.ndarray:
        """Return which ways on keep the limits, from the film that was read to be gone so far."""
        model = self.model
        keeps = model.keeps_limits(self.values, sections=1)
        if removed is None or model.removal is None:
            return keeps
        mean, _, high = model.removal.interval(self.values)
        so_far = float(model.removal.mean(self.so_far)[0])
        for name in self.study.limits:
            further = np.maximum(mean - so_far, 0.0)
            # What is left to go scatters as its share of the whole; the limit's own assurance is asked of the whole above.
            spare = (high - mean) * np.sqrt(further / np.maximum(mean, 1e-9))
            keeps &= removed + further + spare <= model.most_removal(name)
        return keeps

    def answer(self, chance: np.ndarray, minutes: np.ndarray, keeps: np.ndarray, wanted: float) -> NextPasses:
        """Return the way on that takes the least further minutes and keeps the promise."""
        import pandas as pd

        order = np.lexsort((-chance, minutes))
        sure = order[(chance[order] >= wanted) & keeps[order]]
        found = len(sure) > 0
        allowed = chance * keeps
        at = int(sure[0]) if found else int(np.argmax(allowed))
        if not found and not keeps.any():
            return self.stop(
                "every way on would break a limit of the film as surely as its setter asked", wanted
            )
        shown = list(
            dict.fromkeys([at, *sure[:_SHOWN].tolist(), *np.argsort(-allowed, kind="stable")[:2].tolist()])
        )
        options = pd.DataFrame(
            {
                "way": [self.way(k) for k in shown],
                "minutes": minutes[shown],
                "assurance": chance[shown],
                "keeps_limits": keeps[shown],
            }
        )
        more = self._more(at)
        done = found and minutes[at] < 1e-9
        way = self.way(at)
        reach = f"this section then meets the goal with {_show.percent(float(chance[at]))} assurance"
        if done:
            said = f"Done: {reach.replace(' then', '')}. Wipe, and read it once more after the last step."
        elif found:
            said = f"{_show.begun(way)}: {_show.minutes_text(float(minutes[at]))} more; {reach}."
        else:
            said = (
                f"No way on is sure enough ({_show.asked_percent(wanted)} asked). The likeliest: {way}, {_show.minutes_text(float(minutes[at]))} more, at "
                f"{_show.percent(float(chance[at]))}. Ask the owner before going on."
            )
        return NextPasses(
            "done" if done else "go on" if found else "cannot tell",
            more,
            self.study.basis.settings(self.values[at]),
            float(minutes[at]),
            float(chance[at]),
            wanted,
            said,
            options,
            tuple(self.model.cautions),
        )

    def stop(self, why: str, wanted: float) -> NextPasses:
        """Return that work stops here for the film's sake."""
        import pandas as pd

        who = _show.listed(f"{v.condition.text(n)}, set by {v.set_by}" for n, v in self.study.limits.items())
        said = f"Stop: {why}{f' ({who})' if who else ''}. Work this patch no further; what is done about it is for the person who set the limit."
        options = pd.DataFrame(columns=["way", "minutes", "assurance", "keeps_limits"])
        return NextPasses(
            "stop", 0.0, {}, 0.0, float("nan"), wanted, said, options, tuple(self.model.cautions)
        )

    @property
    def goes_back(self) -> np.ndarray:
        """Which ways on begin with more of the step just worked."""
        return np.array([self._more(k) > 0 for k in range(len(self.values))])

    def _more(self, k: int) -> float:
        """Return the further passes of the step just worked."""
        amount = self.step.amount
        if amount is None or amount.factor not in self.study.basis.names:
            return 0.0
        j = self.study.basis.column(amount.factor)
        return float(self.values[k, j] - self.so_far[0, j])

    def way(self, k: int) -> str:
        """Return a way on in words, as "2 more cut passes, then polish 4 passes"."""
        settings = self.study.basis.settings(self.values[k])
        parts = []
        if more := self._more(k):
            assert self.step.amount is not None
            unit = "more second" if self.step.amount.name == "seconds" else f"more {self.step.name} pass"
            parts.append(
                f"{more:g} {unit}{'es' if more != 1 and unit.endswith('pass') else 's' if more != 1 else ''}"
            )
        for step in self.study.steps[self.index + 1 :]:
            if not _show.left_out(step, settings):
                parts.append(_step_words(step, settings))
        return ", then ".join(parts) if parts else f"nothing after {self.step.name}"


def _step_words(step: Step, settings: Mapping[str, Any]) -> str:
    """Return a step with what is set in it, as "polish 4 passes"."""
    own = [_show.setting_text(s, settings.get(s.factor)) for s in step.settings if not s.held]
    return " ".join([_show.step_name(step), ", ".join(own)]).strip()


# --- what was given --------------------------------------------------------------------------------


def _last_worked(model: FinishModel, worked: Mapping[str, Any]) -> int:
    """Return the position of the last step worked; refuse what is out of order."""
    study = model.study
    names = [s.name for s in study.steps]
    unknown = [k for k in worked if k not in study.settings]
    if unknown:
        raise ModelError(
            f"{unknown[0]!r} is not a setting of this study. Settings: {', '.join(study.basis.names)}. Name what was worked so far."
        )
    touched = [names.index(study.settings[k].step) for k, v in worked.items() if v is not None]
    if not touched:
        raise ModelError(
            "nothing was worked yet. Name the settings of the steps worked so far, as cut_passes."
        )
    last = max(touched)
    lacking = [
        s.factor
        for step in study.steps[: last + 1]
        for s in step.settings
        if not s.held and s.factor not in worked and not _is_left_out(step, worked)
    ]
    if lacking:
        raise ModelError(
            f"{_show.listed(lacking)} {'is' if len(lacking) == 1 else 'are'} missing: of every step up to {names[last]} all settings must be named."
        )
    return last


def _is_left_out(step: Step, worked: Mapping[str, Any]) -> bool:
    return step.amount is not None and worked.get(step.amount.factor) == 0


def _complete(model: FinishModel, worked: Mapping[str, Any], index: int) -> dict[str, Any]:
    """Return the settings worked, with any that are allowed for later steps, checked against the study."""
    import pandas as pd

    study = model.study
    settings: dict[str, Any] = dict(worked)
    for step in study.steps[index + 1 :]:
        for s in step.settings:
            if not s.held:
                settings[s.factor] = s.levels[0]
    study.basis.values(pd.DataFrame([settings]))  # refuses what was never studied
    return settings


def _gloss(readings: Mapping[str, Any], step: Step) -> tuple[str, float, int]:
    """Return which gloss was read, its mean, and of how many readings."""
    known = ("gloss_20", "gloss_60", "film_removed_um")
    if unknown := [k for k in readings if k not in known]:
        raise ModelError(f"{unknown[0]!r} is no reading here. Known are {', '.join(known)}.")
    name = next((n for n in known[:2] if readings.get(n) is not None), "")
    if not name:
        raise ModelError(
            f"no gloss reading is given. Read the patch after {step.name} and give gloss_20 or gloss_60."
        )
    given = readings[name]
    values = np.atleast_1d(np.array(given, float))
    low, high = RANGES[name]
    if not len(values) or not np.isfinite(values).all() or (values < low).any() or (values > high).any():
        raise ModelError(
            f"{name} is {given!r}; readings run from {low:g} to {high:g} GU. Read the patch again."
        )
    return name, float(values.mean()), len(values)


def _removed(model: FinishModel, readings: Mapping[str, Any]) -> float | None:
    value = readings.get("film_removed_um")
    return None if value is None else float(value)


def _film_stop(model: FinishModel, readings: Mapping[str, Any], weigh: Weighed) -> NextPasses | None:
    """Return the stop for film at its limit; refuse to advise where a limit stands and nobody read the film."""
    if not model.study.limits:
        return None
    removed = _removed(model, readings)
    if removed is None:
        raise ModelError(
            f"the study limits {_show.listed(model.study.limits)}, and film_removed_um is not given. Read the film of this patch before going on."
        )
    for name in model.study.limits:
        if removed >= model.most_removal(name):
            return weigh.stop(f"{removed:g} µm are gone, and that is the limit", model.study.assurance)
    return None
