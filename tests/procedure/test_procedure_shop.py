"""Checks of the shop's own words on its procedures: on both faces, kept with a revision, no caution taken away."""

import base64
import re
from pathlib import Path
from typing import Any

import pytest
import stand_ins
from test_procedure import squeezed
from test_procedure_paper import told

import finishlab as fl
from finishlab.procedure.kept_procedure import kept_file
from finishlab.procedure.paper import pdf_of
from finishlab.procedure.procedure_files import render
from finishlab.procedure.shop import read_shop, with_mils, words

#: One dark point, the least PNG there is.
PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNkYPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 4"><rect width="9" height="4"/></svg>'
OWN = """
name = "Training shop 3 (invented)"
logo = "mark.svg"
mils = true
review_months = 6
[headings]
scope = "Where this page holds"
[head]
kind = "Work instruction"
[filled]
clear_coat = "clear 7, sheet 12 (invented)"
competence = "technicians 1 and 2, trained by 9"
hold_off = "90 days"
hold_off_set_by = "sheet 12, page 3"
heat_limit = "55 °C"
heat_limit_set_by = "owner, after sheet 12"
copies = "bench 1, office"
[added]
stop = ["the extraction alarm sounds."]
"""


def shop(folder: Path, text: str = OWN, logo: bytes = SVG) -> Path:
    (folder / "shop.toml").write_text(text, encoding="utf-8")
    (folder / "mark.svg").write_bytes(logo)
    return folder


def faces(folder: Path, **changes: Any) -> tuple[str, str]:
    """Return the page's text and the PDF's."""
    page = stand_ins.issued(folder, stand_ins.recipe(**changes), date="2026-08-31").path
    pdf = fl.print_procedure(folder, "SP-1", path=folder / "out.pdf")
    return page.read_text(encoding="utf-8"), told("pdftotext", "-raw", str(pdf), "-")


def test_one_file_gives_both_faces_the_shops_name_headings_and_lines(tmp_path: Path) -> None:
    page, paper = faces(shop(tmp_path))
    for said in (
        "Training shop 3 (invented)",
        "Where this page holds",
        "Work instruction",
        "clear 7, sheet 12 (invented)",
        "technicians 1 and 2, trained by 9",
        "90 days. Set by: sheet 12, page 3.",
        "55 °C. Set by: owner, after sheet 12.",
        "bench 1, office",
        "the extraction alarm sounds.",
        # Six months after the last day of August: February has no 31st.
        "2027-02-28",
    ):
        assert said in page, said
        assert squeezed(said) in squeezed(paper), said
    assert words()["headings"]["scope"] not in page
    assert base64.b64encode(SVG).decode() in page
    # What the shop cannot take away stands there still.
    for row in words()["cautions"]["rows"]:
        assert row[0] in page


def test_film_is_in_mils_beside_every_micrometre(tmp_path: Path) -> None:
    """One inch is 25.4 mm exactly (NIST SP 811, B.8), so one mil 25.4 µm: 8 µm are 0.315 mil."""
    page, paper = faces(shop(tmp_path))
    for text in (page, paper.replace("\n", " ")):
        assert "Stop when 8 µm (0.31 mil) of film has been removed" in text
        assert "Removed, mil" in text
    visible = re.sub(r"<svg.*?</svg>", "", page, flags=re.S)
    assert not re.findall(r"\d µm(?! \()", visible)
    assert with_mils("25.4 µm of 50.8 µm") == "25.4 µm (1.00 mil) of 50.8 µm (2.00 mil)"


def test_an_older_revision_keeps_the_words_it_was_issued_with(tmp_path: Path) -> None:
    faces(shop(tmp_path))
    shop(tmp_path, OWN.replace("Training shop 3", "Training shop 4"))
    fl.revise_procedure(
        stand_ins.recipe(),
        number="SP-1",
        revises=1,
        reason="new name",
        approved_by="owner",
        folder=tmp_path,
        date="2026-09-01",
    )
    assert "Training shop 3" in (tmp_path / "SP-1.html").read_text()
    assert "Training shop 4" in (tmp_path / "SP-1.rev2.html").read_text()
    assert not fl.procedure_register(tmp_path).cautions
    (tmp_path / "SP-1.html").unlink()
    assert fl.procedure_register(tmp_path).cautions
    assert "Training shop 3" in (tmp_path / "SP-1.html").read_text()


