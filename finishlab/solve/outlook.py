"""What further trials may be expected to bring, before they are worked: `Outlook`.

A trial of one process tells of others too, as far as the model holds them alike. From what
is known of a few processes together it is reckoned what the quickest one that keeps the
promise may take once some trials are in, over readings as they may come out. Which
trials are worked is chosen in `follow_up_rounds.py`; nothing is fitted anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from finishlab.model import FinishModel
from finishlab.model.latent import Rows, joint_readings
from finishlab.model.scales import CountScale
from finishlab.solve.search import Candidates
from finishlab.study import Condition

#: Ways in which readings may come out.
_FANTASIES = 512
#: Finding none that keeps the promise is reckoned as so much longer than the longest looked at.
_NONE = 1.25
#: Probabilities nearer to 0 or 1 than this are not told apart.
_SURE = 1e-6


@dataclass(frozen=True, eq=False)
class _GoalView:
    """
    One goal over some processes, as normal values of z.

    `known` is the covariance of what is not known of the processes, `panel` and `own` the
    variances of a trial's panel and of its patch and reading; z is turned so that less is better.
    """

    known: np.ndarray  # (rows, rows)
    panel: float
    own: np.ndarray  # (rows,)
    spread: np.ndarray  # (rows,) of the next job, all counted
    high: np.ndarray  # (rows,) ends of what meets the goal, about the mean
    low: np.ndarray
    share: np.ndarray  # (rows,) what the plain normal leaves out, as a factor

    def probability(self, moved: np.ndarray, learnt: np.ndarray) -> np.ndarray:
        """Return the probability of each process when its mean moved and variance was learnt away."""
        sd = np.sqrt(np.maximum(self.spread**2 - learnt, 1e-12))
        p = special.ndtr((self.high - moved) / sd) - special.ndtr((self.low - moved) / sd)
        return np.asarray(np.clip(p * self.share, 0.0, 1.0))


@dataclass(frozen=True, eq=False)
class Outlook:
    """
    Some processes with what trials of them may bring.

    Attributes
    ----------
    some : Candidates
        In order of the job's minutes.
    wanted : float
    patches : int
        Trials that go on one panel.
    """

    some: Candidates
    wanted: float
    patches: int
    _goals: tuple[_GoalView, ...]
    _luck: np.ndarray

    @property
    def longest(self) -> float:
        """Minutes of the job that finding no process is reckoned as: so much more work than the longest."""
        return float(self.some.job_minutes.max() + (_NONE - 1) * self.some.work.max())

    def now(self) -> float:
        """Return the job's minutes by the quickest that keeps the promise as things stand."""
        at = self.some.best(self.wanted)
        return self.longest if at is None else float(self.some.job_minutes[at])

    def _together(self) -> np.ndarray:
        """Return what the model adds for goals that are met together more often than apart; 0 for one goal."""
        none = np.zeros((1, len(self.some)))
        missed = sum(1 - view.probability(none, none[0])[0] for view in self._goals)
        return self.some.probability - (1 - missed) if len(self._goals) > 1 else none[0]

    def after(self, picks: Sequence[int], panels: Sequence[int] | None = None) -> tuple[float, float]:
        """
        Return what is to be expected once these processes have been worked.

        Parameters
        ----------
        picks : sequence of int
            Positions in `some`, one a trial.
        panels : sequence of int, optional
            Which of them share a panel; as many as fit on one when not given.

        Returns
        -------
        minutes : float
            Expected minutes of the job by the quickest that then keeps the promise. What no trial worked counts
            once one of these does.
        found : float
            Share of outcomes in which one does.
        """
        at = list(picks)
        panel = np.arange(len(at)) // self.patches if panels is None else np.asarray(panels)
        together = (panel[:, None] == panel[None, :]).astype(float)
        missed = np.zeros((_FANTASIES, len(self.some)))
        for g, view in enumerate(self._goals):
            to = view.known[:, at]
            noise = view.panel * together + np.diag(view.own[at])
            root = linalg.cholesky(to[at] + noise, lower=True, check_finite=False)
            gain = linalg.solve_triangular(root, to.T, lower=True, check_finite=False)
            moved = self._luck[g, :, : len(at)] @ gain
            missed += 1 - view.probability(moved, (gain**2).sum(axis=0))
        worked = self.some.worked.copy()
        worked[at] = True
        keeps = (1 - missed + self._together() >= self.wanted) & self.some.keeps_limits & worked
        found = keeps.any(axis=1)
        minutes = np.where(found, self.some.job_minutes[keeps.argmax(axis=1)], self.longest)
        return float(minutes.mean()), float(found.mean())


