"""The technician's notebook in a real JupyterLab and a real browser: three trials, one mistake, one amendment.

One server, one browser and one notebook for the whole file; what the book holds afterwards
is compared with what was typed, reading by reading.
"""

from __future__ import annotations

import json
import urllib.request
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from lab_page import TOKEN, browser, jupyterlab, needs, open_and_run

import finishlab as fl

TOML = """
title = "Doors"
pass_means = "one direction, 50 % overlap"
[[step]]
name = "sand"
grit = ["P2000", "P3000"]
[[step]]
name = "cut"
pad = ["wool", "foam"]
passes = { lowest = 1, highest = 4 }
[[step]]
name = "polish"
passes = { lowest = 1, highest = 3 }
[goal]
gloss_20 = { at_least = 84 }
assurance = 0.9
[reading]
spots = 3
after = ["sand", "cut", "polish"]
"""
PLAN = pd.DataFrame(
    {
        "panel": [1, 1, 1, 2, 2],
        "patch": [3, 1, 2, 1, 2],
        "sand_grit": ["P2000", "P3000", "P2000", "P3000", "P2000"],
        "cut_pad": ["wool", "foam", "foam", "wool", "wool"],
        "cut_passes": [2, 3, 4, 1, 2],
        "polish_passes": [2, 1, 3, 2, 1],
    }
)
STEPS = ("sand", "cut", "polish")
#: What is typed for each trial: minutes and three readings of 20-degree gloss by step.
TYPED = {
    1: {"sand": ("3.1", "4.1", "4.3", "4,2"), "cut": ("2.5", "78.1", "78,4", "78.0"), "polish": ("1.5", "85.1", "85.3", "85.2")},
    2: {"sand": ("3.0", "6.1", "6.0", "6.3"), "cut": ("2:30", "80.0", "80.2", "80.1"), "polish": ("90 s", "86.1", "86.0", "86.2")},
    3: {"sand": ("3.3", "4.4", "4.2", "4.0"), "cut": ("4", "79.1", "79.2", "79.3"), "polish": ("2", "85.6", "85.5", "85.7")},
}  # fmt: skip
#: The technician's notebook, and its line that says which folder it is about.
NOTEBOOK = Path(__file__).parent.parent.parent / "notebooks" / "02_log_trials.ipynb"
ABOUT = 'STUDY_FOLDER = \\"practice\\"'
COUNT = """
window.keys = 0; window.taps = 0;
addEventListener("keydown", (e) => { if (e.isTrusted) window.keys += 1; }, true);
addEventListener("click", (e) => { if (e.isTrusted && e.detail) window.taps += 1; }, true);
"""

# A finger that taps twice on one place, a tenth of a second apart. The page itself keeps the time: sent from
# here, on a busy machine, the second tap may come so late that it is a press of its own on the next page.
TWICE = """
(button) => {
  button.scrollIntoView({ block: "center" });
  const at = button.getBoundingClientRect();
  const tap = () => document.elementFromPoint(at.x + at.width / 2, at.y + at.height / 2).click();
  tap();
  setTimeout(tap, 100);
}
"""


class Bench:
    """A technician at the form: what fingers do, and what eyes see."""

    def __init__(self, page, address: str) -> None:
        self.page, self.address = page, address
        self.form = page.locator(".finish-form").first

    def field(self, name: str):
        return self.form.locator(f".f-input[name={name}]")

    def button(self, do: str):
        return self.form.locator(f"button.f-do-{do}").first

    def sees(self, text: str) -> None:
        self.form.locator(".f-message", has_text=text).wait_for(timeout=15_000)

    def heading(self, text: str) -> None:
        self.form.locator("h2.f-panel", has_text=text).wait_for(timeout=15_000)
        # A press within a third of a second of a new page counts as the second half of a double tap.
        self.page.wait_for_timeout(400)

    def focused(self, where: str) -> None:
        self.page.wait_for_function(
            "w => { const e = document.activeElement; return e.name === w || e.classList.contains(w); }",
            arg=where,
        )

    def counts(self) -> dict[str, int]:
        return self.page.evaluate("() => ({ keys: window.keys, taps: window.taps })")


def of_kernels(address: str, path: str, method: str) -> bytes:
    request = urllib.request.Request(f"{address}/api/kernels{path}", method=method)
    request.add_header("Authorization", f"token {TOKEN}")
    with urllib.request.urlopen(request, timeout=60) as answer:
        return answer.read()


def restart_kernels(address: str) -> None:
    """Start every kernel anew, as after a computer that was switched off: nothing in memory is left."""
    for kernel in json.loads(of_kernels(address, "", "GET")):
        of_kernels(address, f"/{kernel['id']}/restart", "POST")


