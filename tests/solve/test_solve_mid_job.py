"""In the middle of a job: what a reading of this very patch says of how to go on."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

import finishlab as fl
from finishlab.errors import ModelError, OutsideStudy
from finishlab.figures.frame import blank
from finishlab.model.evidence import gloss_read_after
from finishlab.model.patch_readings import GlossRead
from finishlab.solve.mid_job_ways import Weighed

WORKED = {"sand_grit": "P1500", "cut_pad": "wool", "cut_product": "compound A", "cut_passes": 4}


# --- what to do ------------------------------------------------------------------------------------------


def test_a_duller_patch_takes_more_and_a_glossier_one_less(model, recipe):
    found = [fl.next_passes(model, WORKED, {"gloss_20": g}) for g in (40, 50, 60, 70)]
    minutes = [f.minutes for f in found if f.action in ("go on", "done")]
    assert minutes == sorted(minutes, reverse=True)
    for f in found:
        if f.action == "go on":
            assert f.assurance >= f.wanted
            assert f.settings["cut_passes"] >= 4
            assert f.settings["sand_grit"] == "P1500"


def test_more_passes_of_the_step_may_be_the_answer(model):
    worked = {**WORKED, "cut_passes": 1}
    found = fl.next_passes(model, worked, {"gloss_20": [21.0, 22.0, 21.5]})
    assert found.more >= 1
    assert f"{found.more:g} more cut pass" in found.text()


def test_no_way_on_that_is_sure_enough_is_said_with_the_likeliest(model):
    found = fl.next_passes(model, {**WORKED, "cut_passes": 8}, {"gloss_20": 5.0})
    assert found.action == "cannot tell"
    assert "Ask the owner before going on." in found.text()


def test_a_reading_at_sixty_degrees_says_the_same_by_the_optics(model):
    after_sand = {"sand_grit": "P1500"}
    dull, fine = (fl.next_passes(model, after_sand, {"gloss_60": g}) for g in (10.0, 45.0))
    assert dull.minutes >= fine.minutes


def test_a_recipe_keeps_its_pads_and_products(model, recipe):
    worked = {k: v for k, v in recipe.settings.items() if k.startswith("sand")}
    found = fl.next_passes(model, worked, {"gloss_60": 30.0}, recipe=recipe)
    assert found.settings["cut_pad"] == recipe.settings["cut_pad"]
    assert found.settings["cut_product"] == recipe.settings["cut_product"]


def test_film_at_its_limit_stops_the_work_and_names_who_set_it(bench, trials):
    limit = '\n[limit]\nremoved_um = { at_most = 12, set_by = "the lead, 2 March", assurance = 0.9 }\n'
    model = fl.fit(fl.Study.from_toml(bench.study.source + limit), trials)
    with pytest.raises(ModelError, match="neither film_left_um nor removed_um is given"):
        fl.next_passes(model, WORKED, {"gloss_20": 55})
    found = fl.next_passes(model, WORKED, {"gloss_20": 55, "removed_um": 12.5})
    assert found.action == "stop"
    assert found.text().startswith("Stop: the film is at its limit")
    assert "set by the lead, 2 March" in found.text()
    assert fl.next_passes(model, WORKED, {"gloss_20": 55, "removed_um": 5.0}).action != "stop"


@pytest.mark.parametrize(
    ("worked", "readings", "said"),
    [
        ({}, {"gloss_20": 50}, "nothing was worked yet"),
        ({"cut_speed": 900}, {"gloss_20": 50}, "'cut_speed' is not a setting of this study"),
        ({"cut_pad": "wool"}, {"gloss_20": 50}, "sand_grit, cut_product and cut_passes are missing"),
        (WORKED, {"shine": 50}, "'shine' is no reading here"),
        (WORKED, {"gloss_20": 300}, "readings run from 0 to 200 GU"),
        (WORKED, {"gloss_20": [50, float("nan")]}, "readings run from"),
    ],
)
def test_what_makes_no_sense_is_answered(model, worked, readings, said):
    with pytest.raises(ModelError, match=said):
        fl.next_passes(model, worked, readings)


def test_settings_never_studied_and_models_without_steps_are_refused(model, bench, trials):
    with pytest.raises(OutsideStudy):
        fl.next_passes(model, {**WORKED, "cut_passes": 40}, {"gloss_20": 50})
    flat = fl.fit(bench.study, trials, kind="surface")
    with pytest.raises(ModelError, match="does not follow the gloss from step to step"):
        fl.next_passes(flat, WORKED, {"gloss_20": 50})


def test_the_figure_and_plain_python_say_the_same(model):
    found = fl.next_passes(model, WORKED, {"gloss_20": 55})
    ax = found.plot(ax=blank(7, 4))
    assert ax.get_xlabel().startswith("further minutes of this section")
    assert [t.get_text() for t in ax.get_yticklabels()] == found.table()["way"].tolist()
    assert found.to_dict()["minutes"] == found.minutes
    assert found.table()["way"].iloc[0].lower() in found.text().lower()


# --- the bench card ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def card(model, recipe):
    return fl.checkpoints(model, recipe)


def test_the_card_covers_every_reading_once_from_the_highest_down(card):
    for step in {row.step for row in card.rows}:
        mine = [row for row in card.rows if row.step == step]
        assert (mine[0].to_gu, mine[-1].from_gu) == (np.inf, -np.inf)
        for above, below in pairwise(mine):
            assert above.from_gu == below.to_gu
            assert above.minutes <= below.minutes + 1e-9  # duller never asks for less
        assert sum(row.as_expected for row in mine) == 1


def test_the_card_says_what_next_passes_says_where_it_only_goes_on(model, recipe, card):
    row = next(r for r in card.rows if r.step == "cut" and r.as_expected)
    worked = {k: v for k, v in recipe.settings.items() if not k.startswith("polish")}
    middle = (max(row.from_gu, 0) + min(row.to_gu, 90)) / 2
    found = fl.next_passes(model, worked, {"gloss_20": [middle] * 3}, recipe=recipe)
    assert found.minutes <= row.minutes + 1e-6


def test_the_card_comes_back_from_its_kept_form(card):
    again = fl.Checkpoints.from_dict(card.to_dict())
    assert again.rows == card.rows
    assert again.text() == card.text()
    assert "After cut (20° gloss): " in card.text()


def test_the_card_gives_a_limit_as_an_order(card):
    said = "Stop when 8 µm of film has been removed (limit set by the lead)."
    assert replace(card, limits=(said,)).text().splitlines()[-1] == said


def test_a_step_that_no_trial_read_has_no_place_on_the_card(model):
    """The study file asks for a reading after sanding too, which these trials did not take."""
    trials = model.trials.drop(columns=[c for c in model.trials.columns if c.startswith("sand_gloss")])
    other = fl.fit(model.study, trials)
    assert "sand" in model.study.reading.after
    assert {row.step for row in fl.checkpoints(other, fl.shortest(other)).rows} == {"cut"}


def test_a_step_is_judged_by_a_gloss_that_the_trials_read_there(bench, model):
    trials = model.trials.drop(columns=[c for c in model.trials.columns if c.startswith("sand_gloss")])
    assert gloss_read_after(bench.study, model.trials, "cut") == "gloss_20"
    assert gloss_read_after(bench.study, trials, "sand") == ""
    only_60 = trials.rename(columns={"cut_gloss_20": "cut_gloss_60"})
    assert gloss_read_after(bench.study, only_60, "cut") == "gloss_60"
    both = model.trials.assign(sand_gloss_20=4.0, sand_gloss_60=18.0)
    assert gloss_read_after(bench.study, both, "sand") == "gloss_60"
    assert model.evidence().read_after == {
        step.name: gloss_read_after(bench.study, model.done, step.name) for step in bench.study.steps[:-1]
    }


def test_a_recipe_that_was_not_found_has_no_card(model):
    none = fl.shortest(model, goal={"gloss_20": {"at_least": 99}})
    with pytest.raises(ModelError, match="names no process"):
        fl.checkpoints(model, none)


def test_ways_on_are_made_once_and_weighed_for_any_reading(model, recipe):
    weigh = Weighed(model, WORKED, None, model.study.goal)
    assert (weigh.minutes >= 0).all()
    assert weigh.values.shape[0] == 5 * 7  # cut passes 4 to 8, polish 0 to 6, counted by hand
    assert stats.rankdata(weigh.minutes).max() > 1


# --- what else must matter, and what must not ---------------------------------------------------------------


def test_a_glossier_reading_never_asks_for_more_minutes(model):
    weigh = Weighed(model, WORKED, None, model.study.goal)
    minutes = []
    for g in np.arange(30.0, 90.0, 1.0):
        found = fl.next_passes(model, WORKED, {"gloss_20": [g] * 3})
        if found.action != "cannot tell":
            minutes.append(found.minutes)
    assert len(minutes) > 20
    assert all(b <= a + 1e-9 for a, b in pairwise(minutes))
    assert minutes[-1] < minutes[0] <= weigh.minutes.max()


def test_more_of_the_step_just_wiped_is_charged_its_set_up_and_wipe(bench, model):
    weigh = Weighed(model, WORKED, None, model.study.goal)
    cut = lambda n: {**WORKED, "cut_passes": n, "polish_passes": 0}  # noqa: E731
    by_step = model.minutes.by_step(np.vstack([model.study.basis.row(cut(n)) for n in (4, 5)]))["cut"]
    k = next(i for i in range(len(weigh.values)) if weigh.way(i) == "1 more cut pass, wipe")
    set_up = weigh.minutes[k] - (by_step[1] - by_step[0])
    # The bench's own set-up and wipe; 24 trials with times 5 % apart give it to a third of a minute.
    assert set_up == pytest.approx(bench._shop.setup_minutes[1] + bench._shop.wipe_minutes, abs=0.35)


def test_after_the_last_step_it_is_done_or_goes_on_with_that_step(model, recipe):
    goal = next(iter(model.study.goal.values())).at_least
    worked = {**recipe.settings, "polish_passes": 3}
    assert fl.next_passes(model, worked, {"gloss_20": [goal + 1.0] * 3}).action == "done"
    short = fl.next_passes(model, worked, {"gloss_20": [goal - 1.0] * 3})
    assert short.more >= 1
    assert short.minutes > 0


def test_a_cut_that_shines_enough_is_not_polished(model):
    found = fl.next_passes(model, WORKED, {"gloss_20": [80.0] * 3}, goal={"gloss_20": {"at_least": 74}})
    assert found.action == "done"
    assert found.settings["polish_passes"] == 0


JOBS = {
    "one section": "",
    "two": "\n[job]\nsections = 2\n",
    "four": "\n[job]\nsections = 4\n",
    "mean of four": '\n[job]\nsections = 4\naccept = "mean of sections"\n',
}


@pytest.fixture(scope="module", params=list(JOBS))
def job(request, bench, trials):
    """The same trials asked for a job of so many sections: the model, and its recipe."""
    model = fl.fit(fl.Study.from_toml(bench.study.source + JOBS[request.param]), trials)
    recipe = fl.shortest(model)
    assert recipe.found
    return model, recipe


def test_the_expected_reading_leads_on_as_the_recipe_says(job):
    model, recipe = job
    card = fl.checkpoints(model, recipe)
    assert card.wanted == recipe.wanted
    for step in ("sand", "cut"):
        steps = ("sand",) if step == "sand" else ("sand", "cut")
        worked = {k: v for k, v in recipe.settings.items() if k.split("_")[0] in steps}
        weigh = Weighed(model, worked, recipe, recipe.goal)
        (row,) = [r for r in card.rows if r.step == step and r.as_expected]
        assert row.action == weigh.way(weigh.own)
        assert row.assurance >= recipe.wanted
        # Asked about the very reading, the same; by a recipe's own definition of its assurance.
        expected = weigh.patch.reads(int(row.reading[-2:]), 3, 1.0)[0]
        found = fl.next_passes(model, worked, {row.reading: [expected] * 3}, recipe=recipe)
        assert found.settings == recipe.settings
        assert found.wanted == recipe.wanted
        assert found.assurance >= recipe.wanted


def test_a_reading_that_tells_next_to_nothing_leaves_the_promise_as_it_was(job):
    # Read once with a meter as good as blind, the job keeps the chance that the recipe states.
    model, recipe = job
    worked = {k: v for k, v in recipe.settings.items() if not k.startswith("polish")}
    weigh = Weighed(model, worked, recipe, recipe.goal)
    weigh.patch._meter = weigh.patch._meter * 1000
    chance, _ = weigh.at([GlossRead(20, 60.0, 1)])
    assert chance[weigh.own] == pytest.approx(recipe.assurance, abs=0.003)


def test_the_advice_is_for_the_job_and_says_what_this_section_has_alone(bench, trials):
    four = fl.fit(fl.Study.from_toml(bench.study.source + JOBS["four"]), trials)
    found = fl.next_passes(four, WORKED, {"gloss_20": 55}, assurance=0.9)
    assert found.wanted == 0.9
    assert found.this_section > found.assurance >= 0.9
    assert "with all 4 sections worked so, the job meets the goal with 9" in found.text()
    assert "(this section alone: 9" in found.text()
    # Every goal is the job's, those that the reading says nothing of as well.
    goal = {"gloss_20": {"at_least": 60}, "faults": {"at_most": 2}}
    one = fl.fit(bench.study, trials)
    at = [
        Weighed(m, WORKED, None, m.study.asked(goal)[0]).at([GlossRead(20, 70.0, 3)])[0].max()
        for m in (four, one)
    ]
    assert at[0] < at[1] - 0.01


def test_a_reading_far_off_is_told(model):
    usual = fl.next_passes(model, WORKED, {"gloss_20": 55})
    odd = fl.next_passes(model, WORKED, {"gloss_20": 12.0})
    assert len(odd.cautions) == len(usual.cautions) + 1
    assert "Read it again, and look whether the steps were worked as said." in odd.cautions[0]


LEFT = """
[limit]
film_left_um = { at_least = 90, set_by = "the lead, 2 March", assurance = 0.9 }
[job]
film_before_um = 125
"""


def test_the_film_that_is_left_says_the_same_as_what_is_gone(bench, trials):
    model = fl.fit(fl.Study.from_toml(bench.study.source + LEFT), trials)
    ways = [
        fl.next_passes(model, WORKED, {"gloss_20": 55, **film})
        for film in ({"film_left_um": 113}, {"removed_um": 12}, {"film_left_um": [113, 115]})
    ]
    assert len({(w.action, w.minutes) for w in ways}) == 1
    stopped = fl.next_passes(model, WORKED, {"gloss_20": 55, "film_left_um": 90})
    assert stopped.action == "stop"


def test_less_film_to_spare_never_asks_for_more_work(bench, trials):
    limit = '\n[limit]\nremoved_um = { at_most = 20, set_by = "the lead, 2 March", assurance = 0.9 }\n'
    model = fl.fit(fl.Study.from_toml(bench.study.source + limit), trials)
    weigh = Weighed(model, WORKED, None, model.study.goal)
    kept = [weigh._keeps({"removed_um": um}) for um in (20.0, 6.0, 3.0, 1.0, 0.1)]
    for more, less in pairwise(kept):
        assert not (less & ~more).any()
    assert kept[-1].sum() < kept[0].sum()
    # Nothing more takes no more film.
    assert kept[-1][weigh.minutes == 0].all() == kept[0][weigh.minutes == 0].all()


def test_every_mistake_of_the_readings_comes_at_once(bench, trials):
    model = fl.fit(fl.Study.from_toml(bench.study.source + LEFT), trials)
    with pytest.raises(ModelError) as caught:
        fl.next_passes(model, WORKED, {"shine": 3, "gloss_20": "dull"})
    assert len(caught.value.mistakes) == 3


def test_reading_again_is_advised_only_where_it_costs_less_than_the_passes_that_make_sure(model):
    weigh = Weighed(model, WORKED, None, model.study.goal)
    read = [GlossRead(20, 55.0, 3)]
    chance, _ = weigh.at(read)
    quick = weigh.answer(read, 0.99)
    assert not quick.read_again  # passes of under a minute against a wait of a quarter of an hour
    assert quick.assurance >= 0.99
    weigh.minutes = weigh.minutes * 100  # as if a pass took over an hour
    slow = weigh.answer(read, 0.99)
    assert slow.read_again
    assert slow.settings["polish_passes"] < quick.settings["polish_passes"]
    assert {k: v for k, v in slow.settings.items() if k != "polish_passes"} == {
        k: v for k, v in quick.settings.items() if k != "polish_passes"
    }
    assert "then read again" in slow.text()
    # By hand: the passes, a reading of 2 and a wait of 15, and where it falls short what was saved, with a set-up.
    at = {weigh.way(k): k for k in range(len(weigh.values))}
    k, sure = (at[f.options["way"].iloc[0]] for f in (slow, quick))
    set_up = weigh._set_up(model.study.step("polish"), weigh.values[sure])
    short = weigh.minutes[sure] - weigh.minutes[k] + set_up
    assert slow.minutes == pytest.approx(weigh.minutes[k] + 2 + 15 + (1 - chance[k]) * short)
    assert slow.minutes < weigh.minutes[sure]


def test_a_patch_gone_on_with_is_the_same_patch(bench):
    # Read in the middle, it reads the same whatever follows; more of the last step never dulls it in this shop.
    import pandas as pd

    sheet = pd.DataFrame([{**WORKED, "polish_passes": 2}] * 20).assign(
        panel=[f"J{k}" for k in range(20)], patch=1
    )
    short, long = (bench.work(sheet.assign(polish_passes=n), seed=5) for n in (2, 5))
    pd.testing.assert_series_equal(short["cut_gloss_20"], long["cut_gloss_20"])
    assert (long["gloss_20"] > short["gloss_20"]).all()


def test_the_card_as_a_figure_has_a_line_for_each_step_read(card):
    ax = card.plot(ax=blank(7, 4))
    assert {line.get_label() for line in ax.get_lines()} == {f"after {row.step}" for row in card.rows}
