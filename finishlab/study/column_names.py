"""The columns of a trial table that have a meaning in a study, by their names.

Sheets, the record book, forms and the column map of a study file all ask here. Taking a
heading with its repeat number apart, and what may stand in a column, belong to `records/`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from finishlab.study.vocabulary import RESPONSES

if TYPE_CHECKING:
    from finishlab.study.fields import StudyFields

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


def known_columns(study: StudyFields) -> dict[str, Column]:
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


def quantities_after(study: StudyFields, step: str, *, also: Iterable[str] = ()) -> tuple[str, ...]:
    """
    Return what is read after a step: the goal's gloss, and after the last step all of the goal.

    Parameters
    ----------
    study : StudyFields
    step : str
    also : iterable of str, optional
        Further responses that the bench reads.

    Returns
    -------
    tuple of str
        Empty where the study file does not ask for readings after this step. ASTM D4039 haze
        is computed from the two glosses, so those are asked for in its place.

    Examples
    --------
    >>> from finishlab.study import Study
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction, 50 % overlap"
    ... [[step]]
    ... name = "sand"
    ... passes = 4
    ... [[step]]
    ... name = "cut"
    ... passes = { lowest = 1, highest = 4 }
    ... [goal]
    ... gloss_20 = { at_least = 82 }
    ... faults = { at_most = 0 }
    ... assurance = 0.9
    ... [reading]
    ... after = ["sand", "cut"]
    ... ''')
    >>> quantities_after(study, "sand"), quantities_after(study, "cut")
    (('gloss_20',), ('gloss_20', 'faults'))
    >>> quantities_after(study, "sand", also=["gloss_60"])
    ('gloss_20', 'gloss_60')
    """
    if step not in study.reading.after:
        return ()
    asked = set(study.goal) & set(RESPONSES)
    if "haze" in asked and study.reading.haze_method == "ASTM D4039":
        asked = asked - {"haze"} | {"gloss_20", "gloss_60"}
    if step != study.steps[-1].name:
        asked = {name for name in asked if name.startswith("gloss_")}
    return tuple(name for name in RESPONSES if name in asked | set(also))


def read_in_trials(study: StudyFields, step: str, columns: Iterable[str]) -> tuple[str, ...]:
    """
    Return what trials read after a step, by the columns of their table.

    Parameters
    ----------
    study : StudyFields
    step : str
    columns : iterable of str
        Of a trial table.

    Returns
    -------
    tuple of str
        Responses, empty where the trials were not read after the step.

    Examples
    --------
    >>> from finishlab.records.columns import _example
    >>> study = _example()
    >>> [step.name for step in study.steps]
    ['sand', 'cut']
    >>> read_in_trials(study, "sand", ["sand_gloss_60", "gloss_20", "haze"])
    ('gloss_60',)
    >>> read_in_trials(study, "cut", ["sand_gloss_60", "gloss_20", "haze"])
    ('gloss_20', 'haze')
    """
    prefix = "" if step == study.steps[-1].name else f"{step}_"
    there = set(columns)
    return tuple(name for name in RESPONSES if prefix + name in there)
