"""The step model: roughness followed through the process, one curve a step."""

import itertools

import numpy as np
import pandas as pd
import pytest
from plain_scale import PlainScale
from published import figures, table

from finishlab.model.laplace import fit_posterior
from finishlab.model.latent import Observed, Rows, Spread
from finishlab.model.steps import StepCurve
from finishlab.study import Study

HEAD = 'title = "Doors"\npass_means = "one direction"\n'
GOAL = "[goal]\ngloss_20 = { at_least = 84 }\nfaults = { at_most = 0 }\nassurance = 0.9\n"


def one_step(amount="passes = { lowest = 0, highest = 8 }"):
    return Study.from_toml(HEAD + f'[[step]]\nname = "cut"\n{amount}\n' + GOAL)


def theta_of(curve, **values):
    """Return the prior's centre with some parameters set, `cut_floor` for 'cut floor'."""
    theta = curve.prior_mean.copy()
    for name, value in values.items():
        theta[curve.names.index(name.replace("_", " "))] = value
    return theta


def after(curve, theta, passes):
    passes = np.asarray(passes, float)
    return curve.curve(theta, Rows(passes[:, None], np.zeros(len(passes), int)))[0]


PASSES = np.arange(9.0)


# --- one step, on paper ---------------------------------------------------------------------------


def test_a_large_shape_on_roughness_itself_is_exponential_decay():
    curve = StepCurve(one_step().basis)
    theta = theta_of(
        curve, fresh=-0.2, cut_floor=-1.6, cut_rate=np.log(0.5), cut_shape=14, cut_start=0, cut_power=0
    )
    roughness = np.exp(-1.6) + (np.exp(-0.2) - np.exp(-1.6)) * np.exp(-0.5 * PASSES)
    # (1 + x / t)^-t misses exp(-x) by x^2 / (2 t), 7e-6 here.
    np.testing.assert_allclose(after(curve, theta, PASSES), np.log(roughness), atol=1e-4)


@pytest.mark.parametrize("t", [0.5, 2.0, 20.0])
def test_on_the_log_scale_it_is_the_curve_of_the_method(t):
    # s(n) = f + (s0 - f) (1 + k n / t)^(-t), the limit of a power c near 0 (here e^-12).
    curve = StepCurve(one_step().basis)
    theta = theta_of(
        curve,
        fresh=-0.2,
        cut_floor=-1.6,
        cut_rate=np.log(0.7),
        cut_shape=np.log(t),
        cut_start=0,
        cut_power=-12,
    )
    expected = -1.6 + (-0.2 + 1.6) * (1 + 0.7 * PASSES / t) ** -t
    np.testing.assert_allclose(after(curve, theta, PASSES), expected, atol=2e-5)  # c x gap^2


def test_on_the_scale_of_scatter_it_is_the_square_of_roughness_that_decays():
    curve = StepCurve(one_step().basis)
    theta = theta_of(
        curve, fresh=0.3, cut_floor=-1.0, cut_rate=np.log(0.4), cut_shape=14, cut_start=0, cut_power=np.log(2)
    )
    square = np.exp(-2.0) + (np.exp(0.6) - np.exp(-2.0)) * np.exp(-0.4 * PASSES)
    np.testing.assert_allclose(after(curve, theta, PASSES), np.log(square) / 2, atol=1e-4)


def test_no_passes_leave_the_surface_and_very_many_reach_the_floor():
    curve = StepCurve(one_step().basis)
    theta = theta_of(curve, fresh=-0.3, cut_floor=-1.7)
    z = after(curve, theta, [0, 1, 1e9])
    assert z[0] == -0.3
    assert z[2] == pytest.approx(-1.7, abs=1e-6)
    assert z[0] > z[1] > z[2]


@pytest.mark.parametrize("fresh", [-0.5, -3.0])
def test_a_step_moves_toward_its_floor_and_never_past_it(fresh):
    # From above (sanded) or from below (already finer than the pad leaves it).
    rng = np.random.default_rng(1)
    curve = StepCurve(one_step().basis)
    for _ in range(50):
        theta = curve.prior_mean + rng.normal(0, 1.5, len(curve.names)) * curve.prior_sd
        theta[0], floor = fresh, theta[curve.names.index("cut floor")]
        z = after(curve, theta, np.linspace(0, 40, 81))
        assert (np.diff(np.abs(z - floor)) <= 1e-12).all()
        assert np.sign(z - floor).tolist().count(-np.sign(fresh - floor)) == 0


