"""The meter study as a person meets it: what it says, what it refuses, what it hands to the model."""

from __future__ import annotations

import json
import runpy
import tomllib
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from published import REFERENCE, figures, table

import finishlab as fl
from finishlab.figures.frame import blank
from finishlab.meter.meter_study import AVERAGED

mpl.use("Agg")
DEMO = Path(__file__).parent.parent.parent / "datasets" / "meter_study"
TRUTH = runpy.run_path(str(DEMO / "make.py"))["TRUTH"]


@pytest.fixture(scope="module")
def demo() -> pd.DataFrame:
    return pd.read_csv(DEMO / "readings.csv")


@pytest.fixture(scope="module")
def gloss(demo) -> fl.MeterStudy:
    return fl.study_meter(demo, instrument="M1")


def invented(
    *,
    patches: int = 10,
    technicians: int = 3,
    repeats: int = 3,
    sd: float = 0.3,
    between: float = 0.2,
    seed: int = 1,
) -> pd.DataFrame:
    """A crossed study of 20-degree gloss with a known truth."""
    rng = np.random.default_rng(seed)
    patch = np.repeat(range(patches), technicians * repeats)
    who = np.tile(np.repeat(range(technicians), repeats), patches)
    y = (
        rng.normal(83, 3, patches)[patch]
        + rng.normal(0, between, technicians)[who]
        + rng.normal(0, sd, len(patch))
    )
    return pd.DataFrame({"patch": patch + 1, "technician": np.array(list("ABCDEF"))[who], "gloss_20": y})


# --- the demo study, whose truth is known ------------------------------------------------------------


def test_the_demo_readings_are_made_again_byte_for_byte_and_say_that_they_are_invented(tmp_path):
    made = runpy.run_path(str(DEMO / "make.py"))
    for name in ("readings", "tiles"):
        made[name]().to_csv(tmp_path / name, index=False, lineterminator="\n")
        assert (tmp_path / name).read_bytes() == (DEMO / f"{name}.csv").read_bytes()
    page = (DEMO / "README.md").read_text(encoding="utf-8")
    assert "Everything here is invented" in page
    assert "seed 11" in page


def test_the_truth_of_the_demo_study_lies_in_the_intervals(gloss):
    sources = gloss.without_outliers.table().set_index("source")  # the tilted reading is no part of the truth
    technicians = np.std(list(TRUTH["technicians"].values()), ddof=1)
    for words, true in (
        ("repeatability: same technician, same patch, again", TRUTH["repeatability"]),
        ("between technicians", technicians),
        ("technicians unlike from patch to patch", TRUTH["technician_by_patch"]),
        ("from spot to spot within a patch", TRUTH["spot"]),
    ):
        assert sources.loc[words, "sd_low"] <= true <= sources.loc[words, "sd_high"], words


def test_the_reading_with_the_meter_askew_is_named_stays_in_and_its_effect_is_told(gloss, demo):
    outliers = gloss.flagged[gloss.flagged["outlier"]]
    patch, who, _, way, _ = TRUTH["tilted"]
    assert outliers[["patch", "technician"]].values.tolist() == [[str(patch), who]]
    assert f"patch {patch}, technician {who}, {way}" in outliers["what"].iloc[0]
    assert gloss.counts["readings"] == 180
    assert gloss.without_outliers.counts["readings"] == 179
    assert gloss.without_outliers.repeatability_sd.value < gloss.repeatability_sd.value
    assert "it stays in" in gloss.text()
    assert "instead of" in gloss.text()


def test_leftover_scratches_are_found_by_direction_and_taken_for_nothing_else(gloss):
    by_patch = gloss.direction.by_patch.set_index("patch")
    assert set(by_patch.index[by_patch["apart"]]) == {str(p) for p in TRUTH["scratched"]}
    for patch, size in TRUTH["scratched"].items():
        assert by_patch.loc[str(patch), "low"] < size < by_patch.loc[str(patch), "high"]
    # Without the direction the same patches would make the meter look worse than it is.
    blind = fl.study_meter(gloss.points.drop(columns="direction").rename(columns={"value": "gloss_20"}))
    assert blind.repeatability_sd.value > gloss.repeatability_sd.value


