"""PDF files from outside: whether one can be taken in as evidence, and how many pages it has. A leaf.

Nothing is repaired, stripped or written: a file is kept as it came or refused with a sentence.
"""

from dataclasses import dataclass
from functools import cache
from io import BytesIO
from typing import Any

from django.utils.translation import gettext as _

from receiving.refusals import Refused

MAX_BYTES = 25 * 1024 * 1024
MAX_PAGES = 200
MAX_OBJECTS = 200_000
DECODED = 200_000_000
RUNS = frozenset(
    [
        "/JavaScript",
        "/Launch",
        "/ImportData",
        "/SubmitForm",
        "/GoToE",
        "/GoToR",
        "/Rendition",
        "/Movie",
        "/Sound",
        "/RichMediaExecute",
    ]
)
# A link may be clicked; a file that calls an address when it is opened is no paper.
ADDRESSES = frozenset(["/URI"])
DEEPEST = 60
HOLDS = frozenset(["/JS", "/EmbeddedFiles", "/XFA", "/RichMediaContent", "/EF"])


class NotAPaper(Refused):
    """The file cannot be taken in as a document; the message says what is wrong with it and what to do."""


@dataclass(frozen=True)
class ForeignPdf:
    pages: int


def examine_pdf(data: bytes, name: str) -> ForeignPdf:
    """Open a PDF wholly. Raises NotAPaper: too large, broken, locked, no page, or with parts that run or hide files."""
    if len(data) > MAX_BYTES:
        raise refusal(
            "paper_too_large",
            _("%(name)s has %(size)s MB; at most 25 fit. Scan it at a lower resolution."),
            name=name,
            size=len(data) // 1_000_000,
        )
    try:
        with pikepdf().open(BytesIO(data), attempt_recovery=False) as pdf:
            return ForeignPdf(checked_pages(pdf, name))
    except pikepdf().PasswordError:
        raise refusal(
            "paper_locked", _("%(name)s is locked with a password. Print it to a new PDF, then upload that."), name=name
        ) from None
    except (pikepdf().PdfError, ValueError, RuntimeError, RecursionError, MemoryError) as error:
        raise refusal(
            "paper_broken",
            _("%(name)s is broken or cut off. Ask for it again, or print it to a new PDF and upload that."),
            name=name,
        ) from error


def checked_pages(pdf: Any, name: str) -> int:
    if pdf.is_encrypted:
        raise refusal("paper_locked", _("%(name)s is locked. Print it to a new PDF, then upload that."), name=name)
    if len(pdf.objects) > MAX_OBJECTS:
        raise refusal(
            "paper_too_large", _("%(name)s is too complicated. Print it to a new PDF, then upload that."), name=name
        )
    pages = len(pdf.pages)
    if not pages:
        raise refusal("paper_empty", _("%(name)s has no page."), name=name)
    if pages > MAX_PAGES:
        raise refusal(
            "paper_too_long",
            _("%(name)s has %(pages)s pages; at most 200 fit. Upload the part that matters."),
            name=name,
            pages=pages,
        )
    if what := active_part(pdf):
        raise refusal(
            "paper_active",
            _("%(name)s holds parts that run or hide other files (%(what)s). Print it to a new PDF, then upload that."),
            name=name,
            what=what.strip("/"),
        )
    return pages


def refusal(code, sentence, **params):
    return NotAPaper(sentence % params, code=code, field="file")


def active_part(pdf: Any) -> str:
    """The first thing in the file that runs, opens or holds something else; empty when it is only paper."""
    for each in pdf.objects:
        found = active_in(each, depth=0)
        if found:
            return found
    return active_in(pdf.trailer, depth=0)


def active_in(value: Any, *, depth: int) -> str:
    """Dictionaries written inside others have no number of their own: they are looked into, those with one come by."""
    if not isinstance(value, pikepdf().Object):
        return ""
    if depth > DEEPEST:
        return "nesting"
    if isinstance(value, pikepdf().Array):
        children = list(value)
    elif isinstance(value, pikepdf().Dictionary | pikepdf().Stream):
        keys = value.keys()
        if held := HOLDS.intersection(keys) or ADDRESSES.intersection(opened_by(value, keys)):
            return min(held)
        if "/S" in keys and str(value["/S"]) in RUNS:
            return str(value["/S"])
        children = [value[key] for key in keys]
    else:
        return ""
    for child in children:
        if (
            isinstance(child, pikepdf().Object)
            and not child.is_indirect
            and (found := active_in(child, depth=depth + 1))
        ):
            return found
    return ""


def opened_by(value: Any, keys: Any) -> list[str]:
    """The kinds of action that opening the file or a page, not a click, would set off."""
    found = []
    for key in {"/OpenAction", "/AA"}.intersection(keys):
        action = value[key]
        each = [action] if key == "/OpenAction" else [action[name] for name in action.keys()]  # noqa: SIM118
        found += [str(one["/S"]) for one in each if isinstance(one, pikepdf().Dictionary) and "/S" in one]
    return found


@cache
def pikepdf() -> Any:
    """The library, with bounds on what a small file may unpack to."""
    import pikepdf as library

    library.settings.set_qpdf_limits(
        flate_max_memory=DECODED,
        run_length_max_memory=DECODED,
        png_max_memory=DECODED,
        tiff_max_memory=DECODED,
        dct_max_memory=DECODED,
        parser_max_container_size=1_000_000,
        doc_max_warnings=1_000,
    )
    return library
