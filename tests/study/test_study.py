"""The study file: what it says is what the study holds, and every mistake has its sentence."""

import os
import re

import pytest

from finishlab.errors import FinishlabError, StudyError
from finishlab.study import RANGES, RESPONSES, Condition, Setting, Study, level_of

# Our own invented example, with made-up product names.
EXAMPLE = """\
title = "Box-van side panels, 2K clear"
pass_means = "one direction, 50 % overlap"

[[step]]
name = "sand"
grit = ["P1500", "P2000", "P3000"]
passes = 4
[[step]]
name = "cut"
pad = ["wool", "microfibre", "foam"]
product = ["compound A", "compound B"]
passes = { lowest = 1, highest = 8 }
changeover_minutes = 3
[[step]]
name = "polish"
pad = "soft foam"
product = "polish A"
passes = { lowest = 0, highest = 6 }

[goal]
gloss_20 = { at_least = 84 }
haze = { at_most = 18 }
faults = { at_most = 0 }
assurance = 0.90

[limit]
removed_um = { at_most = 8, set_by = "role and date", assurance = 0.99 }

[job]
sections = 6
accept = "every section"

[[avoid]]
sand_grit = "P1500"
cut_passes = { at_most = 1 }

[today]
sand_grit = "P1500"
cut_pad = "wool"
cut_product = "compound A"
cut_passes = 6
polish_passes = 4

[harsher]
cut_pad = ["foam", "microfibre", "wool"]

[panel]
patches = 8
[reading]
spots = 3
after = ["sand", "cut", "polish"]
wipe = "panel wipe, lint-free cloth"
wait_minutes = 15
haze_method = "ISO 13803"
"""

HEAD = 'title = "Doors"\npass_means = "one direction"\n'
STEP = '[[step]]\nname = "cut"\npad = ["wool", "foam"]\npasses = { lowest = 1, highest = 4 }\n'
GOAL = "[goal]\nfaults = { at_most = 0 }\nassurance = 0.9\n"


def mistakes_of(text: str) -> tuple[str, ...]:
    with pytest.raises(StudyError) as caught:
        Study.from_toml(text)
    return caught.value.mistakes


# --- the example, answers known on paper -------------------------------------------------------


def test_the_example_file_holds_what_it_says():
    study = Study.from_toml(EXAMPLE)
    assert study.title == "Box-van side panels, 2K clear"
    assert study.pass_means == "one direction, 50 % overlap"
    assert [s.name for s in study.steps] == ["sand", "cut", "polish"]
    assert [f.factor for f in study.factors] == [
        "sand_grit",
        "cut_pad",
        "cut_product",
        "cut_passes",
        "polish_passes",
    ]
    assert study.settings["cut_product"].levels == ("compound A", "compound B")
    assert study.settings["polish_product"].levels == ("polish A",)
    assert study.settings["cut_passes"].levels == tuple(range(1, 9))
    assert study.goal == {
        "gloss_20": Condition(at_least=84),
        "haze": Condition(at_most=18),
        "faults": Condition(at_most=0),
    }
    assert study.assurance == 0.9
    limit = study.limits["removed_um"]
    assert (limit.condition.at_most, limit.set_by, limit.assurance) == (8, "role and date", 0.99)
    assert (study.job.sections, study.job.accept) == (6, "every section")
    assert study.harsher == {"cut_pad": ("foam", "microfibre", "wool")}
    assert study.patches == 8
    assert study.reading.after == ("sand", "cut", "polish")
    assert (study.reading.spots, study.reading.wait_minutes) == (3, 15.0)
    assert study.reading.haze_method == "ISO 13803"
    assert study.step("cut").changeover_minutes == 3
    assert not study.step("cut").can_be_left_out
    assert study.step("polish").can_be_left_out
    assert study.cautions == ()


def test_today_carries_the_held_settings_too():
    assert Study.from_toml(EXAMPLE).today == {
        "sand_grit": "P1500",
        "sand_passes": 4,
        "cut_pad": "wool",
        "cut_product": "compound A",
        "cut_passes": 6,
        "polish_pad": "soft foam",
        "polish_product": "polish A",
        "polish_passes": 4,
    }


def test_a_step_that_today_leaves_out_needs_no_other_setting():
    text = EXAMPLE.replace("polish_passes = 4", "polish_passes = 0")
    today = Study.from_toml(text).today
    assert today["polish_passes"] == 0
    assert today["polish_pad"] is None


