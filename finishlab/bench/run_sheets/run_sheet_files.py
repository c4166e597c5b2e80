"""The files of a run sheet: which kind a path asks for, made whole, then put in place."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from finishlab.bench.run_sheets.run_sheet_facts import checked, page_facts, place_of, read_after, words
from finishlab.bench.run_sheets.workbook import workbook_bytes
from finishlab.errors import PlanError
from finishlab.records.sheets.sheet_files import write_whole
from finishlab.study import Study
from finishlab.words.layouts import layouts

if TYPE_CHECKING:
    import pandas as pd


def write_run_sheet(
    sheet: pd.DataFrame, study: Study, *, path: str | Path, existing: pd.DataFrame | None = None
) -> Path:
    """
    Write a run sheet for the bench: a workbook to fill in, or a page to print and write on.

    Parameters
    ----------
    sheet : DataFrame
        As `plan_trials` or `follow_up` gives it: the factors, `panel`, `patch`; also
        `trial`, `run_order`, `why` and the shop's own columns. What is filled in already
        stands in the workbook.
    study : Study
    path : str or Path
        ``.xlsx`` or ``.html``. A file of that name is replaced, whole or not at all.
    existing : DataFrame, optional
        Earlier trials of the study, one row a trial. What they read after each step is asked for again, also where the study file
        does not ask for it (60° gloss after sanding).

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    PlanError
        The sheet has no trials or lacks a column, or another kind of file is asked for.
    OutsideStudy
        A trial has a setting that the study does not have.
    RecordsError
        The file cannot be written; what was there stays.

    Notes
    -----
    The workbook has lists to choose from, a hint in each cell and locked headings (without
    a password). The headings are the names of a trial table, so a filled workbook is read
    by `read_trials` as it is. Text that a spreadsheet could take for a formula is guarded
    as `write_trials` does it.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> import finishlab as fl
    >>> from finishlab.records.columns import _example
    >>> sheet = pd.DataFrame({"cut_passes": [2, 4], "panel": [1, 1], "patch": [1, 2]})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_run_sheet(sheet, _example(), path=Path(folder, "round 1.xlsx"))
    ...     fl.read_trials(path, _example())["status"].tolist()
    ['planned', 'planned']

    A sheet that lacks something is answered in words:

    >>> write_run_sheet(sheet[["panel"]], _example(), path="round 1.xlsx")
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: the sheet lacks patch and cut_passes. Give one as plan_trials returns it, with every factor of the study.
    """
    path = Path(path)
    if path.suffix.lower() not in (".xlsx", ".html"):
        raise PlanError(f"{path.name}: a run sheet is written as .xlsx to fill in, or as .html to print.")
    rows, read = checked(sheet, study), read_after(study, existing)
    if path.suffix.lower() == ".xlsx":
        data = workbook_bytes(rows, study, read)
    else:
        page = layouts("finishlab.bench.run_sheets").get_template("page.html.j2")
        data = page.render(f=page_facts(rows, study, read), w=words()).encode(errors="replace")
    write_whole(path, data)
    return path


def write_labels(sheet: pd.DataFrame, study: Study, *, path: str | Path) -> Path:
    """
    Write labels to print for the patches of a run sheet.

    They say which trial, panel and patch it is and leave the settings off, so that
    whoever reads a patch need not know how it was worked.

    Parameters
    ----------
    sheet : DataFrame
        One row a trial, as for `write_run_sheet`.
    study : Study
    path : str or Path
        ``.html``. A file of that name is replaced, whole or not at all.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    PlanError
        The sheet has no trials or lacks a column, or another kind of file is asked for.
    OutsideStudy
        A trial has a setting that the study does not have.
    RecordsError
        The file cannot be written; what was there stays.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> from finishlab.records.columns import _example
    >>> sheet = pd.DataFrame({"cut_passes": [2], "panel": ["A"], "patch": [1]})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     "panel A" in write_labels(sheet, _example(), path=Path(folder, "labels.html")).read_text()
    True
    >>> write_labels(sheet, _example(), path="labels.xlsx")
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: labels.xlsx: labels are written as .html, to print.
    """
    path = Path(path)
    if path.suffix.lower() != ".html":
        raise PlanError(f"{path.name}: labels are written as .html, to print.")
    places = [place_of(row) for row in checked(sheet, study)]
    page = (
        layouts("finishlab.bench.run_sheets")
        .get_template("labels.html.j2")
        .render(places=places, title=study.title, w=words())
    )
    write_whole(path, page.encode(errors="replace"))
    return path
