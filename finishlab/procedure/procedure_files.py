"""The files of a procedure: one page for people, one JSON beside it for later reading.

What is written here is a draft, in files that say so by their name; it is in force only once a named person issued it (`issue.py`).
A number and its revision are used once: no kept data are ever overwritten, and a file is either whole or
not there. The JSON is what counts, and comes first; the page can be made again from it. What the page says is decided in
`procedure_facts.py`; how it looks in `page.html.j2`; what drafts and revisions have to do with each other in `states.py`.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date as Date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from finishlab.errors import ProcedureError, RecordsError
from finishlab.figures import answer_figures, frame
from finishlab.plain import plain
from finishlab.procedure.kept_procedure import DRAFT, FORMAT, ISSUED, WITHDRAWAL, fingerprint, parted, stem
from finishlab.procedure.procedure_facts import procedure_facts
from finishlab.procedure.shop import read_shop, shown_shop, words, words_for
from finishlab.records.sheets.sheet_files import write_whole
from finishlab.words import show
from finishlab.words.layouts import layouts

if TYPE_CHECKING:
    import pandas as pd
    from jinja2 import Template
    from matplotlib.axes import Axes

    from finishlab.solve import Recipe
    from finishlab.solve.bench_card import Checkpoints

#: Names that Windows keeps for devices, with any ending (Microsoft, "Naming files, paths, and namespaces").
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "0123456789¹²³")}
_LONGEST = 64


Status = Literal["draft", "in force", "withdrawn"]


@dataclass(frozen=True, eq=False)
class Procedure:
    """
    A written procedure: where its page is, and the facts it states.

    Attributes
    ----------
    number : str
        As given, for example ``SP-014``.
    revision : int
    path : Path
        The page, HTML; the JSON beside it has the same name.
    facts : dict
        What the page says, as plain Python.
    status : {"draft", "in force", "withdrawn"}
        When it was written; `procedure_register` says how it stands now.
    """

    number: str
    revision: int
    path: Path
    facts: dict[str, Any]
    status: Status

    def __fspath__(self) -> str:
        """Return the page's path, so that a procedure opens wherever a path does."""
        return str(self.path)

    def text(self) -> str:
        """Say number, process, time and assurance; first whether it is not in force."""
        lead = {"draft": "draft_lead", "withdrawn": "withdrawn_lead"}.get(self.status)
        return f"{words()['signoff'][lead]} {self.facts['summary']}" if lead else self.facts["summary"]

    def table(self) -> pd.DataFrame:
        """Return the steps: number, step, with what, how much; None for the rest of a left-out step."""
        import pandas as pd

        w = words()["steps"]
        rows = [
            {
                w["no"]: s["no"],
                w["step"]: s["step"],
                w["medium"]: s.get("medium"),
                w["amount"]: s.get("amount", w["left_out_short"]),
            }
            for s in self.facts["steps"]
        ]
        return pd.DataFrame(rows)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the figure of the page: the processes that were considered."""
        import pandas as pd

        return answer_figures.recipe(pd.DataFrame(self.facts["figure"]), wanted=self.facts["wanted"], ax=ax)

    def to_dict(self) -> dict[str, Any]:
        """Return number, revision, status, path and facts as plain Python."""
        return {
            "number": self.number,
            "revision": self.revision,
            "status": self.status,
            "path": str(self.path),
            "facts": plain(self.facts),
        }

    def _repr_html_(self) -> str:
        return show.sentence_and_table(f"{self.text()} {self.path}", self.table())


def write_procedure(
    recipe: Recipe,
    *,
    number: str,
    folder: str | Path = "procedures",
    date: Date | str | None = None,
    reason: str = "",
    author: str = "",
    reviewer: str = "",
    checkpoints: Checkpoints | None = None,
) -> Procedure:
    """
    Write a draft of the shop's standard procedure for a recipe: a page to print, and a file to read later.

    The page is marked as a draft, and nobody works by it yet: `issue_procedure` puts it in force, in the name of who issues it.

    The page stands alone: no script, nothing fetched, its figure inside; it prints on A4
    and on Letter, in black and white too. What the study does not know (clear coat, cure,
    colours, lots, names) is a line to fill in by hand, unless `shop.toml` in the folder says it; that file also
    has the shop's name, its logo, its own headings and rules, and whether film is shown in mils beside µm.

    Parameters
    ----------
    recipe : Recipe
        As `shortest` returns it; it must be found.
    number : str
        Number of the procedure and name of its files, as ``SP-014``. Letters, digits,
        spaces, dots, dashes and underscores.
    folder : str or Path, optional
        Made when it is not there.
    date : datetime.date or str, optional
        Date of the draft, as ``2025-11-25``; today when left out.
    reason : str, optional
        Why it was made; ``first issue`` when left out.
    author, reviewer : str, optional
        Who wrote and who checked it, by role or initials; lines to fill in by hand when left out.
    checkpoints : Checkpoints, optional
        What to do at which reading in the middle of a job, as `fl.checkpoints(model, recipe)` gives it.

    Returns
    -------
    Procedure
        The draft: the page's path and the facts on it.

    Raises
    ------
    ProcedureError
        The recipe was not found, the number cannot name a file or is taken, the date is
        no date, `shop.toml` has mistakes, or the folder cannot be written. Nothing is written then.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = write_procedure(recipe, number="SP-014", folder=folder)
    ...     sorted(p.name for p in page.path.parent.iterdir())
    ['SP-014.draft.html', 'SP-014.draft.json']

    A number is also the name of a file:

    >>> write_procedure(recipe, number="con")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: number 'con' is a name that Windows keeps for a device. Use another, as SP-014.
    """
    date = checked(recipe, number, date)
    facts = procedure_facts(
        recipe,
        number=number,
        revision=1,
        date=date,
        reason=reason,
        author=author,
        reviewer=reviewer,
        shop=read_shop(Path(folder)),
        checkpoints=checkpoints,
    )
    return keep(recipe.to_dict(), facts, Path(folder), status="draft")


def checked(recipe: Recipe, number: str, date: Date | str | None, mistakes: tuple[str, ...] = ()) -> Date:
    """Return the date of a revision; or raise with every mistake, those already known first."""
    if not recipe.found:
        raise ProcedureError(f"there is no procedure to write. {recipe.text()}")
    return day([*mistakes, *_number_mistakes(number)], date) or Date.today()


def day(mistakes: list[str], date: Date | str | None) -> Date | None:
    """Return a date as given, None where none was; or raise with every mistake, those already known first."""
    if isinstance(date, str):
        try:
            date = Date.fromisoformat(date)
        except ValueError:
            mistakes = [*mistakes, f"date is {date!r}; write it as year-month-day, as 2025-11-25."]
    if mistakes:
        raise ProcedureError(mistakes)
    return date  # type: ignore[return-value]


def keep(
    recipe: Mapping[str, Any],
    facts: dict[str, Any],
    folder: Path,
    *,
    status: Literal["draft", "in force"],
    **chain: Any,
) -> Procedure:
    """
    Write the files of a draft or of an issued revision, both or none, where nothing stands yet.

    Parameters
    ----------
    recipe : mapping
        As plain Python.
    facts : dict
        As `procedure_facts` returns them.
    folder : Path
    status : {"draft", "in force"}
    chain
        What ties it to the revision before and to its draft, kept with its data.
    """
    number, revision = facts["number"], facts["revision"]
    draft = status == "draft"
    page = render(facts, draft_mark() if draft else "")
    kept = {
        "format": FORMAT,
        "number": number,
        "revision": revision,
        # What was issued may be withdrawn later, and is not written again: so only a draft says what it is.
        **({"status": status} if draft else {}),
        "page_sha256": sha256(page.encode("utf-8")),
        **chain,
        "facts": facts,
        "recipe": recipe,
    }
    path = _write(folder, number, revision, DRAFT if draft else ISSUED, page, data_text(kept))
    return Procedure(number, revision, path, facts, status)


def data_text(kept: dict[str, Any]) -> str:
    """Return data to keep as JSON text, with their fingerprint."""
    return json.dumps(
        {**kept, "fingerprint": fingerprint(kept)}, ensure_ascii=False, indent=1, allow_nan=False
    )


def draft_mark() -> str:
    """Return what stands across the top of a draft."""
    return words()["signoff"]["draft_mark"]


def sha256(data: bytes) -> str:
    """Return what tells a file from any other."""
    return hashlib.sha256(data).hexdigest()


def render(facts: dict[str, Any], mark: str = "") -> str:
    """
    Return the page of a procedure as HTML text.

    Parameters
    ----------
    facts : dict
        As `procedure_facts` returns them; the same facts give the same page.
    mark : str, optional
        What stands across the top: that it is a draft, or withdrawn; nothing for what is in force.
    """
    import pandas as pd
    from markupsafe import Markup

    ax = answer_figures.recipe(
        pd.DataFrame(facts["figure"]), wanted=facts["wanted"], ax=answer_figures.blank()
    )
    figure = Markup(frame.svg_in_page(ax))
    return template("page.html.j2").render(
        f=facts | {"shop": shown_shop(facts["shop"])}, w=words_for(facts), figure=figure, mark=mark
    )


@cache
def template(name: str) -> Template:
    """Return a layout by its file's name; whatever it shows is escaped."""
    environment = layouts("finishlab.procedure")
    environment.filters["css_text"] = _css_text
    return environment.get_template(name)


