"""What a claim needs to stand up, what is there, and what is still missing and why that matters. Reads only.

Three things make a letter a claim (49 CFR 370.3(b)); three things make a case (377 U.S. 134, 137-138, restated for
shortage in 679 F.2d 421); the papers are those a carrier asks for (49 CFR 370.7, from memory) and those that answer
the usual refusals. `look` is pure: facts in, needs out; `of_claim` gathers the facts in a fixed number of queries.
"""

from dataclasses import dataclass, field, replace

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from claims import losses, shorts
from claims.enums import DocumentKind, LineKind, PriceSource, Purpose
from claims.models import Document, Statement
from receiving import queries
from receiving.enums import (
    CarrierKind,
    CarrierReceipt,
    CountClause,
    FindingKind,
    OriginProof,
    Party,
    PhotoPurpose,
    WhoClaims,
    YesNo,
)
from receiving.models import Finding, Photo

CLAIM, CASE, PAPERS = "claim", "case", "papers"
SHOWN = 6


@dataclass(frozen=True)
class Need:
    """One thing a claim needs: `there` or missing; `said` what there is, `lacks` what is missing in words.

    why -- what it is for; where -- where to get it; document -- the kind to upload that would be it; reason -- why
    somebody said there is none; firm -- no reason excuses it
    """

    code: str
    group: str
    words: str
    there: bool
    said: str = ""
    lacks: str = ""
    why: str = ""
    where: str = ""
    document: str = ""
    reason: str = ""
    firm: bool = False

    @property
    def is_gap(self):
        return not self.there

    @property
    def blocks(self):
        """Whether a claim cannot be filed over it: missing, and no reason given or none that could excuse it."""
        return self.is_gap and (self.firm or not self.reason)


@dataclass(frozen=True)
class LineFacts:
    """What is known of one live line. `doubt` says why its goods may not be lost in full, where it claims that."""

    name: str
    kind: str
    priced: bool
    determined: bool
    price_source: str = ""
    repaired: bool = False
    salvage: bool = False
    photos: int = 0
    photo_excused: bool = False
    inspection: str = ""
    doubt: str = ""


@dataclass(frozen=True)
class Facts:
    """What `look` needs to know of a claim, in plain values. `documents` holds the kinds that were uploaded."""

    purpose: str = Purpose.CLAIM
    bill_number: str = ""
    pro_number: str = ""
    claimant: str = ""
    answer_to: str = ""
    signatory: str = ""
    carrier: str = ""
    carrier_is_broker: bool = False
    who_claims: str = WhoClaims.ACCOUNT
    lines: tuple[LineFacts, ...] = ()
    documents: frozenset[str] = frozenset()
    origin_proof: str = OriginProof.NONE
    count_clause: str = CountClause.NOT_STATED
    loaded_by: str = Party.UNKNOWN
    sheet: str = ""
    paper_sheet: bool = False
    carrier_receipt: str = ""
    receipt_photos: int = 0
    seals: int = 0
    unsealed: str = ""
    seals_clear: bool = False
    freight_paid: str = YesNo.UNKNOWN
    statement: shorts.Standing = field(default_factory=lambda: shorts.Standing(None, True))
    matches: tuple[shorts.Match, ...] = ()

    def of(self, kind):
        return [line for line in self.lines if line.kind == kind]


def names(lines):
    """`P-1, P-2 and 3 more`."""
    shown = ", ".join(line.name for line in lines[:SHOWN])
    more = len(lines) - SHOWN
    return shown if more <= 0 else _("%(shown)s and %(count)s more") % {"shown": shown, "count": more}


# --- the three elements of a claim ------------------------------------------------------------------------------------


def elements(facts):
    if facts.purpose == Purpose.HANDOVER:
        yield identifies(facts)
        return
    yield identifies(facts)
    yield asserts(facts)
    yield demands(facts)
    yield answered(facts)


def identifies(facts):
    known = [part for part in (facts.bill_number, facts.pro_number) if part]
    return Need(
        "identifies",
        CLAIM,
        _("Identifies the shipment"),
        bool(facts.bill_number and facts.lines),
        said=_("bill %(bill)s, PRO %(pro)s") % {"bill": known[0], "pro": facts.pro_number or "-"} if known else "",
        lacks=_("A claim needs its bill of lading and at least one line."),
        why=_("Without facts enough to identify the shipment a letter is no claim (49 CFR 370.3(b)(1))."),
        where=_("The bill on the trailer's page."),
        firm=True,
    )


