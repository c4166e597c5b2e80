"""What a reading in the middle says of the finish of the same patch: the algebra of it, and that it holds on patches drawn out."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from finishlab.model.assurance import drawn_probabilities
from finishlab.model.latent import Rows, predict
from finishlab.model.patch_readings import GlossRead, ThisPatch, known_together
from finishlab.study import Condition, Job

CUT = {"sand_grit": "P1500", "cut_pad": "wool", "cut_product": "compound A", "cut_passes": 4}


def patch_of(model, **later):
    """What goes on from CUT with so many polish passes each."""
    basis = model.study.basis
    values = np.vstack([basis.row({**CUT, "polish_passes": n}) for n in later["polish"]])
    unchanged = np.array(later["polish"]) == 0
    return ThisPatch(model.response("gloss_20"), values, values[:1], 1, unchanged), values


def joint(model, values, d):
    """Mean and covariance of (state when read without its own luck, finish) under one draw, from `predict` alone."""
    fit = model.response("gloss_20")
    now, final = Rows(values[:1], np.array([1])), Rows(values[:1], np.array([2]))
    here, there = predict(fit.posterior, now), predict(fit.posterior, final)
    shared = there.sd_panel[d] ** 2 + fit.posterior.spread("patch")[d] ** 2
    cross = known_together(fit.posterior, final, now)[d, 0] + shared
    cov = [[here.sd_known[d, 0] ** 2 + shared, cross], [cross, there.sd_known[d, 0] ** 2 + shared]]
    return np.array([here.mean[d, 0], there.mean[d, 0]]), np.array(cov), there.scales[d]


def test_conditioning_is_that_of_the_normal_model_drawn_out(model):
    # Under one draw: the state after cutting and the finish together, with what they share; each drawn patch counts
    # as its reading would be likely. 400,000 patches, seed 4: the mean is then right to about 0.001 of ln roughness.
    patch, values = patch_of(model, polish=[3])
    spread = model.response("gloss_20").posterior.spread
    for d in (0, 7, 30):
        mean, cov, scale = joint(model, values, d)
        rng = np.random.default_rng(4)
        z = rng.multivariate_normal(mean, cov, 400_000)
        z_read = z[:, 0] + spread("reading")[d] * rng.standard_normal(len(z))
        reading = float(scale.reading(np.array(mean[0] + 0.05)))
        w = stats.norm.pdf(reading, scale.reading(z_read), spread("meter")[d] / np.sqrt(3))
        w /= w.sum()
        expected = w @ z[:, 1]
        sd = np.sqrt(w @ (z[:, 1] - expected) ** 2)
        error = sd * np.sqrt((w**2).sum())
        here = patch.given([GlossRead(20, reading, 3)]).predicted
        assert here.mean[d, 0] == pytest.approx(expected, abs=4 * error + 1e-4)
        assert here.sd_known[d, 0] == pytest.approx(sd, rel=0.03)


def test_a_reading_in_the_straight_part_is_the_textbook_formula(model):
    # Rasmussen & Williams (2006), A.2 (from memory): E[b | a] = m_b + c (a - m_a) / v. Very many readings leave
    # no meter noise, so that the state is the z of the reading itself; 1e-4 is what a hundred thousand readings leave.
    patch, values = patch_of(model, polish=[3])
    d = 5
    mean, cov, scale = joint(model, values, d)
    own = model.response("gloss_20").posterior.spread("reading")[d]
    z = mean[0] + 0.03
    reading = GlossRead(20, float(scale.reading(np.array(z))), 100_000_000)
    here = patch.given([reading]).predicted
    gain = cov[1, 0] / (cov[0, 0] + own**2)
    assert here.mean[d, 0] == pytest.approx(mean[1] + gain * (z - mean[0]), abs=1e-4)
    assert here.sd_known[d, 0] == pytest.approx(np.sqrt(cov[1, 1] - gain * cov[1, 0]), rel=1e-3)


def test_what_is_not_known_together_is_a_covariance(model):
    fit = model.response("gloss_20")
    values = model.study.basis.row({**CUT, "polish_passes": 3})
    final = Rows(values, np.array([2]))
    own = known_together(fit.posterior, final, final)[:, 0]
    # A state with itself has its own variance.
    np.testing.assert_allclose(own, predict(fit.posterior, final).sd_known[:, 0] ** 2, rtol=1e-6)


def test_draws_that_foretold_the_reading_count_for_more(model):
    patch, _ = patch_of(model, polish=[3])
    _, low, high = patch.reads(20, 3, 2.0)
    for gu in (low, high):
        here = patch.given([GlossRead(20, gu, 3)])
        assert here.weight.sum() == pytest.approx(1.0)
        assert here.weight.max() > 1.2 / len(here.weight)


def test_a_reading_that_was_foretold_says_less_than_one_that_was_not_but_never_nothing(model):
    patch, _ = patch_of(model, polish=[3])
    before = patch._there.sd_known**2 + patch._shared[:, None]
    expected, low, _ = patch.reads(20, 3, 3.0)
    for gu in (expected, low):
        after = patch.given([GlossRead(20, gu, 3)]).predicted.sd_known
        assert (after**2 < before).all()


def test_a_glossier_reading_never_makes_the_end_less_sure_up_to_the_ceiling(model):
    patch, _ = patch_of(model, polish=[0, 1, 2, 3, 4, 5, 6])
    (goal,) = model.study.goal.values()
    chances = np.array([patch.chance([GlossRead(20, g, 3)], goal, Job())[0] for g in np.arange(30, 90, 2.0)])
    for dull, glossy in pairwise(chances):
        assert (glossy >= dull - 1e-3).all()
    assert (chances[-1] - chances[0]).max() > 0.5  # the reading matters


def test_what_is_read_is_the_finish_where_nothing_more_is_done(model):
    patch, _ = patch_of(model, polish=[0])
    (goal,) = model.study.goal.values()
    _, _, high = patch.reads(20, 3, 3.0)
    for gu in (high - 8, high - 4, high):
        # Many readings show the patch as it is; a goal a little above or below is then all but decided.
        seen = [GlossRead(20, gu, 1000)]
        above = type(goal)(at_least=gu + 4)
        below = type(goal)(at_least=gu - 4)
        assert patch.chance(seen, below, Job())[0][0] > 0.9 > 0.1 > patch.chance(seen, above, Job())[0][0]


def test_two_angles_say_more_than_one(model):
    patch, _ = patch_of(model, polish=[3])
    at_20, at_60 = (GlossRead(a, patch.reads(a, 3, 3.0)[0], 3) for a in (20, 60))
    alone = patch.given([at_20]).predicted.sd_known
    other = patch.given([at_60]).predicted.sd_known
    both = patch.given([at_20, at_60]).predicted.sd_known
    assert (both <= alone + 1e-9).all()
    assert (both < other).all()
    assert (alone < other).all()  # 60 degrees only through the optics, with slack


# --- the job that the patch belongs to ------------------------------------------------------------------------

JOBS = [Job(), Job(2), Job(4), Job(4, "mean of sections")]


def section_readings(model, values, d, n, seed, read_off):
    """Four sections of one panel under one draw, worked out of the parts: finishes as read, and what each drawn job counts for."""
    fit = model.response("gloss_20")
    now, final = Rows(values[:1], np.array([1])), Rows(values[:1], np.array([2]))
    here, there = predict(fit.posterior, now), predict(fit.posterior, final)
    cross = known_together(fit.posterior, final, now)[d, 0]
    cov = [[here.sd_known[d, 0] ** 2, cross], [cross, there.sd_known[d, 0] ** 2]]
    rng = np.random.default_rng(seed)
    state, finish = rng.multivariate_normal([here.mean[d, 0], there.mean[d, 0]], cov, n).T
    panel = there.sd_panel[d] * rng.standard_normal(n)
    own, patch, meter = (fit.posterior.spread(s)[d] for s in ("reading", "patch", "meter"))
    luck = patch * rng.standard_normal((4, n))
    scale = there.scales[d]
    read = float(scale.reading(np.array(here.mean[d, 0] + read_off)))
    seen = scale.reading(state + panel + luck[0] + own * rng.standard_normal(n))
    weight = stats.norm.pdf(read, seen, meter / np.sqrt(3))
    end = scale.reading(finish + panel + luck + own * rng.standard_normal((4, n)))
    return read, end + meter / np.sqrt(3) * rng.standard_normal((4, n)), weight / weight.sum()


@pytest.mark.parametrize("job", JOBS)
def test_the_job_after_a_reading_of_one_section_is_the_job_drawn_out(model, job):
    # 400,000 jobs of four sections, seed 6, each counting as its first section's reading would be likely.
    patch, values = patch_of(model, polish=[3])
    for d, off in ((0, 0.06), (7, -0.06), (30, 0.0)):
        read, end, w = section_readings(model, values, d, 400_000, 6, off)
        goal = Condition(at_least=float(np.quantile(end, 0.25)))
        some = end[: job.sections]
        met = goal.met(some.mean(axis=0)) if job.accept == "mean of sections" else goal.met(some).all(axis=0)
        expected = w @ met
        error = np.sqrt((w**2 * (met - expected) ** 2).sum())
        here = patch.given([GlossRead(20, read, 3)])
        got = drawn_probabilities(here.predicted if job.sections == 1 else here.job, goal, 3, job)[d, 0]
        # The straight line from state to finish, the sums over points: within 1 %.
        assert got == pytest.approx(expected, abs=4 * error + 0.01)


def test_of_one_section_both_ways_to_say_it_are_one(model):
    patch, _ = patch_of(model, polish=[1, 3])
    (goal,) = model.study.goal.values()
    here = patch.given([GlossRead(20, 55.0, 3)])
    one, job = (drawn_probabilities(p, goal, 3, Job()) for p in (here.predicted, here.job))
    np.testing.assert_allclose(one, job, atol=1e-9)


@pytest.mark.parametrize("job", JOBS)
def test_over_all_that_may_be_read_the_promise_is_what_it_was_before(model, job):
    # The chance after a reading, averaged over the readings that the model foretells, is the chance before: ten
    # equal slices of the state's luck, under every other draw; the meter's noise (0.3 GU of 3) is left out.
    patch, values = patch_of(model, polish=[3])
    fit = model.response("gloss_20")
    goal = Condition(at_least=float(fit.intervals(values)["value"][0]) - 1.5)
    before = float(fit.chance(fit.predicted(values), goal, job)[0])
    scale, sd = patch._scale(20), np.sqrt(patch._variance)
    after = []
    for luck in stats.norm.ppf((np.arange(10) + 0.5) / 10):
        readings = scale.reading(patch._mean + luck * sd)
        after += [patch.chance([GlossRead(20, float(g), 3)], goal, job)[0][0] for g in readings[::2]]
    assert 0.2 < before < 0.98
    assert np.mean(after) == pytest.approx(before, abs=0.015)
