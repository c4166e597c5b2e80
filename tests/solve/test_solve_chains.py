"""Chains of steps are compared at equal finish, each at its best."""

import json

import numpy as np
import pandas as pd
import pytest

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.figures.frame import blank
from finishlab.solve import Recipe
from finishlab.solve.what_if import WhatIf

CHAIN = """
title = "Is the middle grit worth it (invented)"
pass_means = "one direction"
[[step]]
name = "sand"
grit = "P1500"
passes = 4
[[step]]
name = "refine"
grit = "P3000"
passes = { lowest = 0, highest = 4, by = 4 }
[[step]]
name = "cut"
pad = ["wool", "foam"]
passes = { lowest = 1, highest = 10 }
[goal]
gloss_20 = { at_least = 74 }
assurance = 0.9
[reading]
after = ["cut"]
"""


def worked(study, refine_minutes):
    """24 trials of a shop where the refining step saves cutting passes: known on paper."""
    sheet = fl.plan_trials(study, trials=24, panels=4, seed=5)
    rng = np.random.default_rng(3)
    n = len(sheet)
    refined = sheet["refine_passes"].to_numpy(float) > 0
    panel = 0.02 * rng.standard_normal(4)[pd.factorize(sheet["panel"])[0]]
    z = np.where(refined, -0.6, 0.0) + panel + 0.02 * rng.standard_normal(n)
    k = np.where(sheet["cut_pad"] == "wool", 0.30, 0.22)
    z = -1.5 + (z + 1.5) * np.exp(-k * sheet["cut_passes"].to_numpy(float))
    minutes = 2 + refine_minutes * refined + 1.0 * sheet["cut_passes"].to_numpy(float)
    return sheet.assign(
        gloss_20=88 * np.exp(-np.exp(2 * z)) + 0.2 * rng.standard_normal(n),
        minutes=minutes * (1 + 0.02 * rng.standard_normal(n)),
    )


@pytest.mark.parametrize(("refine_minutes", "best"), [(0.8, "with refine"), (8.0, "without refine")])
def test_the_middle_grit_is_worth_it_when_it_saves_more_cutting_than_it_takes(refine_minutes, best):
    # On paper refining saves about three of the cutting passes, a minute each.
    study = fl.Study.from_toml(CHAIN)
    model = fl.fit(study, worked(study, refine_minutes))
    chains = fl.compare_chains(model, "refine")
    table = chains.table().set_index("chain")
    assert table["found"].all()
    assert table["minutes"].idxmin() == best
    assert chains.text().startswith(f"At equal finish (90 % assurance) the quickest is {best}: ")
    other = table.drop(best).iloc[0]
    assert other["longer_low"] > 0
    assert other["longer_low"] < other["longer"] < other["longer_high"]
    assert (table["assurance"] >= 0.9).all()
    # The best of all chains is the shortest process of all.
    assert table["minutes"].min() == pytest.approx(fl.shortest(model).minutes)


def test_a_change_over_is_weighed_against_what_the_middle_grit_saves():
    # 0.8 minutes of refining save about three of the cutting passes, a minute each: worth it by the work of a section, but not
    # where its pad takes 15 minutes to change and there is one section; with two dozen sections it is again. On paper.
    change = CHAIN.replace('name = "refine"', 'name = "refine"\nchangeover_minutes = 15')
    one, many = (fl.Study.from_toml(f"{change}\n[job]\nsections = {n}\n") for n in (1, 24))
    trials = worked(one, 0.8)
    plain, found, panel = (fl.shortest(fl.fit(s, trials)) for s in (fl.Study.from_toml(CHAIN), one, many))
    assert plain.settings["refine_passes"] > 0
    assert (plain.job_minutes, plain.job_saves) == (plain.minutes, None)
    assert found.settings["refine_passes"] == 0
    assert found.job_minutes == found.minutes < plain.minutes + 15
    assert found.assurance >= 0.9
    assert "a job" not in found.text()  # the job takes what its one section takes
    assert panel.settings["refine_passes"] > 0
    assert panel.job_minutes == pytest.approx(24 * panel.minutes + 15)
    assert f": {np.ceil(10 * panel.job_minutes) / 10:.1f} minutes a job (" in panel.text()
    # Chains, targets and what-if questions go by the same minutes.
    model = fl.fit(one, trials)
    chains = fl.compare_chains(model, "refine")
    table = chains.table().set_index("chain")
    assert table["job_minutes"].idxmin() == "without refine"
    assert table["minutes"].idxmin() == "with refine"
    assert table.loc["with refine", "longer"] == pytest.approx(
        table["job_minutes"].diff().abs().iloc[1], abs=1e-6
    )
    assert "the quickest is without refine" in chains.text()
    front = fl.frontier(model, "gloss_20", targets=[74]).table().iloc[0]
    assert (front["job_minutes"], front["refine_passes"]) == (pytest.approx(found.job_minutes), 0)
    ask = WhatIf(model)
    assert ask.answer().settings == found.settings
    assert ask.answer(sections=24).settings["refine_passes"] > 0
    # A rival that is quicker in the work alone is no quicker choice, and a round saves minutes of the job.
    assert (found.rivals["job_minutes"] <= found.job_minutes + 0.1 * found.minutes).all()
    kept = Recipe.from_dict(json.loads(json.dumps(panel.to_dict())))
    assert kept.job_minutes == panel.job_minutes
    assert kept.text() == panel.text()


def test_levels_of_a_setting_are_chains_too_and_drawn(model):
    chains = fl.compare_chains(model, "cut_pad", goal={"gloss_20": {"at_least": 76}})
    assert len(chains.table()) == 3
    ax = chains.plot(ax=blank(7, 3))
    assert len(ax.get_yticklabels()) == int(chains.table()["found"].sum())
    assert chains.to_dict()["by"] == "cut_pad"


def test_a_chain_that_cannot_keep_the_promise_is_said_so(model):
    chains = fl.compare_chains(model, "cut_pad", goal={"gloss_20": {"at_least": 99}})
    assert not chains.table()["found"].any()
    assert chains.text() == "No chain keeps the promise with 90 % assurance yet. Plan a round with follow_up."


def test_what_is_no_chain_is_refused_with_what_is(model):
    with pytest.raises(
        ModelError, match=r"'cut_passes' is neither .* Those are polish, sand_grit, cut_pad, cut_product\."
    ):
        fl.compare_chains(model, "cut_passes")
