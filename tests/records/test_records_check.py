"""What a checked trial table holds, and every mistake in plain words with row and column."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from record_sheets import D4039, STUDY, STUDY_TEXT, but, good

from finishlab.errors import RecordsError, StudyError
from finishlab.model.limits import ruled_out
from finishlab.records import check_trials, readings_of
from finishlab.study import Study
from finishlab.trade.optics import highest_clear_gloss


def check(study=STUDY, **columns):
    return check_trials(pd.DataFrame(good(**columns)), study)


def mistakes(table, study=STUDY):
    with pytest.raises(RecordsError) as caught:
        check_trials(table if isinstance(table, pd.DataFrame) else pd.DataFrame(table), study)
    return caught.value.mistakes


def without_index(sentence):
    """Drop the label of the table's row, which only a table has."""
    for k in range(6):
        sentence = sentence.replace(f" (index {k})", "")
    return sentence


def without_offer(sentence):
    """Drop what every level that was not studied is answered with at the end; it has its own test."""
    return sentence.split(" If it was really worked so, ")[0]


# --- the clean table -------------------------------------------------------------------------


def test_a_sheet_without_mistakes_comes_back_clean_and_without_cautions():
    trials, cautions = check()
    assert cautions == ()
    assert trials["gloss_20"].round(6).tolist() == [84.2, 85.2, 86.1, 78.7, 85.0, 85.4]  # by hand
    assert trials["removed_um"].round(6).tolist() == [5.8, 4.5, 3.1, 5.1, 4.1, 3.9]
    assert trials["status"].tolist() == ["done"] * 6
    assert trials["cut_passes"].dtype == np.int64
    assert trials["polish_speed"].tolist() == [900, 1200, 1500, None, 1800, 900]
    assert trials["pad_lot"].tolist() == good()["pad_lot"]
    assert trials.attrs["cautions"] == ()


def test_the_given_table_is_not_changed():
    table = pd.DataFrame(good(cut_pad=["WOOL", "foam", "microfibre", "foam", "wool", "wool"]))
    before = table.copy(deep=True)
    check_trials(table, STUDY)
    pd.testing.assert_frame_equal(table, before)


def test_a_checked_table_checks_to_itself():
    once, _ = check(
        film_before_mil=[4.21, *[None] * 5], film_before_um=[None, 108.5, 106.2, 110.0, 109.1, 107.7]
    )
    twice, cautions = check_trials(once, STUDY)
    pd.testing.assert_frame_equal(once, twice)
    assert cautions == ()


def test_the_order_of_rows_does_not_matter():
    order = [4, 0, 5, 2, 1, 3]
    trials, _ = check()
    turned, _ = check_trials(pd.DataFrame(good()).iloc[order], STUDY)
    pd.testing.assert_frame_equal(turned.sort_index(), trials)


def test_empty_rows_are_dropped_and_rows_still_count_as_in_the_sheet():
    table = pd.DataFrame(good(**but("faults", 7, -1))).astype(object)
    table = pd.concat(
        [table.iloc[:2], pd.DataFrame([[None] * table.shape[1]], columns=table.columns), table.iloc[2:]]
    )
    assert mistakes(table.reset_index(drop=True))[0].startswith("row 8 (index 6), faults: -1 is below 0.")
    table.iloc[-1, table.columns.get_loc("faults")] = 0
    assert len(check_trials(table, STUDY)[0]) == 6


def test_levels_come_out_as_the_study_has_them():
    trials, _ = check(
        sand_grit=["p1500", " P 2000", "P3000", "P1500", "P2000", "P3000"], cut_pad=["Wool", *["foam "] * 5]
    )
    assert trials["sand_grit"].tolist() == good()["sand_grit"]
    assert trials["cut_pad"].tolist() == ["wool", *["foam"] * 5]


def test_settings_of_a_left_out_step_mean_nothing():
    speed = [900, 1200, 1500, "whatever it was", 1800, 900]
    assert "row 5" in mistakes(pd.DataFrame(good(polish_speed=speed)))[0]  # text is never a number
    trials, _ = check(
        polish_speed=[900, 1200, 1500, 99999, 1800, 900],
        polish_pad=["soft foam"] * 3 + ["wool"] + ["soft foam"] * 2,
    )
    assert trials["polish_speed"].iloc[3] is None
    assert trials["polish_pad"].iloc[3] is None


def test_held_settings_are_filled_in_where_their_cell_is_empty():
    trials, _ = check(polish_pad=[None, "Soft Foam", *[None] * 4], sand_passes=[4, *[None] * 5])
    assert trials["polish_pad"].tolist() == ["soft foam"] * 3 + [None] + ["soft foam"] * 2
    assert trials["sand_passes"].tolist() == [4] * 6


def test_film_in_mil_is_the_same_as_in_micrometres():
    # 4.2 mil = 4.2 x 25.4 = 106.68 µm, exactly.
    sheet = good(film_before_mil=[4.2] * 6, film_after_mil=[4.0] * 6)
    del sheet["film_before_um"], sheet["film_after_um"]
    trials, _ = check_trials(pd.DataFrame(sheet), STUDY)
    assert np.allclose(trials["film_before_um"], 106.68, atol=1e-9)
    assert np.allclose(trials["removed_um"], 0.2 * 25.4, atol=1e-9)


def test_film_removed_is_kept_as_given():
    trials, _ = check(removed_um=[5.0, None, None, None, None, None])
    assert trials["removed_um"].iloc[:2].round(6).tolist() == [5.0, 4.5]


