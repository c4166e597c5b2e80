"""Answers keep to what the trials worked: a range widened in the study file afterwards changes no answer but its cautions."""

import datetime

import numpy as np
import pandas as pd
import pytest

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.procedure.procedure_facts import procedure_facts
from finishlab.solve.what_if import WhatIf

JUDGE = "type: finishlab plan DIR --trials 4 --panels 1"


@pytest.fixture(scope="module")
def narrow(bench):
    """The study as it was planned: polish passes 0 to 4, and no foam pad."""
    text = (
        bench.study.source.replace("highest = 6", "highest = 4")
        .replace(', "foam"]', "]")
        .replace('"foam", ', "")
    )
    return fl.Study.from_toml(text)


@pytest.fixture(scope="module")
def log(narrow):
    shop = fl.PracticeBench(kind=1, seed=3, study=narrow)
    return shop.work(fl.plan_trials(narrow, trials=24, panels=4, seed=7), seed=1)


@pytest.fixture(scope="module")
def wide(bench, log):
    """The model of the same trials after the study file was widened to 6 polish passes and a foam pad."""
    return fl.fit(bench.study, log)


@pytest.mark.parametrize("target", [70, 76, 78, 79, 80, 82])
def test_no_answer_goes_beyond_what_was_worked(wide, target):
    goal = {"gloss_20": {"at_least": target}}
    answer = fl.shortest(wide, goal=goal)
    named = [
        answer.settings if answer.found else answer.closest.settings,
        *answer.rivals.to_dict("records"),
    ]
    named += [e.settings for e in answer.equals]
    named.append(WhatIf(wide).answer(goal).settings)
    named += fl.frontier(wide, "gloss_20", targets=[target]).table().dropna().to_dict("records")
    for settings in named:
        assert settings["polish_passes"] <= 4
        assert settings["cut_pad"] != "foam"
    assert (
        "In the study, but worked in no trial: cut pad 'foam' and polish passes 5 to 6. No process with that is recommended. "
        f"To have it judged, {JUDGE} (DIR is the study folder)."
    ) in answer.cautions


def test_chains_passes_and_ways_on_keep_to_what_was_worked_too(wide):
    chains = (
        fl.compare_chains(wide, "cut_pad", goal={"gloss_20": {"at_least": 70}}).table().set_index("chain")
    )
    assert chains["found"].tolist() == [True, True, False]
    assert fl.step_counts(wide, "polish_passes").table()["polish_passes"].tolist() == [0, 1, 2, 3, 4]
    worked = {"sand_grit": "P3000", "cut_pad": "wool", "cut_product": "compound A", "cut_passes": 2}
    now = fl.next_passes(wide, worked, {"gloss_20": 30}, assurance=0.99)
    assert now.settings["polish_passes"] <= 4
    with pytest.raises(ModelError, match="no process that the trials worked goes on from"):
        fl.next_passes(wide, {**worked, "cut_pad": "foam"}, {"gloss_20": 30})


def test_where_only_the_unworked_may_reach_it_that_is_what_is_said(wide, log, narrow):
    goal = {"gloss_20": {"at_least": 82}}
    worked, answer = fl.shortest(fl.fit(narrow, log), goal=goal), fl.shortest(wide, goal=goal)
    assert (worked.found, worked.verdict, worked.limited_by) == (False, "not reachable", "level")
    assert (answer.found, answer.verdict, answer.limited_by) == (False, "cannot tell yet", "level")
    assert answer.would_settle.startswith(
        "Cannot tell yet: the study has settings that no trial worked (cut pad 'foam' and polish passes 5 to 6). To have them "
        f"judged, {JUDGE}. Of the settings worked: Not reachable with what was worked"
    )


def test_a_round_may_try_what_was_not_worked_and_confirms_only_what_was(wide):
    goal = {"gloss_20": {"at_least": 80}}
    rounds = [fl.follow_up(wide, trials=6, goal=goal, assurance=a, seed=1) for a in (0.5, 0.9, 0.97)]
    sheet = pd.concat(rounds, ignore_index=True)
    beyond = (sheet["polish_passes"] > 4) | (sheet["cut_pad"] == "foam")
    assert beyond.any()
    in_hand = sheet["why"].str.startswith(("confirms", "settles the process"))
    assert in_hand.any()
    assert not (beyond & in_hand).any()


def test_the_plan_that_a_caution_names_works_what_was_not_worked(bench, log, wide):
    sheet = fl.plan_trials(bench.study, trials=4, panels=1, seed=1, existing=log)
    assert (sheet["cut_pad"] == "foam").any()
    assert (sheet["polish_passes"] == 6).any()
    more = bench.work(sheet, seed=5)
    again = fl.fit(bench.study, pd.concat([log, more.assign(trial=more["trial"] + 100)], ignore_index=True))
    assert again.worked.beyond == ()
    assert not any("worked in no trial" in c for c in again.cautions)


def test_at_the_end_of_what_was_worked_a_caution_says_what_to_type(wide, log, narrow):
    row = wide.study.basis.row({**wide.study.today, "polish_passes": 4})[0]
    (said,) = wide.worked.edges(row)
    assert said == (
        "The recipe has polish passes at the most that was worked (4); a better process may lie beyond. The study has it already. "
        f"To have it judged, {JUDGE}."
    )
    # Where the study ends there too, the line to change is named, and the change is taken as written.
    line = narrow.source.splitlines().index("passes = { lowest = 0, highest = 4 }") + 1
    (said,) = fl.fit(narrow, log).worked.edges(row)
    assert said.endswith(
        f"To look there, change line {line} of study.toml to: passes = {{ lowest = 0, highest = 6 }}. Then {JUDGE}."
    )


def test_a_procedure_says_what_was_worked(wide):
    recipe = fl.shortest(wide, goal={"gloss_20": {"at_least": 76}})
    facts = procedure_facts(
        recipe,
        number="SP-1",
        revision=1,
        date=datetime.date(2026, 1, 2),
        reason="",
        author="",
        reviewer="",
        shop={},
    )
    said = {row[0]: row[1] for row in facts["scope"]["studied"]}
    assert said["polish passes"] == "0 to 4 passes"
    assert said["cut pad"] == "wool, microfibre"


def test_a_first_plan_leaves_out_each_step_that_may_be_and_works_every_level(bench):
    for seed in (1, 2):
        sheet = fl.plan_trials(bench.study, trials=16, panels=4, seed=seed)
        assert (sheet["polish_passes"] == 0).any()
        for name in ("sand_grit", "cut_pad", "cut_product"):
            assert set(sheet[name].dropna()) == set(bench.study.settings[name].levels)


def test_a_model_whose_trials_fit_the_study_answers_as_before(narrow, log, wide):
    # Widening the study changes the coding of the fit a little, so minutes agree to a tenth, not to the last digit.
    goal = {"gloss_20": {"at_least": 76}}
    before, after = fl.shortest(fl.fit(narrow, log), goal=goal), fl.shortest(wide, goal=goal)
    assert after.job_minutes == pytest.approx(before.job_minutes, rel=0.02)
    assert np.isfinite(before.job_minutes)
