"""A fitted model seen as least squares, held to published analyses; and Box and Cox's question.

With priors so wide that they say nothing (1,000 times the readings' spread) the linear view
must give the textbook's figures; what such priors still say is of the order of one part in
a million, which sets the tolerances.
"""

from __future__ import annotations

import numpy as np
import pytest
from published import digits, figures, printed, table

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.model.linear_view import LinearView, linear_view
from finishlab.statistics import fit_panels
from finishlab.statistics.box_cox import box_cox

#: Standard deviation of the priors, in units of the response.
WIDE = 1e3
#: What so wide a prior still says, and what rounding of so large a covariance costs.
CLOSE = 1e-6


def view_of(matrix, y, sd, blocks=None):
    """A least-squares fit as a linear view: wide priors on coefficients and blocks, noise `sd`."""
    n = len(y)
    on = np.zeros(n, int) if blocks is None else np.asarray(blocks)
    panel = np.zeros((n, n)) if blocks is None else WIDE**2 * (on[:, None] == on[None, :])
    process = WIDE**2 * matrix @ matrix.T
    same = np.unique(matrix, axis=0, return_inverse=True)[1].ravel()
    return LinearView(
        residual=y - y.mean(),
        total=process + panel + sd**2 * np.eye(n),
        process=process,
        panel=panel,
        trial=np.arange(n),
        panels=on,
        last=np.ones(n, bool),
        same=same,
    )


def residual_sd(matrix, y):
    b, *_ = np.linalg.lstsq(matrix, y, rcond=None)
    return float(np.sqrt(((y - matrix @ b) ** 2).sum() / (len(y) - np.linalg.matrix_rank(matrix))))


@pytest.fixture(scope="module")
def ccd():
    """Montgomery, Design and Analysis of Experiments, ch. 11: chemical process, central composite."""
    data = table("rsm_chemical_ccd")
    a, b, y = (data[c].to_numpy(float) for c in ("x1", "x2", "yield"))
    matrix = np.column_stack([np.ones(13), a, b, a**2, b**2, a * b])
    return matrix, y, residual_sd(matrix, y)


# --- leverage, residuals, influence (R 4.2.2 on the same data) ------------------------------------


def test_leverage_and_residuals_are_those_of_least_squares(ccd):
    view, known = view_of(*ccd), table("diagnostics_chemical_ccd")
    # How far each reading sets its own fitted value.
    hat = (view.process @ view.inverse)[view.at, view.at]
    np.testing.assert_allclose(hat, known["hat"], atol=CLOSE)
    np.testing.assert_allclose(view.standardised(view.residual), known["rstandard"], atol=CLOSE)


def test_trials_left_out_miss_by_the_published_sum_of_squares(ccd):
    view = view_of(*ccd)
    # PRESS, in the heading of diagnostics_chemical_ccd.csv.
    assert (view.missed(view.residual) ** 2).sum() == pytest.approx(2.3534614970995, rel=CLOSE)


def test_influence_is_cooks_distance_in_units_of_the_reading(ccd):
    matrix, _, sd = ccd
    view = view_of(*ccd)
    moves = view.influence(view.residual[:, None], np.ones(13, bool))[:, 0]
    cook = 13 * moves**2 / (matrix.shape[1] * sd**2)
    np.testing.assert_allclose(cook, table("diagnostics_chemical_ccd")["cooks"], atol=CLOSE)
    np.testing.assert_allclose(np.sqrt((view.moves() ** 2).mean(axis=1)), moves, rtol=1e-9)


def test_a_panel_left_out_is_foretold_by_the_others_alone():
    rng = np.random.default_rng(5)
    x, blocks = rng.standard_normal(12), np.repeat([0, 1, 2], 4)
    matrix = np.column_stack([np.ones(12), x])
    y = 3 + 2 * x + rng.standard_normal(12)
    view = view_of(matrix, y, 1.0)
    view = LinearView(**{**vars_of(view), "panels": blocks})
    missed = view.missed(view.residual, panels=True)
    for k in range(3):
        rest, mine = blocks != k, blocks == k
        b, *_ = np.linalg.lstsq(matrix[rest], y[rest], rcond=None)
        np.testing.assert_allclose(missed[mine], (y - matrix @ b)[mine], atol=1e-4)


def vars_of(view):
    names = ("residual", "total", "process", "panel", "trial", "panels", "last", "same")
    return {name: getattr(view, name) for name in names}


# --- lack of fit against repeats --------------------------------------------------------------------


