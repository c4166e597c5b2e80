"""Later jobs: charts and rules of a handbook, exact shares, and what to do about them."""

import numpy as np
import pandas as pd
import pytest
from published import table
from scipy import stats

import finishlab as fl
from finishlab._figures import blank
from finishlab.errors import RecordsError
from finishlab.model.exact import exact_share
from finishlab.monitor import Chart, capability, individuals, run_signals


@pytest.fixture(scope="module")
def recipe(model):
    return fl.shortest(model, goal={"gloss_20": {"at_least": 76}})


def jobs(values, **columns):
    return pd.DataFrame({"gloss_20": values, **columns})


# --- against the published ----------------------------------------------------------------------------


def test_the_individuals_chart_is_the_handbooks():
    # NIST/SEMATECH e-Handbook, 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 45.8159 and 55.8041.
    chart = individuals(table("chart_individuals_flowrate")["flowrate"].to_numpy(float))
    figures = table("chart_individuals_flowrate_expected").set_index("quantity")["recomputed"].astype(float)
    assert chart.centre == pytest.approx(figures["mean"])
    assert chart.high == pytest.approx(figures["UCL = mean + 3 MRbar/1.128"], abs=1e-9)
    assert chart.low == pytest.approx(figures["LCL = mean - 3 MRbar/1.128"], abs=1e-9)
    assert chart.most_range == pytest.approx(figures["moving-range UCL = 3.267 MRbar"], abs=1e-3)


def test_the_interval_of_a_capability_is_the_textbooks():
    # Montgomery's Cp of 2.29 with the upper limit 3.01 (from memory), recomputed in the reference file.
    figures = table("capability_cp_interval").set_index("quantity")["recomputed"].astype(float)
    z = np.linspace(-1, 1, 20)
    got = capability(50 + 1.75 * z / z.std(ddof=1), low=38, high=62)
    want = [figures[k] for k in ("Cp", "Cp 95% lower", "Cp 95% upper")]
    np.testing.assert_allclose(got, want, rtol=1e-9)


@pytest.mark.parametrize(("met", "of"), [(0, 5), (3, 12), (12, 12), (18, 20)])
def test_an_exact_share_is_scipys(met, of):
    ends = stats.binomtest(met, of).proportion_ci(0.95, method="exact")
    np.testing.assert_allclose(exact_share(met, of, 0.95), ends, atol=1e-12)


def test_false_alarms_and_time_to_detection_are_those_of_the_rules():
    # All four rules together give an alarm about once in 92 points (Champ & Woodall 1987, Technometrics 29, 393: 91.75;
    # from memory); a shift of one sigma is then seen in about 9 points. Known limits, seed 8, 400 runs.
    rng = np.random.default_rng(8)

    def run_length(shift):
        lengths = []
        for _ in range(400):
            values = shift + rng.standard_normal(400)
            found = run_signals(values[:60], Chart(0.0, 1.0)) or run_signals(values, Chart(0.0, 1.0))
            lengths.append(found[0][0] + 1 if found else 400)
        return np.mean(lengths)

    assert run_length(0.0) == pytest.approx(92, rel=0.15)
    assert run_length(1.0) == pytest.approx(9.2, rel=0.15)


def test_each_rule_of_the_handbook_is_found_where_it_completes():
    chart = Chart(0.0, 1.0)
    for values, at, rule in (
        ([0, 0.2, -3.1], 2, "beyond three sigma"),
        ([0, 2.1, 0.1, 2.2], 3, "two of three beyond two sigma"),
        ([1.1, 1.2, 0.3, 1.3, 1.4], 4, "four of five beyond one sigma"),
        ([-0.1] * 8, 7, "eight in a row on one side"),
    ):
        assert run_signals(np.array(values, float), chart) == [(at, rule)]


# --- what is said, and what to do ---------------------------------------------------------------------


def test_steady_jobs_go_on_and_few_of_them_are_called_few(recipe):
    steady = 78.5 + np.array([0.1, -0.2, 0.3, -0.1, 0.2, -0.3, 0.0, 0.1, -0.2, 0.2, -0.1, 0.1])
    watch = fl.watch_jobs(recipe, jobs(steady))
    assert (watch.verdict, watch.met, watch.counted) == ("continue", 12, 12)
    assert "So few jobs cannot tell 90 % from 73 %." in watch.text()
    assert watch.low < 78.5 < watch.high


def test_one_odd_job_asks_for_a_look_and_is_named(recipe):
    values = np.r_[78.5 + 0.1 * np.cos(np.arange(20)), 75.0]
    watch = fl.watch_jobs(recipe, jobs(values, job=[f"door {k}" for k in range(21)]))
    assert watch.verdict == "look"
    assert "Job door 20 (beyond three sigma) stands out" in watch.text()


def test_too_few_that_meet_the_goal_ask_for_a_new_study(recipe):
    rng = np.random.default_rng(2)
    watch = fl.watch_jobs(recipe, jobs(75.5 + 0.6 * rng.standard_normal(40)))
    assert watch.met_high < 0.9
    assert watch.verdict == "study again"
    assert "Fewer jobs meet the goal than 90 %" in watch.text()


def test_a_change_since_the_study_asks_for_a_new_one(recipe):
    watch = fl.watch_jobs(recipe, jobs([78.5, 78.4]), changes=[("2026-03-02", "new drum of compound")])
    assert watch.verdict == "study again"
    assert "new drum of compound since 2026-03-02" in watch.text()


def test_where_every_section_counts_the_worst_decides(recipe):
    watch = fl.watch_jobs(recipe, jobs([78.5, 78.4], worst_gloss_20=[77.0, 75.0]))
    assert (watch.met, watch.counted) == (1, 2)


def test_film_beyond_its_limit_is_said_with_who_set_it(bench, trials):
    limit = '\n[limit]\nremoved_um = { at_most = 12, set_by = "the lead, 2 March", assurance = 0.9 }\n'
    model = fl.fit(fl.Study.from_toml(bench.study.source + limit), trials)
    recipe = fl.shortest(model, goal={"gloss_20": {"at_least": 76}})
    watch = fl.watch_jobs(recipe, jobs([78.5, 78.4], removed_um=[8.0, 13.0]))
    assert watch.verdict == "look"
    assert "1 job broke the limit film removed at most 12 µm, set by the lead, 2 March." in watch.text()


def test_everything_wrong_is_said_at_once(recipe, model):
    with pytest.raises(RecordsError, match=r"gloss_20 holds no number in rows 1\."):
        fl.watch_jobs(recipe, jobs([78.0, "shiny"]))
    with pytest.raises(RecordsError, match="there is no job"):
        fl.watch_jobs(recipe, jobs([]))
    none = fl.shortest(model, goal={"gloss_20": {"at_least": 99}})
    with pytest.raises(RecordsError, match="names no process"):
        fl.watch_jobs(none, jobs([80.0]))


def test_the_figure_shows_jobs_limits_and_what_stands_out(recipe):
    values = np.r_[78.5 + 0.1 * np.cos(np.arange(20)), 75.0]
    ax = fl.watch_jobs(recipe, jobs(values)).plot(ax=blank(7, 4))
    assert ax.get_title(loc="left").startswith("Look: 20 of 21 jobs met the goal")
    labels = {t.get_text() for t in ax.get_legend().get_texts()}
    assert {"met the goal", "missed it", "stands out", "limits of the chart"} <= labels
