"""Sanding grades against the published series and what is known of the older scale."""

import dataclasses
import re
import tomllib
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest

from finishlab.errors import FinishlabError, StudyError
from finishlab.trade.abrasives import Grade, grade, is_graded, order_key

REFERENCE = Path(__file__).parent.parent / "reference"


@pytest.fixture(scope="module")
def series() -> pd.DataFrame:
    """FEPA 43-2 / ISO 6344: how each size was got stands in the file's last column."""
    # Sizes stay text, so that their last digit is known.
    return pd.read_csv(REFERENCE / "grit_p_series.csv", comment="#", dtype={"median_um": str})


@pytest.fixture(scope="module")
def facts() -> dict:
    return tomllib.loads((REFERENCE / "grit_facts.toml").read_text())


def every_known(system: str) -> list[Grade]:
    """All grades of a scale, found by asking for every number up to 6000."""
    found = []
    for number in range(6001):
        try:
            found.append(grade(str(number), system=system))
        except StudyError:
            continue
    return found


def half_a_unit_of_the_last_digit(printed: str) -> float:
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])


# ---- sizes -----------------------------------------------------------------------------------------------


def test_every_size_is_the_published_one(series):
    assert len(series) == 28
    for name, printed in zip(series["grade"], series["median_um"], strict=True):
        found = grade(name)
        assert found.published
        assert found.system == "P"
        assert found.grain_um == pytest.approx(float(printed), abs=half_a_unit_of_the_last_digit(printed))


def test_sizes_agree_with_the_rounded_chart_that_was_read(series):
    # The chart rounds to 1 micrometre, but for P240 (60 where the median is 58.5), as the file's heading says.
    apart = {
        name
        for name, read in zip(series["grade"], series["rounded_um_read"], strict=True)
        if abs(grade(name).grain_um - read) > 0.5
    }
    assert apart == {"P240"}


def test_no_size_is_given_that_was_not_published(series):
    assert [g.name for g in every_known("P") if g.published] == series["grade"].tolist()


def test_the_older_scale_read_as_p_numbers_would_miss_the_published_sizes(facts):
    # The wrong model: taking CAMI 800 for P800. It is off by the factor between P800 and P1500.
    near = facts["equivalence"]["800"]
    assert grade("P800").grain_um > 1.5 * grade(near).grain_um


def test_sizes_fall_as_the_number_rises():
    sizes = [g.grain_um for g in every_known("P") if g.published]
    assert all(coarser > finer for coarser, finer in pairwise(sizes))


def test_each_size_says_where_it_comes_from():
    assert "from memory" in grade("P1500").source
    assert "ISO 6344-3" in grade("P1500").source
    assert "read in an online encyclopaedia" in grade("P80").source
    assert "read in a wood-finishing comparison chart" in grade("P180").source


# ---- grades without a size -------------------------------------------------------------------------------


def test_grades_past_p2500_are_standard_but_have_no_verified_size(facts):
    assert facts["iso_6344"]["part_3_2021_range"] == ["P240", "P5000"]
    assert [g.name for g in every_known("P") if not g.published] == ["P3000", "P5000"]
    for name in ("P3000", "P5000"):
        assert grade(name).grain_um is None
        assert re.search(r"ISO 6344-3:2021 .* size was not verified: an ordered category", grade(name).source)


def test_the_older_scale_holds_only_what_was_read_and_no_size(facts):
    known = every_known("CAMI")
    numbers = [n for n in facts["equivalence"] if n.isdigit()]
    assert [g.name for g in known] == [f"CAMI {n}" for n in numbers]
    for found, number in zip(known, numbers, strict=True):
        assert found.grain_um is None
        assert not found.published
        assert facts["equivalence"][number] in found.source
        assert "ordered category" in found.source


def test_a_grade_is_published_exactly_when_it_has_a_size():
    assert all(g.published == (g.grain_um is not None) for g in every_known("P") + every_known("CAMI"))


# ---- reading marks ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["P1500", "p1500", " P1500 ", "P 1500", " p 1500"])
def test_capitals_and_spaces_do_not_matter(text):
    assert grade(text) is grade("P1500")


@pytest.mark.parametrize("text", ["CAMI 800", "cami800", " Cami  800"])
def test_the_older_scale_is_read_by_its_name(text):
    assert grade(text) == grade("800", system="CAMI")


def test_a_bare_number_is_read_on_the_scale_that_is_named():
    assert grade("1500", system="P") == grade("P1500")
    assert grade("800", system="CAMI") != grade("800", system="P")


