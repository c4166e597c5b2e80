"""Two kinds of model against each other: densities known on paper, refits, recommendations."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.figures.frame import blank
from finishlab.model.latent import Predicted
from finishlab.model.model_comparison import _judge, log_density
from finishlab.model.scales import GlossScale


class Straight:
    """A scale that is no scale: the reading is z."""

    rising = True
    metered = True

    def reading(self, z):
        return z

    def slope(self, z):
        return np.ones_like(z)

    def inverse(self, reading):
        return reading


def predicted(scale, mean=0.0, known=0.6, panel=0.0, section=0.8, meter=0.0):
    return Predicted(
        np.array([[mean]]),
        np.array([[known]]),
        np.array([panel]),
        np.array([section]),
        np.array([meter]),
        (scale,),
    )


@pytest.fixture(scope="module")
def found(bench, trials):
    return fl.compare_models(bench.study, trials)


# --- the score ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("y", [-2.0, 0.0, 1.5])
def test_on_a_straight_scale_the_density_is_the_bell_curve(y):
    # Spreads 0.6 and 0.8 make 1; points a twenty-fourth of a spread apart blur the bell by as much,
    # which two spreads out is worth (y^2 - 1) / 2 / 24^2.
    got = log_density(predicted(Straight()), np.array([y]), np.ones(1))[0]
    assert got == pytest.approx(stats.norm.logpdf(y), abs=3e-3)


def test_the_meter_adds_its_noise_shared_among_the_spots():
    got = log_density(predicted(Straight(), meter=2.0), np.array([1.0]), np.array([4.0]))[0]
    assert got == pytest.approx(stats.norm.logpdf(1.0, scale=np.sqrt(2.0)), abs=2e-3)


def test_under_a_ceiling_the_density_has_the_area_one_and_nothing_far_above():
    p = predicted(GlossScale(88.0), mean=-1.6, known=0.1, section=0.1, meter=0.5)
    y = np.linspace(60, 95, 3501)
    d = np.exp([log_density(p, np.array([v]), np.ones(1))[0] for v in y])
    # Sum over a hundredth of a unit; the clipped tails beyond five spreads hold a millionth.
    assert d.sum() * 0.01 == pytest.approx(1.0, abs=2e-3)
    assert d[y > 91].max() < 1e-4


# --- the comparison ------------------------------------------------------------------------------------


def test_both_kinds_are_scored_on_every_trial_twice(found, trials):
    table = found.table()
    assert table[["kind", "left_out"]].to_numpy().tolist() == [
        ["steps", "trials"], ["steps", "panels"], ["surface", "trials"], ["surface", "panels"],
    ]  # fmt: skip
    assert (table["readings"] == len(trials)).all()


def test_a_panel_left_out_was_really_left_out(bench, trials, found):
    # Readings of panel 1 moved must not move what was foretold of panel 1.
    off = trials.copy()
    mine = off["panel"].astype(str) == "1"
    columns = [c for c in off.columns if c in ("gloss_20", "gloss_20_1", "gloss_20_2", "gloss_20_3")]
    off.loc[mine, columns] -= 3.0
    again = fl.compare_models(bench.study, off)

    def foretold(result, panel):
        cases = result.cases().query("left_out == 'panels' and kind == 'steps'")
        return cases[cases["panel"] == panel].sort_values("row")["expected"].to_numpy()

    np.testing.assert_allclose(foretold(again, "1"), foretold(found, "1"), rtol=1e-9)
    assert np.abs(foretold(again, "2") - foretold(found, "2")).max() > 0.01


def test_where_roughness_decays_step_by_step_the_step_model_is_recommended(found):
    assert found.recommended == "steps"
    assert found.text().startswith(
        "Use the step model: it foretold readings better than the surface model on 4 of 4 panels"
    )


def scored(steps, surface):
    import pandas as pd

    rows = [
        {"kind": kind, "left_out": "panels", "panel": str(i), "row": i, "score": s}
        for kind, scores in (("steps", steps), ("surface", surface))
        for i, s in enumerate(scores)
    ]
    return pd.DataFrame(rows)


def test_a_clear_lead_on_every_panel_is_a_recommendation():
    kind, words = _judge(scored([-2.0, -2.1, -1.9, -2.0], [-1.0, -1.2, -0.9, -1.1]))
    assert kind == "surface"
    assert (
        words
        == "Use the surface model: it foretold readings better than the step model on 4 of 4 panels left out."
    )


def test_a_lead_on_one_panel_only_is_none():
    kind, words = _judge(scored([-1.0, -1.0, -1.0, -1.0], [-1.1, -0.9, -1.0, 2.0]))
    assert kind == "steps"
    assert words.startswith(
        "The trials cannot tell which kind foretells better (the surface model did on 2 of 4 panels"
    )


def test_few_panels_are_a_caution(bench, trials):
    two = trials[trials["panel"].isin(trials["panel"].unique()[:2])]
    assert fl.compare_models(bench.study, two).cautions == (
        "Only 2 panels: without one of them 1 panel had to speak for it, so the comparison is rough.",
    )


def test_one_panel_is_refused(bench, trials):
    with pytest.raises(ModelError, match=r"are on one panel, '1': nothing says how panels differ"):
        fl.compare_models(bench.study, trials[trials["panel"].astype(str) == "1"])


def test_a_goal_without_gloss_has_nothing_to_compare(bench, trials):
    source = bench.study.source.replace("gloss_20 = { at_least = 80.0 }", "faults = { at_most = 1 }")
    with pytest.raises(
        ModelError, match=r"^only gloss is followed by both kinds of model, and 'this goal' is none"
    ):
        fl.compare_models(fl.Study.from_toml(source), trials)


def test_the_figure_names_both_kinds(found):
    ax = found.plot(ax=blank())
    assert [t.get_text() for t in ax.get_yticklabels()] == ["step model", "surface model"]
    assert found.to_dict()["recommended"] == "steps"
    assert "<table" in found._repr_html_()
