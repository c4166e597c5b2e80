"""A newcomer's panels: what k in band of n say of the share that the next ones will be.

An exact reading of a count, for the instructor: no normal approximation for a dozen panels, and "cannot tell yet" is an
answer. What is in band is judged before (the goal, both film limits); nothing is fitted here.

References
----------
Clopper, C. J. & Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in the case of the
binomial. Biometrika 26, 404-413 (from memory).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab.errors import RecordsError
from finishlab.numbers import is_whole
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: More panels than this nobody works for a certificate.
_MOST = 1000


@dataclass(frozen=True)
class Certificate:
    """
    What a newcomer's panels show.

    Made by `certify`.

    Attributes
    ----------
    in_band, of : int
        Panels in band, of those worked, blind and each anew.
    wanted : float
        Share of panels that must be in band.
    confidence : float
        Probability that each limit, by itself, holds the true share.
    at_least, at_most : float
        Exact limits of the share, each on its own at `confidence`.
    verdict : {"shown", "cannot tell yet", "falls short"}
    further : int or None
        Panels in band in a row that would show it now; None where it is shown or more than a thousand were needed.
    """

    in_band: int
    of: int
    wanted: float
    confidence: float
    at_least: float
    at_most: float
    verdict: Literal["shown", "cannot tell yet", "falls short"]
    further: int | None

    def text(self) -> str:
        """Say what the panels show, and what would show more."""
        asked = show.asked_percent(self.wanted)
        count = f"{self.in_band} of {show.counted(self.of, 'panel')} in band"
        sure = f"{show.asked_percent(self.confidence)} confidence"
        if self.verdict == "shown":
            return f"{count}: at least {show.percent(self.at_least)} of the next panels will be, with {sure}; {asked} was asked for, and is shown."
        if self.verdict == "falls short":
            return (
                f"{count}: at most {show.percent(self.at_most)} of the next panels will be, with {sure}; {asked} was asked for. "
                "Train on, and begin the count anew."
            )
        more = (
            ""
            if self.further is None
            else f" {self.further} more in a row, all in band, would show it; settle on that number before they are worked."
        )
        return f"{count}: that cannot tell yet whether {asked} of the next panels will be; sure are {show.percent(self.at_least)}, with {sure}.{more}"

    def table(self) -> pd.DataFrame:
        """Return one row with the count, the limits and what they show."""
        import pandas as pd

        return pd.DataFrame([asdict(self)])

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        return asdict(self)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the share with its limits beside what was asked for."""
        from finishlab.figures import job_figures

        return job_figures.share(
            self.in_band / self.of,
            (self.at_least, self.at_most),
            wanted=self.wanted,
            title=f"{self.in_band} of {show.counted(self.of, 'panel')} in band: {self.verdict}",
            ax=ax,
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def certify(in_band: int, of: int, *, wanted: float = 0.9, confidence: float = 0.9) -> Certificate:
    """
    Say what a newcomer's count of panels in band shows.

    Parameters
    ----------
    in_band, of : int
        Panels in band, of those worked. Each is a panel worked anew and read blind: ten readings of one panel are one.
    wanted : float, optional
        Share that must be in band, above 0 and below 1.
    confidence : float, optional
        Probability that each one-sided limit holds the true share, from 0.5 to below 1.

    Returns
    -------
    Certificate

    Raises
    ------
    RecordsError
        The counts are no counts, or a share is none.

    References
    ----------
    Clopper, C. J. & Pearson, E. S. (1934), Biometrika 26, 404: exact limits of a share (from memory).

    Examples
    --------
    Ten of ten is not yet nine in ten:

    >>> print(certify(10, 10).text())
    10 of 10 panels in band: that cannot tell yet whether 90 % of the next panels will be; sure are 79 %, with 90 % confidence. 12 more in a row, all in band, would show it; settle on that number before they are worked.
    >>> certify(22, 22).verdict, certify(5, 12).verdict
    ('shown', 'falls short')

    >>> certify(11, 10)
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: in_band is 11 and of is 10; give whole numbers, in_band from 0 to of, and one panel at least.
    """
    mistakes = []
    if not (is_whole(in_band) and is_whole(of) and 0 <= in_band <= of and of >= 1):
        mistakes.append(
            f"in_band is {in_band!r} and of is {of!r}; give whole numbers, in_band from 0 to of, and one panel at least."
        )
    if not 0 < wanted < 1:
        mistakes.append(f"wanted is {wanted!r}; give a share above 0 and below 1, as 0.9.")
    if not 0.5 <= confidence < 1:
        mistakes.append(f"confidence is {confidence!r}; give one from 0.5 to below 1, as 0.9.")
    if mistakes:
        raise RecordsError(mistakes)
    from statsmodels.stats.proportion import proportion_confint

    # Each limit stands alone, so each may be wrong in the share that a two-sided interval gives both ends together.
    alpha = 2 * (1 - confidence)
    low, high = proportion_confint(in_band, of, alpha=alpha, method="beta")
    verdict: Literal["shown", "cannot tell yet", "falls short"] = "cannot tell yet"
    if low >= wanted:
        verdict = "shown"
    elif high < wanted:
        verdict = "falls short"
    further = None
    if verdict != "shown":
        more = np.arange(1, _MOST + 1)
        enough = proportion_confint(in_band + more, of + more, alpha=alpha, method="beta")[0] >= wanted
        further = int(more[enough.argmax()]) if enough.any() else None
    return Certificate(in_band, of, wanted, confidence, low, high, verdict, further)
