"""How long a real panel takes by a recipe: sections, change-overs, waits, spread and rework.

A recipe's minutes are of one section. A job is several on one panel, whose luck they share;
its pads are changed between steps, its readings waited for, and a section that falls short
is gone over again with the last step.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.plain import plain_fields
from finishlab.solve.recipe import Recipe
from finishlab.words import show

#: Jobs drawn.
_JOBS = 4_000


@dataclass(frozen=True)
class JobTime:
    """
    How long the next job takes.

    Made by `job_time`.

    Attributes
    ----------
    sections : int
        Of the panel, as asked for.
    median, high : float
        Minutes that half of jobs, and nine jobs in ten, do not exceed.
    working, changeover, waiting, rework : float
        Its mean parts, in minutes.
    reworked : float
        Share of jobs with at least one section gone over again.
    cautions : tuple of str
    """

    sections: int
    median: float
    high: float
    working: float
    changeover: float
    waiting: float
    rework: float
    reworked: float
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say how long the job takes, and of what that is made."""
        parts = [f"{show.number(self.working, 0)} minutes of work"]
        if self.changeover:
            parts.append(f"{show.number(self.changeover, 0)} of change-overs")
        if self.waiting:
            parts.append(f"{show.number(self.waiting, 0)} of waiting before readings")
        if self.rework >= 0.5:
            parts.append(f"{show.number(self.rework, 0)} of rework")
        return (
            f"A job of {show.counted(self.sections, 'section')} takes {show.number(self.median, 0)} minutes at the median; nine in ten "
            f"take no more than {show.number(self.high, 0, toward='up')}. On average: {show.listed(parts)}; a section is gone over again in "
            f"{show.percent(self.reworked)} of jobs."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        return plain_fields(self)

    def _repr_html_(self) -> str:
        import html

        return f"<p>{html.escape(self.text())}</p>"


def job_time(
    model: FinishModel,
    recipe: Recipe,
    *,
    sections: int | None = None,
    area_m2: float | None = None,
    section_m2: float | None = None,
    seed: int = 1,
) -> JobTime:
    """
    Say how long a real panel takes by a recipe.

    Parameters
    ----------
    model : FinishModel
        That the recipe was found with.
    recipe : Recipe
    sections : int, optional
        How many the panel has; the study's job when neither this nor an area is given.
    area_m2, section_m2 : float, optional
        Area of the panel, and of one section, m², together in place of `sections`.
    seed : int
        Of the jobs drawn.

    Returns
    -------
    JobTime

    Raises
    ------
    ModelError
        No process was found, or the areas make no sense.

    References
    ----------
    Jobs drawn from the predictive distribution, with Student's tails for spreads known from few trials:
    Gelman, A. et al. (2013), Bayesian Data Analysis, 3rd ed., section 3.2 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> one, four = (fl.job_time(model, recipe, sections=k) for k in (1, 4))
    >>> one.median < four.median < one.high * 4
    True
    >>> fl.job_time(model, recipe, area_m2=1.1, section_m2=0.3).sections
    4

    >>> fl.job_time(model, recipe, area_m2=1.1)
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: area_m2 and section_m2 go together: give both, each above 0, or sections.
    """
    study = model.study
    if not recipe.found or recipe.forecast is None:
        raise ModelError("the recipe names no process, so no job can be timed. Find one first.")
    areas = [a for a in (area_m2, section_m2) if a is not None]
    if len(areas) == 1 or any(a <= 0 for a in areas):
        raise ModelError("area_m2 and section_m2 go together: give both, each above 0, or sections.")
    if area_m2 is not None and section_m2 is not None:
        # A little beyond a whole number of sections is no further section.
        sections = int(np.ceil(area_m2 / section_m2 - 1e-9))
    count = study.job.sections if sections is None else sections
    if count < 1:
        raise ModelError(f"sections is {count}; a job has one at least.")
    values = study.basis.row(recipe.settings)
    rng = np.random.default_rng(seed)
    work = model.minutes.drawn_sections(values, count, _JOBS, rng)
    short = _falls_short(recipe, count, seed)
    last = _last_step_share(model, values, recipe)
    rework = (work * short).sum(axis=1) * last
    worked = [s for s in study.steps if not show.left_out(s, recipe.settings)]
    changeover = float(study.basis.changeover_minutes(values)[0])
    waiting = float(study.basis.waiting_minutes(values)[0])
    again = worked[-1].changeover_minutes * short.any(axis=1)
    total = study.basis.job_minutes(values, work.mean(axis=1), count) + rework + again
    return JobTime(
        sections=count,
        median=float(np.median(total)),
        high=float(np.quantile(total, 0.9)),
        working=float(work.sum(axis=1).mean()),
        changeover=changeover,
        waiting=waiting,
        rework=float((rework + again).mean()),
        reworked=float(short.any(axis=1).mean()),
        cautions=(
            "Rework is counted as the last step worked once more; film removed by it is not in the limits.",
        )
        if study.limits
        else (),
    )


def _falls_short(recipe: Recipe, sections: int, seed: int) -> np.ndarray:
    """Return which sections of drawn jobs miss a goal, shape (jobs, sections)."""
    assert recipe.forecast is not None
    short = np.zeros((_JOBS, sections), bool)
    panel, repeats = np.zeros(sections, int), np.full(sections, recipe.forecast.spots)
    for k, (name, condition) in enumerate(recipe.goal.items()):
        response = recipe.forecast.response(name)
        read = response.drawn(panel, repeats, _JOBS, seed + k)
        failed = np.random.default_rng(seed + 100 + k).random(read.shape) < response.failure_share
        short |= ~condition.met(read) | failed
    return short


def _last_step_share(model: FinishModel, values: np.ndarray, recipe: Recipe) -> float:
    """Return the share of a section's minutes that its last step takes; an equal share where steps were not timed."""
    worked = [s.name for s in model.study.steps if not show.left_out(s, recipe.settings)]
    by_step = {k: float(v[0]) for k, v in model.minutes.by_step(values).items()}
    whole = float(model.minutes.mean(values)[0])
    return by_step[worked[-1]] / whole if worked[-1] in by_step and whole > 0 else 1 / len(worked)
