"""Minutes and film add up over the steps."""

import numpy as np
import pandas as pd
import pytest

from finishlab.errors import ModelError
from finishlab.model.additive import fit_additive
from finishlab.study import Study

STUDY = Study.from_toml(
    """
title = "Doors"
pass_means = "one direction"
[[step]]
name = "sand"
grit = ["P1500", "P2000"]
passes = 4
[[step]]
name = "cut"
pad = ["wool", "foam"]
passes = { lowest = 1, highest = 6 }
[[step]]
name = "polish"
pad = "soft foam"
passes = { lowest = 0, highest = 4 }
[goal]
faults = { at_most = 0 }
assurance = 0.9
"""
)
BASIS = STUDY.basis


def drawn(n, seed=1):
    """Return n processes of the study and each one's panel, four panels."""
    rng = np.random.default_rng(seed)
    grid = np.vstack(list(BASIS.chunks()))
    return grid[rng.choice(len(grid), n, replace=n > len(grid))], np.arange(n) % 4


def words(values):
    return BASIS.frame(values)


def truth(values):
    """Minutes by step: sanding 1.5 or 2; cutting 0.5 + passes at 0.4 or 0.6; polishing 0.3 + 0.5 a pass."""
    w = words(values)
    cut = 0.5 + w["cut_passes"] * np.where(w["cut_pad"] == "wool", 0.4, 0.6)
    polish = np.where(w["polish_passes"] > 0, 0.3 + 0.5 * w["polish_passes"], 0.0)
    sand = np.where(w["sand_grit"] == "P1500", 1.5, 2.0)
    return {"sand": sand, "cut": cut.to_numpy(float), "polish": polish}


def fitted(values, by_step, panels, *, relative=True, logged=False):
    total = np.sum(list(by_step.values()), axis=0)
    return fit_additive(
        BASIS, values, total, by_step if logged else {}, panels, relative=relative, what="minutes"
    )


@pytest.mark.parametrize("logged", [False, True])
def test_a_shop_without_scatter_is_known_exactly_from_a_dozen_trials(logged):
    values, panels = drawn(14)
    model = fitted(values, truth(values), panels, logged=logged)
    every = np.vstack(list(BASIS.chunks()))
    expected = np.sum(list(truth(every).values()), axis=0)
    np.testing.assert_allclose(model.mean(every), expected, atol=1e-9)
    mean, low, high = model.interval(every)
    np.testing.assert_allclose([low, high], [mean, mean], atol=1e-6)


def test_a_left_out_step_takes_nothing_and_a_worked_one_its_own_share():
    values, panels = drawn(30)
    model = fitted(values, truth(values), panels)
    table = pd.DataFrame(
        {"sand_grit": "P1500", "cut_pad": "wool", "cut_passes": 3, "polish_passes": [0, 1, 4]}
    )
    # By hand: 1.5 + (0.5 + 3 x 0.4) = 3.2; one polish pass adds 0.3 + 0.5, three more 1.5.
    np.testing.assert_allclose(model.mean(BASIS.values(table)), [3.2, 4.0, 5.5], atol=1e-9)


def test_what_two_processes_share_cancels_from_their_difference():
    values, panels = drawn(24)
    rng = np.random.default_rng(3)
    pace = rng.lognormal(0, 0.1, 24)
    steps = {k: v * pace * rng.lognormal(0, 0.02, 24) for k, v in truth(values).items()}
    model = fitted(values, steps, panels, logged=True)
    table = pd.DataFrame({"sand_grit": "P2000", "cut_pad": "foam", "cut_passes": [5, 3], "polish_passes": 2})
    a, b = BASIS.values(table)[:1], BASIS.values(table)[1:]
    saved, low, high = model.difference(a, b)
    # Two passes of foam are 1.2 minutes. The pace of a trial moves all its steps alike, so the
    # difference is known far better than a section is.
    assert low < 1.2 < high
    single = model.interval(a)
    assert high - low < 0.5 * float(single[2][0] - single[1][0])
    assert model.difference(a, a) == (0.0, 0.0, 0.0)
    assert saved == pytest.approx(float(model.mean(a)[0] - model.mean(b)[0]))


