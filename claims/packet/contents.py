"""Everything a packet prints, as plain JSON gathered from one claim: the files are made from that JSON and the files it
names and from nothing else, so the same frozen content makes the same files again.

`said` is what the claim and its record say; `made` is about this one packet: its number, when, by whom, where the log
stood, the hash of each printed picture, the size of each file that the record keeps without one. A packet tells of its
claim as it is for as long as `said` is the same.
"""

from contextlib import contextmanager

from django.utils import timezone, translation

from claims import completeness
from claims.enums import DocumentKind, LetterKind
from claims.models import Claim
from claims.packet import answers, goods, proof, rules
from claims.packet.wording import amount, count, day, weight
from receiving import clock, evidence, sheet
from receiving.enums import WhoClaims

# What is about the handling of the claim and no proof of the loss: it comes after the packet has left.
AFTERWARDS = (DocumentKind.PROOF_OF_FILING, DocumentKind.CARRIER_LETTER, DocumentKind.PROOF_OF_PAYMENT)


def contents(claim, *, number, supersedes, actor, at):
    """The whole content of a new packet of `claim`; the hashes of its printed pictures are put in when they are made.

    number -- the packet's; supersedes -- the number of the one before, or None
    """
    log = evidence.head(claim.site)
    with on_paper(claim.site):
        made = {
            "number": number,
            "supersedes": supersedes,
            "at": at.isoformat(timespec="seconds"),
            "day": day(timezone.localtime(at).date()),
            "moment": sheet.moment(at),
            "by": str(actor),
            "log": {"seq": log[0], "hash": log[1]},
            "prints": {},
            "sizes": {},
        }
    return {"said": said(claim), "made": made}


def said(claim):
    """What the claim and its record say now, in a number of queries that does not grow with lines, photos or papers."""
    claim = whole(claim)
    with on_paper(claim.site):
        lines = goods.lines(claim)
        others = proof.trailer_photos(claim.shipment.arrival)
        complete = completeness.of_claim(claim)
        held = rules.held(claim)
        in_full = goods.why_in_full(claim)
        dates = rules.dates(claim, held, lines)
        # Words are settled here, while it is English that is spoken: many of them are lazy.
        return evidence.plain(
            {
                "site": site(claim.site),
                "claim": head(claim),
                "bill": bill(claim),
                "schedule": goods.schedule(claim, lines),
                "trailer": proof.trailer(claim.shipment.arrival, others),
                "count": proof.count(claim.shipment),
                "delivery": proof.delivery(claim.shipment.arrival, others),
                "pieces": [goods.piece(line, claim.currency, in_full) for line in lines],
                "statements": statements(claim, lines),
                "terms": rules.terms_of(claim, held),
                "notices": notices(claim),
                "dates": dates,
                "checklist": checklist(complete),
                "refusals": answers.usual(claim, complete, dates),
                "documents": documents(claim),
            }
        )


@contextmanager
def on_paper(site):
    """Papers speak English and the site's time, whoever asks for them."""
    with timezone.override(clock.zone(site.time_zone)), translation.override("en"):
        yield


def whole(claim):
    """The claim as it is now, with all that it points at."""
    return Claim.objects.select_related(
        "site",
        "account",
        "carrier",
        "second_carrier",
        "terms__carrier",
        "terms__account",
        "terms__site",
        "shipment__account",
        "shipment__carrier_on_bill",
        "shipment__arrival__site",
        "shipment__arrival__carrier",
        "shipment__arrival__door",
    ).get(pk=claim.pk)


def site(row):
    return {
        "code": row.code,
        "name": row.name,
        "address": ", ".join(row.address.split("\n")).replace("\r", ""),
        "paper": row.paper,
        "time_zone": row.time_zone,
        "weight_unit": row.weight_unit,
    }


