"""Haze by ASTM D4039, the difference of two glosses, as a goal like any other."""

import numpy as np
import pytest

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.model.readings import fitted_readings


@pytest.fixture(scope="module")
def study(bench):
    """The bench's study with haze as the difference of two glosses, asked beside the gloss."""
    source = bench.study.source.replace("ISO 13803", "ASTM D4039")
    return fl.Study.from_toml(source.replace("[goal]", "[goal]\nhaze = { at_most = 12 }"))


@pytest.fixture(scope="module")
def trials(bench):
    """Both glosses of the bench's trials and no haze, as a meter without it reads them."""
    table = bench.work(fl.plan_trials(bench.study, trials=24, panels=4, seed=1), seed=1)
    return table[[c for c in table.columns if "haze" not in c]]


@pytest.fixture(scope="module")
def model(study, trials):
    return fl.fit(study, trials)


def test_haze_is_fitted_to_the_difference_of_each_pair(study, trials, model):
    # ASTM D4039: 60-degree less 20-degree gloss, of patches above 70 GU at 60 degrees.
    left = model.response("haze").left_out
    by_hand = (trials["gloss_60"] - trials["gloss_20"])[trials["gloss_60"] > 70]
    assert left.y == pytest.approx(by_hand.to_numpy(), abs=1e-9)
    assert (np.abs(left.standardised) < 1.645).mean() > 0.75


def test_a_process_is_found_for_gloss_and_computed_haze_together(study, model):
    recipe = fl.shortest(model)
    assert recipe.found
    assert "haze at most 12" in recipe.text()


def dull(trials, rows):
    """The trials with some so dull that ASTM D4039 gives them no haze."""
    table = trials.copy()
    for angle, gloss in ((20, 25.0), (60, 64.0)):
        for column in [c for c in table if c.startswith(f"gloss_{angle}")]:
            table.loc[rows, column] = gloss
    return table


def test_patches_too_dull_for_the_method_are_counted_out_loud(study, trials):
    some = dull(trials, trials.index[:5])
    cautions = fl.fit(study, some).cautions
    assert any(
        c.startswith("Haze by ASTM D4039 rests on the 19 of 24 trials that read more than 70 GU at 60°")
        for c in cautions
    )
    readings = fitted_readings(some, study)
    at_the_end = readings[(readings["response"] == "haze") & (readings["step"] == "polish")]
    assert at_the_end["row"].nunique() == 19


def test_trials_that_are_all_too_dull_say_why_there_is_no_haze(study, trials):
    with pytest.raises(
        ModelError, match=r"^no done trial has haze, which is 60° less 20° gloss by ASTM D4039 and needs more"
    ):
        fl.fit(study, dull(trials, trials.index)).response("haze")


def test_repeats_of_other_numbers_at_the_two_angles_pair_by_their_means(study, trials):
    table = trials.drop(columns=["gloss_60_1", "gloss_60_2", "gloss_60_3"])
    readings = fitted_readings(table, study)
    haze = readings[(readings["response"] == "haze") & (readings["step"] == "polish")]
    assert (haze["repeat"] == 1).all()
    # Means of three readings to one decimal each.
    assert haze["value"].to_numpy() == pytest.approx(
        (table["gloss_60"] - table["gloss_20"]).to_numpy(), abs=0.05
    )
