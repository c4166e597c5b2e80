"""Later jobs under a procedure: does it still hold what it promised?

Jobs are held against the recipe they are worked by: a chart of single jobs on the scale of the fit,
where the spread is the same at high and low gloss, drawn in GU; run rules of a published
handbook; the share that met the goal with its exact interval; the film against its limit. What comes out is a
sentence and one of three things to do: continue, look, study again. Nothing is fitted to
settings here; the recipe and its forecast come from `finishlab.solve`.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 (control charts and their run rules) and 6.3.2.2
(individuals charts). Clopper, C. J. & Pearson, E. S. (1934), Biometrika 26, 404 (exact limits of a
share; from memory).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab import _show
from finishlab.errors import RecordsError
from finishlab.model.exact import exact_share
from finishlab.solve.forecast import Forecast
from finishlab.solve.recipe import Recipe
from finishlab.study import RESPONSES, Condition

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Mean range of two normal readings, in their SD: 2 / sqrt(pi), tabled as 1.128.
D2 = 1.128
#: First jobs that a chart's limits are drawn from, and the fewest that can draw any.
BASELINE, FEWEST = 20, 5
#: Confidence of the interval of a share.
CONFIDENCE = 0.95

Verdict = Literal["continue", "look", "study again"]


@dataclass(frozen=True)
class Chart:
    """
    Limits of a chart of single values.

    Attributes
    ----------
    centre, sigma : float
        Mean, and spread from one value to the next by the mean moving range.
    low, high : float
        Three sigma about the centre.
    most_range : float
        Most that one value may differ from the one before it.
    """

    centre: float
    sigma: float

    @property
    def low(self) -> float:
        return self.centre - 3 * self.sigma

    @property
    def high(self) -> float:
        return self.centre + 3 * self.sigma

    @property
    def most_range(self) -> float:
        # D4 for two values, 1 + 3 d3 / d2 = 3.267.
        return 3.267 * D2 * self.sigma


def individuals(values: np.ndarray) -> Chart:
    """
    Return the limits of a chart of single values and their moving ranges.

    Parameters
    ----------
    values : ndarray, shape (jobs,)
        In the order of work; two at least.

    Returns
    -------
    Chart

    Examples
    --------
    The flow rates of the NIST handbook, 6.3.2.2:

    >>> flow = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> chart = individuals(flow)
    >>> round(chart.centre, 2), round(chart.low, 4), round(chart.high, 4)
    (50.81, 45.8159, 55.8041)
    """
    return Chart(float(values.mean()), float(np.abs(np.diff(values)).mean() / D2))


def run_signals(values: np.ndarray, chart: Chart) -> list[tuple[int, str]]:
    """
    Return where a run of values is not what luck gives, and by which rule.

    The four rules of the NIST handbook, 6.3.2: a value beyond three sigma; two of three beyond two on one side; four of five
    beyond one on one side; eight in a row on one side of the centre.

    Parameters
    ----------
    values : ndarray, shape (jobs,)
    chart : Chart

    Returns
    -------
    list of (int, str)
        Position of the value that completes the pattern, and the rule in words.

    Examples
    --------
    >>> quiet = np.array([0.1, -0.2, 0.3, -0.1])
    >>> run_signals(quiet, Chart(0.0, 1.0)), run_signals(np.r_[quiet, 3.4], Chart(0.0, 1.0))
    ([], [(4, 'beyond three sigma')])
    """
    u = (values - chart.centre) / max(chart.sigma, 1e-300)
    found = []
    for i in range(len(u)):
        for side in (1, -1):
            v = side * u[: i + 1]
            if v[-1] > 3:
                found.append((i, "beyond three sigma"))
            elif i >= 2 and v[-1] > 2 and (v[-3:] > 2).sum() >= 2:
                found.append((i, "two of three beyond two sigma"))
            elif i >= 4 and v[-1] > 1 and (v[-5:] > 1).sum() >= 4:
                found.append((i, "four of five beyond one sigma"))
            elif i >= 7 and (v[-8:] > 0).all():
                found.append((i, "eight in a row on one side"))
    return found


@dataclass(frozen=True, eq=False)
class Watch:
    """
    Later jobs beside what was promised.

    Attributes
    ----------
    jobs : DataFrame
        One row a job in the order of work: ``job``, ``reading`` of the charted response, ``met``, ``signal``.
    response : str
    centre, low, high : float
        Of the chart, in units of the response; NaN where there are too few jobs.
    met, counted : int
        Jobs that met every goal, of those that can be judged.
    met_low, met_high : float
        Exact 95 % interval of that share.
    wanted : float
        The assurance promised.
    verdict : {"continue", "look", "study again"}
    reasons : tuple of str
    cautions : tuple of str
    """

    jobs: pd.DataFrame
    response: str
    centre: float
    low: float
    high: float
    met: int
    counted: int
    met_low: float
    met_high: float
    wanted: float
    verdict: Verdict
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say whether the procedure still holds, and what to do."""
        asked = _show.asked_percent(self.wanted)
        share = (
            f"{self.met} of {_show.counted(self.counted, 'job')} met the goal; the share lies between {_show.percent(self.met_low)} and "
            f"{_show.percent(self.met_high)} (95 %), {asked} was promised."
        )
        if self.met_low < self.wanted <= self.met_high:
            share += f" So few jobs cannot tell {asked} from {_show.percent(self.met_low)}."
        do = {
            "continue": "Continue.",
            "look": "Look before the next job:",
            "study again": "Study again before going on: plan trials with follow_up.",
        }[self.verdict]
        return " ".join([share, do, *self.reasons])

    def table(self) -> pd.DataFrame:
        """Return a copy of the jobs."""
        return self.jobs.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        rows = self.jobs.astype(object).where(self.jobs.notna(), None).to_dict("records")
        kept = {k: v for k, v in vars(self).items() if k != "jobs"}
        return {**kept, "reasons": list(self.reasons), "cautions": list(self.cautions), "jobs": rows}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the jobs in order, with the chart's limits and the goal."""
        from finishlab import _monitor_figure

        return _monitor_figure.jobs(
            self.jobs,
            label=", ".join(filter(None, RESPONSES[self.response])),
            lines=(self.low, self.centre, self.high),
            title=f"{self.verdict.capitalize()}: {self.met} of {_show.counted(self.counted, 'job')} met the goal",
            ax=ax,
        )

    def _repr_html_(self) -> str:
        return _show.sentence_and_table(self.text(), self.jobs)


