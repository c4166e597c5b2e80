"""The form on a tablet whose kernel, server or book is taken away: it says so, keeps what was typed, and comes back."""

from __future__ import annotations

import shutil
import time
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil
import pytest
from lab_page import browser, free_port, needs

import finishlab as fl
from finishlab.bench.forms.tablet import serve_tablet

DEMO = Path(__file__).parent.parent.parent / "datasets" / "van_panels" / "study.toml"

#: The page itself keeps the time at which it said that nothing answers: seen from here, a busy machine is later.
WATCH = """
addEventListener("DOMContentLoaded", () => new MutationObserver(() => {
  if (!document.querySelector(".f-lost")) window.lostAt = null;
  else window.lostAt ??= Date.now();
}).observe(document.body, { childList: true, subtree: true }));
"""


class Tablet:
    """A tablet on a page of its own, whose server and kernel may be taken away."""

    def __init__(self, folder, context) -> None:
        self.folder, self.page = folder, context.new_page()
        self.served = serve_tablet(folder, host="127.0.0.1", port=free_port())
        self.address = self.served.address
        self.kernels_seen: set[psutil.Process] = set()
        self.page.add_init_script(WATCH)
        self.page.goto(self.address)
        self.form = self.page.locator(".finish-form")
        self.form.wait_for()
        self.field("technician").fill("T2")
        self.form.locator("button.f-do-come").tap()
        self.field("film_before_um").fill("118.2")
        self.page.wait_for_timeout(400)
        self.form.locator("button.f-do-start").tap()
        self.form.locator("button.f-clock-press").wait_for()

    def field(self, name):
        return self.form.locator(f".f-input[name={name}]")

    def type_step(self, step):
        self.form.locator("button.f-primary", has_text=f"Save {step}").wait_for()
        self.page.wait_for_timeout(400)
        self.field("minutes").fill("3")
        for i in (1, 2, 3):
            self.field(f"gloss_20_{i}").fill(f"4.{i}")

    def save(self):
        self.page.wait_for_timeout(
            400
        )  # a press at once on a new page counts as the second half of a double tap
        self.form.locator("button.f-do-save").tap()

    def lost_after(self, begun, text):
        """Wait until the page says that nothing answers; return the seconds that it took."""
        self.form.locator(".f-lost", has_text=text).wait_for()
        return self.page.evaluate("window.lostAt") / 1000 - begun

    def messages(self):
        return " ".join(self.form.locator(".f-message").all_inner_texts())

    def kernels(self):
        found = psutil.Process(self.served._process.pid).children()
        self.kernels_seen.update(found)
        return found

    @contextmanager
    def at_work(self):
        """
        Have the page told that its kernel is at work, whenever it asks the server.

        It then waits for the kernel. Told that the kernel is idle, it would take another one
        seconds after it said so, which a test on a busy machine is too slow to look at.
        """
        place = "**/api/kernels/*"
        self.page.route(place, lambda route: route.fulfill(json={"execution_state": "busy"}))
        yield
        self.page.unroute(place)

    def end(self):
        """End all that was started; a kernel that a test left suspended or without a server too."""
        self.page.close()
        if self.served._process.poll() is None:
            self.kernels()
        self.served.stop()
        for kernel in self.kernels_seen:
            with suppress(psutil.NoSuchProcess):
                kernel.kill()
        assert not psutil.wait_procs(self.kernels_seen, timeout=60)[1]

    def in_book(self, after):
        study = fl.Study.read(self.folder / "study.toml")
        with fl.RecordBook(self.folder / "trials.sqlite") as book:
            return book.readings(study).query("after == @after")["value"].tolist()


@pytest.fixture(scope="module")
def context():
    needs("voila", "segno", "playwright")
    with browser() as chromium:
        made = chromium.new_context(viewport={"width": 800, "height": 1280}, has_touch=True)
        # Long enough for a busy machine; how soon the page speaks is read from the page's own clock.
        made.set_default_timeout(90_000)
        yield made


@pytest.fixture
def alone(tmp_path, context):
    shutil.copy(DEMO, tmp_path)
    study = fl.Study.read(tmp_path / "study.toml")
    with fl.RecordBook(tmp_path / "trials.sqlite") as book:
        book.plan(study, fl.plan_trials(study, trials=12, panels=2, seed=1))
    tablet = Tablet(tmp_path, context)
    yield tablet
    tablet.end()


