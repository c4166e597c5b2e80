"""A command at a pseudo-terminal, as a person types it and presses Ctrl+C."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

#: Seconds until a program that does not ask what is expected counts as stuck.
PATIENCE = 180
#: The key Ctrl+C, as a terminal takes it.
CTRL_C = "\x03"


@contextmanager
def ctrl_c_is_heard() -> Iterator[None]:
    """
    Let what is started inside be interrupted, however the tests were started.

    A shell starts what runs in the background with interrupts ignored, and each process hands
    that on to those it starts. A handler of Python's own is not handed on: they start afresh.
    """
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def seen_to_its_end(process: subprocess.Popen[bytes]) -> Iterator[None]:
    """Leave nothing running of a process that leads a session of its own, whatever a test finds."""
    try:
        yield
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def at_a_terminal(words: list[str], talk: list[tuple[str, str]]) -> tuple[str, int]:
    """
    Run the program at a pseudo-terminal; return what stood on the screen, and its exit code.

    Each answer of the talk is typed once its question, by its last words, stands at the end.
    """
    import pty

    with ctrl_c_is_heard():
        pid, terminal = pty.fork()
        if not pid:
            os.environ |= {"TERM": "xterm", "COLUMNS": "70"}
            os.execv(sys.executable, [sys.executable, "-m", "finishlab", *words])
    # Bytes, for a piece of what comes may end in the middle of a letter.
    waiting = [
        (f"{question}: ".encode(), f"{answer}\n".encode() if answer != CTRL_C else answer.encode())
        for question, answer in talk
    ]
    seen, answered, end = b"", 0, time.monotonic() + PATIENCE
    try:
        while more := _read(terminal, end):
            seen += more
            if waiting and seen[answered:].endswith(waiting[0][0]):
                answered = len(seen)
                os.write(terminal, waiting.pop(0)[1])
    except TimeoutError:
        os.kill(pid, signal.SIGKILL)
    finally:
        os.close(terminal)
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    text = seen.decode(errors="replace").replace("\r\n", "\n")
    assert not waiting, f"{waiting[0][0].decode()!r} was not asked for:\n{text}"
    return text, code


def _read(terminal: int, end: float) -> bytes:
    """Return what comes next, nothing once the other end is closed."""
    if not select.select([terminal], [], [], max(0.0, end - time.monotonic()))[0]:
        raise TimeoutError
    try:
        return os.read(terminal, 65536)
    except OSError:  # the other end is closed
        return b""
