"""Sheets as files: what spreadsheets and meters write is read, what is written no spreadsheet runs."""

import csv
import datetime as dt
import io
import os
import re
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest
from record_sheets import STUDY, but, csv_text, good

from finishlab.errors import RecordsError
from finishlab.records import check_trials, read_trials, write_trials
from finishlab.records.sheets import csv_file, sheet_files, xlsx_file
from finishlab.records.sheets.sheet import guarded, unguarded

# OWASP, "CSV Injection" (from memory): characters that make a spreadsheet take a cell for a formula.
OWASP = ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"]


@pytest.fixture
def trials():
    return check_trials(pd.DataFrame(good()), STUDY)[0]


def written(folder, text, encoding="utf-8"):
    path = folder / "trials.csv"
    path.write_bytes(text.encode(encoding))
    return path


def refusal(path, study=STUDY):
    with pytest.raises(RecordsError) as caught:
        read_trials(path, study)
    return str(caught.value)


def workbook(folder, rows, title="trials", name="trials.xlsx"):
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    book.save(folder / name)
    return folder / name


def rows_of(sheet):
    return [list(sheet), *map(list, zip(*sheet.values(), strict=True))]


# --- CSV as spreadsheets, meters and people write it -------------------------------------------


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_separator_and_encoding_do_not_matter(tmp_path, trials, separator, encoding):
    read = read_trials(written(tmp_path, csv_text(good(), separator), encoding), STUDY)
    pd.testing.assert_frame_equal(read, trials)
    assert read.attrs["cautions"] == ()
    assert read.attrs["source"] == "trials.csv"


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_the_kind_of_line_end_does_not_matter(tmp_path, trials, end):
    pd.testing.assert_frame_equal(
        read_trials(written(tmp_path, csv_text(good()).replace("\n", end)), STUDY), trials
    )


def test_letters_of_an_old_encoding_are_read_with_a_caution(tmp_path):
    read = read_trials(written(tmp_path, csv_text(good(note=["20 °C", *["é"] * 5])), "cp1252"), STUDY)
    assert read["note"].tolist() == ["20 °C", *["é"] * 5]
    assert read.attrs["cautions"][0].startswith("trials.csv is not UTF-8; it was read as Windows-1252.")


def test_what_reading_had_to_decide_stays_true_when_the_table_is_checked_again(tmp_path):
    read = read_trials(written(tmp_path, csv_text(good(note=["20 °C"] * 6)), "cp1252"), STUDY)
    assert read_trials(read, STUDY).attrs["cautions"] == read.attrs["cautions"] != ()


def test_quotes_are_read_as_rfc_4180_says(tmp_path):
    # RFC 4180 section 2, rules 5 to 7 (from memory): fields in quotes may hold commas, line ends and doubled quotes.
    head, first, *rest = csv_text(good()).splitlines()
    text = "\r\n".join([f"{head},note", f'{first},"b ""bb"", c\r\nd"', *(f"{r},aaa" for r in rest)])
    read = read_trials(written(tmp_path, text), STUDY)
    assert read["note"].tolist() == ['b "bb", c\r\nd', *["aaa"] * 5]


def test_blank_lines_blank_columns_and_padding_do_not_matter(tmp_path, trials):
    head, first, *rest = csv_text(good()).splitlines()
    text = "\n".join(["", f"  {head.replace(',', ' , ')},,", first, ",,,", "  ", "", *rest, ""])
    pd.testing.assert_frame_equal(read_trials(written(tmp_path, text), STUDY), trials)


def test_a_line_that_names_the_separator_is_not_a_row(tmp_path, trials):
    text = "sep=;\n" + csv_text(good(), ";")
    pd.testing.assert_frame_equal(read_trials(written(tmp_path, text), STUDY), trials)


def test_rows_count_as_a_spreadsheet_counts_them(tmp_path):
    head, first, *rest = csv_text(good(**but("faults", 7, -1))).splitlines()
    text = "\n".join(["", head, first, "", *rest])
    assert "row 9, faults: -1 is below 0." in refusal(written(tmp_path, text))