def watch_jobs(
    recipe: Recipe, jobs: pd.DataFrame, *, changes: Sequence[tuple[dt.date | str, str]] = ()
) -> Watch:
    """
    Hold later jobs against the recipe that they were worked by.

    Parameters
    ----------
    recipe : Recipe
    jobs : DataFrame
        One row a job in the order of work (or with a ``date`` to sort by): a column for each response of the goal, the mean of its
        sections where there are several, and ``worst_<response>`` where every section must meet it; ``job``, ``removed_um`` or ``film_left_um`` where known.
    changes : sequence of (date, str), optional
        What changed since the study, as ``("2026-03-02", "new drum of compound")``: each asks for a new study.

    Returns
    -------
    Watch

    Raises
    ------
    RecordsError
        A column is missing, a cell holds no number, there is no job, or the recipe names no process.

    Examples
    --------
    >>> import finishlab as fl
    >>> import pandas as pd
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> sheet = fl.plan_trials(bench.study, trials=24, panels=4, seed=1)
    >>> recipe = fl.shortest(fl.fit(bench.study, bench.work(sheet, seed=1)), assurance=0.8)
    >>> watch = fl.watch_jobs(recipe, pd.DataFrame({"gloss_20": [81.0, 80.6, 81.2, 80.9, 81.1, 80.7]}))
    >>> watch.met, watch.verdict
    (6, 'continue')

    >>> fl.watch_jobs(recipe, pd.DataFrame({"gloss": [81.0]}))
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: column 'gloss_20' is missing. Columns: gloss. Add what each job read.
    """
    if not recipe.found or recipe.forecast is None:
        raise RecordsError("the recipe names no process, so no job can have been worked by it.")
    table = _checked(recipe, jobs)
    name = next(iter(recipe.goal))
    z = _on_scale(recipe.forecast, name, table["reading"].to_numpy(float))
    reasons, cautions = [], []
    low = centre = high = float("nan")
    table["signal"] = ""
    worse: list[int] = []
    if len(z) >= FEWEST:
        chart = individuals(z[:BASELINE])
        scale = _middle_scale(recipe.forecast, name)
        low, centre, high = sorted(
            float(scale.reading(np.array(v))) for v in (chart.low, chart.centre, chart.high)
        )
        for i, rule in run_signals(z, chart):
            table.loc[table.index[i], "signal"] = rule
            if _is_worse(recipe.goal[name], table["reading"].iloc[i], centre):
                worse.append(i)
        if len(z) <= BASELINE:
            cautions.append(
                f"The chart's limits come from the same {len(z)} jobs that they judge; from {BASELINE} on they stand still."
            )
    else:
        cautions.append(
            f"{_show.counted(len(z), 'job')} cannot draw a chart; {FEWEST} are needed, {BASELINE} are good."
        )
    met, counted = int(table["met"].sum()), len(table)
    met_low, met_high = exact_share(met, counted, CONFIDENCE)
    broken = met_high < recipe.wanted
    if broken:
        reasons.append(
            f"Fewer jobs meet the goal than {_show.asked_percent(recipe.wanted)}, beyond what luck explains."
        )
    said = [
        f"{table['job'].iloc[i]} ({table['signal'].iloc[i]})" for i in np.flatnonzero(table["signal"] != "")
    ]
    if said:
        reasons.append(
            f"{'Jobs' if len(said) > 1 else 'Job'} {_show.listed(said)} {'stand' if len(said) > 1 else 'stands'} out: look at pad, lot, meter and who worked."
        )
    over = _over_limit(recipe, jobs)
    reasons += over
    reasons += [f"{what} since {date}: what was learnt may not hold for it." for date, what in changes]
    verdict: Verdict = "continue"
    if said or over:
        verdict = "look"
    if broken or len(worse) >= 2 or changes:
        verdict = "study again"
    return Watch(
        table,
        name,
        centre,
        low,
        high,
        met,
        counted,
        met_low,
        met_high,
        recipe.wanted,
        verdict,
        tuple(reasons),
        tuple(cautions),
    )


