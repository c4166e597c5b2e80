"""What was predicted of one process, small enough to keep: `Forecast`.

A recipe carries the forecast of its own process, so that trials and jobs worked later can
be held against what was said before they were, without the model and its trials. It keeps
the model's draws for this one process on the scale of each response. Fitting does not
belong here, nor what is concluded from later trials (`confirmation.py`) or jobs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

from finishlab.model.all_goals import PatchCorrelation, all_met
from finishlab.model.assurance import job_probability, reading_intervals
from finishlab.model.latent import Predicted
from finishlab.model.response import scale_of
from finishlab.model.scales import CountScale, GlossScale, Scale
from finishlab.study import Condition, Job, Study

if TYPE_CHECKING:
    from finishlab.model import FinishModel

_DRAWN = ("mean", "sd_known", "sd_panel", "sd_section", "sd_meter", "ceiling")
#: Points over what is not known of the process, over a panel, and over a patch.
_KNOWN, _PANEL, _PATCH = 61, 41, 141
#: A likelihood below this of the highest is as good as none; keeps the logs finite.
_TINY = 1e-300


@dataclass(frozen=True, eq=False)
class Readings:
    """
    What was read of one response on patches worked by one process.

    Attributes
    ----------
    value : ndarray, shape (patches,)
        Mean of the patch's readings after the last step, in units of the meter.
    repeats : ndarray, shape (patches,)
        How many readings that mean holds.
    panel : ndarray, shape (patches,)
        Panel of each patch; patches of one panel share it.
    rows : tuple
        Index label of the trial of each patch, where they come from a table.
    """

    value: np.ndarray
    repeats: np.ndarray
    panel: np.ndarray
    rows: tuple[Any, ...] = ()


@dataclass(frozen=True, eq=False)
class ResponseForecast:
    """
    One response of one process; arrays have shape (draws,), every draw of equal weight.

    Attributes
    ----------
    name : str
        As ``gloss_20``.
    mean, sd_known : ndarray
        Mean of z, the scale of the fit, and how well it is known.
    sd_panel, sd_section : ndarray
        Spread of z from job to job, and from patch to patch of one panel.
    sd_meter : ndarray
        Spread of one meter reading, in units of the response.
    ceiling : ndarray
        Gloss of the perfectly smooth film, GU; NaN for other responses.
    failure_share : float
        Expected share of patches that fail outright.
    """

    name: str
    mean: np.ndarray
    sd_known: np.ndarray
    sd_panel: np.ndarray
    sd_section: np.ndarray
    sd_meter: np.ndarray
    ceiling: np.ndarray
    failure_share: float

    @property
    def scales(self) -> tuple[Scale, ...]:
        """The scale of each draw, from z to readings and back."""
        if self.name.startswith("gloss_"):
            return tuple(GlossScale(float(c)) for c in self.ceiling)
        return (scale_of(self.name, math.nan),) * len(self.mean)

    @property
    def predicted(self) -> Predicted:
        """The same as the model predicts it, for one process."""
        return Predicted(
            self.mean[:, None],
            self.sd_known[:, None],
            self.sd_panel,
            self.sd_section,
            self.sd_meter,
            self.scales,
        )

    def probability(self, condition: Condition, spots: int, job: Job) -> float:
        """Return the probability that the next job meets a condition."""
        p = float(job_probability(self.predicted, condition, spots, job)[0])
        return p * (1 - self.failure_share) ** job.sections

    def drawn(self, panel: np.ndarray, repeats: np.ndarray, draws: int, seed: int) -> np.ndarray:
        """
        Return readings as they may come out on patches of new panels, shape (draws, patches).

        Patches that fail outright are not among them.
        """
        rng = np.random.default_rng(seed)
        pick = rng.permutation(draws) % len(self.mean)
        of_panel = np.unique(panel, return_inverse=True)[1]
        z = self.mean[pick] + self.sd_known[pick] * rng.standard_normal(draws)
        luck = rng.standard_normal((draws, of_panel.max() + 1)) * self.sd_panel[pick, None]
        patch = rng.standard_normal((draws, len(panel))) * self.sd_section[pick, None]
        z_patch = z[:, None] + luck[:, of_panel] + patch
        out = np.empty_like(z_patch)
        for d, scale in enumerate(self.scales):
            out[pick == d] = scale.reading(z_patch[pick == d])
        if isinstance(self.scales[0], CountScale):
            return rng.poisson(out).astype(float)
        return out + rng.standard_normal(out.shape) * self.sd_meter[pick, None] / np.sqrt(repeats)

    def after(self, read: Readings) -> ResponseForecast:
        """
        Return the forecast once these readings are known, the trials before them included.

        For each draw the readings say what the process itself may be, by sums over a grid of
        it and of each panel's luck; draws then stand as often as they foretold the readings.
        """
        x = np.linspace(-6, 6, _KNOWN)
        prior = -(x**2) / 2
        means, sds, odds = np.empty_like(self.mean), np.empty_like(self.mean), np.empty_like(self.mean)
        for d, scale in enumerate(self.scales):
            z = self.mean[d] + self.sd_known[d] * x
            log = prior + self._log_likelihood(d, scale, z, read)
            top = log.max()
            weight = np.exp(log - top)
            odds[d] = top + np.log(weight.sum())
            weight /= weight.sum()
            means[d] = weight @ z
            sds[d] = math.sqrt(max(float(weight @ (z - means[d]) ** 2), 1e-12))
        share = np.exp(odds - odds.max())
        # Spread evenly over the shares rather than drawn: the same for the same readings.
        points = (np.arange(len(share)) + 0.5) / len(share)
        pick = np.minimum(np.searchsorted(np.cumsum(share / share.sum()), points), len(share) - 1)
        kept = {name: getattr(self, name)[pick] for name in _DRAWN}
        return replace(self, **{**kept, "mean": means[pick], "sd_known": sds[pick]})

    def _log_likelihood(self, d: int, scale: Scale, z: np.ndarray, read: Readings) -> np.ndarray:
        """Return the log likelihood of readings for each z of the process, shape of `z`."""
        v = np.linspace(-5, 5, _PANEL)
        share = np.exp(-(v**2) / 2)
        at = z[:, None] + self.sd_panel[d] * v
        sd = float(self.sd_section[d])
        # What a patch reads depends on z alone, smoothly over its own spread: a table will do.
        grid = np.arange(at.min() - sd / 8, at.max() + sd / 4, sd / 8)
        total = np.zeros(len(z))
        for panel in np.unique(read.panel):
            log = np.zeros(at.shape)
            for i in np.flatnonzero(read.panel == panel):
                meter = self.sd_meter[d] / math.sqrt(read.repeats[i])
                log += np.interp(at, grid, _log_density(float(read.value[i]), grid, sd, meter, scale))
            top = log.max()
            total += top + np.log(np.maximum(np.exp(log - top) @ (share / share.sum()), _TINY))
        return total

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain Python; None where a number is not known."""
        drawn = {k: [None if np.isnan(v) else float(v) for v in getattr(self, k)] for k in _DRAWN}
        return {"name": self.name, **drawn, "failure_share": self.failure_share}

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> ResponseForecast:
        """Make it again from what `to_dict` gave."""
        drawn = {k: np.array([math.nan if v is None else v for v in facts[k]], float) for k in _DRAWN}
        return cls(name=facts["name"], **drawn, failure_share=facts["failure_share"])


