"""Slides for the instructor: one file that opens in a browser without a network.

Each slide is a sentence and its figure, both made by a result itself; nothing is computed here. The last slide holds the usual
cautions. The page fetches nothing: its own policy forbids it.
"""

from __future__ import annotations

import re
import textwrap
import warnings
from base64 import b64encode
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from finishlab.classroom.lessons import Lesson
from finishlab.errors import ProcedureError
from finishlab.figures import frame
from finishlab.records.sheets.sheet_files import write_whole
from finishlab.words.layouts import layouts

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Figure in inches: on a page of 1280 x 800 its smallest type is 24 pixels high or more at the first of these sizes. The
#: others are for figures with more in them, whose type is smaller on the page.
_SIZES = ((6.2, 2.9), (7.4, 3.5), (8.9, 4.2), (10.7, 5.0))
#: Smallest type in points, characters of a line beside the axes, and inches that a mark may stand over the edge.
_LEAST, _BESIDE, _OVER = 10.0, 20, 0.03
_WORDS = {
    "first": "Title",
    "moves": "On: arrow key, space, click or tap. Back: left arrow, or the left third of the page. N: the instructor's notes.",
    "defer": "Nothing in these slides says that a process is safe.",
    "nav": "Slides",
    "back": "Back",
    "next": "On",
    "last": "Before anybody works",
    "cautions": (
        "The safety data sheets, the coating maker's data sheet, local codes and licensed practice stand above every number here.",
        "Sanding dust, fresh two-pack clear (isocyanates), old coatings (lead, chromate), solvents and oily rags, vibration, "
        "electricity near water, turning machines and heat can hurt people.",
        "Too much removal ruins paint years later: film limits have no default, and a named person sets them.",
        "A gloss meter hardly sees a single deep scratch: look under the lamp.",
        "Trials hold for the settings that were studied, the same crew, lots and care. Nothing here says that a process is safe.",
    ),
}


def write_slides(results: Sequence[Any], path: str | Path, *, title: str) -> Path:
    """
    Write lessons and other results as slides, in one file that needs no network.

    Parameters
    ----------
    results : sequence of Lesson or another result
        In the order shown. Whatever has ``text()`` and ``plot()`` makes a slide: its first sentence, its figure, its source and cautions,
        and the rest of its text as the instructor's notes.
    path : str or Path
        ``.html``. A file of that name is replaced, whole or not at all.
    title : str
        Of the first slide.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    ProcedureError
        There is nothing to show, something has no sentence or figure, or another kind of file is asked for.
    RecordsError
        The file cannot be written; what was there stays.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> shown = [fl.lesson("panels"), fl.certify(10, 10)]
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_slides(shown, Path(folder, "class.html"), title="Step counts").read_text(encoding="utf-8")
    >>> page.count("<section"), "http" in page.replace("http-equiv", "")
    (4, False)

    >>> fl.write_slides(shown, "class.pptx", title="Step counts")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: class.pptx: slides are written as .html, which any browser opens. Give that ending.
    """
    path = Path(path)
    mistakes = []
    if path.suffix.lower() != ".html":
        mistakes.append(
            f"{path.name}: slides are written as .html, which any browser opens. Give that ending."
        )
    if not results:
        mistakes.append("there is nothing to show; give a lesson or another result at least.")
    for k, result in enumerate(results, start=1):
        if not all(callable(getattr(result, handle, None)) for handle in ("text", "plot")):
            mistakes.append(
                f"number {k} is of type {type(result).__name__}, which has no sentence and figure; give what lesson, step_counts or certify return."
            )
    if mistakes:
        raise ProcedureError(mistakes)
    write_whole(path, _page([_slide(r, k) for k, r in enumerate(results)], title).encode(errors="replace"))
    return path


def _slide(result: Any, number: int) -> dict[str, Any]:
    """Return sentence, figure, cautions and notes of one slide."""
    from markupsafe import Markup

    cautions = [str(c) for c in getattr(result, "cautions", ())]
    if isinstance(result, Lesson):
        says, note = result.says, result.note
        cautions = [result.source, *cautions]
    else:
        says, _, note = result.text().partition(". ")
        says = says if says.endswith((".", "?")) else f"{says}."
    figure = _drawn(result)
    svg = frame.svg_in_page(figure, name=says)
    # A clip hidden with its slide would hide what another slide's figure names alike.
    svg = re.sub(r'( id="|url\(#|href="#)', rf"\g<1>s{number}-", svg)
    return {"says": says, "figure": Markup(svg), "cautions": cautions, "note": note}


def _drawn(result: Any) -> Figure:
    """Draw a result without its title, at the first size at which nothing is cut."""
    from matplotlib.text import Text

    for size in _SIZES:
        place = frame.blank(*size)
        figure = cast("Figure", place.figure)
        result.plot(ax=place)
        for part in figure.axes:
            # The sentence stands above the figure, in larger type.
            part.set_title("", loc="left")
            part.set_ylabel(textwrap.fill(part.get_ylabel(), _BESIDE))
        for text in figure.findobj(Text):
            text.set_fontsize(max(text.get_fontsize(), _LEAST))
        with warnings.catch_warnings():
            # Axes without room are drawn larger next.
            warnings.filterwarnings("ignore", message="constrained_layout not applied")
            figure.draw_without_rendering()
        drawn = figure.get_tightbbox()
        if min(drawn.x0, drawn.y0) > -_OVER and drawn.x1 < size[0] + _OVER and drawn.y1 < size[1] + _OVER:
            break
    return figure


def _page(slides: list[dict[str, Any]], title: str) -> str:
    from markupsafe import Markup

    script = (Path(__file__).parent / "slides.js").read_text(encoding="utf-8")
    return (
        layouts("finishlab.classroom")
        .get_template("slides.html.j2")
        .render(
            slides=slides,
            title=title,
            w=_WORDS,
            script=Markup(script),
            fingerprint=b64encode(sha256(script.encode()).digest()).decode(),
        )
    )