def test_a_mean_that_agrees_with_its_repeats_within_rounding_gives_way_to_theirs():
    trials, _ = check(gloss_20=[84, 85.2, 86.1, 78.7, 85, 85.4])
    assert trials["gloss_20"].iloc[0] == pytest.approx(84.2, abs=1e-12)


def test_haze_by_astm_d4039_is_60_degree_less_20_degree_gloss():
    trials, cautions = check(D4039)
    # ASTM D4039: haze index = 60-degree gloss - 20-degree gloss; by hand from the sheet.
    assert trials["haze"].round(6).tolist() == [7.8, 7.3, 7.0, 11.2, 7.4, 7.4]
    assert cautions == ()


def test_haze_by_astm_d4039_stays_empty_where_the_method_does_not_hold():
    trials, cautions = check(
        D4039,
        **but("gloss_60", 5, 69.0),
        gloss_20_1=[84.1, 85.0, 86.2, 40.0, 84.9, 85.5],
        gloss_20_2=[84.3, 85.4, 86.0, 40.2, 85.1, 85.3],
    )
    assert np.isnan(trials["haze"].iloc[3])
    assert cautions == ("ASTM D4039 haze holds only above 70 GU at 60°; it stays empty in row 5 (index 3).",)


def test_labels_are_numbers_only_when_all_of_them_are():
    assert check(panel=["1", 1.0, 1, "2", 2, 2])[0]["panel"].tolist() == [1, 1, 1, 2, 2, 2]
    assert check(panel=["01", "1", 1.0, "B", "B", 2.0])[0]["panel"].tolist() == ["1", "1", "1", "B", "B", "2"]


def test_a_panel_01_is_panel_1():
    assert check(panel=["01", "1", 1.0, "02", "2.0", 2])[0]["panel"].tolist() == [1, 1, 1, 2, 2, 2]


def test_row_labels_stay_unless_they_are_not_unique():
    table = pd.DataFrame(good(), index=[10, 20, 30, 40, 50, 60])
    assert check_trials(table, STUDY)[0].index.tolist() == [10, 20, 30, 40, 50, 60]
    table.index = [0, 1, 2, 0, 1, 2]
    assert check_trials(table, STUDY)[0].index.tolist() == [0, 1, 2, 3, 4, 5]


def test_what_a_table_carries_along_stays_with_it():
    table = pd.DataFrame(good())
    table.attrs = {"seed": 7, "source": "trials.csv", "file_cautions": ("It was read as Windows-1252.",)}
    trials, cautions = check_trials(table, STUDY)
    assert trials.attrs["seed"] == 7
    assert trials.attrs["source"] == "trials.csv"
    assert cautions == ("It was read as Windows-1252.",)


def test_the_shops_own_columns_pass_through_untouched():
    own = pd.Series([1.5, None, 2.5, 3.0, 4.0, -1.0], name="air temp")
    codes = pd.Categorical(["007", "007", "8", "8", "9", "=1+1"])
    trials, _ = check_trials(pd.DataFrame(good()).assign(**{"air temp": own, "code": codes}), STUDY)
    pd.testing.assert_series_equal(trials["air temp"], own)
    assert trials["code"].tolist() == list(codes)


# --- status, spoiled trials, burn-throughs ---------------------------------------------------


def test_without_a_status_what_is_logged_tells_it():
    sheet = pd.DataFrame(good()).astype(object)
    results = ["gloss_20_1", "gloss_20_2", "gloss_60", "faults", "minutes", "film_before_um", "film_after_um"]
    sheet.loc[4, results] = None
    sheet.loc[5, [*results, "sand_gloss_60"]] = None
    trials, cautions = check_trials(sheet, STUDY)
    assert trials["status"].tolist() == ["done"] * 4 + ["started", "planned"]
    assert cautions == ()


def test_minutes_without_readings_count_as_started_with_a_caution():
    sheet = pd.DataFrame(good()).astype(object)
    sheet.loc[4, ["gloss_20_1", "gloss_20_2", "faults"]] = None
    trials, cautions = check_trials(sheet, STUDY)
    assert trials["status"].tolist() == ["done"] * 4 + ["started", "done"]
    assert [without_index(c) for c in cautions] == [
        "Minutes but no readings of the goal are logged in row 6; without a status that counts as started, and is not used."
    ]


def test_a_spoiled_trial_stays_as_it_was_logged():
    columns = {
        "status": ["spoiled", *["done"] * 5],
        "reason": ["wrong disc, meter not calibrated", *[None] * 5],
        **but("sand_grit", 2, "P1200"),
        **but("gloss_20_1", 2, 250.0),
        **but("minutes", 2, 0),
    }
    trials, cautions = check(**columns)
    assert trials["sand_grit"].iloc[0] == "P1200"
    assert trials["gloss_20_1"].iloc[0] == 250.0
    assert cautions == ()


def test_a_sheet_of_spoiled_trials_is_read_with_a_caution():
    _, cautions = check(status=["spoiled"] * 6, reason=["rain"] * 6)
    assert cautions == ("Every trial is spoiled; there is nothing to learn from.",)


def test_a_sheet_of_planned_trials_is_read_with_a_caution():
    sheet = pd.DataFrame(good()).astype(object)
    sheet[["gloss_20_1", "gloss_20_2", "gloss_60", "faults", "minutes", "sand_gloss_60"]] = None
    assert check_trials(sheet, STUDY)[1] == ("No trial is done yet; all are planned.",)