def test_save_with_a_kernel_that_does_not_answer_says_so_within_three_seconds_and_the_page_comes_back(alone):
    alone.type_step("sand")
    alone.save()
    alone.form.locator(".f-ok", has_text="Saved").wait_for()
    alone.type_step("cut")
    (kernel,) = alone.kernels()
    with alone.at_work():
        kernel.suspend()
        alone.save()
        begun = time.time()
        assert "Saved" not in alone.messages(), "what was saved before is no answer to this press"
        assert alone.lost_after(begun, "Not saved") < 3
        assert "What you typed is kept on this page." in alone.messages()
        assert alone.form.locator(".f-ok").count() == 0
        assert alone.field("gloss_20_2").input_value() == "4.2"
        assert alone.in_book("cut") == []
    kernel.kill()
    # The page takes another kernel by itself, and what was typed stands there.
    alone.form.locator(".f-typed", has_text="not saved yet").wait_for()
    assert alone.field("gloss_20_2").input_value() == "4.2"
    alone.save()
    alone.form.locator(".f-ok", has_text="Saved").wait_for()
    assert alone.in_book("cut") == [4.1, 4.2, 4.3]


def test_a_late_answer_takes_the_place_of_the_warning(alone):
    alone.type_step("sand")
    (kernel,) = alone.kernels()
    with alone.at_work():
        kernel.suspend()
        alone.save()
        alone.form.locator(".f-lost").wait_for()
        kernel.resume()
        alone.form.locator(".f-ok", has_text="Saved").wait_for()
    assert alone.form.locator(".f-lost").count() == 0
    assert alone.in_book("sand") == [4.1, 4.2, 4.3]


def test_a_server_that_is_gone_is_said_before_save_is_pressed_and_started_again_has_its_address(alone):
    alone.form.locator("button.f-clock-press", has_text="Stop sand").tap()
    alone.type_step("sand")
    alone.save()
    alone.form.locator(".f-ok", has_text="Saved").wait_for()
    alone.field("gloss_20_1").fill("4.4")
    alone.kernels()
    begun = time.time()
    alone.served._process.kill()
    alone.served._process.wait()
    assert alone.lost_after(begun, "Nothing can be saved now") < 3.2  # a beat of the page may come late
    assert alone.form.locator(".f-ok").count() == 0
    alone.form.locator("button.f-clock-press", has_text="Start cut").tap()
    alone.page.wait_for_timeout(1000)
    alone.served = serve_tablet(alone.folder, host="127.0.0.1")
    assert alone.served.address == alone.address
    alone.form.locator(".f-lost").wait_for(state="detached")
    alone.form.locator("button.f-clock-press", has_text="Stop cut").wait_for()
    assert alone.field("gloss_20_1").input_value() == "4.4"
    minutes, seconds = alone.form.locator(".f-face").inner_text().split(":")
    assert 1 <= 60 * int(minutes) + int(seconds) < 120  # it ran on
    assert alone.form.locator(".f-who").inner_text() == "Logged by T2"


def test_a_page_loaded_again_leaves_no_kernel_behind(alone):
    for _ in range(2):
        alone.page.reload()
        alone.form.locator("button.f-clock-press").wait_for()
    for _ in range(50):
        if len(alone.kernels()) == 1:
            break
        time.sleep(0.1)
    assert len(alone.kernels()) == 1


def test_a_book_that_was_taken_away_is_said_on_the_page_and_no_other_is_made(alone):
    alone.type_step("sand")
    book = alone.folder / "trials.sqlite"
    book.rename(book.with_name("away.sqlite"))
    alone.save()
    alone.form.locator(".f-bad", has_text="is gone: it was deleted, moved or renamed").first.wait_for()
    assert alone.field("gloss_20_2").input_value() == "4.2"
    alone.page.reload()
    alone.page.get_by_text("No trial can be logged now.").wait_for()
    assert "there is no record book" in alone.page.inner_text("body")
    assert not book.exists()
    book.with_name("away.sqlite").rename(book)
    alone.page.reload()
    alone.form.locator(".f-typed", has_text="not saved yet").wait_for()
    alone.save()
    alone.form.locator(".f-ok", has_text="Saved").wait_for()
    assert alone.in_book("sand") == [4.1, 4.2, 4.3]