def decimal_commas(sheet):
    return {k: [str(v).replace(".", ",") if isinstance(v, float) else v for v in c] for k, c in sheet.items()}


@pytest.mark.parametrize("separator", [";", ","])
def test_decimal_commas_are_read_as_numbers_with_a_caution(tmp_path, trials, separator):
    read = read_trials(written(tmp_path, csv_text(decimal_commas(good()), separator)), STUDY)
    pd.testing.assert_frame_equal(read, trials)
    assert read.attrs["cautions"] == (
        "Decimal commas were read as decimal points in sand_gloss_60 ('20,1' as 20.1) and 6 more columns.",
    )


def test_three_digits_after_a_comma_are_taken_only_where_the_column_leaves_no_doubt(tmp_path):
    minutes = ["6,5", "8,0", "5,5", "7,0", "7,5", "6,125"]
    read = read_trials(written(tmp_path, csv_text(good(minutes=minutes), ";")), STUDY)
    assert read["minutes"].iloc[5] == 6.125
    assert "row 7, minutes: '6,125' can be read two ways. Write 6125 or 6.125." in refusal(
        written(tmp_path, csv_text(good(minutes=minutes), ","))
    )


def test_a_decimal_comma_without_quotes_is_answered_as_a_cell_too_many(tmp_path):
    text = csv_text(good()).replace("84.1", "84,1")
    assert refusal(written(tmp_path, text)) == (
        "trials.csv has 1 mistake; nothing of it was taken.\n"
        "  - row 2: has 19 cells where the headings have 18. Look for a comma inside a number or a note: write a decimal "
        "point, and put text with a separator in it between quotes."
    )


def test_dates_are_read_year_first_dotted_or_by_the_only_order_that_fits(tmp_path):
    dates = [
        "2026-03-09",
        "9.3.2026",
        "31/12/2025",
        "01/02/2026",
        "2026-03-09 10:30",
        "2026-03-09T10:30:00+02:00",
    ]
    read = read_trials(written(tmp_path, csv_text(good(date=dates))), STUDY)
    assert read["date"].astype(str).tolist() == [
        "2026-03-09 00:00:00", "2026-03-09 00:00:00", "2025-12-31 00:00:00", "2026-02-01 00:00:00",
        "2026-03-09 10:30:00", "2026-03-09 10:30:00",
    ]  # fmt: skip


def test_the_shops_own_columns_become_numbers_only_where_that_loses_nothing(tmp_path):
    own = {
        "count": ["1", "20", "300", "4", "5", "6"],
        "temperature": ["20.5", "21.0", "-3.25", "1e-07", "22.0", "19.5"],
        "fresh": ["True", "False", "True", "True", "True", "True"],
        "lot": ["007", "12", "13", "14", "15", "16"],
        "version": ["1.10", "1.2", "1.3", "1.4", "1.5", "1.6"],
        "code": ["1e5", "2", "3", "4", "5", "6"],
    }
    read = read_trials(written(tmp_path, csv_text(good(**own))), STUDY)
    assert [read[c].dtype.kind for c in own] == ["i", "f", "b", "O", "O", "O"]
    assert read["lot"].tolist() == own["lot"]
    assert read["version"].tolist() == own["version"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "trials.csv is empty. Write one row of headings and one row for each trial."),
        ("\n ,,\n", "trials.csv is empty. Write one row of headings and one row for each trial."),
        (
            'panel,minutes\nA,"6.5\nB,7\n',
            "trials.csv: row 2 has a quote that does not fit (unexpected end of data), from line 3 or above. Close every "
            "quote you open, and double a quote inside quotes. Mend that place first; other mistakes are listed once it "
            "reads.",
        ),
        (
            'panel,minutes\nA,"6" 5\n',
            "trials.csv: row 2 has a quote that does not fit (',' expected after '\"'), from line 2 or above. Close every "
            "quote you open, and double a quote inside quotes. Mend that place first; other mistakes are listed once it "
            "reads.",
        ),
        (
            "Our trial log\n" + csv_text(good()),
            "trials.csv: row 1 should have the headings but has only 'Our trial log'. Delete the rows above the headings.",
        ),
    ],
)
def test_text_that_is_no_sheet_is_answered_in_plain_words(tmp_path, text, expected):
    assert refusal(written(tmp_path, text)) == expected