def end_kernels(address: str) -> None:
    """End every kernel, as a machine without memory does."""
    for kernel in json.loads(of_kernels(address, "", "GET")):
        of_kernels(address, f"/{kernel['id']}", "DELETE")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("doors")
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    study, path = fl.Study.read(folder / "study.toml"), folder / "trials.sqlite"
    with fl.RecordBook(path) as book:
        book.plan(study, PLAN)
    return SimpleNamespace(folder=folder, study=study, path=path)


@pytest.fixture(scope="module")
def bench(place, tmp_path_factory):
    needs("playwright", "jupyterlab")
    text = NOTEBOOK.read_text(encoding="utf-8")
    assert text.count(ABOUT) == 1
    mine = text.replace(ABOUT, json.dumps(f'STUDY_FOLDER = "{place.folder.as_posix()}"')[1:-1])
    (place.folder / "log.ipynb").write_text(mine, encoding="utf-8")
    with jupyterlab(place.folder, tmp_path_factory.mktemp("lab")) as address, browser() as chromium:
        page = chromium.new_context(viewport={"width": 800, "height": 1280}, has_touch=True).new_page()
        page.add_init_script(COUNT)
        open_and_run(page, address, "log.ipynb")
        bench = Bench(page, address)
        bench.form.wait_for(timeout=60_000)
        yield bench


@pytest.fixture(scope="module")
def logged(bench, place):
    """Three trials logged: the first by keyboard alone, the second by touch with a mistake, the third amended."""
    who = bench.field("technician")
    who.fill("T1")
    who.press("Enter")
    bench.page.keyboard.press("Enter")
    bench.page.keyboard.press("Enter")
    bench.heading("Panel 1 · patch 3")
    before = bench.counts()
    by_keyboard(bench, 1)
    bench.heading("Panel 1 · patch 1")
    presses = {k: v - before[k] for k, v in bench.counts().items()}
    refused = by_touch_with_a_mistake(bench, 2)
    bench.heading("Panel 1 · patch 2")
    by_keyboard(bench, 3, minutes_typed=True)
    bench.heading("Panel 2 · patch 1")
    amend(bench, 3, "gloss_20_2", "85.9", "misread the display")
    bench.heading("Panel 2 · patch 1")
    with fl.RecordBook(place.path) as book:
        yield SimpleNamespace(
            presses=presses,
            refused=refused,
            trials=book.trials(place.study).set_index("trial"),
            readings=book.readings(place.study),
            history={n: book.history(place.study, n) for n in (1, 2, 3)},
        )


def by_keyboard(bench: Bench, number: int, minutes_typed: bool = False) -> None:
    """Log a trial without ever touching the screen; the stopwatch gives the minutes unless they are typed."""
    keys = bench.page.keyboard
    bench.focused("f-do-start")
    keys.press("Enter")
    for step in STEPS:
        minutes, *readings = TYPED[number][step]
        bench.form.locator(
            "button.f-clock-press", has_text=f"{'Stop' if step == 'sand' else 'Start'} {step}"
        ).wait_for()
        bench.page.wait_for_timeout(400)
        bench.focused("f-clock-press")
        if step != "sand":  # starting the trial started the first step's stopwatch
            keys.press("Enter")
        bench.page.wait_for_timeout(1100)
        keys.press("Enter")
        bench.focused("gloss_20_1")
        left = [bench.field(f"gloss_20_{i}").input_value() for i in (1, 2, 3)]
        assert left == ["", "", ""], "a reading of one step never stands in the next"
        if minutes_typed:
            bench.field("minutes").fill(minutes)
            bench.field("gloss_20_1").focus()
        for reading in readings:
            keys.type(reading + "\n")  # at once: no digit may end up in the next field
        if step != "polish":
            bench.sees(f"after {step}")


def by_touch_with_a_mistake(bench: Bench, number: int) -> str:
    """Log a trial with taps; one reading is typed without its point, and save is tapped twice. Return the refusal."""
    refused = ""
    bench.button("start").tap()
    for step in STEPS:
        minutes, *readings = TYPED[number][step]
        bench.form.locator("button.f-primary", has_text=f"Save {step}").wait_for()
        bench.page.wait_for_timeout(400)
        bench.field("minutes").fill(minutes)
        for i, reading in enumerate(readings, start=1):
            bench.field(f"gloss_20_{i}").fill("802" if reading == "80.2" else reading)
        if step == "cut":
            bench.button("save").tap()
            bench.sees("Not saved")
            refused = bench.form.locator(".f-gloss_20_2 .f-note").inner_text()
            assert bench.field("gloss_20_1").input_value() == "80.0", "what was typed stays"
            bench.field("gloss_20_2").fill("80.2")
        bench.button("save").evaluate(TWICE)
        if step != "polish":
            bench.sees(f"after {step}")
    return refused


