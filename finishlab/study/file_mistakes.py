"""The mistakes of a study file, collected until all are found, each with its line.

Line numbers come from a light scan of the text, because the TOML reader of the standard
library does not keep them. What is right and wrong is decided in `file_steps.py` and
`file_reader.py`, not here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_HEADING = re.compile(r"\s*\[\[?\s*([A-Za-z0-9_.\"-]+)\s*\]\]?")
_KEY = re.compile(r"\s*(?:\"([^\"]*)\"|'([^']*)'|([A-Za-z0-9_-]+))\s*=")


class Mistakes:
    """
    Collects plain sentences, each led by where it was found.

    `faulty` holds the columns of settings that are there but wrong, so that tables which
    name them are not blamed as well.
    """

    def __init__(self, text: str) -> None:
        self.found: list[str] = []
        self.faulty: set[str] = set()
        self._lines = _lines_of(text)

    def add(self, sentence: str, *, label: str = "", table: str = "", index: int = 0, key: str = "") -> None:
        """Keep a sentence; `label` names the place in words, the rest finds its line."""
        line = self._lines.get((table, index, key)) or self._lines.get((f"{table}.{key}".strip("."), 0, ""))
        self.found.append((f"line {line}, " if line else "") + (f"{label}: " if label else "") + sentence)


@dataclass(frozen=True)
class Part:
    """One table of the file while it is read: its name in words, and where its lines are."""

    mistakes: Mistakes
    label: str
    table: str
    index: int = 0

    def wrong(self, sentence: str, key: str = "") -> None:
        """Keep a mistake found at `key` of this table, or in the table as a whole."""
        self.mistakes.add(sentence, label=self.label, table=self.table, index=self.index, key=key)


def line_of(text: str, table: str, index: int, key: str) -> int | None:
    """
    Return the line of a study file that sets a key of the how-many-th table of that name; None where it is not found.

    Examples
    --------
    >>> line_of("[[step]]\\npasses = 4\\n[[step]]\\npasses = 2", "step", 1, "passes")
    4
    """
    return _lines_of(text).get((table, index, key))


def _lines_of(text: str) -> dict[tuple[str, int, str], int]:
    """Map (table, how many-th of that name, key) to its line; key '' is the heading's own line."""
    lines: dict[tuple[str, int, str], int] = {}
    table, counts, inside = "", {"": 0}, False
    for number, line in enumerate(text.splitlines(), start=1):
        if not inside:
            if heading := _HEADING.match(line):
                table = heading[1]
                counts[table] = counts.get(table, -1) + 1
                lines[table, counts[table], ""] = number
            elif key := _KEY.match(line):
                lines.setdefault((table, counts[table], next(filter(None, key.groups()), "")), number)
        # Text between triple quotes runs over lines and holds no keys.
        inside ^= (line.count('"""') + line.count("'''")) % 2 == 1
    return lines
