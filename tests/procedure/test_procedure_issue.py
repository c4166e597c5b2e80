"""Checks of drafts, of who issues and withdraws, and of what an interruption in between leaves."""

import json
import multiprocessing
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import stand_ins
from test_procedure_paper import told
from test_procedure_revisions import SIGNED

import finishlab as fl
from finishlab import ProcedureError
from finishlab.procedure import kept_procedure

MARK = "DRAFT: not in force. Do not work by this page before somebody has issued it."


def drafted(folder: Path, number: str = "SP-1", date: str = "2026-01-05", **changes: Any) -> Any:
    return fl.write_procedure(stand_ins.recipe(**changes), number=number, folder=folder, date=date)


def second(
    folder: Path, cut_passes: int = 5, approved_by: str | None = None, date: str = "2026-02-01"
) -> Any:
    recipe = stand_ins.recipe(settings=stand_ins.settings(cut_passes=cut_passes))
    return fl.revise_procedure(
        recipe,
        number="SP-1",
        revises=1,
        reason=SIGNED["reason"],
        approved_by=approved_by,
        folder=folder,
        date=date,
    )


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def rows(folder: Path) -> list[tuple[str, int, str, str]]:
    found = fl.procedure_register(folder)
    return [(r["number"], r["revision"], r["status"], r["approved_by"]) for r in found.rows]


# --- a draft -------------------------------------------------------------------------------------


def test_what_is_written_is_a_draft_and_says_so_everywhere(tmp_path: Path) -> None:
    draft = drafted(tmp_path)
    assert draft.status == "draft"
    assert draft.to_dict()["status"] == "draft"
    assert draft.text().startswith("Draft, not in force. Procedure SP-1, revision 1: ")
    assert MARK in draft.path.read_text(encoding="utf-8")
    # Nobody has approved it.
    assert draft.facts["signoff"]["owner"] == ""
    found = fl.procedure_register(tmp_path)
    assert found.text() == "No procedure is in force. 1 draft, not in force."
    (row,) = found.rows
    assert (row["status"], row["approved_by"], row["in_force"]) == ("draft", "", False)
    assert "<td>draft</td>" in found.path.read_text(encoding="utf-8")


def test_a_draft_is_printed_as_a_draft_on_every_page_and_its_card_is_one(tmp_path: Path) -> None:
    drafted(tmp_path)
    pdf = fl.print_procedure(tmp_path, "SP-1", path=tmp_path / "draft.pdf")
    *pages, _ = told("pdftotext", "-layout", str(pdf), "-").split("\f")
    assert len(pages) > 2
    assert all(MARK in " ".join(page.split()) for page in pages)
    for paper in ("a4", "letter"):
        card = fl.print_procedure(
            tmp_path,
            "SP-1",
            path=tmp_path / "card.pdf",
            document="bench card",
            paper=paper,  # type: ignore[arg-type]
        )
        assert re.search(r"Pages:\s+1\b", told("pdfinfo", str(card)))
        assert "DRAFT" in told("pdftotext", str(card), "-")


def test_a_customer_and_an_instructor_are_told_what_is_a_draft(tmp_path: Path) -> None:
    drafted(tmp_path)
    read_off = {"job": "left door", "before": {}, "after": {"gloss_20": 86.2, "haze": 11.0}}
    page = fl.print_customer_page(tmp_path, "SP-1", path=tmp_path / "door.pdf", **read_off)  # type: ignore[arg-type]
    assert "SP-1, revision 1 (draft)" in told("pdftotext", "-layout", str(page), "-")
    sheet = fl.print_certificate_sheet(tmp_path, "SP-1", path=tmp_path / "sheet.pdf", newcomer="N7")
    assert MARK in " ".join(told("pdftotext", str(sheet), "-").split())