def _log_density(value: float, z: np.ndarray, sd: float, meter: float, scale: Scale) -> np.ndarray:
    """Return the log density of one patch's reading about each `z`, the patch's own luck summed over."""
    x = np.linspace(-7, 7, _PATCH)  # a patch may lie far off where the forecast is wrong
    w = np.exp(-(x**2) / 2)
    at = z[:, None] + sd * x
    reading = scale.reading(at)
    if isinstance(scale, CountScale):
        log = special.xlogy(value, reading) - reading - special.gammaln(value + 1)
    else:
        # A meter finer than the points are apart would fall between them.
        noise = np.maximum(meter, sd * (x[1] - x[0]) * np.abs(scale.slope(at)))
        log = -(((value - reading) / noise) ** 2) / 2 - np.log(noise)
    top = log.max(axis=1)
    return np.asarray(top + np.log(np.exp(log - top[:, None]) @ (w / w.sum())))


@dataclass(frozen=True, eq=False)
class Forecast:
    """
    What was predicted of the process of a recipe, before any trial or job that came after.

    Attributes
    ----------
    settings : dict
        Factor -> setting of the process.
    goal : dict of response -> Condition
    job : Job
    spots : int
        Readings averaged in each section.
    responses : tuple of ResponseForecast
        One for each response of the goal.
    panels : tuple of str
        Panels of the trials it was made from.
    correlations : dict of (response, response) -> PatchCorrelation
        How two responses of one patch go together.

    Examples
    --------
    >>> forecast = recipe.forecast
    >>> abs(forecast.probability() - recipe.assurance) < 1e-9
    True

    Kept and brought back, it says the same of another question:

    >>> again = Forecast.from_dict(forecast.to_dict())
    >>> lower = bench.study.asked({"gloss_20": {"at_least": 60}})[0]
    >>> again.probability(lower) == forecast.probability(lower) > forecast.probability()
    True
    """

    settings: dict[str, Any]
    goal: dict[str, Condition]
    job: Job
    spots: int
    responses: tuple[ResponseForecast, ...]
    panels: tuple[str, ...]
    correlations: dict[tuple[str, str], PatchCorrelation] = field(default_factory=dict)

    def response(self, name: str) -> ResponseForecast:
        """Return the forecast of one response; KeyError where it was not in the goal."""
        return {r.name: r for r in self.responses}[name]

    def probability(self, goal: Mapping[str, Condition] | None = None, job: Job | None = None) -> float:
        """Return the probability that the next job meets every condition, as `FinishModel.probability` does."""
        given = self.goal if goal is None else goal
        if unknown := [n for n in given if n not in self.goal]:
            raise KeyError(unknown[0])
        # In the order of the recipe's own goal, which the correlations are in.
        some = [r for r in self.responses if r.name in given]
        asked = {r.name: given[r.name] for r in some}
        chances = np.array([[r.probability(asked[r.name], self.spots, job or self.job)] for r in some])
        return float(all_met(asked, chances, [r.predicted for r in some], self.correlations, self.spots)[0])

    def intervals(self, spots: int | None = None) -> dict[str, float]:
        """Return typical readings and their 90 % intervals, named as `FinishModel.predict` names them."""
        out: dict[str, float] = {}
        for r in self.responses:
            found = reading_intervals(r.predicted, self.spots if spots is None else spots)
            out |= {r.name if k == "value" else f"{r.name}_{k}": float(v[0]) for k, v in found.items()}
        return out

    def after(self, readings: Mapping[str, Readings]) -> Forecast:
        """Return the forecast once readings of further trials of the process are known."""
        seen = {n: r for n, r in readings.items() if len(r.value)}
        panels = {str(p) for r in seen.values() for p in r.panel}
        return replace(
            self,
            responses=tuple(r.after(seen[r.name]) if r.name in seen else r for r in self.responses),
            panels=tuple(dict.fromkeys([*self.panels, *sorted(panels)])),
        )

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision; `from_dict` brings it back."""
        return {
            "settings": dict(self.settings),
            "goal": {name: c.to_dict() for name, c in self.goal.items()},
            "sections": self.job.sections,
            "accept": self.job.accept,
            "film_before_um": self.job.film_before_um,
            "spots": self.spots,
            "responses": [r.to_dict() for r in self.responses],
            "panels": list(self.panels),
            "correlations": [
                {"of": list(pair), "middle": c.middle, "sd": c.sd, "patches": c.patches}
                for pair, c in self.correlations.items()
            ],
        }

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> Forecast:
        """Make the forecast again from what `to_dict` gave."""
        return cls(
            settings=dict(facts["settings"]),
            goal={name: Condition.from_dict(c) for name, c in facts["goal"].items()},
            job=Job(facts["sections"], facts["accept"], facts["film_before_um"]),
            spots=facts["spots"],
            responses=tuple(ResponseForecast.from_dict(r) for r in facts["responses"]),
            panels=tuple(facts["panels"]),
            correlations={
                (c["of"][0], c["of"][1]): PatchCorrelation(c["middle"], c["sd"], c["patches"])
                for c in facts["correlations"]
            },
        )


def forecast_of(model: FinishModel, values: np.ndarray, goal: Mapping[str, Condition]) -> Forecast:
    """
    Return the forecast of one process.

    Parameters
    ----------
    model : FinishModel
    values : ndarray, shape (1, factors)
        The process, as `Basis.values`.
    goal : mapping of response -> Condition
    """
    study: Study = model.study
    responses = []
    for name in goal:
        fitted = model.response(name)
        p = fitted.predicted(values)
        responses.append(
            ResponseForecast(
                name=name,
                mean=p.mean[:, 0],
                sd_known=p.sd_known[:, 0],
                sd_panel=p.sd_panel,
                sd_section=p.sd_section,
                sd_meter=p.sd_meter,
                ceiling=np.array([getattr(s, "ceiling", math.nan) for s in p.scales], float),
                failure_share=fitted.failure_share,
            )
        )
    return Forecast(
        settings=study.basis.settings(values[0]),
        goal=dict(goal),
        job=study.job,
        spots=study.reading.spots,
        responses=tuple(responses),
        panels=tuple(dict.fromkeys(model.done["panel"].astype(str))),
        correlations=model.correlations(goal),
    )
