"""Agreement of two meters, and drift on a tile: against published comparisons, on paper, and by counting."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from published import table

import finishlab as fl
from finishlab.meter.agreement import _limit
from finishlab.meter.outliers import cochran_critical, extreme_critical, extreme_values

# --- agreement --------------------------------------------------------------------------------------


def peak_flow(*which: int) -> pd.DataFrame:
    data = table("agreement_peak_flow")
    return pd.concat(
        pd.DataFrame(
            {"person": data["person"], "instrument": meter, "flow": data[f"{meter}_{k}"].astype(float)}
        )
        for meter in ("large", "mini")
        for k in which
    )


def published(name: str) -> dict[str, float]:
    return table(name).set_index("quantity")["published"].to_dict()


def test_a_published_comparison_of_two_meters_comes_out():
    """Bland & Altman (1986): single readings of 17 people."""
    wanted = published("agreement_peak_flow_expected")
    agree = fl.compare_meters(
        peak_flow(1).reset_index(drop=True), reading="flow", part="person", meters=("mini", "large")
    )
    assert round(agree.bias.value, 1) == wanted["mean difference of first readings"]
    assert round(agree.sd, 1) == wanted["sd of first differences"]
    assert len(agree.pairs) == 17
    assert agree.high.value - agree.low.value == pytest.approx(2 * 1.959964 * agree.sd)


def test_averages_of_repeats_are_not_taken_for_single_readings():
    """The same paper, both readings: what averaging took away is given back."""
    wanted = published("agreement_peak_flow_expected")
    agree = fl.compare_meters(
        peak_flow(1, 2).reset_index(drop=True), reading="flow", part="person", meters=("mini", "large")
    )
    assert round(agree.pairs["difference"].std(), 1) == wanted["sd of differences of means"]
    assert round(agree.sd, 1) == wanted["corrected sd"]


def test_intervals_of_the_limits_agree_with_the_published_approximation():
    """Bland & Altman (1999), section 2: 85 people; their interval is symmetric, ours exact."""
    w = published("agreement_blood_pressure_expected")
    n, sd = int(w["people"]), w["sd of differences"]
    low, high = (_limit(w["mean difference"], sd, sd, n, n - 1, side, 0.95) for side in (-1, 1))
    # Printed to a tenth: half of that, and rounding of the mean and SD they start from.
    assert low.value == pytest.approx(w["lower limit"], abs=0.06)
    assert high.value == pytest.approx(w["upper limit"], abs=0.06)
    # The exact interval is not symmetric: with 85 people its ends lie up to 0.3 of the limit's standard
    # error (1.71 SD over the root of 85) further from the mean.
    se = 1.71 * sd / n**0.5
    for out, theirs in (
        (w["lower limit low"] - low.low, "lower limit low"),
        (w["lower limit high"] - low.high, "lower limit high"),
        (high.low - w["upper limit low"], "upper limit low"),
        (high.high - w["upper limit high"], "upper limit high"),
    ):
        assert -0.05 < out / se < 0.33, theirs
    assert low.low < w["lower limit low"]


def test_pingouin_draws_the_limits_where_we_compute_them():
    """pingouin's Bland-Altman figure; its intervals of the limits take the SE as root of 3 over n, a rounder figure."""
    import warnings

    from matplotlib.figure import Figure

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pingouin
    data = table("agreement_peak_flow")
    ax = pingouin.plot_blandaltman(
        data["large_1"].astype(float),
        data["mini_1"].astype(float),
        ax=Figure().add_subplot(),
        agreement=1.959964,
    )
    drawn = sorted({round(float(line.get_ydata()[0]), 6) for line in ax.lines})
    agree = fl.compare_meters(
        peak_flow(1).reset_index(drop=True), reading="flow", part="person", meters=("mini", "large")
    )
    for ours in (agree.bias.value, agree.low.value, agree.high.value):
        assert min(abs(ours - y) for y in drawn) < 1e-4


def two_meters(rng: np.random.Generator, patches: int, bias: float, sd: float) -> pd.DataFrame:
    true = rng.normal(83, 4, patches)
    return pd.DataFrame(
        {
            "patch": np.tile(range(patches), 2),
            "instrument": np.repeat(["M1", "M2"], patches),
            "gloss_20": np.r_[true + rng.normal(0, sd, patches), true + bias + rng.normal(0, sd, patches)],
        }
    )


def test_intervals_of_bias_and_limits_hold_the_truth_as_often_as_they_say():
    rng, hits, simple = np.random.default_rng(3), np.zeros(2), 0
    true_limit = 0.5 + 1.959964 * 0.4 * 2**0.5
    for _ in range(300):
        agree = fl.compare_meters(two_meters(rng, 8, 0.5, 0.4))
        hits += [agree.bias.low <= 0.5 <= agree.bias.high, agree.high.low <= true_limit <= agree.high.high]
        # The limit taken for known, with the interval of the bias only, as is often drawn.
        half = (agree.bias.high - agree.bias.low) / 2
        simple += abs(agree.high.value - true_limit) <= half
    # Three standard errors of 300 counts at 0.95 are 0.038.
    assert (hits / 300 > 0.95 - 0.038).all(), hits / 300
    assert simple / 300 < 0.88


