"""Do the files of claims still say what they said? Part of `receiving.verification`, which asks it for every site."""

from collections.abc import Iterator

from claims.models import Bounce, CardMessage, Document, Letter, Message, Packet, ReviewNote, Scorecard, Statement
from receiving import evidence
from receiving.models import Event
from receiving.verification import Mismatch, check_file

FROZEN_LETTER = ("to", "subject", "body", "sent_at", "sent_way", "pdf", "pdf_sha256")


def verify(site) -> Iterator[Mismatch]:
    """Documents, packets, letters, messages and scorecards of one site that are not as they were recorded, and rows of
    which the log does not tell."""
    told = set(Event.objects.filter(site=site).values_list("record", flat=True))
    yield from documents(site, told)
    yield from packets(site, told)
    yield from letters(site)
    yield from messages(site, told)
    yield from scorecards(site, told)
    for row in Statement.objects.filter(claim__site=site).order_by("pk"):
        yield from untold(row, told, f"{site.code} statement {row.pk}")


def untold(row, told, where):
    if evidence.name_of(row) not in told:
        yield Mismatch(where, "the log does not tell of it")


def documents(site, told):
    for row in Document.objects.filter(claim__site=site).select_related("claim__site").order_by("pk").iterator(500):
        where = f"{row.claim} document {row.uuid}"
        yield from untold(row, told, where)
        yield from check_file(where, row.file, row.sha256)


def packets(site, told):
    for row in Packet.objects.filter(claim__site=site).select_related("claim__site").order_by("pk").iterator(100):
        yield from untold(row, told, str(row))
        yield from content(row, str(row))
        for kind in ("pdf", "xlsx", "zip"):
            yield from check_file(f"{row} {kind}", getattr(row, kind), getattr(row, f"{kind}_sha256"))


def content(row, where):
    if evidence.sha256(evidence.canonical(row.content)) != row.content_sha256:
        yield Mismatch(where, "its frozen content was changed")


def letters(site):
    """A letter that has gone against what was told when it went."""
    told = dict(Event.objects.filter(site=site, verb="letter.sent").values_list("record", "after"))
    rows = Letter.objects.filter(claim__site=site, sent_at__isnull=False).select_related("claim__site").order_by("pk")
    for row in rows.iterator(500):
        where = f"letter {row}"
        said = told.get(evidence.name_of(row))
        if said is None:
            yield Mismatch(where, "the log does not tell that it went")
            continue
        found = evidence.plain(evidence.facts(row, list(FROZEN_LETTER)))
        for name in FROZEN_LETTER:
            if said.get(name) != found[name]:
                yield Mismatch(where, f"{name}: recorded {said.get(name)!r}, found {found[name]!r}")
        yield from check_file(where, row.pdf, row.pdf_sha256)


def messages(site, told):
    for row in Message.objects.filter(claim__site=site).order_by("pk").iterator(500):
        where = f"{site.code} message {row.uuid}"
        yield from untold(row, told, where)
        yield from check_file(where, row.file, row.sha256)
    for row in Bounce.objects.filter(message__claim__site=site).order_by("pk").iterator(500):
        where = f"{site.code} bounce {row.uuid}"
        yield from untold(row, told, where)
        if row.file:
            yield from check_file(where, row.file, row.sha256)


def scorecards(site, told):
    for row in Scorecard.objects.filter(site=site).order_by("pk").iterator(100):
        where = f"{site.code} scorecard {row}"
        yield from untold(row, told, where)
        yield from content(row, where)
        for kind in ("pdf", "xlsx"):
            yield from check_file(f"{where} {kind}", getattr(row, kind), getattr(row, f"{kind}_sha256"))
    for row in ReviewNote.objects.filter(site=site).order_by("pk").iterator(500):
        yield from untold(row, told, f"{site.code} note {row.pk} on {row.carrier_id}")
    for row in CardMessage.objects.filter(scorecard__site=site).order_by("pk").iterator(500):
        where = f"{site.code} scorecard message {row.uuid}"
        yield from untold(row, told, where)
        yield from check_file(where, row.file, row.sha256)