def test_forty_five_seconds_count_as_one_pass():
    passes = StepCurve(one_step().basis)
    seconds = StepCurve(one_step("seconds = { lowest = 0, highest = 360, by = 45 }").basis)
    assert passes.names == seconds.names
    theta = passes.prior_mean
    np.testing.assert_allclose(after(seconds, theta, 45 * PASSES), after(passes, theta, PASSES), rtol=1e-12)


# --- a process of several steps ------------------------------------------------------------------------


def rows_of(study, values):
    """Return each process after each of its steps."""
    k = len(study.steps)
    return Rows(np.repeat(values, k, axis=0), np.tile(np.arange(k), len(values)))


def test_a_step_starts_where_the_one_before_left_off(bench):
    study, rng = bench.study, np.random.default_rng(2)
    curve = StepCurve(study.basis)
    theta = curve.prior_mean + rng.normal(0, 1, len(curve.names)) * curve.prior_sd
    # What an earlier step's settings do beyond the roughness they leave is switched off here.
    theta[[" after " in name for name in curve.names]] = 0.0
    p = dict(zip(curve.names, theta, strict=True))
    process = {
        "sand_grit": "P2000",
        "cut_pad": "foam",
        "cut_product": "compound B",
        "cut_passes": 3,
        "polish_passes": 2,
    }
    got = curve.curve(theta, rows_of(study, study.basis.values(pd.DataFrame([process]))))[0]

    def worked(z, step, choices, n):
        words = [
            "",
            *[f" {c}" for c in choices],
            *[f" {a} {b}" for a, b in itertools.combinations(choices, 2)],
        ]
        floor, k = (sum(p[f"{step} {what}{w}"] for w in words) for what in ("floor", "rate"))
        t, m, c = (np.exp(p[f"{step} {what}"]) for what in ("shape", "start", "power"))
        left = (1 + (np.exp(k) * n) ** m / t) ** -t
        return np.log(np.exp(c * floor) + (np.exp(c * z) - np.exp(c * floor)) * left) / c

    sanded = worked(p["fresh"], "sand", ["P2000"], 4)
    cut = worked(sanded, "cut", ["foam", "compound B"], 3)
    np.testing.assert_allclose(got, [sanded, cut, worked(cut, "polish", [], 2)], rtol=1e-9)


def test_a_left_out_step_leaves_the_state_whatever_its_settings(bench):
    study = bench.study
    curve = StepCurve(study.basis)
    values = np.vstack(list(study.basis.chunks()))
    left_out = values[values[:, study.basis.column("polish_passes")] == 0]
    z, jacobian = curve.curve(curve.prior_mean, rows_of(study, left_out))
    z, jacobian = z.reshape(-1, 3), jacobian.reshape(-1, 3, len(curve.names))
    assert (z[:, 1] == z[:, 2]).all()
    assert (jacobian[:, 1] == jacobian[:, 2]).all()
    # What comes later changes nothing of what was read before.
    polished = values[values[:, study.basis.column("polish_passes")] == 5]
    assert (
        curve.curve(curve.prior_mean, rows_of(study, polished))[0].reshape(-1, 3)[:, :2] == z[:, :2]
    ).all()


@pytest.mark.parametrize("seed", range(4))
def test_the_derivatives_agree_with_differences(bench, seed):
    study, rng = bench.study, np.random.default_rng(seed)
    curve = StepCurve(study.basis)
    values = np.vstack(list(study.basis.chunks()))
    rows = rows_of(study, values[rng.choice(len(values), 12)])
    theta = curve.prior_mean + rng.normal(0, 0.8, len(curve.names)) * curve.prior_sd
    _, jacobian = curve.curve(theta, rows)
    step = 1e-5
    for j in range(len(theta)):
        up, down = theta.copy(), theta.copy()
        up[j] += step
        down[j] -= step
        numerical = (curve.curve(up, rows)[0] - curve.curve(down, rows)[0]) / (2 * step)
        # Central differences of doubles leave about 1e-9.
        np.testing.assert_allclose(jacobian[:, j], numerical, atol=2e-8, err_msg=curve.names[j])


def test_every_process_of_a_study_has_a_finite_curve_far_from_the_priors_centre(bench):
    study, rng = bench.study, np.random.default_rng(5)
    curve = StepCurve(study.basis)
    rows = rows_of(study, np.vstack(list(study.basis.chunks())))
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        for _ in range(20):
            theta = curve.prior_mean + rng.normal(0, 3, len(curve.names)) * curve.prior_sd
            z, jacobian = curve.curve(theta, rows)
            assert np.isfinite(z).all()
            assert np.isfinite(jacobian).all()


