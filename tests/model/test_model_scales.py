"""Scales: from z to a reading and back, for gloss, haze and counts."""

import numpy as np
import pytest
from published import table

from finishlab.model.scales import CountScale, GlossScale, HazeScale
from finishlab.trade import optics

Z = np.linspace(-3.0, 1.5, 91)


def test_gloss_falls_with_roughness_as_published():
    # Bennett & Porteus (1961): R / R0 = exp(-(4 pi sigma cos(theta) / lambda)^2); z is the log of the bracket.
    published = table("roughness_specular").query("rms_roughness_nm > 0")
    phase = 4 * np.pi * published["rms_roughness_nm"] * np.cos(np.radians(published["angle_deg"]))
    share = GlossScale(1.0).reading(np.log(phase / published["wavelength_nm"]).to_numpy())
    np.testing.assert_allclose(share, published["specular_ratio"], atol=1e-12)  # the file's digits


def test_the_scale_is_the_one_of_the_optics():
    scale = GlossScale(88.0)
    np.testing.assert_allclose(scale.reading(Z), 88 * optics.share_from_log_roughness(Z), rtol=1e-12)
    reading = np.array([20.0, 60.0, 87.0])
    np.testing.assert_allclose(scale.inverse(reading), optics.log_roughness(reading / 88), rtol=1e-12)


def test_some_readings_are_known_on_paper():
    # At z = 0 the share is 1/e; at z = ln sqrt(ln 2) it is one half.
    assert GlossScale(90.0).reading(np.array(0.0)) == pytest.approx(90 / np.e)
    assert GlossScale(90.0).inverse(np.array(45.0)) == pytest.approx(0.5 * np.log(np.log(2)))


@pytest.mark.parametrize(
    "scale", [GlossScale(87.0), GlossScale(95.0, shift=-0.63), HazeScale(), CountScale()]
)
def test_a_scale_undoes_itself_and_its_slope_is_its_derivative(scale):
    np.testing.assert_allclose(scale.inverse(scale.reading(Z)), Z, atol=1e-9)
    step = 1e-6
    numerical = (scale.reading(Z + step) - scale.reading(Z - step)) / (2 * step)
    # 1e-7: what a central difference of a double leaves.
    np.testing.assert_allclose(scale.slope(Z), numerical, rtol=1e-7, atol=1e-7)
    assert (np.diff(scale.reading(Z)) > 0).all() == scale.rising


def test_the_shift_ties_the_same_surface_at_another_angle():
    # One roughness of 0.03 micrometres, read at 20 and at 60 degrees.
    z = np.log(4 * np.pi * 0.03 * np.cos(np.radians(20)) / optics.WAVELENGTH_UM)
    at_60 = GlossScale(92.0, shift=float(optics.log_roughness_shift(20, 60))).reading(z)
    assert at_60 == pytest.approx(optics.gloss_from_roughness(0.03, ceiling=92, angle=60), rel=1e-12)


def test_beyond_the_meter_there_is_no_roughness_to_name():
    scale = GlossScale(87.0)
    assert scale.inverse(np.array([87.0, 95.0])).tolist() == [-np.inf, -np.inf]
    assert scale.inverse(np.array([0.0, -1.0])).tolist() == [np.inf, np.inf]
    assert CountScale().inverse(np.array(0.0)) == -np.inf


@pytest.mark.parametrize("scale", [GlossScale(87.0), HazeScale(), CountScale()])
def test_the_wildest_z_neither_overflows_nor_passes_the_ceiling(scale):
    with np.errstate(over="raise", invalid="raise"):
        reading, slope = scale.reading(np.array([-500.0, 500.0])), scale.slope(np.array([-500.0, 500.0]))
    assert np.isfinite(reading).all()
    assert np.isfinite(slope).all()
    if isinstance(scale, GlossScale):
        assert reading == pytest.approx([87.0, 0.0], abs=1e-12)


def test_haze_is_proportional_near_nothing_and_logarithmic_far_above():
    scale = HazeScale(knee=5.0)
    # sinh(z) is z for a small z, and half of exp(z) for a large one: haze = 5 exp(z).
    assert scale.reading(np.array(0.01)) == pytest.approx(2 * 5 * 0.01, rel=1e-4)
    assert scale.reading(np.array(4.0)) == pytest.approx(5 * np.exp(4.0), rel=1e-3)
    # A meter's noise may take a reading below nothing; that is no reason to stop.
    assert scale.inverse(np.array(-0.2)) < 0
