"""What one response's fit takes in: patch means, and what readings have in common.

Readings of the response after each step, readings at 60 degrees where 20 degrees say
nothing, the state before work, half panels, technicians and lots, a meter study, and
trials of an earlier study come together here. What curve they follow is not known here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy import stats

from finishlab.errors import ModelError
from finishlab.model.latent import Observed, Rows
from finishlab.model.pooling import WEIGHT, Earlier, off_by
from finishlab.model.readings import PatchMeans, counted_trials, fitted_readings, is_computed, patch_means
from finishlab.model.surface import Likeness
from finishlab.model.trial_groups import shared_by
from finishlab.study import RESPONSES
from finishlab.trade import optics

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

#: A 20-degree reading below this is near the floor of the meter: readings at 60 degrees
#: then say more (common practice, no source).
_FLOOR_GU = 2.0
#: What the optical tie of 60 to 20 degrees may be off by in ln roughness: from surface to
#: surface, and from patch to patch (common practice, no source; method of the study).
TIE_SLACK, _PATCH_SLACK = 0.2, 0.05
#: State before work: the share of the ceiling beyond which a reading says only "smooth".
_SMOOTHEST = 0.99
#: A meter study stands for the trials' repeats unless these scatter more at this odds.
_DISAGREES = 0.01


class MeterSpread(Protocol):
    """
    What a meter study hands over: the scatter of repeats about what they repeat.

    Attributes
    ----------
    meter_ss : float
        Sum of squares of repeat readings about their means, in squared units of the response.
    meter_df : float
        Its degrees of freedom.
    """

    @property
    def meter_ss(self) -> float: ...

    @property
    def meter_df(self) -> float: ...


@dataclass(frozen=True, eq=False)
class Seen:
    """
    Everything that was read for one response.

    Attributes
    ----------
    observed : Observed
        Readings of the present trials first, those of an earlier study after them.
    row : ndarray
        Index label of the trial of each present reading; shorter than `observed` where
        earlier readings follow.
    cautions : tuple of str
    """

    observed: Observed
    row: np.ndarray
    cautions: tuple[str, ...]


def observe(
    trials: pd.DataFrame,
    study: Study,
    response: str,
    *,
    every_step: bool,
    panel_spread: float = 0.04,
    meter: MeterSpread | None = None,
    earlier: Earlier | None = None,
) -> Seen:
    """
    Return what was read of a response, for the fit.

    Parameters
    ----------
    trials : DataFrame
    study : Study
    response : str
    every_step : bool
        Readings after earlier steps and the state before work too, for a curve that follows them.
    panel_spread : float
        Prior median of the panels' spread of z, in whose terms other spreads are stated.
    meter : MeterSpread, optional
    earlier : Earlier, optional

    Returns
    -------
    Seen

    Raises
    ------
    ModelError
        No trial has that response.
    """
    done = counted_trials(trials)
    means, tied, cautions = _means(done, study, response, every_step)
    if means is None:
        how = (
            ", which is 60° less 20° gloss by ASTM D4039 and needs more than 70 GU at 60°. Read both angles"
            if is_computed(study, response)
            else ". Read it"
        )
        raise ModelError(f"no done trial has {response}{how} on every patch, or ask for a goal without it.")
    ss, df, told = _meter(means, meter, response)
    if is_computed(study, response) and (count := len(set(means.row))) < len(done):
        told += (
            f"Haze by ASTM D4039 rests on the {count} of {len(done)} trials that read more than 70 GU at 60°; the others "
            "say nothing of it.",
        )
    table, is_earlier = done, np.zeros(len(means.y), bool)
    row, place = means.row, _places(done, means.row)
    if earlier is not None:
        old, old_tied, _ = _means(earlier.trials, study, response, every_step)
        if old is None:
            told += (
                f"The earlier trials have no {RESPONSES[response][0]}; it rests on the present ones alone.",
            )
        else:
            table = _both(done, earlier.trials)
            place = np.concatenate([place, len(done) + _places(earlier.trials, old.row)])
            is_earlier = np.repeat([False, True], [len(means.y), len(old.y)])
            means, tied = _joined(means, old), np.concatenate([tied, old_tied])
    start = _starts(table)[place] if every_step else np.empty(0)
    rows = Rows(study.basis.values(table)[place], means.step, start if np.isfinite(start).any() else None)
    shared = shared_by(table, place, panel_spread)
    if is_earlier.any():
        # The next job falls to the crew and lots of now.
        now = ~is_earlier
        shared = tuple(replace(s, members=s.members[:, s.members[now].any(axis=0)]) for s in shared)
        shared += (off_by(study, rows, is_earlier, panel_spread),)
    observed = Observed(
        rows=rows,
        y=means.y,
        repeats=means.repeats,
        panel=np.unique(table["panel"].astype(str).to_numpy(), return_inverse=True)[1][place],
        trial=place,
        meter_ss=ss,
        meter_df=df,
        shared=shared,
        tied=tied if tied.any() else None,
        slack=_slack(study, rows, tied) if tied.any() else None,
        weight=np.where(is_earlier, WEIGHT, 1.0) if is_earlier.any() else None,
    )
    return Seen(observed, row, (*cautions, *told))


def _means(
    done: pd.DataFrame, study: Study, response: str, every_step: bool
) -> tuple[PatchMeans | None, np.ndarray, tuple[str, ...]]:
    """Return patch means, which of them were read at another angle, and cautions; None without a finish."""
    readings = fitted_readings(done, study)
    finished = readings["step"] == study.steps[-1].name
    if not (finished & (readings["response"] == response)).any():
        return None, np.empty(0, bool), ()
    means = patch_means(readings if every_step else readings[finished], study, response)
    tied = np.zeros(len(means.y), bool)
    if not every_step or response != "gloss_20":
        return means, tied, means.cautions
    sixty = readings[~finished & (readings["response"] == "gloss_60")]
    if sixty.empty:
        return means, tied, means.cautions
    more = patch_means(sixty, study, "gloss_60", means.base)
    plain = {(r, s) for r, s, y in zip(means.row, means.step, means.y, strict=True) if y >= _FLOOR_GU}
    # Above 70 GU at 60 degrees the standards read at 20 (`optics.angle_to_use`).
    use = (optics.angle_to_use(more.y) != 20) & np.array(
        [key not in plain for key in zip(more.row, more.step, strict=True)], bool
    )
    if not use.any():
        return means, tied, means.cautions
    kept = replace(more, row=more.row[use], step=more.step[use], y=more.y[use], repeats=more.repeats[use])
    return _joined(means, kept), np.concatenate([tied, np.ones(int(use.sum()), bool)]), means.cautions


def _joined(a: PatchMeans, b: PatchMeans) -> PatchMeans:
    """Return the means of both; the meter is that of the first."""
    row, step, y, repeats = (
        np.concatenate([getattr(a, c), getattr(b, c)]) for c in ("row", "step", "y", "repeats")
    )
    return replace(a, row=row, step=step, y=y, repeats=repeats)


def _places(table: pd.DataFrame, row: np.ndarray) -> np.ndarray:
    position = {label: i for i, label in enumerate(table.index)}
    return np.array([position[r] for r in row], int)


def _both(now: pd.DataFrame, before: pd.DataFrame) -> pd.DataFrame:
    """Return present and earlier trials in one table; no panel is in both."""
    import pandas as pd

    old = before.assign(panel="earlier " + before["panel"].astype(str))
    return pd.concat([now, old], ignore_index=True)


def _starts(table: pd.DataFrame) -> np.ndarray:
    """Return z of each patch before work under a usual ceiling; NaN where nobody read it."""
    import pandas as pd

    if "start_gloss_20" not in table.columns:
        return np.full(len(table), np.nan)
    gloss = pd.to_numeric(table["start_gloss_20"], errors="coerce").to_numpy(float)
    share = np.clip(gloss / float(optics.ceiling_gloss(1.52, 20)), 1e-4, _SMOOTHEST)
    return np.where(np.isfinite(gloss), optics.log_roughness(share), np.nan)


def _slack(study: Study, rows: Rows, tied: np.ndarray) -> np.ndarray:
    """Return the covariance of what the tie of the angles may be off by: alike for like surfaces."""
    both = tied[:, None] & tied[None, :]
    alike = (1 + Likeness(study.basis).earlier(rows, rows)) / 2
    return both * TIE_SLACK**2 * alike + np.diag(tied * _PATCH_SLACK**2)


def _meter(
    means: PatchMeans, meter: MeterSpread | None, response: str
) -> tuple[float, float, tuple[str, ...]]:
    """Return sum of squares and degrees of freedom of the meter, and what to say of them."""
    if meter is None:
        return means.meter_ss, means.meter_df, ()
    if means.meter_df > 0 and meter.meter_df > 0 and meter.meter_ss > 0:
        own, of_meter = means.meter_ss / means.meter_df, meter.meter_ss / meter.meter_df
        if stats.f.sf(own / of_meter, means.meter_df, meter.meter_df) < _DISAGREES:
            return (
                means.meter_ss,
                means.meter_df,
                (
                    f"Repeat {RESPONSES[response][0]} readings of a patch scatter by {np.sqrt(own):.2g}, those of the meter study "
                    f"by {np.sqrt(of_meter):.2g}: the spots of a patch differ by more than the meter does. The repeats of the "
                    "trials were taken.",
                ),
            )
    return means.meter_ss + meter.meter_ss, means.meter_df + meter.meter_df, ()


def meters_by_response(
    meters: Mapping[str, MeterSpread] | Sequence[MeterSpread] | MeterSpread | None,
) -> dict[str, MeterSpread]:
    """
    Return meter studies by the response they read.

    Raises
    ------
    ModelError
        A study names no known response.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> study = SimpleNamespace(reading="gloss_20", meter_ss=1.2, meter_df=20.0)
    >>> list(meters_by_response(study)), list(meters_by_response({"haze": study}))
    (['gloss_20'], ['haze'])
    >>> meters_by_response(None)
    {}
    """
    if meters is None:
        return {}
    if not isinstance(meters, Mapping):
        several = meters if isinstance(meters, Sequence) else [meters]
        meters = {str(getattr(m, "reading", "")): m for m in several}
    unknown = [name for name in meters if name not in RESPONSES]
    if unknown:
        raise ModelError(
            f"a meter study is for '{unknown[0]}', which no goal can name. Give meters as {{'gloss_20': study}}; "
            f"responses are {', '.join(RESPONSES)}."
        )
    return dict(meters)