def asserts(facts):
    lacking = [
        words
        for words, value in (
            (_("the claimant"), facts.claimant),
            (_("who signs"), facts.signatory),
            (_("the carrier it is against"), facts.carrier),
        )
        if not value
    ]
    return Need(
        "asserts",
        CLAIM,
        _("Asserts the carrier's liability"),
        not lacking,
        said=_("%(claimant)s against %(carrier)s, in the name of %(signatory)s")
        % {"claimant": facts.claimant, "carrier": facts.carrier, "signatory": facts.signatory},
        lacks=_("Missing: %(what)s.") % {"what": ", ".join(lacking)},
        why=_("A letter that holds nobody liable is no claim (49 CFR 370.3(b)(2))."),
        where=_("Parties, on this claim; the account's and the site's facts in Set up."),
        firm=True,
    )


def demands(facts):
    unknown = [line for line in facts.lines if not line.determined]
    return Need(
        "demands",
        CLAIM,
        _("Demands a determinable amount"),
        bool(facts.lines) and not unknown,
        said=_("every line is worked out"),
        lacks=_("No amount yet for %(lines)s.") % {"lines": names(unknown)} if unknown else _("There is no line."),
        why=_("“Amount to follow” is no claim and stops no clock (49 CFR 370.3(b)(3) and (d), (d) from memory)."),
        where=_("The invoice of the goods."),
        firm=True,
    )


def answered(facts):
    return Need(
        "answer_to",
        CLAIM,
        _("Says where to answer"),
        bool(facts.answer_to),
        said=facts.answer_to,
        lacks=_("The letter names neither e-mail nor phone nor postal address of the claimant."),
        why=_("The carrier acknowledges and decides in writing, to the address that the claim gives."),
        where=_("Who claims, from whom, on this claim; the account's and the site's facts in Set up."),
    )


# --- the three of a case ----------------------------------------------------------------------------------------------


def case(facts):
    yield at_origin(facts)
    yield at_arrival(facts)
    yield damages(facts)
    if facts.of(LineKind.DAMAGE):
        yield extent(facts)


def at_origin(facts):
    """For shorts the quantity at origin, for damage the good condition; behind a seal a clean bill proves neither."""
    proof = DocumentKind.ORIGIN_PROOF in facts.documents
    bill = DocumentKind.BILL_OF_LADING in facts.documents
    shipper_count = facts.count_clause == CountClause.SHIPPER
    there = proof or (bill and not facts.of(LineKind.LOSS) and not facts.seals)
    why = _("The claimant shows that the goods were handed over whole and in full (377 U.S. 134; 679 F.2d 421).")
    if facts.seals:
        why += " " + _("Behind a seal a clean bill proves only what could be seen (334 F.3d 997).")
    if shipper_count:
        why += " " + _("The bill says shipper's load and count, so shorts need a count of their own (49 USC 80113).")
    return Need(
        "origin",
        CASE,
        _("Good condition and quantity at origin"),
        there,
        said=_("proof of loading at origin") if proof else _("bill of lading without exceptions"),
        lacks=_("Nothing shows yet what was loaded and in what condition."),
        why=why,
        where=_("The shipper: load tally, scan at packing, or a statement of the person who loaded."),
        document=DocumentKind.ORIGIN_PROOF,
    )


def at_arrival(facts):
    bare = [line for line in facts.of(LineKind.DAMAGE) if not line.photos]
    on_paper = facts.paper_sheet or DocumentKind.EXCEPTION_SHEET in facts.documents
    there = bool(facts.sheet or on_paper) and not bare
    lacks = ""
    if not (facts.sheet or on_paper):
        lacks = _(
            "The trailer has no exception sheet here. If one was signed on paper, add a photo or a PDF of it as it was "
            "signed."
        )
    if bare:
        lacks = " ".join([lacks, _("No photo of %(lines)s.") % {"lines": names(bare)}]).strip()
    return Need(
        "arrival",
        CASE,
        _("Condition on arrival"),
        there,
        said=_("sheet %(sheet)s and photos") % {"sheet": facts.sheet}
        if facts.sheet
        else _("the sheet as signed on paper, and photos"),
        lacks=lacks,
        why=_("The claimant shows that they arrived damaged or not in full."),
        where=_(
            "The trailer's page: release makes the sheet and takes a photo of a paper one; photos are on the piece."
        ),
        document="" if facts.sheet or on_paper else DocumentKind.EXCEPTION_SHEET,
    )


