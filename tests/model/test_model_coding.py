"""From settings to estimates: the one coding of factors against published designed studies."""

import itertools

import numpy as np
import pandas as pd
import pytest
from plain_scale import PlainScale
from published import figures, printed, table
from scipy import stats

from finishlab.model.assurance import job_probability
from finishlab.model.laplace import fit_posterior
from finishlab.model.latent import Observed, Rows, Spread, predict
from finishlab.model.surface import SurfaceCurve
from finishlab.statistics import fit_panels
from finishlab.study import Condition, Job, Study

HEAD = 'title = "Published"\npass_means = "none"\n'
GOAL = "[goal]\nfaults = { at_most = 0 }\nassurance = 0.9\n"


# --- 2^5, NIST/SEMATECH e-Handbook of Statistical Methods 5.4.7.1, ceramic strength ---------------

#: The level names are ours; a choice and a grit code their first (coarse) level high.
CERAMIC = {
    "speed": (10.0, 50.0),
    "feed": (2.0, 6.0),
    "grit": ("P2500", "P1500"),
    "direction": ("along", "across"),
    "batch": ("first", "second"),
}
#: The handbook's 25 terms leave out the four-factor and five-factor ones and no other.
FULL = [c for r in (1, 2, 3) for c in itertools.combinations(CERAMIC, r)]
REDUCED = [(name,) for name in CERAMIC] + [
    ("speed", "feed"),
    ("speed", "grit"),
    ("speed", "direction"),
    ("feed", "direction"),
    ("grit", "direction"),
    ("direction", "batch"),
    ("speed", "feed", "direction"),
]


@pytest.fixture(scope="module")
def ceramic():
    """The study in our words, its coded main columns by name, all columns, and the strengths."""
    text = '[[step]]\nname = "grind"\nspeed = [10, 50]\nfeed = [2, 6]\ngrit = ["P1500", "P2500"]\n'
    text += 'direction = ["across", "along"]\nbatch = ["second", "first"]\n'
    study = Study.from_toml(HEAD + text + GOAL)
    data = table("doe_ceramic_2p5")
    words = {f"grind_{n}": data[n].map({-1: low, 1: high}) for n, (low, high) in CERAMIC.items()}
    values = study.basis.values(pd.DataFrame(words))
    matrix, names = study.basis.columns(values)
    short = [tuple(part.removeprefix("grind_").split("=")[0] for part in n.split(" x ")) for n in names]
    return study, values, dict(zip(short, matrix.T, strict=True)), data["strength"].to_numpy(float)


def fitted(ceramic, terms):
    """Fit some terms; those of three factors are products of coded main columns."""
    _, _, columns, strength = ceramic

    def column(term):
        return columns[term] if term in columns else np.prod([columns[(n,)] for n in term], axis=0)

    return fit_panels(np.column_stack([np.ones(32), *map(column, terms)]), strength)


@pytest.mark.parametrize(("model", "terms"), [("full26", FULL), ("reduced12", REDUCED)])
def test_the_ceramic_study_comes_out_as_the_handbook_prints_it(ceramic, model, terms):
    fit, published = fitted(ceramic, terms), printed("doe_ceramic_2p5_expected")
    got = {
        "r_squared": fit.r2,
        "adj_r_squared": 1 - (1 - fit.r2) * 31 / fit.df_resid,
        "residual_sd": fit.residual_sd,
        "df_residual": fit.df_resid,
    }
    for term, coef, se in zip(terms, fit.coef[1:], fit.se[1:], strict=True):
        f = (coef / se) ** 2
        # The file's names keep the order speed, feed, grit, direction, batch but for this one.
        name = (
            "batch*direction" if model == "reduced12" and term == ("direction", "batch") else "*".join(term)
        )
        got |= {f"F[{name}]": f, f"p[{name}]": stats.f.sf(f, 1, fit.df_resid), f"ss[{name}]": 32 * coef**2}
    checked = 0
    for quantity, (figure, half_a_digit) in published.items():
        if quantity.startswith(f"{model}: "):
            assert got[quantity.removeprefix(f"{model}: ")] == pytest.approx(figure, abs=1.001 * half_a_digit)
            checked += 1
    assert checked >= 24
    assert fit.coef[0] == pytest.approx(published["mean_response"][0], abs=published["mean_response"][1])