def test_a_draft_is_read_back_and_later_jobs_are_held_against_it(model: Any, tmp_path: Path) -> None:
    recipe = fl.shortest(model, goal={"gloss_20": {"at_least": 76}})
    fl.write_procedure(recipe, number="SP-014", folder=tmp_path)
    again = fl.read_procedure(tmp_path, "SP-014")
    assert again.settings == recipe.settings
    watch = fl.watch_jobs(again, pd.DataFrame({"gloss_20": [80.1, 79.8, 80.3]}))
    assert "3 of 3 jobs" in watch.text()


def test_a_draft_is_not_written_over(tmp_path: Path) -> None:
    draft = drafted(tmp_path)
    there = contents(tmp_path)
    for number in ("SP-1", "sp-1"):
        with pytest.raises(ProcedureError) as error:
            drafted(tmp_path, number, minutes=5.0)
        assert f"a draft of procedure {number}, revision 1, is there already: {draft.path}" in str(
            error.value
        )
        assert "delete the draft's two files first" in str(error.value)
    assert contents(tmp_path) == there


def test_a_number_that_was_issued_is_not_drafted_again(tmp_path: Path) -> None:
    stand_ins.issued(tmp_path)
    there = contents(tmp_path)
    with pytest.raises(ProcedureError, match=r"procedure SP-1 is there already: .*revise_procedure"):
        drafted(tmp_path)
    assert contents(tmp_path) == there


# --- issued --------------------------------------------------------------------------------------


def test_a_named_person_issues_what_was_drafted_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text("review_months = 6\n", encoding="utf-8")
    draft = drafted(tmp_path)
    (tmp_path / "shop.toml").write_text('name = "Another shop"\n', encoding="utf-8")
    made = fl.issue_procedure(tmp_path, "SP-1", by=" owner ", date="2026-01-09")
    assert (made.status, made.number, made.revision) == ("in force", "SP-1", 1)
    assert made.facts["date"] == "2026-01-09"
    assert made.facts["next_review"] == "2026-07-09"
    assert made.facts["signoff"]["owner"] == "owner"
    assert made.facts["revisions"] == [["1", "2026-01-09", "first issue", "", "owner"]]
    added = {"date", "next_review", "signoff", "revisions"}
    assert {k for k in made.facts if made.facts[k] != draft.facts[k]} == added
    assert "DRAFT" not in made.path.read_text(encoding="utf-8")
    assert sorted(contents(tmp_path)) == ["SP-1.html", "SP-1.json", "shop.toml"]
    assert rows(tmp_path) == [("SP-1", 1, "in force", "owner")]
    assert fl.procedure_register(tmp_path).cautions == ()


def test_the_day_of_issue_is_today_unless_one_is_given(tmp_path: Path) -> None:
    drafted(tmp_path)
    made = fl.issue_procedure(tmp_path, "SP-1", by="owner")
    assert made.facts["date"] == pd.Timestamp.today().date().isoformat()
    drafted(tmp_path, "SP-2", date="2999-01-01")
    assert fl.issue_procedure(tmp_path, "SP-2", by="owner").facts["date"] == "2999-01-01"


def test_a_draft_of_a_revision_withdraws_nothing_until_it_is_issued(tmp_path: Path) -> None:
    stand_ins.issued(tmp_path, date="2026-01-05")
    before = contents(tmp_path)
    draft = second(tmp_path)
    assert (draft.status, draft.revision) == ("draft", 2)
    assert {name: contents(tmp_path)[name] for name in before} == before
    assert rows(tmp_path) == [("SP-1", 2, "draft", ""), ("SP-1", 1, "in force", "owner")]
    assert fl.procedure_register(tmp_path).text() == (
        "1 procedure in force, 1 revision in all. 1 draft, not in force."
    )
    assert fl.read_procedure(tmp_path, "SP-1").settings["cut_passes"] == 4
    assert fl.read_procedure(tmp_path, "SP-1", revision=2).settings["cut_passes"] == 5
    fl.issue_procedure(tmp_path, "SP-1", by="owner 2", date="2026-02-03")
    assert rows(tmp_path) == [
        ("SP-1", 2, "in force", "owner 2"),
        ("SP-1", 1, "withdrawn on 2026-02-03 by revision 2", "owner"),
    ]
    assert fl.read_procedure(tmp_path, "SP-1").settings["cut_passes"] == 5
    assert "WITHDRAWN on 2026-02-03 by revision 2" in (tmp_path / "SP-1.html").read_text(encoding="utf-8")
    assert fl.procedure_register(tmp_path).cautions == ()


