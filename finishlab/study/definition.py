"""What a study is: its steps, settings, goal, limits and the job it is for.

`Study.read("study.toml")` gives the one object from which plan, run sheet, form, model,
search and procedure are derived. Here live the words of a study and their meaning; the
reading of the file, with all its mistakes at once, is in `_study_file.py`; which
processes are admissible and how factors are coded is in `basis.py`. No trial data here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab.errors import StudyError
from finishlab.numbers import is_number
from finishlab.trade import abrasives

if TYPE_CHECKING:
    from finishlab.study.basis import Basis

Kind = Literal["choice", "ordered", "graded", "count", "number"]

#: Responses a goal may name: label and unit.
RESPONSES: dict[str, tuple[str, str]] = {
    "gloss_20": ("20° gloss", "GU"),
    "gloss_60": ("60° gloss", "GU"),
    "gloss_85": ("85° gloss", "GU"),
    "haze": ("haze", ""),
    "faults": ("visible faults", ""),
}
#: Quantities a limit may name: label and unit.
LIMITS: dict[str, tuple[str, str]] = {
    "removed_um": ("film removed", "µm"),
    "film_left_um": ("film left", "µm"),
}
#: Lowest and highest value that can occur on paint (common practice, no source); what lies
#: beyond is a slip of the keyboard. A polished metal mirror reads far above 200 GU, paint does not.
RANGES: dict[str, tuple[float, float]] = {
    "gloss_20": (0, 200),
    "gloss_60": (0, 200),
    "gloss_85": (0, 200),
    "haze": (0, 1000),
    "faults": (0, 10_000),
    "removed_um": (0, 1000),
    "film_left_um": (0, 1000),
}
HAZE_METHODS = ("ISO 13803", "ASTM D4039")
#: The setting that says how much a step is worked; at zero the step is left out.
AMOUNTS = ("passes", "seconds")


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


@dataclass(frozen=True, eq=False)
class Study:
    """
    One question: a process under study, its factors, its goal.

    Made by `Study.read` or `Study.from_toml`; the attributes follow the study file.

    Attributes
    ----------
    title, pass_means : str
    steps : tuple of Step
        In the order of work, each with its settings.
    goal : dict of response -> Condition
        What the finish must be: gloss in GU, haze on the scale of `reading.haze_method` (no unit),
        faults a count.
    assurance : float
        Probability that the next job is to meet every goal, above 0 and below 1.
    limits : dict of str -> Limit
        On ``removed_um`` and ``film_left_um``, µm, each with who set it and how sure to be.
    job : Job
        Its sections, and the film before work, µm.
    avoid : tuple of Avoid
        Combinations that are never run.
    lifted : tuple of Lifted
        What a burn-through would rule out and the owner lets back in.
    today : dict of factor -> setting, or None
        Today's process, the control.
    harsher : dict of factor -> tuple of levels
        From mild to harsh, where the shop ranks them: what a burn-through rules out beside itself.
    patches : int
        How many fit on one panel.
    reading : Reading
        Spots averaged, after which steps, and minutes to wait before.
    cautions : tuple of str
    source : str
        Text of the study file.

    Examples
    --------
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction, 50 % overlap"
    ... [[step]]
    ... name = "cut"
    ... pad = ["wool", "foam"]
    ... passes = { lowest = 1, highest = 4 }
    ... [goal]
    ... gloss_20 = { at_least = 82 }
    ... assurance = 0.9
    ... ''')
    >>> [f.factor for f in study.factors]
    ['cut_pad', 'cut_passes']
    >>> study.basis.size
    8

    Every mistake is answered at once:

    >>> Study.from_toml('title = "Doors"')
    Traceback (most recent call last):
        ...
    finishlab.errors.StudyError: The study file has 3 mistakes.
      - pass_means is missing. Say what one pass is, as pass_means = "one direction, 50 % overlap".
      - there is no [[step]]. Write one [[step]] table for each step of the process, in order.
      - [goal] is missing. Write what the finish must be, as gloss_20 = { at_least = 84 }, and an assurance.
    """

    title: str
    pass_means: str
    steps: tuple[Step, ...]
    goal: dict[str, Condition]
    assurance: float
    limits: dict[str, Limit] = field(default_factory=dict)
    job: Job = Job()
    avoid: tuple[Avoid, ...] = ()
    lifted: tuple[Lifted, ...] = ()
    today: dict[str, Any] | None = None
    harsher: dict[str, tuple[Any, ...]] = field(default_factory=dict)
    patches: int = 8
    reading: Reading = Reading()
    cautions: tuple[str, ...] = ()
    source: str = ""

    @classmethod
    def read(cls, path: str | Path) -> Study:
        """
        Read a study file.

        Parameters
        ----------
        path : str or Path
            The TOML file, UTF-8.

        Returns
        -------
        Study

        Raises
        ------
        StudyError
            The file is not there, is not TOML, or has mistakes; all of them are listed.
        """
        path = Path(path)
        try:
            text = path.read_text(encoding="utf-8-sig")
        except FileNotFoundError:
            raise StudyError(
                f"there is no study file {path.name} in {path.parent}. Write one there, or give another folder."
            ) from None
        except (OSError, UnicodeDecodeError) as error:
            raise StudyError(f"{path.name} cannot be read ({error}). Save it as plain UTF-8 text.") from None
        return cls.from_toml(text)

    @classmethod
    def from_toml(cls, text: str) -> Study:
        """
        Make a study from the text of a study file.

        Parameters
        ----------
        text : str
            TOML. It is data: nothing in it is evaluated as code.

        Returns
        -------
        Study

        Raises
        ------
        StudyError
            All mistakes at once (TOML's own syntax errors come one at a time).
        """
        from finishlab.study.file_reader import parse

        return parse(text)

    @cached_property
    def settings(self) -> dict[str, Setting]:
        """Every setting by its column name, held ones too."""
        return {s.factor: s for step in self.steps for s in step.settings}

    @cached_property
    def factors(self) -> tuple[Setting, ...]:
        """The settings that the study varies, in order."""
        return tuple(s for s in self.settings.values() if not s.held)

    @cached_property
    def basis(self) -> Basis:
        """The admissible processes and the one coding of factors."""
        from finishlab.study.basis import Basis

        return Basis(self)

    def step(self, name: str) -> Step:
        """Return the step called `name`; StudyError when there is none."""
        for step in self.steps:
            if step.name == name:
                return step
        known = ", ".join(s.name for s in self.steps)
        raise StudyError(f"there is no step '{name}'. The steps are {known}.")

    def asked(
        self, goal: Mapping[str, Any] | None = None, assurance: float | None = None
    ) -> tuple[dict[str, Condition], float]:
        """
        Return the goal and assurance in force: those given for one question, else the file's.

        Parameters
        ----------
        goal : mapping, optional
            In the words of ``[goal]``, as ``{"gloss_20": {"at_least": 84}}``; an
            `assurance` in it counts unless `assurance` is given.
        assurance : float, optional
            Probability that the next job meets every goal, above 0 and below 1.

        Raises
        ------
        StudyError
            A word or value in them is not right.
        """
        from finishlab.study.file_reader import parse_goal

        conditions, stated = (self.goal, self.assurance) if goal is None else parse_goal(goal, self)
        wanted = next(a for a in (assurance, stated, self.assurance) if a is not None)
        if not isinstance(wanted, Real) or not 0 < wanted < 1:
            raise StudyError(
                f"assurance is {wanted!r}; it must be above 0 and below 1. Write 90 % as 0.9; nothing is ever sure."
            )
        return conditions, float(wanted)