def test_a_burn_through_may_lack_what_comes_after_it():
    sheet = pd.DataFrame(good(burned_after_step=["Cut", *[None] * 5])).astype(object)
    sheet.loc[0, ["gloss_20_1", "gloss_20_2", "gloss_60", "faults", "minutes", "film_after_um"]] = None
    trials, cautions = check_trials(sheet, STUDY)
    assert trials["burned_after_step"].tolist() == ["cut", *[None] * 5]
    assert trials["status"].iloc[0] == "done"
    assert cautions == ()


def test_film_removed_by_a_burn_through_is_not_computed():
    trials, _ = check(burned_after_step=["polish", *[None] * 5])
    assert np.isnan(trials["removed_um"].iloc[0])


# --- cautions --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        (but("cut_passes", 2, 1), "A combination that the study avoids was run in row 2; the trials are used."),
        (
            {"burned_after_step": ["cut", *[None] * 5]},
            "Readings after the step that burned through, in row 2, are kept but not used.",
        ),
        (
            {"burned_after_step": ["sand", *[None] * 5], "status": ["spoiled", *["done"] * 5], "reason": ["edge", *[None] * 5]},
            "Spoiled and burned through at once in row 2. A burn-through is a result, not spoiled: write done, so that "
            "it counts against the process that did it.",
        ),
        (
            {"status": ["spoiled", *["done"] * 5], "reason": ["Burned the edge", *[None] * 5]},
            "The reason speaks of a burn in row 2. A burn-through is a result, not spoiled: write done and name the "
            "step in burned_after_step.",
        ),
        (
            {"status": ["planned", "started", *["done"] * 4]},
            "There are results in rows 2 and 3, but not marked done, so they are not used. Write done when the trial "
            "is finished.",
        ),
        (
            {"technician": ["AB", "Jo Smith", "7", "Maria", "CD", "T1"]},
            "Trials 2 and 4: technician looks like a name. Use a number or initials, never a full name.",
        ),
        (
            but("film_after_um", 2, 108.0),
            "Film reads slightly thicker after work than before in row 2. That is the gauge's spread; leave it, since "
            "correcting only such readings would make removal look larger than it is.",
        ),
        (
            but("gloss_20_1", 4, 78.0),
            "Repeat gloss readings of a patch spread over more than 5 GU in row 4. Look for a slip or an uneven patch, "
            "and take three more where you can.",
        ),
        ({"cut_minutes": [9.0] * 6}, "The minutes of the steps add up to more than minutes in rows 2, 3, 4, 5, 6 and 7."),
        (
            {"buff_gloss_20": [60] * 6},
            "Column 'buff_gloss_20' is kept as the shop's own and not used: no step is called 'buff'. The steps are "
            "sand, cut and polish.",
        ),
        (
            {"burned_after_stp": [None, "cut", *[None] * 4]},
            "Column 'burned_after_stp' is kept as the shop's own and not used. If it is meant as 'burned_after_step', "
            "rename it.",
        ),
        (
            {"gloss_20_1": ["84,1", "85,0", "86,2", "78,5", "84,9", "85,5"]},
            "Decimal commas were read as decimal points in gloss_20_1 ('84,1' as 84.1).",
        ),
    ],
)  # fmt: skip
def test_what_stands_but_deserves_care_is_a_caution(columns, expected):
    trials, cautions = check(**columns)
    assert [without_index(c) for c in cautions] == [expected]
    assert trials.attrs["cautions"] == cautions


# --- mistakes in a cell ----------------------------------------------------------------------

