"""The step model: ln roughness followed through the process, one curve a step.

A step moves the surface from where the step before left it toward the floor of its grit,
pad and product. On the scale r^c, r the roughness, the way still to go shrinks with the
passes n as (1 + (k n)^m / t)^(-t): near exponential decay for a large t, a power law for a
small one, slow to start for m above 1. c says on which scale the step works: 1 roughness
itself, 2 its square (scatter), near 0 its logarithm. Floors and rates are small additive
models on the log scale.
Every prior is stated in `PRIORS`, wide, and centred on planning guesses of the trade; the
shop's own readings outrank them. Fitting is `latent.py`'s.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np

from finishlab.model.latent import Rows, Spread
from finishlab.model.surface import Likeness
from finishlab.study import Setting, Step
from finishlab.study.basis import Basis
from finishlab.trade import abrasives, optics


@dataclass(frozen=True)
class Priors:
    """
    Centres and spreads of the step model's parameters, all on natural-log scales.

    Shares of the ceiling at which surfaces read are planning guesses (common practice, no
    source): fresh clear 0.977, P1500 0.03, P3000 0.33, after compounding 0.88, after the
    last polish 0.985. A spread of 0.5 is a factor of 1.65 either way.
    """

    fresh_share: float = 0.977
    fresh_sd: float = 0.6
    p1500_share: float = 0.03
    p3000_share: float = 0.33
    sand_floor_sd: float = 0.4
    first_pad_share: float = 0.88
    last_pad_share: float = 0.985
    pad_floor_sd: float = 0.6
    level_floor_sd: float = 0.35  # one pad or product against another
    pair_floor_sd: float = 0.15  # what a pad does with one product and not another
    rate: float = 0.5  # share of the way to the floor in the first pass, about
    rate_sd: float = 0.7
    level_rate_sd: float = 0.35
    pair_rate_sd: float = 0.15
    before_sd: float = 0.15  # what a grit or pad of a step before leaves for this one to do
    slope_sd: float = 0.3  # of speed and other numbers over their studied range
    shape: float = 1.8  # ln t
    shape_sd: float = 1.2
    start: float = 0.0  # ln m
    start_sd: float = 0.25
    power: float = 0.0  # ln c
    power_sd: float = 0.5


PRIORS = Priors()
#: What the curves miss in z after the last step and before, and the SD of its log.
MISSES = (Spread("final", 0.06, 0.7), Spread("earlier", 0.08, 0.8))
#: Seconds of work that count as one pass when a step is set in seconds (common practice, no source).
_SECONDS_A_PASS = 45.0


def _z(share: float) -> float:
    return float(optics.log_roughness(share))


@dataclass(frozen=True, eq=False)
class _StepPlan:
    """Where a step's parameters stand in theta and how its settings enter."""

    floor: slice
    rate: slice
    bends: slice  # ln t, ln m, ln c
    settings: tuple[Setting, ...]
    pairs: tuple[tuple[Setting, Setting], ...]
    before: tuple[Setting, ...]  # choices of the steps before


