"""One row of every evidence table of claims, made past the writers: for tests of the database's own guards."""

from datetime import date

from claims.models import (
    Amendment,
    Bounce,
    CardMessage,
    Claim,
    ClaimLine,
    Document,
    Fact,
    GapReason,
    JudgingRule,
    LineDecision,
    Message,
    NotClaimed,
    Packet,
    ReviewNote,
    SalvageLot,
    Scorecard,
    Statement,
)
from receiving.models import Carrier

HASH = "a" * 64


def rows(site, piece, shipment, *, actor, at):
    """The rows, with every optional unique key in use where one can be."""
    by = {"actor": actor, "at": at}
    claim = Claim.objects.create(
        site=site,
        year=2026,
        number=1,
        stage_since=at,
        opened_at=at,
        opened_by=actor,
        shipment=shipment,
        account=shipment.account,
        who_claims="us",
        currency="USD",
    )
    line = ClaimLine.objects.create(claim=claim, discrepancy=piece, position=1, kind="damage", quantity=1)
    fact = Fact.objects.create(claim=claim, kind="receipt", on=at.date(), amount=5, **by)
    document, message, packet = document_row(claim, **by), message_row(claim, **by), packet_row(claim, 1, **by)
    not_claimed = NotClaimed.objects.create(site=site, discrepancy=piece, reason="too small", **by)
    amounts = {"gross": 4, "costs": 1}
    return [
        document_row(claim, replaces=document, **by),
        message,
        packet_row(claim, 2, supersedes=packet, **by),
        Fact.objects.create(claim=claim, kind="receipt", on=at.date(), reverses=fact, note="bounced", **by),
        NotClaimed.objects.create(site=site, discrepancy=piece, reason="not so small", lifts=not_claimed, **by),
        LineDecision.objects.create(fact=fact, line=line, allowed=1, disallowed=0, **by),
        SalvageLot.objects.create(fact=fact, line=line, lot="1", method="auction", **amounts, **by),
        Amendment.objects.create(claim=claim, fact=fact, reason="found", before={}, after={}, **by),
        GapReason.objects.create(claim=claim, gap="invoice", reason="none was made", **by),
        Statement.objects.create(claim=claim, lines=[1], signer="R. Vale", text="Not received.", searched={}, **by),
        Bounce.objects.create(message=message, text="no such mailbox", **by),
        *scorecard_rows(site, **by),
    ]


def scorecard_rows(site, **by):
    carrier = Carrier.objects.create(name="Heron Lines")
    card = scorecard_row(site, carrier, 1, **by)
    note = review_row(site, carrier, **by)
    sent = {"subject": "Scorecard", "message_id": "<2@dock.example>", "file": "mail/b", "sha256": HASH, "size": 1}
    return [
        scorecard_row(site, carrier, 2, restates=card, **by),
        CardMessage.objects.create(scorecard=card, to="desk@carrier.example", **sent, **by),
        review_row(site, carrier, closes=note, **by),
        JudgingRule.objects.create(site=site, false_share=5, trailer_cap=10, **by),
    ]


def scorecard_row(site, carrier, number, **also):
    files = {f"{kind}{what}": value for kind in ("pdf", "xlsx") for what, value in FILE.items()}
    told = {"verdict": "worse", "content": {}, "content_sha256": HASH, "log_seq": 0, "log_head": "0" * 64}
    month = date(2026, 3, 1)
    told |= {"series": site.pk, "number": number, "month": month}
    return Scorecard.objects.create(site=site, carrier=carrier, **files, **told, **also)


def review_row(site, carrier, **also):
    return ReviewNote.objects.create(
        site=site, carrier=carrier, on=date(2026, 4, 2), text="Chock the last row.", **also
    )


def document_row(claim, **also):
    told = {"file": "documents/a", "name": "a.pdf", "content_type": "application/pdf", "sha256": HASH}
    return Document.objects.create(claim=claim, kind="invoice", size=1, pages=1, **told, **also)


def message_row(claim, **also):
    told = {"subject": "Claim", "message_id": "<1@dock.example>", "file": "mail/a", "sha256": HASH, "size": 1}
    return Message.objects.create(claim=claim, to="claims@carrier.example", **told, **also)


def packet_row(claim, number, **also):
    files = {f"{kind}{what}": value for kind in ("pdf", "xlsx", "zip") for what, value in FILE.items()}
    told = {"content": {}, "content_sha256": HASH, "pages": 1, "log_seq": 0, "log_head": "0" * 64}
    return Packet.objects.create(claim=claim, number=number, **files, **told, **also)


FILE = {"": "packets/a", "_sha256": HASH, "_size": 1}