def test_times_scatter_in_proportion_and_film_does_not():
    rng = np.random.default_rng(5)
    values, panels = drawn(60)
    steps = {k: v * rng.lognormal(0, 0.1, 60) for k, v in truth(values).items()}
    short, long = (
        BASIS.values(
            pd.DataFrame({"sand_grit": ["P1500"], "cut_pad": "wool", "cut_passes": c, "polish_passes": p})
        )
        for c, p in ((1, 0), (6, 4))
    )
    widths = {}
    for relative in (True, False):
        model = fitted(values, steps, panels, relative=relative)
        widths[relative] = [float(np.subtract(*model.interval(v)[:0:-1])[0]) for v in (short, long)]
    # 2.4 and 6.7 minutes: times spread about as they last, film by the same either way.
    assert widths[True][1] > 2 * widths[True][0]
    assert widths[False][1] < 1.3 * widths[False][0]


@pytest.mark.parametrize("logged", [False, True])
def test_the_next_section_lies_in_its_interval_as_often_as_stated(logged):
    # Simulated shops: a panel's pace spreads by 6 %, a trial's by 4 %, each step's by 6 %.
    rng = np.random.default_rng(8)
    inside, shops = 0, 40
    every = np.vstack(list(BASIS.chunks()))
    for shop in range(shops):
        values, panels = drawn(20, seed=shop)

        def worked(values, panels):
            pace = (rng.normal(0, 0.06, 9)[panels] + rng.normal(0, 0.04, len(values)))[:, None]
            steps = pace + rng.normal(0, 0.06, (len(values), 3))
            return {k: v * np.exp(s) for (k, v), s in zip(truth(values).items(), steps.T, strict=True)}

        model = fitted(values, worked(values, panels), panels, logged=logged)
        _, low, high = model.interval(every)
        # Each process of the study worked on a panel of its own.
        new = np.sum(list(worked(every, rng.integers(0, 9, len(every))).values()), axis=0)
        inside += np.mean((new >= low) & (new <= high))
    # 90 % stated. Four panels leave the panel spread open, so a few points more are kept.
    assert 0.88 <= inside / shops <= 0.97


def test_few_trials_get_a_poorer_model_that_says_so():
    values, panels = drawn(8)
    model = fitted(values, truth(values), panels)
    assert model.cautions == (
        "The trials are too few or too alike to tell how each setting changes the minutes; "
        "an average over settings stands in. More varied trials would mend it.",
    )
    assert fitted(*(lambda v, p: (v, truth(v), p))(*drawn(30))).cautions == ()


def test_a_setting_that_never_varied_gets_the_poorer_model_too():
    # Three passes in every trial: set-up and passes cannot be told apart.
    values, panels = drawn(40)
    values[:, BASIS.column("cut_passes")] = 3
    assert len(fitted(values, truth(values), panels).cautions) == 1


@pytest.mark.filterwarnings("error")
def test_minutes_that_are_all_the_same_are_an_average_and_said_so():
    values, panels = drawn(30)
    model = fit_additive(BASIS, values, np.full(30, 6.0), {}, panels, relative=True, what="minutes")
    (caution,) = model.cautions
    assert caution.startswith("All 30 trials say the same minutes, 6: whether settings change the minutes")
    np.testing.assert_allclose(model.mean(values[:3]), 6.0)


def test_far_too_few_trials_are_refused_with_their_number():
    values, panels = drawn(4)
    with pytest.raises(
        ModelError, match=r"^4 trials are too few to say what minutes a process takes\. Add trials"
    ):
        fitted(values, truth(values), panels)


