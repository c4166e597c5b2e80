"""The sheet of a newcomer's panels: what stands on it, what is counted, text as text, and what it never claims."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import stand_ins
from on_paper import assert_within_the_page
from scipy import stats
from test_procedure import CLAIM, HOSTILE, squeezed
from test_procedure_paper import told
from test_procedure_shop import SVG

import finishlab as fl
from finishlab.model.limits import LimitForecast

BOTH = {
    "removed_um": LimitForecast(at_most=8.0, set_by="workshop lead", assurance=0.99),
    "film_left_um": LimitForecast(at_least=90.0, set_by="coating maker's sheet", assurance=0.99),
}


def panels(count: int = 10, **changes: Any) -> pd.DataFrame:
    """Invented panels, all of them in band."""
    table = pd.DataFrame(
        {
            "panel": [f"N{k}" for k in range(1, count + 1)],
            "gloss_20": 86.5,
            "haze": 12.0,
            "limits_kept": True,
            "date": "2026-03-02",
            "technician": "T2",
        }
    )
    return table.assign(**changes)


def sheet(folder: Path, recipe: Any = None, **how: Any) -> tuple[str, Path]:
    stand_ins.issued(folder, recipe, date="2026-01-05")
    path = fl.print_certificate_sheet(
        folder, "SP-1", **{"path": folder / "sheet.pdf", "newcomer": "N7", **how}
    )
    return " ".join(told("pdftotext", "-layout", str(path), "-").split()), path


def test_a_filled_sheet_has_every_panel_and_what_the_count_says(tmp_path: Path) -> None:
    table = panels(limits_kept=["yes"] * 9 + ["No "])
    table.loc[3, "haze"] = 18.5
    table.loc[4, ["gloss_20", "haze"]] = np.nan
    table["date"] = pd.date_range("2026-03-02", periods=10)
    text, path = sheet(tmp_path, stand_ins.recipe(limits=BOTH), panels=table)
    bare = squeezed(told("pdftotext", "-raw", str(path), "-"))
    assert "Newcomer N7" in text
    assert "SP-1, revision 1: P2000; wool, compound A, 4 passes; polish 2 passes" in text
    assert "Readings in band 20° gloss at least 84 GU; haze at most 18" in text
    both = (
        "Stop when 8 µm of film has been removed (limit set by workshop lead). "
        "Stop when 90 µm of film is left (limit set by coating maker's sheet)."
    )
    assert squeezed(both) in bare
    assert "3 2026-03-04 N3 86.5 12 yes yes T2" in text
    assert "4 2026-03-05 N4 86.5 18.5 no yes T2" in text
    assert "5 2026-03-06 N5 – – no yes T2" in text
    assert "10 2026-03-11 N10 86.5 12 yes no T2" in text
    # Four of ten lines have a no in them or nothing read: seven panels count.
    assert fl.certify(7, 10).text() in text
    for line in (
        "It is no licence",
        "safety data sheets, of local codes",
        "Instructor, date",
        "Newcomer, date",
    ):
        assert line in text


def test_a_blank_sheet_has_the_lines_that_would_show_it_and_says_how_many(tmp_path: Path) -> None:
    text, _ = sheet(tmp_path)
    # Exact one-sided limit of scipy (Clopper & Pearson 1934): the fewest panels with none and with one out of band.
    for missed, said in ((0, "22 panels, all in band"), (1, "with one that is not, it takes 38")):
        fewest = next(
            n
            for n in range(2, 200)
            if stats.binomtest(n - missed, n, alternative="greater").proportion_ci(0.9, "exact").low >= 0.9
        )
        assert str(fewest) in said
        assert said in text
    assert re.search(r"technician 1 2 3 .* 21 22 What the count says", text)
    assert "shows less than it says" in text
    few, _ = sheet(tmp_path / "few", panels=6, wanted=0.8)
    assert re.search(r"technician 1 2 3 4 5 6 What the count says", few)
    assert "show that at least 80 % of the next ones will be" in few
    many, path = sheet(tmp_path / "many", wanted=0.9995)
    assert "No count of panels that a shop can work" in many
    assert re.search(r"Pages:\s+[34]\b", told("pdfinfo", str(path)))


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("filled", [True, False])
@pytest.mark.parametrize("limited", [True, False])
def test_two_dozen_panels_are_one_tagged_page_with_every_line_within_it(
    paper: Any, filled: bool, limited: bool, tmp_path: Path
) -> None:
    (tmp_path / "shop.toml").write_text('name = "Box-van shop (invented)"\nlogo = "mark.svg"\n')
    (tmp_path / "mark.svg").write_bytes(SVG)
    recipe = stand_ins.recipe(limits=BOTH) if limited else stand_ins.recipe(set_by=None)
    text, path = sheet(tmp_path, recipe, panels=panels(24) if filled else 24, paper=paper)
    info = told("pdfinfo", str(path))
    assert re.search(r"Tagged:\s+yes", info)
    assert re.search(r"Pages:\s+1\b", info)
    assert {"a4": "595.", "letter": "612 x 792"}[paper] in info
    assert "Box-van shop (invented)" in text
    assert ("No film limit is set: nothing here guards the clear." in text) is not limited
    # The line for the hand has room: nothing stands behind it.
    lines = told("pdftotext", "-layout", str(path), "-").splitlines()
    assert any(line.rstrip().endswith("and who set it:") for line in lines) is not limited
    assert_within_the_page(told("pdftotext", "-bbox", str(path), "-"))


def test_it_never_says_that_somebody_or_something_is_safe_and_its_check_can_fail(tmp_path: Path) -> None:
    for text in (sheet(tmp_path / "a")[0], sheet(tmp_path / "b", panels=panels(22))[0]):
        assert not CLAIM.search(text)
        assert not re.search(r"\b(licensed to|qualified|guarantee\w*|perfect)\b", text)
    assert CLAIM.search("N7 works safely")


def test_hostile_names_come_out_as_text(tmp_path: Path) -> None:
    name, panel = "<b>#panic($x$)</b>", '#sys.inputs "$y^2$" [*'
    recipe = stand_ins.recipe(**HOSTILE)
    text, path = sheet(tmp_path, recipe, newcomer=name, panels=panels(1, panel=panel, technician="= [T2]"))
    bare = squeezed(told("pdftotext", "-raw", str(path), "-"))
    assert name in text
    for said in (panel, "= [T2]", HOSTILE["set_by"]):
        assert squeezed(said) in bare


def test_the_shop_shows_mils_where_it_wants_them_and_an_old_revision_its_mark(tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text("mils = true\n")
    text, _ = sheet(tmp_path)
    assert "Stop when 8 µm (0.31 mil) of film has been removed (limit set by workshop lead, 3 March)" in text
    fl.revise_procedure(
        stand_ins.recipe(),
        number="SP-1",
        revises=1,
        reason="new lot",
        approved_by="owner",
        folder=tmp_path,
        date="2026-02-01",
    )
    old = fl.print_certificate_sheet(tmp_path, "SP-1", path=tmp_path / "old.pdf", newcomer=7, revision=1)
    assert "WITHDRAWN on 2026-02-01 by revision 2" in told("pdftotext", str(old), "-")
    now = fl.print_certificate_sheet(tmp_path, "SP-1", path=tmp_path / "now.pdf", newcomer=7)
    assert "WITHDRAWN" not in told("pdftotext", str(now), "-")


def test_the_same_panels_give_the_same_file(tmp_path: Path) -> None:
    first, second = (sheet(tmp_path / name, panels=panels())[1].read_bytes() for name in ("a", "b"))
    assert first == second


@pytest.mark.parametrize(
    ("how", "said"),
    [
        (
            {"newcomer": "Somebody Longer Than Initials", "paper": "a5", "panels": 0, "wanted": 90},
            [
                "paper is 'a5'; take one of a4, letter.",
                "newcomer is 'Somebody Longer Than Initials'; give a number or initials, up to 20 characters.",
                "panels is 0; give a table of panels, or 1 to 100 blank lines.",
                "wanted is 90; give a share above 0 and below 1, as 0.9.",
            ],
        ),
        ({"newcomer": "a\nb"}, ["newcomer is 'a\\nb'; give a number or initials, up to 20 characters."]),
        ({"panels": True}, ["panels is True; give a table of panels, or 1 to 100 blank lines."]),
        (
            {"panels": panels().drop(columns=["haze", "limits_kept"]).head(0)},
            [
                "panels has no column 'haze'. Columns: panel, gloss_20, date, technician.",
                "panels has no column 'limits_kept'. Columns: panel, gloss_20, date, technician.",
                "panels has no rows. Give one a panel, or a number for blank lines.",
            ],
        ),
        (
            {
                "panels": panels(
                    3, panel=[1, 2, 1], gloss_20=["86", "good", None], limits_kept=["yes", None, "?"]
                )
            },
            [
                "panel 1 is there more than once. Several readings of one panel are one: give their mean.",
                "row 1: gloss_20 is 'good'; give a number, or none where nothing was read.",
                "row 1: limits_kept is missing; write yes or no.",
                "row 2: limits_kept is '?'; write yes or no.",
            ],
        ),
    ],
)
def test_every_mistake_is_said_at_once_and_nothing_printed(
    how: dict[str, Any], said: list[str], tmp_path: Path
) -> None:
    with pytest.raises(fl.ProcedureError) as error:
        sheet(tmp_path, **how)
    assert list(error.value.mistakes) == said
    assert not (tmp_path / "sheet.pdf").exists()