def test_every_name_is_read_back_as_the_same_grade():
    assert all(grade(g.name) == g for g in every_known("P") + every_known("CAMI"))


def test_a_grade_cannot_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        grade("P1500").grain_um = 5.0


# ---- order -----------------------------------------------------------------------------------------------


def test_grades_sort_coarse_to_fine_by_number_not_by_letter():
    names = ["P5000", "P800", "P3000", "P1500", "P80", "P2500"]
    assert [g.name for g in sorted(map(grade, names), key=order_key)] == [
        "P80", "P800", "P1500", "P2500", "P3000", "P5000",
    ]  # fmt: skip
    assert sorted(names) != [g.name for g in sorted(map(grade, names), key=order_key)]


def test_the_older_scale_sorts_in_the_order_of_its_p_neighbours(facts):
    found = sorted(every_known("CAMI"), key=order_key)
    near = [facts["equivalence"][g.name.removeprefix("CAMI ")] for g in found]
    sizes = [grade(name).grain_um for name in near if name.startswith("P")]
    assert facts["equivalence"]["lower_number_is_coarser"]
    assert sizes == sorted(sizes, reverse=True)
    assert len(sizes) == 5


@pytest.mark.parametrize(
    "names", [["P1500", "CAMI 800"], ["CAMI 800", "P1500"], ["P800", "P1500", "CAMI 600"]]
)
def test_two_scales_are_never_put_in_one_order(names):
    wanted = r"grits of two scales \(CAMI, P\) have no common order: .* Use grades of one scale"
    with pytest.raises(StudyError, match=wanted):
        sorted(map(grade, names), key=order_key)
    with pytest.raises(StudyError, match=wanted):
        is_graded(names)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["P1500", "P2000", "P2500"], True),
        (["P2500"], True),
        (["P1500", "P2000", "P3000"], False),
        (["P3000", "P5000"], False),
        (["CAMI 600", "CAMI 800"], False),
        ([], False),
    ],
)
def test_grain_size_may_be_modelled_only_where_every_grade_has_one(names, expected):
    assert is_graded(names) is expected
    assert is_graded(reversed(names)) is expected


# ---- messages --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "system", "wanted"),
    [
        (
            "P1550",
            None,
            r"grit 'P1550' is not a known grade of the P scale .*Nearest: P1500, P2000\. Write the mark",
        ),
        (
            "P4000",
            None,
            r"Nearest: P3000, P5000\. .*not among the known ones, log the abrasive as a setting of its",
        ),
        ("P9000", None, r"Nearest: P5000\."),
        ("P1", None, r"Nearest: P12\."),
        (
            "CAMI 700",
            None,
            r"'CAMI 700' is not a known grade of the older US scale\. Nearest: CAMI 600, CAMI 800\.",
        ),
        (
            "1500",
            None,
            r"'1500' does not name its scale.*CAMI 800 is about P1500\. Write 'P1500', if that is what",
        ),
        ("800", None, r"Write 'P800' or 'CAMI 800', if that is what the back of the abrasive says"),
        (
            "700",
            None,
            r"No known grade has the number 700\. Nearest: P600, P800; CAMI 600, CAMI 800\. Write the mark",
        ),
        (
            "P800",
            "CAMI",
            r"'P800' carries the mark of the P scale .* but 'CAMI' was asked for\. The scales are not the",
        ),
        ("800", "US", r"grit scale 'US' is not known\. Use 'P' or 'CAMI'\."),
        ("PP1500", None, r"'PP1500' is not a scale and a number.* Nearest: P1500, P500\."),
        ("fine", None, r"'fine' is not a scale and a number.* Known: P12 to P5000; CAMI 320 to CAMI 800\."),
        ("", None, r"'' is not a scale and a number"),
        ("P1500/P2000", None, r"is not a scale and a number"),
        ("P-1500", None, r"is not a scale and a number.* Nearest: P1500"),
    ],
)
def test_an_unknown_mark_is_answered_with_the_nearest_known_and_what_to_do(text, system, wanted):
    with pytest.raises(StudyError, match=wanted) as caught:
        grade(text, system=system)
    assert isinstance(caught.value, FinishlabError)
    assert isinstance(caught.value, ValueError)


def test_all_unknown_marks_of_a_list_are_named_at_once():
    with pytest.raises(StudyError) as caught:
        is_graded(["P1550", "P2000", "fine", "1500"])
    assert len(caught.value.mistakes) == 3
    for text in ("'P1550'", "'fine'", "'1500'"):
        assert text in str(caught.value)
