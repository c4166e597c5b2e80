"""Reading [job], [panel] and [reading] of the study file: what is worked on, and how it is read.

Every function turns a table of TOML into a piece of a `Study`, or keeps a plain sentence
about what is wrong with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from finishlab.errors import nearest
from finishlab.numbers import is_number
from finishlab.study.column_names import known_columns
from finishlab.study.fields import StudyFields
from finishlab.study.file_mistakes import Part
from finishlab.study.requirements import Job, Reading
from finishlab.study.vocabulary import HAZE_METHODS

_ACCEPT = ("every section", "mean of sections")


def _known(table: Mapping[str, Any], known: tuple[str, ...], part: Part) -> None:
    for key in table:
        if key not in known:
            part.wrong(f"'{key}' is not a word here. {nearest(key, known)}", key)


def _whole(table: Mapping[str, Any], key: str, default: int, part: Part) -> int:
    value = table.get(key, default)
    if is_number(value) and value == int(value) and value >= 1:
        return int(value)
    part.wrong(f"{key} is {value!r}; it must be a whole number, 1 or more.", key)
    return default


def job_of(table: Mapping[str, Any], part: Part) -> Job:
    _known(table, ("sections", "accept", "film_before_um"), part)
    film = table.get("film_before_um")
    if film is not None and not (is_number(film) and film > 0):
        part.wrong(
            f"film_before_um is {film!r}; it must be the thinnest film before work, in micrometres.",
            "film_before_um",
        )
        film = None
    accept = table.get("accept", _ACCEPT[0])
    if accept not in _ACCEPT:
        part.wrong(f'accept is {accept!r}; it must be "{_ACCEPT[0]}" or "{_ACCEPT[1]}".', "accept")
        accept = _ACCEPT[0]
    return Job(_whole(table, "sections", 1, part), accept, None if film is None else float(film))


def panel_of(table: Mapping[str, Any], part: Part) -> int:
    _known(table, ("patches",), part)
    return _whole(table, "patches", 8, part)


def reading_of(table: Mapping[str, Any], steps: list[str], part: Part) -> Reading:
    _known(table, ("spots", "after", "wipe", "wait_minutes", "haze_method", "columns"), part)
    after = table.get("after", [])
    if not isinstance(after, list) or not all(isinstance(a, str) for a in after):
        part.wrong(f'after is {after!r}; it must be a list of steps, as ["sand", "cut"].', "after")
        after = []
    for unknown in [a for a in after if a not in steps]:
        part.wrong(f"after names '{unknown}', which is not a step. {nearest(unknown, steps)}", "after")
    wipe = table.get("wipe", "")
    if not isinstance(wipe, str):
        part.wrong(f"wipe is {wipe!r}; it must be text.", "wipe")
        wipe = ""
    wait = table.get("wait_minutes", 0)
    if not is_number(wait) or wait < 0:
        part.wrong(f"wait_minutes is {wait!r}; it must be a number of minutes, 0 or more.", "wait_minutes")
        wait = 0
    method = table.get("haze_method", "")
    if method and method not in HAZE_METHODS:
        part.wrong(
            f'haze_method is {method!r}; it must be "{HAZE_METHODS[0]}" or "{HAZE_METHODS[1]}".',
            "haze_method",
        )
        method = HAZE_METHODS[0]  # named, only wrongly: one mistake, not two
    # The goal is read after the last step, whether or not the list says so.
    read = tuple(s for s in steps if s in after or s == steps[-1])
    columns = table.get("columns", {})
    if not isinstance(columns, Mapping):
        part.wrong(
            f'columns is {columns!r}; write a table [reading.columns], and in it lines as "Gloss 20" = "gloss_20".',
            "columns",
        )
        columns = {}
    return Reading(_whole(table, "spots", 3, part), read, wipe, float(wait), method, dict(columns))


def columns_of(study: StudyFields, part: Part) -> None:
    """Refuse a column map that names what is no column of a trial table, or one heading twice."""
    known = known_columns(study)
    meant: dict[str, str] = {}
    for heading, column in study.reading.columns.items():
        plain = " ".join(heading.split()).casefold()
        base = column.rstrip("0123456789").removesuffix("_") if isinstance(column, str) else ""
        if not plain:
            part.wrong("a heading is empty. Write it as it stands in the meter's export.", heading)
        elif plain in meant:
            part.wrong(f"'{heading}' and '{meant[plain]}' are one heading. Keep one of them.", heading)
        elif not isinstance(column, str):
            part.wrong(
                f"'{heading}' is {column!r}; it must be a column of the trial table, as \"gloss_20\".",
                heading,
            )
        elif column not in known and not (base in known and known[base].role in ("reading", "film")):
            part.wrong(
                f"'{heading}' is '{column}', which is no column here. {nearest(column, known)}", heading
            )
        meant[plain] = heading