SLIPS = [
    # settings
    ("sand_grit", 3, "P1200", "row 3, sand_grit: 'P1200' was not studied; nearest to it is P1500. Write one of: P1500, P2000, P3000."),
    ("sand_grit", 3, "P5000", "row 3, sand_grit: 'P5000' was not studied; nearest to it is P3000. Write one of: P1500, P2000, P3000."),
    ("sand_grit", 3, "CAMI 800", "row 3, sand_grit: 'CAMI 800' is on another scale than the study's. Write one of: P1500, P2000, P3000."),
    ("cut_pad", 4, "wol", "row 4, cut_pad: 'wol' was not studied. Did you mean 'wool'? Write one of: wool, microfibre, foam."),
    ("cut_pad", 4, None, "row 4, cut_pad: is empty. Write one of: wool, microfibre, foam."),
    ("cut_passes", 2, 9, "row 2, cut_passes: 9 lies outside the studied 1 to 8. Correct it, or widen the setting in the study file."),
    ("cut_passes", 2, 0, "row 2, cut_passes: 0 lies outside the studied 1 to 8. Correct it, or widen the setting in the study file."),
    ("cut_passes", 2, 2.5, "row 2, cut_passes: 2.5 is not a whole number. Write a whole number from 1 to 8."),
    ("cut_passes", 2, "three", "row 2, cut_passes: 'three' is not a number. Write a whole number from 1 to 8."),
    ("polish_speed", 2, 2400, "row 2, polish_speed: 2400 lies outside the studied 900 to 1800. Correct it, or widen the setting in the study file."),
    ("polish_speed", 2, None, "row 2, polish_speed: is empty. Write a number from 900 to 1800."),
    # gloss, haze, faults
    ("gloss_20_1", 2, 864, "row 2, gloss_20_1: 864 GU is above 109.1 GU, the most a clear coat can read. If the decimal point slipped, write 86.4; else read the patch again."),
    ("gloss_60", 2, 9200, "row 2, gloss_60: 9200 GU is above 105.2 GU, the most a clear coat can read. If the decimal point slipped, write 92; else read the patch again."),
    ("gloss_20_1", 2, -3, "row 2, gloss_20_1: -3 is below 0. Correct it, or leave the cell empty if there was no reading."),
    ("gloss_20_1", 2, 8.41, "row 2, gloss_20_1: 8.41 where other readings of the patch are near 84.3. It looks like a slipped decimal point: write 84.1, or read again."),
    ("gloss_60", 2, 20.5, "row 2, gloss_20_1: 84.1 GU lies far above gloss_60, 20.5 GU; on a clear coat 20° gloss does not. Look whether the two are swapped."),
    ("faults", 2, 1.5, "row 2, faults: 1.5 is not a whole number. Write the count of visible faults, 0 or more."),
    ("faults", 2, -1, "row 2, faults: -1 is below 0. Correct it, or leave the cell empty if there was no reading."),
    # film
    ("film_before_um", 2, 4.2, "row 2, film_before_um: 4.2 µm looks like mils; 4.2 mil is 107 µm. Write 106.7, or head the column 'film_before_mil' if all of it is in mil."),
    ("film_after_um", 2, 4.1, "row 2, film_after_um: 4.1 µm looks like mils; 4.1 mil is 104 µm. Write 104.1, or head the column 'film_after_mil' if all of it is in mil."),
    ("film_before_um", 2, 1070, "row 2, film_before_um: 1070 µm where most films are near 109 µm. It looks like a slipped decimal point: write 107, or read the film again."),
    ("film_after_um", 2, 120, "row 2, film_after_um: 120 µm after work is more than the 107 µm before it. Look whether the two are swapped, or read the film again."),
    ("film_before_um", 2, "4.2 mil", "row 2, film_before_um: '4.2 mil' has its unit in the cell; 4.2 mil is 106.7 µm. Write only the number, in the unit of the column."),
    # minutes
    ("minutes", 2, 420, "row 2, minutes: 420 where most are near 7.2 looks like seconds; 420 seconds are 7 minutes. Write minutes."),
    ("minutes", 2, 3000, "row 2, minutes: 3000 minutes on one patch are more than 600. Write working minutes; if it is seconds, write 50."),
    ("minutes", 2, 0, "row 2, minutes: 0; working minutes are above 0. Write the minutes worked."),
    ("minutes", 2, None, "row 2, minutes: is empty in a done trial. Fill it in, or mark the trial spoiled with a reason."),
    ("minutes", 2, "0:45:00", "row 2, minutes: '0:45:00' is a clock time. Write a decimal number, as 7.5 for 7 minutes 30 seconds."),
    # numbers as text
    ("gloss_60", 2, "n/a", "row 2, gloss_60: 'n/a' is not a number. Write a number, or leave the cell empty if there was no reading."),
    ("gloss_60", 2, "1,234", "row 2, gloss_60: '1,234' can be read two ways. Write 1234 or 1.234."),
    ("gloss_60", 2, "1,092.5", "row 2, gloss_60: '1,092.5' has a thousands separator. Write digits and one decimal point, as 1234.5."),
    ("gloss_60", 2, "92.0 GU", "row 2, gloss_60: '92.0 GU' has more than a number. Write only the number, 92.0; the column says the unit."),
    ("gloss_60", 2, "#DIV/0!", "row 2, gloss_60: '#DIV/0!' is a spreadsheet's error. Mend the formula, or type the number."),
    ("gloss_60", 2, True, "row 2, gloss_60: 'True' is not a number. Write a number, or leave the cell empty if there was no reading."),
    ("gloss_60", 2, float("inf"), "row 2, gloss_60: 'inf' is not a number. Write a number, or leave the cell empty if there was no reading."),
    ("gloss_60", 2, pd.Timestamp("2026-03-09"), "row 2, gloss_60: a date (2026-03-09) stands where a number is wanted. Type the number and set the cell's format to number."),
    # labels
    ("panel", 2, None, "row 2, panel: is empty. Write which test panel the patch is on."),
    ("trial", 3, 1, "row 3, trial: trial 1 stands in row 2 too. Give each trial its own number; repeat readings of a patch go side by side, as gloss_20_1, gloss_20_2."),
    ("patch", 3, 1, "row 3, patch: panel A patch 1 stands in row 2 too. A patch is worked once, fresh. Correct one of the two, or mark it spoiled with a reason."),
    ("run_order", 3, 1, "row 3, run_order: panel A run order 1 stands in row 2 too. Two trials of a panel cannot come at the same place in the order. Correct one of the two."),
]  # fmt: skip


@pytest.mark.parametrize(("column", "row", "value", "expected"), SLIPS)
def test_a_slip_is_answered_by_row_and_column_and_nothing_else_is(column, row, value, expected):
    found = mistakes(good(**but(column, row, value)))
    assert [without_offer(without_index(m)) for m in found] == [expected]


