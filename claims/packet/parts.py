"""A packet in parts for e-mail: the PDF whole if it fits, else cut at page ends, each part behind a title page; then
the archive with the originals, if that fits too.
"""

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from django.template.loader import render_to_string
from django.utils import translation
from django.utils.translation import gettext as _

from claims.packet import kept, pdf
from receiving.documents import pages
from receiving.documents.pdf import render_pdf
from receiving.refusals import Refused

TITLE_PAGE = 60_000
SMALLEST = 250_000
ROUNDS = 6


@dataclass(frozen=True)
class Part:
    """One file to be sent: the `number`-th of `of`. For a part of the PDF `first` to `last` are pages of the whole."""

    number: int
    of: int
    name: str
    content_type: str
    data: bytes
    first: int = 0
    last: int = 0

    @property
    def words(self):
        return _("part %(number)s of %(of)s") % {"number": self.number, "of": self.of}


def parts(packet, limit):
    """The parts of a packet, each a file of at most `limit` bytes; e-mail makes a third more of them.

    The same packet and limit give the same bytes. Raises Refused where a page alone is larger, or a file is not the one
    that was frozen.
    """
    if limit < SMALLEST:
        raise Refused(
            _("A part cannot be smaller than %(least)s kB.") % {"least": SMALLEST // 1000}, code="limit_too_small"
        )
    document = kept.read(packet, "pdf")
    archive = kept.read(packet, "zip") if packet.zip_size <= limit else None
    cuts = [] if len(document) <= limit else cut(packet, document, limit, bool(archive))
    of = max(1, len(cuts)) + bool(archive)
    found = [
        Part(n, of, numbered(packet, n), kept.TYPES["pdf"], data, first, last)
        for n, (first, last, data) in enumerate(cuts, 1)
    ]
    found = found or [Part(1, of, kept.name_of(packet, "pdf"), kept.TYPES["pdf"], document, 1, packet.pages)]
    if archive:
        found.append(Part(of, of, kept.name_of(packet, "zip"), kept.TYPES["zip"], archive))
    return found


def numbered(packet, number):
    return f"{packet.claim}-packet-{packet.number}-part-{number}.pdf"


def cut(packet, document, limit, with_archive):
    """[(first page, last page, bytes)] of parts within the limit."""
    base, weights = pages.weights(document)
    room = limit - base - TITLE_PAGE
    for _round in range(ROUNDS):
        ranges = grouped(weights, room)
        cover = title_pages(packet, ranges, with_archive)
        made = [(first, last, pages.part(document, first, last, cover, n)) for n, (first, last) in enumerate(ranges, 1)]
        over = [(first, last) for first, last, data in made if len(data) > limit]
        if not over:
            return made
        if alone := next((first for first, last in over if first == last), None):
            raise Refused(
                _("Page %(page)s alone is larger than a part may be. Allow larger parts, or send it another way.")
                % {"page": alone},
                code="page_too_large",
            )
        room = room * 9 // 10
    raise Refused(_("The packet cannot be cut into parts of that size. Allow larger parts."), code="limit_too_small")


def grouped(weights, room):
    """[(first, last)] pages from 1 on, as many together as there is room for, at least one."""
    starts, used = [1], 0
    for number, weight in enumerate(weights, 1):
        if used and used + weight > room:
            starts.append(number)
            used = 0
        used += weight
    return [(first, after - 1) for first, after in pairwise([*starts, len(weights) + 1])]


def title_pages(packet, ranges, with_archive):
    """A PDF with one title page for each part."""
    made, said = packet.content["made"], packet.content["said"]
    context = {
        "c": said,
        "made": made,
        "packet": packet,
        "parts": [{"n": n, "first": first, "last": last} for n, (first, last) in enumerate(ranges, 1)],
        "of": len(ranges) + with_archive,
        "archive": kept.name_of(packet, "zip") if with_archive else "",
    }
    with translation.override("en"):
        html = render_to_string("claims/packet/part.html", context)
    return render_pdf(
        html,
        title=pdf.title(packet.content),
        created=datetime.fromisoformat(made["at"]),
        css=(*pdf.CSS, "@page { @bottom-right { content: none } }"),
        paper=said["site"]["paper"],
        variant=None,
    )
