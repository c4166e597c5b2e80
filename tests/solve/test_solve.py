"""The search: the shortest process that keeps its promise, what it costs, and what to try next."""

import dataclasses
import itertools
import json

import numpy as np
import pandas as pd
import pytest

import finishlab as fl
from finishlab.errors import PlanError, StudyError
from finishlab.model.assurance import job_probability
from finishlab.proving.bench_path import own_goal, scored
from finishlab.study import Condition, Limit


def every(study):
    """Return every admissible process in words."""
    return study.basis.frame(np.vstack(list(study.basis.chunks())))


def one(settings):
    return pd.DataFrame([settings])


def gloss(target):
    return {"gloss_20": {"at_least": target}}


@pytest.fixture(scope="module")
def grid(model, bench):
    """Every process with the model's minutes and the probability of the study's goal."""
    table = every(bench.study)
    read = model.predict(table)
    return table.assign(
        minutes=read["minutes"], job_minutes=read["job_minutes"], probability=model.probability(table)
    )


# --- the shortest -------------------------------------------------------------------------------------


@pytest.mark.parametrize("assurance", [0.5, 0.8, 0.9, 0.95])
def test_the_shortest_is_what_looking_at_every_process_finds(model, grid, assurance):
    found = fl.shortest(model, assurance=assurance)
    keeps = grid[grid["probability"] >= assurance]
    best = keeps.loc[keeps["job_minutes"].idxmin()]
    assert found.found
    assert found.settings == best.drop(["minutes", "job_minutes", "probability"]).to_dict()
    assert found.minutes == pytest.approx(best["minutes"])
    assert found.job_minutes == pytest.approx(best["job_minutes"])
    assert found.assurance == pytest.approx(best["probability"])
    assert found.assurance >= assurance


@pytest.mark.parametrize("goal", [None, gloss(81.5), gloss(99)])
@pytest.mark.parametrize("assurance", [0.5, 0.9, 0.97])
def test_a_very_large_study_is_searched_to_the_same_answer(model, monkeypatch, goal, assurance):
    # Above some thousands of processes most are ruled out by a few draws; here that is done to a small one.
    usual = fl.shortest(model, goal=goal, assurance=assurance)
    monkeypatch.setattr("finishlab.solve.search._FEW_PROCESSES", 0)
    found = fl.shortest(model, goal=goal, assurance=assurance)
    assert found.text() == usual.text()
    assert found.settings == usual.settings
    # Asked in other company, a sum of 48 draws may end in another last digit.
    pd.testing.assert_frame_equal(found.rivals, usual.rivals, rtol=1e-12)
    assert found.assurance == pytest.approx(usual.assurance, rel=1e-12, nan_ok=True)


def test_a_higher_assurance_never_gives_a_shorter_process(model):
    minutes = [fl.shortest(model, assurance=a).job_minutes for a in (0.3, 0.6, 0.8, 0.9, 0.95, 0.98)]
    assert minutes == sorted(minutes)


def test_a_higher_target_never_gives_a_shorter_process(model):
    recipes = [fl.shortest(model, goal=gloss(t)) for t in (40, 60, 70, 75, 77, 78, 79, 80)]
    minutes = [r.job_minutes for r in recipes if r.found]
    assert minutes == sorted(minutes)
    # Once a target is out of reach a higher one is too.
    found = [r.found for r in recipes]
    assert found == sorted(found, reverse=True)


def test_a_further_goal_never_gives_a_shorter_process(model, recipe):
    both = fl.shortest(model, goal={**gloss(80), "haze": {"at_most": 40}})
    assert not both.found or both.job_minutes >= fl.shortest(model, goal=gloss(80)).job_minutes


def test_only_studied_settings_are_ever_named(model, bench):
    for target, assurance in itertools.product((30, 70, 78, 80, 84), (0.5, 0.9)):
        answer = fl.shortest(model, goal=gloss(target), assurance=assurance)
        named = [answer.settings] if answer.found else [answer.closest.settings]
        named += answer.rivals[list(bench.study.basis.names)].to_dict("records")
        for settings in named:
            for name, level in settings.items():
                assert level is None or level in bench.study.settings[name].levels


