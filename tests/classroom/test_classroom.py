"""The class exercise: scored on the truth by full enumeration, what is hidden stays hidden, and a budget is kept."""

from __future__ import annotations

import itertools
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import brier_score_loss

import finishlab as fl
from finishlab.classroom.class_score import ClassScore
from finishlab.figures.frame import blank, save

#: A shop of kind 3 whose seed is not to be met by chance in any number of a page.
SEED, KIND = 73914, 3


def exercise(**more: Any) -> fl.ClassExercise:
    return fl.ClassExercise(**{"students": 4, "seed": SEED, "kind": KIND, "trials": 12, **more})


def every_process() -> pd.DataFrame:
    """Every process of the bench's study, written out here and not taken from the study's own enumeration."""
    rows = itertools.product(
        ["P1500", "P2000", "P3000"],
        ["wool", "microfibre", "foam"],
        ["compound A", "compound B"],
        range(1, 9),
        range(7),
    )
    return pd.DataFrame(rows, columns=["sand_grit", "cut_pad", "cut_product", "cut_passes", "polish_passes"])


@pytest.fixture(scope="module")
def truth() -> pd.DataFrame:
    """Every process with what is true of it."""
    bench, table = fl.PracticeBench(kind=KIND, seed=SEED), every_process()
    return table.assign(p=bench.true_probability(table), minutes=bench.true_minutes(table))


@pytest.fixture(scope="module")
def shortest(truth: pd.DataFrame) -> pd.Series:
    return truth[truth["p"] >= 0.9].sort_values("minutes").iloc[0]


def settings(row: pd.Series) -> dict[str, Any]:
    return {name: row[name] for name in every_process().columns}