def _checked(recipe: Recipe, jobs: pd.DataFrame) -> pd.DataFrame:
    """Return job, charted reading and whether each job met every goal; or raise with every mistake."""
    import pandas as pd

    if not len(jobs):
        raise RecordsError("there is no job. Give one row for each job.")
    mistakes = []
    met = np.ones(len(jobs), bool)
    some = jobs.sort_values("date", kind="stable") if "date" in jobs.columns else jobs
    for name, condition in recipe.goal.items():
        if name not in some.columns:
            mistakes.append(
                f"column '{name}' is missing. Columns: {', '.join(map(str, some.columns))}. Add what each job read."
            )
            continue
        # Where every section must meet the goal, the worst of them decides.
        column = f"worst_{name}" if f"worst_{name}" in some.columns else name
        read = pd.to_numeric(some[column], errors="coerce")
        if read.isna().any():
            rows = ", ".join(map(str, some.index[read.isna()][:5]))
            mistakes.append(
                f"{column} holds no number in rows {rows}. Write what was read, or leave the job out."
            )
        met &= condition.met(read)
    if mistakes:
        raise RecordsError(mistakes)
    labels = (
        some["job"].astype(str)
        if "job" in some.columns
        else pd.Series(range(1, len(some) + 1), index=some.index).astype(str)
    )
    return pd.DataFrame(
        {
            "job": labels.to_numpy(object),
            "reading": pd.to_numeric(some[next(iter(recipe.goal))]).to_numpy(float),
            "met": met,
        }
    )


