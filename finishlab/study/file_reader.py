"""Reading the study file: TOML in, a `Study` out, or all its mistakes in plain sentences.

The file is data; nothing in it is evaluated. The [[step]] tables are read in
`file_steps.py`, [job], [panel] and [reading] in `file_bench.py`, all others here; what the words mean afterwards is in `definition.py`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from finishlab.errors import StudyError, nearest
from finishlab.numbers import is_number
from finishlab.study.basis import Basis
from finishlab.study.fields import StudyFields
from finishlab.study.file_bench import columns_of, job_of, panel_of, reading_of
from finishlab.study.file_mistakes import Mistakes, Part
from finishlab.study.file_steps import read_steps
from finishlab.study.process import Setting, Step, level_of
from finishlab.study.requirements import Avoid, Condition, Lifted, Limit
from finishlab.study.vocabulary import HAZE_METHODS, LIMITS, RANGES, RESPONSES

_TABLES = ("goal", "limit", "job", "today", "harsher", "panel", "reading")
_WORDS = ("title", "pass_means", "step", "avoid", "lifted", *_TABLES)
_CONDITIONS = ("at_least", "at_most", "within")


def parse(text: str) -> StudyFields:
    """Return the study that `text` describes; raise StudyError with every mistake."""
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise StudyError(
            f"the study file is not TOML: {error}. Mend that place first; other mistakes are listed once it reads."
        ) from None
    mistakes = Mistakes(text)
    for key in raw:
        if key not in _WORDS:
            mistakes.add(f"'{key}' is not a word of the study file. {nearest(key, _WORDS)}", key=key)
    title = _text(raw, "title", 'Give the study a title, as title = "Doors, 2K clear".', mistakes)
    wanted = 'Say what one pass is, as pass_means = "one direction, 50 % overlap".'
    pass_means = _text(raw, "pass_means", wanted, mistakes)
    steps = read_steps(raw.get("step"), mistakes)
    settings = {s.factor: s for step in steps for s in step.settings}
    if steps and not mistakes.found and all(s.held for s in settings.values()):
        mistakes.add(
            "no setting varies: every one has a single value. Give at least one a list, or lowest and highest."
        )
    part = {name: Part(mistakes, f"[{name}]", name) for name in _TABLES}
    tables = {name: _table(raw, part[name]) for name in _TABLES}
    goal, assurance = _file_goal(raw, tables["goal"], part["goal"])
    reading = reading_of(tables["reading"], [s.name for s in steps], part["reading"])
    if "haze" in goal and not reading.haze_method:
        part["reading"].wrong(
            "haze_method is missing, and the goal names haze. "
            f'Write haze_method = "{HAZE_METHODS[0]}" or "{HAZE_METHODS[1]}"; the two scales differ.'
        )
    study = StudyFields(
        title=title,
        pass_means=pass_means,
        steps=tuple(steps),
        goal=goal,
        assurance=assurance,
        limits=_limits(tables["limit"], part["limit"]),
        job=job_of(tables["job"], part["job"]),
        avoid=_avoid(raw.get("avoid", []), settings, mistakes),
        lifted=_lifted(raw.get("lifted", []), settings, mistakes),
        today=_today(tables["today"], steps, part["today"]) if "today" in raw else None,
        harsher=_harsher(tables["harsher"], settings, part["harsher"]),
        patches=panel_of(tables["panel"], part["panel"]),
        reading=reading,
        cautions=_cautions(steps, goal),
        source=text,
    )
    if steps:
        columns_of(study, Part(mistakes, "[reading.columns]", "reading.columns"))
    if not mistakes.found:
        _possible(study, mistakes, part["today"])
    if mistakes.found:
        count = len(mistakes.found)
        raise StudyError(
            mistakes.found, heading=f"The study file has {count} mistake{'s' if count > 1 else ''}."
        )
    return study


def _possible(study: StudyFields, mistakes: Mistakes, today: Part) -> None:
    """Refuse a study whose avoided combinations leave nothing, or not today's process."""
    basis = Basis(study)
    if basis.size == 0:
        mistakes.add(
            "no process is left: the avoided combinations rule out every one. Narrow them.", label="[[avoid]]"
        )
    elif study.today is not None and not basis.admissible(basis.row(study.today))[0]:
        today.wrong(
            "is one of the avoided combinations, and it is run as a control. Narrow [[avoid]], or mend [today]."
        )