def head(claim):
    return {
        "number": str(claim),
        "handover": claim.is_handover,
        "claimant": claim.claimant,
        "claimant_address": claim.claimant_address,
        "claimant_email": claim.claimant_email,
        "claimant_phone": claim.claimant_phone,
        "who_claims": claim.get_who_claims_display(),
        "on_behalf": claim.who_claims == WhoClaims.US,
        "signatory": claim.signatory,
        "payee": claim.payee,
        "carrier": party(claim.carrier),
        "second_carrier": party(claim.second_carrier),
        "account": {"name": claim.account.legal_name, "address": claim.account.address},
        "currency": claim.currency,
        "amount": None if claim.amount is None else amount(claim.amount, claim.currency),
        "asked_owner": claim.get_asked_owner_display(),
        "asked_note": claim.asked_note,
    }


def party(carrier):
    if carrier is None:
        return None
    return {
        "name": carrier.name,
        "scac": carrier.scac,
        "kind": carrier.get_kind_display(),
        "address": carrier.address,
        "email": carrier.claims_email,
    }


def bill(claim):
    row = claim.shipment
    return {
        "number": row.bill_number,
        "date": day(row.bill_date),
        "pro": row.pro_number,
        "shipper": row.shipper,
        "origin": row.origin,
        "ship_date": day(row.ship_date),
        "carrier": str(row.carrier_on_bill or ""),
        "pieces": f"{count(row.pieces)} {row.get_pieces_unit_display()}",
        "pallets": count(row.pallets),
        "weight": weight(claim.shipment_weight, claim.site.weight_unit),
        "weight_source": goods.shipment_weighed(claim),
        "freight_charge": amount(claim.freight_charge, claim.currency),
        "freight_terms": row.get_freight_terms_display(),
        "freight_paid": claim.get_freight_paid_display(),
        "freight_in_price": claim.get_freight_in_price_display(),
        "declared_value": amount(claim.declared_value, claim.currency),
        "clause": row.get_count_clause_display(),
        "loaded_by": row.get_loaded_by_display(),
        "sealed_by": row.get_sealed_by_display(),
        "origin_proof": row.get_origin_proof_display(),
    }


def statements(claim, lines):
    """The newest statement, if it speaks of the short pieces that are claimed now."""
    row = claim.statements.select_related("actor").order_by("-pk").first()
    if row is None:
        return []
    named = [f"{line.position}: {line.discrepancy}" for line in lines if line.pk in row.lines]
    return [
        {
            "key": f"statement:{row.pk}",
            "signer": row.signer,
            "role": row.role,
            "text": row.text,
            "lines": named,
            "at": sheet.moment(row.at),
            "by": str(row.actor),
        }
    ]


def notices(claim):
    """Notices of concealed damage that were sent before the claim."""
    sent = claim.letters.filter(kind=LetterKind.CONCEALED, sent_at__isnull=False).order_by("number")
    return [
        {
            "number": row.number,
            "subject": row.subject,
            "to": row.to,
            "way": row.get_sent_way_display(),
            "at": sheet.moment(row.sent_at),
            "body": row.body,
            "pdf": row.pdf,
            "sha256": row.pdf_sha256,
            "archive": f"letters/notice-{row.number}.pdf" if row.pdf else "",
        }
        for row in sent
    ]


def checklist(complete):
    """What the claim needs, one entry each: there or not, what there is, and why there is none. What lacks and why that
    matters is for whoever makes the claim, and stands on their page only."""
    return [
        {
            "code": need.code,
            "group": need.group,
            "words": need.words,
            "there": need.there,
            "said": need.said if need.there else "",
            "reason": need.reason,
        }
        for need in complete.needs
    ]


def documents(claim):
    """The papers as they were uploaded, corrected ones left out; `n` is the number they have in the packet."""
    rows = claim.documents.current().exclude(kind__in=AFTERWARDS).select_related("actor")
    order = {kind: place for place, kind in enumerate(DocumentKind)}
    rows = sorted(rows, key=lambda row: (order[row.kind], row.pk))
    return [proof.document(row, n) for n, row in enumerate(rows, 1)]
