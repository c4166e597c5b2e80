"""What stands on a run sheet, as plain facts: its columns, its trials step by step, its words.

Pure functions of a planned sheet and its study. How it looks is in `workbook.py` and the
page templates, where it is written in `run_sheet_files.py`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from finishlab.bench.forms.entry import Field, reading_fields
from finishlab.errors import PlanError
from finishlab.plain import plain_rows
from finishlab.records.sheets.value_rules import MOST_MINUTES
from finishlab.study import RANGES, RESPONSES, Setting, Study
from finishlab.study.column_names import known_columns, quantities_after, read_in_trials
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd

#: What says which trial a row is: it is printed, never filled in.
PLACE = ("trial", "run_order", "panel", "half_panel", "patch", "why")
#: What a technician may write of a trial's fate. A trial that is still planned says nothing.
FATES = ("done", "started", "spoiled")


@dataclass(frozen=True)
class Blank:
    """
    One column to fill in.

    Attributes
    ----------
    column : str
        Its name in the trial table, and so its heading.
    hint : str
        What belongs in it, in plain words, with the unit.
    choices : tuple of str
        What it may hold, where that is a list.
    low, high : float or None
        Between which a number must lie.
    whole : bool
        Only whole numbers make sense.
    """

    column: str
    hint: str
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    whole: bool = False


@cache
def words() -> dict[str, Any]:
    """Return every word of a run sheet."""
    return tomllib.loads(
        files("finishlab.bench.run_sheets").joinpath("words.toml").read_text(encoding="utf-8")
    )


def checked(sheet: pd.DataFrame, study: Study) -> list[dict[str, Any]]:
    """
    Return the rows of a planned sheet, None where a cell is empty.

    Raises
    ------
    PlanError
        It has no trials, or lacks the panel, the patch or a factor: all of them named.
    OutsideStudy
        A trial has a setting that the study does not have.
    """
    needed = ["panel", "patch", *(f.factor for f in study.factors)]
    missing = [name for name in needed if name not in sheet.columns]
    mistakes = [] if len(sheet) else ["the sheet has no trials. Give one as plan_trials returns it."]
    if missing:
        mistakes.append(
            f"the sheet lacks {show.listed(missing)}. Give one as plan_trials returns it, with every factor of the study."
        )
    if mistakes:
        raise PlanError(mistakes)
    study.basis.values(sheet)  # says which setting was never studied
    return plain_rows(sheet)


def read_after(study: Study, existing: pd.DataFrame | None = None) -> dict[str, tuple[str, ...]]:
    """
    Return what is read after each step: what the study asks for, and what its earlier trials read there too.

    Parameters
    ----------
    study : Study
    existing : DataFrame, optional
        Earlier trials.
    """
    columns = () if existing is None else existing.columns[existing.notna().any()]
    return {
        step.name: quantities_after(study, step.name, also=read_in_trials(study, step.name, columns))
        for step in study.steps
    }


def blanks(study: Study, read: Mapping[str, tuple[str, ...]]) -> list[Blank]:
    """Return every column to fill in, in the order of the work; settings stand first, as planned."""
    w = words()["workbook"]
    film = RANGES["film_left_um"][1]
    found = [_setting(s) for s in study.factors]
    found += [Blank("technician", w["technician"]), Blank("date", w["date"])]
    found.append(Blank("film_before_um", w["film_before_um"], low=0, high=film))
    last = study.steps[-1].name
    for step in study.steps:
        for quantity in read[step.name]:
            prefix = "" if step.name == last else f"{step.name}_"
            fields = reading_fields(study, quantity)
            found += [_reading(prefix, step.name, f, len(fields)) for f in fields]
        hint = w["step_minutes"].format(step=show.step_name(step))
        found.append(Blank(f"{step.name}_minutes", hint, low=0, high=MOST_MINUTES))
    found.append(Blank("film_after_um", w["film_after_um"], low=0, high=film))
    found.append(Blank("minutes", w["minutes"], low=0, high=MOST_MINUTES))
    found.append(Blank("status", w["status"], choices=FATES))
    found.append(Blank("burned_after_step", w["burned_after_step"], tuple(s.name for s in study.steps)))
    found.append(Blank("reason", w["reason"]))
    return found


def _setting(setting: Setting) -> Blank:
    hint = f"{setting.label()}: {show.levels_text(setting)}"
    if setting.numeric:
        low, high = setting.levels[0], setting.levels[-1]
        return Blank(setting.factor, hint, low=low, high=high, whole=setting.kind == "count")
    return Blank(setting.factor, hint, choices=tuple(map(str, setting.levels)))


def _reading(prefix: str, step: str, field: Field, spots: int) -> Blank:
    w = words()["workbook"]
    label, unit = RESPONSES[field.quantity]
    hint = w["after"].format(label=f"{label}, {unit}" if unit else label, step=step.replace("_", " "))
    column = prefix + field.quantity
    if spots > 1:
        spot = field.name.rsplit("_", 1)[1]
        hint, column = w["spot"].format(label=hint, spot=spot, spots=spots), f"{column}_{spot}"
    return Blank(column, hint, low=0, high=round(field.most, 1), whole=field.whole)


def own_columns(rows: list[dict[str, Any]], study: Study, read: Mapping[str, tuple[str, ...]]) -> list[Blank]:
    """Return the columns of a sheet that are neither its place nor asked for: they go along, to be filled in."""
    asked = {b.column for b in blanks(study, read)} | {"removed_um"}
    own = [n for n in rows[0] if n not in PLACE and n not in asked and n not in study.settings]
    known = known_columns(study)
    hint = words()["workbook"]["own"]
    return [Blank(n, show.label(n) if n in known else hint) for n in own]


# --- the printed page -------------------------------------------------------------------------------


def page_facts(
    rows: list[dict[str, Any]], study: Study, read: Mapping[str, tuple[str, ...]]
) -> dict[str, Any]:
    """Return what the printed page says: rules, cautions, and a card for each trial."""
    w = words()
    return {
        "title": study.title,
        "rules": rules(study),
        "cautions": w["cautions"]["lines"],
        "cards": [_card(row, study, read) for row in rows],
    }


def rules(study: Study) -> list[str]:
    """Return how to work and read, in the words of the study."""
    w, reading = words()["head"], study.reading
    read = w["read"] if reading.wait_minutes else w["read_now"]
    limits = [show.stop_when(name, limit.condition, limit.set_by) for name, limit in study.limits.items()]
    return [
        w["pass_means"].format(pass_means=study.pass_means),
        w["order"],
        read.format(
            wipe=reading.wipe or w["wipe"],
            wait=show.plain_number(reading.wait_minutes),
            spots=reading.spots,
        ),
        w["minutes"],
        *(limits or [f"{show.NO_FILM_LIMIT} {w['no_limit']}"]),
        w["wrong"],
        w["technician"],
    ]


def place_of(row: Mapping[str, Any]) -> list[str]:
    """Return where a trial is, in words: trial, panel, patch, order, as far as they are known."""
    w = words()["card"]
    named = (
        ("trial", "trial"),
        ("panel", "panel"),
        ("half", "half_panel"),
        ("patch", "patch"),
        ("order", "run_order"),
    )
    return [w[word].format(**{word: row[name]}) for word, name in named if row.get(name) is not None]


def _card(row: Mapping[str, Any], study: Study, read: Mapping[str, tuple[str, ...]]) -> dict[str, Any]:
    steps = []
    for number, step in enumerate(study.steps, start=1):
        out = show.left_out(step, row)
        shown = [show.setting_text(s, show.value_of(s, row)) for s in step.settings]
        last = step is study.steps[-1]
        # A left-out step leaves the patch as it was; only the finish is read all the same.
        asked = read[step.name] if last or not out else ()
        steps.append(
            {
                "number": number,
                "name": show.step_name(step),
                "do": words()["card"]["left_out"] if out else ", ".join(shown),
                "out": out,
                "readings": [{"label": show.label(q), "boxes": len(reading_fields(study, q))} for q in asked],
            }
        )
    heading, *place = place_of(row)
    return {"heading": heading, "place": place, "why": str(row.get("why") or ""), "steps": steps}
