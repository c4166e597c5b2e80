"""Checks of every figure: what is drawn where, in what words, and how a figure leaves."""

import math
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import raw_views
import stand_ins
from contrast import contrast

from finishlab import FinishlabError
from finishlab.cli.study_folder import StudyFolder
from finishlab.figures import answer_figures, frame, meter_figures, model_figures
from finishlab.words import show

mpl.use("agg")


@pytest.fixture
def considered() -> pd.DataFrame:
    return show.considered(stand_ins.recipe())


def dots(ax: Any) -> dict[str, np.ndarray]:
    """Legend words -> where those dots stand, shape (dots, 2)."""
    return {c.get_label(): np.column_stack(c.lines[0].get_data()) for c in ax.containers}


# --- the recipe's figure ---------------------------------------------------------------------


def test_every_process_weighed_is_told_in_words_with_its_role(considered: pd.DataFrame) -> None:
    assert considered["role"].tolist() == ["chosen", "today", "rival", "rival", "rival", "rival"]
    assert considered["process"].iloc[0] == "P2000; wool, compound A, 4 passes; polish 2 passes"
    assert considered["process"].iloc[1] == "P1500; wool, compound A, 6 passes; polish 4 passes"
    assert considered.loc[1, "minutes"] == 8.9
    assert math.isnan(considered.loc[1, "minutes_low"])


def test_a_process_is_weighed_once_even_when_it_is_also_todays() -> None:
    same = stand_ins.settings(sand_grit="P1500", cut_passes=6, polish_passes=4)
    rivals = pd.DataFrame([{**same, "minutes": 8.9, "minutes_low": 8, "minutes_high": 10, "assurance": 0.97}])
    table = show.considered(stand_ins.recipe(rivals=rivals))
    assert table["role"].tolist() == ["chosen", "today"]


def test_the_recipe_figure_puts_each_process_at_its_minutes_and_percent(considered: pd.DataFrame) -> None:
    ax = answer_figures.recipe(considered, wanted=0.9, ax=answer_figures.blank())
    where = dots(ax)
    # Minutes of the job: six sections, change-overs of 7, a wait of 15 after each step worked; worked by hand.
    assert where["chosen: 93.0 minutes, 91 %"] == pytest.approx(np.array([[92.98, 91.83]]))
    assert where["today's process: 105.4 minutes, 97 %"] == pytest.approx(np.array([[105.4, 97.0]]))
    assert where["falls short of the assurance asked for"][:, 0] == pytest.approx([66.4, 88.36])
    assert where["breaks a limit"][:, 0] == pytest.approx([91.0])
    assert where["reaches it, no shorter"][:, 0] == pytest.approx([94.6])
    line = next(x for x in ax.lines if x.get_label() == "asked for: 90 %")
    assert set(line.get_ydata()) == {90.0}
    low, high = ax.get_ylim()
    assert low < 31 < 97 < high


def test_the_recipe_figure_names_the_chosen_process_and_its_units(considered: pd.DataFrame) -> None:
    ax = answer_figures.recipe(considered, wanted=0.9, ax=answer_figures.blank())
    assert (
        ax.get_title(loc="left")
        == "Shortest process found: P2000; wool, compound A, 4 passes; polish 2 passes"
    )
    assert ax.get_xlabel() == "minutes a job (bar: 90 % interval for the next job)"
    assert "%" in ax.get_ylabel()
    assert {t.get_text() for t in ax.texts} == {"chosen", "today"}


def test_the_interval_of_each_process_spans_its_minutes(considered: pd.DataFrame) -> None:
    ax = answer_figures.recipe(considered, wanted=0.9, ax=answer_figures.blank())
    chosen = next(c for c in ax.containers if c.get_label().startswith("chosen"))
    (segment,) = chosen.lines[2][0].get_segments()
    assert segment[:, 0].tolist() == [88.66, 98.32]


def test_a_recipe_that_was_not_found_shows_the_closest_process_and_no_chosen_one() -> None:
    ax = answer_figures.recipe(show.considered(stand_ins.not_found()), wanted=0.9, ax=answer_figures.blank())
    words = list(dots(ax))
    assert "closest to the goal: 108.5 minutes, 62 %" in words
    assert not any(w.startswith("chosen") for w in words)
    assert ax.get_title(loc="left").startswith("Closest to the goal: P2000; wool, compound A, 8 passes")


