"""Job time: sections share their panel, change-overs and waits come once, rework as often as sections fall short."""

import numpy as np
import pytest

import finishlab as fl
from finishlab.errors import ModelError


@pytest.fixture(scope="module")
def timed(bench, trials):
    study = fl.Study.from_toml(bench.study.source.replace("wait_minutes = 15", "wait_minutes = 5"))
    model = fl.fit(study, trials)
    return model, fl.shortest(model, goal={"gloss_20": {"at_least": 76}})


def test_the_parts_add_up_on_paper(timed):
    model, recipe = timed
    # A job that is polished takes two change-overs and three waits, one that is not one and two; this recipe is the shorter job.
    assert recipe.settings["polish_passes"] == 0
    found = fl.job_time(model, recipe, sections=5)
    assert found.changeover == 3  # for cutting
    assert found.waiting == 10  # five minutes after sanding and after cutting
    polished = fl.shortest(model, goal={"gloss_20": {"at_least": 81}}, assurance=0.8)
    assert polished.settings["polish_passes"] > 0
    other = fl.job_time(model, polished)
    assert (other.changeover, other.waiting) == (6, 15)
    assert polished.job_minutes == pytest.approx(polished.minutes + 6 + 15)
    assert found.working == pytest.approx(5 * recipe.minutes, rel=0.02)
    assert found.median == pytest.approx(
        found.working + found.changeover + found.waiting + found.rework, rel=0.1
    )
    assert found.median < found.high


def test_rework_comes_as_often_as_the_promise_is_broken(timed):
    model, recipe = timed
    one = fl.job_time(model, recipe, sections=1)
    assert one.reworked == pytest.approx(1 - recipe.assurance, abs=0.03)
    many = fl.job_time(model, recipe, sections=6)
    assert many.reworked > one.reworked
    assert many.reworked < 6 * one.reworked  # sections share their panel


def test_an_area_is_cut_into_whole_sections(timed):
    model, recipe = timed
    assert fl.job_time(model, recipe, area_m2=0.9, section_m2=0.3).sections == 3
    assert fl.job_time(model, recipe, area_m2=1.0, section_m2=0.3).sections == 4
    assert "A job of 4 sections takes " in fl.job_time(model, recipe, area_m2=1.0, section_m2=0.3).text()


def test_what_makes_no_sense_is_refused(timed):
    model, recipe = timed
    for asked in ({"area_m2": 1.0}, {"area_m2": -1.0, "section_m2": 0.3}):
        with pytest.raises(ModelError, match="area_m2 and section_m2 go together"):
            fl.job_time(model, recipe, **asked)
    with pytest.raises(ModelError, match=r"^sections is 0; a job has one at least\."):
        fl.job_time(model, recipe, sections=0)
    none = fl.shortest(model, goal={"gloss_20": {"at_least": 99}})
    with pytest.raises(ModelError, match="names no process"):
        fl.job_time(model, none)


def test_sections_of_one_panel_are_more_alike_than_sections_of_two(timed):
    model, recipe = timed
    drawn = model.minutes.drawn_sections(
        model.study.basis.row(recipe.settings), 2, 20_000, np.random.default_rng(1)
    )
    low, high = (float(x[0]) for x in model.minutes.interval(model.study.basis.row(recipe.settings))[1:])
    inside = ((drawn >= low) & (drawn <= high)).mean()
    assert inside == pytest.approx(0.9, abs=0.03)
    assert np.corrcoef(drawn.T)[0, 1] > 0
