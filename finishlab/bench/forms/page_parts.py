"""The parts a page of the form is made of, as plain data.

A part is what `form.js` has a branch for: a message, a button, an input, a group of inputs.
Which parts make which page is decided in `page.py`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from finishlab.bench.forms.entry import Field
from finishlab.study import RESPONSES

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
