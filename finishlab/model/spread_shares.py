"""What the spread between jobs is made of: panels, halves, technicians, lots, patches.

The same random effects as in `differences.py`, about what the fitted model expects of each
process, with profile intervals. Which factor does what is not said here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.response import asked_response
from finishlab.model.straight_scale import Straight, straighten, told_groups
from finishlab.statistics import MixedFit
from finishlab.study import RESPONSES
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.model.finish_model import FinishModel

#: What the intervals hold, each by itself.
COVER = 0.9
#: Shares as people say them.
_FRACTIONS = (
    (0.05, "hardly any"), (0.1, "a tenth"), (0.2, "a fifth"), (0.25, "a quarter"), (1 / 3, "a third"), (0.5, "half"),
    (2 / 3, "two thirds"), (0.75, "three quarters"), (0.8, "four fifths"), (0.9, "nine tenths"), (0.95, "nearly all"),
)  # fmt: skip
#: An interval wider than this tells little.
_WIDE = 0.6
#: What the residual is called.
PATCH = "patch"


@dataclass(frozen=True, eq=False)
class VarianceShares:
    """
    What the spread between jobs is made of.

    Made by `variance_shares`.

    Attributes
    ----------
    response : str
    at : float
        Reading at which the spreads are given in units of the response: the middle of the trials.
    cautions : tuple of str
        What the trials cannot tell.
    """

    response: str
    at: float
    cautions: tuple[str, ...]
    _parts: pd.DataFrame = field(repr=False)

    def table(self) -> pd.DataFrame:
        """
        Return one row a source, the largest first.

        ``source``; ``share`` of the variance between sections of different jobs at the same
        settings, 0 to 1, with the 90 % interval ``share_low`` to ``share_high``; ``spread``, the
        standard deviation in units of the response at `at`, with ``spread_low`` and ``spread_high``.
        """
        return self._parts.copy()

    def text(self) -> str:
        """Return in a sentence or two what the spread is made of, and how surely."""
        words, unit = RESPONSES[self.response]
        first, *rest = self._parts.to_dict("records")
        total = float(np.sqrt((self._parts["spread"] ** 2).sum()))
        size = f"{show.number(total, 1)}{show.spaced(unit)} at {show.number(self.at, 0)}{show.spaced(unit)}"
        if not rest:
            return f"{words}: nothing here tells panels from patches; all of the spread ({size}) is put down to the patch."
        seen = [f"{in_words(r['share'])} is {r['source']}" for r in rest if r["share"] > 0]
        unseen = show.listed(r["source"] for r in rest if r["share"] <= 0)
        said = (
            f"{words}: of the spread between jobs at the same settings ({size}), {in_words(first['share'])}{' that shows' if first['share'] >= 1 else ''} is "
            f"{first['source']} ({_range(first)})"
            f"{', ' + show.listed(seen) if seen else ''}{'; no sign of ' + unseen if unseen else ''}."
        )
        if first["share_high"] - first["share_low"] > _WIDE:
            said += " That is a wide interval: these trials tell little of it; more panels would."
        return said

    def to_dict(self) -> dict[str, Any]:
        """Return shares, spreads and cautions as plain Python, at full precision."""
        return {
            "response": self.response,
            "at": self.at,
            "cover": COVER,
            "parts": self._parts.to_dict("records"),
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw each share as a dot with its interval."""
        from finishlab.figures import model_figures

        first = self._parts.iloc[0].to_dict()
        words = RESPONSES[self.response][0]
        title = f"{words}: {in_words(first['share'])} of the spread between jobs is {first['source']} ({_range(first)})"
        return model_figures.shares(self._parts, title=title, ax=ax)

    def _repr_html_(self) -> str:
        rows = self._parts.to_dict("records")
        unit = RESPONSES[self.response][1]
        shown = self._parts[["source"]].copy()
        shown["share of the variance"] = [f"{show.number(100 * r['share'], 0)} % ({_range(r)})" for r in rows]
        shown["spread, standard deviation"] = [
            f"{show.number(r['spread'], 2)} ({show.interval_text(r['spread_low'], r['spread_high'], unit)})"
            for r in rows
        ]
        return show.sentence_and_table(self.text(), shown)


