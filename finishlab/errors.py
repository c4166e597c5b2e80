"""The one family of errors.

Every error a caller can meet derives from `FinishlabError` and carries its mistakes one
by one, so that a screen can list them all. What does not belong here: cautions, which
are not errors and travel in the result they concern (`result.cautions`).
"""

from collections.abc import Iterable


class FinishlabError(Exception):
    """
    Base of every error of finishlab.

    Parameters
    ----------
    mistakes : str or iterable of str
        One plain sentence, or all of them. Each says what was found, where, what was
        wanted and what to do next.
    heading : str, optional
        One line that stands above several mistakes.

    Attributes
    ----------
    mistakes : tuple of str
        The sentences, one a mistake.

    Examples
    --------
    >>> error = StudyError(["step 'cut' has no passes.", "goal is missing."], heading="Two mistakes.")
    >>> print(error)
    Two mistakes.
      - step 'cut' has no passes.
      - goal is missing.
    >>> print(StudyError("goal is missing."))
    goal is missing.
    """

    def __init__(self, mistakes: str | Iterable[str], *, heading: str = "") -> None:
        self.mistakes: tuple[str, ...] = (mistakes,) if isinstance(mistakes, str) else tuple(mistakes)
        if heading or len(self.mistakes) > 1:
            lines = [heading] if heading else []
            text = "\n".join(lines + [f"  - {m}" for m in self.mistakes])
        else:
            text = self.mistakes[0]
        super().__init__(text)

    def _render_traceback_(self) -> list[str]:
        # IPython asks for it: whoever works in a notebook reads the sentences, not our code.
        return [str(self)]


class StudyError(FinishlabError, ValueError):
    """The study file, or a goal, limit or assurance given in its words, is not right."""


class RecordsError(FinishlabError, ValueError):
    """A trial table or sheet is not right; nothing of it was taken."""


class PlanError(FinishlabError, ValueError):
    """The trials asked for cannot be planned."""


class ModelError(FinishlabError, ValueError):
    """The trials are too few or too alike to fit what was asked."""


class OutsideStudy(FinishlabError, ValueError):
    """A process lies outside what was studied: a setting never tried or beyond its range."""


class ProcedureError(FinishlabError, ValueError):
    """A procedure cannot be written or read as asked."""


def nearest(word: str, known: Iterable[str]) -> str:
    """
    Say which known word is meant, or list them all: the end of many a mistake's sentence.

    Examples
    --------
    >>> nearest("polsh", ["sand", "polish"]), nearest("wax", ["sand", "polish"])
    ("Did you mean 'polish'?", 'Known here: sand, polish.')
    """
    import difflib

    known = list(known)
    close = difflib.get_close_matches(word, known, n=1)
    return f"Did you mean '{close[0]}'?" if close else f"Known here: {', '.join(known)}."
