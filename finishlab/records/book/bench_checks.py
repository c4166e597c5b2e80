"""Checks while the patch is still there: what to read again, when to wait, when to stop.

What cannot be is refused by the rules of a trial sheet (`logged.judged`); here is what can
be and yet deserves a second look, said as prompts that stop nobody from saving. The one
prompt about the paint's sake names the limit and who set it; there is no limit by default,
and nothing here says that going on is safe.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import RecordsError
from finishlab.records.book.logged_trial import Logged, steps_of
from finishlab.records.columns import FILM, START
from finishlab.records.repeat_spread import robust_spread, widest_range
from finishlab.records.sheets.cells import plain_label
from finishlab.records.sheets.film_rules import odd_removal
from finishlab.records.sheets.trial_rules import NO_NAME, looks_like_name
from finishlab.study import LIMITS, RESPONSES
from finishlab.words.show import left_out, listed, plain_number, reading_text, spaced

if TYPE_CHECKING:
    from finishlab.study import Study

#: Spread of repeat readings of a patch before the book has enough of its own: 1 GU, 1 unit of
#: haze, 1 µm of a hand gauge (common practice, no source). Faults are counted, not measured.
_GUESSED_SPREAD = 1.0
#: Patches read more than once from which the spread is taken instead of guessed.
ENOUGH_PATCHES = 5


@dataclass(frozen=True)
class Saved:
    """
    What was saved, once it is on the disk.

    Attributes
    ----------
    trial : int or str
    when : datetime
        On the bench's own clock.
    text : str
        The entry in words.
    prompts : tuple of str
        What deserves a second look while the patch is still there.
    """

    trial: int | str
    when: dt.datetime
    text: str
    prompts: tuple[str, ...] = ()


@dataclass(frozen=True)
class MeterCheck:
    """
    A reading of a tile of known value.

    Attributes
    ----------
    good : bool
        The reading is off by no more than the limit.
    off : float
        Reading less expected value.
    marked : int
        Readings of the study, since the last good check, that this one puts in doubt.
    text : str
    """

    good: bool
    off: float
    marked: int
    text: str


def label(quantity: str) -> tuple[str, str]:
    """Return a quantity in plain words, and its unit."""
    return {
        **RESPONSES, **LIMITS, "film_before_um": ("film before", "µm"), "film_after_um": ("film after", "µm")
    }[quantity]  # fmt: skip


def reading_words(after: str, values: dict[str, list[float]]) -> str:
    """
    Return readings in words.

    Examples
    --------
    >>> reading_words("cut", {"gloss_20": [84.1, 84.0], "faults": [0.0]})
    'after cut: 20° gloss 84.1, 84 GU; visible faults 0'
    """
    parts = []
    for quantity, read in values.items():
        name, unit = label(quantity)
        parts.append(f"{name} {', '.join(reading_text(v) for v in read)} {unit}".rstrip())
    return f"{'at the start' if after == 'start' else f'after {after}'}: {'; '.join(parts)}"


def person(technician: Any) -> str:
    """Return a technician's number or initials; refuse an empty one, and a name."""
    found = "" if technician is None else str(technician).strip()
    if not found:
        raise RecordsError("technician is empty. Give the number or initials of who works or reads.")
    if looks_like_name(found):
        raise RecordsError(f"technician: '{found[:40]}' looks like a name. {NO_NAME}")
    return plain_label(text(found, "technician"))


def text(value: Any, column: str) -> str:
    """Return text that every database holds, or say which letter it is that does not."""
    found = str(value)
    try:
        found.encode()
    except UnicodeEncodeError as error:
        raise RecordsError(
            f"{column}: the text has a broken letter ({found[error.start]!a}). Type that text again."
        ) from None
    if "\0" in found:
        raise RecordsError(
            f"{column}: the text has a letter that cannot be kept (NUL). Type that text again."
        )
    return found


def reason_given(reason: Any, what: str) -> str:
    """Return a reason; refuse an empty one."""
    found = text(reason if reason is not None else "", "reason").strip()
    if not found:
        raise RecordsError(f"reason is empty. {what}")
    return found


# --- prompts -----------------------------------------------------------------------------------


def spread_prompts(
    after: str, values: dict[str, list[float]], earlier: dict[str, list[np.ndarray]]
) -> list[str]:
    """
    Ask for another reading where those of the patch differ by more than the meter's spread.

    Parameters
    ----------
    after : str
        Step after which they were read.
    values : dict of str to list of float
        All readings of the patch after that step, by quantity.
    earlier : dict of str to list of ndarray
        Readings of other patches after the same step, by quantity.
    """
    prompts = []
    for quantity, read in values.items():
        if quantity == "faults" or len(read) < 2:
            continue
        patches = [v for v in earlier.get(quantity, []) if len(v) > 1]
        known = len(patches) >= ENOUGH_PATCHES
        # A meter that shows whole units cannot spread by less than their rounding.
        spread = max(robust_spread(patches), 0.1) if known else _GUESSED_SPREAD
        gap = max(read) - min(read)
        if gap > widest_range(len(read)) * spread + 1e-9:
            name, unit = label(quantity)
            unit = spaced(unit)
            whose = (
                f"from {len(patches)} patches of this book"
                if known
                else f"a guess until {ENOUGH_PATCHES} patches of this book are read more than once"
            )
            prompts.append(
                f"{name} after {after}: readings differ by {gap:.3g}{unit}, more than the meter's spread explains "
                f"({spread:.2g}{unit}, {whose}). Look for a slip or an uneven patch, and read again."
            )
    return prompts


