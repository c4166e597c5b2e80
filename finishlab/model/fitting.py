"""Fitting a study's trials: whether they can carry a model at all, and of which kind.

What is then said of processes is the fitted model's own business (`finish_model.py`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from finishlab.errors import ModelError
from finishlab.model.finish_model import FEWEST_TRIALS, FinishModel
from finishlab.model.observed import MeterSpread, meters_by_response
from finishlab.model.pooling import earlier_trials
from finishlab.model.readings import counted_trials
from finishlab.model.trial_coverage import Worked, worked_cautions
from finishlab.numbers import is_whole
from finishlab.records import check_trials
from finishlab.study import Study

if TYPE_CHECKING:
    import pandas as pd

#: Panels below which the spread between panels is mostly the stated guess.
FEW_PANELS = 4


def kind_of(study: Study) -> Literal["steps", "surface"]:
    """Return the kind of model that "auto" takes, which the plan is made for as well."""
    by_amount = any(s.amount is not None for s in study.steps)
    gloss = any(name.startswith("gloss") for name in study.goal)
    return "steps" if gloss and by_amount else "surface"


def fit(
    study: Study,
    trials: pd.DataFrame,
    *,
    kind: Literal["auto", "steps", "surface"] = "auto",
    seed: int = 1,
    meters: Mapping[str, MeterSpread] | Sequence[MeterSpread] | MeterSpread | None = None,
    earlier: pd.DataFrame | tuple[Study, pd.DataFrame] | None = None,
) -> FinishModel:
    """
    Fit the finish, minutes and film of a study's trials.

    The model keeps its own copy of the trials: what is done to the table afterwards changes no answer.

    Parameters
    ----------
    study : Study
    trials : DataFrame
        One row a trial, as `read_trials` gives. Beside what the study names, the state before
        work (``start_gloss_20``) enters the step model, ``half_panel``, ``technician``, ``lot`` and
        columns that end in ``_lot`` are random effects, and with the clear alone read before
        work (``clear_before_um``) a burn-through counts as a removal of at least that.
    kind : {"auto", "steps", "surface"}
        "steps" follows ln roughness through the process, "surface" is a shrunk polynomial;
        "auto" takes "steps" where the goal names gloss and a step is worked by passes or seconds.
    seed : int
        Of the draws over spreads and ceiling.
    meters : mapping of response -> meter study, or a sequence of meter studies, or one, optional
        Each with `meter_ss` and `meter_df`, the scatter of repeats (`MeterSpread`), and
        named by its response, as ``{"gloss_20": study}``, or by its own `reading`. They tell
        the meter's spread apart from the patches' where the trials repeat little.
    earlier : DataFrame or (Study, DataFrame), optional
        One row a trial of an earlier study of the same process, with its study unless that is the
        same. They stand in for the finish, not for minutes and film, as weak prior
        knowledge: each counts half, and by as much as the present trials show the earlier
        study may have differed.

    Returns
    -------
    FinishModel

    Raises
    ------
    RecordsError
        The table is not right.
    ModelError
        Too few trials; every trial reads the same; a kind or seed that is none; a meter study that names no response; earlier
        trials of another process.

    References
    ----------
    The scale: Bennett & Porteus (1961), J. Opt. Soc. Am. 51, 123. Laplace's approximation
    with draws of the spreads: Rue, Martino & Chopin (2009), J. R. Stat. Soc. B 71, 319.
    Earlier trials that count for less: Ibrahim & Chen (2000), Stat. Sci. 15, 46 (all from
    memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> model = fl.fit(bench.study, trials)
    >>> bool(0 <= model.probability(sheet).iloc[0] <= 1)
    True

    A few trials are no model:

    >>> fl.fit(bench.study, trials.head(3))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: only 3 trials are done; at least 6 are needed, and 24 on 4 panels are a good start. Plan more (finishlab plan), or finish the planned ones.
    """
    if kind not in ("auto", "steps", "surface"):
        raise ModelError(f"kind is {kind!r}; it must be 'auto', 'steps' or 'surface'.")
    if not (is_whole(seed) and seed >= 0):
        raise ModelError(f"seed is {seed!r}; it must be a whole number, 0 or more.")
    table, record_cautions = check_trials(trials, study)
    done = counted_trials(table)
    panels = done["panel"].nunique()
    if len(done) < FEWEST_TRIALS:
        count = (
            "no trial is"
            if len(done) == 0
            else f"only {len(done)} trial{'s are' if len(done) > 1 else ' is'}"
        )
        raise ModelError(
            f"{count} done; at least {FEWEST_TRIALS} are needed, and 24 on 4 panels are a good start. "
            "Plan more (finishlab plan), or finish the planned ones."
        )
    if kind == "auto":
        kind = kind_of(study)
    cautions = list(record_cautions)
    if panels == 1:
        cautions.append(
            f"All {len(done)} trials are on one panel, '{done['panel'].iloc[0]}': settings can be compared on it, but how the next panel differs, "
            "which every promise is about, is a general guess alone. Work trials on at least one more panel, better on three."
        )
    elif panels < FEW_PANELS:
        cautions.append(
            f"Only {panels} panels: how panels differ is known mostly from a general guess. "
            "Follow-up trials on new panels make the assurance firmer."
        )
    cautions += worked_cautions(study, Worked.of(study, done).values)
    before = None if earlier is None else earlier_trials(study, earlier)
    cautions += before.cautions if before is not None else ()
    model = FinishModel(study, table.copy(), kind, seed, meters_by_response(meters), before, tuple(cautions))
    for name in study.goal:
        model.response(name)
    return model
