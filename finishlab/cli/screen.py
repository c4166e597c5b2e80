"""What a person reads on the screen: sentences, lists, what was written.

The same words go to a screen, to another program and to a kept page; how wide they run is
decided here. What they say is not.
"""

from __future__ import annotations

import io
import sys
import textwrap
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

CAUTION = (
    "finishlab never says that a process is safe. Follow the safety data sheets, the coating maker's "
    "data sheet, local codes and licensed practice."
)
#: Width of the answer kept as a file.
_PAGE = 100


def console(page: io.StringIO | None = None) -> Console:
    """Return where text goes: the screen, or a page that is kept."""
    from rich.console import Console

    # No word in an answer is markup or a number to colour: shops name things as they like.
    made = Console(file=page, markup=False, highlight=False, emoji=False)
    if not made.is_terminal:
        made.width = _PAGE
    return made


def say(page: Console, text: str, lead: str = "") -> None:
    """Print a sentence; as one line where another program reads."""
    if page.is_terminal or page.file is not sys.stdout:
        width = max(page.width, 40)
        text = textwrap.fill(
            text,
            width,
            initial_indent=lead,
            subsequent_indent=" " * len(lead),
            break_long_words=False,
            break_on_hyphens=False,
        )
    else:
        text = lead + text
    page.print(text, soft_wrap=True)


def listed(page: Console, heading: str, lines: Iterable[str]) -> None:
    """Print a heading and its lines, or nothing where there is no line."""
    lines = list(lines)
    if lines:
        page.print()
        page.print(heading)
    for line in lines:
        say(page, line, "  - ")


def quoted(path: Path) -> str:
    """Return a path as it is typed on a line."""
    return f'"{path}"' if " " in str(path) else str(path)
