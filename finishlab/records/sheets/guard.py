"""Text that no spreadsheet runs as a formula, and how to get it back.

A spreadsheet runs a cell that begins with one of a few characters, so a note typed as
``=HYPERLINK(...)`` would act on the machine of whoever opens the sheet. `guarded` puts an
apostrophe before such text, `unguarded` takes exactly that one away, so reading a written
sheet gives back the same text. Numbers are never touched: only text can be a formula here.
"""

from __future__ import annotations

import re

# Where text could begin a cell: at its very start, and after a semicolon, tab or line break within
# it, because a spreadsheet set to another separator than the comma may cut the cell there. Blanks
# before the sign do not make it harmless everywhere, so they are looked past. The wide signs are
# taken for the narrow ones by some spreadsheets.
_SIGNS = "=+\\-@＝＋－＠"
_START = rf"\A'*(?= *[{_SIGNS}\t\r\n])"
_WITHIN = rf"[;\t\r\n]'*(?= *[{_SIGNS}])"
_BARE = re.compile(f"({_START}|{_WITHIN})")
_WRITTEN = re.compile(rf"(\A'*)'(?= *[{_SIGNS}\t\r\n])|([;\t\r\n]'*)'(?= *[{_SIGNS}])")


def guarded(text: str) -> str:
    """
    Return text with an apostrophe wherever a spreadsheet could begin a formula.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    References
    ----------
    OWASP, "CSV Injection" (from memory): a cell is dangerous when it begins with ``=``,
    ``+``, ``-``, ``@``, tab, carriage return or line feed, or their wide forms, and a
    separator within it may start a new cell.

    Examples
    --------
    >>> guarded("=1+1"), guarded("- redo"), guarded("soft foam")
    ("'=1+1", "'- redo", 'soft foam')

    One that already begins with an apostrophe gets another, so that it comes back whole:

    >>> guarded("'=1+1"), guarded("wet;=1+1")
    ("''=1+1", "wet;'=1+1")
    """
    return _BARE.sub(r"\1'", text)


def unguarded(text: str) -> str:
    """
    Return the text that `guarded` was given.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Text that was never guarded comes back as it is, unless it has an apostrophe just
        where the guard would stand.

    Examples
    --------
    >>> unguarded("'=1+1"), unguarded("''=1+1"), unguarded("the owner's pad")
    ('=1+1', "'=1+1", "the owner's pad")
    """
    return (
        _WRITTEN.sub(lambda found: found[1] if found[1] is not None else found[2], text)
        if "'" in text
        else text
    )