def test_the_example_has_the_processes_counted_by_hand():
    # 3 grits x 3 pads x 2 products x 8 x 7 passes, less P1500 with one cut pass: 3 x 2 x 7.
    assert Study.from_toml(EXAMPLE).basis.size == 1008 - 42


@pytest.mark.parametrize(
    ("line", "kind", "levels"),
    [
        ('grit = ["P2000", "p 1500"]', "graded", ("P1500", "P2000")),
        ('grit = ["P3000", "P1500"]', "ordered", ("P1500", "P3000")),
        ('pad = ["wool", " foam "]', "choice", ("wool", "foam")),
        ('pad = ["soft", "firm"]\norder = ["pad"]', "ordered", ("soft", "firm")),
        ('product = "compound A"', "choice", ("compound A",)),
        ("passes = [6, 2, 4]", "count", (2, 4, 6)),
        ("passes = { lowest = 0, highest = 6, by = 2 }", "count", (0, 2, 4, 6)),
        ("speed = { lowest = 0.1, highest = 0.5, by = 0.1 }", "number", (0.1, 0.2, 0.3, 0.4, 0.5)),
        ("seconds = [30, 60]", "number", (30.0, 60.0)),
        ("speed = 1200", "number", (1200.0,)),
    ],
)
def test_a_line_of_a_step_becomes_a_setting(line, kind, levels):
    study = Study.from_toml(
        HEAD + '[[step]]\nname = "sand"\n' + line + "\n" + STEP + GOAL,
    )
    setting = study.steps[0].settings[0]
    assert (setting.kind, setting.levels) == (kind, levels)
    assert setting.held == (len(levels) == 1)


def test_the_list_of_steps_read_is_in_the_order_of_the_process_and_ends_with_the_last():
    text = EXAMPLE.replace('after = ["sand", "cut", "polish"]', 'after = ["cut", "sand"]')
    assert Study.from_toml(text).reading.after == ("sand", "cut", "polish")


def test_film_left_may_be_limited_too():
    text = EXAMPLE.replace("removed_um = { at_most = 8", "film_left_um = { at_least = 30")
    assert Study.from_toml(text).limits["film_left_um"].condition == Condition(at_least=30)


def test_settings_that_change_by_half_panel_are_kept():
    text = HEAD + STEP + 'hard_to_change = ["pad"]\nunit = "half panel"\n' + GOAL
    step = Study.from_toml(text).steps[0]
    assert (step.hard_to_change, step.unit) == (("pad",), "half panel")


# --- mistakes ------------------------------------------------------------------------------


def test_all_mistakes_come_at_once_with_their_lines():
    text = """\
title = "Doors"
pas_means = "one direction"

[[step]]
name = "cut"
pad = ["wool", "Wool"]
passes = { lowest = 4, highest = 1 }
chanegover = 3

[[step]]
name = "polish"
passes = { lowest = 0, highest = 6.5 }
changeover_minutes = "three"

[goal]
gloss_20 = { at_last = 84 }
glos_60 = { at_least = 90 }
assurance = 90

[limit]
removed_um = { at_most = 8 }

[reading]
spots = 0
"""
    assert mistakes_of(text) == (
        "line 2, 'pas_means' is not a word of the study file. Did you mean 'pass_means'?",
        'pass_means is missing. Say what one pass is, as pass_means = "one direction, 50 % overlap".',
        "line 6, step 'cut': pad lists a level twice: ['wool', 'Wool']. Write each once.",
        "line 7, step 'cut': passes: lowest is 4 and highest 1; lowest must be below highest.",
        "line 12, step 'polish': passes: 0 to 6.5 by 1; passes are whole numbers, 0 or more.",
        "line 13, step 'polish': changeover_minutes is 'three'; it must be a number of minutes, 0 or more.",
        "line 16, [goal]: gloss_20 has 'at_last'. Did you mean 'at_least'?",
        "line 17, [goal]: 'glos_60' is not a response. Did you mean 'gloss_60'?",
        "line 18, [goal]: assurance is 90; it must be above 0 and below 1. Write 90 % as 0.9; nothing is ever sure.",
        "line 24, [reading]: spots is 0; it must be a whole number, 1 or more.",
        'line 21, [limit]: removed_um does not say who set it. Add set_by = "role and date"; a limit has no default.',
        "line 21, [limit]: removed_um: assurance is missing; it must be above 0 and below 1. Write 90 % as 0.9; nothing is ever sure.",
    )


