"""What a plan will and will not be able to see, and what it costs, before any work.

A sheet, spreads of panel, patch and meter, and the rules of least squares under them say
beforehand which difference would be found, how wide the promise for the next job will be
and what moves together. No reading is needed. What the work takes is counted in
`day.py`; how many trials are worth it by practice benches is in `how_many.py`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import PlanError
from finishlab.numbers import is_number
from finishlab.plan.confounding import together, too_few
from finishlab.plan.day import RunDay, costs_of, run_day, taken
from finishlab.plan.guessed_spreads import spreads_of
from finishlab.plan.patch_places import require_places
from finishlab.plan.plan_criterion import Criterion
from finishlab.plan.trial_plan import worked_before
from finishlab.statistics.power import smallest_difference
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.study import Setting, Study

#: Share of next jobs that the interval is to hold.
COVER = 0.90


@dataclass(frozen=True, eq=False)
class Foresight:
    """
    What a plan will be able to see.

    Made by `foresee`.

    Attributes
    ----------
    factors : DataFrame
        One row a factor: ``factor``, ``difference`` in words, ``gloss_gu`` and ``minutes``, the
        smallest difference that is found with 80 % power, ``df``; infinite where none is.
    job_half_width : tuple of float
        Half width in GU of the 90 % interval for the next job's section: the narrowest, the
        median and the widest over all admissible processes.
    df_panels : int
        Degrees of freedom between panels.
    together : tuple of str
        What cannot be told apart, in words.
    spreads : dict of str -> float
        SD of ``panel``, ``patch`` and ``meter`` (GU; one reading of the meter) and ``minutes``.
    guessed : tuple of str
        Those of them that are stated guesses.
    trials, panels : int
        Those of the plan and the existing ones.
    trials_before : int
        The existing ones among them.
    day : RunDay
    costs : dict of str -> float
        What the plan takes: new ``panels``, ``patches_sanded``, ``product_passes``, ``hours`` with
        waits, ``changeovers`` and, where known, ``discs``, ``product_ml``, ``payback_jobs``.
    cautions : tuple of str
    """

    factors: pd.DataFrame
    job_half_width: tuple[float, float, float]
    df_panels: int
    together: tuple[str, ...]
    spreads: dict[str, float]
    guessed: tuple[str, ...]
    trials: int
    panels: int
    trials_before: int
    day: RunDay
    costs: dict[str, float]
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say in plain words what will be seen and what it costs."""
        finite = self.factors[np.isfinite(self.factors["gloss_gu"])]
        before = f", {self.trials_before} of them there before" if self.trials_before else ""
        lines = [f"{self.trials} trials on {show.counted(self.panels, 'panel')}{before}."]
        if len(finite):
            best, worst = finite.loc[finite["gloss_gu"].idxmin()], finite.loc[finite["gloss_gu"].idxmax()]
            lines.append(
                f"Found four times in five: a difference of {_up(worst['gloss_gu'])} GU or more in {worst['label']} "
                f"({worst['difference']})"
                + (
                    f", down to {_up(best['gloss_gu'])} GU in {best['label']} ({best['difference']})."
                    if len(finite) > 1
                    else "."
                )
            )
        unseen = self.factors[~np.isfinite(self.factors["gloss_gu"])]["label"].tolist()
        if unseen:
            lines.append(f"Nothing can be said of {show.listed(unseen)}.")
        # Wider than the scale itself: that nothing is foretold is all there is to say.
        low, middle, high = (
            "over 100" if 100 < width < math.inf else _up(width) for width in self.job_half_width
        )
        if math.isfinite(self.job_half_width[1]):
            lines.append(
                f"The next job's section will be foretold to within ± {middle} GU (90 % interval; {low} to {high} over the "
                "studied processes)."
            )
        lines.append(f"It takes {show.listed(taken(self.costs))}.")
        if "payback_jobs" in self.costs:
            lines.append(
                f"The saving expected pays that back after {math.ceil(self.costs['payback_jobs'])} jobs."
            )
        else:
            lines.append(
                f"Each minute a section it saves pays it back after {math.ceil(self.costs['payback_jobs_per_minute'])} jobs."
            )
        for words, guessed in (("Spreads (SD) given", False), ("Guessed spreads (SD)", True)):
            some = [
                f"{name} {f'{sd:g}' if guessed else show.number(sd, 2, 'up')} {'minutes' if name == 'minutes' else 'GU'}"
                for name, sd in self.spreads.items()
                if (name in self.guessed) == guessed
            ]
            if some:
                lines.append(f"{words}: {show.listed(some)}.")
        return " ".join([*lines, *self.together])

    def table(self) -> pd.DataFrame:
        """Return for each factor the smallest difference that will be found."""
        return self.factors.drop(columns="label")

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision."""
        return {
            "trials": self.trials,
            "panels": self.panels,
            "trials_before": self.trials_before,
            "factors": self.factors.to_dict("records"),
            "job_half_width": list(self.job_half_width),
            "df_panels": self.df_panels,
            "together": list(self.together),
            "spreads": dict(self.spreads),
            "guessed": list(self.guessed),
            "day": self.day.to_dict(),
            "costs": dict(self.costs),
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw for each factor the smallest difference in gloss that will be found."""
        from finishlab.figures import plan_figures

        return plan_figures.foresight(self.factors, trials=self.trials, panels=self.panels, ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def foresee(
    sheet: pd.DataFrame,
    study: Study,
    *,
    spreads: Any = None,
    existing: pd.DataFrame | None = None,
    patches_a_disc: float | None = None,
    product_ml_a_pass: float | None = None,
    saving_minutes: float | None = None,
) -> Foresight:
    """
    Say what a plan will be able to see and what it costs, before any work.

    Parameters
    ----------
    sheet : DataFrame
        The factor columns and ``panel``, as `plan_trials` gives.
    study : Study
    spreads : mapping of str -> float, or FinishModel, optional
        SD between panels, between patches of a panel, of one meter reading (``panel``,
        ``patch``, ``meter``, GU) and of the minutes of a patch (``minutes``); those not given
        are stated guesses. Or the model fitted to a pilot, whose own spreads are taken.
    existing : DataFrame, optional
        One row a trial already run or planned, as for `plan_trials`: they count for what will be seen,
        not for what it costs.
    patches_a_disc, product_ml_a_pass : float, optional
        How many patches one disc sands, and what a pass takes of product, ml: then discs and
        product are counted.
    saving_minutes : float, optional
        Minutes a section that the study is expected to save: then the jobs are counted after
        which it has paid back its hours.

    Returns
    -------
    Foresight

    Raises
    ------
    PlanError
        A spread or a count is not right; the sheet has no trials, or a trial does not say its panel.
    OutsideStudy
        A trial has a setting that the study does not have.

    Notes
    -----
    Differences: generalised least squares with panels as random effects, settings adding
    up and amounts levelling off; a number from its lowest to its highest, other settings between
    the two levels that are hardest to tell apart; two-sided 5 % level. Degrees of freedom are
    trials less terms, between panels for settings that change by panel. Next job: variance of
    panel, patch and mean of the spots with that of the prediction, terms that may matter
    included; t with Satterthwaite's degrees of freedom.

    References
    ----------
    Cohen, J. (1988). Statistical Power Analysis for the Behavioral Sciences, 2nd ed.
    Satterthwaite, F. E. (1946). Biometrics Bulletin 2, 110-114.

    Examples
    --------
    >>> import finishlab as fl
    >>> few = fl.foresee(fl.plan_trials(bench.study, trials=16, panels=4, seed=1), bench.study)
    >>> many = fl.foresee(fl.plan_trials(bench.study, trials=32, panels=4, seed=1), bench.study)
    >>> bool((many.factors["gloss_gu"] < few.factors["gloss_gu"]).all())
    True
    >>> fl.foresee(sheet, bench.study, spreads={"panel": -1})
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: spreads: panel is -1; it must be a number, 0 or more. ...
    """
    sd, guessed = spreads_of(spreads)
    _positive(
        patches_a_disc=patches_a_disc, product_ml_a_pass=product_ml_a_pass, saving_minutes=saving_minutes
    )
    if not len(sheet):
        raise PlanError("the sheet has no trials. Give one as plan_trials returns it.")
    require_places(sheet, "the sheet", "panel")
    before, panels_before = worked_before(study, existing)
    values = np.vstack([before, study.basis.values(sheet)])
    labels = np.concatenate([panels_before, sheet["panel"]]).astype(str)
    panel = np.unique(labels, return_inverse=True)[1]
    criterion = Criterion(study)
    factors = _factors(study, criterion, values, panel, sd)
    between = len(np.unique(panel)) - 1 - _by_panel(study, criterion)
    day = run_day(_in_order(sheet), study)
    said = together(study, values, panel)
    cautions = list(day.cautions)
    if between < 3:
        cautions.append(
            f"{show.counted(max(between, 0), 'degree')} of freedom between panels, fewer than three: how panels differ will "
            f"hardly be known, and the next job is on a new one. Plan {show.counted(3 - between, 'panel')} more."
        )
    cautions += too_few(len(values), criterion.differences)
    if "faults" in study.goal:
        most = math.ceil(100 * (1 - 0.05 ** (1 / max(len(values), 1))))
        cautions.append(
            f"Faults are counted: even none in {len(values)} patches would allow up to {most} % of patches with one "
            "(95 % limit, one-sided)."
        )
    return Foresight(
        factors=factors,
        job_half_width=_job(criterion, values, panel, sd, study.reading.spots),
        df_panels=between,
        together=said,
        spreads=sd,
        guessed=guessed,
        trials=len(values),
        panels=len(np.unique(panel)),
        trials_before=len(before),
        day=day,
        costs=costs_of(sheet, study, day, patches_a_disc, product_ml_a_pass, saving_minutes),
        cautions=tuple(cautions),
    )


# --- what will be seen ---------------------------------------------------------------------------


def _factors(
    study: Study, criterion: Criterion, values: np.ndarray, panel: np.ndarray, sd: Mapping[str, float]
) -> pd.DataFrame:
    """Return the smallest difference of each factor that is found, in gloss and in minutes."""
    import pandas as pd

    x = criterion.matrix(values)[:, : criterion.differences + 1]
    rank = int(np.linalg.matrix_rank(x))
    meter = sd["meter"] ** 2 / study.reading.spots
    same = (panel[:, None] == panel[None, :]).astype(float)
    gloss = (sd["patch"] ** 2 + meter) * np.eye(len(x)) + sd["panel"] ** 2 * same
    minutes = sd["minutes"] ** 2 * np.eye(len(x))
    hard = {
        s.factor for t in study.steps for s in t.settings if s.name in t.hard_to_change and t.unit == "panel"
    }
    rows = []
    # Main columns stand first in the coding, in the order of the factors, after the constant.
    start = 1
    for factor, names in zip(study.factors, study.basis.main, strict=True):
        columns = np.arange(start, start + len(names))
        start += len(names)
        df = len(x) - rank
        if factor.factor in hard:
            df = len(np.unique(panel)) - 1 - _by_panel(study, criterion)
        row: dict[str, Any] = {
            "factor": factor.factor,
            "label": factor.label(),
            "difference": _between(factor),
        }
        for name, covariance in (("gloss_gu", gloss), ("minutes", minutes)):
            row[name] = smallest_difference(_hardest(x, covariance, columns, factor), df)
        rows.append(row | {"df": max(df, 0)})
    return pd.DataFrame(rows)


def _hardest(x: np.ndarray, covariance: np.ndarray, columns: np.ndarray, factor: Setting) -> float:
    """Return the standard error of the difference of a factor that is hardest to see."""
    information = x.T @ np.linalg.solve(covariance + 1e-12 * np.eye(len(x)), x)
    inverse = np.linalg.pinv(information, hermitian=True, rcond=1e-10)
    worst = 0.0
    for contrast in contrasts(factor):
        c = np.zeros(x.shape[1])
        c[columns] = contrast
        # A difference that the plan does not determine is not in the span of its rows.
        if np.abs(information @ (inverse @ c) - c).max() > 1e-6:
            return math.inf
        worst = max(worst, float(c @ inverse @ c))
    return math.sqrt(worst)


def contrasts(factor: Setting) -> list[np.ndarray]:
    """Return the differences of a factor that matter, in its coded columns."""
    if factor.numeric or factor.kind == "graded":
        return [np.array([2.0])]
    k = len(factor.levels)
    if factor.kind == "ordered":
        return [
            np.where((np.arange(k - 1) >= a) & (np.arange(k - 1) < b), 1.0, 0.0)
            for a, b in itertools.combinations(range(k), 2)
        ]
    code = np.vstack([np.eye(k - 1), -np.ones(k - 1)])
    return [code[a] - code[b] for a, b in itertools.combinations(range(k), 2)]


def _between(factor: Setting) -> str:
    if factor.numeric:
        return f"from {show.plain_number(factor.levels[0])} to {show.plain_number(factor.levels[-1])}"
    if factor.kind == "graded" or len(factor.levels) == 2:
        return f"{factor.levels[0]} against {factor.levels[-1]}"
    return "between any two"


def _by_panel(study: Study, criterion: Criterion) -> int:
    """Return how many main columns change only from panel to panel."""
    return sum(
        len(names)
        for factor, names in zip(study.factors, study.basis.main, strict=True)
        if (step := study.step(factor.step)).unit == "panel" and factor.name in step.hard_to_change
    )


def _job(
    criterion: Criterion, values: np.ndarray, panel: np.ndarray, sd: Mapping[str, float], spots: int
) -> tuple[float, float, float]:
    """Return narrowest, median and widest half width of the next section's interval, GU."""
    from scipy import stats

    x = criterion.matrix(values)
    patch = sd["patch"] ** 2 + sd["meter"] ** 2 / spots
    same = (panel[:, None] == panel[None, :]).astype(float)
    covariance = patch * np.eye(len(x)) + sd["panel"] ** 2 * same + 1e-12 * np.eye(len(x))
    # Terms that may matter are held near zero with the weight of a trial, as in the plan.
    information = criterion.prior / max(patch, 1e-12) + x.T @ np.linalg.solve(covariance, x)
    new = criterion.matrix(criterion.processes[:: max(1, len(criterion.processes) // 2000)])
    known = np.einsum("ij,jk,ik->i", new, np.linalg.inv(information), new)
    left = len(x) - criterion.differences - 1
    panels = len(np.unique(panel)) - 1
    if left < 1 or panels < 1:
        return (math.inf, math.inf, math.inf)
    variance = sd["panel"] ** 2 + patch
    df = variance**2 / (sd["panel"] ** 4 / panels + patch**2 / left) if variance else math.inf
    half = stats.t.ppf((1 + COVER) / 2, df) * np.sqrt(variance + known)
    return float(half.min()), float(np.median(half)), float(half.max())


def _in_order(sheet: pd.DataFrame) -> pd.DataFrame:
    """Return the sheet with an order and patches, those it has or the rows' own."""
    sheet = sheet.copy()
    if "run_order" not in sheet.columns:
        sheet["run_order"] = np.arange(1, len(sheet) + 1)
    if "patch" not in sheet.columns:
        sheet["patch"] = sheet.groupby("panel").cumcount() + 1
    return sheet.sort_values("run_order")


def _positive(**counts: Any) -> None:
    wrong = [
        f"{name} is {value!r}; it must be a number above zero, or left out."
        for name, value in counts.items()
        if value is not None and not (is_number(value) and value > 0)
    ]
    if wrong:
        raise PlanError(wrong)


def _up(x: float) -> str:
    return show.number(x, toward="up") if math.isfinite(x) else "any"
