"""A bar for work that takes over two seconds; quicker work shows nothing.

It is drawn on the error stream and only where a person watches, so that what a command
prints can be read by another program. What the stages are is the command's business.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Timer

#: Seconds before the bar comes up.
PATIENCE = 2.0


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
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    console = Console(stderr=True)
    progress = Progress(*columns, console=console, transient=True, disable=not console.is_terminal)
    task = progress.add_task("", total=stages)
    begun = 0

    def stage(words: str) -> None:
        nonlocal begun
        progress.update(task, description=words, completed=begun)
        begun += 1

    timer = Timer(PATIENCE, progress.start)
    timer.daemon = True
    timer.start()
    try:
        yield stage
    finally:
        timer.cancel()
        timer.join()  # a bar that is just coming up must be there to be stopped
        progress.stop()
