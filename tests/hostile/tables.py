"""Table files as they should never come, made here by plain functions: CASES[name]() -> (file name, bytes).

EXPECTED[name] is the code that `read_table` refuses it with; ACCEPTED[name] the headings and rows where the file is
ugly but right. The upload page's tests use the same cases.
"""

import csv
import io
import random
import struct
import zipfile
from collections.abc import Callable
from datetime import date, datetime

from openpyxl import Workbook

HEADING = "carton,store,pieces"
ROWS = [("952123400000000018", "101", "1"), ("952123400000000025", "102", "2")]
PLAIN = "\n".join([HEADING, *(",".join(row) for row in ROWS)]) + "\n"

CASES: dict[str, Callable[[], tuple[str, bytes]]] = {}
EXPECTED: dict[str, str] = {}
ACCEPTED: dict[str, tuple[tuple[str, ...], list[tuple[str, ...]]]] = {}

READ = (tuple(HEADING.split(",")), ROWS)


def refused(code: str):
    def register(make):
        CASES[make.__name__] = make
        EXPECTED[make.__name__] = code
        return make

    return register


def accepted(headings=READ[0], rows=READ[1]):
    def register(make):
        CASES[make.__name__] = make
        ACCEPTED[make.__name__] = (tuple(headings), [tuple(row) for row in rows])
        return make

    return register


# -- Not a table at all ----------------------------------------------------------------------------------------------


@refused("empty")
def nothing_at_all():
    return "list.csv", b""


@refused("empty")
def only_blank_lines():
    return "list.csv", b"\xef\xbb\xbf\r\n \r\n\r\n"


@refused("empty")
def only_zero_bytes():
    return "list.csv", bytes(100_000)


@refused("too_big")
def larger_than_the_cap():
    return "list.csv", (PLAIN + "x,1,1\n" * 5_000_000).encode()


@refused("not_a_table")
def pdf_named_csv():
    return "list.csv", b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n<<>>\nendobj\n" * 20


@refused("not_a_table")
def png_named_csv():
    return "list.csv", b"\x89PNG\r\n\x1a\n" + random.Random(1).randbytes(5_000)


@refused("not_a_table")
def jpeg_named_xlsx():
    return "list.xlsx", b"\xff\xd8\xff\xe0\0\x10JFIF\0" + random.Random(2).randbytes(5_000)


@refused("not_a_table")
def program_named_csv():
    return "list.csv", b"MZ\x90\0\x03\0\0\0\x04\0\0\0\xff\xff" + random.Random(3).randbytes(5_000)


@refused("not_a_table")
def gzip_named_csv():
    return "list.csv", b"\x1f\x8b\x08\0" + random.Random(4).randbytes(5_000)


@refused("not_a_table")
def web_page_named_xls():
    return "list.xls", b"<html><body><table><tr><td>carton</td><td>store</td></tr></table></body></html>"


@refused("not_a_table")
def json_named_csv():
    return "list.csv", b'{"cartons": [{"id": "1", "store": "2"}]}'


@refused("binary")
def random_bytes_named_csv():
    return "list.csv", b"a" + random.Random(5).randbytes(50_000)


@refused("old_excel")
def old_excel_named_csv():
    return "list.csv", bytes.fromhex("d0cf11e0a1b11ae1") + bytes(2_000) + "Workbook".encode("utf-16-le")


@refused("encrypted")
def workbook_with_a_password():
    return "list.xlsx", bytes.fromhex("d0cf11e0a1b11ae1") + bytes(2_000) + "EncryptedPackage".encode("utf-16-le")


# -- CSV gone wrong --------------------------------------------------------------------------------------------------


@refused("no_rows")
def heading_and_nothing_below():
    return "list.csv", b"carton,store,pieces\n\n,,\n"


@refused("no_heading")
def heading_after_a_page_of_prose():
    return "list.csv", ("one lone line\n" * 60 + PLAIN).encode()


@refused("nul_byte")
def zero_byte_in_the_middle():
    return "list.csv", (PLAIN + "9521234\x0000001,1,1\n").encode()


@refused("encoding")
def utf8_mark_but_latin_text():
    return "list.csv", b"\xef\xbb\xbfcarton,store\n1,M\xfcnchen\n"


