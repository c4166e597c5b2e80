"""The probability that the next job meets a goal, against closed forms and drawn jobs."""

import numpy as np
import pytest
from plain_scale import PlainScale
from published import table
from scipy import integrate, stats

from finishlab.errors import ModelError
from finishlab.model.assurance import job_probability, reading_intervals
from finishlab.model.latent import Predicted
from finishlab.model.scales import CountScale, GlossScale, HazeScale
from finishlab.study import Condition, Job

#: Evenly spaced points leave less than this; see `assurance._bell`.
CLOSE = 2e-3


def known(mean, scale, *, unsure=0.0, panel=0.0, section=0.0, meter=0.0):
    """Return what is predicted when there is one draw: every spread is known."""
    one = np.ones(1)
    mean = np.atleast_1d(np.asarray(mean, float))
    return Predicted(
        mean[None, :], np.full((1, len(mean)), unsure), panel * one, section * one, meter * one, (scale,)
    )


# --- one section ----------------------------------------------------------------------------------


@pytest.mark.parametrize("sds", [(0.0, 3.0, 4.0, 0.0), (1.0, 0.5, 2.0, 3.0), (2.0, 0.1, 0.2, 1.0)])
def test_one_section_on_a_straight_scale_is_the_normal_curve(sds):
    unsure, panel, section, meter = sds
    p = known([8.0, 10.0, 13.0], PlainScale(), unsure=unsure, panel=panel, section=section, meter=meter)
    sd = np.sqrt(unsure**2 + panel**2 + section**2 + meter**2 / 3)
    below = stats.norm.cdf((12 - p.mean[0]) / sd)
    np.testing.assert_allclose(job_probability(p, Condition(at_most=12), 3, Job()), below, atol=CLOSE)
    np.testing.assert_allclose(job_probability(p, Condition(at_least=12), 3, Job()), 1 - below, atol=CLOSE)
    within = below - stats.norm.cdf((9 - p.mean[0]) / sd)
    np.testing.assert_allclose(job_probability(p, Condition(9, 12), 3, Job()), within, atol=CLOSE)


def test_gloss_reaches_a_target_as_often_as_its_roughness_stays_below_the_targets():
    scale = GlossScale(88.0)
    p = known([-1.7, -1.5, -1.2], scale, unsure=0.05, panel=0.04, section=0.06)
    limit = scale.inverse(np.array(84.0))
    expected = stats.norm.cdf((limit - p.mean[0]) / np.sqrt(0.05**2 + 0.04**2 + 0.06**2))
    np.testing.assert_allclose(job_probability(p, Condition(at_least=84), 3, Job()), expected, atol=1e-9)


def test_a_goal_above_the_ceiling_is_met_only_by_the_meters_own_noise():
    p = known([-3.0], GlossScale(86.0), section=0.05)
    assert job_probability(p, Condition(at_least=86.5), 3, Job())[0] == 0
    noisy = known([-3.0], GlossScale(86.0), section=0.05, meter=0.5)
    assert 0 < job_probability(noisy, Condition(at_least=86.5), 3, Job())[0] < 0.1


# --- jobs of several sections -----------------------------------------------------------------------


def test_six_sections_that_share_a_panel_pass_together_in_68_of_100_jobs():
    # Worked figure: panel spread = patch spread, each section alone passes in 0.90 of jobs.
    limit = stats.norm.ppf(0.90) * np.sqrt(2)
    p = known([0.0], PlainScale(), panel=1.0, section=1.0)
    condition = Condition(at_most=float(limit))
    assert job_probability(p, condition, 3, Job())[0] == pytest.approx(0.90, abs=1e-9)
    by_hand = integrate.quad(lambda u: stats.norm.cdf(limit - u) ** 6 * stats.norm.pdf(u), -8, 8)[0]
    together = job_probability(p, condition, 3, Job(sections=6))[0]
    assert together == pytest.approx(by_hand, abs=1e-4)
    assert round(together, 2) == 0.68
    # Taking the sections for independent, 0.90^6 = 0.53, is the wrong model.
    assert abs(0.9**6 - by_hand) > 0.1


