"""Rules about trials as such: labels, status, burn-throughs, doubles, what must be there, and each one's process.

Whether a reading is possible is judged in `value_rules.py`.
"""

from __future__ import annotations

import difflib
import math
import re
from typing import Any

import numpy as np

from finishlab.errors import StudyError, nearest
from finishlab.records.sheets.cells import dates, each_once, labels, words
from finishlab.records.sheets.draft import Draft
from finishlab.records.sheets.value_rules import any_reading, steps_timed
from finishlab.study import Setting, level_of
from finishlab.trade import abrasives
from finishlab.words.show import listed, plain_number

NO_NAME = "Use a number or initials, never a full name."
#: Trials named in a sentence before the rest is only counted.
_NAMED = 6
#: What a checked table calls a trial with a level that the study no longer has. It is made by the check alone.
OUTSIDE = "outside"
STATUSES = ("planned", "started", "done", "spoiled")
_LETTERS = re.compile(r"(?:[^\W\d_]|[ .,'’-])+")
_WORD = re.compile(r"[^\W\d_]{2,}")


def trial_words(draft: Draft) -> None:
    """Make labels, texts and dates of a trial clean; every trial needs its panel."""
    for heading, column in draft.columns.items():
        cells = draft.sheet.cells[heading]
        if column.role == "label":
            draft.clean[heading] = labels(cells)
        elif column.role == "text":
            draft.clean[heading] = words(cells)
        elif column.role == "date":
            draft.clean[heading] = dates(cells, heading, draft.mistakes)
    if draft.given("panel"):
        draft.mistakes.cells(
            "panel", ~draft.filled("panel"), lambda _: "is empty. Write which test panel the patch is on."
        )
    if draft.given("technician"):
        named = names_in(draft)
        where = draft.mistakes.where(named)
        if draft.given("trial") and (known := draft.clean["trial"][named]).size and (known != None).all():  # noqa: E711
            where = f"trial{'s' if known.size > 1 else ''} {_some(known)}"
        draft.caution(named, f"{where[:1].upper()}{where[1:]}: technician looks like a name. {NO_NAME}")


def looks_like_name(technician: str) -> bool:
    """
    Return whether a full name seems to stand where a number or initials are wanted.

    Examples
    --------
    >>> [looks_like_name(t) for t in ("Anna Smith", "anna smith", "Anna", "ANNA SMITH")]
    [True, True, True, True]
    >>> [looks_like_name(t) for t in ("T1", "AS", "JSB", "a.s.", "Student 4", "plan")]
    [False, False, False, False, False, False]
    """
    if not _LETTERS.fullmatch(technician):
        return False
    found = _WORD.findall(technician)
    long = [w for w in found if len(w) > 2]
    return bool(long) and (len(found) > 1 or (long[0][0].isupper() and long[0][1:].islower()))


def names_in(draft: Draft) -> np.ndarray:
    """Return the trials whose technician looks like a name."""
    if not draft.given("technician"):
        return np.zeros(draft.size, bool)
    return each_once(draft.clean["technician"], lambda v: looks_like_name(str(v))) == np.array(True)


def _some(labels: np.ndarray) -> str:
    more = f"{len(labels) - _NAMED} more"
    return listed([*map(str, labels[:_NAMED]), *([more] if len(labels) > _NAMED else [])])


def trial_status(draft: Draft) -> None:
    """Settle which trials are done and which spoiled; where nothing is written, what is logged tells."""
    burned = _burns(draft)
    responses = [draft.filled(r) for r in draft.study.goal]
    read, timed = np.logical_or.reduce([*responses, burned]), _timed(draft)
    told = np.where(read, "done", np.where(timed | any_reading(draft), "started", "planned")).astype(object)
    unread = timed & ~read
    if draft.given("status"):
        # Whether a trial stands outside is told anew each time: the study may have its level again.
        written = each_once(
            draft.clean["status"], lambda w: None if w.casefold() == OUTSIDE else w.casefold()
        )
        empty = written == np.array(None)
        unknown = ~empty & ~np.isin(written, np.array(STATUSES, object))
        draft.mistakes.cells("status", unknown, lambda i: _unknown_status(draft.clean["status"][i]))
        told, unread = np.where(empty, told, written), unread & empty
    draft.clean["status"] = told
    draft.done, draft.spoiled = told == "done", told == "spoiled"
    complete = np.logical_and.reduce([*responses, timed])
    draft.caution(
        unread,
        "Minutes but no readings of the goal are logged in {rows}; without a status that counts as started, and is not "
        "used.",
    )
    draft.caution(
        (told == "planned") & (read | timed) | (told == "started") & (complete | burned),
        "There are results in {rows}, but not marked done, so they are not used. Write done when the trial is finished.",
    )


