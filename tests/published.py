"""Reading `tests/reference`: published tables, their figures, and how many digits agree.

Every file starts with '#' lines that say where its numbers come from.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

REFERENCE = Path(__file__).parent / "reference"


def table(name: str) -> pd.DataFrame:
    """Return a reference table."""
    return pd.read_csv(REFERENCE / f"{name}.csv", comment="#")


def figures(name: str, value: str = "value", **only: str) -> dict[str, float]:
    """Return quantity -> figure from the column `value`, of the rows that match `only`; gaps left out."""
    rows = table(name)
    for column, wanted in only.items():
        rows = rows[rows[column] == wanted]
    numbers = pd.to_numeric(rows[value], errors="coerce")
    return dict(zip(rows["quantity"][numbers.notna()], numbers.dropna(), strict=True))


def printed(name: str) -> dict[str, tuple[float, float]]:
    """Return quantity -> (figure as printed, half a unit of its last digit)."""
    rows = pd.read_csv(REFERENCE / f"{name}.csv", comment="#", dtype=str).dropna(subset=["published"])
    out = {}
    for quantity, text in zip(rows["quantity"], rows["published"], strict=True):
        if not text.startswith("<"):
            decimals = len(text.split(".")[1]) if "." in text else 0
            out[quantity] = (float(text), 0.5 * 10.0**-decimals)
    return out


def digits(got: Any, certified: Any) -> float:
    """Return how many significant digits agree, the fewest of all; 15 at most."""
    got, certified = np.asarray(got, float), np.asarray(certified, float)
    size = np.where(certified == 0, 1.0, np.abs(certified))
    return float(min(15.0, -np.log10(max((np.abs(got - certified) / size).max(), 1e-16))))
