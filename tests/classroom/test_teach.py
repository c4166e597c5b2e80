"""Step counts: what each pass adds, when the next job needs it, and when two counts are alike."""

import numpy as np
import pandas as pd
import pytest
from published import table
from scipy import stats

import finishlab as fl
from finishlab.classroom.step_counts import _alike
from finishlab.errors import ModelError
from finishlab.figures.frame import blank


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


def test_a_pass_is_worth_it_by_the_chance_that_the_next_job_meets_the_goal(model):
    # `FinishModel.probability`, which a recipe's assurance is, asked here count by count; whatever mean difference matters.
    held = {"sand_grit": "P3000", "cut_pad": "foam", "cut_product": "compound B", "cut_passes": 2}
    plans = pd.DataFrame([held] * 7).assign(polish_passes=range(7))
    chance = model.probability(plans).to_numpy()
    for smallest in (0.1, 1.0, 50.0):
        found = fl.step_counts(model, "polish_passes", smallest=smallest, at=held)
        np.testing.assert_allclose(found.table()["next_job"], chance, atol=1e-9)
        assert found.worth == float(np.argmax(chance >= model.study.assurance))
    # The pass that the shop was told to leave out: its mean gain is small for sure, and the promise turns on it.
    row = fl.step_counts(model, "polish_passes", at=held).table().set_index("polish_passes").loc[5]
    assert row["gain_high"] < 1.0
    assert row["next_job_gain"] > 0.3
    assert not row["alike"]


@pytest.mark.parametrize("assurance", [0.6, 0.9])
@pytest.mark.parametrize("job", ["", "[job]\nsections = 4\n"])
def test_step_counts_never_contradict_the_recipe(bench, trials, model, assurance, job):
    source = bench.study.source.replace("assurance = 0.9", f"assurance = {assurance}")
    assert f"assurance = {assurance}" in source
    here = fl.fit(fl.Study.from_toml(f"{source}\n{job}"), trials)
    recipe = fl.shortest(here)
    assert recipe.found
    for factor in ("cut_passes", "polish_passes"):
        count = recipe.settings[factor]
        ladder = fl.step_counts(here, factor, at={k: v for k, v in recipe.settings.items() if k != factor})
        rows = ladder.table().set_index(factor)
        assert rows["next_job"][count] == pytest.approx(recipe.assurance, abs=1e-9)
        if count - 1 not in rows.index:
            continue
        one_fewer = here.probability(pd.DataFrame([{**recipe.settings, factor: count - 1}])).iloc[0]
        assert one_fewer < assurance  # it is the shortest
        assert ladder.worth == count
        assert ladder.enough.startswith(f"{count:g} ")
        if recipe.assurance - one_fewer >= 0.02:
            assert not rows["alike"][count]


def test_no_count_that_is_enough_is_said_with_the_best(model):
    held = {"sand_grit": "P1500", "cut_pad": "wool", "cut_product": "compound A", "polish_passes": 4}
    found = fl.step_counts(model, "cut_passes", at=held)
    best = found.table()["next_job"].max()
    assert best < model.study.assurance
    assert found.enough.startswith(
        "No number of cut passes is enough here: at best the next job meets the goal with"
    )
    hopeless = fl.step_counts(model, "polish_passes", at={**held, "cut_passes": 1})
    assert hopeless.worth == 0
    assert "with under 1 % assurance (90 % asked)." in hopeless.enough


def test_a_count_that_breaks_a_limit_is_not_enough(bench, trials):
    free = fl.fit(bench.study, trials)
    held = {"sand_grit": "P3000", "cut_pad": "foam", "cut_product": "compound B", "cut_passes": 2}
    basis = bench.study.basis
    removed = free.removal.mean(np.vstack([basis.row({**held, "polish_passes": n}) for n in (2, 3)]))
    limit = f'\n[limit]\nremoved_um = {{ at_most = {removed.max():.2f}, set_by = "the lead, 2 March", assurance = 0.5 }}\n'
    found = fl.step_counts(
        fl.fit(fl.Study.from_toml(bench.study.source + limit), trials), "polish_passes", at=held
    )
    rows = found.table()
    assert rows["keeps_limits"].any()
    assert not rows["keeps_limits"].all()
    assert rows.set_index("polish_passes")["keeps_limits"][found.worth]
    assert "A limit is not kept surely enough with " in found.text()


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
    rows = ladder.table().set_index("cut_passes")
    assert ladder.text().startswith(ladder.enough)
    assert f"{ladder.worth:g}" in ladder.enough
    # A pass is named by its number, with what it does to the mean and to the chance.
    size = rows["gain"][ladder.worth]
    assert (
        f"Cut pass {ladder.worth:g} adds {size:.1f} GU to the mean 20° gloss and takes the chance of the next job"
        in ladder.text()
    )
    assert "further one" not in ladder.text()
    ax = ladder.plot(ax=blank(7, 4))
    assert ax.get_title(loc="left").replace("\n", " ") == ladder.enough
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
