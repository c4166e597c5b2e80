"""Another name for a step or for a level, in all that holds trials: text of a study, sheets, the record book.

Only names change; every trial, reading and correction stays as it was logged. That all places
change together or not at all is seen to by whoever asks (`cli/rename_command.py`).
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from finishlab.errors import RecordsError, StudyError
from finishlab.records.book import database as t
from finishlab.records.book import rows
from finishlab.records.book.logged_trial import packed, unpacked
from finishlab.records.sheets.csv_file import decoded, separator_of

if TYPE_CHECKING:
    from finishlab.records.book.entries import Entry


@dataclass(frozen=True)
class NewName:
    """
    What gets another name.

    Attributes
    ----------
    step : str
        The step itself, or the step whose setting has the level.
    setting : str
        The setting whose level it is; empty where the step gets another name.
    old, new : str
    steps : tuple of str
        Every step of the study, under old or new name: ``cut_fine_passes`` is not of step ``cut``.

    Examples
    --------
    >>> NewName("refine", "", "refine", "middle").heading("refine_gloss_20_1")
    'middle_gloss_20_1'
    >>> NewName("cut", "", "cut", "wet", ("cut", "cut_fine")).heading("cut_fine_passes")
    'cut_fine_passes'
    >>> NewName("cut", "pad", "wool", "twisted wool").value("cut_pad", "Wool")
    'twisted wool'
    """

    step: str
    setting: str
    old: str
    new: str
    steps: tuple[str, ...] = ()

    def heading(self, name: str) -> str:
        """Return a heading as it reads afterwards."""
        of = [step for step in {self.old, *self.steps} if name.startswith(f"{step}_")]
        if self.setting or max(of, key=len, default="") != self.old:
            return name
        return self.new + name.removeprefix(self.old)

    def value(self, heading: str, value: Any) -> Any:
        """Return what stands under a heading as it reads afterwards."""
        place = f"{self.step}_{self.setting}" if self.setting else "burned_after_step"
        same = isinstance(value, str) and value.strip().casefold() == self.old.casefold()
        return self.new if same and heading == place else value

    def values(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return settings, or a table of the study file by factor, as they read afterwards."""
        out = {}
        for name, value in values.items():
            many = isinstance(value, list)
            new = [self.value(name, v) for v in value] if many else self.value(name, value)
            out[self.heading(name)] = new
        return out


# --- the study file ------------------------------------------------------------------------------


def renamed_text(text: str, what: NewName) -> str:
    """
    Return the text of a study file with the new name; comments and layout stay.

    Parameters
    ----------
    text : str
        It is a study's.
    what : NewName

    Raises
    ------
    StudyError
        The text cannot be changed without losing something.

    Examples
    --------
    >>> text = '[[step]]\\nname = "cut" # the first\\npad = ["wool", "foam"]\\n[today]\\ncut_pad = "wool"\\n'
    >>> print(renamed_text(text, NewName("cut", "pad", "wool", "felt")), end="")
    [[step]]
    name = "cut" # the first
    pad = ["felt", "foam"]
    [today]
    cut_pad = "felt"
    >>> print(renamed_text(text, NewName("cut", "", "cut", "wet")), end="")
    [[step]]
    name = "wet" # the first
    pad = ["wool", "foam"]
    [today]
    wet_pad = "wool"
    """
    import tomlkit

    wanted = _renamed(tomllib.loads(text), what)
    document = tomlkit.parse(text)
    _in_place(document, wanted, what)
    new = document.as_string()
    if not what.setting:
        # Keys are exchanged in the text, where their line and its comment stay as they are.
        keys = {k for table in _by_factor(tomllib.loads(text)) for k in table if what.heading(k) != k}
        for key in keys:
            new = re.sub(rf"(?<![\w\"'-]){re.escape(key)}(?=\s*=)", what.heading(key), new)
    if tomllib.loads(new) != wanted:
        raise StudyError(
            f"'{what.old}' stands in the study file in a way that cannot be changed by itself. Change it there by hand to "
            f"'{what.new}', then give the same command again: it then changes the trials."
        )
    return new


