"""Checks of the procedure as PDF and of its bench card: whole, tagged, the same everywhere, text as text."""

import dataclasses
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
import stand_ins
from on_paper import assert_within_the_page
from skips import NOT_ON_CI
from test_procedure import CARD, HOSTILE, squeezed

import finishlab as fl
from finishlab.procedure.kept_procedure import kept_file
from finishlab.procedure.paper import pdf_of
from finishlab.study import Step

NEEDED = shutil.which("pdftotext") and shutil.which("pdfinfo")


def told(*command: str) -> str:
    """Return what a reader of PDF says; skip without one."""
    if not NEEDED:
        pytest.skip(NOT_ON_CI["reader"])
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def printed(folder: Path, recipe: Any = None, **how: Any) -> Path:
    stand_ins.issued(folder, recipe, date="2026-01-05", checkpoints=CARD)
    return fl.print_procedure(folder, "SP-1", path=folder / "out.pdf", **how)


def long_recipe() -> Any:
    """Return a recipe of twelve steps, nine of them held, with more cautions than a page holds."""
    study = stand_ins.study()
    more = tuple(Step(f"wash_{i}", study.steps[2].settings[:1], changeover_minutes=2) for i in range(9))
    cautions = tuple(
        f"drum {i} differed from the others, so that its last GU is not known well" for i in range(90)
    )
    return stand_ins.recipe(study=dataclasses.replace(study, steps=(*more, *study.steps)), cautions=cautions)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("kind", ["ordinary", "hostile and without a limit", "twelve steps, long evidence"])
def test_the_pdf_is_tagged_and_holds_every_line_within_the_page(
    paper: Any, kind: str, tmp_path: Path
) -> None:
    recipe = {
        "ordinary": lambda: None,
        "hostile and without a limit": lambda: stand_ins.recipe(**{**HOSTILE, "set_by": None}),
        "twelve steps, long evidence": long_recipe,
    }[kind]()
    path = printed(tmp_path, recipe, paper=paper)
    info = told("pdfinfo", str(path))
    assert re.search(r"Tagged:\s+yes", info)
    assert re.search(r"Pages:\s+[3-6]\b", info)
    assert {"a4": "595.", "letter": "612 x 792"}[paper] in info
    text = squeezed(told("pdftotext", "-raw", str(path), "-"))
    page = (tmp_path / "SP-1.html").read_text(encoding="utf-8")
    headings = re.findall(r"<h2>(.*?)</h2>", page)
    # Sections come in the same order on both faces.
    place = 0
    for heading in headings:
        place = text.index(squeezed(heading), place)
    facts = kept_file(tmp_path / "SP-1.json")["facts"]
    said = [
        facts["title"],
        facts["goal"],
        *facts["evidence"]["lines"],
        *facts["limits"],
        *facts["mid_job"],
        *facts["cautions"],
    ]
    # The typesetter may part a word at a line's end; hyphens are left out on both sides.
    bare = re.sub(r"[-\u00ad\u2010]", "", text)
    for line in said:
        assert re.sub(r"[-\u00ad\u2010]", "", squeezed(line)) in bare, line
    assert_within_the_page(told("pdftotext", "-bbox", str(path), "-"))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_bench_card_is_one_page_even_with_twelve_steps(paper: Any, tmp_path: Path) -> None:
    for i, recipe in enumerate((None, long_recipe())):
        path = printed(tmp_path / str(i), recipe, paper=paper, document="bench card")
        assert re.search(r"Pages:\s+1\b", told("pdfinfo", str(path)))
        text = squeezed(told("pdftotext", "-raw", str(path), "-"))
        for line in ("70 GU or more: polish 2 passes", "base colour shows on the pad", "wool, compound A"):
            assert squeezed(line) in text


def test_the_bench_card_carries_the_cautions_above_the_steps(tmp_path: Path) -> None:
    text = squeezed(told("pdftotext", "-raw", str(printed(tmp_path, document="bench card")), "-"))
    steps = text.index("wool,compoundA")
    for caution in (
        "Dust:",
        "two-pack clear",
        "Gloves and eye protection",
        "static can light the vapour",
        "Heat at edges",
        "Oily rags",
        "Film build, warranty and ultraviolet protection: the coating maker states them",
        "It stands below the safety data sheet (SDS)",
    ):
        assert -1 < text.find(squeezed(caution)) < steps, caution
    assert squeezed("Stop when 8 µm of film has been removed (limit set by workshop lead, 3 March).") in text


