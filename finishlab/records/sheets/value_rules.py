"""Rules about readings and minutes: numbers, means of repeats, and values that cannot be.

First every measuring column becomes numbers and every trial gets its one value, the mean
of its repeats; then impossible values are said, with the slip that likely made them.
Spoiled trials are not judged: what spoiled them may be the very reading. The bounds here
are bounds of plausibility, not limits for anyone's paint. Film is in `film_rules.py`.
"""

from __future__ import annotations

import numpy as np

from finishlab.records.clock import clock_minutes
from finishlab.records.columns import MIL_UM, START, Column, read_at_spots
from finishlab.records.sheets.cells import each_once
from finishlab.records.sheets.draft import Draft
from finishlab.study import RANGES, RESPONSES
from finishlab.trade.optics import haze_index, highest_clear_gloss
from finishlab.words.show import listed, plain_number

#: More minutes than this on one patch are a slip (common practice, no source).
MOST_MINUTES = 600
#: By how much 20-degree gloss may lie above 60-degree gloss. A smooth film of refractive index
#: 1.60 reads 109.1 and 105.2 GU (ISO 2813:1994 table 2, from memory) and roughness lowers the
#: 20-degree reading more; the rest is left to meters.
_GLOSS_20_ABOVE_60 = 10
#: Repeats of one patch that spread wider call for more readings (ISO 2813:1994, from memory).
_WIDE_SPREAD = 5
#: How near a reading with its decimal point moved must come to the others of its patch.
_NEAR = 0.15
#: Computed and logged ASTM D4039 haze may differ by this much, from rounding of three readings.
_HAZE_ROUNDING = 1.0


def measured(draft: Draft) -> None:
    """Turn every measuring column into numbers, and repeats into their mean."""
    for heading, column in draft.columns.items():
        if column.role in ("reading", "film", "minutes"):
            cells = draft.sheet.cells[heading]
            cells = _from_clock(draft, heading, cells) if column.role == "minutes" else cells
            draft.clean[heading] = draft.numbers.read(cells, heading)
    for role in ("reading", "film"):
        for mean, group in draft.groups(role).items():
            draft.clean[mean] = _mean(draft, group)


def _from_clock(draft: Draft, heading: str, cells: np.ndarray) -> np.ndarray:
    """Return a column of minutes with clock times as numbers; say where a spreadsheet's hours were taken for minutes."""
    if cells.dtype != object:
        return cells
    minutes = each_once(cells, clock_minutes)
    clock = minutes != np.array(None)
    hours = clock & (each_once(cells, lambda v: not isinstance(v, str) or v.count(":") > 1) == np.array(True))
    if hours.any():
        first = int(np.flatnonzero(hours)[0])
        draft.caution(
            hours,
            f"{heading}: the clock times in {{rows}} were read as minutes and seconds, as {cells[first]} for "
            f"{_short(minutes[first])} minutes.",
        )
    return np.where(clock, minutes, cells)


def _mean(draft: Draft, group: list[Column]) -> np.ndarray:
    """Return each trial's value; say where a mean that was given is not that of the repeats."""
    value = np.full(draft.size, np.nan)
    single = [draft.clean[c.heading] * _unit(c) for c in group if c.repeat]
    if single:
        stacked = np.array(single)
        count = (~np.isnan(stacked)).sum(axis=0)
        value[count > 0] = np.nansum(stacked, axis=0)[count > 0] / count[count > 0]
    for column in (c for c in group if not c.repeat):
        given = draft.clean[column.heading]
        _agree(draft, column, given, value / _unit(column), [c.heading for c in group])
        value = np.where(np.isnan(value), given * _unit(column), value)
    return value


def _unit(column: Column) -> float:
    return MIL_UM if column.in_mil else 1.0


def _agree(draft: Draft, column: Column, given: np.ndarray, mean: np.ndarray, also: list[str]) -> None:
    draft.mistakes.cells(
        column.heading,
        np.abs(given - mean) > _last_place(given),  # False where either is missing
        lambda i: (
            f"{plain_number(given[i])}, but the other readings of the trial come to {_short(mean[i])}. "
            "Correct the slip, or leave this cell empty."
        ),
        also=also,
    )