def damages(facts):
    listed = [line for line in facts.lines if line.price_source == PriceSource.LIST]
    unpriced = [line for line in facts.lines if not line.priced]
    lacks = _("No price for %(lines)s.") % {"lines": names(unpriced)} if unpriced else ""
    if listed:
        words = _("Only the load list gives a price for %(lines)s.") % {"lines": names(listed)}
        lacks = f"{lacks} {words}".strip()
    return Need(
        "damages",
        CASE,
        _("The amount of damages"),
        bool(facts.lines) and not unpriced and not listed,
        said=_("every price comes from an invoice, a statement or a repair bill"),
        lacks=lacks or _("There is no line."),
        why=_("A load list is no invoice: the carrier may ask for the value by invoice or certified statement."),
        where=_("The account's invoice to its store, or its supplier's to the account."),
    )


def extent(facts):
    """That goods are lost in full is seen on the contents; a carton nobody opened shows nothing of them.

    That the claimant takes off what can still be used, repaired or sold is common practice, no source.
    """
    doubted = [line for line in facts.of(LineKind.DAMAGE) if line.doubt]
    return Need(
        "extent",
        CASE,
        _("How much of each carton is lost"),
        not doubted,
        said=_("counted, repaired, or valued by what is left"),
        lacks=" ".join(f"{line.name}: {line.doubt}" for line in doubted[:SHOWN])
        + (f" {_('and %(count)s more') % {'count': len(doubted) - SHOWN}}" if len(doubted) > SHOWN else ""),
        why=_(
            "Only what is lost is owed: the adjuster asks what was inside, and why it was neither repaired nor sold as "
            "salvage."
        ),
        where=_(
            "Open the carton, or ask the store that got it, and write on the piece how many units are hurt; or give "
            "the line its cost of repair, loss of value or salvage; or say why none of that can be had."
        ),
    )


# --- papers -----------------------------------------------------------------------------------------------------------


def papers(facts):
    yield paper(
        facts,
        DocumentKind.BILL_OF_LADING,
        _("Bill of lading"),
        why=_("It is the contract, and says what was received for carriage."),
        where=_("With the trailer's papers, or the shipper."),
    )
    yield freight_bill(facts)
    yield carrier_receipt(facts)
    yield value(facts)
    if facts.of(LineKind.LOSS) or facts.seals or facts.count_clause == CountClause.SHIPPER:
        yield origin_proof(facts)
    if facts.of(LineKind.DAMAGE):
        yield inspection(facts)
        yield photos(facts)
    yield seal_record(facts)
    if facts.of(LineKind.LOSS):
        yield statement(facts)
    yield from sometimes(facts)


def paper(facts, kind, words, *, why, where, code="", there=False, said="", lacks=""):
    return Need(
        code or kind,
        PAPERS,
        words,
        there or kind in facts.documents,
        said=said or _("uploaded"),
        lacks=lacks or _("Not uploaded."),
        why=why,
        where=where,
        document=kind,
    )


def freight_bill(facts):
    paid = facts.freight_paid == YesNo.YES
    return paper(
        facts,
        DocumentKind.FREIGHT_BILL,
        _("Freight bill"),
        why=_("Evidence of the freight charges; they are claimed only where they were paid."),
        where=_("Whoever paid the freight.") if paid else _("The carrier sends it to whoever pays."),
    )


def carrier_receipt(facts):
    photographed = facts.receipt_photos > 0
    stated = facts.carrier_receipt == CarrierReceipt.NO_EXCEPTIONS
    return paper(
        facts,
        DocumentKind.CARRIER_RECEIPT,
        _("Carrier's receipt with the notation"),
        there=photographed,
        said=_("photographed at release") if photographed else "",
        lacks=_("The driver's device took no exceptions: the carrier will show a clean receipt.") if stated else "",
        why=_("It is the paper the adjuster will produce; without a notation they say it arrived clean."),
        where=_("The photo taken at release, or the carrier's copy."),
    )


def value(facts):
    there = bool({DocumentKind.INVOICE, DocumentKind.CERTIFIED_VALUE} & facts.documents)
    return paper(
        facts,
        DocumentKind.INVOICE,
        _("Invoice or certified statement of value"),
        there=there,
        why=_("It shows the price with its discounts, or certifies the value (49 CFR 370.7(a), from memory)."),
        where=_("The account, or its supplier."),
    )


def origin_proof(facts):
    shown = facts.origin_proof != OriginProof.NONE
    return paper(
        facts,
        DocumentKind.ORIGIN_PROOF,
        _("Proof of loading at origin"),
        code="origin_paper",
        lacks=_("The record says there is one (%(kind)s), but it is not uploaded.")
        % {"kind": OriginProof(facts.origin_proof).label}
        if shown
        else "",
        why=_("The one answer to “shipper's load and count” and to a clear seal."),
        where=_("The shipper: tally, pack scan per carton, loader's statement."),
    )


