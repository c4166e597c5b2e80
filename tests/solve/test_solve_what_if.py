"""What if: the page's answers are the search's own, and quick enough to follow a slider."""

import pytest

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.solve.what_if import WhatIf


@pytest.fixture(scope="module")
def ask(model):
    return WhatIf(model)


@pytest.mark.parametrize("target", [70.0, 78.0, 79.5])
@pytest.mark.parametrize("assurance", [0.6, 0.9])
def test_an_answer_is_what_shortest_finds(ask, model, target, assurance):
    goal = {"gloss_20": {"at_least": target}}
    recipe, answer = fl.shortest(model, goal=goal, assurance=assurance), ask.answer(goal, assurance=assurance)
    assert answer.found == recipe.found
    if recipe.found:
        assert answer.settings == recipe.settings
        assert answer.minutes == pytest.approx(recipe.minutes)
        assert answer.assurance == pytest.approx(recipe.assurance)


def test_more_sections_are_the_same_as_a_study_whose_job_has_them(ask, bench, trials):
    study = fl.Study.from_toml(bench.study.source + "\n[job]\nsections = 6\n")
    goal = {"gloss_20": {"at_least": 76}}
    recipe = fl.shortest(fl.fit(study, trials), goal=goal)
    answer = ask.answer(goal, sections=6)
    assert answer.settings == recipe.settings
    assert answer.assurance == pytest.approx(recipe.assurance)


def test_the_likeliest_is_shown_where_nothing_is_sure_enough(ask):
    answer = ask.answer({"gloss_20": {"at_least": 88}})
    assert not answer.found
    assert answer.assurance < 0.9
    assert answer.minutes > 0


def test_a_response_that_is_not_in_the_goal_is_refused(ask):
    with pytest.raises(ModelError, match=r"^gloss_60 is not in the study's goal, gloss_20\."):
        ask.answer({"gloss_60": {"at_least": 80}})


def test_the_page_follows_its_sliders_and_takes_no_code_from_names(bench, trials):
    hostile = "<script>alert(1)</script>"
    study = fl.Study.from_toml(bench.study.source.replace('"wool"', f'"{hostile}"'))
    page = fl.what_if(fl.fit(study, trials.replace({"wool": hostile})))
    goal, assurance, sections, answer = page.children
    before = answer.value
    goal.value = goal.value - 6
    assert answer.value != before
    assert "The next job reaches 20° gloss at least" in answer.value
    assurance.value = 99
    sections.value = 6
    assert "in a job of 6 sections" in answer.value
    goal.value = goal.max
    assert "No studied process is sure enough" in answer.value
    assert "<script>" not in answer.value


def test_a_band_is_moved_as_a_whole(bench, trials):
    study = fl.Study.from_toml(
        bench.study.source.replace("gloss_20 = { at_least = 80.0 }", "gloss_20 = { within = [74, 79] }")
    )
    page = fl.what_if(fl.fit(study, trials))
    slider, answer = page.children[0], page.children[-1]
    assert slider.description == "20° gloss, band moved by"
    slider.value = 1.0
    assert "20° gloss within 75 and 80 GU" in answer.value