def drawn_jobs(p, spots, job, jobs=100_000, seed=9):
    """Return the readings of drawn jobs, shape (jobs, sections), for the first row of `p`."""
    rng = np.random.default_rng(seed)
    d = rng.integers(len(p.scales), size=jobs)
    z = rng.normal(p.mean[d, 0], p.sd_known[d, 0]) + rng.normal(0, p.sd_panel[d])
    z = z[:, None] + rng.normal(0, 1, (jobs, job.sections)) * p.sd_section[d, None]
    out = np.empty_like(z)
    for i, scale in enumerate(p.scales):
        out[d == i] = scale.reading(z[d == i])
    if isinstance(p.scales[0], CountScale):
        return rng.poisson(out)
    return out + rng.normal(0, 1, out.shape) * p.sd_meter[d, None] / np.sqrt(spots)


def several(kind):
    """Return a prediction of several draws that differ in everything, and the scale's kind."""
    rng = np.random.default_rng(4)
    draws = 6
    sds = [rng.uniform(0.02, 0.10, draws) for _ in range(3)]
    if kind == "gloss":
        scales = tuple(GlossScale(c) for c in rng.uniform(86, 88, draws))
        mean, meter = rng.normal(-1.55, 0.05, (draws, 1)), rng.uniform(0.3, 0.8, draws)
    elif kind == "haze":
        scales, mean, meter = (
            (HazeScale(),) * draws,
            rng.normal(1.0, 0.1, (draws, 1)),
            rng.uniform(0.5, 1, draws),
        )
        sds = [2 * s for s in sds]
    else:
        scales, mean, meter = (CountScale(),) * draws, rng.normal(-1.5, 0.3, (draws, 1)), np.zeros(draws)
        sds = [4 * s for s in sds]
    return Predicted(mean, sds[0][:, None], sds[1], sds[2], meter, scales)


CASES = [
    ("gloss", Condition(at_least=83.5)),
    ("gloss", Condition(82.5, 85.0)),
    ("haze", Condition(at_most=14)),
    ("faults", Condition(at_most=0)),
    ("faults", Condition(at_most=1)),
    ("faults", Condition(1, 3)),
]
JOBS = [Job(), Job(4), Job(4, "mean of sections")]


@pytest.mark.parametrize("job", JOBS, ids=["one", "every", "mean"])
@pytest.mark.parametrize(("kind", "condition"), CASES)
def test_drawn_jobs_succeed_as_often_as_computed(kind, condition, job):
    p = several(kind)
    readings = drawn_jobs(p, 3, job)
    if job.accept == "mean of sections":
        readings = readings.mean(axis=1, keepdims=True)
    counted = condition.met(readings).all(axis=1).mean()
    # Four standard errors of 100,000 jobs are 0.006.
    assert job_probability(p, condition, 3, job)[0] == pytest.approx(counted, abs=0.007)


def test_more_sections_or_a_higher_target_never_make_a_job_likelier():
    p = several("gloss")
    by_sections = [job_probability(p, Condition(at_least=83), 3, Job(k))[0] for k in range(1, 9)]
    assert (np.diff(by_sections) < 0).all()
    by_target = [job_probability(p, Condition(at_least=t), 3, Job(6))[0] for t in np.arange(78, 90, 0.5)]
    assert (np.diff(by_target) <= 1e-12).all()
    assert all(0 <= q <= 1 for q in by_sections + by_target)


