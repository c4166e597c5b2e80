"""All that a study file says, field by field, as plain data; what a `Study` adds to it is in `definition.py`.

The reader of the file, the coding of factors and the names of columns ask for no more than this.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from finishlab.errors import StudyError
from finishlab.study.process import Setting, Step
from finishlab.study.requirements import Avoid, Condition, Job, Lifted, Limit, Reading


@dataclass(frozen=True, eq=False)
class StudyFields:
    """The fields of a study, as `Study` describes them."""

    title: str
    pass_means: str
    steps: tuple[Step, ...]
    goal: dict[str, Condition]
    assurance: float
    limits: dict[str, Limit] = field(default_factory=dict)
    job: Job = field(default_factory=Job)
    avoid: tuple[Avoid, ...] = ()
    lifted: tuple[Lifted, ...] = ()
    today: dict[str, Any] | None = None
    harsher: dict[str, tuple[Any, ...]] = field(default_factory=dict)
    patches: int = 8
    reading: Reading = field(default_factory=Reading)
    cautions: tuple[str, ...] = ()
    source: str = ""

    @cached_property
    def settings(self) -> dict[str, Setting]:
        """Every setting by its column name, held ones too."""
        return {s.factor: s for step in self.steps for s in step.settings}

    @cached_property
    def factors(self) -> tuple[Setting, ...]:
        """The settings that the study varies, in order."""
        return tuple(s for s in self.settings.values() if not s.held)

    def step(self, name: str) -> Step:
        """Return the step called `name`; StudyError when there is none."""
        for step in self.steps:
            if step.name == name:
                return step
        known = ", ".join(s.name for s in self.steps)
        raise StudyError(f"there is no step '{name}'. The steps are {known}.")