MORE = [
    ({"status": ["don", *["done"] * 5]}, "row 2, status: 'don' is not a status. Did you mean 'done'? Write planned, started, done or spoiled."),
    ({"status": ["spoiled", *["done"] * 5]}, "row 2, status: is spoiled without a reason. Write why in the column reason."),
    ({"status": ["spoiled", *["done"] * 5], "reason": [" ", *[None] * 5]}, "row 2, reason: is empty in a spoiled trial. Write why it was spoiled."),
    ({"burned_after_step": ["buff", *[None] * 5]}, "row 2, burned_after_step: 'buff' is not a step. Known here: sand, cut, polish. Leave it empty where nothing burned through."),
    ({"burned_after_step": [None, None, None, "polish", None, None]}, "row 5, burned_after_step: 'polish' was left out of this trial, so it cannot have burned through. Correct one of the two."),
    ({"polish_pad": ["firm foam", *[None] * 5]}, "row 2, polish_pad: 'firm foam', but the study holds it at 'soft foam'. Correct the cell, or make it a factor in the study file."),
    ({"sand_passes": [5, *[None] * 5]}, "row 2, sand_passes: 5, but the study holds it at 4. Correct the cell, or make it a factor in the study file."),
    ({"gloss_20": [85.9, *[None] * 5]}, "row 2, gloss_20: 85.9, but the other readings of the trial come to 84.2. Correct the slip, or leave this cell empty."),
    ({"film_before_mil": [4.9, *[None] * 5]}, "row 2, film_before_mil: 4.9, but the other readings of the trial come to 4.213. Correct the slip, or leave this cell empty."),
    ({"removed_um": [200, *[None] * 5]}, "row 2, removed_um: 200 µm removed is more than the 107 µm of film there was. Correct the slip; if the film was worked through, name the step in burned_after_step."),
    ({"removed_um": [-8, *[None] * 5]}, "row 2, removed_um: -8 is below 0. Correct it, or leave the cell empty if there was no reading."),
    ({"haze": [-0.5, *[None] * 5]}, "row 2, haze: -0.5 is below 0. Correct it, or leave the cell empty if there was no reading."),
    ({"cut_minutes": [-1, *[None] * 5]}, "row 2, cut_minutes: -1; working minutes are 0 or more. Write the minutes worked."),
    ({"date": ["03/04/2026", *[None] * 5]}, "row 2, date: '03/04/2026' can be read as two dates. Write year-month-day, as 2026-03-09."),
    ({"date": ["last Tuesday", *[None] * 5]}, "row 2, date: 'last Tuesday' is not a date. Write year-month-day, as 2026-03-09."),
    ({"gloss_60": ["92,0", "92.5", "93.1", "89.9", "92.4", "92.8"]}, "row 2, gloss_60: '92,0' has a decimal comma where other cells of this column have a decimal point. Write 92.0 if that is what is meant."),
    ({"gloss_20_1": [None, *good()["gloss_20_1"][1:]], "gloss_20_2": [None, *good()["gloss_20_2"][1:]]}, "row 2, gloss_20_1: is empty in a done trial. Fill it in, or mark the trial spoiled with a reason."),
]  # fmt: skip


@pytest.mark.parametrize(("columns", "expected"), MORE)
def test_a_contradiction_in_a_trial_is_answered_by_row_and_column(columns, expected):
    assert [without_offer(without_index(m)) for m in mistakes(good(**columns))] == [expected]


def changed(old, new):
    return Study.from_toml(STUDY_TEXT.replace("HAZE", "ISO 13803").replace(old, new))


NO_WOOL = '"wool", "microfibre", "foam"]', '"microfibre", "foam"]'


def test_a_level_not_studied_may_be_a_slip_or_a_level_the_study_had():
    with pytest.raises(RecordsError) as caught:
        check_trials(pd.DataFrame(good()), changed(*NO_WOOL))
    assert len(caught.value.mistakes) == 3
    assert without_index(caught.value.mistakes[0]) == (
        "row 2, cut_pad: 'wool' was not studied. Write one of: microfibre, foam. If it was really worked so, add "
        'no_longer = { pad = ["wool"] } to step cut of the study file: the trial then stays, outside the question.'
    )


@pytest.mark.parametrize(
    ("study", "outside", "caution"),
    [
        (
            changed(NO_WOOL[0], NO_WOOL[1] + '\nno_longer = { pad = ["Wool"] }'),
            [1, 5, 6],
            "3 trials with cut pad wool stand outside the question, since the study no longer has it.",
        ),
        (
            changed("highest = 8 }", "highest = 7 }\nno_longer = { passes = [8] }"),
            [4],
            "1 trial with cut passes 8 stands outside the question, since the study no longer has it.",
        ),
        (
            changed('"P1500", "P2000", "P3000"]', '"P1500", "P2000"]\nno_longer = { grit = ["P3000"] }'),
            [3, 6],
            "2 trials with sand grit P3000 stand outside the question, since the study no longer has it.",
        ),
    ],
)
def test_trials_with_a_level_the_study_had_stay_outside_the_question(study, outside, caution):
    trials, cautions = check_trials(pd.DataFrame(good()), study)
    assert trials.loc[trials["status"] == "outside", "trial"].tolist() == outside
    assert caution in cautions
    # What was logged stays as it was, and the table says the same of itself again.
    assert trials["cut_pad"].tolist() == good()["cut_pad"]
    again, cautions = check_trials(trials.drop(columns=["haze"], errors="ignore"), study)
    assert again["status"].tolist() == trials["status"].tolist()
    assert caution in cautions
    # The level comes back to the study: so do the trials.
    assert set(check_trials(trials, STUDY)[0]["status"]) == {"done"}
    assert set(readings_of(trials, study)["row"]) == set(range(6)) - {k - 1 for k in outside}