def _last_place(values: np.ndarray) -> np.ndarray:
    """Return one unit in the last decimal given, down to 0.001: what rounding or cutting can do."""
    place = np.full(values.shape, 0.001)
    for decimals in (2, 1, 0):
        place[np.abs(values - np.round(values, decimals)) < 1e-9] = 10.0**-decimals
    return place + 1e-9


def _short(value: float) -> str:
    """Return a computed value with no more decimals than a meter could have."""
    return plain_number(round(float(value), 3))


# --- gloss -----------------------------------------------------------------------------------


def gloss(draft: Draft) -> None:
    """Say gloss that no clear coat reads, slipped decimals, and columns that look swapped."""
    groups = draft.groups("reading")
    for group in groups.values():
        if group[0].quantity.startswith("gloss_"):
            most = float(highest_clear_gloss(int(group[0].quantity.removeprefix("gloss_"))))
            for column in group:
                _gloss_column(draft, column.heading, most)
    for mean, group in groups.items():
        if group[0].quantity == "gloss_20":
            other = mean.removesuffix("gloss_20") + "gloss_60"
            if other in groups:
                _swapped(draft, group, other, groups[other])


def _gloss_column(draft: Draft, heading: str, most: float) -> None:
    # A mean computed from repeats is not judged; the repeats are.
    given = np.where(draft.sheet.cells[heading] == np.array(None), np.nan, draft.clean[heading]).astype(float)
    draft.mistakes.cells(
        heading,
        ~draft.spoiled & (given > most),
        lambda i: (
            f"{plain_number(given[i])} GU is above {most:.1f} GU, the most a clear coat can read. If the decimal "
            f"point slipped, write {plain_number(_shifted(given[i], most))}; else read the patch again."
        ),
    )
    not_negative(draft, heading, given)


def _shifted(value: float, most: float) -> float:
    """Return the value with its decimal point moved to where the value is possible."""
    while value > most:
        value /= 10
    return value


def _swapped(draft: Draft, group: list[Column], other: str, others: list[Column]) -> None:
    # Swapped columns are swapped in every repeat; one misread repeat is the model's to set aside.
    with np.errstate(invalid="ignore"):
        low = np.fmin.reduce([draft.clean[c.heading] for c in group])
        high = np.fmax.reduce([draft.clean[c.heading] for c in others])
    headings = [c.heading for c in (*group, *others)]
    draft.mistakes.cells(
        headings[0],
        ~draft.spoiled & (low > high + _GLOSS_20_ABOVE_60),
        lambda i: (
            f"{_short(low[i])} GU lies far above {other}, {_short(high[i])} GU; on a clear coat 20° gloss does not. "
            "Look whether the two are swapped."
        ),
        also=headings,
    )


# --- repeats ---------------------------------------------------------------------------------


def repeats(draft: Draft) -> None:
    """Say repeats of one patch of which one has a slipped decimal point; caution where they spread."""
    wide = np.zeros(draft.size, bool)
    last = draft.study.steps[-1].name
    for group in [*draft.groups("reading").values(), *draft.groups("film").values()]:
        single = [c for c in group if c.repeat]
        if len(single) < 2 or group[0].quantity in ("faults", "haze"):
            continue
        values = np.array([draft.clean[c.heading] for c in single])
        some = ~np.isnan(values).all(axis=0)
        usual, spread = np.full(draft.size, np.nan), np.zeros(draft.size)
        if some.any():
            usual[some] = (np.nanmedian if len(single) > 2 else np.nanmax)(values[:, some], axis=0)
            spread[some] = np.nanmax(values[:, some], axis=0) - np.nanmin(values[:, some], axis=0)
        for column in single:
            _slipped(draft, column.heading, usual, [c.heading for c in single])
        if group[0].role == "reading" and group[0].step == last:
            wide |= draft.done & (spread > _WIDE_SPREAD)
    draft.caution(
        wide,
        f"Repeat gloss readings of a patch spread over more than {_WIDE_SPREAD} GU in {{rows}}. Look for a slip or "
        "an uneven patch, and take three more where you can.",
    )


