"""Figures of the lessons: each shows one sentence, in black and white as well as in colour.

Drawn from plain data as everywhere in this room; nothing is computed here but where to put a mark. They are kept flat and in
large type, so that a slide can be read from the back row.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.figures.frame import (
    BLUE,
    GREY,
    INK,
    VERMILLION,
    arms,
    axes,
    blank,
    finish,
    legend,
    panel_mark,
    parted,
    raw_marks,
)
from finishlab.words.show import asked_percent, label, number, plain_number

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


_LINES = ("-", "--", "-.", ":")

__all__ = ["blank", "grits", "panels", "passes", "technicians", "wipe"]


def passes(table: pd.DataFrame, *, factor: str, response: str, title: str, ax: Axes | None = None) -> Axes:
    """
    Draw a reading over the passes, and beside it what each pass adds.

    Parameters
    ----------
    table : DataFrame
        The factor, the response, ``mean_low``, ``mean_high``, ``gain``, ``gain_low``, ``gain_high``; one row a count.
    factor, response, title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"cut_passes": [1.0, 2.0], "gloss_20": [80.0, 84.0], "mean_low": [79.0, 83.0], "mean_high": [81.0, 85.0]}
    >>> row |= {"gain": [None, 4.0], "gain_low": [None, 3.0], "gain_high": [None, 5.0]}
    >>> ax = passes(pd.DataFrame(row), factor="cut_passes", response="gloss_20", title="", ax=blank())
    >>> [t.get_text() for t in ax.figure.axes[1].texts]
    ['+4.0']
    """
    ax = axes(ax)
    beside = parted(ax, shared=False)
    x = table[factor].to_numpy(float)
    y = table[response].to_numpy(float)
    ax.errorbar(
        x,
        y,
        yerr=arms(y, table["mean_low"], table["mean_high"]),
        fmt="-o",
        color=BLUE,
        markersize=6,
        capsize=4,
    )
    rows = table[table["gain"].notna()]
    gain = rows["gain"].to_numpy(float)
    high = rows["gain_high"].to_numpy(float)
    beside.axhline(0, color=INK, linewidth=1)
    beside.errorbar(
        rows[factor], gain, yerr=arms(gain, rows["gain_low"], rows["gain_high"]), fmt="s", color=INK,
        markerfacecolor="white", markersize=7, capsize=4,
    )  # fmt: skip
    for at, top, size in zip(rows[factor], high, gain, strict=True):
        rounded = float(number(size, 1))
        sign = "+" if rounded > 0 else "-" if rounded < 0 else ""
        beside.annotate(
            f"{sign}{number(abs(size), 1)}", (at, top), xytext=(0, 4), textcoords="offset points", ha="center", fontsize=9
        )  # fmt: skip
    beside.margins(y=0.18)
    for part in (ax, beside):
        part.set_xlabel(f"{label(factor)} (bar: 90 %)")
        part.set_xlim(x.min() - 0.5, x.max() + 0.5)
        if len(x) <= 12:
            part.set_xticks(x, [plain_number(v) for v in x])
    ax.set_ylabel(label(response))
    beside.set_ylabel("what this pass adds")
    finish(beside, "")
    return finish(ax, title)


def grits(
    table: pd.DataFrame, *, factor: str, needed: float | None, title: str, ax: Axes | None = None
) -> Axes:
    """
    Draw what each grit leaves, and what the passes of the next step make of it.

    Parameters
    ----------
    table : DataFrame
        ``grit``, ``grain_um``, the factor, ``roughness_um`` with ``_low`` and ``_high``; one row a grit and count.
    factor : str
    needed : float or None
        Passes that take the first grit down to what the last leaves.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"grit": ["P1500", "P1500"], "grain_um": [12.6, 12.6], "cut_passes": [0.0, 1.0], "roughness_um": [0.09, 0.05]}
    >>> row |= {"roughness_um_low": [0.08, 0.04], "roughness_um_high": [0.1, 0.06]}
    >>> ax = grits(pd.DataFrame(row), factor="cut_passes", needed=None, title="", ax=blank())
    >>> [t.get_text() for t in ax.get_legend().get_texts()]
    ['P1500 (grain 12.6 µm)']
    """
    ax = axes(ax)
    names = list(dict.fromkeys(table["grit"]))
    aside = 0.09 * (np.arange(len(names)) - (len(names) - 1) / 2)
    for k, name in enumerate(names):
        rows = table[(table["grit"] == name) & table["roughness_um"].notna()]
        y = rows["roughness_um"].to_numpy(float)
        grain = rows["grain_um"].iloc[0]
        size = f" (grain {grain:g} µm)" if np.isfinite(grain) else ""
        ax.errorbar(
            rows[factor] + aside[k], y, yerr=arms(y, rows["roughness_um_low"], rows["roughness_um_high"]),
            linestyle=_LINES[k % len(_LINES)], capsize=3, label=f"{name}{size}", **panel_mark(k),
        )  # fmt: skip
    handles = ax.get_legend_handles_labels()[0]
    if needed is not None:
        level = float(table.loc[(table["grit"] == names[-1]) & (table[factor] == 0), "roughness_um"].iloc[0])
        ax.axhline(level, color=GREY, linestyle=":", linewidth=1.4)
        ax.axvline(needed, color=GREY, linestyle=":", linewidth=1.4)
        last = float(table[factor].max())
        ax.annotate(
            f"what {names[-1]} leaves", (last, level), xytext=(0, 4), textcoords="offset points", ha="right", fontsize=9
        )  # fmt: skip
    counts = np.unique(table[factor])
    if len(counts) <= 12:
        ax.set_xticks(counts, ["sanded" if v == 0 else plain_number(v) for v in counts])
    ax.set_ylim(bottom=0)
    ax.set_xlabel(f"{label(factor)} (bar: 90 % interval)")
    ax.set_ylabel("scratches, µm rms")
    legend(ax, handles, columns=3)
    return finish(ax, title)


def wipe(table: pd.DataFrame, *, truth: tuple[float, float], title: str, ax: Axes | None = None) -> Axes:
    """
    Draw each patch before and after the wipe, with one pass fewer and more.

    Parameters
    ----------
    table : DataFrame
        ``polish_passes``, ``gloss_20_before``, ``gloss_20_after``; one row a patch.
    truth : (float, float)
        What the two processes truly leave, GU.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"polish_passes": [3.0, 4.0], "gloss_20_before": [81.0, 82.0], "gloss_20_after": [78.0, 79.5]})
    >>> ax = wipe(table, truth=(78.2, 79.6), title="", ax=blank())
    >>> [t.get_text() for t in ax.get_xticklabels()]
    ['3 polish passes', '4 polish passes']
    """
    ax = axes(ax)
    counts = np.unique(table["polish_passes"])
    for k, count in enumerate(counts):
        rows = table[table["polish_passes"] == count]
        x = k + 0.16 * (np.arange(len(rows)) - (len(rows) - 1) / 2)
        before, after = (rows[f"gloss_20_{w}"].to_numpy(float) for w in ("before", "after"))
        ax.vlines(x, after, before, color=GREY, linewidth=1.2)
        once = k == 0
        ax.plot(
            x, before, linestyle="", marker="D", color=VERMILLION, markerfacecolor="white", markersize=8,
            label="before the wipe" if once else "",
        )  # fmt: skip
        ax.plot(
            x, after, linestyle="", marker="o", color=BLUE, markersize=8,
            label="the same patch, wiped" if once else "",
        )  # fmt: skip
        ax.hlines(
            truth[k],
            k - 0.4,
            k + 0.4,
            color=INK,
            linestyle="--",
            linewidth=1.6,
            label="true average" if once else "",
        )
    ax.set_xticks(range(len(counts)), [f"{plain_number(c)} polish passes" for c in counts])
    ax.set_xlim(-0.6, len(counts) - 0.4)
    ax.margins(y=0.12)
    ax.set_ylabel(label("gloss_20"))
    legend(ax, columns=3)
    return finish(ax, title)


def panels(
    table: pd.DataFrame, *, sets: Sequence[dict[str, Any]], truth: float, title: str, ax: Axes | None = None
) -> Axes:
    """
    Draw intervals of repeats beside the truth, for each way to work a set of patches.

    Parameters
    ----------
    table : DataFrame
        ``way`` and ``holds_average_share``, 0 to 1; one row a way.
    sets : sequence of dict
        ``way``, ``middle`` and ``half`` (sequences of float, GU), one a way, two ways.
    truth : float
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"way": ["one panel", "ten panels"], "holds_average_share": [0.4, 0.9]})
    >>> sets = [{"way": w, "middle": [84.0, 85.0], "half": [0.5, 0.5]} for w in table["way"]]
    >>> ax = panels(table, sets=sets, truth=85.0, title="", ax=blank())
    >>> [a.get_xlabel() for a in ax.figure.axes]
    ['one panel', 'ten panels']
    """
    ax = axes(ax)
    parts = (ax, parted(ax))
    for part, one in zip(parts, sets, strict=True):
        middle, half = np.asarray(one["middle"]), np.asarray(one["half"])
        x = np.arange(1, len(middle) + 1)
        holds = abs(middle - truth) <= half
        kinds = (
            (holds, "o", "-", BLUE, BLUE, "holds it"),
            (~holds, "X", "--", VERMILLION, "white", "misses it"),
        )
        for which, marker, line, colour, face, words in kinds:
            part.vlines(
                x[which],
                (middle - half)[which],
                (middle + half)[which],
                color=colour,
                linestyle=line,
                linewidth=1.8,
            )
            part.plot(
                x[which], middle[which], linestyle="", marker=marker, color=colour, markerfacecolor=face, markersize=7,
                label=words,
            )  # fmt: skip
        part.axhline(truth, color=INK, linewidth=1.2, label="true average")
        part.set_xticks([])
        part.set_xlabel(one["way"])
    ax.set_ylabel(label("gloss_20"))
    parts[1].tick_params(labelleft=False)
    # One under each: together they are wider than their half.
    handles = ax.get_legend_handles_labels()[0]
    legend(ax, handles[:2])
    legend(parts[1], handles[2:])
    finish(parts[1], "")
    return finish(ax, title)


def technicians(
    table: pd.DataFrame,
    *,
    sets: Sequence[Sequence[float]],
    unit: str,
    label: str,
    title: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw each technician's patches against what the model expects, with their average.

    Parameters
    ----------
    table : DataFrame
        ``technician`` (a number), ``difference``; one row a technician.
    sets : sequence of sequences of float
        Differences of the patches of each.
    unit, label, title : str
        The response's unit, and its name.
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"technician": [1, 2], "difference": [0.4, -0.4]})
    >>> ax = technicians(table, sets=[[0.3, 0.5], [-0.4]], unit="GU", label="20° gloss", title="", ax=blank())
    >>> [t.get_text() for t in ax.get_yticklabels()]
    ['technician 1', 'technician 2']
    """
    ax = axes(ax)
    ax.axvline(0, color=INK, linewidth=1)
    kind = np.repeat(np.arange(len(sets)), [len(values) for values in sets])
    raw_marks(
        ax, -kind, np.concatenate([np.asarray(v, float) for v in sets]), kind, words=[""] * len(sets), along="y"
    )  # fmt: skip
    ax.plot([], [], "o", color=BLUE, label="a patch")
    for k, average in enumerate(table["difference"]):
        ax.vlines(
            average, -k - 0.44, -k + 0.44, color=INK, linewidth=3, label="average of the technician" if k == 0 else ""
        )  # fmt: skip
    ax.set_yticks([-k for k in range(len(sets))], [f"technician {n}" for n in table["technician"]])
    ax.set_ylim(-len(sets) + 0.4, 0.6)
    ax.set_xlabel(f"{label} above what the model expects of the process{', ' + unit if unit else ''}")
    legend(ax)
    return finish(ax, title, width=66)


