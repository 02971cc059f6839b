"""The usual refusals, and what in this claim answers each: our own list, in our own words. Reads only.

An answer names where it stands by keys that the packet turns into page numbers: `letter`, `schedule`, `trailer`,
`seals`, `sheet`, `dates`, `piece:P-12`, `document:17`, `statement:3`, `letter:2`. Where nothing answers, the clerk's
page says so plainly, and the packet that there is no record: the adjuster will see it anyway.
"""

from dataclasses import dataclass, field

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from claims import completeness
from claims.enums import DocumentKind, Ground, LetterKind, LineKind, PriceSource
from claims.models import Document, Letter, Statement
from receiving import clock, queries
from receiving.enums import CarrierReceipt, CountClause, Disposition, FindingKind, Party, PhotoPurpose, SignOutcome
from receiving.models import Finding, Photo


@dataclass(frozen=True)
class Answer:
    """What answers one usual refusal: sentences from the record, and the keys of where they are shown.

    applies -- False where the ground cannot be raised against this claim at all, such as “packed badly” against shorts
    """

    ground: str
    applies: bool
    sentences: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()

    @property
    def words(self):
        return Ground(self.ground).label

    @property
    def is_answered(self):
        return self.applies and bool(self.sentences)


@dataclass
class Record:
    """What the answers are read from, gathered once in a fixed number of queries."""

    claim: object
    complete: object
    lines: list
    documents: dict
    findings: dict
    photos: dict
    seals: list
    sheet: object
    statement: object
    notices: list
    dues: list = field(default_factory=list)

    def damaged(self):
        return [line for line in self.lines if line.kind == LineKind.DAMAGE]

    def lost(self):
        return [line for line in self.lines if line.kind == LineKind.LOSS]

    def keys_of(self, *kinds):
        return tuple(f"document:{pk}" for kind in kinds for pk in self.documents.get(kind, []))

    def day(self, moment):
        return date_format(clock.site_day(moment, self.claim.site.time_zone), "j M Y")


def answers(claim, *, filed_on=None, file_by=None, complete=None):
    """An `Answer` for each usual refusal, in the order of `enums.Ground`.

    filed_on -- the day the claim was or is to be filed; file_by -- the last day its terms allow, None where unknown
    complete -- the claim's Completeness where it is known already
    """
    record = gather(claim, complete or completeness.of_claim(claim))
    return [
        late_claim(record, filed_on or claim.filed_on, file_by),
        *(answer(record) for answer in (no_notation, late_report, no_inspection, seal_clear, packaging)),
        *(answer(record) for answer in (shipper_count, value_not_shown, not_mitigated, shipper_act, already_claimed)),
    ]


def gather(claim, complete):
    arrival = claim.shipment.arrival
    lines = list(claim.lines.filter(live=True).select_related("discrepancy").order_by("position"))
    pieces = [line.discrepancy_id for line in lines]
    documents, findings, photos = {}, {}, {}
    for kind, pk in Document.objects.current().filter(claim=claim).order_by("pk").values_list("kind", "pk"):
        documents.setdefault(kind, []).append(pk)
    for row in Finding.objects.filter(discrepancy__in=pieces).order_by("pk"):
        findings.setdefault(row.discrepancy_id, []).append(row)
    for row in Photo.objects.filter(discrepancy__in=pieces, tombstone__isnull=True).order_by("pk"):
        photos.setdefault(row.discrepancy_id, []).append(row)
    return Record(
        claim=claim,
        complete=complete,
        lines=lines,
        documents=documents,
        findings=findings,
        photos=photos,
        seals=[seal for seal in queries.current_seals(arrival) if seal.action == "found"],
        sheet=queries.answered_sheets(arrival=arrival).last(),
        statement=Statement.objects.filter(claim=claim).order_by("-pk").first(),
        notices=list(
            Letter.objects.filter(claim=claim, kind=LetterKind.CONCEALED, sent_at__isnull=False).order_by("pk")
        ),
    )


def made(ground, found, *, applies=True):
    """An Answer from (sentence, keys) pairs; empty ones fall away."""
    found = [(sentence, keys) for sentence, keys in found if sentence]
    keys = dict.fromkeys(key for _sentence, keys in found for key in keys)
    return Answer(ground, applies, tuple(sentence for sentence, _keys in found), tuple(keys))


def piece_keys(lines):
    return tuple(f"piece:{line.discrepancy}" for line in lines)


# --- one by one -------------------------------------------------------------------------------------------------------


def late_claim(record, filed_on, file_by):
    if file_by is None or filed_on is None:
        return made(Ground.LATE_CLAIM, [])
    if filed_on > file_by:
        return made(Ground.LATE_CLAIM, [])
    words = _("Filed on %(filed)s; the terms allow until %(by)s.") % {
        "filed": date_format(filed_on, "j M Y"),
        "by": date_format(file_by, "j M Y"),
    }
    return made(Ground.LATE_CLAIM, [(words, ("dates",))])


