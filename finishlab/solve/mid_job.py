"""At the bench, in the middle of a job: stop, some more passes, or go on?

From a reading taken on this patch after the step just worked, and the film left, what takes the least
further minutes and still keeps the recipe's promise, for the job. The ways on are weighed in `mid_job_ways.py`;
the table for the bench card is `bench_card.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from finishlab.model import FinishModel
from finishlab.solve.mid_job_question import NextPasses, given
from finishlab.solve.mid_job_ways import Weighed
from finishlab.solve.recipe import Recipe


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
        ``gloss_20`` or ``gloss_60`` (or both) of this patch now, GU; where the study limits film, ``film_left_um`` or
        ``removed_um`` so far. Of several gloss readings the mean counts, of several of the film the thinnest.
    recipe : Recipe, optional
        Whose pads, products and speeds later steps keep, and which is gone on with while it is sure enough and the reading no
        better than most; all that were studied are weighed when not given.
    goal : mapping of response -> condition, optional
        For one question, as for `shortest`; the study file's when not given.
    assurance : float, optional
        Probability for one question, above 0 and below 1; the study file's when not given.

    Returns
    -------
    NextPasses
        The assurance is the job's, as a recipe's is: that of all sections in the study file (every one, or their mean),
        worked alike on this panel, this one having read so. Of this section alone it is ``this_section``.

    Raises
    ------
    ModelError
        The steps or readings make no sense, the model does not follow steps, a response of the goal was never read, or a
        film limit stands and no film was read.
    StudyError
        The goal or assurance is not right.
    OutsideStudy
        A setting was never studied.

    References
    ----------
    What a reading tells of the finish, by conditioning a Gaussian: Rasmussen & Williams (2006), Gaussian Processes for
    Machine Learning, A.2 (from memory).

    Examples
    --------
    >>> import finishlab as fl
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
    reads, spare = given(model, readings, weigh.step)
    if gone := [name for name, um in spare.items() if um <= 0]:
        limit = model.study.limits[gone[0]]
        return weigh.stop(
            f"the film is at its limit ({limit.condition.text(gone[0])}, set by {limit.set_by})", wanted
        )
    found = weigh.answer(reads, wanted, spare)
    return replace(found, cautions=(*weigh.unexpected(reads), *found.cautions))