def test_a_sheet_with_only_headings_is_answered_in_plain_words(tmp_path):
    assert refusal(written(tmp_path, ",".join(good()) + "\n")) == (
        "trials.csv has 1 mistake; nothing of it was taken.\n"
        "  - there are headings but no trials. Write one row for each trial."
    )


def test_values_below_no_heading_are_answered_by_the_letter_of_their_column(tmp_path):
    head, first, *rest = csv_text(good()).splitlines()
    text = "\n".join([f"{head},,note", f"{first},,x", *(f"{r},7,x" for r in rest)])
    assert refusal(written(tmp_path, text)).endswith(
        "  - column S has no heading but has values, as '7' in row 3. Write a heading above it, or delete the column."
    )


def test_a_file_larger_than_the_cap_is_not_read(tmp_path, monkeypatch):
    monkeypatch.setattr(csv_file, "MOST_BYTES", 500)
    assert refusal(written(tmp_path, csv_text(good()))) == (
        "trials.csv is larger than 0 MB, more than a trial sheet can be. Save only the trials, or split the file."
    )


def test_a_file_cut_in_the_middle_of_a_letter_is_answered(tmp_path):
    path = written(tmp_path, csv_text(good()), "utf-16")
    path.write_bytes(path.read_bytes()[:-1])
    assert refusal(path).startswith("trials.csv is not text a spreadsheet can read (truncated data at byte ")


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (
            "trials.xls",
            "trials.xls is an older workbook, which is not read. Save the trials as .xlsx or .csv.",
        ),
        (
            "trials.xlsm",
            "trials.xlsm is a workbook with macros, which is not read. Save the trials as .xlsx or .csv.",
        ),
        ("trials.dat", "trials.dat is of kind '.dat', which is not read. Save the trials as .xlsx or .csv."),
        ("trials", "trials is without an ending, which is not read. Save the trials as .xlsx or .csv."),
    ],
)
def test_other_kinds_of_file_are_answered_in_plain_words(name, expected):
    assert refusal(name) == expected


def test_a_file_that_is_not_there_is_answered_with_its_folder(tmp_path):
    assert refusal(tmp_path / "trials.csv") == (
        f"there is no file trials.csv in {tmp_path}. Look at the name and the folder."
    )


def test_a_folder_named_like_a_sheet_is_answered_in_plain_words(tmp_path):
    (tmp_path / "trials.csv").mkdir()
    assert refusal(tmp_path / "trials.csv").startswith("trials.csv cannot be read (")


# --- XLSX --------------------------------------------------------------------------------------


def test_a_workbook_reads_as_the_csv_does(tmp_path, trials):
    pd.testing.assert_frame_equal(read_trials(workbook(tmp_path, rows_of(good())), STUDY), trials)


def test_dates_of_a_spreadsheet_are_dates(tmp_path):
    path = workbook(
        tmp_path,
        rows_of(
            good(date=[dt.datetime(2026, 3, 9, 10, 30), dt.date(2026, 3, 10), "2026-03-11", *[None] * 3])
        ),
    )
    assert read_trials(path, STUDY)["date"].astype(str).tolist()[:3] == [
        "2026-03-09 10:30:00", "2026-03-10 00:00:00", "2026-03-11 00:00:00",
    ]  # fmt: skip


def test_day_45000_of_the_1900_date_system_is_15_march_2023(tmp_path):
    # ECMA-376 part 1, 18.17.4.1: serial dates count from 1900 (the worked value from memory).
    path = workbook(tmp_path, rows_of(good(date=[45000, *[None] * 5])))
    book = openpyxl.load_workbook(path)
    book.active.cell(2, len(good()) + 1).number_format = "yyyy-mm-dd"
    book.save(path)
    assert read_trials(path, STUDY)["date"].iloc[0] == pd.Timestamp("2023-03-15")


