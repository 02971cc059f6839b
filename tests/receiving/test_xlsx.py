"""Workbooks and CSV: what was typed comes back as typed, as text, and the same rows give the same bytes."""

import csv
import io
import zipfile
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from openpyxl import load_workbook

from receiving import clock
from receiving.documents.tables import read_table
from receiving.documents.xlsx import Sheet, csv_bytes, csv_lines, workbook_bytes, write_workbook

CST = timezone(timedelta(hours=-6), "CST")
FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "#N/A", "=cmd|' /C calc'!A0", '=HYPERLINK("http://x")', "＝1+1"]


def cells_of(data, sheet=0):
    book = load_workbook(io.BytesIO(data))
    return [list(row) for row in book.worksheets[sheet].iter_rows()]


def written(*values, zone=UTC):
    return cells_of(workbook_bytes([Sheet("A", [f"h{i}" for i in range(len(values))], [values])], zone=zone))[1]


@pytest.mark.parametrize("text", FORMULAS)
def test_text_is_never_a_formula(text):
    (cell,) = written(text)
    assert (cell.value, cell.data_type) == (text, "s")


def test_a_text_like_a_formula_stays_text_when_it_is_edited():
    cells = written("=1", "plain", "-5")
    assert [bool(cell.quotePrefix) for cell in cells] == [True, False, True]


def test_no_formula_element_is_in_the_file():
    data = workbook_bytes([Sheet("=A1", FORMULAS, [FORMULAS])])
    sheet = zipfile.ZipFile(io.BytesIO(data)).read("xl/worksheets/sheet1.xml")
    assert b"<f>" not in sheet and b"<f " not in sheet and b"=1+1" in sheet


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("a\0b\x1bc\x7f", "a␀b␛c␡"),
        ("half \ud83d pair \udc00", "half � pair �"),
        ("\ufffe\uffff", "��"),
        ("two\r\nlines\rhere\tand", "two\nlines\nhere\tand"),
        ("  spaces stay ", "  spaces stay "),
        ("Łódź ✓ 📦 & <b>", "Łódź ✓ 📦 & <b>"),
    ],
)
def test_what_a_workbook_cannot_hold_is_shown(text, shown):
    assert written(text)[0].value == shown


def test_text_that_looks_like_an_escape_comes_back_from_our_own_reader():
    data = workbook_bytes([Sheet("A", ["a", "b"], [["_x0041_", "x"]])])
    assert read_table(data, filename="a.xlsx").rows[0][0] == "_x0041_"
    assert b"_x005F_x0041_" in zipfile.ZipFile(io.BytesIO(data)).read("xl/worksheets/sheet1.xml")


@pytest.mark.parametrize("letter", ["x", "📦"])
def test_a_text_too_long_is_cut_and_says_so(letter):
    value = written(letter * 40_000)[0].value
    assert value.endswith("… [cut; the whole text has 40,000 characters]")
    assert 32_700 < len(value.encode("utf-16-le")) // 2 <= 32_767
    assert written("x" * 32_767)[0].value == "x" * 32_767


def test_numbers_dates_and_moments():
    moment = datetime(2026, 3, 2, 20, 32, tzinfo=UTC)
    cells = written(7, Decimal("-12.50"), 2.5, True, date(2026, 3, 2), moment, None, zone=CST)
    assert [cell.value for cell in cells] == [
        7,
        -12.5,
        2.5,
        True,
        datetime.fromisoformat("2026-03-02"),
        datetime.fromisoformat("2026-03-02T14:32"),
        None,
    ]
    assert cells[1].number_format == "#,##0.00"
    assert cells[4].number_format == "yyyy-mm-dd"
    assert cells[5].number_format == 'yyyy-mm-dd hh:mm "CST"' and cells[5].is_date


def test_a_moment_keeps_its_zone_in_every_cell_of_a_night_that_has_an_hour_twice():
    zone = clock.zone("America/Chicago")
    first = datetime(2026, 11, 1, 6, 30, tzinfo=UTC)
    cells = written(first, first + timedelta(hours=1), zone=zone)
    assert {cell.value for cell in cells} == {datetime.fromisoformat("2026-11-01T01:30")}
    assert [cell.number_format[-5:] for cell in cells] == ['"CDT"', '"CST"']


def test_an_id_stays_text_exactly_as_it_was_typed():
    ids = ["0012345", "195212340000000010", "1E5", "2026-03-02", "3/4", " 12 ", "TRUE", "1,000"]
    assert [(cell.value, cell.data_type) for cell in written(*ids)] == [(text, "s") for text in ids]


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (952123400000000018, "952123400000000018"),
        (Decimal(952123400000000018), "952123400000000018"),
        (Decimal("0.12345678901234567"), "0.12345678901234567"),
        (Decimal("NaN"), "NaN"),
        (float("inf"), "inf"),
        (float("nan"), "nan"),
    ],
)
def test_a_number_that_would_lose_digits_is_text(number, text):
    assert (written(number)[0].value, written(number)[0].data_type) == (text, "s")


