"""From logged readings to patch means: slips set aside by name, failures kept."""

import numpy as np
import pandas as pd
import pytest

from finishlab.errors import ModelError
from finishlab.model.observed import observe
from finishlab.model.readings import patch_means
from finishlab.records import readings_of
from finishlab.study import Study

STUDY = Study.from_toml(
    """
title = "Doors"
pass_means = "one direction"
[[step]]
name = "sand"
grit = ["P1500", "P2000"]
[[step]]
name = "cut"
pad = ["wool", "foam"]
passes = { lowest = 0, highest = 6 }
[goal]
gloss_20 = { at_least = 84 }
assurance = 0.9
[reading]
spots = 3
after = ["sand", "cut"]
"""
)


def trials(n=12, seed=1):
    """Return n done trials with three readings of SD 0.4 about 80 GU after cutting, 1.5 about 20 after sanding."""
    rng = np.random.default_rng(seed)
    final = rng.normal(80, 2, (n, 1)) + rng.normal(0, 0.4, (n, 3))
    sanded = rng.normal(20, 3, (n, 1)) + rng.normal(0, 1.5, (n, 3))
    table = pd.DataFrame(
        {
            "sand_grit": np.resize(["P1500", "P2000"], n),
            "cut_pad": np.resize(["wool", "wool", "foam"], n),
            "cut_passes": np.resize([1, 2, 4, 6], n),
            "panel": np.resize(["A", "B", "C"], n),
            "minutes": 5.0,
            "status": "done",
        },
        index=[f"t{i}" for i in range(n)],
    )
    for k in range(3):
        table[f"gloss_20_{k + 1}"] = final[:, k]
        table[f"sand_gloss_20_{k + 1}"] = sanded[:, k]
    return with_means(table)


def with_means(table):
    table["gloss_20"] = table[[f"gloss_20_{k}" for k in (1, 2, 3)]].mean(axis=1)
    table["sand_gloss_20"] = table[[f"sand_gloss_20_{k}" for k in (1, 2, 3)]].mean(axis=1)
    return table


def means(table):
    return patch_means(readings_of(table, STUDY), STUDY, "gloss_20")


def final(result):
    """Return mean and effective number of readings after the last step, by row."""
    last = result.step == 1
    return pd.DataFrame({"y": result.y[last], "repeats": result.repeats[last]}, index=result.row[last])


def test_a_patch_counts_with_the_mean_of_its_readings():
    table = trials()
    got = final(means(table))
    np.testing.assert_allclose(got.loc[table.index, "y"], table["gloss_20"])
    assert (got["repeats"] == 3).all()
    assert means(table).cautions == ()


def test_a_mean_that_was_logged_alone_counts_as_the_spots_it_is_the_mean_of():
    table = trials()
    logged = table.drop(columns=[c for c in table if c[-2:] in ("_1", "_2", "_3")])
    pd.testing.assert_frame_equal(final(means(logged)), final(means(table)))
    assert (means(logged).repeats == 3).all()
    assert means(logged).meter_df == 0  # nothing is known of the meter from them
    single = logged.rename(columns={"gloss_20": "gloss_20_1", "sand_gloss_20": "sand_gloss_20_1"})
    assert (final(means(single))["repeats"] == 1).all()


def test_the_meters_spread_is_that_of_readings_about_their_patch():
    table, result = trials(), means(trials())
    columns = table[["gloss_20_1", "gloss_20_2", "gloss_20_3"]]
    by_hand = ((columns.T - columns.mean(axis=1)) ** 2).to_numpy().sum()
    assert result.meter_ss == pytest.approx(by_hand)
    assert result.meter_df == 24  # 12 patches, two of three readings free


