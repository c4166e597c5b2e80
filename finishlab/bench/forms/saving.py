"""What is pressed becomes a call of the record book: one function a button.

Each takes the bench, what was typed, the page's key and what the button is about, and
returns what the bench is told once the book has said that it is saved. Whatever the book
refuses is raised, and nothing is saved. The same key twice is saved once.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from finishlab.bench.forms import page_parts
from finishlab.bench.forms.entry import Field
from finishlab.bench.forms.page_parts import Part
from finishlab.bench.forms.trial_progress import last_worked, read_as, step_to_do
from finishlab.errors import FinishlabError, RecordsError
from finishlab.words.show import counted

if TYPE_CHECKING:
    from finishlab.bench.forms.page_parts import Typed
    from finishlab.bench.forms.session import Bench
    from finishlab.bench.forms.trial_progress import Trial
    from finishlab.study import Step


def start(bench: Bench, typed: Typed, key: str, arg: Any) -> Part | None:
    """Start the trial on the bench, and the stopwatch of its first step."""
    trial = bench.here()
    film = {f.name: v for f, v in typed.numbers().items()}
    more: dict[str, Any] = {}
    if arg == "differs":
        settings = typed.chosen(bench.study)
        if settings != trial.settings:
            more = {"settings": settings, "reason": typed.reason()}
    number = bench.book.start(
        bench.study,
        trial=trial.number,
        technician=bench.session.technician,
        key=key,
        film_before_um=film.get("film_before_um"),
        **more,
    )
    bench.session.trial = number
    bench.look_again()
    step = step_to_do(bench.study, bench.here())
    if step is not None:
        bench.session.clocks[number, step.name] = (0.0, time.time())
    return None


def clock(bench: Bench, typed: Typed, key: str, arg: Any) -> None:
    """
    Keep the stopwatch; where the step is read, log on stopping that it is worked.

    From then on the book knows the minutes and counts the wait, for whoever reads and wherever.
    """
    trial = bench.here()
    step = step_to_do(bench.study, trial)
    if step is None:
        return
    session, now = bench.session, time.time()
    seconds = float(arg["seconds"])
    session.trial = trial.number
    session.clocks[trial.number, step.name] = (seconds, now if arg["running"] else None)
    minutes = round(seconds / 60, 2)
    reads = read_as(bench.study, trial, step) in bench.study.reading.after
    if arg["running"] or not reads or not minutes:
        return
    session.ready[trial.number] = now + 60 * bench.study.reading.wait_minutes
    try:
        bench.book.worked(
            bench.study, trial.number, step=step.name, minutes=minutes, technician=session.technician
        )
    except FinishlabError as error:
        typed.notes["minutes"] = (f"not saved yet: {' '.join(error.mistakes)}", "bad")
    else:
        typed.notes["minutes"] = (f"{minutes:g} min saved", "ok")


def save(bench: Bench, typed: Typed, key: str, arg: Any) -> Part | None:
    """Log minutes and readings of a step; after the last one end the trial."""
    trial, session = bench.here(), bench.session
    step = step_to_do(bench.study, trial)
    if step is None:
        return None
    read = typed.numbers()
    numbers = {f.name: v for f, v in read.items()}
    after = read_as(bench.study, trial, step)
    minutes = _minutes(trial, step, numbers["minutes"])
    if after != step.name:  # the steps behind it are left out, so the patch is as they leave it
        bench.book.worked(
            bench.study,
            trial.number,
            step=step.name,
            minutes=minutes,
            technician=session.technician,
            key=f"{key}-minutes",
        )
        minutes = 0.0
    saved = bench.book.read(
        bench.study,
        trial.number,
        after=after,
        values=_values(read),
        technician=session.technician,
        instrument=session.instrument,
        direction=session.direction,
        minutes=minutes,
        key=key,
    )
    # Where minutes and readings come in one press, the book cannot know how long the patch had waited.
    prompts = [p for p in saved.prompts if not (minutes == 0 and p.startswith("read 0 minutes after"))]
    session.clocks.pop((trial.number, step.name), None)
    session.ready.pop(trial.number, None)
    if step == last_worked(bench.study, trial):
        return _end(bench, trial, numbers.get("film_after_um"), key, prompts)
    return _told(saved.text, trial, prompts)


def _minutes(trial: Trial, step: Step, typed: float | None) -> float | None:
    """Return minutes to log; None where the book has them, perhaps with more decimals than the page."""
    logged = trial.minutes.get(step.name)
    return None if logged is not None and typed is not None and abs(logged - typed) < 0.0051 else typed


def _values(read: dict[Field, float | None]) -> dict[str, list[float]]:
    values: dict[str, list[float]] = {}
    for field, value in read.items():
        if field.unit not in ("µm", "min") and value is not None:
            values.setdefault(field.quantity, []).append(value)
    return values


def finish(bench: Bench, typed: Typed, key: str, arg: Any) -> Part | None:
    """End a trial of which every step is logged."""
    film = {f.name: v for f, v in typed.numbers().items()}
    return _end(bench, bench.here(), film.get("film_after_um"), key, ())


def _end(
    bench: Bench, trial: Trial, film_after_um: float | None, key: str, prompts: Sequence[str]
) -> Part | None:
    try:
        ended = bench.book.finish(
            bench.study,
            trial.number,
            technician=bench.session.technician,
            film_after_um=film_after_um,
            key=f"{key}-end",
        )
    except RecordsError as error:
        # What was read is in the book by now; only the end is not.
        text = "The readings are saved, but the trial is not ended."
        return page_parts.message("bad", text, [*error.mistakes, *prompts])
    bench.session.trial = None
    return _told(f"Trial {trial.number} is done.", trial, dict.fromkeys([*prompts, *ended.prompts]))


def spoiled(bench: Bench, typed: Typed, key: str, arg: Any) -> Part | None:
    """Keep a trial as spoiled."""
    trial, reason = bench.about(), typed.reason()
    bench.book.spoil(bench.study, trial.number, reason=reason, technician=bench.session.technician, key=key)
    return _left(bench, f"Trial {trial.number} is kept as spoiled: {reason}.", trial)


def burned(bench: Bench, typed: Typed, key: str, arg: Any) -> Part | None:
    """Keep a trial as burned through."""
    trial, after = bench.about(), typed.text("after")
    bench.book.burn(
        bench.study,
        trial.number,
        after=after,
        technician=bench.session.technician,
        note=typed.text("reason"),
        key=key,
    )
    return _left(bench, f"Trial {trial.number} is kept as burned through in {after}.", trial)


def _left(bench: Bench, text: str, trial: Trial) -> Part:
    if bench.session.trial == trial.number:
        bench.session.trial = None
    return _told(text, trial)


def corrected(bench: Bench, typed: Typed, key: str, arg: Any) -> Part | None:
    """Correct what the book holds of a trial."""
    row = bench.row(arg)
    changes: dict[str, Any] = {
        f.name: value
        for f, value in typed.numbers().items()
        if typed.changed(f.name) and value != row.get(f.name)
    }
    changes |= {name: value for name, value in typed.chosen(bench.study).items() if typed.changed(name)}
    if not changes:
        raise RecordsError("Nothing was changed. Type over what is wrong, or go back.")
    bench.book.amend(
        bench.study,
        arg,
        changes=changes,
        reason=typed.reason(),
        technician=bench.session.technician,
        key=key,
    )
    what = counted(len(changes), "value")
    return _told(f"Trial {arg} is corrected: {what}. What stood there is in its history.")


def checked(bench: Bench, typed: Typed, key: str, arg: Any) -> Part | None:
    """Log a meter check."""
    read = {f.name: v for f, v in typed.numbers().items()}
    session = bench.session
    found = bench.book.check_meter(
        bench.study,
        instrument=typed.text("instrument"),
        tile=typed.text("tile"),
        expected=read["expected"] or 0.0,
        read=read["read"] or 0.0,
        limit=read["limit"] or 0.0,
        limit_set_by=typed.text("set_by"),
        technician=session.technician,
        key=key,
    )
    session.instrument = typed.text("instrument")
    session.tile = {name: typed.text(name) for name in ("tile", "expected", "limit", "set_by")}
    if found.good:
        return page_parts.message("ok", "The meter check is saved.", [found.text])
    return page_parts.message("bad", "The meter check is saved: the meter is off.", [found.text])


def _told(text: str, trial: Trial | None = None, prompts: Any = ()) -> Part:
    correct = page_parts.action("correct", "Correct it", arg=trial.number) if trial else None
    return page_parts.message("ok", text, prompts, correct)


#: What each button of a page does that saves.
PRESSES: dict[str, Callable[[Bench, Typed, str, Any], Part | None]] = {
    "start": start,
    "save": save,
    "finish": finish,
    "spoiled": spoiled,
    "burned": burned,
    "corrected": corrected,
    "checked": checked,
}