def test_effects_have_the_published_size_and_sign(ceramic):
    fit, recomputed = fitted(ceramic, FULL), figures("doe_ceramic_2p5_expected", value="recomputed")
    for term, coef in zip(FULL, fit.coef[1:], strict=True):
        # Two levels coded -1 and 1: the effect, high less low, is twice the coefficient.
        effect = recomputed[f"full26: effect[{'*'.join(term)}] (high minus low)"]
        assert 2 * coef == pytest.approx(effect, abs=1e-6)  # the file's digits


def test_a_coding_of_0_and_1_would_not_give_the_published_effects(ceramic):
    # The wrong coding that must fail: with 0 and 1 a main column means the effect at the others' low level.
    _, _, columns, strength = ceramic
    recomputed = figures("doe_ceramic_2p5_expected", value="recomputed")
    zero_one = {name: (columns[(name,)] + 1) / 2 for name in CERAMIC}
    pairs = [zero_one[a] * zero_one[b] for a, b in itertools.combinations(CERAMIC, 2)]
    fit = fit_panels(np.column_stack([np.ones(32), *zero_one.values(), *pairs]), strength)
    assert abs(fit.coef[1] - recomputed["full26: effect[speed] (high minus low)"]) > 10


# --- the engine of the models on the same data ------------------------------------------------------


class Linear:
    """A model matrix with next to no prior, nothing missed: what the engine calls a curve."""

    misses = ()

    def __init__(self, matrix):
        self.matrix = matrix
        self.prior_mean = np.zeros(matrix.shape[1])
        self.prior_sd = np.full(matrix.shape[1], 1e5)

    def curve(self, theta, rows):
        x = self.matrix[rows.values[:, 0].astype(int)]
        return x @ theta, x

    def likeness(self, a, b):
        return []

    def own(self, rows):
        return []


def observed(values, y):
    n = len(y)
    return Observed(Rows(values, np.zeros(n, int)), y, np.ones(n), np.arange(n), np.arange(n))


#: One spread is free; the others are held next to nothing.
def one_spread(median):
    return [
        Spread("panel", 1e-3, 1e-3),
        Spread("patch", 1e-3, 1e-3),
        Spread("reading", median, 2.0),
        Spread("meter", 1e-2, 1e-3),
    ]


def mode(posterior, matrix):
    """Return the likeliest coefficients of a model that is straight in them."""
    curve = posterior.curve
    return curve.prior_mean + curve.prior_sd**2 * (matrix.T @ posterior.draws[0].weights)


@pytest.mark.parametrize("guess", [5.0, 15.0, 45.0])
def test_the_engine_without_priors_is_least_squares(ceramic, guess):
    # All main effects and two-factor terms of the ceramic study: 16 terms, 16 degrees of freedom.
    _, _, columns, strength = ceramic
    matrix = np.column_stack([np.ones(32), *columns.values()])
    fit = fit_panels(matrix, strength)
    rows = np.arange(32.0)[:, None]
    posterior = fit_posterior(
        Linear(matrix), observed(rows, strength), one_spread(guess), lambda _: PlainScale(), None, 1
    )
    # Priors of SD 1e5 shrink an estimate with a standard error of 4 by 2e-9 of itself.
    np.testing.assert_allclose(mode(posterior, matrix), fit.coef, atol=1e-4)
    # The next reading then follows Student's t. 48 draws of the spread stand for its distribution,
    # and the prior of the spread pulls a little toward its centre, three times off either way here.
    at = Rows(rows[:4], np.zeros(4, int))
    mean, se = fit.predict(matrix[:4])
    for t in (-1.3, 0.0, 1.3, 2.5):
        target = mean - t * np.sqrt(se**2 + fit.residual_sd**2)
        for i in range(4):
            p = job_probability(predict(posterior, at), Condition(at_least=target[i]), 3, Job())[i]
            assert p == pytest.approx(stats.t.cdf(t, 16), abs=0.02)


