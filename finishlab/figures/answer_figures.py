"""Figures of trials and of answers: raw readings, the fit, the recipe, targets, chains, confirmation.

Each function takes plain data, draws on `ax` (a new one when none is given) and returns
it; none shows, none saves, none computes more than where to put a mark. One figure
answers one question and its title is the answer. Marks differ in shape as well as in
colour, so that a figure reads in black and white and by colour-blind eyes. `svg` and
`save` (from `frame.py`) are how a figure leaves.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import FinishlabError
from finishlab.figures.frame import (
    BLUE,
    GREEN,
    GREY,
    INK,
    VERMILLION,
    arms,
    axes,
    blank,
    finish,
    legend,
    raw_marks,
    save,
    svg,
    times_of,
    words_of,
)
from finishlab.words.show import asked_percent, begun, counted, label, minutes_text, percent

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike


__all__ = ["blank", "chains", "confirmed", "fit", "frontier", "readings", "recipe", "save", "svg"]

#: How each role of a process is drawn: marker, colour, filled, size, words in the legend.
_ROLES: dict[str, tuple[str, str, bool, float, str]] = {
    "short": ("o", GREY, False, 6, "falls short of the assurance asked for"),
    "keeps": ("o", GREEN, True, 6, "reaches it, no shorter"),
    "breaks": ("X", INK, False, 8, "breaks a limit"),
    "today": ("s", VERMILLION, True, 8, "today's process"),
    "closest": ("D", BLUE, True, 10, "closest to the goal"),
    "chosen": ("D", BLUE, True, 10, "chosen"),
}


def recipe(processes: pd.DataFrame, *, wanted: float, title: str = "", ax: Axes | None = None) -> Axes:
    """
    Draw the evidence of a recipe: minutes against the chance that the next job succeeds.

    Parameters
    ----------
    processes : DataFrame
        As `finishlab.words.show.considered` returns it: `role`, `process`, `minutes`,
        `minutes_low`, `minutes_high` (of one section), `job_minutes` likewise of the job where that is known,
        `assurance` (0 to 1), `keeps_limits`.
    wanted : float
        Assurance asked for, 0 to 1; drawn as a line.
    title : str, optional
        In place of the sentence that names the chosen process.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    FinishlabError
        There is no process to draw.

    Examples
    --------
    >>> import pandas as pd
    >>> names = ["role", "process", "minutes", "minutes_low", "minutes_high", "assurance", "keeps_limits"]
    >>> rows = [["chosen", "wool, 4 passes", 6.83, 6.1, 7.7, 0.918, True]]
    >>> ax = recipe(pd.DataFrame(rows, columns=names), wanted=0.9, ax=blank())
    >>> ax.get_title(loc="left")
    'Shortest process found: wool, 4 passes'

    >>> recipe(pd.DataFrame(columns=names), wanted=0.9)
    Traceback (most recent call last):
        ...
    finishlab.errors.FinishlabError: there is no process to draw. Give at least the chosen or the closest one.
    """
    if not len(processes):
        raise FinishlabError("there is no process to draw. Give at least the chosen or the closest one.")
    ax = axes(ax)
    line = ax.axhline(
        100 * wanted, color=INK, linestyle="--", linewidth=1.2, label=f"asked for: {asked_percent(wanted)}"
    )
    # From here on `minutes` are those drawn, of the job or of a section.
    *drawn, axis, next_ = times_of(processes)
    processes = processes.assign(**dict(zip(("minutes", "minutes_low", "minutes_high"), drawn, strict=True)))
    kinds = [_kind(row, wanted) for row in processes.to_dict("records")]
    handles = [line]
    for kind, (marker, colour, filled, size, words) in _ROLES.items():
        those = processes[[k == kind for k in kinds]]
        if len(those):
            if kind in ("chosen", "closest", "today"):
                words = f"{words}: {_figures(those.iloc[0])}"
                if not those["keeps_limits"].iloc[0]:
                    words = f"{words}, {_ROLES['breaks'][4]}"
                _name(ax, those.iloc[0], kind)
            handles.append(_dots(ax, those, marker, colour, filled, size, words))
    named = processes[processes["role"].isin(("chosen", "closest"))]
    if len(named) and not title:
        first = named.iloc[0]
        lead = "Shortest process found" if first["role"] == "chosen" else "Closest to the goal"
        title = f"{lead}: {first['process']}"
    lowest = float(np.nanmin([100 * wanted, *(100 * processes["assurance"])]))
    # Room below for the lowest dot, and above for the names over dots near 100 %.
    step = 20 if lowest < 50 else 10
    bottom = max(0, step * math.floor((lowest - 5) / step))
    ax.set_ylim(bottom - 0.04 * (100 - bottom), 100 + 0.16 * (100 - bottom))
    ax.set_yticks(range(bottom, 101, step))
    ax.set_xlabel(f"{axis} (bar: 90 % interval for {next_})")
    ax.set_ylabel("next job meets the goal,\nprobability, %")
    ax.margins(x=0.08)
    legend(ax, handles)
    return finish(ax, title or "Processes considered")


def _kind(row: Mapping[Any, Any], wanted: float) -> str:
    if row["role"] != "rival":
        return str(row["role"])
    if not row["keeps_limits"]:
        return "breaks"
    return "keeps" if row["assurance"] >= wanted else "short"


def _dots(
    ax: Axes, rows: pd.DataFrame, marker: str, colour: str, filled: bool, size: float, words: str
) -> Any:
    x, y = rows["minutes"].to_numpy(float), 100 * rows["assurance"].to_numpy(float)
    low, high = rows["minutes_low"].to_numpy(float), rows["minutes_high"].to_numpy(float)
    return ax.errorbar(
        x,
        y,
        xerr=arms(x, low, high),
        fmt=marker,
        color=colour,
        markerfacecolor=colour if filled else "white",
        markersize=size,
        elinewidth=1,
        capsize=2,
        zorder=3 if size > 8 else 2,
        label=words,
    )


def _figures(row: pd.Series) -> str:
    return f"{minutes_text(row['minutes'])}, {percent(row['assurance'])}"


def _name(ax: Axes, row: pd.Series, word: str) -> None:
    """Write at a dot what it is; today's below, where the others' names do not stand."""
    below = word == "today"
    ax.annotate(
        word,
        (row["minutes"], 100 * row["assurance"]),
        xytext=(0, -9 if below else 8),
        textcoords="offset points",
        ha="center",
        va="top" if below else "bottom",
        fontsize=9,
        color=INK,
        fontweight="bold",
    )


def frontier(
    table: pd.DataFrame, *, response: str, wanted: float, band: float = 0.0, ax: Axes | None = None
) -> Axes:
    """
    Draw what each target costs: minutes against the target.

    Parameters
    ----------
    table : DataFrame
        `target`, `found`, `minutes`, `minutes_low`, `minutes_high` and `job_minutes` likewise, one row a target.
    response : str
        What the target is for, as ``gloss_20``.
    wanted : float
        Assurance of every one of them, 0 to 1.
    band : float, optional
        Width of the band whose lower end the target is; 0 where the goal has one side.
    ax : Axes, optional

    Returns
    -------
    Axes

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"target": [80, 84], "found": [True, True], "minutes": [4.6, 6.83],
    ...                       "minutes_low": [4.1, 6.1], "minutes_high": [5.2, 7.7]})
    >>> frontier(table, response="gloss_20", wanted=0.9, ax=blank()).get_title(loc="left")
    'What 20° gloss costs with 90 % assurance: from 4.6 minutes at 80 GU to 6.9\\nminutes at 84 GU'

    >>> none = table.assign(found=False)
    >>> frontier(none, response="gloss_20", wanted=0.9, ax=blank()).get_title(loc="left")
    'No studied process reaches any of these targets with 90 % assurance'
    """
    ax = axes(ax)
    words, unit = words_of(response)
    table = table.sort_values("target")
    found = table["found"].to_numpy(bool)
    x = table["target"].to_numpy(float)
    y, low, high, axis, next_ = times_of(table)
    ax.errorbar(
        x[found],
        y[found],
        yerr=arms(y, low, high)[:, found],
        fmt="-o",
        color=BLUE,
        ecolor=GREY,
        elinewidth=1,
        capsize=2,
        label=f"shortest process (bar: 90 % interval for {next_})",
    )
    if not found.all():
        ax.plot(
            x[~found],
            np.zeros((~found).sum()),
            "X",
            color=VERMILLION,
            markersize=8,
            clip_on=False,
            transform=ax.get_xaxis_transform(),
            label=f"no studied process reaches it with {asked_percent(wanted)}",
        )
    ax.set_xlabel(
        f"lower end of a band of {band:g} for {words}{unit}" if band else f"target for {words}{unit}"
    )
    ax.set_ylabel(axis)
    ax.set_ylim(bottom=0)
    legend(ax)
    if not found.any():
        return finish(
            ax, f"No studied process reaches any of these targets with {asked_percent(wanted)} assurance"
        )
    first, last = np.flatnonzero(found)[[0, -1]]
    cost = f"{minutes_text(y[first])} at {x[first]:g}{_bare(unit)}"
    if last > first:
        cost = f"from {cost} to {minutes_text(y[last])} at {x[last]:g}{_bare(unit)}"
    return finish(ax, f"What {words} costs with {asked_percent(wanted)} assurance: {cost}")


def fit(
    observed: ArrayLike,
    predicted: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    *,
    response: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw readings against what the model said of them without having seen them.

    Parameters
    ----------
    observed, predicted, low, high : array_like, shape (readings,)
        The reading, its prediction when left out of the fit, and its 90 % interval.
    response : str
        What was read, as ``gloss_20``.
    ax : Axes, optional

    Returns
    -------
    Axes

    Examples
    --------
    >>> ax = fit([80, 82], [80.5, 85], [79, 83], [82, 87], response="gloss_20", ax=blank())
    >>> ax.get_title(loc="left")
    '1 of 2 left-out readings lie inside their 90 % interval'
    >>> fit([80], [80.5], [79], [82], response="haze", ax=blank()).get_xlabel()
    'haze read'
    """
    ax = axes(ax)
    words, unit = words_of(response)
    y, middle = np.asarray(observed, float), np.asarray(predicted, float)
    bottom, top = np.asarray(low, float), np.asarray(high, float)
    inside = (y >= bottom) & (y <= top)
    for which, marker, colour, text in ((inside, "o", BLUE, "inside"), (~inside, "X", VERMILLION, "outside")):
        if which.any():
            ax.errorbar(
                y[which],
                middle[which],
                yerr=arms(middle, bottom, top)[:, which],
                fmt=marker,
                color=colour,
                ecolor=GREY,
                elinewidth=0.8,
                markersize=6,
                label=f"{text} its 90 % interval",
            )
    ends = [np.nanmin([y.min(), bottom.min()]), np.nanmax([y.max(), top.max()])]
    ax.plot(ends, ends, "--", color=INK, linewidth=1, label="prediction equals reading")
    ax.set_xlabel(f"{words} read{unit}")
    ax.set_ylabel(f"{words} predicted, reading left out{unit}")
    legend(ax)
    return finish(ax, f"{inside.sum()} of {len(y)} left-out readings lie inside their 90 % interval")


