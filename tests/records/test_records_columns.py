"""Which column means what, and one row a reading."""

import numpy as np
import pandas as pd
import pytest
from record_sheets import D4039, STUDY, good

from finishlab.records import check_trials, readings_of
from finishlab.records.columns import MIL_UM, understand
from finishlab.study import Study


def meaning(heading, study=STUDY):
    column = understand([heading], study)[heading]
    return column.role, column.mean, column.step, column.repeat


@pytest.mark.parametrize(
    ("heading", "expected"),
    [
        ("cut_passes", ("setting", "cut_passes", "", 0)),
        ("polish_pad", ("setting", "polish_pad", "", 0)),
        ("gloss_20", ("reading", "gloss_20", "polish", 0)),
        ("gloss_20_12", ("reading", "gloss_20", "polish", 12)),
        ("sand_gloss_60_3", ("reading", "sand_gloss_60", "sand", 3)),
        ("start_gloss_20", ("reading", "start_gloss_20", "start", 0)),
        ("faults_2", ("reading", "faults", "polish", 2)),
        ("film_after_um_1", ("film", "film_after_um", "", 1)),
        ("film_before_mil_2", ("film", "film_before_um", "", 2)),
        ("cut_minutes", ("minutes", "cut_minutes", "cut", 0)),
        ("minutes_2", ("extra", "minutes_2", "", 0)),
        ("gloss_45", ("extra", "gloss_45", "", 0)),
        ("gloss_20_0", ("extra", "gloss_20_0", "", 0)),
        ("polish_gloss_20", ("extra", "polish_gloss_20", "", 0)),
        ("pad_lot", ("extra", "pad_lot", "", 0)),
    ],
)
def test_a_heading_means_what_the_study_page_says(heading, expected):
    assert meaning(heading) == expected


def test_a_setting_whose_name_looks_like_a_repeat_stays_a_setting():
    study = Study.from_toml(
        """
        title = "Doors"
        pass_means = "one direction"
        [[step]]
        name = "cut"
        haze_1 = ["wool", "foam"]
        [goal]
        gloss_20 = { at_least = 82 }
        assurance = 0.9
        """
    )
    assert meaning("cut_haze_1", study)[0] == "setting"


def test_one_mil_is_a_thousandth_of_an_inch_of_25_4_mm():
    # International yard and pound agreement of 1959: 1 inch = 25.4 mm exactly.
    assert MIL_UM == 25.4


def test_every_single_reading_gets_a_row_in_the_order_of_trials_and_steps():
    trials, _ = check_trials(pd.DataFrame(good()), STUDY)
    readings = readings_of(trials, STUDY)
    # Six trials, each one 60° reading after sanding, two 20°, one 60° and one count at the end.
    assert len(readings) == 6 * 5
    first = readings[readings["row"] == 0]
    assert first.values.tolist() == [
        [0, "gloss_60", "sand", 20.1, 1, 2],
        [0, "gloss_20", "polish", 84.1, 1, 1],
        [0, "gloss_20", "polish", 84.3, 2, 1],
        [0, "gloss_60", "polish", 92.0, 1, 2],
        [0, "faults", "polish", 1.0, 1, 1],
    ]
    assert readings["row"].is_monotonic_increasing
    assert readings["value"].dtype == float


def test_the_mean_of_the_readings_is_the_value_of_the_trial():
    trials, _ = check_trials(pd.DataFrame(good()), STUDY)
    readings = readings_of(trials, STUDY).query("response == 'gloss_20'")
    assert np.allclose(readings.groupby("row")["value"].mean(), trials["gloss_20"], atol=1e-12)


def test_readings_point_at_the_labels_of_the_table():
    table = pd.DataFrame(good(), index=list("abcdef"))
    trials, _ = check_trials(table, STUDY)
    assert readings_of(trials, STUDY)["row"].unique().tolist() == list("abcdef")


def test_only_done_trials_are_read():
    table = pd.DataFrame(
        good(
            status=["done", "spoiled", "started", "done", "planned", "done"],
            reason=[None, "pad fell off", *[None] * 4],
        )
    )
    trials, _ = check_trials(table, STUDY)
    assert readings_of(trials, STUDY)["row"].unique().tolist() == [0, 3, 5]


def test_a_burn_through_keeps_only_readings_of_earlier_steps():
    trials, _ = check_trials(pd.DataFrame(good(burned_after_step=["cut", "sand", *[None] * 4])), STUDY)
    readings = readings_of(trials, STUDY)
    assert readings[readings["row"] == 0]["step"].unique().tolist() == ["sand"]
    assert 1 not in readings["row"].to_numpy()


def test_a_trial_with_one_value_among_repeats_keeps_it():
    table = pd.DataFrame(good(gloss_20=[84.2, 90.0, *[None] * 4]))
    table.loc[1, ["gloss_20_1", "gloss_20_2"]] = np.nan
    trials, _ = check_trials(table, STUDY)
    readings = readings_of(trials, STUDY).query("response == 'gloss_20' and row == 1")
    assert readings[["value", "repeat"]].values.tolist() == [[90.0, 1]]


def test_haze_that_is_the_difference_of_two_gloss_readings_is_no_reading_of_its_own():
    trials, _ = check_trials(pd.DataFrame(good()), D4039)
    assert "haze" in trials
    assert "haze" not in readings_of(trials, D4039)["response"].to_numpy()
    # Logged without the 60° reading behind it, it is all that is known.
    trials, _ = check_trials(pd.DataFrame(good(haze=[8.0] * 6, gloss_60=[None] * 6)), D4039)
    assert (readings_of(trials, D4039)["response"] == "haze").sum() == 6


def test_a_table_without_any_reading_gives_an_empty_table_with_the_same_columns():
    table = pd.DataFrame(good(status=["planned"] * 6))
    readings = readings_of(check_trials(table, STUDY)[0], STUDY)
    assert readings.empty
    assert list(readings.columns) == ["row", "response", "step", "value", "repeat", "readings"]


def test_the_order_of_columns_does_not_matter():
    trials, _ = check_trials(pd.DataFrame(good()), STUDY)
    turned = trials[trials.columns[::-1]]
    pd.testing.assert_frame_equal(readings_of(turned, STUDY), readings_of(trials, STUDY))