def test_the_surface_model_finds_the_published_effects_however_wide_its_priors(ceramic):
    study, values, _, strength = ceramic
    recomputed = figures("doe_ceramic_2p5_expected", value="recomputed")
    curve = SurfaceCurve(study.basis, float(np.median(strength)), float(strength.std()))
    curve.prior_sd = np.full(len(curve.prior_sd), 1e5)
    spreads = [Spread(n, 15.0, 1.0) for n in ("panel", "patch", "reading", "meter")]
    posterior = fit_posterior(curve, observed(values, strength), spreads, lambda _: PlainScale(), None, 1)
    _, matrix = curve.curve(curve.prior_mean, posterior.observed.rows)
    theta = dict(zip(curve.names, mode(posterior, matrix), strict=True))
    # On a full factorial every part of the model, the two-factor terms too, is orthogonal to the
    # main effects, so these are least squares' own: 1e-3 of units between 10 and 200.
    for name, column in zip(CERAMIC, curve.names[1:], strict=True):
        effect = recomputed[f"full26: effect[{name}] (high minus low)"]
        assert 2 * theta[column] == pytest.approx(effect, abs=1e-3)


# --- central composite, Montgomery, Design and Analysis of Experiments ch. 11 -------------------------


@pytest.fixture(scope="module")
def chemical():
    """The study in natural units (minutes, degrees), its basis, and the fitted quadratic."""
    study = Study.from_toml(
        HEAD
        + '[[step]]\nname = "react"\ntime = [77.93, 80, 85, 90, 92.07]\n'
        + "temperature = [167.93, 170, 175, 180, 182.07]\n"
        + GOAL
    )
    data = table("rsm_chemical_ccd")
    return study.basis, fit_panels(quadratic(study.basis, data), data["yield"].to_numpy(float))


def quadratic(basis, coded):
    words = pd.DataFrame({"react_time": 85 + 5 * coded["x1"], "react_temperature": 175 + 5 * coded["x2"]})
    columns, _ = basis.columns(basis.values(words))
    return np.column_stack([np.ones(len(coded)), columns])


def test_the_response_surface_has_the_published_coefficients(chemical):
    basis, fit = chemical
    published = printed("rsm_chemical_ccd_expected")
    names = ["x1", "x2", "I(x1 ** 2)", "I(x2 ** 2)", "x1:x2"]
    # Ours runs from -1 to 1 over the studied range, the book's from -1.414 to 1.414.
    scale = 1.414 ** np.array([1, 1, 2, 2, 2])
    for name, coef in zip(["Intercept", *names], fit.coef / np.r_[1, scale], strict=True):
        assert coef == pytest.approx(published[f"coef[{name}]"][0], abs=1.001 * published[f"coef[{name}]"][1])
    recomputed = figures("rsm_chemical_ccd_expected", value="recomputed")
    np.testing.assert_allclose(fit.se[1:] / scale, [recomputed[f"se[{n}]"] for n in names], rtol=1e-9)
    assert fit.r2 == pytest.approx(recomputed["r_squared"], rel=1e-9)
    assert fit.residual_sd**2 * fit.df_resid == pytest.approx(recomputed["ss_residual (df 7)"], rel=1e-9)
    # The book's stationary point and its yield, by setting the gradient to nothing.
    b, bb = fit.coef[1:3], np.array([[2 * fit.coef[3], fit.coef[5]], [fit.coef[5], 2 * fit.coef[4]]])
    top = np.linalg.solve(bb, -b) * 1.414
    assert top == pytest.approx([recomputed["stationary x1"], recomputed["stationary x2"]], rel=1e-9)
    at = pd.DataFrame({"x1": [top[0]], "x2": [top[1]]})
    mean, _ = fit.predict(quadratic(basis, at))
    assert mean[0] == pytest.approx(recomputed["predicted yield at stationary point"], rel=1e-9)


def test_its_intervals_cover_what_their_names_say(chemical):
    # R's predict.lm on the same data: confidence limits of the mean, prediction limits of the next run.
    basis, fit = chemical
    expected = table("prediction_chemical_ccd")
    matrix = quadratic(basis, expected)
    mean, se = fit.predict(matrix)
    reach = stats.t.ppf(0.975, fit.df_resid) * se
    run = fit.next_row(matrix)
    got = {
        "fit": mean,
        "se": se,
        "ci_l": mean - reach,
        "ci_u": mean + reach,
        "pi_l": run.quantile(0.025),
        "pi_u": run.quantile(0.975),
        "pi99_l": run.quantile(0.005),
        "pi99_u": run.quantile(0.995),
    }
    for name, values in got.items():
        np.testing.assert_allclose(values, expected[name], rtol=1e-9)  # the file's digits
