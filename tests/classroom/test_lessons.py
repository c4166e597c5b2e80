"""Lessons: each number against something outside, and each figure whole and readable without colour."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import raw_views
from published import table
from scipy import stats

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.figures.frame import blank
from finishlab.practice.invented_shop import _STUDY

mpl.use("agg")

#: Where a figure is shown: in a notebook, and on a slide, where the sentence stands above it.
SIZES = ((7.0, 4.2), (6.2, 2.9))


@pytest.fixture(scope="module")
def lessons(model):
    return {topic: fl.lesson(topic, model) for topic in ("passes", "grits", "wipe", "panels")} | {
        "technicians": fl.lesson("technicians", _two_technicians()[1])
    }


def _two_technicians():
    bench = fl.PracticeBench(kind=9, seed=3)
    sheet = fl.plan_trials(bench.study, trials=24, panels=4, seed=1)
    return bench, fl.fit(bench.study, bench.work(sheet, seed=1))


def _truth(bench, levels, column):
    """What the invented shop truly leaves with today's process and other settings."""
    plans = pd.DataFrame([bench.study.today] * len(levels)).assign(**levels)
    return bench.true_levels(plans)[column].to_numpy()


# --- diminishing passes ------------------------------------------------------------------------------------


def test_what_passes_add_is_what_the_invented_shop_truly_gains(bench, lessons):
    rows = lessons["passes"].table()
    counts = rows["cut_passes"].astype(int).tolist()
    true = np.diff(_truth(bench, pd.DataFrame({"cut_passes": counts}), "gloss_20"))
    low, high = rows["gain_low"][1:].to_numpy(), rows["gain_high"][1:].to_numpy()
    # 90 % intervals of seven gains that share their errors: most hold the truth, to the 0.15 GU that a reading is rounded by.
    assert ((true > low - 0.15) & (true < high + 0.15)).sum() >= 5
    assert rows["gain"].iloc[1] > rows["gain"].iloc[-1]
    first, last = rows["gain"].iloc[[1, -1]]
    assert lessons["passes"].says == (
        f"Cut passes: from 1 to 2 adds {first:.1f} GU of 20° gloss, from 7 to 8 adds {abs(last):.1f} GU."
    )


def test_the_lesson_follows_the_first_count_whatever_it_is_called():
    study = fl.Study.from_toml(
        """
        title = "Bumpers"
        pass_means = "one direction"
        [[step]]
        name = "buff"
        pad = ["wool", "foam"]
        passes = { lowest = 1, highest = 3 }
        [goal]
        gloss_60 = { at_least = 80 }
        assurance = 0.9
        """
    )
    rng = np.random.default_rng(4)
    sheet = fl.plan_trials(study, trials=16, panels=4, seed=1)
    read = 70 + 5 * sheet["buff_passes"] + rng.normal(0, 0.5, len(sheet))
    model = fl.fit(
        study, sheet.assign(gloss_60=read.round(1), minutes=2.0 + sheet["buff_passes"], status="done")
    )
    assert fl.lesson("passes", model).says.startswith("Buff passes: from 1 to 2 adds ")
    with pytest.raises(ModelError, match="no step varies its grit"):
        fl.lesson("grits", model)
    with pytest.raises(ModelError, match="do not tell technicians apart"):
        fl.lesson("technicians", model)


def test_less_haze_is_taken_off_and_more_costs_nobody_a_gain(bench, trials):
    text = _STUDY.format(kind=1, seed=3, target=80)
    study = fl.Study.from_toml(text.replace("gloss_20 = { at_least = 80 }", "haze = { at_most = 30 }"))
    lesson = fl.lesson("passes", fl.fit(study, trials))
    rows = lesson.table()
    assert rows["haze"].iloc[0] > rows["haze"].iloc[1]
    assert lesson.says.startswith(f"Cut passes: from 1 to 2 takes off {rows['gain'].iloc[1]:.1f} of haze")


# --- grits ---------------------------------------------------------------------------------------------------


def test_grain_sizes_are_those_of_the_standard(lessons):
    # FEPA 43-2 / ISO 6344-3, median grain sizes (see the reference file).
    published = table("grit_p_series").set_index("grade")["median_um"].astype(float)
    rows = lessons["grits"].table().drop_duplicates("grit").set_index("grit")
    assert rows.index.tolist() == ["P1500", "P2000", "P3000"]
    assert rows["grain_um"].dropna().to_dict() == published[["P1500", "P2000"]].to_dict()
    assert np.isnan(rows.loc["P3000", "grain_um"])
    assert "P3000" in lessons["grits"].cautions[0]


