"""What a plan will see: power against published figures, a split plot by hand, words for what goes together."""

import math

import numpy as np
import pandas as pd
import published
import pytest

import finishlab as fl
from finishlab.errors import PlanError
from finishlab.plan.confounding import together
from finishlab.plan.foresight import foresee
from finishlab.plan.guessed_spreads import GUESSED
from finishlab.plan.plan_criterion import weight_of
from finishlab.statistics.power import power, smallest_difference
from finishlab.study import Study

TWO = """\
title = "Invented"
pass_means = "one direction"
[[step]]
name = "cut"
{settings}
[goal]
gloss_20 = {{ at_least = 80 }}
assurance = 0.9
[panel]
patches = 40
[reading]
spots = 1
"""


def pairs(k, more=""):
    return Study.from_toml(
        TWO.format(settings="".join(f'{c} = ["low", "high"]\n' for c in "abcde"[:k]) + more)
    )


def corners(k, times=1):
    signs = np.array(np.meshgrid(*[[0, 1]] * k)).reshape(k, -1).T
    words = np.array(["low", "high"])[np.vstack([signs] * times)]
    return pd.DataFrame(words, columns=[f"cut_{c}" for c in "abcde"[:k]])


# --- power -----------------------------------------------------------------------------------


def test_power_of_two_groups_is_the_published_one():
    figures = dict(
        zip(
            published.table("power_sample_size")["quantity"],
            published.table("power_sample_size")["published"],
            strict=True,
        )
    )
    # R's example leaves out the far tail of the two-sided test: 2e-7 here.
    assert power(1, math.sqrt(2 / 20), 38) == pytest.approx(
        figures["two-sample t, n=20, delta=1, sd=1: power"], abs=1e-6
    )
    # R: n for power 0.90; the power at that n must be 0.90.
    n = figures["two-sample t, delta=1, power 0.90: n"]
    assert power(1, math.sqrt(2 / n), 2 * n - 2) == pytest.approx(0.90, abs=1e-6)


@pytest.mark.parametrize(("d", "n"), [(0.2, 393), (0.5, 64), (0.8, 26)])
def test_the_smallest_difference_of_cohens_groups_is_cohens_effect(d, n):
    # Cohen (1992), Table 2, rounds n to a whole number: the effect is met to 1 %.
    assert smallest_difference(math.sqrt(2 / n), 2 * n - 2) == pytest.approx(d, rel=0.01)


@pytest.mark.parametrize(
    "row", published.table("power_factorial_effect").to_dict("records"), ids=lambda r: str(r["ncp"])[:5]
)
def test_power_of_a_factorial_effect_is_the_tabled_one(row):
    se = 2 / math.sqrt(row["runs"])
    # Ten digits are tabled; the far tail is counted in both.
    assert power(row["effect_in_sigma"], se, row["error_df"]) == pytest.approx(
        row["power_alpha_0.05"], abs=1e-9
    )


def test_without_degrees_of_freedom_nothing_is_found():
    assert smallest_difference(1.0, 0) == math.inf


# --- what a plan sees ------------------------------------------------------------------------


def test_a_replicated_factorial_sees_what_the_textbook_says():
    # 2^3 twice on one panel: the difference of two halves of 16 has SE 2 s / sqrt(16), df 16 - 4.
    sheet = corners(3, 2).assign(panel="1")
    found = foresee(sheet, pairs(3), spreads={"panel": 1.0, "patch": 2.0, "meter": 0.0, "minutes": 0.4})
    for column, sd in (("gloss_gu", 2.0), ("minutes", 0.4)):
        expected = smallest_difference(2 * sd / math.sqrt(16), 12)
        np.testing.assert_allclose(found.factors[column], expected, rtol=1e-6)
    assert (found.factors["df"] == 12).all()