def _by_factor(raw: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the tables of a study file whose keys are factors."""
    found = [raw.get(name) for name in ("today", "harsher")]
    return [x for x in [*found, *raw.get("avoid", []), *raw.get("lifted", [])] if isinstance(x, dict)]


def _renamed(raw: dict[str, Any], what: NewName) -> dict[str, Any]:
    """Return what a study file holds, as it reads afterwards."""
    out = dict(raw)
    out["step"] = [_step(dict(step), what) for step in raw["step"]]
    for name in ("today", "harsher"):
        if name in raw:
            out[name] = what.values(raw[name])
    for name in ("avoid", "lifted"):
        if name in raw:
            out[name] = [what.values(table) for table in raw[name]]
    if "reading" in raw and not what.setting:
        reading = dict(raw["reading"])
        if "after" in reading:
            reading["after"] = [what.new if step == what.old else step for step in reading["after"]]
        if "columns" in reading:
            reading["columns"] = {k: what.heading(v) for k, v in reading["columns"].items()}
        out["reading"] = reading
    return out


def _step(step: dict[str, Any], what: NewName) -> dict[str, Any]:
    if step["name"] != what.step:
        return step
    if not what.setting:
        return step | {"name": what.new}
    for table in (step, step.get("no_longer", {})):
        if what.setting in table:
            named = {f"{what.step}_{what.setting}": table[what.setting]}
            (new,) = what.values(named).values()
            if table is step:
                step[what.setting] = new
            else:
                step["no_longer"] = {**table, what.setting: new}
    return step


def _in_place(there: Any, wanted: Any, what: NewName) -> None:
    """Change the values of a document where they differ; keys that change are left to the text."""
    pairs: Iterable[tuple[Any, Any]]
    if isinstance(wanted, dict):
        pairs = [(k, wanted.get(what.heading(k))) for k in list(there) if what.heading(k) in wanted]
    else:
        pairs = list(enumerate(wanted))
    for key, value in pairs:
        if isinstance(value, dict | list):
            _in_place(there[key], value, what)
        elif there[key] != value:
            there[key] = value


# --- sheets ----------------------------------------------------------------------------------------


def renamed_sheet(path: Path, what: NewName) -> bytes | None:
    """
    Return a trial sheet or run sheet with the new name, all else as it is; None where the name is not in it.

    Parameters
    ----------
    path : Path
        CSV or XLSX.
    what : NewName

    Raises
    ------
    RecordsError
        It cannot be read.
    """
    try:
        data = path.read_bytes()
        return _xlsx(data, what) if path.suffix.lower() == ".xlsx" else _csv(data, path.name, what)
    except (OSError, csv.Error, KeyError, ValueError) as error:
        raise RecordsError(f"{path.name} cannot be read ({error}). Nothing was changed.") from None


def _csv(data: bytes, name: str, what: NewName) -> bytes | None:
    text, guessed = decoded(data, name)
    separator, rest = separator_of(text)
    first = text.removesuffix(rest)  # the line some spreadsheets put first
    lines = list(csv.reader(io.StringIO(rest, newline=""), delimiter=separator, strict=True))
    if not _change(lines, what):
        return None
    page = io.StringIO(newline="")
    ending = "\r\n" if "\r\n" in rest else "\n"
    csv.writer(page, delimiter=separator, lineterminator=ending).writerows(lines)
    mark = "utf-8-sig" if data.startswith(b"\xef\xbb\xbf") or guessed else "utf-8"
    return (first + page.getvalue()).removeprefix("\ufeff").encode(mark)


def _change(lines: list[list[Any]], what: NewName) -> bool:
    """Change headings and cells of a sheet; return whether any did."""
    at = next((i for i, line in enumerate(lines) if any(v not in (None, "") for v in line)), None)
    if at is None:
        return False
    headings = [str(v).strip() if v is not None else "" for v in lines[at]]
    changed = False
    for line in lines[at + 1 :]:
        for j, heading in enumerate(headings[: len(line)]):
            new = what.value(heading, line[j])
            changed |= new != line[j]
            line[j] = new
    for j, heading in enumerate(headings):
        if (new := what.heading(heading)) != heading:
            lines[at][j], changed = new, True
    return changed


def _xlsx(data: bytes, what: NewName) -> bytes | None:
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(data))
    changed = False
    for sheet in book.worksheets:
        lines = [list(line) for line in sheet.iter_rows(values_only=True)]
        before = [list(line) for line in lines]
        if not _change(lines, what):
            continue
        changed = True
        for i, (line, old) in enumerate(zip(lines, before, strict=True), start=1):
            for j, (value, was) in enumerate(zip(line, old, strict=True), start=1):
                if value != was:
                    sheet.cell(i, j).value = value
        for list_of in sheet.data_validations.dataValidation:
            words = (list_of.formula1 or "").removeprefix('"').removesuffix('"').split(",")
            if list_of.type == "list" and what.old in words:
                list_of.formula1 = '"' + ",".join(what.new if w == what.old else w for w in words) + '"'
    if not changed:
        return None
    page = io.BytesIO()
    book.save(page)
    return page.getvalue()


# --- the record book ---------------------------------------------------------------------------------


def rename(conn: sa.Connection, entry: Entry, before: Any, what: NewName) -> int:
    """
    Give a step or a level its new name in a book; see `RecordBook.rename`.

    `before` is the study as the book may know it, the entry's the one it becomes.
    """
    found = rows.same_study(conn, before)
    if found is None:
        return 0
    study_id, c = found[0], t.trials.c
    of_study = c.study_id == study_id
    touched: set[int] = set()
    for name in ("settings", "planned", "extras"):
        column = c[name]
        for text in conn.scalars(sa.select(column).where(of_study, column.is_not(None)).distinct()).all():
            old = unpacked(text)
            new = what.values(old)
            if len(new) < len(old):
                raise RecordsError(
                    f"there are trials with both {what.old} and {what.new}; two steps cannot become one. Nothing was changed."
                )
            if new != old:
                here = of_study, column == text
                touched |= set(conn.scalars(sa.select(c.id).where(*here)))
                conn.execute(sa.update(t.trials).where(*here).values({name: packed(new)}))
    if not what.setting:
        mine = sa.select(c.id).where(of_study)
        for table, name in ((t.works, "step"), (t.readings, "after")):
            here = table.c.trial_id.in_(mine), table.c[name] == what.old
            touched |= set(conn.scalars(sa.select(table.c.trial_id).where(*here)))
            conn.execute(sa.update(table).where(*here).values({name: what.new}))
        here = of_study, c.burned_after_step == what.old
        conn.execute(sa.update(t.trials).where(*here).values(burned_after_step=what.new))
    rows.put_event(
        conn, study_id, f"renamed {what.step}_{what.setting}" if what.setting else "renamed step",
        at=entry.when, technician=entry.technician, before=what.old, after=what.new,
    )  # fmt: skip
    rows.put_study(conn, entry.study, found[1])
    return len(touched)
