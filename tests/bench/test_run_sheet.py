"""Run sheets: what is filled in comes back as it was, and nothing in a name does harm.

Workbooks are filled in with openpyxl as a spreadsheet would, pages are looked at in a browser.
"""

from __future__ import annotations

import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import stand_ins
from on_paper import needs_paper, pages_of, printed
from record_sheets import STUDY, good

import finishlab as fl

HOSTILE = (
    '=HYPERLINK("http://x.example","y")',
    "<script>alert(1)</script>",
    "'; DROP TABLE trials; --",
    "a, b",
)


def planned(study: fl.Study = STUDY) -> pd.DataFrame:
    """The settings of the good sheet as a plan, without what was measured."""
    names = ["trial", "panel", "patch", "run_order", *(f.factor for f in study.factors)]
    return pd.DataFrame({n: good()[n] for n in names if n in good()}).assign(why="spreads the settings")


def fill(path: Path, values: dict[str, list]) -> None:
    """Type values below headings, row by row, as a person would; only cells that are not locked."""
    book = openpyxl.load_workbook(path)
    sheet = book["trials"]
    at = {cell.value: cell.column for cell in sheet[1]}
    for name, column in values.items():
        for i, value in enumerate(column, start=2):
            cell = sheet.cell(i, at[name])
            assert not cell.protection.locked, f"{name} cannot be typed into"
            cell.value = value
    book.save(path)


# --- the workbook ----------------------------------------------------------------------------------


def test_a_filled_workbook_gives_the_trials_that_the_same_sheet_as_csv_gives(tmp_path):
    path = fl.write_run_sheet(planned(), STUDY, path=tmp_path / "round 1.xlsx")
    sheet = good()
    typed = {
        n: sheet[n] for n in sheet if n not in planned() and n not in ("pad_lot", "gloss_60", "sand_gloss_60")
    }
    fill(path, {n: v for n, v in typed.items() if n in headings(path)})
    read = fl.read_trials(path, STUDY)
    same = {n: sheet[n] for n in sheet if n in read.columns}
    told = fl.read_trials(pd.DataFrame(same), STUDY)
    assert {"gloss_20_1", "gloss_20_2", "faults", "film_before_um", "minutes"} <= set(told.columns)
    for name in told.columns:
        assert (
            read[name].astype(object).where(read[name].notna(), None).tolist()
            == told[name].astype(object).where(told[name].notna(), None).tolist()
        ), name
    assert read.attrs["cautions"] == told.attrs["cautions"]  # the other pages of the file are no mistake


def headings(path: Path) -> list[str]:
    return [cell.value for cell in openpyxl.load_workbook(path)["trials"][1]]


def test_an_unfilled_workbook_is_a_sheet_of_planned_trials(tmp_path):
    path = fl.write_run_sheet(planned(), STUDY, path=tmp_path / "round 1.xlsx")
    read = fl.read_trials(path, STUDY)
    assert read["status"].tolist() == ["planned"] * 6
    for factor in STUDY.factors:
        told = planned()[factor.factor].astype(object)
        assert (
            read[factor.factor].astype(object).where(read[factor.factor].notna(), None).tolist()
            == told.where(told.notna(), None).tolist()
        )


def test_every_spot_of_every_step_that_is_read_has_its_column_in_the_order_of_the_work(tmp_path):
    study = stand_ins.study()  # three steps, each read, three spots, goal of gloss and haze
    sheet = fl.plan_trials(study, trials=8, panels=2, seed=1)
    found = headings(fl.write_run_sheet(sheet, study, path=tmp_path / "a.xlsx"))
    read = [h for h in found if "gloss" in h or "haze" in h or h.endswith("minutes")]
    spots = [1, 2, 3]
    assert read == [
        *(f"sand_gloss_20_{i}" for i in spots), "sand_minutes",
        *(f"cut_gloss_20_{i}" for i in spots), "cut_minutes",
        *(f"gloss_20_{i}" for i in spots), *(f"haze_{i}" for i in spots), "polish_minutes",
        "minutes",
    ]  # fmt: skip