def readings(
    trials: pd.DataFrame, *, response: str, factor: str, by: str = "panel", ax: Axes | None = None
) -> Axes:
    """
    Draw the raw readings of the trials over one factor, panels told apart by marker.

    Parameters
    ----------
    trials : DataFrame
        One row a trial with the columns named below; rows without the reading stay out.
    response, factor, by : str
        Columns: what was read, what was set, and what shape and colour tell: the test panel, or another setting.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    FinishlabError
        A column is missing, or no trial has both the reading and the setting.

    Examples
    --------
    >>> import pandas as pd
    >>> trials = pd.DataFrame({"cut_passes": [1, 4], "panel": ["A", "B"], "gloss_20": [70.0, None]})
    >>> readings(trials, response="gloss_20", factor="cut_passes", ax=blank()).get_title(loc="left")
    '20° gloss as read over cut passes: 1 trial on 1 panel'
    >>> trials["cut_pad"] = ["wool", "foam"]
    >>> ax = readings(trials, response="gloss_20", factor="cut_passes", by="cut_pad", ax=blank())
    >>> ax.get_title(loc="left"), [t.get_text() for t in ax.get_legend().get_texts()]
    ('20° gloss as read over cut passes: 1 trial, by cut pad', ['cut pad wool'])

    >>> readings(trials, response="gloss_60", factor="cut_passes")
    Traceback (most recent call last):
        ...
    finishlab.errors.FinishlabError: column 'gloss_60' is missing. Columns: cut_passes, panel, gloss_20, cut_pad.
    """
    missing = [c for c in (response, factor, by) if c not in trials.columns]
    if missing:
        columns = ", ".join(map(str, trials.columns))
        raise FinishlabError([f"column '{c}' is missing. Columns: {columns}." for c in missing])
    kept = trials.dropna(subset=[response, factor])
    if not len(kept):
        raise FinishlabError(f"no trial has both {response} and {factor}; there is nothing to draw.")
    from pandas.api.types import is_numeric_dtype

    ax = axes(ax)
    if is_numeric_dtype(kept[factor]):
        x = kept[factor].to_numpy(float)
        if np.array_equal(x, np.round(x)) and len(np.unique(x)) <= 12:
            ax.set_xticks(np.unique(x))
    else:
        levels = list(dict.fromkeys(kept[factor].astype(str)))
        x = kept[factor].astype(str).map(levels.index).to_numpy(float)
        ax.set_xticks(range(len(levels)), levels)
    kinds = list(dict.fromkeys(kept[by].astype(str)))
    handles = raw_marks(
        ax, x, kept[response].to_numpy(float), kept[by].astype(str).map(kinds.index).to_numpy(int),
        words=[f"{label(by)} {name}" for name in kinds],
    )  # fmt: skip
    words, unit = words_of(response)
    ax.set_xlabel(label(factor))
    ax.set_ylabel(f"{words}{unit}")
    legend(ax, handles, beside=True)
    told = f" on {counted(len(kinds), 'panel')}" if by == "panel" else f", by {label(by)}"
    return finish(ax, f"{begun(words)} as read over {label(factor)}: {counted(len(kept), 'trial')}{told}")


