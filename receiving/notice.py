"""The clock and the words of a concealed damage notice. Reads only.

Motor freight classification, item 300135 as in force since 18 April 2015 (item number from memory): damage not seen at
delivery is reported to the delivering carrier within five business days of delivery, confirmed in writing, with a
request for inspection; container and contents are kept as found. Later is no bar, but then reasonable evidence is due
that the harm was not done after delivery. No calendar of business days is published with the rule: ours is Monday to
Friday less the US federal holidays, and every page that shows the date says so.
"""

from dataclasses import dataclass
from datetime import date, timedelta

from receiving import clock

BUSINESS_DAYS = 5
MONDAY, THURSDAY = 0, 3


@dataclass(frozen=True)
class NoticeClock:
    """`delivered` and `due` are dates at the site; `overdue` is as of the day it was asked for."""

    delivered: date
    due: date
    overdue: bool


def notice_clock(arrival, *, at):
    """When damage found in this trailer's cartons is to be reported; None while nothing says when it was delivered.

    Delivered is the earliest of dropped, opened and released.
    """
    moments = [moment for moment in (arrival.dropped_at, arrival.opened_at, arrival.released_at) if moment]
    if not moments:
        return None
    zone = arrival.site.time_zone
    delivered = clock.site_day(min(moments), zone)
    due = add_business_days(delivered, BUSINESS_DAYS)
    return NoticeClock(delivered, due, clock.site_day(at, zone) > due)


def add_business_days(day, count):
    """The `count`-th business day after `day`, which itself is not counted."""
    while count:
        day += timedelta(days=1)
        count -= is_business_day(day)
    return day


def is_business_day(day):
    return day.weekday() < 5 and day not in federal_holidays(day.year) | federal_holidays(day.year + 1)


def federal_holidays(year):
    """The days on which US federal holidays of `year` are kept (5 USC 6103, from memory).

    One that falls on a Saturday is kept on the Friday before, on a Sunday on the Monday after.
    """
    fixed = [date(year, 1, 1), date(year, 6, 19), date(year, 7, 4), date(year, 11, 11), date(year, 12, 25)]
    moving = {
        nth_weekday(year, 1, MONDAY, 3),
        nth_weekday(year, 2, MONDAY, 3),
        nth_weekday(year, 6, MONDAY, 1) - timedelta(days=7),
        nth_weekday(year, 9, MONDAY, 1),
        nth_weekday(year, 10, MONDAY, 2),
        nth_weekday(year, 11, THURSDAY, 4),
    }
    return moving | {kept(day) for day in fixed}


def nth_weekday(year, month, weekday, nth):
    first = date(year, month, 1)
    return first + timedelta(days=(weekday - first.weekday()) % 7 + 7 * (nth - 1))


def kept(day):
    return day + timedelta(days={5: -1, 6: 1}.get(day.weekday(), 0))
