"""What is typed into the form: numbers, commas, units, slips; which fields a step asks for; the pages."""

from __future__ import annotations

import time

import pytest

from finishlab import Study
from finishlab.bench.forms import correction, page, page_parts
from finishlab.bench.forms.entry import (
    Field,
    entered,
    film_field,
    minutes_field,
    reading_fields,
    spread_note,
)
from finishlab.bench.forms.session import Session
from finishlab.bench.forms.trial_progress import Trial, fields_of_step, step_to_do
from finishlab.study.column_names import quantities_after

TOML = """
title = "Doors"
pass_means = "one direction, 50 % overlap"
[[step]]
name = "sand"
grit = ["P2000", "P3000"]
passes = 4
[[step]]
name = "cut"
pad = ["wool", "foam"]
passes = { lowest = 1, highest = 4 }
[[step]]
name = "polish"
passes = { lowest = 0, highest = 3 }
[goal]
gloss_20 = { at_least = 84 }
haze = { at_most = 18 }
faults = { at_most = 0 }
assurance = 0.9
[limit]
removed_um = { at_most = 8, set_by = "the instructor, for this test", assurance = 0.99 }
[reading]
spots = 3
after = ["sand", "polish"]
wait_minutes = 15
haze_method = "ISO 13803"
"""
STUDY = Study.from_toml(TOML)
GLOSS = reading_fields(STUDY, "gloss_20")[0]
FILM = film_field(STUDY, "film_before_um", "film before work")
FAULTS = reading_fields(STUDY, "faults")[0]
MINUTES = minutes_field("minutes")


def trial(**settings) -> Trial:
    plan = {"sand_grit": "P2000", "cut_pad": "wool", "cut_passes": 3, "polish_passes": 2}
    return Trial(7, 2, 5, plan | settings, "started", frozenset())


# --- numbers -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "field", "value"),
    [
        ("84.1", GLOSS, 84.1),
        ("84,1", GLOSS, 84.1),
        (" 84.1 GU ", GLOSS, 84.1),
        ("84", GLOSS, 84.0),
        (".5", MINUTES, 0.5),
        ("6,", MINUTES, 6.0),
        ("7:30", MINUTES, 7.5),
        ("90 s", MINUTES, 1.5),
        ("3 min", MINUTES, 3.0),
        ("0", FAULTS, 0.0),
        ("118,2 µm", FILM, 118.2),
        ("118 um", FILM, 118.0),
    ],
)
def test_what_people_type_at_a_bench_is_read(typed, field, value):
    found = entered(typed, field)
    assert not found.fault
    assert found.value == pytest.approx(value, rel=1e-12)  # only the arithmetic of units


def test_a_mil_is_a_thousandth_of_an_inch():
    # 1 inch = 25.4 mm by definition (international yard and pound agreement, 1959), so 4.5 mil = 114.3 µm.
    assert entered("4.5 mil", FILM).value == pytest.approx(114.3, rel=1e-12)
    assert entered("4.5", FILM, in_mil=True).value == pytest.approx(114.3, rel=1e-12)
    assert entered("4.5", FILM, in_mil=True).note == "4.5 mil = 114.3 µm"
    assert entered("114.3 µm", FILM, in_mil=True).value == pytest.approx(114.3, rel=1e-12)


@pytest.mark.parametrize(
    ("typed", "field", "says"),
    [
        ("", GLOSS, "empty: type the number"),
        ("84.1.2", GLOSS, "'84.1.2' is not a number. Write digits and one decimal point, as 84.1."),
        ("eighty", GLOSS, "'eighty' is not a number"),
        ("nan", GLOSS, "'nan' is not a number"),
        ("1e9", GLOSS, "is not a number"),
        ("84 µm", GLOSS, "'84 µm' has another unit. Write only the number, in GU."),
        ("841", GLOSS, "If the decimal point slipped, write 84.1; else read again."),
        ("-3", GLOSS, "-3 GU is below 0"),
        ("1.5", FAULTS, "1.5 is not a whole number. Write the count, 0 or more."),
        ("0", MINUTES, "0 min is no work"),
        ("900", MINUTES, "900 min is more than 600. Write working minutes; if it is seconds, write 900 s."),
        ("4.5", FILM, "If it is mil, write 4.5 mil (114.3 µm)."),
        ("<script>alert(1)</script>", GLOSS, "is not a number"),
        ("٨٤", GLOSS, "is not a number"),
        ("9" * 5000, GLOSS, "is not a number"),
    ],
)
def test_what_cannot_be_is_answered_with_what_to_do(typed, field, says):
    found = entered(typed, field)
    assert found.fault
    assert found.value is None
    assert says in found.note
    assert len(found.note) < 200


