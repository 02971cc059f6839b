"""Terms of carriage: written by `keeping`, read by `reading`, chosen for a bill by `choosing`, said by `words`."""

from claims.terms.choosing import Choice, PassedOver, choose, which
from claims.terms.keeping import InUse, Overlap, create, in_use_sentence, is_used, need, replace, retire, revise
from claims.terms.reading import FACTS, PERIOD, SCOPE, Held, calendar, frozen, of_claim, periods, thawed, warnings
from claims.terms.starting import Start, start, starts

__all__ = [
    "FACTS",
    "PERIOD",
    "SCOPE",
    "Choice",
    "Held",
    "InUse",
    "Overlap",
    "PassedOver",
    "Start",
    "calendar",
    "choose",
    "create",
    "frozen",
    "in_use_sentence",
    "is_used",
    "need",
    "of_claim",
    "periods",
    "replace",
    "retire",
    "revise",
    "start",
    "starts",
    "thawed",
    "warnings",
    "which",
]
