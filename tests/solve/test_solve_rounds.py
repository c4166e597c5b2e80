"""Follow-up rounds: what a trial may be expected to save, why it is worked, and when to stop."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import finishlab as fl
from finishlab.errors import PlanError
from finishlab.solve import outlook as worth
from finishlab.solve.follow_up_rounds import _looked_at, _stood
from finishlab.solve.outlook import Outlook, outlook
from finishlab.solve.search import Candidates, candidates

SPREAD_KNOWN, PANEL, OWN = 0.06, 0.03**2, 0.035**2


def gloss(target):
    return {"gloss_20": {"at_least": float(target)}}


def two_processes(p_rival, wanted=0.9, worked=True):
    """A rival a minute quicker than the choice, about which nothing else is to be learnt."""
    known = np.diag([SPREAD_KNOWN**2, 1e-12])
    spread = np.sqrt(np.diag(known) + PANEL + OWN)
    told = np.array([p_rival, 0.95])
    none = np.full(2, -np.inf)
    view = worth._GoalView(
        known, PANEL, np.full(2, OWN), spread, stats.norm.ppf(told) * spread, none, np.ones(2)
    )
    minutes, yes = np.array([5.0, 6.0]), np.ones(2, bool)
    # Of the study only the sections of its job are looked at: one.
    basis = fl.PracticeBench(kind=1, seed=0).study.basis
    some = Candidates(basis, np.arange(2), minutes, minutes, yes if worked else ~yes, told, yes)
    luck = np.random.default_rng(1).standard_normal((1, worth._FANTASIES, 20))
    return Outlook(some, wanted, 8, (view,), luck)


@pytest.fixture(scope="module")
def early(bench):
    """The model after twelve trials, when there is still something to choose."""
    return fl.fit(bench.study, bench.work(fl.plan_trials(bench.study, trials=12, panels=4, seed=7), seed=1))


@pytest.fixture(scope="module")
def view(early):
    goal, wanted = early.study.asked(None)
    all_ = candidates(early, goal, wanted)
    some, chosen = _looked_at(all_, all_.best(wanted), wanted)
    return outlook(early, some, goal, wanted, 20), chosen


# --- what trials may bring ----------------------------------------------------------------------------


@pytest.mark.parametrize("p", [0.3, 0.6, 0.85])
def test_what_one_trial_of_a_rival_may_save_is_what_paper_says(p):
    # The trial moves the rival's mean by a normal step and leaves less unknown; it then holds when the step is
    # below what lifts it to 0.9.
    view = two_processes(p)
    step = SPREAD_KNOWN**2 / np.sqrt(SPREAD_KNOWN**2 + PANEL + OWN)
    spread = np.sqrt(SPREAD_KNOWN**2 + PANEL + OWN)
    reach = stats.norm.ppf(p) * spread - stats.norm.ppf(0.9) * np.sqrt(spread**2 - step**2)
    holds = stats.norm.cdf(reach / step)
    # 512 outcomes: standard error 0.022 at most.
    assert view.after([0])[0] == pytest.approx(6 - holds, abs=0.07)
    # A trial of what is known tells nothing.
    assert view.after([1])[0] == view.now() == 6.0


def test_two_trials_on_two_panels_tell_more_than_two_on_one():
    view = two_processes(0.6)
    apart, together = view.after([0] * 6, range(6)), view.after([0] * 6, [0] * 6)
    assert apart[0] < together[0]


def test_where_nothing_keeps_the_promise_the_share_of_outcomes_that_bring_one_is_told():
    view = two_processes(0.6)
    view = dataclasses.replace(view, some=view.some.where(np.array([0])), _goals=(_first(view._goals[0]),))
    minutes, found = view.after([0])
    assert 0.05 < found < 0.6
    assert minutes == pytest.approx(found * 5 + (1 - found) * view.longest)


def _first(goal):
    one = {n: getattr(goal, n)[:1] for n in ("own", "spread", "high", "low", "share")}
    return dataclasses.replace(goal, known=goal.known[:1, :1], **one)


def test_no_trial_may_be_expected_to_cost_minutes(view):
    look, chosen = view
    # Outcomes in which the choice falls are balanced by those in which a rival rises: 512 of them.
    for i in range(len(look.some)):
        assert look.after([i])[0] <= look.now() + 0.25
    assert look.after([chosen] * 2 + [0, 1])[0] < look.now() + 0.1


def test_the_outlook_starts_from_what_the_model_says(view, early):
    look, _ = view
    nothing = np.zeros((1, len(look.some)))
    p = look._goals[0].probability(nothing, nothing[0])[0]
    assert p == pytest.approx(look.some.probability, abs=1e-5)


@pytest.mark.parametrize(
    "goal",
    [
        {"gloss_20": {"within": [76, 81]}},
        {"haze": {"at_most": 40}},
        {"gloss_20": {"at_least": 76}, "haze": {"at_most": 60}, "faults": {"at_most": 2}},
    ],
)
def test_goals_of_every_kind_can_be_followed_up(early, goal):
    conditions, wanted = early.study.asked(goal, 0.7)
    all_ = candidates(early, conditions, wanted)
    rows = np.linspace(0, len(all_) - 1, 12).astype(int)
    look = outlook(early, all_.where(rows), conditions, wanted, 4)
    missed = np.zeros(12)
    for part in look._goals:
        missed += 1 - part.probability(np.zeros((1, 12)), np.zeros(12))[0]
    # What goals met together add to the bound of each alone is counted too.
    assert 1 - missed + look._together() == pytest.approx(look.some.probability, abs=1e-4)
    assert len(fl.follow_up(early, goal=goal, assurance=0.7)) == 4


# --- which trials, and why ------------------------------------------------------------------------------


def test_every_trial_says_what_it_is_for(early):
    more = fl.follow_up(early, trials=4)
    recipe = fl.shortest(early)
    assert (more["why"] == "confirms the process chosen").sum() == 2
    minutes = early.predict(more)["minutes"]
    for why, m in zip(more["why"], minutes, strict=True):
        if "would save" in why:
            assert f"would save {recipe.minutes - m:.1f}"[:-1] in why
            assert m < recipe.minutes
        elif "could stand in" in why:
            assert m >= recipe.minutes


def test_what_was_never_worked_is_said_and_what_was_is_not(early):
    more = fl.follow_up(early, trials=8)
    columns = ["cut_pad", "cut_product", "cut_passes"]
    worked = set(map(tuple, early.done[columns].to_numpy()))
    for row in more.to_dict("records"):
        if "cut " in row["why"] and "was never worked" in row["why"]:
            assert tuple(row[c] for c in columns) not in worked


def test_two_trials_confirm_once_and_the_order_is_drawn(early):
    assert (fl.follow_up(early, trials=2)["why"] == "confirms the process chosen").sum() == 1
    orders = {tuple(fl.follow_up(early, seed=s)["why"]) for s in range(4)}
    assert len(orders) > 1


def test_what_is_avoided_is_never_planned(bench, early):
    more = fl.follow_up(early, trials=8)
    rival = next(r for r in more.to_dict("records") if "would save" in r["why"])
    names = ("sand_grit", "cut_pad", "cut_product")
    avoid = "[[avoid]]\n" + "".join(f'{n} = "{rival[n]}"\n' for n in names)
    study = fl.Study.from_toml(bench.study.source + avoid)
    again = fl.follow_up(fl.fit(study, early.trials), trials=8)
    assert not (again[list(names)] == [rival[n] for n in names]).all(axis=1).any()


def with_today(study, model, today):
    """The model of a study whose process of today is another one."""
    return fl.fit(dataclasses.replace(study, today=today), model.trials)


def test_today_is_worked_beside_where_the_saving_is_not_clear(bench, model, recipe):
    basis = bench.study.basis
    values = np.vstack(list(basis.chunks()))
    near = np.argsort(np.abs(model.minutes.mean(values) - recipe.minutes))
    alike = next(s for i in near if (s := basis.settings(values[i])) != recipe.settings)
    said = fl.follow_up(with_today(bench.study, model, alike), trials=8)["why"]
    assert (said == "repeats today's process: whether the recipe is quicker is not clear yet").sum() == 1
    # Where the recipe is clearly quicker, or a round is small, the trials go elsewhere.
    slow = basis.settings(values[np.argmax(model.minutes.mean(values))])
    for today, trials in ((slow, 8), (alike, 3)):
        said = fl.follow_up(with_today(bench.study, model, today), trials=trials)["why"]
        assert not said.str.startswith("repeats today").any()


# --- when to stop, and what it costs ----------------------------------------------------------------------


def rounds_of(bench, trials, count, seed):
    for r in range(count):
        more = bench.work(fl.follow_up(fl.fit(bench.study, trials), seed=r), seed=seed + r)
        more["trial"] += trials["trial"].max()
        more["run_order"] += trials["run_order"].max()
        trials = pd.concat([trials, more], ignore_index=True)
    return trials


def test_rounds_go_on_until_one_is_not_worth_it_or_the_choice_has_stood_two(bench, early):
    first = fl.follow_up(early).attrs
    assert not first["stop"]
    assert first["says"].startswith("Go on: ")
    assert first["saves"] > 0
    assert first["rounds"] >= 1
    trials, last = early.trials, first
    for r in range(8):
        trials = rounds_of(bench, trials, 1, 50 + r)
        last = fl.follow_up(fl.fit(bench.study, trials)).attrs
        if last["stop"]:
            break
    assert last["stop"]
    assert last["rounds"] == 0
    assert last["says"].startswith("Stop: ")


def test_a_choice_that_stood_two_rounds_as_predicted_stands(bench, model):
    recipe = fl.shortest(model, assurance=0.5)
    sheet = pd.DataFrame([recipe.settings] * 4).assign(panel=["5", "5", "6", "6"], patch=[1, 2, 1, 2])
    more = bench.work(sheet, seed=11)
    more[["trial", "run_order"]] += 24
    stood = fl.fit(bench.study, pd.concat([model.trials, more], ignore_index=True))
    row = bench.study.basis.values(pd.DataFrame([recipe.settings]))[0]
    assert _stood(stood, row).startswith("the process chosen was worked on each of the last 2 panels, and ")
    # Another process did not stand, nor did this one before, nor where half of it reads nine units lower.
    other = bench.study.basis.values(pd.DataFrame([{**recipe.settings, "polish_passes": 0}]))[0]
    assert _stood(stood, other) == ""
    assert _stood(model, row) == ""
    columns = [c for c in more.columns if c.startswith("gloss_20")]
    low = more.assign(**{c: more[c] - [0, 9, 0, 9] for c in columns})
    fell = fl.fit(bench.study, pd.concat([model.trials, low], ignore_index=True))
    assert _stood(fell, row) == ""


def test_a_goal_beyond_the_ceiling_stops_with_a_reason(early):
    attrs = fl.follow_up(early, goal={"gloss_20": {"at_least": 99}}).attrs
    assert attrs["stop"]
    assert attrs["says"].startswith("None of the studied processes comes to 90 %")
    assert attrs["cautions"] == ("No process reaches the goal surely enough yet.",)


def test_a_goal_that_more_trials_may_reach_goes_on(early):
    # The first target whose closest process is a little short of the assurance.
    short = next(t for t in np.arange(80, 85, 0.1) if not fl.shortest(early, goal=gloss(t)).found)
    attrs = fl.follow_up(early, goal=gloss(short)).attrs
    assert not attrs["stop"]
    assert "no process is sure enough yet, and 4 more trials bring one with a chance of" in attrs["says"]
    assert attrs["rounds"] >= 1


def test_the_budget_of_the_bench_is_kept(early):
    whole = fl.follow_up(early, trials=6)
    cut = fl.follow_up(early, trials=6, budget_minutes=whole.attrs["minutes"] - 1)
    assert 2 <= len(cut) < 6
    assert cut.attrs["minutes"] <= whole.attrs["minutes"] - 1
    assert cut.attrs["rounds"] <= 1
    assert fl.run_day(cut, early.study).minutes == cut.attrs["minutes"]
    with pytest.raises(
        PlanError, match=r"^two trials take about \d+ minutes, the budget is 10\. Give more time"
    ):
        fl.follow_up(early, budget_minutes=10)


def test_a_round_choosing_by_expected_minutes_expects_more_than_the_old_way(view):
    # The rule it replaces: by turns the likeliest rival and the one with the largest chance times saving.
    look, chosen = view
    saved = look.some.minutes[chosen] - look.some.minutes
    p = look.some.probability * (saved > 0)
    likeliest, promising = int(np.argmax(p)), int(np.argmax(p * saved))
    old = look.after([chosen, chosen, likeliest, promising])[0]
    best = min(
        look.after([chosen, chosen, i, j])[0]
        for i in range(len(look.some))
        for j in (likeliest, promising, i)
    )
    assert best <= old