def test_what_was_written_out_as_outside_is_read_in_again():
    study = changed(NO_WOOL[0], NO_WOOL[1] + '\nno_longer = { pad = ["wool"] }')
    written = check_trials(pd.DataFrame(good()), study)[0]
    without = changed(*NO_WOOL)
    assert check_trials(written, without)[0]["status"].tolist() == written["status"].tolist()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("no_longer = 3", 'no_longer is 3; write no_longer = { pad = ["wool"] }.'),
        ("no_longer = { pat = ['wool'] }", "no_longer names 'pat', which is not a setting of this step."),
        ("no_longer = { pad = [3] }", "no_longer: pad is [3]; it must be a list of words."),
        ("no_longer = { passes = ['8'] }", "no_longer: passes is ['8']; it must be a list of numbers."),
        ("no_longer = { pad = ['Foam'] }", "no_longer: pad has 'Foam', which the study has too."),
    ],
)
def test_levels_the_study_had_are_checked_as_the_rest_of_the_file(words, said):
    with pytest.raises(StudyError) as caught:
        changed('name = "cut"', 'name = "cut"\n' + words)
    assert said in str(caught.value)


def test_haze_of_another_method_is_not_taken_for_astm_d4039():
    found = mistakes(good(haze=[35, *[None] * 5]), D4039)
    assert [without_index(m) for m in found] == [
        "row 2, haze: 35, but the study's haze is ASTM D4039, 60° less 20° gloss, which is 7.8 here. Leave it empty, or "
        "name the meter's own method in [reading] haze_method."
    ]


def test_gloss_is_bounded_by_the_optics_of_a_clear_coat_at_each_angle():
    for angle in (20, 60, 85):
        most = float(highest_clear_gloss(angle))
        column = f"gloss_{angle}"
        sheet = (
            pd.DataFrame(good()).drop(columns=["gloss_20_1", "gloss_20_2", "gloss_60"]).assign(gloss_20=60.0)
        )
        sheet[column] = most - 1e-6
        check_trials(sheet, STUDY)
        sheet[column] = most + 1e-6
        assert len(mistakes(sheet)) == 6


# --- mistakes in headings --------------------------------------------------------------------


def renamed(**names):
    return {names.get(k, k): v for k, v in good().items()}


def test_a_missing_column_is_answered_with_the_heading_likely_meant():
    found = mistakes(renamed(cut_pad="Cut Pad", panel="pannel"))
    columns = "'trial', 'pannel', 'patch', 'run_order', 'sand_grit', 'Cut Pad', 'cut_passes', 'polish_speed', 'polish_passes', 'sand_gloss_60', 'gloss_20_1', 'gloss_20_2' and 6 more"
    assert found == (
        f"column 'cut_pad' is missing. Columns: {columns}. Rename 'Cut Pad' to 'cut_pad'.",
        "column 'panel' is missing. Rename 'pannel' to 'panel'.",
    )


def test_a_missing_response_is_answered_with_both_ways_to_give_it():
    sheet = {k: v for k, v in good().items() if not k.startswith("gloss_20") and k != "minutes"}
    found = mistakes(sheet)
    assert found[0].startswith("column 'minutes' is missing. Columns: ")
    assert found[0].endswith(
        " Add it, with a value for every trial, or the minutes of every step; they are added up."
    )
    assert found[1] == (
        "column 'gloss_20' is missing. Add it, or its repeat readings as 'gloss_20_1', 'gloss_20_2'; the goal names gloss_20."
    )


def test_gloss_of_another_angle_is_not_offered_for_the_missing_one():
    sheet = {k: v for k, v in good().items() if not k.startswith("gloss_")}
    found = mistakes({**sheet, "Gloss 60": [90.0] * 6})
    assert not any("Rename 'Gloss 60' to 'gloss_20'" in m for m in found)
    assert any("Rename it to 'gloss_60'" in m for m in found)


def test_missing_astm_d4039_haze_is_answered_with_the_gloss_it_comes_from():
    sheet = {k: v for k, v in good().items() if k != "gloss_60"}
    assert mistakes(sheet, D4039)[0].endswith(
        "Add it, or both 'gloss_20' and 'gloss_60', whose difference ASTM D4039 haze is."
    )


@pytest.mark.parametrize(
    ("heading", "expected"),
    [
        ("Status", "column 'Status' looks like 'status', and only that name is read. Rename it to 'status', or to something quite different if it is something else."),
        ("Film before µm 1", "column 'Film before µm 1' looks like 'film_before_um_1', and only that name is read. Rename it to 'film_before_um_1', or to something quite different if it is something else."),
        ("polish_gloss_85", "'polish_gloss_85' is a reading after the last step, polish, which goes by its plain name. Rename it to 'gloss_85'."),
        ("polish_gloss_60", "'polish_gloss_60' is a reading after the last step, polish, which goes by its plain name. There is a 'gloss_60' too; keep one."),
    ],
)  # fmt: skip
def test_a_heading_that_is_nearly_a_known_one_is_a_mistake(heading, expected):
    assert mistakes(good(**{heading: [None] * 6})) == (expected,)


def test_a_heading_that_is_there_twice_is_a_mistake():
    table = pd.DataFrame(good())
    table.columns = [c.replace("gloss_60", "minutes") if c == "gloss_60" else c for c in table.columns]
    assert mistakes(table) == (
        "the heading 'minutes' is there twice, in columns M and Q. Keep one; repeat readings are headed gloss_20_1, "
        "gloss_20_2 and so on.",
    )  # fmt: skip


def test_blanks_around_headings_do_not_matter():
    table = pd.DataFrame(good()).rename(columns={"cut_pad": " cut_pad ", "minutes": "minutes "})
    assert check_trials(table, STUDY)[0]["cut_pad"].tolist() == good()["cut_pad"]