def test_a_combination_that_is_avoided_is_never_recommended(bench, trials, recipe):
    first = recipe.settings
    names = ("sand_grit", "cut_pad", "cut_product")
    avoid = "[[avoid]]\n" + "".join(f'{name} = "{first[name]}"\n' for name in names)
    study = fl.Study.from_toml(bench.study.source + avoid)
    other = fl.shortest(fl.fit(study, trials))
    assert any(other.settings[name] != first[name] for name in names)
    assert other.job_minutes >= recipe.job_minutes - 1e-9


def test_the_edge_of_what_was_worked_is_pointed_out_with_what_to_type(model, bench):
    easy = fl.shortest(model, goal=gloss(1), assurance=0.8)
    assert easy.settings["cut_passes"] == 1
    line = bench.study.source.splitlines().index("passes = { lowest = 1, highest = 8 }") + 1
    assert easy.cautions[-1] == (
        "The recipe has cut passes at the least that was worked (1); a better process may lie beyond. To look there, change "
        f"line {line} of study.toml to: passes = {{ lowest = 0, highest = 8 }}. Then type: finishlab plan DIR --trials 4 --panels 1."
    )
    wider = bench.study.source.splitlines()
    wider[line - 1] = "passes = { lowest = 0, highest = 8 }"
    assert fl.Study.from_toml("\n".join(wider)).settings["cut_passes"].levels[0] == 0


def test_rivals_are_quicker_ones_that_fall_short_and_near_equals_that_do_not(recipe):
    rivals = recipe.rivals
    quicker = rivals["job_minutes"] < recipe.job_minutes
    assert (rivals["assurance"][quicker] < 0.90).all()
    assert (rivals["assurance"][~quicker] >= 0.90).all()
    # Change-overs and waits are no share of the minutes to be near by.
    assert (rivals["job_minutes"] <= recipe.job_minutes + 0.10 * recipe.minutes).all()
    assert quicker.any()


def test_savings_are_against_todays_process(model, bench, recipe):
    today = model.predict(one(bench.study.today)).iloc[0]
    assert recipe.saves.today_minutes == pytest.approx(today["minutes"])
    assert recipe.saves.minutes == pytest.approx(today["minutes"] - recipe.minutes)
    assert recipe.saves.low < recipe.saves.minutes < recipe.saves.high
    # Both work all three steps, so the job of one section saves what the section does.
    assert recipe.settings["polish_passes"] > 0
    assert recipe.job_saves.minutes == pytest.approx(recipe.saves.minutes)
    assert recipe.job_saves.today_minutes == pytest.approx(today["minutes"] + 3 + 3 + 3 * 15)
    assert recipe.saves.today_assurance == pytest.approx(model.probability(one(bench.study.today)).iloc[0])


def test_the_sentence_names_process_minutes_goal_and_assurance(recipe):
    text = recipe.text()
    for part in (
        "a job (",
        "of work a section), ",
        "The next job reaches 20° gloss at least",
        "assurance (24 trials, 4 panels).",
    ):
        assert part in text
    for setting in ("sand_grit", "cut_pad", "cut_product"):
        assert recipe.settings[setting] in text


def test_an_answer_without_a_film_limit_says_so_right_after_the_process(recipe):
    assert not recipe.study.limits
    text = recipe.text()
    assert "(24 trials, 4 panels). No film limit is set: nothing here guards the clear." in text
    limit = Limit(Condition(at_most=8.0), "workshop lead", 0.99)
    guarded = dataclasses.replace(
        recipe, study=dataclasses.replace(recipe.study, limits={"removed_um": limit})
    )
    assert "No film limit" not in guarded.text()


def test_where_no_process_is_found_a_missing_film_limit_is_said_too(model):
    none = fl.shortest(model, goal=gloss(99), assurance=0.9)
    assert not none.found
    assert "(24 trials, 4 panels). No film limit is set: nothing here guards the clear." in none.text()


