"""How a figure is framed and how it leaves: as axes, as SVG text, as a file.

What a figure shows is the business of the modules beside this one. Kept apart so that every figure has the same
quiet frame, one way to draw raw readings, a legend that covers no mark, and the same text for the same data.
"""

from __future__ import annotations

import html
import io
import re
import textwrap
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab.errors import FinishlabError
from finishlab.study import LIMITS, RESPONSES
from finishlab.words.show import label

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from numpy.typing import ArrayLike

#: Colours that stay apart for colour-blind eyes (Okabe and Ito 2002: blue, vermillion,
#: bluish green), and ink and grey; all at least 3:1 against white.
BLUE, VERMILLION, GREEN, INK, GREY = "#0072B2", "#D55E00", "#009E73", "#1a1a1a", "#595959"
#: Shape and colour of panels or settings, in turn; the shape alone tells them apart up to ten.
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "*")
_COLOURS = (BLUE, VERMILLION, GREEN, INK)
_GRID = "#d9d9d9"
_DPI = 200
#: Edge of a raw reading's mark, points.
_EDGE = 1.2
#: Characters of a title and of the names beside its axes, together.
_CHARACTERS = 84


def svg(figure: Axes | Figure, *, name: str = "") -> str:
    """
    Return a figure as SVG text, the same text every time for the same figure.

    Text stays text, so that it can be searched and read aloud; no date is written.

    Parameters
    ----------
    figure : Axes or Figure
    name : str, optional
        What the figure shows, for people who hear it; its title when left out.

    Returns
    -------
    str
        One ``<svg>`` element that may stand inside a page.

    Examples
    --------
    >>> ax = blank()
    >>> 'aria-label="84 GU &amp; more"' in svg(ax, name="84 GU & more")
    True
    >>> svg(ax) == svg(ax)
    True
    """
    import matplotlib as mpl

    figure = _figure(figure)
    buffer = io.StringIO()
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "finishlab"}), warnings.catch_warnings():
        # The reader's own fonts draw the letters; ours need not have them all.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure.savefig(
            buffer, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    spoken = html.escape(name or " ".join(a.get_title(loc="left") for a in figure.axes), quote=True)
    return text.replace("<svg", f'<svg role="img" aria-label="{spoken}"', 1)


def svg_in_page(figure: Axes | Figure, *, name: str = "") -> str:
    """
    Return a figure as `svg` gives it, for inside a page: there the element needs no namespace, and so names no address.

    Examples
    --------
    >>> "http" in svg(blank()), "http" in svg_in_page(blank())
    (True, False)
    """
    return re.sub(r' xmlns(:xlink)?="[^"]*"', "", svg(figure, name=name))


def save(figure: Axes | Figure, path: str | Path) -> Path:
    """
    Write a figure as PNG or SVG, by the ending of the name.

    Parameters
    ----------
    figure : Axes or Figure
    path : str or Path
        Ends in ``.png`` or ``.svg``; an older figure there is replaced.

    Returns
    -------
    Path

    Raises
    ------
    FinishlabError
        The name has another ending.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save(blank(), f"{folder}/dots.png").name
    'dots.png'
    >>> save(blank(), "dots.jpg")
    Traceback (most recent call last):
        ...
    finishlab.errors.FinishlabError: dots.jpg ends in '.jpg'; figures are written as .png or .svg. Give one of these endings.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending == ".svg":
        path.write_text(svg(figure), encoding="utf-8")
    elif ending == ".png":
        _figure(figure).savefig(path, format="png", dpi=_DPI, metadata={"Software": None})
    else:
        raise FinishlabError(
            f"{path.name} ends in '{path.suffix}'; figures are written as .png or .svg. Give one of these endings."
        )
    return path


def blank(width: float = 8.2, height: float = 3.5) -> Axes:
    """Return empty axes in inches that belong to no window, for figures that go into a file."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained").add_subplot()


def axes(ax: Axes | None, height: float = 4.2) -> Axes:
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    return plt.subplots(figsize=(7.0, height), layout="constrained")[1]