def test_scratches_are_those_of_the_invented_shop_by_the_optics_of_the_formula(bench, lessons):
    # Bennett & Porteus (1961): gloss = ceiling exp(-(4 pi s cos(angle) / lambda)^2), lambda 0.55 micrometres, solved here anew.
    rows = lessons["grits"].table()
    plans = pd.DataFrame(
        {"sand_grit": rows["grit"], "cut_passes": rows["cut_passes"].clip(lower=1).astype(int)}
    )
    sanded, cut = (_truth(bench, plans, f"{step}_gloss_20") for step in ("sand", "cut"))
    gloss = np.where(rows["cut_passes"] == 0, sanded, cut)
    true = np.sqrt(-np.log(gloss / bench._shop.ceiling_20)) * 0.55 / (4 * np.pi * np.cos(np.radians(20)))
    # Six panels' luck moves all of it together by some per cent; the shop's law is not the model's.
    assert np.abs(np.log(rows["roughness_um"] / true)).max() < 0.15
    start = rows["cut_passes"] == 0
    assert (np.diff(rows.loc[start, "roughness_um"]) < 0).all()


def test_the_passes_named_truly_take_the_coarse_scratch_down_to_the_fine_one(bench, lessons):
    lesson = lessons["grits"]
    needed = int(lesson.says.split(": ")[1].split()[0])
    plans = pd.DataFrame({"sand_grit": "P1500", "cut_passes": range(1, 9)})
    coarse = _truth(bench, plans, "cut_gloss_20")
    fine = _truth(bench, pd.DataFrame({"sand_grit": ["P3000"]}), "sand_gloss_20")[0]
    enough = 1 + int(np.argmax(coarse >= fine))
    # Sure in nine of ten: the true count, or one more.
    assert needed in (enough, enough + 1)


def test_what_was_not_read_after_sanding_is_said_to_be_a_guess(bench, trials, lessons):
    unread = trials.drop(columns=[c for c in trials if c.startswith("sand_gloss")])
    said = fl.lesson("grits", fl.fit(bench.study, unread)).cautions
    assert any("mostly a stated guess" in c for c in said)
    assert not any("mostly a stated guess" in c for c in lessons["grits"].cautions)


# --- the wipe ------------------------------------------------------------------------------------------------


def test_an_unwiped_reading_is_lifted_by_more_than_a_pass_is_worth(bench, lessons):
    lesson = lessons["wipe"]
    rows = lesson.table()
    fewer, more = _truth(bench, pd.DataFrame({"polish_passes": [3, 4]}), "gloss_20")
    lift = rows["gloss_20_before"] - rows["gloss_20_after"]
    assert (lift >= 0).all()
    assert lift.mean() > more - fewer > 0
    assert f"{lift.mean():.1f} GU higher; one more pass really brings {more - fewer:.1f} GU" in lesson.says
    wide = rows.pivot_table(index="panel", columns="polish_passes")
    fooled = (wide["gloss_20_before", 3.0] > wide["gloss_20_after", 4.0]).sum()
    assert lesson.note.startswith(f"On {fooled} of 4 panels")
    assert fooled > 0


def test_wiped_readings_are_the_shops_own_whatever_the_seed(bench):
    fewer, more = _truth(bench, pd.DataFrame({"polish_passes": [3, 4]}), "gloss_20")
    wiped = [
        fl.lesson("wipe", seed=s).table().groupby("polish_passes")["gloss_20_after"].mean() for s in range(8)
    ]
    differences = np.array([w[4.0] - w[3.0] for w in wiped])
    # Eight rounds on the same panels, whose luck cancels: four standard errors.
    error = differences.std(ddof=1) / np.sqrt(8)
    assert differences.mean() == pytest.approx(more - fewer, abs=4 * error)
    again = fl.lesson("wipe", seed=3).table()
    pd.testing.assert_frame_equal(again, fl.lesson("wipe", seed=3).table())
    assert not again.equals(fl.lesson("wipe", seed=4).table())


# --- a panel is not ten trials -------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ten_patches_of_one_panel_cover_as_the_t_distribution_says(seed):
    rows = fl.lesson("panels", seed=seed).table()
    m, rho, t = 10, 0.5, stats.t.ppf(0.95, 9)
    # Mean of m patches of one panel: true variance rho + (1 - rho) / m, and (1 - rho) / m is what the patches show. Their ratio
    # of mean to spread is Student's t, stretched; one panel each leaves it as it is.
    shown, true = (1 - rho) / m, rho + (1 - rho) / m
    next_true = true + 1.0  # a patch of another panel
    average = 1 - 2 * stats.t.sf(t * np.sqrt(shown / true), 9)
    following = 1 - 2 * stats.t.sf(t * np.sqrt(shown * (m + 1) / next_true), 9)
    # Ten thousand repeats: four standard errors are 0.02.
    assert rows["holds_average_share"].tolist() == pytest.approx([average, 0.9], abs=0.02)
    assert rows["holds_next_panel_share"].tolist() == pytest.approx([following, 0.9], abs=0.02)
    assert average < 0.45


def test_one_panel_is_worth_what_the_design_effect_says():
    # Kish (1965), Survey Sampling: 1 + (m - 1) rho (from memory); here the variance of a mean itself, simulated apart.
    rows = fl.lesson("panels").table()
    assert rows["design_effect"].tolist() == [1 + 9 * 0.5, 1.0]
    assert rows["worth_patches"].tolist() == [pytest.approx(10 / 5.5), 10.0]
    rng = np.random.default_rng(12)
    luck, own = rng.normal(0, np.sqrt(0.5), (200_000, 1)), rng.normal(0, np.sqrt(0.5), (200_000, 10))
    variance = (luck + own).mean(axis=1).var()
    assert variance / (1 / 10) == pytest.approx(rows["design_effect"].iloc[0], rel=0.02)