def test_only_what_may_stay_empty_may_be_empty():
    assert entered("", Field("x", "haze", "haze", "", 1000, wanted=False)).fault is False
    assert entered("   ", FILM).fault  # this study has a limit on film
    free = Study.from_toml(TOML[: TOML.index("[limit]")] + TOML[TOML.index("[reading]") :])
    assert not entered("", film_field(free, "film_before_um", "film before work")).fault


@pytest.mark.parametrize(("typed", "meant"), [("8.39", "83.9"), ("839", "83.9"), ("8,39", "83.9")])
def test_a_slipped_decimal_point_is_told_from_the_other_readings(typed, meant):
    found = entered(typed, GLOSS, others=[84.1, 84.3])
    assert found.fault
    assert f"write {meant}" in found.note


def test_a_low_reading_beside_low_readings_is_no_slip():
    assert entered("2.5", GLOSS, others=[2.2, 24.0]).value == 2.5
    assert entered("8.39", GLOSS).value == 8.39  # alone it can be right


def test_a_wide_spread_asks_for_another_reading_and_a_narrow_one_does_not():
    # ISO 2813:1994 asks for more readings where they spread over 5 GU (from memory).
    assert spread_note([84.0, 84.2, 79.3], GLOSS) == ""
    assert "read again" in spread_note([84.0, 84.2, 78.9], GLOSS)
    assert spread_note([10.0, 90.0], reading_fields(STUDY, "haze")[0]) == ""


# --- which fields --------------------------------------------------------------------------------


def test_gloss_is_read_after_an_early_step_and_all_of_the_goal_after_the_last():
    assert quantities_after(STUDY, "sand") == ("gloss_20",)
    assert quantities_after(STUDY, "cut") == ()  # the study file does not ask for it
    assert quantities_after(STUDY, "polish") == ("gloss_20", "haze", "faults")


def test_haze_by_astm_d4039_is_not_typed_but_computed_from_two_glosses():
    # ASTM D4039: haze index = 60-degree gloss less 20-degree gloss.
    study = Study.from_toml(TOML.replace("ISO 13803", "ASTM D4039"))
    assert quantities_after(study, "polish") == ("gloss_20", "gloss_60", "faults")


def names(of: Trial, step: str) -> list[str]:
    return [f.name for _, fs in fields_of_step(STUDY, of, STUDY.step(step)) for f in fs]


def test_the_last_step_of_a_trial_asks_for_the_end_also_where_later_steps_are_left_out():
    assert names(trial(), "cut") == ["minutes"]
    left = names(trial(polish_passes=0), "cut")
    assert left[:4] == ["minutes", "gloss_20_1", "gloss_20_2", "gloss_20_3"]
    assert left[-2:] == ["faults_1", "film_after_um"]


def test_steps_come_in_order_and_what_is_left_out_is_passed_over():
    assert step_to_do(STUDY, trial()).name == "sand"
    left_out = trial(polish_passes=0).settings
    worked = Trial(7, 2, 5, left_out, "started", frozenset({"sand", "cut"}), frozenset({"sand"}))
    assert step_to_do(STUDY, worked).name == "cut"  # worked, but its end is still to be read
    read = Trial(7, 2, 5, left_out, "started", frozenset({"sand", "cut"}), frozenset({"sand", "polish"}))
    assert step_to_do(STUDY, read) is None


def test_a_step_that_was_worked_and_not_read_is_read_before_the_next_unless_work_went_on():
    settings = trial().settings
    at = Trial(7, 2, 5, settings, "started", frozenset({"sand"}))
    assert step_to_do(STUDY, at).name == "sand"
    on = Trial(7, 2, 5, settings, "started", frozenset({"sand", "cut"}))
    assert step_to_do(STUDY, on).name == "polish"


# --- pages -------------------------------------------------------------------------------------------


def text_of(page_parts) -> str:
    return str(page_parts)


