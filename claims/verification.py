"""Do the claims still say what they said, their rows and their files? Part of `receiving.verification`, which asks it
for every site."""

from collections.abc import Iterator

from django.db.models import Q

from claims.enums import Stage
from claims.models import (
    Amendment,
    Bounce,
    CardMessage,
    Claim,
    Document,
    Fact,
    GapReason,
    JudgingRule,
    Letter,
    LineDecision,
    Message,
    NotClaimed,
    Packet,
    ReviewNote,
    SalvageLot,
    Scorecard,
    Statement,
)
from receiving import evidence
from receiving.models import Event, Site
from receiving.verification import GONE, UNTOLD, Mismatch, check_file, columns

# Rows without a file, by the way from them to their site.
PLAIN = {
    Amendment: "claim__site",
    Fact: "claim__site",
    GapReason: "claim__site",
    LineDecision: "fact__claim__site",
    NotClaimed: "site",
    SalvageLot: "fact__claim__site",
    Statement: "claim__site",
}
FILED = (Document, Packet, Message, Bounce, Scorecard, ReviewNote, CardMessage, JudgingRule)
NAMES = {model._meta.model_name for model in (*PLAIN, *FILED)}
NOT_SENT = {"sent_at": None, "sent_way": "", "pdf": "", "pdf_sha256": ""}
NOT_FILED = {"filed_at": None, "filed_on": None, "filing_way": "", "closed_note": ""}
# A filing tells the terms by their title, for people; which they are was told before.
HANDED_OVER = {"claim.filed", "claim.filed_again"}
CHUNK = 100


def verify(site) -> Iterator[Mismatch]:
    """Documents, packets, letters, messages, scorecards, facts, claims and their lines of one site that are not as they
    were recorded, and rows of which the log does not tell."""
    told = {record for record in records(site) if record.partition(":")[0] in NAMES}
    yield from documents(site, told)
    yield from packets(site, told)
    yield from messages(site, told)
    yield from scorecards(site, told)
    for model, way in PLAIN.items():
        for row in model._default_manager.filter(**{way: site}).order_by("pk").iterator(chunk_size=500):
            yield from untold(row, told, f"{site.code} {model._meta.verbose_name} {row.pk}")
    written = fold(site)
    yield from letters(site, written["letter"])
    yield from claims(site, written["claim"])


def records(site):
    return Event.objects.filter(site=site).values_list("record", flat=True).iterator(chunk_size=2000)


def untold(row, told, where):
    if evidence.name_of(row) not in told:
        yield Mismatch(where, UNTOLD)


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
    """What was made for all sites is told in every log; it is held against that of the first, which has always been."""
    of_site, of_card = Q(site=site), Q(scorecard__site=site)
    if not Site.objects.filter(pk__lt=site.pk).exists():
        of_site, of_card = of_site | Q(site=None), of_card | Q(scorecard__site=None)
    for row in Scorecard.objects.filter(of_site).order_by("pk").iterator(100):
        where = f"{site.code} scorecard {row}"
        yield from untold(row, told, where)
        yield from content(row, where)
        for kind in ("pdf", "xlsx"):
            yield from check_file(f"{where} {kind}", getattr(row, kind), getattr(row, f"{kind}_sha256"))
    for row in JudgingRule.objects.filter(of_site).order_by("pk").iterator(500):
        yield from untold(row, told, f"{site.code} judging rule {row.pk}")
    for row in ReviewNote.objects.filter(of_site).order_by("pk").iterator(500):
        yield from untold(row, told, f"{site.code} note {row.pk} on {row.carrier_id}")
    for row in CardMessage.objects.filter(of_card).order_by("pk").iterator(500):
        where = f"{site.code} scorecard message {row.uuid}"
        yield from untold(row, told, where)
        yield from check_file(where, row.file, row.sha256)


# --- claims, their lines and letters: what may change, against what the log said last ---------------------------------


