"""Rules about film: thickness before and after work, and what was removed.

Gauges read in micrometres or in mil, and one taken for the other is the commonest slip.
What a film must keep is a limit that a person sets in the study file; nothing here judges
whether enough is left.
"""

from __future__ import annotations

import numpy as np

from finishlab.records.columns import MIL_UM, Column
from finishlab.records.sheets.draft import Draft
from finishlab.records.sheets.value_rules import not_above, not_negative, within_twice
from finishlab.study import RANGES
from finishlab.words.show import plain_number

#: Film may read thicker after work than before by no more than this, in micrometres: three
#: times the 1 µm spread of a single reading of a hand gauge (data sheets, from memory).
NOISE_UM = 3.0
#: A film typed in mil lies here; as micrometres it would be thinner than any clear coat to
#: be sanded (common practice, no source).
_LOOKS_LIKE_MIL = (1, 12)
#: How many times the usual film a film must be for its decimal point to look slipped. Panels of
#: one study differ less: factory stacks are near 100 µm, refinished ones up to some 400 (common
#: practice, no source).
_SLIPPED = 6


#: More film than this, or more removed than a whole usual clear coat of some 50 µm, is asked about
#: (common practice, no source).
_MUCH_FILM, _MUCH_REMOVED = 500.0, 60.0


def odd_film(um: float) -> str:
    """
    Ask about a film that is thicker than paint usually is; empty where there is nothing to ask.

    Examples
    --------
    >>> odd_film(860)
    '860 µm is far more than paint on a panel usually has. Look for a slipped decimal point (86) or another unit, and read again.'
    >>> odd_film(110)
    ''
    """
    if um <= _MUCH_FILM:
        return ""
    return (
        f"{um:.4g} µm is far more than paint on a panel usually has. Look for a slipped decimal point ({um / 10:.4g}) "
        "or another unit, and read again."
    )


def odd_removal(um: float) -> str:
    """
    Ask about more removed than a whole usual clear coat; empty where there is nothing to ask.

    Examples
    --------
    >>> odd_removal(352)
    '352 µm removed is more than a whole clear coat usually has. Look at the film before and after: a slipped digit, or another unit.'
    """
    if um <= _MUCH_REMOVED:
        return ""
    return (
        f"{um:.4g} µm removed is more than a whole clear coat usually has. Look at the film before and after: a "
        "slipped digit, or another unit."
    )


def film(draft: Draft) -> None:
    """Say film readings that cannot be, and compute what was removed where it is not given."""
    before, after = draft.number("film_before_um"), draft.number("film_after_um")
    for column in draft.columns.values():
        if column.role == "film":
            if column.quantity != "removed_um" and not column.in_mil:
                _in_mil(draft, column, before)
                _slipped(draft, column.heading)
            value = draft.clean[column.heading]
            not_above(draft, column.heading, value, RANGES["film_left_um"][1])
            not_negative(draft, column.heading, value, -NOISE_UM if column.quantity == "removed_um" else 0)
    groups = draft.groups("film")
    films = [c.heading for name in ("film_after_um", "film_before_um") for c in groups.get(name, [])]
    if films:
        draft.mistakes.cells(
            films[0],
            ~draft.spoiled & (after > before + NOISE_UM),
            lambda i: (
                f"{after[i]:.4g} µm after work is more than the {before[i]:.4g} µm before it. "
                "Look whether the two are swapped, or read the film again."
            ),
            also=films,
        )
    thick = np.logical_or.reduce([np.zeros(draft.size, bool), before > _MUCH_FILM, after > _MUCH_FILM])
    draft.caution(
        thick & ~draft.spoiled,
        f"Film of more than {_MUCH_FILM:.0f} µm in {{rows}}, far more than paint on a panel usually has. Look for a slipped "
        "decimal point or another unit.",
    )
    if groups.get("removed_um") or not (np.isnan(before) | np.isnan(after)).all():
        _removed(draft, before, after, [c.heading for c in groups.get("removed_um", [])], films)


def _in_mil(draft: Draft, column: Column, before: np.ndarray) -> None:
    value = draft.clean[column.heading]
    um = value * MIL_UM
    small = (value >= _LOOKS_LIKE_MIL[0]) & (value <= _LOOKS_LIKE_MIL[1])
    if column.quantity == "film_after_um":
        # A gauge may read the clear alone, worked thin. Only beside its own film before is a slip plain.
        before = np.where(before <= _LOOKS_LIKE_MIL[1], before * MIL_UM, before)
        small &= (um <= 1.1 * before) & (um >= before / 2)
    draft.mistakes.cells(
        column.heading,
        ~draft.spoiled & small,
        lambda i: (
            f"{plain_number(value[i])} µm looks like mils; {plain_number(value[i])} mil is {um[i]:.0f} µm. "
            f"Write {um[i]:.1f}, or head the column '{column.heading.replace('_um', '_mil')}' if all of it is in mil."
        ),
    )


def _slipped(draft: Draft, heading: str) -> None:
    value = draft.clean[heading]
    known = value[~draft.spoiled & (value > 0)]
    if len(known) < 5:
        return
    usual = float(np.median(known))
    high = (value > _SLIPPED * usual) & within_twice(value / 10, usual)
    low = (value < usual / _SLIPPED) & within_twice(value * 10, usual)
    draft.mistakes.cells(
        heading,
        ~draft.spoiled & (high | low),
        lambda i: (
            f"{plain_number(value[i])} µm where most films are near {usual:.0f} µm. It looks like a slipped decimal "
            f"point: write {plain_number(value[i] / 10 if high[i] else value[i] * 10)}, or read the film again."
        ),
    )


def _removed(
    draft: Draft, before: np.ndarray, after: np.ndarray, headings: list[str], films: list[str]
) -> None:
    """Fill in film removed; of a burn-through it is known only to exceed the clear, so it stays empty."""
    given = draft.number("removed_um")
    if headings:
        draft.mistakes.cells(
            headings[0],
            ~draft.spoiled & (given > before),
            lambda i: (
                f"{given[i]:.4g} µm removed is more than the {before[i]:.4g} µm of film there was. Correct the slip; "
                "if the film was worked through, name the step in burned_after_step."
            ),
            also=[*headings, *films],
        )
    missing = np.isnan(given) & ~draft.filled("burned_after_step")
    removed = np.where(missing, before - after, given)
    draft.clean["removed_um"] = removed
    draft.caution(
        (removed > _MUCH_REMOVED) & ~draft.spoiled,
        f"More than {_MUCH_REMOVED:.0f} µm removed in {{rows}}, more than a whole clear coat usually has. Look at the film "
        "before and after: a slipped digit, or another unit.",
    )
    draft.caution(
        draft.done & (removed < 0),
        "Film reads slightly thicker after work than before in {rows}. That is the gauge's spread; leave it, since "
        "correcting only such readings would make removal look larger than it is.",
    )
