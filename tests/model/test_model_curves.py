"""The finish along one factor: what the model predicts, the trials carried to it, where it levels off."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from practice import BASE

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.figures.frame import blank


def test_the_next_jobs_band_holds_the_process_itself_and_minutes_rise_with_passes(model):
    table = fl.pass_curve(model, "cut_passes", at=BASE).table()
    assert (table["job_low"] < table["mean_low"]).all()
    assert (table["job_high"] > table["mean_high"]).all()
    assert table["minutes"].is_monotonic_increasing
    assert table["gain"].iloc[1:].tolist() == pytest.approx(np.diff(table["value"]).tolist(), abs=0.3)


def test_a_curve_agrees_with_the_prediction_of_its_processes(model):
    table = fl.pass_curve(model, "cut_passes", at=BASE).table()
    said = model.predict(pd.DataFrame([BASE | {"cut_passes": n} for n in table["cut_passes"]]))
    assert table["value"].tolist() == pytest.approx(said["gloss_20"].tolist())
    assert table["job_low"].tolist() == pytest.approx(said["gloss_20_job_low"].tolist())


def test_a_trial_of_the_process_held_is_drawn_where_it_read(bench, trials, model):
    today = bench.study.today
    curve = fl.pass_curve(model, "cut_passes")
    same = curve.trials[curve.trials["same"]]
    assert len(same)
    np.testing.assert_allclose(same["moved"], same["read"], atol=1e-6)
    own = trials.loc[list(same["row"])]
    for name in set(bench.study.basis.names) - {"cut_passes"}:
        assert set(own[name]) == {today[name]}


def test_a_trial_of_another_process_is_carried_by_what_the_model_sees_between_them(bench, trials, model):
    curve = fl.pass_curve(model, "cut_passes", at=BASE)
    other = curve.trials[~curve.trials["same"]].iloc[0]
    own = trials.loc[[other["row"]], list(bench.study.basis.names)]
    there = pd.DataFrame([BASE | {"cut_passes": int(other["cut_passes"])}])
    apart = model.predict(there)["gloss_20"].iloc[0] - model.predict(own)["gloss_20"].iloc[0]
    assert np.sign(other["moved"] - other["read"]) == np.sign(apart)


def test_where_the_curve_levels_off_is_said_with_the_process_held(model):
    text = fl.pass_curve(model, "cut_passes", at=BASE).text()
    assert text.startswith("From ")
    assert "more of them change 20° gloss by less than 0.5 GU" in text
    assert text.endswith("sand grit P1500, cut pad wool, cut product compound A, polish passes 4.")


def test_the_figure_of_a_curve_shows_band_trials_and_goal(model):
    ax = fl.pass_curve(model, "cut_passes").plot(ax=blank())
    words = [t.get_text() for t in ax.get_legend().get_texts()]
    assert {"next job, 90 % of sections", "trials of this process", "goal: at least 80"} <= set(words)


def test_a_factor_unknown_to_the_study_has_no_curve(model):
    with pytest.raises(ModelError, match=r"^'buff_passes' is no factor of this study\. Factors: sand_grit, "):
        fl.pass_curve(model, "buff_passes")
