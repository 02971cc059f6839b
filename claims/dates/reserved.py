"""The notice that a signed sheet has given: whoever signs for the carrier beneath a piece was told of it in writing.

Only under the CMR does that end the written notice of these terms; where nobody signed for the carrier, or the piece is
not on what was signed, the notice stays due. Reads only.
"""

from dataclasses import dataclass
from datetime import date

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from claims.deadlines import Due, cmr
from claims.enums import Regime
from receiving import clock
from receiving.enums import SignOutcome
from receiving.models import ExceptionSheet


@dataclass(frozen=True)
class Reservation:
    """A sheet that was signed for the carrier, by whom and on which day of the site."""

    sheet: str
    signer: str
    on: date

    @property
    def words(self):
        """What was done, with its source."""
        told = {"sheet": self.sheet, "signer": self.signer, "day": date_format(self.on, "D j M Y")}
        told |= {"source": cmr.RESERVED}
        return _("Done at delivery: the driver %(signer)s signed sheet %(sheet)s on %(day)s (%(source)s)") % told


def asked_of(held):
    """Whether these terms take what was signed at delivery for their written notice."""
    return held is not None and held.terms.regime == Regime.CMR


def signed(arrivals) -> dict:
    """{(arrival's key, `P-12`): Reservation} of what was signed for the carrier, by the first sheet with each piece.
    One query where there are arrivals."""
    found = {}
    if not arrivals:
        return found
    rows = ExceptionSheet.objects.filter(arrival__in=arrivals, outcome=SignOutcome.SIGNED).select_related("site")
    for row in rows.order_by("number"):
        made = Reservation(str(row), row.signer, clock.site_day(row.at, row.site.time_zone))
        for piece in row.content["pieces"]:
            found.setdefault((row.arrival_id, piece["number"]), made)
    return found


def is_done(due: Due, reservation: Reservation | None) -> bool:
    return reservation is not None and cmr.is_reserved(due, reservation.on)