def test_the_second_meter_and_both_tiles_give_their_truth_back(demo):
    agree = fl.compare_meters(demo)
    assert agree.bias.low < TRUTH["second_meter"] < agree.bias.high
    tiles = pd.read_csv(DEMO / "tiles.csv")
    creeping = fl.meter_drift(tiles[tiles["instrument"] == "M1"])
    assert creeping.jump is None
    assert creeping.trend.low < 30 * TRUTH["trend"] < creeping.trend.high
    knocked = fl.meter_drift(tiles[tiles["instrument"] == "M2"])
    day, size = TRUTH["knock"]
    assert (knocked.jump["after"] - knocked.days["day"].iloc[0]).days <= day
    assert (knocked.jump["before"] - knocked.days["day"].iloc[0]).days > day
    assert knocked.jump["low"] < size < knocked.jump["high"]


# --- numbers on paper ---------------------------------------------------------------------------------


def test_differences_are_the_limits_of_the_standard():
    """ISO 5725-6: r = 2.8 s_r and R = 2.8 s_R, for the laboratories of ISO 5725-2, annex B."""
    data = table("precision_sulfur_in_coal")
    study = fl.study_meter(
        data[data["level"] == 1],
        reading="sulfur_percent",
        part="level",
        technician="laboratory",
        method="anova",
    )
    wanted = figures("precision_sulfur_in_coal_expected", "recomputed")
    # The standard rounds 1.96 times the root of 2, 2.772, to 2.8.
    exact = 1.959964 * 2**0.5 / 2.8
    assert study.difference().value == pytest.approx(
        exact * wanted["level 1: repeatability limit r = 2.8 s_r"]
    )
    assert study.difference(same_technician=False).value == pytest.approx(
        exact * wanted["level 1: reproducibility limit R = 2.8 s_R"]
    )
    assert np.isnan(study.meter_share.value)
    assert any("Only one patch was read" in c for c in study.cautions)


def test_the_mean_of_n_readings_is_steadier_by_the_root_of_n_and_a_floor_stays():
    study = fl.study_meter(invented(between=0.0))
    v = study.components.estimate
    assert v["technician_by_patch"] == 0
    assert study.difference(4).value == pytest.approx(study.difference(1).value / 2)
    half = 1.959964 * study.repeatability_sd.value
    answer = study.readings_for(half / 2.01)
    assert answer.readings == 5  # 2.01^2 = 4.04
    assert study.readings_for(half).readings == 1
    far = fl.study_meter(invented(between=2.0))
    never = far.readings_for(0.5, same_technician=False)
    assert not never.found
    assert "technicians differ by more" in never.text()


def test_averaging_starts_from_as_many_readings_as_a_film_spot_takes():
    """SSPC-PA 2, definition 3.2: a spot is the mean of at least three gauge readings."""
    rules = tomllib.loads((REFERENCE / "film_thickness_rules.toml").read_text(encoding="utf-8"))
    assert rules["sspc_pa_2"]["spot_min_gage_readings"] == AVERAGED


def test_the_model_gets_what_single_readings_scatter_by_on_a_patch(gloss):
    """Without spots: sum of squares within sets. With spots: spot and repeats together."""
    data = invented()
    study = fl.study_meter(data)
    mean = data.groupby(["patch", "technician"])["gloss_20"].transform("mean")
    assert study.meter_ss == pytest.approx(((data["gloss_20"] - mean) ** 2).sum())
    assert study.meter_df == 60
    v = gloss.components.estimate
    assert gloss.meter_ss / gloss.meter_df == pytest.approx(v["spot"] + v["repeatability"])


def test_a_meter_study_feeds_the_model(bench, trials):
    study = fl.study_meter(invented())
    with_meter = fl.fit(bench.study, trials, meters={"gloss_20": study})
    assert with_meter.predict(trials.head(3))["gloss_20"].notna().all()


# --- designs: crossed, nested, with gaps, one technician, one patch --------------------------------------


def test_a_study_with_gaps_is_near_the_whole_one_and_says_what_is_missing():
    data = invented()
    whole = fl.study_meter(data)
    gaps = fl.study_meter(data.drop(index=[0, 30, 31, 32, 50]))  # 30 to 32: patch 4 by technician B
    assert whole.method == "analysis of variance"
    assert gaps.method == "restricted maximum likelihood"
    assert gaps.repeatability_sd.value == pytest.approx(whole.repeatability_sd.value, rel=0.1)
    assert any("patch 4 by B" in c for c in gaps.cautions)


