"""The bench card's table: after each step that is read, what to do at which reading.

Made by asking `next_passes` at every reading of a step, and keeping where the advice changes. The card says
it in words; when it is used, nobody needs a computer at the bench.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab import _show
from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.solve.mid_job import Weighed
from finishlab.solve.recipe import Recipe
from finishlab.study import RESPONSES

if TYPE_CHECKING:
    import pandas as pd

#: GU between readings that are asked about.
_STEP = 1.0
#: What to do at a reading that no trial came near.
_FAR_OFF = "far below what is expected: wipe and read again, then ask the owner"
#: Readings that the table covers: this many spreads of the expected one either way.
_REACH = 4.0


@dataclass(frozen=True)
class Checkpoints:
    """
    What to do at which reading, step by step.

    Attributes
    ----------
    rows : tuple of dict
        From the highest reading down: ``step``, ``reading`` (as gloss_20), ``from_gu`` and ``to_gu`` (infinite where open),
        ``action`` in words, ``minutes`` further, ``assurance`` at its lower end, ``as_expected`` where the recipe's own reading lies.
    limits : tuple of str
        Limits on film at which work stops, with who set them.
    wanted : float
    """

    rows: tuple[dict[str, Any], ...]
    limits: tuple[str, ...]
    wanted: float

    def text(self) -> str:
        """Return the table as sentences, one a step."""
        said = []
        for step in dict.fromkeys(row["step"] for row in self.rows):
            mine = [row for row in self.rows if row["step"] == step]
            ways = "; ".join(f"{_range(row)}: {row['action']}" for row in mine)
            said.append(f"After {step} ({RESPONSES[mine[0]['reading']][0]}): {ways}.")
        said += [f"{limit}: stop." for limit in self.limits]
        return " ".join(said)

    def table(self) -> pd.DataFrame:
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(list(self.rows))

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python; an open end is None."""
        rows = [
            {k: None if isinstance(v, float) and math.isinf(v) else v for k, v in row.items()}
            for row in self.rows
        ]
        return {"rows": rows, "limits": list(self.limits), "wanted": self.wanted}

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> Checkpoints:
        """Make the table again from what `to_dict` gave."""
        rows = tuple(
            {
                **row,
                "from_gu": -math.inf if row["from_gu"] is None else row["from_gu"],
                "to_gu": math.inf if row["to_gu"] is None else row["to_gu"],
            }
            for row in facts["rows"]
        )
        return cls(rows, tuple(facts["limits"]), facts["wanted"])

    def _repr_html_(self) -> str:
        return _show.sentence_and_table(self.text(), self.table())


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

    Examples
    --------
    >>> import finishlab as fl
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> sheet = fl.plan_trials(bench.study, trials=24, panels=4, seed=1)
    >>> model = fl.fit(bench.study, bench.work(sheet, seed=1))
    >>> card = fl.checkpoints(model, fl.shortest(model, assurance=0.8))
    >>> [row["step"] for row in card.rows][-1]
    'cut'
    >>> cut = [row for row in card.rows if row["step"] == "cut"]
    >>> cut[0]["to_gu"], cut[-1]["from_gu"]
    (inf, -inf)
    """
    if not recipe.found:
        raise ModelError(
            "the recipe names no process, so there is nothing to check on the way. Find one first."
        )
    study = model.study
    rows: list[dict[str, Any]] = []
    worked: dict[str, Any] = {}
    for index, step in enumerate(study.steps[:-1]):
        worked |= {s.factor: recipe.settings.get(s.factor) for s in step.settings if not s.held}
        if step.name not in study.reading.after or _show.left_out(step, recipe.settings):
            continue
        named = {k: v for k, v in worked.items() if v is not None}
        weigh = Weighed(model, named, recipe, recipe.goal)
        if weigh.index == index:
            rows += _of_step(model, recipe, weigh)
    limits = tuple(
        f"{_show.begun(limit.condition.text(name))}, set by {limit.set_by}"
        for name, limit in study.limits.items()
    )
    return Checkpoints(tuple(rows), limits, recipe.wanted)


def _of_step(model: FinishModel, recipe: Recipe, weigh: Weighed) -> list[dict[str, Any]]:
    """Return the rows of one step, from the highest reading down."""
    name = _read_after(weigh)
    expected, low, high = _expected(model, weigh, name)
    readings = np.arange(np.floor(low / _STEP), np.ceil(high / _STEP) + 1) * _STEP
    spots = model.study.reading.spots
    cases: list[tuple[float, str, float, float]] = []
    dearest = 0.0
    # From the highest down: a duller reading never asks for less work, whatever noise of the draws says.
    for reading in readings[::-1]:
        chance, minutes, keeps = weigh.at(name, float(reading), spots, None)
        keeps = keeps & (minutes >= dearest - 1e-9)
        # A card that people keep: back to the step just left only where going on is not sure enough.
        on = keeps & ~weigh.goes_back
        sure = bool((on & (chance >= recipe.wanted)).any())
        found = weigh.answer(chance, minutes, on if sure else keeps, recipe.wanted)
        dearest = max(dearest, found.minutes if found.action in ("go on", "done") else 0.0)
        if found.action == "stop":
            way = "stop; ask the owner"
        elif found.action == "done":
            way = "done"
        else:
            way = weigh.way(_position(weigh, found.settings))
            if found.action == "cannot tell":
                way = f"no way on is sure enough; ask the owner (the likeliest: {way})"
        cases.append((float(reading), way, found.minutes, found.assurance))
    if not cases[-1][1].startswith(("no way on", "stop")):
        # Below what was asked about nothing is advised from here: no trial came near it.
        cases.append((-math.inf, _FAR_OFF, cases[-1][2], 0.0))
    rows: list[dict[str, Any]] = []
    top = math.inf
    for k, (at, way, further, assurance) in enumerate(cases):
        if k + 1 == len(cases) or cases[k + 1][1] != way:
            end = -math.inf if k + 1 == len(cases) else at  # the lowest row is open
            rows.append(
                {
                    "step": weigh.step.name,
                    "reading": name,
                    "from_gu": end,
                    "to_gu": top,
                    "action": way,
                    "minutes": further,
                    "assurance": assurance,
                    "as_expected": bool(end <= expected < top),
                }
            )
            top = at
    return rows


def _position(weigh: Weighed, settings: Mapping[str, Any]) -> int:
    row = weigh.study.basis.row(settings)[0]
    same = (weigh.values == row) | (np.isnan(weigh.values) & np.isnan(row))
    return int(np.flatnonzero(same.all(axis=1))[0])


def _read_after(weigh: Weighed) -> str:
    """Return at which angle the step is read: as the trials read it, 60 degrees where 20 lies near the meter's floor."""
    columns = weigh.model.trials.columns
    at = [n for n in ("gloss_20", "gloss_60") if f"{weigh.step.name}_{n}" in columns]
    if len(at) == 2:
        typical = weigh.model.trials[f"{weigh.step.name}_gloss_20"].median()
        return "gloss_60" if typical < 10 else "gloss_20"
    return at[0] if at else weigh.gloss


def _expected(model: FinishModel, weigh: Weighed, name: str) -> tuple[float, float, float]:
    """Return what the step is expected to read, and how far a reading may lie from it, GU."""
    from finishlab.model.conditioned import state_so_far

    fit = model.response(weigh.gloss)
    return state_so_far(fit, weigh.so_far, weigh.index, int(name.removeprefix("gloss_")), _REACH)


def _range(row: Mapping[str, Any]) -> str:
    if math.isinf(row["to_gu"]) and math.isinf(row["from_gu"]):
        return "whatever it reads"
    if math.isinf(row["to_gu"]):
        return f"{row['from_gu']:g} GU or more"
    if math.isinf(row["from_gu"]):
        return f"below {row['to_gu']:g} GU"
    return f"{row['from_gu']:g} to {row['to_gu']:g} GU"