def test_simulated_trials_find_that_difference_four_times_in_five():
    # 3,000 invented studies of a 2^3 on two panels, tested by least squares with panels as blocks, which
    # is the same here. Half width of a 99 % interval of such a share: 0.02; one df fewer for panels.
    sheet = corners(3, 2).assign(panel=np.repeat(["1", "2"], 8))
    found = foresee(sheet, pairs(3), spreads={"panel": 1.0, "patch": 2.0, "meter": 0.0})
    gap = found.factors["gloss_gu"].iloc[0]
    rng = np.random.default_rng(5)
    signs = np.where(sheet[["cut_a", "cut_b", "cut_c"]] == "high", 1.0, -1.0)
    x = np.column_stack([np.ones(16), signs, np.repeat([-1.0, 1.0], 8)])
    y = (
        gap / 2 * signs[:, :1]
        + np.repeat(rng.normal(size=(2, 3000)), 8, axis=0)
        + 2 * rng.normal(size=(16, 3000))
    )
    beta, rss = np.linalg.lstsq(x, y, rcond=None)[:2]
    t = beta[1] / np.sqrt(rss / 11 / 16)
    from scipy import stats

    share = (np.abs(t) > stats.t.ppf(0.975, 11)).mean()
    assert share == pytest.approx(0.80, abs=0.025)
    # A difference half as large is found far less often: the figure is not a formality.
    y_half = y - gap / 4 * signs[:, :1]
    beta, rss = np.linalg.lstsq(x, y_half, rcond=None)[:2]
    assert (np.abs(beta[1] / np.sqrt(rss / 11 / 16)) > stats.t.ppf(0.975, 11)).mean() < 0.5


def test_the_information_of_a_split_plot_is_that_worked_by_hand():
    # Four panels of two patches, one setting by panel (-1, -1, 1, 1), one by patch (-1, 1 on each), panel
    # and patch variance 1. On paper: a panel's mean has variance 1 + 1/2, so the mean and the panel's
    # setting have information 4 / 1.5 = 8/3; a difference within a panel has variance 2, so the patch's
    # setting has 4 x (2^2 / 2) = 8.
    panel = np.repeat(np.arange(4), 2)
    x = np.column_stack([np.ones(8), np.repeat([-1, -1, 1, 1], 2), np.tile([-1, 1], 4)])
    np.testing.assert_allclose(x.T @ weight_of(panel) @ x, np.diag([8 / 3, 8 / 3, 8]), atol=1e-12)


def test_a_setting_that_changes_by_panel_is_seen_against_the_panels():
    study = pairs(2, 'hard_to_change = ["a"]\n')
    sheet = corners(2, 4).sort_values("cut_a", kind="stable").assign(panel=np.repeat(list("1234"), 4))
    found = foresee(sheet, study, spreads={"panel": 1.0, "patch": 2.0, "meter": 0.0}).factors
    # On paper: two panels against two; a panel's mean of four has variance 1 + 4/4 = 2; df 4 - 2.
    assert found.set_index("factor")["gloss_gu"]["cut_a"] == pytest.approx(
        smallest_difference(math.sqrt(2), 2), rel=1e-6
    )
    assert found.set_index("factor")["df"].to_dict() == {"cut_a": 2, "cut_b": 13}
    # Within panels, panels cancel: two halves of 16.
    assert found.set_index("factor")["gloss_gu"]["cut_b"] == pytest.approx(
        smallest_difference(1.0, 13), rel=1e-6
    )


def test_more_trials_or_less_spread_see_more_and_the_order_of_rows_does_not_matter():
    study = pairs(3)
    sheet = corners(3, 2).assign(panel=np.tile(["1", "2"], 8))
    one = foresee(sheet, study)
    assert (foresee(pd.concat([sheet, sheet]), study).factors["gloss_gu"] < one.factors["gloss_gu"]).all()
    assert (foresee(sheet, study, spreads={"patch": 1.0}).factors["gloss_gu"] < one.factors["gloss_gu"]).all()
    turned = foresee(sheet.sample(frac=1, random_state=1), study)
    np.testing.assert_allclose(turned.factors["gloss_gu"], one.factors["gloss_gu"])
    assert turned.job_half_width == pytest.approx(one.job_half_width)


def test_the_next_jobs_interval_is_the_textbooks_when_nothing_else_is_unknown():
    # One setting at two levels, 40 patches on 20 panels: variance of a job = panel + patch + what is not known of the mean.
    study = pairs(1)
    sheet = corners(1, 20).assign(panel=np.repeat(np.arange(20).astype(str), 2))
    low, _, high = foresee(sheet, study, spreads={"panel": 1.0, "patch": 2.0, "meter": 0.0}).job_half_width
    from scipy import stats

    known = 1 / 20 + 4 / 40 + 4 / 40  # panels, patches, half the difference
    df = (1 + 4) ** 2 / (1 / 19 + 16 / 38)
    expected = stats.t.ppf(0.95, df) * math.sqrt(1 + 4 + known)
    # "Nothing assumed" stands for a millionth of a trial.
    assert low == pytest.approx(expected, rel=1e-5)
    assert high == pytest.approx(expected, rel=1e-5)