def test_rows_do_not_touch_each_other_and_many_go_through_in_parts():
    p = known(np.linspace(5, 15, 4_501), PlainScale(), panel=1.0, section=1.0, meter=1.0)
    whole = job_probability(p, Condition(at_most=10), 3, Job(2))
    one = known([p.mean[0, 2_600]], PlainScale(), panel=1.0, section=1.0, meter=1.0)
    assert whole[2_600] == pytest.approx(job_probability(one, Condition(at_most=10), 3, Job(2))[0])


# --- counts ---------------------------------------------------------------------------------------


def test_faults_without_spread_are_poisson():
    # Closed form: with 0.5 expected, none with exp(-0.5); at most one with 1.5 exp(-0.5).
    p = known([np.log(0.5)], CountScale())
    assert job_probability(p, Condition(at_most=0), 3, Job())[0] == pytest.approx(np.exp(-0.5))
    assert job_probability(p, Condition(at_most=1), 3, Job())[0] == pytest.approx(1.5 * np.exp(-0.5))
    # Counts are whole: at most half a fault is none, and at least half a fault is one.
    assert job_probability(p, Condition(at_most=0.5), 3, Job())[0] == pytest.approx(np.exp(-0.5))
    assert job_probability(p, Condition(at_least=0.5), 3, Job())[0] == pytest.approx(1 - np.exp(-0.5))
    # No fault on any of 4 sections, and none on average, are the same thing.
    for accept in ("every section", "mean of sections"):
        assert job_probability(p, Condition(at_most=0), 3, Job(4, accept))[0] == pytest.approx(np.exp(-2.0))


def test_faults_with_spread_are_poisson_about_a_lognormal_rate():
    p = known([np.log(0.3)], CountScale(), panel=0.4, section=0.3)
    expected = integrate.quad(lambda x: np.exp(-0.3 * np.exp(0.5 * x)) * stats.norm.pdf(x), -8, 8)[0]
    assert job_probability(p, Condition(at_most=0), 3, Job())[0] == pytest.approx(expected, abs=1e-4)


# --- spreads known only from a few trials -------------------------------------------------------------


def normal_sample_draws(n, draws=1_500, seed=6):
    """Return what n normal readings of mean 0 and SD 1 leave open: draws of the SD, and mean."""
    sd = np.sqrt((n - 1) / np.random.default_rng(seed).chisquare(n - 1, draws))
    none = np.zeros(draws)
    return Predicted(np.zeros((draws, 1)), sd[:, None] / np.sqrt(n), none, sd, none, (PlainScale(),) * draws)


@pytest.mark.parametrize("n", [5, 10, 20, 30])
def test_averaging_over_the_spread_agrees_with_the_published_prediction_factors(n):
    # Hahn & Meeker: mean +- r s holds m further readings; one side alone is left in (1 - 0.95) / 2.
    for row in table("prediction_interval_factors").query("n == @n").itertuples():
        p = job_probability(
            normal_sample_draws(n),
            Condition(at_most=row.factor_r),
            3,
            Job(sections=row.future_observations_m),
        )
        # Exact for one reading but for 1,500 draws (SE 0.0008); for more the factor is Bonferroni's,
        # conservative by up to half of what is left, since the readings share their mean and SD.
        assert p[0] == pytest.approx(0.975, abs=0.0025) if row.future_observations_m == 1 else p[0] >= 0.9725
        assert p[0] <= 0.99


def test_plugging_in_the_spread_of_five_readings_does_not_agree():
    # The wrong model: with n = 5 and the normal's own 1.96 the next reading stays inside less often.
    p = job_probability(normal_sample_draws(5), Condition(at_most=1.96 * np.sqrt(1 + 1 / 5)), 3, Job())
    assert p[0] < 0.965


# --- intervals --------------------------------------------------------------------------------------


