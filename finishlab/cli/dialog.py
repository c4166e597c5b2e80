"""Asking one thing after another at a terminal, or taking the answers from a file.

A wrong answer is answered beside its question and asked again; from a file it ends the
command, since nobody is there to mend it. What is asked is not decided here.
"""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

import typer

from finishlab.errors import FinishlabError

T = TypeVar("T")


class Ended(FinishlabError):
    """There is nobody to answer any more."""


class Word(Exception):
    """A word with a meaning of its own was typed in place of an answer."""

    def __init__(self, word: str) -> None:
        super().__init__(word)
        self.word = word


class Dialog:
    """
    Questions to a person, or to a file.

    Parameters
    ----------
    answers : Path, optional
        A text file, one answer a line. Left out, the answers are typed at the terminal or
        come through a pipe.
    words : mapping of str to str, optional
        What may be typed at any question besides an answer, and what it does.
    draft : Path, optional
        Where answers typed at a terminal are kept, one a line. Those that stand there from
        last time are given again before anything is asked.
    """

    def __init__(
        self,
        answers: Path | None = None,
        words: Mapping[str, str] | None = None,
        draft: Path | None = None,
    ) -> None:
        self.words = dict(words or {})
        self.live = answers is None and sys.stdin.isatty()
        self.draft = draft if self.live else None
        self._count = 0
        self._lines: Iterator[str] = iter(())
        self._again = _lines_of(self.draft) if self.draft is not None and self.draft.exists() else []
        self._kept: list[str] = []
        if answers is not None:
            self._lines = iter(_lines_of(answers))
        elif not self.live:
            self._lines = iter(sys.stdin)

    @property
    def kept(self) -> int:
        """How many answers stand in the draft."""
        return len(self._kept) + len(self._again)

    def say(self, text: str = "") -> None:
        """Print a line; at a terminal it breaks between words."""
        if self.live and len(text) > (width := shutil.get_terminal_size().columns - 1):
            lead = " " * (len(text) - len(text.lstrip()) + (3 if text.lstrip().startswith("->") else 0))
            text = textwrap.fill(text, width, subsequent_indent=lead, break_on_hyphens=False)
        typer.echo(text)

    def ask(self, question: str, read: Callable[[str], T]) -> T:
        """
        Ask until the answer can be read, and return what it means.

        Parameters
        ----------
        question : str
        read : callable
            Takes what was typed; raises FinishlabError with what is wrong with it.

        Raises
        ------
        Ended
            Nobody answers any more.
        Word
            One of the words was typed.
        FinishlabError
            An answer of a file is wrong.
        """
        while True:
            text = self._answer(question)
            if text.casefold() in self.words:
                raise Word(text.casefold())
            try:
                found = read(text)
                self._keep(text)
                return found
            except FinishlabError as error:
                self._again.clear()  # what followed a wrong answer is not sure to fit the next one
                if not self.live:
                    raise FinishlabError(
                        [
                            f"answer {self._count} ('{text}') to '{question.strip()}': {m}"
                            for m in error.mistakes
                        ]
                    ) from None
                for mistake in error.mistakes:
                    self.say(f"    -> {mistake}")

    def yes(self, question: str) -> bool:
        """Ask for yes or no."""
        return self.ask(f"{question} (yes or no)", _yes)

    def _keep(self, text: str) -> None:
        """Keep an answer in the draft; a disk that takes none must not stop the questions."""
        self._kept.append(text)
        if self.draft is not None:
            with suppress(OSError):
                self.draft.parent.mkdir(parents=True, exist_ok=True)
                lines = [*self._kept, *self._again]
                self.draft.write_text(
                    "".join(f"{line}\n" for line in lines), encoding="utf-8", errors="replace"
                )

    def _answer(self, question: str) -> str:
        self._count += 1
        if self._again:
            text = self._again.pop(0).strip()
            self.say(f"{question}: {text}")
            return text
        if self.live:
            try:
                return input(f"{question}: ").strip()
            except EOFError:
                self.say()
        else:
            try:
                line = next(self._lines, None)
            except UnicodeDecodeError as error:
                raise FinishlabError(
                    f"the answers cannot be read ({error}). Save them as text, UTF-8."
                ) from None
            if line is not None:
                text = line.strip().removeprefix("\ufeff")
                self.say(f"{question}: {text}")
                return text
        raise Ended(f"the answers end at '{question.strip()}'.")


def _yes(text: str) -> bool:
    if text.casefold() in ("y", "yes"):
        return True
    if text.casefold() in ("n", "no"):
        return False
    raise FinishlabError("Answer yes or no.")


def _lines_of(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise FinishlabError(
            f"the answers in {path} cannot be read ({error}). Give a text file, UTF-8."
        ) from None
