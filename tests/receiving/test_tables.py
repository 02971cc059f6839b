"""Tables from outside: every hostile file is refused by one sentence, every ugly one read right."""

import csv
import io
import resource
import string
import time

import pytest

from receiving.documents import tables
from receiving.documents.tables import Mark, UnreadableTable, read_table
from tests.hostile.tables import ACCEPTED, CASES, EXPECTED, HEADING_ROW, PLAIN, SHEET, load_list, package, workbook


def peak_megabytes():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@pytest.mark.parametrize("case", EXPECTED)
def test_a_hostile_file_is_refused_by_one_sentence(case):
    filename, data = CASES[case]()
    before, started = peak_megabytes(), time.process_time()

    with pytest.raises(UnreadableTable) as refusal:
        read_table(data, filename=filename)

    assert (refusal.value.code, case) == (EXPECTED[case], case)
    sentence = str(refusal.value)
    assert filename in sentence and sentence.endswith(".") and len(sentence) < 300
    assert time.process_time() - started < 8
    assert peak_megabytes() - before < 300


@pytest.mark.parametrize("case", ACCEPTED)
def test_an_ugly_file_is_read_right(case):
    filename, data = CASES[case]()
    table = read_table(data, filename=filename)
    assert (table.headings, [tuple(row) for row in table.rows]) == ACCEPTED[case]


def test_every_code_has_a_case_or_a_test_of_its_own():
    assert set(tables.SENTENCES) - set(EXPECTED.values()) == {"too_slow"}


def test_every_sentence_names_the_file():
    for code, sentence in tables.SENTENCES.items():
        names = {name for _text, name, _spec, _conversion in string.Formatter().parse(sentence)}
        assert "file" in names, code


def refusal_of(data, filename="list.csv"):
    with pytest.raises(UnreadableTable) as refusal:
        read_table(data, filename=filename)
    return refusal.value


@pytest.mark.parametrize(
    ("case", "line"),
    [
        ("quote_open_in_the_last_line", 4),
        ("quote_open_in_line_two_of_many", 2),
        ("quote_closed_by_a_later_rows_quote", 2),
        ("quoted_text_of_sixty_lines", 4),
        ("zero_byte_in_the_middle", 4),
        ("one_gigantic_line", 4),
        ("one_gigantic_cell", 4),
        ("cell_just_over_the_cap", 4),
        ("a_line_of_commas", 4),
        ("heading_and_nothing_below", 1),
    ],
)
def test_the_sentence_names_the_line(case, line):
    filename, data = CASES[case]()
    refusal = refusal_of(data, filename)
    assert refusal.params["line"] == line
    assert f"line {line}" in str(refusal)


def test_the_quote_is_named_where_it_opens_inside_a_row_of_two_lines():
    refusal = refusal_of(b'carton,note,store\n1,"two\nlines","never closed\n2,b,c\n')
    assert (refusal.code, refusal.params["line"]) == ("unclosed_quote", 3)


def test_lines_are_those_of_the_file_whatever_was_passed_over():
    table = read_table(b'Title\n\ncarton,note\n\n1,"two\nlines"\n,\n2,b\n', filename="list.csv")
    assert table.heading_line == 3
    assert list(table.numbered()) == [(5, ["1", "two\nlines"]), (8, ["2", "b"])]


def test_lines_after_a_told_separator_are_still_those_of_the_file():
    table = read_table(b"sep=;\ncarton;store\n1;2\n", filename="list.csv")
    assert (table.heading_line, list(table.lines), table.delimiter) == (2, [3], ";")


def test_ragged_rows_are_told():
    filename, data = CASES["ragged_rows"]()
    assert read_table(data, filename=filename).ragged == {0: 2, 1: 4}


def test_empty_cells_beyond_the_heading_are_no_raggedness():
    table = read_table(b"carton,store\n1,2,,,\n3,4\n", filename="list.csv")
    assert (table.ragged, [list(row) for row in table.rows]) == ({}, [["1", "2"], ["3", "4"]])


def test_a_title_is_remarked_upon():
    filename, data = CASES["title_lines_above_the_heading"]()
    assert "line 5" in read_table(data, filename=filename).remarks[0]


def test_a_guessed_encoding_is_remarked_upon():
    filename, data = CASES["windows_1252"]()
    table = read_table(data, filename=filename)
    assert table.encoding == "cp1252" and "Windows-1252" in table.remarks[0]
    assert read_table(PLAIN.encode(), filename="list.csv").remarks == ()


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_separator_is_found_though_the_texts_hold_the_others(delimiter):
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows(
        [["carton", "description", "weight"], *([f"{i}", "a, b; c | d", "1,5"] for i in range(30))]
    )
    table = read_table(out.getvalue().encode(), filename="list.csv")
    assert (table.delimiter, list(table.rows[29])) == (delimiter, ["29", "a, b; c | d", "1,5"])