def test_lack_of_fit_of_the_central_composite_plan_is_as_published(ccd):
    view, known = view_of(*ccd), printed("rsm_chemical_ccd_expected")
    misfit, luck, f = (float(v[0]) for v in view.lack_of_fit(view.residual[:, None]))
    variance = ccd[2] ** 2
    for got, name in (
        (luck * variance, "ss_pure_error (df 4)"),
        (misfit * variance, "ss_lack_of_fit (df 3)"),
    ):
        figure, half = known[name]
        # 0.284373 is printed as 0.284: cut, not rounded, so a whole unit is allowed.
        assert got == pytest.approx(figure, abs=2 * half)
    recomputed = figures("rsm_chemical_ccd_expected", value="recomputed")
    assert f == pytest.approx(recomputed["F_lack_of_fit"], rel=1e-5)
    assert view.to_spare == 4


def test_lack_of_fit_of_the_catapult_is_as_the_handbook_prints_it():
    # NIST/SEMATECH e-Handbook 5.4.7.2: main effects of ln distance.
    data, known = table("doe_catapult_2p5m1"), printed("doe_catapult_2p5m1_expected")
    coded = data[["coded_h", "coded_s", "coded_b", "coded_l", "coded_e"]].to_numpy(float)
    matrix = np.column_stack([np.ones(20), coded])
    y = np.log(data["distance"].to_numpy(float))
    sd = residual_sd(matrix, y)
    view = view_of(matrix, y, sd)
    misfit, luck, f = (float(v[0]) for v in view.lack_of_fit(view.residual[:, None]))
    got = {"ss_lack_of_fit (df 12)": misfit * sd**2, "ss_pure_error (df 2)": luck * sd**2, "F_lack_of_fit": f}
    for name, value in got.items():
        figure, half = known[f"ln main effects: {name}"]
        assert value == pytest.approx(figure, abs=1.01 * half)
    assert view.to_spare == 2


def test_repeats_of_the_pilot_plant_scatter_as_published():
    # Box, Hunter & Hunter (2005) 5.3: a variance of 8 with 8 degrees of freedom.
    data = table("doe_pilot_plant_2p3")
    t, c, k = (data[name].to_numpy(float) for name in "TCK")
    matrix = np.column_stack([np.ones(16), t, c, k, t * c, t * k, c * k, t * c * k])
    y = data["yield"].to_numpy(float)
    view = view_of(matrix, y, np.sqrt(8.0))
    _, luck, _ = view.lack_of_fit(view.residual[:, None])
    assert view.to_spare == 8
    assert float(luck[0]) * 8 / 8 == pytest.approx(
        printed("doe_pilot_plant_2p3_expected")["pooled_variance (8 df)"][0], rel=1e-5
    )
    # and the standard error of an effect that follows from it
    assert np.sqrt(float(luck[0])) * np.sqrt(4 / 16) == pytest.approx(1.4, abs=0.05)


# --- blocks ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def behnken():
    """Box & Behnken (1960), Technometrics 2, 455: four factors, 27 runs in three blocks."""
    study = fl.Study.from_toml(
        'title = "t"\npass_means = "p"\n[[step]]\nname = "cut"\n'
        + "".join(f"x{i} = {{ lowest = -1, highest = 1, by = 1 }}\n" for i in range(1, 5))
        + "[goal]\nfaults = { at_most = 20 }\nassurance = 0.9\n"
    )
    data = table("rsm_box_behnken_4f")
    values = study.basis.values(data.rename(columns={f"x{i}": f"cut_x{i}" for i in range(1, 5)}))
    matrix, names = study.basis.columns(values)
    blocks = data["block"].to_numpy(int)
    coded = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0]])[blocks - 1]  # sum to zero
    return np.column_stack([np.ones(27), matrix]), names, coded, blocks, data["y"].to_numpy(float)


def test_a_plan_in_blocks_has_the_published_coefficients_and_residual(behnken):
    matrix, names, coded, _, y = behnken
    fit = fit_panels(np.hstack([matrix, coded]), y)
    known, exact = (
        printed("rsm_box_behnken_4f_expected"),
        figures("rsm_box_behnken_4f_expected", value="recomputed"),
    )
    short = ["Intercept", *(n.replace("cut_", "").replace(" x ", ":") for n in names)]
    checked = 0
    for name, coef, se in zip(short, fit.coef, fit.se, strict=False):
        key = f"I({name[:-2]} ** 2)" if name.endswith("^2") else name
        # The file's 12 digits.
        assert digits(coef, exact[f"coef[{key}]"]) > 9
        assert digits(se, exact[f"se[{key}]"]) > 9
        if f"coef[{key}]" in known:
            figure, half = known[f"coef[{key}]"]
            assert coef == pytest.approx(figure, abs=1.01 * half)
            checked += 1
    assert checked >= 9
    assert fit.residual_sd == pytest.approx(exact["residual_sd"], rel=1e-10)