def _css_text(text: str) -> str:
    """Return text as a CSS string in which only plain letters and digits stand as they are."""
    from markupsafe import Markup

    safe = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text)
    return Markup(f'"{safe}"')


def _number_mistakes(number: str) -> list[str]:
    """Return what keeps a number from naming a file on any of the systems in use."""
    if not isinstance(number, str) or not number.strip():
        return [f"number is {number!r}; a procedure needs one, as SP-014."]
    mistakes = []
    if wrong := sorted({c for c in number if not (c.isalnum() or c in " ._-")}):
        shown = " ".join(repr(c) for c in wrong)
        mistakes.append(
            f"number {number!r} has {shown}, which cannot stand in a file name. "
            "Use letters, digits, spaces, dots, dashes and underscores, as SP-014."
        )
    elif number[0] in " .-" or number[-1] in " .":
        mistakes.append(
            f"number {number!r} begins with a space, dot or dash, or ends with a space or dot. Leave that off, as SP-014."
        )
    if parted(number)[1] != 1:
        mistakes.append(f"number {number!r} ends as a revision's files do. Leave '.rev' and its figure off.")
    for kind in (DRAFT, WITHDRAWAL):
        if number.casefold().endswith(kind):
            mistakes.append(f"number {number!r} ends as files of ours do. Leave {kind!r} off.")
    if number.split(".")[0].strip().casefold() in _RESERVED:
        mistakes.append(
            f"number {number!r} is a name that Windows keeps for a device. Use another, as SP-014."
        )
    if len(number) > _LONGEST:
        mistakes.append(
            f"number has {len(number)} characters; at most {_LONGEST} make a file name. Shorten it."
        )
    return mistakes