def test_roles_differ_in_marker_or_filling_and_not_in_colour_alone() -> None:
    shapes = [
        (marker, filled)
        for kind, (marker, _, filled, *_) in answer_figures._ROLES.items()
        if kind != "closest"
    ]
    assert len(set(shapes)) == len(shapes)


def test_nothing_to_draw_is_said_and_not_drawn() -> None:
    with pytest.raises(FinishlabError, match="there is no process to draw"):
        answer_figures.recipe(pd.DataFrame(columns=["role"]), wanted=0.9)


# --- the other figures -----------------------------------------------------------------------


def test_the_frontier_shows_what_each_target_costs_and_which_are_out_of_reach() -> None:
    table = pd.DataFrame(
        {
            "target": [86.0, 80.0, 84.0],
            "found": [False, True, True],
            "minutes": [math.nan, 4.61, 6.83],
            "minutes_low": [math.nan, 4.1, 6.1],
            "minutes_high": [math.nan, 5.2, 7.7],
        }
    )
    ax = answer_figures.frontier(table, response="gloss_20", wanted=0.9)
    assert dots(ax)["shortest process (bar: 90 % interval for the next section)"].tolist() == [
        [80, 4.61],
        [84, 6.83],
    ]
    out_of_reach = next(x for x in ax.lines if "no studied process reaches it with 90 %" in x.get_label())
    assert out_of_reach.get_xdata().tolist() == [86]
    assert "from 4.7 minutes at 80 GU to 6.9 minutes at 84 GU" in ax.get_title(loc="left").replace("\n", " ")
    assert ax.get_xlabel() == "target for 20° gloss, GU"


def test_a_frontier_without_any_answer_says_so() -> None:
    nan = [math.nan]
    table = pd.DataFrame(
        {"target": [92.0], "found": [False], "minutes": nan, "minutes_low": nan, "minutes_high": nan}
    )
    title = answer_figures.frontier(table, response="gloss_20", wanted=0.9).get_title(loc="left")
    assert title.startswith("No studied process reaches any of these targets with 90 %")


def test_the_fit_figure_counts_the_readings_inside_their_interval() -> None:
    ax = answer_figures.fit([80, 82, 84], [80.5, 85, 83], [79, 83, 82], [82, 87, 85], response="gloss_20")
    assert ax.get_title(loc="left") == "2 of 3 left-out readings lie inside their 90 % interval"
    assert dots(ax)["outside its 90 % interval"].tolist() == [[82, 85]]
    assert ax.get_xlabel() == "20° gloss read, GU"


def test_raw_readings_stand_at_their_setting_and_panels_differ_by_marker() -> None:
    trials = pd.DataFrame(
        {"cut_passes": [1, 4, 1, 4], "panel": ["A", "A", "B", "B"], "gloss_20": [70.0, 82.0, 68.5, math.nan]}
    )
    ax = answer_figures.readings(trials, response="gloss_20", factor="cut_passes")
    drawn = raw_views.marks(ax).sort_values(["marker", "y"])
    assert drawn["y"].tolist() == [70.0, 82.0, 68.5]
    assert drawn["x"].round(6).tolist() == [1, 4, 1]
    assert drawn["marker"].tolist() == ["o", "o", "s"]
    assert ax.get_title(loc="left").endswith("3 trials on 2 panels")


def test_equal_readings_at_one_setting_stand_side_by_side_nearest_to_it() -> None:
    trials = pd.DataFrame({"cut_passes": [6] * 6 + [7], "panel": [1, 2, 3, 1, 2, 3, 1], "gloss_20": 88.0})
    ax = answer_figures.readings(trials, response="gloss_20", factor="cut_passes")
    drawn = raw_views.marks(ax)
    assert drawn["x"].round().tolist() == [6] * 6 + [7]
    assert drawn["x"].nunique() == 7
    assert set(drawn["y"]) == {88.0}
    assert drawn["marker"].tolist() == ["o", "s", "^", "o", "s", "^", "o"]
    assert raw_views.overlapping(ax) == 0