def _text(raw: Mapping[str, Any], key: str, wanted: str, mistakes: Mistakes) -> str:
    value = raw.get(key)
    if value is None or (isinstance(value, str) and not value.strip()):
        mistakes.add(f"{key} is missing. {wanted}", key=key)
        return ""
    if not isinstance(value, str):
        mistakes.add(f"{key} is {value!r}; it must be text. {wanted}", key=key)
        return ""
    return value.strip()


def _table(raw: Mapping[str, Any], part: Part) -> Mapping[str, Any]:
    value = raw.get(part.table, {})
    if isinstance(value, Mapping):
        return value
    part.wrong(f"must be one table. Write [{part.table}] once, and its keys below it.")
    return {}


# --- goal, limits ------------------------------------------------------------------------


def _condition(value: Any, what: str, also: tuple[str, ...] = ()) -> Condition | str:
    """Return a condition, or what is wrong with it; `also` are other words it may hold."""
    if not isinstance(value, Mapping):
        example = "{ at_least = 84 }, { at_most = 18 } or { within = [80, 86] }"
        return f"{what} is {value!r}; it must be a condition, as {example}."
    for word in value:
        if word not in (*_CONDITIONS, *also):
            return f"{what} has '{word}'. {nearest(word, (*_CONDITIONS, *also))}"
    words = [k for k in value if k in _CONDITIONS]
    if len(words) != 1:
        return f"{what} has {' and '.join(words) or 'no condition'}; write exactly one of {', '.join(_CONDITIONS)}."
    wanted = value[words[0]]
    if words[0] == "within":
        if not (isinstance(wanted, list | tuple) and len(wanted) == 2 and all(map(is_number, wanted))):
            return f"{what}: within is {wanted!r}; it must be two numbers, as [80, 86]."
        if wanted[0] >= wanted[1]:
            return f"{what}: within is {wanted!r}; it must be [low, high] with low below high."
        return Condition(float(wanted[0]), float(wanted[1]))
    if not is_number(wanted):
        return f"{what}: {words[0]} is {wanted!r}; it must be a number."
    return Condition(float(wanted)) if words[0] == "at_least" else Condition(at_most=float(wanted))


def _goal_condition(value: Any, what: str) -> Condition | str:
    """Return a condition of the goal, which may be about a neighbouring panel, or what is wrong with it."""
    condition = _condition(value, what, also=("neighbour_readings",))
    if isinstance(condition, str) or "neighbour_readings" not in value:
        return condition
    count = value["neighbour_readings"]
    if not (is_number(count) and count == int(count) and count >= 1):
        return f"{what}: neighbour_readings is {count!r}; it must be how often the neighbouring panel was read, 1 or more."
    if "within" not in value:
        return f"{what}: neighbour_readings goes with within, the band about the neighbour's reading. Write {what} = {{ within = [80, 84], neighbour_readings = 3 }}."
    if what == "faults":
        return f"{what}: faults are counted, not read by a meter. Take neighbour_readings out."
    return replace(condition, neighbour_readings=int(count))


def _beyond(condition: Condition, what: str) -> str | None:
    """Say that a condition asks for a value that cannot occur."""
    low, high = RANGES[what]
    unit = {**RESPONSES, **LIMITS}[what][1]
    for value in (condition.at_least, condition.at_most):
        if value is not None and not low <= value <= high:
            return (
                f"{what}: {value:g} cannot be; it runs from {low:g} to {high:g}{' ' + unit if unit else ''}."
            )
    return None


def _assurance(value: Any, what: str) -> float | str:
    if is_number(value) and 0 < value < 1:
        return float(value)
    found = "missing" if value is None else repr(value)
    return f"{what} is {found}; it must be above 0 and below 1. Write 90 % as 0.9; nothing is ever sure."


def _goal(table: Mapping[str, Any], part: Part) -> tuple[dict[str, Condition], float | None]:
    """Return conditions by response, and the assurance if stated."""
    goal: dict[str, Condition] = {}
    assurance: float | None = None
    for key, value in table.items():
        if key == "assurance":
            stated = _assurance(value, "assurance")
            if isinstance(stated, str):
                part.wrong(stated, key)
            else:
                assurance = stated
        elif key not in RESPONSES:
            part.wrong(f"'{key}' is not a response. {nearest(key, RESPONSES)}", key)
        elif isinstance(condition := _goal_condition(value, key), str):
            part.wrong(condition, key)
        elif beyond := _beyond(condition, key):
            part.wrong(beyond, key)
        else:
            goal[key] = condition
    if all(key == "assurance" for key in table):
        part.wrong(
            f"names no response. Write at least one, as gloss_20 = {{ at_least = 84 }}; known are {', '.join(RESPONSES)}."
        )
    return goal, assurance


