"""The day at the bench: waits used, change-overs counted, vibration beside the directive's values."""

import math

import pandas as pd
import pytest

import finishlab as fl
from finishlab.errors import OutsideStudy, PlanError
from finishlab.plan.day import exposure, patch_map, run_day
from finishlab.study import Study

STUDY = """\
title = "Invented"
pass_means = "one direction"
[[step]]
name = "sand"
grit = ["P1500", "P2000"]
passes = 4
[[step]]
name = "cut"
passes = { lowest = 0, highest = 8 }
changeover_minutes = 3
[goal]
gloss_20 = { at_least = 80 }
assurance = 0.9
[panel]
patches = 8
[reading]
after = ["sand", "cut"]
wait_minutes = 15
"""


def sheet(*rows):
    return pd.DataFrame(
        [
            {"sand_grit": g, "cut_passes": c, "panel": "1", "patch": k, "run_order": k}
            for k, (g, c) in enumerate(rows, 1)
        ]
    )


def test_one_patch_takes_what_its_parts_take():
    # 4 passes, wait, read, change over, 8 passes, wait, read.
    day = run_day(sheet(("P1500", 8)), Study.from_toml(STUDY), pass_minutes=1, reading_minutes=2)
    assert day.minutes == 4 + 15 + 2 + 3 + 8 + 15 + 2
    assert (day.machine_minutes, day.changeovers, day.idle_minutes) == (12, 1, 30)


def test_one_patch_is_worked_while_another_settles():
    # By hand: sand A 0-4, sand B 4-8, wait to 19, read A 19-21; change over, cut A 24-32; B settled at 23,
    # read B 32-34; cut B 34-42 with the same kit; A settles from 32 to 47: read A 47-49; B from 42 to 57: read 57-59.
    day = run_day(
        sheet(("P1500", 8), ("P1500", 8)), Study.from_toml(STUDY), pass_minutes=1, reading_minutes=2
    )
    assert day.minutes == 59
    assert (
        day.one_after_another == 2 * 49 + 0
    )  # the second sanding needs no change-over minutes: the step has none
    assert day.changeovers == 1
    starts = day.table().set_index(["doing", "run_order"])["start"].to_dict()
    assert starts[("sand", 2)] == 4
    assert starts[("cut", 1)] == 24
    assert starts[("wipe and read after cut", 2)] == 57


def test_as_many_patches_are_open_as_the_waits_have_room_for():
    # By hand: sand A 0-4, B 4-8, C 8-12, wait to 19; read A 19-21; change over, cut A 24-32; B settled at 23, C at 27:
    # read B 32-34, C 34-36; cut B 36-44, C 44-52; A settled at 47: read A 52-54; B at 59, C at 67: read 59-61, 67-69.
    day = run_day(sheet(*[("P1500", 8)] * 3), Study.from_toml(STUDY), pass_minutes=1, reading_minutes=2)
    assert (day.minutes, day.most_open) == (69, 3)
    assert "up to 3 open at once" in day.text()
    starts = day.table().set_index(["doing", "run_order"])["start"].to_dict()
    assert [starts["wipe and read after sand", k] for k in (1, 2, 3)] == [19, 32, 34]


def test_no_third_panel_is_begun_while_two_are_under_work():
    # The same on three panels: A and B as in the hand count for two, C not before A is read at 47-49.
    rows = sheet(*[("P1500", 8)] * 3).assign(panel=["1", "2", "3"])
    day = run_day(rows, Study.from_toml(STUDY), pass_minutes=1, reading_minutes=2)
    assert day.most_open == 2
    assert day.table().set_index(["doing", "run_order"])["start"]["sand", 3] == 49


def test_nothing_is_left_out_and_nobody_does_two_things_at_once(bench):
    study = bench.study
    plan = fl.plan_trials(study, trials=20, panels=4, seed=1)
    day = run_day(plan, study)
    table = day.table().sort_values("start")
    ends = table["start"] + table["minutes"]
    assert (table["start"].to_numpy()[1:] >= ends.to_numpy()[:-1] - 1e-9).all()
    # Every reading stands its wait after the work it reads.
    for _, mine in table.groupby("run_order"):
        read = mine["doing"].str.startswith("wipe and read").to_numpy()
        gap = mine["start"].to_numpy()[1:] - ends[mine.index].to_numpy()[:-1]
        assert (gap[read[1:]] >= study.reading.wait_minutes - 1e-9).all()
    worked = sum(4 + c + p for c, p in zip(plan["cut_passes"], plan["polish_passes"], strict=True)) * 0.75
    assert day.machine_minutes == pytest.approx(worked)
    parts = day.machine_minutes + day.changeover_minutes + day.reading_minutes + day.idle_minutes
    assert day.minutes == pytest.approx(parts)
    # The sheet carries the facts along.
    assert plan.attrs["day"] == day.to_dict()


def test_a_step_left_out_is_not_worked_and_the_finish_is_still_read():
    day = run_day(
        sheet(("P1500", 0)), Study.from_toml(STUDY.replace('after = ["sand", "cut"]', 'after = ["cut"]'))
    )
    assert day.table()["doing"].tolist() == ["sand", "wipe and read after sand"]


