"""HTML and print CSS -> PDF bytes, with nothing fetched from anywhere: only the pictures that the caller names.

A document that is not whole is not made: a missing or broken picture, a missing font, or anything WeasyPrint would
only log, raises DocumentNotMade. The same input gives the same bytes on any machine: the letters come from the font
files in `fonts/` and from no others.
"""

import gc
import logging
import os
import re
import threading
import unicodedata
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, Any
from xml.sax.saxutils import escape

from django.utils.translation import gettext as _

from receiving.identifiers.errors import gettext_noop

HERE = Path(__file__).parent
FONTS = HERE / "fonts"
PRINT_CSS = HERE / "print.css"
FONT_FILES = (
    "AtkinsonHyperlegible-Regular.ttf",
    "AtkinsonHyperlegible-Bold.ttf",
    "AtkinsonHyperlegibleMono-Regular.ttf",
    "AtkinsonHyperlegibleMono-Bold.ttf",
    "DejaVuSans-Subset.ttf",
)
FONTS_CONF = """<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "urn:fontconfig:fonts.dtd">
<fontconfig>
  <dir>{fonts}</dir>
  <cachedir>{cache}</cachedir>
  <alias binding="same"><family>serif</family><prefer><family>Atkinson Hyperlegible</family></prefer></alias>
  <alias binding="same"><family>sans-serif</family><prefer><family>Atkinson Hyperlegible</family></prefer></alias>
  <alias binding="same"><family>monospace</family><prefer><family>Atkinson Hyperlegible Mono</family></prefer></alias>
</fontconfig>
"""
PAPERS = {"a4": "A4", "letter": "letter"}
VARIANTS = ("pdf/a-3a", "pdf/a-3b", "pdf/a-3u", "pdf/ua-1", None)

SENTENCES = {
    "picture_missing": gettext_noop(
        "The document was not made: the picture {name} is missing. Put it back or leave it out, then try again."
    ),
    "picture_broken": gettext_noop(
        "The document was not made: the picture {name} is broken or cut off. Replace it or leave it out, "
        "then try again."
    ),
    "font_missing": gettext_noop(
        "The document was not made: the font file {name} is missing or damaged. Install the program again."
    ),
    "document_broken": gettext_noop(
        "The document was not made: {name} is no PDF that can be opened. Upload it again or leave it out, then try "
        "again."
    ),
    "not_drawn": gettext_noop("The document was not made: a part of it could not be drawn ({reason})."),
}


_one_at_a_time = threading.Lock()


class DocumentNotMade(Exception):
    """`code` is a key of SENTENCES, `params` its values; `str()` is the sentence in the language of the page."""

    def __init__(self, code: str, **params: object) -> None:
        self.code = code
        self.params = params
        super().__init__(_(SENTENCES[code]).format(**params))


@dataclass(frozen=True)
class Attachment:
    """A file embedded in the PDF. `relationship` is one of ISO 32000-2's: Source, Data, Alternative, Supplement."""

    name: str
    data: bytes
    description: str = ""
    relationship: str = "Data"


def render_pdf(
    html: str,
    *,
    title: str,
    created: datetime,
    identifier: bytes | None = None,
    css: Sequence[Path | str] = (PRINT_CSS,),
    paper: str = "letter",
    pictures: Mapping[str, Path | bytes] | None = None,
    variant: str | None = "pdf/a-3a",
    attachments: Sequence[Attachment] = (),
    laid_out: Callable[[int], None] | None = None,
) -> bytes:
    """The PDF of `html`, tagged, with `title` and `created` (aware) in it; made as PDF/A-3a, which no tool here checks.

    `pictures` maps the addresses used in `src`, such as "photo:17", to a JPEG or PNG file or its bytes; any other
    address is refused, and so is a picture without an `alt` text. `css` holds paths or style text. Letters that none
    of our fonts has are printed as [U+4E2D]. `laid_out` is told each page when it is laid out, more than once where
    page numbers in the text make a second round; what it raises ends the work. One document is made at a time, as
    threads would only add up its memory. Raises DocumentNotMade; an unknown paper or variant, or a moment without a
    zone, is a ValueError.
    """
    if paper not in PAPERS or variant not in VARIANTS or created.tzinfo is None:
        raise ValueError(f"Not a known paper, variant or aware moment: {paper!r}, {variant!r}, {created!r}")
    _check_fonts()
    weasyprint = _weasyprint()
    fetcher = _fetcher(_checked(pictures or {}))
    options = {
        "pdf_variant": variant,
        "pdf_identifier": identifier,
        "pdf_tags": True,
        "attachments": [_attachment(weasyprint, each, created) for each in attachments] or None,
    }
    with _nothing_left_out(fetcher), _pages_told(laid_out), _uncollected():
        fonts = _font_configuration()
        styles = [f"@page {{ size: {PAPERS[paper]} portrait }}", *css]
        sheets = [_stylesheet(weasyprint, style, fonts, fetcher) for style in styles]
        page = weasyprint.HTML(string=_spelled_out(html), url_fetcher=fetcher)
        document = page.render(font_config=fonts, stylesheets=sheets, **options)
        document.metadata.title = title
        document.metadata.created = document.metadata.modified = created.isoformat(timespec="seconds")
        return document.write_pdf(**options)


