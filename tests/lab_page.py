"""A real JupyterLab and a real browser for the tests that look at pages as a person does.

Both are started here and ended here. Without them a test is skipped, except where continuous
checks run (see `skips.py`).
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from skips import NOT_ON_CI

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
SWITCHES = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
TOKEN = "for-this-test-only"


def needs(*packages: str) -> None:
    """Skip unless chromium and the packages are there."""
    missing = [name for name in packages if importlib.util.find_spec(name) is None]
    missing += [] if CHROMIUM else ["chromium"]
    if missing:
        pytest.skip(f"{', '.join(missing)} {NOT_ON_CI['browser']}")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def own_settings(settings: Path, theme: str = "JupyterLab Light") -> dict[str, str]:
    """Return an environment in which JupyterLab reads and keeps nothing of the user's own settings."""
    places = {
        f"JUPYTER{name}": str(settings / name.strip("_").lower())
        for name in ("_CONFIG_DIR", "_DATA_DIR", "_RUNTIME_DIR", "LAB_SETTINGS_DIR", "LAB_WORKSPACES_DIR")
    }
    own = Path(places["JUPYTERLAB_SETTINGS_DIR"], "@jupyterlab", "apputils-extension")
    own.mkdir(parents=True)
    news = {"fetchNews": "false", "checkForUpdates": False}
    (own / "notification.jupyterlab-settings").write_text(json.dumps(news))
    (own / "themes.jupyterlab-settings").write_text(json.dumps({"theme": theme}))
    return {**os.environ, **places, "IPYTHONDIR": str(settings / "ipython")}


def until_it_answers(server: subprocess.Popen[bytes], port: int, log: Path) -> str:
    """Wait for a server that was started; return its address."""
    for _ in range(300):
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/api/status?token={TOKEN}", timeout=2).close()
            break
        except OSError:
            assert server.poll() is None, log.read_text()
            time.sleep(0.1)
    return f"http://127.0.0.1:{port}"


@contextmanager
def jupyterlab(folder: Path, settings: Path, theme: str = "JupyterLab Light") -> Iterator[str]:
    """Serve a folder with JupyterLab; yields its address. Nothing of the user's own settings is read."""
    port, log = free_port(), settings / "server.log"
    command = [
        *(sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ServerApp.ip=127.0.0.1"),
        *(f"--ServerApp.port={port}", "--ServerApp.port_retries=0", f"--IdentityProvider.token={TOKEN}"),
        f"--ServerApp.root_dir={folder}",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.extension_manager=readonly",
    ]
    env = own_settings(settings, theme)
    with open(log, "wb") as said:
        server = subprocess.Popen(command, env=env, cwd=settings, stdout=said, stderr=said)
    try:
        yield until_it_answers(server, port, log)
    finally:
        server.terminate()
        try:
            server.wait(timeout=60)
        finally:
            server.kill()  # where a busy machine was too slow; on one that has ended it does nothing


@contextmanager
def browser() -> Iterator[Any]:
    """Start the browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        yield play.chromium.launch(executable_path=CHROMIUM, args=list(SWITCHES))


def open_and_run(page: Any, address: str, notebook: str) -> None:
    """Open a notebook alone on the screen and run all its cells."""
    page.goto(f"{address}/doc/tree/{notebook}?token={TOKEN}&reset")
    page.locator(".jp-NotebookPanel .jp-Notebook").wait_for()
    # The notebook's own sign says idle before there is a kernel; running then does nothing.
    page.locator("#jp-main-statusbar").get_by_text("| Idle").wait_for()
    page.locator(".lm-MenuBar-item:has-text('Run')").first.click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
