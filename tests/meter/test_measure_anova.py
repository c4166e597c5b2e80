"""Variance components of readings and their intervals: against published studies, on paper, and by counting."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from published import figures, printed, table

from finishlab.meter.anova import REST, analyse, pooled
from finishlab.meter.meter_spreads import (
    Components,
    mean_variance,
    meter_variance,
    share_of,
    source_variance,
    total_variance,
)
from finishlab.statistics import fit_mixed


def groups(column: pd.Series) -> np.ndarray:
    return np.unique(column.astype(str), return_inverse=True)[1]


@pytest.fixture(scope="module")
def crossed() -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Ten parts, three people, three readings: a textbook study (AIAG MSA manual, 4th ed.)."""
    data = table("gauge_rr_10x3x3")
    effects = {
        "part": groups(data["part"]),
        "operator": groups(data["operator"]),
        "inter": groups(data["part"].astype(str) + data["operator"]),
    }
    return data["value"].to_numpy(float), effects


# --- published studies -----------------------------------------------------------------------------


def test_a_published_crossed_study_comes_out_to_its_printed_digits(crossed):
    """AIAG Measurement Systems Analysis, 4th ed.: the analysis of variance with the interaction."""
    y, effects = crossed
    found = analyse(y, effects)
    ours = dict(
        zip(["part", "operator", "inter", "rep"], zip(found.ss, found.df, found.ms, strict=True), strict=True)
    )
    wanted = printed("gauge_rr_10x3x3_expected")
    recomputed = figures("gauge_rr_10x3x3_expected", "recomputed")
    for name, (ss, df, ms) in ours.items():
        for quantity, value in (("ss", ss), ("ms", ms)):
            figure, half = wanted[f"with interaction: {quantity}[{name}]"]
            assert abs(value - figure) <= half, quantity
            # Twelve digits are kept in the file.
            assert value == pytest.approx(recomputed[f"with interaction: {quantity}[{name}]"], rel=1e-11)
        assert df == recomputed[f"with interaction: df[{name}]"]
    ms = {name: v[2] for name, v in ours.items()}
    for name, ratio in (
        ("part", ms["part"] / ms["inter"]),
        ("operator", ms["operator"] / ms["inter"]),
        ("inter", ms["inter"] / ms["rep"]),
    ):
        figure, half = wanted[f"with interaction: F[{name}]"]
        assert abs(ratio - figure) <= half
    before = found.variances()["inter"]
    assert before == pytest.approx(
        recomputed["with interaction: variance[interaction] before truncation at 0"]
    )


def test_without_an_interaction_below_zero_the_published_shares_come_out(crossed):
    """The same study with the interaction joined to the repeats: every printed figure of the manual."""
    y, effects = crossed
    found = pooled(y, effects)
    assert found.names == ("part", "operator", REST)
    v = found.variances()
    total, meter = sum(v.values()), v["operator"] + v[REST]
    ours = {
        "F_part": found.ms[0] / found.ms[-1],
        "F_operator": found.ms[1] / found.ms[-1],
        "variance[repeatability]": v[REST],
        "variance[operator]": v["operator"],
        "variance[part]": v["part"],
        "gauge": meter,
        "total": total,
        "pct_contribution_gauge": 100 * meter / total,
        "pct_study_gauge": 100 * (meter / total) ** 0.5,
        "pct_study_repeat": 100 * (v[REST] / total) ** 0.5,
        "pct_study_reprod": 100 * (v["operator"] / total) ** 0.5,
        "pct_study_part": 100 * (v["part"] / total) ** 0.5,
    }
    wanted = printed("gauge_rr_10x3x3_expected")
    for quantity, value in ours.items():
        figure, half = wanted[f"interaction pooled into error: {quantity}"]
        assert abs(value - figure) <= half, quantity
    assert int(1.41 * (v["part"] / meter) ** 0.5) == wanted["interaction pooled into error: ndc"][0]


