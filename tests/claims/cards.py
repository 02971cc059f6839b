"""Scorecards for tests: cards as they are issued, but with two small files in the place of the drawn ones."""

import uuid
from datetime import UTC, datetime

from claims import issuing
from receiving import evidence, files
from tests.claims.carriers import MARCH

APRIL = datetime(2026, 4, 6, 15, tzinfo=UTC)
FILES = {"pdf": b"%PDF-1.7 two small pages", "xlsx": b"PK a small workbook"}


def make_card(site, carrier, *, actor, month=MARCH, at=APRIL, restates=None):
    """A card gathered, numbered, kept and told by the domain's own steps, only not drawn."""
    content = issuing.gathered(site, carrier, month, before=restates, actor=actor, at=at)
    facts = kept(content) | issuing.sealed(content)
    return issuing.written(site, carrier, month, restates, facts, uuid=uuid.uuid4(), actor=actor, at=at)


def kept(_content):
    found = {}
    for kind, data in FILES.items():
        digest = evidence.digest(data)
        found[kind] = files.keep(f"scorecards/{digest[:2]}/{digest}.{kind}", data)
        found |= {f"{kind}_sha256": digest, f"{kind}_size": len(data)}
    return found


def make_message(card, *, actor, at=APRIL, to="desk@carrier.example"):
    """A message with which the card went, kept and told, by the tests' mail server."""
    return issuing.send(card, to=to, subject="Scorecard", body="Read it.", uuid=uuid.uuid4(), actor=actor, at=at)