class StepCurve:
    """
    z after each step of a study's processes.

    Parameters
    ----------
    basis : Basis
    priors : Priors, optional
        The state before work is the mean and spread of the starts where these were read.
    """

    def __init__(self, basis: Basis, priors: Priors = PRIORS) -> None:
        self._basis, self._priors = basis, priors
        self._likeness = Likeness(basis)
        means, sds = [_z(priors.fresh_share)], [priors.fresh_sd]
        self.names = ["fresh"]
        self._plans: list[_StepPlan] = []
        pad_steps = [s for s in basis.study.steps if s.setting("grit") is None]
        for step in basis.study.steps:
            self._plans.append(self._plan(step, pad_steps, means, sds))
        self.prior_mean, self.prior_sd = np.array(means), np.array(sds)
        self.misses = MISSES

    def _plan(self, step: Step, pad_steps: list[Step], means: list[float], sds: list[float]) -> _StepPlan:
        p = self._priors
        settings = tuple(s for s in step.settings if s is not step.amount and not s.held)
        choices = [s for s in settings if not s.numeric]
        pairs = tuple((a, b) for i, a in enumerate(choices) for b in choices[i + 1 :])
        position = self._basis.study.steps.index(step)
        before = tuple(
            s for e in self._basis.study.steps[:position] for s in e.settings if not s.held and not s.numeric
        )
        centre, sd = self._floor_centre(step, pad_steps)

        def add(name: str, mean: float, spread: float) -> None:
            self.names.append(f"{step.name} {name}")
            means.append(mean)
            sds.append(spread)

        def add_block(what: str, base: float, base_sd: float, level_sd: float, pair_sd: float) -> slice:
            start = len(means)
            add(what, base, base_sd)
            for s in settings:
                if s.numeric:
                    add(f"{what} {s.name}", 0.0, p.slope_sd)
                else:
                    offsets = self._grit_offsets(s, base) if what == "floor" else [0.0] * len(s.levels)
                    for level, offset in zip(s.levels, offsets, strict=True):
                        add(f"{what} {level}", offset, level_sd)
            for s in before:
                for level in s.levels:
                    add(f"{what} after {s.step} {level}", 0.0, p.before_sd)
            for a, b in pairs:
                for x in a.levels:
                    for y in b.levels:
                        add(f"{what} {x} {y}", 0.0, pair_sd)
            return slice(start, len(means))

        floor = add_block("floor", centre, sd, p.level_floor_sd, p.pair_floor_sd)
        rate = add_block("rate", float(np.log(p.rate)), p.rate_sd, p.level_rate_sd, p.pair_rate_sd)
        add("shape", p.shape, p.shape_sd)
        add("start", p.start, p.start_sd)
        add("power", p.power, p.power_sd)
        return _StepPlan(floor, rate, slice(len(means) - 3, len(means)), settings, pairs, before)

    def _floor_centre(self, step: Step, pad_steps: list[Step]) -> tuple[float, float]:
        p = self._priors
        grit = step.setting("grit")
        if grit is not None:
            return float(np.mean([self._grit_z(level) for level in grit.levels])), p.sand_floor_sd
        position = pad_steps.index(step) / max(len(pad_steps) - 1, 1) if len(pad_steps) > 1 else 1.0
        first, last = _z(p.first_pad_share), _z(p.last_pad_share)
        return first + position * (last - first), p.pad_floor_sd

    def _grit_z(self, level: str) -> float:
        """Return z of a surface sanded with a grade: P grades by number, others in the middle."""
        p, grade = self._priors, abrasives.grade(level)
        low, high = _z(p.p1500_share), _z(p.p3000_share)
        if grade.system != "P":
            return (low + high) / 2
        return low + (high - low) * float(np.log(int(grade.name.removeprefix("P")) / 1500) / np.log(2))

    def _grit_offsets(self, setting: Setting, base: float) -> list[float]:
        if setting.name != "grit":
            return [0.0] * len(setting.levels)
        return [self._grit_z(level) - base for level in setting.levels]

    def _block(self, plan: _StepPlan, values: np.ndarray) -> np.ndarray:
        """Return the design rows of a floor or rate: 1, each setting, choices before, each pair."""
        n = len(values)
        columns = [np.ones((n, 1))]
        hot: dict[str, np.ndarray] = {}
        for s in plan.settings:
            v = values[:, self._basis.column(s.factor)]
            if s.numeric:
                x = (2 * v - s.levels[0] - s.levels[-1]) / (s.levels[-1] - s.levels[0])
                columns.append(np.nan_to_num(x)[:, None])
            else:
                hot[s.factor] = (v[:, None] == np.arange(len(s.levels))).astype(float)
                columns.append(hot[s.factor])
        for s in plan.before:
            v = values[:, self._basis.column(s.factor)]
            columns.append((v[:, None] == np.arange(len(s.levels))).astype(float))
        for a, b in plan.pairs:
            columns.append((hot[a.factor][:, :, None] * hot[b.factor][:, None, :]).reshape(n, -1))
        return np.hstack(columns)

    def choices(self, step: Step) -> tuple[list[dict[str, Any]], np.ndarray]:
        """
        Return each combination of a step's choices, and its row in the step's floor and rate.

        Numbers are at the middle of their range; what the choices of earlier steps leave for
        this one to do is averaged over them.
        """
        plan = self._plans[self._basis.study.steps.index(step)]
        named = [s for s in plan.settings if not s.numeric]
        combinations = [
            dict(zip([s.factor for s in named], levels, strict=True))
            for levels in itertools.product(*(s.levels for s in named))
        ]
        values = np.full((len(combinations), len(self._basis.factors)), np.nan)
        for s in plan.settings:
            at = self._basis.column(s.factor)
            if s.numeric:
                values[:, at] = (s.levels[0] + s.levels[-1]) / 2
            else:
                values[:, at] = [s.levels.index(c[s.factor]) for c in combinations]
        rows = self._block(plan, values)
        first = 1 + sum(1 if s.numeric else len(s.levels) for s in plan.settings)
        for s in plan.before:
            rows[:, first : first + len(s.levels)] = 1 / len(s.levels)
            first += len(s.levels)
        return combinations, rows

    def constants(self, theta: np.ndarray, step: Step) -> tuple[np.ndarray, np.ndarray]:
        """
        Return what a step's curve means to the trade, for each combination of `choices`.

        Parameters
        ----------
        theta : ndarray, shape (draws, parameters)
        step : Step

        Returns
        -------
        floor : ndarray, shape (draws, combinations)
            z that the step levels off at.
        halving : ndarray, shape (draws, combinations)
            Passes (or seconds) after which half of what is above the floor is left.
        """
        plan = self._plans[self._basis.study.steps.index(step)]
        _, rows = self.choices(step)
        t, m, _ = np.exp(theta[:, plan.bends]).T
        # (1 + (k n)^m / t)^(-t) = 1/2
        log_n = np.log(t * np.expm1(np.log(2) / t)) / m
        unit = _SECONDS_A_PASS if step.amount is not None and step.amount.name == "seconds" else 1.0
        halving = np.exp(log_n[:, None] - theta[:, plan.rate] @ rows.T)
        return theta[:, plan.floor] @ rows.T, unit * halving

    def curve(self, theta: np.ndarray, rows: Rows) -> tuple[np.ndarray, np.ndarray]:
        """Return z after each row's step, and its derivatives by the parameters."""
        n = len(rows)
        read = np.zeros(n, bool) if rows.start is None else np.isfinite(rows.start)
        z = np.full(n, theta[0]) if rows.start is None else np.where(read, rows.start, theta[0])
        jacobian = np.zeros((n, len(theta)))
        jacobian[:, 0] = ~read
        for index, (step, plan) in enumerate(zip(self._basis.study.steps, self._plans, strict=True)):
            amount = self._amount(step, rows.values)
            go = np.flatnonzero((rows.step >= index) & (amount > 0))
            if not len(go):
                continue
            x = self._block(plan, rows.values[go])
            z[go], jacobian[go] = _after(z[go], jacobian[go], amount[go], x, theta, plan)
        return z, jacobian

    def _amount(self, step: Step, values: np.ndarray) -> np.ndarray:
        if step.amount is None:
            return np.ones(len(values))
        unit = _SECONDS_A_PASS if step.amount.name == "seconds" else 1.0
        if step.amount.held:
            return np.full(len(values), step.amount.levels[0] / unit)
        return values[:, self._basis.column(step.amount.factor)] / unit

    def likeness(self, a: Rows, b: Rows) -> list[np.ndarray]:
        """Return how alike rows are in what the curves miss: after the last step, and before."""
        return [self._likeness.final(a, b), self._likeness.earlier(a, b)]

    def own(self, rows: Rows) -> list[np.ndarray]:
        """Return each row's likeness with itself."""
        return self._likeness.own(rows)