def test_wrong_questions_are_refused(model):
    with pytest.raises(
        StudyError, match=r"^assurance is 90; it must be above 0 and below 1\. Write 90 % as 0\.9;"
    ):
        fl.shortest(model, assurance=90)
    with pytest.raises(StudyError, match="gloss_21"):
        fl.shortest(model, goal={"gloss_21": {"at_least": 84}})


# --- nothing found ------------------------------------------------------------------------------------


def test_a_target_above_the_ceiling_is_answered_as_such(model):
    answer = fl.shortest(model, goal=gloss(99))
    assert (answer.found, answer.settings) == (False, {})
    assert np.isnan([answer.minutes, answer.minutes_low, answer.minutes_high, answer.assurance]).all()
    assert answer.would_settle.startswith(
        "The goal, 20° gloss at least 99 GU, lies above the ceiling of this clear, "
    )
    assert answer.would_settle.endswith("as far as the trials tell: no process reaches it. Lower the goal.")
    assert answer.text().startswith("No studied process reaches 20° gloss at least 99 GU with 90 % assurance")
    assert answer.closest.assurance < 0.01


def test_what_comes_nearest_is_the_likeliest_process(model, bench):
    target = next(t for t in np.arange(78, 90, 0.25) if not fl.shortest(model, goal=gloss(float(t))).found)
    answer = fl.shortest(model, goal=gloss(float(target)))
    p = model.probability(every(bench.study), goal=gloss(float(target)))
    assert answer.closest.assurance == pytest.approx(p.max())
    assert answer.closest.assurance < 0.9
    assert answer.would_settle
    assert answer.closest.settings == every(bench.study).loc[p.idxmax()].to_dict()


def test_cannot_tell_yet_says_how_many_more_trials_would_settle_it(model):
    # Between what is surely reached and what surely is not lie goals that more trials would decide.
    answers = [
        fl.shortest(model, goal={"haze": {"at_most": h}, "faults": {"at_most": f}})
        for f in (0, 1)
        for h in range(10, 22, 2)
    ]
    told = [a for a in answers if not a.found and "would settle it" in a.would_settle]
    assert told
    for answer in told:
        assert answer.would_settle.startswith("Cannot tell yet: about ")
        assert answer.would_settle.endswith("Plan them with follow_up.")
        count = int(answer.would_settle.split("about ")[1].split()[0])
        assert count % 4 == 0
        assert 4 <= count <= 40


def limited(bench, trials, at_most):
    limit = f'[limit]\nremoved_um = {{ at_most = {at_most}, set_by = "owner, May", assurance = 0.99 }}\n'
    return fl.fit(fl.Study.from_toml(bench.study.source + limit), trials)


def test_a_limit_on_film_is_kept_or_nothing_is_recommended(bench, trials, model, recipe):
    removed = model.predict(one(recipe.settings)).iloc[0]
    # A limit below what the free choice takes away.
    strict = fl.shortest(limited(bench, trials, round(float(removed["removed_um"]), 1)))
    if strict.found:
        assert strict.minutes >= recipe.minutes - 1e-9
        assert strict.limits["removed_um"].probability >= 0.99
        assert strict.limits["removed_um"].set_by == "owner, May"
    assert strict.settings != recipe.settings
    none = fl.shortest(limited(bench, trials, 0.5))
    assert not none.found
    assert "film removed at most 0.5 µm (set by owner, May)" in none.would_settle
    assert none.would_settle.endswith("whether a limit may change is for the person who set it.")
    # A limit that nothing comes near changes nothing.
    free = fl.shortest(limited(bench, trials, 500))
    assert (free.settings, free.minutes) == (recipe.settings, recipe.minutes)


def test_what_burned_through_is_not_recommended_nor_anything_harsher(bench, trials, recipe):
    s = recipe.settings
    burned = trials.iloc[[0]].assign(
        **s, panel="hot", patch=1, trial=99, run_order=99, burned_after_step="polish"
    )
    last = [
        c
        for c in trials
        if c.startswith(("gloss_", "haze", "faults", "polish_gloss"))
        or c in ("film_after_um", "removed_um", "minutes", "polish_minutes")
    ]
    burned[last] = np.nan
    both = pd.concat([trials, burned], ignore_index=True)
    other = fl.shortest(fl.fit(bench.study, both))
    assert other.settings != s
    assert other.evidence.burned == 1
    rank = ["foam", "microfibre", "wool"]
    t = other.settings if other.found else other.closest.settings
    harsher = (
        t["sand_grit"] <= s["sand_grit"]  # P1500 < P2000 < P3000 also as text
        and rank.index(t["cut_pad"]) >= rank.index(s["cut_pad"])
        and t["cut_product"] == s["cut_product"]
        and t["cut_passes"] >= s["cut_passes"]
        and t["polish_passes"] >= s["polish_passes"]
    )
    assert not harsher


