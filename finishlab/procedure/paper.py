"""Procedures on paper: the same facts as the page, laid out as PDF, and a one-page card for the bench.

Words come from `words.toml`, facts from a procedure's kept data; layout is in `page.typ` and `card.typ`. Fonts come with the typesetter, so
that the same facts give the same file on every machine, without a network.
"""

from __future__ import annotations

import base64
import json
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, get_args

from finishlab.errors import ProcedureError
from finishlab.figures import answer_figures
from finishlab.procedure.kept_procedure import kept_file, revision_path
from finishlab.procedure.procedure_files import put
from finishlab.procedure.shop import shown_shop, words_for
from finishlab.procedure.states import mark_of

Paper = Literal["a4", "letter"]
Document = Literal["procedure", "bench card"]
_TYPST = {"a4": "a4", "letter": "us-letter"}
_LAYOUT = {"procedure": "page.typ", "bench card": "card.typ"}


def print_procedure(
    folder: str | Path,
    number: str,
    *,
    path: str | Path,
    document: Document = "procedure",
    paper: Paper = "a4",
    revision: int | None = None,
) -> Path:
    """
    Make a PDF of a procedure that was written, or its one-page card for the bench.

    Tagged for people who hear it (PDF/UA-1), fonts inside; a draft is marked as a draft, and what was withdrawn as withdrawn.

    Parameters
    ----------
    folder : str or Path
        Where the procedures are.
    number : str
    path : str or Path
        Of the PDF; replaced where it is there.
    document : {"procedure", "bench card"}, optional
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
        As `read_procedure`; the document or the paper is not known; its data are of an older finishlab; or the file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_procedure(recipe, number="SP-014", folder=folder)
    ...     pdf = fl.print_procedure(folder, "SP-014", path=f"{folder}/SP-014.pdf", paper="letter")
    ...     pdf.read_bytes()[:5]
    b'%PDF-'

    >>> fl.print_procedure("procedures", "SP-014", path="x.pdf", paper="A3")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: paper is 'A3'; take one of a4, letter.
    """
    if mistakes := asked_of(document=document, paper=paper):
        raise ProcedureError(mistakes)
    folder = Path(folder)
    kept_path, wanted = revision_path(folder, number, revision)
    facts = kept_file(kept_path)["facts"]
    return put(Path(path), pdf_of(facts, document, paper, mark_of(folder, number, wanted)))


def asked_of(**asked: str) -> list[str]:
    """Return what is wrong with a document or a paper asked for."""
    kinds = {"document": get_args(Document), "paper": get_args(Paper)}
    return [
        f"{name} is {value!r}; take one of {', '.join(kinds[name])}."
        for name, value in asked.items()
        if value not in kinds[name]
    ]


def pdf_of(facts: dict[str, Any], document: Document, paper: Paper, mark: str = "") -> bytes:
    """Return a document as PDF, with a mark across its top; the same facts give the same bytes."""
    import pandas as pd

    if "shop" not in facts:
        raise ProcedureError(
            f"procedure {facts['number']} was kept by an older finishlab, which had less to print. Revise it (revise_procedure), or print its page."
        )
    ax = answer_figures.recipe(
        pd.DataFrame(facts["figure"]), wanted=facts["wanted"], ax=answer_figures.blank()
    )
    data = {"f": facts, "w": words_for(facts), "mark": mark, "spoken": ax.get_title(loc="left")}
    return pdf(_LAYOUT[document], data, paper, figure=answer_figures.svg(ax))


def pdf(layout: str, data: dict[str, Any], paper: Paper, figure: str = "") -> bytes:
    """Return facts and words laid out as PDF; nothing in them is obeyed, whatever they hold."""
    import typst

    # Files in memory; the types of the library name paths alone.
    sources: Any = {"main.typ": _layout(layout), "head.typ": _layout("head.typ")}
    sources["figure.svg"] = figure.encode("utf-8")
    # Its sources are text, so that the logo's bytes go in as numbers.
    shop = shown_shop(data["f"]["shop"])
    logo = shop.get("logo")
    data = data | {
        "f": data["f"] | {"shop": shop},
        "logo": list(base64.b64decode(logo["data"])) if logo else [],
    }
    return typst.compile(
        sources,
        sys_inputs={"data": json.dumps(data, ensure_ascii=False), "paper": _TYPST[paper]},
        ignore_system_fonts=True,
        pdf_standards=["ua-1"],
    )


@cache
def _layout(name: str) -> bytes:
    return files("finishlab.procedure").joinpath(name).read_bytes()
