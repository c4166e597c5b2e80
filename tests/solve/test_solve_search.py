"""The search: what it leaves out could not have been the answer, whatever the study."""

import numpy as np
import pytest
from published import table as published
from random_studies import random_study, random_trials

import finishlab as fl
from finishlab.solve import search
from finishlab.solve.search import candidates, in_order


def questions(model, rng, count):
    """Random goals and assurances about what the processes of a model reach."""
    values = np.concatenate(list(model.study.basis.chunks()))
    read = model.predict_values(values)["gloss_20"]
    for _ in range(count):
        low, high = np.sort(rng.uniform(read.min() - 2, read.max() + 1, 2))
        side = [{"at_least": low}, {"at_least": low, "at_most": high + 2}, {"at_most": high}]
        asked = {"gloss_20": side[rng.integers(3)]}
        if "at_most" in asked["gloss_20"] and "at_least" in asked["gloss_20"]:
            asked = {"gloss_20": {"within": [low, high + 2]}}
        yield model.study.asked(asked, float(rng.choice([0.5, 0.8, 0.9, 0.95, 0.99])))


def enumerated(model, goal, wanted):
    """By looking at everything that was worked: the job's minutes and settings of the quickest that keeps promise and limits."""
    values = np.concatenate(list(model.study.basis.chunks()))
    values = values[model.worked.covers(values)]
    minutes = model.study.basis.job_minutes(values, model.minutes.mean(values))
    keeps = (model.probability_of(values, goal) >= wanted) & model.keeps_limits(values)
    order = np.argsort(minutes, kind="stable")
    found = order[keeps[order]]
    return (minutes[found[0]], values[found[0]].tolist()) if len(found) else None


@pytest.mark.parametrize("seed", range(8))
def test_the_pruned_search_finds_what_full_enumeration_finds(seed, monkeypatch):
    # `tests/benchmarks/search.py --studies 1000` does the same over a thousand studies.
    monkeypatch.setattr(search, "_FEW_PROCESSES", 0)
    monkeypatch.setattr(search, "_BATCH", 16)
    rng = np.random.default_rng(seed)
    study = random_study(rng)
    model = fl.fit(study, random_trials(study, rng))
    for goal, wanted in questions(model, rng, 12):
        best = enumerated(model, goal, wanted)
        seen = candidates(model, goal, wanted, enough=lambda c, w=wanted: c.best(w) is not None)
        at = seen.best(wanted)
        assert (at is None) == (best is None)
        if best is not None:
            np.testing.assert_array_equal(seen.at([at])[0], best[1])
            assert seen.job_minutes[at] == best[0]


@pytest.mark.parametrize("sections", [1, 6])
def test_only_what_cannot_be_sure_enough_is_left_out(bench, trials, sections):
    study = fl.Study.from_toml(bench.study.source + f"\n[job]\nsections = {sections}\n")
    model = fl.fit(study, trials)
    values = np.concatenate(list(study.basis.chunks()))
    for target in (60.0, 78.0, 80.5, 83.0):
        for side in ({"at_least": target}, {"within": [target - 6, target]}):
            goal, _ = study.asked({"gloss_20": side})
            exact = model.probability_of(values, goal)
            for wanted in (0.5, 0.9, 0.97):
                possible, about = model.can_be_sure(values, goal, wanted)
                assert not (exact[~possible] >= wanted).any()
                # It is worth the trouble: most of those that fall short are proved to.
                assert possible.sum() <= (exact >= wanted).sum() + 0.2 * len(values)
                assert ((about >= 0) & (about <= 1 + 1e-9)).all()


def test_haze_and_faults_are_bounded_too():
    bench = fl.PracticeBench(kind=4, seed=2)
    log = bench.work(fl.plan_trials(bench.study, trials=20, panels=4, seed=1), seed=1)
    model = fl.fit(bench.study, log)
    goal, _ = bench.study.asked(bench.joint_goal)
    values = np.concatenate(list(bench.study.basis.chunks()))[::3]
    exact = model.probability_of(values, goal)
    for wanted in (0.6, 0.9):
        possible, _ = model.can_be_sure(values, goal, wanted)
        assert not (exact[~possible] >= wanted).any()


