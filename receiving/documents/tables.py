"""CSV or XLSX bytes from outside -> headings and rows of text. Nothing in a file is evaluated, followed or trusted.

`read_table` is the only door. It answers with a `Table`, or raises `UnreadableTable`, whose text is one sentence
that says what is wrong, where, and the way out. Time and memory are bounded by the caps below, whatever the file.
"""

import csv
import io
import re
import time
import warnings
import zipfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from datetime import time as clock_time
from decimal import Decimal
from enum import StrEnum

from django.utils.translation import gettext as _
from openpyxl import load_workbook

from receiving.identifiers.errors import gettext_noop

MAX_BYTES = 25_000_000
MAX_ROWS = 50_000
MAX_COLUMNS = 200
MAX_CELL = 32_767
MAX_LINE = 262_144
MAX_QUOTED_LINES = 50
HEADING_SEARCH = 20

MAX_UNPACKED = 64_000_000
MAX_RATIO = 200
RATIO_FREE = 1_000_000
MAX_MEMBERS = 2_000
MAX_SECONDS = 60.0

SENTENCES = {
    "empty": gettext_noop("{file} is empty. Export the list again and choose the new file."),
    "too_big": gettext_noop(
        "{file} is {size} MB; the most that can be read is {limit} MB. Split the list and upload the parts."
    ),
    "not_a_table": gettext_noop("{file} is {what}, not a table. Save the list as .xlsx or CSV and upload that."),
    "old_excel": gettext_noop("{file} is in the old .xls format. Open it and save it as .xlsx or CSV."),
    "encrypted": gettext_noop("{file} is protected by a password. Open it, take the password off, and save it again."),
    "macros": gettext_noop("{file} holds macros. Save it as .xlsx without macros, or as CSV."),
    "binary_workbook": gettext_noop("{file} is a binary workbook (.xlsb). Save it as .xlsx or CSV."),
    "open_document": gettext_noop("{file} is an OpenDocument spreadsheet (.ods). Save it as .xlsx or CSV."),
    "encoding": gettext_noop(
        "{file} says it is {encoding} text, but byte {byte} is not. Export it again as UTF-8 CSV."
    ),
    "nul_byte": gettext_noop(
        "{file}, line {line}: there is a zero byte in the text, so the file is damaged. Export it again."
    ),
    "binary": gettext_noop(
        "{file} is not text: line {line} holds bytes that no CSV has. Save the list as .xlsx or CSV."
    ),
    "line_too_long": gettext_noop(
        "{file}, line {line} is {length} characters long; the most is {limit}. Check that the file is a "
        "CSV with one carton a line."
    ),
    "cell_too_long": gettext_noop(
        "{file}, line {line}, column {column} holds {length} characters; the most is {limit}. Shorten it."
    ),
    "too_many_columns": gettext_noop(
        "{file}, line {line} has {count} columns; the most is {limit}. Delete the columns that are not needed."
    ),
    "too_many_rows": gettext_noop(
        "{file} has more than {limit} rows. If the list is shorter, delete the empty rows below it and "
        "save it again; if not, split it."
    ),
    "unclosed_quote": gettext_noop(
        '{file}, line {line}: a quotation mark (") opens a text that is never closed, so the lines '
        "after it cannot be told apart. Close or delete that mark."
    ),
    "no_heading": gettext_noop(
        "{file} has no heading row. Put the column names, such as carton and store, in the first row."
    ),
    "no_rows": gettext_noop(
        "{file} has a heading in line {line} and no rows below it. Check that the whole list was exported."
    ),
    "damaged": gettext_noop(
        "{file} cannot be opened: {reason}. Open it in a spreadsheet program and save it again as .xlsx."
    ),
    "bomb": gettext_noop(
        "{file} unpacks to far more than a list holds ({reason}). It was not opened. Save the list as CSV."
    ),
    "entities": gettext_noop(
        "{file} holds a document type declaration in {member}, which no spreadsheet program writes. It was "
        "not opened. Save the list as CSV."
    ),
    "repeated_rows": gettext_noop(
        "{file}, sheet {sheet}: row numbers repeat or run backwards, so rows would be lost. Open it in "
        "a spreadsheet program and save it again."
    ),
    "no_visible_sheet": gettext_noop(
        "{file} has no visible sheet with a list in it. Unhide the sheet, or save it as CSV."
    ),
    "too_slow": gettext_noop("{file} takes too long to read: {count} rows in {seconds} seconds. Save the list as CSV."),
}


