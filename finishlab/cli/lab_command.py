"""`finishlab lab`: JupyterLab on a study folder, at the page that says who starts where."""

from __future__ import annotations

import importlib.util
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from finishlab.cli import screen
from finishlab.cli.study_folder import NOTEBOOKS, STUDY, WELCOME, StudyFolder
from finishlab.errors import FinishlabError

#: Settings that JupyterLab takes before the user's own: a page of text opens as it is read, not as it is written.
_SETTINGS = Path(__file__).parent / "lab_settings"
#: Seconds that JupyterLab has to end its notebooks after Ctrl+C, and again after it was told to stop.
_PATIENCE = 10


def lab(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="FOLDER", help="The study folder; the folder you are in, if left out."),
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Open no browser; the address is printed.")
    ] = False,
) -> None:
    """Open JupyterLab on a study folder.

    The folder gets notebooks of its own, in notebooks/, which work on its study; what is
    there already is kept as it is. A welcome page opens that says who starts where. Save
    your notebooks, then Ctrl+C ends JupyterLab and everything it started.

    \b
    Examples:
      finishlab lab demo
      finishlab lab doors --no-browser

    Cautions: nothing in the notebooks says that a process is safe. Follow the safety data
    sheets, the coating maker's data sheet, local codes and licensed practice.
    """
    place = _study_folder(folder)
    if importlib.util.find_spec("jupyterlab") is None:
        raise FinishlabError(
            "finishlab lab needs jupyterlab, which is not installed. Install it with: pip install jupyterlab"
        )
    added, kept = place.add_notebooks()
    console = screen.console()
    screen.listed(console, f"Copied into {place.path / NOTEBOOKS}", added)
    screen.listed(console, "Kept as they are (for a fresh one, move yours away and come again)", kept)
    screen.listed(console, "Cautions", [screen.CAUTION])
    console.print()
    screen.say(
        console, f"JupyterLab starts on {place.path}. Save your notebooks, then end it here with Ctrl+C."
    )
    sys.stdout.flush()  # what JupyterLab itself says comes after it
    if code := _served(_command(place.path.resolve(), no_browser)):
        raise FinishlabError(
            f"JupyterLab ended by itself (code {code}); it says why above. Mend that, then come again: "
            f"finishlab lab {screen.quoted(place.path)}"
        )


def _study_folder(given: Path | None) -> StudyFolder:
    """Return the folder to open; or raise with what to do where it holds no study."""
    place = StudyFolder.at(given or Path("."))
    if (place.path / STUDY).is_file():
        return place
    if given is None:
        raise FinishlabError(
            f"the folder you are in, {place.path.resolve()}, holds no {STUDY}. Name a study's folder "
            "(finishlab lab FOLDER), or make one first: finishlab start FOLDER"
        )
    raise FinishlabError(
        f"{given} holds no {STUDY}, so it is no study folder. Look at the name, or make a new one first: "
        "finishlab start FOLDER"
    )


def _command(folder: Path, no_browser: bool) -> list[str]:
    return [
        # -P: a file of the folder one stands in must not be taken for a part of JupyterLab.
        *(sys.executable, "-P", "-m", "jupyterlab"),
        f"--ServerApp.root_dir={folder}",
        f"--LabApp.default_url=/lab/tree/{NOTEBOOKS}/{WELCOME}",
        # Without it Ctrl+C would only ask, and go on when nobody answers.
        "--ServerApp.answer_yes=True",
        *(["--no-browser"] if no_browser else []),
    ]


def _served(command: list[str]) -> int:
    """Run JupyterLab until it ends, or is ended with Ctrl+C or by the system; nothing of it stays."""
    there = os.environ.get("JUPYTER_CONFIG_PATH")
    paths = os.pathsep.join([str(_SETTINGS), *([there] if there else [])])
    process = subprocess.Popen(command, env={**os.environ, "JUPYTER_CONFIG_PATH": paths})
    before = signal.signal(signal.SIGTERM, lambda *_: process.terminate())
    try:
        return process.wait()
    except KeyboardInterrupt:
        return 0
    finally:
        _end(process)
        signal.signal(signal.SIGTERM, before)


def _end(process: subprocess.Popen[Any]) -> None:
    """See JupyterLab to its end, however often Ctrl+C is pressed meanwhile."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    # A terminal sends Ctrl+C to JupyterLab too, which then ends its notebooks: let it.
    try:
        for press_on in (process.terminate, process.kill):
            try:
                process.wait(_PATIENCE)
            except subprocess.TimeoutExpired:
                press_on()
        process.wait()
    finally:
        signal.signal(signal.SIGINT, before)
