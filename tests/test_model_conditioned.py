"""What a reading in the middle says of the finish of the same patch: the algebra of it, and that it holds on patches drawn out."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from finishlab.model.conditioned import GlossRead, ThisPatch, known_together
from finishlab.model.latent import Rows, predict

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
    chances = np.array([patch.chance([GlossRead(20, g, 3)], goal)[0] for g in np.arange(30, 90, 2.0)])
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
        assert patch.chance(seen, below)[0][0] > 0.9 > 0.1 > patch.chance(seen, above)[0][0]


def test_two_angles_say_more_than_one(model):
    patch, _ = patch_of(model, polish=[3])
    at_20, at_60 = (GlossRead(a, patch.reads(a, 3, 3.0)[0], 3) for a in (20, 60))
    alone = patch.given([at_20]).predicted.sd_known
    other = patch.given([at_60]).predicted.sd_known
    both = patch.given([at_20, at_60]).predicted.sd_known
    assert (both <= alone + 1e-9).all()
    assert (both < other).all()
    assert (alone < other).all()  # 60 degrees only through the optics, with slack