def _middle_scale(forecast: Forecast, name: str) -> Any:
    scales = forecast.response(name).scales
    return scales[len(scales) // 2]


def _on_scale(forecast: Forecast, name: str, reading: np.ndarray) -> np.ndarray:
    """Return readings on the scale of the fit; those at or beyond its ends a little within them."""
    scale = _middle_scale(forecast, name)
    if hasattr(scale, "ceiling"):
        reading = np.clip(reading, 0.01 * scale.ceiling, 0.9995 * scale.ceiling)
    elif not scale.metered:
        return np.sqrt(reading)  # counts: the square root evens out their spread
    return np.asarray(scale.inverse(reading), float)


def _is_worse(condition: Condition, reading: float, centre: float) -> bool:
    if condition.at_least is not None and condition.at_most is not None:
        return bool(~condition.met([reading])[0])
    return reading < centre if condition.at_least is not None else reading > centre


def _over_limit(recipe: Recipe, jobs: pd.DataFrame) -> list[str]:
    """Say which jobs broke a limit on film, where they say."""
    import pandas as pd

    said = []
    for name, limit in recipe.study.limits.items():
        if name in jobs.columns:
            read = pd.to_numeric(jobs[name], errors="coerce")
            broken = int((read.notna() & ~limit.condition.met(read)).sum())
            if broken:
                said.append(
                    f"{_show.counted(broken, 'job')} broke the limit {limit.condition.text(name)}, set by {limit.set_by}. Stop and measure film."
                )
    return said


def capability(
    values: np.ndarray, *, low: float | None = None, high: float | None = None
) -> tuple[float, float, float]:
    """
    Return how far a steady process stays within its ends, Cp, with the 95 % interval of it.

    Parameters
    ----------
    values : ndarray, shape (jobs,)
        Normal about a steady mean: on the scale of the fit, with no signal among them.
    low, high : float, optional
        Ends; with one only, the distance of the mean from it over three SDs.

    Returns
    -------
    cp, cp_low, cp_high : float

    Raises
    ------
    RecordsError
        There are no ends, or fewer than five values.

    Notes
    -----
    The interval is that of a two-sided Cp by the chi-squared of the SD (Montgomery, Introduction to
    Statistical Quality Control, from memory); with one end Bissell's approximation (1990, Applied Statistics 39, 331; from memory).

    Examples
    --------
    Twenty values with an SD of 1.75 between 38 and 62: Montgomery's 2.29, up to 3.01.

    >>> z = np.linspace(-1, 1, 20)
    >>> cp, _, most = capability(50 + 1.75 * z / z.std(ddof=1), low=38, high=62)
    >>> round(cp, 2), round(most, 2)
    (2.29, 3.01)
    """
    from scipy import stats

    n = len(values)
    if n < FEWEST or (low is None and high is None):
        raise RecordsError(
            f"{n} values and {'no end' if low is None and high is None else 'an end'}: give {FEWEST} values at least, and an end."
        )
    mean, sd = float(np.mean(values)), float(np.std(values, ddof=1))
    if low is not None and high is not None:
        cp = (high - low) / (6 * sd)
        ends = np.sqrt(stats.chi2.ppf([(1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2], n - 1) / (n - 1))
        return cp, float(cp * ends[0]), float(cp * ends[1])
    cp = (mean - low) / (3 * sd) if low is not None else (high - mean) / (3 * sd)  # type: ignore[operator]
    reach = float(stats.norm.ppf((1 + CONFIDENCE) / 2)) * np.sqrt(1 / (9 * n) + cp**2 / (2 * (n - 1)))
    return cp, float(cp - reach), float(cp + reach)
