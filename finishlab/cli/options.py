"""What several commands take, and the codes they end with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

MISTAKE, CANNOT_TELL = 2, 3


def whole(text: str) -> int:
    """Return a whole number as typed."""
    try:
        return int(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a whole number. Type one, as 24.") from None


Folder = Annotated[
    Path, typer.Argument(metavar="FOLDER", help="The study folder.", show_default=False, exists=False)
]
Technician = Annotated[
    str | None,
    typer.Option(
        metavar="T1", help="Who logs: a number or initials, never a full name. Asked when left out."
    ),
]
Answers = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Take the answers from a text file, one a line, instead of asking."),
]