def test_patches_of_one_number_on_two_panels_are_two_patches():
    data = invented()
    data = data.assign(panel=np.where(data["patch"] > 5, "P2", "P1"), patch=(data["patch"] - 1) % 5 + 1)
    study = fl.study_meter(data)
    assert study.counts["patches"] == 10
    assert {"panel", "patch"} <= set(study.components.estimate)
    assert study.repeatability_sd.value == pytest.approx(
        fl.study_meter(invented()).repeatability_sd.value, rel=0.05
    )


def test_technicians_with_patches_of_their_own_are_told_apart_with_a_caution():
    data = table("mixed_pigment_paste_nested")
    study = fl.study_meter(data, reading="moisture", part="sample", technician="batch")
    wanted = figures("mixed_pigment_paste_nested_expected", model="moisture ~ 1 + (1|batch) + (1|sample)")
    for name, key in (("technician", "batch"), ("patch", "sample")):
        assert study.components.estimate[name] == pytest.approx(wanted[f"var[{key}:(Intercept)]"], rel=1e-6)
    assert any("No patch was read by two technicians" in c for c in study.cautions)


def test_by_likelihood_a_crossed_study_comes_out_as_from_lme4():
    data = table("mixed_penicillin")
    study = fl.study_meter(data, reading="diameter", part="sample", technician="plate", method="reml")
    wanted = figures("mixed_penicillin_expected", model="diameter ~ 1 + (1|plate) + (1|sample)")
    ours = study.components.estimate
    # Six digits, as another optimiser of the same likelihood reaches.
    assert ours["technician"] == pytest.approx(wanted["var[plate:(Intercept)]"], rel=1e-5)
    assert ours["patch"] == pytest.approx(wanted["var[sample:(Intercept)]"], rel=1e-5)
    assert ours["repeatability"] == pytest.approx(wanted["var[Residual]"], rel=1e-5)
    assert any("each patch once" in c for c in study.cautions)


def test_one_technician_leaves_unanswered_what_one_cannot_tell():
    data = invented()
    alone = data[data["technician"] == "A"]
    for study in (fl.study_meter(alone), fl.study_meter(alone.drop(columns="technician"), technician=None)):
        assert "technician" not in study.components.estimate
        assert 0 < study.meter_share.value < 0.2
        assert any("One technician took all readings" in c for c in study.cautions)
        assert "two technicians" not in study.text()


def test_what_must_not_matter_does_not():
    data = invented()
    first = fl.study_meter(data).table()
    shuffled = data.sample(frac=1, random_state=3).assign(patch=lambda d: "p" + d["patch"].astype(str))
    wide = data.assign(k=data.groupby(["patch", "technician"]).cumcount() + 1)
    wide = wide.pivot_table(index=["patch", "technician"], columns="k", values="gloss_20")
    wide = wide.add_prefix("gloss_20_").reset_index()
    long = data.rename(columns={"gloss_20": "value"}).assign(
        quantity="gloss_20", spot=0, after="polish", good=True
    )
    other = long.assign(quantity="haze", value=5.0)
    for table_ in (
        shuffled,
        pd.concat([long, other]),
        data.assign(gloss_20=data["gloss_20"].round(9).astype(str)),
    ):
        again = fl.study_meter(table_).table()
        pd.testing.assert_frame_equal(first, again, rtol=1e-6)
    # Side by side the repeats are numbered spots, the same place for everybody.
    numbered = data.assign(spot=data.groupby(["patch", "technician"]).cumcount() + 1)
    pd.testing.assert_frame_equal(fl.study_meter(wide).table(), fl.study_meter(numbered).table(), rtol=1e-9)


def test_a_worse_meter_never_looks_better():
    shares, gaps = [], []
    for sd in (0.1, 0.3, 0.9):
        study = fl.study_meter(invented(sd=sd, between=0.0))
        shares.append(study.meter_share.value)
        gaps.append(study.difference().value)
    assert shares == sorted(shares)
    assert gaps == sorted(gaps)