def outlook(
    model: FinishModel, some: Candidates, goal: Mapping[str, Condition], wanted: float, most: int
) -> Outlook:
    """
    Return what trials of some processes may bring.

    Parameters
    ----------
    model : FinishModel
    some : Candidates
        A few dozen, in order of the job's minutes.
    goal : mapping of response -> Condition
    wanted : float
        Assurance asked for.
    most : int
        Trials looked ahead at most.

    References
    ----------
    Frazier, Powell & Dayanik (2008), SIAM J. Control Optim. 47, 2410: choosing what to measure
    by the expected gain of the choice that follows (from memory).
    """
    # The same luck for every choice and number of trials, so that only the choice tells them apart.
    luck = np.random.default_rng(20).standard_normal((most, len(goal), _FANTASIES // 2)).transpose(1, 2, 0)
    return Outlook(
        some,
        wanted,
        model.study.patches,
        tuple(_view(model, some.values, name, condition) for name, condition in goal.items()),
        np.concatenate([luck, -luck], axis=1),
    )


def _view(model: FinishModel, values: np.ndarray, name: str, condition: Condition) -> _GoalView:
    fitted = model.response(name)
    p = fitted.predicted(values)
    rows = Rows(values, np.full(len(values), len(model.study.steps) - 1))
    middle = p.scales[len(p.scales) // 2]
    read = joint_readings(fitted.posterior, rows)
    # Each draw of the readings goes back through the scale it came by.
    each = len(read) // len(p.scales)
    z = np.concatenate([s.inverse(read[d * each : (d + 1) * each]) for d, s in enumerate(p.scales)])
    mean = p.mean.mean(axis=0)
    z = np.where(np.isfinite(z), z, mean)
    known = np.atleast_2d(np.cov(z, rowvar=False))
    panel, section = (float(np.mean(v**2)) for v in (p.sd_panel, p.sd_section))
    slope = np.abs(middle.slope(mean))
    meter = np.mean(p.sd_meter**2) / model.study.reading.spots / np.maximum(slope, 1e-9) ** 2
    if isinstance(middle, CountScale):
        meter = 1 / np.maximum(slope, 1e-9)  # a count scatters by the root of its mean
    # Where the scale is flat a reading says next to nothing, but not infinitely little.
    own = section + np.minimum(meter, 100.0)
    spread = np.sqrt(np.diag(known) + panel + own)
    told = fitted.probability(values, condition)
    one_sided = condition.at_least is None or condition.at_most is None
    if one_sided:
        # The end that gives back exactly what the model says, sections and all.
        high = special.ndtri(np.clip(told, _SURE, 1 - _SURE)) * spread
        rising = (condition.at_most is None) == middle.rising
        ends = (-high, np.full(len(high), np.inf)) if rising else (np.full(len(high), -np.inf), high)
        return _GoalView(known, panel, own, spread, ends[1], ends[0], np.ones(len(high)))
    between = sorted(float(middle.inverse(np.array(v))) for v in (condition.at_least, condition.at_most))
    low, high = (end - mean for end in between)
    plain = special.ndtr(high / spread) - special.ndtr(low / spread)
    return _GoalView(known, panel, own, spread, high, low, told / np.maximum(plain, _SURE))
