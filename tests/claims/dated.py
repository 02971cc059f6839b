"""Claims with the periods of real terms, for tests of what is due."""

import uuid
from datetime import date, timedelta

from claims import dates
from claims.enums import DocumentKind
from claims.models import Bounce, Claim, Document, Letter, Message, TermsPeriod
from receiving.models import Discrepancy, IncidentNote
from tests.builders import NOON
from tests.claims.builders import make_claim, make_filed, make_terms
from tests.claims.packets import make_packet_row

CARRIER = {"trigger": "carrier_received", "counting": "days", "effect": "breach", "binds": "carrier"}
NOTICE = {
    "duty": "concealed_notice",
    "applies": "damage",
    "trigger": "delivered",
    "length": 5,
    "counting": "business_days",
    "effect": "burden",
    "source": "classification",
}
FILE = {"duty": "file", "applies": "damage", "trigger": "delivered", "length": 9, "counting": "months"}
FILE_LOSS = FILE | {"applies": "loss", "trigger": "bill_date"}
ACKNOWLEDGE = CARRIER | {"duty": "acknowledge", "length": 30, "source": "49 CFR 370.5(a)"}
DECIDE = CARRIER | {"duty": "decide", "length": 120, "source": "49 CFR 370.9(a)"}
STATUS = CARRIER | {"duty": "status", "length": 180, "every": 60, "source": "49 CFR 370.9(a)"}
SUE = {"duty": "sue", "trigger": "disallowed", "counting": "years_then_days", "length": 2, "extra_days": 1}
US = (NOTICE, FILE, FILE_LOSS, ACKNOWLEDGE, DECIDE, STATUS, SUE)
CMR = (
    {"duty": "notice", "trigger": "delivered", "length": 7, "counting": "days_less_sundays", "effect": "presumption"},
    {"duty": "sue", "trigger": "delivered", "length": 1, "counting": "years"},
)
KEEPING = {"duty": "keep", "trigger": "settled", "length": 6, "counting": "years", "effect": "internal"}


def make_dated_terms(*periods, **fields):
    """Terms with these periods, of US bills of lading if none are given."""
    terms = make_terms(**fields)
    given = {"effect": "bar", "binds": "us", "source": "section 3"}
    for position, period in enumerate(periods or US, 1):
        TermsPeriod.objects.create(terms=terms, position=position, **(given | period))
    return terms


def draft(site, clerk, **given):
    return make_claim(site, actor=clerk, **given)


def filed(site, clerk, **given):
    return make_filed(site, actor=clerk, **given)


def day(text):
    return date.fromisoformat(text)


def due(claim, at=NOON):
    """{(duty, positions of its lines): its day or None} of what the terms ask; positions empty for the whole claim."""
    entries = [each for each in dates.of_claim(claim, at=at) if each.due]
    found = {(each.due.duty.value, each.lines): each.date for each in entries}
    assert len(found) == len(entries), "two entries of one duty and one line"
    return found


def duties(claim, at=NOON):
    return {duty for duty, _lines in due(claim, at)}


def kinds(entries):
    return [each.kind for each in entries]


def concealed(claim, position=1):
    """The piece of this line was found after release."""
    line = claim.lines.get(position=position)
    Discrepancy.objects.filter(pk=line.discrepancy_id).update(after_release=True)
    return line.discrepancy


def make_letter(claim, clerk, *, kind="concealed", body="", sent=True):
    return Letter.objects.create(
        claim=claim,
        number=claim.letters.count() + 1,
        kind=kind,
        subject="A letter",
        body=body,
        drafted_at=NOON,
        drafted_by=clerk,
        sent_at=NOON if sent else None,
    )


def make_paper(claim, clerk, kind=DocumentKind.FREIGHT_BILL):
    return Document.objects.create(
        claim=claim,
        kind=kind,
        file="papers/1",
        name="a.pdf",
        content_type="application/pdf",
        sha256="0" * 64,
        size=1,
        pages=1,
        actor=clerk,
        at=NOON,
    )


def send_packet(claim, clerk, *, parts=1, back=(), packet=None):
    """The packet by e-mail in so many parts, of which these numbers came back. Gives the packet."""
    packet = packet or make_packet_row(claim, actor=clerk)
    for part in range(1, parts + 1):
        message = Message.objects.create(
            claim=claim,
            packet=packet,
            to="claims@carrier.example",
            subject="Claim",
            message_id=str(uuid.uuid4()),
            part=part,
            parts=parts,
            file="mail/1",
            sha256="0" * 64,
            size=1,
            actor=clerk,
            at=NOON,
        )
        if part in back:
            Bounce.objects.create(message=message, text="no such mailbox", actor=clerk, at=NOON)
    return packet


def make_note(arrival, actor, *, kind="leaking", at=NOON, hazmat=True):
    """A leak among goods that are dangerous, or not."""
    Discrepancy.objects.filter(arrival=arrival).update(hazmat=hazmat)
    return IncidentNote.objects.create(arrival=arrival, kind=kind, text="a puddle", actor=actor, at=at)


def days(number):
    return timedelta(days=number)


def as_now(claim):
    return Claim.objects.select_related("site", "shipment__arrival__site", "terms").get(pk=claim.pk)
