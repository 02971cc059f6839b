"""Rows of evidence and the events that tell of them, every column of every row."""

from claims import drafting
from claims.models import Amendment, Fact, LineDecision, SalvageLot
from receiving import evidence

FACT = (
    "uuid",
    "claim",
    "kind",
    "on",
    "amount",
    "until",
    "reference",
    "received_on",
    "receipt_kind",
    "speaker",
    "by_name",
    "in_writing",
    "papers_returned",
    "note",
    "document",
    "answers",
    "approved_by",
    "reverses",
)
TOLD = {
    Fact: ("claim.fact", FACT),
    LineDecision: ("claim.line_decided", ("fact", "line", "allowed", "disallowed", "ground", "note")),
    SalvageLot: (
        "claim.salvage_lot",
        ("uuid", "fact", "line", "lot", "method", "buyer", "related_buyer", "gross", "costs", "remitted_on"),
    ),
    Amendment: ("claim.amendment", ("uuid", "claim", "fact", "reason", "before", "after")),
}


def write(claim, rows, *, actor, at):
    """Insert these rows and tell of each, in the caller's transaction. Gives them as the database keeps them."""
    kept = []
    for row in rows:
        row.actor, row.at = actor, at
        row.save(force_insert=True)
        # As kept: the database rounds a decimal to its column, and the event must say what is kept.
        row.refresh_from_db()
        kept.append(row)
    evidence.append_many(site=claim.site, entries=[entry(claim, row) for row in kept])
    return kept


def entry(claim, row):
    verb, names = TOLD[type(row)]
    return {
        "verb": verb,
        "record": row,
        "actor": row.actor,
        "at": row.at,
        "arrival": claim.shipment.arrival,
        "after": evidence.facts(row, names),
    }


def tell_change(claim, verb, before, *, actor, at):
    """Tell what is different on the claim and its lines since `before`, as `drafting.told` gave it."""
    was, now = evidence.changed(before, drafting.told(claim))
    if now:
        drafting.tell(claim, verb, actor=actor, at=at, before=was, after=now)
