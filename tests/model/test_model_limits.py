"""Limits for the paint's sake: film removed, and what a burn-through rules out."""

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import finishlab as fl
from finishlab.model.additive import fit_additive
from finishlab.model.limits import most_removed, removal_probability, ruled_out
from finishlab.study import Study

STUDY = """
title = "Doors"
pass_means = "one direction"
[[step]]
name = "sand"
grit = ["P1500", "P2000", "P2500"]
[[step]]
name = "cut"
pad = ["wool", "microfibre", "foam"]
product = ["compound A", "compound B"]
passes = { lowest = 0, highest = 3 }
[[step]]
name = "polish"
speed = { lowest = 900, highest = 1500, by = 300 }
water = [10, 20, 40]
passes = { lowest = 0, highest = 2 }
[goal]
faults = { at_most = 0 }
assurance = 0.9
[harsher]
cut_pad = ["foam", "microfibre", "wool"]
polish_water = [40, 20, 10]
"""


@pytest.fixture(scope="module")
def study():
    return Study.from_toml(STUDY)


@pytest.fixture(scope="module")
def every(study):
    return np.vstack(list(study.basis.chunks()))


def burn(step, **settings):
    process = {
        "sand_grit": "P2000",
        "cut_pad": "microfibre",
        "cut_product": "compound A",
        "cut_passes": 2,
        "polish_speed": 1200,
        "polish_water": 20,
        "polish_passes": 1,
    }
    return pd.DataFrame([{**process, **settings, "burned_after_step": step}])


def harsh(study, every, trials):
    """Return the processes ruled out, as tuples in words."""
    table = study.basis.frame(every[ruled_out(study, trials, every)])
    return set(table.itertuples(index=False, name=None))


def test_a_burn_rules_out_itself_and_all_that_is_harsher_in_every_setting(study, every):
    # Written out by hand: coarser or equal grit, as harsh a pad, the same product, as many passes,
    # as fast, with as little water.
    expected = set(
        itertools.product(
            ["P1500", "P2000"],
            ["microfibre", "wool"],
            ["compound A"],
            [2, 3],
            [1200.0, 1500.0],
            [10.0, 20.0],
            [1, 2],
        )
    )
    assert harsh(study, every, burn("polish")) == expected


def test_what_came_after_the_burn_did_not_cause_it(study, every):
    gone = harsh(study, every, burn("cut", polish_speed=1500, polish_passes=2))
    polish = {process[4:] for process in gone}
    # Every way of polishing, none too, is ruled out behind such a cut.
    assert (None, None, 0) in polish
    assert len(polish) == 1 + 3 * 3 * 2
    assert {process[:2] for process in gone} == set(
        itertools.product(["P1500", "P2000"], ["microfibre", "wool"])
    )


def test_a_process_that_leaves_the_step_out_is_milder(study, every):
    assert all(process[3] >= 2 for process in harsh(study, every, burn("cut")))
    # A burn while sanding condemns the grit, however little is cut after it.
    sanded = harsh(study, every, burn("sand"))
    assert {process[0] for process in sanded} == {"P1500", "P2000"}
    assert any(process[3] == 0 for process in sanded)


def test_several_burns_rule_out_what_any_of_them_does(study, every):
    one, other = burn("polish"), burn("cut", cut_pad="foam", cut_passes=3)
    both = harsh(study, every, pd.concat([one, other], ignore_index=True))
    assert both == harsh(study, every, one) | harsh(study, every, other)


@pytest.mark.parametrize("none", ["", None, np.nan])
def test_trials_without_a_burn_rule_out_nothing(study, every, none):
    assert not ruled_out(study, burn(none), every).any()
    assert not ruled_out(study, burn("polish").drop(columns="burned_after_step"), every).any()


