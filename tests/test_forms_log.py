"""The form and the record book together, without a browser: what each press leaves in the book."""

from __future__ import annotations

import pandas as pd
import pytest

import finishlab as fl
from finishlab.forms.parts import fields_on

TOML = """
title = "Doors"
pass_means = "one direction, 50 % overlap"
[[step]]
name = "sand"
grit = ["P2000", "P3000"]
[[step]]
name = "cut"
passes = { lowest = 1, highest = 4 }
[[step]]
name = "polish"
passes = { lowest = 0, highest = 3 }
[goal]
gloss_20 = { at_least = 84 }
faults = { at_most = 0 }
assurance = 0.9
[limit]
removed_um = { at_most = 8, set_by = "the instructor, for this test", assurance = 0.99 }
[reading]
spots = 2
after = ["sand", "polish"]
wait_minutes = 10
"""
PLAN = pd.DataFrame(
    {
        "panel": [1, 1, 1], "patch": [1, 2, 3],
        "sand_grit": ["P2000", "P3000", "P2000"], "cut_passes": [2, 3, 4], "polish_passes": [0, 1, 3],
    }
)  # fmt: skip


@pytest.fixture
def study():
    return fl.Study.from_toml(TOML)


@pytest.fixture
def book(study, tmp_path):
    with fl.RecordBook(tmp_path / "trials.sqlite") as opened:
        opened.plan(study, PLAN)
        yield opened


@pytest.fixture
def form(book, study):
    made = fl.log_form(book, study)
    made.press("come", fields={"technician": "T1", "instrument": "G7", "direction": "along"})
    return made


def said(form) -> tuple[str, str]:
    """Kind and text of the message on the page."""
    part = next(p for p in form.page["parts"] if p["is"] == "message")
    return part["kind"], " ".join([part["text"], *part["list"]])


def title(form) -> str:
    return next(p["text"] for p in form.page["parts"] if p["is"] == "title")


def row(book, study, trial: int) -> dict:
    return book.trials(study).set_index("trial").loc[trial].dropna().to_dict()


SAND = {"minutes": "3", "gloss_20_1": "4.1", "gloss_20_2": "4,3"}
END = {"minutes": "2", "gloss_20_1": "85.1", "gloss_20_2": "85.3", "faults_1": "0", "film_after_um": "112"}


def start(form, film: str = "118") -> None:
    form.press("start", fields={"film_before_um": film})


@pytest.mark.parametrize(
    ("typed", "says"),
    [("", "Who is logging is empty"), ("Ann Example", "looks like a name"), ("x" * 30, "looks like a name")],
)
def test_who_logs_is_a_number_or_initials(book, study, typed, says):
    form = fl.log_form(book, study)
    form.press("come", fields={"technician": typed})
    assert said(form)[0] == "bad"
    assert says in said(form)[1]
    assert title(form) == "Who is logging?"


def test_a_trial_that_leaves_its_last_step_out_is_read_to_the_end_after_the_one_before(form, book, study):
    start(form)
    form.press("save", fields=SAND)
    form.press("save", fields=END)
    assert said(form) == ("ok", "Trial 1 is done.")
    found = row(book, study, 1)
    assert found["status"] == "done"
    assert (found["gloss_20"], found["faults"], found["removed_um"]) == pytest.approx((85.2, 0, 6))
    assert (found["sand_minutes"], found["cut_minutes"], found["minutes"]) == (3, 2, 5)
    assert title(form) == "Panel 1 · patch 2"


def test_the_meter_and_the_direction_named_once_stand_with_every_reading(form, book, study):
    start(form)
    form.press("save", fields=SAND)
    readings = book.readings(study).query("quantity == 'gloss_20'")
    assert set(readings["instrument"]) == {"G7"}
    assert set(readings["direction"]) == {"along"}


def test_nothing_is_saved_while_anything_is_wrong_and_all_of_it_is_said_at_once(form, book, study):
    start(form)
    before = book.history(study, 1)
    form.press("save", fields={"minutes": "", "gloss_20_1": "1000", "gloss_20_2": "x"})
    kind, text = said(form)
    assert kind == "bad"
    for part in (
        "minutes of sand: empty",
        "20° gloss, reading 1 of 2: 1000 GU is above",
        "'x' is not a number",
    ):
        assert part in text
    pd.testing.assert_frame_equal(book.history(study, 1), before)
    assert {n: v["kind"] for n, v in form.notes["fields"].items()} == dict.fromkeys(SAND, "bad")


def test_an_end_that_the_book_refuses_is_asked_for_again_and_the_readings_are_kept(form, book, study):
    start(form)
    form.press("save", fields=SAND)
    form.press("save", fields={**END, "film_after_um": "140"})  # thicker after work than before
    kind, text = said(form)
    assert kind == "bad"
    assert "The readings are saved, but the trial is not ended." in text
    assert "140" in text
    assert (row(book, study, 1)["status"], row(book, study, 1)["gloss_20"]) == (
        "started",
        pytest.approx(85.2),
    )
    form.press("finish", fields={"film_after_um": "114"})
    assert said(form) == ("ok", "Trial 1 is done.")
    assert row(book, study, 1)["removed_um"] == pytest.approx(4)


