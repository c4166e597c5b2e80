"""How many trials are worth it: minutes left on the table against the number of trials.

Shops are drawn from the step model's priors. Each works the plan, its readings are drawn,
the curve is fitted again, and the shortest process that keeps the promise by that fit is set
beside the truly shortest. Spreads are held at their stated guesses and a shop's ceiling is
taken as known here; the fit of real trials has to find both, so a real study needs rather
more than less.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab import progress
from finishlab.errors import PlanError
from finishlab.model.check_questions import REACH
from finishlab.model.response import GLOSS_SPREADS, INDEX_PRIOR, scale_of
from finishlab.model.steps import MISSES
from finishlab.numbers import is_whole
from finishlab.plan.day import PASS_MINUTES
from finishlab.plan.plan_criterion import StepCriterion
from finishlab.plan.trial_plan import plan_trials
from finishlab.threads import one_thread
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.study import Study

#: Processes that are looked at for each shop; an even share of more.
_PROCESSES = 1500
_SPREAD = {s.name: s.median for s in (*GLOSS_SPREADS, *MISSES)}
#: Nodes over which a panel's own effect is averaged.
_NODES = 15


@dataclass(frozen=True, eq=False)
class HowMany:
    """
    What more trials save.

    Made by `how_many_trials`.

    Attributes
    ----------
    rows : DataFrame
        One row a number of trials: ``trials``, ``panels``, ``answered`` (share of shops for which a process is named),
        ``kept`` (mean true probability that the next job of it meets the goal),
        ``minutes_left`` (of the job, longer than the shortest that truly keeps the promise;
        where none is named, as long as the longest studied) with the 90 % interval of that mean.
    shops, out_of_reach : int
        Shops counted, and drawn ones left out because no process reaches their goal.
    seed : int
        Of the plans, the shops and their readings.
    cautions : tuple of str
    """

    rows: pd.DataFrame
    shops: int
    out_of_reach: int
    seed: int
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say what each number of trials leaves on the table."""
        said = [
            f"{int(r['trials'])} trials leave {r['minutes_left']:.1f} minutes a job "
            f"(between {r['minutes_left_low']:.1f} and {r['minutes_left_high']:.1f}) and name a process in "
            f"{show.percent(r['answered'])} of shops"
            for r in self.rows.to_dict("records")
        ]
        return f"Over {self.shops} invented shops drawn from the stated priors: {'; '.join(said)}."

    def table(self) -> pd.DataFrame:
        """Return one row a number of trials."""
        return self.rows.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        return {
            "rows": self.rows.to_dict("records"),
            "shops": self.shops,
            "out_of_reach": self.out_of_reach,
            "seed": self.seed,
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw minutes left against the number of trials."""
        from finishlab.figures import plan_figures

        return plan_figures.how_many(self.rows, ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


@one_thread
def how_many_trials(
    study: Study,
    *,
    trials: Sequence[int] = (12, 20, 28, 40),
    panels: int = 4,
    shops: int = 40,
    seed: int = 1,
) -> HowMany:
    """
    Say how many minutes are left on the table with each number of trials.

    Parameters
    ----------
    study : Study
        Its goal names a gloss, and a step is worked by passes or seconds.
    trials : sequence of int
        Numbers of trials to compare.
    panels : int
        Panels each is spread over, more where the patches do not suffice.
    shops : int
        Invented shops to draw, 5 or more.
    seed : int
        Of the plans, the shops and their readings.

    Returns
    -------
    HowMany

    Raises
    ------
    PlanError
        The study has no such goal or step, an argument is not right, or the goal is out of
        reach of nearly all shops.

    Notes
    -----
    A shop is a draw of the step model's parameters from `finishlab.model.steps.PRIORS` and of
    the resin's refractive index, which sets the ceiling, from its prior: a practice bench of the
    study's own steps and settings. `PracticeBench` is not used: its shops have fixed steps,
    and follow laws of their own on purpose, to try the fit. The
    same shops work every plan. Only the first gloss of the goal is looked at.

    References
    ----------
    Chaloner, K. and Verdinelli, I. (1995). Bayesian experimental design: a review.
    Statistical Science 10, 273-304 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> more = fl.how_many_trials(bench.study, trials=(8, 24), shops=8)
    >>> more.rows["trials"].tolist()
    [8, 24]
    >>> fl.how_many_trials(bench.study, trials=(), shops=8)
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: trials is (); give the numbers of trials to compare, as (12, 20, 28).
    """
    import pandas as pd

    _check(study, trials, panels, shops, seed)
    rng = np.random.default_rng(seed)
    criterion = StepCriterion(study)
    shop = _Shops(study, criterion)
    worlds, out_of_reach = shop.draw(shops, rng)
    rows = []
    with progress.bar(len(trials)) as stage:
        for n in trials:
            stage(f"{n} trials in {len(worlds)} invented shops")
            of = max(panels, math.ceil(n / study.patches))
            sheet = plan_trials(study, trials=int(n), panels=of, seed=seed)
            values = study.basis.values(sheet)
            group = np.unique(sheet["panel"].to_numpy(), return_inverse=True)[1]
            draws = np.random.default_rng([seed, 1])
            done = np.array([shop.work(*world, values, group, draws) for world in worlds])
            left = done[:, 0]
            half = REACH * left.std(ddof=1) / math.sqrt(len(left))
            named = ~np.isnan(done[:, 1])
            rows.append(
                {
                    "trials": int(n),
                    "panels": of,
                    "answered": float(named.mean()),
                    "kept": float(done[named, 1].mean()) if named.any() else math.nan,
                    "minutes_left": float(left.mean()),
                    "minutes_left_low": max(float(left.mean() - half), 0.0),
                    "minutes_left_high": float(left.mean() + half),
                }
            )
    cautions = [
        f"Minutes are reckoned at {PASS_MINUTES:g} a pass and spreads at stated guesses, with the ceiling known; no follow-up round is counted. "
        "It compares numbers of trials, it does not foretell a study."
    ]
    others = [name for name in study.goal if name != shop.response]
    if others:
        cautions.append(f"Only {shop.response} is looked at; {show.listed(others)} may need more trials.")
    return HowMany(pd.DataFrame(rows), len(worlds), out_of_reach, seed, tuple(cautions))


@dataclass(frozen=True)
class _Asked:
    """The range of z that meets the goal, and the spread of a section's reading about its panel, in z."""

    top: float
    bottom: float
    section: float


class _Shops:
    """Invented shops of one study: what they truly do, and what a plan would find."""

    def __init__(self, study: Study, criterion: StepCriterion) -> None:
        self.curve, self.criterion, self.study = criterion.curve, criterion, study
        every = criterion.processes
        share = np.linspace(0, len(every) - 1, min(len(every), _PROCESSES)).astype(int)
        self.processes = every[share]
        self.response = next(n for n in study.goal if n.startswith("gloss_"))
        self.minutes = _minutes(study, self.processes)
        self.nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
        self.weights = weights / weights.sum()

    def asked(self, index: float) -> _Asked:
        """Return what the goal asks of ln roughness where the resin has this refractive index."""
        condition = self.study.goal[self.response]
        scale = scale_of(self.response, index)
        # A higher gloss is a lower z; a gloss above the ceiling is reached by none.
        low, high = condition.at_least, condition.at_most
        top = math.inf if low is None else float(scale.inverse(np.array([low]))[0])
        bottom = -math.inf if high is None else float(scale.inverse(np.array([high]))[0])
        edge = next((z for z in (top, bottom) if math.isfinite(z)), 0.0)
        meter = self.criterion.meter / max(float(np.abs(scale.slope(np.array([edge])))[0]), 1e-6)
        section = math.sqrt(_SPREAD["patch"] ** 2 + _SPREAD["reading"] ** 2 + meter**2)
        return _Asked(top, bottom, section)

    def probability(self, z: np.ndarray, known: np.ndarray, asked: _Asked) -> np.ndarray:
        """Return how often the next job meets the goal, `known` the SD of `z` itself."""
        from scipy.special import ndtr

        shared = np.sqrt(known**2 + _SPREAD["panel"] ** 2)[:, None] * self.nodes + z[:, None]
        one = ndtr((asked.top - shared) / asked.section) - ndtr((asked.bottom - shared) / asked.section)
        every = self.study.job.accept == "every section"
        return (one ** (self.study.job.sections if every else 1)) @ self.weights

    def shortest(self, z: np.ndarray, known: np.ndarray, asked: _Asked) -> tuple[int | None, np.ndarray]:
        """Return the shortest process that keeps the promise, and every probability."""
        p = self.probability(z, known, asked)
        ok = np.flatnonzero(p >= self.study.assurance)
        return (int(ok[np.argmin(self.minutes[ok])]) if len(ok) else None), p

    def draw(self, shops: int, rng: np.random.Generator) -> tuple[list[tuple[np.ndarray, _Asked]], int]:
        """Draw shops in which some process keeps the promise; count the others."""
        worlds: list[tuple[np.ndarray, _Asked]] = []
        out = 0
        while len(worlds) < shops:
            theta = rng.normal(self.curve.prior_mean, self.curve.prior_sd)
            asked = self.asked(float(rng.normal(*INDEX_PRIOR)))
            z = self.criterion.finish(theta, self.processes)[0]
            if self.shortest(z, np.zeros(len(z)), asked)[0] is None:
                out += 1
                if out > 20 * shops:
                    raise PlanError(
                        f"no process reaches the goal for {self.response} in nearly any shop that the priors allow. Lower the "
                        "goal, or give more passes or finer steps."
                    )
            else:
                worlds.append((theta, asked))
        return worlds, out

    def work(
        self,
        theta: np.ndarray,
        asked: _Asked,
        values: np.ndarray,
        panel: np.ndarray,
        rng: np.random.Generator,
    ) -> tuple[float, float]:
        """Return the minutes left on the table, and the true probability of the process named (NaN for none)."""
        truth = self.criterion.finish(theta, self.processes)[0]
        best, true_p = self.shortest(truth, np.zeros(len(truth)), asked)
        found, root = self._fitted(theta, values, panel, rng)
        z, slopes = self.criterion.finish(found, self.processes)
        known = np.sqrt(((slopes @ root) ** 2).sum(axis=1) + _SPREAD["final"] ** 2)
        chosen, _ = self.shortest(z, known, asked)
        least = self.minutes[best]
        if chosen is None:
            return float(self.minutes.max() - least), math.nan
        return float(max(self.minutes[chosen] - least, 0.0)), float(true_p[chosen])

    def _fitted(
        self, theta: np.ndarray, values: np.ndarray, panel: np.ndarray, rng: np.random.Generator
    ) -> tuple[np.ndarray, np.ndarray]:
        """Draw readings of a shop and fit its curve by Gauss-Newton; mode and root of its covariance."""
        curve = self.curve
        z, _, noise = self.criterion.read(theta, values)
        n, m = len(values), len(z) // len(values)
        shared = _SPREAD["panel"] * rng.normal(size=panel.max() + 1)[panel] + _SPREAD["patch"] * rng.normal(
            size=n
        )
        y = z + np.repeat(shared, m) + noise * rng.normal(size=len(z))
        trial = np.repeat(np.arange(n), m)
        covariance = np.diag(noise**2)
        covariance += _SPREAD["patch"] ** 2 * (trial[:, None] == trial) + _SPREAD["panel"] ** 2 * (
            panel[trial][:, None] == panel[trial]
        )
        weight = np.linalg.inv(covariance)
        sd, mode = curve.prior_sd, curve.prior_mean.copy()
        for _ in range(6):
            at, slopes, _ = self.criterion.read(mode, values)
            x = slopes * sd
            information = np.eye(len(sd)) + x.T @ weight @ x
            new = curve.prior_mean + sd * np.linalg.solve(
                information, x.T @ weight @ (y - at + slopes @ (mode - curve.prior_mean))
            )
            move = np.abs((new - mode) / sd).max()
            mode = mode + min(1.0, 1.0 / max(move, 1e-12)) * (new - mode)
        root = sd[:, None] * np.linalg.inv(np.linalg.cholesky(information)).T
        return mode, root


def _minutes(study: Study, values: np.ndarray) -> np.ndarray:
    """Return about how long a job by each process takes, shape (rows,), as far as nothing is timed yet."""
    total = np.zeros(len(values))
    for step in study.steps:
        if step.amount is None or step.amount.held:
            continue
        amount = values[:, study.basis.column(step.amount.factor)]
        total += amount / 60 if step.amount.name == "seconds" else amount * PASS_MINUTES
    return study.basis.job_minutes(values, total)


def _check(study: Study, trials: Any, panels: Any, shops: Any, seed: Any) -> None:
    from finishlab.model.fitting import kind_of

    mistakes = []
    try:
        numbers = [int(n) for n in trials if n == int(n) and n > 0]
    except (TypeError, ValueError):
        numbers = []
    if not numbers or len(numbers) != len(trials):
        mistakes.append(f"trials is {trials!r}; give the numbers of trials to compare, as (12, 20, 28).")
    for name, value, least in (("panels", panels, 1), ("shops", shops, 5), ("seed", seed, 0)):
        if not is_whole(value) or value < least:
            mistakes.append(f"{name} is {value!r}; it must be a whole number, {least} or more.")
    if kind_of(study) != "steps":
        mistakes.append(
            "the study's goal names no gloss, or no step is worked by passes or seconds; shops are drawn for such studies "
            "only. Take foresee instead."
        )
    if mistakes:
        raise PlanError(mistakes)