def test_processes_are_walked_by_their_numbers_in_order_of_minutes(model):
    walk = in_order(model)
    assert len(walk) == model.study.basis.size
    assert (np.diff(walk.job_minutes) >= 0).all()
    every = walk.at(slice(None))
    np.testing.assert_allclose(model.study.basis.job_minutes(every, walk.minutes), walk.job_minutes)
    np.testing.assert_allclose(model.minutes.mean(walk.at(slice(None))), walk.minutes)
    half = walk.where(slice(len(walk) // 2, None))
    np.testing.assert_array_equal(half.at([0])[0], walk.at([len(walk) // 2])[0])


def test_avoided_processes_have_no_number(bench):
    study = fl.Study.from_toml(bench.study.source + '\n[[avoid]]\ncut_pad = "foam"\n')
    numbers = np.concatenate([n for n, _ in study.basis.numbered()])
    assert len(numbers) == study.basis.size < bench.study.basis.size
    assert study.basis.admissible(study.basis.at(numbers)).all()


# --- what must not matter, and what must ------------------------------------------------------------


def recipe_of(study, log, **asked):
    return fl.shortest(fl.fit(study, log), **asked)


def test_a_tighter_limit_never_gives_a_shorter_process(bench, trials):
    minutes = []
    for most in (30.0, 12.0, 10.5, 9.5, 8.5, 2.0):
        limit = f'\n[limit]\nremoved_um = {{ at_most = {most}, set_by = "the test", assurance = 0.9 }}\n'
        recipe = recipe_of(fl.Study.from_toml(bench.study.source + limit), trials)
        minutes.append(recipe.minutes if recipe.found else np.inf)
    assert minutes == sorted(minutes)
    assert np.isfinite(minutes[0])
    assert minutes[-1] == np.inf


def test_the_order_of_trials_does_not_matter(bench, trials, recipe):
    turned = trials.iloc[::-1].reset_index(drop=True)
    assert recipe_of(bench.study, turned).settings == recipe.settings


def test_other_names_for_the_levels_do_not_matter(bench, trials, recipe):
    names = {
        "wool": "pad W",
        "microfibre": "pad M",
        "foam": "pad F",
        "compound A": "cream 1",
        "compound B": "cream 2",
    }
    text = bench.study.source
    for old, new in names.items():
        text = text.replace(f'"{old}"', f'"{new}"')
    found = recipe_of(fl.Study.from_toml(text), trials.replace(names))
    assert found.settings == {k: names.get(v, v) for k, v in recipe.settings.items()}
    assert found.minutes == pytest.approx(recipe.minutes)
    assert found.assurance == pytest.approx(recipe.assurance, abs=1e-6)


def test_hours_for_minutes_change_only_the_unit(bench, trials, recipe):
    times = [c for c in trials if c == "minutes" or c.endswith("_minutes")]
    found = recipe_of(bench.study, trials.assign(**{c: trials[c] * 10 for c in times}))
    assert found.settings == recipe.settings
    assert found.minutes == pytest.approx(10 * recipe.minutes, rel=1e-6)


def test_the_stationary_point_of_a_published_composite_study_is_what_comes_closest():
    # Montgomery, Design and Analysis of Experiments, ch. 11 (tests/reference/rsm_chemical_ccd.csv): the fitted
    # surface is highest at (0.389, 0.306). Ours is shrunk and fitted under a ceiling, on another scale; within
    # 0.15 coded units of so flat a top the published surface falls by 0.03 of its 80.21.
    data = published("rsm_chemical_ccd")
    study = fl.Study.from_toml("""
    title = "A published composite study"
    pass_means = "none"
    [[step]]
    name = "run"
    time = { lowest = -1.414, highest = 1.414, by = 0.0707 }
    heat = { lowest = -1.414, highest = 1.414, by = 0.0707 }
    [goal]
    gloss_20 = { at_least = 84 }
    assurance = 0.9
    """)
    log = data.rename(columns={"x1": "run_time", "x2": "run_heat", "yield": "gloss_20"}).assign(
        trial=range(1, 14), panel="1", patch=range(1, 14), minutes=10.0
    )
    model = fl.fit(study, log, kind="surface")
    closest = fl.shortest(model).closest.settings
    assert closest["run_time"] == pytest.approx(0.389, abs=0.15)
    assert closest["run_heat"] == pytest.approx(0.306, abs=0.15)