def test_a_table_without_rows_or_columns_is_a_mistake():
    assert mistakes(pd.DataFrame(good()).iloc[:0]) == (
        "there are headings but no trials. Write one row for each trial.",
    )
    with pytest.raises(RecordsError, match="The trial table is empty"):
        check_trials(pd.DataFrame(), STUDY)


# --- all at once -----------------------------------------------------------------------------


def test_mistakes_of_every_kind_are_answered_at_once_in_the_order_of_rows():
    sheet = good(
        **but("faults", 7, -1), **but("minutes", 2, 0), **but("cut_pad", 4, "wol"), Status=["done"] * 6
    )
    with pytest.raises(RecordsError) as caught:
        check_trials(pd.DataFrame(sheet), STUDY)
    lines = [without_index(line)[:24] for line in str(caught.value).splitlines()]
    assert lines == [
        "The trial table has 4 mistakes; nothing of it was taken."[:24],
        "  - column 'Status' looks like"[:24],
        "  - row 2, minutes: 0; working"[:24],
        "  - row 4, cut_pad: 'wol' was "[:24],
        "  - row 7, faults: -1 is below"[:24],
    ]


def many(rows):
    """The good sheet over and over, every patch with its own number."""
    table = pd.concat([pd.DataFrame(good())] * (rows // 6), ignore_index=True)
    number = np.arange(len(table))
    return table.assign(trial=number, patch=number, run_order=number)


def test_of_many_mistakes_the_first_are_shown_and_the_rest_counted_by_column():
    table = many(300)
    table["faults"] = -1
    table.loc[250, "cut_pad"] = "wol"
    with pytest.raises(RecordsError) as caught:
        check_trials(table, STUDY)
    lines = str(caught.value).splitlines()
    assert lines[0] == "The trial table has 301 mistakes; nothing of it was taken."
    assert len(lines) == 1 + 20 + 1
    assert lines[20].startswith("  - row 252 (index 250), cut_pad: 'wol'")  # the rare one is not crowded out
    assert lines[21].startswith("  - and 281 more in faults (rows 21 (index 19), 22 (index 20), ")
    assert lines[21].endswith(" and 275 more).")


def test_a_cell_gets_one_mistake_however_many_rules_it_breaks():
    # Text is no number; so neither empty, nor below 0, nor unlike its repeats.
    assert len(mistakes(good(**but("gloss_20_1", 2, "84 GU"), gloss_20_2=[None] * 6))) == 1


def test_random_slips_are_found_where_they_were_made_and_a_sheet_without_them_passes():
    # Seed 11. A person's slips on known cells of a sheet that is right: each must be answered at its place.
    rng = np.random.default_rng(11)
    table = many(60)
    check_trials(table, STUDY)
    slips = {
        "gloss_60": (lambda v: v * 10, lambda v: f"{v} GU", lambda v: -v),
        "film_before_um": (lambda v: v * 10, lambda v: round(v / 25.4, 1)),
        "minutes": (lambda v: v * 60, lambda v: 0, lambda v: f"0:0{v}:00"),
        "cut_passes": (lambda v: v + 0.5, lambda v: v + 10),
        "cut_pad": (lambda v: v[:-1], lambda v: None),
        "sand_grit": (lambda v: v.replace("P", ""), lambda v: "P800"),
    }
    for _ in range(60):
        column = rng.choice(list(slips))
        row = int(rng.integers(len(table)))
        slip = slips[column][rng.integers(len(slips[column]))]
        wrong = table.astype({column: object})
        wrong.loc[row, column] = slip(wrong.loc[row, column])
        found = mistakes(wrong)
        assert len(found) == 1, (column, row, found)
        assert found[0].startswith(f"row {row + 2} (index {row}), {column}: ")


# --- one value a trial ---------------------------------------------------------------------------


def lone(**columns):
    sheet = good(gloss_20=[84.2, 85.2, 86.1, 78.7, 85.0, 85.4], **columns)
    return {name: cells for name, cells in sheet.items() if name not in ("gloss_20_1", "gloss_20_2")}


def test_one_value_a_trial_is_taken_as_the_mean_of_the_spots_and_said_so():
    trials, cautions = check_trials(pd.DataFrame(lone()), STUDY)
    assert cautions == (
        "20° gloss: one value a trial, taken as the mean of 2 spots, as the study says. If it is a single reading, head "
        "its column gloss_20_1. If jobs are judged by a single reading too, write spots = 1 under [reading] in the study "
        "file.",
    )
    assert check_trials(trials, STUDY)[1] == cautions
    read = readings_of(trials, STUDY).query("response == 'gloss_20'")
    assert read["readings"].tolist() == [2] * 6


def test_a_single_reading_a_trial_is_told_by_its_heading_or_by_the_study():
    sheet = lone()
    sheet["gloss_20_1"] = sheet.pop("gloss_20")
    trials, cautions = check_trials(pd.DataFrame(sheet), STUDY)
    assert cautions == ()
    assert readings_of(trials, STUDY).query("response == 'gloss_20'")["readings"].tolist() == [1] * 6
    one_spot = STUDY.from_toml(STUDY.source.replace("spots = 2", "spots = 1"))
    trials, cautions = check_trials(pd.DataFrame(lone()), one_spot)
    assert cautions == ()
    assert readings_of(trials, one_spot).query("response == 'gloss_20'")["readings"].tolist() == [1] * 6


def test_a_trial_with_its_mean_alone_among_others_with_repeats_is_named():
    first, second = ([None, *good()[name][1:]] for name in ("gloss_20_1", "gloss_20_2"))
    mean = [84.2, *[None] * 5]
    trials, cautions = check(gloss_20_1=first, gloss_20_2=second, gloss_20=mean)
    assert without_index(cautions[0]).startswith(
        "20° gloss: one value in row 2, taken as the mean of 2 spots"
    )
    read = readings_of(trials, STUDY).query("response == 'gloss_20'")
    assert read["readings"].tolist() == [2, *[1] * 10]


# --- minutes -------------------------------------------------------------------------------------


def test_minutes_are_read_as_on_a_clock():
    trials, cautions = check(minutes=["6:30", "8", 5.5, "7:00", "7:30", "6.0"])
    assert trials["minutes"].tolist() == [6.5, 8.0, 5.5, 7.0, 7.5, 6.0]
    assert cautions == ()


def test_what_a_spreadsheet_made_of_minutes_is_read_and_said():
    cells = [dt.time(6, 30), "08:00:00", dt.time(0, 5, 30), dt.timedelta(hours=30, minutes=15), 7.5, 6.0]
    trials, cautions = check(minutes=cells)
    assert trials["minutes"].tolist() == [6.5, 8.0, 5.5, 30.25, 7.5, 6.0]
    assert [without_index(c) for c in cautions] == [
        "minutes: the clock times in rows 2, 3, 4 and 5 were read as minutes and seconds, as 06:30:00 for 6.5 minutes."
    ]


def timed(**columns):
    sheet = good(
        sand_minutes=[2.0] * 6, cut_minutes=[3.0, 4.0, 2.0, 5.0, 3.0, 3.5], polish_minutes=[1.5, 2, 1, None, 2, 1],
        **columns,
    )  # fmt: skip
    return {name: cells for name, cells in sheet.items() if name != "minutes"}


def test_a_total_that_is_missing_is_the_sum_of_the_steps_worked():
    trials, cautions = check_trials(pd.DataFrame(timed()), STUDY)  # trial 4 leaves polishing out
    assert trials["minutes"].tolist() == [6.5, 8.0, 5.0, 7.0, 7.0, 6.5]
    assert [without_index(c) for c in cautions] == [
        "No minutes of the whole trial in rows 2, 3, 4, 5, 6 and 7: the minutes of the steps were added up."
    ]


def test_a_worked_step_without_its_minutes_leaves_the_total_missing():
    sheet = {**timed(), "polish_minutes": [1.5, None, 1, None, 2, 1]}
    assert [without_index(m) for m in mistakes(sheet)] == [
        "row 3, minutes: is empty in a done trial. Fill it in, or mark the trial spoiled with a reason."
    ]


def test_a_total_missing_in_one_trial_alone_is_added_up_there():
    trials, cautions = check_trials(pd.DataFrame({**timed(), "minutes": [7, 9, None, 8, 8, 7]}), STUDY)
    assert trials["minutes"].tolist() == [7, 9, 5, 8, 8, 7]
    assert without_index(cautions[0]).startswith("No minutes of the whole trial in row 4:")


# --- film that can hardly be -----------------------------------------------------------------------


def test_film_far_thicker_than_paint_and_a_removal_of_a_whole_coat_are_flagged():
    _, cautions = check(**but("film_before_um", 2, 452.0))
    assert [without_index(c) for c in cautions] == [
        "More than 60 µm removed in row 2, more than a whole clear coat usually has. Look at the film before and after: "
        "a slipped digit, or another unit."
    ]
    _, cautions = check(film_before_um=[860.0] * 6, film_after_um=[855.0] * 6)
    assert [without_index(c) for c in cautions] == [
        "Film of more than 500 µm in rows 2, 3, 4, 5, 6 and 7, far more than paint on a panel usually has. Look for a "
        "slipped decimal point or another unit."
    ]


def test_a_burn_through_outside_the_question_still_rules_out_what_is_as_harsh():
    """Burned at one pass of foam: two and more burn as well, though one is no longer studied. Wool burned too."""
    table = good()
    table["burned_after_step"] = ["cut", None, None, None, None, "cut"]
    table["cut_pad"], table["cut_passes"] = ["foam", *table["cut_pad"][1:]], [2, 6, 3, 8, 3, 5]
    table["sand_grit"] = ["P2000", *table["sand_grit"][1:]]
    text = STUDY_TEXT.replace("HAZE", "ISO 13803").replace(*NO_WOOL)
    text = text.replace(
        "{ lowest = 1, highest = 8 }",
        '{ lowest = 3, highest = 8 }\nno_longer = { pad = ["wool"], passes = [2] }',
    )
    text = text.replace("cut_passes = { at_most = 1 }", "cut_passes = { at_most = 3 }")
    study = Study.from_toml(text)
    trials = check_trials(pd.DataFrame(table), study)[0]
    every = study.basis.values(trials[trials["status"] == "done"])
    assert trials["status"].tolist()[0] == trials["status"].tolist()[5] == "outside"
    out = ruled_out(study, trials, every)
    names = list(study.basis.names)
    foam = study.basis.values(trials.iloc[[1]])[0][names.index("cut_pad")]
    same_grit = (
        every[:, names.index("sand_grit")]
        == study.basis.values(trials.iloc[[1]])[0][names.index("sand_grit")]
    )
    assert out[(every[:, names.index("cut_pad")] == foam) & same_grit].all()
    assert not out[every[:, names.index("cut_pad")] != foam].any()
