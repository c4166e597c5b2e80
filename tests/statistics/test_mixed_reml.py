"""Several random effects and their degrees of freedom, against published analyses and R's own packages."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from published import digits, figures, table
from skips import ANYWHERE

from finishlab.errors import ModelError
from finishlab.statistics import contrasts, f_test, fit_mixed, fit_panels, in_terms, sum_coded, term_test


def dummies(labels, levels):
    """Columns of all levels but the first, 1 at theirs: what R calls treatment contrasts."""
    return np.column_stack([(labels == level).to_numpy(float) for level in levels[1:]])


def penicillin():
    data = table("mixed_penicillin")
    return data["diameter"], np.ones((len(data), 1)), {"plate": data["plate"], "sample": data["sample"]}


def paste():
    data = table("mixed_pigment_paste_nested")
    sample = data["batch"].astype(str) + "/" + data["sample"].astype(str)
    return data["moisture"], np.ones((len(data), 1)), {"batch": data["batch"], "sample": sample}


def oats(interaction=True):
    data = table("mixed_oats")
    n = dummies(data["N"], sorted(data["N"].unique()))
    v = dummies(data["V"], ["Golden.rain", "Marvellous", "Victory"])
    both = [n[:, [i]] * v[:, [j]] for j in range(2) for i in range(3)] if interaction else []
    matrix = np.column_stack([np.ones(len(data)), n, v, *both])
    return data["Y"], matrix, {"B": data["B"], "V:B": data["V"] + data["B"]}


def npk():
    data = table("mixed_npk")
    settings = [data[name].to_numpy(float) for name in "NPK"]
    return data["yield"], np.column_stack([np.ones(len(data)), *settings]), {"block": data["block"]}


def cake():
    data = table("mixed_cake")
    whole = data["recipe"] + data["replicate"].astype(str)
    columns = [dummies(data["recipe"], list("ABC")), data["temp"].to_numpy(float)]
    return data["angle"], np.column_stack([np.ones(len(data)), *columns]), {"recipe:replicate": whole}


#: Source beside each; the name of the model in the file of expected figures, and its fixed terms.
CASES = {
    # Davies (1947); Bates (2010), lme4, chapter 2: crossed plates and samples.
    "penicillin": (penicillin, "diameter ~ 1 + (1|plate) + (1|sample)", ["(Intercept)"]),
    # Box, Hunter & Hunter (2005), table 9.8: samples nested in batches.
    "pigment_paste_nested": (paste, "moisture ~ 1 + (1|batch) + (1|sample)", ["(Intercept)"]),
    # Yates (1935); Venables & Ripley (2002), section 10.2: split plots.
    "oats": (
        oats,
        "Y ~ N*V + (1|B/V)",
        ["(Intercept)", "N0.2cwt", "N0.4cwt", "N0.6cwt", "VMarvellous", "VVictory"]
        + [f"N0.{n}cwt:V{v}" for v in ("Marvellous", "Victory") for n in (2, 4, 6)],
    ),
    # Venables & Ripley (2002): a 2^3 confounded in blocks.
    "npk": (npk, "yield ~ N + P + K + (1|block)", ["(Intercept)", "N1", "P1", "K1"]),
    # Cochran & Cox (1957), section 7: split plots with a covariate.
    "cake": (
        cake,
        "angle ~ recipe + temp + (1|recipe:replicate)",
        ["(Intercept)", "recipeB", "recipeC", "temp"],
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_spreads_coefficients_and_both_kinds_of_degrees_of_freedom_agree_with_r(name):
    read, model, names = CASES[name]
    expected = figures(f"mixed_{name}_expected", model=model)
    y, x, groups = read()
    fit = fit_mixed(y, x, groups)
    for group, variance in fit.variances.items():
        # Their search stops a little short of the best: of the paste, where a closed form is known,
        # R's figure is 3e-7 off and ours 1e-9.
        assert variance == pytest.approx(expected[f"var[{group}:(Intercept)]"], rel=1e-6)
    assert fit.residual_variance == pytest.approx(expected["var[Residual]"], rel=1e-6)
    assert fit.criterion == pytest.approx(expected["REML_criterion (-2 log restricted likelihood)"], rel=1e-9)
    for method, tag in (("satterthwaite", "Satterthwaite"), ("kenward-roger", "KenwardRoger")):
        found = contrasts(fit, np.eye(len(names)), method=method)
        # Numerical curvature there, exact here: five digits are promised, about seven agree.
        for i, term in enumerate(names):
            if f"coef[{term}]" in expected:
                assert found.value[i] == pytest.approx(expected[f"coef[{term}]"], rel=1e-7, abs=1e-9)
            assert found.se[i] == pytest.approx(
                expected[f"se[{term}]" if method == "satterthwaite" else f"se_{tag}[{term}]"], rel=1e-6
            )
            assert found.df[i] == pytest.approx(expected[f"df_{tag}[{term}]"], rel=1e-5)
            assert found.p()[i] == pytest.approx(expected[f"p_{tag}[{term}]"], rel=1e-4)


def test_balanced_nested_and_crossed_studies_come_out_as_their_closed_form():
    for name, groups in (
        ("pigment_paste_nested", ("batch", "sample within batch")),
        ("penicillin", ("plate", "sample")),
    ):
        model = "balanced ANOVA, method of moments (equals REML here)"
        expected = figures(f"mixed_{name}_expected", model=model)
        fit = fit_mixed(*CASES[name][0]())
        # Closed form, so only our own search and rounding are between.
        np.testing.assert_allclose(
            list(fit.variances.values()), [expected[f"var[{g}]"] for g in groups], rtol=1e-7
        )
        assert fit.residual_variance == pytest.approx(expected["var[Residual]"], rel=1e-7)


def test_ignoring_the_nesting_gives_another_spread_and_fails_the_published_one():
    y, x, groups = paste()
    wrong = fit_mixed(y, x, {"batch": groups["batch"]})
    assert abs(wrong.variances["batch"] / 7.19345 - 1) > 0.5


def test_a_start_and_a_slope_that_go_together_agree_with_the_published_sleep_study():
    # Belenky et al. (2003); Bates et al. (2015), J. Stat. Software 67(1), tables: 612.10, 35.07, 654.94.
    data = table("mixed_sleepstudy")
    y, x = data["Reaction"].to_numpy(float), np.column_stack([np.ones(180), data["Days"]])
    expected = figures("mixed_sleepstudy_expected", model="Reaction ~ Days + (Days|Subject)")
    fit = fit_mixed(y, x, {"subject": (data["Subject"], x)})
    cov = fit.covariance("subject")
    assert cov[0, 0] == pytest.approx(expected["var[Subject:(Intercept)]"], rel=1e-6)
    assert cov[1, 1] == pytest.approx(expected["var[Subject:Days]"], rel=1e-6)
    for method, tag in (("satterthwaite", "Satterthwaite"), ("kenward-roger", "KenwardRoger")):
        found = contrasts(fit, np.eye(2), method=method)
        for i, term in enumerate(("(Intercept)", "Days")):
            assert found.df[i] == pytest.approx(expected[f"df_{tag}[{term}]"], rel=1e-5)
    apart = fit_mixed(y, x, {"start": data["Subject"], "slope": (data["Subject"], x[:, [1]])})
    expected = figures("mixed_sleepstudy_expected", model="Reaction ~ Days + (1|Subject) + (0+Days|Subject)")
    assert apart.variances["start"] == pytest.approx(expected["var[Subject:(Intercept)]"], rel=1e-6)
    assert apart.variances["slope"] == pytest.approx(expected["var[Subject.1:Days]"], rel=1e-6)
    assert contrasts(apart, np.eye(2)).df[1] == pytest.approx(expected["df_KenwardRoger[Days]"], rel=1e-5)


def test_profile_intervals_of_spreads_are_the_published_ones():
    # lme4's profile, by plain maximum likelihood: 14.38 to 37.72 and 22.90 to 28.86.
    data = table("mixed_sleepstudy")
    x = np.column_stack([np.ones(180), data["Days"]])
    expected = figures("mixed_sleepstudy_expected", model="Reaction ~ Days + (Days|Subject)")
    fit = fit_mixed(data["Reaction"], x, {"subject": (data["Subject"], x)}, restricted=False)
    for name, theirs in (("subject", "sd_(Intercept)|Subject"), ("residual", "sigma")):
        ends = [expected[f"profile_CI95_{end}[{theirs}] (ML profile)"] for end in ("lower", "upper")]
        # R reads the ends off a spline through some points of the profile.
        np.testing.assert_allclose(fit.sd_interval(name), ends, rtol=1e-4)


def test_a_spread_of_zero_has_an_interval_from_zero_and_degrees_of_freedom_that_keep_it_in_mind():
    # Box & Tiao (1973): the estimate is exactly 0. Satterthwaite then forgets the batches (29), Kenward
    # and Roger do not: five, as six batches leave.
    data = table("mixed_dyestuff2")
    fit = fit_mixed(data["Yield"], np.ones((30, 1)), {"batch": data["Batch"]})
    expected = figures("mixed_dyestuff2_expected", model="Yield ~ 1 + (1|Batch)")
    assert fit.variances["batch"] == 0.0
    assert fit.criterion == pytest.approx(expected["REML_criterion (-2 log restricted likelihood)"], rel=1e-9)
    assert contrasts(fit, [1.0], method="satterthwaite").df[0] == pytest.approx(29, rel=1e-9)
    assert contrasts(fit, [1.0]).df[0] == pytest.approx(5, rel=1e-9)
    low, high = fit.sd_interval("batch")
    assert low == 0.0
    assert 1 < high < 4
    assert fit.share_interval("residual")[1] == 1.0


#: R's figures for twelve invented studies of unequal size; `make_mixed_panels.R` makes both files anew.
STUDIES = table("mixed_panels").groupby("study", sort=False)
TERMS = ("(Intercept)", "grit", "passes", "padmicrofibre", "padwool")


@pytest.mark.parametrize("name", [name for name, _ in STUDIES])
def test_unequal_invented_studies_agree_with_r_the_boundary_among_them(name):
    data = STUDIES.get_group(name)
    rows = table("mixed_panels_expected").query("study == @name").set_index("quantity")["value"]
    groups = {k: data[k].to_numpy() for k in dict.fromkeys(["panel", rows["random"]])}
    expected = pd.to_numeric(rows, errors="coerce")
    x = np.column_stack(
        [np.ones(len(data)), data["grit"], data["passes"], data["pad"] == "microfibre", data["pad"] == "wool"]
    )
    fit = fit_mixed(data["y"], x.astype(float), groups)
    for group, variance in fit.variances.items():
        # Theirs stops at some 1e-14 where the best is 0.
        assert variance == pytest.approx(expected[f"var[{group}]"], rel=1e-5, abs=1e-9)
    assert fit.criterion == pytest.approx(expected["criterion"], rel=1e-9)
    for method in ("satterthwaite", "kenward-roger"):
        found = contrasts(fit, np.eye(5), method=method)
        for i, term in enumerate(TERMS):
            se = f"se[{term}]" if method == "satterthwaite" else f"se_{method}[{term}]"
            assert found.se[i] == pytest.approx(expected[se], rel=1e-5)
            # Five digits: the curvature that R takes is numerical.
            assert found.df[i] == pytest.approx(expected[f"df_{method}[{term}]"], rel=1e-5)
        test = f_test(fit, np.eye(5)[3:], method=method)
        assert test.f == pytest.approx(expected[f"F_{method}[pad]"], rel=1e-5)
        assert test.df_error == pytest.approx(expected[f"df_{method}[pad]"], rel=1e-5)
        assert test.p == pytest.approx(expected[f"p_{method}[pad]"], rel=1e-4)


@pytest.mark.parametrize("name", [name for name, _ in STUDIES])
def test_unequal_terms_are_tested_as_r_tests_them(name):
    data = STUDIES.get_group(name)
    rows = table("mixed_panels_expected").query("study == @name").set_index("quantity")["value"]
    x = ((data["passes"] - 4.5) / 3.5).to_numpy()[:, None]
    pad = sum_coded(data["pad"].to_numpy(), ["foam", "microfibre", "wool"])
    terms = in_terms({"pad": pad, "x": x}, [("pad",), ("x",), ("pad", "x")])
    groups = {k: data[k].to_numpy() for k in dict.fromkeys(["panel", rows["random"]])}
    fit = fit_mixed(data["y"], terms.matrix, groups)
    for kind in ("II", "III"):
        for term in (("pad",), ("x",), ("pad", "x")):
            test = term_test(fit, terms, term, kind=kind)
            assert test.f == pytest.approx(float(rows[f"F_{kind}[{':'.join(term)}]"]), rel=1e-5)
            assert test.df_error == pytest.approx(float(rows[f"df_{kind}[{':'.join(term)}]"]), rel=1e-5)


def test_one_random_effect_is_the_same_in_closed_form():
    data = STUDIES.get_group("panels_6")
    x = np.column_stack([np.ones(len(data)), data["passes"]])
    general = fit_mixed(data["y"], x, {"panel": data["panel"]})
    closed = fit_panels(x, data["y"], data["panel"])
    assert general.variances["panel"] == pytest.approx(closed.panel_sd**2, rel=1e-6)  # its search's tolerance
    np.testing.assert_allclose(general.se, closed.se, rtol=1e-6)
    assert general.criterion == pytest.approx(closed.criterion, rel=1e-10)


def test_what_must_not_matter_does_not_and_many_labels_give_the_same_by_another_road(monkeypatch):
    data = STUDIES.get_group("halves_8")
    x = np.column_stack([np.ones(len(data)), data["passes"], data["grit"]])
    groups = {"panel": data["panel"].to_numpy(), "half": data["half"].to_numpy()}
    fit = fit_mixed(data["y"], x, groups)
    order = np.random.default_rng(1).permutation(len(data))
    other = fit_mixed(
        25.4 * data["y"].to_numpy()[order],
        x[order],
        {"half": groups["half"][order], "panel": groups["panel"][order]},
    )
    # 1e-6: the search's own tolerance, by a different road.
    np.testing.assert_allclose(other.coef, 25.4 * fit.coef, rtol=1e-6)
    for name, variance in fit.variances.items():
        assert other.variances[name] == pytest.approx(25.4**2 * variance, rel=1e-6)
    np.testing.assert_allclose(contrasts(other, np.eye(3)).df, contrasts(fit, np.eye(3)).df, rtol=1e-5)
    monkeypatch.setattr("finishlab.statistics.effect_blocks._DENSE", 0)
    monkeypatch.setattr("finishlab.statistics.effect_blocks._CHUNK", 3)
    sparse = fit_mixed(data["y"], x, groups)
    for name, variance in fit.variances.items():
        assert sparse.variances[name] == pytest.approx(variance, rel=1e-4)  # not polished there
    np.testing.assert_allclose(contrasts(sparse, np.eye(3)).df, contrasts(fit, np.eye(3)).df, rtol=1e-3)


def test_predictions_of_the_random_effects_are_means_pulled_in():
    # One-way, balanced, on paper: each mean's distance from the whole times m s_a^2 / (m s_a^2 + s^2).
    data = table("mixed_dyestuff")
    fit = fit_mixed(data["Yield"], np.ones((30, 1)), {"batch": data["Batch"]})
    away = data.groupby("Batch")["Yield"].mean() - data["Yield"].mean()
    pull = 5 * fit.variances["batch"] / (5 * fit.variances["batch"] + fit.residual_variance)
    np.testing.assert_allclose(fit.effects["batch"], pull * away[fit.labels["batch"]], rtol=1e-9)


# --- analysis of variance without random effects -----------------------------------------------------


STRD = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"
#: Digits that double precision leaves: the readings of the second three carry 7 and 13 leading
#: digits that are always the same, which a sum of squares cannot have for its own.
ANOVA = {"SiRstv": 12, "SmLs01": 13, "SmLs02": 12, "SmLs03": 12, "SmLs04": 8, "SmLs07": 1}


@pytest.mark.parametrize("name", ANOVA)
def test_one_way_analyses_of_nist_come_out_as_certified(name):
    # NIST Statistical Reference Datasets, analysis of variance.
    if name == "SiRstv":
        data = table("strd_sirstv")
        group, y = data.iloc[:, 0].to_numpy(), data.iloc[:, 1].to_numpy(float)
    else:
        file = STRD / f"{name}.dat"
        if not file.exists():
            pytest.skip(ANYWHERE["readings"])
        group, y = np.loadtxt(file, skiprows=60).T
    expected = figures("strd_anova_expected", dataset=name)
    levels = list(np.unique(group))
    terms = in_terms({"group": sum_coded(group, levels)}, [("group",)])
    fit = fit_mixed(y, terms.matrix, {})
    test = term_test(fit, terms, ("group",))
    assert (test.df, round(test.df_error)) == (expected["df_between"], expected["df_within"])
    assert digits(test.f, expected["F"]) >= ANOVA[name]
    assert digits(np.sqrt(fit.residual_variance), expected["residual_sd"]) >= ANOVA[name]


def test_unbalanced_two_way_tests_and_adjusted_means_are_the_published_ones():
    # Moore & Krupat (1971); Fox & Weisberg: type II F 10.1207 and 4.1846, by R's car; means by emmeans.
    data = table("anova_moore")
    levels = {"fcategory": ["low", "medium", "high"], "partner.status": ["low", "high"]}
    coded = {name: sum_coded(data[name].to_numpy(), of) for name, of in levels.items()}
    terms = in_terms(coded, [("fcategory",), ("partner.status",), ("fcategory", "partner.status")])
    fit = fit_mixed(data["conformity"], terms.matrix, {})
    for kind, model in (("II", "Type II"), ("III", "Type III (sum contrasts)")):
        expected = figures("anova_moore_expected", model=model)
        for term in terms.columns:
            if term:
                test, name = term_test(fit, terms, term, kind=kind), ":".join(term)
                assert test.f == pytest.approx(expected[f"F[{name}]"], rel=1e-9)
                assert test.p == pytest.approx(expected[f"p[{name}]"], rel=1e-8)
    means = figures("anova_moore_expected", model="emmeans of fcategory")
    rows = np.array([terms.weights({"fcategory": code}) for code in np.vstack([np.eye(2), [-1, -1]])])
    found = contrasts(fit, rows)
    low, high = found.interval(0.95)
    for i, level in enumerate(levels["fcategory"]):
        got = [found.value[i], found.se[i], found.df[i], low[i], high[i]]
        wanted = [means[f"{q}[{level}]"] for q in ("emmean", "SE", "df", "lower.CL", "upper.CL")]
        np.testing.assert_allclose(got, wanted, rtol=1e-9)


def test_type_one_where_type_two_is_wanted_fails():
    # The wrong way that must fail: the category taken before the partner, sums of squares in sequence.
    assert figures("anova_moore_expected", model="Type I (fcategory first)")["F[fcategory]"] == pytest.approx(
        0.089, abs=1e-3
    )
    assert figures("anova_moore_expected", model="Type II")["F[fcategory]"] == pytest.approx(0.277, abs=1e-3)


def test_a_confounded_factorial_in_blocks_gives_the_published_table():
    # Venables & Ripley (2002): F 4.447 of blocks, 12.259 of N, 6.166 of K; N:P:K is the blocks' own.
    data = table("mixed_npk")
    expected = figures("mixed_npk_expected", model="lm: yield ~ block + N*P*K (NPK aliased with blocks)")
    coded = {"block": sum_coded(data["block"].to_numpy(), sorted(data["block"].unique()))}
    coded |= {name: sum_coded(data[name].to_numpy(), [0, 1]) for name in "NPK"}
    pairs = [("N",), ("P",), ("K",), ("N", "P"), ("N", "K"), ("P", "K")]
    terms = in_terms(coded, [("block",), *pairs])
    fit = fit_mixed(data["yield"], terms.matrix, {})
    for term in [("block",), *pairs]:
        assert term_test(fit, terms, term).f == pytest.approx(expected[f"F[{':'.join(term)}]"], rel=1e-9)
    with pytest.raises(ModelError, match="13 columns of the model hold only 12 different ones"):
        fit_mixed(data["yield"], in_terms(coded, [("block",), *pairs, ("N", "P", "K")]).matrix, {})


def test_split_plots_are_tested_against_the_stratum_they_are_in():
    # Yates (1935): varieties F 1.4853 on 2 and 10, nitrogen 37.686 on 3 and 45, both 0.3028 on 6 and 45.
    expected = figures("mixed_oats_expected", model="aov: Y ~ N*V + Error(B/V)")
    data = table("mixed_oats")
    coded = {name: sum_coded(data[name].to_numpy(), sorted(data[name].unique())) for name in "NV"}
    terms = in_terms(coded, [("N",), ("V",), ("N", "V")])
    fit = fit_mixed(data["Y"], terms.matrix, {"B": data["B"], "plot": data["V"] + data["B"]})
    for term, stratum, df in ((("V",), "B:V", 10), (("N",), "Within", 45), (("N", "V"), "Within", 45)):
        test = term_test(fit, terms, term)
        assert test.f == pytest.approx(expected[f"stratum {stratum}: F[{':'.join(term)}]"], rel=1e-8)
        assert test.df_error == pytest.approx(df, rel=1e-8)
    # The wrong error: plots ignored, varieties look six times as sure.
    assert term_test(fit_mixed(data["Y"], terms.matrix, {}), terms, ("V",)).df_error == pytest.approx(60)


def test_cakes_are_tested_as_published():
    # Cochran & Cox (1957): F 0.2488 on 2, 42 of recipes, 20.520 on 5, 210 of temperature.
    data = table("mixed_cake")
    expected = figures("mixed_cake_expected", model="angle ~ recipe*factor(temp) + (1|recipe:replicate)")
    coded = {n: sum_coded(data[n].to_numpy(), sorted(data[n].unique())) for n in ("recipe", "temp")}
    terms = in_terms(coded, [("recipe",), ("temp",), ("recipe", "temp")])
    fit = fit_mixed(data["angle"], terms.matrix, {"whole": data["recipe"] + data["replicate"].astype(str)})
    for term, name in (
        (("recipe",), "recipe"),
        (("temp",), "factor(temp)"),
        (("recipe", "temp"), "recipe:factor(temp)"),
    ):
        test = term_test(fit, terms, term)
        assert test.f == pytest.approx(expected[f"F_Kenward-Roger[{name}]"], rel=1e-5)
        assert test.df_error == pytest.approx(expected[f"dendf_Kenward-Roger[{name}]"], rel=1e-6)


# --- messages, and what is an answer ------------------------------------------------------------------


def test_terms_that_cannot_be_told_are_named_all_at_once():
    y, x = np.arange(8.0), np.ones((8, 1))
    groups = {
        "panel": np.repeat([1, 2], 4),
        "lot": np.repeat(["a", "b"], 4),
        "technician": ["T1"] * 8,
        "patch": np.arange(8),
    }
    with pytest.raises(ModelError) as caught:
        fit_mixed(y, x, groups)
    assert caught.value.mistakes == (
        "panel and lot always changed together: their spreads cannot be told apart. Leave one out.",
        "technician is 'T1' in every row: one says nothing of how they differ. Leave technician out.",
        "every row has a patch of its own: it cannot be told from the rest. Leave patch out.",
    )


def test_labels_for_other_rows_are_refused():
    with pytest.raises(ModelError, match=r"panel has 3 labels for 8 rows; it must have one a row\."):
        fit_mixed(np.arange(8.0), np.ones((8, 1)), {"panel": [1, 2, 3]})


def test_readings_without_any_scatter_are_an_answer():
    x = np.column_stack([np.ones(8), np.arange(8.0)])
    fit = fit_mixed(4 + 2 * np.arange(8.0), x, {"panel": np.repeat([1, 2], 4)})
    np.testing.assert_allclose(fit.coef, [4, 2], rtol=1e-12)
    assert fit.residual_variance == 0
    assert fit.sd_interval("panel") == (0.0, 0.0)
    found = contrasts(fit, np.eye(2))
    assert (found.se == 0).all()
    assert f_test(fit, np.eye(2)[1:]).p == 0.0


def test_degrees_of_freedom_of_plain_likelihood_are_refused():
    data = table("mixed_dyestuff")
    fit = fit_mixed(data["Yield"], np.ones((30, 1)), {"batch": data["Batch"]}, restricted=False)
    # By plain likelihood 1388.33 (Bates 2010), too little beside the restricted 1764.05.
    assert fit.variances["batch"] == pytest.approx(1388.33, abs=0.01)
    with pytest.raises(ModelError, match="restricted likelihood"):
        contrasts(fit, [1.0])