def test_existing_trials_count_for_what_is_seen_and_not_for_the_cost():
    study = pairs(2)
    sheet = corners(2, 2).assign(panel="2")
    before = corners(2, 2).assign(panel="1")
    both, alone = foresee(sheet, study, existing=before), foresee(sheet, study)
    assert both.costs == alone.costs
    assert both.text().startswith("16 trials on 2 panels, 8 of them there before. ")
    whole = foresee(pd.concat([before, sheet]), study)
    np.testing.assert_allclose(both.factors["gloss_gu"], whole.factors["gloss_gu"])
    assert (both.factors["gloss_gu"] < alone.factors["gloss_gu"]).all()


# --- what cannot be told apart ------------------------------------------------------------------


def said(study, sheet):
    panel = np.unique(sheet["panel"], return_inverse=True)[1]
    return together(study, study.basis.values(sheet), panel)


def test_settings_that_change_together_are_named():
    study = pairs(3)
    sheet = corners(3).assign(panel="1")
    assert said(study, sheet) == ()
    sheet["cut_b"] = sheet["cut_a"]
    assert said(study, sheet) == ("Cut a and cut b change together: which of them did it cannot be told.",)
    found = foresee(sheet, study).factors.set_index("factor")
    assert math.isinf(found["gloss_gu"]["cut_a"])
    assert math.isfinite(found["gloss_gu"]["cut_c"])


def test_a_setting_that_never_changes_and_one_that_follows_the_panels_are_named():
    study = pairs(2)
    sheet = corners(2, 2).assign(cut_a="low")
    sheet["panel"] = np.where(sheet["cut_b"] == "low", "1", "2")
    assert said(study, sheet) == (
        "Cut a never changes: nothing can be said of it.",
        "Cut b changes only from panel to panel: what it does is seen against how panels differ.",
    )


def test_a_setting_that_the_others_make_up_together_is_named():
    study = pairs(3)
    half = corners(2, 4)
    # cut_c is high where a and b are both high: not a mix of the two by sums. It is told apart.
    half["cut_c"] = np.where((half["cut_a"] == "high") & (half["cut_b"] == "high"), "high", "low")
    assert said(study, half.assign(panel="1")) == ()
    numbers = Study.from_toml(TWO.format(settings="a = [0, 1, 2]\nb = [0, 1, 2]\nc = [0, 1, 2, 3, 4]\n"))
    grid = pd.DataFrame(
        [(a, b, a + b) for a in range(3) for b in range(3)], columns=["cut_a", "cut_b", "cut_c"]
    )
    assert said(numbers, grid.assign(panel="1")) == (
        "Cut a, cut b and cut c cannot be told apart from the other settings taken together.",
    )


# --- cautions, words -------------------------------------------------------------------------------


def test_a_plan_with_as_many_terms_as_trials_is_cautioned():
    found = foresee(corners(2).assign(panel="1").head(3), pairs(2))
    assert (
        "3 trials can hardly tell the settings apart: 2 differences are to be learnt. Plan 5 in all, at least."
        in found.cautions
    )
    assert found.text().count("Nothing can be said of") == 1


def test_stated_guesses_are_named_and_a_pilots_spreads_are_not_guesses(bench, trials, model):
    sheet = fl.plan_trials(bench.study, trials=16, panels=4, seed=2)
    guess, pilot = fl.foresee(sheet, bench.study), fl.foresee(sheet, bench.study, spreads=model)
    assert guess.guessed == tuple(GUESSED)
    assert pilot.guessed == ()
    assert "Spreads (SD) given: panel " in pilot.text()
    # The bench's times scatter by some per cent of a patch's minutes.
    assert 0 < pilot.spreads["minutes"] < 0.3 * trials["minutes"].mean()
    assert (
        "Guessed spreads (SD): panel 1 GU, patch 2 GU, meter 0.5 GU and minutes 0.5 minutes." in guess.text()
    )
    # The practice benches' meters have an SD of 0.3 to 0.8 GU; the pilot's is that of its repeats.
    assert 0.1 < pilot.spreads["meter"] < 1.5