def _stylesheet(weasyprint: Any, style: Path | str, fonts: Any, fetcher: Any) -> Any:
    text = style.read_text("utf-8") if isinstance(style, Path) else style
    return weasyprint.CSS(string=text, font_config=fonts, url_fetcher=fetcher)


def _attachment(weasyprint: Any, each: Attachment, created: datetime) -> Any:
    moment = created.astimezone(UTC)
    return weasyprint.Attachment(
        file_obj=BytesIO(each.data),
        name=each.name,
        description=each.description or None,
        created=moment,
        modified=moment,
        relationship=each.relationship,
    )


# -- Pictures ----------------------------------------------------------------------------------------------------------

BEGINNINGS = {b"\xff\xd8\xff": "image/jpeg", b"\x89PNG\r\n\x1a\n": "image/png"}
ENDINGS = {"image/jpeg": b"\xff\xd9", "image/png": b"IEND"}


@dataclass(frozen=True)
class _Picture:
    source: Path | bytes
    kind: str

    @property
    def address(self) -> str:
        """A file address lets WeasyPrint read the picture late, which halves its memory for a long packet."""
        return self.source.resolve().as_uri() if isinstance(self.source, Path) else ""

    def open(self) -> IO[bytes]:
        return self.source.open("rb") if isinstance(self.source, Path) else BytesIO(self.source)


def _checked(pictures: Mapping[str, Path | bytes]) -> dict[str, _Picture]:
    return {name: _Picture(source, _kind(name, source)) for name, source in pictures.items()}


def _kind(name: str, source: Path | bytes) -> str:
    """JPEG or PNG, whole to its end mark: WeasyPrint would print half a picture and say nothing."""
    try:
        head, tail = _ends(source)
    except OSError as error:
        raise DocumentNotMade("picture_missing", name=name) from error
    for beginning, kind in BEGINNINGS.items():
        if head.startswith(beginning) and ENDINGS[kind] in tail:
            return kind
    raise DocumentNotMade("picture_broken", name=name)


def _ends(source: Path | bytes) -> tuple[bytes, bytes]:
    if isinstance(source, bytes):
        return source[:16], source[-32:]
    with source.open("rb") as file:
        head = file.read(16)
        file.seek(max(source.stat().st_size - 32, 0))
        return head, file.read()


def _fetcher(pictures: Mapping[str, _Picture]) -> Any:
    """A fetcher that knows these pictures and nothing else: no network, no disk, no `data:`."""
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    class Closed(URLFetcher):
        refused = ""

        def fetch(self, url, headers=None):
            if url not in pictures:
                self.refused = url
                raise KeyError(url)
            picture = pictures[url]
            return URLFetcherResponse(picture.address or url, picture.open(), {"Content-Type": picture.kind})

    return Closed(fail_on_errors=True)


@contextmanager
def _nothing_left_out(fetcher: Any) -> Iterator[None]:
    """Turn what WeasyPrint raises in its own way, or only logs, into DocumentNotMade."""
    from weasyprint.urls import FatalURLFetchingError

    with _one_at_a_time, _logged_errors() as errors, warnings.catch_warnings():
        # WeasyPrint leaves the file of its colour profile to the garbage collector.
        warnings.filterwarnings("ignore", "unclosed file .*sRGB2014", ResourceWarning)
        try:
            yield
        except FatalURLFetchingError as error:  # a BaseException: `except Exception` would let it through
            raise DocumentNotMade("picture_missing", name=_short(fetcher.refused or str(error))) from error
        except OSError as error:
            raise DocumentNotMade("not_drawn", reason=_short(str(error))) from error
    if errors:
        raise DocumentNotMade("not_drawn", reason=_short(errors[0]))


