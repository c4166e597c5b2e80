"""The step model on a process of four steps with factors in each: simulated truth, and what must matter."""

import numpy as np
import pytest
from long_process import CEILING, STUDY, processes, true_gloss, work

import finishlab as fl

NEW = processes(300, 99)


def without(table, *starts):
    return table[[c for c in table.columns if not c.startswith(starts)]]


def at_20(table):
    """Return the trials without 60-degree readings."""
    return table[[c for c in table.columns if "gloss_60" not in c]]


def scored(trials, kind="steps", **truth):
    """Return error of the typical gloss over new processes, GU, the share of truths inside, and the width."""
    model = fl.fit(STUDY, trials, kind=kind)
    p = model.predict(NEW)
    y = true_gloss(NEW, **truth)[:, -1]
    inside = (y >= p["gloss_20_mean_low"]) & (y <= p["gloss_20_mean_high"])
    width = (p["gloss_20_mean_high"] - p["gloss_20_mean_low"]).mean()
    return float(np.sqrt(((p["gloss_20"] - y) ** 2).mean())), float(inside.mean()), float(width)


@pytest.fixture(scope="module")
def trials():
    return work(processes(28, 1), 1)


@pytest.fixture(scope="module")
def every_step(trials):
    return scored(at_20(trials))


# The truths of one study share its luck, so the share inside a stated 90 % wanders by some ten
# points; below 0.78 has not been seen in twenty simulated studies of this shop.
COVERED = 0.78


def test_four_steps_with_factors_in_each_are_followed_to_within_a_gloss_unit(every_step):
    error, inside, _ = every_step
    assert error < 1.2
    assert inside >= COVERED


def test_the_surface_model_is_several_times_further_off(trials, every_step):
    # The wrong tool for eight factors in 28 trials: it knows the finish alone.
    error, _, _ = scored(at_20(trials), kind="surface")
    assert error > 2.5 * every_step[0]


def test_final_readings_alone_say_less_and_the_model_knows_it(trials, every_step):
    error, inside, width = scored(without(at_20(trials), "sand_gloss", "refine_gloss", "cut_gloss"))
    assert inside >= COVERED
    assert width > 1.5 * every_step[2]
    assert error > every_step[0]


def test_a_reading_missing_after_one_step_of_some_trials_is_no_hindrance(trials, every_step):
    gaps = at_20(trials).copy()
    cut = [c for c in gaps if c.startswith("cut_gloss")]
    gaps.loc[gaps.index % 2 == 0, cut] = np.nan
    error, inside, width = scored(gaps)
    assert inside >= COVERED
    assert error < 1.5
    assert width > every_step[2]


def test_sixty_degrees_early_and_twenty_late_are_tied(trials):
    # Sanded films read at 60 degrees only; the shop's slack (the rougher the lower) is not the
    # model's, which takes it as a spread.
    late = without(trials, "sand_gloss_20", "refine_gloss_20")
    tied, untied = scored(late), scored(at_20(late))
    assert tied[1] >= COVERED
    assert tied[2] < 0.95 * untied[2]
    assert tied[0] < untied[0]


def test_sixty_degrees_add_nothing_where_twenty_say_it_better(trials):
    with_60 = fl.fit(STUDY, trials).response("gloss_20").posterior.observed
    assert with_60.tied is None or (with_60.y[~with_60.tied] < 2).any()
    floor = with_60.tied.sum() if with_60.tied is not None else 0
    assert len(with_60.y) - floor == len(trials) * 4


@pytest.mark.parametrize("far", [-2.0, 2.0])
def test_truths_two_prior_spreads_off_are_covered(far):
    # Floors of cut and polish 2 x 0.6 of ln roughness lower or higher, and the rate with them.
    error, inside, _ = scored(at_20(work(processes(28, 1), 1, far=far)), far=far)
    assert inside >= COVERED
    assert error < 2.5


@pytest.mark.parametrize("ceiling", [80.0, 99.0])
def test_a_ceiling_far_from_the_stated_resins_is_covered(ceiling):
    # Metallic bases have another ceiling; the stated prior is 82 to 93 GU.
    error, inside, _ = scored(at_20(work(processes(28, 1), 1, ceiling=ceiling)), ceiling=ceiling)
    assert inside >= COVERED
    assert error < 1.2