def test_the_separator_of_a_list_under_a_title_with_a_comma():
    text = "Load list, dock 4\n\ncarton;store;note\n" + "1;2;a, b\n" * 30
    table = read_table(text.encode(), filename="list.csv")
    assert (table.headings, table.rows[0]) == (("carton", "store", "note"), ["1", "2", "a, b"])


def test_rows_at_the_cap_are_read():
    assert len(read_table(b"carton,store\n" + b"1,2\n" * 50, filename="l.csv", max_rows=50).rows) == 50
    with pytest.raises(UnreadableTable, match="more than 49 rows"):
        read_table(b"carton,store\n" + b"1,2\n" * 50, filename="l.csv", max_rows=49)


def test_a_file_name_is_only_ever_shown_plain():
    refusal = refusal_of(b"", filename="C:\\lists\\a\x1b[31m\u202eb.csv")
    assert str(refusal).startswith("a[31mb.csv is empty")


def test_marks_tell_what_a_workbooks_cells_were():
    filename, data = CASES["workbook_of_every_kind_of_cell"]()
    table = read_table(data, filename=filename)
    marks = [table.mark(0, column) for column in range(7)]
    assert marks == [Mark.NUMBER, None, Mark.NUMBER, Mark.DATE, Mark.DATE, Mark.BOOLEAN, Mark.ERROR]


def test_formulas_are_marked_and_only_their_kept_values_read():
    filename, data = CASES["workbook_with_formulas"]()
    table = read_table(data, filename=filename)
    assert [table.mark(row, 0) for row in (0, 1)] == [Mark.FORMULA, Mark.FORMULA]
    assert table.mark(0, 1) is Mark.NUMBER
    assert "2 cells hold formulas" in " ".join(table.remarks)
    assert "1 of them kept no value" in " ".join(table.remarks)


def test_marks_stay_with_their_rows_when_blank_rows_are_left_out():
    def fill(book):
        for row in (["Trailer 4411"], [], ["carton", "store"], ["a", "b"], [" ", ""], ["c", 7]):
            book.active.append(row)

    table = read_table(workbook(fill), filename="list.xlsx")
    assert (list(table.lines), table.marks) == ([4, 6], {(1, 1): Mark.NUMBER})


def test_an_id_kept_as_a_number_shows_its_lost_digits():
    row = '<row r="2"><c r="A2"><v>9.52123400000001E17</v></c><c r="B2"><v>1</v></c></row>'
    table = read_table(package(SHEET.format(rows=HEADING_ROW + row)), filename="list.xlsx")
    assert table.rows[0][0] == "952123400000001000"
    assert table.mark(0, 0) is Mark.NUMBER


def test_hidden_empty_and_further_sheets_are_told():
    filename, data = CASES["list_behind_hidden_and_empty_sheets"]()
    table = read_table(data, filename=filename)
    assert (table.sheet, table.heading_line, list(table.lines)) == ("Cartons", 3, [4, 5])
    told = " ".join(table.remarks)
    assert "Hidden sheets were passed over: “Old prices”." in told
    assert "Empty sheets were passed over: “Cover”." in told
    assert "Only the sheet “Cartons” was read; not “Notes”." in told


def test_links_to_other_files_are_told():
    filename, data = CASES["workbook_that_points_at_other_files"]()
    assert "points at other files" in " ".join(read_table(data, filename=filename).remarks)


def test_a_sheet_that_takes_too_long_is_given_up(monkeypatch):
    monkeypatch.setattr(tables, "MAX_SECONDS", -1.0)
    data = workbook(lambda book: [book.active.append(["a", i]) for i in range(300)])
    assert refusal_of(data, "list.xlsx").code == "too_slow"


def test_reading_costs_little_more_than_the_bare_parser():
    data = load_list(20_000)

    def fastest(work):
        times = []
        for _ in range(5):
            started = time.process_time()
            work()
            times.append(time.process_time() - started)
        return min(times)

    bare = fastest(lambda: list(csv.reader(io.StringIO(data.decode(), newline=""))))
    assert fastest(lambda: read_table(data, filename="list.csv")) < 2.5 * bare + 0.01


def test_the_whole_list_comes_back_cell_by_cell():
    data = load_list(500)
    table = read_table(data, filename="list.csv")
    assert [list(table.headings), *map(list, table.rows)] == list(csv.reader(io.StringIO(data.decode())))
    assert list(table.lines) == list(range(2, 502))