def _timed(draft: Draft) -> np.ndarray:
    """Return where minutes are logged: those of the trial, or in a sheet without a total those of its steps."""
    names = ["minutes"] if draft.given("minutes") else [f"{s.name}_minutes" for s in draft.study.steps]
    return np.logical_or.reduce([draft.filled(name) for name in names])


def _unknown_status(word: str) -> str:
    close = difflib.get_close_matches(word.casefold(), STATUSES, n=1)
    hint = f"Did you mean '{close[0]}'? " if close else ""
    return f"'{word}' is not a status. {hint}Write planned, started, done or spoiled."


def _burns(draft: Draft) -> np.ndarray:
    """Turn `burned_after_step` into names of steps; return where a trial burned through."""
    name = "burned_after_step"
    if not draft.given(name):
        return np.zeros(draft.size, bool)
    steps = {s.name.casefold(): s.name for s in draft.study.steps}
    found = draft.clean[name]
    burned = found != np.array(None)
    draft.clean[name] = each_once(found, lambda w: steps.get(w.casefold()))
    draft.mistakes.cells(
        name,
        burned & (draft.clean[name] == np.array(None)),
        lambda i: (
            f"'{found[i]}' is not a step. {nearest(found[i], steps.values())} Leave it empty where nothing burned through."
        ),
    )
    return burned


def burns(draft: Draft) -> None:
    """Say burn-throughs that contradict the rest of their trial."""
    burned = draft.filled("burned_after_step")
    step = draft.clean.get("burned_after_step", np.full(draft.size, None))
    left_out = np.zeros(draft.size, bool)
    for name, where in draft.left_out.items():
        left_out |= where & (step == name)
    draft.mistakes.cells(
        "burned_after_step",
        left_out & ~draft.spoiled,
        lambda i: (
            f"'{step[i]}' was left out of this trial, so it cannot have burned through. Correct one of the two."
        ),
    )
    draft.caution(
        burned & draft.spoiled,
        "Spoiled and burned through at once in {rows}. A burn-through is a result, not spoiled: write done, so that it counts "
        "against the process that did it.",
    )
    reason = draft.clean.get("reason", np.full(draft.size, None))
    hints = each_once(reason, lambda w: "burn" in w.casefold()) == np.array(True)
    draft.caution(
        hints & draft.spoiled & ~burned,
        "The reason speaks of a burn in {rows}. A burn-through is a result, not spoiled: write done and name the step "
        "in burned_after_step.",
    )
    later = np.zeros(draft.size, bool)
    order = [s.name for s in draft.study.steps]
    for mean, group in draft.groups("reading").items():
        if group[0].step in order:
            at = order.index(group[0].step)
            later |= draft.filled(mean) & np.isin(step, np.array(order[: at + 1], object))
    draft.caution(
        later & draft.done, "Readings after the step that burned through, in {rows}, are kept but not used."
    )


def doubles(draft: Draft) -> None:
    """Say trials that stand twice: one number, one patch, or one place in the order."""
    every = np.ones(draft.size, bool)
    if draft.given("trial"):
        _twice(
            draft, ["trial"], every, "trial {}",
            "Give each trial its own number; repeat readings of a patch go side by side, as gloss_20_1, gloss_20_2.",
        )  # fmt: skip
    if draft.given("patch"):
        _twice(
            draft, ["panel", "patch"], ~draft.spoiled, "panel {} patch {}",
            "A patch is worked once, fresh. Correct one of the two, or mark it spoiled with a reason.",
        )  # fmt: skip
    if draft.given("run_order"):
        _twice(
            draft, ["panel", "run_order"], ~draft.spoiled, "panel {} run order {}",
            "Two trials of a panel cannot come at the same place in the order. Correct one of the two.",
        )  # fmt: skip


def _twice(draft: Draft, names: list[str], among: np.ndarray, what: str, advice: str) -> None:
    import pandas as pd

    if not all(n in draft.clean for n in names):
        return
    full = among & np.logical_and.reduce([draft.filled(n) for n in names])
    at = np.flatnonzero(full)
    codes = np.zeros(len(at), np.int64)
    for name in names:
        here, kinds = pd.factorize(draft.clean[name][at])
        codes = codes * (len(kinds) + 1) + here
    _, first, which = np.unique(codes, return_index=True, return_inverse=True)
    first_row = np.zeros(draft.size, np.int64)
    first_row[at] = at[first[which]]
    wrong = full & (first_row != np.arange(draft.size))

    def say(i: int) -> str:
        found = what.format(*(draft.clean[n][i] for n in names))
        return f"{found} stands in {draft.mistakes.row(first_row[i])} too. {advice}"

    draft.mistakes.cells(names[-1], wrong, say, also=names)