# --- technicians -----------------------------------------------------------------------------------------------


def test_technicians_are_told_apart_as_the_invented_shop_made_them():
    bench, model = _two_technicians()
    lesson = fl.lesson("technicians", model)
    rows = lesson.table().set_index("technician")
    # The shop takes its difference off the first hand's log roughness and adds it to the second's (kind 9).
    first_is_rougher = bench._shop.hands < 0
    assert (rows.loc[1, "difference"] < rows.loc[2, "difference"]) == first_is_rougher
    done = model.done.groupby("technician").size()
    assert rows["patches"].tolist() == done.tolist()
    share = fl.variance_shares(model).table().set_index("source").loc["technician"]
    assert f"{100 * share['share_low']:.0f} to {100 * share['share_high']:.0f} %" in lesson.says
    assert "T1" not in lesson.text() + str(lesson.to_dict())


def test_technicians_alike_by_nature_are_not_said_to_differ(model):
    # Kind 1: both hands are the same by its law, so the truth is none.
    own = fl.variance_shares(model).table().set_index("source").loc["technician"]
    assert own["share_low"] == 0
    assert "the technician's (90 % interval: 0 to" in fl.lesson("technicians", model).says


# --- every lesson ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("topic", ["passes", "grits", "wipe", "panels", "technicians"])
def test_a_figure_is_whole_in_large_type_and_has_the_sentence_above(lessons, topic, size):
    lesson = lessons[topic]
    ax = lesson.plot(ax=blank(*size))
    assert ax.get_title(loc="left").replace("\n", " ") == lesson.says
    figure = ax.figure
    if size == SIZES[1]:
        ax.set_title("", loc="left")
    figure.draw_without_rendering()
    for text in figure.findobj(mpl.text.Text):
        assert text.get_fontsize() >= 8
    drawn, (wide, high) = figure.get_tightbbox(), size
    assert drawn.x0 > -0.02
    assert drawn.y0 > -0.02
    assert drawn.x1 < wide + 0.02
    assert drawn.y1 < high + 0.02


def test_shapes_tell_apart_what_colours_tell_apart(lessons):
    for topic in ("grits", "wipe", "panels"):
        ax = lessons[topic].plot(ax=blank(7, 4))
        lines = [x for x in ax.lines if x.get_marker() not in ("None", "_", "|", "")]
        looks = {}
        for line in lines:
            looks.setdefault(line.get_color(), set()).add(line.get_marker())
        assert len(looks) > 1
        shapes = [frozenset(s) for s in looks.values()]
        assert len(set(shapes)) == len(shapes), f"{topic}: two colours share a shape"


def test_each_patch_of_a_technician_is_drawn_once_in_his_row_with_his_shape(lessons):
    lesson = lessons["technicians"]
    ax = lesson.plot(ax=blank(7, 4.2))
    drawn = raw_views.marks(ax)
    rows = lesson.table()
    for k, row in enumerate(rows.to_dict("records")):
        mine = drawn[drawn["y"].round() == -k]
        assert len(mine) == row["patches"]
        assert mine["x"].mean() == pytest.approx(row["difference"])
        assert mine["x"].std() == pytest.approx(row["spread"], nan_ok=True)
        assert len(set(mine["marker"])) == 1
    assert len(drawn) == rows["patches"].sum()
    assert drawn["marker"].nunique() == len(rows)
    assert raw_views.overlapping(ax) == 0


def test_a_lesson_has_the_five_handles_and_says_what_is_invented(lessons):
    for topic, lesson in lessons.items():
        assert lesson.text().startswith(lesson.says)
        assert lesson.to_dict()["topic"] == topic
        assert len(lesson.to_dict()["rows"]) == len(lesson.table())
        assert lesson._repr_html_().startswith("<p>")
        invented = topic in ("wipe", "panels")
        assert lesson.source.startswith("Invented: " if invented else "Trials: Practice bench, kind ")
        assert lesson.source in lesson.text()


def test_what_cannot_be_taught_is_refused(bench, trials, model):
    with pytest.raises(ModelError, match=r"no lesson on 'haze'\. There are: passes, grits"):
        fl.lesson("haze", model)
    with pytest.raises(ModelError, match="no model is given"):
        fl.lesson("grits")
    with pytest.raises(ModelError, match="seed is -1"):
        fl.lesson("panels", seed=-1)
    with pytest.raises(ModelError, match="does not follow gloss from step to step"):
        fl.lesson("grits", fl.fit(bench.study, trials, kind="surface"))
    alone = fl.fit(bench.study, trials.assign(technician="T1"))
    with pytest.raises(ModelError, match="two or more work the same processes"):
        fl.lesson("technicians", alone)