def test_priors_put_coarser_grits_higher_and_later_pads_lower(bench):
    curve = StepCurve(bench.study.basis)
    p = dict(zip(curve.names, curve.prior_mean, strict=True))
    assert p["sand floor P1500"] > p["sand floor P2000"] > p["sand floor P3000"]
    assert p["sand floor"] > p["cut floor"] > p["polish floor"]
    # The two grades that anchor the priors read 3 % and 33 % of the ceiling.
    for grade, share in (("P1500", 0.03), ("P3000", 0.33)):
        z = p["sand floor"] + p[f"sand floor {grade}"]
        assert np.exp(-np.exp(2 * z)) == pytest.approx(share, rel=1e-9)


# --- the whole engine on certified data ----------------------------------------------------------------


class Bare(StepCurve):
    """The curve alone: nothing is taken to be missed by it."""

    def __init__(self, basis):
        super().__init__(basis)
        self.misses = ()

    def likeness(self, a, b):
        return []

    def own(self, rows):
        return []


def misra1a(start_rate):
    """Fit NIST's Misra1a as one step: from 0 toward the floor b1, at rate b2 a second.

    y = b1 (1 - exp(-b2 x)) is the step's curve for a large shape on the log scale, with z
    the reading in hundreds; the priors of b1 and b2 are wide, the rest is held.
    """
    data = table("strd_misra1a")
    seconds = ", ".join(f"{x:g}" for x in data["x"])
    study = one_step(f"seconds = [{seconds}]")
    curve = Bare(study.basis)
    centre = {
        "fresh": 0.0,
        "cut_floor": 2.0,
        "cut_rate": np.log(45 * start_rate),
        "cut_shape": 25.0,
        "cut_start": 0.0,
        "cut_power": -17.0,
    }
    curve.prior_mean = theta_of(curve, **centre)
    curve.prior_sd = np.full(len(curve.names), 1e-9)
    curve.prior_sd[[curve.names.index("cut floor"), curve.names.index("cut rate")]] = 10.0, 5.0
    n = len(data)
    rows = Rows(data["x"].to_numpy(float)[:, None], np.zeros(n, int))
    observed = Observed(rows, data["y"].to_numpy(float) / 100, np.ones(n), np.arange(n), np.arange(n))
    tiny = [Spread(name, 1e-6, 1e-3) for name in ("panel", "patch")]
    spreads = [*tiny, Spread("reading", 2e-3, 2.0), Spread("meter", 1e-6, 1e-3)]
    return curve, fit_posterior(curve, observed, spreads, lambda _: PlainScale(), None, 1)


@pytest.mark.parametrize("start_rate", [0.0001, 0.0005])
def test_the_engine_finds_the_certified_curve_of_misra1a(start_rate):
    # NIST StRD, nonlinear least squares; both of NIST's starting rates.
    curve, posterior = misra1a(start_rate)
    certified = figures("strd_nonlinear_expected", dataset="Misra1a", kind="estimate")
    errors = figures("strd_nonlinear_expected", dataset="Misra1a", kind="std_error")
    whole = figures("strd_nonlinear_expected", dataset="Misra1a", kind="value")
    pick = [curve.names.index("cut floor"), curve.names.index("cut rate")]
    draw = posterior.draws[0]
    _, jacobian = curve.curve(draw.theta, posterior.observed.rows)
    # The draw's own mode, one step on from the point it was made linear at.
    mode = curve.prior_mean + curve.prior_sd**2 * (jacobian.T @ draw.weights)
    b1, b2 = 100 * mode[pick[0]], np.exp(mode[pick[1]]) / 45
    # Four to five digits: the engine stops where a further move is below 1e-3 of a prior's spread,
    # and the priors, 10 and 5 wide, pull by some 1e-6.
    assert b1 == pytest.approx(certified["b1"], rel=3e-5)
    assert b2 == pytest.approx(certified["b2"], rel=3e-5)
    # Standard errors in terms of the residual spread, which the engine draws rather than plugs in.
    scaled = (jacobian * curve.prior_sd)[:, pick]
    half = np.linalg.solve(draw.root, scaled)
    cov = np.diag(curve.prior_sd[pick]) @ (np.eye(2) - half.T @ half) @ np.diag(curve.prior_sd[pick])
    se = np.sqrt(np.diag(cov)) / draw.spreads["reading"]
    assert se[0] == pytest.approx(errors["b1"] / whole["residual_sd"], rel=1e-3)
    assert se[1] * b2 / 100 == pytest.approx(errors["b2"] / whole["residual_sd"], rel=1e-3)
    spread = 100 * np.median(posterior.spread("reading"))
    # The median of what 14 points leave open of a spread lies within 5 % of the estimate.
    assert spread == pytest.approx(whole["residual_sd"], rel=0.08)