def test_seconds_are_taken_as_seconds():
    study = Study.from_toml(
        STUDY.replace(
            "passes = { lowest = 0, highest = 8 }", "seconds = { lowest = 30, highest = 90, by = 30 }"
        )
    )
    rows = sheet(("P1500", 0)).drop(columns="cut_passes").assign(cut_seconds=90)
    assert run_day(rows, study, pass_minutes=1).machine_minutes == 4 + 1.5


@pytest.mark.parametrize(("vibration", "action", "limit"), [(7, 61, 245), (10, 30, 120)])
def test_vibration_reaches_the_action_and_limit_value_when_the_directive_says(vibration, action, limit):
    # A(8) = a sqrt(T / 8 h) (ISO 5349-1), 2.5 and 5 m/s2 (directive 2002/44/EC): at 7 m/s2 1.0 h and 4.1 h,
    # at 10 m/s2 0.5 h and 2.0 h. Whole minutes: to 1 %.
    assert exposure(vibration, action) == pytest.approx(2.5, rel=0.01)
    assert exposure(vibration, limit) == pytest.approx(5.0, rel=0.01)


def test_vibration_is_a_caution_with_its_source_and_never_a_permission():
    rows = sheet(*[("P1500", 8)] * 8)
    (said,) = run_day(rows, Study.from_toml(STUDY), pass_minutes=1, vibration=8).cautions
    assert "96" not in said or "1.6 hours" in said
    assert f"come to {8 * math.sqrt(96 / 480):.1f} m/s² A(8) at 8 m/s²" in said
    assert "exposure action value of 2.5 m/s² (directive 2002/44/EC)" in said
    assert said.endswith("This is a caution, never a permission.")
    # Little exposure gives no caution, and nothing that sounds like a permission either.
    quiet = run_day(rows, Study.from_toml(STUDY), pass_minutes=1, vibration=1)
    assert quiet.cautions == ()
    assert "safe" not in quiet.text()


def test_patches_lie_side_by_side_and_no_two_on_one_place():
    for patches in range(1, 30):
        places = patch_map(patches)
        assert sorted(places) == list(range(1, patches + 1))
        assert len(set(places.values())) == patches


def test_the_map_of_a_panel_keeps_its_edges_free():
    from matplotlib.patches import Rectangle

    from finishlab.figures import answer_figures

    ax = run_day(sheet(("P1500", 8), ("P2000", 1)), Study.from_toml(STUDY)).plot(ax=answer_figures.blank())
    panel, *patches = [p.get_bbox() for p in ax.patches if isinstance(p, Rectangle)]
    assert len(patches) == 8
    for p in patches:
        assert min(p.x0 - panel.x0, panel.x1 - p.x1, p.y0 - panel.y0, panel.y1 - p.y1) > 0.05
    assert "2 of 8 patches worked" in ax.get_title(loc="left")


@pytest.mark.parametrize("name", ["panel", "patch", "run_order"])
def test_a_sheet_that_does_not_say_where_a_trial_belongs_is_refused_in_words(name):
    rows, study = sheet(("P1500", 8), ("P2000", 4)), Study.from_toml(STUDY)
    with pytest.raises(PlanError, match=rf"^the sheet: column '{name}' is missing\. Columns: sand_grit, "):
        run_day(rows.drop(columns=name), study)
    with pytest.raises(PlanError, match=rf"^the sheet: {name} is empty in 1 of 2 trials \(rows 1\)\. "):
        run_day(rows.assign(**{name: [1, None]}), study)


def test_a_patch_or_place_that_is_no_number_is_refused_in_words():
    rows, study = sheet(("P1500", 8), ("P2000", 4)), Study.from_toml(STUDY)
    with pytest.raises(
        PlanError, match=r"^the sheet: patch is 'left' in row 1\. Number the patches of each panel"
    ):
        run_day(rows.assign(patch=[1, "left"]), study)
    assert run_day(rows.assign(patch=["1", "2"]), study).minutes == run_day(rows, study).minutes


def test_a_panel_that_is_not_there_is_not_drawn():
    with pytest.raises(PlanError, match=r"^there is no panel '9' to draw\. Panels: 1\.$"):
        run_day(sheet(("P1500", 8)), Study.from_toml(STUDY)).plot("9")


def test_a_setting_outside_the_study_has_no_day():
    study = Study.from_toml(STUDY)
    with pytest.raises(OutsideStudy, match=r"^row 0: cut_passes is 12; studied are whole numbers 0 to 8\."):
        run_day(sheet(("P1500", 12)), study)
    with pytest.raises(OutsideStudy, match=r"^column 'sand_grit' is missing\."):
        run_day(sheet(("P1500", 8)).drop(columns="sand_grit"), study)


def test_wrong_numbers_are_all_named_at_once():
    with pytest.raises(PlanError) as caught:
        run_day(
            sheet(("P1500", 8)), Study.from_toml(STUDY), pass_minutes=0, reading_minutes="x", vibration=-1
        )
    assert caught.value.mistakes == (
        "pass_minutes is 0; it must be a number of minutes above zero.",
        "reading_minutes is 'x'; it must be a number of minutes above zero.",
        "vibration is -1; it must be a number above zero, m/s². Read it in the machine's papers.",
    )
