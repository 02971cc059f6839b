"""Rows -> a workbook or a CSV file. Text stays text: nothing typed by anyone becomes a formula in somebody's program.

The same rows give the same bytes: no time of making is in the file, only the one the caller gives.
"""

import re
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo
from decimal import Decimal
from io import BytesIO
from itertools import chain, islice
from typing import IO

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.writer.excel import ExcelWriter

MAX_TEXT = 32_767
MAX_EXACT = 10**15
EPOCH = datetime(2000, 1, 1, tzinfo=UTC)

Value = str | int | float | bool | Decimal | date | datetime | None


@dataclass(frozen=True)
class Sheet:
    """One sheet: a bold frozen heading row, then `rows` (any iterable, read once). `widths` are in characters; without
    them the heading and the first rows decide."""

    title: str
    headings: Sequence[str]
    rows: Iterable[Sequence[Value]]
    widths: Sequence[float] = ()


def workbook_bytes(sheets: Iterable[Sheet], *, title: str = "", zone: tzinfo = UTC, created: datetime = EPOCH) -> bytes:
    """An .xlsx file of `sheets`. For its rules see write_workbook."""
    out = BytesIO()
    write_workbook(out, sheets, title=title, zone=zone, created=created)
    return out.getvalue()


def write_workbook(
    file: IO[bytes], sheets: Iterable[Sheet], *, title: str = "", zone: tzinfo = UTC, created: datetime = EPOCH
) -> None:
    """Write an .xlsx file row by row; memory does not grow with the rows.

    Text is text whatever it begins with. Control characters are shown as their pictures (␀, ␛), halves of a character
    pair as �. Over 32,767 characters text is cut and says so. A number that a spreadsheet cannot hold exactly (over 15
    digits) is written as text. A day is a date, a moment a date and time on the clock of `zone`, whose abbreviation is
    part of the cell's format, since a cell has no zone; both sort and filter. A moment without a zone is a TypeError,
    as is any value that is not in `Value`. A file without a sheet is a ValueError.
    """
    book = Workbook(write_only=True)
    titles: set[str] = set()
    for sheet in sheets:
        _write_sheet(book, sheet, _free_title(sheet.title, titles), zone)
    if not titles:
        raise ValueError("A workbook needs at least one sheet.")
    book.properties.title = _clean(title) or None
    book.properties.creator = "receiving"
    # save() would stamp the time of writing.
    book.properties.created = book.properties.modified = created.astimezone(UTC).replace(tzinfo=None)
    ExcelWriter(book, _SteadyZip(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True)).save()


class _SteadyZip(zipfile.ZipFile):
    """A ZIP whose entries all bear the same time."""

    def _entry(self, name: str) -> zipfile.ZipInfo:
        entry = zipfile.ZipInfo(name, date_time=EPOCH.timetuple()[:6])
        entry.compress_type = self.compression
        entry.create_system = 0
        return entry

    def writestr(self, zinfo_or_arcname, data, compress_type=None, compresslevel=None):
        super().writestr(self._entry(zinfo_or_arcname), data, compress_type, compresslevel)

    def write(self, filename, arcname=None, compress_type=None, compresslevel=None):
        with open(filename, "rb") as source, self.open(self._entry(arcname), "w", force_zip64=True) as target:
            while block := source.read(1 << 20):
                target.write(block)


def _free_title(title: str, taken: set[str]) -> str:
    """A sheet name that spreadsheet programs accept: up to 31 characters, none of []:*?/\\, no name twice."""
    plain = re.sub(r"[\[\]:*?/\\]", " ", _clean(title)).strip().strip("'")[:31].strip() or "Sheet"
    name, number = plain, 1
    while name.lower() in taken:
        number += 1
        name = f"{plain[: 28 - len(str(number))]} ({number})"
    taken.add(name.lower())
    return name


def _write_sheet(book: Workbook, sheet: Sheet, title: str, zone: tzinfo) -> None:
    page = book.create_sheet(title)
    page.freeze_panes = "A2"
    rows = iter(sheet.rows)
    first = [list(row) for row in islice(rows, 50)]
    for number, width in enumerate(_widths(sheet, first, zone), 1):
        page.column_dimensions[get_column_letter(number)].width = width
    page.append([_heading(page, text) for text in sheet.headings])
    count = 1
    for row in chain(first, rows):
        page.append([_cell(page, value, zone) for value in row])
        count += 1
    if sheet.headings:
        page.auto_filter.ref = f"A1:{get_column_letter(len(sheet.headings))}{count}"


def _widths(sheet: Sheet, first: Sequence[Sequence[Value]], zone: tzinfo) -> Iterator[float]:
    for column, heading in enumerate(sheet.headings):
        if column < len(sheet.widths):
            yield sheet.widths[column]
            continue
        longest = max([len(heading), *(len(_as_text(row[column], zone)) for row in first if column < len(row))])
        yield min(max(longest + 2, 8), 60)