def test_swapping_the_meters_turns_the_signs_and_nothing_else():
    data = two_meters(np.random.default_rng(1), 10, 0.5, 0.3)
    one, other = (fl.compare_meters(data, meters=m) for m in (("M1", "M2"), ("M2", "M1")))
    assert one.bias.value == pytest.approx(-other.bias.value)
    assert one.high.high == pytest.approx(-other.low.low)


def test_a_limit_is_judged_by_the_intervals_and_carries_who_set_it():
    data = two_meters(np.random.default_rng(1), 10, 0.5, 0.3)
    for limit, verdict in ((5.0, "agree"), (0.1, "differ"), (1.4, "cannot tell yet")):
        agree = fl.compare_meters(data, limit=limit, limit_set_by="owner, 3 March")
        assert agree.verdict == verdict
        assert "limit set by owner, 3 March" in agree.text()
    assert "limit" not in fl.compare_meters(data).text()


def test_a_difference_that_grows_with_the_level_is_a_caution():
    level = np.linspace(60, 90, 10)
    data = pd.DataFrame(
        {
            "patch": np.tile(range(10), 2),
            "instrument": np.repeat(["M1", "M2"], 10),
            "gloss_20": np.r_[level, 1.03 * level + np.resize([0.1, -0.1], 10)],
        }
    )
    assert any("changes with the level" in c for c in fl.compare_meters(data).cautions)


@pytest.mark.parametrize(
    ("change", "asked", "sentence"),
    [
        ({"instrument": "M1"}, {}, r"two meters are wanted; the table has 1: M1"),
        (
            {},
            {"meters": ("M1", "M9")},
            r"two different meters of the table are wanted. There are: M1 and M2.",
        ),
        ({}, {"limit": -1.0}, r"limit is -1.0; it must be a number above 0"),
        ({}, {"limit": 1.0}, r"without limit_set_by. Say who set it"),
        ({}, {"limit_set_by": "owner"}, r"limit_set_by is 'owner' and no limit was given"),
        ({}, {"confidence": 95}, r"confidence is 95; it must be a number from 0.5 to below 1"),
    ],
)
def test_what_is_wrong_with_a_comparison_is_said(change, asked, sentence):
    data = two_meters(np.random.default_rng(1), 10, 0.5, 0.3).assign(**change)
    with pytest.raises(fl.FinishlabError, match=sentence):
        fl.compare_meters(data, **asked)


def test_patches_that_only_one_meter_read_are_too_few_or_a_caution():
    data = two_meters(np.random.default_rng(1), 10, 0.5, 0.3)
    assert any("1 reading had no counterpart" in c for c in fl.compare_meters(data.iloc[1:]).cautions)
    apart = data.assign(patch=range(20))
    with pytest.raises(fl.ModelError, match="0 patches read by both M1 and M2"):
        fl.compare_meters(apart)


# --- drift ------------------------------------------------------------------------------------------


def tile(values: np.ndarray, days: np.ndarray | None = None) -> pd.DataFrame:
    days = np.arange(len(values)) * 7 if days is None else days
    when = np.datetime64("2026-03-02") + days.astype("timedelta64[D]")
    return pd.DataFrame({"when": when, "tile": "T1", "expected": 92.0, "value": values})


def test_a_line_through_the_days_is_worked_on_paper():
    # Offsets 0, 0.1, 0.2, 0.4 at weeks 0 to 3: slope 0.13 a week, mean 0.175, last day 0.37.
    moved = fl.meter_drift(tile(92 + np.array([0, 0.1, 0.2, 0.4])))
    assert moved.trend.value == pytest.approx(0.13 / 7 * 30)
    assert moved.shift.value == pytest.approx(0.175)
    assert moved.now.value == pytest.approx(0.37)


def test_the_trend_and_its_interval_are_those_of_ordinary_regression():
    """Against scipy's linregress."""
    from scipy.stats import linregress, t

    y = 92 + np.random.default_rng(2).normal(0, 0.2, 12)
    x = np.arange(12) * 7.0
    ref = linregress(x, y - 92)
    moved = fl.meter_drift(tile(y))
    half = 30 * t.isf(0.025, 10) * ref.stderr
    assert moved.trend.low == pytest.approx(30 * ref.slope - half)
    assert moved.trend.high == pytest.approx(30 * ref.slope + half)


def test_a_jump_is_told_from_a_creep_and_rarely_named_where_there_is_none():
    rng = np.random.default_rng(4)
    creep = fl.meter_drift(tile(92 + 0.02 * np.arange(20) + rng.normal(0, 0.03, 20)))
    assert creep.jump is None
    knocked = fl.meter_drift(tile(92 + 0.8 * (np.arange(20) >= 12) + rng.normal(0, 0.1, 20)))
    assert knocked.jump is not None
    assert str(knocked.jump["before"]) == "2026-05-25"
    assert np.isnan(knocked.trend.value)  # no straight line
    assert knocked.jump["low"] < 0.8 < knocked.jump["high"]
    assert knocked.now.low < 0.8 < knocked.now.high
    false = sum(fl.meter_drift(tile(92 + rng.normal(0, 0.1, 20))).jump is not None for _ in range(200))
    assert false <= 6  # 1 in 100 stated: 6 of 200 or fewer in 99 runs of 100