# --- kept and shown -------------------------------------------------------------------------------------


@pytest.mark.parametrize("goal", [None, gloss(99), {**gloss(76), "haze": {"at_most": 40}}])
def test_a_recipe_comes_back_whole_from_its_kept_form_through_json(model, goal):
    answer = fl.shortest(model, goal=goal)
    kept = answer.to_dict()
    again = fl.Recipe.from_dict(json.loads(json.dumps(kept, allow_nan=False)))
    assert again.to_dict() == kept
    assert again.text() == answer.text()
    pd.testing.assert_frame_equal(again.table(), answer.table(), check_dtype=False)
    assert [type(v) for v in again.settings.values()] == [type(v) for v in answer.settings.values()]


def test_a_recipe_cannot_be_changed_and_its_tables_are_copies(recipe):
    with pytest.raises(dataclasses.FrozenInstanceError):
        recipe.minutes = 1.0
    table = recipe.table()
    table.iloc[:, 0] = None
    assert recipe.table().iloc[:, 0].notna().all()


# --- frontier ---------------------------------------------------------------------------------------------


def test_the_frontier_never_falls_and_agrees_with_the_shortest_at_each_target(model):
    front = fl.frontier(model, "gloss_20", targets=[70, 60, 78, 80, 99])
    table = front.table()
    assert table["target"].tolist() == [60, 70, 78, 80, 99]
    assert table["job_minutes"].dropna().is_monotonic_increasing
    for row in table.to_dict("records"):
        single = fl.shortest(model, goal=gloss(row["target"]))
        assert row["found"] == single.found
        if single.found:
            assert row["minutes"] == pytest.approx(single.minutes)
            assert {k: row[k] for k in single.settings} == single.settings
            assert row["assurance"] == pytest.approx(single.assurance)
    assert not table["found"].iloc[-1]


def test_a_frontier_keeps_the_other_goals(model):
    goal = {**gloss(76), "haze": {"at_most": 40}}
    front = fl.frontier(model, "gloss_20", targets=[76, 78], goal=goal).table()
    for row in front.to_dict("records"):
        single = fl.shortest(model, goal={**goal, **gloss(row["target"])})
        assert row["found"] == single.found
        assert not single.found or row["minutes"] == pytest.approx(single.minutes)


def test_a_frontier_without_targets_asks_about_what_the_trials_reached(model, trials):
    table = fl.frontier(model, "gloss_20").table()
    assert len(table) == 9
    assert table["target"].max() <= trials["gloss_20"].max()
    assert (np.diff(table["target"]) > 0).all()


def test_a_frontier_of_a_band_moves_the_band_and_agrees_with_the_shortest_at_each_place(model):
    goal = {"gloss_20": {"within": [60, 75]}}
    front = fl.frontier(model, "gloss_20", targets=[40, 60, 70, 95], goal=goal, assurance=0.6)
    assert front.band == 15
    for row in front.table().to_dict("records"):
        moved = {"gloss_20": {"within": [row["target"], row["target"] + 15]}}
        alone = fl.shortest(model, goal=moved, assurance=0.6)
        assert row["found"] == alone.found
        if alone.found:
            assert row["minutes"] == pytest.approx(alone.minutes, rel=1e-12)
    assert front.table()["found"].any()
    # A band above the ceiling of the clear holds no process; before, its ends stood the wrong way round.
    assert not front.table()["found"].iloc[-1]
    assert "within a band of 15 GU" in front.text()
    assert front.plot().get_xlabel() == "lower end of a band of 15 for 20° gloss, GU"
    about = fl.frontier(model, "gloss_20", goal=goal, assurance=0.6).table()["target"]
    assert about.min() == 45
    assert about.max() == 75