def _file_goal(
    raw: Mapping[str, Any], table: Mapping[str, Any], part: Part
) -> tuple[dict[str, Condition], float]:
    """Return the file's goal, which must be there and state its assurance."""
    if "goal" not in raw:
        part.mistakes.add(
            "[goal] is missing. Write what the finish must be, as gloss_20 = { at_least = 84 }, and an assurance."
        )
        return {}, 0.5
    goal, assurance = _goal(table, part)
    if "assurance" not in table:
        part.wrong("assurance is missing. Write how sure the next job must be, as assurance = 0.90.")
    # The 0.5 stands in only where a mistake is on record, so no study ever carries it.
    return goal, 0.5 if assurance is None else assurance


def parse_goal(goal: Mapping[str, Any], study: StudyFields) -> tuple[dict[str, Condition], float | None]:
    """Return a goal given for one question, in the words of the file, checked like the file's."""
    if not isinstance(goal, Mapping):
        raise StudyError(f"goal is {goal!r}; it must be a mapping, as {{'gloss_20': {{'at_least': 84}}}}.")
    part = Part(Mistakes(""), "goal", "goal")
    plain = {str(k): v.to_dict() if isinstance(v, Condition) else v for k, v in goal.items()}
    conditions, assurance = _goal(plain, part)
    if "haze" in conditions and not study.reading.haze_method:
        part.wrong("haze needs [reading] haze_method in the study file; the two haze scales differ.")
    if part.mistakes.found:
        raise StudyError(part.mistakes.found)
    return conditions, assurance


def _limits(table: Mapping[str, Any], part: Part) -> dict[str, Limit]:
    limits: dict[str, Limit] = {}
    for key, value in table.items():
        if key not in LIMITS:
            part.wrong(f"'{key}' is not a limit. {nearest(key, LIMITS)}", key)
            continue
        condition = _condition(value, key, also=("set_by", "assurance"))
        if isinstance(condition, str):
            part.wrong(condition, key)
            continue
        word, other = ("at_most", "at_least") if key == "removed_um" else ("at_least", "at_most")
        if getattr(condition, other) is not None:
            part.wrong(f"{key} must be {word}; another condition does not protect the paint.", key)
        elif beyond := _beyond(condition, key):
            part.wrong(beyond, key)
        set_by = value.get("set_by")
        if not isinstance(set_by, str) or not set_by.strip():
            part.wrong(
                f'{key} does not say who set it. Add set_by = "role and date"; a limit has no default.', key
            )
        assurance = _assurance(value.get("assurance"), f"{key}: assurance")
        if isinstance(assurance, str):
            part.wrong(assurance, key)
        elif isinstance(set_by, str):
            limits[key] = Limit(condition, set_by.strip(), assurance)
    return limits


# --- tables that name settings -----------------------------------------------------------------


def _levels_text(setting: Setting) -> str:
    if setting.numeric and len(setting.levels) > 4:
        return f"{setting.levels[0]:g} to {setting.levels[-1]:g}"
    return ", ".join(f"{v:g}" if setting.numeric else v for v in setting.levels)


def _setting(key: str, settings: Mapping[str, Setting], part: Part) -> Setting | None:
    # A setting that is there but wrong has its own sentence already.
    if key not in settings and key not in part.mistakes.faulty:
        part.wrong(f"'{key}' is not a setting of any step. {nearest(key, settings)}", key)
    return settings.get(key)


def _avoid(raw: Any, settings: Mapping[str, Setting], mistakes: Mistakes) -> tuple[Avoid, ...]:
    if not isinstance(raw, list) or not all(isinstance(r, Mapping) for r in raw):
        mistakes.add(
            "must be tables. Write [[avoid]] above each combination.", label="[[avoid]]", table="avoid"
        )
        return ()
    rules = []
    for index, table in enumerate(raw):
        part = Part(mistakes, f"[[avoid]] {index + 1}", "avoid", index)
        if not table:
            part.wrong("is empty, which would avoid everything. Name the settings that must not meet.")
        rules.append(_rule(table, settings, part))
    return tuple(rules)


def _rule(table: Mapping[str, Any], settings: Mapping[str, Setting], part: Part) -> Avoid:
    """Return the combination that a table names; what is wrong is on record."""
    parts = {}
    for key, value in table.items():
        setting = _setting(key, settings, part)
        if setting is not None:
            wanted = _avoided(setting, value)
            if isinstance(wanted, str):
                part.wrong(wanted, key)
            else:
                parts[key] = wanted
    return Avoid(parts)