def inspection(facts):
    """An uploaded report or waiver, or a finding on every damaged piece."""
    uploaded = bool({DocumentKind.INSPECTION, DocumentKind.INSPECTION_WAIVER} & facts.documents)
    open_lines = [line for line in facts.of(LineKind.DAMAGE) if not line.inspection]
    return paper(
        facts,
        DocumentKind.INSPECTION,
        _("Inspection report or waiver"),
        there=uploaded or not open_lines,
        said="" if uploaded else _("inspection is recorded on every damaged piece"),
        lacks=_("Neither inspected, waived nor asked for: %(lines)s.") % {"lines": names(open_lines)},
        why=_("A carrier that was given no chance to inspect says so."),
        where=_("Ask the carrier in writing; note on the piece what it answered."),
    )


def photos(facts):
    bare = [line for line in facts.of(LineKind.DAMAGE) if not line.photos]
    excused = bare and all(line.photo_excused for line in bare)
    return Need(
        "photos",
        PAPERS,
        _("Photos"),
        not bare,
        said=ngettext("%(count)s photo", "%(count)s photos", total := sum(line.photos for line in facts.lines))
        % {"count": total},
        lacks=_("No photo of %(lines)s.") % {"lines": names(bare)}
        + (" " + _("The receiver wrote down why.") if excused else ""),
        why=_("They show what arrived, and when it was seen."),
        where=_("The piece's page; the store, for damage it reported."),
    )


def seal_record(facts):
    there = bool(facts.seals or facts.unsealed)
    said = _("recorded") if facts.seals else _("came unsealed: %(why)s") % {"why": facts.unsealed}
    return Need(
        "seals",
        PAPERS,
        _("Seal record"),
        there,
        said=said,
        lacks=_("No seal was written down and nobody said the trailer came unsealed."),
        why=_("A clear seal is weighed against a short, a broken one for it."),
        where=_("The trailer's page."),
    )


def statement(facts):
    """For shorts; a match elsewhere is not excused by any reason."""
    standing = facts.statement
    lacks = standing.why
    if facts.matches:
        lacks = facts.matches[0].words
    return Need(
        "statement",
        PAPERS,
        _("Statement: not received from any other source"),
        standing.holds and not facts.matches,
        said=_("signed by %(name)s") % {"name": standing.statement.signer} if standing.statement else "",
        lacks=lacks,
        why=_("Asked for where a whole package is missing (49 CFR 370.7(c), from memory)."),
        where=_("Below: the tool searches first, then a named person signs."),
        firm=bool(facts.matches),
    )


def sometimes(facts):
    """Papers that only some claims need."""
    if facts.who_claims == WhoClaims.US and facts.purpose == Purpose.CLAIM:
        yield paper(
            facts,
            DocumentKind.AUTHORITY,
            _("Authority to claim"),
            why=_(
                "We claim for goods that are not ours: the carrier may ask for our right to (49 CFR 370.3(e), memory)."
            ),
            where=_("The account."),
        )
    if any(line.repaired for line in facts.lines):
        yield paper(
            facts,
            DocumentKind.REPAIR_BILL,
            _("Repair bill"),
            why=_("It proves the cost of repair that is claimed."),
            where=_("Whoever repaired or repacked."),
        )
    if any(line.salvage for line in facts.lines):
        yield paper(
            facts,
            DocumentKind.SALVAGE_RECORD,
            _("Salvage record"),
            why=_("It shows what the salvage brought, and to whom it went."),
            where=_("Whoever sold it."),
        )


# --- together ---------------------------------------------------------------------------------------------------------


def look(facts, reasons=None):
    """Every `Need` of a claim with these facts, in the order of the page. `reasons` are stated ones by code."""
    reasons = reasons or {}
    needs = [*elements(facts), *case(facts), *papers(facts)]
    return [replace(need, reason=reasons.get(need.code, "")) if need.is_gap else need for need in needs]


def warnings(facts):
    """Cautions beside the list: nothing is missing, but somebody should know."""
    if facts.carrier_is_broker:
        yield _("The claim is against a broker alone: that does not stop the carrier's clock. Name the carrier too.")
    if facts.of(LineKind.LOSS) and facts.seals_clear and facts.loaded_by == Party.SHIPPER:
        yield _(
            "Short under a clear seal on a trailer the shipper loaded: the carrier will say it never had the pieces. "
            "Proof of loading at origin decides; the shipper may be the one to ask."
        )