def in_words(share: float) -> str:
    """
    Return a share as people say it.

    Examples
    --------
    >>> in_words(0.64), in_words(0.02), in_words(0.0), in_words(1.0)
    ('about two thirds', 'hardly any', 'none', 'all')
    """
    if share <= 0 or share >= 1:
        return "none" if share <= 0 else "all"
    word = min(_FRACTIONS, key=lambda f: abs(f[0] - share))[1]
    return word if word in ("hardly any", "nearly all") else f"about {word}"


def _range(row: Mapping[Any, Any]) -> str:
    return f"{show.number(100 * row['share_low'], 0, 'down')} to {show.number(100 * row['share_high'], 0, 'up')} %"


def variance_shares(model: FinishModel, *, response: str | None = None) -> VarianceShares:
    """
    Say what the spread between jobs at the same settings is made of.

    Parameters
    ----------
    model : FinishModel
    response : str, optional
        The first of the goal when not given.

    Returns
    -------
    VarianceShares

    Raises
    ------
    ModelError
        Too few trials, the response is unknown or was never read, or every patch reads the same.

    Notes
    -----
    Patches are compared where the response is straight, about what the fitted model expects of
    their process, by restricted maximum likelihood; what a single patch has of its own, the
    meter's share of a mean of its readings included, is the rest. Intervals are of the
    profile likelihood; a share of none at all is in them where the trials allow it.

    References
    ----------
    Patterson, H. D. & Thompson, R. (1971), Biometrika 58, 545; profile likelihood: Bates, D.
    et al. (2015), J. Stat. Software 67(1), section 5.1 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> bench = fl.PracticeBench(kind=11, seed=3)
    >>> sheet = fl.plan_trials(bench.study, trials=32, panels=8, seed=1)
    >>> model = fl.fit(bench.study, bench.work(sheet, seed=1))
    >>> shares = fl.variance_shares(model)
    >>> shares.table()["source"].tolist()
    ['panel', 'patch', 'technician']

    What was never read has no spread:

    >>> fl.variance_shares(model, response="gloss_85")
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: no done trial has gloss_85. Read it on every patch, or ask for a goal without it.
    """
    name = asked_response(model.study, response)
    part = straighten(model.response(name))
    matrix, told = _main_terms(model, part)
    groups, said = told_groups(part.groups, matrix)
    if not part.scale.metered:
        said.append("These are counts: the patch's share holds the luck of counting few of them as well.")
    fit = part.fit(matrix, groups, offset=part.about)
    return VarianceShares(name, float(np.median(part.y)), (*told, *said), _parts(fit, part, list(groups)))


def _main_terms(model: FinishModel, part: Straight) -> tuple[np.ndarray, list[str]]:
    """Return main terms, which take back what the fitted model shrank, as far as the trials tell them."""
    columns = [np.ones(len(part.y))]
    for block in model.study.basis.coded(part.values):
        for column in block.T:
            more = np.column_stack([*columns, column])
            if len(more) >= 2 * more.shape[1] and np.linalg.matrix_rank(more) == more.shape[1]:
                columns.append(column)
    if len(part.y) < len(columns) + 2:
        raise ModelError(f"{len(part.y)} patches are too few to tell how they scatter. Add trials.")
    short = len(columns) < 1 + sum(len(m) for m in model.study.basis.main)
    told = ["Some settings are left to the fitted model alone, since the trials are few."] if short else []
    return np.column_stack(columns), told


def _parts(fit: MixedFit, part: Straight, names: list[str]) -> pd.DataFrame:
    """Return the sources, the largest first."""
    import pandas as pd

    slope = abs(float(part.scale.slope(np.array([np.median(part.about)]))[0]))
    rows = []
    for name in [*names, "residual"]:
        variance = fit.residual_variance if name == "residual" else fit.variances[name]
        low, high = fit.share_interval(name, COVER) if names else (1.0, 1.0)
        ends = fit.sd_interval(name, COVER)
        rows.append(
            {
                "source": PATCH if name == "residual" else name,
                "share": fit.shares[name],
                "share_low": low,
                "share_high": high,
                "spread": slope * float(np.sqrt(variance)),
                "spread_low": slope * ends[0],
                "spread_high": slope * ends[1],
            }
        )
    table = pd.DataFrame(rows)
    return table.sort_values("share", ascending=False, kind="stable", ignore_index=True)
