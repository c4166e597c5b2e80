"""The form for a bench tablet: a page without code, under an address of its own.

Starts and ends the process of `tablet_server.py`, and knows its address. The page shows
the same form as the notebook does, on the record book of a study folder.
"""

from __future__ import annotations

import importlib.util
import io
import json
import os
import re
import secrets
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from html import escape
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from finishlab.errors import FinishlabError

if TYPE_CHECKING:
    from IPython.display import HTML

    from finishlab.bench.forms.log_form import LogForm

_SERVER = "finishlab.bench.forms.tablet_server"
TOKEN = "FINISHLAB_TABLET_TOKEN"
#: Seconds within which the page must answer; a slow disk needs ten.
_PATIENCE = 60
#: Where a study folder keeps the port and the token of its page, for its owner only.
KEPT = ".tablet.json"
#: The first page's port while nobody has it: what a tablet's browser keeps of unsaved readings belongs to one address.
_PORT = 8470
#: Seconds in which the page before this one may still be on its way out.
_LEAVING = 5
#: For a terminal: a code's light squares are drawn in white, on black.
_BLACK_ON_WHITE, _AS_BEFORE = "\033[97;40m", "\033[0m"
#: What the page loads of what is installed beside JupyterLab; the rest is no part of the form.
_WIDGETS = ["anywidget", "@jupyter-widgets/jupyterlab-manager", "@voila-dashboards/widgets-manager8"]
#: Seconds after which a page that nobody has open any more gives its memory back; opened again, it goes on.
_IDLE = 20 * 60


@dataclass(eq=False)
class TabletPage:
    """
    A form that is being served; ends with its ``with`` block, or by `stop`.

    Attributes
    ----------
    address : str
        What the tablet opens; whoever has it can log trials.
    """

    address: str
    _process: subprocess.Popen[bytes]
    _place: tempfile.TemporaryDirectory[str] = field(repr=False)
    _start: Callable[[], subprocess.Popen[bytes]] = field(repr=False)
    _taken: int = 0  # the port that the page had before, and that something else has now

    def qr(self) -> str:
        """Return the address as a QR code for a terminal."""
        import segno

        page = io.StringIO()
        segno.make(self.address, error="m").terminal(page, border=2, compact=True)
        # The code is black on white whatever the terminal's colours are: a camera reads no other.
        return "".join(f"{_BLACK_ON_WHITE}{line}{_AS_BEFORE}\n" for line in page.getvalue().splitlines())

    def text(self) -> str:
        """Return what to do with the tablet, for a terminal."""
        moved = (
            f"Something else has port {self._taken} of this machine now, so the address is a new one: open it on every "
            "tablet. What was typed and not saved is kept under the old address.\n"
        )
        return (
            f"{self.qr()}\n{moved if self._taken else ''}Open this address on the tablet, or scan the code:\n  {self.address}\n"
            "Whoever has the address can log trials, so keep it in the shop. The page ends with this command (Ctrl+C); "
            f"the address stays the same. To make a new one, delete {KEPT} in the study folder and start again."
        )

    def wait(self) -> None:
        """
        Serve until Ctrl+C; a page that ends by itself is started again under its address.

        Raises
        ------
        FinishlabError
            It ended by itself soon after it was started.
        """
        try:
            begun = time.monotonic()
            while self._process.wait():
                if time.monotonic() - begun < _PATIENCE:
                    raise FinishlabError(
                        f"the tablet page ended by itself ({_last_said(Path(self._place.name))}). What was acknowledged is "
                        "in the book. Start it again; its address stays the same."
                    )
                begun, self._process = time.monotonic(), self._start()
        except KeyboardInterrupt:
            pass
        finally:
            self.stop()

    def stop(self) -> None:
        """End the page; what was acknowledged is in the book."""
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._place.cleanup()

    def __enter__(self) -> TabletPage:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


def serve_tablet(folder: str | Path, *, host: str = "", port: int = 0) -> TabletPage:
    """
    Serve the form of a study folder, and nothing else, to a tablet.

    The folder keeps port and token in ``.tablet.json``, readable by its owner only: started
    again, the page has the address it had, and a tablet goes on with what was typed on it.

    Parameters
    ----------
    folder : str or Path
        With ``study.toml``; the record book in it is made when there is none.
    host : str, optional
        Address of this machine at which the tablet reaches it; looked up when left out.
        ``127.0.0.1`` serves this machine alone.
    port : int, optional
        Left out, the one it had before; where something else has that one now, any other.

    Returns
    -------
    TabletPage
        Once it answers.

    Raises
    ------
    FinishlabError
        The extra packages are missing, the address cannot be used, the book cannot be
        opened, or the page does not come up.
    """
    missing = [name for name in ("voila", "segno") if importlib.util.find_spec(name) is None]
    if missing:
        raise FinishlabError(
            f"the tablet page needs {' and '.join(missing)}, which {'is' if len(missing) == 1 else 'are'} not "
            'installed. Install them with: pip install "finishlab[tablet]"'
        )
    from finishlab.records import RecordBook

    folder = Path(folder).resolve()
    host = host or _address_here()
    had, token = _kept(folder)
    found = _free_port(host, port) if port else _usual_port(host, had)
    RecordBook(folder / "trials.sqlite").close()
    place = tempfile.TemporaryDirectory(prefix="finishlab-tablet-", ignore_cleanup_errors=True)
    start = partial(_started, folder, Path(place.name), host, found, token)
    taken = had if had not in (0, found) and not port else 0
    page = TabletPage(f"http://{host}:{found}/?token={token}", start(), place, start, taken)
    end = time.monotonic() + _PATIENCE
    while not _answers(host, found):
        if page._process.poll() is not None or time.monotonic() > end:
            last = _last_said(Path(place.name))
            page.stop()
            raise FinishlabError(
                f"the tablet page cannot be served at {host}, port {found} ({last}). Give another port, or another address of this machine."
            )
        time.sleep(0.1)
    _keep(folder, found, token)
    return page