def test_a_draft_of_what_was_revised_meanwhile_cannot_be_issued(tmp_path: Path) -> None:
    stand_ins.issued(tmp_path, date="2026-01-05")
    second(tmp_path, cut_passes=6)
    second(tmp_path, cut_passes=5, approved_by="owner")
    there = contents(tmp_path)
    with pytest.raises(ProcedureError, match="it was not made from what is issued now, revision 2"):
        fl.issue_procedure(tmp_path, "SP-1", by="owner")
    assert contents(tmp_path) == there
    found = fl.procedure_register(tmp_path)
    assert found.cautions == (
        "SP-1, revision 2: revision 2 was issued after this draft was made, so this one cannot be; draft it anew from that one",
    )
    assert [r["status"] for r in found.rows] == ["draft", "in force", "withdrawn on 2026-02-01 by revision 2"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"by": "  "}, "name who issues the procedure, by role or initials"),
        ({"number": "SP-9"}, r"no draft of procedure SP-9 in .* There are drafts of SP-1\."),
        ({"date": "5 January"}, "write it as year-month-day"),
        ({"date": "2026-01-04"}, "the date is 2026-01-04, and the draft is of 2026-01-05"),
    ],
)
def test_what_issuing_needs_is_asked_for(change: dict[str, Any], said: str, tmp_path: Path) -> None:
    drafted(tmp_path)
    there = contents(tmp_path)
    with pytest.raises(ProcedureError, match=said):
        fl.issue_procedure(tmp_path, **{"number": "SP-1", "by": "owner", **change})
    assert contents(tmp_path) == there


def test_what_is_in_force_already_is_not_issued_again(tmp_path: Path) -> None:
    stand_ins.issued(tmp_path)
    with pytest.raises(ProcedureError, match=r"Revision 1 of it was issued already\. There is no draft"):
        fl.issue_procedure(tmp_path, "SP-1", by="owner")


def test_only_what_is_in_force_is_revised(tmp_path: Path) -> None:
    drafted(tmp_path)
    with pytest.raises(ProcedureError, match="is a draft: there is nothing in force to revise"):
        second(tmp_path)


# --- by hand ---------------------------------------------------------------------------------------


def test_a_draft_under_the_name_of_an_issued_procedure_is_not_in_force(tmp_path: Path) -> None:
    drafted(tmp_path)
    for ending in (".html", ".json"):
        (tmp_path / f"SP-1.draft{ending}").rename(tmp_path / f"SP-1{ending}")
    with pytest.raises(ProcedureError, match="is a draft under another name: nobody issued it"):
        fl.read_procedure(tmp_path, "SP-1")
    (row,) = fl.procedure_register(tmp_path).rows
    assert (row["status"], row["in_force"]) == ("not to be relied on", False)


@pytest.mark.parametrize("ending", [".html", ".json"])
def test_a_draft_changed_by_hand_is_not_issued(ending: str, tmp_path: Path) -> None:
    drafted(tmp_path)
    path = tmp_path / f"SP-1.draft{ending}"
    path.write_text(path.read_text(encoding="utf-8").replace("4 passes", "9 passes"), encoding="utf-8")
    there = contents(tmp_path)
    with pytest.raises(ProcedureError, match="changed by hand"):
        fl.issue_procedure(tmp_path, "SP-1", by="owner")
    assert contents(tmp_path) == there
    (caution,) = fl.procedure_register(tmp_path).cautions
    assert "changed by hand" in caution


