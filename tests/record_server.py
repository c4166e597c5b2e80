"""A PostgreSQL server for the tests, in a folder of its own, stopped and deleted afterwards.

On a machine without one the tests that need it are skipped, except where continuous checks run
(see `skips.py`).
"""

import atexit
import functools
import getpass
import glob
import os
import shlex
import shutil
import socket
import subprocess
import tempfile

import pytest
from skips import NOT_ON_CI


def programs():
    """Folder of the server's programs, None where there are none."""
    found = sorted(glob.glob("/usr/lib/postgresql/*/bin/initdb"), key=lambda p: int(p.split("/")[4]))
    on_path = shutil.which("initdb")
    return os.path.dirname(found[-1]) if found else os.path.dirname(on_path) if on_path else None


def needed():
    """Return the folder of programs; skip without one."""
    found = programs() if os.name == "posix" else None
    if found is None:
        pytest.skip(NOT_ON_CI["server"])
    return found


@functools.cache
def running():
    """Start one server for the whole run of the tests and return the URL of its first database."""
    where = needed()
    folder = tempfile.mkdtemp(prefix="finishlab-pg-")
    root = os.geteuid() == 0  # the server does not run as root
    if root:
        shutil.chown(folder, "postgres")
    user = "postgres" if root else getpass.getuser()

    def run(*command):
        words = " ".join(map(shlex.quote, command))
        whole = ["su", "postgres", "-c", words] if root else ["sh", "-c", words]
        subprocess.run(whole, check=True, stdout=subprocess.DEVNULL, cwd=folder, timeout=120)

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    data = f"{folder}/data"
    run(f"{where}/initdb", "-A", "trust", "-U", user, "-E", "UTF8", "-D", data)
    options = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1"
    run(f"{where}/pg_ctl", "-D", data, "-o", options, "-l", f"{folder}/log", "-w", "start")

    def stop():
        # At once: what is in it is thrown away, and a busy machine is slow to write it down first.
        run(f"{where}/pg_ctl", "-D", data, "-m", "immediate", "-t", "110", "-w", "stop")
        shutil.rmtree(folder, ignore_errors=True)

    atexit.register(stop)
    return f"postgresql+psycopg://{user}@127.0.0.1:{port}/postgres"


def new_database(name):
    """Make a database on the server and return its URL."""
    import psycopg

    url = running()
    with psycopg.connect(url.replace("+psycopg", ""), autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')
    return url.removesuffix("/postgres") + f"/{name}"
