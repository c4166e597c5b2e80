"""What was typed on a page, read field by field.

`entry.py` reads one field; here is the page: the other readings beside it, all that is wrong
at once, and what was changed of what the page showed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from finishlab.bench.forms import page_parts
from finishlab.bench.forms.entry import Entered, Field, entered, spread_note
from finishlab.errors import RecordsError
from finishlab.study import Study


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
        wrong = [f"{page_parts.full_label(f)}: {e.note}" for f, e in read.items() if e.fault]
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
