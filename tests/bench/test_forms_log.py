"""The form and the record book together, without a browser: what each press leaves in the book."""

from __future__ import annotations

import json

import pandas as pd
import pytest

import finishlab as fl
from finishlab.bench.forms.page_parts import fields_on

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


def wait(form) -> float:
    """Seconds still to wait, as the page shows."""
    return next((p["seconds"] for p in form.page["parts"] if p["is"] == "wait"), 0.0)


def stop(form, seconds: float) -> None:
    clock = {"running": False, "seconds": seconds}
    form._heard({"do": "clock", "arg": clock, "fields": {}, "entry": form.page["entry"]})


def today(form) -> list[str]:
    """What the list of the day says, newest first."""
    return [r["cells"][-1] for p in form.page["parts"] if p["is"] == "table" for r in p["rows"]]


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
    stop(form, 90.0)
    form.press("show", arg=2)
    assert title(form) == "Panel 1 · patch 2"
    start(form)
    (bar,) = [p for p in form.page["parts"] if p.get("label") == "Other patches"]
    assert bar["actions"][0]["label"] == "Panel 1 · patch 1: under way, read in 10 min"
    form.press("show", arg=1)
    clock = next(p for p in form.page["parts"] if p["is"] == "clock")
    assert clock["field"]["value"] == "1.50"
    assert wait(form) == pytest.approx(600, abs=30)  # the study waits ten minutes; a slow machine in between


def test_a_trial_is_gone_on_with_after_the_lid_was_closed(form, book, study):
    start(form)
    form.press("save", fields=SAND)
    again = fl.log_form(book, study)
    again.press("come", fields={"technician": "T2"})
    assert title(again) == "Panel 1 · patch 2", "somebody else's patch is not taken over unasked"
    (bar,) = [p for p in again.page["parts"] if p.get("label") == "Other patches"]
    assert bar["actions"][0]["label"] == "Panel 1 · patch 1: under way, T1"
    again.press("show", arg=1)
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


# --- what outlives a page, a kernel, a lid ---------------------------------------------------------


def test_the_stopwatch_stopped_is_in_the_book_at_once_and_so_is_the_wait(form, book, study):
    start(form)
    stop(form, 200.0)
    assert row(book, study, 1)["sand_minutes"] == 3.33  # 200 s, to the hundredth that is shown
    assert form.notes["fields"]["minutes"] == {"text": "3.33 min saved", "kind": "ok"}
    (held,) = book.waiting(study).to_dict("records")
    assert (held["trial"], held["to_read"]) == (1, "sand")
    assert held["minutes_left"] == pytest.approx(10, abs=0.5)
    reader = fl.log_form(book, study)  # another tablet, another person
    reader.press("come", fields={"technician": "T2"})
    reader.press("show", arg=1)
    assert wait(reader) == pytest.approx(600, abs=30)
    reader.press("save", fields={**SAND, "minutes": "3.33"})
    assert "read 0 minutes after sand; the study waits 10 minutes" in said(reader)[1]
    assert row(book, study, 1)["sand_minutes"] == 3.33


def test_a_step_that_is_worked_is_shown_as_the_one_to_read(form, book, study):
    start(form)
    stop(form, 200.0)
    steps = next(p for p in form.page["parts"] if p["is"] == "steps")["steps"]
    assert [(s["name"], s["state"], s["mark"]) for s in steps][:2] == [
        ("sand", "now", "worked, to be read"),
        ("cut", "todo", ""),
    ]


def test_what_stands_beside_a_reading_changes_with_the_readings_it_was_compared_with(form, book, study):
    start(form)

    def look(name: str, **fields: str) -> dict:
        form._heard({"do": "look", "arg": name, "fields": fields, "entry": form.page["entry"]})
        return {n: v["kind"] for n, v in form.notes["fields"].items()}

    assert look("gloss_20_2", gloss_20_1="41", gloss_20_2="4.3")["gloss_20_2"] == "bad"
    assert look("gloss_20_1", gloss_20_1="4.1", gloss_20_2="4.3") == {"gloss_20_1": "ok", "gloss_20_2": "ok"}


def test_minutes_typed_over_after_the_stopwatch_count(form, book, study):
    start(form)
    stop(form, 200.0)
    form.press("save", fields={**SAND, "minutes": "3.5"})
    assert row(book, study, 1)["sand_minutes"] == 3.5


def test_a_stopwatch_pressed_twice_at_once_logs_nothing(form, book, study):
    start(form)
    stop(form, 0.1)
    assert "sand_minutes" not in row(book, study, 1)
    assert wait(form) == 0


def test_a_new_kernel_goes_on_from_what_the_browser_kept(form, book, study):
    start(form)
    form.press("blind")
    kept = json.loads(json.dumps(form.kept))["session"]  # as a browser keeps it
    kept["clocks"][0][3] -= 120  # started two minutes ago
    again = fl.log_form(book, study)
    assert again.kept["as"] == form.kept["as"]
    again.press("again", arg=kept)
    assert title(again) == "Panel 1 · patch 1"
    assert (again.session.technician, again.session.instrument, again.session.blind) == ("T1", "G7", True)
    clock = next(p for p in again.page["parts"] if p["is"] == "clock")
    assert clock["running"]
    assert clock["seconds"] == pytest.approx(120, abs=30)  # a slow machine in between


