"""The bench card's table: after each step that is read, what to do at which reading.

Made by weighing the ways on at every reading of a step, as `next_passes` does, and keeping where the advice
changes. The assurance is the job's, so a reading as expected leads on as the recipe says. The card says
it in words; when it is used, nobody needs a computer at the bench.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.model.evidence import gloss_read_after
from finishlab.model.patch_readings import GlossRead
from finishlab.plain import from_plain, plain_fields
from finishlab.solve.mid_job_ways import Weighed
from finishlab.solve.recipe import Recipe
from finishlab.study import RESPONSES
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: GU between readings that are asked about.
_STEP = 0.5
#: GU over which twice as far apart will do.
_WIDE = 30.0
#: Minutes that two ways on may differ by and still be about as long.
_NEAR = 0.3
#: What to do at a reading that no trial came near.
_FAR_OFF = "far below what is expected: wipe and read again, then ask the owner"
#: Readings that the table covers: this many spreads of the expected one either way.
_REACH = 4.0


@dataclass(frozen=True)
class Checkpoint:
    """
    What to do at the readings of one range after a step.

    Attributes
    ----------
    step : str
        After which the patch is read.
    reading : str
        What is read, as ``gloss_20``.
    from_gu, to_gu : float
        The range, GU, its upper end left out; infinite where it is open.
    action : str
        What to do, in words.
    minutes : float
        Further working minutes of this section.
    assurance : float
        Probability that the job meets every goal at the lower end of the range, 0 to 1: all its sections worked so,
        as of a recipe. 0 where nothing is advised.
    as_expected : bool
        Whether the recipe's own reading lies here.
    """

    step: str
    reading: str
    from_gu: float
    to_gu: float
    action: str
    minutes: float
    assurance: float
    as_expected: bool

    @property
    def decides(self) -> bool:
        """Whether another reading would ask for other work: a range open at both ends asks for the same whatever is read."""
        return math.isfinite(self.from_gu) or math.isfinite(self.to_gu)

    def range(self) -> str:
        """Return the range in words."""
        if math.isinf(self.to_gu):
            return f"{self.from_gu:g} GU or more"
        if math.isinf(self.from_gu):
            return f"below {self.to_gu:g} GU"
        return f"{self.from_gu:g} to {self.to_gu:g} GU"


@dataclass(frozen=True)
class Checkpoints:
    """
    What to do at which reading, step by step.

    Made by `checkpoints`.

    Attributes
    ----------
    rows : tuple of Checkpoint
        Step by step, of each from the highest reading down.
    limits : tuple of str
        Limits on film at which work stops, with who set them.
    wanted : float
        The assurance asked of the job, a probability.
    """

    rows: tuple[Checkpoint, ...]
    limits: tuple[str, ...]
    wanted: float

    def text(self) -> str:
        """Return the table as sentences: a line a step, then when to stop."""
        return "\n".join([*self.lines(), *self.limits])

    def lines(self) -> list[str]:
        """Return a line for each step after which a reading decides how to go on."""
        said = []
        for step in self.steps():
            mine = [row for row in self.rows if row.step == step]
            ways = "; ".join(f"{row.range()}: {row.action}" for row in mine)
            said.append(f"After {step} ({RESPONSES[mine[0].reading][0]}): {ways}.")
        return said

    def steps(self) -> tuple[str, ...]:
        """Return the steps after which a reading decides how to go on."""
        return tuple(dict.fromkeys(row.step for row in self.rows if row.decides))

    def as_expected(self, step: str) -> str:
        """Return the readings after a step at which the recipe is gone on with; empty where no reading decides."""
        mine = [row for row in self.rows if row.step == step and row.as_expected]
        if not mine or step not in self.steps():
            return ""
        return f"{RESPONSES[mine[0].reading][0]} {mine[0].range()}"

    def table(self) -> pd.DataFrame:
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame([vars(row) for row in self.rows], columns=[f.name for f in fields(Checkpoint)])

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python; an open end is None."""
        return plain_fields(self)

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> Checkpoints:
        """Make the table again from what `to_dict` gave."""
        unsaid = {"from_gu": -math.inf, "to_gu": math.inf, "minutes": math.nan, "assurance": math.nan}
        rows = (
            from_plain(Checkpoint, {k: unsaid.get(k) if v is None else v for k, v in row.items()})
            for row in facts["rows"]
        )
        return cls(tuple(rows), tuple(facts["limits"]), facts["wanted"])

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the further minutes of the advice against the reading, one line a step."""
        from finishlab.figures import job_figures

        return job_figures.card(self.table(), ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def checkpoints(model: FinishModel, recipe: Recipe) -> Checkpoints:
    """
    Return what to do at which reading after each step of a recipe that is read before the last.

    Parameters
    ----------
    model : FinishModel
        That the recipe was found with.
    recipe : Recipe

    Returns
    -------
    Checkpoints
        Empty where the study reads no step before the last.

    Raises
    ------
    ModelError
        No process was found, or the model does not follow steps.

    Notes
    -----
    The assurance of a row is that of a job whose sections are all worked by it, one of them having read so. Sections that
    each go by their own row keep the promise too: on 9 practice shops with jobs of four sections 0.97 of jobs met the goal,
    0.96 by the recipe alone (``tests/benchmarks/mid_job.py --sections 4``, 60 jobs each).

    References
    ----------
    As `next_passes`: Rasmussen & Williams (2006), Gaussian Processes for Machine Learning, A.2 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> card = fl.checkpoints(model, recipe)
    >>> card.rows[-1].step
    'cut'
    >>> cut = [row for row in card.rows if row.step == "cut"]
    >>> cut[0].to_gu, cut[-1].from_gu
    (inf, -inf)
    """
    if not recipe.found:
        raise ModelError(
            "the recipe names no process, so there is nothing to check on the way. Find one first."
        )
    study = model.study
    rows: list[Checkpoint] = []
    worked: dict[str, Any] = {}
    for index, step in enumerate(study.steps[:-1]):
        worked |= {s.factor: recipe.settings.get(s.factor) for s in step.settings if not s.held}
        if step.name not in study.reading.after or show.left_out(step, recipe.settings):
            continue
        named = {k: v for k, v in worked.items() if v is not None}
        if not named:
            continue  # every setting so far is held: there is nothing yet to go on differently from
        weigh = Weighed(model, named, recipe, recipe.goal)
        if weigh.index == index and gloss_read_after(study, model.done, step.name):
            rows += _of_step(model, recipe, weigh)
    limits = tuple(
        show.stop_when(name, limit.condition, limit.set_by) for name, limit in study.limits.items()
    )
    return Checkpoints(tuple(rows), limits, recipe.wanted)


def _of_step(model: FinishModel, recipe: Recipe, weigh: Weighed) -> list[Checkpoint]:
    """Return the rows of one step, from the highest reading down."""
    name, spots = gloss_read_after(model.study, model.done, weigh.step.name), model.study.reading.spots
    angle, wanted = int(name.removeprefix("gloss_")), recipe.wanted
    expected, low, high = weigh.patch.reads(angle, spots, _REACH)
    gap = _STEP if high - low <= _WIDE else 2 * _STEP
    readings = np.arange(np.floor(low / gap), np.ceil(high / gap) + 1) * gap
    # The expected reading as a meter shows it is asked itself: rounded further down it would be a duller one.
    readings = np.unique(np.append(readings, np.floor(10 * expected) / 10).round(1))
    cases: list[tuple[float, str, float, float]] = []
    held = -1  # the way on of the row above
    # From the highest down: a duller reading never asks for less work, whatever noise of the draws says.
    for reading in readings[::-1]:
        reads = [GlossRead(angle, float(reading), spots)]
        chance, keeps = weigh.at(reads)
        keeps = keeps & ((weigh.minutes >= weigh.minutes[held] - 1e-9) if held >= 0 else True)
        sure = keeps & (chance >= wanted)
        held = weigh.own if weigh.follows_recipe(sure, reads) else _chosen(weigh, chance, sure, held)
        if held < 0:
            found = weigh.answer(reads, wanted)
            way = "stop, ask the owner"
            if found.action != "stop":
                way = (
                    f"no way on is sure enough, ask the owner (the likeliest: {found.options['way'].iloc[0]})"
                )
            cases.append((float(reading), way, found.minutes, found.assurance))
            break  # a duller one is no surer
        done = weigh.minutes[held] == 0
        cases.append(
            (
                float(reading),
                "done" if done else weigh.way(held),
                float(weigh.minutes[held]),
                float(chance[held]),
            )
        )
    if held >= 0 and readings[0] > 0:
        # Below what was asked about nothing is advised from here: no trial came near it.
        cases.append((-math.inf, _FAR_OFF, cases[-1][2], 0.0))
    rows: list[Checkpoint] = []
    top = math.inf
    for k, (at, way, further, assurance) in enumerate(cases):
        if k + 1 == len(cases) or cases[k + 1][1] != way:
            end = -math.inf if k + 1 == len(cases) else at  # the lowest row is open
            rows.append(
                Checkpoint(
                    step=weigh.step.name,
                    reading=name,
                    from_gu=end,
                    to_gu=top,
                    action=way,
                    minutes=further,
                    assurance=assurance,
                    as_expected=bool(end <= expected < top),
                )
            )
            top = at
    return rows


def _chosen(weigh: Weighed, chance: np.ndarray, sure: np.ndarray, held: int) -> int:
    """
    Return the way on for a reading: the one held while it is sure enough, else the next; -1 where none is.

    Of ways that take about as long the recipe's own is taken, else the surest, so that the card has few rows;
    back to the step just left only where going on is not sure enough.
    """
    if held >= 0 and sure[held]:
        return held
    on = sure & ~weigh.goes_back
    sure = on if on.any() else sure
    if not sure.any():
        return -1
    near = sure & (weigh.minutes <= weigh.minutes[sure].min() + _NEAR)
    return weigh.own if weigh.own >= 0 and near[weigh.own] else int(np.argmax(np.where(near, chance, -1.0)))
