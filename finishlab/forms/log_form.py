"""The form at the bench: what is pressed becomes a call of the record book.

`log_form` makes it. The pages are made in `page.py`, what is typed is read in `entry.py`,
`form.js` and `form.css` draw. Nothing is said to be saved before the book has said so;
one entry has one key, so a tap that arrives twice is saved once; what was typed stays on
the screen until it is saved.
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import anywidget
import traitlets

from finishlab._show import counted
from finishlab.errors import FinishlabError, RecordsError
from finishlab.forms import page, parts
from finishlab.forms.entry import Entered, Field, entered, spread_note
from finishlab.forms.page import Trial
from finishlab.forms.parts import Part, Session

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
    session : Session
        Who logs, and where they are.
    """

    _esm = _HERE / "form.js"
    _css = _HERE / "form.css"
    page = traitlets.Dict().tag(sync=True)
    notes = traitlets.Dict().tag(sync=True)

    def __init__(self, book: RecordBook, study: Study, *, blind: bool = False) -> None:
        super().__init__()
        self.book, self.study = book, study
        self._key = book.add_study(study)
        self.session = Session(blind=blind)
        self._entry = uuid.uuid4().hex
        self._drawn = 0
        self._read: list[Trial] | None = None
        self._doing: dict[str, Callable[[Any, dict[str, str]], None]] = {
            "come": self._come,
            "leave": lambda arg, typed: self._go("who"),
            "back": lambda arg, typed: self._go("trial"),
            "differ": lambda arg, typed: self._go("differ"),
            "spoil": lambda arg, typed: self._go("spoil"),
            "burn": lambda arg, typed: self._go("burn"),
            "show": self._open,
            "unit": lambda arg, typed: self._switch("in_mil"),
            "blind": lambda arg, typed: self._switch("blind"),
            "also": self._also,
            "start": self._start,
            "save": self._save,
            "finish": self._finish,
            "spoiled": self._spoiled,
            "burned": self._burned,
            "correct": self._correct,
            "corrected": self._corrected,
        }
        self.on_msg(lambda widget, content, buffers: self._heard(content))
        self._draw()

    def __repr__(self) -> str:
        """Say what stands here where no widget can be shown."""
        return f"The form for logging trials of '{self.study.title}': run the cell to use it."

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
        do, typed = content["do"], content.get("fields") or {}
        if content.get("entry") != self._entry:
            self._draw()  # pressed twice, or on a page that is gone
            return
        if do == "look":
            self._look(content["arg"], typed)
            return
        if do == "clock":
            self._clock(content["arg"])
            return
        self.session.message, self._read = None, None
        try:
            self._doing[do](content.get("arg"), typed)
        except FinishlabError as error:
            self.session.message = parts.message("bad", "Not saved.", error.mistakes)
            self._draw()
        except Exception as error:
            self.session.message = parts.message(
                "bad",
                "Not saved.",
                [f"Something unforeseen happened ({error}). Show this to whoever looks after the computer."],
            )
            self._draw()
            raise

    def _look(self, name: str, typed: dict[str, str]) -> None:
        """Say beside a field what was understood of it."""
        field = next((f for f in self._fields() if f.name == name), None)
        if field is None or not typed.get(name, "").strip():
            self._note({name: ("", "")})
            return
        found = self._entered(typed, field)
        doubt = "" if found.fault else spread_note(self._values(typed, field.quantity), field)
        kind = "bad" if found.fault else "doubt" if doubt else "ok"
        self._note({name: (doubt or found.note, kind)})

    def _note(self, notes: dict[str, tuple[str, str]]) -> None:
        fields = {name: {"text": text, "kind": kind} for name, (text, kind) in notes.items()}
        self.notes = {"entry": self._entry, "fields": fields}

    def _clock(self, arg: dict[str, Any]) -> None:
        """Keep the stopwatch, so that another page or a closed lid does not lose it."""
        trial = self._trial()
        step = page.step_to_do(self.study, trial) if trial else None
        if trial is None or step is None:
            return
        now = time.monotonic()
        self.session.clocks[trial.number, step.name] = (
            float(arg["seconds"]),
            now if arg["running"] else None,
        )
        if not arg["running"] and step.name in self.study.reading.after:
            self.session.ready[trial.number] = now + 60 * self.study.reading.wait_minutes

    # --- reading what was typed ----------------------------------------------------------------------

    def _fields(self) -> list[Field]:
        """Return the fields of numbers on the present page."""
        shown = {f["name"] for f in parts.fields_on(self.page["parts"])}
        return [f for f in self._known if f.name in shown]

    @property
    def _known(self) -> list[Field]:
        trial = self._trial()
        if self.session.view == "correct":
            return page.correctable(self._row(self.session.correcting), self.study)
        found = [
            page.film_field(self.study, f"film_{when}_um", f"film {when} work")
            for when in ("before", "after")
        ]
        step = page.step_to_do(self.study, trial) if trial else None
        if trial is not None and step is not None:
            groups = page.fields_of_step(self.study, trial, step, self.session)
            found += [f for _, fields in groups for f in fields if f.unit != "µm"]
        return found

    def _entered(self, typed: dict[str, str], field: Field) -> Entered:
        others = self._values(typed, field.quantity, but=field.name)
        return entered(typed.get(field.name, ""), field, others=others, in_mil=self.session.in_mil)

    def _values(self, typed: dict[str, str], quantity: str, but: str = "") -> list[float]:
        """Return what was typed so far of a quantity, where it can be read."""
        same = [f for f in self._fields() if f.quantity == quantity and f.name != but]
        read = [entered(typed.get(f.name, ""), f, in_mil=self.session.in_mil).value for f in same]
        return [v for v in read if v is not None]

    def _all(self, typed: dict[str, str]) -> dict[Field, float | None]:
        """Return every number of the page; RecordsError with all that is wrong, each also beside its field."""
        read = {f: self._entered(typed, f) for f in self._fields()}
        self._note({f.name: (e.note, "bad" if e.fault else "ok") for f, e in read.items()})
        wrong = [f"{parts.full_label(f)}: {e.note}" for f, e in read.items() if e.fault]
        if wrong:
            raise RecordsError(wrong)
        return {f: e.value for f, e in read.items()}

    # --- who, where ------------------------------------------------------------------------------

    def _come(self, arg: Any, typed: dict[str, str]) -> None:
        who = typed.get("technician", "").strip()
        if not who:
            raise RecordsError("Who is logging is empty. Type a number or initials.")
        if " " in who or len(who) > 12:
            raise RecordsError(f"'{who[:40]}' looks like a name. Type a number or initials, as T1.")
        self.session.technician = who
        self.session.instrument = typed.get("instrument", "").strip()
        self.session.direction = typed.get("direction", "")
        self._go("trial")

    def _go(self, view: str) -> None:
        self.session.view = view
        self._turn()

    def _switch(self, name: str) -> None:
        setattr(self.session, name, not getattr(self.session, name))
        # In another unit, what was typed would mean another film.
        self._turn() if name == "in_mil" else self._draw()

    def _also(self, arg: str, typed: dict[str, str]) -> None:
        self.session.also ^= {arg}
        self._draw()

    def _open(self, arg: int, typed: dict[str, str]) -> None:
        self.session.trial = arg
        self._go("trial")

    def _correct(self, arg: Any, typed: dict[str, str]) -> None:
        self.session.correcting = arg
        self._go("correct")

    def _turn(self) -> None:
        """Turn to a new page: a new key, and nothing typed."""
        self._entry, self._read = uuid.uuid4().hex, None
        self._draw()

    # --- saving --------------------------------------------------------------------------------------

    def _start(self, arg: Any, typed: dict[str, str]) -> None:
        trial = self._here()
        film = {f.name: v for f, v in self._all(typed).items()}
        more: dict[str, Any] = {}
        if arg == "differs":
            settings = self._chosen(typed)
            if settings != trial.settings:
                more = {"settings": settings, "reason": self._reason(typed)}
        number = self.book.start(
            self.study,
            trial=trial.number,
            technician=self.session.technician,
            key=self._entry,
            film_before_um=film.get("film_before_um"),
            **more,
        )
        self.session.trial, self._read = number, None
        started = self._here()
        step = page.step_to_do(self.study, started)
        if step is not None:
            self.session.clocks[number, step.name] = (0.0, time.monotonic())
        self._go("trial")

    def _save(self, arg: Any, typed: dict[str, str]) -> None:
        trial = self._here()
        step = page.step_to_do(self.study, trial)
        if step is None:
            self._turn()
            return
        read = self._all(typed)
        values: dict[str, list[float]] = {}
        for field, value in read.items():
            if field.unit not in ("µm", "min") and value is not None:
                values.setdefault(field.quantity, []).append(value)
        numbers = {f.name: v for f, v in read.items()}
        last = step == page.last_worked(self.study, trial)
        after = self.study.steps[-1].name if last else step.name
        common: dict[str, Any] = {
            "technician": self.session.technician,
            "instrument": self.session.instrument,
            "direction": self.session.direction,
        }
        if after != step.name:  # the steps behind it are left out, so the patch is as they leave it
            self.book.worked(
                self.study,
                trial.number,
                step=step.name,
                minutes=numbers["minutes"],
                technician=self.session.technician,
                key=f"{self._entry}-minutes",
            )
        saved = self.book.read(
            self.study,
            trial.number,
            after=after,
            values=values,
            minutes=numbers["minutes"] if after == step.name else 0.0,
            key=self._entry,
            **common,
        )
        self.session.clocks.pop((trial.number, step.name), None)
        self.session.ready.pop(trial.number, None)
        if last:
            self._end(trial, numbers.get("film_after_um"), list(saved.prompts))
        else:
            self._saved(saved.text, trial, saved.prompts)

    def _finish(self, arg: Any, typed: dict[str, str]) -> None:
        film = {f.name: v for f, v in self._all(typed).items()}
        self._end(self._here(), film.get("film_after_um"), [])

    def _end(self, trial: Trial, film_after_um: float | None, prompts: list[str]) -> None:
        try:
            self.book.finish(
                self.study,
                trial.number,
                technician=self.session.technician,
                film_after_um=film_after_um,
                key=f"{self._entry}-end",
            )
        except RecordsError as error:
            # What was read is in the book by now; only the end is not.
            text = "The readings are saved, but the trial is not ended."
            self.session.message = parts.message("bad", text, error.mistakes)
            self._turn()
            return
        self.session.trial = None
        self._saved(f"Trial {trial.number} is done.", trial, prompts)

    def _spoiled(self, arg: Any, typed: dict[str, str]) -> None:
        trial = self._here()
        reason = self._reason(typed)
        self.book.spoil(self.study, trial.number, reason=reason, technician=self.session.technician)
        self.session.trial = None
        self._saved(f"Trial {trial.number} is kept as spoiled: {reason}.", trial)

    def _burned(self, arg: Any, typed: dict[str, str]) -> None:
        trial, after = self._here(), typed["after"]
        self.book.burn(
            self.study,
            trial.number,
            after=after,
            technician=self.session.technician,
            note=typed.get("reason", "").strip(),
        )
        self.session.trial = None
        self._saved(f"Trial {trial.number} is kept as burned through in {after}.", trial)

    def _corrected(self, arg: Any, typed: dict[str, str]) -> None:
        row = self._row(arg)
        changes: dict[str, Any] = {
            f.name: value for f, value in self._all(typed).items() if self._differs(value, typed, f, row)
        }
        if not self.session.blind:
            before = {f.factor: row.get(f.factor) for f in self.study.factors}
            changes |= {k: v for k, v in self._chosen(typed).items() if v != before[k]}
        if not changes:
            raise RecordsError("Nothing was changed. Type over what is wrong, or go back.")
        self.book.amend(
            self.study, arg, changes=changes, reason=self._reason(typed), technician=self.session.technician
        )
        self._saved(
            f"Trial {arg} is corrected: {counted(len(changes), 'value')}. What stood there is in its history."
        )

    def _differs(self, value: float | None, typed: dict[str, str], field: Field, row: dict[str, Any]) -> bool:
        """Say whether a value was typed over; what is only rounded on the screen was not."""
        shown = next(f["value"] for f in parts.fields_on(self.page["parts"]) if f["name"] == field.name)
        return typed.get(field.name, "").strip() != shown and value != row[field.name]

    def _saved(self, text: str, trial: Trial | None = None, prompts: Any = ()) -> None:
        correct = parts.action("correct", "Correct it", arg=trial.number) if trial else None
        self.session.message = parts.message("ok", text, prompts, correct)
        self._go("trial")

    def _reason(self, typed: dict[str, str]) -> str:
        reason = typed.get("reason", "").strip()
        if not reason:
            raise RecordsError("The reason is empty. Say in a few words why; it stays with the trial.")
        return reason

    def _chosen(self, typed: dict[str, str]) -> dict[str, Any]:
        return {f.factor: f.levels[int(typed[f.factor])] for f in self.study.factors if f.factor in typed}

    # --- the page ------------------------------------------------------------------------------------

    def _trials(self) -> list[Trial]:
        """Return the trials of the book, read once for all that one press needs."""
        if self._read is None and not self._planned():
            return []
        if self._read is None:
            self._read = page.trials_of(self.book.trials(self.study), self.study)
        return self._read

    def _planned(self) -> bool:
        """Return whether the book has any trial of this study; without one it has no table."""
        known = self.book.studies()
        return bool(known.loc[known["key"] == self._key, "trials"].sum())

    def _row(self, number: Any) -> dict[str, Any]:
        table = self.book.trials(self.study)
        return table[table["trial"] == number].to_dict("records")[0]

    def _trial(self) -> Trial | None:
        """Return the trial on the bench: the one chosen, else the next; None when there is none."""
        trials = {t.number: t for t in self._trials()}
        chosen = trials.get(self.session.trial) if self.session.trial is not None else None
        if chosen is None or chosen.status not in ("planned", "started"):
            following = self.book.next_trial(self.study)
            chosen = trials.get(following["trial"]) if following else None
        return chosen

    def _here(self) -> Trial:
        trial = self._trial()
        if trial is None:
            raise RecordsError("This trial was ended meanwhile, perhaps at another bench. Take the next one.")
        return trial

    def _draw(self) -> None:
        parts, focus = self._parts()
        self._drawn += 1
        self.page = {"version": self._drawn, "entry": self._entry, "parts": parts, "focus": focus}

    def _parts(self) -> tuple[list[Part], str]:
        session, now = self.session, time.monotonic()
        shown = [session.message] if session.message else []
        if session.view == "who":
            parts, focus = page.who_page(session)
            return [*shown, *parts], focus
        trial = self._trial()
        trials = self._trials()
        if session.view == "correct":
            parts, focus = page.correct_page(self._row(session.correcting), self.study, session)
        elif trial is None:
            parts, focus = page.empty_page(), ""
        elif session.view in ("spoil", "burn"):
            parts, focus = page.wrong_page(trial, self.study, session, session.view)
        elif session.view == "differ":
            parts, focus = page.differ_page(self.study, trial, session)
        elif trial.status == "planned":
            parts, focus = page.start_page(self.study, trial, session, self._why(trial))
        elif page.step_to_do(self.study, trial) is None:
            parts, focus = page.finish_page(trial, self.study, session)
        else:
            parts, focus = page.step_page(self.study, trial, session, now)
        if session.view == "trial":
            parts += page.others(trials, trial, session, now)
            parts.append(page.today(self.book.today(self.study), session, self.study))
        return [page.head(session), *shown, *parts], focus

    def _why(self, trial: Trial) -> str:
        following = self.book.next_trial(self.study, blind=self.session.blind)
        return str(following.get("why") or "") if following and following["trial"] == trial.number else ""
