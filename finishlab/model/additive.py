"""Quantities that add up over the steps: working minutes, and film removed.

Each step adds a set-up part and a part for each pass that depends on its settings. Panels
are random effects by REML, the rest least squares (`mixed/`). Readings of the finish are
not additive and do not belong here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from finishlab.errors import ModelError
from finishlab.statistics import DRAWS, Mixture, PanelFit, fit_panels
from finishlab.study import Step
from finishlab.study.basis import Basis

#: Turns between the fit and what may lie beyond a bound.
_BEYOND_ROUNDS = 20


@dataclass(frozen=True, eq=False)
class _Part:
    """
    One fitted sum over some steps.

    `richness` as for `_columns`; `kept` are the columns that the trials could tell apart;
    `relative` says whether the scatter grows with the size.
    """

    basis: Basis
    steps: tuple[Step, ...]
    richness: int
    kept: np.ndarray
    fit: PanelFit
    relative: bool

    def matrix(self, values: np.ndarray) -> np.ndarray:
        """Return the model matrix of processes."""
        return _columns(self.basis, self.steps, values, self.richness)[:, self.kept]

    def size(self, matrix: np.ndarray) -> np.ndarray:
        """Return what the scatter is in proportion to: the amount itself, or whether anything was worked."""
        return np.maximum(matrix @ self.fit.coef, 0.0) if self.relative else _worked(matrix)


@dataclass(frozen=True, eq=False)
class Additive:
    """
    A fitted additive quantity of processes.

    Methods give the mean, what the next section on a new panel takes, and differences.
    """

    basis: Basis
    parts: tuple[_Part, ...]
    cautions: tuple[str, ...]

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Return the expected amount of each process, shape (rows,); never below 0."""
        sizes = (np.maximum(part.matrix(values) @ part.fit.coef, 0.0) for part in self.parts)
        return sum(sizes, np.zeros(len(values)))

    def next_section(self, values: np.ndarray, sections: int = 1) -> Mixture:
        """Return what the next section takes, or so many on average, on one panel that was not in the trials."""
        mean, known, panel, own = (np.zeros((DRAWS, len(values))) for _ in range(4))
        df = np.inf
        for i, part in enumerate(self.parts):
            matrix = part.matrix(values)
            size = part.size(matrix)
            # What one part's draws say of its panels says nothing of another's.
            pick = np.random.default_rng(i).permutation(DRAWS) % len(part.fit.drawn_panel)
            drawn_mean, drawn_known = part.fit.drawn(matrix)
            mean += np.maximum(drawn_mean[pick], 0.0)
            known += drawn_known[pick] ** 2
            panel += part.fit.drawn_panel[pick, None] * size  # one panel's luck is shared by its steps
            own += (part.fit.drawn_residual[pick, None] * size) ** 2 / sections
            df = min(df, part.fit.df_resid)
        # A process of left-out steps alone takes nothing, for certain.
        return Mixture(mean, np.sqrt(np.maximum(known + panel**2 + own, 1e-18)), df)

    def drawn_sections(
        self, values: np.ndarray, sections: int, draws: int, rng: np.random.Generator
    ) -> np.ndarray:
        """
        Draw what the sections of a job take, all on one panel that was not in the trials.

        Parameters
        ----------
        values : ndarray, shape (1, factors)

        Returns
        -------
        ndarray, shape (draws, sections), never below 0
        """
        total = np.zeros((draws, sections))
        # Spreads known from few trials have Student's tails, as in `next_section`.
        df = min(part.fit.df_resid for part in self.parts)
        wide = np.sqrt(df / rng.chisquare(df, draws))
        for part in self.parts:
            matrix = part.matrix(values)
            size = float(part.size(matrix)[0])
            mean, known = (a[:, 0] for a in part.fit.drawn(matrix))
            pick = rng.integers(len(mean), size=draws)
            job = known[pick] * rng.standard_normal(draws)
            job += part.fit.drawn_panel[pick] * size * rng.standard_normal(draws)
            own = part.fit.drawn_residual[pick, None] * size * rng.standard_normal((draws, sections))
            total += mean[pick, None] + wide[:, None] * (job[:, None] + own)
        return np.maximum(total, 0.0)

    def interval(self, values: np.ndarray, sections: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return mean and the interval that holds the next section's value, or the average of so many, with 90 %."""
        section = self.next_section(values, sections)
        low, high = section.quantile(0.05), section.quantile(0.95)
        return self.mean(values), np.maximum(low, 0.0), np.maximum(high, 0.0)

    def by_step(self, values: np.ndarray) -> dict[str, np.ndarray]:
        """Return the mean share of each step that was fitted by itself, shape (rows,)."""
        out = {}
        for part in self.parts:
            if len(part.steps) == 1 and len(self.parts) > 1:
                mean = np.maximum(part.matrix(values) @ part.fit.coef, 0.0)
                out[part.steps[0].name] = np.where(_present(part.steps[0], self.basis, values), mean, 0.0)
        return out

    def difference(self, a: np.ndarray, b: np.ndarray, cover: float = 0.9) -> tuple[float, float, float]:
        """
        Return how much more the processes `a` take than their partners `b` on average, and its interval.

        What both have in common cancels, so the interval covers the difference of the two
        averages, not of two single sections.
        """
        mean, variance, df = 0.0, 0.0, np.inf
        for part in self.parts:
            m, se = part.fit.predict((part.matrix(a) - part.matrix(b)).mean(axis=0, keepdims=True))
            mean, variance, df = mean + float(m[0]), variance + float(se[0]) ** 2, min(df, part.fit.df_resid)
        reach = float(stats.t.ppf(0.5 + cover / 2, df) * np.sqrt(variance))
        return mean, mean - reach, mean + reach


def _columns(basis: Basis, steps: tuple[Step, ...], values: np.ndarray, richness: int) -> np.ndarray:
    """
    Return the possible columns of some steps: for each, set-up, passes, and passes by setting.

    `richness` 2 has passes by setting, 1 passes only, 0 the set-up alone. A column that
    cannot vary over the study is left out, as is a second constant.
    """
    coded = dict(zip(basis.names, basis.coded(values), strict=True))
    columns: list[np.ndarray] = []
    constant = False
    for step in steps:
        amount = step.amount
        varies = amount is not None and not amount.held
        n = values[:, basis.column(amount.factor)] if varies and amount is not None else np.ones(len(values))
        top = max(amount.levels) if varies and amount is not None else 1.0
        present = (n > 0).astype(float)
        if step.can_be_left_out and varies:
            columns.append(present)
        elif not constant:
            columns.append(np.ones(len(values)))
            constant = True
        if varies and richness >= 1 and len([v for v in amount.levels if v > 0]) > 1:  # type: ignore[union-attr]
            columns.append(n / top)
        if richness >= 2:
            for s in step.settings:
                if not s.held and s is not amount:
                    block = coded[s.factor] * (n / top)[:, None]
                    columns.extend(block.T)
    return np.column_stack(columns) if columns else np.ones((len(values), 1))


def _worked(matrix: np.ndarray) -> np.ndarray:
    """Return 1 for processes that work any of the steps, 0 for those that leave them all out."""
    return (np.abs(matrix).sum(axis=1) > 0).astype(float)


def _independent(matrix: np.ndarray) -> np.ndarray:
    """Return the columns that say something the ones before them do not."""
    kept: list[int] = []
    for j in range(matrix.shape[1]):
        if np.linalg.matrix_rank(matrix[:, [*kept, j]]) > len(kept):
            kept.append(j)
    return np.array(kept, int)


def _fit_part(
    basis: Basis,
    steps: tuple[Step, ...],
    values: np.ndarray,
    y: np.ndarray,
    panels: np.ndarray,
    relative: bool,
) -> _Part | None:
    """Fit the richest set of terms that the trials can tell apart with three to spare."""
    for richness in (2, 1, 0):
        every = _columns(basis, steps, values, richness)
        kept = _independent(every)
        # Settings that moved together must not pass for one of them; set-up and passes may.
        if len(y) < len(kept) + 3 or (richness == 2 and len(kept) < every.shape[1]):
            continue
        matrix = every[:, kept]
        fit = fit_panels(matrix, y, panels)
        for _ in range(2 if relative else 0):
            # Times scatter in proportion to their length.
            size = np.maximum(matrix @ fit.coef, 0.05 * np.abs(y).mean() + 1e-9)
            fit = fit_panels(matrix / size[:, None], y / size, panels)
        return _Part(basis, steps, richness, kept, fit, relative)
    return None


def fit_additive(
    basis: Basis,
    values: np.ndarray,
    total: np.ndarray,
    by_step: dict[str, np.ndarray],
    panels: np.ndarray,
    *,
    relative: bool,
    what: str,
    at_least: np.ndarray | None = None,
) -> Additive:
    """
    Fit a quantity that adds up over the steps.

    Parameters
    ----------
    values : ndarray, shape (trials, factors)
    total : ndarray, shape (trials,)
    by_step : dict of step name -> ndarray, shape (trials,)
        The share of each step where it was logged; steps in it are fitted one by one and
        the rest of the total together. NaN where a step was not logged or left out.
    panels : ndarray, shape (trials,)
    relative : bool
        True when the scatter grows with the size (times), False when it does not (film).
    what : str
        For messages.
    at_least : ndarray of bool, shape (trials,), optional
        Trials whose total is known only to be at least as much, as the film lost in a
        burn-through. They count with what they may well have been beyond that bound.

    Raises
    ------
    ModelError
        Too few trials even for a mean.

    Examples
    --------
    One step, a minute of set-up and half a minute a pass:

    >>> from finishlab import Study
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction"
    ... [[step]]
    ... name = "cut"
    ... passes = { lowest = 0, highest = 6 }
    ... [goal]
    ... faults = { at_most = 0 }
    ... assurance = 0.9
    ... ''')
    >>> passes = np.array([[1.0], [2], [3], [4], [5], [6]])
    >>> minutes = 1 + 0.5 * passes[:, 0]
    >>> panels = np.array([1, 1, 1, 2, 2, 2])
    >>> model = fit_additive(study.basis, passes, minutes, {}, panels, relative=True, what="minutes")
    >>> model.mean(np.array([[4.0]])).round(6).tolist()
    [3.0]

    The step left out takes nothing:

    >>> model.mean(np.array([[0.0]])).tolist()
    [0.0]
    """
    if at_least is not None and at_least.any():
        total = _beyond_bounds(basis, values, total, panels, at_least, what)
    study = basis.study
    cautions: list[str] = []
    parts: list[_Part] = []
    rest_steps = tuple(study.steps)
    rest = np.asarray(total, float)
    logged = {k: v for k, v in by_step.items() if _complete(study.step(k), basis, values, v)}
    if logged:
        rest_steps = tuple(s for s in study.steps if s.name not in logged)
        rest = rest - sum(np.nan_to_num(v) for v in logged.values())
        for name, v in logged.items():
            step = study.step(name)
            worked = _present(step, basis, values)
            part = _fit_part(basis, (step,), values[worked], v[worked], panels[worked], relative)
            if part is None:
                return fit_additive(basis, values, total, {}, panels, relative=relative, what=what)
            parts.append(part)
    if rest_steps or np.abs(rest).max(initial=0) > 1e-6:
        part = _fit_part(basis, rest_steps, values, rest, panels, relative and not logged)
        if part is None:
            raise ModelError(
                f"{len(total)} trials are too few to say what {what} a process takes. Add trials."
            )
        parts.append(part)
    if len(total) > 1 and np.ptp(total) == 0:
        cautions.append(
            f"All {len(total)} trials say the same {what}, {total[0]:g}: whether settings change the {what} cannot be told. "
            "Look whether it was measured on every trial."
        )
    elif any(p.richness < 2 for p in parts):
        cautions.append(
            f"The trials are too few or too alike to tell how each setting changes the {what}; "
            "an average over settings stands in. More varied trials would mend it."
        )
    return Additive(basis, tuple(parts), tuple(cautions))


def _beyond_bounds(
    basis: Basis, values: np.ndarray, total: np.ndarray, panels: np.ndarray, at_least: np.ndarray, what: str
) -> np.ndarray:
    """
    Return the totals with bounds replaced by values beyond them, spread as they would be.

    Data augmentation by turns with the fit, a normal value cut off below (Tanner & Wong 1987,
    J. Am. Stat. Assoc. 82, 528, from memory); evenly spread chances in place of random ones.
    A mean beyond the bound alone would make the scatter, and with it a limit, look smaller.
    """
    filled, bound = np.array(total, float), np.asarray(total, float)[at_least]
    chance = (np.random.default_rng(0).permutation(len(bound)) + 0.5) / len(bound)
    for _ in range(_BEYOND_ROUNDS):
        fitted = fit_additive(basis, values, filled, {}, panels, relative=False, what=what)
        mean = fitted.mean(values[at_least])
        sd = max(float(np.hypot(fitted.parts[0].fit.residual_sd, fitted.parts[0].fit.panel_sd)), 1e-9)
        share = stats.norm.sf((bound - mean) / sd)  # of such removals lie beyond the bound
        beyond = np.maximum(mean + sd * stats.norm.isf(np.maximum(share, 1e-300) * chance), bound)
        moved = np.abs(beyond - filled[at_least]).max()
        filled[at_least] = beyond
        if moved < 1e-3 * sd:
            break
    return filled


def _present(step: Step, basis: Basis, values: np.ndarray) -> np.ndarray:
    if not step.can_be_left_out or step.amount is None or step.amount.held:
        return np.ones(len(values), bool)
    return values[:, basis.column(step.amount.factor)] > 0


def _complete(step: Step, basis: Basis, values: np.ndarray, logged: np.ndarray) -> bool:
    """Return whether a step's share was logged on every trial that worked it."""
    return bool(np.isfinite(logged[_present(step, basis, values)]).all())
