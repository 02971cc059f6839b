"""Pages of PDF files that came from outside: their sizes, and how they are laid into a document of ours; a document cut
into parts. Bytes or open files in, bytes out; the same input gives the same bytes.
"""

import hashlib
import struct
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from io import BytesIO
from typing import IO

import pikepdf
from pikepdf import Dictionary, Name

from receiving.documents.pdf import DocumentNotMade


@dataclass(frozen=True)
class Place:
    """Where a page of another document goes: instead of the picture `address`, page `number` (from 0) of `source`."""

    address: str
    source: str
    number: int


def sizes(source: IO[bytes] | bytes, name: str) -> list[tuple[float, float]]:
    """Width and height in points of every page, as it is read upright. Raises DocumentNotMade for what is no PDF."""
    with _opened(source, name) as pdf:
        return [_upright(page)[2:] for page in pdf.pages]


def stand_in(width: float, height: float) -> bytes:
    """An empty PNG of a page's proportions: what the page is laid out with until `lay_in` puts it there."""
    columns, rows = max(1, round(width)), max(1, round(height))
    head = struct.pack("!2I5B", columns, rows, 8, 0, 0, 0, 0)
    body = zlib.compress((b"\0" + b"\xff" * columns) * rows, 9)
    chunks = [(b"IHDR", head), (b"IDAT", body), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, data) for kind, data in chunks)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack("!I", len(data)) + kind + data + struct.pack("!I", zlib.crc32(kind + data))


def lay_in(document: bytes, places: Sequence[Place], sources: Mapping[str, IO[bytes] | bytes]) -> bytes:
    """`document` with pages of other PDFs where their stand-ins were.

    document -- made by `render_pdf`, with `stand_in` pictures under the addresses of `places`
    sources -- whole PDFs by name

    Filled-in form fields, stamps and comments are drawn onto their page; links and scripts are left behind. What is
    laid in may use anything that a PDF can: a document that says it is PDF/A must not be given here.
    """
    with ExitStack() as at_the_end:
        whole = at_the_end.enter_context(pikepdf.open(BytesIO(document)))
        read = {name: at_the_end.enter_context(_opened(source, name)) for name, source in sources.items()}
        for pdf in read.values():
            _flatten(pdf)
        pictures = whole.pages[0].obj.Resources.XObject
        for place in places:
            drawn = _in_unit_square(whole, read[place.source], place.number)
            pictures[_key(pictures, place)] = drawn
        return _written(whole)


def _key(pictures: Dictionary, place: Place) -> str:
    """WeasyPrint names a picture by its address; a page that is not found would stay empty without a word."""
    key = f"/i{hashlib.md5(place.address.encode(), usedforsecurity=False).hexdigest()}1"
    if key not in pictures:
        raise DocumentNotMade("not_drawn", reason=f"{place.source}, {place.number + 1}")
    return key


def _flatten(pdf: pikepdf.Pdf) -> None:
    if "/AcroForm" in pdf.Root:
        pdf.generate_appearance_streams()
    pdf.flatten_annotations("all")


def _in_unit_square(whole: pikepdf.Pdf, pdf: pikepdf.Pdf, number: int) -> pikepdf.Object:
    """The page as a drawing that fills one by one unit, as a picture does."""
    page = pdf.pages[number]
    left, bottom, width, height = _upright(page)
    drawing = whole.copy_foreign(pdf.make_indirect(page.as_form_xobject()))
    matrix = (1 / width, 0, 0, 1 / height, -left / width, -bottom / height)
    placed = " ".join(f"{value:.10f}" for value in matrix)
    return whole.make_stream(
        f"q {placed} cm /P Do Q".encode(),
        Type=Name.XObject,
        Subtype=Name.Form,
        BBox=[0, 0, 1, 1],
        Resources=Dictionary(XObject=Dictionary(P=drawing)),
    )


def _upright(page: pikepdf.Page) -> tuple[float, float, float, float]:
    """Left, bottom, width and height of what is seen of the page, turned as it asks."""
    drawing = page.as_form_xobject()
    a, b, c, d, e, f = (float(n) for n in drawing.get("/Matrix", [1, 0, 0, 1, 0, 0]))
    x0, y0, x1, y1 = (float(n) for n in drawing.BBox)
    corners = [(a * x + c * y + e, b * x + d * y + f) for x in (x0, x1) for y in (y0, y1)]
    xs, ys = zip(*corners, strict=True)
    return min(xs), min(ys), max(max(xs) - min(xs), 1.0), max(max(ys) - min(ys), 1.0)


