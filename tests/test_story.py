"""From the gate to the scorecard: one trailer of 900 cartons, told in order. If you read one test, read this.

The figures are the worked example of the exception sheet: 900 on the bill, 7 short, 2 over, 5 listed cartons damaged,
3 rerouted of which 2 are damaged too, so 895 are received and 887 are in good order for their store.
"""

import json
import uuid
from datetime import timedelta
from decimal import Decimal
from io import BytesIO

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from pypdf import PdfReader

from claims import (
    completeness,
    dates,
    documents,
    drafting,
    facts,
    filing,
    issuing,
    months,
    periods,
    readings,
    shorts,
    terms,
)
from claims import queries as claim_queries
from claims.packet import assemble
from receiving import counting, discrepancies, dock, evidence, load_list, photos, queries, release, sheet
from receiving.enums import (
    ArrivalState,
    Attribution,
    CountClause,
    Disposition,
    Extent,
    Kind,
    PhotoPurpose,
    ScanResult,
    SignOutcome,
    WhereFound,
)
from receiving.models import Carton, Event, ExceptionSheet
from receiving.verification import verify
from tests.builders import (
    NOON,
    make_account,
    make_carrier,
    make_code,
    make_door,
    make_jpeg,
    make_person,
    make_site,
    make_store,
    sscc,
)
from tests.hostile.papers import pdf

pytestmark = pytest.mark.django_db
STORES = ["0101", "0102", "0103"]


class Clock:
    """A working day in which every step takes a minute."""

    def __init__(self, now=NOON):
        self.now = now

    def __call__(self):
        self.now += timedelta(minutes=1)
        return self.now


def list_of_900():
    rows = ["Carton ID,Store,PO,Description,Weight"]
    rows += [f"{sscc(n)},{STORES[n % 3]},PO-77,Rain boots,8.5" for n in range(900)]
    return ContentFile("\n".join(rows).encode())


