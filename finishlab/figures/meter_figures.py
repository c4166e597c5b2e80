"""Figures of the meter: where its spread comes from, what it can tell, whether it has moved.

Drawn from plain data as everywhere in this room; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import (
    BLUE,
    GREY,
    INK,
    VERMILLION,
    arms,
    axes,
    finish,
    legend,
    raw_marks,
    words_of,
)
from finishlab.words.show import asked_percent, counted, number

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd
    from matplotlib.axes import Axes


def spread(table: pd.DataFrame, *, reading: str, confidence: float, ax: Axes | None = None) -> Axes:
    """
    Draw where the spread of readings comes from: SD by source, with its interval.

    Parameters
    ----------
    table : DataFrame
        ``source``, ``sd``, ``sd_low``, ``sd_high``, ``share``; the last row is all readings.
    reading : str
    confidence : float
        Of the intervals.
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> rows = pd.DataFrame({"source": ["the meter in all", "from patch to patch", "all readings"],
    ...     "sd": [0.4, 3.0, 3.03], "sd_low": [0.3, 2.0, 2.1], "sd_high": [0.6, 5.0, 5.1], "share": [0.017, 0.983, 1.0]})
    >>> spread(rows, reading="gloss_20", confidence=0.95, ax=blank()).get_title(loc="left")
    "Where the spread of 20° gloss readings comes from: 2 % of it is the meter's"
    >>> spread(rows.assign(share=float("nan")), reading="haze", confidence=0.95, ax=blank()).get_title(loc="left")
    'Where the spread of haze readings comes from'
    """
    ax = axes(ax)
    words, unit = words_of(reading)
    y = np.arange(len(table))[::-1]
    sd, low, high = (table[c].to_numpy(float) for c in ("sd", "sd_low", "sd_high"))
    summed = table["source"].isin(("the meter in all", "all readings")).to_numpy(bool)
    for which, marker, colour, size in ((~summed, "o", BLUE, 6), (summed, "D", INK, 7)):
        ax.errorbar(
            sd[which], y[which], xerr=arms(sd, low, high)[:, which], fmt=marker, color=colour,
            ecolor=GREY, elinewidth=1.2, capsize=3, markersize=size,
            label=f"{'summed up' if marker == 'D' else 'by source'} (bar: {asked_percent(confidence)} interval)",
        )  # fmt: skip
    ax.set_yticks(y, [textwrap.fill(words, 34) for words in table["source"]])
    ax.set_ylim(-0.6, len(table) - 0.4)
    # A few patches or technicians leave the far end of an interval open: it may run out of the figure.
    ax.set_xlim(0, max(float(2.2 * sd.max()), float(1.15 * high[~summed].min())))
    ax.set_xlabel(f"standard deviation{unit}")
    legend(ax)
    share = table["share"].to_numpy(float)[table["source"] == "the meter in all"]
    of_meter = (
        f": {number(100 * share[0], 0, 'up')} % of it is the meter's"
        if len(share) and np.isfinite(share[0])
        else ""
    )
    return finish(ax, f"Where the spread of {words} readings comes from{of_meter}")


def by_patch(points: pd.DataFrame, *, reading: str, flagged: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """
    Draw every reading by patch, technicians told apart by marker, what stands apart ringed.

    Parameters
    ----------
    points : DataFrame
        ``patch`` (where it is a category, drawn in its order), ``technician`` (or None), ``value``.
    reading : str
    flagged : DataFrame
        ``at`` (positions in `points`).
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> rows = pd.DataFrame({"patch": ["1", "1", "2"], "technician": ["A", "B", "A"], "value": [80.0, 80.4, 84.0]})
    >>> by_patch(rows, reading="gloss_20", flagged=pd.DataFrame({"at": []}), ax=blank()).get_title(loc="left")
    '3 readings of 20° gloss on 2 patches; none stands apart'
    >>> apart = pd.DataFrame({"at": [(1,)]})
    >>> by_patch(rows, reading="gloss_20", flagged=apart, ax=blank()).get_title(loc="left")
    '3 readings of 20° gloss on 2 patches; 1 stands apart'
    """
    ax = axes(ax)
    words, unit = words_of(reading)
    patch = points["patch"].astype("category")
    patches = [str(p) for p in patch.cat.categories]
    x = patch.cat.codes.to_numpy(float)
    people = [None] if points["technician"].isna().all() else sorted(set(points["technician"]))
    kind = [0 if people == [None] else people.index(name) for name in points["technician"]]
    told_apart = ["readings" if name is None else f"technician {name}" for name in people]
    apart = sorted({i for rows in flagged["at"] for i in rows})
    handles = raw_marks(ax, x, points["value"], kind, words=told_apart, size=5, apart=apart)
    if apart:
        handles += ax.plot(
            [], [], "o", markersize=11, markerfacecolor="none", color=INK, markeredgewidth=1.4, label="stands apart (stays in)"
        )  # fmt: skip
    ax.set_xticks(range(len(patches)), patches, rotation=0 if max(map(len, patches)) < 4 else 45)
    ax.set_xlabel("patch")
    ax.set_ylabel(f"{words}{unit}")
    legend(ax, handles, beside=len(people) > 1)
    told = f"{len(apart)} {'stands' if len(apart) == 1 else 'stand'} apart" if apart else "none stands apart"
    return finish(
        ax,
        f"{counted(len(points), 'reading')} of {words} on {len(patches)} patch{'es' if len(patches) != 1 else ''}; {told}",
    )


def averages(
    gain: pd.DataFrame,
    *,
    reading: str,
    wanted: float | None,
    title: str,
    confidence: float,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw what averaging gains: half width of the 95 % interval of a mean by readings averaged.

    Parameters
    ----------
    gain : DataFrame
        ``readings``, ``half_width``, ``half_width_low``, ``half_width_high``.
    reading : str
    wanted : float or None
        Half width asked for, drawn as a line.
    title : str
    confidence : float
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> gain = pd.DataFrame({"readings": [1, 2], "half_width": [0.8, 0.6], "half_width_low": [0.7, 0.5], "half_width_high": [1.0, 0.7]})
    >>> averages(gain, reading="gloss_20", wanted=0.7, title="Average 2", confidence=0.95, ax=blank()).get_ylabel()
    'mean is within ± so much (95 %), GU'
    >>> ax = averages(gain, reading="haze", wanted=None, title="", confidence=0.95, ax=blank())
    >>> ax.get_xlabel()
    'readings averaged on a patch'
    """
    ax = axes(ax)
    x, half = gain["readings"].to_numpy(float), gain["half_width"].to_numpy(float)
    low, high = gain["half_width_low"].to_numpy(float), gain["half_width_high"].to_numpy(float)
    ax.errorbar(
        x, half, yerr=arms(half, low, high), fmt="-o", color=BLUE, ecolor=GREY, capsize=3,
        label=f"this meter (bar: {asked_percent(confidence)} interval)",
    )  # fmt: skip
    if wanted is not None:
        ax.axhline(wanted, color=INK, linestyle="--", linewidth=1.2, label="asked for")
    if len(x) <= 15:
        ax.set_xticks(x)
    ax.set_ylim(bottom=0)
    ax.set_xlabel("readings averaged on a patch")
    ax.set_ylabel(f"mean is within ± so much (95 %){words_of(reading)[1]}")
    legend(ax)
    return finish(ax, title)


