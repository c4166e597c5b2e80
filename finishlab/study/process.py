"""The process under study: its steps and their settings."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

from finishlab.errors import StudyError
from finishlab.numbers import is_number
from finishlab.trade import abrasives

Kind = Literal["choice", "ordered", "graded", "count", "number"]


@dataclass(frozen=True)
class Setting:
    """
    One setting of a step: held at a single level, or a factor with several.

    Attributes
    ----------
    step, name : str
        As in the study file, for example ``cut`` and ``passes``.
    kind : {"choice", "ordered", "graded", "count", "number"}
        `choice` has levels without order, `ordered` has an order but no sizes, `graded`
        is a grit whose grain sizes are published, `count` whole numbers, `number` others.
    levels : tuple
        Every studied level in order; for `count` and `number` ascending.
    """

    step: str
    name: str
    kind: Kind
    levels: tuple[Any, ...]

    @property
    def factor(self) -> str:
        """Column name of this setting in every table, ``<step>_<setting>``."""
        return f"{self.step}_{self.name}"

    @property
    def held(self) -> bool:
        """True when the study does not vary it."""
        return len(self.levels) == 1

    @property
    def numeric(self) -> bool:
        """True for counts and other numbers; settings between studied levels make sense."""
        return self.kind in ("count", "number")

    def label(self) -> str:
        """Name in plain words, as ``cut passes``."""
        return f"{self.step} {self.name}".replace("_", " ")


def level_of(setting: Setting, value: Any) -> Any:
    """
    Return `value` as a level of `setting`, or None when it is not one of them.

    Capitals and spaces around words do not matter, and grits are read as marks.

    Examples
    --------
    >>> pad = Setting("cut", "pad", "choice", ("wool", "foam"))
    >>> level_of(pad, " Foam")
    'foam'
    >>> level_of(pad, "felt") is None
    True
    """
    if setting.numeric:
        if not is_number(value):
            return None
        return next((v for v in setting.levels if abs(v - float(value)) < 1e-9), None)
    wanted = str(value).strip()
    if setting.name == "grit":
        try:
            wanted = abrasives.grade(wanted).name
        except StudyError:
            return None
    return next((v for v in setting.levels if v.casefold() == wanted.casefold()), None)


@dataclass(frozen=True)
class Step:
    """
    One part of the process; `settings` in the order of the study file.

    Settings in `hard_to_change` stay the same over a whole `unit`, a panel or half of one.
    `no_longer` holds, by setting, levels that trials were worked with before the study changed.
    """

    name: str
    settings: tuple[Setting, ...]
    changeover_minutes: float = 0.0
    hard_to_change: tuple[str, ...] = ()
    unit: Literal["panel", "half panel"] = "panel"
    no_longer: dict[str, tuple[Any, ...]] = field(default_factory=dict)

    def setting(self, name: str) -> Setting | None:
        """Return the setting called `name`, or None when the step has none."""
        return next((s for s in self.settings if s.name == name), None)

    @cached_property
    def amount(self) -> Setting | None:
        """The setting that says how much: passes, else seconds; None when there is neither."""
        return self.setting("passes") or self.setting("seconds")

    @property
    def can_be_left_out(self) -> bool:
        """True when zero passes (or seconds) is one of the studied levels."""
        return self.amount is not None and 0 in self.amount.levels