def by_touch(bench: Bench, number: int) -> int:
    """Log a trial with taps and the tablet's keypad; return the keypad presses."""
    keypad, pressed = bench.page.keyboard, 0
    bench.button("start").tap()
    for step in STEPS:
        press = bench.form.locator(
            "button.f-clock-press", has_text=f"{'Stop' if step == 'sand' else 'Start'} {step}"
        )
        press.wait_for()
        bench.page.wait_for_timeout(400)
        if step != "sand":
            press.tap()
        bench.page.wait_for_timeout(1100)
        bench.form.locator("button.f-clock-press", has_text=f"Stop {step}").tap()
        bench.focused("gloss_20_1")  # a tap is answered a moment after the finger has left
        for reading in TYPED[1][step][1:]:
            keypad.type(reading + "\n")
            pressed += len(reading) + 1
        if step != "polish":
            bench.sees(f"after {step}")
    return pressed


def amend(bench: Bench, number: int, column: str, value: str, reason: str) -> None:
    bench.form.locator(".f-message button.f-do-correct").tap()
    bench.heading(f"Correct trial {number}")
    bench.field(column).fill(value)
    bench.field("reason").fill(reason)
    bench.button("corrected").tap()
    bench.sees(f"Trial {number} is corrected")


# --- what the book holds -------------------------------------------------------------------------


def test_the_book_holds_exactly_the_trials_that_were_logged(logged):
    assert logged.trials["status"].to_dict() == {1: "done", 2: "done", 3: "done", 4: "planned", 5: "planned"}
    assert logged.trials["technician"].dropna().to_dict() == {1: "T1", 2: "T1", 3: "T1"}
    done = logged.trials.loc[[1, 2, 3], PLAN.columns].reset_index(drop=True)
    pd.testing.assert_frame_equal(done, PLAN.iloc[:3], check_dtype=False)


def test_every_reading_typed_is_in_the_book_once_and_nothing_else(logged):
    wanted = []
    for number, steps in TYPED.items():
        for step, (_, *typed) in steps.items():
            wanted += [(number, step, float(t.replace(",", "."))) for t in typed]
    wanted[wanted.index((3, "polish", 85.5))] = (3, "polish", 85.9)
    found = logged.readings[["trial", "after", "value"]].itertuples(index=False, name=None)
    assert sorted(found) == sorted(wanted)
    assert set(logged.readings["quantity"]) == {"gloss_20"}


def test_minutes_come_from_the_stopwatch_or_as_they_were_typed(logged):
    clock = logged.trials.loc[1, [f"{s}_minutes" for s in STEPS]].astype(float)
    # The stopwatch ran a good second; two hundredths of a minute are 1.2 s.
    assert ((clock >= 0.01) & (clock < 0.5)).all()
    assert logged.trials.loc[2, [f"{s}_minutes" for s in STEPS]].tolist() == pytest.approx([3.0, 2.5, 1.5])
    assert logged.trials.loc[3, "minutes"] == pytest.approx(3.3 + 4 + 2)


def test_the_mistake_was_answered_beside_its_field_and_left_no_trace(logged):
    assert "If the decimal point slipped, write 80.2" in logged.refused
    assert not logged.history[2].astype(str).apply(lambda c: c.str.contains("802")).to_numpy().any()


def test_the_amendment_keeps_what_was_there_who_changed_it_and_why(logged):
    (row,) = logged.history[3].query("reason == 'misread the display'").to_dict("records")
    assert (row["who"], float(row["before"]), float(row["after"])) == ("T1", 85.5, 85.9)
    assert logged.trials.loc[3, "gloss_20_2"] == 85.9


def test_a_trial_by_keyboard_needs_no_tap_and_hardly_a_key_beyond_its_readings(logged):
    digits = sum(len(r) for s in STEPS for r in TYPED[1][s][1:])
    # One Enter behind each of nine readings, one to start, two for each stopwatch but the first's start.
    assert logged.presses == {"keys": digits + 9 + 1 + 5, "taps": 0}


def test_a_trial_by_touch_needs_six_taps_and_the_keypad(bench, logged, place):
    before = bench.counts()
    keypad = by_touch(bench, 4)
    bench.sees("Trial 4 is done")
    bench.heading("Panel 2 · patch 2")
    found = {k: v - before[k] for k, v in bench.counts().items()}
    # One tap to start the trial with its first stopwatch, three to stop one, two to start one.
    assert found == {"taps": 6, "keys": keypad}
    with fl.RecordBook(place.path) as book:
        read = book.readings(place.study).query("trial == 4")
    assert read["value"].tolist() == [float(r.replace(",", ".")) for s in STEPS for r in TYPED[1][s][1:]]