# --- files ---------------------------------------------------------------------------------


def _write(folder: Path, number: str, revision: int, kind: str, page: str, data: str) -> Path:
    """Write page and data under a name that is not taken; both or none."""
    name = stem(number, revision)
    path, beside = folder / f"{name}{kind}.html", folder / f"{name}{kind}.json"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # Names that differ in capitals only are one file on some systems.
        taken = {p.name.casefold(): p for p in folder.iterdir()}
        # A draft takes no number that was issued.
        for target in dict.fromkeys([folder / f"{name}.html", folder / f"{name}.json", path, beside]):
            if found := taken.get(target.name.casefold()):
                raise ProcedureError(_taken(number, revision, found))
        # The data first: who places them has the revision, and a page that is missing is made from them.
        _place(beside, data, number, revision)
        try:
            _place(path, page, number, revision)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise ProcedureError(
            f"procedure {number} cannot be written in {folder} ({error.strerror or error}). "
            "Nothing was written. Give a folder that you may write to."
        ) from error
    return path


def place_beside(target: Path, data: str, number: str, revision: int) -> None:
    """Put data in place at once that stand beside a revision; refuse when some are there already."""
    try:
        _place(target, data, number, revision)
    except OSError as error:
        raise ProcedureError(
            f"{target} cannot be written ({error.strerror or error}). Nothing was written. Look at who may write there."
        ) from error


def _place(target: Path, text: str, number: str, revision: int = 1) -> None:
    """Put a whole file in place at once; refuse when one came there meanwhile."""
    with _whole_file(target, text) as name:
        try:
            os.link(name, target)  # unlike replace, fails when the target is there
        except FileExistsError:
            raise ProcedureError(_taken(number, revision, target)) from None
        except OSError:
            # Some file systems know no links; the check before stands alone then.
            if target.exists():
                raise ProcedureError(_taken(number, revision, target)) from None
            os.replace(name, target)


def put(path: Path, data: bytes) -> Path:
    """Put a whole file in place of what is there; ProcedureError where it cannot be written."""
    try:
        write_whole(path, data)
    except RecordsError as error:
        raise ProcedureError(error.mistakes) from None
    return path


@contextmanager
def _whole_file(target: Path, text: str) -> Iterator[str]:
    """Give the name of a file beside `target` that holds the whole text, gone at the end unless moved."""
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=".", suffix=".part")
    try:
        with open(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        # mkstemp lets the owner alone read; a procedure is for everyone in the shop.
        os.chmod(name, 0o644)
        yield name
    finally:
        Path(name).unlink(missing_ok=True)


def _taken(number: str, revision: int, found: Path) -> str:
    if found.stem.casefold().endswith(DRAFT):
        return (
            f"a draft of procedure {number}, revision {revision}, is there already: {found}. It was not touched. "
            "Issue it with issue_procedure, give another number, or delete the draft's two files first."
        )
    if revision > 1:
        return (
            f"revision {revision} of procedure {number} was written meanwhile: {found}. It was not touched. "
            f"Read it, and revise from it (revises={revision})."
        )
    return (
        f"procedure {number} is there already: {found}. It was not touched. "
        "Give another number, revise it with revise_procedure, or move the old files away first."
    )