@pytest.mark.parametrize("level", [1, 3])
def test_laboratories_of_unequal_size_come_out_as_printed(level):
    """ISO 5725-2:1994, annex B, example 1: sulfur in coal by eight laboratories."""
    data = table("precision_sulfur_in_coal")
    data = data[data["level"] == level]
    found = analyse(data["sulfur_percent"].to_numpy(float), {"laboratory": groups(data["laboratory"])})
    v, wanted = found.variances(), printed("precision_sulfur_in_coal_expected")
    for quantity, value in (("s_r", v[REST] ** 0.5), ("s_R", sum(v.values()) ** 0.5)):
        figure, half = wanted[f"level {level}: {quantity}"]
        assert abs(value - figure) <= half
    exact = figures("precision_sulfur_in_coal_expected", "recomputed")
    assert v["laboratory"] == pytest.approx(exact[f"level {level}: s_L^2"], rel=1e-9)
    assert found.expected[0, 0] == pytest.approx(exact[f"level {level}: n_bar"], rel=1e-9)
    assert not found.balanced


def test_crossed_plates_and_samples_and_nested_paste_come_out_as_by_closed_form():
    """Davies' penicillin and the pigment paste of Box, Hunter & Hunter (2005), Table 9.8."""
    data = table("mixed_penicillin")
    found = analyse(
        data["diameter"].to_numpy(float), {"plate": groups(data["plate"]), "sample": groups(data["sample"])}
    )
    closed = figures(
        "mixed_penicillin_expected", model="balanced ANOVA, method of moments (equals REML here)"
    )
    for name, key in (("plate", "var[plate]"), ("sample", "var[sample]"), (REST, "var[Residual]")):
        # The data are whole numbers: double precision is all that stands between.
        assert found.variances()[name] == pytest.approx(closed[key], rel=1e-10)
    data = table("mixed_pigment_paste_nested")
    found = analyse(
        data["moisture"].to_numpy(float), {"batch": groups(data["batch"]), "sample": groups(data["sample"])}
    )
    assert found.ms == pytest.approx([86.8738095238, 58.1, 0.9])
    assert found.variances() == pytest.approx({"batch": 7.1934523809524, "sample": 28.6, REST: 0.9})
    assert found.balanced


# --- on paper, and against the likelihood ------------------------------------------------------------


def test_two_patches_read_twice_are_worked_on_paper():
    found = analyse(np.array([80.0, 81, 84, 85]), {"patch": np.array([0, 0, 1, 1])})
    # Means 80.5 and 84.5: 2 (2^2 + 2^2) = 16 between, 4 x 0.5^2 = 1 within on 2.
    assert found.ss.tolist() == [16, 1]
    assert found.variances() == {"patch": pytest.approx(7.75), REST: pytest.approx(0.5)}


@pytest.mark.parametrize(
    "sds", [(2.0, 0.5, 0.2, 0.4), (2.0, 0.0, 0.3, 0.4), (0.0, 0.5, 0.0, 0.4), (1.0, 0.0, 0.0, 0.4)]
)
def test_in_a_balanced_study_both_ways_of_estimating_agree_at_zero_too(sds):
    rng = np.random.default_rng(8)
    patch, who = np.repeat(range(8), 9), np.tile(np.repeat(range(3), 3), 8)
    both = patch * 3 + who
    y = 80 + rng.normal(0, sds[0], 8)[patch] + rng.normal(0, sds[1], 3)[who] + rng.normal(0, sds[2], 24)[both]
    y += rng.normal(0, sds[3], 72)
    effects = {"patch": patch, "technician": who, "technician_by_patch": both}
    by_squares = dict.fromkeys(effects, 0.0) | pooled(y, effects).variances()
    fit = fit_mixed(y, np.ones((72, 1)), effects)
    by_likelihood = {**fit.variances, REST: fit.residual_variance}
    # The likelihood is searched to about six digits of its spreads.
    assert by_squares == pytest.approx(by_likelihood, rel=1e-4, abs=1e-6)


