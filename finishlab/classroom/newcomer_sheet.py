"""The sheet on which a newcomer's panels are counted: by which procedure, panel by panel, and what the count says.

Filled from a table or left blank for the hand. What a count shows is `certify`'s; what is in band is the goal of the procedure. The
sheet licenses nobody, and says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from finishlab.classroom.newcomers import certify
from finishlab.errors import FinishlabError, ProcedureError
from finishlab.procedure.kept_procedure import kept_file, revision_path
from finishlab.procedure.paper import Paper, asked_of, pdf
from finishlab.procedure.procedure_files import put
from finishlab.procedure.shop import read_shop, with_mils, words
from finishlab.procedure.states import mark_of
from finishlab.solve.recipe import Recipe
from finishlab.study import RESPONSES, Condition
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd

#: Blank lines are made up to this many: three pages.
_MOST = 100
#: A number or initials is no longer.
_LONGEST = 20
_YES_NO = {True: True, False: False, "yes": True, "no": False}


def print_certificate_sheet(
    folder: str | Path,
    number: str,
    *,
    path: str | Path,
    newcomer: str | int,
    panels: pd.DataFrame | int | None = None,
    wanted: float = 0.9,
    confidence: float = 0.9,
    paper: Paper = "a4",
    revision: int | None = None,
) -> Path:
    """
    Make a PDF on which a newcomer's panels under a procedure are counted.

    Parameters
    ----------
    folder : str or Path
        Where the procedures are.
    number : str
        Of the procedure that the panels are worked by.
    path : str or Path
        Of the PDF; replaced where it is there.
    newcomer : str or int
        A number or initials, no name.
    panels : DataFrame or int, optional
        One row a panel in the order of work: ``panel``; each response of the goal, missing where there is nothing to read, as after a
        burn-through; ``limits_kept``, yes or no, whether every film limit was kept; ``date`` and ``technician``, who read it, where known. Or how
        many blank lines to print; when left out, as many as show `wanted` when all are in band, 100 at most.
    wanted : float, optional
        Share of panels that must be in band, above 0 and below 1.
    confidence : float, optional
        Probability that the limit of that share holds, from 0.5 to below 1.
    paper : {"a4", "letter"}, optional
    revision : int, optional
        When left out, the newest that was issued; the draft where none was.

    Returns
    -------
    Path
        Of the PDF: one page for two dozen panels.

    Raises
    ------
    ProcedureError
        As `print_procedure`; the newcomer has no number, a column of the panels is missing or not right, or a share is none.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_procedure(recipe, number="SP-014", folder=folder)
    ...     pdf = fl.print_certificate_sheet(folder, "SP-014", path=f"{folder}/N7.pdf", newcomer="N7")
    ...     pdf.name
    'N7.pdf'

    >>> fl.print_certificate_sheet("procedures", "SP-014", path="x.pdf", newcomer="", panels=0)
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError:
      - newcomer is ''; give a number or initials, up to 20 characters.
      - panels is 0; give a table of panels, or 1 to 100 blank lines.
    """
    import pandas as pd

    mistakes = asked_of(paper=paper)
    named = str(newcomer).strip()
    if not 0 < len(named) <= _LONGEST or not named.isprintable():
        mistakes.append(f"newcomer is {newcomer!r}; give a number or initials, up to {_LONGEST} characters.")
    filled = panels if isinstance(panels, pd.DataFrame) else None
    lines = None if isinstance(panels, pd.DataFrame) else panels
    if lines is not None and (
        isinstance(lines, bool) or not isinstance(lines, int) or not 1 <= lines <= _MOST
    ):
        mistakes.append(f"panels is {panels!r}; give a table of panels, or 1 to {_MOST} blank lines.")
    try:
        needed, with_miss = (_in_a_row(k, wanted, confidence) for k in (1, 0))
    except FinishlabError as problem:
        mistakes += problem.mistakes
    if mistakes:
        raise ProcedureError(mistakes)
    folder = Path(folder)
    kept_path, revised = revision_path(folder, number, revision)
    kept, shop, w = kept_file(kept_path), read_shop(folder), words()["newcomer"]
    recipe = Recipe.from_dict(kept["recipe"])
    if filled is None:
        lines = lines or min(needed or _MOST, _MOST)
        rows = [[str(k), *[""] * (len(recipe.goal) + 5)] for k in range(1, lines + 1)]
        asked = {"wanted": show.asked_percent(wanted), "confidence": show.asked_percent(confidence)}
        said = w["to_show" if with_miss else "not_to_show"].format(panels=needed, more=with_miss, **asked)
    else:
        rows, count = _rows(filled, recipe.goal)
        said = certify(count, len(rows), wanted=wanted, confidence=confidence).text()
    by = f"{number}, {words()['head']['revision'].lower()} {revised}: {kept['facts']['process']}"
    facts = {
        "head": [
            [w["newcomer"], named],
            [w["procedure"], by],
            [w["band"], kept["facts"]["goal"]],
            *([[w["limits"], _limits(recipe)]] if recipe.limits else []),
        ],
        "no_limit": not recipe.limits,
        "readings": [", ".join(filter(None, RESPONSES[name])) for name in recipe.goal],
        "rows": rows,
        "blank": filled is None,
        "said": said,
        "newcomer": named,
    }
    facts = (with_mils(facts) if shop.get("mils") else facts) | {"shop": shop}
    return put(
        Path(path),
        pdf("newcomer.typ", {"f": facts, "w": words(), "mark": mark_of(folder, number, revised)}, paper),
    )


def _in_a_row(first: int, wanted: float, confidence: float) -> int | None:
    """Return how many panels show the share when the first is in band (1) or not (0), and all others are."""
    found = certify(first, 1, wanted=wanted, confidence=confidence)
    return 1 if found.verdict == "shown" else None if found.further is None else 1 + found.further


def _limits(recipe: Recipe) -> str:
    return " ".join(
        show.stop_when(name, limit.condition, limit.set_by) for name, limit in recipe.limits.items()
    )


def _rows(panels: pd.DataFrame, goal: Mapping[str, Condition]) -> tuple[list[list[str]], int]:
    """Return the lines of the sheet and how many panels count; or raise with all that is wrong."""
    import pandas as pd

    w = words()["newcomer"]
    mistakes = [
        f"panels has no column '{name}'. Columns: {', '.join(map(str, panels.columns))}."
        for name in ("panel", *goal, "limits_kept")
        if name not in panels.columns
    ]
    if not len(panels):
        mistakes.append("panels has no rows. Give one a panel, or a number for blank lines.")
    if mistakes:
        raise ProcedureError(mistakes)
    if len(twice := panels["panel"][panels["panel"].astype(str).duplicated()]):
        mistakes.append(
            f"panel {twice.iloc[0]} is there more than once. Several readings of one panel are one: give their mean."
        )
    rows, count = [], 0
    for at, row in zip(panels.index, panels.to_dict("records"), strict=True):
        read = pd.to_numeric(pd.Series([row[name] for name in goal], dtype=object), errors="coerce")
        for name, value in zip(goal, read, strict=True):
            if pd.isna(value) and not pd.isna(row[name]):
                mistakes.append(
                    f"row {at}: {name} is {row[name]!r}; give a number, or none where nothing was read."
                )
        word = row["limits_kept"]
        kept = None if pd.isna(word) else _YES_NO.get(word.strip().lower() if isinstance(word, str) else word)
        if kept is None:
            found = "missing" if pd.isna(word) else repr(word)
            mistakes.append(f"row {at}: limits_kept is {found}; write yes or no.")
        in_band = all(bool(goal[name].met([value])[0]) for name, value in zip(goal, read, strict=True))
        count += in_band and bool(kept)
        shown = ["–" if pd.isna(value) else show.plain_number(float(value)) for value in read]
        said = [w["yes"] if yes else w["no"] for yes in (in_band, kept)]
        rows.append([_day(row.get("date")), _said(row["panel"]), *shown, *said, _said(row.get("technician"))])
    if mistakes:
        raise ProcedureError(mistakes)
    return [[str(k), *row] for k, row in enumerate(rows, start=1)], count


def _said(value: Any) -> str:
    import pandas as pd

    return "" if value is None or pd.isna(value) else str(value)


def _day(value: Any) -> str:
    import pandas as pd

    return value.date().isoformat() if hasattr(value, "date") and not pd.isna(value) else _said(value)
