"""Trials of an earlier study of the same process, as weak prior knowledge.

They are put into the words of the present study, count for less than its own trials, and
may differ from them by process as much as the present trials show. Only what is predicted
of the present study is ever answered. Fitting is done elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError, OutsideStudy
from finishlab.model.latent import Rows, Shared, Spread
from finishlab.model.readings import counted_trials
from finishlab.model.surface import Likeness
from finishlab.records import check_trials
from finishlab.study import Study

if TYPE_CHECKING:
    import pandas as pd

#: What a trial of an earlier study counts for, a trial of this one being 1 (common practice, no source).
WEIGHT = 0.5
#: How far the earlier study's z may lie off this one's, in panel spreads, and the SD of its log.
_OFF, _OFF_LOG_SD = 2.0, 0.9
#: Share of that which is the same for every process.
_EVERYWHERE = 0.5


@dataclass(frozen=True, eq=False)
class Earlier:
    """
    Trials of an earlier study, in the words of this one.

    Attributes
    ----------
    title : str
        Of the study they come from.
    trials : DataFrame
        Those done and within what is studied now, with this study's factors.
    cautions : tuple of str
    """

    title: str
    trials: pd.DataFrame
    cautions: tuple[str, ...]


def earlier_trials(study: Study, earlier: pd.DataFrame | tuple[Study, pd.DataFrame]) -> Earlier:
    """
    Put trials of an earlier study into the words of this one.

    Parameters
    ----------
    study : Study
        The present one.
    earlier : DataFrame or (Study, DataFrame)
        The earlier trials, with their own study unless it is the same file.

    Returns
    -------
    Earlier

    Raises
    ------
    ModelError
        The earlier study has other steps, does not say a setting, or none of its trials
        lies within what is studied now.
    RecordsError
        The table is not right.

    Examples
    --------
    >>> import pandas as pd
    >>> text = '''
    ... title = "Doors"
    ... pass_means = "one direction"
    ... [[step]]
    ... name = "cut"
    ... pad = ["wool", "foam"]
    ... passes = { lowest = 1, highest = 4 }
    ... [goal]
    ... gloss_20 = { at_least = 82 }
    ... assurance = 0.9
    ... '''
    >>> now = Study.from_toml(text)
    >>> before = Study.from_toml(text.replace('["wool", "foam"]', '"wool"').replace("4", "6"))
    >>> trials = pd.DataFrame(
    ...     {"panel": [1, 1], "cut_passes": [3, 6], "minutes": [4.0, 6.5], "gloss_20": [81.0, 83.0]})
    >>> found = earlier_trials(now, (before, trials))
    >>> found.trials[["cut_pad", "cut_passes"]].to_numpy().tolist()
    [['wool', 3]]
    >>> found.cautions[0]
    "1 trial of an earlier study ('Doors') stands in as weak prior knowledge: it counts for half a trial of this one, and may differ from this one by as much as the present trials show. 1 other lies outside what is studied now and was left out."

    >>> earlier_trials(now, (before, trials.assign(cut_passes=6)))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: none of the 2 earlier trials lies within what is studied now. Leave them out, or widen the study.
    """
    old, table = earlier if isinstance(earlier, tuple) else (study, earlier)
    _same_steps(study, old)
    checked, _ = check_trials(table, old)
    done = counted_trials(checked)
    words = _in_words_of(study, old, done)
    inside = np.array([_studied(study, words.iloc[[i]]) for i in range(len(words))], bool)
    if not inside.any():
        raise ModelError(
            f"none of the {len(done)} earlier trials lies within what is studied now. Leave them out, or widen the study."
        )
    n, left_out = int(inside.sum()), int((~inside).sum())
    one = n == 1
    caution = (
        f"{n} trial{'' if one else 's'} of an earlier study ('{old.title}') stand{'s' if one else ''} in as weak prior "
        f"knowledge: {'it counts' if one else 'each counts'} for half a trial of this one, and may differ from this one by as "
        "much as the present trials show."
    )
    if left_out:
        caution += (
            f" {left_out} other{'s lie' if left_out > 1 else ' lies'} outside what is studied now and "
            f"{'were' if left_out > 1 else 'was'} left out."
        )
    cautions = [caution]
    if old.pass_means.strip() != study.pass_means.strip():
        cautions.append(
            f"The earlier study counts a pass as '{old.pass_means}', this one as '{study.pass_means}'. "
            "If these differ, leave the earlier trials out."
        )
    return Earlier(old.title, words[inside], tuple(cautions))


def _same_steps(study: Study, old: Study) -> None:
    names, olds = [s.name for s in study.steps], [s.name for s in old.steps]
    if names != olds:
        raise ModelError(
            f"the earlier study has the steps {', '.join(olds)}, this one {', '.join(names)}. "
            "Only trials of the same steps can stand in."
        )
    unsaid = [s.label() for key, s in study.settings.items() if key not in old.settings]
    if unsaid:
        raise ModelError(
            f"the earlier study does not say {', '.join(unsaid)}. Write what was held there into its study file."
        )


def _in_words_of(study: Study, old: Study, done: pd.DataFrame) -> pd.DataFrame:
    """Return the table with a column for every setting of this study, held ones of the old filled in."""
    held = {
        key: old.settings[key].levels[0]
        for key in study.settings
        if old.settings[key].held and key not in done
    }
    return done.assign(**held)


def _studied(study: Study, one: pd.DataFrame) -> bool:
    """Return whether a trial's process is one of this study, held settings included."""
    try:
        study.basis.values(one)
    except OutsideStudy:
        return False
    for step in study.steps:
        if step.can_be_left_out and _is_zero(one[step.amount.factor].iloc[0]):  # type: ignore[union-attr]
            continue
        for s in step.settings:
            if s.held and not _same(s.levels[0], one[s.factor].iloc[0]):
                return False
    return True


def _is_zero(value: Any) -> bool:
    return isinstance(value, int | float | np.number) and float(value) == 0


def _same(held: Any, value: Any) -> bool:
    if isinstance(held, str):
        return str(value).strip().casefold() == held.casefold()
    try:
        return abs(float(value) - float(held)) < 1e-9
    except (TypeError, ValueError):
        return False


def off_by(study: Study, rows: Rows, is_earlier: np.ndarray, panel_spread: float) -> Shared:
    """
    Return how the earlier readings may differ from the present ones: alike where the processes are.

    Parameters
    ----------
    rows : Rows
        Present and earlier readings.
    is_earlier : ndarray of bool, shape (readings,)
    panel_spread : float
        Prior median of the panels' spread of z.
    """
    likeness = Likeness(study.basis)
    by_process = likeness.final(rows, rows) + likeness.earlier(rows, rows)
    both = is_earlier[:, None] & is_earlier[None, :]
    alike = both * (_EVERYWHERE + (1 - _EVERYWHERE) * by_process)
    return Shared(
        Spread("earlier study", _OFF * panel_spread, _OFF_LOG_SD), alike, "not", np.empty((len(rows), 0))
    )