def test_the_heading_counts_the_mistakes():
    with pytest.raises(StudyError, match=r"^The study file has 1 mistake\.\n  - ") as caught:
        Study.from_toml(HEAD + STEP + GOAL.replace("0.9", "1"))
    assert isinstance(caught.value, FinishlabError)
    assert isinstance(caught.value, ValueError)


#: What stands in the file -> what the sentence says, with its line where there is one.
WRONG_STEPS = [
    ("[step]\nname = 'cut'", "there is no [[step]]. Write one [[step]] table"),
    ("[[step]]\npasses = [1, 2]", 'line 3, step 1: name is missing; it must be a short word in small letters, as name = "cut".'),
    ("[[step]]\nname = 'Cut 1'\npasses = [1, 2]", "line 4, step 'Cut 1': name is 'Cut 1'; it must be a short word"),
    (STEP + STEP, "line 8, step 'cut': the name is used twice."),
    ("[[step]]\nname = 'start'\npasses = [1, 2]", "step 'start': trial tables use start_... for the state before work."),
    (
        "[[step]]\nname = 'cut_pad'\nsize = ['a', 'b']\n[[step]]\nname = 'cut'\npad_size = ['a', 'b']",
        "line 8, step 'cut': pad_size makes the column cut_pad_size, which step 'cut_pad' has too. Rename one.",
    ),
    (
        "[[step]]\nname = 'film'\nbefore_um = [20, 30]",
        "before_um makes the column film_before_um, which trial tables use for something else. Rename it.",
    ),
    (STEP + "Speed = 1200", "line 7, step 'cut': 'Speed' must be a short word in small letters, digits and underscores."),
    (STEP + "minutes = [2, 3]", "'minutes' is what trials measure, not a setting. Use another word, as 'seconds'."),
    (STEP + "gloss_20 = [2, 3]", "'gloss_20' is what trials measure, not a setting."),
    (STEP + "order = 'pad'", "order is 'pad'; it must be a list of settings of this step, as order = [\"grit\"]."),
    (STEP + "order = ['pda']", "order names 'pda', which is not a setting of this step. Did you mean 'pad'?"),
    (STEP + "hard_to_change = ['name']", "hard_to_change names 'name', which is not a setting of this step."),
    (STEP + "unit = 'door'", "unit is 'door'; hard-to-change settings change by \"panel\" or by \"half panel\"."),
    (STEP + "unit = 'half panel'", "unit goes with hard_to_change. Name those settings"),
    (STEP + "changeover_minutes = -1", "changeover_minutes is -1; it must be a number of minutes, 0 or more."),
    (STEP + "speed = []", "speed is an empty list. Give its levels, or leave the setting out."),
    (STEP + "speed = [1200, 'fast']", "speed is [1200, 'fast']; it must be text, a number, a list of one of these"),
    (STEP + "speed = true", "speed is True; it must be text, a number, a list of one of these"),
    (STEP + "speed = nan", "speed is nan; it must be text, a number, a list of one of these"),
    (STEP + "speed = [1, 1.0]", "speed lists a level twice: [1, 1.0]. Write each once."),
    (STEP + "product = ['A', 'a ']", "product lists a level twice: ['A', 'a']. Write each once."),
    (STEP + "product = ['A', ' ']", "product has the level ''; a level is one line of plain text."),
    (STEP + 'product = ["A", "B\\nC"]', "product has the level 'B\\nC'; a level is one line of plain text."),
    (STEP + "product = ['A', 'none']", "product has the level 'none', which reads as an empty cell in a table."),
    (STEP + "seconds = ['ten']", "seconds is ['ten']; it must be numbers."),
    (STEP + "seconds = [-1, 3]", "seconds is [-1, 3]; seconds are 0 or more."),
    (STEP + "seconds = { lowest = -1, highest = 3, by = 1 }", "seconds: lowest is -1; seconds are 0 or more."),
    (STEP + "seconds = [0, 3]", "both passes and seconds are set, and one of them may be zero. Let only one say how much."),
    ("[[step]]\nname = 'cut'\npad = ['a', 'b']\npasses = 0", "passes is held at 0, so the step never happens. Leave it out of the file."),
    ("[[step]]\nname = 'cut'\npasses = [1, 2.5]", "passes is [1, 2.5]; passes are whole numbers, 0 or more."),
    ("[[step]]\nname = 'cut'\npasses = { lowest = -1, highest = 3 }", "passes: -1 to 3 by 1; passes are whole numbers, 0 or more."),
    (STEP + "speed = { lowest = 1, highest = 3, step = 1 }", "speed has 'step'. Known here: lowest, highest, by."),
    (STEP + "speed = { highest = 3 }", "speed: lowest is missing; it must be a number, as { lowest = 1, highest = 8 }."),
    (STEP + "speed = { lowest = '1', highest = 3 }", "speed: lowest is '1'; it must be a number"),
    (
        STEP + "speed = { lowest = 1, highest = 3 }",
        "speed: by is missing; give the distance between levels, as { lowest = 1, highest = 3, by = 0.5 }.",
    ),
    (STEP + "speed = { lowest = 1, highest = 3, by = 0 }", "speed: by is 0; give the distance between levels"),
    (STEP + "speed = { lowest = 0, highest = 1, by = 0.3 }", "speed: 0 to 1 does not divide into steps of 0.3."),
    (STEP + "speed = { lowest = 0, highest = 1, by = 1e-9 }", "speed: 0 to 1 by 1e-09 makes more than 1000 levels"),
    (STEP + "grit = 1500", 'grit is 1500; a grade needs its scale. Write P1500 as "P1500".'),
    (STEP + "grit = { lowest = 800, highest = 1500 }", 'grit is a range; grades are listed by name, as ["P1500", "P2000"].'),
    (STEP + "grit = ['P1550', '1500']", "grit: grit 'P1550' is not a known grade"),
    (STEP + "grit = ['P1550', '1500']", "grit '1500' does not name its scale"),
    (STEP + "grit = ['P1500', 'CAMI 800']", "grit: grits of two scales (CAMI, P) have no common order"),
    (STEP + "grit = ['P1500', 'p 1500']", "grit lists a level twice: ['P1500', 'p 1500']. Write each once."),
    ("[[step]]\nname = 'cut'\npasses = 4", "no setting varies: every one has a single value."),
    (
        "[[step]]\nname = 'cut'\n" + "".join(f"f{i} = {{ lowest = 1, highest = 30, by = 1 }}\n" for i in range(5)),
        "the settings make more than 10,000,000 processes, too many to search.",
    ),
]  # fmt: skip

