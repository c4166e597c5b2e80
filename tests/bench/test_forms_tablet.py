"""The page for the bench tablet: it shows the form, asks for its token, and opens nothing else."""

from __future__ import annotations

import asyncio
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace

import pytest
from lab_page import browser, free_port, needs
from skips import ANYWHERE
from terminal import ctrl_c_is_heard, seen_to_its_end

import finishlab as fl
from finishlab.bench.forms.tablet import serve_tablet
from finishlab.errors import FinishlabError

DEMO = Path(__file__).parent.parent.parent / "datasets" / "van_panels" / "study.toml"
#: What a notebook server opens to whoever has its token: the lab, terminals, files, kernels, other notebooks.
ELSEWHERE = (
    "/lab", "/tree", "/notebooks/form.ipynb", "/form.ipynb", "/edit/form.ipynb", "/files/form.ipynb", "/files/server.log",
    "/api", "/api/status", "/api/contents", "/api/contents/form.ipynb", "/api/terminals", "/terminals", "/terminals/1",
    "/terminals/websocket/1", "/api/kernels", "/api/sessions", "/api/kernelspecs", "/api/config/notebook", "/nbconvert/html/form.ipynb",
    "/voila", "/voila/tree", "/voila/render/form.ipynb", "/voila/render/other.ipynb", "/voila/files/form.ipynb",
    "/voila/files/server.log", "/voila/files/other.ipynb", "/voila/api/contents", "/voila/static/../../etc/passwd",
    "/voila/static/%2e%2e/%2e%2e/%2e%2e/etc/passwd", "/voila/static/..%2f..%2f..%2fetc/passwd", "//etc/passwd",
    "/static/", "/static/../../etc/passwd", "/files/", "/files/study.toml", "/files/trials.sqlite", "/voila/files/",
    "/api/me", "/api/spec.yaml", "/api/nbconvert", "/api/shutdown", "/kernelspecs/python3/logo-64x64.png", "/lsp", "/view/form.ipynb",
    "/voila/labextensions/%2e%2e/%2e%2e/etc/passwd", "/metrics", "/logout",
    "/voila/templates/", "/voila/templates/base", "/voila/templates/base/static/../../../../etc/passwd",
    "/voila/templates/base/static/%2e%2e/%2e%2e/etc/passwd",
)  # fmt: skip


class NoTurn(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *args):
        return None


def ask(url: str, method: str = "GET") -> tuple[int, str]:
    """Return status and where it would turn to, without a cookie."""
    request = urllib.request.Request(url, method=method, data=b"{}" if method == "POST" else None)
    try:
        with urllib.request.build_opener(NoTurn).open(request, timeout=60) as answer:
            return answer.status, ""
    except urllib.error.HTTPError as error:
        return error.code, error.headers.get("Location", "")


@pytest.fixture(scope="module")
def tablet(tmp_path_factory):
    needs("voila", "segno")
    folder = tmp_path_factory.mktemp("vans")
    shutil.copy(DEMO, folder)
    # A trap: a program that takes files of these names in its own folder for its settings would open the door.
    for name in ("voila.json", "jupyter_server_config.json", "jupyter_config.json"):
        open_door = {"Voila": {"token": ""}, "IdentityProvider": {"token": ""}, "ServerApp": {"token": ""}}
        (folder / name).write_text(json.dumps(open_door), encoding="utf-8")
    study = fl.Study.read(folder / "study.toml")
    with fl.RecordBook(folder / "trials.sqlite") as book:
        book.plan(study, fl.plan_trials(study, trials=12, panels=2, seed=1))
    with serve_tablet(folder, host="127.0.0.1") as page:
        base, token = page.address.split("/?token=")
        yield SimpleNamespace(page=page, base=base, token=token, folder=folder, study=study)


@pytest.fixture(scope="module")
def seen(tablet):
    """What a tablet shows and sends: the form opened with the address, and one trial begun."""
    needs("playwright")
    with browser() as chromium:
        context = chromium.new_context(viewport={"width": 800, "height": 1280}, has_touch=True)
        page = context.new_page()
        lines: list[str] = []
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("websocket", lambda socket: lines.append(socket.url))
        html = page.goto(tablet.page.address).text()
        form = page.locator(".finish-form")
        form.wait_for(timeout=60_000)
        form.locator("input[name=technician]").fill("T2")
        form.locator("button.f-do-come").tap()
        form.locator("input[name=film_before_um]").fill("118,2")
        page.wait_for_timeout(500)
        form.locator("button.f-do-start").tap()
        form.locator("button.f-clock-press").wait_for()
        yield SimpleNamespace(
            page=page,
            html=html,
            text=page.inner_text("body"),
            lines=lines,
            asked=asked,
            cookies=context.cookies(),
        )


