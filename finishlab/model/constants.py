"""The step model's constants as the trade would put them: how fast, and how far.

For each step and combination of grit, pad and product: the passes that halve what is left
of the scratches, and the finish it levels off at however long it works. Read off the fit;
nothing is fitted here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from scipy import linalg

from finishlab.errors import ModelError
from finishlab.figures.model_figures import TELLS
from finishlab.model.assurance import COVER
from finishlab.model.finish_model import FinishModel
from finishlab.model.latent import Posterior
from finishlab.model.steps import StepCurve
from finishlab.plain import plain_rows
from finishlab.study import Step
from finishlab.trade import optics
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Parameter values drawn for each draw of spreads and ceiling.
_EACH = 20
_ENDS = (1 - COVER) / 2, (1 + COVER) / 2


@dataclass(frozen=True, eq=False)
class StepConstants:
    """
    How fast each step goes with its grit, pad and product, and how far it comes.

    Made by `step_constants`.

    Attributes
    ----------
    constants : DataFrame
        One row a step and combination: ``step``, ``with`` (its choices in words), ``trials``
        (how many worked it), ``halving`` (passes, or seconds where ``amount`` says so, that
        halve what is left of the scratches; NaN for a step without an amount) and ``level``
        (gloss that it levels off at, GU), ``roughness_um`` (the same as rms roughness),
        each with ``_low`` and ``_high``, the ends of its 90 % interval; ``quickest`` and
        ``highest``, the probability that none of the step's worked combinations is quicker, or
        levels off higher.
    response : str
        The gloss that was followed.
    cautions : tuple of str
    """

    constants: pd.DataFrame
    response: str
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Return for each step that has a choice the quickest and the farthest, in plain words."""
        sentences = []
        for step, rows in self.constants.groupby("step", sort=False):
            worked = rows[rows["trials"] > 0]
            if len(worked) < 2:
                continue
            best = worked.iloc[int(worked["highest"].argmax())]
            highest = (
                f"{best['with']} levels off highest, at {_between(best, 'level', ' GU')}"
                if best["highest"] >= TELLS
                else "which levels off highest cannot be told yet"
            )
            if worked["halving"].isna().any():
                sentences.append(f"{_words(step)}: {highest}.")
                continue
            quick = worked.iloc[int(worked["quickest"].argmax())]
            quickest = (
                f"{quick['with']} is the quickest and halves what is left of the scratches in "
                f"{_between(quick, 'halving', ' ' + quick['amount'])}"
                if quick["quickest"] >= TELLS
                else "which is the quickest cannot be told yet"
            )
            sentences.append(f"{_words(step)}: {quickest}; {highest}.")
        if not sentences:
            sentences = [
                f"{_words(r['step'])}: {r['with']} levels off at {_between(r, 'level', ' GU')}."
                for _, r in self.constants.iterrows()
            ]
        return " ".join(sentences) + " Intervals hold 90 %."

    def table(self) -> pd.DataFrame:
        """Return every constant with its interval."""
        return self.constants.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return the constants and cautions as plain Python."""
        return {
            "response": self.response,
            "constants": plain_rows(self.constants),
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None, *, step: str | None = None) -> Axes:
        """
        Draw how fast against how far, one mark a combination, for one step.

        Parameters
        ----------
        ax : Axes, optional
        step : str, optional
            The step with the most combinations when left out.

        Returns
        -------
        Axes

        Raises
        ------
        ModelError
            There is no such step.
        """
        from finishlab.figures import model_figures

        counts = self.constants["step"].value_counts(sort=False)
        if step is not None and step not in counts.index:
            raise ModelError(f"there is no step '{step}'. The steps are {', '.join(map(str, counts.index))}.")
        chosen = step or str(counts.idxmax())
        return model_figures.step_constants(
            self.constants[self.constants["step"] == chosen], response=self.response, ax=ax
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def step_constants(model: FinishModel) -> StepConstants:
    """
    Return what the step model found of each step: how fast it goes, and how far.

    Parameters
    ----------
    model : FinishModel
        Of the kind "steps", with gloss in its goal.

    Returns
    -------
    StepConstants

    Raises
    ------
    ModelError
        The model follows no gloss from step to step.

    Notes
    -----
    Half of what is left is meant on the scale on which the step was found to work, near
    roughness itself: a step that starts from a finer surface than the one before has less
    to take away. Numbers such as a speed stand at the middle of their studied range, and what
    the choices of earlier steps leave behind is averaged over them. A combination that no
    trial worked rests on its likes and on the stated prior; ``trials`` says so. Roughness is
    what the optics make of the gloss, not what a stylus would read.

    References
    ----------
    Roughness from gloss: Bennett & Porteus (1961), J. Opt. Soc. Am. 51, 123 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> found = fl.step_constants(model)
    >>> found.constants["step"].value_counts(sort=False).to_dict()
    {'sand': 3, 'cut': 6, 'polish': 1}
    >>> bool((found.constants["level_low"] < found.constants["level_high"]).all())
    True

    The surface model has no steps to speak of:

    >>> fl.step_constants(fl.fit(bench.study, model.trials, kind="surface"))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: this model does not follow gloss from step to step. Fit with kind="steps", and name a gloss in the goal.
    """
    import pandas as pd

    response = next((name for name in model.study.goal if name.startswith("gloss_")), None)
    if response is None or model.kind != "steps":
        raise ModelError(
            'this model does not follow gloss from step to step. Fit with kind="steps", and name a gloss in the goal.'
        )
    posterior = model.response(response).posterior
    curve = cast(StepCurve, posterior.curve)
    drawn = list(_parameters(posterior, model.seed))
    theta = np.vstack([values for _, values in drawn])
    ceiling = np.concatenate([np.full(len(values), c) for c, values in drawn])[:, None]
    angle = int(response.removeprefix("gloss_"))
    parts = []
    for step in model.study.steps:
        floor, halving = curve.constants(theta, step)
        level = ceiling * optics.share_from_log_roughness(floor)
        # Where z is 0, 4 pi sigma cos(angle) / lambda is 1.
        unit_um = float(optics.roughness_from_gloss(np.exp(-1.0), ceiling=1.0, angle=angle))
        choices, _ = curve.choices(step)
        parts.append(_rows(model, step, choices, halving, level, unit_um * np.exp(floor)))
    table = pd.concat(parts, ignore_index=True)
    unworked = int((table["trials"] == 0).sum())
    cautions = (
        (
            f"{show.counted(unworked, 'combination')} of {len(table)} had no trial; what is said of "
            f"{'it' if unworked == 1 else 'them'} rests on the others and on a general guess.",
        )
        if unworked
        else ()
    )
    return StepConstants(table, response, cautions)


def _parameters(posterior: Posterior, seed: int) -> Iterator[tuple[float, np.ndarray]]:
    """Yield the ceiling of each draw and parameters drawn under it, shape (each, parameters)."""
    rng = np.random.default_rng(seed)
    curve, jacobians = posterior.curve, {}
    for draw in posterior.draws:
        if id(draw.theta) not in jacobians:
            jacobians[id(draw.theta)] = curve.curve(draw.theta, posterior.observed.rows)[1] * curve.prior_sd
        scaled = jacobians[id(draw.theta)]
        v = linalg.solve_triangular(draw.root, scaled * draw.slope[:, None], lower=True, check_finite=False)
        values, vectors = np.linalg.eigh(np.eye(scaled.shape[1]) - v.T @ v)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        normal = rng.standard_normal((_EACH, len(values)))
        unit = scaled.T @ draw.weights + normal @ root.T
        yield float(getattr(draw.scale, "ceiling", np.nan)), curve.prior_mean + curve.prior_sd * unit


def _rows(
    model: FinishModel,
    step: Step,
    choices: list[dict[str, Any]],
    halving: np.ndarray,
    level: np.ndarray,
    roughness: np.ndarray,
) -> pd.DataFrame:
    """Return a step's part of the table."""
    import pandas as pd

    held = [show.setting_text(s, s.levels[0]) for s in step.settings if s.held and not s.numeric]
    amount = step.amount
    rows = []
    for i, choice in enumerate(choices):
        worked = np.ones(len(model.done), bool)
        if amount is not None and not amount.held:
            worked &= model.done[amount.factor].fillna(0).astype(float).to_numpy() > 0
        for factor, value in choice.items():
            worked &= (model.done[factor] == value).to_numpy()
        named = ", ".join([*map(str, choice.values()), *([] if choice else held)])
        row: dict[str, Any] = {"step": step.name, "with": named or show.step_name(step)}
        row |= {"trials": int(worked.sum()), "amount": "" if amount is None else amount.name}
        drawn = {"halving": halving[:, i], "level": level[:, i], "roughness_um": roughness[:, i]}
        for name, values in drawn.items():
            known = name != "halving" or amount is not None
            at = np.quantile(values, (0.5, *_ENDS)) if known else [np.nan] * 3
            row |= dict(zip((name, f"{name}_low", f"{name}_high"), map(float, at), strict=True))
        rows.append(row)
    table = pd.DataFrame(rows)
    worked = np.flatnonzero(table["trials"] > 0)
    table["quickest"] = table["highest"] = 0.0
    if len(worked):
        # The rate of a step is common to its combinations in part, so draws are compared one by one.
        for name, first in (
            ("quickest", halving[:, worked].argmin(1)),
            ("highest", level[:, worked].argmax(1)),
        ):
            table.loc[worked, name] = np.bincount(first, minlength=len(worked)) / len(first)
    return table


def _between(row: Any, name: str, unit: str) -> str:
    """Return a constant and its interval in words."""
    middle, low, high = (float(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    places = 1 if high < 100 else 0
    return f"{middle:.{places}f}{unit} ({low:.{places}f} to {high:.{places}f})"


def _words(step: Any) -> str:
    return show.begun(str(step).replace("_", " "))