WRONG_TABLES = [
    ("speed = 3", "line 3, 'speed' is not a word of the study file. Known here: title, pass_means, step"),
    ("[limits]\nremoved_um = 3", "line 3, 'limits' is not a word of the study file. Did you mean 'limit'?"),
    ("[[goals]]\nx = 3", "line 3, 'goals' is not a word of the study file. Did you mean 'goal'?"),
    ("[[job]]\nsections = 3", "[job]: must be one table. Write [job] once, and its keys below it."),
    ("[job]\nsection = 3", "line 4, [job]: 'section' is not a word here. Did you mean 'sections'?"),
    ("[job]\nsections = 1.5", "line 4, [job]: sections is 1.5; it must be a whole number, 1 or more."),
    ("[job]\naccept = 'most'", 'line 4, [job]: accept is \'most\'; it must be "every section" or "mean of sections".'),
    ("[panel]\npatches = 0", "line 4, [panel]: patches is 0; it must be a whole number, 1 or more."),
    ("[reading]\nafter = 'cut'", "line 4, [reading]: after is 'cut'; it must be a list of steps"),
    ("[reading]\nafter = ['cutt']", "line 4, [reading]: after names 'cutt', which is not a step. Did you mean 'cut'?"),
    ("[reading]\nwipe = 3", "line 4, [reading]: wipe is 3; it must be text."),
    ("[reading]\nwait_minutes = -3", "line 4, [reading]: wait_minutes is -3; it must be a number of minutes, 0 or more."),
    ("[reading]\nhaze_method = 'eye'", 'line 4, [reading]: haze_method is \'eye\'; it must be "ISO 13803" or "ASTM D4039".'),
    ("[limit]\nminutes = { at_most = 3 }", "line 4, [limit]: 'minutes' is not a limit. Known here: removed_um, film_left_um."),
    ("[limit]\nremoved_um = 8", "line 4, [limit]: removed_um is 8; it must be a condition, as { at_least = 84 }"),
    ("[limit.removed_um]\nat_most = 8\nassurance = 0.9", "line 3, [limit]: removed_um does not say who set it."),
    ("[limit]\nremoved_um = { at_most = 8, set_by = ' ', assurance = 0.99 }", "removed_um does not say who set it."),
    ("[limit]\nremoved_um = { at_most = 8, set_by = 'x' }", "removed_um: assurance is missing; it must be above 0 and below 1."),
    ("[limit]\nremoved_um = { at_most = -8, set_by = 'x', assurance = 0.99 }", "removed_um: -8 cannot be; it runs from 0 to 1000 µm."),
    ("[limit]\nremoved_um = { at_least = 8, set_by = 'x', assurance = 0.99 }", "removed_um must be at_most; another condition does not protect the paint."),
    ("[limit]\nremoved_um = { within = [2, 8], set_by = 'x', assurance = 0.99 }", "removed_um must be at_most; another"),
    ("[limit]\nfilm_left_um = { at_most = 8, set_by = 'x', assurance = 0.99 }", "film_left_um must be at_least; another condition"),
    ("[limit]\nremoved_um = { at_most = 8, by = 'x', assurance = 0.99 }", "line 4, [limit]: removed_um has 'by'. Known here: at_least"),
    ("[avoid]\ncut_pad = 'wool'", "line 3, [[avoid]]: must be tables. Write [[avoid]] above each combination."),
    ("[[avoid]]", "line 3, [[avoid]] 1: is empty, which would avoid everything."),
    ("[[avoid]]\ncut_pads = 'wool'", "line 4, [[avoid]] 1: 'cut_pads' is not a setting of any step. Did you mean 'cut_pad'?"),
    ("[[avoid]]\ncut_pad = 'felt'", "line 4, [[avoid]] 1: cut_pad = 'felt' is not a level of it. Levels: wool, foam."),
    ("[[avoid]]\ncut_pad = []", "[[avoid]] 1: cut_pad = [] is not a level of it."),
    ("[[avoid]]\ncut_pad = { at_most = 1 }", "cut_pad is not a number; name its levels instead: wool, foam."),
    ("[[avoid]]\ncut_passes = { at_most = 'two' }", "cut_passes: at_most is 'two'; it must be a number."),
    ("[[avoid]]\ncut_passes = { at_least = 1 }", "[[avoid]]: no process is left: the avoided combinations rule out every one."),
    ("[today]\ncut_pads = 'wool'", "line 4, [today]: 'cut_pads' is not a setting of any step."),
    ("[today]\ncut_pad = 'felt'\ncut_passes = 2", "line 4, [today]: cut_pad = 'felt' is not a level of it (wool, foam). Today's process is run as a control"),
    ("[today]\ncut_pad = 'wool'\ncut_passes = 9", "cut_passes = 9 is not a level of it (1, 2, 3, 4)."),
    ("[today]\ncut_pad = 'wool'", "line 3, [today]: cut_passes is missing. Write what the process in use now has: one of 1, 2, 3, 4."),
    ("[today]\ncut_pad = 'wool'\ncut_passes = 2\n[[avoid]]\ncut_pad = 'wool'", "line 3, [today]: is one of the avoided combinations, and it is run as a control."),
    ("[harsher]\ncut_pda = ['wool', 'foam']", "line 4, [harsher]: 'cut_pda' is not a setting of any step."),
    ("[harsher]\ncut_pad = ['wool']", "line 4, [harsher]: cut_pad is ['wool']; list its levels once each, mild to harsh. Levels: wool, foam."),
    ("[harsher]\ncut_pad = ['wool', 'felt']", "list its levels once each, mild to harsh."),
    ("[harsher]\ncut_pad = ['wool', 'wool']", "list its levels once each, mild to harsh."),
]  # fmt: skip

