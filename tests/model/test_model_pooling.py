"""Trials of an earlier study as weak prior knowledge: a help when the same, little harm when not."""

import numpy as np
import pandas as pd
import pytest

import finishlab as fl
from finishlab.errors import ModelError


@pytest.fixture(scope="module")
def few(bench):
    """Twelve trials of the bench on four panels: little to go by."""
    return bench.work(fl.plan_trials(bench.study, trials=12, panels=4, seed=7), seed=1)


@pytest.fixture(scope="module")
def before(bench):
    """Twenty-eight earlier trials of the same shop on panels of their own."""
    return bench.work(fl.plan_trials(bench.study, trials=28, panels=4, seed=9).assign(panel=lambda t: "E" + t["panel"].astype(str)), seed=5)  # fmt: skip


@pytest.fixture(scope="module")
def every(bench):
    return bench.study.basis.frame(np.vstack(list(bench.study.basis.chunks())))


def scored(model, bench, every):
    """Return the error of typical gloss above 70 GU, and the share of truths inside the mean interval."""
    y = bench.true_levels(every)["gloss_20"].to_numpy()
    p = model.predict(every)
    inside = (y >= p["gloss_20_mean_low"]) & (y <= p["gloss_20_mean_high"])
    return float(np.sqrt(((p["gloss_20"] - y)[y > 70] ** 2).mean())), float(inside.mean())


@pytest.fixture(scope="module")
def alone(bench, few, every):
    return scored(fl.fit(bench.study, few), bench, every)


def test_the_same_process_studied_before_takes_away_a_good_part_of_the_error(
    bench, few, before, every, alone
):
    # 28 trials that count half beside 12: like 26 in all, whose error would be about
    # sqrt(12 / 26) = 0.68 of that of 12. The luck of the earlier panels is the study's own.
    error, inside = scored(fl.fit(bench.study, few, earlier=before), bench, every)
    assert error < 0.8 * alone[0]
    assert inside >= 0.8


@pytest.mark.parametrize(("kind", "seed"), [(1, 9), (4, 2)])
def test_another_process_taken_for_the_same_does_little_harm(bench, few, every, kind, seed):
    # Shops whose finishes differ from this one's by 8 and 13 GU: the present trials outvote them.
    other = fl.PracticeBench(kind=kind, seed=seed)
    foreign = other.work(fl.plan_trials(other.study, trials=28, panels=4, seed=9), seed=5)
    difference = (other.true_levels(every) - bench.true_levels(every))["gloss_20"]
    apart = np.sqrt((difference[bench.true_levels(every)["gloss_20"] > 70] ** 2).mean())
    assert apart > 7
    error, inside = scored(fl.fit(bench.study, few, earlier=(other.study, foreign)), bench, every)
    # Of 8 and 13 GU that the shops differ by, less than a fifth comes through.
    assert error < 0.2 * apart
    assert inside >= 0.8
    # The wrong way: the same trials thrown together as if they were this shop's own.
    mixed = pd.concat([few, foreign.assign(panel="F" + foreign["panel"].astype(str))], ignore_index=True)
    mixed["trial"] = mixed["run_order"] = range(1, len(mixed) + 1)
    assert scored(fl.fit(bench.study, mixed), bench, every)[0] > 1.5 * error


def test_earlier_trials_are_named_in_cautions_and_evidence_and_counted_apart(bench, few, before):
    model = fl.fit(bench.study, few, earlier=before)
    assert any(c.startswith("28 trials of an earlier study ('Practice bench") for c in model.cautions)
    facts = model.evidence()
    assert (facts.trials, facts.earlier_trials, facts.panels) == (12, 28, 4)
    assert facts.earlier_study == bench.study.title
    assert fl.fit(bench.study, few).evidence().earlier_trials is None
    # Only present trials are judged, and only they go into the table.
    assert model.table()["row"].tolist() == few.index.tolist()
    assert len(fl.shortest(model).cautions) > 0


def test_the_order_and_labels_of_earlier_trials_do_not_matter(bench, few, before, every):
    p = fl.fit(bench.study, few, earlier=before).probability(every)
    other = before.sample(frac=1, random_state=2).assign(panel=lambda t: "X" + t["panel"])
    other.index = [f"old {i}" for i in range(len(other))]
    np.testing.assert_allclose(fl.fit(bench.study, few, earlier=other).probability(every), p, atol=1e-6)


def test_a_panel_label_used_in_both_studies_is_two_panels(bench, few, before, every):
    same = before.assign(panel=before["panel"].str.removeprefix("E"))
    assert set(same["panel"]) == set(few["panel"].astype(str))
    p, q = (fl.fit(bench.study, few, earlier=t).probability(every) for t in (before, same))
    np.testing.assert_allclose(p, q, atol=1e-9)


def test_a_goal_that_nobody_read_earlier_rests_on_the_present_trials(bench, few, before, every):
    dry = before.drop(columns=[c for c in before.columns if "haze" in c])
    goal = {"haze": {"at_most": 30}}
    model = fl.fit(bench.study, few, earlier=dry)
    assert (
        model.probability(every, goal=goal) == fl.fit(bench.study, few).probability(every, goal=goal)
    ).all()
    assert model.response("haze").cautions[-1] == (
        "The earlier trials have no haze; it rests on the present ones alone."
    )


def test_an_earlier_study_of_other_steps_is_refused(bench, few):
    old = fl.Study.from_toml(
        bench.study.source.replace('name = "polish"', 'name = "jewel"').replace("polish_passes = 4\n", "jewel_passes = 4\n").replace('"cut", "polish"]', '"cut", "jewel"]')
    )  # fmt: skip
    with pytest.raises(
        ModelError,
        match=r"^the earlier study has the steps sand, cut, jewel, this one sand, cut, polish\. Only trials of the same steps",
    ):
        fl.fit(bench.study, few, earlier=(old, few))


def test_an_earlier_study_that_leaves_a_setting_unsaid_is_refused(bench, few):
    old = fl.Study.from_toml(bench.study.source.replace('product = "polish A"\n', ""))
    with pytest.raises(
        ModelError, match=r"^the earlier study does not say polish product\. Write what was held there"
    ):
        fl.fit(bench.study, few, earlier=(old, few))


def test_passes_that_meant_something_else_are_a_caution(bench, few, before):
    old = fl.Study.from_toml(bench.study.source.replace("one direction, 50 % overlap", "cross-hatch"))
    model = fl.fit(bench.study, few, earlier=(old, before))
    assert any(c.startswith("The earlier study counts a pass as 'cross-hatch") for c in model.cautions)
