"""How far a trial on the bench has come, and what is typed for its next step.

Plain functions of a book's table and the study; no widget, no page. What a page looks like
is decided in `page.py`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from finishlab.bench.forms.entry import Field, film_field, minutes_field, reading_fields
from finishlab.records.columns import understand
from finishlab.study import RESPONSES, Step, Study
from finishlab.study.column_names import quantities_after
from finishlab.words.show import left_out, step_name, value_of

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Trial:
    """One trial as the bench sees it: where, with what, and how far it has come."""

    number: int | str
    panel: Any
    patch: Any
    settings: dict[str, Any]
    status: str
    #: Steps of which anything is logged, and those after which something was read.
    worked: frozenset[str] = frozenset()
    read: frozenset[str] = frozenset()
    #: Logged minutes by step.
    minutes: Mapping[str, float] = field(default_factory=dict)
    technician: str = ""

    @property
    def place(self) -> str:
        """Where it is worked, in words."""
        return f"Panel {self.panel} · patch {self.patch}"


def trials_of(table: pd.DataFrame, study: Study) -> list[Trial]:
    """
    Return the trials of a book's tidy table, in its order.

    A step counts as worked once anything was logged of it.
    """
    columns = [c for c in understand(map(str, table.columns), study).values() if c.step]
    readings = [(c.step, c.heading) for c in columns if c.role == "reading"]
    minutes = [(c.step, c.heading) for c in columns if c.role == "minutes"]
    found = []
    for line in table.to_dict("records"):
        row = {str(k): v for k, v in line.items()}
        read = frozenset(step for step, heading in readings if _given(row[heading]))
        spent = {step: float(row[heading]) for step, heading in minutes if _given(row[heading])}
        found.append(
            Trial(
                row["trial"],
                row["panel"],
                row.get("patch", ""),
                {f.factor: value_of(f, row) for f in study.factors},
                row["status"],
                read | spent.keys(),
                read,
                spent,
                str(row["technician"]) if _given(row.get("technician")) else "",
            )
        )
    return found


def _given(value: Any) -> bool:
    return value is not None and value == value  # not-a-number is not itself


def to_work(study: Study, trial: Trial) -> list[Step]:
    """Return the steps that this trial has."""
    return [s for s in study.steps if not left_out(s, trial.settings)]


def last_worked(study: Study, trial: Trial) -> Step:
    """Return the last step that this trial has."""
    return to_work(study, trial)[-1]


def read_as(study: Study, trial: Trial, step: Step) -> str:
    """Return the step under which readings are kept: the study's last one where the rest is left out."""
    return study.steps[-1].name if step == last_worked(study, trial) else step.name


def step_to_do(study: Study, trial: Trial) -> Step | None:
    """Return the first step that is neither worked nor left out, or is still to be read; None at the end."""
    steps = to_work(study, trial)
    for n, step in enumerate(steps):
        if step.name not in trial.worked:
            return step
        after = read_as(study, trial, step)
        gone_on = any(s.name in trial.worked for s in steps[n + 1 :])
        if not gone_on and after in study.reading.after and after not in trial.read:
            return step
    return None


def fields_of_step(
    study: Study, trial: Trial, step: Step, also: Iterable[str] = ()
) -> list[tuple[str, list[Field]]]:
    """
    Return the groups of fields for a step: heading and fields, the stopwatch's minutes first.

    After the last step of a trial everything is read that the goal names, also where the
    trial leaves out the steps behind it.
    """
    groups = [("", [minutes_field(f"minutes of {step_name(step)}")])]
    for quantity in quantities_after(study, read_as(study, trial, step), also=also):
        words, unit = RESPONSES[quantity]
        heading = "" if quantity == "faults" else f"{words}, {unit}" if unit else words
        groups.append((heading, list(reading_fields(study, quantity))))
    if step == last_worked(study, trial) and study.limits:
        groups.append(("", [film_field(study, "film_after_um", "film after work")]))
    return groups