def test_hostile_words_of_a_shop_come_out_as_text(tmp_path: Path) -> None:
    wild = '<script>alert(1)</script> #panic() {{ 7*7 }} $x$ \\\\ "'
    hostile = wild.replace('"', '\\"')
    text = f'name = "{hostile}"\n[added]\nstop = ["{hostile}"]\n'
    page, paper = faces(shop(tmp_path, text))
    assert "<script>" not in page
    assert squeezed("<script>alert(1)</script> #panic() {{ 7*7 }} $x$") in squeezed(paper)


def test_a_logo_of_each_kind_goes_on_every_document(tmp_path: Path) -> None:
    (tmp_path / "mark.png").write_bytes(PNG)
    shop(tmp_path, OWN.replace("mark.svg", "mark.png"))
    page, _ = faces(tmp_path)
    assert "data:image/png;base64," in page
    fl.print_procedure(tmp_path, "SP-1", path=tmp_path / "card.pdf", document="bench card")
    read = {"job": "door", "before": {}, "after": {"gloss_20": 85.0, "haze": 9.0}}
    fl.print_customer_page(tmp_path, "SP-1", path=tmp_path / "door.pdf", **read)
    for name in ("card.pdf", "door.pdf"):
        assert "Training shop 3" in told("pdftotext", str(tmp_path / name), "-")


def test_every_mistake_of_the_file_is_told_at_once_and_nothing_written(tmp_path: Path) -> None:
    text = """
name = 3
logo = "mark.gif"
mils = "yes"
review_months = 0
colour = "red"
[headings]
scoop = "x"
stop = ""
[head]
time_of_section = "long"
[filled]
hold_off = "90 days"
[added]
cautions = ["none"]
stop = "one"
"""
    with pytest.raises(fl.ProcedureError) as caught:
        fl.write_procedure(stand_ins.recipe(), number="SP-1", folder=shop(tmp_path, text))
    said = str(caught.value)
    for wanted in (
        "name is 3; write a text in quotation marks",
        "the logo mark.gif is no picture that is known. Give a PNG, JPEG or SVG.",
        "mils is 'yes'; write true",
        "review_months is 0; write whole months from 1 to 120.",
        "'colour' is not known.",
        "headings.scoop is not known. Did you mean 'scope'?",
        "headings.stop is ''; write a text",
        "head.time_of_section holds figures that are filled in",
        "filled.hold_off names no one: a limit is taken only with who set it. Add hold_off_set_by.",
        "added.cautions is not known.",
        "added.stop is 'one'; write a list of texts.",
    ):
        assert wanted in said, wanted
    assert not list(tmp_path.glob("SP-1*"))


