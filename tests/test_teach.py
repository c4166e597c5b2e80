"""Step counts: what each pass adds, when it is worth it, and when two counts are alike."""

import numpy as np
import pytest
from published import table
from scipy import stats

import finishlab as fl
from finishlab._figures import blank
from finishlab.errors import ModelError
from finishlab.teach import _alike


@pytest.fixture(scope="module")
def ladder(model):
    return fl.step_counts(model, "cut_passes", smallest=1.0)


def test_gains_are_those_of_the_pass_curve(model, ladder):
    curve = fl.pass_curve(model, "cut_passes").table()
    table = ladder.table()
    for column in ("gain", "gain_low", "gain_high"):
        np.testing.assert_allclose(table[column], curve[column])


def test_gains_shrink_and_hold_the_shops_own(bench, model, ladder):
    # The invented shop's truth: gloss on an average panel, pass by pass; 90 % intervals hold most of its seven gains.
    table = ladder.table()
    assert table["gain"].iloc[1] > table["gain"].iloc[-1]
    base = bench.study.basis.row(bench.study.today)
    rows = np.repeat(base, len(table), axis=0)
    rows[:, bench.study.basis.column("cut_passes")] = table["cut_passes"]
    frame = bench.study.basis.frame(rows)
    true = np.array(
        [
            next(
                t
                for t in np.arange(40, 95, 0.1)
                if bench.true_probability(frame.iloc[[k]], goal={"gloss_20": {"at_least": float(t)}}).iloc[0]
                < 0.5
            )
            for k in range(len(frame))
        ]
    )
    inside = (np.diff(true) >= table["gain_low"][1:] - 0.15) & (
        np.diff(true) <= table["gain_high"][1:] + 0.15
    )
    assert inside.sum() >= 5


def test_a_larger_difference_that_matters_makes_fewer_passes_worth_it(model):
    worth = [fl.step_counts(model, "cut_passes", smallest=s).worth for s in (0.1, 1.0, 3.0, 50.0)]
    assert worth == sorted(worth, reverse=True)
    assert worth[-1] == 1.0


def test_alike_is_shown_by_the_interval_and_not_by_its_covering_none(model, ladder):
    table = ladder.table()
    inside = (table["gain_low"] > -1.0) & (table["gain_high"] < 1.0)
    assert (table["alike"] == inside.fillna(False)).all()
    assert (table["most_alike"] >= table["cut_passes"]).all()
    # With next to nothing that may not matter, no two counts are alike however little they are told apart.
    assert not fl.step_counts(model, "cut_passes", smallest=1e-6).table()["alike"].any()


def test_few_trials_say_that_they_cannot_tell(bench, trials):
    few = fl.step_counts(
        fl.fit(bench.study, trials.iloc[::3].reset_index(drop=True)), "cut_passes", smallest=0.6
    )
    assert "the trials cannot tell yet" in few.text()


def test_less_haze_is_the_gain():
    bench = fl.PracticeBench(kind=1, seed=5)
    log = bench.work(fl.plan_trials(bench.study, trials=24, panels=4, seed=2), seed=1)
    found = fl.step_counts(fl.fit(bench.study, log), "polish_passes", response="haze")
    assert found.table()["gain"].iloc[1] > 0
    assert found.table()["haze"].iloc[1] < found.table()["haze"].iloc[0]


def test_the_sentence_and_the_figure_name_count_and_size(ladder):
    assert ladder.text().startswith(
        f"Up to {ladder.worth:g} cut passes one more is worth more than 1 GU of 20° gloss"
    )
    ax = ladder.plot(ax=blank(7, 4))
    assert len(ax.get_yticklabels()) == 7
    assert ladder.to_dict()["worth"] == ladder.worth


def test_what_cannot_be_counted_is_refused(model):
    with pytest.raises(ModelError, match="cut_pad is no number"):
        fl.step_counts(model, "cut_pad")


# --- alike, by the published worked examples --------------------------------------------------------------


def _drawn(difference, error, df):
    """Return a million draws of a difference known by its estimate, standard error and degrees of freedom."""
    return difference + error * stats.t.rvs(df, size=1_000_000, random_state=11)


def test_alike_is_decided_as_two_one_sided_tests_do_in_a_worked_example():
    # Lakens (2017), Social Psychological and Personality Science 8, 355-362 (see the reference file).
    x = table("equivalence_tost").set_index("quantity")["recomputed"].astype(float)
    error = np.sqrt(x["sd1"] ** 2 / x["n1"] + x["sd2"] ** 2 / x["n2"])
    drawn = _drawn(x["mean1"] - x["mean2"], error, x["Welch df"])
    bound = x["raw bound = d*sqrt((sd1^2+sd2^2)/2)"]
    low, high, same = _alike(drawn, bound)
    # A million draws place the ends within 0.002 (three standard errors of a quantile here).
    assert (low, high) == (
        pytest.approx(x["90% CI lower"], abs=2e-3),
        pytest.approx(x["90% CI upper"], abs=2e-3),
    )
    assert same
    # The larger of the two tail probabilities is the published p of 0.004.
    assert max((drawn > bound).mean(), (drawn < -bound).mean()) == pytest.approx(
        x["p upper (the larger: TOST p)"], abs=3e-4
    )


def test_what_is_merely_not_told_apart_is_not_alike():
    # The pingouin documentation, function tost: p 0.965 with a bound of 1 (see the reference file).
    a, b = np.array([4, 7, 8, 6, 3, 2.0]), np.array([6, 8, 7, 10, 11, 9.0])
    x = table("equivalence_tost").set_index("quantity")["recomputed"].astype(float)
    error = np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 6)
    drawn = _drawn(a.mean() - b.mean(), error, 10)
    want = next(v for k, v in x.items() if k.startswith("a=[4,7,8,6,3,2]"))
    assert max((drawn > 1).mean(), (drawn < -1).mean()) == pytest.approx(want, abs=1e-3)
    assert not _alike(drawn, 1.0)[2]


def test_a_third_published_pair_is_alike_within_one_unit():
    # R datasets::PlantGrowth, ctrl against trt1, Welch (see the reference file): both p below 0.05.
    x = table("equivalence_tost").set_index("quantity")["recomputed"].astype(float)
    low, high = x["PlantGrowth 90% CI lower"], x["PlantGrowth 90% CI upper"]
    df = x["PlantGrowth Welch df"]
    error = (high - low) / 2 / stats.t.ppf(0.95, df)
    drawn = _drawn((low + high) / 2, error, df)
    assert _alike(drawn, 1.0)[2]
    assert not _alike(drawn, 0.9)[2]
    assert (drawn > 1).mean() == pytest.approx(
        x["PlantGrowth ctrl - trt1, Welch, bounds +-1: p upper"], abs=1e-3
    )
