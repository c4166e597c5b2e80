"""Plain Python of tables, for `to_dict` and for templates.

Nothing is rounded here, and nothing put into words: that is `show.py`'s.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


def plain_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """
    Return one dict a row, None where a cell is empty.

    Examples
    --------
    >>> import pandas as pd
    >>> plain_rows(pd.DataFrame({"panel": ["1", None], "gloss_20": [81.5, float("nan")]}))
    [{'panel': '1', 'gloss_20': 81.5}, {'panel': None, 'gloss_20': None}]
    """
    rows = table.astype(object).where(table.notna(), None).to_dict("records")
    return [{str(name): value for name, value in row.items()} for row in rows]
