"""What the form shows, as plain data: one page a situation, made of parts that `form.js` draws.

Functions of the study, the trial on the bench and the session, without a widget or a
book, so that every page can be looked at in a test. What a part may be is what `form.js`
has a branch for. What happens when something is pressed is in `log_form.py`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from finishlab._show import label, left_out, plain_number, setting_text, step_name, value_of
from finishlab.forms.entry import Field, film_field, minutes_field, quantities_after, reading_fields
from finishlab.forms.parts import (
    Part,
    Session,
    action,
    choice_input,
    group,
    input_part,
    text_input,
)
from finishlab.records.columns import MIL_UM, Column, gathered, understand
from finishlab.study import RESPONSES, Setting, Step, Study

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Trial:
    """One trial as the bench sees it: where, with what, and how far it has come."""

    number: int | str
    panel: Any
    patch: Any
    settings: dict[str, Any]
    status: str
    worked: frozenset[str] = frozenset()

    @property
    def place(self) -> str:
        """Where it is worked, in words."""
        return f"Panel {self.panel} · patch {self.patch}"


def trials_of(table: pd.DataFrame, study: Study) -> list[Trial]:
    """
    Return the trials of a book's tidy table, in its order.

    A step counts as worked once anything was logged of it.
    """
    columns = understand(map(str, table.columns), study)
    logged = {
        step.name: [
            c.heading for c in columns.values() if c.role in ("reading", "minutes") and c.step == step.name
        ]
        for step in study.steps
    }
    found = []
    for line in table.to_dict("records"):
        row = {str(k): v for k, v in line.items()}
        settings = {f.factor: value_of(f, row) for f in study.factors}
        worked = {
            n for n, names in logged.items() if any(row[c] == row[c] and row[c] is not None for c in names)
        }
        found.append(
            Trial(
                row["trial"], row["panel"], row.get("patch", ""), settings, row["status"], frozenset(worked)
            )
        )
    return found


def step_to_do(study: Study, trial: Trial) -> Step | None:
    """Return the first step that is neither worked nor left out; None when only the end is missing."""
    for step in study.steps:
        if step.name not in trial.worked and not left_out(step, trial.settings):
            return step
    return None


def last_worked(study: Study, trial: Trial) -> Step:
    """Return the last step that this trial has."""
    return [s for s in study.steps if not left_out(s, trial.settings)][-1]


def fields_of_step(study: Study, trial: Trial, step: Step, session: Session) -> list[tuple[str, list[Field]]]:
    """
    Return the groups of fields for a step: heading and fields, the stopwatch's minutes first.

    After the last step of a trial everything is read that the goal names, also where the
    trial leaves out the steps behind it.
    """
    last = step == last_worked(study, trial)
    after = study.steps[-1].name if last else step.name
    groups = [("", [minutes_field(f"minutes of {step_name(step)}")])]
    for quantity in quantities_after(study, after, also=session.also):
        words, unit = RESPONSES[quantity]
        heading = "" if quantity == "faults" else f"{words}, {unit}" if unit else words
        groups.append((heading, list(reading_fields(study, quantity))))
    if last and study.limits:
        groups.append(("", [film_field(study, "film_after_um", "film after work")]))
    return groups


# --- parts -----------------------------------------------------------------------------------


def head(session: Session) -> Part:
    """Return the line that says who logs, with the switches that hold for all trials."""
    who = f"Logged by {session.technician}" + (f", meter {session.instrument}" if session.instrument else "")
    return {
        "is": "head",
        "text": who,
        "actions": [
            action("unit", "Film in mil", pressed=session.in_mil),
            action("blind", "Hide settings", pressed=session.blind),
            action("leave", "Someone else"),
        ],
    }


def steps(study: Study, trial: Trial, session: Session, now: Step | None) -> Part:
    """Return the process of a trial, step by step, in words; a blind reader sees only the names."""
    lines = []
    for step in study.steps:
        out = left_out(step, trial.settings)
        settings = [setting_text(s, value_of(s, trial.settings)) for s in step.settings]
        state = "out" if out else "done" if step.name in trial.worked else "now" if step == now else "todo"
        text = "left out" if out else ", ".join(settings)
        marks = {"done": "done", "now": "now", "todo": "", "out": ""}
        if session.blind:
            text, state = "settings hidden", "todo" if out else state
        lines.append({"name": step_name(step), "text": text, "state": state, "mark": marks[state]})
    return {"is": "steps", "steps": lines}


def others(trials: Sequence[Trial], shown: Trial | None, session: Session, now: float) -> list[Part]:
    """Return buttons for what can be worked meanwhile: what is under way and the next of the plan."""
    under_way = [t for t in trials if t.status == "started"]
    planned = [t for t in trials if t.status == "planned"][:1]
    buttons = []
    for trial in [*under_way, *planned]:
        if shown is None or trial.number != shown.number:
            left = session.ready.get(trial.number, 0.0) - now
            state = "next in the plan" if trial.status == "planned" else "under way"
            wait = f", read in {left / 60:.0f} min" if left > 30 else ""
            buttons.append(action("show", f"{trial.place}: {state}{wait}", arg=trial.number))
    return [{"is": "actions", "label": "Other patches", "actions": buttons}] if buttons else []


def waiting(study: Study, trial: Trial, session: Session, now: float) -> list[Part]:
    """Return how to wipe and how long to wait before reading."""
    reading = study.reading
    wipe = f"Wipe with {reading.wipe}." if reading.wipe else "Wipe the patch clean."
    left = session.ready.get(trial.number, 0.0) - now
    if left > 0:
        return [
            {
                "is": "wait",
                "seconds": left,
                "text": f"{wipe} Then wait:",
                "meanwhile": " Meanwhile work another patch below.",
                "over": f"{wipe} The wait is over: read now.",
            }
        ]
    wait = f" Wait {reading.wait_minutes:g} minutes, then read." if reading.wait_minutes else " Then read."
    return [{"is": "text", "text": wipe + wait}]


def today(table: pd.DataFrame, session: Session, study: Study) -> Part:
    """Return what was logged today, with a way to correct each trial."""
    names = [str(c) for c in table.columns]
    rows = []
    for row in table.to_dict("records"):
        if row["what"] == "planned":  # the day's plan is not the day's work
            continue
        if session.blind and (
            row["what"] == "started" or row["what"].removeprefix("amended ") in study.settings
        ):
            row |= {"before": None, "after": "settings hidden"}
        rows.append(
            {
                "cells": [_shown(row[n]) for n in names],
                "action": action("correct", "Correct", arg=row["trial"]),
            }
        )
    return {
        "is": "table",
        "title": "Logged today",
        "columns": [label(n) for n in names],
        "rows": rows,
        "none": "Nothing yet.",
    }


def _shown(value: Any) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, float):
        return plain_number(round(value, 2))
    return f"{value:%H:%M}" if hasattr(value, "hour") else str(value)


# --- pages -------------------------------------------------------------------------------------


def who_page(session: Session) -> tuple[list[Part], str]:
    """Return the page that asks once who logs, and the field to begin with."""
    directions = [
        ("", "not noted"),
        ("along", "along the last strokes"),
        ("across", "across the last strokes"),
    ]
    fields = [
        text_input("technician", "Number or initials, never a name", value=session.technician),
        text_input(
            "instrument", "Number on the gloss meter", hint="may stay empty", value=session.instrument
        ),
        choice_input("direction", "Gloss is read", directions, session.direction),
    ]
    return [
        {"is": "title", "text": "Who is logging?", "sub": ""},
        group(fields),
        {"is": "actions", "actions": [action("come", "Go on", kind="primary")]},
    ], "technician"


def start_page(study: Study, trial: Trial, session: Session, why: str) -> tuple[list[Part], str]:
    """Return the page of a planned trial that nobody has begun."""
    fields = []
    if study.limits:
        fields = [input_part(film_field(study, "film_before_um", "film before work"), session)]
    return [
        {"is": "title", "text": trial.place, "sub": f"Trial {trial.number}" + (f": {why}" if why else "")},
        steps(study, trial, session, step_to_do(study, trial)),
        *([group(fields)] if fields else []),
        {
            "is": "actions",
            "actions": [
                action("start", "Start trial and stopwatch", kind="primary"),
                action("differ", "Something differs from the plan"),
            ],
        },
    ], "film_before_um" if fields else "do-start"


def differ_page(study: Study, trial: Trial, session: Session) -> tuple[list[Part], str]:
    """Return the page that names how a trial differs from its plan."""
    parts, _ = start_page(study, trial, session, "worked otherwise than planned")
    fields = [_choice(f, trial.settings.get(f.factor)) for f in study.factors]
    fields.append(text_input("reason", "Why it differs from the plan"))
    buttons = [
        action("start", "Start trial and stopwatch", kind="primary", arg="differs"),
        action("back", "Back to the plan"),
    ]
    return [
        parts[0],
        *parts[2:-1],
        group(fields, "As it will be worked"),
        {"is": "actions", "actions": buttons},
    ], (study.factors[0].factor)


def _choice(setting: Setting, value: Any) -> Part:
    options = [(str(i), setting_text(setting, level)) for i, level in enumerate(setting.levels)]
    at = setting.levels.index(value) if value in setting.levels else 0
    return choice_input(setting.factor, setting.label(), options, str(at))


def step_page(study: Study, trial: Trial, session: Session, now: float) -> tuple[list[Part], str]:
    """Return the page of the step that is being worked and read."""
    step = step_to_do(study, trial)
    assert step is not None
    seconds, since = session.clocks.get((trial.number, step.name), (0.0, None))
    groups = fields_of_step(study, trial, step, session)
    reads = any(fields[0].unit not in ("min", "µm") for _, fields in groups)
    filled = f"{seconds / 60:.2f}" if seconds and since is None else ""
    name = step_name(step)
    clock = {
        "is": "clock",
        "seconds": seconds + (now - since if since is not None else 0.0),
        "running": since is not None,
        "field": input_part(groups[0][1][0], session, filled),
        "start": f"Start {name}",
        "stop": f"Stop {name}",
        "more": f"Go on with {name}",
    }
    parts: list[Part] = [
        {"is": "title", "text": trial.place, "sub": f"Trial {trial.number}"},
        steps(study, trial, session, step),
        clock,
    ]
    for text, fields in groups[1:]:
        if fields[0].unit == "GU" and not any(p["is"] in ("wait", "text") for p in parts):
            parts += waiting(study, trial, session, now)
        parts.append(group([input_part(f, session) for f in fields], text))
    parts.append({"is": "actions", "actions": [action("save", f"Save {name}", kind="primary")]})
    if reads:
        parts.append(_also(study, session))
    parts.append(
        {
            "is": "actions",
            "label": "If it goes wrong",
            "actions": [
                action("burn", "Burned through", kind="danger"),
                action("spoil", "Spoil this trial", kind="danger"),
            ],
        }
    )
    return parts, "clock-press" if not filled else groups[1][1][0].name if len(groups) > 1 else "minutes"


def _also(study: Study, session: Session) -> Part:
    asked = set(study.goal)
    buttons = [
        action("also", RESPONSES[name][0], arg=name, pressed=name in session.also)
        for name in RESPONSES
        if name.startswith("gloss_") and name not in asked
    ]
    return {"is": "actions", "label": "Read as well", "actions": buttons}


def empty_page() -> list[Part]:
    """Return the page of a book without planned trials."""
    return [
        {
            "is": "title",
            "text": "No trial is planned",
            "sub": "Every planned trial is worked, or none was planned yet. Whoever plans the study puts more in.",
        }
    ]


def finish_page(trial: Trial, study: Study, session: Session) -> tuple[list[Part], str]:
    """Return the page of a trial whose steps are all logged but which was not ended."""
    fields = [film_field(study, "film_after_um", "film after work")] if study.limits else []
    return [
        {"is": "title", "text": trial.place, "sub": f"Trial {trial.number}: every step is logged"},
        *([group([input_part(f, session) for f in fields])] if fields else []),
        {"is": "actions", "actions": [action("finish", "End this trial", kind="primary")]},
    ], "film_after_um" if fields else "do-finish"


def wrong_page(trial: Trial, study: Study, session: Session, kind: str) -> tuple[list[Part], str]:
    """Return the page that asks what happened, for a spoiled or a burned trial."""
    burned = kind == "burn"
    said = (
        "A burn-through is a result and stays in the study. Stop work on this patch."
        if burned
        else "A spoiled trial stays in the book with its reason, and is not used. The patch is planned no more."
    )
    fields: list[Part] = []
    if burned:
        worked = [s for s in study.steps if not left_out(s, trial.settings)]
        at = step_to_do(study, trial) or worked[-1]
        fields.append(
            choice_input("after", "In which step", [(s.name, step_name(s)) for s in worked], at.name)
        )
    fields.append(
        text_input(
            "reason",
            "What was seen" if burned else "Why it is spoiled",
            hint="may stay empty" if burned else "",
        )
    )
    return [
        {"is": "title", "text": trial.place, "sub": said},
        group(fields),
        {
            "is": "actions",
            "actions": [
                action(
                    f"{kind}ed", "Save as burned through" if burned else "Save as spoiled", kind="primary"
                ),
                action("back", "Back"),
            ],
        },
    ], "after" if burned else "reason"


def correct_page(row: Mapping[str, Any], study: Study, session: Session) -> tuple[list[Part], str]:
    """Return the page that corrects a trial: what is in the book, to be typed over."""
    fields = [input_part(f, session, _in_unit(row[f.name], f, session)) for f in correctable(row, study)]
    choices = [] if session.blind else [_choice(f, row.get(f.factor)) for f in study.factors]
    return [
        {
            "is": "title",
            "text": f"Correct trial {row['trial']}",
            "sub": f"Panel {row['panel']} · patch {row.get('patch', '')}. What stands here now is kept in its history.",
        },
        group(fields, "Readings; empty one to take it back"),
        *([group(choices, "Settings as worked")] if choices else []),
        group([text_input("reason", "Why it is corrected")]),
        {
            "is": "actions",
            "actions": [
                action("corrected", "Save correction", kind="primary", arg=row["trial"]),
                action("back", "Back"),
            ],
        },
    ], fields[0]["name"] if fields else "reason"


def correctable(row: Mapping[str, Any], study: Study) -> list[Field]:
    """Return a field for every single value that the book holds of a trial."""
    columns = understand(map(str, row), study)
    groups = [
        *gathered(columns.values(), "reading").values(),
        *gathered(columns.values(), "film").values(),
        *gathered(columns.values(), "minutes").values(),
    ]
    given = {name for name, value in row.items() if value is not None and value == value}
    found = []
    for members in groups:
        repeats = [c for c in members if c.repeat and c.heading in given]
        for column in repeats or [c for c in members if c.heading in given]:
            if column.quantity != "removed_um" and not column.in_mil:
                found.append(_field(column))
    return found


def _field(column: Column) -> Field:
    most, unit, whole = 1000.0, "", False
    if column.role == "film":
        unit = "µm"
    elif column.role == "minutes":
        unit, most = "min", minutes_field("").most
    else:
        unit = RESPONSES[column.quantity][1]
        whole = column.quantity == "faults"
        most = 10_000.0 if whole else most
    return Field(column.heading, column.quantity, _words(column), unit, most, whole, wanted=False)


def _words(column: Column) -> str:
    """Return what a column holds in plain words, without its unit."""
    if column.role == "reading":
        what = f"{RESPONSES[column.quantity][0]} after {column.step}".replace("_", " ")
    elif column.role == "film":
        what = {"film_before_um": "film before work", "film_after_um": "film after work"}[column.quantity]
    else:
        what = f"minutes of {column.step}".replace("_", " ") if column.step else "minutes in all"
    return f"{what}, {column.repeat}" if column.repeat else what


def _in_unit(value: float, field: Field, session: Session) -> str:
    return plain_number(
        round(value / MIL_UM, 3) if session.in_mil and field.unit == "µm" else round(value, 4)
    )