def _heading(page, text: str) -> WriteOnlyCell:
    cell = _text_cell(page, text)
    cell.font = Font(bold=True)
    cell.alignment = Alignment(wrap_text=True, vertical="top")
    return cell


def _cell(page, value: Value, zone: tzinfo):
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return WriteOnlyCell(page, value=value)
    if isinstance(value, int | float | Decimal) and _is_exact(value):
        cell = WriteOnlyCell(page, value=value)
        if isinstance(value, Decimal) and (places := -value.as_tuple().exponent) > 0:
            cell.number_format = f"#,##0.{'0' * places}"
        return cell
    if isinstance(value, datetime):
        return _moment_cell(page, value, zone)
    if isinstance(value, date):
        cell = WriteOnlyCell(page, value=value)
        cell.number_format = "yyyy-mm-dd"
        return cell
    return _text_cell(page, _as_text(value, zone))


def _moment_cell(page, value: datetime, zone: tzinfo) -> WriteOnlyCell:
    local = _local(value, zone)
    name = local.strftime("%Z").replace('"', "")
    cell = WriteOnlyCell(page, value=local.replace(tzinfo=None, microsecond=0))
    cell.number_format = f'yyyy-mm-dd hh:mm "{name}"' if name else "yyyy-mm-dd hh:mm"
    return cell


def _text_cell(page, text: str) -> WriteOnlyCell:
    text = _fit(_clean(text))
    cell = WriteOnlyCell(page, value=text)
    # openpyxl has just taken "=1+1" for a formula and "#N/A" for an error.
    cell.data_type = "s"
    if text.startswith(FORMULA_STARTS):
        cell.quotePrefix = True
    return cell


def _is_exact(value: float | Decimal) -> bool:
    """Whether a spreadsheet's 15 digits hold the number: not so for an 18-digit carton id, NaN or infinity."""
    if isinstance(value, Decimal):
        return value.is_finite() and len(value.normalize().as_tuple().digits) <= 15 and abs(value) < MAX_EXACT
    return abs(value) < MAX_EXACT


def _as_text(value: Value, zone: tzinfo) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return str(value)
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, datetime):
        return _moment(value, zone)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, int | float):
        return str(value)
    raise TypeError(f"{type(value).__name__} is no value of a table: {value!r}")


def _moment(value: datetime, zone: tzinfo) -> str:
    return f"{_local(value, zone):%Y-%m-%d %H:%M %Z}".strip()


def _local(value: datetime, zone: tzinfo) -> datetime:
    if value.tzinfo is None:
        raise TypeError(f"A moment without a time zone cannot be written: {value!r}")
    return value.astimezone(zone)


# -- Text that any program may read ----------------------------------------------------------------------------------

UNSEEN = re.compile("[\0-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def _clean(text: str) -> str:
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    return UNSEEN.sub(lambda found: _picture(found[0]), text)


def _picture(character: str) -> str:
    if character == "\x7f":
        return "␡"
    return chr(0x2400 + ord(character)) if character < " " else "�"


def _fit(text: str) -> str:
    """Cut to what a cell holds, which is counted in UTF-16 units; spell out what looks like an escaped character."""
    text = re.sub(r"_(?=x[0-9A-Fa-f]{4}_)", "_x005F_", text)
    if len(text) <= MAX_TEXT // 2 or len(text.encode("utf-16-le")) <= 2 * MAX_TEXT:
        return text
    mark = f" … [cut; the whole text has {len(text):,} characters]"
    kept = text.encode("utf-16-le")[: 2 * (MAX_TEXT - len(mark))].decode("utf-16-le", "ignore")
    return kept + mark


# -- CSV -------------------------------------------------------------------------------------------------------------


def csv_bytes(rows: Iterable[Sequence[Value]], *, zone: tzinfo = UTC) -> bytes:
    """RFC 4180: comma, CRLF, quotation marks doubled; UTF-8 with a byte order mark, which spreadsheet programs need.

    A text that begins like a formula (= + - @, tab, line end, and the full-width signs) gets an apostrophe before it;
    every text stands in quotation marks, so a program that splits at semicolons finds no formula either. Numbers are
    numbers: Decimal("-5") stays -5, the text "-5" becomes '-5. Moments and dates as in write_workbook.
    """
    return b"\xef\xbb\xbf" + b"".join(csv_lines(rows, zone=zone))


def csv_lines(rows: Iterable[Sequence[Value]], *, zone: tzinfo = UTC) -> Iterator[bytes]:
    """The lines of csv_bytes without the mark, for streaming."""
    for row in rows:
        yield (",".join(_field(value, zone) for value in row) + "\r\n").encode()


def _field(value: Value, zone: tzinfo) -> str:
    text = _as_text(value, zone)
    if not isinstance(value, str):
        return text
    guard = "'" if text.startswith(FORMULA_STARTS) else ""
    return f'"{guard}{_clean(text).replace(chr(34), chr(34) * 2)}"' if text else ""
