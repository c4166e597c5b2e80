"""All goals at once: joined as normal luck is, no surer than the least of them, no less sure than if they never went together."""

from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal

import finishlab as fl
from finishlab.model.all_goals import PatchCorrelation, all_met, orthant, patch_correlation
from finishlab.model.assurance import job_probability
from finishlab.model.latent import Predicted
from finishlab.model.response import LeftOut
from finishlab.model.scales import GlossScale, HazeScale
from finishlab.study import Condition, Job


def correlations(rng, m, rows):
    """Random correlation matrices, shape (rows, m, m)."""
    a = rng.standard_normal((rows, m, m + 1))
    s = a @ np.swapaxes(a, 1, 2)
    d = np.sqrt(np.einsum("ijj->ij", s))
    return s / d[:, :, None] / d[:, None, :]


@pytest.mark.parametrize("m", [2, 3, 4])
def test_the_probability_that_all_stay_below_is_scipys(m):
    # scipy.stats.multivariate_normal.cdf (Genz), a general-purpose library's answer; 256 points hold 0.005.
    rng = np.random.default_rng(m)
    r, h = correlations(rng, m, 60), rng.normal(1, 0.8, (m, 60))
    theirs = [multivariate_normal.cdf(h[:, i], np.zeros(m), r[i]) for i in range(60)]
    np.testing.assert_allclose(orthant(h, np.moveaxis(r, 0, -1)), theirs, atol=0.005)


@pytest.mark.parametrize("rho", [-0.9, -0.5, 0.0, 0.3, 0.8])
def test_two_at_their_medians_are_the_textbooks_quadrant(rho):
    # Sheppard (1898): 1/4 + asin(rho) / (2 pi).
    r = np.array([[1.0, rho], [rho, 1.0]])[:, :, None]
    assert orthant(np.zeros((2, 1)), r)[0] == pytest.approx(0.25 + np.arcsin(rho) / (2 * np.pi), abs=1e-3)


def test_the_correlation_of_patches_is_found_and_shrunk_by_how_few_there_are():
    rng = np.random.default_rng(4)
    for count, spare in ((400, 0.06), (24, 0.35)):
        luck = rng.standard_normal((2, count))
        rows, none, one = np.arange(count), np.zeros(count), np.ones(count)
        found = patch_correlation(
            LeftOut(rows, luck[0], none, one), LeftOut(rows, 0.6 * luck[0] + 0.8 * luck[1], none, one)
        )
        assert found.value == pytest.approx(0.6, abs=spare)
        assert found.patches == count
    # Fisher (1921): the standard error is 1/sqrt(n - 3); a prior of 0.5 on that scale makes it smaller.
    assert found.sd == pytest.approx(1 / np.sqrt(21 + 1 / 0.25))


def two_goals(rho, panel=0.0, patch=0.4):
    """Gloss and haze of four processes with no meter noise, and what their conditions are."""
    means = np.array([[-1.3, -1.2, -1.1, -0.9]])
    none, one = np.zeros((1, 4)), np.ones(1)
    scales = (GlossScale(90.0),), (HazeScale(),)
    predicted = [
        Predicted(means, none, panel * one, patch * one, 1e-9 * one, scales[0]),
        Predicted(means + 2.0, none, panel * one, patch * one, 1e-9 * one, scales[1]),
    ]
    conditions = [
        Condition(at_least=float(scales[0][0].reading(np.array(-0.9)))),
        Condition(at_most=float(scales[1][0].reading(np.array(1.1)))),
    ]
    known = {("a", "b"): PatchCorrelation(float(np.arctanh(rho)), 1e-9, 99)}
    return dict(zip("ab", conditions, strict=True)), predicted, known