WRONG_GOALS = [
    ("[goal]\nassurance = 0.9", "line 7, [goal]: names no response. Write at least one"),
    ("[goal]\nfaults = { at_most = 0 }", "line 7, [goal]: assurance is missing. Write how sure the next job must be"),
    ("[goal]\nfaults = { at_most = 0 }\nassurance = 1", "line 9, [goal]: assurance is 1; it must be above 0 and below 1."),
    ("[goal]\nfaults = { at_most = 0 }\nassurance = '90 %'", "assurance is '90 %'; it must be above 0 and below 1."),
    ("[goal]\ngloss = { at_least = 8 }\nassurance = 0.9", "line 8, [goal]: 'gloss' is not a response. Did you mean 'gloss_"),
    ("[goal]\ngloss_20 = 84\nassurance = 0.9", "gloss_20 is 84; it must be a condition, as { at_least = 84 }, { at_most = 18 }"),
    ("[goal]\ngloss_20 = {}\nassurance = 0.9", "gloss_20 has no condition; write exactly one of at_least, at_most, within."),
    ("[goal]\ngloss_20 = { at_least = 84, at_most = 90 }\nassurance = 0.9", "gloss_20 has at_least and at_most; write exactly one of"),
    ("[goal]\ngloss_20 = { at_least = '84' }\nassurance = 0.9", "gloss_20: at_least is '84'; it must be a number."),
    ("[goal]\ngloss_20 = { at_least = inf }\nassurance = 0.9", "gloss_20: at_least is inf; it must be a number."),
    ("[goal]\ngloss_20 = { within = 84 }\nassurance = 0.9", "gloss_20: within is 84; it must be two numbers, as [80, 86]."),
    ("[goal]\ngloss_20 = { within = [86, 80] }\nassurance = 0.9", "gloss_20: within is [86, 80]; it must be [low, high] with low below high."),
    ("[goal]\ngloss_20 = { at_least = 840 }\nassurance = 0.9", "gloss_20: 840 cannot be; it runs from 0 to 200 GU."),
    ("[goal]\nfaults = { at_most = -1 }\nassurance = 0.9", "faults: -1 cannot be; it runs from 0 to 10000."),
    ("[goal]\nhaze = { at_most = 18 }\nassurance = 0.9", "[reading]: haze_method is missing, and the goal names haze."),
]  # fmt: skip


