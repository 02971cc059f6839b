"""Terms against the shortest periods their law allows. Warnings only: a contract is for counsel to judge."""

from collections.abc import Iterable
from datetime import date, timedelta

from django.utils.text import capfirst
from django.utils.translation import gettext as _

from claims.calendars import Calendar
from claims.deadlines import words
from claims.deadlines.counting import count
from claims.deadlines.periods import Period
from claims.enums import Binds, Counting, Duty, Effect, Regime, Trigger

# The days a count is tried from, through a leap year: every first and last of a month, where spans are longest and
# shortest.
STARTS = [
    date(year, month, 1) - timedelta(days=back) for year in (2027, 2028) for month in range(1, 13) for back in (0, 1)
]


def warnings(periods: Iterable[Period], *, regime: Regime, waived: bool = False) -> list[str]:
    """A sentence for each period that the law may not let stand.

    regime -- the law the carriage falls under
    waived -- the contract expressly waives the statute's carriage terms, in writing (49 USC 14101(b)(1)); it lifts
        the floors of US road carriage and no other
    """
    regime = Regime(regime)
    if regime == Regime.US_ROAD and waived:
        return []
    checks = CHECKS.get(regime, ())
    return [words for period in periods for check in checks for words in check(period)]


def us_road_filing(period):
    """Nine months to file at least, 49 USC 14706(e)(1)."""
    if period.duty == Duty.FILE and is_shorter(period, counted(Counting.MONTHS, 9)):
        yield told(
            period,
            _(
                "below the 9-month statutory minimum for filing a claim (49 USC 14706(e)(1)). "
                "It holds only under an express written waiver (49 USC 14101(b)): record the waiver, or ask counsel."
            ),
        )


def us_road_suit(period):
    """Two years to sue at least, from the written disallowance, 49 USC 14706(e)(1)."""
    if period.duty != Duty.SUE:
        return
    if is_shorter(period, counted(Counting.YEARS, 2)):
        yield told(
            period,
            _(
                "below the 2-year statutory minimum for bringing suit (49 USC 14706(e)(1)). "
                "It holds only under an express written waiver (49 USC 14101(b)): record the waiver, or ask counsel."
            ),
        )
    if period.trigger != Trigger.DISALLOWED:
        yield told(
            period,
            _(
                "counted from “%(trigger)s”, where the statute counts the time for suit from the written "
                "disallowance (49 USC 14706(e)(1)). Choose that, record the waiver, or ask counsel."
            )
            % {"trigger": period.trigger.label},
        )


def cogsa_suit(period):
    """A year to sue at least; an agreement for less is void (COGSA 3(6) and, from memory, 3(8))."""
    if period.duty == Duty.SUE and is_shorter(period, counted(Counting.YEARS, 1)):
        yield told(
            period,
            _("below one year for bringing suit, which no agreement can shorten (COGSA 3(6)). Ask counsel."),
        )


def cmr_periods(period):
    """The convention's own periods; whatever departs from them is void (Art. 41, from memory)."""
    own = CMR_OWN.get(period.duty)
    if own and not any(is_same(period, each) for each in own):
        yield told(
            period,
            _(
                "differs from the convention, which says %(spans)s and cannot be departed from (CMR Art. 41). "
                "Ask counsel."
            )
            % {"spans": _(" or ").join(words.span(each) for each in own)},
        )


def told(period, what):
    named = {"duty": capfirst(period.duty.label), "span": words.span(period), "what": what}
    return _("%(duty)s, %(span)s: %(what)s") % named


def counted(counting, length):
    return Period(
        duty=Duty.FILE,
        trigger=Trigger.DELIVERED,
        length=length,
        counting=counting,
        effect=Effect.BAR,
        binds=Binds.US,
    )


def is_shorter(period, floor):
    """Does it end before the floor, from any day it may start?"""
    return any(end < other for end, other in compared(period, floor))


def is_same(period, other):
    return all(end == its for end, its in compared(period, other))


def compared(period, other):
    calendar = period.calendar or Calendar()
    return [(end_of(period, day, calendar), end_of(other, day, calendar)) for day in STARTS]


def end_of(period, day, calendar):
    if period.counting == Counting.HOURS:
        return day + timedelta(hours=period.length)
    return count(period, day, calendar=calendar)


CMR_OWN = {
    Duty.NOTE_AT_DELIVERY: [counted(Counting.AT_ONCE, 0)],
    Duty.CONCEALED_NOTICE: [counted(Counting.DAYS_LESS_SUNDAYS, 7)],
    Duty.NOTICE: [counted(Counting.DAYS_LESS_SUNDAYS, 7)],
    Duty.DELAY_NOTICE: [counted(Counting.DAYS, 21)],
    # Three years for wilful misconduct and what the court's law counts as equal to it.
    Duty.SUE: [counted(Counting.YEARS, 1), counted(Counting.YEARS, 3)],
}
CHECKS = {
    Regime.US_ROAD: (us_road_filing, us_road_suit),
    Regime.COGSA: (cogsa_suit,),
    Regime.CMR: (cmr_periods,),
}