def test_a_trailer_from_the_gate_to_the_scorecard():
    at, new = Clock(), uuid.uuid4
    site = make_site(name="Norchester Cross-Dock")
    lead = make_person("lead", site, "lena", first_name="Lena", last_name="Ortiz")
    receiver = make_person("receiver", site, "ray", first_name="Ray", last_name="Moss")
    account = make_account("Juniper Home Stores", signatory="Dana Roe")
    birch = make_carrier("Birch Freight Lines")
    stores = [make_store(site, account, number) for number in STORES]
    crushed, wet = make_code(site, "CR"), make_code(site, "WT", label="wet")

    # The trailer is expected, with its bill and its load list.
    trailer = dock.open_arrival(
        site=site, uuid=new(), facts={"trailer_number": "BFL 53021", "carrier": birch}, actor=lead, at=at()
    )
    bill = dock.add_shipment(
        trailer,
        uuid=new(),
        facts={
            "account": account,
            "bill_number": "BL-900-1",
            "pieces": 900,
            "count_clause": CountClause.SHIPPER,
            "shipper": "Juniper Import Center",
            "origin": "Port Alder",
        },
        actor=lead,
        at=at(),
    )
    received = load_list.receive_file(bill, uuid=new(), upload=list_of_900(), filename="list.csv", actor=lead, at=at())
    load_list.confirm(received, actor=lead, at=at())
    assert Carton.objects.filter(arrival=trailer).count() == 900

    # It comes to a door; the seal is whole; the three looks are ticked; unloading starts.
    trailer = dock.bring_to_door(trailer, door=make_door(site, "7"), driver="Sam Rivers", actor=receiver, at=at())
    dock.record_seal(
        trailer,
        uuid=new(),
        facts={"number_on_paper": "0123456", "number_on_seal": "0123456", "condition": "intact", "viewed": True},
        actor=receiver,
        at=at(),
    )
    trailer = dock.tick(trailer, ticks=dict.fromkeys(dock.TICKS, True), actor=receiver, at=at())
    trailer = dock.start_unloading(trailer, actor=receiver, at=at())

    # 893 of the 900 come down and are scanned; two cartons are on nobody's list.
    labels = [sscc(n) for n in range(900)]
    answers = counting.scan(trailer, reads=[counting.Read(label) for label in labels[7:]], actor=receiver, at=at())
    assert {answer.result for answer in answers} == {ScanResult.COUNTED}
    strangers = [sscc(n) for n in (5001, 5002)]
    answers = counting.scan(trailer, reads=[counting.Read(label) for label in strangers], actor=receiver, at=at())
    assert {answer.result for answer in answers} == {ScanResult.NOT_LISTED}

    def log(kind, label, codes=(), **facts):
        piece = discrepancies.record(
            trailer, uuid=new(), kind=kind, facts={"label": label, **facts}, codes=codes, actor=receiver, at=at()
        )
        if kind != Kind.REROUTED:
            photos.receive_photo(
                arrival=trailer,
                uuid=new(),
                upload=ContentFile(make_jpeg()),
                filename="camera.jpg",
                purpose=PhotoPurpose.BEFORE_MOVING,
                discrepancy=piece,
                actor=receiver,
                at=at(),
            )
        return discrepancies.attribute(
            piece,
            where_found=WhereFound.IN_TRAILER,
            attribution=Attribution.TRANSIT,
            version=piece.version,
            actor=receiver,
            at=at(),
        )

    hurt = {"extent": Extent.NOT_OPENED, "disposition": Disposition.HELD}
    damaged = [log(Kind.DAMAGED, labels[n], [crushed if n < 13 else wet], **hurt) for n in range(10, 15)]
    for n in (13, 14, 20):
        log(Kind.REROUTED, labels[n], new_store=stores[(n + 1) % 3], reroute_authority="label")
    overs = [log(Kind.OVER, label) for label in strangers]

    # Squaring: seven are missing; they are looked for, not found, and declared short.
    trailer = dock.end_count(trailer, actor=lead, at=at())
    assert release.what_release_needs(trailer) == [
        "Bill BL-900-1: 7 pieces are missing. Look for them, then declare them short or refused."
    ]
    dock.looked(trailer, uuid=new(), places=["nose", "under", "doors"], actor=lead, at=at())
    shorts = release.declare_missing(bill, seen=7, actor=lead, at=at())

    square = queries.trailer_squaring(trailer)
    assert square.adds_up
    assert (square.billed, square.listed, square.missing, square.contradiction) == (900, 900, 0, 0)
    assert (square.short, square.over, square.refused) == (7, 2, 0)
    assert (square.damaged, square.rerouted, square.hurt) == (5, 3, 6)
    assert (square.received, square.good) == (895, 887)

    # The words for the carrier's receipt.
    words = sheet.draft_notation(trailer)
    assert words == (
        f"7 cartons short: ids {', '.join(labels[:7])}; "
        f"2 cartons over: ids {', '.join(strangers)}; "
        f"3 cartons damaged (crushed): ids {', '.join(labels[10:13])}; "
        f"2 cartons damaged (wet): ids {', '.join(labels[13:15])}; "
        f"3 cartons rerouted: ids {labels[13]}, {labels[14]}, {labels[20]}; "
        "seal 0123456 intact, numbers agree; 895 pieces received against 900 on the bill."
    )

    # The driver signs; the trailer goes; the sheet is frozen.
    row = release.release(
        trailer,
        uuid=new(),
        facts={
            "notation": words,
            "outcome": SignOutcome.SIGNED,
            "signer": "Sam Rivers",
            "employer": "Birch Freight Lines",
            "signature": json.dumps([{"points": [{"x": 5, "y": 5}, {"x": 90, "y": 40}, {"x": 120, "y": 12}]}]),
            "typed": False,
            "witness": "",
            "device": "phone",
            "carrier_receipt": "no_exceptions",
        },
        actor=lead,
        at=at(),
    )
    trailer.refresh_from_db()
    assert trailer.state == ArrivalState.RELEASED

    pages = PdfReader(BytesIO(release.pdf_bytes(row))).pages
    text = " ".join("\n".join(page.extract_text() for page in pages).split())
    for expected in (
        "Exception sheet R-0001",
        "BFL 53021",
        "BL-900-1 900 7 2 0 895 5 3 887",
        "Sam Rivers, Birch Freight Lines",
        "Looked for missing cartons: nose of the trailer, under and behind, neighbouring doors.",
        "seal 0123456 intact, numbers agree",
        *(str(piece) for piece in [*damaged, *overs, *shorts]),
    ):
        assert expected in text, expected
    assert text.count("in the trailer, before moving. Received") == 7

    # A short turns up in a neighbour's load: found, reopened, a second sheet supersedes the first.
    trailer = release.reopen(trailer, reason="carton found at door 9", actor=lead, at=at())
    (answer,) = counting.scan(trailer, reads=[counting.Read(labels[0])], actor=receiver, at=at())
    assert answer.result == ScanResult.FOUND
    square = queries.trailer_squaring(trailer)
    assert (square.short, square.received, square.good) == (6, 896, 888)
    assert square.adds_up
    again = release.release(
        trailer,
        uuid=new(),
        facts={
            "notation": sheet.draft_notation(trailer),
            "outcome": SignOutcome.NOT_PRESENT,
            "signer": "",
            "employer": "",
            "signature": "",
            "typed": False,
            "witness": "Ray Moss",
            "device": "phone",
            "carrier_receipt": "no_exceptions",
        },
        actor=lead,
        at=at(),
    )
    assert ExceptionSheet.objects.get(supersedes=row) == again

    # What is lost is claimed, proved, and followed until the money is in; the month is handed to the carrier.
    money_comes_in(again, Clock(NOON + timedelta(days=2)))
    card = a_month_is_issued(site, birch, Clock(NOON + timedelta(days=40)))
    assert card.content["carrier"]["name"] == "Birch Freight Lines"

    # And all of it can be checked.
    assert list(verify(site)) == []
    assert Event.objects.filter(site=site).count() == evidence.head(site)[0]


