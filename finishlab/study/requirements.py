"""What the work must meet: conditions on readings, limits, the job, how it is read, what is never run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from finishlab.study.vocabulary import LIMITS, RESPONSES


@dataclass(frozen=True)
class Condition:
    """
    What a quantity must be: at least, at most, or within both.

    `neighbour_readings` are the readings that a neighbouring panel's value rests on, where the band is
    about it: the meter's error in them is shared by all sections, and counts. 0 where there is none.

    Examples
    --------
    >>> Condition(at_least=84).text("gloss_20")
    '20° gloss at least 84 GU'
    >>> Condition(80, 86).met([79.0, 80.0, 86.5]).tolist()
    [False, True, False]
    >>> Condition(80, 84, neighbour_readings=3).text("gloss_20")
    '20° gloss within 80 and 84 GU, about a neighbour read 3 times'
    """

    at_least: float | None = None
    at_most: float | None = None
    neighbour_readings: int = 0

    def met(self, values: Any) -> np.ndarray:
        """Return for each value whether it meets the condition; a missing value does not."""
        values = np.asarray(values, float)
        low = -np.inf if self.at_least is None else self.at_least
        high = np.inf if self.at_most is None else self.at_most
        return (values >= low) & (values <= high)

    def text(self, quantity: str) -> str:
        """Say the condition in words with its unit."""
        label, unit = {**RESPONSES, **LIMITS}.get(quantity, (quantity.replace("_", " "), ""))
        unit = f" {unit}" if unit else ""
        if self.at_least is not None and self.at_most is not None:
            n = self.neighbour_readings
            about = f", about a neighbour read {f'{n} times' if n > 1 else 'once'}" if n else ""
            return f"{label} within {self.at_least:g} and {self.at_most:g}{unit}{about}"
        if self.at_least is not None:
            return f"{label} at least {self.at_least:g}{unit}"
        return f"{label} at most {self.at_most:g}{unit}"

    def to_dict(self) -> dict[str, Any]:
        """Return the condition in the words of the study file."""
        if self.at_least is not None and self.at_most is not None:
            about = {"neighbour_readings": self.neighbour_readings} if self.neighbour_readings else {}
            return {"within": [self.at_least, self.at_most], **about}
        return {"at_least": self.at_least} if self.at_least is not None else {"at_most": self.at_most}

    @classmethod
    def from_dict(cls, words: Mapping[str, Any]) -> Condition:
        """Make the condition again from what `to_dict` gave."""
        if "within" in words:
            low, high = words["within"]
            return cls(low, high, words.get("neighbour_readings", 0))
        return cls(**words)


@dataclass(frozen=True)
class Limit:
    """What must not be broken for the paint's sake, who said so, and how sure to be of it."""

    condition: Condition
    set_by: str
    assurance: float


@dataclass(frozen=True)
class Job:
    """
    The body panel a recipe is for: how many sections, and whether each or their mean counts.

    `film_before_um` is the thinnest film on the job before work, µm; a limit on the film left
    is reckoned from it.
    """

    sections: int = 1
    accept: Literal["every section", "mean of sections"] = "every section"
    film_before_um: float | None = None


@dataclass(frozen=True)
class Reading:
    """
    How patches are read: spots averaged, after which steps, wipe, wait, haze method.

    `after` is in the order of the process and always ends with the last step. `columns`
    says which columns of a trial table the headings of a meter's own export mean.
    """

    spots: int = 3
    after: tuple[str, ...] = ()
    wipe: str = ""
    wait_minutes: float = 0.0
    haze_method: str = ""
    columns: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Avoid:
    """A combination the shop never runs: every one of its parts must hold for it to apply."""

    parts: dict[str, tuple[Any, ...] | Condition]


@dataclass(frozen=True)
class Lifted:
    """
    Processes that a burn-through would rule out and that the owner lets back in, by whom and why.

    `where` holds the settings it is about, as `Avoid` does.
    """

    where: Avoid
    set_by: str
    reason: str