@pytest.mark.parametrize("rho", [-0.9, -0.4, 0.4])
@pytest.mark.parametrize("panel", [0.0, 0.4])
def test_two_goals_are_met_together_as_often_as_simulated_jobs_meet_them(rho, panel):
    goal, predicted, known = two_goals(rho, panel)
    chances = np.array(
        [job_probability(p, c, 3, Job()) for p, c in zip(predicted, goal.values(), strict=True)]
    )
    got = all_met(goal, chances, predicted, known, 3)
    rng = np.random.default_rng(1)
    pairs = np.linalg.cholesky([[1, rho], [rho, 1]])
    # Panels go together as patches do, or not at all: the average of both is what is promised.
    both = []
    for shared in (np.eye(2), pairs):
        luck = 0.4 * pairs @ rng.standard_normal((2, 200_000)) + panel * shared @ rng.standard_normal(
            (2, 200_000)
        )
        # A high reading of gloss is a low z: luck is in the readings, as correlations are.
        met = [
            (predicted[0].mean[0, i] - luck[0] <= -0.9) & (predicted[1].mean[0, i] + luck[1] <= 1.1)
            for i in range(4)
        ]
        both.append(np.mean(met, axis=1))
    np.testing.assert_allclose(got, np.mean(both, axis=0), atol=0.006)
    # Each with luck of its own would be wrong.
    if rho == -0.9 and not panel:
        assert np.abs(chances.prod(axis=0) - got).max() > 0.05


@pytest.fixture(scope="module")
def joint():
    bench = fl.PracticeBench(kind=1, seed=5)
    log = bench.work(fl.plan_trials(bench.study, trials=24, panels=4, seed=2), seed=1)
    return bench, fl.fit(bench.study, log), bench.study.asked(bench.joint_goal)[0]


def some(bench, count=60):
    every = np.concatenate(list(bench.study.basis.chunks()))
    return every[:: len(every) // count]


def test_together_is_no_surer_than_the_least_and_no_less_sure_than_the_bound(joint):
    bench, model, goal = joint
    values = some(bench)
    each = np.array([model.probability_of(values, {name: c}) for name, c in goal.items()])
    together = model.probability_of(values, goal)
    assert (together <= each.min(axis=0) + 1e-12).all()
    assert (together >= 1 - (1 - each).sum(axis=0) - 1e-12).all()
    # It is not the bound: what goes together is counted.
    assert (together > 1 - (1 - each).sum(axis=0) + 0.005).any()


def test_the_order_of_goals_and_of_processes_does_not_matter(joint):
    bench, model, goal = joint
    values = some(bench, 20)
    first = model.probability_of(values, goal)
    np.testing.assert_allclose(model.probability_of(values[::-1], goal)[::-1], first, atol=1e-12)
    for names in permutations(goal):
        again = model.probability_of(values, {n: goal[n] for n in names})
        np.testing.assert_allclose(again, first, atol=2e-3)


def test_one_more_goal_never_makes_a_process_surer(joint):
    bench, model, goal = joint
    values = some(bench)
    names = list(goal)
    two = model.probability_of(values, {n: goal[n] for n in names[:2]})
    assert (model.probability_of(values, goal) <= two + 2e-3).all()


def test_three_goals_are_promised_about_as_often_as_the_shop_truly_meets_them():
    # Four shops: the average promise of the process chosen against its truth; the bound is visibly lower.
    said, true, bound = [], [], []
    for seed in range(1, 5):
        bench = fl.PracticeBench(kind=1 + seed % 4, seed=seed)
        log = bench.work(fl.plan_trials(bench.study, trials=28, panels=4, seed=seed), seed=seed)
        model = fl.fit(bench.study, log)
        goal, _ = bench.study.asked(bench.joint_goal)
        values = some(bench, 120)
        p = model.probability_of(values, goal)
        near = values[(p > 0.6) & (p < 0.97)]
        if not len(near):
            continue
        frame = bench.study.basis.frame(near)
        said.append(model.probability_of(near, goal).mean())
        true.append(bench.true_probability(pd.DataFrame(frame), goal=bench.joint_goal).mean())
        each = [model.probability_of(near, {n: c}) for n, c in goal.items()]
        bound.append((1 - (1 - np.array(each)).sum(axis=0)).mean())
    assert len(said) >= 3
    assert np.mean(said) <= np.mean(true) + 0.05  # cautious, on average over shops
    assert np.mean(bound) < np.mean(said)
