"""What to do now with a patch in the middle of its process: the answer in words, table and figure.

How it is found is `mid_job_ways.py`'s.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True, eq=False)
class NextPasses:
    """
    What to do now with a patch in the middle of its process.

    Made by `next_passes`.

    Attributes
    ----------
    action : {"stop", "done", "go on", "cannot tell"}
        Stop for the film's sake; the finish is there already; go on as said; no way on is sure enough.
    more : float
        Further passes (or seconds) of the step just worked.
    settings : dict of factor -> setting
        The whole process as it then stands; empty on a stop.
    minutes : float
        Further working minutes of this section, wipes included; with `read_again` those on average, the reading and
        its wait included.
    assurance : float
        Probability that the job meets every goal: all its sections worked so, this one having read so.
    this_section : float
        Probability that this section meets every goal; of a job of one section the same.
    wanted : float
        Probability asked of the job.
    read_again : bool
        Whether to work that and then read and ask again: where a reading costs less than the passes that make it sure.
    said : str
    options : DataFrame
        One row a way on that was weighed: ``way`` in words, ``minutes``, ``assurance``, ``keeps_limits``.
    cautions : tuple of str
    """

    action: str
    more: float
    settings: dict[str, Any]
    minutes: float
    assurance: float
    this_section: float
    wanted: float
    read_again: bool
    said: str
    options: pd.DataFrame
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say what to do now, on one screen."""
        return self.said

    def table(self) -> pd.DataFrame:
        """Return a copy of the ways on that were weighed."""
        return self.options.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        kept = {k: v for k, v in vars(self).items() if k not in ("options", "settings", "cautions")}
        return {
            **kept,
            "settings": dict(self.settings),
            "cautions": list(self.cautions),
            "options": self.options.to_dict("records"),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw further minutes against the assurance of every way on that was weighed."""
        from finishlab.figures import mid_job_figures

        return mid_job_figures.ways(
            self.options, wanted=self.wanted, title=self.said.split(";")[0].split(". ")[0], ax=ax
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())