def test_a_meter_that_shows_0_after_sanding_harms_nothing(trials):
    # 0 says "rough", and no more: the finish is predicted as if nobody had read.
    dark = at_20(trials).copy()
    sand = [c for c in dark if c.startswith("sand_gloss")]
    dark[sand] = 0.0
    p, q = (fl.fit(STUDY, t).predict(NEW)["gloss_20"] for t in (dark, dark.drop(columns=sand)))
    y = true_gloss(NEW)[:, -1]
    assert np.sqrt(((p - y) ** 2).mean()) < 1.3
    assert np.abs(p - q).mean() < 0.7


def test_a_left_out_repeat_of_sanding_is_judged_like_any_other_choice(trials):
    # "Is the middle grit worth it": the true gain of refining before the shortest cut.
    model = fl.fit(STUDY, at_20(trials))
    base = NEW.iloc[:1].assign(sand_grit="P1500", cut_pad="wool", cut_seconds=45.0, polish_passes=1)
    pair = [base.assign(refine_passes=n) for n in (0, 4)]
    gain = model.predict(pair[1])["gloss_20"].iloc[0] - model.predict(pair[0])["gloss_20"].iloc[0]
    true = true_gloss(pair[1])[0, -1] - true_gloss(pair[0])[0, -1]
    assert true > 5  # the question has an answer
    assert gain == pytest.approx(true, abs=4)


# --- the state before work ------------------------------------------------------------------------------


def started(seed, known=True):
    """Return trials without sanding to speak of: what a patch starts from still shows at the end."""
    rng = np.random.default_rng(seed)
    study = fl.Study.from_toml(
        'title = "Doors"\npass_means = "one direction"\n[[step]]\nname = "polish"\npad = ["soft", "medium"]\n'
        "passes = { lowest = 1, highest = 4 }\n[goal]\ngloss_20 = { at_least = 80 }\nassurance = 0.9\n"
    )
    n = 24
    table = study.basis.frame(np.column_stack([rng.integers(2, size=n), rng.integers(1, 5, n)]).astype(float))
    start = np.exp(rng.normal(np.log(0.6), 0.3, n))
    floor = np.where(table["polish_pad"] == "soft", 0.15, 0.25)
    x = floor + (start - floor) * np.exp(-0.4 * table["polish_passes"].to_numpy(float))
    x *= np.exp(rng.normal(0, 0.03, n))
    table = table.assign(panel=[f"P{i % 4}" for i in range(n)], minutes=rng.normal(3.0, 0.2, n), faults=0)
    table["gloss_20"] = CEILING * np.exp(-(x**2)) + rng.normal(0, 0.3, n)
    if known:
        table["start_gloss_20"] = CEILING * np.exp(-(start**2))
    return study, table


def test_the_state_before_work_explains_what_it_left_behind():
    (study, known), (_, unknown) = started(3), started(3, known=False)
    spreads = []
    for table in (known, unknown):
        posterior = fl.fit(study, table, kind="steps").response("gloss_20").posterior
        spreads.append(float(np.median(np.hypot(posterior.spread("patch"), posterior.spread("reading")))))
    # Patches differ by 0.03 in ln roughness; unread starts, which differ by 0.3, come on top.
    assert spreads[0] < 0.06
    assert spreads[1] > 2 * spreads[0]


def test_the_next_job_starts_from_what_these_patches_started_from():
    study, table = started(3)
    model = fl.fit(study, table, kind="steps")
    process = study.basis.frame(np.array([[0.0, 1.0], [0.0, 4.0]]))
    got = model.predict(process)
    start = np.exp(np.random.default_rng(9).normal(np.log(0.6), 0.3, 4000))
    for (_, row), passes in zip(got.iterrows(), (1, 4), strict=True):
        x = 0.15 + (start - 0.15) * np.exp(-0.4 * passes)
        low, high = np.quantile(CEILING * np.exp(-(x**2)), [0.05, 0.95])
        # The interval has to hold what starts do, and may be wider for panel, patch and meter.
        assert row["gloss_20_job_low"] == pytest.approx(low, abs=0.12 * CEILING)
        assert row["gloss_20_job_low"] < low + 2
        assert row["gloss_20_job_high"] > high - 2
