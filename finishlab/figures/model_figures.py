"""Figures of a model: its checks, the shares of its spread, the constants of its steps, and effects: what matters, a response
over the passes, a grid of two settings."""

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
    raw_marks,
    title_width,
)
from finishlab.words.show import begun, label, number, plain_number

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike


__all__ = [
    "TELLS",
    "bell",
    "blank",
    "curve",
    "grid",
    "influence",
    "luck",
    "misses",
    "ranges",
    "ranked",
    "repeats",
    "shares",
    "step_constants",
]

#: Half the width of a 90 % interval, in its spreads.
_REACH = 1.645
#: Trials shown of those that move the answer most.
_SHOWN = 12


def luck(
    x: ArrayLike,
    y: ArrayLike,
    panels: Sequence[str],
    *,
    over: str,
    title: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw what the model missed of each trial left out, over what it might depend on.

    Parameters
    ----------
    x : array_like, shape (trials,)
        Numbers, or words (then each has its place).
    y : array_like, shape (trials,)
        Reading minus what the others say, in units of its spread.
    panels : sequence of str, shape (trials,)
    over, title : str
    ax : Axes, optional

    Examples
    --------
    >>> from finishlab.figures.frame import blank
    >>> ax = luck([1, 2], [0.3, -2.0], ["A", "B"], over="order of work", title="No drift", ax=blank())
    >>> ax.get_xlabel(), ax.get_title(loc="left")
    ('order of work', 'No drift')
    >>> ax = luck(["A", "B"], [0.3, -2.0], ["A", "B"], over="panel", title="Panels", ax=blank())
    >>> [t.get_text() for t in ax.get_xticklabels()]
    ['A', 'B']
    """
    ax = axes(ax)
    places = np.asarray(x)
    if not np.issubdtype(places.dtype, np.number):
        levels = list(dict.fromkeys(map(str, places)))
        ax.set_xticks(range(len(levels)), levels)
        places = np.array([levels.index(str(v)) for v in places], float)
    far, on = np.asarray(y, float), np.asarray(panels).astype(str)
    band = ax.axhspan(
        -_REACH, _REACH, color="#ececec", zorder=0, label="90 % of trials lie here by the model"
    )
    ax.axhline(0, color=INK, linewidth=1)
    names = list(dict.fromkeys(on))
    handles: list[Any] = [
        band,
        *raw_marks(ax, places, far, [names.index(p) for p in on], words=[f"panel {name}" for name in names]),
    ]
    ax.set_xlabel(over)
    ax.set_ylabel("reading minus what the others say,\nin spreads of a trial")
    legend(ax, handles, beside=True)
    return finish(ax, title)


def bell(y: ArrayLike, *, names: Sequence[str], title: str, ax: Axes | None = None) -> Axes:
    """
    Draw what the model missed, in order, against where a bell-shaped spread would put it.

    Parameters
    ----------
    y : array_like, shape (trials,)
        In units of its spread.
    names : sequence of str, shape (trials,)
        Of the trials; the one furthest out is named.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> from finishlab.figures.frame import blank
    >>> bell([0.1, -0.4, 3.2], names=["row 4", "row 5", "row 6"], title="Row 6 stands out", ax=blank()).texts[0].get_text()
    'row 6'
    >>> bell([-3.0, 0.0], names=["trial 7", "trial 8"], title="", ax=blank()).texts[0].get_text()
    'trial 7'
    """
    from scipy import stats

    ax = axes(ax)
    far = np.asarray(y, float)
    order = np.argsort(far)
    place = stats.norm.ppf((np.arange(len(far)) + 0.5) / len(far))
    ax.plot(place, far[order], "o", color=BLUE, label="trials left out in turn")
    ends = [min(place[0], far.min()), max(place[-1], far.max())]
    ax.plot(ends, ends, "--", color=INK, linewidth=1, label="a bell-shaped spread of the stated size")
    most = int(np.abs(far[order]).argmax())
    right = place[most] > 0
    ax.annotate(
        names[order[most]],
        (place[most], far[order][most]),
        xytext=(0, 9 if right else -9),
        textcoords="offset points",
        ha="right" if right else "left",
        va="bottom" if right else "top",
        fontsize=9,
    )
    ax.set_xlabel("where a bell-shaped spread puts it, in spreads")
    ax.set_ylabel("where it lies, in spreads")
    legend(ax)
    return finish(ax, title)


def repeats(
    groups: Sequence[tuple[ArrayLike, float]],
    names: Sequence[str],
    *,
    response: str,
    title: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw the readings of every process worked more than once beside what the model says of it.

    Parameters
    ----------
    groups : sequence of (readings, fitted)
        Panels' own part taken off.
    names : sequence of str
        The processes in words.
    response, title : str
    ax : Axes, optional

    Examples
    --------
    >>> from finishlab.figures.frame import blank
    >>> ax = repeats([([84.0, 84.6], 84.1)], ["wool, 4 passes"], response="gloss_20", title="", ax=blank())
    >>> ax.get_xlabel()
    '20° gloss, GU'
    >>> len(repeats([], [], response="haze", title="None", ax=blank()).get_yticks())
    0
    """
    ax = axes(ax)
    if groups:
        row = np.repeat(np.arange(len(groups)), [len(np.asarray(readings)) for readings, _ in groups])
        read = np.concatenate([np.asarray(readings, float) for readings, _ in groups])
        handles = raw_marks(ax, row, read, words=["readings, panels taken off"], along="y")
        # Below its row, where it hides no reading.
        handles += ax.plot(
            [fitted for _, fitted in groups], np.arange(len(groups)) - 0.3, "D", color=VERMILLION, markerfacecolor="white",
            markersize=8, label="the model",
        )  # fmt: skip
        legend(ax, handles)
    ax.set_yticks(range(len(groups)), list(names))
    ax.set_ylim(-0.7, max(len(groups), 1) - 0.3)
    ax.set_xlabel(label(response))
    return finish(ax, title, width=title_width(names) if names else 78)


def influence(
    size: ArrayLike, names: Sequence[str], *, response: str, title: str, ax: Axes | None = None
) -> Axes:
    """
    Draw how far each trial, left out, would move the model near the goal; the strongest first.

    Parameters
    ----------
    size : array_like, shape (trials,)
        In units of the response.
    names : sequence of str, shape (trials,)
    response, title : str
    ax : Axes, optional

    Examples
    --------
    >>> from finishlab.figures.frame import blank
    >>> ax = influence([0.1, 0.6], ["trial 4", "trial 9"], response="gloss_20", title="", ax=blank())
    >>> [t.get_text() for t in ax.get_yticklabels()]
    ['trial 9', 'trial 4']
    >>> len(influence(range(30), list("a" * 30), response="haze", title="", ax=blank()).get_yticks())
    12
    """
    ax = axes(ax)
    far = np.asarray(size, float)
    order = np.argsort(-far)[:_SHOWN]
    y = -np.arange(len(order))
    ax.hlines(y, 0, far[order], color=GREY, linewidth=1)
    ax.plot(far[order], y, "o", color=BLUE, markersize=7)
    ax.set_yticks(y, [names[i] for i in order])
    ax.set_xlim(left=0)
    ax.set_xlabel(f"{label(response)}: how far the model moves near the goal without that trial")
    return finish(ax, title)


def ranges(
    rows: Sequence[tuple[str, float, float]],
    *,
    mark: float | None,
    mark_name: str,
    over: str,
    title: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw intervals one below the other, with a line for what they are judged by.

    Parameters
    ----------
    rows : sequence of (words, low, high)
    mark : float or None
    mark_name, over, title : str
    ax : Axes, optional

    Examples
    --------
    >>> from finishlab.figures.frame import blank
    >>> ax = ranges([("before", 82, 93)], mark=87.0, mark_name="goal", over="ceiling, GU", title="", ax=blank())
    >>> ax.get_xlabel()
    'ceiling, GU'
    >>> ranges([("a", 0, 1)], mark=None, mark_name="", over="x", title="t", ax=blank()).get_legend() is None
    True
    """
    ax = axes(ax)
    for i, (_, low, high) in enumerate(rows):
        ax.plot(
            [low, high], [-i, -i], "|-", color=(GREY, BLUE)[i == len(rows) - 1], linewidth=2.5, markersize=14
        )
    ax.set_yticks([-i for i in range(len(rows))], [words for words, _, _ in rows])
    ax.set_ylim(-len(rows) + 0.3, 0.7)
    ax.set_xlabel(over)
    if mark is not None:
        ax.axvline(mark, color=INK, linestyle="--", linewidth=1.2, label=mark_name)
        legend(ax)
    return finish(ax, title)


def misses(
    kinds: Sequence[tuple[str, ArrayLike]], *, response: str, title: str, ax: Axes | None = None
) -> Axes:
    """
    Draw how far each reading lay from what each kind of model foretold.

    Parameters
    ----------
    kinds : sequence of (name, misses)
        In units of the response.
    response, title : str
    ax : Axes, optional

    Examples
    --------
    >>> from finishlab.figures.frame import blank
    >>> ax = misses([("step model", [0.2, -0.4]), ("surface model", [2.0, -1.0])], response="gloss_20",
    ...             title="Use the step model", ax=blank())
    >>> [t.get_text() for t in ax.get_yticklabels()]
    ['step model', 'surface model']
    >>> len(misses([("a", [0.0])], response="haze", title="", ax=blank()).lines) > 0
    True
    """
    ax = axes(ax)
    kind = np.repeat(np.arange(len(kinds)), [len(np.asarray(far)) for _, far in kinds])
    raw_marks(
        ax, -kind, np.concatenate([np.asarray(far, float) for _, far in kinds]), kind, words=[""] * len(kinds), along="y"
    )  # fmt: skip
    for i, (_, far) in enumerate(kinds):
        low, middle, high = np.quantile(np.asarray(far, float), [0.05, 0.5, 0.95])
        words = "90 % of the misses lie between the ends" if i == 0 else None
        ax.plot(
            [low, high], [-i - 0.45, -i - 0.45], "|-", color=INK, linewidth=1.5, markersize=9, label=words
        )
        ax.plot(middle, -i - 0.45, "d", color=INK, label="median" if i == 0 else None)
    ax.axvline(0, color=INK, linewidth=1)
    ax.set_yticks([-i for i in range(len(kinds))], [name for name, _ in kinds])
    ax.set_ylim(-len(kinds) + 0.35, 0.55)
    ax.set_xlabel(f"{label(response)}: reading minus what was foretold, its panel left out")
    legend(ax)
    return finish(ax, title)


def shares(rows: pd.DataFrame, *, title: str, ax: Axes | None = None) -> Axes:
    """
    Draw shares in per cent, the largest on top.

    Parameters
    ----------
    rows : DataFrame
        ``source``, ``share``, ``share_low``, ``share_high``, 0 to 1.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"source": ["panel", "patch"], "share": [0.6, 0.4], "share_low": [0.2, 0.1], "share_high": [0.9, 0.8]}
    >>> ax = shares(pd.DataFrame(row), title="Mostly panel", ax=blank())
    >>> [t.get_text() for t in ax.get_yticklabels()]
    ['panel', 'patch']
    """
    ax = axes(ax)
    y = -np.arange(len(rows), dtype=float)
    ends = 100 * rows[["share_low", "share_high"]].to_numpy(float).T
    ax.hlines(y, *ends, color=BLUE, linewidth=1.8)
    ax.plot(100 * rows["share"].to_numpy(float), y, "o", color=BLUE, markersize=8)
    ax.set_yticks(y, rows["source"])
    ax.set_ylim(-len(rows) + 0.4, 0.6)
    ax.set_xlim(-2, 102)
    ax.set_xlabel("share of the spread between jobs, % (bar: 90 % interval)")
    return finish(ax, title)


#: Probability from which one combination is said to lead (common practice, no source).
TELLS = 0.7


def step_constants(constants: pd.DataFrame, *, response: str, ax: Axes | None = None) -> Axes:
    """
    Draw the finish that each combination of one step levels off at, beside the passes that halve.

    Parameters
    ----------
    constants : DataFrame
        Rows of one step as `finishlab.step_constants` gives them.
    response : str
        The gloss that was followed, as ``gloss_20``.
    ax : Axes, optional

    Returns
    -------
    Axes

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> row = {"step": "cut", "with": "wool", "trials": 9, "amount": "passes",
    ...        "halving": 1.2, "halving_low": 0.9, "halving_high": 1.7,
    ...        "level": 84.0, "level_low": 83.0, "level_high": 85.0, "highest": 1.0}
    >>> ax = step_constants(pd.DataFrame([row]), response="gloss_20", ax=blank())
    >>> ax.get_xlabel(), ax.get_ylabel()
    ('20° gloss it levels off at, GU', '')
    >>> [t.get_text() for t in ax.texts]
    ['halves in 1.2 passes (0.9 to 1.7), 9 trials']
    """
    ax = axes(ax)
    rows = constants.sort_values("level", ignore_index=True)
    right = float(rows["level_high"].max())
    left = float(rows["level_low"].min())
    for i, row in enumerate(rows.to_dict("records")):
        known = row["trials"] > 0
        x, low, high = (float(row[f"level{end}"]) for end in ("", "_low", "_high"))
        ax.errorbar(
            [x],
            [i],
            xerr=arms([x], [low], [high]),
            fmt="o",
            color=BLUE if known else GREY,
            markerfacecolor=BLUE if known else "white",
            ecolor=GREY,
            elinewidth=1.2,
            markersize=6,
        )
        worked = f"{row['trials']} trial{'' if row['trials'] == 1 else 's'}" if known else "no trial"
        words = worked
        if np.isfinite(row["halving"]):
            words = (
                f"halves in {_short(row['halving'])} {row['amount']} "
                f"({_short(row['halving_low'])} to {_short(row['halving_high'])}), {worked}"
            )
        ax.annotate(
            words, (right, i), xytext=(10, 0), textcoords="offset points", va="center", fontsize=8.5, color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip
    ax.set_yticks(range(len(rows)), list(rows["with"]))
    ax.set_ylim(-0.6, len(rows) - 0.4)
    # Room on the right for the words beside the marks.
    ax.set_xlim(left - 0.05 * (right - left), right + 0.95 * (right - left))
    ax.set_xlabel(f"{label(response).split(',')[0]} it levels off at, GU")
    step = str(rows["step"].iloc[0]).replace("_", " ")
    best = rows.iloc[int(rows["highest"].argmax())]
    found = f"at {best['level']:.1f} GU ({best['level_low']:.1f} to {best['level_high']:.1f})"
    if len(rows) == 1:
        found = f"{best['with']} levels off {found}"
    elif best["highest"] >= TELLS:
        found = f"{best['with']} levels off highest, {found}"
    else:
        found = "which levels off highest cannot be told yet"
    return finish(ax, f"{begun(step)}: {found}")


def _short(value: float) -> str:
    return f"{value:.1f}" if value < 20 else f"{value:.0f}"


# --- effects -----------------------------------------------------------------------------------


def ranked(
    rows: pd.DataFrame, names: Sequence[str], *, over: str, title: str, ax: Axes | None = None
) -> Axes:
    """
    Draw differences as dots with their intervals, the largest on top.

    A hollow diamond marks what cannot be told from no difference.

    Parameters
    ----------
    rows : DataFrame
        ``difference``, ``difference_low``, ``difference_high``, in the order drawn.
    names : sequence of str, one a row
    over, title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"difference": [6.0, 0.1], "difference_low": [4, -0.4], "difference_high": [8, 0.6]})
    >>> ax = ranked(rows, ["passes", "pad"], over="GU", title="Passes matter most", ax=blank())
    >>> [t.get_text() for t in ax.texts]
    ['+6.0', '+0.1']
    >>> ranked(rows.head(0), [], over="GU", title="Nothing", ax=blank()).get_title(loc="left")
    'Nothing'
    """
    ax = axes(ax, height=2.2 + 0.55 * len(rows))
    middle = rows["difference"].to_numpy(float)
    low, high = rows["difference_low"].to_numpy(float), rows["difference_high"].to_numpy(float)
    y = -np.arange(len(rows), dtype=float)
    told = (low > 0) | (high < 0)
    kinds = (
        (told, "o", BLUE, BLUE, "told from no difference (bar: 90 % interval)"),
        (~told, "D", GREY, "white", "not told from no difference"),
    )
    ax.axvline(0, color=INK, linewidth=1)
    for which, marker, colour, face, words in kinds:
        if which.any():
            ax.errorbar(
                middle[which], y[which], xerr=arms(middle, low, high)[:, which], fmt=marker,
                color=colour, markerfacecolor=face, markersize=7.5, elinewidth=1.8, capsize=3, label=words,
            )  # fmt: skip
    for x, at in zip(middle, y, strict=True):
        sign = "+" if x >= 0 else "-"
        ax.annotate(
            f"{sign}{number(abs(x), 1)}", (x, at), xytext=(0, 7), textcoords="offset points", ha="center", fontsize=9
        )  # fmt: skip
    ax.set_yticks(y, list(names), fontsize=9)
    ax.set_ylim(-max(len(rows), 1) + 0.4, 0.7)
    ax.set_xlabel(over)
    if len(rows):
        legend(ax, columns=1)
    return finish(ax, title, width=title_width(names))


def curve(
    table: pd.DataFrame,
    trials: pd.DataFrame,
    *,
    factor: str,
    response: str,
    goal: tuple[float | None, float | None],
    title: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw a response over one factor: the process itself, the next job, and the trials.

    Parameters
    ----------
    table : DataFrame
        The factor, ``value``, ``mean_low``, ``mean_high``, ``job_low``, ``job_high``.
    trials : DataFrame
        The factor, ``moved`` (reading, carried to this process) and ``same`` (worked as this process).
    factor, response : str
    goal : (at least, at most)
        None where there is none.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"cut_passes": [1, 2], "value": [80, 84], "mean_low": [79, 83], "mean_high": [81, 85]}
    >>> table = pd.DataFrame(row | {"job_low": [77, 82], "job_high": [83, 86]})
    >>> trials = pd.DataFrame({"cut_passes": [1], "moved": [80.5], "same": [False]})
    >>> ax = curve(table, trials, factor="cut_passes", response="gloss_20", goal=(84, None), title="", ax=blank())
    >>> ax.get_xlabel(), ax.get_ylabel()
    ('cut passes', '20° gloss, GU')
    >>> words = [t.get_text() for t in ax.get_legend().get_texts()]
    >>> "trials of other processes, carried here by the model" in words
    True
    """
    ax = axes(ax)
    x = table[factor].to_numpy(float)
    ax.fill_between(
        x,
        table["job_low"],
        table["job_high"],
        color="#d9e6f2",
        label="next job, 90 % of sections",
        linewidth=0,
    )
    for name in ("job_low", "job_high"):
        ax.plot(x, table[name], color=BLUE, linewidth=0.8, linestyle=":")
    low = arms(table["value"], table["mean_low"], table["mean_high"])
    ax.errorbar(
        x, table["value"], yerr=low, fmt="-o", color=BLUE, markersize=5, capsize=3,
        label="the process itself (bar: 90 % interval)",
    )  # fmt: skip
    gap = 0.12 * (np.diff(x).min() if len(x) > 1 else 1.0)
    kinds = (
        (True, "s", VERMILLION, VERMILLION, "trials of this process"),
        (False, "^", INK, "white", "trials of other processes, carried here by the model"),
    )
    for same, marker, colour, face, words in kinds:
        some = trials[trials["same"].astype(bool) == same]
        if len(some):
            ax.plot(
                some[factor] + gap, some["moved"], linestyle="", marker=marker, color=colour, markerfacecolor=face,
                markersize=6, alpha=0.85, label=words,
            )  # fmt: skip
    for value, words in zip(goal, ("at least", "at most"), strict=True):
        if value is not None:
            ax.axhline(
                value, color=INK, linestyle="--", linewidth=1.1, label=f"goal: {words} {plain_number(value)}"
            )
    if len(x) <= 12:
        ax.set_xticks(x, [plain_number(v) for v in x])
    # Far-off trials would press the band flat; they are told in the table.
    shown = [table["job_low"].min(), table["job_high"].max(), *[v for v in goal if v is not None]]
    room = 0.15 * max(max(shown) - min(shown), 1e-9)
    ax.set_ylim(min(shown) - room, max(shown) + room)
    ax.set_xlabel(label(factor))
    ax.set_ylabel(label(response))
    legend(ax)
    return finish(ax, title)