def test_the_same_facts_give_the_same_file(tmp_path: Path) -> None:
    facts = fl.write_procedure(stand_ins.recipe(), number="SP-1", folder=tmp_path).facts
    assert pdf_of(facts, "procedure", "a4") == pdf_of(facts, "procedure", "a4")


def test_an_older_revision_is_printed_with_its_mark(tmp_path: Path) -> None:
    printed(tmp_path)
    fl.revise_procedure(
        stand_ins.recipe(settings=stand_ins.settings(cut_passes=5)),
        number="SP-1",
        revises=1,
        reason="new lot",
        approved_by="owner",
        folder=tmp_path,
        date="2026-02-01",
    )
    old = fl.print_procedure(tmp_path, "SP-1", path=tmp_path / "old.pdf", revision=1)
    now = fl.print_procedure(tmp_path, "SP-1", path=tmp_path / "now.pdf")
    assert "WITHDRAWN on 2026-02-01" in told("pdftotext", str(old), "-")
    text = told("pdftotext", "-layout", str(now), "-")
    assert "WITHDRAWN" not in text
    assert re.search(r"cut passes\s+4 passes\s+5 passes", text)


def test_what_cannot_be_printed_is_said_at_once(tmp_path: Path) -> None:
    with pytest.raises(fl.ProcedureError) as error:
        fl.print_procedure(tmp_path, "SP-1", path="x.pdf", document="poster", paper="a3")  # type: ignore[arg-type]
    assert list(error.value.mistakes) == [
        "document is 'poster'; take one of procedure, bench card.",
        "paper is 'a3'; take one of a4, letter.",
    ]
    fl.write_procedure(stand_ins.recipe(), number="SP-1", folder=tmp_path)
    with pytest.raises(fl.ProcedureError, match="was not written"):
        fl.print_procedure(tmp_path, "SP-1", path=tmp_path / "no" / "out.pdf")


# --- for the customer --------------------------------------------------------------------------


def customer(folder: Path, **more: Any) -> str:
    stand_ins.issued(folder, date="2026-01-05")
    read = {"before": {"gloss_20": 61.0}, "after": {"gloss_20": 86.2, "haze": 11.0}, "date": "2026-03-04"}
    path = fl.print_customer_page(
        folder, "SP-1", path=folder / "door.pdf", **{"job": "left door", **read, **more}
    )
    assert re.search(r"Pages:\s+1\b", told("pdfinfo", str(path)))
    return " ".join(told("pdftotext", "-layout", str(path), "-").split())


def test_the_customers_page_says_what_was_read_and_claims_no_more(tmp_path: Path) -> None:
    text = customer(tmp_path)
    assert "20° gloss 61 GU 86.2 GU 20° gloss at least 84 GU" in text
    assert "haze – 11 haze at most 18" in text
    assert "SP-1, revision 1" in text
    assert "every reading is as asked for" in text
    assert "do not say how the finish will look in years" in text
    for word in ("guarantee", "perfect", "safe", "%"):
        assert word not in text


def test_a_reading_that_falls_short_is_not_hidden_from_the_customer(tmp_path: Path) -> None:
    text = customer(tmp_path, after={"gloss_20": 83.9, "haze": 11.0}, job="<b>#panic($x$)</b>")
    assert "not every reading is as asked for" in text
    assert "<b>#panic($x$)</b>" in text


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"after": {"gloss_20": 86}}, "after has no haze, which the goal asks for."),
        ({"before": {"shine": 3}}, "before holds 'shine': 3; give numbers for any of gloss_20"),
        ({"after": {"gloss_20": "86", "haze": 1}}, "after holds 'gloss_20': '86'"),
        ({"date": "4.3."}, "date is '4.3.'; write it as year-month-day"),
        ({"paper": "a5"}, "paper is 'a5'; take one of a4, letter."),
    ],
)
def test_what_the_customers_page_needs_is_asked_for(more: dict[str, Any], said: str, tmp_path: Path) -> None:
    with pytest.raises(fl.ProcedureError, match=re.escape(said)):
        customer(tmp_path, **more)
    assert not (tmp_path / "door.pdf").exists()