def test_rows_of_a_workbook_count_as_the_spreadsheet_counts_them(tmp_path):
    rows = rows_of(good(**but("faults", 7, -1)))
    assert "row 9, faults: -1 is below 0." in refusal(workbook(tmp_path, [[], *rows[:3], [], *rows[3:]]))


def test_the_worksheet_called_trials_is_read_and_the_others_named(tmp_path, trials):
    path = workbook(tmp_path, [["pad", "price"], ["wool", 12]], title="prices")
    book = openpyxl.load_workbook(path)
    sheet = book.create_sheet("Trials")
    for row in rows_of(good()):
        sheet.append(row)
    book.create_sheet("empty")
    book.save(path)
    read = read_trials(path, STUDY)
    pd.testing.assert_frame_equal(read, trials)
    assert read.attrs["cautions"] == (
        "trials.xlsx has more than one worksheet with cells; 'Trials' was read, not prices.",
    )


def test_a_formula_without_a_stored_value_is_a_mistake_in_its_cell(tmp_path):
    assert refusal(workbook(tmp_path, rows_of(good(**but("gloss_60", 3, "=K3+7"))))) == (
        "trials.xlsx has 1 mistake; nothing of it was taken.\n"
        "  - row 3, gloss_60: '=K3+7' is a formula, and the file has no value for it. Open the file in a spreadsheet and "
        "save it, or type the value."
    )


def test_a_formula_with_a_stored_value_is_read_as_that_value(tmp_path, trials):
    path = workbook(tmp_path, rows_of(good()))
    # As a spreadsheet saves it: the formula and its value side by side.
    edited(path, "xl/worksheets/sheet1.xml", b"<v>92.5</v>", b"<f>K3+7.5</f><v>92.5</v>")
    pd.testing.assert_frame_equal(read_trials(path, STUDY), trials)


def edited(path, part, old, new):
    with zipfile.ZipFile(path) as archive:
        parts = {i.filename: archive.read(i) for i in archive.infolist()}
    assert old in parts[part]
    parts[part] = parts[part].replace(old, new)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)


def test_a_value_right_of_the_headings_is_a_mistake(tmp_path):
    rows = rows_of(good())
    rows[3].append("see back")
    assert refusal(workbook(tmp_path, rows)).endswith(
        "  - row 4: 'see back' stands to the right of the last heading. Write a heading above it, or delete it."
    )


def test_a_workbook_that_unpacks_to_more_than_the_cap_is_not_opened(tmp_path, monkeypatch):
    path = tmp_path / "trials.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "")
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 3 * 2**20)
    assert path.stat().st_size < 10_000
    monkeypatch.setattr(xlsx_file, "MOST_BYTES", 2**20)
    monkeypatch.setattr(openpyxl, "load_workbook", lambda *a, **k: pytest.fail("it was opened"))
    assert refusal(path) == (
        "trials.xlsx unpacks to 3 MB in 2 parts; a trial sheet of at most 1 MB is opened. Save only the trials, without "
        "pictures, or as CSV."
    )


def test_the_cap_on_a_workbook_is_200_mb():
    assert xlsx_file.MOST_BYTES == 200 * 1024 * 1024


@pytest.mark.parametrize("place", [b'"XFD3"', b'"R99999999"'])
def test_a_cell_far_out_is_refused_before_it_fills_the_memory(tmp_path, place):
    path = workbook(tmp_path, rows_of(good()))
    edited(path, "xl/worksheets/sheet1.xml", b'r="R3"', b"r=" + place)
    edited(
        path,
        "xl/worksheets/sheet1.xml",
        b'<row r="3"',
        b'<row r="3"' if b"X" in place else b'<row r="99999999"',
    )
    assert refusal(path) == (
        "trials.xlsx has cells beyond column BXX or row 1048576, which no trial sheet has. Delete what is not trials, and "
        "save it again."
    )