@refused("encoding")
def utf16_cut_in_the_middle():
    return "list.csv", ("\ufeff" + PLAIN).encode("utf-16-le")[:-1]


@refused("unclosed_quote")
def quote_open_in_the_last_line():
    return "list.csv", (PLAIN + '"952123400000000032,103,1\n').encode()


@refused("unclosed_quote")
def quote_open_in_line_two_of_many():
    return "list.csv", (HEADING + '\n1,"2,3\n' + "4,5,6\n" * 20_000).encode()


@refused("unclosed_quote")
def quote_closed_by_a_later_rows_quote():
    return "list.csv", (HEADING + '\n1,"2,3\n4,5,6\n7,8,9\n10,11",12\n').encode().replace(b",", b",,")


@refused("unclosed_quote")
def quoted_text_of_sixty_lines():
    return "list.csv", (PLAIN + '1,"' + "note\n" * 60 + '",1\n').encode()


@refused("line_too_long")
def one_gigantic_line():
    return "list.csv", (PLAIN + "1,2," + "x" * 10_000_000).encode()


@refused("cell_too_long")
def one_gigantic_cell():
    return "list.csv", (PLAIN + "1," + "x" * 200_000 + ",2\n").encode()


@refused("cell_too_long")
def cell_just_over_the_cap():
    return "list.csv", (PLAIN + "1," + "x" * 32_768 + ",2\n").encode()


@refused("too_many_columns")
def a_line_of_commas():
    return "list.csv", (PLAIN + "1" + ",x" * 100_000 + "\n").encode()


@refused("too_many_rows")
def fifty_thousand_and_one_rows():
    return "list.csv", (HEADING + "\n" + "1,2,3\n" * 50_001).encode()


@refused("too_many_rows")
def millions_of_line_ends():
    return "list.csv", (PLAIN + "\n" * 20_000_000).encode()


# -- CSV ugly but right ----------------------------------------------------------------------------------------------


@accepted()
def utf8_with_mark():
    return "list.csv", PLAIN.encode("utf-8-sig")


@accepted(("carton", "store"), [("1", "Łódź"), ("2", "Æble")])
def utf16_little_endian_with_mark():
    return "list.txt", "\ufeffcarton\tstore\r\n1\tŁódź\r\n2\tÆble\r\n".encode("utf-16-le")


@accepted(("carton", "store"), [("1", "Łódź"), ("2", "Æble")])
def utf16_big_endian_with_mark():
    return "list.txt", "\ufeffcarton\tstore\r\n1\tŁódź\r\n2\tÆble\r\n".encode("utf-16-be")


@accepted()
def utf16_little_endian_without_mark():
    return "list.csv", PLAIN.encode("utf-16-le")


@accepted()
def utf16_big_endian_without_mark():
    return "list.csv", PLAIN.encode("utf-16-be")


@accepted(("carton", "store"), [("1", "Münster €"), ("2", "“Café”")])
def windows_1252():
    return "list.csv", "carton;store\r\n1;Münster €\r\n2;“Café”\r\n".encode("cp1252")


@accepted(("carton", "store"), [("1", "\x81Nîmes"), ("2", "b")])
def latin_1():
    return "list.csv", "carton;store\n1;\x81Nîmes\n2;b\n".encode("latin-1")


@accepted(("carton", "weight", "note"), [("1", "2,50", "a, b, c"), ("2", "3,75", "d, e, f")])
def semicolons_with_decimal_commas():
    return "list.csv", b"carton;weight;note\n1;2,50;a, b, c\n2;3,75;d, e, f\n"


@accepted(("carton", "store"), [("1", "101"), ("2", "102")])
def pipes():
    return "list.csv", b"carton|store\n1|101\n2|102\n"


@accepted()
def told_separator():
    return "list.csv", b"sep=;\r\n" + PLAIN.replace(",", ";").encode()


@accepted()
def title_lines_above_the_heading():
    return "list.csv", ("Load list of trailer 4411\n\nprinted Monday\n\n" + PLAIN).encode()


@accepted()
def blank_lines_between():
    return "list.csv", PLAIN.replace("\n", "\n\n,,\n").encode()


@accepted()
def old_mac_line_ends():
    return "list.csv", PLAIN.replace("\n", "\r").encode()


@accepted()
def no_line_end_at_the_end():
    return "list.csv", PLAIN.rstrip().encode()


