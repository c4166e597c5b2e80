"""Whatever a sheet says, the record book says again: sheet -> book -> sheet is the identity.

Sheets are drawn by hypothesis as shops send them in: any text, numbers of every digit, gaps,
repeats, mil and micrometres, trials at every stage, columns of the shop's own.
"""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, note, settings
from hypothesis import strategies as st
from record_sheets import STUDY

import finishlab as fl
from finishlab.records import check_trials, read_trials, write_trials

# What no database holds, NUL and halves of letters, is refused in words (test_records_book.py).
TEXT = (
    st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), min_size=1, max_size=12)
    | st.sampled_from(
        ["=1+1", "'=1+1", "''-x", "a;=1+1", "-5", "+5", "@x", "\t=x", "1,5", "007", "1e5", "True", "None", "nan",
         "_x000D_", "a\r\nb", "<b>&amp;</b>", "'; DROP TABLE trials; --", "2026-03-09", "1.10", "#N/A", "é漢😀\u202e", "{\"when\": 1}"]
    )
).map(lambda text: text.strip(" \t\r\n\u00a0\u202f")).filter(bool)  # fmt: skip
LABEL = st.integers(1, 99) | TEXT


def between(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers with every digit a float has, and such as a person types."""
    return st.floats(low, high) | st.floats(low, high).map(lambda v: min(max(round(v, 1), low), high))


def maybe(values: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    return st.none() | values


@st.composite
def row(draw: st.DrawFn, number: int, in_mil: bool) -> dict[str, object]:
    status = draw(st.sampled_from(["done", "done", "done", "planned", "started", "spoiled"]))
    done, unit = status == "done", 25.4 if in_mil else 1.0
    burned = draw(st.sampled_from([None, None, None, "cut"])) if done else None
    polish = draw(st.integers(0, 4))
    gloss = draw(between(25, 95))
    film = "mil" if in_mil else "um"
    return {
        "trial": number, "panel": draw(st.sampled_from(["A", 7, "P 2", "=A1"])), "patch": number,
        "run_order": draw(st.just(number)), "technician": draw(st.sampled_from(["T1", "Ö", 12])), "status": status,
        "reason": draw(TEXT) if status == "spoiled" else draw(maybe(TEXT)), "burned_after_step": burned,
        "date": draw(maybe(st.datetimes(dt.datetime(2020, 1, 1), dt.datetime(2030, 1, 1)).map(lambda d: d.replace(microsecond=0)))),
        "sand_grit": draw(st.sampled_from(["P2000", "P3000"])), "cut_pad": draw(st.sampled_from(["wool", "microfibre", "foam"])),
        "cut_passes": draw(st.integers(1, 8)), "polish_passes": polish,
        "polish_speed": draw(between(900, 1800)) if polish else None,
        "sand_gloss_60": draw(maybe(between(5, 60))), "start_gloss_20": draw(maybe(between(80, 90))),
        "gloss_20_1": gloss if done else None, "gloss_20_2": gloss + draw(between(-1, 1)) if done and draw(st.booleans()) else None,
        "faults": draw(st.integers(0, 9)) if done else None,
        f"film_before_{film}": draw(between(100, 120)) / unit if draw(st.booleans()) else None,
        f"film_after_{film}": draw(between(70, 99)) / unit if done and draw(st.booleans()) else None,
        "cut_minutes": draw(maybe(between(0.5, 2))) if done else None, "minutes": draw(between(5, 9)) if done else None,
        "note": draw(maybe(TEXT)), "lot": draw(maybe(LABEL)), "air": draw(maybe(st.floats(-40, 60))),
        "fresh": draw(st.booleans()),
    }  # fmt: skip


@st.composite
def sheets(draw: st.DrawFn) -> pd.DataFrame:
    in_mil = draw(st.booleans())
    numbers = draw(st.lists(st.integers(1, 10**6), min_size=1, max_size=6, unique=True))
    table = pd.DataFrame([draw(row(number, in_mil)) for number in numbers])
    empty = [c for c in ("date", "note", "lot", "sand_gloss_60") if draw(st.booleans())]
    return table.drop(columns=empty)


def same(found: pd.DataFrame, wanted: pd.DataFrame) -> None:
    """Every column of the sheet that says anything is in the book's table, cell for cell, to the last digit."""
    # Film in mil goes into the book as micrometres, which stand beside it in the sheet as it is read.
    there = [c for c in wanted.columns if wanted[c].notna().any() and not c.endswith("_mil")]
    for name in there:
        ours, theirs = (t[name].astype(object).where(t[name].notna(), None).tolist() for t in (found, wanted))
        assert ours == theirs, name
    # And nothing came in that no one wrote.
    more = [c for c in found.columns if c not in there and found[c].notna().any()]
    assert more == [], more


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(sheets())
def test_a_sheet_through_the_book_and_out_again_is_the_same_sheet(ending: str, table: pd.DataFrame):
    trials, _ = check_trials(table, STUDY)
    note(table.to_dict("list"))
    with tempfile.TemporaryDirectory() as place:
        sent, out = Path(place, f"in.{ending}"), Path(place, f"out.{ending}")
        write_trials(trials, sent)
        read = read_trials(sent, STUDY)
        with (
            fl.RecordBook(Path(place, "a.sqlite")) as first,
            fl.RecordBook(Path(place, "b.sqlite")) as second,
        ):
            assert first.import_sheet(STUDY, sent, technician="O").new == len(table)
            found = first.trials(STUDY)
            same(found, read)
            write_trials(found, out)
            second.import_sheet(STUDY, out, technician="O")
            pd.testing.assert_frame_equal(second.trials(STUDY), found)
            again = first.import_sheet(STUDY, out, technician="O")
            assert (again.new, again.same) == (0, len(table))
