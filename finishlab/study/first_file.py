"""A first study file from a few answers.

Plain words become settings, settings become the text of a study file with its comments,
and the text is a study like any other. Asking, and asking again, is the command line's
(`cli/start_command.py`); what the words of the file mean is in `definition.py`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from finishlab.errors import StudyError
from finishlab.study.file_mistakes import Mistakes
from finishlab.study.file_steps import read_steps
from finishlab.study.vocabulary import AMOUNTS

_NUMBER = r"[+-]?[0-9]+(?:\.[0-9]+)?"
_RANGE = re.compile(rf"({_NUMBER})\s*(?:to|\.\.+|…|-|–)\s*({_NUMBER})(?:\s+by\s+({_NUMBER}))?", re.IGNORECASE)
_COMMENTS = {
    "step": "The process, step by step. One value is held; a list, or lowest and highest, is compared.\n"
    "# changeover_minutes = 3 in a step: minutes to change pad, product or tool before it.",
    "goal": "What the finish must be, and how sure the next job must be of it.",
    "limit": "What must not be broken for the paint's sake, who set it, and how sure to be of it. There is no default.",
    "no limit": "No film limit is set. The shop sets one by its coating maker's data sheet before work, as\n"
    '# [limit]\n# removed_um = { at_most = 8, set_by = "role and date", assurance = 0.99 }',
    "today": "The process in use now: worked once on every panel, and what savings are reckoned against.",
    "avoid": "Combinations that are never run:\n"
    '# [[avoid]]\n# sand_grit = "P1500"\n# cut_passes = { at_most = 1 }',
    "panel": "How many patches a test panel has.",
    "reading": "How patches are read: spots each, after which steps, the wipe, minutes to wait before reading.",
    "columns": "A meter's own export: its headings, and what they are in a trial sheet:\n"
    '# [reading.columns]\n# "Sample" = "trial"\n# "Gloss 20" = "gloss_20"',
    "job": "How many sections of that size a body panel has.",
    "no job": "How many sections of that size a body panel has:\n# [job]\n# sections = 6",
}


@dataclass(frozen=True)
class NewStudy:
    """
    What a study file is written from; every part in the words of the file.

    Attributes
    ----------
    title, pass_means : str
    steps : mapping of str to mapping
        Settings by step, each a value, a list, or lowest and highest; also ``changeover_minutes``.
    goal : mapping
    assurance : float
    limit : mapping or None
    today : mapping or None
    sections, patches, spots : int
    haze_method : str
    wait_minutes : float
    """

    title: str
    pass_means: str
    steps: Mapping[str, Mapping[str, Any]]
    goal: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    assurance: float = 0.9
    limit: Mapping[str, Any] | None = None
    today: Mapping[str, Any] | None = None
    sections: int = 1
    patches: int = 8
    spots: int = 3
    haze_method: str = ""
    wait_minutes: float = 0


def setting_from_words(text: str, step: str) -> tuple[str, Any]:
    """
    Return name and value of a setting as the study file has them.

    Parameters
    ----------
    text : str
        ``grit = P1500, P2000``, ``passes = 1 to 8`` (or ``1-8``, ``1..8``), ``speed = 900 to
        1800 by 300`` or ``pad = wool``. Where a name has a comma, semicolons part the values.
    step : str

    Raises
    ------
    StudyError
        It cannot be read, or is no setting.

    Examples
    --------
    >>> setting_from_words("grit = P1500, P2000", "sand")
    ('grit', ['P1500', 'P2000'])
    >>> setting_from_words("passes = 1 to 8", "cut")
    ('passes', {'lowest': 1, 'highest': 8})
    >>> setting_from_words("passes = few", "cut")
    Traceback (most recent call last):
        ...
    finishlab.errors.StudyError: step 'cut': passes is 'few'; it must be a number or a range. Write: passes = 2 to 6.
    """
    name, equals, values = text.partition("=")
    name = word(name)
    if not equals or not name or not values.strip():
        raise StudyError(
            f"'{text}' cannot be read. Write a name, = and its value, as grit = P1500, P2000 or passes = 1 to 8."
        )
    value = _value(values.strip())
    if name in AMOUNTS and not isinstance(value, int | float | Mapping) and _words_in(value):
        by = " by 1" if name != "passes" else ""
        raise StudyError(
            f"step '{step}': {name} is '{values.strip()}'; it must be a number or a range. Write: {name} = 2 to 6{by}."
        )
    mistakes = Mistakes("")
    read_steps([{"name": step, name: value}], mistakes)
    if mistakes.found:
        raise StudyError(mistakes.found)
    return name, value


def _words_in(value: str | list[Any]) -> bool:
    return isinstance(value, str) or any(isinstance(v, str) for v in value)


def word(text: str) -> str:
    """Return a name as the study file writes names: small letters, underscores."""
    return "_".join(text.lower().split())


def _value(text: str) -> Any:
    if span := _RANGE.fullmatch(text):
        low, high, by = span.groups()
        found = {"lowest": _number(low), "highest": _number(high)}
        return found | ({"by": _number(by)} if by else {})
    parts = [p.strip() for p in text.split(";" if ";" in text else ",") if p.strip()]
    if all(re.fullmatch(_NUMBER, p) for p in parts):
        numbers = [_number(p) for p in parts]
        return numbers[0] if len(numbers) == 1 else numbers
    return parts[0] if len(parts) == 1 else parts


def _number(text: str) -> int | float:
    return int(text) if re.fullmatch(r"[+-]?[0-9]+", text) else float(text)


def study_text(new: NewStudy) -> str:
    """
    Return the text of a study file, with comments for whoever changes it later.

    Examples
    --------
    >>> new = NewStudy("Doors", "one direction", {"cut": {"passes": {"lowest": 1, "highest": 4}}},
    ...     goal={"gloss_20": {"at_least": 82}})
    >>> from finishlab.study import Study
    >>> Study.from_toml(study_text(new)).basis.size
    4
    >>> Study.from_toml(study_text(NewStudy('"] #', "one direction", new.steps, goal=new.goal))).title
    '"] #'
    """
    lines = [
        "# A study file: what is studied and what the finish must be. It is data; nothing in it is run.",
        "# Check it after a change with: finishlab check, and this folder.",
        f"title = {_toml(new.title)}",
        f"pass_means = {_toml(new.pass_means)}",
        "",
        *_comment("step"),
    ]
    for name, settings in new.steps.items():
        lines += [
            "[[step]]",
            f"name = {_toml(name)}",
            *(f"{k} = {_toml(v)}" for k, v in settings.items()),
            "",
        ]
    lines += _table("goal", {**new.goal, "assurance": new.assurance})
    lines += _table("limit", new.limit) if new.limit else [*_comment("no limit"), ""]
    if new.today is not None:
        lines += _table("today", new.today)
    lines += [*_comment("avoid"), ""]
    lines += _table("job", {"sections": new.sections}) if new.sections != 1 else [*_comment("no job"), ""]
    lines += _table("panel", {"patches": new.patches})
    reading: dict[str, Any] = {"spots": new.spots, "after": list(new.steps), "wait_minutes": new.wait_minutes}
    lines += _table("reading", reading | ({"haze_method": new.haze_method} if new.haze_method else {}))
    lines += _comment("columns")
    return "\n".join(lines) + "\n"


def _comment(part: str) -> list[str]:
    return f"# {_COMMENTS[part]}".split("\n")


def _table(name: str, values: Mapping[str, Any]) -> list[str]:
    return [*_comment(name), f"[{name}]", *(f"{k} = {_toml(v)}" for k, v in values.items()), ""]


def _toml(value: Any) -> str:
    """Return a value as TOML; its basic strings are JSON's but for one letter that must be written by number."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