def no_notation(record):
    found = []
    if record.sheet and record.sheet.outcome == SignOutcome.SIGNED:
        words = _("The driver %(signer)s signed the notation on sheet %(sheet)s on %(day)s.")
        found.append((words % signing(record), ("sheet",)))
    elif record.sheet and record.sheet.outcome in (SignOutcome.REFUSED, SignOutcome.NOT_PRESENT):
        words = _(
            "The notation was written on sheet %(sheet)s on %(day)s; the driver did not sign, witness %(witness)s."
        )
        found.append((words % signing(record), ("sheet",)))
    elif record.sheet and record.sheet.outcome == SignOutcome.AT_PICKUP:
        words = _("The notation was written on sheet %(sheet)s on %(day)s, to be signed when the trailer is fetched.")
        found.append((words % signing(record), ("sheet",)))
    elif record.complete.facts.paper_sheet:
        words = _("The notation was written on a paper sheet; a photo of it as it was signed is here.")
        found.append((words, ("sheet", *record.keys_of(DocumentKind.EXCEPTION_SHEET))))
    elif keys := record.keys_of(DocumentKind.EXCEPTION_SHEET):
        found.append((_("The notation was written on a paper sheet, appended as it was signed."), keys))
    if record.sheet and record.sheet.carrier_receipt == CarrierReceipt.PHOTOGRAPHED:
        words = _("The carrier's own receipt with the notation was photographed at release.")
        found.append((words, ("sheet", *record.keys_of(DocumentKind.CARRIER_RECEIPT))))
    elif keys := record.keys_of(DocumentKind.CARRIER_RECEIPT):
        found.append((_("The carrier's receipt with the notation is appended."), keys))
    return made(Ground.NO_NOTATION, found)


def signing(record):
    return {
        "signer": record.sheet.signer,
        "witness": record.sheet.witness or "-",
        "sheet": record.sheet,
        "day": record.day(record.sheet.at),
    }


def late_report(record):
    """Concealed and reported late: only damage that was found after release can be called that."""
    hidden = [line for line in record.damaged() if line.discrepancy.after_release]
    if not hidden:
        seen = record.damaged()
        words = _("The damage was seen at the dock before the trailer was released, not later.") if seen else ""
        return made(Ground.LATE_REPORT, [(words, piece_keys(seen))], applies=bool(seen))
    found = []
    for letter in record.notices:
        words = _("Reported in writing with a request for inspection on %(day)s.") % {"day": record.day(letter.sent_at)}
        found.append((words, (f"letter:{letter.number}",)))
    return made(Ground.LATE_REPORT, found)


INSPECTED = {
    FindingKind.INSPECTION_DONE: lambda: _("inspected"),
    FindingKind.INSPECTION_WAIVED: lambda: _("inspection waived"),
    FindingKind.INSPECTION_ASKED: lambda: _("inspection asked for"),
}


def no_inspection(record):
    found = []
    if keys := record.keys_of(DocumentKind.INSPECTION, DocumentKind.INSPECTION_WAIVER):
        found.append((_("The inspection report or its waiver is appended."), keys))
    for kind, words in INSPECTED.items():
        lines = [line for line in record.damaged() if has_finding(record, line, kind)]
        if lines:
            sentence = f"{words()}: {completeness.names(named(lines))}."
            found.append((sentence[0].upper() + sentence[1:], piece_keys(lines)))
    held = [line for line in record.damaged() if line.discrepancy.disposition == Disposition.HELD]
    if held:
        words = _("Still held for inspection: %(pieces)s.") % {"pieces": completeness.names(named(held))}
        found.append((words, piece_keys(held)))
    return made(Ground.NO_INSPECTION, found, applies=bool(record.damaged()))


def has_finding(record, line, kind):
    return any(row.kind == kind for row in record.findings.get(line.discrepancy_id, []))


def named(lines):
    return [completeness.LineFacts(str(line.discrepancy), line.kind, True, True) for line in lines]


def seal_clear(record):
    """A seal that was whole speaks against a short; a seal that was not, or proof of loading, speaks for it."""
    if not record.lost():
        return made(Ground.SEAL_CLEAR, [], applies=False)
    broken = [seal for seal in record.seals if seal.needs_incident]
    found = []
    if broken:
        found.append((_("The seal was not whole or not the one on the paperwork; it is recorded."), ("seals",)))
    if keys := record.keys_of(DocumentKind.ORIGIN_PROOF):
        found.append((_("What was loaded behind the seal is proved at origin."), keys))
    return made(Ground.SEAL_CLEAR, found)