@pytest.mark.parametrize(
    ("text", "logo", "wanted"),
    [
        ("name = ", SVG, "cannot be read as TOML"),
        (
            'logo = "none.png"',
            SVG,
            "none.png cannot be read (No such file or directory). Put it beside shop.toml.",
        ),
        ('logo = "mark.svg"', b"GIF89a", "is not what its ending says"),
        ('logo = "mark.svg"', b"<svg>" + b" " * 500_000, "500,005 bytes"),
        ('logo = "mark.svg"', SVG[:-8], "the logo mark.svg is not well-formed SVG. Save it anew, or as PNG."),
        ('logo = "mark.svg"', b"<html/>", "the logo mark.svg begins like a picture and cannot be drawn."),
        (
            'logo = "mark.svg"',
            SVG.replace(b"<rect", b'<image href="https://example.org/a.png"/><rect'),
            "the logo mark.svg links to something outside itself.",
        ),
        (
            'logo = "mark.svg"',
            SVG.replace(b"<rect", b"<style>rect { fill: url('//example.org/a.svg#b') }</style><rect"),
            "the logo mark.svg links to something outside itself.",
        ),
        (
            'logo = "mark.svg"',
            SVG.replace(b"<rect", b"<style>@import 'a.css';</style><rect"),
            "the logo mark.svg links to something outside itself.",
        ),
        (
            'logo = "mark.svg"',
            b'<!DOCTYPE svg [<!ENTITY a "aaaa">]>' + SVG,
            "the logo mark.svg has a document type",
        ),
        (
            'logo = "mark.svg"',
            SVG.replace(b"<rect", b"<script>alert(1)</script><rect"),
            "the logo mark.svg holds a <script>.",
        ),
        (
            'logo = "../mark.svg"',
            SVG,
            "the logo ../mark.svg lies outside the study's folder. Put a copy beside",
        ),
        ("filled = 3", SVG, "filled is 3; write its lines below [filled]."),
    ],
)
def test_a_file_that_cannot_be_used_is_told_in_words(
    text: str, logo: bytes, wanted: str, tmp_path: Path
) -> None:
    with pytest.raises(fl.ProcedureError, match=re.escape(wanted)):
        read_shop(shop(tmp_path, text, logo))


def test_without_a_file_the_lines_stay_for_the_hand(tmp_path: Path) -> None:
    page, _ = faces(tmp_path)
    assert page.count("to fill in by hand") >= len(words()["filled"])
    assert kept_file(tmp_path / "SP-1.json")["facts"]["shop"] == {}


@pytest.mark.parametrize(
    ("name", "data"),
    [("a.png", PNG[:40]), ("a.jpg", b"\xff\xd8\xff\xe0 no picture"), ("a.jpg", b"\xff\xd8 \xff\xd9")],
)
def test_a_picture_with_the_right_beginning_and_a_broken_body_is_refused(
    name: str, data: bytes, tmp_path: Path
) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(fl.ProcedureError, match=rf"the logo {name} .*\. Save it anew"):
        read_shop(shop(tmp_path, f'logo = "{name}"'))


def test_a_logo_may_lie_anywhere_in_the_studys_folder(tmp_path: Path) -> None:
    (tmp_path / "procedures").mkdir()
    (tmp_path / "mark.png").write_bytes(PNG)
    folder = shop(tmp_path / "procedures", 'logo = "../mark.png"')
    with pytest.raises(fl.ProcedureError, match="outside the study's folder"):
        read_shop(folder)
    (tmp_path / "study.toml").write_text("")
    assert read_shop(folder)["logo"]["kind"] == "png"


def test_an_svg_that_refers_to_itself_alone_is_taken(tmp_path: Path) -> None:
    inside = (
        b'<defs><linearGradient id="a"/></defs><rect fill="url(#a)" width="9" height="4"/><use href="#a"/>'
    )
    svg = SVG.replace(b'<rect width="9" height="4"/>', inside)
    assert read_shop(shop(tmp_path, 'logo = "mark.svg"', svg))["logo"]["kind"] == "svg+xml"


def test_a_logo_that_has_gone_bad_is_left_out_with_a_caution_and_the_rest_is_printed(tmp_path: Path) -> None:
    """A revision kept by an older finishlab, which took any picture whose beginning was right."""
    made = fl.write_procedure(stand_ins.recipe(), number="SP-1", folder=tmp_path)
    bad = {"name": "Training shop 3", "logo": {"kind": "png", "data": base64.b64encode(PNG[:40]).decode()}}
    caution = "The logo is left out: it begins like a picture and cannot be drawn."
    for document in ("procedure", "bench card"):
        path = tmp_path / "out.pdf"
        path.write_bytes(pdf_of({**made.facts, "shop": bad}, document, "a4"))  # type: ignore[arg-type]
        text = told("pdftotext", "-raw", str(path), "-").replace("\n", " ")
        assert caution in text
        assert "Training shop 3" in text
        assert "wool, compound A" in text
    page = render({**made.facts, "shop": bad})
    assert caution in page
    assert "data:image" not in page
