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
from claims.models.due import Digest, FeedKey
from claims.models.job import Job
from claims.models.packet import Packet
from claims.models.scorecard import (
    BillCount,
    CardMessage,
    CountedUpTo,
    JudgingRule,
    MonthSums,
    ReviewNote,
    Scorecard,
    VisitCount,
)
from claims.models.settlement import Amendment, Fact, LineDecision, SalvageLot
from claims.models.terms import Terms, TermsPeriod

__all__ = [
    "Amendment",
    "BillCount",
    "Bounce",
    "CardMessage",
    "Claim",
    "ClaimLine",
    "CountedUpTo",
    "Digest",
    "Document",
    "Fact",
    "FeedKey",
    "GapReason",
    "Job",
    "JudgingRule",
    "Letter",
    "LineDecision",
    "Message",
    "MonthSums",
    "NotClaimed",
    "Packet",
    "ReviewNote",
    "SalvageLot",
    "Scorecard",
    "Statement",
    "Terms",
    "TermsPeriod",
    "VisitCount",
]