def container(folder, data):
    path = folder / "trials.xlsx"
    path.write_bytes(data)
    return path


def test_what_is_no_plain_workbook_is_answered_in_plain_words(tmp_path):
    # The first bytes of the compound file format ([MS-CFB] 2.2): an .xls, or an .xlsx under a password.
    old = container(tmp_path, bytes.fromhex("D0CF11E0A1B11AE1") + b"\0" * 600)
    assert refusal(old).startswith("trials.xlsx is under a password, or is an older workbook named .xlsx.")
    assert refusal(container(tmp_path, b"panel,minutes\n")).startswith(
        "trials.xlsx is not a workbook, or is damaged (File is not a zip file)."
    )
    assert refusal(container(tmp_path, b"")).startswith("trials.xlsx is not a workbook, or is damaged")
    with zipfile.ZipFile(tmp_path / "trials.xlsx", "w") as archive:
        archive.writestr("holiday.txt", "sun")
    assert refusal(tmp_path / "trials.xlsx") == (
        "trials.xlsx is a zip but not a workbook. Save the sheet as .xlsx or .csv."
    )
    path = workbook(tmp_path, rows_of(good()))
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"")
    assert refusal(path) == "trials.xlsx carries macros. Save it as .xlsx, which has none."
    path = workbook(tmp_path, rows_of(good()))
    edited(path, "xl/workbook.xml", b"<sheets>", b"<sheets")
    assert re.match(
        r"trials\.xlsx cannot be read as a workbook \(\w+\)\. Open it in a spreadsheet", refusal(path)
    )
    assert refusal(workbook(tmp_path, [])) == (
        "trials.xlsx is empty. Write one row of headings and one row for each trial."
    )


def test_a_workbook_whose_text_grows_without_end_is_refused(tmp_path):
    path = workbook(tmp_path, rows_of(good()))
    entities = "".join(f'<!ENTITY l{k} "{f"&l{k - 1};" * 10}">' for k in range(1, 12))
    bomb = f'<!DOCTYPE w [<!ENTITY l0 "lol">{entities}]>'.encode()
    edited(path, "xl/worksheets/sheet1.xml", b"<worksheet", bomb + b"<worksheet")
    edited(path, "xl/worksheets/sheet1.xml", b"<sheetData>", b"<sheetData>&l11;")
    assert (
        refusal(path) == "trials.xlsx defines text of its own, which no spreadsheet does. It is not opened."
    )


# --- writing -----------------------------------------------------------------------------------


@pytest.mark.parametrize("sign", OWASP)
def test_text_that_a_spreadsheet_could_run_is_guarded_and_comes_back(sign):
    for text in (f"{sign}1+1", sign, f"  {sign}x", f"'{sign}x", f"a;{sign}cmd", f"a\n{sign}x"):
        assert unguarded(guarded(text)) == text
    assert guarded(f"{sign}1+1") == f"'{sign}1+1"


@pytest.mark.parametrize(
    "text", ["soft foam", "the owner's pad", "5 - 3", "a=b", "x, then y", "", "'quoted'", "P1500"]
)
def test_harmless_text_is_written_as_it_is(text):
    assert guarded(text) == text
    assert unguarded(text) == text


def random_texts(count, seed):
    """Random text out of what makes trouble: signs, separators, quotes, line ends, escapes, wide letters."""
    rng = np.random.default_rng(seed)
    pieces = [
        *OWASP,
        "'",
        "''",
        '"',
        ",",
        ";",
        " ",
        "\u00a0",
        "a",
        "µ",
        "7",
        "\r\n",
        "_x000D_",
        "_",
        "\x07",
        "<&>",
        "#N/A",
        "\\",
    ]
    return ["a", *("".join(rng.choice(pieces, rng.integers(1, 9))) for _ in range(count - 1))]