def money_comes_in(signed, at):
    """From the signed sheet to a closed claim: six shorts and five damaged cartons."""
    new = uuid.uuid4
    site, shipment = signed.site, signed.arrival.shipments.get()
    clerk = make_person("clerk", site, "cleo", first_name="Cleo", last_name="Brand")
    start = terms.start("us_bill")
    terms.create(facts=start.facts, periods=start.periods, site=site, actor=clerk, at=at())

    # What nobody has claimed stands under To claim; own handling is not the carrier's.
    [group] = claim_queries.to_claim(site)
    claim = drafting.open_claim(shipment, group.pieces, uuid=new(), actor=clerk, at=at())
    assert str(claim) == "NOR-26-0001"
    assert claim.terms.title == start.title

    # Priced from the invoice, each line worked out; the invoice is uploaded.
    priced = {"quantity": 10, "unit_price": Decimal("12.50"), "trade_discount": 2}
    priced |= {"price_source": "invoice", "price_reference": "INV-88"}
    for position in range(1, len(group.pieces) + 1):
        claim = drafting.price_line(claim.lines.get(position=position), values=priced, actor=clerk, at=at())
    assert claim.amount == len(group.pieces) * Decimal("122.50")
    paper = documents.examine(BytesIO(pdf(pages=2)), filename="invoice-88.pdf")
    documents.receive(claim, paper=paper, kind="invoice", uuid=new(), actor=clerk, at=at())

    # The shorts are looked for everywhere, somebody is asked, and only then a named person signs.
    claim = shorts.answer_asked(
        claim, answer="no", note="D. Roe, by phone", version=claim.version, actor=clerk, at=at()
    )
    words = shorts.statement_text(claim, shorts.short_lines(claim), shorts.search(claim))
    shorts.sign(claim, signer="Cleo Brand", role="claims clerk", text=words, uuid=new(), actor=clerk, at=at())

    # What is missing has its reason; the packet is made and frozen; the claim is filed.
    for need in completeness.of_claim(claim).blocking:
        assert not need.firm, need.lacks
        documents.state_reason(claim, gap=need.code, reason="None was made.", uuid=new(), actor=clerk, at=at())
    packet = assemble.make(claim, uuid=new(), actor=clerk, at=at())
    text = " ".join(pages_of(packet.pdf))
    for expected in (str(claim), "We demand payment", "D. Roe, by phone", signed.pdf_sha256[:8]):
        assert expected in " ".join(text.split()), expected
    claim = filing.file_claim(claim, way="post", on=at().date(), no_proof="a letter in the post", actor=clerk, at=at())

    # The carrier answers, refuses one line in writing, is contested, offers, and pays.
    def happened(kind, decisions=(), **said):
        moment = at()
        given = {"on": moment.date()} | said
        return facts.record(claim, kind=kind, facts=given, decisions=decisions, uuid=new(), actor=clerk, at=moment)

    happened("acknowledged", reference="C-77", received_on=at().date())
    first = claim.lines.order_by("position").first()
    no = {"line": first.pk, "allowed": 0, "disallowed": first.amount, "ground": "packaging", "note": "glued"}
    happened("decision", [no], in_writing=True, speaker="carrier")
    suits = [entry for entry in dates.of_claim(claim, at=at()) if entry.due and entry.due.duty == "sue"]
    assert suits[0].date == at().date().replace(year=2028) + timedelta(days=1)
    happened("contested", note="the photos show it")
    offer = happened("offer", amount=Decimal(1000), in_writing=True, speaker="carrier")
    happened("agreed", amount=Decimal(1000), answers=offer)
    happened("receipt", amount=Decimal(1000), receipt_kind="in_full", reference="CHQ 9")
    money = readings.reading(claim, at=at()).money
    assert money.claimed == money.received + money.conceded
    claim = filing.close(filing.fresh(claim), actor=clerk, at=at())
    assert claim.stage == "closed"


def a_month_is_issued(site, carrier, at):
    """The month is over: counted, judged (too little data for a verdict), frozen."""
    manager = make_person("manager", site, "mara")
    months.refresh(site)
    month = NOON.date().replace(day=1)
    [entry] = periods.entries(periods.Choice((site,), periods.Period.rolling(month)))
    assert (entry.shown.k, entry.shown.sx) == (1, 5)
    card = issuing.issue(site, carrier, month, uuid=uuid.uuid4(), actor=manager, at=at())
    assert card.verdict == "no_comparison"
    assert len(pages_of(card.pdf)) == 2
    return card


def pages_of(path):
    """The text of each page of a stored PDF."""
    with default_storage.open(path) as file:
        return [page.extract_text() for page in PdfReader(file).pages]