def one_reading(lesson: fl.ClassExercise, truth: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
    """Let student 2 work two trials about the goal; return the log and what is true of the one that read well."""
    near = truth[(truth["p"] > 0.4) & (truth["p"] < 0.7)].sort_values("minutes").head(2)
    log = lesson.work(2, near.assign(panel=["A", "B"]))
    met = log["gloss_20"] >= lesson.study.goal["gloss_20"].at_least
    assert met.any()
    return log, truth.loc[log[met].index[0]]


@pytest.fixture(scope="module")
def scored(truth: pd.DataFrame, shortest: pd.Series) -> tuple[fl.ClassExercise, ClassScore]:
    """Student 1 copies the truly best, 2 trusts one reading, 3 takes today's process, 4 says nothing."""
    lesson = exercise()
    lesson.recommend(1, settings(shortest), assurance=0.92)
    _, found = one_reading(lesson, truth)
    lesson.recommend(2, settings(found), assurance=0.99)
    lesson.recommend(3, lesson.study.today, assurance=0.5)
    return lesson, lesson.score()


# --- the score ---------------------------------------------------------------------------------


def test_everybody_is_scored_on_the_truth_of_the_whole_enumeration(
    scored: tuple[fl.ClassExercise, ClassScore], truth: pd.DataFrame, shortest: pd.Series
) -> None:
    _, score = scored
    assert score.best["minutes"] == pytest.approx(shortest["minutes"])
    assert score.best["assurance"] == pytest.approx(shortest["p"])
    first, _, third, fourth = score.table().to_dict("records")[:4]
    # Who copies the truly best process has the fewest minutes there are.
    assert first["times_shortest"] == pytest.approx(1.0)
    assert (first["kept"], first["trials"]) == (True, 0)
    assert first["said_minus_true"] == pytest.approx(0.92 - shortest["p"])
    today = fl.PracticeBench(kind=KIND, seed=SEED).study.today
    varied = pd.Series({name: today[name] for name in every_process().columns})
    (row,) = truth[(truth[list(varied.index)] == varied).all(axis=1)].to_dict("records")
    assert third["true_probability"] == pytest.approx(row["p"])
    assert third["times_shortest"] == pytest.approx(row["minutes"] / shortest["minutes"])
    assert (fourth["note"], fourth["kept"]) == ("no recommendation", False)
    assert np.isnan(fourth["true_probability"])


def test_one_reading_that_met_the_goal_is_no_promise_kept(
    scored: tuple[fl.ClassExercise, ClassScore],
) -> None:
    lesson, score = scored
    row = score.table().iloc[1]
    assert row["trials"] == 2
    assert row["bench_minutes"] == pytest.approx(lesson.log(2)["minutes"].sum())
    assert not row["kept"]
    assert row["said_minus_true"] > 0.25


def test_beside_the_class_stand_two_ways_on_the_same_budget(
    scored: tuple[fl.ClassExercise, ClassScore],
) -> None:
    ours, theirs = scored[1].table().tail(2).to_dict("records")
    assert (ours["who"], theirs["who"]) == ("finishlab", "textbook's quadratic, point prediction")
    assert ours["trials"] == theirs["trials"] == 12
    # The same steps one by one, on the panels of nobody in the class.
    bench = fl.PracticeBench(kind=KIND, seed=SEED)
    sheet = fl.plan_trials(bench.study, trials=12, panels=4, seed=SEED)
    recipe = fl.shortest(fl.fit(bench.study, bench.work(sheet, seed=100 * SEED)))
    process = pd.DataFrame([recipe.settings])
    assert ours["said_probability"] == pytest.approx(recipe.assurance)
    assert ours["true_probability"] == pytest.approx(bench.true_probability(process).iloc[0])
    assert ours["times_shortest"] == pytest.approx(
        bench.true_minutes(process).iloc[0] / bench.best()["minutes"]
    )
    assert theirs["true_probability"] < 0.5
    assert np.isnan(theirs["said_probability"])  # a point prediction says none


def test_a_budget_with_room_for_rounds_is_followed_up_and_one_too_small_answers_nothing() -> None:
    small = exercise(students=1, trials=2)
    small.recommend(1, small.study.today, assurance=0.5)
    rows = small.score().table().tail(2)
    assert rows["true_probability"].isna().all()
    assert (rows["note"] != "").all()
    assert "no answer (" in small.score().text()
    more = exercise(students=1, trials=17)
    more.recommend(1, more.study.today, assurance=0.5)
    assert more.score().table()["trials"].tolist() == [0, 17, 17]


def test_the_sentences_count_the_class_and_name_the_shop(
    scored: tuple[fl.ClassExercise, ClassScore],
) -> None:
    text = scored[1].text()
    assert text.startswith("The shop: kind 3, gloss itself climbs to a plateau")
    kept = int(scored[1].table()["kept"].head(4).sum())
    assert f"{kept} of 4 students recommended one that keeps it" in text
    assert "On average they said 80 %" in text  # (0.92 + 0.99 + 0.5) / 3
    assert "One shop is one case" in text
    other = exercise(students=1, kind=8, trials=2)
    other.recommend(1, other.study.today, assurance=0.9)
    assert "kind 8, as 3, and pads wear" in other.score().text()
    assert "(3: gloss itself climbs" in other.score().text()


def test_how_far_words_are_off_is_what_they_cost_in_briers_score_beyond_luck(
    scored: tuple[fl.ClassExercise, ClassScore],
) -> None:
    # Brier (1950); scikit-learn's score of simulated jobs. 200,000 jobs: three standard errors are below 0.003.
    rows = scored[1].table().head(3)
    said, true = rows["said_probability"].to_numpy(float), rows["true_probability"].to_numpy(float)
    jobs = np.random.default_rng(5).random((200_000, 3)) < true
    brier = np.mean([brier_score_loss(jobs[:, k], np.full(len(jobs), said[k])) for k in range(3)])
    assert brier - np.mean(true * (1 - true)) == pytest.approx(scored[1].off ** 2, abs=0.003)


def test_the_result_has_the_five_handles_and_is_plain_python(
    scored: tuple[fl.ClassExercise, ClassScore],
) -> None:
    kept = json.loads(json.dumps(scored[1].to_dict()))
    assert (kept["kind"], kept["seed"], kept["budget"]) == (KIND, SEED, 12)
    assert kept["rows"][3]["true_probability"] is None
    assert "<table" in scored[1]._repr_html_()


def test_the_figure_has_a_row_for_everybody(
    scored: tuple[fl.ClassExercise, ClassScore], tmp_path: Path
) -> None:
    ax = scored[1].plot(ax=blank(7, 4))
    assert [t.get_text() for t in ax.get_yticklabels()] == [
        *(f"student {k}" for k in (1, 2, 3, 4)),
        "finishlab",
        "textbook's quadratic,\npoint prediction",
    ]
    true = scored[1].table()["true_probability"].dropna().to_numpy() * 100
    drawn = np.concatenate([line.get_xdata() for line in ax.lines if "the truth" in str(line.get_label())])
    drawn = drawn[np.isfinite(drawn)]
    np.testing.assert_allclose(np.sort(drawn), np.sort(true))
    assert save(ax, tmp_path / "class.png").stat().st_size > 10_000


# --- what is hidden ------------------------------------------------------------------------------


def test_nothing_tells_the_truth_before_the_score(truth: pd.DataFrame) -> None:
    lesson = exercise()
    log, _ = one_reading(lesson, truth)
    lesson.recommend(2, lesson.study.today, assurance=0.9)
    public = {name: getattr(lesson, name) for name in dir(lesson) if not name.startswith("_")}
    attributes = {name: value for name, value in public.items() if not callable(value)}
    assert set(attributes) == {"study", "students", "trials", "scored"}
    shown = [
        repr(lesson),
        lesson.text(),
        json.dumps(lesson.to_dict()),
        repr(vars(lesson.study)),
        lesson.study.source,
        log.to_csv(),
        str(log.attrs),
    ]
    for text in shown:
        assert str(SEED) not in text
        assert "kind" not in re.sub(r"kind='(choice|ordered|graded|count|number)'", "", text)
    assert set(log.columns) == set(fl.PracticeBench(kind=KIND, seed=SEED).work(_today()).columns)


def _today() -> pd.DataFrame:
    return pd.DataFrame([fl.PracticeBench(kind=KIND, seed=SEED).study.today]).assign(panel="A")


def test_a_score_that_nobody_is_ready_for_tells_nothing() -> None:
    lesson = exercise()
    with pytest.raises(fl.PlanError, match="nobody has recommended a process yet"):
        lesson.score()
    assert not lesson.scored


def test_after_the_score_nothing_is_worked_or_recommended(
    scored: tuple[fl.ClassExercise, ClassScore],
) -> None:
    lesson, score = scored
    assert lesson.score() is score
    with pytest.raises(fl.PlanError, match="its truth is out"):
        lesson.work(4, _today())
    with pytest.raises(fl.RecordsError, match="its truth is out"):
        lesson.recommend(4, score.best["settings"], assurance=0.95)
    assert len(lesson.log(4)) == 0
    assert repr(lesson).endswith("scored>")


# --- the work ------------------------------------------------------------------------------------


def test_everybody_works_the_same_shop_with_luck_of_their_own() -> None:
    lesson, again = exercise(students=60), exercise(students=60)
    sheet = pd.concat([_today()] * 2, ignore_index=True)
    logs = [lesson.work(k, sheet)["gloss_20"].mean() for k in range(1, 61)]
    assert len(set(logs)) > 50
    assert again.work(7, sheet)["gloss_20"].mean() == logs[6]
    # Panels and patches differ about one and the same process of one and the same shop.
    typical = fl.PracticeBench(kind=KIND, seed=SEED).true_levels(_today())["gloss_20"].iloc[0]
    assert np.mean(logs) == pytest.approx(typical, abs=4 * np.std(logs) / np.sqrt(60))


def test_a_plan_beyond_the_budget_is_refused_whole() -> None:
    lesson = exercise()
    lesson.work(3, fl.plan_trials(lesson.study, trials=10, panels=2, seed=1))
    said = "student 3 has 2 of 12 trials left, and this plan has 3. Nothing was worked."
    with pytest.raises(fl.PlanError, match=re.escape(said)):
        lesson.work(3, pd.concat([_today()] * 3))
    assert len(lesson.log(3)) == 10
    lesson.work(3, pd.concat([_today()] * 2, ignore_index=True))
    assert lesson.log(3)["trial"].tolist() == list(range(1, 13))
    assert lesson.log(3)["run_order"].is_unique


def test_a_patch_is_worked_once_and_a_panel_has_an_end() -> None:
    lesson = exercise(trials=24)
    lesson.work(1, _today().assign(patch=1))
    with pytest.raises(fl.PlanError, match="patch 1 of panel A was worked before"):
        lesson.work(1, _today().assign(patch=1))
    lesson.work(1, pd.concat([_today()] * 7))
    assert lesson.log(1)["patch"].tolist() == list(range(1, 9))
    with pytest.raises(fl.PlanError, match="panel A would have 9 trials; 8 fit on one"):
        lesson.work(1, _today())
    with pytest.raises(fl.OutsideStudy, match="cut_pad is 'marble'"):
        lesson.work(1, _today().assign(cut_pad="marble"))
    with pytest.raises(fl.RecordsError, match="column 'panel' is missing"):
        lesson.work(1, _today().drop(columns="panel"))
    assert len(lesson.log(1)) == 8


def test_what_was_read_can_be_fitted_and_followed_up() -> None:
    lesson = exercise(trials=16)
    sheet = fl.plan_trials(lesson.study, trials=12, panels=3, seed=1)
    lesson.work(1, sheet)
    more = fl.follow_up(fl.fit(lesson.study, lesson.log(1)), trials=4, seed=1)
    lesson.work(1, more)
    recipe = fl.shortest(fl.fit(lesson.study, lesson.log(1)))
    assert recipe.evidence.trials == 16


def test_every_mistake_of_a_table_of_recommendations_is_said_and_none_of_it_taken() -> None:
    lesson = exercise()
    good = {**lesson.study.today, "assurance": 0.9}
    table = pd.DataFrame(
        [
            {"student": 1.0, **good},
            {"student": 9, **good},
            {"student": 2, **good, "cut_passes": 12},
            {"student": 3, **good, "assurance": 90},
            {"student": 4, **good, "assurance": None},
            {"student": 1, **good},
        ]
    )
    with pytest.raises(fl.RecordsError) as error:
        lesson.recommend_all(table)
    for told, said in zip(
        error.value.mistakes,
        (
            "student is 9.0; students are the numbers 1 to 4.",
            "row student 2: cut_passes is 12",
            "assurance is 90",
            "assurance is nan",
            "student 1 is there twice.",
        ),
        strict=True,
    ):
        assert told.startswith(said)
    assert "0 have recommended" in repr(lesson)
    lesson.recommend_all(table.head(1))
    assert "1 has recommended" in repr(lesson)
    with pytest.raises(fl.RecordsError, match="assurance is nan"):
        lesson.recommend(2, lesson.study.today, assurance=None)  # type: ignore[arg-type]
    with pytest.raises(fl.RecordsError, match="column 'assurance' is missing"):
        lesson.recommend_all(table.drop(columns="assurance"))


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"students": 0}, "students is 0; give a whole number, 1 or more."),
        ({"trials": 2.5}, "trials is 2.5; give a whole number, 1 or more."),
        ({"seed": -1}, "seed is -1; give a whole number, 0 or more."),
        ({"seed": "x", "kind": None}, "seed is 'x'; give a whole number, 0 or more."),
    ],
)
def test_an_exercise_that_cannot_be_made_is_refused(wrong: dict[str, Any], said: str) -> None:
    with pytest.raises(fl.PlanError, match=re.escape(said)):
        exercise(**wrong)