def _short(text: str) -> str:
    return text if len(text) <= 120 else f"{text[:120]}…"


class _Errors(logging.Handler):
    """The errors logged by this thread."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.thread = threading.get_ident()
        self.messages: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self.thread:
            self.messages.append(record.getMessage())


@contextmanager
def _logged_errors() -> Iterator[list[str]]:
    logger = logging.getLogger("weasyprint")
    logger.disabled = False
    handler = _Errors()
    logger.addHandler(handler)
    try:
        yield handler.messages
    finally:
        logger.removeHandler(handler)


class _Pages(logging.Handler):
    """The pages that this thread lays out; unlike other handlers it lets what `told` raises pass."""

    def __init__(self, told: Callable[[int], None]) -> None:
        super().__init__(logging.INFO)
        self.thread = threading.get_ident()
        self.told = told

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self.thread and (found := re.search(r"Page (\d+)$", record.getMessage())):
            self.told(int(found[1]))


@contextmanager
def _pages_told(told: Callable[[int], None] | None) -> Iterator[None]:
    if told is None:
        yield
        return
    logger = logging.getLogger("weasyprint.progress")
    before, handler = (logger.level, logger.propagate), _Pages(told)
    logger.setLevel(logging.INFO)
    logger.propagate = False
    logger.addHandler(handler)
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.level, logger.propagate = before
        logger.setLevel(before[0])


@contextmanager
def _uncollected() -> Iterator[None]:
    """While a document grows nothing of it is garbage, and looking for some takes a sixth of the time."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


# -- Fonts -------------------------------------------------------------------------------------------------------------

_environment = threading.Lock()


def _check_fonts() -> None:
    """Without a usable font WeasyPrint does not raise: it kills the process."""
    for name in FONT_FILES:
        path = FONTS / name
        try:
            with path.open("rb") as file:
                whole = file.read(4) == b"\0\1\0\0" and path.stat().st_size > 20_000
        except OSError:
            whole = False
        if not whole:
            raise DocumentNotMade("font_missing", name=name)


@contextmanager
def _only_our_fonts() -> Iterator[None]:
    """Fontconfig reads this variable whenever a configuration is made; programs started later must not inherit it."""
    with _environment, TemporaryDirectory(prefix="fonts-") as folder:
        conf = Path(folder) / "fonts.conf"
        conf.write_text(FONTS_CONF.format(fonts=escape(str(FONTS)), cache=escape(folder)), "utf-8")
        before = os.environ.get("FONTCONFIG_FILE")
        os.environ["FONTCONFIG_FILE"] = str(conf)
        try:
            yield
        finally:
            if before is None:
                del os.environ["FONTCONFIG_FILE"]
            else:
                os.environ["FONTCONFIG_FILE"] = before


@cache
def _weasyprint() -> Any:
    with _only_our_fonts():
        import weasyprint

    from PIL import ImageFile

    # WeasyPrint's import lets the whole process take cut pictures for whole ones.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    return weasyprint


@cache
def _font_configuration() -> Any:
    """One for the process: each new one keeps a quarter of a megabyte for good. Documents are made one at a time."""
    from weasyprint.text.fonts import FontConfiguration

    with _only_our_fonts():
        return FontConfiguration()


@cache
def _letters() -> frozenset[str]:
    """Every character that our fonts can print."""
    from fontTools.ttLib import TTFont

    letters: set[str] = set("\t\n\r\f")
    for name in FONT_FILES:
        with TTFont(FONTS / name, lazy=True) as font:
            letters.update(map(chr, font.getBestCmap()))
    # Marks that turn the direction of text around could make a record read differently from what it holds.
    return frozenset(letters) - set("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def unprintable(text: str) -> list[str]:
    """The characters of `text` that our fonts do not have, sorted; they are printed as [U+4E2D]."""
    return sorted(set(unicodedata.normalize("NFC", text)) - _letters())


def _spelled_out(html: str) -> str:
    html = re.sub("[\ufe00-\ufe0f]", "", unicodedata.normalize("NFC", html))
    missing = {ord(letter): f"[U+{ord(letter):04X}]" for letter in unprintable(html)}
    return html.translate(missing) if missing else html


def missing_for_pdf() -> str:
    """Empty if PDFs can be made here, else what is missing; for a system check."""
    try:
        _check_fonts()
        _weasyprint()
    except (DocumentNotMade, ImportError, OSError) as error:
        return str(error)
    return ""