def test_every_trial_of_the_demo_is_seen_at_its_passes_and_by_its_pad() -> None:
    place = StudyFolder.at(Path(__file__).parents[2] / "datasets" / "van_panels")
    trials = place.trials(place.study()).dropna(subset=["gloss_20"])
    pads = list(dict.fromkeys(trials["cut_pad"]))
    for ax in (None, answer_figures.blank(8.2, 3.5)):
        ax = answer_figures.readings(trials, response="gloss_20", factor="cut_passes", by="cut_pad", ax=ax)
        drawn = raw_views.marks(ax)
        found = sorted(zip(drawn["x"].round(), drawn["y"], drawn["marker"], strict=True))
        markers = [frame.panel_mark(pads.index(pad))["marker"] for pad in trials["cut_pad"]]
        assert found == sorted(zip(trials["cut_passes"], trials["gloss_20"], markers, strict=True))
        assert raw_views.overlapping(ax) == 0


def test_marks_that_are_not_moved_aside_do_overlap() -> None:
    """The measure of overlap can fail."""
    ax = answer_figures.blank()
    for x, y in zip([1, 1, 2], [70.0, 70.1, 88.0], strict=True):
        ax.scatter([x], [y], s=36, marker="o")
    assert raw_views.overlapping(ax) == 1


def test_the_legend_names_the_marker_that_is_drawn() -> None:
    trials = pd.DataFrame({"cut_passes": [1, 2, 3], "panel": ["A", "B", "C"], "gloss_20": [70.0, 71.0, 72.0]})
    ax = answer_figures.readings(trials, response="gloss_20", factor="cut_passes")
    told = {h.get_label(): h.get_marker() for h in ax.get_legend().legend_handles}
    assert told == {"panel A": "o", "panel B": "s", "panel C": "^"}
    assert raw_views.marks(ax)["marker"].tolist() == ["o", "s", "^"]


def test_up_to_ten_panels_have_ten_markers() -> None:
    trials = pd.DataFrame({"cut_pad": ["wool"] * 10, "panel": range(10), "gloss_20": np.arange(70.0, 80.0)})
    ax = answer_figures.readings(trials, response="gloss_20", factor="cut_pad")
    assert raw_views.marks(ax)["marker"].nunique() == 10
    assert [t.get_text() for t in ax.get_xticklabels()] == ["wool"]


def test_readings_of_a_patch_keep_value_and_technician_and_the_one_apart_is_ringed() -> None:
    points = pd.DataFrame(
        {
            "patch": ["1"] * 6 + ["2"] * 6,
            "technician": ["A", "B"] * 6,
            "value": [80.0, 80.0, 80.1, 80.0, 80.1, 80.0, 84.0, 84.0, 84.0, 84.1, 84.0, 82.0],
        }
    )
    ax = meter_figures.by_patch(points, reading="gloss_20", flagged=pd.DataFrame({"at": [(11,)]}))
    drawn = raw_views.marks(ax)
    found = list(zip(drawn["x"].round(), drawn["y"], drawn["marker"], strict=True))
    markers = points["technician"].map({"A": "o", "B": "s"})
    assert found == list(zip([0] * 6 + [1] * 6, points["value"], markers, strict=True))
    assert drawn.index[drawn["ringed"]].tolist() == [11]
    assert raw_views.overlapping(ax) == 0


def test_repeats_stand_in_the_row_of_their_process_and_the_model_hides_none() -> None:
    groups = [([84.0, 84.0, 84.6], 84.1), ([86.0, 86.2], 86.1)]
    ax = model_figures.repeats(groups, ["wool", "foam"], response="gloss_20", title="", ax=frame.blank())
    drawn = raw_views.marks(ax)
    found = list(zip(drawn["y"].round(), drawn["x"], strict=True))
    assert found == [(0, 84.0), (0, 84.0), (0, 84.6), (1, 86.0), (1, 86.2)]
    assert raw_views.overlapping(ax) == 0
    (model,) = [line for line in ax.lines if line.get_label() == "the model"]
    assert model.get_xdata().tolist() == [84.1, 86.1]
    assert (np.abs(model.get_ydata()[:, None] - drawn["y"].to_numpy()) > 0.2).all()