def test_blocks_taken_as_panels_leave_the_published_residual(behnken):
    matrix, _, _, blocks, y = behnken
    exact = figures("rsm_box_behnken_4f_expected", value="recomputed")
    view = view_of(matrix, y, exact["residual_sd"], blocks)
    own = (view.total - view.process - view.panel) @ view.inverse @ view.residual
    assert (own**2).sum() == pytest.approx(exact["ss_residual (df 10)"], rel=1e-5)
    ignored = view_of(matrix, y, exact["residual_sd"])  # the wrong analysis leaves the blocks in
    left = (ignored.total - ignored.process) @ ignored.inverse @ ignored.residual
    assert (left**2).sum() > 3 * exact["ss_residual (df 10)"]


# --- figures judged by the model's own draws --------------------------------------------------------


def test_what_the_model_itself_draws_is_seldom_odd(ccd):
    matrix, _, sd = ccd
    rng = np.random.default_rng(1)
    odd = 0
    for _ in range(60):
        view = view_of(matrix, matrix @ rng.standard_normal(6) + sd * rng.standard_normal(13), sd)
        _, p = view.odd(lambda e, view=view: np.abs(view.standardised(e)).max(axis=0))
        odd += p <= 0.05
    # Binomial, 60 trials at 0.05: 9 or more once in 500 times.
    assert odd <= 8


def test_a_trial_six_spreads_off_is_odd(ccd):
    matrix, y, sd = ccd
    off = y.copy()
    off[6] += 6 * sd
    view = view_of(matrix, off, sd)
    _, p = view.odd(lambda e: np.abs(view.standardised(e)).max(axis=0))
    assert p <= 0.002
    assert int(np.abs(view.standardised(view.residual)).argmax()) == 6


def test_the_view_of_a_fitted_model_agrees_with_its_trials_left_out(model):
    # `response.py` reaches the same figures by its own road.
    fit = model.response("gloss_20")
    view = linear_view(fit.posterior, 2)
    np.testing.assert_allclose(view.standardised(view.residual), fit.left_out.standardised, atol=1e-8)


# --- Box and Cox ------------------------------------------------------------------------------------


def wool():
    """Box & Cox (1964), J. R. Stat. Soc. B 26, 211, table 4: cycles to failure."""
    data = table("transform_wool_3p3")
    matrix = np.column_stack([np.ones(27), data[["length", "amplitude", "load"]].to_numpy(float)])
    return matrix, data["cycles"].to_numpy(float)


def test_wool_wants_its_logarithm_as_box_and_cox_found():
    found, known = box_cox(*wool()), printed("transform_wool_3p3_expected")
    names = {
        "boxcox lambda (main effects in coded factors)": found.power,
        "boxcox 95% CI lower": found.low,
        "boxcox 95% CI upper": found.high,
    }
    exact = figures("transform_wool_3p3_expected", value="recomputed")
    for name, got in names.items():
        figure, half = known[name]
        assert got == pytest.approx(figure, abs=1.01 * half)
        # R's ends lie on a grid of 0.001, and what it allows is interpolated.
        assert got == pytest.approx(exact[name], abs=1e-6 if "lambda" in name else 1.5e-3)


def test_ceramic_strength_wants_the_power_that_was_recomputed():
    data = table("doe_ceramic_2p5")
    c = {n: data[n].to_numpy(float) for n in ("speed", "feed", "grit", "direction", "batch")}
    pairs = [("speed", "feed"), ("speed", "grit"), ("speed", "direction"), ("feed", "direction"),
             ("grit", "direction"), ("batch", "direction")]  # fmt: skip
    columns = [
        np.ones(32),
        *c.values(),
        *(c[a] * c[b] for a, b in pairs),
        c["speed"] * c["feed"] * c["direction"],
    ]
    found = box_cox(np.column_stack(columns), data["strength"].to_numpy(float))
    exact = figures("doe_ceramic_2p5_expected", value="recomputed")["boxcox lambda, 12-effect model"]
    # The optimiser's own tolerance on so flat a likelihood.
    assert found.power == pytest.approx(exact, abs=1e-5)
    assert found.low < 0.2 < found.high  # the handbook's 0.2


def test_the_unit_of_the_quantity_does_not_matter_to_the_power():
    matrix, y = wool()
    assert box_cox(matrix, y * 60).power == pytest.approx(box_cox(matrix, y).power, abs=1e-6)


def test_more_terms_than_values_are_refused():
    with pytest.raises(ModelError, match="3 values cannot fit 3 terms and leave a spread to judge by"):
        box_cox(np.eye(3), np.array([1.0, 2.0, 3.0]))
