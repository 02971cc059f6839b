"""What happens to a filed claim, written down as it comes: the only writer of facts, decisions, lots and amendments."""

from claims.facts.amending import amend
from claims.facts.needs import NEEDS
from claims.facts.recording import SameNumber, record, reverse

__all__ = ["NEEDS", "SameNumber", "amend", "record", "reverse"]