def test_a_kind_is_drawn_by_the_seed_where_none_is_asked_for() -> None:
    kinds = [exercise(seed=s, kind=None, students=1)._bench.kind for s in range(20)]
    assert set(kinds) <= set(fl.PracticeBench.KINDS)
    # Twenty draws of fourteen: fewer than seven different ones come up once in a thousand times or less.
    assert len(set(kinds)) >= 7
    assert exercise(seed=3, kind=None)._bench.kind == kinds[3]


# --- over two days ---------------------------------------------------------------------------------


def test_a_lesson_goes_on_the_next_day_where_it_stopped() -> None:
    lesson = exercise()
    lesson.work(1, fl.plan_trials(lesson.study, trials=8, panels=2, seed=1))
    lesson.work(2, _today())
    lesson.recommend(1, lesson.study.today, assurance=0.8)
    kept = json.loads(json.dumps(lesson.to_dict()))
    again = fl.ClassExercise.from_dict(kept, seed=SEED, kind=KIND)
    assert again.to_dict() == lesson.to_dict()
    for part in (lesson, again):
        part.work(1, _today().assign(panel="new"))
    pd.testing.assert_frame_equal(again.log(1), lesson.log(1))
    pd.testing.assert_frame_equal(again.score().table(), lesson.score().table())
    closed = fl.ClassExercise.from_dict(lesson.to_dict(), seed=SEED, kind=KIND)
    with pytest.raises(fl.PlanError, match="its truth is out"):
        closed.work(2, _today())
    assert closed.score().text() == lesson.score().text()


def test_another_seed_or_another_file_is_refused() -> None:
    lesson = exercise()
    lesson.work(1, _today())
    with pytest.raises(fl.RecordsError, match="not those of this seed and kind"):
        fl.ClassExercise.from_dict(lesson.to_dict(), seed=SEED + 1, kind=KIND)
    with pytest.raises(fl.RecordsError, match="no class exercise of this finishlab"):
        fl.ClassExercise.from_dict({"trials": []}, seed=SEED)


def test_without_a_seed_every_exercise_is_a_shop_of_its_own():
    first, second = fl.ClassExercise(students=1), fl.ClassExercise(students=1)
    assert first.instructor_seed() != second.instructor_seed()
    again = fl.ClassExercise.from_dict(first.to_dict(), seed=first.instructor_seed())
    assert again.text() == first.text()
