"""The parts a page of the form is made of, and what was typed on it, field by field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from finishlab.bench.forms.entry import Entered, Field, entered, spread_note
from finishlab.errors import RecordsError
from finishlab.study import RESPONSES, Study

Part = dict[str, Any]


def message(kind: str, text: str, lines: Iterable[str] = (), action: Part | None = None) -> Part:
    """Return an acknowledgement (``ok``) or a refusal (``bad``)."""
    return {"is": "message", "kind": kind, "text": text, "list": list(lines), "action": action}


def action(do: str, text: str, *, kind: str = "quiet", arg: Any = None, **more: Any) -> Part:
    """Return a button: `do` is what it asks of `log_form.py`."""
    return {"do": do, "label": text, "kind": kind, "arg": arg, **more}


def full_label(field: Field) -> str:
    """Return a field's name where its heading is not beside it."""
    words = RESPONSES.get(field.quantity, ("", ""))[0]
    return field.label if words in field.label else f"{words}, {field.label}"


def fields_on(parts: Iterable[Part]) -> list[Part]:
    """Return every input of a page."""
    found: list[Part] = []
    for part in parts:
        found += part["fields"] if part["is"] == "group" else [part["field"]] if part["is"] == "clock" else []
    return found


def input_part(field: Field, value: str = "", *, in_mil: bool = False) -> Part:
    """Return the input of a field."""
    mil = in_mil and field.unit == "µm"
    return {
        "name": field.name,
        "label": field.label,
        "unit": "mil" if mil else field.unit,
        "hint": "" if field.wanted else "may stay empty",
        "value": value,
        "look": True,
        "keys": "numeric" if field.whole else "decimal",
    }


def text_input(name: str, text: str, *, hint: str = "", value: str = "") -> Part:
    """Return an input for words."""
    return {"name": name, "label": text, "hint": hint, "value": value, "keys": "text"}


def choice_input(name: str, text: str, options: Sequence[tuple[str, str]], value: str) -> Part:
    """Return a choice among few."""
    return {"name": name, "label": text, "options": [list(o) for o in options], "value": value}


def group(fields: Sequence[Part], text: str = "") -> Part:
    """Return fields that belong together."""
    return {"is": "group", "label": text, "fields": list(fields)}


@dataclass
class Typed:
    """
    What was typed.

    Attributes
    ----------
    raw : mapping of str to str
        As it was typed, by field.
    fields : sequence of Field
        The numbers that the page asks for.
    shown : mapping of str to str
        What the page showed before anyone typed, by field.
    in_mil : bool
        A film without a unit is in mil.
    notes : dict of str to tuple of str
        What is to stand beside the fields: text, and ``ok``, ``doubt`` or ``bad``.
    """

    raw: Mapping[str, str]
    fields: Sequence[Field]
    shown: Mapping[str, str]
    in_mil: bool = False
    notes: dict[str, tuple[str, str]] = field(default_factory=dict)

    def text(self, name: str) -> str:
        """Return what was typed into a field of words."""
        return self.raw.get(name, "").strip()

    def changed(self, name: str) -> bool:
        """Say whether a value was typed over; what is only rounded on the screen was not."""
        return self.text(name) != self.shown.get(name, "")

    def numbers(self) -> dict[Field, float | None]:
        """Return every number of the page; RecordsError with all that is wrong, each also beside its field."""
        read = {f: self._entered(f) for f in self.fields}
        self.notes |= {f.name: (e.note, _kind(e)) for f, e in read.items()}
        wrong = [f"{full_label(f)}: {e.note}" for f, e in read.items() if e.fault]
        if wrong:
            raise RecordsError(wrong)
        return {f: e.value for f, e in read.items()}

    def reason(self) -> str:
        """Return the reason; RecordsError when it is empty."""
        if not self.text("reason"):
            raise RecordsError("The reason is empty. Say in a few words why; it stays with the trial.")
        return self.text("reason")

    def chosen(self, study: Study) -> dict[str, Any]:
        """Return the settings chosen on the page."""
        return {f.factor: f.levels[int(self.raw[f.factor])] for f in study.factors if f.factor in self.raw}

    def look(self, name: str) -> None:
        """Put beside a field what was understood of it."""
        field = next((f for f in self.fields if f.name == name), None)
        if field is None or not self.text(name):
            self.notes[name] = ("", "")
            return
        # What was said of the others may be wrong by now: they were compared with what stood here before.
        others = [f for f in self.fields if f.quantity == field.quantity and self.text(f.name)]
        for other in others:
            read = self._entered(other)
            self.notes[other.name] = (read.note, _kind(read))
        found = self._entered(field)
        doubt = "" if found.fault else spread_note(self._values(field.quantity), field)
        self.notes[name] = (doubt or found.note, "doubt" if doubt else _kind(found))

    def _entered(self, field: Field) -> Entered:
        others = self._values(field.quantity, but=field.name)
        return entered(self.raw.get(field.name, ""), field, others=others, in_mil=self.in_mil)

    def _values(self, quantity: str, but: str = "") -> list[float]:
        """Return what was typed so far of a quantity, where it can be read."""
        same = [f for f in self.fields if f.quantity == quantity and f.name != but]
        read = [entered(self.raw.get(f.name, ""), f, in_mil=self.in_mil).value for f in same]
        return [v for v in read if v is not None]


def _kind(read: Entered) -> str:
    return "bad" if read.fault else "doubt" if read.doubt else "ok"
