"""Time under the CMR (Convention on the Contract for the International Carriage of Goods by Road, 1956).

What was reserved at delivery needs no notice later (Art. 30(1)). When the year starts where nothing came at all, and
how a written claim makes time stand still (Art. 32). The day a period starts is not counted (Art. 32(1)). Hard cases
are for counsel: whoever relies on a claim, an answer or the return of the papers has to prove that it was received
(Art. 32(2)).
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta

from django.utils.translation import gettext as _

from claims.calendars import Calendar
from claims.deadlines import words
from claims.deadlines.counting import clamped, count, target_for
from claims.deadlines.periods import Period
from claims.enums import Duty

RESERVED = "CMR Art. 30(1), apparent loss or damage"


def is_reserved(due, signed_on: date | None) -> bool:
    """Whether the notice of this Due was given by what somebody for the carrier signed.

    Reservations are due at delivery for loss or damage that is apparent, and in writing within the period where it is
    not (Art. 30(1)): a signed record that names it is in writing, so one of the last day still counts.
    signed_on -- the day on which it was signed, None where nobody signed for the carrier
    """
    return due.duty == Duty.NOTICE and due.is_known and signed_on is not None and signed_on <= due.day


@dataclass(frozen=True)
class WrittenClaim:
    """A claim in writing, and what the carrier did with it; None for what it has not done.

    rejected -- the carrier's rejection in writing
    papers_returned -- the papers sent with the claim came back; where none were sent, the day of the rejection
    """

    received: date
    rejected: date | None = None
    papers_returned: date | None = None

    @property
    def runs_again(self) -> date | None:
        """The day time runs on: rejected in writing *and* papers returned. None while it stands still."""
        if self.rejected is None or self.papers_returned is None:
            return None
        return max(self.rejected, self.papers_returned)


def total_loss_start(*, agreed_limit: date | None = None, taken_over: date | None = None) -> date | None:
    """The day the year starts where all was lost, Art. 32(1)(b). None while neither date is known.

    agreed_limit -- end of the agreed time for delivery: the 30th day after it
    taken_over -- by the carrier: the 60th day after it, only where no time was agreed
    """
    if agreed_limit is not None:
        return agreed_limit + timedelta(days=30)
    return None if taken_over is None else taken_over + timedelta(days=60)


def other_start(contract_made: date) -> date:
    """The day the year starts where it is not about loss, damage or delay: three months on, Art. 32(1)(c)."""
    return clamped(contract_made, months=3)


def standstill(start: date, ends: date, claims: Iterable[WrittenClaim], *, admitted: bool = False) -> int | None:
    """Days for which time stood still between `start` and `ends`; None: it still does. Art. 32(2).

    claims -- about the same goods: only the first suspends, a further one does not. One received after the end
        revives nothing.
    admitted -- the carrier admitted this part: time runs again only for what is still in dispute
    """
    first = min(claims, key=lambda claim: claim.received, default=None)
    if first is None or first.received > ends:
        return 0
    if admitted or first.runs_again is None:
        return None
    return max(0, (first.runs_again - max(first.received, start)).days)


def suit_end(period: Period, start: date, claims: Iterable[WrittenClaim] = (), *, admitted: bool = False):
    """The last day to bring suit, or None while time stands still."""
    ends = count(period, start)
    days = standstill(start, ends, claims, admitted=admitted)
    return None if days is None else ends + timedelta(days=days)


def suspended(due, claims: Iterable[WrittenClaim], *, calendar: Calendar, admitted: bool = False):
    """A Due with the days added that time stood still. While it does there is no date; `needs` says what is awaited.

    due -- a Due counted in whole days, months or years; one without a date comes back as it is
    """
    if due.due is None:
        return due
    days = standstill(due.started.day, due.due, claims, admitted=admitted)
    if days is None:
        return replace(due, due=None, target=None, needs=words.no_date(standing_still(due, admitted)))
    ends = due.due + timedelta(days=days)
    return replace(due, due=ends, target=due.target and target_for(ends, due.started.day, calendar), stood_still=days)


def standing_still(due, admitted):
    told = {"date": words.shown(due.due)}
    if admitted:
        return _("the carrier admitted this part, so time stands still; without that it would be %(date)s") % told
    return (
        _(
            "time stands still until the carrier has rejected the claim in writing and returned the papers; "
            "without that it would be %(date)s"
        )
        % told
    )
