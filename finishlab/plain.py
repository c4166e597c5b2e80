"""Plain Python of results and tables, for `to_dict`, for templates and for JSON.

Nothing is rounded here, and nothing put into words: that is the room `words/`'s.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import pandas as pd

Result = TypeVar("Result")


def plain(value: Any) -> Any:
    """
    Return a value as JSON can hold it: no results, tables or arrays, no numbers of another library, no NaN.

    A result gives its `to_dict`, or its fields by name; a field that need not be given and was not is left out.

    Examples
    --------
    >>> plain({"a": (1.5, float("nan")), 2: None})
    {'a': [1.5, None], '2': None}
    """
    if hasattr(value, "columns"):
        return [plain(row) for row in plain_rows(value)]
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if hasattr(value, "to_dict"):
        return plain(value.to_dict())
    if is_dataclass(value):
        return plain_fields(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def plain_fields(result: Any) -> dict[str, Any]:
    """
    Return the fields of a dataclass by name as plain Python; one that need not be given and was not is left out.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass
    ... class Read:
    ...     gloss_20: float
    ...     haze: float | None = None
    >>> plain_fields(Read(81.5)), plain_fields(Read(float("nan"), 12.0))
    ({'gloss_20': 81.5}, {'gloss_20': None, 'haze': 12.0})
    """
    given = {f.name: (getattr(result, f.name), f.default) for f in fields(result)}
    return {
        name: plain(value)
        for name, (value, default) in given.items()
        if not (value is None and default is None)
    }


def from_plain(kind: type[Result], facts: Mapping[str, Any]) -> Result:
    """
    Make a dataclass again from what `plain_fields` gave; what is not one of its fields is passed over.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass
    ... class Read:
    ...     gloss_20: float
    ...     haze: float | None = None
    >>> from_plain(Read, {"gloss_20": 81.5, "lamp": "old"})
    Read(gloss_20=81.5, haze=None)
    """
    return kind(**{f.name: facts[f.name] for f in fields(kind) if f.name in facts})  # type: ignore[arg-type]


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
