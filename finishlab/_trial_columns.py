"""The columns of a trial table that have a meaning in a study, by their names.

Sheets, the record book, forms and the column map of a study file all ask here. Taking a
heading with its repeat number apart, and what may stand in a column, belong to `records/`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from finishlab.study import RESPONSES

if TYPE_CHECKING:
    from finishlab.study import Study

Role = Literal["setting", "label", "text", "date", "minutes", "reading", "film", "extra"]

#: Film quantities of a trial, in micrometres.
FILM = ("film_before_um", "film_after_um", "removed_um")
#: One mil is a thousandth of an inch, exactly 25.4 micrometres (the inch is 25.4 mm by definition).
MIL_UM = 25.4
#: The state of the patch before any work.
START = "start"
#: What trials are told apart by: whole numbers or short names.
LABELS = ("trial", "panel", "patch", "run_order", "technician")
TEXTS = ("status", "reason", "burned_after_step")


@dataclass(frozen=True)
class Column:
    """
    What one heading means.

    Attributes
    ----------
    heading : str
        As it stands in the table.
    role : str
        Which kind of column it is; ``extra`` is the shop's own.
    mean : str
        The column that carries the trial's value: the heading without its repeat number,
        film in micrometres.
    quantity : str
        The response or film quantity, else the heading.
    step : str
        Step after which a reading was taken; the last step for plain names, ``start``
        before any work.
    repeat : int
        Which of several repeat readings; 0 for a single reading or the mean.
    in_mil : bool
        True for film given in mil.
    """

    heading: str
    role: Role
    mean: str
    quantity: str
    step: str = ""
    repeat: int = 0
    in_mil: bool = False


def known_columns(study: Study) -> dict[str, Column]:
    """
    Return every column name that has a meaning in this study, without repeat numbers.

    Examples
    --------
    >>> from finishlab.records.columns import _example
    >>> known_columns(_example())["sand_gloss_60"].step
    'sand'
    """
    known: dict[str, Column] = {}

    def add(
        name: str, role: Role, mean: str = "", quantity: str = "", step: str = "", in_mil: bool = False
    ) -> None:
        known.setdefault(name, Column(name, role, mean or name, quantity or name, step, 0, in_mil))

    for name in study.settings:
        add(name, "setting")
    for name in LABELS:
        add(name, "label")
    for name in TEXTS:
        add(name, "text")
    add("date", "date")
    add("minutes", "minutes")
    last = study.steps[-1].name
    for response in RESPONSES:
        add(response, "reading", step=last)
    for step in study.steps:
        add(f"{step.name}_minutes", "minutes", step=step.name)
        for response in RESPONSES if step.name != last else ():
            add(f"{step.name}_{response}", "reading", quantity=response, step=step.name)
    for response in RESPONSES:
        add(f"{START}_{response}", "reading", quantity=response, step=START)
    for name in FILM:
        add(name, "film")
        add(name.replace("_um", "_mil"), "film", mean=name, quantity=name, in_mil=True)
    return known