def packaging(record):
    if not record.damaged():
        return made(Ground.PACKAGING, [], applies=False)
    found = []
    if keys := record.keys_of(DocumentKind.PACKAGING):
        found.append((_("The statement on packaging is appended."), keys))
    described = [
        line
        for line in record.damaged()
        if any(row.packaging_outside or row.packaging_inside for row in record.findings.get(line.discrepancy_id, []))
    ]
    if described:
        words = _("The packaging was described when opened: %(pieces)s.")
        found.append((words % {"pieces": completeness.names(named(described))}, piece_keys(described)))
    return made(Ground.PACKAGING, found)


def shipper_count(record):
    shipment = record.claim.shipment
    found = []
    if shipment.count_clause == CountClause.CARRIER or shipment.loaded_by == Party.CARRIER:
        found.append((_("The bill is by the carrier's own count, or the carrier loaded."), ("trailer",)))
    if keys := record.keys_of(DocumentKind.ORIGIN_PROOF):
        found.append((_("The count at origin is proved independently."), keys))
    return made(Ground.SHIPPER_COUNT, found, applies=bool(record.lost()))


def value_not_shown(record):
    proved = {PriceSource.INVOICE: DocumentKind.INVOICE, PriceSource.STATEMENT: DocumentKind.CERTIFIED_VALUE}
    found = []
    for source, kind in proved.items():
        count = sum(line.price_source == source and line.unit_price is not None for line in record.lines)
        if count and (keys := record.keys_of(kind)):
            words = ngettext(
                "The price of %(count)s line is shown by the %(paper)s.",
                "The prices of %(count)s lines are shown by the %(paper)s.",
                count,
            ) % {"count": count, "paper": DocumentKind(kind).label}
            found.append((words, ("schedule", *keys)))
    if keys := record.keys_of(DocumentKind.REPAIR_BILL):
        found.append((_("The cost of repair is shown by its bill."), ("schedule", *keys)))
    return made(Ground.VALUE_NOT_SHOWN, found)


KEPT_SMALL = {
    Disposition.FORWARDED: lambda: _("repaired and forwarded"),
    Disposition.SALVAGE: lambda: _("set aside for salvage"),
    Disposition.RETURNED: lambda: _("returned"),
}


def not_mitigated(record):
    if not record.damaged():
        return made(Ground.NOT_MITIGATED, [], applies=False)
    found = []
    for disposition, words in KEPT_SMALL.items():
        lines = [line for line in record.damaged() if line.discrepancy.disposition == disposition]
        if lines:
            sentence = f"{words()}: {completeness.names(named(lines))}."
            found.append((sentence[0].upper() + sentence[1:], piece_keys(lines)))
    partly = [line for line in record.damaged() if line.discrepancy.units_good]
    if partly:
        words = _("Good units were sorted out and are not claimed: %(pieces)s.")
        found.append((words % {"pieces": completeness.names(named(partly))}, piece_keys(partly)))
    if any(line.salvage for line in record.lines):
        keys = ("schedule", *record.keys_of(DocumentKind.SALVAGE_RECORD))
        found.append((_("Salvage is taken off the amount."), keys))
    if any(line.repair_cost is not None for line in record.lines):
        found.append((_("Repair was weighed against loss of value; the lesser is claimed."), ("schedule",)))
    return made(Ground.NOT_MITIGATED, found)


def shipper_act(record):
    """Loading by the shipper, bracing, the state of the trailer on arrival."""
    arrival, shipment = record.claim.shipment.arrival, record.claim.shipment
    found = []
    if shipment.loaded_by == Party.CARRIER:
        found.append((_("The carrier loaded."), ("trailer",)))
    if arrival.load_safe and not any(incident.kind == "leaning" for incident in arrival.incidents.all()):
        found.append((_("The load was standing safely when the doors were opened."), ("trailer",)))
    in_place = [
        line
        for line in record.damaged()
        if any(row.purpose == PhotoPurpose.BEFORE_MOVING for row in record.photos.get(line.discrepancy_id, []))
    ]
    if in_place:
        words = _("Photographed in the trailer before it was moved: %(pieces)s.")
        found.append((words % {"pieces": completeness.names(named(in_place))}, piece_keys(in_place)))
    return made(Ground.SHIPPER_ACT, found)


def already_claimed(record):
    found = []
    if record.statement and record.complete.facts.statement.holds and record.lost():
        words = _("%(name)s states that the short pieces were not received from any other source.")
        key = (f"statement:{record.statement.pk}",)
        found.append((words % {"name": record.statement.signer}, key))
    if record.claim.asked_owner == "no":
        words = _("Owner, supplier and insurer were asked and have neither claimed nor been paid: %(note)s")
        found.append((words % {"note": record.claim.asked_note}, ("letter",)))
    return made(Ground.ALREADY_CLAIMED, found)