def test_a_record_book_feeds_a_meter_study(tmp_path, bench, trials):
    with fl.RecordBook(f"sqlite:///{tmp_path / 'trials.sqlite'}") as book:
        book.add_study(bench.study)
        sheet = fl.write_trials(trials, tmp_path / "sheet.csv")
        book.import_sheet(bench.study, sheet, technician="7")
        readings = book.readings(bench.study)
        with pytest.raises(fl.RecordsError, match="several sorts in column 'after'"):
            fl.study_meter(readings)
        last = bench.study.steps[-1].name
        study = fl.study_meter(readings, after=last)
    assert study.counts["patches"] == len(trials)
    assert study.meter_df > 0


# --- intraclass correlation ------------------------------------------------------------------------------


@pytest.mark.parametrize("technicians", [1, 3])
def test_the_intraclass_correlation_is_what_the_meters_share_leaves(technicians):
    """McGraw & Wong (1996): the same variance components, one reading by each technician or three by one."""
    readings = invented(technicians=technicians, repeats=3 if technicians == 1 else 1, sd=1.0, between=0.8)
    study = fl.study_meter(readings)
    found = study.reliability
    assert found.averaged == 1
    assert found.correlation.value == pytest.approx(1 - study.meter_share.value, rel=1e-9)
    assert study.to_dict()["intraclass_correlation"] == vars(found.correlation)
    assert found.correlation.low < found.correlation.value < found.correlation.high
    assert found.correlation.low != round(found.correlation.low, 2)  # the library rounds unless told


def test_means_of_repeats_have_the_correlation_of_means():
    readings = invented(sd=1.0, between=0.8)
    found = fl.study_meter(readings).reliability
    means = readings.groupby(["patch", "technician"], as_index=False)["gloss_20"].mean()
    assert found.averaged == 3
    assert vars(found.correlation) == pytest.approx(vars(fl.study_meter(means).reliability.correlation))
    assert "The intraclass correlation of means of 3 is 0." in fl.study_meter(readings).text()


def test_a_table_with_a_gap_or_without_scatter_has_no_intraclass_correlation(gloss):
    gap = fl.study_meter(invented().iloc[:-1])
    alike = fl.study_meter(invented(sd=0.0, between=0.0))
    one = fl.study_meter(invented(patches=1))
    for study in (gap, alike, one, gloss.without_outliers):
        assert study.reliability is None
        assert study.to_dict()["intraclass_correlation"] is None
        assert "intraclass" not in study.text()


# --- what it says ----------------------------------------------------------------------------------------


def test_a_meter_study_says_in_plain_words_what_the_meter_can_tell():
    text = fl.study_meter(invented()).text()
    for part in (
        "Of the spread of 20° gloss readings,",
        "% is the meter's",
        "It tells two patches apart that one technician reads",
        "Between two technicians it takes",
        "Average 3 readings for ±",
    ):
        assert part in text
    for code in ("R&R", "EV", "AV", "GRR", "ndc", "p =", "p-value", "significant"):
        assert code not in text


def test_a_meter_that_is_much_beside_its_patches_is_told_to_read_more():
    assert "take more readings a patch before working more patches" in fl.study_meter(invented(sd=2.5)).text()
    assert "take more readings" not in fl.study_meter(invented(sd=0.1, between=0.05)).text()


def test_every_result_has_its_handles_and_goes_into_json(gloss, demo):
    tiles = pd.read_csv(DEMO / "tiles.csv")
    results = [
        gloss,
        gloss.direction,
        gloss.readings_for(0.4),
        gloss.readings_for(0.01),
        fl.compare_meters(demo),
        fl.meter_drift(tiles[tiles["instrument"] == "M2"]),
    ]
    for result in results:
        assert result.text()
        assert len(result.table())
        json.dumps(result.to_dict(), default=str)
        assert "<table" in result._repr_html_()
        assert result.plot(blank()).get_title(loc="left")
        with pytest.raises(AttributeError):
            result.confidence = 0.5


@pytest.mark.parametrize("of", ["spread", "readings", "averages", "direction"])
def test_there_is_a_figure_for_every_question(gloss, of):
    ax = gloss.plot(blank(), of=of)
    assert ax.get_title(loc="left")
    assert ax.get_xlabel()


def test_a_figure_that_there_is_not_is_answered_with_those_there_are(gloss):
    with pytest.raises(
        fl.ModelError, match=r"of='pie' is no figure. There are: spread, readings, averages, direction."
    ):
        gloss.plot(of="pie")
    with pytest.raises(fl.ModelError, match="along and across were not both read"):
        fl.study_meter(invented()).plot(of="direction")