# --- who gets in -----------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/?token=", "/?token=wrong"])
def test_a_visitor_without_the_token_is_turned_away(tablet, path):
    status, where = ask(tablet.base + path)
    assert status == 302
    assert where.startswith("/login")


def test_the_token_is_long_random_and_on_no_command_line(tablet):
    assert len(tablet.token) >= 32  # 24 random bytes
    assert tablet.token not in " ".join(tablet.page._process.args)


@pytest.mark.parametrize("path", ELSEWHERE)
def test_the_token_opens_neither_lab_nor_terminal_nor_file_nor_other_notebook(tablet, path):
    assert ask(f"{tablet.base}{path}?token={tablet.token}")[0] in (403, 404)


@pytest.mark.parametrize(
    "path", ["/api/kernels", "/api/terminals", "/api/sessions", "/api/contents", "/api/shutdown"]
)
def test_nothing_can_be_started_with_the_token(tablet, path):
    assert ask(f"{tablet.base}{path}?token={tablet.token}", method="POST")[0] in (403, 404, 405)


# --- what is shown ---------------------------------------------------------------------------------


def test_the_page_shows_the_form_and_logs_into_the_folders_book(tablet, seen):
    assert re.search(r"Panel \d+ · patch \d+", seen.text)
    with fl.RecordBook(tablet.folder / "trials.sqlite") as book:
        started = book.trials(tablet.study).query("status == 'started'")
    assert started["technician"].tolist() == ["T2"]
    assert started["film_before_um"].tolist() == [118.2]


def test_the_page_shows_no_code(seen):
    for code in ("Study.read", "RecordBook(", "import finishlab"):
        assert code not in seen.html
        assert code not in seen.text


def test_the_line_to_the_kernel_runs_no_code(tablet, seen, tmp_path):
    from tornado.httpclient import HTTPRequest
    from tornado.websocket import websocket_connect

    # A line of our own beside the page's, which would be put in the other's place under one name.
    line = re.sub("session_id=[^&]*", "session_id=intruder", next(u for u in seen.lines if "/channels" in u))
    mark = tmp_path / "was here"
    cookie = "; ".join(f"{c['name']}={c['value']}" for c in seen.cookies)

    def message(kind: str, content: dict) -> str:
        header = {
            "msg_id": kind,
            "msg_type": kind,
            "session": "s",
            "username": "",
            "version": "5.3",
            "date": "2026-01-05T08:00:00Z",
        }
        whole = {
            "header": header,
            "parent_header": {},
            "metadata": {},
            "content": content,
            "channel": "shell",
        }
        return json.dumps({**whole, "buffers": []})

    async def talk() -> list[str]:
        socket = await websocket_connect(HTTPRequest(line, headers={"Cookie": cookie, "Origin": tablet.base}))
        code = f"open({str(mark)!r}, 'w').close()"
        run = {
            "code": code,
            "silent": False,
            "store_history": False,
            "user_expressions": {},
            "allow_stdin": False,
        }
        await socket.write_message(message("execute_request", run))
        await socket.write_message(message("kernel_info_request", {}))
        answers: list[str] = []
        while "kernel_info_reply" not in answers:
            said = await asyncio.wait_for(socket.read_message(), 30)
            assert said, "the line was closed before the second message was answered"
            answers.append(json.loads(said)["msg_type"])
        socket.close()
        return answers

    with ThreadPoolExecutor() as aside:  # the browser has this thread's own loop
        answers = aside.submit(asyncio.run, talk()).result()
    assert "execute_reply" not in answers  # and what was asked after it was answered
    assert not mark.exists()


# --- starting and ending -----------------------------------------------------------------------------


def test_the_terminal_shows_address_and_code_to_scan(tablet):
    text = tablet.page.text()
    assert tablet.page.address in text
    assert len([line for line in text.splitlines() if "█" in line or "▀" in line]) > 15


def test_the_code_is_the_address_in_black_on_white_whatever_the_terminals_colours(tablet):
    import segno

    lines = tablet.page.qr().splitlines()
    assert all(line.startswith("\033[97;40m") and line.endswith("\033[0m") for line in lines)
    # Two rows of squares a line of half blocks, a light square drawn (ISO/IEC 18004: light border of the code).
    halves = {"█": (0, 0), "▀": (0, 1), "▄": (1, 0), " ": (1, 1)}
    drawn = [line.removeprefix("\033[97;40m").removesuffix("\033[0m") for line in lines]
    rows = [[halves[c][half] for c in line] for line in drawn for half in (0, 1)]
    wanted = [list(row) for row in segno.make(tablet.page.address, error="m").matrix_iter(border=2)]
    assert rows[: len(wanted)] == wanted