# --- what a person sees ----------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (800, 1280)])
def test_everything_to_touch_is_big_enough_and_nothing_sticks_out(bench, logged, width, height):
    bench.page.set_viewport_size({"width": width, "height": height})
    if bench.button("start").is_visible():
        bench.button("start").tap()
    bench.form.locator("button.f-clock-press").wait_for()
    sizes = bench.form.evaluate(
        "f => [...f.querySelectorAll('button, input, select')].map(e => [e.offsetWidth, e.offsetHeight])"
    )
    assert len(sizes) > 10
    # 44 by 44 CSS pixels: WCAG 2.2, success criterion 2.5.5 Target Size (Enhanced).
    assert min(w for w, _ in sizes) >= 44
    assert min(h for _, h in sizes) >= 44
    assert bench.form.evaluate("f => f.scrollWidth <= f.clientWidth + 1")


def test_a_keypad_of_digits_is_asked_for_and_no_number_box(bench, logged):
    kinds = bench.form.evaluate("f => [...f.querySelectorAll('input')].map(i => [i.type, i.inputMode])")
    assert {tuple(k) for k in kinds} == {("text", "decimal")}


# --- what outlives the page ------------------------------------------------------------------------


def test_typed_readings_and_the_stopwatch_outlive_page_and_kernel_and_count_as_nothing(bench, logged, place):
    if bench.button("start").is_visible():
        bench.button("start").tap()
    bench.form.locator("button.f-clock-press", has_text="Stop").wait_for()
    bench.page.wait_for_timeout(2500)
    bench.field("gloss_20_1").fill("4.4")
    bench.field("gloss_20_2").fill("4.")
    bench.page.wait_for_timeout(500)
    with fl.RecordBook(place.path) as book:
        before = book.history(place.study, 5)
    restart_kernels(bench.address)
    open_and_run(bench.page, bench.address, "log.ipynb")
    bench.form.locator("h2.f-panel", has_text="Panel 2 · patch 2").wait_for(timeout=60_000)
    assert bench.field("gloss_20_1").input_value() == "4.4"
    assert bench.field("gloss_20_2").input_value() == "4."
    bench.form.locator(".f-typed", has_text="not saved yet").wait_for()
    minutes, seconds = bench.form.locator(".f-face").inner_text().split(":")
    assert 3 <= 60 * int(minutes) + int(seconds) < 600  # it ran on while the page was away
    bench.form.locator("button.f-clock-press", has_text="Stop").wait_for()
    assert bench.form.locator(".f-who").inner_text() == "Logged by T1"
    with fl.RecordBook(place.path) as book:
        pd.testing.assert_frame_equal(book.history(place.study, 5), before)
        assert (book.readings(place.study)["trial"] != 5).all()
    bench.button("save").tap()
    bench.sees("Not saved")  # the third reading lacks, and nothing typed before counts as given
    with fl.RecordBook(place.path) as book:
        assert (book.readings(place.study)["trial"] != 5).all()


def test_save_with_a_dead_kernel_says_so_in_the_form_and_what_was_typed_comes_back(bench, logged, place):
    bench.form.locator("button.f-primary", has_text="Save").wait_for()
    for i in (1, 2, 3):
        bench.field(f"gloss_20_{i}").fill(f"4.{i}")
    with fl.RecordBook(place.path) as book:
        before = book.readings(place.study)
    end_kernels(bench.address)
    if bench.form.locator(".f-lost").count() == 0:  # it says so before the press, if there is time
        bench.button("save").tap()
    bench.form.locator(".f-lost", has_text="the program behind").wait_for(timeout=10_000)
    bench.page.keyboard.press("Escape")  # what the notebook itself may say over the page
    bench.button("save").tap()
    bench.form.locator(".f-lost", has_text="Not saved, as far as this page knows").wait_for(timeout=10_000)
    assert bench.form.locator(".f-ok").count() == 0
    assert "Run the notebook again" in bench.form.locator(".f-lost").inner_text()
    assert bench.field("gloss_20_3").input_value() == "4.3"
    with fl.RecordBook(place.path) as book:
        pd.testing.assert_frame_equal(book.readings(place.study), before)
    open_and_run(bench.page, bench.address, "log.ipynb")
    bench.form.locator(".f-typed", has_text="not saved yet").wait_for(timeout=60_000)
    assert bench.field("gloss_20_3").input_value() == "4.3"
    assert bench.form.locator(".f-lost").count() == 0
