"""All pairs at once, against published pairs."""

import numpy as np
import pytest
from published import figures, table
from test_mixed_reml import oats

from finishlab.statistics import (
    all_pairs,
    contrasts,
    fit_mixed,
    in_terms,
    sum_coded,
    term_test,
    together,
    tukey_p,
)


def one_way(data, factor, y, levels, groups):
    matrix = np.column_stack([(data[factor] == level).to_numpy(float) for level in levels])
    return contrasts(fit_mixed(data[y], matrix, groups), all_pairs(len(levels)))


def test_all_pairs_of_three_groups_are_the_published_ones():
    # Dobson (1983), plant growth; R's TukeyHSD: trt2 less trt1 0.865, 0.174 to 1.556, p 0.0120.
    data, levels = table("anova_plantgrowth"), ["trt2", "trt1", "ctrl"]
    expected = figures("anova_plantgrowth_expected", model="TukeyHSD")
    pairs = one_way(data, "group", "weight", levels, {})
    low, high = together(pairs, 3, 0.95)
    p = tukey_p(pairs, 3)
    for i, name in enumerate(("trt2-trt1", "trt2-ctrl", "trt1-ctrl")):
        got = (pairs.value[i], low[i], high[i], p[i])
        wanted = [expected[f"{q}[{name}]"] for q in ("diff", "lwr", "upr", "p adj")]
        # The studentized range is an integral by numbers, here and there: six digits or so.
        np.testing.assert_allclose(got, wanted, rtol=2e-6)
    terms = in_terms({"group": sum_coded(data["group"].to_numpy(), levels)}, [("group",)])
    whole = term_test(fit_mixed(data["weight"], terms.matrix, {}), terms, ("group",))
    published = figures("anova_plantgrowth_expected", model="weight ~ group")
    assert whole.f == pytest.approx(published["F[group]"], rel=1e-9)
    assert whole.p == pytest.approx(published["p[group]"], rel=1e-8)
    # The wrong way that must fail: each pair by itself is surer than the three together are.
    alone = pairs.interval(0.95)
    assert (alone[0] > low).all()
    assert pairs.p()[1] < 0.5 * p[1]


def test_pairs_within_blocks_are_the_published_ones():
    # Pinheiro & Bates (2000), ergoStool; R's emmeans by Kenward and Roger.
    levels = ["T1", "T2", "T3", "T4"]
    data = table("mixed_ergostool")
    expected = figures("mixed_ergostool_expected", model="emmeans Tukey pairs of Type, Kenward-Roger")
    pairs = one_way(data, "Type", "effort", levels, {"subject": data["Subject"]})
    p = tukey_p(pairs, 4)
    names = [f"{a} - {b}" for i, a in enumerate(levels) for b in levels[i + 1 :]]
    for i, name in enumerate(names):
        assert pairs.value[i] == pytest.approx(expected[f"estimate[{name}]"], rel=1e-9)
        assert pairs.se[i] == pytest.approx(expected[f"SE[{name}]"], rel=1e-8)
        assert pairs.df[i] == pytest.approx(expected[f"df[{name}]"], rel=1e-8)
        # Tails of 1e-7 of an integral by numbers agree to a few parts in ten thousand.
        assert p[i] == pytest.approx(expected[f"p.value[{name}]"], rel=1e-3)


def test_adjusted_means_of_a_split_plot_are_the_published_ones():
    # Yates (1935); R's emmeans by Kenward and Roger: 79.4, 98.9, 114.2, 123.4 on 6.79 degrees of freedom.
    data = table("mixed_oats")
    levels = {name: sorted(data[name].unique()) for name in "NV"}
    terms = in_terms({n: sum_coded(data[n].to_numpy(), of) for n, of in levels.items()}, [("N",), ("V",)])
    y, _, groups = oats()
    fit = fit_mixed(y, terms.matrix, groups)
    code = {n: sum_coded(np.array(of), of) for n, of in levels.items()}
    found = contrasts(fit, np.array([terms.weights({"N": c}) for c in code["N"]]))
    means = figures("mixed_oats_expected", model="emmeans, Kenward-Roger")
    for i, level in enumerate(levels["N"]):
        assert found.value[i] == pytest.approx(means[f"emmean[N={level}]"], rel=1e-9)
    rows = np.array([terms.weights({"V": c}) for c in code["V"]])
    pairs = contrasts(fit, all_pairs(3) @ rows)
    expected = figures("mixed_oats_expected", model="Y ~ N + V + (1|B/V), Tukey pairs of V, Kenward-Roger")
    p = tukey_p(pairs, 3)
    names = [f"{a} - {b}" for i, a in enumerate(levels["V"]) for b in levels["V"][i + 1 :]]
    for i, name in enumerate(names):
        assert pairs.value[i] == pytest.approx(expected[f"diff[{name}]"], rel=1e-8)
        assert pairs.se[i] == pytest.approx(expected[f"se[{name}]"], rel=1e-6)
        assert pairs.df[i] == pytest.approx(expected[f"df[{name}]"], rel=1e-6)
        assert p[i] == pytest.approx(expected[f"p_tukey[{name}]"], rel=1e-5)


def test_means_of_a_split_plot_with_its_interaction_have_the_published_degrees_of_freedom():
    data = table("mixed_oats")
    levels = {name: sorted(data[name].unique()) for name in "NV"}
    coded = {n: sum_coded(data[n].to_numpy(), of) for n, of in levels.items()}
    terms = in_terms(coded, [("N",), ("V",), ("N", "V")])
    y, _, groups = oats()
    fit = fit_mixed(y, terms.matrix, groups)
    means = figures("mixed_oats_expected", model="emmeans, Kenward-Roger")
    code = sum_coded(np.array(levels["N"]), levels["N"])
    found = contrasts(fit, np.array([terms.weights({"N": c}) for c in code]))
    for i, level in enumerate(levels["N"]):
        assert found.se[i] == pytest.approx(means[f"se[N={level}]"], rel=1e-6)
        assert found.df[i] == pytest.approx(means[f"df[N={level}]"], rel=1e-6)


def test_pairs_hold_together_as_often_as_stated_and_by_themselves_they_do_not():
    # Four equal levels, 24 rows on 4 panels, 60 studies (seed 7); all six differences are 0.
    rng = np.random.default_rng(7)
    panel, level = np.repeat(range(4), 6), np.tile(np.arange(4), 6)
    held, alone = [], []
    for _ in range(60):
        y = rng.normal(0, 1, 4)[panel] + rng.normal(0, 1, 24)
        pairs = contrasts(fit_mixed(y, np.eye(4)[level], {"panel": panel}), all_pairs(4))
        for ends, found in ((together(pairs, 4, 0.9), held), (pairs.interval(0.9), alone)):
            found.append(bool((ends[0] <= 0).all() and (ends[1] >= 0).all()))
    # Three binomial standard errors of 60 are 11.6 points.
    assert np.mean(held) >= 0.784
    assert np.mean(alone) < 0.75