def test_a_frontier_with_one_target_reached_says_it_once(model):
    front = fl.frontier(model, "gloss_20", targets=[60, 99])
    assert front.text().count("60 GU") == 1
    assert "no other of these targets is reached" in front.text()
    assert front.plot().get_title(loc="left").count("60 GU") == 1
    assert "no other" not in fl.frontier(model, "gloss_20", targets=[60]).text()


def test_a_frontier_of_haze_falls_with_a_laxer_target(model):
    table = fl.frontier(model, "haze", targets=[20, 30, 60, 200], goal={"haze": {"at_most": 30}}).table()
    assert table["minutes"].dropna().is_monotonic_decreasing
    assert table["found"].tolist() == sorted(table["found"])


def test_a_frontier_of_a_target_that_is_no_number_is_refused(model):
    with pytest.raises(StudyError, match=r"^'high' is no target\. Give numbers, in units of 20° gloss\.$"):
        fl.frontier(model, "gloss_20", targets=[80, "high"])


def test_a_frontier_of_what_is_not_a_response_is_refused(model):
    with pytest.raises(StudyError, match=r"^'shine' is not a response\. Known are gloss_20, "):
        fl.frontier(model, "shine")
    with pytest.raises(StudyError, match=r"^no target was given\. Name at least one, or leave targets out\."):
        fl.frontier(model, "gloss_20", targets=[])


# --- follow-up --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("trials_asked", [2, 4, 8])
def test_a_follow_up_round_confirms_the_choice_and_tries_quicker_rivals(model, recipe, grid, trials_asked):
    more = fl.follow_up(model, trials=trials_asked, seed=8)
    assert len(more) == trials_asked
    assert more["run_order"].tolist() == list(range(1, trials_asked + 1))
    confirms = more[more["why"] == "confirms the process chosen"]
    assert len(confirms) >= min(trials_asked / 2, 2)
    assert all(row == recipe.settings for row in confirms[list(recipe.settings)].to_dict("records"))
    rivals = more[more["why"].str.startswith("tries a quicker rival")].merge(grid)
    assert (rivals["minutes"] < recipe.minutes).all()
    assert (rivals["probability"] > 0.05).all()
    if trials_asked > 2:  # not all spent on one process
        assert len(more[list(recipe.settings)].drop_duplicates()) > 1


def test_a_follow_up_goes_to_new_panels_with_a_patch_each(model, trials):
    more = fl.follow_up(model, trials=12)
    assert not set(more["panel"]) & set(trials["panel"])
    assert more["panel"].nunique() == 2  # eight patches a panel
    assert not more.duplicated(["panel", "patch"]).any()


def test_the_same_seed_gives_the_same_round(model):
    pd.testing.assert_frame_equal(fl.follow_up(model, seed=3), fl.follow_up(model, seed=3))
    assert fl.follow_up(model, seed=3).attrs["seed"] == 3
    # Only the order of work is drawn.
    one_, other = (fl.follow_up(model, seed=s).drop(columns=["run_order", "patch", "panel"]) for s in (3, 4))
    key = list(one_.columns)
    assert one_.sort_values(key).to_numpy().tolist() == other.sort_values(key).to_numpy().tolist()


def test_a_round_without_a_recipe_settles_what_comes_closest(model):
    more = fl.follow_up(model, goal=gloss(99))
    assert "settles the process that comes closest" in set(more["why"])
    assert more.attrs["cautions"] == ("No process reaches the goal surely enough yet.",)


def test_a_round_of_one_trial_is_refused(model):
    with pytest.raises(
        PlanError, match=r"^1 trials were asked for; a round takes at least 2, so that the choice"
    ):
        fl.follow_up(model, trials=1)


def test_a_round_can_be_worked_and_fitted_with_the_trials_before(bench, trials, model):
    more = bench.work(fl.follow_up(model, seed=8), seed=6)
    both = pd.concat([trials, more], ignore_index=True)
    both["trial"] = both["run_order"] = range(1, len(both) + 1)
    again = fl.fit(bench.study, both)
    assert again.evidence().trials == 28
    assert fl.shortest(again).found