def required(draft: Draft) -> None:
    """Say what done and spoiled trials lack."""
    needed = draft.done & ~draft.filled("burned_after_step")
    end = "Fill it in, or mark the trial spoiled with a reason."
    if draft.given("minutes") or steps_timed(draft):
        of_steps = [f"{s.name}_minutes" for s in draft.study.steps if draft.given(f"{s.name}_minutes")]
        draft.mistakes.cells(
            "minutes",
            needed & ~draft.filled("minutes"),
            lambda _: f"is empty in a done trial. {end}",
            also=of_steps,
        )
    groups = draft.groups("reading")
    computed = draft.study.reading.haze_method == "ASTM D4039"
    for response in draft.study.goal:
        lacks = needed & ~draft.filled(response)
        headings = [c.heading for c in groups.get(response, [])]
        if response == "haze" and computed:
            lacks &= ~(draft.filled("gloss_20") & draft.filled("gloss_60"))
            headings = headings or [c.heading for c in groups.get("gloss_60", [])]
        if headings:
            draft.mistakes.cells(
                headings[0], lacks, lambda _: f"is empty in a done trial. {end}", also=headings
            )
    no_reason = draft.spoiled & ~draft.filled("reason")
    draft.mistakes.cells(
        "reason" if draft.given("reason") else "status",
        no_reason,
        lambda _: (
            "is spoiled without a reason. Write why in the column reason."
            if not draft.given("reason")
            else "is empty in a spoiled trial. Write why it was spoiled."
        ),
        also=["status"],
    )


def whole_table(draft: Draft) -> None:
    """Caution where the trials as a whole have nothing to learn from yet."""
    if draft.spoiled.all():
        draft.cautions.append("Every trial is spoiled; there is nothing to learn from.")
    elif draft.outside.any() and not (draft.done & ~draft.outside).any():
        draft.cautions.append("No done trial stands inside the question; there is nothing to learn from.")
    elif not draft.done.any():
        kinds = listed([s for s in STATUSES if (draft.clean["status"] == s).any()])
        draft.cautions.append(f"No trial is done yet; all are {kinds}.")


def trial_settings(draft: Draft) -> None:
    """Turn every setting column into levels of the study, and say which cells are none."""
    given = [s for s in draft.study.settings.values() if draft.given(s.factor)]
    read = {s.factor: _read(draft, s) for s in given}
    for step in draft.study.steps:
        amounts = read.get(step.amount.factor) if step.amount else None
        draft.left_out[step.name] = np.zeros(draft.size, bool) if amounts is None else amounts == 0
    draft.outside = np.zeros(draft.size, bool)
    for setting in given:
        amount = draft.study.step(setting.step).amount
        meant = ~draft.left_out[setting.step] if setting is not amount else np.ones(draft.size, bool)
        _finish(draft, setting, read[setting.factor], meant)


def _read(draft: Draft, setting: Setting) -> np.ndarray:
    """Return a setting's cells as numbers, or as levels where they are one and as they stand else."""
    cells = draft.sheet.cells[setting.factor]
    if setting.numeric:
        return draft.numbers.read(cells, setting.factor, _wanted(setting))

    def level(word: Any) -> Any:
        found = level_of(setting, word)
        return word if found is None else found

    return each_once(words(cells), level)


def _finish(draft: Draft, setting: Setting, values: np.ndarray, meant: np.ndarray) -> None:
    """Check one column and keep it clean; `meant` is where its step is worked."""
    empty = np.isnan(values) if setting.numeric else values == np.array(None)
    studied = _studied(setting, values)
    judged = meant & ~draft.spoiled
    if setting.held:
        # The study holds it, so an empty cell says nothing new.
        values = np.where(
            empty, np.array(setting.levels[0], object if not setting.numeric else float), values
        )
    else:
        draft.mistakes.cells(setting.factor, judged & empty, lambda _: f"is empty. {_wanted(setting)}")
    wrong = judged & ~empty & ~studied
    if wrong.any():
        outside = wrong & _earlier(draft, setting, values)
        _stand_outside(draft, setting, values, outside)
        wrong = wrong & ~outside
    draft.mistakes.cells(setting.factor, wrong, lambda i: _sentence(setting, values[i]))
    draft.clean[setting.factor] = _column(setting, values, meant)


def _studied(setting: Setting, values: np.ndarray) -> np.ndarray:
    """Return where a value is a level, or a number within the studied range."""
    if not setting.numeric:
        return np.isin(values, np.array(setting.levels, object)) if len(values) else np.zeros(0, bool)
    inside = (values >= setting.levels[0] - 1e-9) & (values <= setting.levels[-1] + 1e-9)
    return inside & (values == np.round(values)) if setting.kind == "count" else inside