def _slipped(draft: Draft, heading: str, usual: np.ndarray, repeated: list[str]) -> None:
    value = draft.clean[heading]
    low = np.abs(value * 10 - usual) <= _NEAR * usual
    high = np.abs(value / 10 - usual) <= _NEAR * usual
    draft.mistakes.cells(
        heading,
        ~draft.spoiled & (usual >= 10) & (low | high),
        lambda i: (
            f"{plain_number(value[i])} where other readings of the patch are near {_short(usual[i])}. It looks like a "
            f"slipped decimal point: write {plain_number(value[i] * 10 if low[i] else value[i] / 10)}, or read again."
        ),
        also=repeated,
    )


def taken_as_means(draft: Draft) -> None:
    """Caution where a trial has one value of a goal's response read at several spots: it counts as their mean."""
    spots, where, names, heading = draft.study.reading.spots, np.zeros(draft.size, bool), [], ""
    for mean, group in draft.groups("reading").items():
        response = group[0].quantity
        computed = response == "haze" and draft.study.reading.haze_method == "ASTM D4039"
        asked = response in draft.study.goal and read_at_spots(response) and not computed
        if spots == 1 or group[0].step == START or not asked:
            continue
        single = np.logical_or.reduce(
            [np.zeros(draft.size), *(draft.filled(c.heading) for c in group if c.repeat)]
        )
        alone = draft.done & draft.filled(mean) & ~single
        if alone.any():
            where, heading = where | alone, heading or mean
            names.append(RESPONSES[response][0])
    every = "a trial" if (where | ~draft.done).all() else "in {rows}"
    draft.caution(
        where,
        f"{listed(dict.fromkeys(names))}: one value {every}, taken as the mean of {spots} spots, as the study says. "
        f"If it is a single reading, head its column {heading}_1. If jobs are judged by a single reading too, write "
        "spots = 1 under [reading] in the study file.",
    )


# --- faults and haze -------------------------------------------------------------------------


def faults(draft: Draft) -> None:
    """Say fault counts that are no counts."""
    for group in draft.groups("reading").values():
        if group[0].quantity != "faults":
            continue
        single = [draft.clean[c.heading] for c in group if c.repeat]
        repeated = ~np.isnan(np.array(single)).all(axis=0) if single else np.zeros(draft.size, bool)
        for column in group:
            # The mean of repeats need not be whole.
            _count(draft, column.heading, np.ones(draft.size, bool) if column.repeat else ~repeated)


def _count(draft: Draft, heading: str, judged: np.ndarray) -> None:
    value = draft.clean[heading]
    draft.mistakes.cells(
        heading,
        judged & ~draft.spoiled & (value != np.round(value)) & ~np.isnan(value),
        lambda i: (
            f"{plain_number(value[i])} is not a whole number. Write the count of visible faults, 0 or more."
        ),
    )
    not_negative(draft, heading, value)
    not_above(draft, heading, value, RANGES["faults"][1])


def haze(draft: Draft) -> None:
    """Say haze that cannot be; under ASTM D4039 compute it from the gloss readings."""
    for heading, column in draft.columns.items():
        if column.role == "reading" and column.quantity == "haze":
            not_negative(draft, heading, draft.clean[heading])
            not_above(draft, heading, draft.clean[heading], RANGES["haze"][1])
    gloss_20, gloss_60 = draft.number("gloss_20"), draft.number("gloss_60")
    both = ~np.isnan(gloss_20) & ~np.isnan(gloss_60)
    if draft.study.reading.haze_method != "ASTM D4039" or not both.any():
        return
    computed, given = haze_index(gloss_60, gloss_20), draft.number("haze")
    if headings := [c.heading for c in draft.groups("reading").get("haze", [])]:
        draft.mistakes.cells(
            headings[0],
            ~draft.spoiled & (np.abs(given - computed) > _HAZE_ROUNDING),
            lambda i: (
                f"{_short(given[i])}, but the study's haze is ASTM D4039, 60° less 20° gloss, which is "
                f"{_short(computed[i])} here. Leave it empty, or name the meter's own method in [reading] haze_method."
            ),
            also=[*headings, "gloss_20", "gloss_60"],
        )
    draft.clean["haze"] = np.where(np.isnan(given), computed, given)
    draft.caution(
        draft.done & both & np.isnan(draft.clean["haze"]),
        "ASTM D4039 haze holds only above 70 GU at 60°; it stays empty in {rows}.",
    )


# --- minutes ---------------------------------------------------------------------------------


