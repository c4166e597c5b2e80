"""The page for a customer: one job's readings before and after, beside what was asked for.

Nothing is promised on it: it says what was read, where and by which procedure, and what readings cannot say. How the shop came to its
procedure is not the customer's page but `procedure_files.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date as Date
from pathlib import Path
from typing import Any

from finishlab.errors import ProcedureError
from finishlab.procedure.kept_procedure import kept_file, revision_path
from finishlab.procedure.paper import Paper, asked_of, pdf
from finishlab.procedure.procedure_files import put
from finishlab.procedure.shop import words
from finishlab.procedure.states import status_of
from finishlab.solve.recipe import Recipe
from finishlab.study import RESPONSES
from finishlab.words import show


def print_customer_page(
    folder: str | Path,
    number: str,
    *,
    path: str | Path,
    job: str,
    before: Mapping[str, float],
    after: Mapping[str, float],
    date: Date | str | None = None,
    paper: Paper = "a4",
    revision: int | None = None,
) -> Path:
    """
    Make a one-page PDF for the customer of one job: readings before and after.

    Parameters
    ----------
    folder : str or Path
        Where the procedures are.
    number : str
        Of the procedure that the job was worked by.
    path : str or Path
        Of the PDF; replaced where it is there.
    job : str
        What was worked, as "left rear door, order 1207".
    before, after : mapping of response -> float
        Readings in the units of the study, as ``{"gloss_20": 71.0}``; `after` has every response of the goal.
    date : datetime.date or str, optional
        Of the readings after; today when left out.
    paper : {"a4", "letter"}, optional
    revision : int, optional
        When left out, the newest that was issued; the draft where none was.

    Returns
    -------
    Path
        Of the PDF.

    Raises
    ------
    ProcedureError
        As `print_procedure`; a reading of the goal is missing, is no number or of nothing that is read; the job has no name.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> read = {"job": "door, order 12 (invented)", "before": {"gloss_20": 31.0}, "after": {"gloss_20": 52.5}}
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_procedure(recipe, number="SP-014", folder=folder)
    ...     pdf = fl.print_customer_page(folder, "SP-014", path=f"{folder}/door.pdf", **read)
    ...     pdf.name
    'door.pdf'

    >>> fl.print_customer_page("procedures", "SP-014", path="x.pdf", job="", before={}, after={})
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: job is ''; say what was worked, as 'left rear door, order 1207'.
    """
    mistakes = asked_of(paper=paper)
    if not job.strip():
        mistakes.append(f"job is {job!r}; say what was worked, as 'left rear door, order 1207'.")
    for said, readings in (("before", before), ("after", after)):
        mistakes += [
            f"{said} holds {name!r}: {value!r}; give numbers for any of {', '.join(RESPONSES)}."
            for name, value in readings.items()
            if name not in RESPONSES or isinstance(value, bool) or not isinstance(value, int | float)
        ]
    try:
        day = Date.fromisoformat(date) if isinstance(date, str) else date or Date.today()
    except ValueError:
        mistakes.append(f"date is {date!r}; write it as year-month-day, as 2025-11-25.")
    if mistakes:
        raise ProcedureError(mistakes)
    kept_path, wanted = revision_path(Path(folder), number, revision)
    kept = kept_file(kept_path)
    recipe = Recipe.from_dict(kept["recipe"])
    if lacking := [name for name in recipe.goal if name not in after]:
        raise ProcedureError(
            f"after has no {show.listed(lacking)}, which the goal asks for. Read the finished panel and give it."
        )
    w = words()
    by = f"{number}, {w['head']['revision'].lower()} {wanted}"
    if status_of(Path(folder), number, wanted) == "draft":
        by = f"{by} ({w['register']['draft']})"
    facts = _facts(recipe, by, job, before, after, day)
    facts["shop"] = kept["facts"].get("shop", {})
    return put(Path(path), pdf("customer.typ", {"f": facts, "w": words()}, paper))


def _facts(
    recipe: Recipe, by: str, job: str, before: Mapping[str, float], after: Mapping[str, float], day: Date
) -> dict[str, Any]:
    w, rows, met = words()["customer"], [], []
    for name in dict.fromkeys([*recipe.goal, *before, *after]):
        label, unit = RESPONSES[name]

        def shown(readings: Mapping[str, float], of: str = name, in_units: str = unit) -> str:
            return f"{show.plain_number(readings[of])} {in_units}".strip() if of in readings else "–"

        condition = recipe.goal.get(name)
        rows.append([label, shown(before), shown(after), condition.text(name) if condition else "–"])
        if condition is not None:
            met.append(bool(condition.met([after[name]])[0]))
    return {
        "job": job,
        "head": [[w["job"], job], [w["date"], day.isoformat()], [w["procedure"], by]],
        "rows": rows,
        "said": w["all_met"] if all(met) else w["not_met"],
    }