def test_each_interval_holds_what_its_name_says():
    p = known([10.0], PlainScale(), unsure=1.0, panel=2.0, section=2.0, meter=3.0)
    p = Predicted(*(np.repeat(x, 48, axis=0) for x in (p.mean, p.sd_known, p.sd_panel, p.sd_section, p.sd_meter)), (PlainScale(),) * 48)  # fmt: skip
    got = {k: v[0] for k, v in reading_intervals(p, 3).items()}
    reach = stats.norm.ppf(0.95)
    job = reach * np.sqrt(1 + 4 + 4 + 9 / 3)
    expected = {
        "value": 10,
        "mean_low": 10 - reach,
        "mean_high": 10 + reach,
        "job_low": 10 - job,
        "job_high": 10 + job,
    }
    # 32 fixed quantiles a draw stand for the normal: within 0.05 of a spread at these ends.
    assert got == pytest.approx(expected, abs=0.05 * np.sqrt(12))


def test_a_jobs_faults_are_whole_numbers():
    p = known([np.log(0.4)], CountScale(), panel=0.2, section=0.2)
    got = reading_intervals(p, 3)
    assert got["value"][0] == pytest.approx(0.4, rel=1e-3)
    assert (got["job_low"][0], got["job_high"][0]) == (0, 2)


# --- about a neighbour; the mean of many jobs --------------------------------------------------------


def one_process(mean=-1.2, panel=0.1, patch=0.1, meter=0.5):
    one = np.ones(1)
    return Predicted(
        np.full((1, 1), mean), np.zeros((1, 1)), panel * one, patch * one, meter * one, (GlossScale(90.0),)
    )


@pytest.mark.parametrize("sections", [1, 4])
def test_the_error_in_a_neighbours_reading_counts_once_for_all_sections(sections):
    p, job = one_process(meter=1.2), Job(sections=sections)
    middle = float(GlossScale(90.0).reading(np.array(-1.2)))
    low, high = middle - 2.5, middle + 2.5
    got = job_probability(p, Condition(low, high, neighbour_readings=2), 3, job)[0]
    # Simulated jobs, seed 5: the neighbour's true value is its reading less the error of two readings.
    rng = np.random.default_rng(5)
    n = 200_000
    z = -1.2 + 0.1 * rng.standard_normal((n, 1)) + 0.1 * rng.standard_normal((n, sections))
    read = GlossScale(90.0).reading(z) + 1.2 / np.sqrt(3) * rng.standard_normal((n, sections))
    off = 1.2 / np.sqrt(2) * rng.standard_normal((n, 1))
    truth = ((read >= low + off) & (read <= high + off)).all(axis=1).mean()
    assert got == pytest.approx(truth, abs=0.006)
    plain = job_probability(p, Condition(low, high), 3, job)[0]
    assert plain > got + 0.01  # taken as exact it promises too much


def test_more_readings_of_the_neighbour_come_nearer_to_knowing_it():
    middle = float(GlossScale(90.0).reading(np.array(-1.2)))
    asked = [Condition(middle - 1, middle + 1, neighbour_readings=n) for n in (1, 3, 30, 3000)]
    chances = [job_probability(one_process(), c, 3, Job())[0] for c in asked]
    assert chances == sorted(chances)
    plain = job_probability(one_process(), Condition(middle - 1, middle + 1), 3, Job())[0]
    assert chances[-1] == pytest.approx(plain, abs=1e-4)


def test_the_mean_of_many_jobs_is_told_from_the_next_job(bench, model):
    table = bench.study.basis.frame(np.concatenate(list(bench.study.basis.chunks()))[::25])
    job = model.probability(table)
    mean = model.probability(table, of="mean of many jobs")
    assert (job.name, mean.name) == ("probability", "probability_of_mean")
    # Spread of single jobs pulls towards the middle: sure things are surer on average, hopeless ones more so.
    assert (mean[job > 0.9] >= job[job > 0.9] - 0.02).all()
    assert (mean[job < 0.1] <= job[job < 0.1] + 0.02).all()
    with pytest.raises(ModelError, match=r"^of is 'always'; it must be 'next job' or 'mean of many jobs'\."):
        model.probability(table, of="always")