class UnreadableTable(Exception):
    """`code` is a key of SENTENCES, `params` its values; `str()` is the sentence in the language of the page."""

    def __init__(self, code: str, **params: object) -> None:
        self.code = code
        self.params = params
        super().__init__(_(SENTENCES[code]).format(**params))


class Mark(StrEnum):
    """What a workbook's cell was, where it was not text. CSV cells are always text and carry none."""

    NUMBER = "number"
    DATE = "date"
    BOOLEAN = "boolean"
    FORMULA = "formula"
    ERROR = "error"


@dataclass(frozen=True)
class Table:
    """One table of text.

    `rows[i]` is a sequence of at least `len(headings)` texts as they stood (not stripped); `lines[i]` is its line in
    the file (CSV: the physical line where the row begins; XLSX: the sheet's row number). Blank rows are left out.
    `marks[i, column]` says which cells were not text in a workbook; a FORMULA cell's text is the value the file kept,
    "" if it kept none. `ragged[i]` is the true number of cells of a row that had fewer or more than the heading.
    """

    kind: str
    heading_line: int
    headings: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    lines: Sequence[int]
    encoding: str = ""
    delimiter: str = ""
    sheet: str = ""
    marks: dict[tuple[int, int], Mark] = field(default_factory=dict)
    ragged: dict[int, int] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def numbered(self) -> Iterator[tuple[int, Sequence[str]]]:
        """(line, cells) for each row."""
        return zip(self.lines, self.rows, strict=True)

    def mark(self, row: int, column: int) -> Mark | None:
        """What the cell in `rows[row][column]` was in the workbook; None for text."""
        return self.marks.get((row, column))