# --- film removed --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def removal(study, every):
    """Film removed in 40 trials on 5 panels: 1 to 2 by grit, 0.4 a cut pass; panel SD 0.15, trial SD 0.2."""
    rng = np.random.default_rng(12)
    values = every[rng.choice(len(every), 40, replace=False)]
    panel = np.arange(40) % 5
    film = true_removal(study, values) + rng.normal(0, 0.15, 5)[panel] + rng.normal(0, 0.2, 40)
    return fit_additive(study.basis, values, film, {}, panel, relative=False, what="film removed")


def true_removal(study, values):
    table = study.basis.frame(values)
    return table["sand_grit"].map({"P1500": 2.0, "P2000": 1.5, "P2500": 1.0}) + 0.4 * table["cut_passes"]


def test_the_mean_removal_is_found(study, every, removal):
    # 40 trials of SD 0.25 and 14 terms: standard errors near 0.15, four of them allowed.
    np.testing.assert_allclose(removal.mean(every), true_removal(study, every), atol=0.6)


def test_what_is_surely_removed_is_what_the_limit_is_judged_by(every, removal):
    some = every[::37]
    for sections, assurance in ((1, 0.9), (1, 0.99), (6, 0.99)):
        mean, worst = most_removed(removal, some, assurance, sections)
        assert (worst > mean).all()
        for value, limit in zip(some, worst, strict=True):
            p = removal_probability(removal, value[None, :], float(limit), sections)[0]
            assert p == pytest.approx(assurance, abs=1e-9)


def test_more_sections_or_a_stricter_limit_are_never_likelier_kept(every, removal):
    some = every[::37]
    by_sections = np.array([removal_probability(removal, some, 3.0, k) for k in (1, 2, 6, 20)])
    assert (np.diff(by_sections, axis=0) <= 0).all()
    by_limit = np.array([removal_probability(removal, some, m, 4) for m in (0.5, 1, 2, 3, 5)])
    assert (np.diff(by_limit, axis=0) >= 0).all()
    assert by_sections.min() >= 0
    assert by_limit.max() <= 1


def test_the_worst_of_six_sections_stays_under_its_limit_as_often_as_stated(study, every):
    # Simulated studies with the truth of `removal`: stated 0.99 for the worst of six sections.
    rng = np.random.default_rng(7)
    kept = []
    for _ in range(60):
        values, panel = every[rng.choice(len(every), 24, replace=False)], np.arange(24) % 4
        film = true_removal(study, values) + rng.normal(0, 0.2, 4)[panel] + rng.normal(0, 0.2, 24)
        model = fit_additive(study.basis, values, film, {}, panel, relative=False, what="film removed")
        at = every[rng.integers(len(every), size=1)]
        _, worst = most_removed(model, at, 0.99, 6)
        spare = (worst[0] - true_removal(study, at)[0]) / 0.2
        u = np.linspace(-6, 6, 241)
        kept.append(np.average(stats.norm.cdf(spare - u) ** 6, weights=stats.norm.pdf(u)))
    # The bound over sections is a safe one, so it is kept more often, never less.
    assert np.mean(kept) >= 0.99


def test_what_the_owner_lifts_is_let_back_in_and_said_in_a_caution(bench, trials):
    burned = trials.copy()
    burned["burned_after_step"] = ""
    burned.loc[burned.index[3], "burned_after_step"] = "cut"
    gone = [c for c in burned if "gloss" in c and not c.startswith("sand")] + ["film_after_um", "removed_um"]
    burned.loc[burned.index[3], [c for c in gone if c in burned]] = np.nan
    pad = burned["cut_pad"].iloc[3]
    text = (
        bench.study.source
        + f'\n[[lifted]]\ncut_pad = "{pad}"\nset_by = "owner, 2 March"\nreason = "a worn pad"\n'
    )
    every = np.concatenate(list(bench.study.basis.chunks()))
    out = ruled_out(bench.study, burned, every)
    back = ruled_out(Study.from_toml(text), burned, every)
    assert out.any()
    assert not back[bench.study.basis.frame(every)["cut_pad"].to_numpy() == pad].any()
    model = fl.fit(Study.from_toml(text), burned)
    assert any("owner, 2 March lets processes back in" in c and "a worn pad" in c for c in model.cautions)
