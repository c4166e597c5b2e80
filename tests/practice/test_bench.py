"""Practice benches: their laws on paper, their log, and that log and stated truth agree.

The benches are what everything else is tried on, so a truth that is not the one worked would go
unnoticed. It is therefore counted here: thousands of new panels are worked and compared.
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from published import table

from finishlab import PracticeBench, Study
from finishlab.errors import OutsideStudy, RecordsError, StudyError
from finishlab.practice import truths
from finishlab.trade.optics import gloss_from_roughness, roughness_from_gloss

KINDS = sorted(PracticeBench.KINDS)
SEEDS = range(4)
# Four standard errors of a count: about one test in 16,000 fails by luck; the seeds are fixed anyway.
ERRORS = 4


# Drawing a shop takes a fraction of a second, and many tests look at the same ones.
a_bench = functools.cache(lambda kind, seed: PracticeBench(kind=kind, seed=seed))


def grid(bench: PracticeBench) -> pd.DataFrame:
    """Every admissible process of a bench."""
    basis = bench.study.basis
    return basis.frame(np.vstack(list(basis.chunks())))


def passes(cut: Any, polish: Any, grit: int = 0, pad: int = 0, product: int = 0) -> truths.Processes:
    cut, polish = np.broadcast_arrays(np.atleast_1d(cut) * 1.0, np.atleast_1d(polish) * 1.0)
    same = np.ones(cut.shape, int)
    return truths.Processes(same * grit, same * pad, same * product, cut, polish)


def roughness(shop: truths.Shop, p: truths.Processes) -> np.ndarray:
    """Roughness after sand, cut, polish: x of exp(-x^2)."""
    return np.exp(truths.typical(shop, p).log_roughness)


def with_job(bench: PracticeBench, sections: int, accept: str = "every section") -> PracticeBench:
    text = bench.study.source + f'\n[job]\nsections = {sections}\naccept = "{accept}"\n'
    return PracticeBench(kind=bench.kind, seed=bench.seed, study=Study.from_toml(text))


def jobs(bench: PracticeBench, process: pd.DataFrame, count: int) -> pd.DataFrame:
    """Work one process as `count` jobs, each on a panel of its own."""
    sections = bench.study.job.sections
    sheet = process.iloc[np.zeros(count * sections, int)].reset_index(drop=True)
    return bench.work(sheet.assign(panel=np.repeat(np.arange(count), sections)), seed=99)


def share_met(bench: PracticeBench, process: pd.DataFrame, goal: Any, count: int) -> float:
    """Share of `count` worked jobs that meet a goal, a misread spot being read again."""
    log = jobs(bench, process, count)
    conditions, _ = bench.study.asked(goal)
    sections = bench.study.job.sections
    met = np.ones((count, sections), bool)
    for name, condition in conditions.items():
        value = log[name].to_numpy(float)
        if bench._shop.misread and name.startswith("gloss"):
            spots = log[[f"{name}_{i}" for i in (1, 2, 3)]]
            # Misread spots lie at 0.4 to 0.85 of the others; honest spots within a few units.
            value = spots.where(spots.ge(0.9 * spots.max(axis=1), axis=0)).mean(axis=1).to_numpy()
        value = np.round(value.reshape(count, sections), 9)
        if bench.study.job.accept == "mean of sections":
            value = np.round(value.mean(axis=1, keepdims=True), 9)
        met &= condition.met(value)
    return float(met.all(axis=1).mean())


# --- the laws, on paper ----------------------------------------------------------------------------


def test_kind_1_takes_the_same_share_of_what_is_left_above_the_floor_at_each_pass() -> None:
    # On paper: from 1.9 toward 0.3 with tau 1.5, three passes leave 0.3 + 1.6 exp(-2) = 0.51654.
    shop = truths.draw_shop(1, 0)
    even = {"floor": np.full((3, 2), 0.3), "tau": np.full((3, 2), 1.5)}
    shop = replace(shop, sanded=np.full(3, 1.9), cut=replace(shop.cut, **even))
    assert roughness(shop, passes(3, 0))[0, 1] == pytest.approx(0.3 + 1.6 * np.exp(-2), abs=1e-12)


def test_kind_1_seen_through_the_optics_decays_in_micrometres(bench: PracticeBench) -> None:
    levels = bench.true_levels(grid(bench).query("sand_grit == 'P1500' and cut_pad == 'foam'"))
    gloss = levels["cut_gloss_20"].to_numpy().reshape(2, 8, 7)[:, :, 0]  # product, cut passes, polish
    um = roughness_from_gloss(gloss, ceiling=bench._shop.ceiling_20)
    steps = np.diff(um, axis=1)
    ratio = steps[:, 1:] / steps[:, :-1]
    # exp(-1 / tau) at every pass; the optics are undone to about 1e-12, differences lose some of it.
    np.testing.assert_allclose(ratio, ratio[:, :1] * np.ones(6), rtol=1e-9)


def test_kind_2_halves_after_as_many_passes_as_slow_it_when_the_power_is_one() -> None:
    shop = truths.draw_shop(2, 0)
    stage = {"slows": np.full((3, 2), 2.0), "power": np.full((3, 2), 1.0)}
    shop = replace(shop, sanded=np.full(3, 1.8), cut=replace(shop.cut, **stage))
    # On paper: 1.8 / (1 + n / 2) is 0.9, 0.6 and 0.45 after 2, 4 and 6 passes.
    assert roughness(shop, passes([2, 4, 6], 0))[:, 1] == pytest.approx([0.9, 0.6, 0.45], abs=1e-12)


def test_kind_3_needs_the_passes_that_the_plateau_formula_gives() -> None:
    # On paper: n = tau ln((Gmax - G0) / (Gmax - G)); from 20 toward 86 with tau 1.5, 80 GU takes
    # 1.5 ln(66 / 6) = 3.597 passes and 85 GU takes 1.5 ln(66) = 6.284.
    shop = replace(truths.draw_shop(3, 0), ceiling_20=90.0)
    start, plateau = np.sqrt(-np.log(np.array([20, 86]) / shop.ceiling_20))
    stage = {"floor": np.full((3, 2), plateau), "tau": np.full((3, 2), 1.5)}
    shop = replace(shop, sanded=np.full(3, start), cut=replace(shop.cut, **stage))
    x = roughness(shop, passes([1.5 * np.log(11), 1.5 * np.log(66)], 0))[:, 1]
    assert shop.ceiling_20 * np.exp(-(x**2)) == pytest.approx([80, 85], abs=1e-9)


def test_kind_4_wears_scratches_as_the_weibull_integral_says() -> None:
    from scipy import integrate, stats

    depths = stats.weibull_min(1.6)
    for removed in (0.0, 0.5, 1.0, 1.5):
        gone = removed * depths.mean()
        left = integrate.quad(lambda d, r: (d - r) ** 2 * depths.pdf(d), gone, 12, args=(gone,))[0]
        found = truths._left(np.ones(1), np.array([removed]))[0]
        # 32 classes cut off the deepest 1.6 %; that is worth up to 0.02 of the whole scatter.
        assert found == pytest.approx(left / depths.moment(2), abs=0.02)
    assert truths._left(np.ones(1), np.array([10.0]))[0] == 0


def test_kind_5_falls_after_its_best_number_of_passes_within_the_range_in_most_shops() -> None:
    falls = []
    for seed in range(12):
        shop = truths.draw_shop(5, seed)
        x = [roughness(shop, passes(np.arange(1, 9), 0, pad=pad))[:, 1] for pad in range(3)]
        falls.append(any((np.diff(curve) > 0).any() for curve in x))
    assert np.mean(falls) > 0.5


def test_kind_7_gains_more_at_its_second_pass_than_at_its_first() -> None:
    for seed in range(12):
        shop = truths.draw_shop(7, seed)
        x = roughness(shop, passes(np.arange(4), 0, pad=2))[:, 1]
        first, second, _ = -np.diff(x)
        assert second > first > 0


@pytest.mark.parametrize("kind", [1, 2, 3, 4, 6, 7])
def test_more_passes_never_lower_the_true_gloss_where_nothing_is_overworked(kind: int) -> None:
    for seed in SEEDS:
        shop = truths.draw_shop(kind, seed)
        cut, polish = np.meshgrid(np.arange(1.0, 9), np.arange(7.0), indexing="ij")
        for grit, pad, product in np.ndindex(3, 3, 2):
            p = passes(cut.ravel(), polish.ravel(), grit, pad, product)
            x = roughness(shop, p)[:, 2].reshape(cut.shape)
            assert (np.diff(x, axis=0) <= 1e-12).all()
            assert (np.diff(x, axis=1) <= 1e-12).all()


def test_gloss_is_what_the_public_optics_give_for_the_roughness(bench: PracticeBench) -> None:
    some = grid(bench).iloc[::37]
    gloss = bench.true_levels(some)["gloss_20"].to_numpy()
    um = roughness_from_gloss(gloss, ceiling=bench._shop.ceiling_20)
    np.testing.assert_allclose(gloss_from_roughness(um, ceiling=bench._shop.ceiling_20), gloss, rtol=1e-12)
    x = np.exp(bench._typical(some).log_roughness[:, -1])
    # 4 pi cos(20 degrees) / 0.55 um
    np.testing.assert_allclose(um * 4 * np.pi * np.cos(np.radians(20)) / 0.55, x, rtol=1e-6)


# --- the levels of the trade --------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_ceilings_lie_where_published_gloss_of_smooth_films_does(kind: int) -> None:
    # ISO 2813 (1994) Table 2 / ASTM D523 Table 1, indices 1.50 and 1.54; tabled to 0.1.
    published = table("gloss_refractive_index")
    for seed in range(30):
        shop = truths.draw_shop(kind, seed)
        for angle, ceiling in ((20, shop.ceiling_20), (60, shop.ceiling_60)):
            rows = published[published["angle_deg"] == angle].set_index("refractive_index")["tabled_gloss"]
            assert rows.loc[1.50] - 0.1 <= ceiling <= rows.loc[1.54] + 0.1


@pytest.mark.parametrize("kind", KINDS)
def test_levels_lie_in_the_ranges_of_the_trade(kind: int) -> None:
    # Planning figures, common practice, no source: 20 and 60 degrees after P1500 1-5 and 8-25 GU,
    # P2000 2-12 and 20-45, P3000 15-45 and 50-78; compounding 65-85; polishing 80 to the ceiling.
    ranges = {"P1500": (1, 5, 8, 25), "P2000": (2, 12, 20, 45), "P3000": (15, 45, 50, 78)}
    for seed in SEEDS:
        bench = a_bench(kind, seed)
        processes = grid(bench)
        levels = bench.true_levels(processes)
        for grit, (low_20, high_20, low_60, high_60) in ranges.items():
            sanded = levels[processes["sand_grit"] == grit].iloc[0]
            assert low_20 <= sanded["sand_gloss_20"] <= high_20
            assert low_60 <= sanded["sand_gloss_60"] <= high_60
        cut = processes["cut_passes"] >= 3
        polished = cut & (processes["polish_passes"] >= 3)
        # Of many settings, not all well chosen: the middle one. Narrow ceilings leave 1 GU less.
        assert 63 <= levels.loc[cut, "cut_gloss_20"].median() <= 87
        assert 79 <= levels.loc[polished, "gloss_20"].median() <= bench._shop.ceiling_20
        assert (levels["gloss_20"] < bench._shop.ceiling_20).all()


@pytest.mark.parametrize("kind", KINDS)
def test_its_goals_are_truly_reached_by_a_fair_share_of_processes(kind: int) -> None:
    for seed in SEEDS:
        bench = a_bench(kind, seed)
        processes = grid(bench)
        target = bench.study.goal["gloss_20"].at_least
        assert (2 * target) % 1 == 0
        assert bench._shop.ceiling_20 - target < 7
        fewest = 0.03 if kind == 14 else 0.10
        assert fewest <= (bench.true_probability(processes) >= 0.90).mean() <= 0.40
        joint = bench.true_probability(processes, goal=bench.joint_goal)
        assert 0.05 <= (joint >= 0.90).mean() <= 0.35
        assert bench.best(assurance=0.97)["found"]
        assert bench.best(goal=bench.joint_goal, assurance=0.97)["found"]


def test_the_best_process_is_not_the_same_in_every_shop() -> None:
    factors = ("sand_grit", "cut_pad", "cut_product", "cut_passes", "polish_passes")
    for kind in KINDS:
        seen: dict[str, set[str]] = {factor: set() for factor in factors}
        for seed in range(12):
            for factor, setting in a_bench(kind, seed).best()["settings"].items():
                seen[factor].add(str(setting))
            if all(len(settings) > 1 for settings in seen.values()):
                break
        assert all(len(settings) > 1 for settings in seen.values()), kind


# --- the stated truth is the worked one --------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("which", ["gloss", "joint", "band"])
def test_stated_probability_is_the_share_of_worked_jobs(kind: int, which: str) -> None:
    bench = a_bench(kind, 2)
    target = bench.study.goal["gloss_20"].at_least
    goal = {
        "gloss": None,
        "joint": bench.joint_goal,
        "band": {"gloss_60": {"at_least": 85}, "gloss_20": {"within": [target - 4, target]}},
    }[which]
    stated = bench.true_probability(grid(bench), goal=goal)
    # The process nearest 0.8: there a wrong spread shows most.
    near = (stated - 0.8).abs().idxmin()
    process = grid(bench).loc[[near]]
    assert 0.3 < stated[near] < 0.97
    count = 4000
    worked = share_met(bench, process, goal, count)
    # Four panels share a drum of product, so jobs of kind 10 count for at least a quarter each.
    alike = truths.DRUM_PANELS if bench._shop.lot_sd else 1
    assert abs(worked - stated[near]) < ERRORS * np.sqrt(stated[near] * (1 - stated[near]) * alike / count)


@pytest.mark.parametrize("accept", ["every section", "mean of sections"])
@pytest.mark.parametrize("kind", [3, 6, 8])
def test_jobs_of_several_sections_share_their_panel(kind: int, accept: str) -> None:
    one = a_bench(kind, 1)
    bench = with_job(one, 4, accept)
    if accept == "mean of sections":
        # Here one misread spot is in the mean with 11 others and cannot be told; none are made.
        bench._shop = replace(bench._shop, misread=0.0)
    goal = one.joint_goal
    stated = bench.true_probability(grid(bench), goal=goal)
    near = (stated - 0.7).abs().idxmin()
    worked = share_met(bench, grid(bench).loc[[near]], goal, 2000)
    assert abs(worked - stated[near]) < ERRORS * np.sqrt(stated[near] * (1 - stated[near]) / 2000)


def test_a_truth_without_panels_and_patches_would_be_caught() -> None:
    from scipy.stats import norm

    bench = a_bench(1, 2)
    target = bench.study.goal["gloss_20"].at_least
    stated = bench.true_probability(grid(bench))
    near = (stated - 0.8).abs().idxmin()
    process = grid(bench).loc[[near]]
    meter_alone = norm.cdf(
        (bench.true_levels(process)["gloss_20"].iloc[0] - target) / bench._shop.meter_sd * np.sqrt(3)
    )
    worked = share_met(bench, process, None, 4000)
    assert abs(worked - meter_alone) > ERRORS * np.sqrt(0.25 / 4000)


def test_sections_taken_as_independent_would_be_caught() -> None:
    one = a_bench(1, 2)
    six = with_job(one, 6)
    stated = one.true_probability(grid(one))
    near = grid(one).loc[[(stated - 0.9).abs().idxmin()]]
    together = six.true_probability(near).iloc[0]
    independent = one.true_probability(near).iloc[0] ** 6
    worked = share_met(six, near, None, 2000)
    assert abs(worked - together) < ERRORS * np.sqrt(together * (1 - together) / 2000)
    assert worked - independent > ERRORS * np.sqrt(0.25 / 2000)


def test_working_time_is_on_average_what_is_stated_and_spreads_as_drawn() -> None:
    bench = a_bench(2, 0)
    process = grid(bench).iloc[[500]]
    minutes = jobs(bench, process, 4000)["minutes"].dropna()
    spread = np.log(minutes).std()
    assert 0.03 < spread < 0.06
    standard_error = minutes.std() / np.sqrt(len(minutes))
    assert abs(minutes.mean() - bench.true_minutes(process).iloc[0]) < ERRORS * standard_error


def test_panel_and_patch_spread_are_the_drawn_ones() -> None:
    bench = a_bench(1, 4)
    shop = bench._shop
    process = grid(bench).query("cut_passes == 4 and polish_passes == 0").iloc[[3]]
    panels, patches = 500, 6
    sheet = process.iloc[np.zeros(panels * patches, int)].reset_index(drop=True)
    log = bench.work(sheet.assign(panel=np.repeat(np.arange(panels), patches)))
    z = 0.5 * np.log(-np.log(log["gloss_20"] / shop.ceiling_20))
    by_panel = z.groupby(log["panel"])
    between, within = by_panel.mean().var(), by_panel.var().mean()
    slope = 2 * -np.log(log["gloss_20"].mean() / shop.ceiling_20) * log["gloss_20"].mean()
    reading = shop.spot_sd**2 / 3 + (shop.meter_sd / slope) ** 2 / 3
    # 500 panels give a variance to 6 % (one standard error), 2,500 differences within to 3 %.
    assert within == pytest.approx(shop.patch_sd**2 + shop.step_sd**2 + reading, rel=4 * 0.03)
    assert between - within / patches == pytest.approx(shop.panel_sd**2, rel=4 * 0.08)


# --- the truly best ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_quicker_than_the_best_keeps_the_promise(kind: int) -> None:
    bench = a_bench(kind, 3)
    processes = grid(bench)
    best = bench.best()
    minutes, p = bench.true_minutes(processes), bench.true_probability(processes)
    assert best["assurance"] >= 0.90
    assert (p[minutes < best["minutes"] - 1e-9] < 0.90).all()
    chosen = pd.DataFrame([best["settings"]])
    assert bench.true_minutes(chosen).iloc[0] == pytest.approx(best["minutes"])
    assert bench.true_probability(chosen).iloc[0] == pytest.approx(best["assurance"])


def test_asking_more_never_makes_the_best_process_shorter_or_a_goal_likelier(bench: PracticeBench) -> None:
    minutes = [bench.best(assurance=a)["minutes"] for a in (0.5, 0.8, 0.9, 0.97)]
    assert minutes == sorted(minutes)
    processes = grid(bench).iloc[::11]
    p = [bench.true_probability(processes, goal={"gloss_20": {"at_least": t}}) for t in (70, 78, 80, 82)]
    for easier, harder in itertools.pairwise(p):
        assert (harder <= easier + 1e-9).all()
    both = bench.true_probability(processes, goal=bench.joint_goal)
    gloss = bench.true_probability(processes, goal={"gloss_20": bench.joint_goal["gloss_20"]})
    assert (both <= gloss + 1e-9).all()


# --- the log ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sheet(bench: PracticeBench) -> pd.DataFrame:
    """24 processes on three panels."""
    some = grid(bench).sample(24, random_state=0).reset_index(drop=True)
    return some.assign(
        panel=np.repeat(["A", "B", "C"], 8), patch=list(range(1, 9)) * 3, run_order=range(1, 25)
    )


def test_the_same_seed_logs_the_same_table_and_leaves_the_sheet_alone(
    bench: PracticeBench, sheet: pd.DataFrame
) -> None:
    before = sheet.copy()
    pd.testing.assert_frame_equal(bench.work(sheet, seed=5), bench.work(sheet, seed=5))
    pd.testing.assert_frame_equal(sheet, before)
    again = PracticeBench(kind=1, seed=3)
    pd.testing.assert_frame_equal(again.work(sheet, seed=5), bench.work(sheet, seed=5))
    assert not bench.work(sheet, seed=6)["gloss_20"].equals(bench.work(sheet, seed=5)["gloss_20"])


def test_a_patch_reads_the_same_wherever_its_row_stands(bench: PracticeBench, sheet: pd.DataFrame) -> None:
    shuffled = sheet.assign(trial=range(1, 25)).sample(frac=1, random_state=1)
    log = bench.work(shuffled, seed=5)
    pd.testing.assert_frame_equal(log.sort_index(), bench.work(sheet, seed=5), check_dtype=False)


def test_a_panel_is_the_same_panel_whatever_the_seed() -> None:
    bench = a_bench(1, 4)
    process = grid(bench).query("cut_passes == 4 and polish_passes == 0").iloc[[3]]
    sheet = process.iloc[np.zeros(40 * 20, int)].reset_index(drop=True)
    sheet = sheet.assign(panel=np.repeat(np.arange(40), 20))
    first, second = (bench.work(sheet, seed=s).groupby("panel")["gloss_20"].mean() for s in (1, 2))
    # Means of 20 patches: panels differ by far more than what patches leave in them.
    assert np.corrcoef(first, second)[0, 1] > 0.9
    other = bench.work(sheet.assign(panel="P" + sheet["panel"].astype(str))).groupby("panel")["gloss_20"]
    # 40 unrelated panels: beyond 0.5 by luck once in a thousand.
    assert abs(np.corrcoef(first, other.mean())[0, 1]) < 0.5


def test_a_number_and_its_text_are_the_same_panel(bench: PracticeBench, sheet: pd.DataFrame) -> None:
    numbers = bench.work(sheet.assign(panel=np.repeat([1, 2, 3], 8)))
    texts = bench.work(sheet.assign(panel=np.repeat(["1", "2", "3"], 8)))
    assert numbers["gloss_20"].equals(texts["gloss_20"])


def test_settings_of_a_left_out_step_and_held_ones_change_nothing(bench: PracticeBench) -> None:
    unpolished = grid(bench).query("polish_passes == 0").head(12).assign(panel=1)
    told = unpolished.assign(polish_pad="soft foam", polish_product="polish A", sand_passes=4)
    pd.testing.assert_frame_equal(bench.work(unpolished), bench.work(told))
    log = bench.work(unpolished, seed=3)
    # Nothing happened between the two readings: they differ by the meter and the spot alone.
    difference = log["gloss_20"] - log["cut_gloss_20"]
    assert 0 < difference.abs().max() < 5 * bench._shop.meter_sd
    assert (log["polish_minutes"] == 0).all()


def test_the_log_has_the_columns_of_a_trial_table(bench: PracticeBench, sheet: pd.DataFrame) -> None:
    log = bench.work(sheet, seed=5)
    first = ["trial", "run_order", "panel", "patch", "technician", "date", "status", "reason"]
    assert list(log.columns[:9]) == [*first, "burned_after_step"]
    for name in ("sand_gloss_20", "sand_gloss_60", "cut_gloss_20", "gloss_20", "gloss_60", "haze"):
        repeats = log[[f"{name}_{i}" for i in (1, 2, 3)]]
        np.testing.assert_allclose(log[name], repeats.mean(axis=1))
        # Meters show tenths and nothing below zero.
        np.testing.assert_allclose(repeats * 10, np.round(repeats * 10), atol=1e-9)
        assert (repeats >= 0).all(axis=None)
    steps = log[["sand_minutes", "cut_minutes", "polish_minutes"]].sum(axis=1)
    np.testing.assert_allclose(log["minutes"], steps, atol=0.006)
    np.testing.assert_allclose(log["removed_um"], log["film_before_um"] - log["film_after_um"], atol=0.06)
    assert set(log["technician"]) == {"T1", "T2"}
    assert log.groupby("panel")["date"].nunique().max() == 1


def test_the_log_is_read_back_without_a_complaint(
    bench: PracticeBench, sheet: pd.DataFrame, tmp_path: Any
) -> None:
    import finishlab as fl

    log = bench.work(sheet, seed=5)
    log.to_csv(tmp_path / "trials.csv", index=False)
    back = fl.read_trials(tmp_path / "trials.csv", bench.study)
    np.testing.assert_allclose(back["gloss_20"], log["gloss_20"])


def test_only_the_steps_that_the_study_reads_are_read(bench: PracticeBench, sheet: pd.DataFrame) -> None:
    text = bench.study.source.replace('["sand", "cut", "polish"]', '["polish"]').replace(
        "spots = 3", "spots = 2"
    )
    log = PracticeBench(kind=1, seed=3, study=Study.from_toml(text)).work(sheet)
    assert not [c for c in log.columns if c.startswith(("sand_gloss", "cut_gloss")) or c.endswith("_3")]
    assert {"gloss_20_1", "gloss_20_2", "gloss_20"} <= set(log.columns)


def test_an_empty_sheet_gives_an_empty_log(bench: PracticeBench, sheet: pd.DataFrame) -> None:
    log = bench.work(sheet.head(0))
    assert len(log) == 0
    assert list(log.columns) == list(bench.work(sheet).columns)


def test_thin_film_burns_through_under_a_harsh_process_and_only_then() -> None:
    bench = a_bench(1, 0)
    processes = grid(bench)
    levels = bench.true_levels(processes)
    harsh, mild = levels["removed_um"].idxmax(), levels["removed_um"].idxmin()
    log = jobs(bench, processes.loc[[harsh]], 4000)
    burned = log["burned_after_step"] != ""
    # A thin spot has 5 to 22 um of clear, another place more than 40 (of 110 to 140 in all).
    assert 0 < burned.mean() < bench._shop.thin_share + ERRORS * np.sqrt(0.02 / 4000)
    assert log.loc[burned, "film_before_um"].max() < log.loc[~burned, "film_before_um"].median() - 20
    assert (
        log.loc[burned, ["gloss_20", "gloss_20_1", "haze", "faults", "removed_um", "minutes"]]
        .isna()
        .all(axis=None)
    )
    after_sanding = log["burned_after_step"] == "sand"
    assert log.loc[after_sanding, "sand_gloss_20"].isna().all()
    assert log.loc[after_sanding, "sand_minutes"].notna().all()
    assert log.loc[after_sanding, "cut_minutes"].isna().all()
    later = burned & ~after_sanding
    assert log.loc[later, "sand_gloss_20"].notna().all()
    assert (jobs(bench, processes.loc[[mild]], 4000)["burned_after_step"] == "").all()


def test_kind_6_has_patches_that_fail_at_every_spot_and_apart_from_them_misread_spots() -> None:
    bench = a_bench(6, 2)
    process = grid(bench).query("cut_passes == 6 and polish_passes == 6").iloc[[0]]
    log = jobs(bench, process, 4000).dropna(subset=["gloss_20"])
    spots = log[["gloss_20_1", "gloss_20_2", "gloss_20_3"]]
    typical = bench.true_levels(process)["gloss_20"].iloc[0]
    misread = spots.lt(0.9 * spots.max(axis=1), axis=0)
    share = bench._shop.misread
    assert misread.mean(axis=None) == pytest.approx(
        share, abs=ERRORS * np.sqrt(share / (3 * len(log))) + share**2
    )
    # A failed patch loses 4 to 16 % of its gloss at every spot; panel, patch and meter far less here.
    failed = (spots.max(axis=1) < 0.965 * typical) & ~misread.any(axis=1)
    wanted = bench._typical(process).stray[0]
    assert failed.sum() > 0
    assert failed.mean() == pytest.approx(wanted, abs=ERRORS * np.sqrt(wanted / len(log)))
    assert (log.loc[failed, "faults"] >= 1).all()


# --- what it answers to a mistake --------------------------------------------------------------------------


def ln_roughness(bench: PracticeBench, log: pd.DataFrame) -> np.ndarray:
    return np.log(-np.log(log["gloss_20"].to_numpy(float) / bench._shop.ceiling_20)) / 2


def one_process_on_whole_panels(kind: int, panels: int) -> tuple[PracticeBench, pd.DataFrame]:
    bench = a_bench(kind, 2)
    sheet = pd.DataFrame([bench.study.today | {"polish_passes": 3}] * 8 * panels)
    return bench, bench.work(sheet.assign(panel=np.repeat(np.arange(1, panels + 1), 8)), seed=5)


def test_kind_8_leaves_a_rougher_surface_the_older_the_pad_until_it_is_changed() -> None:
    bench, log = one_process_on_whole_panels(8, 400)
    z = ln_roughness(bench, log).reshape(400, 8)
    # From patch to patch the pad ages by a sixteenth of its life; where it is changed it falls back.
    steps = np.diff(z, axis=1)
    # A step down by 15/16 of the wear comes once in sixteen, the mean step is therefore none.
    error = np.nanstd(z) * np.sqrt(2 / 400)
    assert abs(np.nanmedian(steps) - bench._shop.wear / 16) < ERRORS * error
    assert abs(np.nanmean(steps)) < ERRORS * error


def test_kind_9_has_two_technicians_who_differ_by_what_was_drawn() -> None:
    bench, log = one_process_on_whole_panels(9, 200)
    z = pd.Series(ln_roughness(bench, log))
    by = z.groupby(log["technician"].to_numpy()).agg(["mean", "std", "size"])
    apart = by.loc["T2", "mean"] - by.loc["T1", "mean"]
    assert abs(apart - 2 * bench._shop.hands) < ERRORS * np.sqrt((by["std"] ** 2 / by["size"]).sum())
    assert apart > ERRORS * 0.01


def test_kind_10_opens_a_new_drum_of_product_every_four_panels_and_logs_it() -> None:
    bench, log = one_process_on_whole_panels(10, 400)
    assert log.groupby("panel")["lot"].nunique().max() == 1
    assert log.groupby("lot")["panel"].nunique().tolist() == [4] * 100
    z = pd.Series(ln_roughness(bench, log))
    between = z.groupby(log["lot"].to_numpy()).mean().std()
    expected = np.sqrt(bench._shop.lot_sd**2 + bench._shop.panel_sd**2 / 4 + bench._shop.patch_sd**2 / 32)
    # A standard deviation of 100 has a standard error of 1 in 14.
    assert abs(between / expected - 1) < ERRORS / 14


def test_the_kinds_without_a_day_of_their_own_log_as_they_always_did(bench: PracticeBench) -> None:
    log = bench.work(pd.DataFrame([bench.study.today] * 4).assign(panel="P1"), seed=1)
    assert "lot" not in log.columns
    assert log["technician"].tolist() == ["T1", "T2", "T1", "T2"]


def test_a_bench_says_what_cannot_be_asked_of_it(bench: PracticeBench, sheet: pd.DataFrame) -> None:
    with pytest.raises(StudyError, match=r"no practice bench of kind 15. Kinds are 1, 2, 3, 4, 5, 6, 7"):
        PracticeBench(kind=15)
    with pytest.raises(StudyError, match="seed is -1; it must be a whole number, 0 or more"):
        PracticeBench(kind=1, seed=-1)
    with pytest.raises(
        StudyError, match=r"does not read gloss_85\. It reads gloss_20, gloss_60, haze, faults"
    ):
        bench.true_probability(sheet, goal={"gloss_85": {"at_least": 90}})
    with pytest.raises(StudyError, match=r"seed is 1\.5"):
        bench.work(sheet, seed=1.5)


def test_a_bench_says_which_panel_or_patch_of_a_sheet_is_amiss(
    bench: PracticeBench, sheet: pd.DataFrame
) -> None:
    with pytest.raises(RecordsError, match="column 'panel' is missing"):
        bench.work(sheet.drop(columns="panel"))
    with pytest.raises(RecordsError, match=r"planned more than once \(rows 0, 1, 2, 3, 4, 5\)"):
        bench.work(sheet.assign(patch=1))
    with pytest.raises(OutsideStudy, match="cut_passes is 11"):
        bench.work(sheet.assign(cut_passes=11))


def test_a_bench_names_everything_in_a_study_that_it_does_not_know(bench: PracticeBench) -> None:
    text = (
        bench.study.source.replace('"P3000"]', '"P2500"]')
        .replace('pad = "soft foam"', 'pad = "felt"')
        .replace("ISO 13803", "ASTM D4039")
        .replace("changeover_minutes = 3", "changeover_minutes = 3\nspeed = 900", 1)
    )
    with pytest.raises(StudyError) as caught:
        PracticeBench(kind=1, seed=3, study=Study.from_toml(text))
    assert str(caught.value) == (
        "This study cannot be put to a practice bench.\n"
        "  - sand_grit has 'P2500'; a practice bench knows P1500, P2000, P3000.\n"
        "  - polish_pad has 'felt'; a practice bench knows soft foam.\n"
        "  - cut_speed is a setting that a practice bench does not have.\n"
        "  - haze_method is ASTM D4039; a practice bench reads ISO 13803."
    )


def test_a_narrower_study_is_the_same_shop(bench: PracticeBench, sheet: pd.DataFrame) -> None:
    text = bench.study.source.replace('grit = ["P1500", "P2000", "P3000"]', 'grit = "P2000"')
    text = text.replace("lowest = 1, highest = 8", "lowest = 2, highest = 6").replace(
        '\nsand_grit = "P1500"', ""
    )
    narrow = PracticeBench(kind=1, seed=3, study=Study.from_toml(text))
    some = grid(narrow).sample(9, random_state=2)
    wide = some.assign(sand_grit="P2000")
    pd.testing.assert_series_equal(narrow.true_minutes(some), bench.true_minutes(wide))
    pd.testing.assert_series_equal(narrow.true_probability(some), bench.true_probability(wide))