def test_headings_and_places_are_locked_without_a_password_and_lists_offer_the_levels(tmp_path):
    path = fl.write_run_sheet(planned(), STUDY, path=tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(path)
    sheet = book["trials"]
    assert sheet.protection.sheet
    assert sheet.protection.password is None
    assert all(cell.protection.locked for cell in sheet[1])
    at = {cell.value: cell.column_letter for cell in sheet[1]}
    assert all(sheet[f"{at[n]}2"].protection.locked for n in ("trial", "panel", "patch", "run_order", "why"))
    # Below the planned rows there is room for patches worked anew.
    assert not any(sheet[f"{at[n]}8"].protection.locked for n in ("trial", "panel", "patch"))
    offered = {}
    for rule in sheet.data_validations.dataValidation:
        assert rule.promptTitle
        assert rule.prompt
        if rule.type == "list":
            page, cells = rule.formula1.split("!")
            values = [row[0].value for row in book[page.strip("'")][cells.replace("$", "")]]
            offered[sheet[re.match(r"[A-Z]+", str(rule.sqref))[0] + "1"].value] = values
    assert offered["sand_grit"] == ["P1500", "P2000", "P3000"]
    assert offered["cut_pad"] == ["wool", "microfibre", "foam"]
    assert offered["status"] == ["done", "started", "spoiled"]
    assert offered["burned_after_step"] == ["sand", "cut", "polish"]
    assert book["choices"].sheet_state == "hidden"


def test_a_number_has_the_bounds_that_the_study_and_paint_allow(tmp_path):
    path = fl.write_run_sheet(planned(), STUDY, path=tmp_path / "a.xlsx")
    sheet = openpyxl.load_workbook(path)["trials"]
    rules = {
        sheet[re.match(r"[A-Z]+", str(r.sqref))[0] + "1"].value: r
        for r in sheet.data_validations.dataValidation
    }
    passes, gloss = rules["cut_passes"], rules["gloss_20_1"]
    assert (passes.type, passes.formula1, passes.formula2) == ("whole", "1", "8")
    # 109.1 GU at 20° is a smooth film of refractive index 1.60, the highest of a clear (optics.py).
    assert (gloss.type, gloss.formula1, gloss.formula2) == ("decimal", "0", "109.1")
    assert "after polish, reading 1 of 2" in gloss.prompt


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_product_name_is_text_in_the_workbook_and_comes_back_as_it_was(tmp_path, name):
    study = stand_ins.study(title=name, product=name)
    sheet = fl.plan_trials(study, trials=8, panels=2, seed=1)
    path = fl.write_run_sheet(sheet, study, path=tmp_path / "a.xlsx")
    for page in openpyxl.load_workbook(path):
        for row in page.iter_rows():
            assert not [c.coordinate for c in row if c.data_type in ("f", "e")]
            # Typed again from a list of choices, a leading = would be run.
            assert not [c.coordinate for c in row if isinstance(c.value, str) and c.value.startswith("=")]
    assert name in fl.read_trials(path, study)["cut_product"].tolist()


def test_what_is_filled_in_already_and_the_shops_own_columns_go_along(tmp_path):
    sheet = planned().assign(technician="T1", pad_lot=["L7"] * 6)
    path = fl.write_run_sheet(sheet, STUDY, path=tmp_path / "a.xlsx")
    read = fl.read_trials(path, STUDY)
    assert read["technician"].tolist() == ["T1"] * 6
    assert read["pad_lot"].tolist() == ["L7"] * 6


# --- the page and the labels -----------------------------------------------------------------------


class Text(HTMLParser):
    """The text of a page, and the elements that could do something."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.said, self.active = [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        if tag in ("script", "iframe", "object", "img", "link", "form", "a"):
            self.active.append(tag)

    def handle_data(self, data):
        self.said.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.said).split())


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_printed_as_typed_and_nothing_on_the_page_is_active(tmp_path, name):
    study = stand_ins.study(title=name, product=name)
    sheet = fl.plan_trials(study, trials=8, panels=2, seed=1)
    for write, said in ((fl.write_run_sheet, 2), (fl.write_labels, 1)):
        page = Text(write(sheet, study, path=tmp_path / "a.html").read_text(encoding="utf-8"))
        assert page.active == []
        assert page.text.count(" ".join(name.split())) >= said


def test_the_page_has_a_card_for_each_trial_with_its_steps_and_a_box_for_each_spot(tmp_path):
    study = stand_ins.study()
    row = stand_ins.settings(panel="A", patch=3, run_order=5, trial=12, why="control", polish_passes=0)
    sheet = pd.DataFrame([row, {**row, "patch": 4, "trial": 13, "polish_passes": 2}])
    html = fl.write_run_sheet(sheet, study, path=tmp_path / "a.html").read_text(encoding="utf-8")
    cards = html.split('<section class="card">')[1:]
    assert len(cards) == 2
    text = Text(cards[0]).text
    for said in (
        "Trial 12",
        "panel A",
        "patch 3",
        "order 5",
        "P2000, 4 passes",
        "wool, compound A, 4 passes",
        "left out",
    ):
        assert said in text
    assert "soft foam, polish A, 2 passes" in Text(cards[1]).text
    # sand: gloss; cut: gloss; polish: gloss and haze; three spots each, the finish read though polish is left out
    assert [card.count('class="write"') for card in cards] == [12, 12]


def test_the_page_says_the_limit_with_who_set_it_and_points_onward(tmp_path):
    for set_by in ("workshop lead, 3 March", None):
        study = stand_ins.study(set_by=set_by)
        sheet = fl.plan_trials(study, trials=8, panels=2, seed=1)
        text = Text(
            fl.write_run_sheet(sheet, study, path=tmp_path / "a.html").read_text(encoding="utf-8")
        ).text
        if set_by:
            assert "Stop when 8 µm of film has been removed (limit set by workshop lead, 3 March)." in text
        else:
            assert "No film limit is set: nothing here guards the clear." in text
        for said in (
            "safety data sheets",
            "coating maker's data sheet",
            "local codes and licensed practice",
            "isocyanates",
        ):
            assert said in text
        assert "One pass: one direction, 50 % overlap." in text


def test_a_follow_up_asks_for_the_angles_that_earlier_trials_read(tmp_path):
    """The study asks for the goal's 20 degrees; the trials read sanding at 60 too, and so does the next round."""
    study = stand_ins.study()
    sheet = pd.DataFrame([stand_ins.settings(panel="A", patch=3, trial=12)])
    earlier = pd.DataFrame({"sand_gloss_60": [18.0], "cut_gloss_60": [None]})
    fl.write_run_sheet(sheet, study, path=tmp_path / "a.xlsx", existing=earlier)
    found = headings(tmp_path / "a.xlsx")
    assert [h for h in found if h.startswith("sand_gloss_60")] == [f"sand_gloss_60_{i}" for i in (1, 2, 3)]
    assert not [h for h in found if h.startswith("cut_gloss_60")]
    page = Text(
        fl.write_run_sheet(sheet, study, path=tmp_path / "a.html", existing=earlier).read_text(
            encoding="utf-8"
        )
    )
    assert page.text.count("60° gloss") == 1


def test_labels_name_the_patch_and_hide_how_it_is_worked(tmp_path):
    study = stand_ins.study()
    sheet = fl.plan_trials(study, trials=8, panels=2, seed=1)
    text = Text(fl.write_labels(sheet, study, path=tmp_path / "a.html").read_text(encoding="utf-8")).text
    for panel, patch in zip(sheet["panel"], sheet["patch"], strict=True):
        assert f"panel {panel}" in text
        assert f"patch {patch}" in text
    for level in ("wool", "foam", "P1500", "compound"):
        assert level not in text


@pytest.mark.parametrize("paper", ["210mm 297mm", "8.5in 11in"], ids=["A4", "Letter"])
def test_cards_stay_whole_on_paper(tmp_path, paper):
    needs_paper()
    study = stand_ins.study()
    sheet = fl.plan_trials(study, trials=12, panels=2, seed=1)
    page = fl.write_run_sheet(sheet, study, path=tmp_path / "a.html")
    pages = [p for p in pages_of(printed(page, paper, tmp_path), "layout") if p.strip()]
    assert sum(p.count("Film before") for p in pages) == 12
    for p in pages:  # a card that was cut would leave its head on one page and its foot on the next
        assert len(re.findall(r"panel \S+ +patch", p)) == p.count("Film before")


# --- what is refused ------------------------------------------------------------------------------------


def test_a_sheet_that_lacks_something_is_answered_with_all_of_it_and_nothing_is_written(tmp_path):
    with pytest.raises(fl.PlanError, match=r"lacks patch, sand_grit and cut_pad"):
        fl.write_run_sheet(
            planned().drop(columns=["patch", "sand_grit", "cut_pad"]), STUDY, path=tmp_path / "a.xlsx"
        )
    with pytest.raises(fl.PlanError, match="has no trials"):
        fl.write_run_sheet(planned().iloc[:0], STUDY, path=tmp_path / "a.xlsx")
    for write, name, said in (
        (
            fl.write_run_sheet,
            "a.pdf",
            "a.pdf: a run sheet is written as .xlsx to fill in, or as .html to print.",
        ),
        (fl.write_labels, "a.xlsx", "a.xlsx: labels are written as .html, to print."),
    ):
        with pytest.raises(fl.PlanError) as error:
            write(planned(), STUDY, path=tmp_path / name)
        assert str(error.value) == said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("write", "name"), [(fl.write_run_sheet, "a.xlsx"), (fl.write_labels, "a.html")])