def test_a_result_says_the_same_as_words_table_figure_and_plain_python():
    import json

    found = foresee(corners(3, 2).assign(panel=np.tile(["1", "2"], 8)), pairs(3))
    facts = found.to_dict()
    assert json.loads(json.dumps(facts))["trials"] == 16
    assert [r["gloss_gu"] for r in facts["factors"]] == found.table()["gloss_gu"].tolist()
    from finishlab.figures import answer_figures

    ax = found.plot(ax=answer_figures.blank())
    assert ax.get_title(loc="left") == "What 16 trials on 2 panels will find four times in five"
    assert "16 trials on 2 panels." in found._repr_html_()


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"spreads": {"panel": -1}}, "spreads: panel is -1; it must be a number, 0 or more. Leave it out for the stated guess of 1."),
        ({"spreads": {"panels": 1}}, "spreads: 'panels' is not one of panel, patch, meter, minutes. Take one of these names."),
        ({"spreads": {"patch": 0, "meter": 0}}, "spreads: patch and meter are both 0; no two patches are that alike. Give one of them a value."),
        ({"spreads": 3}, "spreads is int; give a mapping as {'panel': 1.0, 'patch': 2.0}, a pilot's fitted model, or leave it out."),
        ({"saving_minutes": 0}, "saving_minutes is 0; it must be a number above zero, or left out."),
    ],
)  # fmt: skip
def test_what_cannot_be_foreseen_is_answered_in_plain_words(asked, words):
    with pytest.raises(PlanError) as caught:
        foresee(corners(2).assign(panel="1"), pairs(2), **asked)
    assert caught.value.mistakes == (words,)


def test_a_sheet_without_trials_is_refused_in_words():
    with pytest.raises(PlanError, match=r"^the sheet has no trials\. Give one as plan_trials returns it\.$"):
        foresee(corners(2).assign(panel="1").iloc[:0], pairs(2))


def test_a_sheet_without_panels_is_refused_in_words():
    with pytest.raises(PlanError, match=r"^the sheet: column 'panel' is missing\. Columns: "):
        foresee(corners(2), pairs(2))
    sheet = corners(2)
    with pytest.raises(
        PlanError, match=r"^the sheet: panel is empty in 1 of 4 trials \(rows 3\)\. Say on which"
    ):
        foresee(sheet.assign(panel=["1", "1", "2", None]), pairs(2))


# --- how many trials ---------------------------------------------------------------------------


def test_more_trials_leave_fewer_minutes_and_the_same_seed_says_the_same(bench):
    few = fl.how_many_trials(bench.study, trials=(6, 32), shops=25, seed=2)
    left = few.rows.set_index("trials")["minutes_left"]
    assert left[32] < left[6]
    # Most of the named processes keep the promise in truth; the figure averages over shops.
    assert few.rows["kept"].min() > 0.8
    again = fl.how_many_trials(bench.study, trials=(6, 32), shops=25, seed=2)
    assert few.to_dict() == again.to_dict()
    assert few.text().startswith("Over 25 invented shops drawn from the stated priors: 6 trials leave ")
    assert "no follow-up round is counted" in few.cautions[0]
    from finishlab.figures import answer_figures

    assert few.plot(ax=answer_figures.blank()).get_title(loc="left") == "What more trials save"
    assert "invented shops" in few._repr_html_()


def test_how_many_trials_answers_what_it_cannot_do_in_plain_words(bench):
    with pytest.raises(PlanError) as caught:
        fl.how_many_trials(
            Study.from_toml(
                pairs(2).source.replace("gloss_20 = { at_least = 80 }", "faults = { at_most = 0 }")
            ),
            trials=(2.5,),
            panels=0,
            shops=1,
            seed=-1,
        )
    assert caught.value.mistakes == (
        "trials is (2.5,); give the numbers of trials to compare, as (12, 20, 28).",
        "panels is 0; it must be a whole number, 1 or more.",
        "shops is 1; it must be a whole number, 5 or more.",
        "seed is -1; it must be a whole number, 0 or more.",
        "the study's goal names no gloss, or no step is worked by passes or seconds; shops are drawn for such studies only. Take foresee instead.",
    )
    unreachable = Study.from_toml(
        bench.study.source.split("[goal]")[0] + "[goal]\ngloss_20 = { at_least = 150 }\nassurance = 0.9\n"
    )
    with pytest.raises(PlanError, match="no process reaches the goal for gloss_20 in nearly any shop"):
        fl.how_many_trials(unreachable, trials=(12,), shops=5)


def test_a_job_that_is_foretold_no_nearer_than_the_whole_scale_is_said_so():
    from dataclasses import replace

    study = pairs(2)
    foreseen = foresee(fl.plan_trials(study, trials=12, panels=2, seed=1), study)
    wide = replace(foreseen, job_half_width=(4.41, 6.71, 2461.5)).text()
    assert "within ± 6.8 GU (90 % interval; 4.5 to over 100 over the studied processes)" in wide