@accepted(READ[0], [(ROWS[0][0], "101", ""), (*ROWS[1], "extra")])
def ragged_rows():
    return "list.csv", f"{HEADING}\n{ROWS[0][0]},101\n{','.join(ROWS[1])},extra\n".encode()


@accepted(("carton", "note"), [("1", 'says "12"" wide'), ("2", "two\nlines; here")])
def quotes_and_line_ends_inside():
    return "list.csv", b'carton,note\n1,"says ""12"""" wide"\n2,"two\nlines; here"\n'


@accepted(("carton",), [("952123400000000018",), ("952123400000000025",)])
def one_column_only():
    return "list.csv", b"carton\n952123400000000018\n952123400000000025\n"


@accepted(("carton", "store"), [("=1+1", "@x"), ("-2", "+3")])
def formulas_in_csv_are_text():
    return "list.csv", b"carton,store\n=1+1,@x\n-2,+3\n"


@accepted(("MZ carton", "store"), [("1", "2")])
def heading_that_begins_like_a_program():
    return "list.csv", b"MZ carton,store\n1,2\n"


# -- Workbooks -------------------------------------------------------------------------------------------------------

TYPES = (
    '<?xml version="1.0"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Override PartName="/xl/workbook.xml" '
    'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>'
)
ROOT = (
    '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="r1" Target="xl/workbook.xml" '
    'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument"/></Relationships>'
)
BOOK = (
    '<?xml version="1.0"?><workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" '
    'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships">'
    '<sheets><sheet name="List" sheetId="1" r:id="r1"/></sheets></workbook>'
)
BOOK_PARTS = (
    '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="r1" Target="worksheets/sheet1.xml" '
    'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet"/>'
    '<Relationship Id="r2" Target="sharedStrings.xml" '
    'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings"/></Relationships>'
)
STRINGS = '<?xml version="1.0"?><sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>x</t></si></sst>'
SHEET = (
    '<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    "<sheetData>{rows}</sheetData></worksheet>"
)


def text_cell(at: str, text: str) -> str:
    return f'<c r="{at}" t="inlineStr"><is><t>{text}</t></is></c>'


HEADING_ROW = f'<row r="1">{text_cell("A1", "carton")}{text_cell("B1", "store")}</row>'


def package(
    sheet: str | bytes, *, strings: str | bytes = STRINGS, book: str = BOOK, level: int = 9, **more: str | bytes
) -> bytes:
    """A workbook written by hand; `more` maps part names to contents."""
    parts = {
        "[Content_Types].xml": TYPES,
        "_rels/.rels": ROOT,
        "xl/workbook.xml": book,
        "xl/_rels/workbook.xml.rels": BOOK_PARTS,
        "xl/sharedStrings.xml": strings,
        "xl/worksheets/sheet1.xml": sheet,
        **more,
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=level) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