def parted(
    ax: Axes,
    *,
    below: bool = False,
    ratios: tuple[int, int] = (1, 1),
    gap: float | None = None,
    shared: bool = True,
) -> Axes:
    """
    Part the place of some axes in two, side by side or one below the other; return the other axes.

    Parameters
    ----------
    ax : Axes
        As `blank` and `axes` give them; they keep the left, or the upper, part.
    below : bool, optional
    ratios : (int, int), optional
        Of the two widths, or heights.
    gap : float, optional
        Between them, as a share of their mean size.
    shared : bool, optional
        Whether both have the axis along which they lie side by side, or below each other, in common.

    Examples
    --------
    >>> upper = blank()
    >>> parted(upper, below=True).get_shared_x_axes().get_siblings(upper) != [upper]
    True
    """
    place = ax.get_subplotspec()
    assert place is not None
    parts = (
        place.subgridspec(2, 1, height_ratios=ratios, hspace=gap)
        if below
        else place.subgridspec(1, 2, width_ratios=ratios, wspace=gap)
    )
    ax.set_subplotspec(parts[0])
    other: Axes = ax.figure.add_subplot(parts[1], **({"sharex" if below else "sharey": ax} if shared else {}))
    return other


def panel_mark(i: int) -> dict[str, Any]:
    """Return how the marks of the i-th panel, or of the i-th level of a setting, look."""
    return {
        "marker": _MARKERS[i % len(_MARKERS)],
        "color": _COLOURS[i % len(_COLOURS)],
        "markersize": 6,
    }


def raw_marks(
    ax: Axes,
    place: ArrayLike,
    value: ArrayLike,
    kind: ArrayLike | None = None,
    *,
    words: Sequence[str] = ("readings",),
    along: Literal["x", "y"] = "x",
    size: float = 6.0,
    apart: Sequence[int] = (),
) -> list[Line2D]:
    """
    Draw raw readings, one mark each; marks that would hide each other step aside. Return handles for the legend.

    seaborn's swarm plot finds the places when the figure is drawn, by the size it then has. No chance is in it: the same
    readings give the same figure. seaborn has one shape for all marks, so shapes, and colours with them, are set here.

    Parameters
    ----------
    ax : Axes
    place : array_like, shape (readings,)
        Where the group of each reading stands; a mark steps aside by less than half the way to the next group.
    value : array_like, shape (readings,)
    kind : array_like of int, shape (readings,), optional
        Which of `words` each reading is; 0 for all when left out. Each has a shape and a colour of its own.
    words : sequence of str, optional
        What each kind is called in the legend.
    along : {"x", "y"}, optional
        Axis of the places.
    size : float, optional
        Largest mark, points; marks shrink where many stand at one place.
    apart : sequence of int, optional
        Readings, by position, drawn with a ring round the mark.

    Examples
    --------
    Three equal readings at one pass stand side by side, and each keeps its value:

    >>> ax = blank()
    >>> [handle.get_label() for handle in raw_marks(ax, [1, 1, 1, 2], [80.0, 80.0, 80.0, 84.0])]
    ['readings']
    >>> ax.figure.draw_without_rendering()
    >>> at = ax.collections[0].get_offsets()
    >>> at[:, 1].tolist(), len(set(at[:, 0].tolist()))
    ([80.0, 80.0, 80.0], 3)
    """
    import seaborn as sns
    from matplotlib.lines import Line2D
    from matplotlib.markers import MarkerStyle
    from matplotlib.path import Path

    place, value = np.asarray(place, float), np.asarray(value, float)
    kind = np.zeros(len(place), int) if kind is None else np.asarray(kind, int)
    looks = [panel_mark(i) for i in range(len(words))]
    paths = [(m := MarkerStyle(look["marker"])).get_path().transformed(m.get_transform()) for look in looks]
    # A ring is part of its mark, and so goes where the mark goes.
    inner, outer = Path.circle(radius=1.45), Path.circle(radius=1.6)
    hole = Path(np.asarray(inner.vertices)[::-1], inner.codes)
    ringed = [Path.make_compound_path(path, outer, hole) for path in paths]
    levels = np.unique(place)
    across = "y" if along == "x" else "x"
    gap = np.diff(levels).min() if len(levels) > 1 else 1.0
    span = levels[-1] - levels[0]
    # Fixed here: seaborn would move the ends while it draws, and marks at the ends would be cut.
    room = max(0.6 * gap, 0.04 * span)
    (ax.set_xlim if along == "x" else ax.set_ylim)(levels[0] - room, levels[-1] + room)
    # Legend, labels and margins leave about 0.7 of the figure to the axes; a group's marks have 0.8 of its place.
    long, high = 0.7 * 72 * ax.figure.get_figure(root=True).get_size_inches()[:: 1 if along == "x" else -1]
    near = (size + _EDGE) / high * np.ptp(value)
    most = max(_crowd(value[place == level], near) for level in levels)
    if most > 1:
        size = float(np.clip(0.8 * long * gap / (span + 2 * room) / most - _EDGE, 3.0, size))
    before = len(ax.collections)
    sns.swarmplot(
        **{along: place, across: value}, orient=along, native_scale=True, legend=False, size=size, linewidth=_EDGE,
        warn_thresh=1, ax=ax,
    )  # fmt: skip
    for level, marks in zip(levels, ax.collections[before:], strict=True):
        mine = np.flatnonzero(place == level)
        marks.set_paths([ringed[kind[i]] if i in apart else paths[kind[i]] for i in mine])
        colours = [looks[kind[i]]["color"] for i in mine]
        marks.set_facecolor(colours)
        marks.set_edgecolor([INK if i in apart else colour for i, colour in zip(mine, colours, strict=True)])
    return [Line2D([], [], linestyle="", label=word, **look) for word, look in zip(words, looks, strict=True)]