def grid(
    table: pd.DataFrame,
    factors: tuple[str, str],
    *,
    response: str,
    title: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw what each pair of two settings reads: a dot with its interval, rows and marks for the settings.

    Parameters
    ----------
    table : DataFrame
        Both factors, ``value``, ``mean_low``, ``mean_high`` and ``minutes``.
    factors : (str, str)
        The first down the side, the second by mark.
    response, title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"cut_pad": ["wool", "foam"], "cut_product": ["A", "A"], "value": [84, 86],
    ...                       "mean_low": [83, 85], "mean_high": [85, 87], "minutes": [6.0, 6.5]})
    >>> ax = grid(table, ("cut_pad", "cut_product"), response="gloss_20", title="", ax=blank())
    >>> [t.get_text() for t in ax.get_yticklabels()]
    ['wool', 'foam']
    >>> ax.texts[0].get_text()
    '6.0 min'
    """
    ax = axes(ax)
    rows, marks = (list(dict.fromkeys(table[f].astype(str))) for f in factors)
    aside = 0.5 * (np.arange(len(marks)) - (len(marks) - 1) / 2) / max(len(marks), 2)
    for k, mark in enumerate(marks):
        some = table[table[factors[1]].astype(str) == mark]
        y = -np.array([rows.index(str(v)) for v in some[factors[0]]], float) - aside[k]
        x = some["value"].to_numpy(float)
        reach = arms(x, some["mean_low"], some["mean_high"])
        look = panel_mark(k)
        ax.errorbar(
            x, y, xerr=reach, fmt=look["marker"], color=look["color"], markersize=7, capsize=3, linestyle="",
            label=f"{label(factors[1])} {mark}",
        )  # fmt: skip
        for at, high, minutes in zip(y, some["mean_high"], some["minutes"], strict=True):
            ax.annotate(
                f"{number(minutes, 1, 'up')} min", (high, at), xytext=(6, 0), textcoords="offset points",
                va="center", fontsize=8.5, color=GREY,
            )  # fmt: skip
    ax.set_yticks([-i for i in range(len(rows))], rows)
    ax.set_ylim(-len(rows) + 0.4, 0.6)
    ax.margins(x=0.14)
    ax.set_xlabel(f"{label(response)} (bar: 90 % interval of the process itself)")
    ax.set_ylabel(label(factors[0]))
    legend(ax)
    return finish(ax, title, width=title_width(rows))