def _bare(unit: str) -> str:
    return unit.replace(",", "")


def chains(rows: pd.DataFrame, *, title: str, ax: Axes | None = None) -> Axes:
    """
    Draw a dot and its interval for each chain, with its process in words.

    Parameters
    ----------
    rows : DataFrame
        ``chain``, ``process``, ``minutes``, ``minutes_low``, ``minutes_high`` and ``job_minutes`` likewise.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"chain": ["with refine"], "process": ["wool, 3 passes"], "minutes": [6.0], "minutes_low": [5.5], "minutes_high": [6.6]}
    >>> ax = chains(pd.DataFrame(row), title="Worth it", ax=blank())
    >>> [t.get_text() for t in ax.get_yticklabels()]
    ['with refine']
    """
    ax = axes(ax)
    y = np.arange(len(rows))
    minutes, low, high, axis, next_ = times_of(rows)
    ax.errorbar(minutes, y, xerr=arms(minutes, low, high), fmt="o", color=BLUE, capsize=3)
    for k, (at, process) in enumerate(zip(minutes, rows["process"], strict=True)):
        ax.annotate(process, (at, k), xytext=(0, 8), textcoords="offset points", ha="center", fontsize=8)
    ax.set_yticks(y, list(rows["chain"]))
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.margins(x=0.25)
    ax.set_xlabel(f"{axis} (bar: 90 % interval for {next_})")
    return finish(ax, title)


