"""The scratch that each grit leaves, and what the passes of the step after it make of that.

Roughness behind the readings of a fitted step model, drawn together; gloss pass by pass is `curves.py`'s.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.finish_model import FinishModel
from finishlab.model.latent import Rows, joint_readings
from finishlab.model.other_settings import base_of, changed, fit_of, words_of
from finishlab.trade import abrasives, optics


@dataclass(frozen=True, eq=False)
class ScratchLevels:
    """
    What each grit leaves, and what the passes of the step after it leave of that.

    Attributes
    ----------
    grits : tuple of str
        Coarse to fine, as far as they were worked.
    after : str
        Factor of the next step's passes, or other amount.
    held : str
        The process that the rest is held at, in words.
    read : bool
        Whether anything was read straight from the sanding; else what a grit leaves rests on the model's stated guess.
    passes : ndarray, shape (counts,)
        0 first: straight from the sanding.
    drawn : ndarray, shape (draws, grits, counts)
        Roughness that explains the gloss on a panel like the average, rms micrometres; what is not known is shared. NaN where
        the study avoids the process.
    """

    grits: tuple[str, ...]
    after: str
    held: str
    read: bool
    passes: np.ndarray
    drawn: np.ndarray


def scratch_levels(model: FinishModel) -> ScratchLevels:
    """
    Return the roughness that each grit leaves, and that the next step's passes make of it.

    Raises
    ------
    ModelError
        The model follows no gloss from step to step, or no step varies a grit before one that varies its passes.
    """
    study, basis = model.study, model.study.basis
    name = next((n for n in study.goal if n.startswith("gloss_")), None)
    if name is None or model.kind != "steps":
        raise ModelError(
            'this model does not follow gloss from step to step. Fit with kind="steps", and name a gloss in the goal.'
        )
    found = None
    for k, (step, then) in enumerate(pairwise(study.steps)):
        grit = step.setting("grit")
        if grit is not None and not grit.held and then.amount is not None and not then.amount.held:
            found = k, grit, then.amount
            break
    if found is None:
        raise ModelError(
            "no step varies its grit before a step that varies its passes, so nothing says what removes the scratches. "
            "Study both."
        )
    k, grit, amount = found
    fit = fit_of(model, name)
    free = (grit.factor, amount.factor)
    base = base_of(model, None, free)
    tried = basis.values(model.done)[:, basis.column(grit.factor)]
    order = sorted(
        np.unique(tried[~np.isnan(tried)]),
        key=lambda v: abrasives.order_key(abrasives.grade(grit.levels[int(v)])),
    )
    levels = basis.levels[basis.column(amount.factor)]
    passes = np.r_[0.0, levels[levels > 0]]
    # Looked at after the sanding the next step's passes do not matter; any studied count stands for none.
    values = changed(
        model, base, [{grit.factor: g, amount.factor: n or levels[-1]} for g in order for n in passes]
    )
    none = np.tile(passes == 0, len(order))
    read = joint_readings(fit.posterior, Rows(values, np.where(none, k, k + 1)))
    draws = fit.posterior.draws
    ceiling = np.repeat([float(getattr(d.scale, "ceiling", np.nan)) for d in draws], len(read) // len(draws))
    rough = optics.roughness_from_gloss(
        read, ceiling=ceiling[:, None], angle=int(name.removeprefix("gloss_"))
    )
    rough[:, ~none & ~basis.admissible(values)] = np.nan
    names = tuple(str(grit.levels[int(g)]) for g in order)
    shape = (len(rough), len(order), len(passes))
    observed = fit.posterior.observed
    seen = bool((observed.present & (observed.rows.step == k)).any())
    return ScratchLevels(
        names, amount.factor, words_of(model, base, free), seen, passes, rough.reshape(shape)
    )