def test_after_a_working_day_it_is_asked_again_who_logs(form, book, study):
    start(form)
    kept = json.loads(json.dumps(form.kept))["session"]
    kept["at"] -= 12 * 3600
    again = fl.log_form(book, study)
    again.press("again", arg=kept)
    assert title(again) == "Who is logging?"
    again.press("come", fields={"technician": "T2"})
    again.press("show", arg=1)
    assert next(p for p in again.page["parts"] if p["is"] == "clock")["running"], "the stopwatch runs on"


@pytest.mark.parametrize(
    "kept",
    [None, {}, "x", 7, [], {"technician": "T1"}, {"clocks": 3}, {"view": "../../etc"}],
)
def test_what_a_browser_kept_and_nobody_can_read_is_passed_over(book, study, kept):
    form = fl.log_form(book, study)
    form.press("again", arg=kept)
    assert title(form) == "Who is logging?"
    whole = {**form.kept["session"], "technician": "T1"}
    form.press("again", arg={**whole, **kept} if isinstance(kept, dict) else whole)
    assert title(form) in ("Who is logging?", "Panel 1 · patch 1")


def test_a_correction_of_a_trial_that_is_gone_is_not_taken_up(form, book, study):
    kept = {**form.kept["session"], "view": "correct", "about": 99}
    again = fl.log_form(book, study)
    again.press("again", arg=kept)
    assert title(again) == "Panel 1 · patch 1"


def test_readings_of_a_step_that_another_bench_has_logged_are_not_put_under_the_next_one(form, book, study):
    start(form)
    book.read(study, 1, after="sand", values={"gloss_20": [4.0, 4.2]}, minutes=3, technician="T2")
    form.press("save", fields=SAND)
    kind, text = said(form)
    assert kind == "bad"
    assert "gone on with at another bench" in text
    assert "gloss 20 1: 4.1" in text  # what was typed is not lost either
    assert set(book.readings(study).query("quantity == 'gloss_20'")["after"]) == {"sand"}
    assert len(book.readings(study).query("quantity == 'gloss_20'")) == 2


def test_a_trial_that_another_bench_started_first_is_not_swapped_for_the_next(form, book, study):
    book.start(study, trial=1, technician="T2", film_before_um=118)
    start(form)
    assert said(form)[0] == "bad"
    assert row(book, study, 2)["status"] == "planned"


# --- meter, film, words ------------------------------------------------------------------------------

TILE = {
    "instrument": "G7",
    "tile": "tile 3",
    "expected": "92.4",
    "limit": "1,5",
    "set_by": "the workshop lead",
}


def test_a_meter_check_is_logged_and_one_that_is_off_puts_readings_in_doubt(form, book, study):
    form.press("meter")
    form.press("checked", fields={**TILE, "read": "92.1"})
    assert said(form)[0] == "ok"
    assert "within the limit of 1.5 set by the workshop lead" in said(form)[1]
    start(form)
    form.press("save", fields=SAND)
    form.press("meter")
    shown = {f["name"]: f["value"] for f in fields_on(form.page["parts"])}
    assert shown == {**TILE, "read": ""}, "all but the reading stands there from last time"
    form.press("checked", fields={**TILE, "read": "88"})
    assert said(form)[0] == "bad"
    assert "2 readings since the last good check are in doubt" in said(form)[1]
    assert not book.readings(study).query("quantity == 'gloss_20'")["good"].any()


@pytest.mark.parametrize(("left", "says"), [("read", "what the meter shows: empty"), ("limit", "how far off is too far: empty"), ("set_by", "Name who set the limit")])  # fmt: skip
def test_a_meter_check_has_no_number_of_its_own(form, book, study, left, says):
    form.press("meter")
    form.press("checked", fields={**TILE, "read": "92.1", left: ""})
    assert said(form)[0] == "bad"
    assert says in said(form)[1]


def test_film_at_the_limit_stops_the_trial_by_name(form, book, study):
    start(form)
    form.press("save", fields=SAND)
    form.press("save", fields={**END, "film_after_um": "110"})  # 8 µm removed, the most of this study
    text = said(form)[1]
    assert "at the limit" in text
    assert "the instructor, for this test" in text