def test_order_labels_unit_and_a_shift_of_the_readings_do_not_matter(crossed):
    y, effects = crossed
    rng = np.random.default_rng(2)
    mixed, renamed = rng.permutation(len(y)), rng.permutation(30)
    again = analyse(
        1000 * y[mixed] + 5e4, {k: renamed[g[mixed]] for k, g in reversed(effects.items())}
    ).variances()
    first = analyse(y, effects).variances()
    for name in first:
        assert again[name] == pytest.approx(1e6 * first[name], rel=1e-7)


def test_what_the_readings_cannot_tell_is_left_out_and_named(crossed):
    y, effects = crossed
    first = np.unique(effects["inter"], return_index=True)[1]  # one reading of each part by each person
    assert analyse(y[first], {k: g[first] for k, g in effects.items()}).lost == ("inter",)


# --- counted: intervals hold the truth as often as they say -------------------------------------------

_FUNCTIONS = {
    "patch": source_variance("patch"),
    "technician": source_variance("technician"),
    "technician_by_patch": source_variance("technician_by_patch"),
    REST: source_variance(REST),
    "meter in all": meter_variance,
    "meter's share": share_of(meter_variance),
    "mean of three": lambda v: mean_variance(v, 3),
    "all": total_variance,
}


def held(
    technicians: int, sds: tuple[float, ...], *, gaps: int, studies: int
) -> tuple[dict[str, float], float]:
    """
    Share of studies whose 95 % intervals hold the truth; and the same of an analysis that ignores technicians.

    Ten patches, three readings by each; seed 5.
    """
    from scipy.stats import chi2

    rng = np.random.default_rng(5)
    patch = np.repeat(range(10), 3 * technicians)
    who = np.tile(np.repeat(range(technicians), 3), 10)
    truth = dict(zip(["patch", "technician", "technician_by_patch", REST], np.square(sds), strict=True))
    hits, naive = dict.fromkeys(_FUNCTIONS, 0), 0
    for _ in range(studies):
        y = rng.normal(0, sds[0], 10)[patch] + rng.normal(0, sds[1], technicians)[who]
        y += rng.normal(0, sds[2], 10 * technicians)[patch * technicians + who] + rng.normal(
            0, sds[3], len(y)
        )
        keep = np.sort(rng.permutation(len(y))[gaps:])
        p, w, y = patch[keep], who[keep], y[keep]
        found = analyse(y, {"patch": p, "technician": w, "technician_by_patch": p * technicians + w})
        known = Components(found.variances(), found.draws(2_000), 0.95)
        for name, function in _FUNCTIONS.items():
            low, high = np.quantile(function(known.draws), [0.025, 0.975])
            hits[name] += low <= function(truth) <= high
        mean = np.bincount(p, y) / np.bincount(p)
        ss, df = ((y - mean[p]) ** 2).sum(), len(y) - 10
        naive += ss / chi2.isf(0.025, df) <= meter_variance(truth) <= ss / chi2.isf(0.975, df)
    return {k: h / studies for k, h in hits.items()}, naive / studies


@pytest.mark.parametrize(
    ("technicians", "sds", "gaps"),
    [
        (3, (3, 0.3, 0.15, 0.35), 0),
        (2, (3, 0.3, 0.15, 0.35), 0),
        (3, (3, 0.3, 0.15, 0.35), 12),
        (3, (3, 0, 0, 0.35), 0),
    ],
    ids=["three technicians", "two technicians", "gaps", "technicians alike: spreads of zero"],
)
def test_intervals_of_every_source_hold_the_truth_as_often_as_they_say(technicians, sds, gaps):
    shares, _ = held(technicians, sds, gaps=gaps, studies=150)
    # Three standard errors of 150 counts at 0.95 are 0.053.
    assert min(shares.values()) >= 0.95 - 0.053, shares


def test_an_analysis_that_ignores_technicians_holds_the_truth_far_less_often():
    shares, naive = held(3, (3, 0.3, 0.15, 0.35), gaps=0, studies=150)
    assert naive < 0.75
    assert shares["meter in all"] > 0.89