def test_readings_of_one_day_are_one_day():
    """Repeats within a day make its mean steadier; they are not more days."""
    rng = np.random.default_rng(6)
    values, days = 92 + rng.normal(0, 0.2, 6), np.arange(6) * 7
    once = fl.meter_drift(tile(values, days))
    thrice = fl.meter_drift(tile(np.repeat(values, 3), np.repeat(days, 3)))
    assert (thrice.trend.low, thrice.now.high) == pytest.approx((once.trend.low, once.now.high))


def test_drift_is_judged_against_a_limit_that_somebody_set():
    data = tile(92 + np.array([0.3, 0.32, 0.28, 0.31, 0.3]))
    for limit, verdict in ((1.0, "within"), (0.1, "beyond"), (0.31, "cannot tell yet")):
        moved = fl.meter_drift(data, limit=limit, limit_set_by="owner, 3 March")
        assert moved.verdict == verdict
        assert "limit set by owner, 3 March" in moved.text()
    assert fl.meter_drift(data.head(1), limit=1.0, limit_set_by="owner").verdict == "cannot tell yet"


def test_one_or_two_days_tell_what_they_can():
    moved = fl.meter_drift(tile(np.array([92.3])))
    assert moved.now.value == pytest.approx(0.3)
    assert np.isnan(moved.trend.value)
    assert "three at least tell a trend" in moved.cautions[0]
    assert "nan" not in moved.text()


def test_every_mistake_of_a_table_of_tile_readings_is_said_at_once():
    bad = tile(np.array([92.0, 92.1, 92.2])).astype(object)
    bad.loc[0, "value"], bad.loc[1, "when"], bad.loc[2, "expected"] = "ok", "soon", None
    with pytest.raises(fl.RecordsError) as error:
        fl.meter_drift(bad)
    said = str(error.value)
    assert "row 0, value: 'ok' is not a number" in said
    assert "row 1, when: 'soon' is not a date" in said
    assert "row 2, expected: is empty. Write the value of the tile." in said
    with pytest.raises(fl.RecordsError, match="several sorts in column 'tile': T1 and T2"):
        fl.meter_drift(pd.concat([tile(np.array([92.0])), tile(np.array([92.0])).assign(tile="T2")]))
    with pytest.raises(fl.RecordsError, match="column 'value' is missing"):
        fl.meter_drift(bad.drop(columns="value"))


# --- what stands apart ------------------------------------------------------------------------------


def test_the_published_outliers_of_rosners_data_are_found():
    """Rosner (1983), in NIST's e-Handbook 1.3.5.17.3: three outliers, though the first two steps alone see none."""
    x = table("outliers_rosner")["value"].to_numpy(float)
    wanted = table("outliers_rosner_expected")
    flags = extreme_values(x, most=10, level=0.05)
    assert sorted(x[[f.at for f in flags]].tolist()) == [5.34, 5.42, 6.01]
    for flag, row in zip(flags, wanted.to_dict("records"), strict=False):
        # There the residual is not divided by the root of 1 - 1/n; printed cut at three decimals.
        left = 55 - row["step"]
        bare = ((left - 1) / left) ** 0.5
        assert flag.statistic * bare == pytest.approx(row["statistic"], abs=0.0015)
        assert flag.critical * bare == pytest.approx(row["critical"], abs=0.0015)


def test_grubbs_published_critical_value_comes_out():
    """NIST e-Handbook 1.3.5.17.1: eight values, one-sided 5 %, critical 2.032 (from memory)."""
    assert extreme_critical(8, 7, 0.10) * (7 / 8) ** 0.5 == pytest.approx(2.032, abs=0.0005)


def test_cochrans_critical_values_are_those_of_the_standard():
    """ISO 5725-2:1994, table 4."""
    for row in table("cochran_critical").to_dict("records"):
        for level, printed in ((0.05, row["five_percent"]), (0.01, row["one_percent"])):
            ours = cochran_critical(int(row["sets"]), int(row["readings"]) - 1, level)
            # Printed to three decimals from tables of F: one unit of the last.
            assert ours == pytest.approx(printed, abs=0.0015)


def test_a_sound_sample_is_flagged_about_as_rarely_as_stated():
    rng = np.random.default_rng(9)
    flagged = 0
    for _ in range(400):
        groups = np.repeat(range(30), 3)
        flagged += bool(extreme_values(rng.normal(0, 1, 90), [groups], most=9, level=0.05))
    assert flagged / 400 < 0.05 + 3 * (0.05 * 0.95 / 400) ** 0.5


def test_what_one_slip_does_to_its_neighbours_is_not_flagged():
    """A slip drags the mean of its set; its neighbours are looked at again without it."""
    rng = np.random.default_rng(10)
    y, sets = rng.normal(0, 0.3, 90), np.repeat(range(30), 3)
    y[40] += 9
    assert [f.at for f in extreme_values(y, [sets], most=9, level=0.01)] == [40]
