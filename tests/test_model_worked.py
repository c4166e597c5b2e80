"""What the trials cannot tell of the settings is said before anybody relies on it."""

import numpy as np

import finishlab as fl
from finishlab.model.worked import worked_cautions


def said(bench, trials):
    return worked_cautions(bench.study, bench.study.basis.values(trials))


def test_a_planned_study_has_nothing_to_say(bench, trials):
    assert said(bench, trials) == ()


def test_a_choice_that_never_varied_is_named_with_what_was_never_tried(bench, trials):
    assert said(bench, trials.assign(cut_pad="wool")) == (
        "Cut pad was 'wool' in every trial: what is said of 'microfibre' and 'foam' is a general guess. Add trials "
        "with them before relying on a process that uses one of them, or take them out of the study file.",
    )


def test_a_pad_that_no_trial_used_is_named(bench, trials):
    (only,) = said(bench, trials[trials["cut_pad"] != "foam"])
    assert only.startswith(
        "No trial used cut pad 'foam': what is said of it is a general guess. Add trials with it"
    )


def test_a_grade_between_those_tried_is_no_guess(bench, trials):
    assert said(bench, trials[trials["sand_grit"] != "P2000"]) == ()
    assert said(bench, trials.assign(sand_grit="P2000"))[0].startswith("Sand grit was 'P2000' in every trial")


def test_a_number_that_never_varied_is_named(bench, trials):
    assert said(bench, trials.assign(cut_passes=4)) == (
        "Cut passes never varied in the trials: nothing says what another value does. Add trials that differ in it, or "
        "hold it in the study file.",
    )


def test_passes_that_were_none_or_one_number_are_named_as_that(bench, trials):
    """They varied, which the sentence for those that never did must not deny."""
    two = trials.assign(polish_passes=np.where(trials["polish_passes"] > 2, 4, 0))
    assert said(bench, two) == (
        "Polish passes were none or 4 in the trials: nothing says what another number does. Add trials that differ in it, "
        "or hold it in the study file.",
    )


def test_two_settings_that_always_moved_together_are_named_once(bench, trials):
    with_pad = trials.assign(cut_product=np.where(trials["cut_pad"] == "wool", "compound A", "compound B"))
    assert said(bench, with_pad) == (
        "Cut pad and cut product moved together in the trials: what one does cannot be told from what the other does. "
        "Add trials that change one without the other.",
    )
    passes = trials.assign(polish_passes=np.minimum(trials["cut_passes"] - 1, 6))
    assert said(bench, passes)[0].startswith("Cut passes and polish passes moved together")


def test_fewer_trials_than_effects_is_said_in_numbers(bench, trials):
    few = trials.iloc[[0, 1, 2, 8, 9, 16, 17]]
    assert any(c.startswith("7 trials for 9 effects of the settings: much of what") for c in said(bench, few))
    # The part that can be answered is answered, with the caution beside it.
    model = fl.fit(bench.study, few)
    p = model.probability(few)
    assert p.between(0, 1).all()
    assert any(c.startswith("7 trials for 9 effects") for c in fl.shortest(model).cautions)


def test_nothing_is_learnt_of_a_setting_that_never_varied(bench, trials):
    # Pads beyond the one worked differ by the stated guess alone, and far less surely.
    model = fl.fit(bench.study, trials.assign(cut_pad="wool"))
    one = trials.iloc[[0]].assign(cut_passes=4, polish_passes=0)
    width = [
        (lambda p: (p["gloss_20_mean_high"] - p["gloss_20_mean_low"]).iloc[0])(
            model.predict(one.assign(cut_pad=pad))
        )
        for pad in ("wool", "foam")
    ]
    assert width[1] > 1.5 * width[0]
