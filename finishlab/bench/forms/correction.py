"""The page that corrects a trial: what the book holds of it, each value by itself, to be typed over.

Plain data, as in `page.py`. What a correction leaves in the book is the book's matter.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from finishlab.bench.forms.entry import Field, minutes_field
from finishlab.bench.forms.page import setting_choice
from finishlab.bench.forms.page_parts import Part, action, group, input_part, text_input
from finishlab.bench.forms.session import Session
from finishlab.records.columns import MIL_UM, Column, gathered, understand
from finishlab.study import RANGES, RESPONSES, Study
from finishlab.words.show import plain_number


def correct_page(row: Mapping[str, Any], study: Study, session: Session) -> tuple[list[Part], str]:
    """Return the page that corrects a trial: what is in the book, to be typed over."""
    fields = [
        input_part(f, shown(row[f.name], f, in_mil=session.in_mil), in_mil=session.in_mil)
        for f in correctable(row, study)
    ]
    choices = [] if session.blind else [setting_choice(f, row.get(f.factor)) for f in study.factors]
    spoil = [action("spoil", "Spoil this trial", kind="danger", arg=row["trial"])]
    return [
        {
            "is": "title",
            "text": f"Correct trial {row['trial']}",
            "sub": f"Panel {row['panel']} · patch {row.get('patch', '')}. What stands here now is kept in its history.",
        },
        *([group(fields, "Type over what is wrong; empty a value to take it back")] if fields else []),
        *([group(choices, "Settings as worked")] if choices else []),
        group([text_input("reason", "Why it is corrected")]),
        {
            "is": "actions",
            "actions": [
                action("corrected", "Save correction", kind="primary", arg=row["trial"]),
                action("back", "Back"),
                *([] if row["status"] == "spoiled" else spoil),
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
    if column.role == "reading":
        most, unit = RANGES[column.quantity][1], RESPONSES[column.quantity][1]
    elif column.role == "film":
        most, unit = RANGES["film_left_um"][1], "µm"
    else:
        most, unit = minutes_field("").most, "min"
    whole = column.quantity == "faults"
    return Field(column.heading, column.quantity, column_words(column), unit, most, whole, wanted=False)


def column_words(column: Column) -> str:
    """Return what a column holds in plain words, without its unit."""
    if column.role == "reading":
        what = f"{RESPONSES[column.quantity][0]} after {column.step}".replace("_", " ")
    elif column.role == "film":
        what = {
            "film_before_um": "film before work",
            "film_after_um": "film after work",
            "removed_um": "film removed",
        }[column.quantity]
    else:
        what = f"minutes of {column.step}".replace("_", " ") if column.step else "minutes in all"
    return f"{what}, {column.repeat}" if column.repeat else what


def shown(value: float, field: Field, *, in_mil: bool) -> str:
    """Return a value of the book as the page shows it, with no more decimals than a meter or a watch has."""
    if in_mil and field.unit == "µm":
        return plain_number(round(value / MIL_UM, 3))
    return plain_number(round(value, 2))