def test_a_reading_that_its_neighbours_contradict_is_set_aside_and_named():
    table = trials()
    table.loc["t4", "gloss_20_2"] = 41.0
    result = means(with_means(table))
    kept = table.loc["t4", ["gloss_20_1", "gloss_20_3"]].to_numpy(float)
    assert final(result).loc["t4", "y"] == pytest.approx(kept.mean())
    assert final(result).loc["t4", "repeats"] == 2
    assert result.cautions == (
        "trial in row t4: one gloss_20 reading of 41 after cut stands apart from the others "
        f"({kept[0]:g}, {kept[1]:g}) and was set aside as a slip. Read that patch again if it still exists.",
    )
    # The others keep their three readings and the meter its spread.
    assert (final(result).drop("t4")["repeats"] == 3).all()
    assert np.sqrt(result.meter_ss / result.meter_df) == pytest.approx(0.4, rel=0.4)


def test_a_slip_upwards_is_one_too():
    table = trials()
    table.loc["t7", "gloss_20_1"] = 118.0
    assert len(means(with_means(table)).cautions) == 1


def test_a_patch_that_failed_as_a_whole_is_no_slip():
    # All its spots read low: that is the very failure the promise is about.
    table = trials()
    table.loc["t4", ["gloss_20_1", "gloss_20_2", "gloss_20_3"]] = [52.0, 51.5, 52.3]
    result = means(with_means(table))
    assert result.cautions == ()
    assert final(result).loc["t4", "y"] == pytest.approx((52.0 + 51.5 + 52.3) / 3)


def test_a_patch_whose_readings_all_disagree_is_no_slip():
    table = trials()
    table.loc["t4", ["gloss_20_1", "gloss_20_2", "gloss_20_3"]] = [80.0, 70.0, 55.0]
    assert means(with_means(table)).cautions == ()


def test_two_readings_cannot_say_which_of_them_slipped():
    table = trials().drop(columns=["gloss_20_3", "sand_gloss_20_3"])
    table.loc["t4", "gloss_20_1"] = 40.0
    table["gloss_20"] = table[["gloss_20_1", "gloss_20_2"]].mean(axis=1)
    assert means(table).cautions == ()


def test_sanded_surfaces_scatter_more_and_count_for_less():
    result = means(trials(60))
    sanded = result.repeats[result.step == 0]
    # Spreads of 1.5 and 0.4: three readings there tell as much as 3 x (0.4 / 1.5)^2 = 0.21 here.
    assert sanded == pytest.approx(3 * (0.4 / 1.5) ** 2, rel=0.3)
    assert (result.repeats[result.step == 1] == 3).all()


def test_which_trials_count_and_where_they_stand():
    table = trials()
    table.loc["t2", "status"] = "spoiled"
    table.loc["t3", "status"] = "planned"
    seen = observe(table, STUDY, "gloss_20", every_step=True)
    observed, row = seen.observed, seen.row
    assert set(row) == set(table.index) - {"t2", "t3"}
    assert len(observed.y) == 20  # two steps each
    done = table.drop(index=["t2", "t3"])
    for i, label in enumerate(row):
        assert done.index[observed.trial[i]] == label
        assert observed.rows.values[i].tolist() == STUDY.basis.values(done.loc[[label]])[0].tolist()
    same_panel = observed.panel[:, None] == observed.panel[None, :]
    names = done.loc[list(row), "panel"].to_numpy()
    assert (same_panel == (names[:, None] == names[None, :])).all()
    only_last = observe(table, STUDY, "gloss_20", every_step=False).observed
    assert len(only_last.y) == 10


def test_a_burned_patch_keeps_what_was_read_before():
    table = trials().assign(burned_after_step="")
    table.loc["t5", "burned_after_step"] = "cut"
    seen = observe(table, STUDY, "gloss_20", every_step=True)
    observed, row = seen.observed, seen.row
    assert observed.rows.step[row == "t5"].tolist() == [0]


def test_a_response_that_was_never_read_is_refused_by_name():
    with pytest.raises(
        ModelError, match=r"^no done trial has haze\. Read it on every patch, or ask for a goal"
    ):
        observe(trials(), STUDY, "haze", every_step=False)
    # Readings after sanding alone say nothing of the finish.
    sanded = trials().drop(columns=[f"gloss_20{k}" for k in ("", "_1", "_2", "_3")])
    with pytest.raises(ModelError, match=r"^no done trial has gloss_20\. Read"):
        observe(sanded, STUDY, "gloss_20", every_step=True)