def read_table(data: bytes, *, filename: str, max_rows: int = MAX_ROWS) -> Table:
    """The table in `data`. What it is, is decided by its content; `filename` only names it in sentences.

    Raises UnreadableTable.
    """
    name = _plain_name(filename)
    if not data.strip(b"\0\r\n\t \xef\xbb\xbf\xff\xfe"):
        raise UnreadableTable("empty", file=name)
    if len(data) > MAX_BYTES:
        raise UnreadableTable("too_big", file=name, size=-(-len(data) // 1_000_000), limit=MAX_BYTES // 1_000_000)
    if data.startswith(b"PK\x03\x04"):
        return _read_xlsx(data, name, max_rows)
    _refuse_other_formats(data, name)
    return _read_csv(data, name, max_rows)


def _plain_name(filename: str) -> str:
    name = re.split(r"[/\\]", filename)[-1]
    return "".join(c for c in name if c.isprintable())[:80] or _("The file")


# -- What is no table ------------------------------------------------------------------------------------------------

SIGNATURES = (
    (b"%PDF-", gettext_noop("a PDF")),
    (b"\x89PNG", gettext_noop("a picture")),
    (b"\xff\xd8\xff", gettext_noop("a picture")),
    (b"GIF8", gettext_noop("a picture")),
    (b"II*\0", gettext_noop("a picture")),
    (b"MM\0*", gettext_noop("a picture")),
    (b"MZ", gettext_noop("a program")),
    (b"\x7fELF", gettext_noop("a program")),
    (b"\x1f\x8b", gettext_noop("a compressed file")),
    (b"7z\xbc\xaf\x27\x1c", gettext_noop("a compressed file")),
    (b"Rar!", gettext_noop("a compressed file")),
    (b"BZh", gettext_noop("a compressed file")),
    (b"PK\x05\x06", gettext_noop("an empty ZIP")),
    (b"{\\rtf", gettext_noop("a text document")),
    (b"SQLite format 3\0", gettext_noop("a database")),
)
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
MARKUP = re.compile(rb"\s*<(!doctype|html|head|body|table|\?xml|svg|script|meta)", re.IGNORECASE)

JSON = re.compile(rb'\s*(\{\s*"|\[\s*[\[{])')


def _refuse_other_formats(data: bytes, name: str) -> None:
    if data.startswith(OLE):
        locked = "EncryptedPackage".encode("utf-16-le") in data
        raise UnreadableTable("encrypted" if locked else "old_excel", file=name)
    for start, what in SIGNATURES:
        # "MZ" is also how a heading may begin: a program has control bytes soon after.
        if data.startswith(start) and (len(start) > 3 or re.search(rb"[\0-\x08\x0e-\x1f]", data[:64])):
            raise UnreadableTable("not_a_table", file=name, what=_(what))
    if JSON.match(data.removeprefix(b"\xef\xbb\xbf")[:200]):
        raise UnreadableTable("not_a_table", file=name, what=_("a JSON file"))
    if MARKUP.match(data.removeprefix(b"\xef\xbb\xbf")[:200]):
        raise UnreadableTable("not_a_table", file=name, what=_("a web page or XML file"))


# -- CSV -------------------------------------------------------------------------------------------------------------

BYTE_ORDER_MARKS = (
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe\0\0", "utf-32-le"),
    (b"\0\0\xfe\xff", "utf-32-be"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)
DELIMITERS = ",;\t|"
CONTROL = re.compile(r"[\x01-\x08\x0e-\x19\x1b\x1c\x7f]")
END = "end of file"


def _read_csv(data: bytes, name: str, max_rows: int) -> Table:
    text, encoding = _decode(data, name)
    _refuse_binary(text, name)
    lines = _physical_lines(text, name, max_rows)
    told = re.fullmatch(r'"?sep=(.)"?\s*', lines[0], re.IGNORECASE)
    delimiter = told[1] if told and told[1] in DELIMITERS else _sniff(lines)
    rows, numbers = _parse(lines, delimiter, name, skip=1 if told else 0)
    remarks = []
    if encoding == "cp1252" and not data.isascii():
        remarks.append(_("The file is not UTF-8 and was read as Windows-1252; check names with accents."))
    return _build(rows, numbers, name, max_rows, kind="csv", encoding=encoding, delimiter=delimiter, remarks=remarks)


def _decode(data: bytes, name: str) -> tuple[str, str]:
    for mark, encoding in BYTE_ORDER_MARKS:
        if data.startswith(mark):
            return _decode_or_refuse(data[len(mark) :], encoding, name, offset=len(mark)), encoding
    if wide := _guess_utf16(data):
        return _decode_or_refuse(data, wide, name), wide
    for encoding in ("utf-8", "cp1252"):
        try:
            return data.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1"), "latin-1"


def _decode_or_refuse(data: bytes, encoding: str, name: str, offset: int = 0) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        at = error.start + offset + 1
        raise UnreadableTable("encoding", file=name, encoding=encoding.upper(), byte=at) from error


def _guess_utf16(data: bytes) -> str:
    """UTF-16 without a mark: every second byte of mostly Latin text is zero, the others are not."""
    head = data[:4096]
    half = len(head) // 2
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if half >= 2 and odd > 0.6 * half and even < 0.05 * half:
        return "utf-16-le"
    if half >= 2 and even > 0.6 * half and odd < 0.05 * half:
        return "utf-16-be"
    return ""


def _refuse_binary(text: str, name: str) -> None:
    head = text[:65_536]
    odd = CONTROL.findall(head)
    if len(odd) > 4 and len(odd) * 50 > len(head):
        raise UnreadableTable("binary", file=name, line=_line_of(text, CONTROL.search(text).start()))
    if "\0" in text:
        raise UnreadableTable("nul_byte", file=name, line=_line_of(text, text.index("\0")))


def _line_of(text: str, position: int) -> int:
    before = text[:position]
    return before.count("\n") + before.count("\r") - before.count("\r\n") + 1


def _physical_lines(text: str, name: str, max_rows: int) -> list[str]:
    """The lines with their ends. Their number is known before any of them is made."""
    count = text.count("\n") + text.count("\r") - text.count("\r\n")
    if count > 10 * max_rows + 1_000:
        raise UnreadableTable("too_many_rows", file=name, limit=f"{max_rows:,}")
    lines = list(io.StringIO(text, newline=""))
    if not lines:
        raise UnreadableTable("empty", file=name)
    longest = max(map(len, lines))
    if longest > MAX_LINE:
        at = next(number for number, line in enumerate(lines, 1) if len(line) == longest)
        raise UnreadableTable("line_too_long", file=name, line=at, length=f"{longest:,}", limit=f"{MAX_LINE:,}")
    return lines


def _sniff(lines: Sequence[str]) -> str:
    """The separator under which most rows are as wide as an early heading row."""
    sample = [line for line in lines[: HEADING_SEARCH + 60] if line.strip()]
    return max(DELIMITERS, key=lambda delimiter: _fit(sample, delimiter))


def _fit(sample: Sequence[str], delimiter: str) -> tuple[float, int]:
    try:
        rows = [row for row in csv.reader(sample, delimiter=delimiter) if any(cell.strip() for cell in row)]
    except csv.Error:
        return (0.0, 0)
    start = next((i for i, row in enumerate(rows[:HEADING_SEARCH]) if _is_heading(row)), None)
    if start is None:
        return (0.0, 0)
    width = len(rows[start])
    alike = sum(len(row) == width for row in rows[start:]) / len(rows[start:])
    lone = 0.5 if len(rows) - start == 1 and start else 0
    return (alike - 0.02 * start - lone, width)


def _is_heading(row: Iterable[str]) -> bool:
    return sum(1 for cell in row if cell.strip()) >= 2


def _parse(lines: list[str], delimiter: str, name: str, skip: int) -> tuple[list[list[str]], list[int]]:
    """Rows and the lines they begin in. One list a row and no object a cell: this is the hot path."""
    rows: list[list[str]] = []
    numbers: list[int] = []
    start = 1 + skip
    reader = csv.reader([*lines[skip:], END], delimiter=delimiter)
    try:
        for row in reader:
            if row and len(row) <= MAX_COLUMNS:
                rows.append(row)
                numbers.append(start)
            elif row:
                rows.append(_narrowed(row, start, name))
                numbers.append(start)
            start = reader.line_num + 1 + skip
    except csv.Error as error:
        _refuse_quoted(lines, delimiter, start, name, error)
    # The line added at the end comes back alone, unless a quotation mark is still open and has swallowed it.
    if numbers[-1] != len(lines) + 1:
        raise UnreadableTable("unclosed_quote", file=name, line=_quote_line(rows[-1], numbers[-1]))
    rows.pop(), numbers.pop()
    if len(rows) != len(lines) - skip or max(map(len, lines)) > MAX_CELL:
        _check_long(rows, numbers, delimiter, name)
    return rows, numbers


def _narrowed(row: list[str], line: int, name: str) -> list[str]:
    if len(_trim(row)) > MAX_COLUMNS:
        raise UnreadableTable("too_many_columns", file=name, line=line, count=f"{len(row):,}", limit=MAX_COLUMNS)
    return row


def _refuse_quoted(lines: list[str], delimiter: str, start: int, name: str, error: csv.Error) -> None:
    """The parser's own cap on a field was hit: by one long cell, or by a mark that swallows the lines after it."""
    line = lines[start - 1] if start <= len(lines) else ""
    if line.count('"') % 2:
        raise UnreadableTable("unclosed_quote", file=name, line=start) from error
    column = max(line.split(delimiter), key=len, default="")
    raise UnreadableTable(
        "cell_too_long",
        file=name,
        line=start,
        column=line.split(delimiter).index(column) + 1,
        length=f"over {csv.field_size_limit():,}",
        limit=f"{MAX_CELL:,}",
    ) from error


def _quote_line(row: Sequence[str], start: int) -> int:
    """The line where the last cell of a row begins: there the mark was opened that was never closed."""
    return start + sum(_breaks(cell) for cell in row[:-1])


def _breaks(cell: str) -> int:
    return cell.count("\n") + cell.count("\r") - cell.count("\r\n")


def _check_long(rows: Sequence[Sequence[str]], numbers: Sequence[int], delimiter: str, name: str) -> None:
    width = Counter(len(row) for row in rows).most_common(1)[0][0] if rows else 0
    for row, line in zip(rows, numbers, strict=True):
        for column, cell in enumerate(row):
            if len(cell) > MAX_CELL:
                _refuse_cell(name, line, column, cell)
            if ("\n" in cell or "\r" in cell) and _swallows_rows(cell, delimiter, width):
                at = line + sum(_breaks(earlier) for earlier in row[:column])
                raise UnreadableTable("unclosed_quote", file=name, line=at)


def _swallows_rows(cell: str, delimiter: str, width: int) -> bool:
    """A text that runs over line ends and holds what looks like whole rows was closed by some later row's mark."""
    parts = cell.splitlines()
    if len(parts) > MAX_QUOTED_LINES:
        return True
    return width >= 2 and any(part.count(delimiter) >= max(width - 1, 3) for part in parts[1:])


def _refuse_cell(name: str, line: int, column: int, cell: str) -> None:
    raise UnreadableTable(
        "cell_too_long",
        file=name,
        line=line,
        column=column + 1,
        length=f"{len(cell):,}",
        limit=f"{MAX_CELL:,}",
    )


# -- Headings, the same for both kinds ---------------------------------------------------------------------------------


def _build(rows: list, numbers: list[int], name: str, max_rows: int, *, remarks: list[str], **facts) -> Table:
    """Find the heading, drop blank rows, even out the rest. Takes over (and changes) `rows`."""
    at = _heading_at(rows, name)
    headings = _trim([cell.strip() for cell in rows[at]])
    line = numbers[at]
    if at and any(any(cell.strip() for cell in row) for row in rows[:at]):
        words = _("The heading was taken from line %(line)s; what stands above it was passed over.")
        remarks = [*remarks, words % {"line": line}]
    rows, numbers = _without_blanks(rows, numbers, after=at)
    if not rows:
        raise UnreadableTable("no_rows", file=name, line=line)
    if len(rows) > max_rows:
        raise UnreadableTable("too_many_rows", file=name, limit=f"{max_rows:,}")
    ragged = _even_out(rows, len(headings))
    return Table(
        heading_line=line,
        headings=tuple(headings),
        rows=rows,
        lines=numbers,
        ragged=ragged,
        remarks=tuple(remarks),
        **facts,
    )


def _heading_at(rows: Sequence[Sequence[str]], name: str) -> int:
    """The first row with two filled cells; in a list of one column, the first filled row."""
    filled = [i for i, row in enumerate(rows[: 10 * HEADING_SEARCH]) if any(cell.strip() for cell in row)]
    for i in filled[:HEADING_SEARCH]:
        if _is_heading(rows[i]):
            return i
    if not filled or any(map(_is_heading, rows)):
        raise UnreadableTable("no_heading", file=name)
    return filled[0]


def _trim(cells: list[str]) -> list[str]:
    while cells and not cells[-1].strip():
        cells.pop()
    return cells


def _without_blanks(rows: list, numbers: list[int], *, after: int) -> tuple[list, list[int]]:
    rows, numbers = rows[after + 1 :], numbers[after + 1 :]
    keep = [any(row) and (bool(row[0]) or any(map(str.strip, row))) for row in rows]
    if all(keep):
        return rows, numbers
    kept = [i for i, wanted in enumerate(keep) if wanted]
    return [rows[i] for i in kept], [numbers[i] for i in kept]


def _even_out(rows: list, width: int) -> dict[int, int]:
    """Pad short rows, cut empty cells beyond the heading; say which rows were not as wide as the heading."""
    ragged = {}
    for i, row in enumerate(rows):
        count = len(row)
        if count == width:
            continue
        while len(row) > width and not row[-1].strip():
            row.pop()
        if count < width or len(row) > width:
            ragged[i] = len(row)
        row.extend([""] * (width - len(row)))
    return ragged


# -- XLSX ------------------------------------------------------------------------------------------------------------

ROW_TAG = re.compile(rb"<(?:\w{1,20}:)?row[\s/>]")
CELL_TAG = re.compile(rb"<(?:\w{1,20}:)?c[\s/>]")
TAIL = 32
SPARE_TAGS = 1_000_000
SPARE_CELLS = 1_500_000
MACROS = ("xl/vbaproject.bin", "xl/macrosheets/")


def _read_xlsx(data: bytes, name: str, max_rows: int) -> Table:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                _guard_archive(archive, name)
                _guard_members(archive, name, max_rows)
                names = archive.namelist()
            return _read_workbook(data, names, name, max_rows)
        except UnreadableTable:
            raise
        except MemoryError as error:
            raise UnreadableTable("bomb", file=name, reason=_("it does not fit into memory")) from error
        except Exception as error:
            # openpyxl meets damage with KeyError, TypeError, ValueError and a dozen more.
            raise UnreadableTable("damaged", file=name, reason=_reason(error)) from error


def _reason(error: Exception) -> str:
    if isinstance(error, zipfile.BadZipFile | EOFError):
        return _("the file is cut off or damaged")
    if isinstance(error, RuntimeError) and "password" in str(error):
        return _("a part of it is locked by a password")
    return _("its inside is not as a workbook should be")


def _guard_archive(archive: zipfile.ZipFile, name: str) -> None:
    """Look at the list of contents only, before a byte is unpacked."""
    members = archive.infolist()
    names = {member.filename.lower().lstrip("/") for member in members}
    _refuse_other_archives(archive, names, name)
    if len(members) > MAX_MEMBERS:
        raise UnreadableTable("bomb", file=name, reason=f"{len(members):,} parts")
    if len(names) < len(members):
        raise UnreadableTable("damaged", file=name, reason=_("two of its parts have the same name"))
    if (total := sum(member.file_size for member in members)) > MAX_UNPACKED:
        raise UnreadableTable("bomb", file=name, reason=f"{total // 1_000_000:,} MB")
    for member in members:
        if member.file_size > RATIO_FREE and member.file_size > MAX_RATIO * max(member.compress_size, 1):
            ratio = member.file_size // max(member.compress_size, 1)
            raise UnreadableTable("bomb", file=name, reason=f"one part is packed {ratio:,} to 1")


def _refuse_other_archives(archive: zipfile.ZipFile, names: set[str], name: str) -> None:
    if any(part.startswith(MACROS) for part in names):
        raise UnreadableTable("macros", file=name)
    if "xl/workbook.bin" in names:
        raise UnreadableTable("binary_workbook", file=name)
    if "word/document.xml" in names or "ppt/presentation.xml" in names:
        raise UnreadableTable("not_a_table", file=name, what=_("a text document or presentation"))
    if "mimetype" in names and "content.xml" in names:
        raise UnreadableTable("open_document", file=name)
    if "[content_types].xml" not in names:
        raise UnreadableTable("not_a_table", file=name, what=_("a ZIP"))


def _guard_members(archive: zipfile.ZipFile, name: str, max_rows: int) -> None:
    """One pass over each XML part as bytes: no parser sees a part before its size, rows and cells are known."""
    left = MAX_UNPACKED
    for member in archive.infolist():
        if member.filename.lower().endswith((".xml", ".rels", ".vml")):
            left -= _guard_member(archive, member, name, max_rows, left)


def _guard_member(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str, max_rows: int, left: int) -> int:
    size = 0
    tail = b""
    counted = _Tags(name=name, max_rows=max_rows)
    with archive.open(member) as part:
        while block := part.read(1 << 20):
            size += len(block)
            window = tail + block
            if size > left:
                raise UnreadableTable("bomb", file=name, reason=f"over {MAX_UNPACKED // 1_000_000} MB")
            if b"<!DOCTYPE" in window or b"<!ENTITY" in window:
                raise UnreadableTable("entities", file=name, member=_plain_name(member.filename))
            if b"\0" in block:
                raise UnreadableTable("damaged", file=name, reason=_("a part of it is not UTF-8 text"))
            counted.add(window, tail)
            tail = window[-TAIL:]
    return size


class _Tags:
    """Counts of what costs a parser time: rows, cells, shared texts, and everything together."""

    def __init__(self, *, name: str, max_rows: int) -> None:
        self.name, self.max_rows = name, max_rows
        self.rows = self.cells = self.texts = self.all = 0

    def add(self, window: bytes, tail: bytes) -> None:
        """`tail` begins `window` and was counted before; a tag cut by its end is whole only now."""
        self.rows += len(ROW_TAG.findall(window)) - len(ROW_TAG.findall(tail))
        self.cells += len(CELL_TAG.findall(window)) - len(CELL_TAG.findall(tail))
        self.texts += window.count(b"si>") - tail.count(b"si>")
        self.all += window.count(b"<") - tail.count(b"<")
        if self.rows > 4 * self.max_rows + 1_000:
            raise UnreadableTable("too_many_rows", file=self.name, limit=f"{self.max_rows:,}")
        if self.rows and self.cells > MAX_COLUMNS * (self.rows + 50):
            count = f"{self.cells:,}"
            raise UnreadableTable("too_many_columns", file=self.name, line=self.rows, count=count, limit=MAX_COLUMNS)
        if self.cells > SPARE_CELLS and not self.rows:
            raise UnreadableTable("bomb", file=self.name, reason=_("cells outside rows"))
        if self.all > SPARE_TAGS + 2 * self.rows + 8 * self.cells + 40 * self.texts:
            raise UnreadableTable("bomb", file=self.name, reason=_("millions of elements that are no cells"))


def _read_workbook(data: bytes, names: Sequence[str], name: str, max_rows: int) -> Table:
    book = load_workbook(io.BytesIO(data), read_only=True, keep_links=False)
    empty = []
    for sheet in book.worksheets:
        if sheet.sheet_state != "visible":
            continue
        taken = _Taken(name=name, sheet=sheet.title, max_rows=max_rows)
        taken.read(sheet)
        if not taken.rows:
            empty.append(sheet.title)
            continue
        if taken.formulas:
            _fill_in_kept_values(data, taken)
        remarks = _sheet_remarks(taken, book, empty, names)
        return taken.table(remarks)
    raise UnreadableTable("no_visible_sheet", file=name)


def _sheet_remarks(taken: "_Taken", book, empty: list[str], names: Sequence[str]) -> list[str]:
    remarks = []
    hidden = [sheet.title for sheet in book.worksheets if sheet.sheet_state != "visible"]
    others = [sheet.title for sheet in book.worksheets if sheet.title not in {taken.sheet, *hidden, *empty}]
    if hidden:
        remarks.append(_("Hidden sheets were passed over: %(sheets)s.") % {"sheets": _listed(hidden)})
    if empty:
        remarks.append(_("Empty sheets were passed over: %(sheets)s.") % {"sheets": _listed(empty)})
    if others:
        words = _("Only the sheet %(sheet)s was read; not %(others)s.")
        remarks.append(words % {"sheet": _listed([taken.sheet]), "others": _listed(others)})
    if any(part.lower().startswith("xl/externallinks/") for part in names):
        remarks.append(_("The workbook points at other files; they were not opened."))
    return remarks + _formula_remarks(taken)


def _formula_remarks(taken: "_Taken") -> list[str]:
    if not taken.formulas:
        return []
    words = _("%(count)s cells hold formulas; the values saved with the file were taken, nothing was worked out again.")
    remarks = [words % {"count": f"{len(taken.formulas):,}"}]
    if bare := sum(not taken.rows[i][column] for i, column in taken.formulas):
        words = _("%(count)s of them kept no value and were read as empty; open the workbook and save it again.")
        remarks.append(words % {"count": f"{bare:,}"})
    return remarks


def _listed(titles: Sequence[str]) -> str:
    shown = ", ".join(f"“{title[:40]}”" for title in titles[:5])
    if len(titles) <= 5:
        return shown
    return _("%(names)s and %(count)s more") % {"names": shown, "count": len(titles) - 5}


def _fill_in_kept_values(data: bytes, taken: "_Taken") -> None:
    sheet = load_workbook(io.BytesIO(data), read_only=True, keep_links=False, data_only=True)[taken.sheet]
    sheet.reset_dimensions()
    index = {line: i for i, line in enumerate(taken.numbers)}
    wanted = {(taken.numbers[i], column) for i, column in taken.formulas}
    for number, row in enumerate(sheet.iter_rows(), 1):
        for column, cell in enumerate(row):
            if (number, column) in wanted:
                text, _mark = _text(cell)
                taken.rows[index[number]][column] = text


class _Taken:
    """What is taken out of one sheet, row by row, within the caps."""

    def __init__(self, *, name: str, sheet: str, max_rows: int) -> None:
        self.name, self.sheet, self.max_rows = name, sheet, max_rows
        self.rows: list[list[str]] = []
        self.numbers: list[int] = []
        self.found: dict[tuple[int, int], Mark] = {}
        self.formulas: list[tuple[int, int]] = []

    def read(self, sheet) -> None:
        self._check_row_numbers(sheet)
        # Without this a sheet that claims to be one cell big gives one cell, and no error.
        sheet.reset_dimensions()
        limit = 4 * self.max_rows + 1_000
        started = time.monotonic()
        for number, row in enumerate(sheet.iter_rows(), 1):
            if number > limit or len(self.rows) > self.max_rows + HEADING_SEARCH:
                raise UnreadableTable("too_many_rows", file=self.name, limit=f"{self.max_rows:,}")
            if row:
                self._take(number, row)
            if number % 256 == 0 and (spent := time.monotonic() - started) > MAX_SECONDS:
                raise UnreadableTable("too_slow", file=self.name, count=f"{number:,}", seconds=int(spent))

    def _check_row_numbers(self, sheet) -> None:
        """openpyxl gives out no row whose number is not above the one before it, and says nothing."""
        last = 0
        pattern = re.compile(rb"<(?:\w{1,20}:)?row\b[^>]{0,4000}?\sr\s*=\s*[\"'](\d{1,12})[\"']")
        with sheet._get_source() as source:
            for number in map(int, pattern.findall(source.read(MAX_UNPACKED))):
                if number <= last:
                    raise UnreadableTable("repeated_rows", file=self.name, sheet=f"“{self.sheet[:40]}”")
                last = number

    def _take(self, number: int, row: Sequence) -> None:
        cells = []
        marked = []
        for column, cell in enumerate(row):
            text, mark = _text(cell)
            if len(text) > MAX_CELL:
                _refuse_cell(self.name, number, column, text)
            if mark:
                marked.append((column, mark))
            cells.append(text)
        if not marked:
            _trim(cells)
        if len(cells) > MAX_COLUMNS:
            count = f"{len(cells):,}"
            raise UnreadableTable("too_many_columns", file=self.name, line=number, count=count, limit=MAX_COLUMNS)
        if not cells:
            return
        for column, mark in marked:
            self.found[len(self.rows), column] = mark
            if mark is Mark.FORMULA:
                self.formulas.append((len(self.rows), column))
        self.rows.append(cells)
        self.numbers.append(number)

    def table(self, remarks: list[str]) -> Table:
        by_line = {(self.numbers[i], column): mark for (i, column), mark in self.found.items()}
        table = _build(self.rows, self.numbers, self.name, self.max_rows, remarks=remarks, kind="xlsx")
        index = {line: i for i, line in enumerate(table.lines)}
        marks = {(index[line], column): mark for (line, column), mark in by_line.items() if line in index}
        facts = {**vars(table), "marks": marks, "sheet": self.sheet}
        return Table(**facts)


# How spreadsheet programs write line ends, tabs and a literal "_x" inside a text.
ESCAPED = re.compile(r"_x(000[9ADad]|005[Ff])_")


def _text(cell) -> tuple[str, Mark | None]:
    """A cell as text. Dates as ISO 8601; a number as its digits, never with an exponent."""
    value, kind = cell.value, cell.data_type
    if kind == "f":
        return "", Mark.FORMULA
    if value is None:
        return "", None
    if kind == "e":
        return str(value), Mark.ERROR
    if isinstance(value, str):
        return (ESCAPED.sub(lambda found: chr(int(found[1], 16)), value) if "_x" in value else value), None
    if isinstance(value, bool):
        return ("TRUE" if value else "FALSE"), Mark.BOOLEAN
    if isinstance(value, int):
        return str(value), Mark.NUMBER
    if isinstance(value, float):
        return _number(value), Mark.NUMBER
    return _date(value), Mark.DATE


def _number(value: float) -> str:
    text = format(Decimal(repr(value)), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _date(value: object) -> str:
    if isinstance(value, datetime) and value.time() == clock_time():
        return value.date().isoformat()
    if isinstance(value, datetime | date | clock_time):
        return value.isoformat()
    return str(value)