def _after(
    z: np.ndarray, jacobian: np.ndarray, n: np.ndarray, x: np.ndarray, theta: np.ndarray, plan: _StepPlan
) -> tuple[np.ndarray, np.ndarray]:
    """Return z after a step worked `n` passes from `z`, and its derivatives."""
    floor, log_rate = x @ theta[plan.floor], x @ theta[plan.rate]
    t, m, c = np.exp(theta[plan.bends])
    log_n = log_rate + np.log(n)
    u = np.exp(np.minimum(m * log_n, 30.0))
    log_term = np.log1p(u / t)
    g = np.exp(-t * log_term)
    # Differences of r^c about the rougher of the two keep the exponentials small.
    top = np.maximum(z, floor)
    before, level = np.exp(c * (z - top)), np.exp(c * (floor - top))
    mix = level + (before - level) * g
    log_mix = np.log(mix)
    by_g = (before - level) / (c * mix)
    d_log_u = -g * u / (1 + u / t) * by_g
    j = jacobian * (g * before / mix)[:, None]
    j[:, plan.floor] += ((1 - g) * level / mix)[:, None] * x
    j[:, plan.rate] += (d_log_u * m)[:, None] * x
    j[:, plan.bends.start] += by_g * g * t * (u / t / (1 + u / t) - log_term)
    j[:, plan.bends.start + 1] += d_log_u * m * log_n
    weighted = ((1 - g) * (floor - top) * level + g * (z - top) * before) / mix
    j[:, plan.bends.start + 2] += weighted - log_mix / c
    return top + log_mix / c, j
