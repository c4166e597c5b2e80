"""What a person types becomes a number in its unit, or one sentence that says what is wrong.

Plain functions of text: no widgets, no book. Which quantities are read after which step is
here too, because a field is one reading that the study asks for. What a value has to be
for the trial as a whole is the record book's to say; here is only what can be said beside
the field while the thumb is still over it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from finishlab.records.clock import clock_minutes
from finishlab.records.columns import MIL_UM
from finishlab.records.sheets.film_rules import odd_film
from finishlab.records.sheets.value_rules import MOST_MINUTES
from finishlab.study import RANGES, RESPONSES, Study
from finishlab.trade.optics import highest_clear_gloss
from finishlab.words.show import plain_number

#: Repeats of one patch that spread wider call for more readings (ISO 2813:1994, from memory).
WIDE_SPREAD = 5.0
#: How near a reading with its decimal point moved must come to the others of its patch.
_NEAR = 0.15
#: A film typed in mil lies here; as micrometres it would be thinner than any clear coat to
#: be sanded (common practice, no source).
_LOOKS_LIKE_MIL = (1.0, 12.0)

#: No reading with its unit is longer; what is, was not typed by a person.
_LONGEST = 40
_NUMBER = re.compile(r"([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))\s*([^\W\d_]*)\.?")
_MINUTES = {"min": 1.0, "mins": 1.0, "minute": 1.0, "minutes": 1.0, "m": 1.0}
_SECONDS = {"s": 1 / 60, "sec": 1 / 60, "secs": 1 / 60, "second": 1 / 60, "seconds": 1 / 60}
_MICROMETRES = {"µm": 1.0, "μm": 1.0, "um": 1.0, "micron": 1.0, "microns": 1.0}
_MILS = {"mil": MIL_UM, "mils": MIL_UM, "thou": MIL_UM}


@dataclass(frozen=True)
class Field:
    """
    One number that is asked for.

    Attributes
    ----------
    name : str
        Unique on a page, as ``gloss_20_2``.
    quantity : str
        As in the tables: ``gloss_20``, ``haze``, ``faults``, ``minutes``, ``film_before_um``.
    label : str
        In plain words, without the unit.
    unit : str
        ``GU``, ``µm``, ``min`` or none; also the unit of the value read.
    most : float
        Above it the value cannot be.
    whole : bool
        Only whole numbers make sense.
    wanted : bool
        False where it may stay empty.
    """

    name: str
    quantity: str
    label: str
    unit: str
    most: float
    whole: bool = False
    wanted: bool = True


@dataclass(frozen=True)
class Entered:
    """
    What was understood: `value` in the field's unit (None when there is none), `note`, `fault`.

    `doubt` says that the note asks about a value that can be, but seldom is.
    """

    value: float | None
    note: str = ""
    fault: bool = False
    doubt: bool = False


def reading_fields(study: Study, quantity: str) -> tuple[Field, ...]:
    """
    Return one field for each spot at which a quantity is read; faults are counted once a patch.

    Examples
    --------
    >>> from finishlab.records.columns import _example
    >>> [f.name for f in reading_fields(_example(), "gloss_20")]
    ['gloss_20_1', 'gloss_20_2', 'gloss_20_3']
    >>> reading_fields(_example(), "faults")[0].label
    'visible faults under the lamp'
    """
    label, unit = RESPONSES[quantity]
    most = RANGES[quantity][1]
    if quantity.startswith("gloss_"):
        most = float(highest_clear_gloss(int(quantity.removeprefix("gloss_"))))
    if quantity == "faults":
        return (Field("faults_1", quantity, f"{label} under the lamp", unit, most, whole=True),)
    count = study.reading.spots
    return tuple(
        Field(f"{quantity}_{i}", quantity, f"reading {i} of {count}", unit, most) for i in range(1, count + 1)
    )


def minutes_field(label: str) -> Field:
    """Return the field for working minutes."""
    return Field("minutes", "minutes", label, "min", MOST_MINUTES)


def film_field(study: Study, quantity: str, label: str) -> Field:
    """Return the field for a film thickness; it is wanted where the study has a limit on film."""
    return Field(quantity, quantity, label, "µm", RANGES["film_left_um"][1], wanted=bool(study.limits))


def entered(text: str, field: Field, *, others: Sequence[float] = (), in_mil: bool = False) -> Entered:
    """
    Read what was typed into a field.

    Parameters
    ----------
    text : str
        Decimal point or comma; a unit of the same kind may stand behind it, and minutes may
        be written as a clock does.
    field : Field
    others : sequence of float, optional
        The other readings of this quantity on the patch, for a slipped decimal point.
    in_mil : bool, optional
        A film without a unit is in mil.

    Returns
    -------
    Entered

    Examples
    --------
    >>> gloss = Field("gloss_20_1", "gloss_20", "reading 1 of 3", "GU", 109.1)
    >>> entered("84,1", gloss)
    Entered(value=84.1, note='84.1 GU', fault=False, doubt=False)
    >>> print(entered("841", gloss).note)
    841 GU is above 109.1 GU, the most that can be here. If the decimal point slipped, write 84.1; else read again.
    >>> print(entered("8.43", gloss, others=[84.1, 83.9]).note)
    8.43 where the other readings are near 84. It looks like a slipped decimal point: write 84.3, or read again.

    Minutes as on a clock, film in the other unit, and nothing at all:

    >>> entered("7:30", minutes_field("minutes")).value
    7.5
    >>> film = Field("film_before_um", "film_before_um", "film before work", "µm", 1000)
    >>> entered("4.5 mil", film).note
    '4.5 mil = 114.3 µm'
    >>> entered(" ", gloss).note
    'empty: type the number'
    """
    typed = text.strip()
    if not typed:
        return Entered(None, "empty: type the number" if field.wanted else "", field.wanted)
    read = _number(typed, field, in_mil)
    if isinstance(read, str):
        return Entered(None, read, fault=True)
    value, factor = read
    fault = _impossible(value, field) or _other_unit(value, factor, field) or _slipped(value, field, others)
    if fault:
        return Entered(None, fault, fault=True)
    if field.unit == "µm" and (doubt := odd_film(value)):
        return Entered(value, doubt, doubt=True)
    return Entered(value, _understood(value, factor, field))


def _number(typed: str, field: Field, in_mil: bool) -> tuple[float, float] | str:
    """Return the value in the field's unit and the factor that made it so, or a sentence."""
    if field.unit == "min" and (clock := clock_minutes(typed)) is not None:
        return clock, 1.0
    found = _NUMBER.fullmatch(typed) if len(typed) <= _LONGEST else None
    if not found:
        return f"'{typed[:_LONGEST]}' is not a number. Write digits and one decimal point, as 84.1."
    units = {"GU": {"gu": 1.0}, "min": _MINUTES | _SECONDS, "µm": _MICROMETRES | _MILS}.get(field.unit, {})
    unit = found[2].lower()
    if unit and unit not in units:
        wanted = f"in {field.unit}" if field.unit else "without a unit"
        return f"'{typed[:_LONGEST]}' has another unit. Write only the number, {wanted}."
    factor = units[unit] if unit else MIL_UM if in_mil and field.unit == "µm" else 1.0
    # Thousands would be beyond what any field takes, so a comma can only be the decimal one.
    return float(found[1].replace(",", ".")) * factor, factor