def direction(
    by_patch: pd.DataFrame, *, mean: float, reading: str, confidence: float, ax: Axes | None = None
) -> Axes:
    """
    Draw along less across the sanding, patch by patch.

    Parameters
    ----------
    by_patch : DataFrame
        ``patch``, ``difference``, ``low``, ``high``, ``apart``.
    mean : float
        Over the patches.
    reading : str
    confidence : float
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> rows = pd.DataFrame({"patch": ["1", "2"], "difference": [0.1, 2.0], "low": [-0.5, 1.4], "high": [0.7, 2.6], "apart": [False, True]})
    >>> direction(rows, mean=1.05, reading="gloss_20", confidence=0.95, ax=blank()).get_title(loc="left")
    'Along and across differ on 1 of 2 patches by more than the meter does'
    >>> direction(rows.head(1), mean=0.1, reading="gloss_20", confidence=0.95, ax=blank()).get_title(loc="left")
    'Along and across differ on 0 of 1 patches by more than the meter does'
    """
    ax = axes(ax)
    words, unit = words_of(reading)
    y = np.arange(len(by_patch))[::-1]
    gap, low, high = (by_patch[c].to_numpy(float) for c in ("difference", "low", "high"))
    apart = by_patch["apart"].to_numpy(bool)
    kinds = (
        (~apart, "o", BLUE, "no more than the meter's own spread"),
        (apart, "D", VERMILLION, "more: look for scratches"),
    )
    for which, marker, colour, text in kinds:
        if which.any():
            ax.errorbar(
                gap[which], y[which], xerr=arms(gap, low, high)[:, which], fmt=marker, color=colour,
                ecolor=GREY, elinewidth=1.2, capsize=3, label=text,
            )  # fmt: skip
    ax.axvline(0, color=INK, linewidth=1)
    ax.axvline(mean, color=GREY, linestyle="--", linewidth=1.2, label="mean of the patches")
    ax.set_yticks(y, [f"patch {p}" for p in by_patch["patch"]])
    ax.set_ylim(-0.6, len(y) - 0.4)
    ax.set_xlabel(
        f"{words} along less across{unit} (bars: {asked_percent(confidence)} of studies hold all patches)"
    )
    legend(ax)
    return finish(
        ax, f"Along and across differ on {apart.sum()} of {len(y)} patches by more than the meter does"
    )


