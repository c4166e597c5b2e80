"""In the middle of a job: what a reading of this very patch says of how to go on."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

import finishlab as fl
from finishlab._figures import blank
from finishlab.errors import ModelError, OutsideStudy
from finishlab.model.conditioned import chance_here, on_this_patch
from finishlab.model.latent import Rows, predict
from finishlab.solve.mid_job import Weighed

WORKED = {"sand_grit": "P1500", "cut_pad": "wool", "cut_product": "compound A", "cut_passes": 4}


@pytest.fixture(scope="module")
def recipe(model):
    return fl.shortest(model)


# --- what the reading says, by the normal model ---------------------------------------------------------


def test_conditioning_is_that_of_the_normal_model_drawn_out(model):
    # Under one draw: simulate the state after cutting and the finish together, with what they share, and keep the
    # simulated patches that read about as this one does. Seed 4; 400,000 patches hold the mean to 0.01.
    fit = model.response("gloss_20")
    values = model.study.basis.row({**WORKED, "polish_passes": 3})
    here = on_this_patch(fit, values, values, 1, 50.0, 3, 20)
    d = 7
    now = predict(fit.posterior, Rows(values, np.array([1])))
    final = predict(fit.posterior, Rows(values, np.array([2])))
    from finishlab.model.conditioned import _known_together

    cross = _known_together(fit.posterior, Rows(values, np.array([2])), Rows(values, np.array([1])))[d, 0]
    cov = [[now.sd_known[d, 0] ** 2, cross], [cross, final.sd_known[d, 0] ** 2]]
    rng = np.random.default_rng(4)
    n = 400_000
    known = rng.multivariate_normal([now.mean[d, 0], final.mean[d, 0]], cov, n)
    spread = fit.posterior.spread
    shared = np.hypot(final.sd_panel[d], spread("patch")[d]) * rng.standard_normal(n)
    z_now = known[:, 0] + shared + spread("reading")[d] * rng.standard_normal(n)
    z_end = known[:, 1] + shared
    scale = final.scales[d]
    read = scale.reading(z_now) + spread("meter")[d] / np.sqrt(3) * rng.standard_normal(n)
    like = np.abs(read - 50.0) < 0.4
    assert like.sum() > 200
    error = z_end[like].std() / np.sqrt(like.sum())
    assert here.predicted.mean[d, 0] == pytest.approx(z_end[like].mean(), abs=4 * error + 0.005)
    assert here.predicted.sd_known[d, 0] == pytest.approx(z_end[like].std(), rel=0.15)


def test_what_is_not_known_together_is_a_covariance(model):
    from finishlab.model.conditioned import _known_together

    fit = model.response("gloss_20")
    values = model.study.basis.row({**WORKED, "polish_passes": 3})
    final = Rows(values, np.array([2]))
    own = _known_together(fit.posterior, final, final)[:, 0]
    # A state with itself has its own variance.
    np.testing.assert_allclose(own, predict(fit.posterior, final).sd_known[:, 0] ** 2, rtol=1e-6)


def test_draws_that_foretold_the_reading_count_for_more(model):
    fit = model.response("gloss_20")
    values = model.study.basis.row({**WORKED, "polish_passes": 3})
    here = on_this_patch(fit, values, values, 1, 50.0, 3, 20)
    assert here.weight.sum() == pytest.approx(1.0)
    assert here.weight.max() > 1.2 / len(here.weight)


def test_a_glossier_reading_never_makes_the_end_less_sure(model):
    fit = model.response("gloss_20")
    values = model.study.basis.row({**WORKED, "polish_passes": 4})
    (goal,) = model.study.goal.values()
    chances = [
        chance_here(fit, on_this_patch(fit, values, values, 1, g, 3, 20), goal)[0] for g in range(30, 80, 5)
    ]
    assert chances == sorted(chances)
    assert chances[-1] - chances[0] > 0.2  # the reading matters


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
    with pytest.raises(ModelError, match="film_removed_um is not given"):
        fl.next_passes(model, WORKED, {"gloss_20": 55})
    found = fl.next_passes(model, WORKED, {"gloss_20": 55, "film_removed_um": 12.5})
    assert found.action == "stop"
    assert found.text().startswith("Stop: 12.5 µm are gone, and that is the limit")
    assert "set by the lead, 2 March" in found.text()
    assert fl.next_passes(model, WORKED, {"gloss_20": 55, "film_removed_um": 5.0}).action != "stop"


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
    assert ax.get_xlabel() == "further minutes of this section"
    assert found.to_dict()["minutes"] == found.minutes
    assert found.table()["way"].iloc[0].lower() in found.text().lower()


# --- the bench card ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def card(model, recipe):
    return fl.checkpoints(model, recipe)


def test_the_card_covers_every_reading_once_from_the_highest_down(card):
    for step in {row["step"] for row in card.rows}:
        mine = [row for row in card.rows if row["step"] == step]
        assert (mine[0]["to_gu"], mine[-1]["from_gu"]) == (np.inf, -np.inf)
        for above, below in pairwise(mine):
            assert above["from_gu"] == below["to_gu"]
            assert above["minutes"] <= below["minutes"] + 1e-9  # duller never asks for less
        assert sum(row["as_expected"] for row in mine) == 1


def test_the_card_says_what_next_passes_says_where_it_only_goes_on(model, recipe, card):
    row = next(r for r in card.rows if r["step"] == "cut" and r["as_expected"])
    worked = {k: v for k, v in recipe.settings.items() if not k.startswith("polish")}
    middle = (max(row["from_gu"], 0) + min(row["to_gu"], 90)) / 2
    found = fl.next_passes(model, worked, {"gloss_20": [middle] * 3}, recipe=recipe)
    assert found.minutes <= row["minutes"] + 1e-6


def test_the_card_comes_back_from_its_kept_form(card):
    again = fl.Checkpoints.from_dict(card.to_dict())
    assert again.rows == card.rows
    assert again.text() == card.text()
    assert "After cut (20° gloss): " in card.text()


def test_a_recipe_that_was_not_found_has_no_card(model):
    none = fl.shortest(model, goal={"gloss_20": {"at_least": 99}})
    with pytest.raises(ModelError, match="names no process"):
        fl.checkpoints(model, none)


def test_ways_on_are_made_once_and_weighed_for_any_reading(model, recipe):
    weigh = Weighed(model, WORKED, None, model.study.goal)
    assert (weigh.minutes >= 0).all()
    assert weigh.values.shape[0] == 5 * 7  # cut passes 4 to 8, polish 0 to 6, counted by hand
    assert stats.rankdata(weigh.minutes).max() > 1