def test_whoever_has_the_address_is_told_so(tablet):
    text = tablet.page.text()
    assert "Whoever has the address can log trials" in text


def test_an_address_that_is_not_of_this_machine_is_answered_in_words(tmp_path):
    needs("voila", "segno")
    with pytest.raises(
        FinishlabError, match=r"203.0.113.1 is not an address of this machine .* Leave it out"
    ):
        serve_tablet(tmp_path, host="203.0.113.1")


def test_the_address_is_the_same_from_day_to_day_while_nobody_else_has_it(monkeypatch):
    from finishlab.bench.forms import tablet as made

    port = free_port()
    monkeypatch.setattr(made, "_PORT", port)
    assert made._usual_port("127.0.0.1", 0) == port
    with socket.socket() as other:
        other.bind(("127.0.0.1", port))
        other.listen()
        assert made._usual_port("127.0.0.1", 0) not in (0, port)


def test_a_port_that_is_taken_is_answered_in_words(tablet, tmp_path):
    taken = int(tablet.base.rsplit(":", 1)[1])
    with pytest.raises(FinishlabError, match=r"port \d+ of 127.0.0.1 is taken or closed .*\. Leave it out"):
        serve_tablet(tmp_path, host="127.0.0.1", port=taken)


def test_missing_packages_are_named_with_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(FinishlabError, match=r'needs voila and segno.* pip install "finishlab\[tablet\]"'):
        serve_tablet(tmp_path)


def test_the_page_ends_with_whoever_started_it_and_leaves_nothing(tmp_path):
    needs("voila", "segno")
    script = (
        "import sys, os; from finishlab.bench.forms.tablet import serve_tablet\n"
        f"p = serve_tablet({str(tmp_path)!r}, host='127.0.0.1', port={free_port()})\n"
        "print(p.address, p._place.name, flush=True); os._exit(0)"
    )
    out = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=90
    )
    address, place = out.stdout.split()
    address = address.split("?")[0]
    for _ in range(100):
        try:
            urllib.request.urlopen(address + "login", timeout=2).close()
        except OSError:  # refused, or cut off on its way out
            break
        time.sleep(0.1)
    else:
        pytest.fail("the page still answers ten seconds after its starter was gone")
    for _ in range(100):
        if not Path(place).exists():
            break
        time.sleep(0.1)
    assert not Path(place).exists()


@pytest.mark.skipif(sys.platform == "win32", reason=ANYWHERE["terminal"])
def test_ctrl_c_in_a_terminal_ends_the_page_without_a_word_of_python(tmp_path):
    needs("voila", "segno")
    import pty

    shutil.copy(DEMO, tmp_path)
    fl.RecordBook(tmp_path / "trials.sqlite").close()
    near, far = pty.openpty()
    with ctrl_c_is_heard():
        run = subprocess.Popen(
            [sys.executable, "-m", "finishlab", "record", str(tmp_path), "--tablet"],
            stdin=far, stdout=far, stderr=far, start_new_session=True,
        )  # fmt: skip
    os.close(far)
    with seen_to_its_end(run):
        said = b""
        while b"Ctrl+C" not in said:
            said += os.read(near, 4096)
        address = re.search(rb"(http://\S+)/\?token=", said)[1].decode()
        os.killpg(run.pid, signal.SIGINT)  # what a terminal sends to all that run in it
        assert run.wait(timeout=120) == 0
        os.set_blocking(near, False)
        try:
            while more := os.read(near, 4096):
                said += more
        except OSError:  # nothing more, or the terminal is gone with its last user
            pass
        assert b"Traceback" not in said
        with pytest.raises(OSError, match=r"refused|reset"):
            urllib.request.urlopen(f"{address}/login", timeout=2)
    os.close(near)


# --- nothing from elsewhere --------------------------------------------------------------------------


def test_nothing_is_loaded_from_another_server(tablet, seen):
    loaded = [url for url in seen.asked if not url.startswith(("blob:", "data:"))]
    assert len(loaded) > 20
    assert {url for url in loaded if not url.startswith(f"{tablet.base}/")} == set()
    assert {line for line in seen.lines if not line.startswith(f"ws://{tablet.base[7:]}/")} == set()