def workbook(fill: Callable[[Workbook], None]) -> bytes:
    book = Workbook()
    fill(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def append_all(sheet, rows) -> None:
    for row in rows:
        sheet.append(row)


def plain_workbook() -> bytes:
    return workbook(lambda book: append_all(book.active, [READ[0], *ROWS]))


def with_part(data: bytes, name: str, content: bytes) -> bytes:
    out = io.BytesIO(data)
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr(name, content)
    return out.getvalue()


@refused("damaged")
def workbook_cut_in_half():
    data = plain_workbook()
    return "list.xlsx", data[: len(data) // 2]


@refused("damaged")
def workbook_with_a_flipped_byte():
    data = bytearray(package(SHEET.format(rows=HEADING_ROW), level=0))
    at = data.index(b"<sheetData>")
    data[at] ^= 0x55
    return "list.xlsx", bytes(data)


@refused("damaged")
def workbook_without_a_workbook():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("[Content_Types].xml", TYPES)
    return "list.xlsx", out.getvalue()


@refused("damaged")
def workbook_with_a_shared_text_that_is_not_there():
    return "list.xlsx", package(SHEET.format(rows='<row r="1"><c r="A1" t="s"><v>77</v></c></row>'))


@refused("damaged")
def workbook_in_utf16():
    return "list.xlsx", package(("\ufeff" + SHEET.format(rows=HEADING_ROW)).encode("utf-16-le"))


@refused("damaged")
def workbook_with_a_part_twice():
    return "list.xlsx", with_part(plain_workbook(), "XL/worksheets/sheet1.xml", SHEET.format(rows="").encode())


@refused("damaged")
def workbook_with_a_locked_part():
    data = bytearray(plain_workbook())
    for signature, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.index(signature)
        struct.pack_into("<H", data, at + flags, struct.unpack_from("<H", data, at + flags)[0] | 1)
    return "list.xlsx", bytes(data)


@refused("not_a_table")
def zip_named_xlsx():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("list.csv", PLAIN)
    return "list.xlsx", out.getvalue()


@refused("not_a_table")
def text_document_named_xlsx():
    return "list.xlsx", package(SHEET.format(rows=""), **{"word/document.xml": "<w/>"})


@refused("open_document")
def open_document_spreadsheet():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", "<office/>")
    return "list.ods", out.getvalue()


@refused("macros")
def workbook_with_macros():
    return "list.xlsm", with_part(plain_workbook(), "xl/vbaProject.bin", b"\0" * 100)


@refused("binary_workbook")
def binary_workbook():
    return "list.xlsb", with_part(plain_workbook(), "xl/workbook.bin", b"\0" * 100)


@refused("no_rows")
def workbook_with_a_heading_only():
    return "list.xlsx", workbook(lambda book: book.active.append(READ[0]))


@refused("no_visible_sheet")
def empty_workbook():
    return "list.xlsx", workbook(lambda book: None)


@refused("no_visible_sheet")
def list_on_a_hidden_sheet_only():
    def fill(book):
        hidden = book.create_sheet("Cartons")
        append_all(hidden, [READ[0], *ROWS])
        hidden.sheet_state = "veryHidden"

    return "list.xlsx", workbook(fill)


@refused("bomb")
def zip_bomb_of_one_part():
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW), **{"xl/media/a.bin": bytes(60_000_000)})


@refused("bomb")
def zip_bomb_of_many_parts():
    noise = random.Random(6).randbytes(9_000) * 1_000
    more = {f"xl/media/{i}.bin": noise for i in range(8)}
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW), level=1, **more)


@refused("bomb")
def thousands_of_parts():
    more = {f"xl/media/{i}.bin": b"" for i in range(3_000)}
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW), **more)


@refused("bomb")
def shared_strings_bomb():
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW), strings="<sst>" + "<si><t>xxxxxxx</t></si>" * 3_000_000)


@refused("damaged")
def part_that_lies_about_its_size():
    data = package(SHEET.format(rows=HEADING_ROW), strings="<sst>" + "<si><t>x</t></si>" * 200_000)
    out = bytearray(data)
    at = out.rindex(b"xl/sharedStrings.xml") - 46
    struct.pack_into("<I", out, at + 24, 500)
    return "list.xlsx", bytes(out)


@refused("entities")
def entity_bomb():
    lines = [f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 10)]
    head = '<?xml version="1.0"?><!DOCTYPE s [<!ENTITY e0 "boom">' + "".join(lines) + "]>"
    sheet = head + SHEET.format(rows=f'<row r="1">{text_cell("A1", "&e9;")}</row>').split("?>", 1)[1]
    return "list.xlsx", package(sheet)


@refused("entities")
def entity_that_names_a_file():
    head = '<?xml version="1.0"?><!DOCTYPE s [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
    sheet = head + SHEET.format(rows=f'<row r="1">{text_cell("A1", "&e;")}</row>').split("?>", 1)[1]
    return "list.xlsx", package(sheet)


def _noisy(piece: str, times: int) -> str:
    """Repeats that do not pack well enough to be caught by their ratio alone."""
    noise = random.Random(7)
    some = "".join(piece.format(noise.randrange(10**9)) for _ in range(10_000))  # longer than ZIP's window of 32 kB
    return some * (times // 10_000)


@refused("too_many_rows")
def a_million_row_elements():
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + _noisy('<row r="2" s="{}"/>', 1_000_000)), level=1)


@refused("bomb")
def five_million_row_elements():
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + '<row r="2"/>' * 5_000_000))


@refused("repeated_rows")
def row_numbers_that_repeat():
    rows = f'<row r="2">{text_cell("A2", "1")}{text_cell("B2", "2")}</row>'
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + rows + rows))


