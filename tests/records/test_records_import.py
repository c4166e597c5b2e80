"""What comes in from outside: meters' exports by the column map, and sheets nobody vouches for.

The study and its sheet are invented (`record_sheets.py`); the limits of formats stand beside
the checks.
"""

from __future__ import annotations

import pytest
from record_sheets import STUDY_TEXT, csv_text, good

import finishlab as fl

MAP = """
[reading.columns]
"Sample" = "trial"
"Gloss 20°" = "gloss_20"
"Gloss 60°" = "gloss_60"
"""
STUDY_TEXT = STUDY_TEXT.replace("HAZE", "ISO 13803")
STUDY = fl.Study.from_toml(STUDY_TEXT)
MAPPED = fl.Study.from_toml(STUDY_TEXT + MAP)

# --- the column map --------------------------------------------------------------------------------


def export_of_a_meter():
    """The good sheet as a meter would export it: its own headings, one row a reading."""
    sheet = good()
    twice = {name: [v for v in values for _ in (1, 2)] for name, values in sheet.items()}
    first, second = twice.pop("gloss_20_1"), twice.pop("gloss_20_2")
    twice["Sample"] = twice.pop("trial")
    twice["GLOSS  20°"] = [(first, second)[i % 2][i] for i in range(len(first))]
    for name in ("gloss_60", "faults", "film_before_um", "film_after_um", "minutes", "sand_gloss_60"):
        twice[name] = [v if i % 2 == 0 else None for i, v in enumerate(twice[name])]
    twice["Gloss 60°"] = twice.pop("gloss_60")
    return twice


def test_an_export_with_one_row_a_reading_gives_the_same_trials_as_the_sheet(tmp_path):
    (tmp_path / "meter.csv").write_text(csv_text(export_of_a_meter()), encoding="utf-8")
    (tmp_path / "typed.csv").write_text(csv_text(good()), encoding="utf-8")
    read = fl.read_trials(tmp_path / "meter.csv", MAPPED)
    typed = fl.read_trials(tmp_path / "typed.csv", STUDY)
    assert set(read.columns) == set(typed.columns)
    assert read[list(typed.columns)].equals(typed)


def test_without_the_map_the_same_export_is_refused(tmp_path):
    (tmp_path / "meter.csv").write_text(csv_text(export_of_a_meter()), encoding="utf-8")
    with pytest.raises(fl.RecordsError, match="gloss_20"):
        fl.read_trials(tmp_path / "meter.csv", STUDY)


def test_a_sheet_in_the_studys_own_words_is_not_touched_by_the_map(tmp_path):
    (tmp_path / "typed.csv").write_text(csv_text(good()), encoding="utf-8")
    assert fl.read_trials(tmp_path / "typed.csv", MAPPED).equals(
        fl.read_trials(tmp_path / "typed.csv", STUDY)
    )


def test_readings_of_one_trial_that_say_different_things_of_it_are_named(tmp_path):
    export = export_of_a_meter()
    export["cut_passes"][3] = 7  # the second reading of trial 2, whose first says 6
    (tmp_path / "meter.csv").write_text(csv_text(export), encoding="utf-8")
    with pytest.raises(fl.RecordsError, match=r"row 4.*cut_passes differs among them: '6' and '7'"):
        fl.read_trials(tmp_path / "meter.csv", MAPPED)


def test_two_headings_for_one_column_are_named_with_the_way_out(tmp_path):
    sheet = {**good(), "Gloss 60°": good()["gloss_60"]}
    (tmp_path / "meter.csv").write_text(csv_text(sheet), encoding="utf-8")
    with pytest.raises(fl.RecordsError, match=r"'gloss_60' and 'Gloss 60°' both mean gloss_60"):
        fl.read_trials(tmp_path / "meter.csv", MAPPED)


def test_every_mistake_of_a_column_map_is_said_with_its_line():
    text = MAP + '"gloss  20°" = "haze"\n"Haze" = "haze_2"\n"Loss" = "glos_85"\n"Speed" = 7\n'
    with pytest.raises(fl.StudyError) as error:
        fl.Study.from_toml(STUDY_TEXT + text)
    said = list(error.value.mistakes)
    assert len(said) == 3, said  # repeats may be named, so haze_2 is right
    line = (STUDY_TEXT + text).splitlines().index('"Loss" = "glos_85"') + 1
    assert f"line {line}, [reading.columns]: 'Loss' is 'glos_85'" in said[1]
    assert "Did you mean 'gloss_85'?" in said[1]
    assert "'gloss  20°' and 'Gloss 20°' are one heading" in said[0]
    assert "'Speed' is 7" in said[2]


# --- a sheet into the record book --------------------------------------------------------------------


def test_a_planned_trial_takes_its_readings_from_a_sheet_in_any_order_of_columns(tmp_path):
    with fl.RecordBook(tmp_path / "trials.sqlite") as book:
        plan = fl.plan_trials(STUDY, trials=6, panels=1, seed=1)
        book.plan(STUDY, plan)
        trial = book.trials(STUDY).iloc[0]
        # The count of faults stands before the readings, as in the sheet that the book itself writes.
        worked = trial[["trial", "panel", "patch", *STUDY.basis.names]].to_dict()
        worked |= {"status": "done", "technician": "T1", "minutes": 6.5, "faults": 1}
        worked |= {"gloss_20_1": 84.1, "gloss_20_2": 84.3}
        (tmp_path / "worked.csv").write_text(
            csv_text({name: [None if value != value else value] for name, value in worked.items()}),
            encoding="utf-8",
        )
        book.import_sheet(STUDY, tmp_path / "worked.csv", technician="T1")
        logged = book.trials(STUDY).set_index("trial").loc[trial["trial"]]
    assert (logged["faults"], logged["gloss_20_1"], logged["gloss_20_2"]) == (1, 84.1, 84.3)
