"""What a model is asked about itself: sound ones are left alone, spoiled trials are found and named."""

from __future__ import annotations

import numpy as np
import pytest

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.figures.frame import blank
from finishlab.model.check_questions import ODD

QUESTIONS = (
    "prediction", "new panel", "repeats", "influence", "level", "order", "panels", "outlying", "spread", "ceiling",
)  # fmt: skip


def moved(trials, by):
    """The trials with every 20-degree reading of the finish moved by so much, GU; 60 degrees left out."""
    out = trials.drop(columns=[c for c in trials.columns if "gloss_60" in c]).copy()
    for column in ("gloss_20", "gloss_20_1", "gloss_20_2", "gloss_20_3"):
        out[column] = (out[column] + by).clip(lower=1.0)
    return out


def asked(study, trials, question, kind="steps"):
    model = fl.fit(study, trials, kind=kind)
    return next(c for c in model.checked if c.question == question and c.response == "gloss_20")


def near(trials):
    return trials["gloss_20"] > trials["gloss_20"].median()


# --- sound models -----------------------------------------------------------------------------------


def test_a_sound_model_is_well_in_every_check(model):
    found = fl.check_model(model)
    assert found.questions == QUESTIONS
    assert found.cautions == ()
    assert found.text().startswith("All is well in 10 checks. 20° gloss: left out in turn, ")


def test_sound_step_models_are_rarely_accused():
    accused = asked_of = 0
    for seed in range(1, 5):
        shop = fl.PracticeBench(kind=1, seed=seed)
        trials = shop.work(fl.plan_trials(shop.study, trials=20, panels=4, seed=seed), seed=seed)
        checks = [c for c in fl.fit(shop.study, trials).checked if "odd" in c.facts]
        asked_of += len(checks)
        accused += sum(c.facts["odd"] <= ODD for c in checks)
    # One in two hundred of about 32 is a sixth of an accusation; two or more are one chance in 80.
    assert asked_of >= 28
    assert accused <= 1


def test_the_sentences_of_the_model_are_those_of_trials_left_out(model):
    (sentence,) = model.checks
    assert sentence == fl.check_model(model).checks[0].sentence


# --- spoiled trials are found ----------------------------------------------------------------------


def test_readings_that_drift_with_the_order_of_work_are_found_and_the_caution_travels(bench, trials):
    drift = moved(trials, -6 * (trials["run_order"] - 1) / 23)
    model = fl.fit(bench.study, drift)
    check = next(c for c in model.checked if c.question == "order")
    assert check.caution in model.cautions
    assert check.caution.startswith("Readings of 20° gloss near the goal fell by ")
    assert "Check the meter on its tile" in check.caution
    assert fl.shortest(model).cautions.count(check.caution) == 1


def test_one_panel_of_eight_that_reads_low_is_named():
    shop = fl.PracticeBench(kind=1, seed=5)
    trials = shop.work(fl.plan_trials(shop.study, trials=32, panels=8, seed=5), seed=5)
    low = moved(trials, np.where(trials["panel"].astype(str) == "3", -9.0, 0.0))
    check = asked(shop.study, low, "panels")
    assert check.facts["panel"] == "3"
    assert check.facts["off"] < -1


@pytest.mark.parametrize(("k", "by", "side"), [(6, -15.0, "below"), (9, 4.0, "above")])
def test_a_trial_that_stands_out_is_named_by_its_number(bench, trials, k, by, side):
    row = trials.index[near(trials)][k]
    model = fl.fit(bench.study, moved(trials, np.where(trials.index == row, by, 0.0)))
    check = next(c for c in model.checked if c.question == "outlying")
    assert trials.loc[row, "trial"] != row  # a table's rows begin at 0, the numbers of its trials at 1
    assert check.caution.startswith(f"Trial {trials.loc[row, 'trial']} reads ")
    assert f"{side} what the others say of 20° gloss. Look at that patch and its log" in check.caution
    assert check.caution in model.cautions


