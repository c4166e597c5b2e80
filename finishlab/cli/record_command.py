"""`finishlab record`: logging trials at the bench, question by question.

The record book says what is to be done next; here it is asked, and what was typed is
handed to the book. Nothing is called saved before the book has said so.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from finishlab.cli import screen
from finishlab.cli.dialog import Dialog, Ended, Word
from finishlab.cli.options import Answers, Folder, Technician
from finishlab.cli.study_folder import StudyFolder
from finishlab.errors import FinishlabError

if TYPE_CHECKING:
    from finishlab.bench.forms.entry import Field
    from finishlab.records import RecordBook
    from finishlab.records.book.bench_checks import Saved
    from finishlab.study import Study

_WORDS = {
    "stop": "end; what is saved stays",
    "spoil": "the trial went wrong; say why",
    "burn": "the clear coat was worked through",
    "correct": "change what is logged of a trial",
    "differs": "at the start of a trial: the work is not as planned",
    "wait": "read the patch whose wait is over next, before another is begun",
    "?": "these words",
}


def record(
    folder: Folder,
    technician: Technician = None,
    instrument: Annotated[
        str,
        typer.Option(metavar="NAME", help="Which meter reads; kept with every reading.", show_default=False),
    ] = "",
    mil: Annotated[
        bool, typer.Option("--mil", help="Film is typed in mil, where no unit stands behind it.")
    ] = False,
    tablet: Annotated[
        bool, typer.Option("--tablet", help="Serve the form to a tablet instead; the address is printed.")
    ] = False,
    answers: Answers = None,
) -> None:
    """Log trials at the bench.

    Asks for the next planned trial: film before, minutes of each step, the readings after it
    one by one, film after. A slip is answered beside its question. Each entry counts once
    "Saved" stands below it; stop at any time (the word stop, or Ctrl+C) and go on later, at
    this bench or another.

    At any question these words do something else: stop, spoil, burn, correct,
    differs, wait, ?

    \b
    Examples:
      finishlab record doors --technician T1
      finishlab record doors --tablet

    Cautions: the form asks for work, it does not say that it is safe. Follow the safety data
    sheets, the coating maker's data sheet, local codes and licensed practice.
    """
    place = StudyFolder.at(folder)
    study = place.study()
    if tablet:
        _serve(place)
        return
    dialog = Dialog(answers, _WORDS)
    with place.book() as book:
        book.add_study(study)
        try:
            if _Bench(book, study, dialog, instrument, mil).work(technician):
                dialog.say(
                    f"\nNo trial is planned or under way. Plan more: finishlab plan {screen.quoted(folder)} --trials 8 --panels 1"
                )
        except (KeyboardInterrupt, Word):
            dialog.say("\nStopped. What is saved stays; what was typed since is not in the book.")
        except Ended as error:
            raise FinishlabError(
                f"{error} What is saved stays; what was typed since is not in the book."
            ) from None
    dialog.say(f"Go on later: finishlab record {screen.quoted(folder)}")


def _serve(place: StudyFolder) -> None:
    from finishlab.bench.forms.tablet import serve_tablet

    with place.book():
        pass  # a folder whose trials are in a sheet is refused here, in words
    try:
        with serve_tablet(place.path) as page:
            typer.echo(page.text())
            page.wait()
    except KeyboardInterrupt:
        pass  # wherever it comes, it is the way to end


class _Bench:
    """One person at one bench; what was asked and answered is in the book, not here."""

    def __init__(self, book: RecordBook, study: Study, dialog: Dialog, instrument: str, mil: bool) -> None:
        self.book, self.study, self.dialog = book, study, dialog
        self.instrument, self.mil = instrument, mil
        self.technician = ""

    def work(self, technician: str | None) -> bool:
        """Take one trial after another; True when none is left, False when the answers ended before."""
        from finishlab.records.book.bench_checks import person

        self.technician = person(technician or self.dialog.ask("Who are you? (a number or initials)", person))
        self.dialog.say("Type ? for the words that do something else.")
        while (task := self.book.next_trial(self.study)) is not None:
            try:
                self._next(task)
            except Word as typed:
                if typed.word == "stop":
                    raise
                self._otherwise(typed.word, task)
            except Ended:
                if task["status"] == "planned":  # between two trials the answers may end
                    return False
                raise
            except FinishlabError as error:
                # What only the book could see, as film that grew: the one at the bench can mend it.
                self._refused(error)
        return True

    def _next(self, task: dict[str, Any]) -> None:
        """Ask for the next thing of a trial."""
        if task["status"] == "planned":
            self._start(task, differs=False)
        elif task["to_read"] is not None:
            self._read(task)
        elif task["next_step"] is not None:
            self._step(task, task["next_step"])
        else:
            self._finish(task)

    # --- entries ---------------------------------------------------------------------------

    def _start(self, task: dict[str, Any], differs: bool) -> None:
        from finishlab.bench.forms.entry import film_field
        from finishlab.words import show

        self._head(task)
        for step in self.study.steps:
            out = show.left_out(step, task["settings"])
            shown = [show.setting_text(s, show.value_of(s, task["settings"])) for s in step.settings]
            self.dialog.say(f"  {show.step_name(step)}: {'left out' if out else ', '.join(shown)}")
        more = self._differs(task) if differs else {}
        film = self._number(film_field(self.study, "film_before_um", "film before work"))
        self.book.start(
            self.study,
            trial=task["trial"],
            technician=self.technician,
            film_before_um=film,
            key=_key(),
            **more,
        )
        self.dialog.say(f"    Saved: trial {task['trial']} is started.")

    def _differs(self, task: dict[str, Any]) -> dict[str, Any]:
        """Ask what is not as planned, and why."""
        from finishlab.study import level_of
        from finishlab.words import show

        settings = {}
        for setting in self.study.factors:
            planned = task["settings"].get(setting.factor)

            def level(text: str, s: Any = setting, value: Any = planned) -> Any:
                if not text:
                    return value
                found = level_of(s, float(text.replace(",", ".")) if s.numeric and _is_number(text) else text)
                if found is None:
                    raise FinishlabError(f"'{text}' was not studied. Type one of: {show.levels_text(s)}.")
                return found

            said = "left out" if planned is None else show.setting_text(setting, planned)
            settings[setting.factor] = self.dialog.ask(f"  {setting.label()} (Enter: {said})", level)
        return {"settings": settings, "reason": self.dialog.ask("  why is it not as planned", _some)}

    def _step(self, task: dict[str, Any], step: str) -> None:
        from finishlab.bench.forms.entry import minutes_field

        self._head(task)
        minutes = self._number(minutes_field(f"{step}: minutes worked"))
        self._saved(
            self.book.worked(
                self.study, task["trial"], step=step, minutes=minutes, technician=self.technician, key=_key()
            )
        )

    def _read(self, task: dict[str, Any]) -> None:
        """Ask for the readings that are due."""
        from finishlab.bench.forms.entry import reading_fields, spread_note
        from finishlab.study.column_names import quantities_after

        self._head(task)
        if task["minutes_left"]:
            self.dialog.say(
                f"  wait {task['minutes_left']:.0f} more minutes before reading; no other trial is open meanwhile"
            )
        wipe = self.study.reading.wipe
        after = task["to_read"]
        self.dialog.say(f"  read after {after}{': ' + wipe if wipe else ''}")
        values: dict[str, list[float]] = {}
        for quantity in quantities_after(self.study, after):
            fields = reading_fields(self.study, quantity)
            while True:
                read: list[float] = []
                for field in fields:
                    value = self._number(field, others=read)
                    read += [] if value is None else [value]
                note = spread_note(read, fields[-1])
                if not note or not self.dialog.live:
                    break
                self.dialog.say(f"    -> {note}")
                if not self.dialog.yes("  read this quantity again"):
                    break
            values[quantity] = read
        self._saved(
            self.book.read(
                self.study, task["trial"], after=after, values=values, technician=self.technician,
                instrument=self.instrument, key=_key(),
            )
        )  # fmt: skip

    def _finish(self, task: dict[str, Any]) -> None:
        from finishlab.bench.forms.entry import film_field

        self._head(task)
        film = self._number(film_field(self.study, "film_after_um", "film after work"))
        self._saved(
            self.book.finish(
                self.study, task["trial"], technician=self.technician, film_after_um=film, key=_key()
            )
        )

    # --- in place of an answer -----------------------------------------------------------------

    def _otherwise(self, word: str, task: dict[str, Any]) -> None:
        """Do what a word asks for; a word typed meanwhile leaves it."""
        try:
            if word == "?":
                for name, meaning in _WORDS.items():
                    self.dialog.say(f"  {name}: {meaning}")
            elif word == "correct":
                self._correct(task)
            elif word == "wait":
                self._wait()
            elif word == "spoil":
                self._spoil(task)
            elif word == "differs" and task["status"] == "planned":
                self._start(task, differs=True)
            elif word == "differs":
                self.dialog.say("    -> This trial is started. Type correct to change what is logged of it.")
            elif task["status"] == "planned":
                self.dialog.say("    -> This trial is not started yet, so nothing can have burned through.")
            else:
                self._burn(task)
        except Ended:
            raise
        except FinishlabError as error:
            self._refused(error)
        except Word as typed:
            if typed.word == "stop":
                raise

    def _wait(self) -> None:
        """Read the patch that may be read next; in the book the wait is seen to all the same."""
        waiting = self.book.waiting(self.study).to_dict("records")
        if not waiting:
            self.dialog.say("    -> No patch waits to be read.")
            return
        task = {str(name): value for name, value in waiting[0].items()}
        said = f"  trial {task['trial']} may be read after {task['to_read']} in {task['minutes_left']:.0f} minutes"
        self.dialog.ask(f"{said} (Enter: read it now)", str)
        self._read({**task, "minutes_left": 0})

    def _spoil(self, task: dict[str, Any]) -> None:
        reason = self.dialog.ask(f"  why is trial {task['trial']} spoiled", _some)
        self._saved(
            self.book.spoil(self.study, task["trial"], reason=reason, technician=self.technician, key=_key())
        )

    def _burn(self, task: dict[str, Any]) -> None:
        names = [s.name for s in self.study.steps]

        def step(text: str) -> str:
            if text.casefold() not in names:
                raise FinishlabError(f"'{text}' is not a step. The steps are {', '.join(names)}.")
            return text.casefold()

        after = self.dialog.ask(f"  in which step did trial {task['trial']} burn through", step)
        self._saved(
            self.book.burn(self.study, task["trial"], after=after, technician=self.technician, key=_key())
        )

    def _correct(self, task: dict[str, Any]) -> None:
        trial = self.dialog.ask(
            f"  which trial (Enter: {task['trial']})", lambda text: text or str(task["trial"])
        )
        column = self.dialog.ask("  what is wrong (as gloss_20_2, cut_minutes, cut_passes)", _some)
        value = self.dialog.ask(f"  what should {column} be (Enter: nothing)", _plain)
        reason = self.dialog.ask("  why", _some)
        self._saved(
            self.book.amend(
                self.study,
                trial,
                changes={column: value},
                reason=reason,
                technician=self.technician,
                key=_key(),
            )
        )

    # --- asking and telling --------------------------------------------------------------------

    def _head(self, task: dict[str, Any]) -> None:
        patch = "" if task["patch"] is None else f", patch {task['patch']}"
        self.dialog.say(f"\nTrial {task['trial']}: panel {task['panel']}{patch}")

    def _number(self, field: Field, others: Sequence[float] = ()) -> float | None:
        from finishlab.bench.forms.entry import entered
        from finishlab.study import RESPONSES

        def read(text: str) -> float | None:
            found = entered(text, field, others=others, in_mil=self.mil)
            if found.fault:
                raise FinishlabError(found.note)
            if found.doubt:
                self.dialog.say(f"    -> {found.note}")
                if self.dialog.live and not self.dialog.yes("  is it right as typed"):
                    raise FinishlabError("Type it again.")
            return found.value

        words = RESPONSES.get(field.quantity, ("", ""))[0]
        label = field.label if words in field.label else f"{words}, {field.label}"
        unit = {"µm": "mil" if self.mil else "µm", "min": ""}.get(
            field.unit, field.unit
        )  # the label says minutes
        skip = "" if field.wanted else " (Enter: not measured)"
        return self.dialog.ask(f"  {label}{', ' + unit if unit else ''}{skip}", read)

    def _refused(self, error: FinishlabError) -> None:
        """Say what the book refused, so that it is asked again; answers out of a file end there."""
        if not self.dialog.live:
            raise error
        for mistake in error.mistakes:
            self.dialog.say(f"    -> {mistake}")

    def _saved(self, saved: Saved) -> None:
        self.dialog.say(f"    {saved.text}")
        for prompt in saved.prompts:
            self.dialog.say(f"    -> {prompt}")


def _some(text: str) -> str:
    if not text:
        raise FinishlabError("Empty. Type it, or stop to leave.")
    return text


def _plain(text: str) -> Any:
    """Return what stands for a value in a correction: nothing, a number, or text."""
    if not text:
        return None
    return float(text.replace(",", ".")) if _is_number(text) else text


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _key() -> str:
    """Return a key under which an entry counts once, however often it arrives."""
    return uuid.uuid4().hex