def test_every_guarded_text_comes_back_and_begins_no_formula_wherever_a_cell_may_be_cut():
    for text in random_texts(5000, seed=3):
        safe = guarded(text)
        assert unguarded(safe) == text
        for cell in re.split(r"[;\t\r\n]", safe):
            assert not re.match(r" *[=+\-@＝＋－＠]", cell), (text, safe)
        assert safe[:1] not in "\t\r\n" or safe == ""


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_what_is_written_reads_back_the_same(tmp_path, kind):
    table = pd.concat([pd.DataFrame(good())] * 10, ignore_index=True)
    number = np.arange(60)
    rng = np.random.default_rng(5)
    table = table.assign(
        trial=number,
        patch=[f"{k}-" for k in number],
        run_order=number,
        date=pd.Timestamp("2026-03-09 10:30") + pd.to_timedelta(number, unit="h"),
        technician=["AB", "7"] * 30,
        status="done",
        reason=random_texts(60, seed=7),
        air=rng.normal(20, 1, 60),
        whole=rng.integers(-5, 5, 60).astype(float),
        count=rng.integers(-5, 5, 60),
        fresh=rng.random(60) < 0.5,
        note=random_texts(60, seed=8),
    )
    table.insert(3, "=own;@heading", random_texts(60, seed=9))
    table.loc[3, ["status", "reason"]] = ["spoiled", '=HYPERLINK("x")']
    table.loc[5, "air"] = np.nan
    first, cautions = check_trials(table, STUDY)
    path = write_trials(first, tmp_path / f"trials.{kind}")
    again = read_trials(path, STUDY)
    pd.testing.assert_frame_equal(again, first)
    assert again.attrs["cautions"] == cautions


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_numbers_keep_every_digit(tmp_path, trials, kind):
    values = [0.1 + 0.2, 1 / 3, 2 / 3, 84.0, 1e-9, 7.123456789012345]
    trials["minutes"] = values
    assert read_trials(write_trials(trials, tmp_path / f"t.{kind}"), STUDY)["minutes"].tolist() == values


def test_another_csv_reader_finds_the_same_cells(tmp_path):
    # Outside check: the csv module of the standard library, strict, as RFC 4180 describes.
    table = pd.DataFrame(
        {"panel": [1, 2], "note": ['a "b", c\r\nd', "=1+1"], "minutes": [6.5, np.nan], "x": [-3.2, 0.1]}
    )
    data = write_trials(table, tmp_path / "t.csv").read_bytes()
    assert data.startswith(b"\xef\xbb\xbf")
    text = data.decode("utf-8-sig")
    assert list(csv.reader(io.StringIO(text, newline=""), strict=True)) == [
        ["panel", "note", "minutes", "x"], ["1", 'a "b", c\r\nd', "6.5", "-3.2"], ["2", "'=1+1", "", "0.1"],
    ]  # fmt: skip
    assert text.count("\r\n") == 4


def test_no_cell_of_a_written_workbook_is_a_formula(tmp_path):
    texts = [*(f"{s}1+1" for s in OWASP), "#REF!", "TRUE"]
    table = pd.DataFrame({"=note": texts, "loss": np.linspace(-3, 3, len(texts))})
    book = openpyxl.load_workbook(write_trials(table, tmp_path / "t.xlsx"))
    cells = [cell for row in book["trials"].iter_rows() for cell in row]
    assert {c.data_type for c in cells} == {"s", "n"}
    assert all(
        str(c.value).startswith("'")
        for c in cells
        if c.data_type == "s" and c.value not in ("loss", "#REF!", "TRUE")
    )


def test_a_sheet_is_replaced_whole_or_not_at_all(tmp_path, trials, monkeypatch):
    path = write_trials(trials, tmp_path / "trials.csv")
    before = path.read_bytes()

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordsError) as caught:
        write_trials(trials.iloc[:1], path)
    assert str(caught.value) == (
        f"trials.csv was not written in {tmp_path} (No space left on device). Close it in other programs, look at the "
        "folder and its free space, and write again; what was there is as it was."
    )
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["trials.csv"]


