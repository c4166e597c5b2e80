"""The checks of a fitted model, gathered: is it as good as it says, and where is it not?

`check_questions.py` asks, `linear_view.py` computes, `model_figures.py` draws; here the
answers become one result for a person. Comparing two kinds of model is `model_comparison.py`'s.
"""

from __future__ import annotations

import textwrap
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.check_questions import REACH, Asked, Check, ceilings, repeated
from finishlab.study import RESPONSES
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.model.finish_model import FinishModel

#: Characters of a process's name in a figure.
_NAME_WIDTH = 34


@dataclass(frozen=True, eq=False)
class ModelChecks:
    """
    What was asked of a model, and the answers.

    Made by `check_model`.

    Attributes
    ----------
    checks : tuple of Check
        Each with `question`, `response`, `sentence`, `caution` (empty when all is well) and `facts`.
    cautions : tuple of str
        Of the bad answers; the model carries the same to recipe and procedure.
    """

    checks: tuple[Check, ...]
    _asked: dict[str, Asked] = field(default_factory=dict, repr=False)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the bad answers warn of."""
        return tuple(c.caution for c in self.checks if c.caution)

    @property
    def questions(self) -> tuple[str, ...]:
        """The questions that `plot` can draw."""
        return tuple(dict.fromkeys(c.question for c in self.checks))

    def text(self) -> str:
        """Return how many checks are well, and what the others warn of."""
        bad = self.cautions
        count = show.counted(len(self.checks), "check")
        if not bad:
            return f"All is well in {count}. {self.checks[0].sentence}"
        return f"{len(bad)} of {count} {'asks' if len(bad) == 1 else 'ask'} for a look. " + " ".join(bad)

    def table(self) -> pd.DataFrame:
        """Return one row a check: what was read, the question, whether all is well, the answer."""
        import pandas as pd

        rows = [
            {
                "read": RESPONSES[c.response][0],
                "question": c.question,
                "verdict": "look at it" if c.caution else "well",
                "answer": c.caution or c.sentence,
            }
            for c in self.checks
        ]
        return pd.DataFrame(rows)

    def to_dict(self) -> dict[str, Any]:
        """Return every check as plain Python."""
        return {"checks": [_plain(asdict(c)) for c in self.checks], "cautions": list(self.cautions)}

    def plot(
        self, question: str = "prediction", *, response: str | None = None, ax: Axes | None = None
    ) -> Axes:
        """
        Draw the answer to one question.

        Parameters
        ----------
        question : str
            One of `questions`.
        response : str, optional
            The first of the goal when not given.
        ax : Axes, optional

        Returns
        -------
        Axes

        Raises
        ------
        ModelError
            That was not asked, or has no picture.
        """
        name = response or self.checks[0].response
        found = [c for c in self.checks if c.question == question and c.response == name]
        drawn = [c.question for c in self.checks if c.response == name and c.response != "faults"]
        if not found or question not in drawn:
            raise ModelError(
                f"there is no picture of {question!r} for {name!r}. "
                + (f"Drawn are: {', '.join(drawn)}." if drawn else "Its answer stands in the table.")
            )
        return _draw(self._asked[name], found[0], ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def _plain(value: Any) -> Any:
    """Return plain Python of numbers that may be numpy's."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    return value.item() if isinstance(value, np.generic) else value


def _draw(asked: Asked, check: Check, ax: Axes | None) -> Axes:
    from finishlab.figures import answer_figures
    from finishlab.figures import model_figures as figures

    view, left, title = asked.view, asked.fit.left_out, check.caution or check.sentence
    if check.question in ("prediction", "new panel"):
        panels = check.question == "new panel"
        missed = view.missed(view.residual, panels=panels)
        reach = REACH * missed / view.standardised(view.residual, panels=panels)
        middle = left.y - missed
        return answer_figures.fit(
            left.y, middle, middle - reach, middle + reach, response=asked.fit.name, ax=ax
        )
    over: dict[str, tuple[Any, str]] = {
        "level": (asked.expected, f"{show.label(asked.fit.name)}, by the other trials"),
        "spread": (asked.expected, f"{show.label(asked.fit.name)}, by the other trials"),
        "order": (asked.order, "order of work"),
        "panels": (asked.panels, "panel"),
    }
    if check.question in over:
        x, words = over[check.question]
        y = view.standardised(view.residual, panels=True) if check.question == "panels" else asked.luck
        return figures.luck(x, y, list(asked.panels), over=words, title=title, ax=ax)
    if check.question == "outlying":
        return figures.bell(asked.luck, names=asked.names, title=title, ax=ax)
    if check.question == "repeats":
        return figures.repeats(
            repeated(asked), _repeated_names(asked), response=asked.fit.name, title=title, ax=ax
        )
    if check.question == "influence":
        size = view.influence(view.residual[:, None], asked.near)[:, 0]
        return figures.influence(size, asked.names, response=asked.fit.name, title=title, ax=ax)
    if check.question == "ceiling":
        after, before = ceilings(asked.fit)
        goal = asked.fit.study.goal.get(asked.fit.name)
        rows = [("general guess\nfor clears", *before), ("after these\ntrials", *after)]
        mark = None if goal is None else goal.at_least
        return figures.ranges(
            rows, mark=mark, mark_name="goal", over="ceiling, GU (90 % intervals)", title=title, ax=ax
        )
    facts = check.facts
    rows = [("powers the\ntrials allow", facts.get("low", np.nan), facts.get("high", np.nan))]
    over_powers = "power of roughness on which settings add up (0: logarithm, 1: roughness, 2: its square)"
    return figures.ranges(rows, mark=0.0, mark_name="the scale used", over=over_powers, title=title, ax=ax)


def _repeated_names(asked: Asked) -> list[str]:
    view, study = asked.view, asked.fit.study
    values = asked.fit.posterior.observed.rows.values[view.at]
    of = view.same[view.at]
    _, first, counts = np.unique(of, return_index=True, return_counts=True)
    words = [show.process_text(study.basis.settings(values[i]), study) for i in first[counts > 1]]
    return ["\n".join(textwrap.wrap(w, _NAME_WIDTH)) for w in words]


def check_model(model: FinishModel) -> ModelChecks:
    """
    Ask a fitted model whether it is as good as it says.

    Parameters
    ----------
    model : FinishModel

    Returns
    -------
    ModelChecks
        For each response of the goal: trials and whole panels left out, repeats against misfit, the
        trial that moves the answer most, residuals against level, order, panel and a bell-shaped
        spread, the size of luck over the scale, the scale itself and the ceiling.

    Raises
    ------
    ModelError
        A response of the goal was never read.

    References
    ----------
    Cook, R. D. & Weisberg, S. (1982), Residuals and Influence in Regression: leverage, residuals of
    cases left out, influence. Box, G. E. P. & Draper, N. R. (1987), Empirical Model-Building and
    Response Surfaces: lack of fit against repeats (both from memory). The tests hold the
    arithmetic to published analyses.

    Examples
    --------
    >>> found = check_model(model)
    >>> found.questions[:3]
    ('prediction', 'new panel', 'repeats')

    A question that was not asked has no picture:

    >>> found.plot("colour")
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: there is no picture of 'colour' for 'gloss_20'. Drawn are: ...
    """
    asked = {name: Asked(model.response(name), model.done) for name in model.study.goal}
    return ModelChecks(model.checked, asked)