def test_the_title_over_long_names_of_processes_is_whole() -> None:
    names = ["P1500; wool, compound A, 6 passes;\npolish 5 passes"]
    said = "20° gloss: repeats of one process differ by 0.2 GU (SD, panels taken off) and lie 0.1 GU from the model."
    ax = model_figures.repeats([([88.0, 88.2], 88.1)], names, response="gloss_20", title=said)
    ax.figure.draw_without_rendering()
    assert ax.get_title(loc="left").replace("\n", " ") == said
    assert ax.figure.get_tightbbox().x1 < ax.figure.get_size_inches()[0] + 0.02


def test_luck_of_each_trial_stands_over_its_panel_or_its_place_in_the_order() -> None:
    y, panels = [0.3, 0.3, -2.0, 0.31], ["A", "A", "B", "B"]
    for x, places in ((panels, [0, 0, 1, 1]), ([4, 3, 2, 1], [4, 3, 2, 1])):
        ax = model_figures.luck(x, y, panels, over="", title="", ax=frame.blank())
        drawn = raw_views.marks(ax)
        found = sorted(zip(drawn["x"].round(), drawn["y"], drawn["marker"], strict=True))
        assert found == sorted(zip(places, y, ["o", "o", "s", "s"], strict=True))
        assert raw_views.overlapping(ax) == 0


def test_misses_stand_in_the_row_of_their_model_above_the_ends_that_hold_most() -> None:
    far = [np.linspace(-1, 1, 21) ** 3, np.linspace(-9, 9, 21)]
    kinds = [("step model", far[0]), ("surface model", far[1])]
    ax = model_figures.misses(kinds, response="gloss_20", title="")
    drawn = raw_views.marks(ax)
    for i, (values, marker) in enumerate(zip(far, ["o", "s"], strict=True)):
        mine = drawn[drawn["y"].round() == -i]
        assert sorted(mine["x"]) == pytest.approx(sorted(values))
        assert set(mine["marker"]) == {marker}
        assert mine["y"].min() > -i - 0.45
    assert raw_views.overlapping(ax) == 0


def test_a_missing_column_is_named_with_the_columns_that_are_there() -> None:
    with pytest.raises(FinishlabError) as error:
        answer_figures.readings(
            pd.DataFrame({"Gloss 20": [1], "panel": [1]}), response="gloss_20", factor="cut_pad"
        )
    assert str(error.value).splitlines() == [
        "  - column 'gloss_20' is missing. Columns: Gloss 20, panel.",
        "  - column 'cut_pad' is missing. Columns: Gloss 20, panel.",
    ]


def test_a_factor_without_readings_is_said() -> None:
    empty = pd.DataFrame({"cut_pad": ["wool"], "panel": [1], "gloss_20": [math.nan]})
    with pytest.raises(FinishlabError, match="no trial has both gloss_20 and cut_pad"):
        answer_figures.readings(empty, response="gloss_20", factor="cut_pad")


# --- shared habits ---------------------------------------------------------------------------


def test_a_figure_is_drawn_on_the_axes_it_is_given() -> None:
    ax = answer_figures.blank()
    assert answer_figures.recipe(show.considered(stand_ins.recipe()), wanted=0.9, ax=ax) is ax


