"""The form for a bench tablet: a page without code, under an address of its own.

Starts and ends the process of `_tablet_server.py`, and knows its address. The page shows
the same form as the notebook does, on the record book of a study folder.
"""

from __future__ import annotations

import importlib.util
import io
import json
import os
import secrets
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType

from finishlab.errors import FinishlabError

_SERVER = "finishlab.forms._tablet_server"
TOKEN = "FINISHLAB_TABLET_TOKEN"
#: Seconds within which the page must answer; a slow disk needs ten.
_PATIENCE = 60
#: The port while nobody has it: what a tablet's browser keeps of unsaved readings belongs to one address.
_PORT = 8470
#: For a terminal: a code's light squares are drawn in white, on black.
_BLACK_ON_WHITE, _AS_BEFORE = "\033[97;40m", "\033[0m"
#: Seconds after which a page that nobody has open any more gives its memory back.
_IDLE = 2 * 3600


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

    def qr(self) -> str:
        """Return the address as a QR code for a terminal."""
        import segno

        page = io.StringIO()
        segno.make(self.address, error="m").terminal(page, border=2, compact=True)
        # The code is black on white whatever the terminal's colours are: a camera reads no other.
        return "".join(f"{_BLACK_ON_WHITE}{line}{_AS_BEFORE}\n" for line in page.getvalue().splitlines())

    def text(self) -> str:
        """Return what to do with the tablet, for a terminal."""
        return (
            f"{self.qr()}\nOpen this address on the tablet, or scan the code:\n  {self.address}\n"
            "Whoever has the address can log trials, so keep it in the shop; it ends with this command (Ctrl+C)."
        )

    def wait(self) -> None:
        """Serve until the process ends, or until Ctrl+C."""
        try:
            self._process.wait()
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

    Parameters
    ----------
    folder : str or Path
        With ``study.toml``; the record book in it is made when there is none.
    host : str, optional
        Address of this machine at which the tablet reaches it; looked up when left out.
        ``127.0.0.1`` serves this machine alone.
    port : int, optional
        Left out, always the same while it is free, so that a tablet finds what was typed on it; else any.

    Returns
    -------
    TabletPage
        Once it answers.

    Raises
    ------
    FinishlabError
        The extra packages are missing, the address cannot be used, or the page does not
        come up.
    """
    missing = [name for name in ("voila", "segno") if importlib.util.find_spec(name) is None]
    if missing:
        raise FinishlabError(
            f"the tablet page needs {' and '.join(missing)}, which {'is' if len(missing) == 1 else 'are'} not "
            'installed. Install them with: pip install "finishlab[tablet]"'
        )
    host = host or _address_here()
    port = _free_port(host, port) if port else _usual_port(host)
    token = secrets.token_urlsafe(24)
    place = tempfile.TemporaryDirectory(prefix="finishlab-tablet-", ignore_cleanup_errors=True)
    process = _started(Path(folder).resolve(), Path(place.name), host, port, token)
    page = TabletPage(f"http://{host}:{port}/?token={token}", process, place)
    end = time.monotonic() + _PATIENCE
    while not _answers(host, port):
        if process.poll() is not None or time.monotonic() > end:
            said = Path(place.name, "server.log").read_text(encoding="utf-8", errors="replace").strip()
            page.stop()
            last = said.splitlines()[-1] if said else "no reason given"
            raise FinishlabError(
                f"the tablet page cannot be served at {host}, port {port} ({last}). Give another port, or another address of this machine."
            )
        time.sleep(0.1)
    return page


def _started(folder: Path, place: Path, host: str, port: int, token: str) -> subprocess.Popen[bytes]:
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
    ]
    with open(place / "server.log", "wb") as log:
        return subprocess.Popen(command, cwd=place, env=env, stdin=subprocess.PIPE, stdout=log, stderr=log)


def _notebook(folder: Path) -> dict[str, object]:
    """Return the one-cell notebook that shows the form."""
    code = (
        "import finishlab as fl\n"
        f"study = fl.Study.read({str(folder / 'study.toml')!r})\n"
        f"fl.log_form(fl.RecordBook({str(folder / 'trials.sqlite')!r}), study)"
    )
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


def _usual_port(host: str) -> int:
    try:
        return _free_port(host, _PORT)
    except FinishlabError:
        return _free_port(host, 0)


def _free_port(host: str, port: int) -> int:
    """Return the port if it is free, or a free one for 0."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
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