def _started(folder: Path, place: Path, host: str, port: int, token: str) -> subprocess.Popen[bytes]:
    place.mkdir(exist_ok=True)  # a page that ended may have tidied up
    notebook = place / "form.ipynb"
    notebook.write_text(json.dumps(_notebook(folder)), encoding="utf-8")
    # Its own settings: what the machine's user has set up for other servers must not open anything here.
    # The token goes by the environment: a command line can be read by every user of the machine.
    env = {**os.environ, "JUPYTER_CONFIG_DIR": str(place / "config"), TOKEN: token}
    command = [
        sys.executable,
        *("-m", _SERVER, str(notebook), "--no-browser"),
        *(
            f"--Voila.ip={host}",
            f"--Voila.port={port}",
            "--Voila.port_retries=0",
            "--Voila.open_browser=False",
        ),
        f"--MappingKernelManager.cull_idle_timeout={_IDLE}",
        "--VoilaConfiguration.show_tracebacks=False",
        f"--VoilaConfiguration.extension_allowlist={_WIDGETS}",
        *("--VoilaConfiguration.allow_template_override=NO", "--VoilaConfiguration.allow_theme_override=NO"),
    ]
    with open(place / "server.log", "wb") as log:
        return subprocess.Popen(command, cwd=place, env=env, stdin=subprocess.PIPE, stdout=log, stderr=log)


def _last_said(place: Path) -> str:
    """Return the last line of what the page's process said."""
    try:
        said = (place / "server.log").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        said = ""
    return said.splitlines()[-1] if said else "no reason given"


def form_of(folder: str) -> LogForm | HTML:
    """Return what the page shows: the form, or in words why there is none."""
    from finishlab.bench.forms.log_form import log_form
    from finishlab.records import RecordBook
    from finishlab.study import Study

    try:
        study = Study.read(Path(folder, "study.toml"))
        return log_form(RecordBook(Path(folder, "trials.sqlite"), new=False), study)
    except FinishlabError as error:
        from IPython.display import HTML

        why = "".join(f"<li>{escape(mistake)}</li>" for mistake in error.mistakes)
        return HTML(
            "<div role='alert' style='font: 20px/1.5 system-ui, sans-serif; padding: 8px 16px'>"
            f"<p><b>No trial can be logged now.</b></p><ul>{why}</ul>"
            "<p>Have it put right, then load this page again. What was typed and not saved is kept on this tablet.</p></div>"
        )


def _notebook(folder: Path) -> dict[str, object]:
    """Return the one-cell notebook that shows the form."""
    code = f"from finishlab.bench.forms.tablet import form_of\nform_of({str(folder)!r})"
    cell: dict[str, object] = {
        "cell_type": "code",
        "id": "form",
        "metadata": {},
        "outputs": [],
        "execution_count": None,
        "source": code,
    }
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    return {"cells": [cell], "metadata": kernel, "nbformat": 4, "nbformat_minor": 5}


def _address_here() -> str:
    """Return this machine's address in the local network; its own loop where there is none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documents (RFC 5737); nothing is sent
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def _kept(folder: Path) -> tuple[int, str]:
    """Return the port and the token that the page of a folder had: port 0 and a new token where it had none."""
    try:
        kept = folder / KEPT
        if os.name == "posix" and kept.stat().st_mode & 0o077:
            raise ValueError  # others may have read it
        found: dict[str, Any] = json.loads(kept.read_text(encoding="utf-8"))
        port, token = int(found["port"]), str(found["token"])
        if 0 < port < 2**16 and re.fullmatch(r"[\w-]{32}", token, re.ASCII):
            return port, token
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return 0, secrets.token_urlsafe(24)


def _keep(folder: Path, port: int, token: str) -> None:
    """Keep port and token in the folder, for its owner only; where nothing may be written, they last this once."""
    with suppress(OSError):
        (folder / KEPT).unlink(missing_ok=True)
        handle = os.open(folder / KEPT, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(handle, "w", encoding="utf-8") as file:
            json.dump({"port": port, "token": token}, file)


def _usual_port(host: str, had: int) -> int:
    """Return the port that the page had, once it is free; else the usual one, else any."""
    end = time.monotonic() + (_LEAVING if had else 0)
    while True:
        try:
            return _free_port(host, had or _PORT)
        except FinishlabError:
            if time.monotonic() > end:
                return _free_port(host, 0)
        time.sleep(0.2)


def _free_port(host: str, port: int) -> int:
    """Return the port if it is free, or a free one for 0."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if os.name == "posix":
            # As the server does: lines that the page before had open do not hold the port. Elsewhere this
            # would take a port that another program listens on.
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except (OSError, OverflowError) as error:
            what = (
                f"port {port} of {host} is taken or closed"
                if port
                else f"{host} is not an address of this machine"
            )
            raise FinishlabError(f"{what} ({error}). Leave it out, or give another.") from None
        return int(probe.getsockname()[1])


def _answers(host: str, port: int) -> bool:
    try:
        urllib.request.urlopen(f"http://{host}:{port}/login", timeout=2).close()
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False
    return True