@dataclass(frozen=True)
class Completeness:
    """The needs of a claim as of now; `search` is the look for its short pieces, None where it has none."""

    needs: tuple[Need, ...]
    warnings: tuple[str, ...]
    facts: Facts
    search: shorts.Search | None

    @property
    def gaps(self):
        return [need for need in self.needs if need.is_gap]

    @property
    def blocking(self):
        return [need for need in self.needs if need.blocks]

    def group(self, name):
        return [need for need in self.needs if need.group == name]


def of_claim(claim):
    """What this claim needs, has and lacks now."""
    facts, search = gather(claim)
    reasons = dict(claim.gap_reasons.order_by("pk").values_list("gap", "reason"))
    return Completeness(tuple(look(facts, reasons)), tuple(warnings(facts)), facts, search)


def gaps(claim):
    """The needs that are missing, those with a stated reason among them."""
    return of_claim(claim).gaps


def gather(claim):
    """(Facts, Search or None) of a claim, in a fixed number of queries."""
    shipment, arrival = claim.shipment, claim.shipment.arrival
    rows = claim.lines.filter(live=True).select_related("discrepancy__carton", "discrepancy__shipment")
    lines = list(rows.order_by("position"))
    lost = shorts.short_lines(claim)
    found = shorts.search(claim, lines=lost) if lost else None
    newest = Statement.objects.filter(claim=claim).order_by("-pk").first() if lost else None
    seals = [seal for seal in queries.current_seals(arrival) if seal.action == "found"]
    sheet = arrival.sheets.filter(superseded_by__isnull=True).order_by("-pk").first()
    current = Document.objects.current().filter(claim=claim)
    papers = (PhotoPurpose.CARRIER_RECEIPT, PhotoPurpose.SIGNED_SHEET)
    shown = Photo.objects.filter(arrival=arrival, purpose__in=papers, tombstone__isnull=True)
    shown = list(shown.values_list("purpose", flat=True))
    facts = Facts(
        purpose=claim.purpose,
        bill_number=shipment.bill_number,
        pro_number=shipment.pro_number,
        claimant=claim.claimant,
        answer_to=", ".join(
            filter(None, [claim.claimant_email, claim.claimant_phone, " ".join(claim.claimant_address.split())])
        ),
        signatory=claim.signatory,
        carrier=str(claim.carrier or ""),
        carrier_is_broker=bool(
            claim.carrier and claim.carrier.kind == CarrierKind.BROKER and claim.second_carrier_id is None
        ),
        who_claims=claim.who_claims,
        lines=tuple(line_facts(lines)),
        documents=frozenset(current.values_list("kind", flat=True)),
        origin_proof=shipment.origin_proof,
        count_clause=shipment.count_clause,
        loaded_by=shipment.loaded_by,
        sheet=str(sheet or ""),
        carrier_receipt=sheet.carrier_receipt if sheet else "",
        paper_sheet=PhotoPurpose.SIGNED_SHEET in shown,
        receipt_photos=shown.count(PhotoPurpose.CARRIER_RECEIPT),
        seals=len(seals),
        unsealed=arrival.unsealed_reason,
        seals_clear=bool(seals) and not any(seal.needs_incident for seal in seals),
        freight_paid=claim.freight_paid,
        statement=shorts.statement_standing(claim, lost, found, newest),
        matches=found.matches if found else (),
    )
    return facts, found


INSPECTIONS = (FindingKind.INSPECTION_DONE, FindingKind.INSPECTION_WAIVED, FindingKind.INSPECTION_ASKED)


def line_facts(lines):
    pieces = [line.discrepancy_id for line in lines]
    photos = {}
    shown = Photo.objects.filter(discrepancy__in=pieces, tombstone__isnull=True)
    for piece in shown.values_list("discrepancy", flat=True):
        photos[piece] = photos.get(piece, 0) + 1
    inspected = dict(
        Finding.objects.filter(discrepancy__in=pieces, kind__in=INSPECTIONS)
        .order_by("pk")
        .values_list("discrepancy", "kind")
    )
    for line in lines:
        yield LineFacts(
            name=str(line.discrepancy),
            kind=line.kind,
            priced=line.unit_price is not None or line.repair_cost is not None or line.value_lost is not None,
            determined=line.amount is not None,
            price_source=line.price_source if line.unit_price is not None else "",
            repaired=line.repair_cost is not None,
            salvage=line.salvage > 0,
            photos=photos.get(line.discrepancy_id, 0),
            photo_excused=bool(line.discrepancy.no_photo_reason),
            inspection=inspected.get(line.discrepancy_id, ""),
            doubt=str(losses.IN_DOUBT.get(losses.doubt_of_full(line), "")),
        )