# --- what it refuses ---------------------------------------------------------------------------------------


def test_every_mistake_of_a_table_is_said_at_once():
    bad = invented(patches=3).astype({"gloss_20": object, "technician": object})
    bad.loc[2, "gloss_20"], bad.loc[5, "gloss_20"], bad.loc[7, "technician"], bad.loc[9, "gloss_20"] = (
        "n/a",
        8320,
        None,
        None,
    )
    with pytest.raises(fl.RecordsError) as error:
        fl.study_meter(bad)
    said = str(error.value)
    assert "the table of readings has 3 mistakes; nothing of it was taken." in said
    assert "row 2, gloss_20: 'n/a' is not a number." in said
    assert "row 5, gloss_20: 8320 cannot be; 0 to 200 can occur on paint." in said
    assert "row 7, technician: is empty." in said


def test_missing_columns_are_all_named_with_the_way_out():
    with pytest.raises(fl.RecordsError) as error:
        fl.study_meter(pd.DataFrame({"gloss": [80.0], "who": ["A"]}))
    said = str(error.value)
    for name in ("'gloss_20'", "'patch'", "'technician'"):
        assert f"column {name} is missing. Columns: gloss, who." in said
    assert "Where one person took all readings say technician=None." in said
    with pytest.raises(fl.RecordsError, match=r"no row has quantity 'haze'. There are: gloss_20."):
        fl.study_meter(
            pd.DataFrame({"quantity": ["gloss_20"], "value": [80.0], "patch": [1], "technician": ["A"]}),
            reading="haze",
        )
    with pytest.raises(fl.RecordsError, match=r"has no rows\. Take readings first"):
        fl.study_meter(invented().iloc[:0])
    with pytest.raises(fl.RecordsError, match=r"readings is a list; a table \(DataFrame\)"):
        fl.study_meter([80.0])  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (
            invented(repeats=1, technicians=1),
            "every patch was read once, so the meter's own spread cannot be told",
        ),
        (invented().assign(gloss_20=84.2), "all 90 readings are 84.2: nothing differs"),
        (invented().head(1), "nothing differs"),
    ],
)
def test_a_table_that_tells_nothing_is_refused_with_what_to_do(data, sentence):
    with pytest.raises(fl.ModelError, match=sentence):
        fl.study_meter(data)


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"method": "mean"}, "method is 'mean'. There are: auto, anova, reml."),
        ({"confidence": 1.0}, "confidence is 1.0; it must be a number from 0.5 to below 1"),
        ({"after": "polish"}, "after='polish' was asked for, and the table has no column 'after'"),
    ],
)
def test_an_argument_that_is_not_right_is_refused(asked, sentence):
    with pytest.raises(fl.FinishlabError, match=sentence):
        fl.study_meter(invented(), **asked)


def test_a_precision_that_is_not_right_is_refused_with_both_mistakes(gloss):
    with pytest.raises(fl.ModelError) as error:
        gloss.readings_for(-1, spots=0)
    assert "precision is -1; it must be a number above 0" in str(error.value)
    assert "spots is 0; it must be a whole number, 1 or more" in str(error.value)


def test_what_deserves_care_is_a_caution():
    data = invented()
    doubtful = data.assign(good=[False] * 3 + [True] * 87)
    assert any("3 readings taken before a meter check" in c for c in fl.study_meter(doubtful).cautions)
    empty = data.assign(gloss_20=data["gloss_20"].where(data.index != 4))
    assert any(
        "1 row without a reading of gloss_20 was passed over." in c for c in fl.study_meter(empty).cautions
    )
    rounded = invented(sd=0.2).assign(gloss_20=lambda d: d["gloss_20"].round())
    assert any("Readings go in steps of 1" in c for c in fl.study_meter(rounded).cautions)
    copied = data.assign(gloss_20=data.groupby(["patch", "technician"])["gloss_20"].transform("first"))
    assert any("All repeats are equal" in c for c in fl.study_meter(copied).cautions)
    spots = data.assign(spot=range(1, 91))
    assert any("at a spot of its own" in c for c in fl.study_meter(spots).cautions)