def test_a_blind_reader_sees_no_setting_on_any_page_of_a_trial():
    for blind in (False, True):
        session = Session(technician="T1", blind=blind)
        shown = [
            page.start_page(STUDY, trial(cut_pad="foam"), session, ""),
            page.step_page(STUDY, trial(cut_pad="foam"), session, 0.0),
            page.step_page(STUDY, trial(cut_pad="foam", polish_passes=0), session, 0.0),
        ]
        assert ("foam" in text_of(shown)) is not blind
        assert ("left out" in text_of(shown)) is not blind


def test_the_stopwatch_goes_on_where_it_was():
    session = Session(clocks={(7, "sand"): (60.0, time.time() - 30)})
    clock = next(p for p in page.step_page(STUDY, trial(), session, 0.0)[0] if p["is"] == "clock")
    assert clock["running"]
    assert clock["seconds"] == pytest.approx(90, abs=5)  # a slow machine between the two lines
    session.clocks[7, "sand"] = (90.0, None)
    clock = next(p for p in page.step_page(STUDY, trial(), session, 0.0)[0] if p["is"] == "clock")
    assert clock["field"]["value"] == "1.50"


def test_while_a_patch_waits_the_form_says_how_long_and_what_can_be_worked():
    session = Session()
    page_parts, _ = page.step_page(STUDY, trial(), session, 900.0)
    assert next(p for p in page_parts if p["is"] == "wait")["seconds"] == 900.0
    planned = Trial(8, 2, 6, trial().settings, "planned")
    (bar,) = page.others([trial(), planned], trial(), session, {7: 900.0})
    assert bar["actions"][0]["label"] == "Panel 2 · patch 6: next in the plan"
    (bar,) = page.others([trial(), planned], planned, session, {7: 900.0})
    assert bar["actions"][0]["label"] == "Panel 2 · patch 5: under way, read in 15 min"


def test_every_part_of_a_page_is_one_that_the_browser_can_draw():
    from pathlib import Path

    script = Path(page.__file__).with_name("form.js").read_text(encoding="utf-8")
    drawn = script.split("const parts = {", 1)[1].split("\n  };", 1)[0]
    session = Session(technician="T1")
    row = {
        "trial": 7,
        "status": "done",
        "panel": 2,
        "patch": 5,
        "gloss_20_1": 84.1,
        "cut_pad": "foam",
        "cut_minutes": 3.0,
    }
    pages = [
        page.who_page(session)[0],
        page.start_page(STUDY, trial(), session, "why")[0],
        page.differ_page(STUDY, trial(), session)[0],
        page.step_page(STUDY, trial(), session, 900.0)[0],
        page.meter_page(session)[0],
        page.finish_page(trial(), STUDY, session)[0],
        page.wrong_page(trial(), STUDY, session, "burn")[0],
        correction.correct_page(row, STUDY, session)[0],
        page.empty_page(),
        [page.head(session), page_parts.message("ok", "Saved.")],
    ]
    for part in [p for each in pages for p in each]:
        assert f"    {part['is']}:" in drawn, part["is"]
    assert "innerHTML" not in script  # what a shop types is never markup


def test_what_the_book_holds_can_be_corrected_each_value_by_itself():
    row = {
        "trial": 7, "panel": 2, "patch": 5, "gloss_20_1": 84.1, "gloss_20_2": 83.9, "gloss_20": 84.0,
        "sand_gloss_20": 4.0, "film_before_um": 118.0, "removed_um": 4.0, "cut_minutes": 3.0, "haze_1": float("nan"),
    }  # fmt: skip
    found = {f.name: f.label for f in correction.correctable(row, STUDY)}
    assert found == {
        "gloss_20_1": "20° gloss after polish, 1",
        "gloss_20_2": "20° gloss after polish, 2",
        "sand_gloss_20": "20° gloss after sand",
        "film_before_um": "film before work",
        "cut_minutes": "minutes of cut",
    }


def test_film_that_can_hardly_be_is_taken_and_asked_about():
    film = Field("film_before_um", "film_before_um", "film before work", "µm", 1000)
    read = entered("860", film)
    assert (read.value, read.fault, read.doubt) == (860.0, False, True)
    assert read.note.startswith("860 µm is far more than paint on a panel usually has.")
    assert not entered("110", film).doubt
