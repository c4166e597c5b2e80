"""Checks of revisions and the register: nothing is lost, overwritten or forged, and what was found is said."""

import json
import multiprocessing
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import stand_ins

from finishlab import ProcedureError, procedure_register, read_procedure, revise_procedure, write_procedure
from finishlab.procedure.kept_procedure import fingerprint

SIGNED = {"reason": "new product lot", "approved_by": "owner"}


def first(folder: Path) -> bytes:
    """Issue revision 1; return its data."""
    made = stand_ins.issued(folder, date="2026-01-05", author="A. 1")
    return made.path.with_suffix(".json").read_bytes()


def revised(folder: Path, revises: int = 1, cut_passes: int = 5, **more: Any) -> Any:
    recipe = stand_ins.recipe(settings=stand_ins.settings(cut_passes=cut_passes))
    return revise_procedure(
        recipe, number="SP-1", revises=revises, folder=folder, **{"date": "2026-02-01", **SIGNED, **more}
    )


def test_a_revision_says_what_it_changes_and_marks_the_one_before_as_withdrawn(tmp_path: Path) -> None:
    before = first(tmp_path)
    made = revised(tmp_path)
    assert made.revision == 2
    assert ["cut passes", "4 passes", "5 passes"] in made.facts["changes"]
    assert [row[0] for row in made.facts["changes"]] == ["cut passes"]  # the rest is as it was
    assert made.facts["revisions"] == [
        ["1", "2026-01-05", "first issue", "A. 1", "owner"],
        ["2", "2026-02-01", "new product lot", "", "owner"],
    ]
    page = made.path.read_text(encoding="utf-8")
    assert "What this revision changes" in page
    assert "WITHDRAWN" not in page
    assert "WITHDRAWN on 2026-02-01 by revision 2" in (tmp_path / "SP-1.html").read_text(encoding="utf-8")
    assert (tmp_path / "SP-1.json").read_bytes() == before


def test_the_newest_revision_is_read_back_and_an_older_one_when_asked(tmp_path: Path) -> None:
    first(tmp_path)
    revised(tmp_path)
    assert read_procedure(tmp_path, "SP-1").settings["cut_passes"] == 5
    assert read_procedure(tmp_path, "SP-1", revision=1).settings["cut_passes"] == 4
    with pytest.raises(
        ProcedureError, match=r"no revision 3 of procedure SP-1 .* There are revisions 1, 2\."
    ):
        read_procedure(tmp_path, "SP-1", revision=3)


def test_the_register_lists_every_revision_and_what_is_in_force(tmp_path: Path) -> None:
    first(tmp_path)
    revised(tmp_path)
    stand_ins.issued(tmp_path, number="SP-2")
    found = procedure_register(tmp_path)
    assert found.text() == "2 procedures in force, 3 revisions in all."
    assert [(r["number"], r["revision"], r["status"]) for r in found.rows] == [
        ("SP-1", 2, "in force"),
        ("SP-1", 1, "withdrawn on 2026-02-01 by revision 2"),
        ("SP-2", 1, "in force"),
    ]
    page = found.path.read_text(encoding="utf-8")
    assert "new product lot" in page
    assert page == procedure_register(tmp_path).path.read_text(encoding="utf-8")


def test_hostile_text_comes_out_as_text_in_the_register(tmp_path: Path) -> None:
    first(tmp_path)
    revised(tmp_path, reason="<script>alert(1)</script>")
    page = procedure_register(tmp_path).path.read_text(encoding="utf-8")
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_who_revises_what_somebody_revised_meanwhile_is_told_and_nothing_is_written(tmp_path: Path) -> None:
    first(tmp_path)
    revised(tmp_path)
    there = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    with pytest.raises(ProcedureError) as error:
        revised(tmp_path, cut_passes=6)
    assert "revision 1 of procedure SP-1 is not the newest, which is 2." in str(error.value)
    assert "Somebody revised it since" in str(error.value)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == there


def _author(folder: str, passes: int, gate: Any, said: Any) -> None:
    gate.wait()
    try:
        said.put(("written", revised(Path(folder), cut_passes=passes).facts["process"]))
    except ProcedureError as error:
        said.put(("refused", str(error)))


def test_of_authors_who_revise_at_once_one_is_first_and_the_others_are_told(tmp_path: Path) -> None:
    first(tmp_path)
    context = multiprocessing.get_context("spawn")
    gate, said = context.Barrier(3), context.Queue()
    authors = [context.Process(target=_author, args=(str(tmp_path), n, gate, said)) for n in (5, 6, 7)]
    for author in authors:
        author.start()
    answers = [said.get(timeout=60) for _ in authors]
    for author in authors:
        author.join()
    written = [text for what, text in answers if what == "written"]
    refused = [text for what, text in answers if what == "refused"]
    assert (len(written), len(refused)) == (1, 2)
    assert all("meanwhile" in text or "Somebody revised it since" in text for text in refused)
    kept = json.loads((tmp_path / "SP-1.rev2.json").read_text(encoding="utf-8"))
    assert kept["facts"]["process"] == written[0]
    assert procedure_register(tmp_path).cautions == ()