def test_a_step_that_was_not_timed_every_time_is_left_to_the_total():
    values, panels = drawn(30)
    steps = truth(values)
    total = np.sum(list(steps.values()), axis=0)
    steps["cut"] = np.where(np.arange(30) == 7, np.nan, steps["cut"])
    model = fit_additive(BASIS, values, total, steps, panels, relative=True, what="minutes")
    np.testing.assert_allclose(model.mean(values), total, atol=1e-6)


def test_minutes_are_never_negative():
    rng = np.random.default_rng(2)
    values, panels = drawn(12)
    noisy = np.abs(rng.normal(0.2, 0.3, 12))
    model = fit_additive(BASIS, values, noisy, {}, panels, relative=False, what="minutes")
    every = np.vstack(list(BASIS.chunks()))
    mean, low, high = model.interval(every)
    assert min(mean.min(), low.min(), high.min()) >= 0


def test_hours_instead_of_minutes_change_nothing_but_the_unit():
    rng = np.random.default_rng(6)
    values, panels = drawn(24)
    steps = {k: v * rng.lognormal(0, 0.1, 24) for k, v in truth(values).items()}
    minutes = fitted(values, steps, panels)
    hours = fitted(values, {k: v / 60 for k, v in steps.items()}, panels)
    for a, b in zip(minutes.interval(values), hours.interval(values), strict=True):
        np.testing.assert_allclose(a, 60 * b, rtol=1e-5)  # the optimiser's tolerance


# --- removals known only to be at least so much ---------------------------------------------------------


def burned(seed):
    """Return passes, true removal, what was known of it, which burned, and panels: 1 + 1.5 µm a pass."""
    rng = np.random.default_rng(seed)
    n = 60
    passes = rng.integers(1, 9, n).astype(float)[:, None]
    panels = np.repeat(np.arange(6), 10)
    removed = 1 + 1.5 * passes[:, 0] + rng.normal(0, 1, n) + rng.normal(0, 0.5, 6)[panels]
    clear = rng.uniform(6, 14, n)
    through = removed > clear
    return passes, removed, np.where(through, clear, removed), through, panels


def at_most_eight(values, total, panels, **how):
    """Return what eight passes take on average, and what 99 in 100 sections stay under."""
    study = one_step_study()
    fitted = fit_additive(study.basis, values, total, {}, panels, relative=False, what="film", **how)
    eight = np.array([[8.0]])
    return float(fitted.mean(eight)[0]), float(fitted.next_section(eight).quantile(0.99)[0])


def one_step_study():
    return Study.from_toml(
        'title = "Doors"\npass_means = "one direction"\n[[step]]\nname = "cut"\npasses = { lowest = 0, highest = 8 }\n'
        "[goal]\nfaults = { at_most = 0 }\nassurance = 0.9\n"
    )


def test_a_burn_through_counts_as_at_least_the_clear_that_was_there():
    dropped, bounded, as_read = [], [], []
    for seed in range(8):
        passes, removed, known, through, panels = burned(seed)
        full = at_most_eight(passes, removed, panels)
        keep = ~through
        dropped.append(np.subtract(at_most_eight(passes[keep], known[keep], panels[keep]), full))
        bounded.append(np.subtract(at_most_eight(passes, known, panels, at_least=through), full))
        as_read.append(np.subtract(at_most_eight(passes, known, panels), full))
    # About 20 of 60 burned through. Beside what the full removals would have said, dropping them
    # makes harsh processes look milder; taking the bound for the removal, milder still.
    assert abs(np.mean(bounded, axis=0)[0]) < 0.15
    assert np.mean(dropped, axis=0)[0] < -0.25
    assert np.mean(as_read, axis=0)[0] < -0.8
    # The spread is kept too, so that a limit is not judged more surely than it is known.
    assert abs(np.mean(bounded, axis=0)[1]) < 0.3


def test_bounds_that_bind_nothing_change_nothing():
    passes, removed, _, _, panels = burned(3)
    none = np.zeros(len(removed), bool)
    assert at_most_eight(passes, removed, panels, at_least=none) == at_most_eight(passes, removed, panels)