@pytest.mark.parametrize(("steps", "sentence"), WRONG_STEPS)
def test_a_wrong_step_is_answered_in_plain_words(steps, sentence):
    assert sentence in "\n".join(mistakes_of(HEAD + steps + "\n" + GOAL))


@pytest.mark.parametrize(("table", "sentence"), WRONG_TABLES)
def test_a_wrong_table_is_answered_in_plain_words(table, sentence):
    assert sentence in "\n".join(mistakes_of(HEAD + table + "\n" + STEP + GOAL))


@pytest.mark.parametrize(("goal", "sentence"), WRONG_GOALS)
def test_a_wrong_goal_is_answered_in_plain_words(goal, sentence):
    assert sentence in "\n".join(mistakes_of(HEAD + STEP + goal))


@pytest.mark.parametrize(("steps", "sentence"), [w for w in WRONG_STEPS if "grit" not in w[0]])
def test_one_mistake_has_one_sentence(steps, sentence):
    assert len(mistakes_of(HEAD + steps + "\n" + GOAL)) == 1


def test_toml_that_does_not_read_says_where():
    (sentence,) = mistakes_of('title = "Doors\n')
    assert sentence.startswith("the study file is not TOML: ")
    assert "line 1" in sentence
    assert sentence.endswith("Mend that place first; other mistakes are listed once it reads.")


def test_keys_inside_long_text_do_not_move_the_line_numbers():
    text = 'title = """\nDoors\n[goal]\nassurance = 3\n"""\npass_means = "x"\n' + STEP
    text += "[goal]\nfaults = { at_most = 0 }\nassurance = 2\n"
    assert mistakes_of(text)[0].startswith("line 13, [goal]: assurance is 2;")


def test_a_missing_file_is_named_with_its_folder(tmp_path):
    with pytest.raises(StudyError, match=re.escape(f"there is no study file study.toml in {tmp_path}.")):
        Study.read(tmp_path / "study.toml")


def test_a_file_that_is_not_text_says_how_to_save_it(tmp_path):
    path = tmp_path / "study.toml"
    path.write_bytes(EXAMPLE.replace("2K", "2K µ").encode("latin-1"))
    with pytest.raises(StudyError, match=r"study\.toml cannot be read .* Save it as plain UTF-8 text\."):
        Study.read(path)


def test_a_file_saved_with_a_byte_order_mark_and_windows_line_ends_reads_the_same(tmp_path):
    path = tmp_path / "study.toml"
    path.write_bytes(b"\xef\xbb\xbf" + EXAMPLE.replace("\n", "\r\n").encode())
    assert Study.read(path).settings == Study.from_toml(EXAMPLE).settings