def test_kept_files_of_an_older_finishlab_are_in_force(tmp_path: Path) -> None:
    """Before there were drafts everything written was in force, its facts with a mark of their own, empty."""
    path = stand_ins.issued(tmp_path).path.with_suffix(".json")
    kept = json.loads(path.read_text(encoding="utf-8"))
    assert "status" not in kept
    kept["facts"]["withdrawn"] = ""
    del kept["draft"]
    kept["fingerprint"] = kept_procedure.fingerprint(kept)
    path.write_text(json.dumps(kept), encoding="utf-8")
    found = fl.procedure_register(tmp_path)
    assert (found.rows[0]["status"], found.cautions) == ("in force", ())
    second(tmp_path, date=kept["facts"]["date"], approved_by="owner")
    assert [r["in_force"] for r in fl.procedure_register(tmp_path).rows] == [True, False]


# --- withdrawn ---------------------------------------------------------------------------------------


def test_a_named_person_withdraws_a_procedure_and_a_revision_brings_it_back(tmp_path: Path) -> None:
    before = stand_ins.issued(tmp_path, date="2026-01-05").path.with_suffix(".json").read_bytes()
    made = fl.withdraw_procedure(tmp_path, "SP-1", by="owner", reason="pad no longer sold", date="2026-01-20")
    assert made.status == "withdrawn"
    assert made.text().startswith("Withdrawn. Procedure SP-1, revision 1: ")
    mark = "WITHDRAWN on 2026-01-20 by owner: do not work by this page."
    assert mark in made.path.read_text(encoding="utf-8")
    assert (tmp_path / "SP-1.json").read_bytes() == before
    found = fl.procedure_register(tmp_path)
    assert found.text() == "No procedure is in force. 1 revision in all."
    assert found.rows[0]["status"] == "withdrawn on 2026-01-20 by owner: pad no longer sold"
    pdf = fl.print_procedure(tmp_path, "SP-1", path=tmp_path / "old.pdf")
    assert mark in " ".join(told("pdftotext", str(pdf), "-").split())
    with pytest.raises(ProcedureError, match="is not in force: withdrawn on 2026-01-20 by owner"):
        fl.withdraw_procedure(tmp_path, "SP-1", by="owner", reason="again")
    second(tmp_path, approved_by="owner")
    assert [r["status"] for r in fl.procedure_register(tmp_path).rows] == [
        "in force",
        "withdrawn on 2026-01-20 by owner: pad no longer sold",
    ]
    assert mark in made.path.read_text(encoding="utf-8")
    assert fl.procedure_register(tmp_path).cautions == ()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"by": "", "reason": " "}, r"by is ''; name who withdraws[\s\S]*reason is ' '; say why"),
        ({"number": "SP-2"}, "is a draft and not in force"),
        ({"number": "SP-9"}, r"There are SP-1, SP-2\."),
        ({"date": "2026-01-04"}, "revision 1 is of 2026-01-05"),
    ],
)
def test_what_a_withdrawal_needs_is_asked_for(change: dict[str, Any], said: str, tmp_path: Path) -> None:
    stand_ins.issued(tmp_path, date="2026-01-05")
    drafted(tmp_path, "SP-2")
    there = contents(tmp_path)
    with pytest.raises(ProcedureError, match=said):
        fl.withdraw_procedure(tmp_path, **{"number": "SP-1", "by": "owner", "reason": "new pad", **change})
    assert contents(tmp_path) == there


def test_a_withdrawal_changed_by_hand_is_said_and_still_withdraws(tmp_path: Path) -> None:
    stand_ins.issued(tmp_path)
    fl.withdraw_procedure(tmp_path, "SP-1", by="owner", reason="pad no longer sold")
    path = tmp_path / "SP-1.withdrawn.json"
    path.write_text(path.read_text(encoding="utf-8").replace("owner", "nobody"), encoding="utf-8")
    found = fl.procedure_register(tmp_path)
    assert not found.rows[0]["in_force"]
    assert found.cautions == (
        "SP-1, revision 1: its withdrawal was changed by hand, is damaged, or is of another revision",
    )


