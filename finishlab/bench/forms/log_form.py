"""The form at the bench as a widget: it hears what is pressed and draws the next page.

`log_form` makes it. What a press saves is in `saving.py`, the pages are made in `page.py`,
what is typed is read in `page_parts.py`; `form.js` and `form.css` draw. Nothing is said to be
saved before the book has said so; one entry has one key, so a tap that arrives twice is
saved once; what was typed stays on the screen, and in the browser, until it is saved.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import anywidget
import traitlets

from finishlab.bench.forms import correction, page, page_parts, saving
from finishlab.bench.forms.entry import Field, film_field
from finishlab.bench.forms.page_parts import Part, Typed
from finishlab.bench.forms.session import Bench, Session
from finishlab.bench.forms.today import today
from finishlab.bench.forms.trial_progress import Trial, fields_of_step, step_to_do
from finishlab.errors import FinishlabError, RecordsError
from finishlab.records.book.bench_checks import person

if TYPE_CHECKING:
    from finishlab.records import RecordBook
    from finishlab.study import Study

_HERE = Path(__file__).parent


def log_form(book: RecordBook, study: Study, *, blind: bool = False) -> LogForm:
    """
    Make the form with which a technician logs trials in a notebook or on a tablet.

    Parameters
    ----------
    book : RecordBook
        Where trials are planned and kept. A study that is not in it yet is added.
    study : Study
    blind : bool, optional
        Begin with the settings hidden from the one who reads; the form has a switch for it.

    Returns
    -------
    LogForm
        A widget: the last value of a cell shows it.

    Raises
    ------
    RecordsError
        The book cannot be read or written.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> from finishlab.records.columns import _example
    >>> study, folder = _example(), tempfile.TemporaryDirectory()
    >>> book = fl.RecordBook(Path(folder.name, "trials.sqlite"))
    >>> form = log_form(book, study)
    >>> form.page["parts"][0]["text"]
    'Who is logging?'

    Where nothing is planned the form says so, once it knows who asks:

    >>> form.press("come", fields={"technician": "T1"})
    >>> form.page["parts"][1]["text"]
    'No trial is planned'
    >>> book.close(); folder.cleanup()
    """
    return LogForm(book, study, blind=blind)


class LogForm(anywidget.AnyWidget):
    """
    The form as a widget; made by `log_form`.

    Attributes
    ----------
    page : dict
        What is on the screen, as plain data.
    notes : dict
        What stands beside the fields.
    kept : dict
        What a browser keeps, so that another page or kernel goes on from here.
    session : Session
        Who logs, and where they are.
    """

    _esm = _HERE / "form.js"
    _css = _HERE / "form.css"
    page = traitlets.Dict().tag(sync=True)
    notes = traitlets.Dict().tag(sync=True)
    kept = traitlets.Dict().tag(sync=True)

    def __init__(self, book: RecordBook, study: Study, *, blind: bool = False) -> None:
        super().__init__()
        self.session = Session(blind=blind)
        self.bench = Bench(book, study, self.session)
        place = f"{book.name} {book.add_study(study)}"
        self._kept_as = f"finishlab {hashlib.sha256(place.encode()).hexdigest()[:16]}"
        self._entry = uuid.uuid4().hex
        self._drawn = 0
        self._turns: dict[str, Callable[[Any, Typed], None]] = {
            "come": self._come,
            "leave": lambda arg, typed: self._go("who"),
            "back": lambda arg, typed: self._go("trial"),
            "differ": lambda arg, typed: self._go("differ"),
            "meter": lambda arg, typed: self._go("meter"),
            "spoil": lambda arg, typed: self._go("spoil", about=arg),
            "burn": lambda arg, typed: self._go("burn", about=arg),
            "correct": lambda arg, typed: self._go("correct", about=arg),
            "show": self._show,
            "unit": lambda arg, typed: self._switch("in_mil"),
            "blind": lambda arg, typed: self._switch("blind"),
            "also": self._also,
        }
        self.on_msg(lambda widget, content, buffers: self._heard(content))
        self._draw()

    def __repr__(self) -> str:
        """Say what stands here where no widget can be shown."""
        return f"The form for logging trials of '{self.bench.study.title}': run the cell to use it."

    def press(self, do: str, *, arg: Any = None, fields: dict[str, str] | None = None) -> None:
        """
        Press a button of the present page, as a finger would.

        Parameters
        ----------
        do : str
            What the button asks, as ``save``.
        arg : optional
            What the button is about, as a trial's number.
        fields : dict of str to str, optional
            What was typed, by field.
        """
        self._heard({"do": do, "arg": arg, "fields": fields or {}, "entry": self._entry})

    # --- hearing ---------------------------------------------------------------------------------

    def _heard(self, content: dict[str, Any]) -> None:
        do, arg, entry = content["do"], content.get("arg"), self._entry
        if do == "there":
            self.send({"there": arg})
            return
        if content.get("entry") != entry:
            self.bench.look_again()
            self._draw()  # pressed twice, or on a page that is gone
            return
        if do == "again":
            self._again(arg)
            return
        typed = self._typed(content.get("fields") or {})
        if do == "look":
            typed.look(str(arg))
        else:
            if do != "clock":
                self.session.message = None
            self.bench.look_again()
            try:
                self._pressed(do, arg, typed)
            except FinishlabError as error:
                self._refused(error.mistakes)
            except Exception as error:
                why = (
                    f"Something unforeseen happened ({error}). Show this to whoever looks after the computer."
                )
                self._refused([why])
                raise
        if typed.notes:
            fields = {name: {"text": text, "kind": kind} for name, (text, kind) in typed.notes.items()}
            self.notes = {"entry": entry, "fields": fields}

    def _pressed(self, do: str, arg: Any, typed: Typed) -> None:
        if (do == "clock" or do in saving.PRESSES) and self._place() != self.page["place"]:
            self._gone_on(typed)
        elif do == "clock":
            saving.clock(self.bench, typed, self._entry, arg)
            self.bench.look_again()
            self._draw()
        elif do in saving.PRESSES:
            self.session.message = saving.PRESSES[do](self.bench, typed, self._entry, arg)
            self._go("trial")
        else:
            self._turns[do](arg, typed)

    def _gone_on(self, typed: Typed) -> None:
        """Refuse what was typed about a step that another bench has logged since."""
        told = [f"{name.replace('_', ' ')}: {text}" for name, text in typed.raw.items() if text.strip()]
        why = "This patch was gone on with at another bench since the page was shown; below is how it stands now."
        self.session.message = page_parts.message(
            "bad", "Not saved.", [why, *([f"Typed here was {', '.join(told)}."] if told else [])]
        )
        self._turn()

    def _refused(self, why: Any) -> None:
        self.session.message = page_parts.message("bad", "Not saved.", why)
        self._draw()

    def _again(self, kept: Any) -> None:
        """Answer a page that was opened or loaded again: go on from what its browser kept."""
        if not self.session.technician and self.session.take_up(kept):
            if self.session.view in ("correct", "spoil", "burn") and not self.bench.known(self.session.about):
                self.session.view = "trial"
            self._turn()
        else:
            self._draw()  # how long the stopwatch has run and what the book holds may be another by now

    # --- reading what was typed --------------------------------------------------------------------

    def _typed(self, raw: dict[str, str]) -> Typed:
        shown = {f["name"]: f.get("value", "") for f in page_parts.fields_on(self.page["parts"])}
        fields = [f for f in self._known() if f.name in shown]
        return Typed(raw, fields, shown, self.session.in_mil)

    def _known(self) -> list[Field]:
        """Return the fields of numbers that the present page may have."""
        study, view = self.bench.study, self.session.view
        if view == "who":
            return []
        if view == "meter":
            return page.meter_fields()
        if view == "correct":
            return correction.correctable(self.bench.row(self.session.about), study)
        found = [film_field(study, f"film_{when}_um", f"film {when} work") for when in ("before", "after")]
        trial = self.bench.trial()
        step = step_to_do(study, trial) if trial else None
        if trial is not None and step is not None:
            groups = fields_of_step(study, trial, step, self.session.also)
            found += [f for _, fields in groups for f in fields if f.unit != "µm"]
        return found

    # --- who, where --------------------------------------------------------------------------------

    def _come(self, arg: Any, typed: Typed) -> None:
        who = typed.text("technician")
        if not who:
            raise RecordsError("Who is logging is empty. Type a number or initials.")
        if len(who) > 12:
            raise RecordsError(f"'{who[:40]}' looks like a name. Type a number or initials, as T1.")
        self.session.technician = person(who)
        self.session.instrument = typed.text("instrument")
        self.session.direction = typed.text("direction")
        self._go("trial")

    def _go(self, view: str, *, about: Any = None) -> None:
        self.session.view, self.session.about = view, about
        self._turn()

    def _show(self, arg: Any, typed: Typed) -> None:
        self.session.trial = arg
        self._go("trial")

    def _switch(self, name: str) -> None:
        setattr(self.session, name, not getattr(self.session, name))
        # In another unit, what was typed would mean another film.
        self._turn() if name == "in_mil" else self._draw()

    def _also(self, arg: str, typed: Typed) -> None:
        self.session.also ^= {arg}
        self._draw()

    def _turn(self) -> None:
        """Turn to a new page: a new key, and nothing typed."""
        self._entry = uuid.uuid4().hex
        self.bench.look_again()
        self._draw()

    # --- the page ------------------------------------------------------------------------------------

    def _draw(self) -> None:
        told = [self.session.message] if self.session.message else []
        try:
            found, focus = self._parts(told)
            place = self._place()
        except FinishlabError as error:
            # What is on the screen stays while it is still the page it was.
            same = self.page.get("entry") == self._entry
            old = [p for p in self.page["parts"] if p["is"] != "message"] if same else []
            again = page_parts.action("back", "Look again")
            if told and told[0]["list"] == list(error.mistakes):
                told = [{**told[0], "action": again}]  # why it was not saved says it all
            else:
                told.append(
                    page_parts.message("bad", "The book cannot be read just now.", error.mistakes, again)
                )
            found, focus = [*told, *old], ""
            place = self.page["place"] if same else ""
        self._drawn += 1
        self.kept = {"as": self._kept_as, "session": self.session.to_keep()}
        self.page = {
            "version": self._drawn,
            "entry": self._entry,
            "place": place,
            "parts": found,
            "focus": focus,
        }

    def _place(self) -> str:
        """Return what is typed on this page is about, as the book stands now."""
        session, unit = self.session, "/mil" if self.session.in_mil else ""
        if session.view in ("who", "meter"):
            return session.view
        if session.view == "correct":
            return f"correct/{session.about}{unit}"
        if session.view in ("spoil", "burn"):
            return f"{session.view}/{self.bench.about().number}"
        trial = self.bench.trial()
        if trial is None:
            return ""
        step = step_to_do(self.bench.study, trial)
        at = "start" if trial.status == "planned" else "end" if step is None else step.name
        return f"{session.view}/{trial.number}/{at}{unit}"

    def _parts(self, told: list[Part]) -> tuple[list[Part], str]:
        """Return the parts of the page, and where to type first."""
        session, study = self.session, self.bench.study
        if session.view == "who":
            found, focus = page.who_page(session)
            return [*told, *found], focus
        trial = self.bench.trial()
        if session.view == "meter":
            found, focus = page.meter_page(session)
        elif session.view == "correct":
            found, focus = correction.correct_page(self.bench.row(session.about), study, session)
        elif session.view in ("spoil", "burn"):
            found, focus = page.wrong_page(self.bench.about(), study, session, session.view)
        elif trial is None:
            found, focus = page.empty_page(), ""
        elif session.view == "differ":
            found, focus = page.differ_page(study, trial, session)
        else:
            found, focus = self._bench_page(trial)
        if session.view == "trial":
            found += page.others(self.bench.trials(), trial, session, self.bench.waits())
            found.append(today(self.bench.book.today(study), session, study))
        return [page.head(session), *told, *found], focus

    def _bench_page(self, trial: Trial) -> tuple[list[Part], str]:
        session, study = self.session, self.bench.study
        if trial.status == "planned":
            return page.start_page(study, trial, session, self.bench.why(trial))
        if step_to_do(study, trial) is None:
            return page.finish_page(trial, study, session)
        return page.step_page(study, trial, session, self.bench.waits().get(trial.number, 0.0))