def test_a_press_that_arrives_twice_is_saved_once(form, book, study):
    start(form)
    press = {"do": "save", "arg": None, "fields": SAND, "entry": form.page["entry"]}
    form._heard(press)
    form._heard(press)
    assert len(book.readings(study).query("quantity == 'gloss_20'")) == 2
    assert title(form) == "Panel 1 · patch 1"


def test_film_in_mil_is_kept_in_micrometres(form, book, study):
    form.press("unit")
    start(form, "4.5")
    assert row(book, study, 1)["film_before_um"] == pytest.approx(114.3)  # 25.4 µm a mil, exactly


def test_a_setting_that_differs_from_the_plan_needs_its_reason(form, book, study):
    form.press("differ")
    fields = {f["name"]: f["value"] for f in fields_on(form.page["parts"])}
    changed = {**fields, "film_before_um": "118", "cut_passes": "3", "reason": ""}
    form.press("start", arg="differs", fields=changed)
    assert "The reason is empty" in said(form)[1]
    assert row(book, study, 1)["status"] == "planned"
    form.press("start", arg="differs", fields={**changed, "reason": "pad was worn"})
    found = row(book, study, 1)
    assert (found["status"], found["cut_passes"]) == ("started", 4)
    assert "pad was worn" in str(book.history(study, 1)["reason"].tolist())


def test_a_spoiled_trial_keeps_its_reason_and_a_burned_one_its_step(form, book, study):
    start(form)
    form.press("spoil")
    form.press("spoiled", fields={"reason": " "})
    assert said(form)[0] == "bad"
    form.press("spoiled", fields={"reason": "dropped the panel"})
    assert row(book, study, 1)["status"] == "spoiled"
    start(form)
    form.press("burn")
    form.press("burned", fields={"after": "cut", "reason": "colour on the pad"})
    found = row(book, study, 2)
    assert (found["status"], found["burned_after_step"]) == ("done", "cut")
    assert title(form) == "Panel 1 · patch 3"


def test_undo_is_an_amendment_that_keeps_what_was_there(form, book, study):
    start(form)
    form.press("save", fields=SAND)
    form.press("correct", arg=1)
    shown = {f["name"]: f["value"] for f in fields_on(form.page["parts"])}
    assert shown["sand_gloss_20_2"] == "4.3"
    form.press("corrected", arg=1, fields={**shown, "reason": "nothing"})
    assert "Nothing was changed" in said(form)[1]
    form.press("corrected", arg=1, fields={**shown, "sand_gloss_20_2": "", "reason": "read on the edge"})
    assert said(form)[0] == "ok"
    assert row(book, study, 1)["sand_gloss_20"] == 4.1
    (kept,) = book.history(study, 1).query("reason == 'read on the edge'").to_dict("records")
    assert float(kept["before"]) == 4.3


def test_another_patch_can_be_worked_while_one_waits(form, book, study):
    start(form)
    form._heard(
        {"do": "clock", "arg": {"running": False, "seconds": 90.0}, "fields": {}, "entry": form.page["entry"]}
    )
    form.press("show", arg=2)
    assert title(form) == "Panel 1 · patch 2"
    start(form)
    (bar,) = [p for p in form.page["parts"] if p.get("label") == "Other patches"]
    assert bar["actions"][0]["label"] == "Panel 1 · patch 1: under way, read in 10 min"
    form.press("show", arg=1)
    clock = next(p for p in form.page["parts"] if p["is"] == "clock")
    assert clock["field"]["value"] == "1.50"


def test_a_trial_is_gone_on_with_after_the_lid_was_closed(form, book, study):
    start(form)
    form.press("save", fields=SAND)
    again = fl.log_form(book, study)
    again.press("come", fields={"technician": "T2"})
    assert title(again) == "Panel 1 · patch 1"
    now = next(
        s for p in again.page["parts"] if p["is"] == "steps" for s in p["steps"] if s["state"] == "now"
    )
    assert now["name"] == "cut"


def test_a_blind_reader_meets_no_setting_from_beginning_to_end(form, book, study):
    form.press("blind")
    for press, fields in (("start", {"film_before_um": "118"}), ("save", SAND), ("save", END)):
        for setting in ("P2000", "P3000", "2 passes", "left out", "cut_passes"):
            assert setting not in str(form.page), (press, setting)
        form.press(press, fields=fields)
    form.press("correct", arg=1)
    assert "P2000" not in str(form.page)


def test_something_unforeseen_is_shown_and_not_swallowed(form, book, study, monkeypatch):
    start(form)

    def broken(*args, **more):
        raise RuntimeError("no such thing")

    monkeypatch.setattr(book, "read", broken)
    with pytest.raises(RuntimeError, match="no such thing"):
        form.press("save", fields=SAND)
    assert said(form)[0] == "bad"
    assert "Something unforeseen happened (no such thing)" in said(form)[1]