def fold(site):
    """{"claim": {key: columns}, "letter": {key: columns}} as the log told them last; lines of a claim under `lines`,
    by position. One walk over the events of claims and letters; it holds what they say of each once."""
    said = {"claim": {}, "letter": {}}
    events = Event.objects.filter(Q(record__startswith="claim:") | Q(record__startswith="letter:"), site=site)
    rows = events.order_by("seq").values_list("verb", "record", "actor", "at", "after")
    for verb, record, actor, at, after in rows.iterator(chunk_size=2000):
        name, _colon, key = record.partition(":")
        if key.isdecimal():
            kept = said[name].setdefault(int(key), {})
            TAKEN_IN[name](kept, verb, after or {}, actor, evidence.plain(at))
    return said


def take_letter(kept, verb, after, actor, at):
    if verb == "letter.drafted":
        kept.update(NOT_SENT, drafted_by=actor, drafted_at=at)
    kept.update(after)


def take_claim(kept, verb, after, actor, at):
    """What one event tells of a claim and its lines, put into `kept`."""
    if verb == "claim.opened":
        kept.update(NOT_FILED, opened_by=actor, opened_at=at, terms_sha256=terms_hash(None))
    if "stage" in after:
        kept["stage_since"] = at
    reworded = {"terms"} if verb in HANDED_OVER else set()
    kept.update((name, after[name]) for name in sorted((after.keys() & columns(Claim)) - reworded))
    lines = kept.setdefault("lines", {})
    lines.update((name.partition(" ")[2], said) for name, said in after.items() if name.startswith("line "))
    if verb == "claim.filed":
        # Before filings told it there was nothing to hold the frozen terms against.
        kept["terms_sha256"] = after.get("terms_sha256")
    if after.get("stage") == Stage.WITHDRAWN:
        free(lines, after.get("closed_note", ""))


def free(lines, reason):
    """A withdrawn claim lets all its pieces go, for the reason it was withdrawn for."""
    for said in lines.values():
        if said.get("live"):
            said.update(live=False, dropped_reason=reason[:300])


TAKEN_IN = {"claim": take_claim, "letter": take_letter}


def terms_hash(frozen):
    return evidence.sha256(evidence.canonical(frozen))


def letters(site, told):
    """Each letter as it was told last; one that went says what it said when it went."""
    rows = Letter.objects.filter(claim__site=site).select_related("claim__site").order_by("pk")
    for row in rows.iterator(chunk_size=500):
        where, said = f"letter {row}", told.pop(row.pk, None)
        if said is None:
            yield Mismatch(where, UNTOLD)
        elif row.sent_at and not said.get("sent_at"):
            yield Mismatch(where, "the log does not tell that it went")
        else:
            yield from differing(where, row, said)
        if row.pdf:
            yield from check_file(where, row.pdf, row.pdf_sha256)
    yield from (Mismatch(f"{site.code} letter:{key}", GONE) for key in sorted(told))


def claims(site, told):
    """Each claim and each of its lines as they were told last."""
    rows = Claim.objects.filter(site=site).select_related("site").prefetch_related("lines").order_by("pk")
    for row in rows.iterator(chunk_size=CHUNK):
        where, said = f"claim {row}", told.pop(row.pk, None)
        if said is None:
            yield Mismatch(where, UNTOLD)
            continue
        frozen = said.pop("terms_sha256", None)
        if frozen and terms_hash(row.frozen_terms) != frozen:
            yield Mismatch(where, "its frozen terms were changed")
        yield from lines(where, row, said.pop("lines"))
        yield from differing(where, row, said)
    yield from (Mismatch(f"{site.code} claim:{key}", GONE) for key in sorted(told))


def lines(where, claim, told):
    for row in sorted(claim.lines.all(), key=lambda line: line.position):
        said = told.pop(str(row.position), None)
        if said is None:
            yield Mismatch(f"{where} line {row}", UNTOLD)
        else:
            yield from differing(f"{where} line {row}", row, said)
    yield from (Mismatch(f"{where} line {position}", GONE) for position in sorted(told, key=int))


def differing(where, row, said):
    """The columns of a row that are not as they were told last."""
    names = sorted(said.keys() & columns(type(row)))
    found = evidence.plain(evidence.facts(row, names))
    for name in names:
        if said[name] != found[name]:
            yield Mismatch(where, f"{name}: recorded {said[name]!r}, found {found[name]!r}")