# --- the file is data ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "hostile",
    [
        "__import__('os').environ.__setitem__('FINISHLAB_RAN', '1')",
        "{title.__class__}",
        "%(title)s $(touch ran) `touch ran`",
        "=cmd|' /C calc'!A0",
        "<script>alert(1)</script>",
        "'; DROP TABLE trial; --",
        "../../etc/passwd",
    ],
)
def test_nothing_in_the_file_is_evaluated(hostile, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    quoted = '"' + hostile.replace("\\", "\\\\").replace('"', '\\"') + '"'
    text = HEAD.replace('"Doors"', quoted) + STEP.replace('"wool"', quoted) + GOAL
    study = Study.from_toml(text)
    assert study.title == hostile
    assert study.settings["cut_pad"].levels[0] == hostile
    # The same words come out of the grid, still only words.
    assert study.basis.frame(next(study.basis.chunks()))["cut_pad"].iloc[0] == hostile
    assert "FINISHLAB_RAN" not in os.environ
    assert list(tmp_path.iterdir()) == []
    assert any(repr(hostile) in m for m in mistakes_of(text.replace("at_most = 0", f"at_most = {quoted}")))


# --- cautions -----------------------------------------------------------------------------


def test_gloss_alone_with_sanding_that_may_be_left_out_gives_the_caution():
    sand = '[[step]]\nname = "sand"\ngrit = ["P1500", "P2000"]\npasses = { lowest = 0, highest = 4 }\n'
    gloss = "[goal]\ngloss_20 = { at_least = 84 }\nassurance = 0.9\n"
    (caution,) = Study.from_toml(HEAD + sand + STEP + gloss).cautions
    assert "doing nothing can win" in caution
    assert "Add a faults goal" in caution
    # A second sanding step that is always worked: the clear is never read unsanded.
    always = sand.replace('"sand"', '"refine"').replace("lowest = 0", "lowest = 1")
    (caution,) = Study.from_toml(HEAD + sand + always + STEP + gloss).cautions
    assert caution.startswith("The goal is gloss alone: a gloss meter hardly sees")
    assert Study.from_toml(HEAD + sand + STEP + GOAL).cautions == ()


def test_gloss_alone_with_sanding_always_done_gives_the_milder_caution():
    (caution,) = Study.from_toml(
        HEAD + STEP + "[goal]\ngloss_20 = { at_least = 84 }\nassurance = 0.9"
    ).cautions
    assert "doing nothing" not in caution
    assert "hardly sees single deep scratches" in caution


# --- one question's own goal -------------------------------------------------------------------


def test_a_question_may_bring_its_own_goal_and_assurance():
    study = Study.from_toml(EXAMPLE)
    assert study.asked() == (study.goal, 0.9)
    assert study.asked({"gloss_20": {"at_least": 80}}) == ({"gloss_20": Condition(at_least=80)}, 0.9)
    assert study.asked({"gloss_20": {"at_least": 80}, "assurance": 0.8})[1] == 0.8
    assert study.asked({"gloss_20": {"at_least": 80}, "assurance": 0.8}, 0.7)[1] == 0.7
    assert study.asked({"gloss_20": Condition(80, 85)})[0] == {"gloss_20": Condition(80, 85)}
    assert study.asked(assurance=0.5) == (study.goal, 0.5)


@pytest.mark.parametrize(
    ("goal", "assurance", "sentence"),
    [
        ({"glos_20": {"at_least": 80}}, None, "goal: 'glos_20' is not a response. Did you mean 'gloss_20'?"),
        ({}, None, "goal: names no response."),
        ({"gloss_20": 80}, None, "goal: gloss_20 is 80; it must be a condition"),
        ("gloss_20 at least 80", None, "goal is 'gloss_20 at least 80'; it must be a mapping"),
        (None, 90, "assurance is 90; it must be above 0 and below 1. Write 90 % as 0.9"),
        (None, "0.9", "assurance is '0.9'; it must be above 0 and below 1."),
        ({"gloss_20": {"at_least": 80}, "assurance": 0}, None, "goal: assurance is 0; it must be above 0"),
    ],
)
def test_a_wrong_question_is_answered_in_plain_words(goal, assurance, sentence):
    with pytest.raises(StudyError, match=re.escape(sentence)):
        Study.from_toml(EXAMPLE).asked(goal, assurance)


def test_asking_for_haze_needs_its_method():
    study = Study.from_toml(HEAD + STEP + GOAL)
    with pytest.raises(StudyError, match=r"haze needs \[reading\] haze_method"):
        study.asked({"haze": {"at_most": 18}})


def test_an_unknown_step_is_answered_with_the_known_ones():
    with pytest.raises(StudyError, match=r"there is no step 'buff'\. The steps are sand, cut, polish\."):
        Study.from_toml(EXAMPLE).step("buff")


# --- small things -------------------------------------------------------------------------


def test_every_response_has_a_range():
    assert set(RESPONSES) <= set(RANGES)


def test_a_condition_is_not_met_by_a_missing_reading():
    assert Condition(at_least=80).met([80.0, 79.9, float("nan")]).tolist() == [True, False, False]
    assert Condition(at_most=3).met(3).tolist() is True


@pytest.mark.parametrize("condition", [Condition(84), Condition(at_most=18), Condition(80, 86)])
def test_a_condition_comes_back_from_its_own_words(condition):
    study = Study.from_toml(EXAMPLE)
    assert study.asked({"gloss_20": condition.to_dict()})[0]["gloss_20"] == condition


@pytest.mark.parametrize(
    ("value", "level"),
    [(2, 2), (2.0, 2), ("2", None), (3, None), (True, None), (None, None), (float("nan"), None)],
)
def test_a_number_is_a_level_only_when_it_is_one(value, level):
    assert level_of(Setting("cut", "passes", "count", (1, 2)), value) == level


def test_grits_are_recognised_however_their_mark_is_written():
    grit = Setting("sand", "grit", "graded", ("P1500", "P2000"))
    assert level_of(grit, " p 1500") == "P1500"
    assert level_of(grit, "1500") is None


def test_the_film_of_the_job_is_read() -> None:
    study = Study.from_toml(HEAD + STEP + GOAL + "[job]\nfilm_before_um = 112\n")
    assert study.job.film_before_um == 112.0


def test_a_film_of_the_job_that_is_no_thickness_is_refused() -> None:
    with pytest.raises(StudyError, match=r"film_before_um is -3; it must be the thinnest film before work"):
        Study.from_toml(HEAD + STEP + GOAL + "[job]\nfilm_before_um = -3\n")


def test_a_setting_that_is_wrong_is_not_blamed_again_where_it_is_named() -> None:
    wrong = STEP.replace("highest = 4", "highest = 0")
    text = HEAD + wrong + GOAL + '[[avoid]]\ncut_passes = 1\n[today]\ncut_pad = "wool"\ncut_passes = 3\n'
    with pytest.raises(StudyError) as error:
        Study.from_toml(text)
    assert error.value.mistakes == (
        "line 6, step 'cut': passes: lowest is 1 and highest 0; lowest must be below highest.",
    )


# --- about a neighbour; lifted ---------------------------------------------------------------------


def test_a_band_about_a_neighbouring_panel_says_how_often_that_was_read() -> None:
    goal = "[goal]\ngloss_20 = { within = [80, 84], neighbour_readings = 3 }\nassurance = 0.9\n"
    study = Study.from_toml(HEAD + STEP + goal)
    condition = study.goal["gloss_20"]
    assert condition.neighbour_readings == 3
    assert condition.text("gloss_20") == "20° gloss within 80 and 84 GU, about a neighbour read 3 times"
    assert type(condition).from_dict(condition.to_dict()) == condition
    assert study.asked({"gloss_20": condition.to_dict()})[0]["gloss_20"] == condition


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            "gloss_20 = { within = [80, 84], neighbour_readings = 0 }",
            "neighbour_readings is 0; it must be how often",
        ),
        ("gloss_20 = { at_least = 80, neighbour_readings = 3 }", "neighbour_readings goes with within"),
        ("faults = { within = [0, 2], neighbour_readings = 3 }", "faults are counted, not read by a meter"),
    ],
)
def test_a_neighbour_that_makes_no_sense_is_answered(words: str, said: str) -> None:
    with pytest.raises(StudyError, match=said):
        Study.from_toml(HEAD + STEP + f"[goal]\n{words}\nassurance = 0.9\n")


LIFT = '[[lifted]]\ncut_pad = "wool"\nset_by = "owner, 2 March"\nreason = "worn pad"\n'


def test_what_is_lifted_after_a_burn_through_says_by_whom_and_why() -> None:
    (lifted,) = Study.from_toml(HEAD + STEP + GOAL + LIFT).lifted
    assert (lifted.set_by, lifted.reason) == ("owner, 2 March", "worn pad")
    assert lifted.where.parts == {"cut_pad": ("wool",)}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('set_by = "owner, 2 March"\n', ""), "set_by is missing. Say who lifts it"),
        (('reason = "worn pad"\n', ""), "reason is missing. Say why a process as harsh"),
        (('cut_pad = "wool"\n', ""), "names no setting, which would lift everything"),
        (('"wool"', '"felt"'), "felt"),
        (("[[lifted]]", "[lifted]"), "must be tables. Write \\[\\[lifted\\]\\] above each"),
    ],
)
def test_a_lift_without_its_who_why_or_what_is_refused(change: tuple[str, str], said: str) -> None:
    with pytest.raises(StudyError, match=said):
        Study.from_toml(HEAD + STEP + GOAL + LIFT.replace(*change))