# --- interrupted, and at once --------------------------------------------------------------------------

#: Ends as by a power cut at the given moment of an issue: nothing more is done.
CUT = """
import os, sys
from pathlib import Path
import finishlab as fl
from finishlab.procedure import procedure_files, states
place, put, unlink = procedure_files._place, states.put, Path.unlink
at = sys.argv[2]
def placing(target, text, number, revision=1):
    if at == "before " + target.suffix:
        os._exit(9)
    place(target, text, number, revision)
def marking(path, data):
    if at == "before the mark":
        os._exit(9)
    return put(path, data)
def removing(path, missing_ok=False):
    # The parts that were written aside are always removed.
    if at == "before the draft goes" + path.suffix and path.stem.endswith(".draft"):
        os._exit(9)
    unlink(path, missing_ok=missing_ok)
procedure_files._place, states.put, Path.unlink = placing, marking, removing
fl.issue_procedure(sys.argv[1], "SP-1", by="owner", date="2026-02-03")
"""


#: Where it ends, whether the procedure is issued then, and for which revisions the moment comes.
CUTS = [
    ("before .json", False, (1, 2)),
    ("before .html", True, (1, 2)),
    ("before the mark", True, (2,)),  # a first issue marks nothing
    ("before the draft goes.html", True, (1, 2)),
    ("before the draft goes.json", True, (1, 2)),
]


@pytest.mark.parametrize(
    ("at", "issued", "revision"), [(at, issued, n) for at, issued, those in CUTS for n in those]
)
def test_an_issue_that_was_interrupted_leaves_the_draft_or_the_procedure_whole(
    at: str, issued: bool, revision: int, tmp_path: Path
) -> None:
    whole = tmp_path / "whole"
    for folder in (tmp_path / "cut", whole):
        if revision == 1:
            drafted(folder)
        else:
            stand_ins.issued(folder, date="2026-01-05")
            second(folder)
    before = contents(whole)
    if issued:
        fl.issue_procedure(whole, "SP-1", by="owner", date="2026-02-03")
    command = [sys.executable, "-c", CUT, str(tmp_path / "cut"), at]
    ended = subprocess.run(command, check=False, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)})
    assert ended.returncode == 9
    # Read at once, before anything is made good.
    now = fl.read_procedure(tmp_path / "cut", "SP-1")
    assert now.settings["cut_passes"] == (5 if issued and revision == 2 else 4)
    assert ("in force" in [r[2] for r in rows(tmp_path / "cut")]) == (issued or revision == 2)
    left = {k: v for k, v in contents(tmp_path / "cut").items() if k[0] != "." and k != "register.html"}
    assert left == (contents(whole) if issued else before)
    assert fl.procedure_register(tmp_path / "cut").cautions == ()


def _issuer(folder: str, name: str, gate: Any, said: Any) -> None:
    gate.wait()
    try:
        said.put(("issued", fl.issue_procedure(folder, "SP-1", by=name).facts["signoff"]["owner"]))
    except ProcedureError as error:
        said.put(("refused", str(error)))


def test_of_people_who_issue_at_once_one_has_issued_it(tmp_path: Path) -> None:
    drafted(tmp_path)
    context = multiprocessing.get_context("spawn")
    gate, said = context.Barrier(3), context.Queue()
    people = [
        context.Process(target=_issuer, args=(str(tmp_path), name, gate, said)) for name in ("A", "B", "C")
    ]
    for person in people:
        person.start()
    answers = [said.get(timeout=60) for _ in people]
    for person in people:
        person.join()
    (name,) = [name for what, name in answers if what == "issued"]
    assert rows(tmp_path) == [("SP-1", 1, "in force", name)]
    assert fl.procedure_register(tmp_path).cautions == ()
