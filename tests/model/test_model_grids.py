"""The finish over two factors: every pair predicted, the best told from the next, none that nobody worked."""

from __future__ import annotations

import pandas as pd
import pytest
from practice import BASE

import finishlab as fl
from finishlab.figures.frame import blank


def test_a_grid_agrees_with_the_prediction_of_its_processes_and_counts_trials(model, trials):
    grid = fl.setting_grid(model, at=BASE).table()
    two = pd.DataFrame(
        [
            BASE | {"cut_pad": a, "cut_product": b}
            for a, b in zip(grid["cut_pad"], grid["cut_product"], strict=True)
        ]
    )
    assert grid["value"].tolist() == pytest.approx(model.predict(two)["gloss_20"].tolist())
    assert grid["trials"].sum() == len(trials)


def test_a_grid_says_when_the_best_cannot_be_told_from_the_next(model):
    grid = fl.setting_grid(model, at=BASE)
    ahead = grid.table().sort_values("value").iloc[-1]["ahead_low"]
    assert ("cannot be told from it" in grid.text()) == (ahead <= 0)


def test_of_haze_the_lowest_is_best(bench):
    study = fl.Study.from_toml(bench.study.source.replace("[goal]", "[goal]\nhaze = { at_most = 60 }"))
    shop = fl.PracticeBench(kind=1, seed=3, study=study)
    trials = shop.work(fl.plan_trials(study, trials=24, panels=4, seed=1), seed=1)
    grid = fl.setting_grid(fl.fit(study, trials), response="haze")
    table = grid.table().sort_values("value")
    assert f"{table.iloc[0]['cut_pad']} with {table.iloc[0]['cut_product']}" in grid.text().split(":")[0]


def test_pairs_that_no_trial_worked_are_named_and_pads_never_tried_stay_out(bench, trials):
    some = trials[
        (trials["cut_pad"] != "foam")
        & ~((trials["cut_pad"] == "wool") & (trials["cut_product"] == "compound B"))
    ]
    grid = fl.setting_grid(fl.fit(bench.study, some))
    assert "foam" not in set(grid.table()["cut_pad"])
    assert grid.cautions == (
        "No trial worked wool with compound B: what is shown there is drawn from the other pairs.",
    )


def test_the_figure_of_a_grid_has_a_mark_for_every_pair_with_its_minutes(model):
    grid = fl.setting_grid(model)
    ax = grid.plot(ax=blank())
    assert len([t for t in ax.texts if t.get_text().endswith(" min")]) == len(grid.table())


@pytest.mark.parametrize("factors", [("cut_pad",), ("cut_pad", "cut_product", "sand_grit")])
def test_a_grid_of_other_than_two_factors_is_refused(model, factors):
    with pytest.raises(fl.ModelError, match=r"^a grid needs two factors; given are cut_pad"):
        fl.setting_grid(model, factors)
