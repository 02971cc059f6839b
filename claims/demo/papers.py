"""Invented papers as PDF files: what shippers, accounts and carriers would have sent for a claim."""

import hashlib
from dataclasses import dataclass, field
from io import BytesIO

from django.template.loader import render_to_string
from django.utils.formats import date_format

from claims import documents
from claims.enums import DocumentKind
from claims.valuation.words import money
from receiving.documents import pdf


@dataclass(frozen=True)
class Sheet:
    """What stands on one paper; `facts` are pairs, `rows` lines of a table under `headings`."""

    kind: str
    title: str
    sender: str
    number: str
    address: str = ""
    facts: tuple = ()
    headings: tuple = ()
    rows: tuple = ()
    text: str = ""


@dataclass
class Papers:
    """Makes papers; one that says the same as an earlier one is not drawn again."""

    drawn: dict = field(default_factory=dict)

    def of(self, sheet, *, at, paper="letter"):
        """The `documents.Paper` of a sheet, examined like any file from outside."""
        html = render_to_string("claims/demo/paper.html", vars(sheet))
        key = hashlib.sha256(f"{paper} {html}".encode()).digest()
        if key not in self.drawn:
            data = pdf.render_pdf(html, title=sheet.title, created=at, identifier=key[:16], paper=paper)
            self.drawn[key] = documents.examine(BytesIO(data), filename=f"{sheet.kind}-{sheet.number}.pdf")
        return self.drawn[key]


def bill_of_lading(claim):
    bill = claim.shipment
    return Sheet(
        DocumentKind.BILL_OF_LADING,
        "Straight bill of lading",
        bill.shipper,
        bill.bill_number,
        facts=(
            ("Date", date_format(bill.bill_date, "D j M Y")),
            ("From", f"{bill.shipper}, {bill.origin}"),
            ("To", f"{claim.site.name}, for {claim.account.legal_name}"),
            ("Carrier", str(bill.carrier_on_bill or "")),
            ("Freight bill", bill.pro_number),
            ("Pieces", f"{bill.pieces:,} {bill.get_pieces_unit_display()}"),
            ("Weight", f"{bill.weight:,} {claim.site.weight_unit}"),
            ("Count", bill.get_count_clause_display()),
        ),
        text="Received in apparent good order, except as noted.",
    )


def freight_bill(claim):
    bill = claim.shipment
    return Sheet(
        DocumentKind.FREIGHT_BILL,
        f"Freight bill {bill.pro_number}",
        str(bill.carrier_on_bill or claim.carrier),
        bill.pro_number,
        address=claim.carrier.address,
        facts=(
            ("Bill of lading", bill.bill_number),
            ("Weight", f"{bill.weight:,} {claim.site.weight_unit}"),
            ("Freight", f"{claim.currency} {money(bill.freight_charge, claim.currency)}"),
            ("Terms", bill.get_freight_terms_display()),
            ("Paid", bill.get_freight_paid_display()),
        ),
    )


def invoice(claim, reference, *, day):
    lines = claim.lines.filter(live=True).order_by("position")
    return Sheet(
        DocumentKind.INVOICE,
        f"Invoice {reference}",
        claim.shipment.shipper,
        reference,
        facts=(
            ("Date", date_format(day, "D j M Y")),
            ("Sold to", claim.account.legal_name),
            ("Bill", claim.shipment.bill_number),
        ),
        headings=("Goods", "Quantity", "Unit", "Price"),
        rows=tuple((line.description, f"{line.quantity:f}", line.unit, f"{line.unit_price:f}") for line in lines),
    )


def origin_proof(claim):
    bill = claim.shipment
    return Sheet(
        DocumentKind.ORIGIN_PROOF,
        "Statement of loading",
        bill.shipper,
        bill.bill_number,
        facts=(("Bill", bill.bill_number), ("Loaded", f"{bill.pieces:,} {bill.get_pieces_unit_display()}")),
        text="Every carton was counted onto the trailer and was whole when the doors were shut.",
    )


def carrier_receipt(claim, noted):
    bill = claim.shipment
    return Sheet(
        DocumentKind.CARRIER_RECEIPT,
        f"Delivery receipt {bill.pro_number}",
        str(bill.arrival.carrier),
        bill.pro_number,
        facts=(("Trailer", bill.arrival.trailer_number), ("Driver", bill.arrival.driver)),
        text=noted,
    )


def authority(claim):
    account = claim.account
    return Sheet(
        DocumentKind.AUTHORITY,
        "Authority to claim",
        account.legal_name,
        "authority",
        address=account.address,
        text=f"{claim.claimant} may claim in its own name for goods of ours that are lost or damaged in carriage, and "
        f"may be paid for them.\n\n{account.signatory}",
    )


def inspection(claim):
    return Sheet(
        DocumentKind.INSPECTION_WAIVER,
        "Inspection waived",
        str(claim.carrier),
        claim.shipment.pro_number,
        address=claim.carrier.address,
        text=f"We send no inspector for the goods of freight bill {claim.shipment.pro_number}. Keep them or dispose of "
        "them as is usual.",
    )


def letter(claim, *, day, text, kind=DocumentKind.CARRIER_LETTER, title="Your claim"):
    """What a carrier writes about a claim."""
    return Sheet(
        kind,
        f"{title} {claim}",
        str(claim.carrier),
        str(claim),
        address=claim.carrier.address,
        facts=(
            ("Date", date_format(day, "D j M Y")),
            ("To", claim.claimant),
            ("Freight bill", claim.shipment.pro_number),
        ),
        text=text,
    )
