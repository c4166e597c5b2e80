"""Nothing in the package works on one kind of machine only: what POSIX alone has is looked for in the code.

The names are those that the Python documentation marks "Availability: Unix" or "not Windows" in `os`, `signal`
and the module index (version 3.11). `mypy --platform win32` says the same of names, and nothing of the rest.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "finishlab"
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if "_shipped" not in p.parts)

#: Where one is right all the same, and why.
EXCEPTIONS = {
    ("procedure/procedure_files.py", "chmod"): "a temporary file is its owner's alone; where rights are others, nothing happens",
    ("cli/study_folder.py", "chmod"): "a temporary folder is its owner's alone; where rights are others, nothing happens",
    ("cli/trial_commands.py", "joined by '/'"): "where a run sheet stands, in a sentence",
    ("cli/lab_command.py", "joined by '/'"): "an address in the browser, no path",
    ("cli/study_folder.py", "joined by '/'"): "names in a new folder, each given to pathlib, which takes '/' everywhere",
    ("bench/forms/tablet.py", "joined by '/'"): "addresses of the page, no paths",
    ("bench/forms/log_form.py", "joined by '/'"): "names of views, no paths",
    ("meter/reading_arrays.py", "joined by '/'"): "a spot in words, no path",
}  # fmt: skip

ABSENT_MODULES = {
    "crypt", "fcntl", "grp", "nis", "ossaudiodev", "posix", "pty", "pwd", "readline", "resource", "spwd", "syslog",
    "termios", "tty",
}  # fmt: skip
ABSENT_IN_OS = {
    "chown", "chroot", "confstr", "ctermid", "eventfd", "fchdir", "fchmod", "fchown", "fdatasync", "fork", "forkpty",
    "getegid", "geteuid", "getgid", "getgroups", "getloadavg", "getpgid", "getpgrp", "getpriority", "getresgid",
    "getresuid", "getsid", "getuid", "initgroups", "killpg", "lchown", "lockf", "major", "makedev", "memfd_create",
    "minor", "mkfifo", "mknod", "nice", "openpty", "path", "pathconf", "pipe2", "posix_fadvise", "posix_fallocate",
    "posix_spawn", "posix_spawnp", "pread", "preadv", "pwrite", "pwritev", "readv", "register_at_fork",
    "sched_getaffinity", "sched_setaffinity", "sched_yield", "sendfile", "setegid", "seteuid", "setgid", "setgroups",
    "setpgid", "setpriority", "setregid", "setreuid", "setsid", "setuid", "statvfs", "sync", "sysconf", "tcgetpgrp",
    "tcsetpgrp", "ttyname", "uname", "wait", "wait3", "wait4", "waitid", "writev", "O_CLOEXEC", "O_DIRECTORY",
    "O_DSYNC", "O_NOFOLLOW", "O_NONBLOCK", "O_SYNC", "chmod",
}  # fmt: skip
SIGNALS = {"SIGINT", "SIGTERM", "SIG_IGN", "SIG_DFL"}
#: Keywords of subprocesses that ask a shell, or are POSIX's.
STARTS = {"shell", "preexec_fn", "start_new_session", "pass_fds", "process_group"}
FOLDERS = ("/tmp", "/dev/", "/proc/", "/etc/", "/home/", "/usr/", "/var/", "~/")


def docstrings(tree: ast.AST) -> set[int]:
    """The constants that are docstrings, by their ids."""
    return {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }


def words(node: ast.AST) -> str:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


def posix_only(text: str) -> Iterator[str]:
    """What in a module's text works on POSIX alone, or as it should there alone."""
    tree = ast.parse(text)
    said = docstrings(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (a.name for a in node.names if a.name.split(".")[0] in {*ABSENT_MODULES, "posixpath"})
            yield from ("os.path" for a in node.names if a.name == "os.path")
        elif isinstance(node, ast.ImportFrom):
            if node.module in ABSENT_MODULES | {"posixpath", "os.path"}:
                yield str(node.module)
            if node.module == "os":
                yield from (f"os.{a.name}" for a in node.names if a.name in ABSENT_IN_OS)
        elif isinstance(node, ast.Attribute):
            of = node.value.id if isinstance(node.value, ast.Name) else ""
            if node.attr == "chmod":
                yield "chmod"
            elif of == "os" and node.attr in ABSENT_IN_OS:
                yield f"os.{node.attr}"
            elif of == "signal" and node.attr.startswith("SIG") and node.attr not in SIGNALS:
                yield f"signal.{node.attr}"
        elif isinstance(node, ast.keyword):
            if node.arg in STARTS and not (
                isinstance(node.value, ast.Constant) and node.value.value is False
            ):
                yield str(node.arg)
        elif isinstance(node, ast.Constant):
            if id(node) not in said and words(node).startswith(FOLDERS):
                yield words(node)
        elif isinstance(node, ast.JoinedStr):
            pairs = zip(node.values, node.values[1:], strict=False)
            if any(isinstance(a, ast.FormattedValue) and words(b).startswith("/") for a, b in pairs):
                yield "joined by '/'"
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
            if words(node.left).endswith("/") or words(node.right).startswith("/"):
                yield "joined by '/'"
        elif isinstance(node, ast.Call):
            yield from without_encoding(node)


def without_encoding(call: ast.Call) -> Iterator[str]:
    """Text that is read or written in whatever encoding the machine is set to."""
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    if any(k.arg == "encoding" for k in call.keywords):
        return
    if name == "read_text" and not call.args:
        yield "read_text without encoding"
    elif name == "write_text" and len(call.args) < 2:
        yield "write_text without encoding"
    elif (
        name == "open"
        and isinstance(call.func, ast.Name)
        and not any("b" in words(a) for a in call.args[1:2])
    ):
        yield "open without encoding"


def found_in(path: Path) -> set[tuple[str, str]]:
    place = path.relative_to(PACKAGE).as_posix()
    return {(place, what) for what in posix_only(path.read_text(encoding="utf-8"))}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_a_module_asks_for_nothing_that_posix_alone_has(path):
    assert not found_in(path) - set(EXCEPTIONS)


def test_every_exception_is_still_needed():
    assert set(EXCEPTIONS) <= set().union(*map(found_in, MODULES))


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("import fcntl", "fcntl"),
        ("def f():\n    from pwd import getpwnam", "pwd"),
        ("import os\nos.fork()", "os.fork"),
        ("from os import getuid", "os.getuid"),
        ("import os\nos.path.join('a', 'b')", "os.path"),
        ("from os.path import join", "os.path"),
        ("import signal\nsignal.signal(signal.SIGKILL, None)", "signal.SIGKILL"),
        ("import subprocess\nsubprocess.run('ls', shell=True)", "shell"),
        ("p.chmod(0o600)", "chmod"),
        ("open('/tmp/a', 'wb')", "/tmp/a"),
        ("name = f'{folder}/{file}'", "joined by '/'"),
        ("name = folder + '/a'", "joined by '/'"),
        ("p.read_text()", "read_text without encoding"),
        ("p.write_text('a')", "write_text without encoding"),
        ("open('a', 'w')", "open without encoding"),
    ],
)
def test_the_look_for_posix_sees_each_kind(text, found):
    assert found in posix_only(text)


def test_the_look_for_posix_leaves_alone_what_works_everywhere():
    text = '''
"""Words may name /tmp and os.fork."""
import os, signal, subprocess
os.replace("a", "b")
signal.signal(signal.SIGINT, None)
subprocess.run(["ls"], shell=False)
p.read_text(encoding="utf-8")
p.write_text("a", "utf-8")
open("a", "rb")
unit = f"{speed} m/s"
'''
    assert list(posix_only(text)) == []