KILLED = """
import os, sys
from pathlib import Path
sys.path[:0] = sys.argv[1].split(os.pathsep)
import test_procedure_revisions as t
from finishlab.procedure import procedure_files as write
place = write._place
def stops(target, text, number, revision=1):
    if target.suffix == ".html":
        os._exit(9)  # as by a power cut: nothing more is done
    place(target, text, number, revision)
write._place = stops
t.revised(Path(sys.argv[2]))
"""


def test_a_revision_that_was_interrupted_is_made_good_from_its_data(tmp_path: Path) -> None:
    first(tmp_path)
    own = Path(__file__).parent
    ended = subprocess.run(
        [sys.executable, "-c", KILLED, f"{own}{os.pathsep}{own.parent}", str(tmp_path)], check=False
    )
    assert ended.returncode == 9
    assert not (tmp_path / "SP-1.rev2.html").exists()
    found = procedure_register(tmp_path)
    assert found.cautions == (
        "SP-1, revision 2: the page was missing or half-written and was made again from the data",
    )
    assert "WITHDRAWN" in (tmp_path / "SP-1.html").read_text(encoding="utf-8")
    whole = (tmp_path / "SP-1.rev2.html").read_text(encoding="utf-8")
    assert whole == revised_elsewhere(tmp_path / "other")
    assert procedure_register(tmp_path).cautions == ()


def revised_elsewhere(folder: Path) -> str:
    first(folder)
    return revised(folder).path.read_text(encoding="utf-8")


def test_a_page_changed_by_hand_is_left_alone_and_said(tmp_path: Path) -> None:
    first(tmp_path)
    page = tmp_path / "SP-1.html"
    page.write_text(page.read_text(encoding="utf-8").replace("4 passes", "9 passes"), encoding="utf-8")
    changed = page.read_bytes()
    revised(tmp_path)
    assert page.read_bytes() == changed
    (caution,) = procedure_register(tmp_path).cautions
    assert caution == (
        "SP-1, revision 1: the page was changed by hand; the data beside it are as they were written"
    )


def test_data_changed_by_hand_are_said_and_are_no_ground_for_a_revision(tmp_path: Path) -> None:
    first(tmp_path)
    path = tmp_path / "SP-1.json"
    path.write_text(path.read_text(encoding="utf-8").replace("6.83", "5.83"), encoding="utf-8")
    found = procedure_register(tmp_path)
    assert found.rows[0]["status"] == "not to be relied on"
    assert not found.rows[0]["in_force"]
    assert found.cautions == ("SP-1, revision 1: the kept data were changed by hand or are damaged",)
    with pytest.raises(ProcedureError, match="was changed by hand"):
        revised(tmp_path)
    assert not (tmp_path / "SP-1.rev2.json").exists()


def test_an_older_revision_signed_anew_is_seen_by_the_one_that_was_made_from_it(tmp_path: Path) -> None:
    first(tmp_path)
    revised(tmp_path)
    path = tmp_path / "SP-1.json"
    kept = json.loads(path.read_text(encoding="utf-8"))
    kept["recipe"]["assurance"] = 0.99
    kept["fingerprint"] = fingerprint(kept)
    path.write_text(json.dumps(kept), encoding="utf-8")
    assert procedure_register(tmp_path).cautions == (
        "SP-1, revision 2: the revision before it is not the one that this one was made from",
    )


def test_a_revision_taken_away_leaves_a_gap_that_is_said(tmp_path: Path) -> None:
    first(tmp_path)
    revised(tmp_path)
    revised(tmp_path, revises=2, cut_passes=6)
    for name in ("SP-1.rev2.json", "SP-1.rev2.html"):
        os.unlink(tmp_path / name)
    found = procedure_register(tmp_path)
    assert found.cautions == ("SP-1, revision 2: revision 2 is missing",)
    assert [row["in_force"] for row in found.rows] == [True, False, False]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"reason": " "}, "say why the procedure is revised"),
        ({"approved_by": ""}, "name who approved the revision"),
        ({"date": "2025-12-31"}, "the date is 2025-12-31, and revision 1 is of 2026-01-05."),
        ({"revises": 2}, "revision 2 of procedure SP-1 is not the newest, which is 1. Give revises=1."),
    ],
)
def test_what_a_revision_needs_is_asked_for(change: dict[str, Any], said: str, tmp_path: Path) -> None:
    first(tmp_path)
    with pytest.raises(ProcedureError, match=said):
        revised(tmp_path, **change)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["SP-1.html", "SP-1.json"]


def test_a_number_may_not_end_as_a_revisions_files_do(tmp_path: Path) -> None:
    with pytest.raises(ProcedureError, match=r"Leave '\.rev' and its figure off"):
        write_procedure(stand_ins.recipe(), number="SP-1.rev2", folder=tmp_path)
