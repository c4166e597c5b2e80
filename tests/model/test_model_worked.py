"""What the trials cannot tell of the settings is said before anybody relies on it."""

import numpy as np
import pytest

import finishlab as fl
from finishlab.model.trial_coverage import Worked, worked_cautions


def said(bench, trials):
    return worked_cautions(bench.study, bench.study.basis.values(trials))


def test_a_planned_study_has_nothing_to_say(bench, trials):
    assert said(bench, trials) == ()


JUDGE = (
    "No process with that is recommended. To have it judged, type: finishlab plan DIR --trials 4 --panels 1 (DIR is the "
    "study folder)."
)


@pytest.mark.parametrize(
    ("change", "beyond"),
    [
        (lambda t: t.assign(cut_pad="wool"), "cut pad 'microfibre' and 'foam'"),
        (lambda t: t[t["cut_pad"] != "foam"], "cut pad 'foam'"),
        # A grit whose grain size is not published is a level by itself; P3000 is one (FEPA 43 ends at P2500).
        (lambda t: t[t["sand_grit"] != "P2000"], "sand grit 'P2000'"),
        (lambda t: t.assign(cut_passes=4), "cut passes 1 to 3 and 5 to 8"),
        (lambda t: t.assign(polish_passes=t["polish_passes"].clip(upper=4)), "polish passes 5 to 6"),
        (lambda t: t[t["polish_passes"] > 0], "polish passes 0"),
    ],
)
def test_what_no_trial_worked_is_named_with_what_to_type(bench, trials, change, beyond):
    assert f"In the study, but worked in no trial: {beyond}. {JUDGE}" in said(bench, change(trials))


def test_numbers_reach_from_the_lowest_to_the_highest_worked():
    study = fl.Study.from_toml("""
    title = "Grades with published sizes"
    pass_means = "one direction"
    [[step]]
    name = "sand"
    grit = ["P1000", "P1200", "P1500", "P2000"]
    passes = { lowest = 0, highest = 6 }
    [goal]
    faults = { at_most = 0 }
    assurance = 0.9
    """)
    grit, passes = study.factors
    assert grit.kind == "graded"
    ends = Worked(study, np.array([[0.0, 2.0], [2.0, 5.0]]))
    assert ends.levels(grit) == ("P1000", "P1200", "P1500")
    assert ends.levels(passes) == (2, 3, 4, 5)
    left_out = Worked(study, np.array([[0.0, 2.0], [np.nan, 0.0]]))
    assert left_out.levels(passes) == (0, 1, 2)


def test_what_a_burn_through_kept_from_being_worked_was_not_worked(bench, trials):
    # The only trial with six polish passes burned through in the step before.
    few = trials.assign(polish_passes=trials["polish_passes"].clip(upper=4), burned_after_step=None)
    few.loc[few.index[0], ["polish_passes", "burned_after_step"]] = [6, "cut"]
    passes = bench.study.settings["polish_passes"]
    assert Worked.of(bench.study, few).levels(passes)[-1] == 4
    assert Worked.of(bench.study, few.assign(burned_after_step=None)).levels(passes)[-1] == 6


def test_passes_that_were_none_or_one_number_are_named_as_that(bench, trials):
    two = trials.assign(polish_passes=np.where(trials["polish_passes"] > 2, 4, 0))
    assert said(bench, two) == (
        f"In the study, but worked in no trial: polish passes 5 to 6. {JUDGE}",
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