@contextmanager
def _opened(source: IO[bytes] | bytes, name: str) -> Iterator[pikepdf.Pdf]:
    try:
        pdf = pikepdf.open(BytesIO(source) if isinstance(source, bytes) else source)
    except pikepdf.PdfError as error:
        raise DocumentNotMade("document_broken", name=name) from error
    with pdf:
        yield pdf


def _written(pdf: pikepdf.Pdf) -> bytes:
    out = BytesIO()
    pdf.save(
        out, deterministic_id=True, object_stream_mode=pikepdf.ObjectStreamMode.generate, fix_metadata_version=False
    )
    return out.getvalue()


# -- Parts -------------------------------------------------------------------------------------------------------------


def count(document: bytes) -> int:
    with pikepdf.open(BytesIO(document)) as pdf:
        return len(pdf.pages)


def weights(document: bytes) -> tuple[int, list[int]]:
    """(bytes that any part needs, bytes of each page beyond that), as near as can be told without writing one."""
    with pikepdf.open(BytesIO(document)) as pdf:
        resources = pdf.pages[0].obj.Resources
        shared = [value for key, value in resources.items() if key != "/XObject"]
        seen: set[tuple[int, int]] = set()
        base = sum(_weight(value, seen) for value in shared)
        return base, [_page_weight(page, set(seen)) for page in pdf.pages]


def _page_weight(page: pikepdf.Page, seen: set[tuple[int, int]]) -> int:
    drawn = _drawn(page)
    return _weight(page.obj.Contents, seen) + sum(_weight(each, seen) for each in drawn.values()) + 500


def _drawn(page: pikepdf.Page) -> dict[str, pikepdf.Object]:
    """The pictures and drawings that a page shows, of all that the document has."""
    there = page.obj.Resources.get("/XObject", {})
    steps = pikepdf.parse_content_stream(page, "Do")
    named = {str(step.operands[0]) for step in steps}
    return {name: there[name] for name in sorted(named) if name in there}


def _weight(thing: pikepdf.Object, seen: set[tuple[int, int]]) -> int:
    """Bytes of all streams that hang on this object and were not seen yet."""
    total, waiting = 0, [thing]
    while waiting:
        each = waiting.pop()
        if not isinstance(each, pikepdf.Object) or (each.is_indirect and each.objgen in seen):
            continue
        if each.is_indirect:
            seen.add(each.objgen)
        if isinstance(each, pikepdf.Stream):
            total += len(each.read_raw_bytes())
        if isinstance(each, pikepdf.Dictionary | pikepdf.Stream):
            waiting += [value for key, value in each.items() if key not in ("/Parent", "/P")]
        elif isinstance(each, pikepdf.Array):
            waiting += list(each)
    return total


def part(document: bytes, first: int, last: int, cover: bytes, number: int) -> bytes:
    """Pages `first` to `last` (from 1) of `document` behind page `number` of `cover`, and nothing else of either: no
    bookmarks, tags, embedded files or labels, which tell of the whole.
    """
    with pikepdf.open(BytesIO(document)) as pdf, pikepdf.open(BytesIO(cover)) as covers:
        for name in set(pdf.Root.keys()) - {"/Type", "/Pages", "/Lang"}:
            del pdf.Root[name]
        del pdf.pages[last:]
        del pdf.pages[: first - 1]
        for page in pdf.pages:
            _alone(page)
        _alone(covers.pages[number - 1])
        pdf.pages.insert(0, covers.pages[number - 1])
        return _written(pdf)


def _alone(page: pikepdf.Page) -> None:
    """Take from a page what leads to other pages: its links, its tags, the pictures it does not show."""
    page.obj.Resources = Dictionary({**page.obj.Resources, "/XObject": Dictionary(_drawn(page))})
    for name in ("/Annots", "/StructParents", "/Tabs"):
        if name in page.obj:
            del page.obj[name]