def _earlier(draft: Draft, setting: Setting, values: np.ndarray) -> np.ndarray:
    """
    Return where a value was a level before the study changed.

    The record book took each of its trials under the study of its day, so whatever stands there
    was right then. In a sheet it could be a slip: the study has to say so (`no_longer`), or the
    row itself, which was written out as outside.
    """
    named = [
        *draft.study.step(setting.step).no_longer.get(setting.name, ()),
        *draft.accepted.get(setting.factor, ()),
    ]
    if setting.numeric:
        known = np.isin(values, [float(v) for v in named if v is not None])
    else:
        folded = {str(v).strip().casefold() for v in named}
        known = each_once(values, lambda v: str(v).casefold() in folded) == np.array(True)
    status = draft.sheet.cells.get("status")
    if status is not None:
        known |= each_once(words(status), lambda v: v.casefold() == OUTSIDE) == np.array(True)
    return known


def _stand_outside(draft: Draft, setting: Setting, values: np.ndarray, outside: np.ndarray) -> None:
    """Keep trials outside the question, counted and named by their level."""
    draft.outside |= outside
    for value in dict.fromkeys(values[outside].tolist()):
        count = int((outside & (values == value)).sum())
        found = plain_number(float(value)) if setting.numeric else value
        many = (
            f"{count} trials with {setting.label()} {found} stand"
            if count > 1
            else f"1 trial with {setting.label()} {found} stands"
        )
        draft.cautions.append(f"{many} outside the question, since the study no longer has it.")


def _column(setting: Setting, values: np.ndarray, meant: np.ndarray) -> np.ndarray:
    """Return the column as it goes into the table; None where the setting means nothing."""
    if not setting.numeric:
        out = values.copy()
        out[~meant] = None
        return out
    missing = np.isnan(values) | ~meant
    integers = (values == np.round(values)) & (np.abs(values) < 2**53)
    whole = setting.kind == "count" and bool(np.all(missing | integers))
    if not missing.any():
        return values.astype(np.int64) if whole else values
    out = np.empty(len(values), object)
    out[~missing] = values[~missing].astype(np.int64).tolist() if whole else values[~missing].tolist()
    return out


def _sentence(setting: Setting, value: Any) -> str:
    found = plain_number(float(value)) if setting.numeric else f"'{value}'"
    if setting.held:
        held = plain_number(float(setting.levels[0])) if setting.numeric else f"'{setting.levels[0]}'"
        return f"{found}, but the study holds it at {held}. Correct the cell, or make it a factor in the study file.{_or_outside(setting, value)}"
    if setting.numeric:
        if setting.kind == "count" and value != round(value):
            return f"{found} is not a whole number. {_wanted(setting)}"
        return f"{found} lies outside the studied {_range(setting)}. Correct it, or widen the setting in the study file.{_or_outside(setting, value)}"
    if setting.name == "grit":
        return _grit_sentence(setting, str(value)) + _or_outside(setting, value)
    folded = {level.casefold(): level for level in setting.levels}
    close = difflib.get_close_matches(str(value).casefold(), folded, n=1)
    hint = f" Did you mean '{folded[close[0]]}'?" if close else ""
    return f"{found} was not studied.{hint} {_wanted(setting)}{_or_outside(setting, value)}"


def _or_outside(setting: Setting, value: Any) -> str:
    """Say how a trial stays that was really worked so: advice to write another level would falsify it."""
    level = plain_number(float(value)) if setting.numeric else f'"{value}"'
    return (
        f" If it was really worked so, add no_longer = {{ {setting.name} = [{level}] }} to step {setting.step} of the "
        "study file: the trial then stays, outside the question."
    )


def _grit_sentence(setting: Setting, mark: str) -> str:
    """Say what is wrong with a grit, and which of the studied ones is nearest on its own scale."""
    try:
        found = abrasives.grade(mark)
    except StudyError as error:
        return f"{error} Studied are {', '.join(setting.levels)}."
    studied = [g for g in map(abrasives.grade, setting.levels) if g.system == found.system]
    if not studied:
        return f"'{mark}' is on another scale than the study's. {_wanted(setting)}"
    nearest = min(studied, key=lambda g: abs(math.log(_number(g) / _number(found))))
    return f"'{mark}' was not studied; nearest to it is {nearest.name}. {_wanted(setting)}"


def _number(grade: abrasives.Grade) -> int:
    return int(grade.name.removeprefix(grade.system))


def _wanted(setting: Setting) -> str:
    if setting.held:
        return f"The study holds it at {setting.levels[0]}."
    if setting.numeric:
        return f"Write a {'whole ' if setting.kind == 'count' else ''}number from {_range(setting)}."
    return f"Write one of: {', '.join(setting.levels)}."


def _range(setting: Setting) -> str:
    return f"{plain_number(setting.levels[0])} to {plain_number(setting.levels[-1])}"
