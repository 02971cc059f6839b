from claims.models.claim import (
    Bounce,
    Claim,
    ClaimLine,
    Document,
    GapReason,
    Letter,
    Message,
    NotClaimed,
    Statement,
)
from claims.models.job import Job
from claims.models.packet import Packet
from claims.models.settlement import Amendment, Fact, LineDecision, SalvageLot
from claims.models.terms import Terms, TermsPeriod

__all__ = [
    "Amendment",
    "Bounce",
    "Claim",
    "ClaimLine",
    "Document",
    "Fact",
    "GapReason",
    "Job",
    "Letter",
    "LineDecision",
    "Message",
    "NotClaimed",
    "Packet",
    "SalvageLot",
    "Statement",
    "Terms",
    "TermsPeriod",
]