def agreement(
    pairs: pd.DataFrame, *, reading: str, meters: tuple[str, ...], lines: pd.DataFrame, confidence: float,
    limit: float | None, ax: Axes | None = None,
) -> Axes:  # fmt: skip
    """
    Draw the difference of two meters over the level they read, with limits of agreement.

    Parameters
    ----------
    pairs : DataFrame
        ``mean``, ``difference``.
    reading : str
    meters : tuple of str
        First and second; the difference is the second less the first.
    lines : DataFrame
        ``value``, ``value_low``, ``value_high`` of mean difference, lower and upper limit.
    confidence : float
    limit : float or None
        Difference allowed, drawn where it is known.
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> pairs = pd.DataFrame({"mean": [80.0, 84.0, 88.0], "difference": [0.6, 0.7, 0.5]})
    >>> lines = pd.DataFrame({"value": [0.6, 0.4, 0.8], "value_low": [0.4, 0.1, 0.6], "value_high": [0.8, 0.6, 1.1]})
    >>> agreement(pairs, reading="gloss_20", meters=("A", "B"), lines=lines, confidence=0.95, limit=None, ax=blank()).get_title(loc="left")
    '95 of 100 pairs of readings differ by 0.4 to 0.8 GU, meter B less meter A'
    >>> agreement(pairs, reading="haze", meters=("A", "B"), lines=lines, confidence=0.95, limit=2, ax=blank()).get_xlabel()
    'haze, mean of both meters'
    """
    ax = axes(ax)
    words, unit = words_of(reading)
    marks = (
        ("-", BLUE, "mean difference"),
        ("--", VERMILLION, "limits of agreement"),
        ("--", VERMILLION, None),
    )
    for row, (style, colour, text) in zip(lines.to_dict("records"), marks, strict=True):
        ax.axhline(row["value"], color=colour, linestyle=style, linewidth=1.4, label=text)
        ax.axhspan(row["value_low"], row["value_high"], color=colour, alpha=0.12, linewidth=0)
    _either_side(ax, limit, INK, ":", "allowed")
    ax.axhline(0, color=GREY, linewidth=0.8)
    ax.plot(
        pairs["mean"],
        pairs["difference"],
        "o",
        color=INK,
        markersize=6,
        label=f"patches (bands: {asked_percent(confidence)} intervals)",
    )
    ax.set_xlabel(f"{words}, mean of both meters{unit}")
    ax.set_ylabel(f"meter {meters[1]} less meter {meters[0]}{unit}")
    legend(ax)
    low, high = number(lines["value"].iloc[1], 1, "down"), number(lines["value"].iloc[2], 1, "up")
    return finish(
        ax,
        f"95 of 100 pairs of readings differ by {low} to {high}{unit.replace(',', '')}, meter {meters[1]} less meter {meters[0]}",
    )


def drift(
    days: pd.DataFrame,
    *,
    title: str,
    unit: str,
    limit: float | None,
    jump: dt.date | None = None,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw how far off a tile was read, day by day, and the line through the days.

    Parameters
    ----------
    days : DataFrame
        ``day``, ``offset``, ``line``.
    title, unit : str
    limit : float or None
    jump : date, optional
        First day after a jump, where the line is broken.
    ax : Axes, optional

    Examples
    --------
    >>> import datetime as dt
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> days = pd.DataFrame({"day": [dt.date(2026, 3, 2), dt.date(2026, 3, 9)], "offset": [0.0, 0.2], "line": [0.0, 0.2]})
    >>> drift(days, title="Moved", unit="GU", limit=0.5, ax=blank()).get_ylabel()
    'reading less value of the tile, GU'
    >>> drift(days.head(1), title="", unit="", limit=None, ax=blank()).get_ylabel()
    'reading less value of the tile'
    """
    import pandas as pd
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    ax = axes(ax)
    day = pd.to_datetime(days["day"])
    ax.plot(day, days["offset"], "o", color=BLUE, markersize=6, label="mean of the day")
    since = np.array([jump is not None and d >= jump for d in days["day"]])
    for mine, text in ((~since, "through the days"), (since, None)):
        ax.plot(day[mine], days["line"][mine], "-", color=INK, linewidth=1.3, label=text)
    ax.axhline(0, color=GREY, linewidth=0.8)
    _either_side(ax, limit, VERMILLION, "--", "limit")
    locator = AutoDateLocator(minticks=3, maxticks=8)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    ax.set_ylabel(f"reading less value of the tile{f', {unit}' if unit else ''}")
    legend(ax)
    return finish(ax, title)


def _either_side(ax: Axes, limit: float | None, colour: str, style: str, text: str) -> None:
    """Draw a limit on both sides of zero, where there is one."""
    if limit is not None:
        for at, named in ((limit, text), (-limit, None)):
            ax.axhline(at, color=colour, linestyle=style, linewidth=1.4, label=named)
