"""The one object from which plan, run sheet, form, model, search and procedure are derived: `Study`.

Reading the file, with all its mistakes at once, is in `file_reader.py`; which processes are admissible and
how factors are coded is in `basis.py`. No trial data here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cached_property
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any

from finishlab.errors import StudyError
from finishlab.study.fields import StudyFields
from finishlab.study.requirements import Condition

if TYPE_CHECKING:
    from finishlab.study.basis import Basis


@dataclass(frozen=True, eq=False)
class Study(StudyFields):
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

        said = parse(text)
        return cls(**{f.name: getattr(said, f.name) for f in fields(said)})

    @cached_property
    def basis(self) -> Basis:
        """The admissible processes and the one coding of factors."""
        from finishlab.study.basis import Basis

        return Basis(self)

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