def _impossible(value: float, field: Field) -> str:
    shown, unit = _short(value), f" {field.unit}" if field.unit else ""
    if value < 0:
        return f"{shown}{unit} is below 0. Write the value without a sign."
    if value > field.most and field.unit == "min":
        return f"{shown} min is more than {field.most:g}. Write working minutes; if it is seconds, write {shown} s."
    if value > field.most:
        slip = (
            ""
            if field.whole
            else f" If the decimal point slipped, write {_short(_moved(value, field.most))}; else"
        )
        again = " read again." if slip else " Count again."
        return f"{shown}{unit} is above {field.most:.4g}{unit}, the most that can be here.{slip}{again}"
    if field.whole and value != int(value):
        return f"{shown} is not a whole number. Write the count, 0 or more."
    if field.unit == "min" and value == 0:
        return "0 min is no work. Write the minutes worked."
    return ""


def _other_unit(value: float, factor: float, field: Field) -> str:
    """Say a film that was typed in mil where micrometres are meant."""
    low, high = _LOOKS_LIKE_MIL
    if field.unit == "µm" and factor == 1.0 and low <= value <= high:
        return (
            f"{_short(value)} µm is thinner than any clear coat to be sanded. If it is mil, "
            f"write {_short(value)} mil ({_short(value * MIL_UM)} µm)."
        )
    return ""


def _slipped(value: float, field: Field, others: Sequence[float]) -> str:
    usual = median(others) if others else 0.0
    if usual < 10 or field.quantity in ("faults", "haze"):
        return ""
    for moved in (value * 10, value / 10):
        if abs(moved - usual) <= _NEAR * usual:
            return (
                f"{_short(value)} where the other readings are near {_short(usual)}. It looks like a slipped "
                f"decimal point: write {_short(moved)}, or read again."
            )
    return ""


def _understood(value: float, factor: float, field: Field) -> str:
    if field.unit == "µm" and factor != 1.0:
        return f"{_short(value / factor)} mil = {_short(value)} µm"
    return f"{_short(value)} {field.unit}".strip()


def spread_note(values: Sequence[float], field: Field) -> str:
    """
    Return a prompt to read again where gloss readings of one patch differ widely; else nothing.

    References
    ----------
    ISO 2813:1994: readings that spread over 5 GU call for three more (from memory).

    Examples
    --------
    >>> gloss = Field("gloss_20_3", "gloss_20", "reading 3 of 3", "GU", 109.1)
    >>> spread_note([84.1, 83.9, 84.3], gloss)
    ''
    >>> spread_note([84.1, 83.9, 77.2], gloss)
    'readings from 77.2 to 84.1 GU: wipe, look for a slip, and read again'
    """
    if not field.quantity.startswith("gloss_") or len(values) < 2 or max(values) - min(values) <= WIDE_SPREAD:
        return ""
    return f"readings from {_short(min(values))} to {_short(max(values))} GU: wipe, look for a slip, and read again"


def _moved(value: float, most: float) -> float:
    """Return the value with its decimal point moved to where the value is possible."""
    while value > most:
        value /= 10
    return value


def _short(value: float) -> str:
    """Return a value with no more decimals than a meter has."""
    return plain_number(round(value, 2))
