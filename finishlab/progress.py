"""A bar for work that takes over two seconds; quicker work shows nothing.

It is drawn where a person watches and nowhere else: on the error stream of a terminal, so
that what a command prints can be read by another program, and under the cell of a notebook
that is open, gone when the work is done, so that what is kept of the notebook is the answer.
What the stages are is the caller's business.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import copy_context
from threading import Timer
from time import monotonic
from typing import Any

#: Seconds before the bar comes up.
PATIENCE = 2.0
#: Letters of the bar in a notebook.
_WIDE = 24


@contextmanager
def bar(stages: int) -> Iterator[Callable[[str], None]]:
    """
    Show how far a work of several stages has come.

    Parameters
    ----------
    stages : int
        How many there are.

    Yields
    ------
    callable
        To be called with its words as each stage begins.

    Examples
    --------
    >>> with bar(2) as stage:
    ...     stage("reading")
    ...     stage("writing")
    """
    shown: _Cell | _Terminal = _Cell(stages) if _notebook_is_open() else _Terminal(stages)
    begun = 0

    def stage(words: str) -> None:
        nonlocal begun
        shown.update(words, begun)
        begun += 1

    # A thread of its own knows the cell it was begun in by this context alone.
    timer = Timer(PATIENCE, copy_context().run, [shown.start])
    timer.daemon = True
    timer.start()
    try:
        yield stage
    finally:
        timer.cancel()
        timer.join()  # a bar that is just coming up must be there to be stopped
        shown.stop()


def _notebook_is_open() -> bool:
    """
    Say whether a person has the notebook of this cell open.

    Jupyter's server names the notebook to the kernels that it starts for one; what runs a
    notebook to check or to convert it does not.
    """
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return hasattr(shell, "kernel") and "JPY_SESSION_NAME" in os.environ and not _inside_a_widget(shell)


def _inside_a_widget(shell: Any) -> bool:
    """Say whether what is shown now goes into a widget, such as under a slider, where it could not be taken back."""
    widgets = sys.modules.get("ipywidgets.widgets.widget")
    asked = shell.kernel.get_parent().get("header", {}).get("msg_id")
    return any(getattr(w, "msg_id", None) == asked for w in list(getattr(widgets, "_instances", {}).values()))


class _Terminal:
    """The bar on the error stream."""

    def __init__(self, stages: int) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
        # Not what rich takes for a terminal: a kernel of Jupyter asks for colours as one would.
        watched = sys.stderr.isatty()
        console = Console(stderr=True, force_jupyter=False)
        self._progress = Progress(*columns, console=console, transient=True, disable=not watched)
        self._task = self._progress.add_task("", total=stages)

    def start(self) -> None:
        self._progress.start()

    def update(self, words: str, done: int) -> None:
        self._progress.update(self._task, description=words, completed=done)

    def stop(self) -> None:
        self._progress.stop()


class _Cell:
    """The bar under a notebook's cell, as plain text."""

    def __init__(self, stages: int) -> None:
        self._stages, self._words, self._done = stages, "", 0
        self._begun = monotonic()
        self._output: Any = None

    def start(self) -> None:
        from IPython.display import display

        self._output = display(self._text(), raw=True, display_id=True)

    def update(self, words: str, done: int) -> None:
        self._words, self._done = words, done
        if self._output is not None:
            self._output.update(self._text(), raw=True)

    def stop(self) -> None:
        if self._output is not None:
            # An output cannot be taken back; one without content shows and keeps nothing.
            self._output.update({}, raw=True)

    def _text(self) -> dict[str, str]:
        filled = round(_WIDE * self._done / max(self._stages, 1))
        line = f"{'█' * filled}{'░' * (_WIDE - filled)}  {self._words}  ({monotonic() - self._begun:.0f} s)"
        return {"text/plain": line}