def test_the_list_of_the_day_is_in_plain_words(form, book, study):
    start(form)
    stop(form, 200.0)
    form.press("save", fields={**SAND, "minutes": "3.33"})
    book.amend(study, 1, changes={"sand_minutes": 10 / 3}, reason="slip", technician="T1")
    form.press("back")
    lines = today(form)
    assert lines[-1] == "started: sand grit P2000, cut passes 2, polish passes 0"
    assert "sand worked: 3.33 min" in lines
    assert "read after sand: 20° gloss 4.1, 4.3 GU" in lines
    assert not any("_" in line or "3.333" in line for line in lines)
    book.check_meter(
        study, instrument="G7", tile="tile 3", expected=92.4, read=88, limit=1.5, limit_set_by="the workshop lead", technician="T1",
    )  # fmt: skip
    form.press("back")
    assert today(form)[0].endswith("off by 4.4, more than the limit of 1.5 set by the workshop lead.")
    rows = next(p for p in form.page["parts"] if p["is"] == "table")["rows"]
    assert [r["cells"][1] for r in rows] == ["", *["1"] * (len(rows) - 1)], (
        "a line without a trial among them"
    )
    form.press("correct", arg=1)
    assert {f["name"]: f["value"] for f in fields_on(form.page["parts"])}["sand_minutes"] == "3.33"


def test_a_value_that_is_only_rounded_on_the_screen_is_not_corrected_by_the_way(form, book, study):
    start(form)
    form.press("save", fields=SAND)
    book.amend(study, 1, changes={"sand_minutes": 10 / 3}, reason="slip", technician="T1")
    form.press("correct", arg=1)
    shown = {f["name"]: f["value"] for f in fields_on(form.page["parts"])}
    form.press("corrected", arg=1, fields={**shown, "sand_gloss_20_1": "4.2", "reason": "misread"})
    assert row(book, study, 1)["sand_minutes"] == pytest.approx(10 / 3, rel=1e-12)
    assert row(book, study, 1)["sand_gloss_20_1"] == 4.2


def test_a_trial_can_be_spoiled_before_during_and_after_its_work(form, book, study):
    def spoil(reason: str) -> None:
        button = next(a for p in form.page["parts"] for a in p.get("actions", ()) if a["do"] == "spoil")
        form.press("spoil", arg=button["arg"])
        form.press("spoiled", arg=button["arg"], fields={"reason": reason})

    spoil("panel scratched in the rack")
    start(form)
    spoil("pad came off")
    start(form)
    form.press("save", fields=SAND)
    form.press("save", fields={"minutes": "2"})
    form.press("save", fields=END)
    form.press("correct", arg=3)
    spoil("wrong panel")
    statuses = book.trials(study).set_index("trial")["status"].to_dict()
    assert statuses == dict.fromkeys((1, 2, 3), "spoiled")


def test_a_book_that_cannot_be_read_is_said_and_what_is_on_the_screen_stays(form, book, study, monkeypatch):
    start(form)

    def locked(*args, **more):
        raise fl.RecordsError("the book is locked by another program. Wait a little.")

    with monkeypatch.context() as broken:
        broken.setattr(book, "next_trial", locked)
        broken.setattr(book._store, "read", locked)
        form.press("save", fields=SAND)
    kind, text = said(form)
    assert (kind, "the book is locked" in text) == ("bad", True)
    assert any(p["is"] == "clock" for p in form.page["parts"])
    form.press("save", fields=SAND)
    assert said(form)[0] == "ok"


@pytest.mark.parametrize("deed", ["deleted", "emptied", "replaced"])
def test_save_into_a_book_that_was_taken_away_is_refused_and_what_was_typed_stays(
    form, book, study, tmp_path, deed
):
    start(form)
    path, entry = tmp_path / "trials.sqlite", form.page["entry"]
    if deed == "deleted":
        path.unlink()
    elif deed == "emptied":
        path.write_bytes(b"")
    else:
        fl.RecordBook(tmp_path / "other.sqlite").close()
        (tmp_path / "other.sqlite").replace(path)
    form.press("save", fields=SAND)
    assert said(form)[0] == "bad"
    assert said(form)[1].startswith("Not saved.")
    assert "Nothing of this entry was saved." in said(form)[1]
    assert [p["is"] for p in form.page["parts"]].count("message") == 1, "one sentence, once"
    # The same page: what was typed on it stays, and so does its key.
    assert form.page["entry"] == entry
    assert {f["name"] for f in fields_on(form.page["parts"])} >= set(SAND)
    assert path.exists() == (deed != "deleted")


def test_a_page_that_asks_whether_python_is_there_gets_its_answer(form, monkeypatch):
    answers = []
    monkeypatch.setattr(form, "send", answers.append)
    before = form.page
    form._heard({"do": "there", "arg": {"me": "a", "asked": 3}, "entry": "a page that is gone"})
    assert answers == [{"there": {"me": "a", "asked": 3}}]
    assert form.page is before, "and nothing else happens"


def test_an_odd_value_in_the_book_does_not_keep_the_bench_from_going_on(form, book, study):
    for number, seconds in ((1, 2.0), (2, 2.0), (3, 180.0)):  # two stopwatches that were stopped at once
        form.press("show", arg=number)
        start(form)
        stop(form, seconds)
    with pytest.raises(fl.RecordsError, match="looks like seconds"):
        book.trials(study)
    form.press("save", fields={**SAND, "minutes": "3"})
    assert title(form) == "Panel 1 · patch 3"
    form.press("correct", arg=1)
    assert {f["name"]: f["value"] for f in fields_on(form.page["parts"])}["sand_minutes"] == "0.03"