def test_a_folder_that_is_not_there_is_answered_in_plain_words(tmp_path, trials):
    with pytest.raises(RecordsError, match=r"was not written in .*nowhere"):
        write_trials(trials, tmp_path / "nowhere" / "trials.csv")


def test_what_a_file_cannot_hold_is_answered_and_nothing_is_written(tmp_path, trials):
    for name, note, expected in [
        ("t.xlsx", "x" * 32_768, "row 2, note: the text has 32768 letters, and an .xlsx cell holds 32767. Shorten it, or write a .csv."),
        ("t.csv", "\ud800", "t.csv was not written: a text has a broken letter ('\\ud800'). Type that text again."),
    ]:  # fmt: skip
        with pytest.raises(RecordsError) as caught:
            write_trials(trials.assign(note=[note] * 6), tmp_path / name)
        assert str(caught.value) == expected
    with pytest.raises(
        RecordsError,
        match=r"trials\.ods is an open-document workbook, which is not written\. Use \.csv or \.xlsx\.",
    ):
        write_trials(trials, tmp_path / "trials.ods")
    assert list(tmp_path.iterdir()) == []


def test_a_workbook_cut_short_anywhere_is_refused_in_plain_words(tmp_path, trials):
    write_trials(trials, tmp_path / "whole.xlsx")
    whole = (tmp_path / "whole.xlsx").read_bytes()
    for share in (0.001, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99):
        said = refusal(container(tmp_path, whole[: int(share * len(whole))]))
        assert said.startswith("trials.xlsx is not a workbook, or is damaged")
        assert said.endswith("Save the sheet again as .xlsx or .csv.")
    # The last byte alone is the end of an empty comment.
    assert refusal(container(tmp_path, whole[:-1])).startswith("trials.xlsx is not a workbook, or is damaged")


def test_whatever_happens_to_a_file_it_is_read_or_answered_in_plain_words(tmp_path):
    # Seed 13: bytes of a good sheet replaced at random, by what files are damaged with.
    rng = np.random.default_rng(13)
    good_bytes = csv_text(good(date=["2026-03-09"] * 6, status=["done"] * 6)).encode()
    pieces = [
        b",",
        b";",
        b'"',
        b"\n",
        b"\0",
        b"\xff",
        b"-1",
        b"=1+1",
        b"nan",
        b"inf",
        b"1e400",
        b"84,5",
        b"\xc3",
        b"'",
        b"9" * 25,
    ]
    outcomes = set()
    for _ in range(150):
        data = bytearray(good_bytes)
        for _ in range(rng.integers(1, 4)):
            at = rng.integers(len(data))
            data[at : at + rng.integers(0, 4)] = pieces[rng.integers(len(pieces))]
        path = container(tmp_path, bytes(data)).rename(tmp_path / "trials.csv")
        try:
            outcomes.add(len(read_trials(path, STUDY)))
        except RecordsError as error:
            outcomes.add("answered" if "trials.csv" in str(error) else "without its name")
    assert outcomes <= {"answered", 5, 6, 7}
    assert outcomes >= {"answered", 6}


def test_whole_numbers_with_a_gap_among_them_stay_whole(tmp_path):
    first, _ = check_trials(pd.DataFrame(good(trial=[1, None, 3, 4, 5, 6])), STUDY)
    text = write_trials(first, tmp_path / "t.csv").read_text("utf-8-sig")
    assert [line.split(",")[0] for line in text.splitlines()] == ["trial", "1", "", "3", "4", "5", "6"]
    # And as a table with gaps writes them itself.
    assert check_trials(pd.DataFrame(good(trial=["1.0", None, "3.0", "4.0", "5.0", "6.0"])), STUDY)[0][
        "trial"
    ].tolist() == [1, None, 3, 4, 5, 6]


def test_the_modules_of_the_two_kinds_are_the_only_ways_in_and_out():
    assert sheet_files._READERS.keys() == sheet_files._WRITERS.keys() == {".csv", ".xlsx"}