def whole_minutes(draft: Draft) -> None:
    """Add up the minutes of the steps where a done trial has no total and every step worked was timed."""
    total, timed = np.zeros(draft.size), draft.done & ~draft.filled("minutes")
    burned = draft.clean.get("burned_after_step", np.full(draft.size, None))
    over = np.zeros(draft.size, bool)
    for step in draft.study.steps:
        spent = draft.number(f"{step.name}_minutes")
        worked = ~draft.left_out.get(step.name, np.zeros(draft.size, bool)) & ~over
        timed &= ~worked | ~np.isnan(spent)
        total += np.where(worked, np.nan_to_num(spent), 0.0)
        over |= burned == step.name
    timed &= total > 0
    if timed.any():
        draft.clean["minutes"] = np.where(timed, total, draft.number("minutes"))
    draft.caution(timed, "No minutes of the whole trial in {rows}: the minutes of the steps were added up.")


def steps_timed(draft: Draft) -> bool:
    """Return whether the sheet has a column for the minutes of every step, from which the total follows."""
    return all(draft.given(f"{s.name}_minutes") for s in draft.study.steps)


def minutes(draft: Draft) -> None:
    """Say minutes that cannot be, among them seconds; caution where steps add up to more than the whole."""
    steps = []
    for heading, column in draft.columns.items():
        if column.role == "minutes":
            _minutes_column(draft, heading, "above 0" if heading == "minutes" else "0 or more")
            steps += [draft.clean[heading]] if column.step else []
    if steps and draft.given("minutes"):
        over = np.nansum(np.array(steps), axis=0) - draft.clean["minutes"]
        draft.caution(
            draft.done & (over > 0.5 * len(steps)),  # each may be rounded to a whole minute
            "The minutes of the steps add up to more than minutes in {rows}.",
        )


def _minutes_column(draft: Draft, heading: str, wanted: str) -> None:
    value, judged = draft.clean[heading], ~draft.spoiled
    known = value[judged & (value > 0)]
    usual = float(np.median(known)) if len(known) > 2 else np.nan
    in_minutes = value / 60
    draft.mistakes.cells(
        heading,
        judged & (value > 10 * usual) & within_twice(in_minutes, usual),
        lambda i: (
            f"{plain_number(value[i])} where most are near {usual:.1f} looks like seconds; {plain_number(value[i])} "
            f"seconds are {_short(in_minutes[i])} minutes. Write minutes."
        ),
    )
    draft.mistakes.cells(
        heading,
        judged & (value > MOST_MINUTES),
        lambda i: (
            f"{plain_number(value[i])} minutes on one patch are more than {MOST_MINUTES}. Write working minutes; "
            f"if it is seconds, write {_short(in_minutes[i])}."
        ),
    )
    draft.mistakes.cells(
        heading,
        judged & ((value <= 0) if wanted == "above 0" else (value < 0)),
        lambda i: f"{plain_number(value[i])}; working minutes are {wanted}. Write the minutes worked.",
    )


# --- for all ---------------------------------------------------------------------------------


def within_twice(value: np.ndarray, usual: float) -> np.ndarray:
    """Return where a value is at least half and at most double the usual one."""
    return (value <= 2 * usual) & (value >= usual / 2)


def not_negative(draft: Draft, heading: str, value: np.ndarray, lowest: float = 0) -> None:
    """Say values below zero; `lowest` lets through what a gauge's spread can do."""
    draft.mistakes.cells(
        heading,
        ~draft.spoiled & (value < lowest),
        lambda i: (
            f"{plain_number(value[i])} is below 0. Correct it, or leave the cell empty if there was no reading."
        ),
    )


def not_above(draft: Draft, heading: str, value: np.ndarray, most: float) -> None:
    """Say values beyond what can occur."""
    draft.mistakes.cells(
        heading,
        ~draft.spoiled & (value > most),
        lambda i: (
            f"{plain_number(value[i])} is above {plain_number(most)}, more than can be. Correct the slip, or read again."
        ),
    )


def any_reading(draft: Draft) -> np.ndarray:
    """Return where some reading taken during or after work is logged."""
    found = np.zeros(draft.size, bool)
    for mean, group in draft.groups("reading").items():
        if group[0].step != START:
            found |= draft.filled(mean)
    return found
