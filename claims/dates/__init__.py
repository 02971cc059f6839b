"""Which dates run for a claim or an unclaimed loss, gathered from the record and from facts. Reads only.

`claims.deadlines` counts; here stands what starts a clock and what stops it. A duty that is done is not listed; one
whose start is unknown is listed first, as something that may be too late already.
"""

from claims.dates.claims import of_claim, of_claims
from claims.dates.entries import Entry, sort
from claims.dates.filing import done_by_sheet, file_by
from claims.dates.site import of_site
from claims.dates.starts import Choices, delivered, nothing_came, triggers
from claims.dates.unclaimed import of_pieces, piece_dues

__all__ = [
    "Choices",
    "Entry",
    "delivered",
    "done_by_sheet",
    "file_by",
    "nothing_came",
    "of_claim",
    "of_claims",
    "of_pieces",
    "of_site",
    "piece_dues",
    "sort",
    "triggers",
]
