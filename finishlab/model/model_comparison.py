"""Two kinds of model against each other: which foretells what it has not seen the better?

Trials are left out in turn under the spreads of the whole fit; whole panels are left out by
fitting anew without them, which is what the next job is. `checks.py` judges one model by
itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.check_questions import REACH
from finishlab.model.fitting import fit
from finishlab.model.latent import Predicted
from finishlab.model.response import ResponseFit, fit_response
from finishlab.study import RESPONSES, Study
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

Kind = Literal["steps", "surface"]
#: Kinds in words.
_NAMES = {"steps": "step model", "surface": "surface model"}
#: Points of z between which a reading's density is summed, and how many spreads they reach.
_POINTS, _SPREADS = 241, 5.0
#: A difference in score counts when it is so many of its standard errors (common practice, no source).
_ERRORS = 2.0


@dataclass(frozen=True, eq=False)
class ModelComparison:
    """
    How well kinds of model foretold trials and panels left out.

    Made by `compare_models`.

    Attributes
    ----------
    recommended : {"steps", "surface"}
    response : str
    cautions : tuple of str
    """

    recommended: Kind
    response: str
    cautions: tuple[str, ...]
    _cases: pd.DataFrame
    _reason: str

    def table(self) -> pd.DataFrame:
        """
        Return one row a kind and what was left out.

        ``typical_miss`` is the median distance of a reading from what was foretold and ``rms_miss``
        its root mean square, in units of the response; ``inside`` of ``readings`` lay inside their
        90 % interval; ``log_score`` is the mean log density of the readings, the higher the better.
        """
        import pandas as pd

        rows = []
        for (kind, left), some in self._cases.groupby(["kind", "left_out"], sort=False):
            miss = (some["read"] - some["expected"]).abs()
            rows.append(
                {
                    "kind": kind,
                    "left_out": left,
                    "readings": len(some),
                    "typical_miss": float(miss.median()),
                    "rms_miss": float(np.sqrt((miss**2).mean())),
                    "inside": int(some["inside"].sum()),
                    "log_score": float(some["score"].mean()),
                }
            )
        return pd.DataFrame(rows)

    def cases(self) -> pd.DataFrame:
        """Return every reading left out, beside what each kind said of it."""
        return self._cases.copy()

    def text(self) -> str:
        """Return which kind to use and why, in plain words."""
        unit = RESPONSES[self.response][1]
        parts = []
        for row in self.table().to_dict("records"):
            if row["left_out"] == "panels":
                miss = f"{show.number(row['typical_miss'], 1)}{show.spaced(unit)}"
                parts.append(
                    f"the {_NAMES[row['kind']]} was {miss} off in half of the trials on panels it had not seen and held "
                    f"{row['inside']} of {row['readings']} inside its 90 % interval"
                )
        return " ".join(
            [f"{self._reason} On {RESPONSES[self.response][0]}, {'; '.join(parts)}.", *self.cautions]
        )

    def to_dict(self) -> dict[str, Any]:
        """Return table, recommendation and cautions as plain Python."""
        return {
            "recommended": self.recommended,
            "response": self.response,
            "table": self.table().to_dict("records"),
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw how far each trial on a panel left out lay from what each kind foretold."""
        from finishlab.figures import model_figures as figures

        some = self._cases[self._cases["left_out"] == "panels"]
        kinds = list(dict.fromkeys(some["kind"]))
        misses = [(_NAMES[k], (some["read"] - some["expected"])[some["kind"] == k].to_numpy()) for k in kinds]
        return figures.misses(misses, response=self.response, title=self._reason, ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def log_density(p: Predicted, y: np.ndarray, spots: np.ndarray) -> np.ndarray:
    """
    Return the log density of readings on a new panel, averaged over the draws.

    Parameters
    ----------
    p : Predicted
    y : ndarray, shape (rows,)
    spots : ndarray, shape (rows,)
        Readings that each value is the mean of.
    """
    total = np.zeros(len(y))
    x = np.linspace(-_SPREADS, _SPREADS, _POINTS)
    weight = np.exp(-0.5 * x**2)
    weight /= weight.sum()
    for d, scale in enumerate(p.scales):
        sd = np.sqrt(p.sd_known[d] ** 2 + p.sd_panel[d] ** 2 + p.sd_section[d] ** 2)
        z = p.mean[d][:, None] + sd[:, None] * x
        # No finer than the points lie apart, so that the sum stays smooth.
        apart = np.abs(np.gradient(scale.reading(z), axis=1))
        noise = np.hypot(p.sd_meter[d] / np.sqrt(spots)[:, None], apart)
        bell = np.exp(-0.5 * ((y[:, None] - scale.reading(z)) / noise) ** 2) / (np.sqrt(2 * np.pi) * noise)
        total += bell @ weight
    return np.log(np.maximum(total / len(p.scales), 1e-300))


def _trials_left_out(found: ResponseFit, kind: str, rows: np.ndarray) -> list[dict[str, Any]]:
    left = found.left_out
    score = -0.5 * left.standardised**2 - np.log(left.sd) - 0.5 * np.log(2 * np.pi)
    inside = np.abs(left.standardised) <= REACH
    return _rows(kind, "trials", left.row, rows, left.y, left.expected, inside, score)


def _panel_left_out(
    study: Study, table: pd.DataFrame, name: str, found: ResponseFit, kind: Kind, panel: str, seed: int
) -> list[dict[str, Any]]:
    """Return what a fit without a panel says of its trials."""
    on = table["panel"].astype(str) == panel
    without = fit_response(study, table[~on], name, kind, seed)
    observed = found.posterior.observed
    # Readings as the whole fit took them, slips set aside.
    last = np.flatnonzero(observed.present & (observed.rows.step == len(study.steps) - 1))
    mine = np.array([r in set(table.index[on]) for r in found.left_out.row])
    at = last[mine]
    if not len(at):
        return []
    values, y, spots = observed.rows.values[at], observed.y[at], observed.repeats[at]
    said = without.intervals(values)
    # The interval of a section is for the study's own number of spots, as the trials had them.
    inside = (y >= said["job_low"]) & (y <= said["job_high"])
    score = log_density(without.predicted(values), y, spots)
    panels = np.full(len(at), panel)
    return _rows(kind, "panels", found.left_out.row[mine], panels, y, said["value"], inside, score)


def _rows(kind: str, left: str, *columns: Iterable[Any]) -> list[dict[str, Any]]:
    names = ("row", "panel", "read", "expected", "inside", "score")
    return [
        {"kind": kind, "left_out": left, **dict(zip(names, values, strict=True))}
        for values in zip(*columns, strict=True)
    ]


def compare_models(
    study: Study, trials: pd.DataFrame, *, response: str | None = None, seed: int = 1
) -> ModelComparison:
    """
    Fit both kinds of model and see which foretells trials and panels left out the better.

    Parameters
    ----------
    study : Study
    trials : DataFrame
        One row a trial, as `read_trials` gives.
    response : str, optional
        A gloss; the first of the goal when not given. Other responses have one kind of model only.
    seed : int
        Of the draws over spreads and ceiling.

    Returns
    -------
    ModelComparison
        Takes a fit a panel and kind, some seconds in all.

    Raises
    ------
    RecordsError
        The table is not right.
    ModelError
        Too few trials, all on one panel or all reading the same, or no gloss that both kinds can follow.

    References
    ----------
    Log score: Gneiting, T. & Raftery, A. E. (2007), J. Am. Stat. Assoc. 102, 359 (from memory).

    Examples
    --------
    >>> found = compare_models(bench.study, trials)
    >>> found.table()["left_out"].tolist()
    ['trials', 'panels', 'trials', 'panels']

    Haze has one kind of model:

    >>> compare_models(bench.study, trials, response="haze")
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: only gloss is followed by both kinds of model, and 'haze' is none. Ask for one of gloss_20, gloss_60, gloss_85.
    """
    import pandas as pd

    gloss = [name for name in RESPONSES if name.startswith("gloss_")]
    name = response or next((n for n in study.goal if n in gloss), "")
    if name not in gloss:
        raise ModelError(
            f"only gloss is followed by both kinds of model, and {response or 'this goal'!r} is none. "
            f"Ask for one of {', '.join(gloss)}."
        )
    kinds: tuple[Kind, ...] = ("steps", "surface")
    rows: list[dict[str, Any]] = []
    panels: list[str] = []
    for kind in kinds:
        model = fit(study, trials, kind=kind, seed=seed)
        found = model.response(name)
        done = model.done
        if model.panels < 2:
            raise ModelError(
                f"all {len(done)} trials are on one panel, '{done['panel'].iloc[0]}': nothing says how panels differ, and the kinds are "
                "compared by panels left out. Work trials on at least one more panel, better on three."
            )
        rows += _trials_left_out(
            found, kind, done.loc[list(found.left_out.row), "panel"].astype(str).to_numpy()
        )
        panels = sorted(done["panel"].astype(str).unique())
        for panel in panels:
            rows += _panel_left_out(study, done, name, found, kind, panel, seed)
    cases = pd.DataFrame(rows)
    recommended, reason = _judge(cases)
    cautions = (
        (
            f"Only {len(panels)} panels: without one of them {show.counted(len(panels) - 1, 'panel')} had to speak for it, "
            "so the comparison is rough.",
        )
        if len(panels) < 4
        else ()
    )
    return ModelComparison(recommended, name, cautions, cases, reason)


def _judge(cases: pd.DataFrame) -> tuple[Kind, str]:
    """Return the kind that foretells panels left out the better, and in words how clearly."""
    some = cases[cases["left_out"] == "panels"].pivot_table(
        index=["panel", "row"], columns="kind", values="score"
    )
    ahead = some["steps"] - some["surface"]
    # Trials of one panel share its luck: the panels are what is counted.
    by_panel = ahead.groupby(level="panel").sum().to_numpy()
    mean = float(by_panel.mean())
    error = float(by_panel.std(ddof=1) / np.sqrt(len(by_panel)))
    better: Kind = "steps" if mean > 0 else "surface"
    other = "surface" if better == "steps" else "steps"
    won = int((by_panel > 0).sum() if better == "steps" else (by_panel < 0).sum())
    count = f"on {won} of {len(by_panel)} panels left out"
    if abs(mean) > _ERRORS * error:
        return (
            better,
            f"Use the {_NAMES[better]}: it foretold readings better than the {_NAMES[other]} {count}.",
        )
    return "steps", (
        f"The trials cannot tell which kind foretells better (the {_NAMES[better]} did {count}). Keep the "
        f"{_NAMES['steps']}, which needs fewer trials."
    )