@refused("too_many_columns")
def one_row_of_a_million_cells():
    return "list.xlsx", package(
        SHEET.format(rows='<row r="1">' + _noisy("<c><v>{}</v></c>", 1_000_000) + "</row>"), level=1
    )


@refused("bomb")
def cells_outside_any_row():
    return "list.xlsx", package(SHEET.format(rows=_noisy("<c><v>{}</v></c>", 1_600_000)), level=1)


@refused("bomb")
def millions_of_unknown_elements():
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + _noisy("<x>{}</x>", 1_200_000)), level=1)


@refused("damaged")
def elements_nested_without_end():
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + _noisy("<x n='{}'>", 300_000)), level=1)


@refused("too_many_rows")
def a_cell_in_the_last_corner():
    return "list.xlsx", package(
        SHEET.format(rows=HEADING_ROW + '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>')
    )


@refused("too_many_columns")
def a_cell_in_the_last_column():
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + '<row r="2"><c r="XFD2"><v>1</v></c></row>'))


@refused("damaged")
def a_cell_beyond_the_last_column():
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + '<row r="2"><c r="ZZZZZZ2"><v>1</v></c></row>'))


@refused("too_many_rows")
def workbook_of_fifty_thousand_and_one_rows():
    rows = "".join(f'<row r="{i}"><c r="A{i}"><v>{i}</v></c></row>' for i in range(2, 50_003))
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + rows))


@refused("cell_too_long")
def workbook_with_a_gigantic_cell():
    row = f'<row r="2">{text_cell("A2", "x" * 40_000)}</row>'
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + row), level=1)


@accepted(READ[0], ROWS)
def sheet_that_claims_to_be_one_cell():
    data = plain_workbook()
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name.endswith("sheet1.xml"):
                assert b'ref="A1:C3"' in content
                content = content.replace(b'ref="A1:C3"', b'ref="A1"')
            new.writestr(name, content)
    return "list.xlsx", out.getvalue()


@accepted(
    ("carton", "store", "pieces", "on", "at", "food", "note"),
    [("952123400000000000", "101", "12.5", "2026-03-02", "2026-03-02T14:30:00", "TRUE", "#N/A")],
)
def workbook_of_every_kind_of_cell():
    row = [952123400000000000, "101", 12.5, date(2026, 3, 2), datetime.fromisoformat("2026-03-02 14:30"), True, "#N/A"]
    headings = ["carton", "store", "pieces", "on", "at", "food", "note"]
    return "list.xlsx", workbook(lambda book: append_all(book.active, [headings, row]))


@accepted(("carton", "store"), [("952123400000000018", "101"), ("", "102")])
def workbook_with_formulas():
    rows = (
        '<row r="2"><c r="A2" t="str"><f>B9&amp;"8"</f><v>952123400000000018</v></c><c r="B2"><v>101</v></c></row>'
        '<row r="3"><c r="A3"><f>HYPERLINK("x")</f></c><c r="B3"><v>102</v></c></row>'
    )
    return "list.xlsx", package(SHEET.format(rows=HEADING_ROW + rows))


@accepted(READ[0], ROWS)
def list_behind_hidden_and_empty_sheets():
    def fill(book):
        book.active.title = "Old prices"
        book.active.append(["secret", "price"])
        book.create_sheet("Cover")
        append_all(book.create_sheet("Cartons"), [["Trailer 4411"], [], READ[0], *ROWS])
        book.create_sheet("Notes").append(["a", "b"])
        book.active.sheet_state = "hidden"

    return "list.xlsx", workbook(fill)


@accepted(READ[0], ROWS)
def workbook_that_points_at_other_files():
    return "list.xlsx", with_part(plain_workbook(), "xl/externalLinks/externalLink1.xml", b"<externalLink/>")


@accepted(READ[0], ROWS)
def workbook_named_csv():
    return "list.csv", plain_workbook()


def load_list(count: int) -> bytes:
    """An ordinary CSV of nine columns, for timing."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["carton", "store", "order", "description", "pieces", "weight", "value", "units", "flags"])
    for i in range(count):
        text = 'Box 12" tall' if i % 3 else "Carton, small things"
        writer.writerow([f"9521234{i:011d}", i % 90, f"PO{i:05d}", text, 1, "12.50", "19.99", 24, "food"])
    return out.getvalue().encode()