# --- the promise, on shops with a known truth ----------------------------------------------------------------


def point_choice(bench, trials, minutes):
    """Choose as a textbook quadratic of the raw gloss does: the shortest that is predicted to reach it."""
    basis = bench.study.basis
    values = np.vstack(list(basis.chunks()))

    def matrix(v):
        return np.column_stack([np.ones(len(v)), basis.columns(v, pairs=False)[0]])

    known = trials["gloss_20"].notna().to_numpy()
    x, y = matrix(basis.values(trials))[known], trials["gloss_20"].to_numpy(float)[known]
    reaches = matrix(values) @ np.linalg.lstsq(x, y)[0] >= bench.study.goal["gloss_20"].at_least
    takes = basis.job_minutes(values, minutes.mean(values))
    return basis.frame(values[[np.where(reaches, takes, np.inf).argmin()]])


def plugged_in_choice(bench, model):
    """Choose by the same model with the middle of its draws taken for the truth, and panels for alike."""
    values = np.vstack(list(bench.study.basis.chunks()))
    p = model.response("gloss_20").predicted(values)
    middle = len(p.scales) // 2
    sure = dataclasses.replace(
        p,
        mean=np.median(p.mean, axis=0)[None, :],
        sd_known=np.zeros((1, len(values))),
        sd_panel=np.zeros(1),
        sd_section=np.median(p.sd_section)[None],
        sd_meter=np.median(p.sd_meter)[None],
        scales=(p.scales[middle],),
    )
    study = bench.study
    keeps = job_probability(sure, study.goal["gloss_20"], study.reading.spots, study.job) >= study.assurance
    takes = study.basis.job_minutes(values, model.minutes.mean(values))
    return study.basis.frame(values[[np.where(keeps, takes, np.inf).argmin()]])


@pytest.fixture(scope="module")
def shops():
    """True probability of what each way of choosing recommends, in six shops of each of two kinds."""
    rows = []
    for kind, seed in itertools.product((1, 2), range(30, 36)):
        bench = fl.PracticeBench(kind=kind, seed=seed)
        trials = bench.work(fl.plan_trials(bench.study, trials=24, panels=4, seed=seed), seed=1)
        model = fl.fit(bench.study, trials)
        ours = fl.shortest(model)
        chosen = {
            "point": point_choice(bench, trials, model.minutes),
            "plugged in": plugged_in_choice(bench, model),
        }
        row = {name: float(bench.true_probability(process).iloc[0]) for name, process in chosen.items()}
        row |= {"found": ours.found, "longer": np.nan, "ours": np.nan}
        if ours.found:
            row["ours"] = float(bench.true_probability(one(ours.settings)).iloc[0])
            row["longer"] = scored(bench, ours.settings, own_goal(bench), bench.best())["ratio"]
        rows.append(row)
    return pd.DataFrame(rows)


def test_the_promise_of_ninety_in_a_hundred_is_kept(shops):
    # 24 trials on 4 panels, no follow-up yet. Stated 0.90; over these twelve shops 0.97.
    assert shops["found"].sum() >= 11
    assert shops["ours"].mean() >= 0.90
    assert (shops["ours"].dropna() >= 0.80).mean() >= 0.9
    # At the price of few minutes: half of them within 8 % of the best there is.
    assert shops["longer"].median() <= 1.08


def test_choosing_by_point_prediction_of_the_raw_reading_fails(shops):
    # The textbook way: 3 of these 12 recommendations keep the promise, the mean is 0.48.
    assert shops["point"].mean() <= 0.6
    assert (shops["point"] >= 0.9).mean() <= 1 / 3


def test_taking_estimates_for_the_truth_keeps_less_than_it_states(shops):
    # Two of the twelve then fall below 0.85, and the mean is 0.04 lower.
    assert (shops["plugged in"] < 0.85).sum() > (shops["ours"] < 0.85).sum()
    assert shops["plugged in"].mean() < shops["ours"].mean() - 0.02