def _lifted(raw: Any, settings: Mapping[str, Setting], mistakes: Mistakes) -> tuple[Lifted, ...]:
    """Return what the owner lets back in after a burn-through, with who says so and why."""
    if not isinstance(raw, list) or not all(isinstance(r, Mapping) for r in raw):
        mistakes.add(
            "must be tables. Write [[lifted]] above each combination.", label="[[lifted]]", table="lifted"
        )
        return ()
    found = []
    for index, table in enumerate(raw):
        part = Part(mistakes, f"[[lifted]] {index + 1}", "lifted", index)
        said = {}
        for key, wanted in (
            ("set_by", 'who lifts it, as set_by = "role and date"; it has no default'),
            ("reason", "why a process as harsh as one that burned through may be named again"),
        ):
            text = table.get(key)
            said[key] = text.strip() if isinstance(text, str) else ""
            if not said[key]:
                part.wrong(f"{key} is missing. Say {wanted}.", key)
        named = {k: v for k, v in table.items() if k not in said}
        if not named:
            part.wrong("names no setting, which would lift everything. Name the settings that it is about.")
        found.append(Lifted(_rule(named, settings, part), **said))
    return tuple(found)


def _avoided(setting: Setting, value: Any) -> tuple[Any, ...] | Condition | str:
    """Return the levels or the condition that one line of an [[avoid]] names, or what is wrong."""
    if isinstance(value, Mapping):
        if not setting.numeric:
            return f"{setting.factor} is not a number; name its levels instead: {_levels_text(setting)}."
        return _condition(value, setting.factor)
    named = value if isinstance(value, list) else [value]
    levels = [level_of(setting, v) for v in named]
    unknown = [v for v, level in zip(named, levels, strict=True) if level is None]
    if unknown or not named:
        found = " and ".join(map(repr, unknown)) or "[]"
        return f"{setting.factor} = {found} is not a level of it. Levels: {_levels_text(setting)}."
    return tuple(levels)


def _today(table: Mapping[str, Any], steps: list[Step], part: Part) -> dict[str, Any]:
    """Return every setting of today's process; None for those of a step it leaves out."""
    settings = {s.factor: s for step in steps for s in step.settings}
    today: dict[str, Any] = {}
    for key, value in table.items():
        setting = _setting(key, settings, part)
        if setting is None:
            continue
        today[key] = level_of(setting, value)
        if today[key] is None:
            part.wrong(
                f"{key} = {value!r} is not a level of it ({_levels_text(setting)}). "
                "Today's process is run as a control, so widen the setting to take it in.",
                key,
            )
    for step in steps:
        left_out = step.amount is not None and today.get(step.amount.factor) == 0
        for s in step.settings:
            if left_out and s is not step.amount:
                today[s.factor] = None
            elif s.held:
                today.setdefault(s.factor, s.levels[0])
            elif s.factor not in table:
                part.wrong(
                    f"{s.factor} is missing. Write what the process in use now has: one of {_levels_text(s)}."
                )
    return today


def _harsher(
    table: Mapping[str, Any], settings: Mapping[str, Setting], part: Part
) -> dict[str, tuple[Any, ...]]:
    ranks: dict[str, tuple[Any, ...]] = {}
    for key, value in table.items():
        setting = _setting(key, settings, part)
        if setting is None:
            continue
        levels = [level_of(setting, v) for v in value] if isinstance(value, list) else []
        if len(levels) < 2 or None in levels or len(set(levels)) < len(levels):
            part.wrong(
                f"{key} is {value!r}; list its levels once each, mild to harsh. Levels: {_levels_text(setting)}.",
                key,
            )
        else:
            ranks[key] = tuple(levels)
    return ranks


def _cautions(steps: list[Step], goal: Mapping[str, Condition]) -> tuple[str, ...]:
    """Return what is allowed but deserves care."""
    if not goal or not all(r.startswith("gloss") for r in goal):
        return ()
    sanding = [s for s in steps if s.setting("grit")]
    if sanding and all(s.can_be_left_out for s in sanding):
        return (
            "The goal is gloss alone and sanding may be left out: unsanded clear already reads high, so doing "
            "nothing can win. Add a faults goal, the count of visible faults under the lamp.",
        )
    return (
        "The goal is gloss alone: a gloss meter hardly sees single deep scratches or swirls. "
        "Count faults under the lamp and add a faults goal.",
    )