def scores(rows: pd.DataFrame, *, wanted: float, title: str, ax: Axes | None = None) -> Axes:
    """
    Draw what was said and what is true, row by row, and beside it the minutes over the shortest possible.

    Parameters
    ----------
    rows : DataFrame
        `who`, `true_probability`, `said_probability`, `kept`, `times_shortest`; NaN where nothing was answered.
    wanted : float
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> rows = pd.DataFrame({"who": ["student 1"], "true_probability": [0.4], "said_probability": [0.9], "kept": [False], "times_shortest": [0.8]})
    >>> scores(rows, wanted=0.9, title="0 of 1 student", ax=blank()).get_xlabel()
    'the next job meets the goal, %'
    """
    ax = axes(ax, height=2.2 + 0.26 * len(rows))
    y = np.arange(len(rows))
    true, said = (100 * rows[c].to_numpy(float) for c in ("true_probability", "said_probability"))
    kept = rows["kept"].to_numpy(bool)
    ax.hlines(y, np.fmin(true, said), np.fmax(true, said), color=GREY, linewidth=1)
    ax.plot(said, y, "|", color=INK, markersize=12, markeredgewidth=2, label="what was said")
    ax.plot(true[kept], y[kept], "o", color=BLUE, label="the truth, promise kept")
    ax.plot(true[~kept], y[~kept], "X", color=VERMILLION, markersize=8, label="the truth, promise not kept")
    ax.axvline(
        100 * wanted, color=INK, linewidth=1, linestyle="--", label=f"asked for: {asked_percent(wanted)}"
    )
    ax.set_xlim(-3, 103)
    ax.set_yticks(y, [str(who).replace(", ", ",\n") for who in rows["who"]])
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xlabel("the next job meets the goal, %")
    beside = parted(ax, ratios=(5, 2), gap=0.05)
    times = rows["times_shortest"].to_numpy(float)
    beside.axvline(1, color=INK, linewidth=1)
    beside.plot(times[kept], y[kept], "o", color=BLUE)
    beside.plot(times[~kept], y[~kept], "X", color=VERMILLION, markersize=8)
    low, high = np.nanmin([1.0, *times]), np.nanmax([1.0, *times])
    beside.set_xlim(low - 0.1, high + 0.1)
    beside.set_xlabel("minutes, times\nthe shortest")
    beside.tick_params(labelleft=False)
    legend(ax)
    finish(beside, "")
    return finish(ax, title)
