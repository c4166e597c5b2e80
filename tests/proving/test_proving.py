"""The proving ground: it scores by the truth, resumes, and shows a wrong way for what it is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from finishlab import PracticeBench
from finishlab.errors import PlanError
from finishlab.figures.frame import blank
from finishlab.proving import bench_path, proving_ground
from finishlab.proving.textbook_rivals import RIVALS, gaussian_process, quadratic, recommended

ALL = list(proving_ground.SCENARIOS)


@pytest.fixture(scope="module")
def proved() -> proving_ground.Proving:
    """Two benches of every scenario, three ways."""
    return proving_ground.prove(
        benches=2, ways=[proving_ground.OURS, "quadratic, point prediction", "quadratic, predictive bound"]
    )


def test_every_kind_of_bench_is_worked_and_at_least_half_know_no_formula_of_ours() -> None:
    assert {k for s in proving_ground.SCENARIOS.values() for k in s.kinds} == set(PracticeBench.KINDS)
    # The step model's curve holds exponential decay, power laws and S-shapes; their kinds are these.
    near = {1, 2, 6, 7, 12, 14}
    assert len(set(PracticeBench.KINDS) - near) >= len(PracticeBench.KINDS) / 2


def test_the_promise_is_kept_where_a_wrong_model_visibly_fails(proved: proving_ground.Proving) -> None:
    table = proved.table().set_index(["way", "scenario"])
    ours = table.loc[(proving_ground.OURS, "all")]
    wrong = table.loc[("quadratic, point prediction", "all")]
    # 30 benches: a mean true probability of 0.9 with SD 0.1 has a standard error of 0.02.
    assert ours["kept"] > 0.84
    assert ours["answered"] > 0.8
    assert 1.0 - 1e-9 <= ours["minutes"] < 1.15
    assert wrong["kept"] < 0.5 < ours["kept"]
    assert (table["failed"] == 0).all()


def test_recommendations_are_scored_by_the_bench_that_was_worked() -> None:
    task = proving_ground.Task("plateau", 4, "24", 0.9)
    plan = bench_path.plan(12, 4)
    row = proving_ground.work_bench(task, plan, [proving_ground.OURS]).iloc[0]
    bench = PracticeBench(kind=3, seed=4)
    best = bench.best()
    assert row["trials"] == 24
    assert 0 <= row["true"] <= 1
    # Nothing that keeps the promise is quicker than the best.
    assert row["true"] < 0.9 or row["ratio"] >= 1 - 1e-9
    assert best["found"]


def test_readings_after_each_step_are_left_out_where_the_design_says_so() -> None:
    bench = PracticeBench(kind=1, seed=1)
    sheet = pd.DataFrame([bench.study.today]).assign(panel="1")
    every, final = (bench_path.logged(bench, sheet, proving_ground.DESIGNS[d], 1) for d in ("24", "40"))
    assert "sand_gloss_60" in every.columns
    assert not [c for c in final.columns if c.startswith(("sand_gloss", "cut_gloss"))]
    assert "gloss_20" in final.columns


def test_an_interrupted_run_goes_on_where_it_stopped(tmp_path: Path) -> None:
    rows = tmp_path / "rows.csv"
    asked = {"ways": [proving_ground.OURS], "jobs": 1, "rows": rows}
    first = proving_ground.prove(["exponential"], benches=1, **asked)
    written = rows.read_text()
    again = proving_ground.prove(["exponential"], benches=1, **asked)
    assert rows.read_text() == written
    both = proving_ground.prove(["exponential"], benches=2, **asked)
    assert rows.read_text().startswith(written)
    assert both.rows["seed"].tolist() == [1, 2]
    columns = ["scenario", "seed", "true", "ratio", "answered"]
    pd.testing.assert_frame_equal(first.rows[columns], again.rows[columns], check_dtype=False)


def test_an_error_is_a_row_of_its_own_and_counts_as_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise PlanError("nothing works today.")

    monkeypatch.setattr(bench_path, "shortest", broken)
    row = proving_ground.work_bench(
        proving_ground.Task("exponential", 1, "24", 0.9), bench_path.plan(12, 1), [proving_ground.OURS]
    )
    assert row["error"].tolist() == ["PlanError: nothing works today."]
    assert not row["answered"].any()
    assert proving_ground.Proving(row).table()["failed"].tolist() == [1, 1]


def test_the_figure_has_a_line_for_each_scenario_and_says_the_share(proved: proving_ground.Proving) -> None:
    ax = proved.plot(ax=blank(7, 6))
    assert [t.get_text() for t in ax.get_yticklabels()] == [*ALL, "all"]
    assert "finishlab keeps it in" in ax.get_title(loc="left")
    assert "readings after each step, 90 % asked: over 30 practice benches" in proved.text()


def test_the_command_prints_the_table_and_says_what_it_does_not_know(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rows = tmp_path / "rows.csv"
    line = ["--benches", "1", "--scenarios", "plateau", "--jobs", "1", "--rows", str(rows), "--ours-only"]
    assert proving_ground.main(line) == 0
    printed = capsys.readouterr().out
    assert "12 planned + 3 rounds of 4, readings after each step; assurance 0.9" in printed
    assert proving_ground.main(["--scenarios", "marble", "--benches", "0"]) == 2
    said = capsys.readouterr().err
    assert "'marble' is not a scenario. Known are exponential" in said
    assert "benches is 0; work one of each scenario at least." in said


# The cluster closes its ports while it goes, and the sockets say so at the end.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_cluster_works_the_same_benches_to_the_same_answer(tmp_path: Path) -> None:
    from distributed import LocalCluster

    asked = {"benches": 1, "ways": [proving_ground.OURS]}
    here = proving_ground.prove(["exponential"], jobs=1, **asked)
    with (
        LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None) as cluster,
        proving_ground.on_cluster(cluster.scheduler_address),
    ):
        there = proving_ground.prove(["exponential"], **asked)
    columns = ["scenario", "seed", "true", "ratio", "answered"]
    pd.testing.assert_frame_equal(here.rows[columns], there.rows[columns])


def test_a_cluster_that_does_not_answer_is_said_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert proving_ground.main(["--cluster", "nowhere", "--benches", "1"]) == 2
    assert "No cluster answers at nowhere." in capsys.readouterr().err


# --- the rivals against a library's own answer --------------------------------------------------


def test_the_quadratic_is_ordinary_least_squares_with_its_prediction_spread(bench: PracticeBench) -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    grid = np.concatenate(list(bench.study.basis.chunks()))
    x, new = grid[rng.choice(len(grid), 60, replace=False)], grid[:5]
    y = rng.normal(80, 3, 60)
    mean, sd, df = quadratic(bench.study, x, y, new)
    design = [np.hstack([np.ones((len(v), 1)), bench.study.basis.columns(v)[0]]) for v in (x, new)]
    theirs = sm.OLS(y, design[0]).fit()
    frame = theirs.get_prediction(design[1]).summary_frame()
    np.testing.assert_allclose(mean, frame["mean"], rtol=1e-8)
    assert df == theirs.df_resid
    np.testing.assert_allclose(sd, np.sqrt(frame["mean_se"] ** 2 + theirs.scale), rtol=1e-8)


def test_the_gaussian_process_comes_near_what_it_was_shown(bench: PracticeBench) -> None:
    grid = np.concatenate(list(bench.study.basis.chunks()))
    x = grid[np.random.default_rng(2).choice(len(grid), 60, replace=False)]
    y = bench.true_levels(bench.study.basis.frame(x))["gloss_20"].to_numpy()
    mean, sd, _ = gaussian_process(bench.study, x, y, x)
    assert np.sqrt(np.mean((mean - y) ** 2)) < 0.2 * y.std()
    assert (sd > 0).all()


def test_a_goal_that_nothing_reaches_gets_no_process_from_any_rival(bench: PracticeBench) -> None:
    trials = bench.work(bench_path.plan(12, 1), seed=1)
    minutes = np.arange(len(np.concatenate(list(bench.study.basis.chunks()))), dtype=float)
    goal, _ = bench.study.asked({"gloss_20": {"at_least": 150}})
    for way in RIVALS:
        assert recommended(way, bench.study, trials, minutes, goal, 0.9) is None
