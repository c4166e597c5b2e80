"""Reading the [[step]] tables of the study file: settings, their kinds and levels.

Every function here turns a piece of TOML into a piece of a `Study`, or keeps a plain
sentence about what is wrong with it. Goal, limits and the other tables are in
`file_reader.py`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from finishlab.errors import StudyError, nearest
from finishlab.numbers import is_number
from finishlab.study.file_mistakes import Mistakes, Part
from finishlab.study.process import Kind, Setting, Step, level_of
from finishlab.study.vocabulary import AMOUNTS, LIMITS, RESPONSES
from finishlab.trade import abrasives

_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")
_STEP_KEYS = ("name", "changeover_minutes", "hard_to_change", "unit", "order", "no_longer")
#: A cell with one of these words is empty to most table programs, so it cannot be a level.
_EMPTY_WORDS = ("none", "nan", "na", "n/a", "null", "-")
#: Columns of trial tables that `<step>_<setting>` must not hide.
_TRIAL_COLUMNS = ("run_order", "half_panel", "burned_after_step", "film_before_um", "film_after_um", *LIMITS)
#: A longer range of levels, or more processes, is a slip of the keyboard rather than a study.
_MOST_LEVELS = 1000
_MOST_PROCESSES = 10_000_000

Levels = tuple[Kind, tuple[Any, ...]]


def read_steps(raw: Any, mistakes: Mistakes) -> list[Step]:
    """Return the steps in the order of the file; what is wrong goes to `mistakes`."""
    if not isinstance(raw, list) or not raw or not all(isinstance(s, Mapping) for s in raw):
        mistakes.add("there is no [[step]]. Write one [[step]] table for each step of the process, in order.")
        return []
    steps: list[Step] = []
    for index, table in enumerate(raw):
        name = table.get("name")
        part = Part(
            mistakes, f"step '{name}'" if isinstance(name, str) else f"step {index + 1}", "step", index
        )
        if not isinstance(name, str) or not _NAME.match(name):
            found = "name is missing" if name is None else f"name is {name!r}"
            part.wrong(
                f'{found}; it must be a short word in small letters, as name = "cut".', "name" if name else ""
            )
            name = f"step_{index + 1}"
        elif name in [s.name for s in steps]:
            part.wrong(
                "the name is used twice. Give a repeated step its own, as 'refine' after 'sand'.", "name"
            )
        elif name == "start":
            part.wrong("trial tables use start_... for the state before work. Use another name.", "name")
        steps.append(_step(name, table, part))
        _one_column_each(steps, part)
    if math.prod(len(s.levels) for step in steps for s in step.settings) > _MOST_PROCESSES:
        mistakes.add(
            f"the settings make more than {_MOST_PROCESSES:,} processes, too many to search. "
            "List fewer levels, take a larger by, or hold a setting."
        )
    return steps


def _one_column_each(steps: list[Step], part: Part) -> None:
    """Refuse settings of the newest step whose column is taken."""
    taken = {s.factor: step.name for step in steps[:-1] for s in step.settings}
    for s in steps[-1].settings:
        if s.factor in taken and taken[s.factor] != s.step:
            part.wrong(
                f"{s.name} makes the column {s.factor}, which step '{taken[s.factor]}' has too. Rename one.",
                s.name,
            )
        elif s.factor in _TRIAL_COLUMNS:
            part.wrong(
                f"{s.name} makes the column {s.factor}, which trial tables use for something else. Rename it.",
                s.name,
            )


def _step(name: str, table: Mapping[str, Any], part: Part) -> Step:
    ordered, hard = _names(table, "order", part), _names(table, "hard_to_change", part)
    settings = []
    for key, value in table.items():
        if key in _STEP_KEYS:
            continue
        if not _NAME.match(key):
            part.wrong(f"'{key}' must be a short word in small letters, digits and underscores.", key)
        elif key == "minutes" or key in RESPONSES or key in LIMITS:
            part.wrong(f"'{key}' is what trials measure, not a setting. Use another word, as 'seconds'.", key)
        else:
            found = _levels(key, value, key in ordered)
            if isinstance(found, str):
                part.wrong(found, key)
                part.mistakes.faulty.add(f"{name}_{key}")
            else:
                settings.append(Setting(name, key, *found))
    for word, names in (("order", ordered), ("hard_to_change", hard)):
        # A setting that is there but wrong has its own sentence already.
        for unknown in [n for n in names if n not in table or n in _STEP_KEYS]:
            known = [k for k in table if k not in _STEP_KEYS]
            part.wrong(
                f"{word} names '{unknown}', which is not a setting of this step. {nearest(unknown, known)}",
                word,
            )
    _amounts(settings, part)
    changeover = table.get("changeover_minutes", 0.0)
    if not is_number(changeover) or changeover < 0:
        part.wrong(
            f"changeover_minutes is {changeover!r}; it must be a number of minutes, 0 or more.",
            "changeover_minutes",
        )
        changeover = 0.0
    unit = table.get("unit", "panel")
    if unit not in ("panel", "half panel"):
        part.wrong(f'unit is {unit!r}; hard-to-change settings change by "panel" or by "half panel".', "unit")
    elif "unit" in table and not hard:
        part.wrong(
            'unit goes with hard_to_change. Name those settings, as hard_to_change = ["grit"].', "unit"
        )
    return Step(name, tuple(settings), float(changeover), hard, unit, _no_longer(table, settings, part))


def _no_longer(table: Mapping[str, Any], settings: list[Setting], part: Part) -> dict[str, tuple[Any, ...]]:
    """Return the levels that older trials may have, by setting."""
    raw = table.get("no_longer", {})
    if not isinstance(raw, Mapping):
        part.wrong(f'no_longer is {raw!r}; write no_longer = {{ pad = ["wool"] }}.', "no_longer")
        return {}
    by_name, found = {s.name: s for s in settings}, {}
    for key, value in raw.items():
        levels = tuple(value) if isinstance(value, list) else (value,)
        setting = by_name.get(key)
        if setting is None:
            # A setting that is there but wrong has its own sentence already.
            if key not in table or key in _STEP_KEYS:
                part.wrong(
                    f"no_longer names '{key}', which is not a setting of this step. {nearest(key, by_name)}",
                    "no_longer",
                )
            continue
        if not levels or not all(is_number(v) if setting.numeric else isinstance(v, str) for v in levels):
            what = "numbers" if setting.numeric else "words"
            part.wrong(f"no_longer: {key} is {value!r}; it must be a list of {what}.", "no_longer")
        for level in [v for v in levels if level_of(setting, v) is not None]:
            part.wrong(
                f"no_longer: {key} has {level!r}, which the study has too. Take it out of one of the two.",
                "no_longer",
            )
        found[key] = levels
    return found


def _amounts(settings: list[Setting], part: Part) -> None:
    """Refuse a step that never happens, and one left out by two words."""
    amounts = [s for s in settings if s.name in AMOUNTS]
    for s in amounts:
        if s.levels == (0,):
            part.wrong(f"{s.name} is held at 0, so the step never happens. Leave it out of the file.", s.name)
    if len(amounts) == 2 and any(0 in s.levels for s in amounts):
        part.wrong("both passes and seconds are set, and one of them may be zero. Let only one say how much.")


def _names(table: Mapping[str, Any], key: str, part: Part) -> tuple[str, ...]:
    value = table.get(key, [])
    if isinstance(value, list) and all(isinstance(v, str) for v in value):
        return tuple(value)
    part.wrong(f'{key} is {value!r}; it must be a list of settings of this step, as {key} = ["grit"].', key)
    return ()


def _levels(key: str, value: Any, ordered: bool) -> Levels | str:
    """Return kind and levels of a setting, or the sentence that says what is wrong."""
    if isinstance(value, Mapping):
        return _range(key, value)
    levels = value if isinstance(value, list) else [value]
    if not levels:
        return f"{key} is an empty list. Give its levels, or leave the setting out."
    if all(isinstance(v, str) for v in levels):
        return _words(key, levels, ordered)
    if all(is_number(v) for v in levels):
        return _numbers(key, value, levels)
    return f"{key} is {value!r}; it must be text, a number, a list of one of these, or {{ lowest, highest }}."


def _words(key: str, levels: list[str], ordered: bool) -> Levels | str:
    names = tuple(v.strip() for v in levels)
    if key in AMOUNTS:
        return f"{key} is {levels!r}; it must be numbers."
    for name in names:
        if not name or not name.isprintable():
            return f"{key} has the level {name!r}; a level is one line of plain text."
        if name.casefold() in _EMPTY_WORDS:
            return f"{key} has the level {name!r}, which reads as an empty cell in a table. Use another word."
    if len({n.casefold() for n in names}) < len(names):
        return f"{key} lists a level twice: {list(names)}. Write each once."
    return _grits(key, names) if key == "grit" else ("ordered" if ordered else "choice", names)


def _numbers(key: str, value: Any, levels: list[float]) -> Levels | str:
    if key == "grit":
        return f'{key} is {value!r}; a grade needs its scale. Write P1500 as "P1500".'
    if len({float(v) for v in levels}) < len(levels):
        return f"{key} lists a level twice: {levels}. Write each once."
    if key == "passes" and any(v < 0 or v != int(v) for v in levels):
        return f"{key} is {value!r}; passes are whole numbers, 0 or more."
    if key == "seconds" and any(v < 0 for v in levels):
        return f"{key} is {value!r}; seconds are 0 or more."
    if key == "passes":
        return "count", tuple(sorted(int(v) for v in levels))
    return "number", tuple(sorted(float(v) for v in levels))


def _grits(key: str, names: tuple[str, ...]) -> Levels | str:
    grades, wrong = [], []
    for name in names:
        try:
            grades.append(abrasives.grade(name))
        except StudyError as error:
            wrong.append(str(error))
    if wrong:
        return f"{key}: " + " ".join(wrong)
    try:
        levels = tuple(g.name for g in sorted(grades, key=abrasives.order_key))
    except StudyError as error:  # grades of two scales
        return f"{key}: {error}"
    if len(set(levels)) < len(levels):
        return f"{key} lists a level twice: {list(names)}. Write each once."
    return ("graded" if abrasives.is_graded(levels) else "ordered"), levels


def _range(key: str, value: Mapping[str, Any]) -> Levels | str:
    extra = [k for k in value if k not in ("lowest", "highest", "by")]
    if extra:
        return f"{key} has '{extra[0]}'. " + nearest(extra[0], ("lowest", "highest", "by"))
    for word in ("lowest", "highest"):
        if not is_number(value.get(word)):
            found = repr(value[word]) if word in value else "missing"
            return f"{key}: {word} is {found}; it must be a number, as {{ lowest = 1, highest = 8 }}."
    low, high = value["lowest"], value["highest"]
    if key == "grit":
        return f'{key} is a range; grades are listed by name, as ["P1500", "P2000"].'
    if low >= high:
        return f"{key}: lowest is {low:g} and highest {high:g}; lowest must be below highest."
    count = key == "passes"
    by = value.get("by", 1 if count else None)
    if not is_number(by) or by <= 0:
        found = "missing" if by is None else repr(by)
        example = f"{{ lowest = {low:g}, highest = {high:g}, by = {(high - low) / 4:g} }}"
        return f"{key}: by is {found}; give the distance between levels, as {example}."
    if count and any(v != int(v) or v < 0 for v in (low, high, by)):
        return f"{key}: {low:g} to {high:g} by {by:g}; passes are whole numbers, 0 or more."
    if key == "seconds" and low < 0:
        return f"{key}: lowest is {low:g}; seconds are 0 or more."
    return _ladder(key, low, high, by, count)


def _ladder(key: str, low: float, high: float, by: float, count: bool) -> Levels | str:
    """Return every level from `low` to `high`."""
    rungs = (high - low) / by
    if rungs > _MOST_LEVELS:
        return (
            f"{key}: {low:g} to {high:g} by {by:g} makes more than {_MOST_LEVELS} levels, which no study tells apart. "
            "Use a larger by."
        )
    if abs(rungs - round(rungs)) > 1e-9:
        return (
            f"{key}: {low:g} to {high:g} does not divide into steps of {by:g}. Change by, lowest or highest."
        )
    if count:
        return "count", tuple(range(int(low), int(high) + 1, int(by)))
    # Twelve digits drop the dust of adding binary fractions: 0.1 + 2 * 0.1 is 0.3.
    return "number", tuple(float(f"{low + i * by:.12g}") for i in range(round(rungs) + 1))