def film_prompts(logged: Logged, study: Study) -> list[str]:
    """Say that the trial stops where the film has reached a limit of the study file, and who set it."""
    film = {q: _latest(logged, q, study) for q in FILM}
    before, left, removed = film["film_before_um"], film["film_after_um"], film["removed_um"]
    if removed is None and before is not None and left is not None:
        removed = before - left
    prompts = []
    if removed is not None and (doubt := odd_removal(removed)):
        prompts.append(f"{doubt} Correct it if it is a slip.")
    for quantity, value in (("removed_um", removed), ("film_left_um", left)):
        limit = study.limits.get(quantity)
        if limit is None or value is None:
            continue
        low, high = limit.condition.at_least, limit.condition.at_most
        if (high is not None and value >= high) or (low is not None and value <= low):
            prompts.append(
                f"{label(quantity)[0]} is {value:.4g} µm, at the limit: {limit.condition.text(quantity)}, set by "
                f"{limit.set_by}. Stop this trial here: work this patch no further; finish it or mark it spoiled."
            )
    return prompts


def _latest(logged: Logged, quantity: str, study: Study) -> float | None:
    """Return the mean of a film quantity after the latest step it was read."""
    found = [(steps_of(study).index(a), v) for (a, q, _), v in logged.readings.items() if q == quantity]
    read = [(at, v) for at, v in found if v is not None]
    last = max((at for at, _ in read), default=0)
    return float(np.mean([v for at, v in read if at == last])) if read else None


def wait_prompts(logged: Logged, after: str, study: Study, now: dt.datetime) -> list[str]:
    """Say that a reading came before the study's wait was over."""
    left = minutes_left(logged, after, study, now)
    if left <= 0 or after not in study.reading.after:
        return []
    wait = study.reading.wait_minutes
    return [
        f"read {wait - left:.0f} minutes after {after}; the study waits {plain_number(wait)} minutes after wiping "
        f"({study.reading.wipe or 'the wipe is not named'}), since cleaner and oils flatter early readings. "
        f"Read again in {np.ceil(left):.0f} minutes."
    ]


def minutes_left(logged: Logged, after: str, study: Study, now: dt.datetime) -> float:
    """Return the minutes until a patch may be read after a step; 0 when it may."""
    if after != START and left_out(study.step(after), logged.settings):
        after = next((s for s in reversed(steps_of(study)) if s in logged.works), after)
    ended = logged.ended.get(after)
    if ended is None or not study.reading.wait_minutes:
        return 0.0
    return max(0.0, study.reading.wait_minutes - (now - ended).total_seconds() / 60)


def deviations(planned: dict[str, Any], settings: dict[str, Any]) -> dict[str, tuple[Any, Any]]:
    """Return the settings that are not as planned: planned and worked."""
    return {
        name: (planned.get(name), settings.get(name))
        for name in {**planned, **settings}
        if planned.get(name) != settings.get(name)
    }


def deviation_words(found: dict[str, tuple[Any, Any]]) -> str:
    """
    Return deviations in words.

    Examples
    --------
    >>> deviation_words({"cut_passes": (4, 5)})
    'cut_passes 5 instead of 4'
    """
    return listed([f"{name} {words(new)} instead of {words(old)}" for name, (old, new) in found.items()])


def amended_text(heading: str, old: Any, new: Any) -> str:
    """
    Return a correction in words.

    Examples
    --------
    >>> amended_text("cut_minutes", 10 / 3, 3.5), amended_text("reason", None, "slip")
    ('cut_minutes 3.5 instead of 3.33', 'reason slip instead of none')
    """
    shown = [reading_text(v) if isinstance(v, float) else words(v) for v in (new, old)]
    if shown[0] == shown[1]:  # they differ further behind the point
        shown = [words(new), words(old)]
    return f"{heading} {shown[0]} instead of {shown[1]}"


def words(value: Any) -> str:
    """Return a value as the book keeps it in words: a number in full, text as it is, none where empty."""
    if value is None:
        return "none"
    if isinstance(value, Iterable) and not isinstance(value, str):
        return ", ".join(words(v) for v in value)
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return (repr(int(value)) if float(value).is_integer() else repr(float(value))) if number else str(value)


def next_step(logged: Logged, study: Study) -> str | None:
    """Return the first step neither worked nor left out; None when all are done."""
    for step in study.steps:
        if step.name not in logged.works and not left_out(step, logged.settings):
            return step.name
    return None


def to_read(logged: Logged, study: Study) -> str | None:
    """
    Return the step after which the patch is to be read now; None when there is nothing to read.

    Once every step is worked, that is the last of the study, also where the trial leaves it
    out: what the steps before it left is then the finish.
    """
    worked = [s for s in steps_of(study) if s in logged.works]
    after = study.steps[-1].name if next_step(logged, study) is None else worked[-1] if worked else ""
    was_read = any(a == after and v is not None for (a, _, _), v in logged.readings.items())
    return after if after in study.reading.after and not was_read else None