@pytest.mark.parametrize("value", [datetime.fromisoformat("2026-03-02 14:32"), object(), b"bytes", [1]])
def test_what_has_no_clear_text_is_refused(value):
    with pytest.raises(TypeError):
        workbook_bytes([Sheet("A", ["a"], [[value]])])
    with pytest.raises(TypeError):
        csv_bytes([[value]])


def test_the_same_rows_give_the_same_bytes(monkeypatch):
    def make():
        return workbook_bytes([Sheet("Pieces", ["id", "n"], [["952", Decimal("1.5")]] * 100)], title="R-0412")

    first = make()
    monkeypatch.setattr("time.time", lambda: 2_000_000_000.0)
    assert make() == first
    times = {entry.date_time for entry in zipfile.ZipFile(io.BytesIO(first)).infolist()}
    assert times == {(2000, 1, 1, 0, 0, 0)}


def test_the_given_time_of_making_is_in_the_file():
    data = workbook_bytes([Sheet("A", ["a"], [])], created=datetime(2026, 3, 2, 14, 32, tzinfo=CST))
    core = zipfile.ZipFile(io.BytesIO(data)).read("docProps/core.xml").decode()
    assert core.count("2026-03-02T20:32:00Z") == 2


def test_the_heading_is_frozen_bold_and_filtered():
    book = load_workbook(io.BytesIO(workbook_bytes([Sheet("A", ["id", "a longer heading"], [["x" * 30, 1]] * 3)])))
    page = book["A"]
    assert (page.freeze_panes, page.auto_filter.ref) == ("A2", "A1:B4")
    assert page["A1"].font.bold and not page["A2"].font.bold
    assert (page.column_dimensions["A"].width, page.column_dimensions["B"].width) == (32, 18)


def test_widths_can_be_given():
    book = load_workbook(io.BytesIO(workbook_bytes([Sheet("A", ["a", "b"], [], widths=[40])])))
    assert book["A"].column_dimensions["A"].width == 40


def test_sheet_names_are_made_fit_and_unique():
    titles = ["a/b:c*[d]?", "A b c  d", "", "'quoted'", "x" * 40, "X" * 40, "bad\0name"]
    data = workbook_bytes([Sheet(title, ["h"], []) for title in titles])
    names = load_workbook(io.BytesIO(data)).sheetnames
    assert names == ["a b c  d", "A b c  d (2)", "Sheet", "quoted", "x" * 31, "X" * 27 + " (2)", "bad␀name"]


def test_a_workbook_without_sheets_is_refused():
    with pytest.raises(ValueError, match="at least one sheet"):
        workbook_bytes([])


def test_rows_are_read_once_and_streamed(tmp_path):
    path = tmp_path / "a.xlsx"
    with path.open("wb") as file:
        write_workbook(file, [Sheet("A", ["n", "text"], ([i, f"row {i}"] for i in range(2_000)))])
    table = read_table(path.read_bytes(), filename="a.xlsx")
    assert (len(table.rows), list(table.rows[-1])) == (2_000, ["1999", "row 1999"])


# -- CSV -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [t for t in FORMULAS if t != "#N/A"] + ["\r=1", "\n=1"])
def test_csv_text_that_begins_like_a_formula_is_guarded(text):
    (row,) = csv.reader(io.StringIO(csv_bytes([[text]]).decode("utf-8-sig"), newline=""))
    assert row[0] == "'" + text.replace("\r", "\n")


def test_csv_numbers_stay_numbers():
    assert csv_bytes([[-5, Decimal("-5.10"), -2.5, "-5", "5"]]) == b'\xef\xbb\xbf-5,-5.10,-2.5,"\'-5","5"\r\n'


def test_csv_quotes_line_ends_and_letters():
    rows = [['say "hi"', "two\nlines", "a,b;c"], ["Łódź", "", None], ["nul\0", "x\ud800", True]]
    data = csv_bytes(rows)
    assert data.startswith(b"\xef\xbb\xbf") and data.endswith(b"\r\n")
    back = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    assert back == [['say "hi"', "two\nlines", "a,b;c"], ["Łódź", "", ""], ["nul␀", "x�", "TRUE"]]


def test_csv_moments_and_dates():
    moment = datetime(2026, 3, 2, 20, 32, tzinfo=UTC)
    assert b"".join(csv_lines([[date(2026, 3, 2), moment]], zone=CST)) == b"2026-03-02,2026-03-02 14:32 CST\r\n"


def test_our_own_csv_can_be_read_again():
    data = csv_bytes([["carton", "store"], ["952123400000000018", "Łódź; 12"]])
    table = read_table(data, filename="a.csv")
    assert (table.headings, [list(row) for row in table.rows]) == (
        ("carton", "store"),
        [["952123400000000018", "Łódź; 12"]],
    )