def confirmed(
    rows: pd.DataFrame, *, label: str, ends: Iterable[float], title: str, ax: Axes | None = None
) -> Axes:
    """
    Draw readings of one response with the interval predicted for each, in the order worked.

    Parameters
    ----------
    rows : DataFrame
        ``panel``, ``reading``, ``job_low``, ``job_high``, ``inside``.
    label : str
        Of the readings, with their unit.
    ends : iterable of float
        Where the goal begins or ends.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"panel": ["5", "5"], "reading": [84.1, 80.0], "job_low": 82.0, "job_high": 86.0,
    ...     "inside": [True, False]})
    >>> ax = confirmed(rows, label="20° gloss, GU", ends=[83.0], title="One of two", ax=blank())
    >>> [t.get_text() for t in ax.get_xticklabels()]
    ['5', '5']
    """
    ax = axes(ax)
    x = np.arange(len(rows), dtype=float)
    reading, inside = rows["reading"].to_numpy(float), rows["inside"].to_numpy(bool)
    bars = ax.vlines(x, rows["job_low"], rows["job_high"], color=GREY, linewidth=6, alpha=0.35)
    bars.set_label("90 % interval predicted before the trial")
    # Shape tells inside from outside as well as colour does.
    ax.plot(x[inside], reading[inside], "o", color=BLUE, markersize=8, label="reading inside it")
    ax.plot(x[~inside], reading[~inside], "X", color=VERMILLION, markersize=9, label="reading outside it")
    for i, end in enumerate(ends):
        ax.axhline(end, color=INK, linewidth=1.2, linestyle="--", label="goal" if i == 0 else None)
    ax.set_xticks(x, rows["panel"].astype(str))
    ax.set_xlim(-0.6, len(rows) - 0.4)
    ax.set_xlabel("panel of each trial")
    ax.set_ylabel(label)
    legend(ax)
    return finish(ax, title)