def _crowd(values: np.ndarray, near: float) -> int:
    """Return the most readings of a group that lie within so much of each other."""
    values = np.sort(values)
    return int((np.searchsorted(values, values + near, "right") - np.arange(len(values))).max())


def arms(middle: Any, low: Any, high: Any) -> np.ndarray:
    """
    Return how far intervals reach below and above their middles, shape (2, marks), as error bars want it.

    Examples
    --------
    A middle that lies outside its interval has no arm on that side:

    >>> arms([84.0], [85.0], [86.0])
    array([[0.],
           [2.]])
    """
    middle, low, high = (np.asarray(x, float) for x in (middle, low, high))
    return np.clip([middle - low, high - middle], 0, None)


def times_of(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray, str, str]:
    """
    Return the minutes to draw, with their intervals, the words of their axis, and what the intervals are for.

    The job's, or those of a section where the job takes no more than that (or the job's are not known).

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"minutes": [6.8], "minutes_low": [6.1], "minutes_high": [7.7]})
    >>> times_of(rows)[3:]
    ('working minutes a section', 'the next section')
    >>> job = rows.assign(job_minutes=[16.6], job_minutes_low=[15.2], job_minutes_high=[18.2])
    >>> times_of(job)[0].tolist(), times_of(job)[3:]
    ([16.6], ('minutes a job', 'the next job'))
    """
    of, words, what = "", "working minutes a section", "the next section"
    if "job_minutes" in rows:
        section, job = (rows[name].to_numpy(float) for name in ("minutes", "job_minutes"))
        if not np.allclose(section, job, equal_nan=True):
            of, words, what = "job_", "minutes a job", "the next job"
    middle, low, high = (rows[f"{of}minutes{end}"].to_numpy(float) for end in ("", "_low", "_high"))
    return middle, low, high, words, what


def words_of(response: str) -> tuple[str, str]:
    """
    Return name and unit of a response, or of what is limited, for an axis, the unit led by its comma.

    Examples
    --------
    >>> words_of("gloss_20"), words_of("haze")
    (('20° gloss', ', GU'), ('haze', ''))
    """
    words, unit = {**RESPONSES, **LIMITS}.get(response, (label(response), ""))
    return words, f", {unit}" if unit else ""


def _figure(figure: Axes | Figure) -> Figure:
    from matplotlib.figure import Figure

    return figure if isinstance(figure, Figure) else figure.figure  # type: ignore[return-value]


def legend(ax: Axes, handles: list[Any] | None = None, *, beside: bool = False, columns: int = 2) -> None:
    """Put the legend where no mark can be: beside the axes, or below their label."""
    from matplotlib.transforms import offset_copy

    dx, dy = (8, 0) if beside else (0, -36)
    ax.legend(
        **({"handles": handles} if handles else {}),
        loc="center left" if beside else "upper center",
        bbox_to_anchor=(1, 0.5) if beside else (0.5, 0),
        bbox_transform=offset_copy(ax.transAxes, fig=_figure(ax), x=dx, y=dy, units="points"),
        ncols=1 if beside else columns,
        frameon=False,
        fontsize=8.5,
    )


def title_width(names: Sequence[str]) -> int:
    """
    Return how wide a title may be, in characters, over axes that stand beside names.

    Examples
    --------
    >>> title_width(["wool", "foam, soft"]), title_width(["x" * 70])
    (74, 40)
    """
    longest = max((len(line) for name in names for line in name.splitlines()), default=0)
    return max(_CHARACTERS - longest, 40)


def finish(ax: Axes, title: str, *, width: int = 78) -> Axes:
    """Set the title, so many characters wide, and the quiet frame; what people named is text, never a formula."""
    from matplotlib.text import Text

    ax.set_title("\n".join(textwrap.wrap(title, width)), loc="left", fontsize=10.5, color=INK)
    ax.grid(color=_GRID, linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for text in ax.findobj(Text):
        text.set_parse_math(False)
    return ax
