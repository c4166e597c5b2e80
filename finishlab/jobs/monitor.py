"""Later jobs under a procedure: does it still hold what it promised?

Jobs are held against the recipe they are worked by: charts on the scale of the fit, where the spread is the same at
high and low gloss, drawn in GU; the share that met the goal with its exact interval; the film against its limit; what changed
since the study. What comes out is a sentence and one of three things to do: continue, look, study again. The charts' arithmetic
is `charts.py`'s; nothing is fitted to settings here: recipe and forecast come from `finishlab.solve`.

A job's average is held against the averages of other jobs and not against the spread within a job: panels differ, and limits drawn from
within a panel would call most jobs a signal.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2. Clopper, C. J. & Pearson, E. S. (1934), Biometrika 26, 404
(exact limits of a share; from memory).
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab.errors import RecordsError
from finishlab.jobs.charts import CONFIDENCE, FEWEST, EvenSpread, capability, individuals, ranges, run_signals
from finishlab.model import FinishModel
from finishlab.plain import plain_rows
from finishlab.records.sheets.cells import plain_label
from finishlab.solve.follow_up_rounds import follow_up
from finishlab.solve.recipe import Recipe
from finishlab.study import LIMITS, RANGES, RESPONSES, Condition
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: First jobs that a chart's limits are drawn from.
BASELINE = 20
#: Finest step that a meter shows, in units of the reading (common practice, no source).
_FINEST = 0.01
#: Newest jobs that ask for a look where one stands out: as many as the longest run rule spans.
_RECENT = 8
#: Jobs standing out for the worse, of the newest 20, that ask for a new study. While nothing changes, 3 to 4 % of checks find so many;
#: after a loss of one spread of single jobs 20 jobs find it 68 % of the time, of two spreads 99 % (simulated, 600 runs, seed 6).
_AGAIN = 4
#: Jobs or trials of a new round that are suggested.
_ROUND = 4

Verdict = Literal["continue", "look", "study again"]


@dataclass(frozen=True, eq=False)
class Watch:
    """
    Later jobs beside what was promised.

    Made by `watch_jobs`.

    Attributes
    ----------
    jobs : DataFrame
        One row a job in the order of work: ``job``, ``reading`` of the charted response (mean of its sections), ``spread`` (range of the
        sections or, with one reading a job, difference from the job before), ``met``, ``signal``.
    response : str
    sections : int
        Readings of a job that a spread is of; 1 where each job has one.
    centre, low, high : float
        Of the chart of readings, in units of the response; NaN where there are too few jobs.
    spread_centre, spread_high : float
        Of the chart of spreads, in units of the response.
    met, counted : int
        Jobs that met every goal, of those that can be judged.
    met_low, met_high : float
        Exact 95 % interval of that share.
    wanted : float
        The assurance promised, a probability.
    index : tuple of float or None
        How many times three spreads of single jobs fit between their mean and the goal, no unit, with its 95 % interval; None where jobs are few,
        something stands out, or the reading is a count.
    verdict : {"continue", "look", "study again"}
    reasons : tuple of str
    film : tuple of str
        The film beside its limits.
    trials : DataFrame or None
        What to work next where the verdict is to study again and the model is at hand; as `follow_up` gives it.
    cautions : tuple of str
    """

    jobs: pd.DataFrame
    response: str
    sections: int
    centre: float
    low: float
    high: float
    spread_centre: float
    spread_high: float
    met: int
    counted: int
    met_low: float
    met_high: float
    wanted: float
    index: tuple[float, float, float] | None
    verdict: Verdict
    reasons: tuple[str, ...]
    film: tuple[str, ...]
    trials: pd.DataFrame | None
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say whether the procedure still holds, and what to do."""
        asked = show.asked_percent(self.wanted)
        share = (
            f"{self.met} of {show.counted(self.counted, 'job')} met the goal; the share lies between {show.percent(self.met_low)} and "
            f"{show.percent(self.met_high)} (95 %), {asked} was promised."
        )
        if self.met_low < self.wanted <= self.met_high:
            share += f" So few jobs cannot tell {asked} from {show.percent(self.met_low)}."
        do = {
            "continue": "Continue.",
            "look": "Look before the next job:",
            "study again": "Study again before going on.",
        }[self.verdict]
        said = [share, do, *self.reasons, *self.film]
        if self.index is not None:
            now, low, high = (f"{x:.1f}" for x in self.index)
            said.append(
                f"Capability toward the goal {now} (95 % interval {low} to {high}): so many times three spreads of single jobs lie between their mean and the goal."
            )
        if self.trials is not None:
            said.append(
                f"Work these {show.counted(len(self.trials), 'trial')} next: {'; '.join(dict.fromkeys(self.trials['why']))}."
            )
        return " ".join(said)

    def table(self) -> pd.DataFrame:
        """Return a copy of the jobs."""
        return self.jobs.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        kept = {k: list(v) if isinstance(v, tuple) else v for k, v in vars(self).items()}
        return {
            **kept,
            "jobs": plain_rows(self.jobs),
            "trials": None if self.trials is None else plain_rows(self.trials),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the jobs in order, with the chart's limits, and their spreads below them."""
        from finishlab.figures import job_figures

        return job_figures.jobs(
            self.jobs,
            label=", ".join(filter(None, RESPONSES[self.response])),
            lines=(self.low, self.centre, self.high),
            spread=(
                "range within a job" if self.sections > 1 else "step from the job before",
                (self.spread_centre, self.spread_high),
            ),
            title=f"{self.verdict.capitalize()}: {self.met} of {show.counted(self.counted, 'job')} met the goal",
            ax=ax,
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.jobs)


def watch_jobs(
    recipe: Recipe,
    jobs: pd.DataFrame,
    *,
    changes: Sequence[tuple[dt.date | str, str]] = (),
    model: FinishModel | None = None,
) -> Watch:
    """
    Hold later jobs against the recipe that they were worked by.

    Parameters
    ----------
    recipe : Recipe
    jobs : DataFrame
        One row a job in the order of work (or with a ``date`` to sort by): a column for each response of the goal, as ``gloss_20``, or one for
        each section, as ``gloss_20_1``, ``gloss_20_2``; ``worst_<response>`` where only mean and worst are known; ``job``,
        ``removed_um`` or ``film_left_um`` (µm) where known.
    changes : sequence of (date, str), optional
        What changed, as ``("2026-03-02", "new drum of compound")``: a lot, a mended meter, another season, a review that is due. Each after
        the recipe's last trial asks for a new study.
    model : FinishModel, optional
        Of the trials behind the recipe: where a new study is asked for, the trials to begin it with are suggested.

    Returns
    -------
    Watch

    Raises
    ------
    RecordsError
        A column is missing, a cell holds no number, there is no job, or the recipe names no process.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 (charts and run rules). Clopper, C. J. & Pearson, E. S.
    (1934), Biometrika 26, 404 (exact limits of a share; from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> import pandas as pd
    >>> watch = fl.watch_jobs(recipe, pd.DataFrame({"gloss_20": [81.0, 80.6, 81.2, 80.9, 81.1, 80.7]}))
    >>> watch.met, watch.verdict
    (6, 'continue')

    >>> fl.watch_jobs(recipe, pd.DataFrame({"gloss": [81.0]}))
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: column 'gloss_20' is missing. Columns: gloss. Add what each job read.
    """
    from statsmodels.stats.proportion import proportion_confint

    if not recipe.found or recipe.forecast is None:
        raise RecordsError("the recipe names no process, so no job can have been worked by it.")
    table, read = _checked(recipe, jobs)
    name = next(iter(recipe.goal))
    even = _even(recipe, name)
    charted, cautions = _charted(table, read, even)
    signalled = table["signal"] != ""
    reasons = []
    worse = [
        _is_worse(recipe.goal[name], reading, charted["centre"])
        for reading in table["reading"][-BASELINE:][signalled[-BASELINE:]]
    ]
    met, counted = int(table["met"].sum()), len(table)
    met_low, met_high = proportion_confint(met, counted, alpha=1 - CONFIDENCE, method="beta")
    broken = met_high < recipe.wanted
    if sum(worse) >= _AGAIN:
        reasons.append(f"{sum(worse)} of the newest {BASELINE} jobs stand out for the worse.")
    if broken:
        reasons.append(
            f"Fewer jobs meet the goal than {show.asked_percent(recipe.wanted)}, beyond what luck explains."
        )
    recent = table[signalled & (np.arange(counted) >= counted - _RECENT)]
    if len(recent):
        reasons.append(_standing_out(recent))
    over, film = _film(recipe, jobs)
    reasons += over
    since = _since(changes, recipe)
    reasons += [f"Since {date}: {what}; what was learnt may not hold for it." for date, what in since]
    verdict: Verdict = "continue"
    if len(recent) or over:
        verdict = "look"
    if broken or sum(worse) >= _AGAIN or since:
        verdict = "study again"
    index = None
    if counted >= BASELINE and verdict == "continue" and recipe.forecast.response(name).scales[0].metered:
        index = _index(recipe.goal[name], even, table["reading"].to_numpy(float))
    trials = None
    if verdict == "study again" and model is not None:
        trials = follow_up(model, trials=_ROUND, goal=recipe.goal, assurance=recipe.wanted)
    return Watch(
        jobs=table,
        response=name,
        **charted,
        met=met,
        counted=counted,
        met_low=met_low,
        met_high=met_high,
        wanted=recipe.wanted,
        index=index,
        verdict=verdict,
        reasons=tuple(reasons),
        film=tuple(film),
        trials=trials,
        cautions=cautions,
    )


def _checked(recipe: Recipe, jobs: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
    """
    Return job, charted reading and whether each job met every goal, and the charted readings, shape (jobs, sections).

    Raises with every mistake.
    """
    import pandas as pd

    if not len(jobs):
        raise RecordsError("there is no job. Give one row for each job.")
    mistakes: list[str] = []
    some = jobs.sort_values("date", kind="stable") if "date" in jobs.columns else jobs
    met, charted = np.ones(len(some), bool), None
    for name, condition in recipe.goal.items():
        columns = [c for c in some.columns if re.fullmatch(rf"{name}_[1-9][0-9]*", str(c))] or [name]
        worst = [f"worst_{name}"] if f"worst_{name}" in some.columns else []
        if columns[0] not in some.columns:
            mistakes.append(
                f"column '{name}' is missing. Columns: {', '.join(map(str, some.columns))}. Add what each job read."
            )
            continue
        read = some[[*columns, *worst]].apply(pd.to_numeric, errors="coerce")
        for column in read:
            if (lacking := read[column].isna()).any():
                rows = ", ".join(map(str, some.index[lacking][:5]))
                mistakes.append(
                    f"{column} holds no number in rows {rows}. Write what was read, or leave the job out."
                )
        values = read[columns].to_numpy(float)
        charted = values if charted is None else charted
        # Where every section must meet the goal, the worst of them decides.
        each = recipe.study.job.accept == "every section"
        judged = read[worst].to_numpy(float) if worst else values if each else values.mean(axis=1)[:, None]
        met &= np.all([condition.met(column) for column in judged.T], axis=0)
    if mistakes or charted is None:
        raise RecordsError(mistakes)
    labels = (
        some["job"].map(plain_label)
        if "job" in some.columns
        else pd.Series(range(1, len(some) + 1), index=some.index).astype(str)
    )
    table = pd.DataFrame({"job": labels.to_numpy(object), "reading": charted.mean(axis=1), "met": met})
    return table, charted


def _even(recipe: Recipe, name: str) -> EvenSpread:
    """Return the scale that jobs are charted on: the fit's and the meter's; for counts their square root, which evens out their spread."""
    assert recipe.forecast is not None
    forecast = recipe.forecast.response(name)
    reading = np.linspace(*RANGES[name], 20_001)
    scale = forecast.scales[len(forecast.scales) // 2]
    if not scale.metered:
        return EvenSpread(reading, np.sqrt(reading))
    inside = (reading > 0) & (reading < getattr(scale, "ceiling", np.inf))
    slope = np.zeros_like(reading)
    slope[inside] = np.abs(scale.slope(scale.inverse(reading[inside])))
    of_job = slope * np.hypot(np.median(forecast.sd_panel), np.median(forecast.sd_section))
    of_meter = max(float(np.median(forecast.sd_meter)) / np.sqrt(recipe.study.reading.spots), _FINEST)
    return EvenSpread.of(reading, np.hypot(of_job, of_meter))


def _charted(
    table: pd.DataFrame, read: np.ndarray, scale: EvenSpread
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Write spreads and what stands out into the table; return the charts' lines in units of the response, and cautions."""
    z = scale.on(read)
    sections = z.shape[1]
    at = z.mean(axis=1)
    spread = np.ptp(z, axis=1) if sections > 1 else np.abs(np.diff(at, prepend=np.nan))
    middle = float(at.mean())
    table.insert(2, "spread", [scale.across(middle, s) for s in spread])
    table["signal"] = ""
    if len(at) < FEWEST:
        none = dict.fromkeys(("centre", "low", "high", "spread_centre", "spread_high"), float("nan"))
        caution = (
            f"{show.counted(len(at), 'job')} cannot draw a chart; {FEWEST} are needed, {BASELINE} are good."
        )
        return {"sections": sections, **none}, (caution,)
    level = individuals(at[:BASELINE])
    base = spread[:BASELINE]
    within = ranges(base[np.isfinite(base)], max(sections, 2))
    signal = np.where(
        spread > within.high, "its sections differ" if sections > 1 else "far from the job before", ""
    ).astype(object)
    # Where both charts signal, the rule on the readings is the one that is said.
    for i, rule in run_signals(at, level):
        signal[i] = rule
    table["signal"] = signal
    caution = f"The chart's limits come from the same {len(at)} jobs that they judge; from {BASELINE} on they stand still."
    lines = {
        "sections": sections,
        "centre": scale.back(level.centre),
        "low": scale.back(level.low),
        "high": scale.back(level.high),
        "spread_centre": scale.across(level.centre, within.centre),
        "spread_high": scale.across(level.centre, within.high),
    }
    return lines, (caution,) if len(at) <= BASELINE else ()


def _standing_out(recent: pd.DataFrame) -> str:
    """Say which jobs stand out and by which rules; many of them by the first and the last."""
    names, rules = recent["job"].tolist(), "; ".join(dict.fromkeys(recent["signal"]))
    if len(names) == 1:
        who = f"Job {names[0]} stands"
    elif len(names) <= 3:
        who = f"Jobs {show.listed(names)} stand"
    else:
        who = f"{len(names)} of the jobs {names[0]} to {names[-1]} stand"
    return f"{who} out ({rules}): look at pad, lot, meter and who worked."


def _index(condition: Condition, scale: EvenSpread, readings: np.ndarray) -> tuple[float, float, float]:
    """Return the capability toward the end of the goal that leaves least room."""
    at = scale.on(readings)
    low, high = (
        None if end is None else float(scale.on(np.array([end]))[0])
        for end in (condition.at_least, condition.at_most)
    )
    return min(
        capability(at, **{side: end}) for side, end in (("low", low), ("high", high)) if end is not None
    )


def _is_worse(condition: Condition, reading: float, centre: float) -> bool:
    if condition.at_least is not None and condition.at_most is not None:
        return bool(~condition.met([reading])[0])
    return reading < centre if condition.at_least is not None else reading > centre


def _since(changes: Sequence[tuple[dt.date | str, str]], recipe: Recipe) -> list[tuple[str, str]]:
    """Return the changes, in order of date, that came after the last trial; what came before is in the trials."""
    last = recipe.evidence.last_date
    dated = sorted((str(date), what) for date, what in changes)
    return [(date, what) for date, what in dated if date > last]


def _film(recipe: Recipe, jobs: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Say which jobs broke a limit on film, and how the film stands beside each limit, where jobs say."""
    import pandas as pd

    broke, stands = [], []
    for name, limit in recipe.study.limits.items():
        if name not in jobs.columns:
            stands.append(
                f"The sheet has no {name}, so nothing is said of the limit {limit.condition.text(name)}."
            )
            continue
        read = pd.to_numeric(jobs[name], errors="coerce").dropna()
        label, unit = LIMITS[name]
        if broken := int((~limit.condition.met(read)).sum()):
            broke.append(
                f"{show.counted(broken, 'job')} broke the limit {limit.condition.text(name)}, set by {limit.set_by}. Stop and measure film."
            )
        elif len(read):
            up = limit.condition.at_most is not None
            worst = show.number(float(read.max() if up else read.min()), 1, "up" if up else "down")
            stands.append(
                f"{label.capitalize()} at {'most' if up else 'least'} {worst} {unit} in {show.counted(len(read), 'job')}; the limit is {limit.condition.text(name)}, set by {limit.set_by}."
            )
    return broke, stands