@pytest.mark.parametrize(
    "path", ["/?token=wrong", "/no/such/page?token={token}", "/?token={token}&template=classic"]
)
def test_no_other_page_of_the_server_names_another_server(tablet, path):
    request = urllib.request.Request(tablet.base + path.format(token=tablet.token))
    try:
        answer = urllib.request.urlopen(request, timeout=60)
    except urllib.error.HTTPError as error:
        answer = error
    with answer:
        html = answer.read().decode()
    assert "<html" in html
    loaded = re.findall(r"<(?:link|script|img|iframe)\b[^>]*", html)  # a link to be followed loads nothing
    assert [part for part in loaded if re.search(r"""(?:src|href)\s*=\s*["']?(?:https?:)?//""", part)] == []


def test_the_browser_is_told_to_load_nothing_from_elsewhere(seen):
    # 192.0.2.1 belongs to nobody: RFC 5737, addresses for documentation.
    blocked = seen.page.evaluate("""() => new Promise((done) => {
        document.addEventListener("securitypolicyviolation", (event) => done(event.blockedURI), { once: true });
        const sheet = document.createElement("link");
        sheet.rel = "stylesheet";
        sheet.href = "http://192.0.2.1/sheet.css";
        document.head.append(sheet);
        setTimeout(() => done("not blocked"), 5000);
    })""")
    assert blocked.startswith("http://192.0.2.1/")


# --- the same address again --------------------------------------------------------------------------


def test_port_and_token_are_kept_for_their_owner_only(tmp_path):
    from finishlab.bench.forms import tablet as made

    port, token = made._kept(tmp_path)
    assert (port, len(token)) == (0, 32)
    made._keep(tmp_path, 8123, token)
    assert made._kept(tmp_path) == (8123, token)
    if os.name == "posix":
        kept = tmp_path / made.KEPT
        assert kept.stat().st_mode & 0o777 == 0o600
        kept.chmod(0o644)
        assert made._kept(tmp_path)[1] != token, "whoever has read it must not get in"


@pytest.mark.parametrize(
    "text", ["", "[]", '{"port": 8123}', '{"port": 8123, "token": "short"}', '{"port": 0, "token": 1}']
)
def test_a_spoiled_memory_of_the_address_is_no_hindrance(tmp_path, text):
    from finishlab.bench.forms import tablet as made

    (tmp_path / made.KEPT).write_text(text, encoding="utf-8")
    (tmp_path / made.KEPT).chmod(0o600)
    port, token = made._kept(tmp_path)
    assert port == 0
    assert len(token) == 32


@pytest.mark.skipif(os.name != "posix", reason="elsewhere such lines hold no port")
def test_a_port_just_left_by_the_page_before_is_free_again():
    """A server that closes its lines first leaves them waiting (RFC 9293, section 3.6: TIME-WAIT)."""
    from finishlab.bench.forms import tablet as made

    with socket.socket() as server:
        server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        server.bind(("127.0.0.1", 0))
        server.listen()
        port = server.getsockname()[1]
        with socket.create_connection(("127.0.0.1", port)) as client:
            near, _ = server.accept()
            near.close()
            client.recv(1)
    assert made._usual_port("127.0.0.1", port) == port


def test_another_program_on_the_pages_port_is_said_with_the_new_address(tmp_path, monkeypatch):
    needs("voila", "segno")
    from finishlab.bench.forms import tablet as made

    monkeypatch.setattr(made, "_LEAVING", 0.2)
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        made._keep(tmp_path, port, "x" * 32)
        with serve_tablet(tmp_path, host="127.0.0.1") as page:
            assert f":{port}/" not in page.address
            assert page.address.endswith("?token=" + "x" * 32)
            assert (
                f"Something else has port {port} of this machine now, so the address is a new one"
                in page.text()
            )


def test_a_page_that_ends_by_itself_is_started_again_under_its_address(tmp_path, monkeypatch):
    needs("voila", "segno")
    from finishlab.bench.forms import tablet as made

    page = serve_tablet(tmp_path, host="127.0.0.1")
    base = page.address.split("?")[0]
    monkeypatch.setattr(made, "_PATIENCE", 0)
    with ThreadPoolExecutor() as aside:
        waiting = aside.submit(page.wait)
        first = page._process
        first.kill()
        for _ in range(300):
            if page._process is not first and made._answers(
                "127.0.0.1", int(base.rsplit(":", 1)[1].strip("/"))
            ):
                break
            time.sleep(0.1)
        else:
            pytest.fail("no page came back")
        page._process.stdin.close()  # and ended as by its owner
        waiting.result(timeout=60)
