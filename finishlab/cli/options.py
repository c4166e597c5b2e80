"""What several commands take, and the codes they end with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from finishlab.study import Study

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
Goal = Annotated[
    list[str] | None,
    typer.Option(
        metavar='"gloss_20 at least 84"',
        help="What the finish must be, in place of the study file's goal. Give it again for each further "
        'condition; also "haze at most 18" and "gloss_20 within 80 and 86".',
    ),
]
Assurance = Annotated[
    float | None,
    typer.Option(
        metavar="0.9", help="How sure the next job must be, in place of the study file's; 0.9 is 90 %."
    ),
]


def asked(study: Study, goal: list[str] | None, assurance: float | None) -> dict[str, Any]:
    """Return goal and assurance as asked on the line, checked before any work begins."""
    from finishlab.study.goal_words import goal_from_words

    conditions, wanted = study.asked(goal_from_words(goal) if goal else None, assurance)
    return {"goal": conditions, "assurance": wanted}
