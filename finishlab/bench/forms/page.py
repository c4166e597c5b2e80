"""What the form shows, as plain data: one page a situation, made of parts that `form.js` draws.

Functions of the study, the trial on the bench and the session, without a widget or a
book, so that every page can be looked at in a test. What a part may be is what `form.js`
has a branch for. The page of corrections is in `correction.py`, the list below every page
in `today.py`; what happens when something is pressed is in `saving.py`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from finishlab.bench.forms.entry import Field, film_field
from finishlab.bench.forms.page_parts import Part, action, choice_input, group, input_part, text_input
from finishlab.bench.forms.session import Session
from finishlab.bench.forms.trial_progress import Trial, fields_of_step, read_as, step_to_do, to_work
from finishlab.study import RANGES, RESPONSES, Setting, Step, Study
from finishlab.words.show import left_out, setting_text, step_name, value_of


def _inputs(fields: Iterable[Field], session: Session) -> list[Part]:
    return [input_part(f, in_mil=session.in_mil) for f in fields]


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
            action("meter", "Meter check"),
            action("leave", "Someone else"),
        ],
    }


def steps(study: Study, trial: Trial, session: Session, now: Step | None) -> Part:
    """Return the process of a trial, step by step, in words; a blind reader sees only the names."""
    lines = []
    for step in study.steps:
        out = left_out(step, trial.settings)
        settings = [setting_text(s, value_of(s, trial.settings)) for s in step.settings]
        state = "out" if out else "now" if step == now else "done" if step.name in trial.worked else "todo"
        text = "left out" if out else ", ".join(settings)
        read = "worked, to be read" if step.name in trial.worked else "now"
        marks = {"done": "done", "now": read, "todo": "", "out": ""}
        if session.blind:
            text, state = "settings hidden", "todo" if out else state
        lines.append({"name": step_name(step), "text": text, "state": state, "mark": marks[state]})
    return {"is": "steps", "steps": lines}


def others(
    trials: Sequence[Trial], on_bench: Trial | None, session: Session, waits: Mapping[int | str, float]
) -> list[Part]:
    """Return buttons for what can be worked meanwhile: what is under way and the next of the plan."""
    under_way = [t for t in trials if t.status == "started"]
    planned = [t for t in trials if t.status == "planned"][:1]
    buttons = []
    for trial in [*under_way, *planned]:
        if on_bench is None or trial.number != on_bench.number:
            left = waits.get(trial.number, 0.0)
            state = "next in the plan" if trial.status == "planned" else "under way"
            who = f", {trial.technician}" if trial.technician not in ("", session.technician) else ""
            wait = f", read in {left / 60:.0f} min" if left > 30 else ""
            buttons.append(action("show", f"{trial.place}: {state}{who}{wait}", arg=trial.number))
    return [{"is": "actions", "label": "Other patches", "actions": buttons}] if buttons else []


def waiting(study: Study, left: float) -> Part:
    """Return how to wipe and how long to wait before reading; `left` in seconds."""
    reading = study.reading
    wipe = f"Wipe with {reading.wipe}." if reading.wipe else "Wipe the patch clean."
    if left > 0:
        return {
            "is": "wait",
            "seconds": left,
            "text": f"{wipe} Then wait:",
            "meanwhile": " Meanwhile work another patch below.",
            "over": f"{wipe} The wait is over: read now.",
        }
    wait = f" Wait {reading.wait_minutes:g} minutes, then read." if reading.wait_minutes else " Then read."
    return {"is": "text", "text": wipe + wait}


# --- pages -------------------------------------------------------------------------------------


def who_page(session: Session) -> tuple[list[Part], str]:
    """Return the page that asks once who logs, and the field to begin with."""
    directions = [
        ("", "not noted"),
        ("along", "along the last strokes"),
        ("across", "across the last strokes"),
    ]
    fields = [
        text_input("technician", "Number or initials", hint="never a name", value=session.technician),
        text_input("instrument", "Gloss meter number", hint="may stay empty", value=session.instrument),
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
        fields = _inputs([film_field(study, "film_before_um", "film before work")], session)
    return [
        {"is": "title", "text": trial.place, "sub": f"Trial {trial.number}" + (f": {why}" if why else "")},
        steps(study, trial, session, step_to_do(study, trial)),
        *([group(fields)] if fields else []),
        {
            "is": "actions",
            "actions": [
                action("start", "Start trial and stopwatch", kind="primary"),
                # Who must not know the plan cannot say what differs from it.
                *([] if session.blind else [action("differ", "Something differs from the plan")]),
            ],
        },
        _wrong(action("spoil", "Spoil this trial", kind="danger", arg=trial.number)),
    ], "film_before_um" if fields else "do-start"


def differ_page(study: Study, trial: Trial, session: Session) -> tuple[list[Part], str]:
    """Return the page that names how a trial differs from its plan."""
    parts, _ = start_page(study, trial, session, "worked otherwise than planned")
    fields = [setting_choice(f, trial.settings.get(f.factor)) for f in study.factors]
    fields.append(text_input("reason", "Why it differs from the plan"))
    buttons = [
        action("start", "Start trial and stopwatch", kind="primary", arg="differs"),
        action("back", "Back to the plan"),
    ]
    return [
        parts[0],
        *parts[2:-2],
        group(fields, "As it will be worked"),
        {"is": "actions", "actions": buttons},
    ], (study.factors[0].factor)


def setting_choice(setting: Setting, value: Any) -> Part:
    """Return a choice among the studied levels of a setting."""
    options = [(str(i), setting_text(setting, level)) for i, level in enumerate(setting.levels)]
    at = setting.levels.index(value) if value in setting.levels else 0
    return choice_input(setting.factor, setting.label(), options, str(at))


def step_page(study: Study, trial: Trial, session: Session, left: float) -> tuple[list[Part], str]:
    """Return the page of the step that is being worked and read; `left` in seconds of the wait."""
    step = step_to_do(study, trial)
    assert step is not None
    groups = fields_of_step(study, trial, step, session.also)
    reads = read_as(study, trial, step) in study.reading.after
    clock, filled = _clock(trial, step, session, groups[0][1][0])
    parts: list[Part] = [
        {"is": "title", "text": trial.place, "sub": f"Trial {trial.number}"},
        steps(study, trial, session, step),
        clock,
    ]
    if reads:
        parts.append(waiting(study, left))
    parts += [group(_inputs(fields, session), text) for text, fields in groups[1:]]
    parts.append({"is": "actions", "actions": [action("save", f"Save {step_name(step)}", kind="primary")]})
    if reads:
        parts.append(_also(study, session))
    parts.append(
        _wrong(
            action("burn", "Burned through", kind="danger", arg=trial.number),
            action("spoil", "Spoil this trial", kind="danger", arg=trial.number),
        )
    )
    return parts, "clock-press" if not filled else groups[1][1][0].name if len(groups) > 1 else "minutes"


def _clock(trial: Trial, step: Step, session: Session, field: Field) -> tuple[Part, str]:
    """Return the stopwatch of a step, and what stands in its minutes."""
    seconds, running = session.worked(trial.number, step.name)
    if not seconds and step.name in trial.minutes:
        seconds = 60 * trial.minutes[step.name]
    filled = f"{seconds / 60:.2f}" if seconds and not running else ""
    name = step_name(step)
    return {
        "is": "clock",
        "seconds": seconds,
        "running": running,
        "field": input_part(field, filled),
        "start": f"Start {name}",
        "stop": f"Stop {name}",
        "more": f"Go on with {name}",
    }, filled


def _wrong(*buttons: Part) -> Part:
    return {"is": "actions", "label": "If it goes wrong", "actions": list(buttons)}


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
        *([group(_inputs(fields, session))] if fields else []),
        {"is": "actions", "actions": [action("finish", "End this trial", kind="primary")]},
        _wrong(
            action("burn", "Burned through", kind="danger", arg=trial.number),
            action("spoil", "Spoil this trial", kind="danger", arg=trial.number),
        ),
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
        worked = to_work(study, trial)
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
                    f"{kind}ed",
                    "Save as burned through" if burned else "Save as spoiled",
                    kind="primary",
                    arg=trial.number,
                ),
                action("back", "Back"),
            ],
        },
    ], "after" if burned else "reason"


def meter_fields() -> list[Field]:
    """Return the numbers of a meter check."""
    most = RANGES["gloss_20"][1]
    return [
        Field("expected", "tile", "what the tile is", "GU", most),
        Field("read", "tile", "what the meter shows", "GU", most),
        Field("limit", "tile", "how far off is too far", "GU", most),
    ]


def meter_page(session: Session) -> tuple[list[Part], str]:
    """Return the page of the daily meter check; what was typed last time stands there, but the reading."""
    expected, read, limit = meter_fields()
    tile = session.tile
    return [
        {
            "is": "title",
            "text": "Check the meter",
            "sub": "Read the tile as the meter's manual says. Off by more than the limit, every reading since the last "
            "good check is marked as in doubt.",
        },
        group(
            [
                text_input("instrument", "Gloss meter number", value=session.instrument),
                text_input("tile", "Which tile", hint="number on it", value=tile.get("tile", "")),
                input_part(expected, tile.get("expected", "")),
                input_part(read),
                input_part(limit, tile.get("limit", "")),
                text_input("set_by", "Who set this limit", value=tile.get("set_by", "")),
            ]
        ),
        {
            "is": "actions",
            "actions": [action("checked", "Save meter check", kind="primary"), action("back", "Back")],
        },
    ], "read" if tile else "instrument" if not session.instrument else "tile"