def test_importing_the_module_loads_no_drawing_library() -> None:
    code = "import sys, finishlab.figures.answer_figures; print([m for m in ('matplotlib', 'pandas', 'seaborn') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_an_answer_is_drawn_without_seaborn_and_raw_readings_with_it() -> None:
    """seaborn takes a third of a second to load; a shop that asks for its shortest process needs none of it."""
    code = (
        "import sys, pandas as pd; from finishlab.figures import answer_figures as f; "
        "rows = pd.DataFrame({'target': [80], 'found': [True], 'minutes': [4.6], 'minutes_low': [4.1], 'minutes_high': [5.2]}); "
        "f.svg(f.frontier(rows, response='gloss_20', wanted=0.9, ax=f.blank())); print('seaborn' in sys.modules); "
        "trials = pd.DataFrame({'cut_passes': [1], 'panel': ['A'], 'gloss_20': [70.0]}); "
        "f.readings(trials, response='gloss_20', factor='cut_passes', ax=f.blank()); print('seaborn' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]


def test_the_same_raw_readings_give_the_same_svg() -> None:
    trials = pd.DataFrame({"cut_passes": [6] * 5, "panel": [1, 2, 3, 1, 2], "gloss_20": 88.0})
    ax = answer_figures.readings(trials, response="gloss_20", factor="cut_passes", ax=answer_figures.blank())
    again = answer_figures.readings(
        trials, response="gloss_20", factor="cut_passes", ax=answer_figures.blank()
    )
    assert answer_figures.svg(ax) == answer_figures.svg(again)


def test_marks_stand_out_from_the_paper() -> None:
    """Three to one for marks and 4.5 for letters, by WCAG 2.1 (see contrast.py)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # the ends of the scale, WCAG 2.1 note
    assert contrast("#767676", "#ffffff") == pytest.approx(
        4.54, abs=0.005
    )  # from memory: the lightest grey that passes
    for colour in (frame.BLUE, frame.VERMILLION, frame.GREEN, frame.GREY, frame.INK):
        assert contrast(colour, "#ffffff") >= 3
    assert contrast(frame.INK, "#ffffff") >= 4.5
    # The check can fail: the palette's yellow is too faint for a mark on white.
    assert contrast("#F0E442", "#ffffff") < 3


def test_the_same_figure_gives_the_same_svg_without_a_date(considered: pd.DataFrame) -> None:
    texts = [
        answer_figures.svg(answer_figures.recipe(considered, wanted=0.9, ax=answer_figures.blank()))
        for _ in range(2)
    ]
    assert texts[0] == texts[1]
    assert "date" not in texts[0].lower()
    assert not re.search(r"20\d\d-\d\d-\d\d", texts[0])


def test_text_in_an_svg_stays_text_and_is_spoken(considered: pd.DataFrame) -> None:
    text = answer_figures.svg(answer_figures.recipe(considered, wanted=0.9, ax=answer_figures.blank()))
    assert text.startswith("<svg")
    assert ">chosen: 93.0 minutes, 91 %<" in text
    assert 'aria-label="Shortest process found: P2000;' in text
    addresses = set(re.findall(r'https?://[^"\s]+', text))
    assert addresses == {"http://www.w3.org/1999/xlink", "http://www.w3.org/2000/svg"}  # names, not fetched


def test_what_people_named_is_drawn_as_text_and_never_as_formula_or_markup() -> None:
    recipe = stand_ins.recipe(product='<b>A</b> $x_1$ & "B"')
    text = answer_figures.svg(
        answer_figures.recipe(show.considered(recipe), wanted=0.9, ax=answer_figures.blank())
    )
    assert "&lt;b&gt;A&lt;/b&gt; $x_1$ &amp; " in text
    assert "<b>" not in text
    trials = pd.DataFrame({"cut_pad": ["$\\frac{", "b$"], "panel": ["$1$", "2"], "gloss_20": [70.0, 71.0]})
    text = answer_figures.svg(
        answer_figures.readings(trials, response="gloss_20", factor="cut_pad", ax=answer_figures.blank())
    )
    assert "$\\frac{" in text
    assert "panel $1$" in text


def test_a_letter_that_our_font_lacks_is_left_to_the_readers_font(recwarn: pytest.WarningsRecorder) -> None:
    trials = pd.DataFrame({"cut_pad": ["羊毛"], "panel": [1], "gloss_20": [70.0]})
    assert "羊毛" in answer_figures.svg(
        answer_figures.readings(trials, response="gloss_20", factor="cut_pad", ax=answer_figures.blank())
    )
    assert not [w for w in recwarn if "Glyph" in str(w.message)]


def test_figures_are_saved_as_png_and_svg_and_as_nothing_else(
    considered: pd.DataFrame, tmp_path: Any
) -> None:
    ax = answer_figures.recipe(considered, wanted=0.9, ax=answer_figures.blank())
    # Signature of a PNG file: ISO/IEC 15948 (W3C PNG), 5.2, from memory.
    assert answer_figures.save(ax, tmp_path / "a.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert answer_figures.save(ax.figure, tmp_path / "a.svg").read_text(encoding="utf-8").startswith("<svg")
    with pytest.raises(FinishlabError) as error:
        answer_figures.save(ax, tmp_path / "a.gif")
    assert str(error.value) == (
        "a.gif ends in '.gif'; figures are written as .png or .svg. Give one of these endings."
    )
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png", "a.svg"]