def test_a_setting_outside_the_study_is_put_on_no_sheet(tmp_path, write, name):
    sheet = planned()
    with pytest.raises(
        fl.OutsideStudy, match=rf"^row {sheet.index[0]}: cut_pad is 'sheepskin'; that was never tried\."
    ):
        write(sheet.assign(cut_pad=["sheepskin", *sheet["cut_pad"][1:]]), STUDY, path=tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_run_sheet_loads_nothing_heavy_before_it_is_written():
    script = "import sys, finishlab as fl; fl.write_run_sheet; print('openpyxl' in sys.modules, 'jinja2' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    assert out.split() == ["False", "False"]


def test_no_text_of_the_workbook_is_cut_or_runs_over_the_next(tmp_path):
    """A spreadsheet makes a row higher only when someone types in it; a letter is at most as wide as its column says."""
    sheet = planned()
    why = "spreads the settings: fewest cut passes, most polish passes, on a panel of its own " * 2
    book = openpyxl.load_workbook(fl.write_run_sheet(sheet.assign(why=why), STUDY, path=tmp_path / "a.xlsx"))
    trials, first = book["trials"], book["read first"]
    for cell in trials[1]:
        assert trials.column_dimensions[cell.column_letter].width > len(cell.value), cell.value
    for page, name in ((trials, "why"), (first, first["A1"].value)):
        column = next(c.column_letter for c in page[1] if c.value == name)
        for cell in page[column]:
            text, width = str(cell.value or ""), page.column_dimensions[column].width
            lines = page.row_dimensions[cell.row].height / 15  # points a line of the ordinary letter
            assert len(text) <= lines * width, (text, lines)
