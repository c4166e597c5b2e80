"""When nothing is sure enough: whether it cannot be told yet or cannot be had, and what stands in the way."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import finishlab as fl
from finishlab.solve import Recipe
from finishlab.solve.answer_parts import Saving, TimedProcess
from finishlab.solve.verdict import chance_to_reach
from finishlab.words.show import process_text


def gloss(target):
    return {"gloss_20": {"at_least": target}}


@pytest.fixture(scope="module")
def few(bench, trials):
    """A model of few trials, which leave much open."""
    return fl.fit(bench.study, trials.iloc[::3].reset_index(drop=True))


def test_above_the_ceiling_is_not_reachable_and_says_what_limits_it(model):
    answer = fl.shortest(model, goal=gloss(99))
    assert (answer.verdict, answer.limited_by) == ("not reachable", "ceiling")
    assert answer.text().startswith("No studied process reaches 20° gloss at least 99 GU")


def test_a_level_that_no_process_comes_to_is_not_reachable(model, bench):
    best = model.predict_values(np.concatenate(list(bench.study.basis.chunks())))["gloss_20_mean_high"].max()
    ceiling = np.quantile(model.response("gloss_20").posterior.ceilings.astype(float), 0.95)
    assert best < ceiling - 0.5
    answer = fl.shortest(model, goal=gloss(float((best + ceiling) / 2)), assurance=0.9)
    assert (answer.verdict, answer.limited_by) == ("not reachable", "level")
    assert "and no further" in answer.would_settle


def test_the_spread_of_panels_is_named_where_only_it_stands_in_the_way(bench):
    # Panels that differ by half their roughness, patches hardly: seed 6, on paper sd 0.25 of ln roughness.
    sheet = fl.plan_trials(bench.study, trials=40, panels=8, seed=3)
    log = bench.work(sheet, seed=3)
    rng = np.random.default_rng(6)
    shift = dict(zip(sorted(set(log["panel"])), 0.25 * rng.standard_normal(8), strict=True))
    share = np.clip(pd.to_numeric(log["gloss_20"]) / 88.0, 0.01, 0.999)
    z = np.log(np.sqrt(-np.log(share))) + log["panel"].map(shift)
    log = log.drop(columns=[c for c in log if "gloss" in c])
    log["gloss_20"] = (88.0 * np.exp(-np.exp(2 * z))).round(1)
    model = fl.fit(bench.study, log)
    verdicts = {}
    for target in np.arange(74.0, 87.0, 1.0):
        answer = fl.shortest(model, goal=gloss(float(target)), assurance=0.95)
        verdicts[float(target)] = answer.limited_by
    assert "panels" in verdicts.values(), verdicts
    # Harder goals are not limited by less: first by panels, then by the level itself.
    said = [v for v in verdicts.values() if v]
    assert said.index("panels") < (said.index("level") if "level" in said else len(said))


def test_few_trials_cannot_tell_where_many_can(few, model, bench):
    # Just beyond what the few trials promise: they leave it open.
    target = next(t for t in np.arange(70, 90, 0.25) if not fl.shortest(few, goal=gloss(float(t))).found)
    answer = fl.shortest(few, goal=gloss(float(target)))
    assert answer.verdict == "cannot tell yet"
    assert answer.text().startswith("Cannot name a process yet that reaches")
    assert fl.shortest(model, goal=gloss(float(target) - 1)).verdict == "found"


def test_the_chance_falls_with_the_goal_and_is_sure_of_what_is_easy(model, bench):
    values = np.concatenate(list(bench.study.basis.chunks()))[-60:]
    chances = [
        chance_to_reach(model, values, bench.study.asked(gloss(t))[0], 0.9) for t in (60, 78, 80, 82, 90)
    ]
    assert chances[0] == 1.0
    assert chances[-1] == 0.0
    assert chances == sorted(chances, reverse=True)


def test_verdicts_are_right_more_often_than_not_on_shops_whose_truth_is_known():
    # Goals about what the shop can truly do, 0.9 asked: "not reachable" must not be said of what is.
    wrong, right = 0, 0
    for seed in (1, 2):
        bench = fl.PracticeBench(kind=1, seed=seed)
        log = bench.work(fl.plan_trials(bench.study, trials=24, panels=4, seed=seed), seed=seed)
        model = fl.fit(bench.study, log)
        base = next(iter(bench.study.goal.values())).at_least
        for target in np.arange(base, base + 9, 1.0):
            answer = fl.shortest(model, goal=gloss(float(target)))
            truly = bench.best(goal=gloss(float(target)), assurance=0.9)["found"]
            if answer.verdict == "not reachable":
                wrong, right = wrong + truly, right + (not truly)
    assert right >= 4
    assert wrong <= 0.2 * (right + wrong)


def test_what_takes_as_long_for_all_that_is_known_is_named(model):
    recipe = fl.shortest(model, goal=gloss(76))
    for other in recipe.equals:
        assert other.assurance >= recipe.wanted
        assert other.minutes >= recipe.minutes
        a, b = (model.study.basis.row(s) for s in (other.settings, recipe.settings))
        assert model.minutes.difference(a, b)[1] <= 0
    assert [e.assurance for e in recipe.equals] == sorted((e.assurance for e in recipe.equals), reverse=True)
    again = Recipe.from_dict(recipe.to_dict())
    assert again.equals == recipe.equals
    assert again.verdict == "found"


def test_a_saving_too_small_to_be_shown_is_no_saving_in_words(recipe):
    saves = Saving(minutes=0.05, low=0.01, high=0.09, today_minutes=7.0, today_assurance=0.9)
    told = replace(recipe, saves=saves).text()
    assert "about as long as today's process" in told
    assert "0.0 less" not in told
    more = replace(recipe, saves=replace(saves, minutes=0.25, high=0.4)).text()
    assert "0.2 less than today's process" in more


def test_a_single_equal_is_said_as_the_one_it_is(recipe):
    job_minutes = recipe.study.basis.job_of(recipe.settings, 6.26)
    other = TimedProcess(settings=recipe.settings, minutes=6.26, job_minutes=job_minutes, assurance=0.934)
    alone = replace(recipe, equals=(other,)).text()
    process = process_text(recipe.settings, recipe.study)
    # 6.26 minutes of work, change-overs of 3 and 3, and waits of 15 after each of three steps, worked by hand.
    assert recipe.settings["polish_passes"] > 0
    assert f"can tell one other takes as long: {process}, 57.3 minutes at 93 %." in alone


def test_equals_are_said_with_the_surest_of_them(bench, trials):
    # Minutes known badly: every trial a third off at random, so that many take as long for all we know.
    rng = np.random.default_rng(2)
    log = trials.drop(columns=[c for c in trials if c.endswith("_minutes")])
    log = log.assign(minutes=log["minutes"] * np.exp(0.33 * rng.standard_normal(len(log))))
    # Without change-overs and waits, which are known and would tell processes apart.
    text = re.sub(r"(changeover|wait)_minutes = \d+", r"\1_minutes = 0", bench.study.source)
    recipe = fl.shortest(fl.fit(fl.Study.from_toml(text), log), goal=gloss(76))
    assert len(recipe.equals) > 1
    assert (
        f"For all the trials can tell {len(recipe.equals)} others take as long; the surest of them: "
        in recipe.text()
    )


def limited(bench, most):
    limit = f'\n[limit]\nremoved_um = {{ at_most = {most}, set_by = "owner, 1 March", assurance = 0.99 }}\n'
    return fl.Study.from_toml(bench.study.source + limit)


def test_todays_process_is_not_said_to_keep_a_limit_that_it_does_not(bench, trials):
    model = fl.fit(limited(bench, 8), trials)
    recipe = fl.shortest(model)
    assert recipe.found
    today = {name: bench.study.today[name] for name in bench.study.basis.names}
    kept = fl.step_counts(model, "cut_passes", at=today).table().set_index("cut_passes")["keeps_limits"]
    assert not kept[today["cut_passes"]]
    rows = recipe.table().set_index("role")
    assert rows["keeps_limits"][["chosen", "today"]].tolist() == [True, False]
    assert "today's process, which does not keep a limit surely enough. The next job" in recipe.text()
    legend = [text.get_text() for text in recipe.plot().get_legend().get_texts()]
    assert next(text for text in legend if text.startswith("today")).endswith("breaks a limit")
    again = Recipe.from_dict(recipe.to_dict())
    assert (again.text(), again.table().equals(recipe.table())) == (recipe.text(), True)
    # A milder limit is kept by it, and nothing is said.
    assert "surely enough" not in fl.shortest(fl.fit(limited(bench, 20), trials)).text()


def test_the_closest_is_not_said_to_keep_a_limit_that_none_keeps(bench, trials):
    recipe = fl.shortest(fl.fit(limited(bench, 5), trials))
    assert not recipe.found
    assert not recipe.table().set_index("role")["keeps_limits"]["closest"]