def test_settings_that_add_up_on_roughness_itself_are_told_from_its_logarithm():
    """A surface model of a shop where steps add to roughness: the trials favour power 1."""
    study = fl.Study.from_toml(
        'title = "t"\npass_means = "p"\n[[step]]\nname = "cut"\nspeed = { lowest = 1, highest = 5, by = 1 }\n'
        "force = { lowest = 1, highest = 5, by = 1 }\npasses = { lowest = 1, highest = 5 }\n"
        "[goal]\ngloss_20 = { at_least = 70 }\nassurance = 0.9\n"
    )
    rng = np.random.default_rng(4)
    import pandas as pd

    settings = {f"cut_{n}": rng.integers(1, 6, 40) for n in ("speed", "force", "passes")}
    rough = 1.35 - sum(0.08 * v for v in settings.values()) + 0.01 * rng.standard_normal(40)
    gloss = 88 * np.exp(-(rough**2)) + 0.1 * rng.standard_normal(40)
    trials = pd.DataFrame(settings).assign(
        panel=np.repeat(list("abcd"), 10),
        patch=np.tile(range(1, 11), 4),
        minutes=5.0 + settings["cut_passes"],
        gloss_20=gloss,
    )
    check = asked(study, trials, "scale", kind="surface")
    assert check.facts["low"] < 1 < check.facts["high"] + 0.3
    assert check.facts["low"] > 0
    assert "do not add up on the logarithm of roughness" in check.caution


def test_a_goal_that_may_lie_above_the_ceiling_is_a_caution(bench, trials):
    lifted = fl.Study.from_toml(bench.study.source.replace("at_least = 80.0", "at_least = 91"))
    assert lifted.goal["gloss_20"].at_least == 91
    check = asked(lifted, trials, "ceiling")
    assert check.caution.startswith("The goal of 91.0 GU may lie above the ceiling of this clear")


# --- what can be answered is answered --------------------------------------------------------------


def test_without_repeats_the_question_of_misfit_says_so(bench, trials):
    once = trials.drop_duplicates(subset=list(bench.study.basis.names))
    check = asked(bench.study, once, "repeats")
    assert "no process was worked twice, so misfit cannot be told from luck" in check.sentence
    assert check.caution == ""


def test_too_few_trials_for_the_terms_leave_the_scale_open_and_nothing_else(bench, trials):
    few = fl.fit(bench.study, trials.iloc[[0, 1, 6, 7, 12, 13, 18]], kind="surface")
    check = next(c for c in few.checked if c.question == "scale")
    assert check.sentence.endswith("the trials are too few to ask on which scale the settings add up.")
    assert len(few.checked) == 11


# --- what must not matter ----------------------------------------------------------------------------


def test_the_order_of_rows_and_the_names_of_panels_do_not_matter(bench, trials, model):
    mixed = trials.sample(frac=1, random_state=2)
    mixed["panel"] = "door " + mixed["panel"].astype(str)
    again = fl.fit(bench.study, mixed)
    for a, b in zip(model.checked, again.checked, strict=True):
        assert a.question == b.question
        for name in ("predicted_r2", "misfit", "drift", "worst"):
            if name in a.facts:
                # Spreads are drawn: the same seed on another order of rows moves them a little.
                assert a.facts[name] == pytest.approx(b.facts[name], rel=0.25, abs=0.1)


# --- handles and figures -----------------------------------------------------------------------------


def test_every_question_has_a_picture_whose_title_is_its_answer(model):
    found = fl.check_model(model)
    for question in found.questions:
        ax = found.plot(question, ax=blank())
        title = ax.get_title(loc="left").replace("\n", " ")
        check = next(c for c in found.checks if c.question == question)
        assert title == check.sentence or "left-out readings lie inside" in title


def test_a_question_without_picture_is_answered_with_those_there_are(model):
    with pytest.raises(
        ModelError,
        match=r"^there is no picture of 'colour' for 'gloss_20'\. Drawn are: prediction, new panel",
    ):
        fl.check_model(model).plot("colour")


def test_the_checks_as_plain_python_hold_no_numpy(model):
    import json

    facts = fl.check_model(model).to_dict()
    assert json.loads(json.dumps(facts)) == facts
    assert fl.check_model(model).table()["verdict"].tolist() == ["well"] * 10
    assert "<table" in fl.check_model(model)._repr_html_()
