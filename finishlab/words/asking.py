"""A question to a study that may have no answer yet: the answer, or the sentence that says why not.

A notebook asks one question after another, of any study. What these trials cannot tell is then
said in the answer's place, and the next question is asked. What does not belong here: mistakes
of whoever asks, which stop the work as everywhere.
"""

from __future__ import annotations

import html
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from finishlab.errors import ModelError, PlanError
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Unanswered:
    """
    What stands in the place of an answer that there is not.

    Made by `ask`; it takes the calls that the answer would have taken.

    Attributes
    ----------
    why : str
        What was found, what is wanted and what to do next.
    """

    why: str

    def text(self) -> str:
        """Return why there is no answer."""
        return show.begun(self.why)

    def table(self) -> pd.DataFrame:
        """Return a table with nothing in it."""
        import pandas as pd

        return pd.DataFrame()

    def to_dict(self) -> dict[str, Any]:
        """Return the reason as plain Python."""
        return {"why": self.why}

    def plot(self, *_: Any, **__: Any) -> None:
        """Draw nothing."""

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.text())}</p>"


def ask(question: Callable[..., Any], *about: Any, **how: Any) -> Any:
    """
    Ask a question that these trials may be unable to answer.

    Parameters
    ----------
    question : callable
        A function of finishlab, as `compare_levels`.
    *about, **how
        What it is called with.

    Returns
    -------
    result or Unanswered
        What the function returns; where the trials or the plan are too few or too alike for it, an
        `Unanswered`, whose ``text()`` says why.

    Raises
    ------
    FinishlabError
        Any other mistake, as the function raises it.

    Examples
    --------
    >>> import finishlab as fl
    >>> print(ask(fl.plan_trials, bench.study, trials=3, panels=4).text())
    3 trials do not reach 4 panels: every panel needs one at least. Plan more trials, or fewer panels.
    """
    try:
        return question(*about, **how)
    except (ModelError, PlanError) as error:
        return Unanswered(str(error))
