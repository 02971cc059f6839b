"""From a trigger to the date a period ends. Day 0 is the day of the trigger, whatever is counted.

Months and years end on the same day of the month, or on the month's last day where that day does not exist: 31 May and
nine months is 28 Feb, not 3 Mar and not 270 days. Years come before further days: 28 Feb 2028, two years and a day, is
1 Mar 2030.
"""

from datetime import UTC, date, datetime, timedelta

from dateutil.relativedelta import relativedelta
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from claims.calendars import Calendar
from claims.deadlines.periods import Period
from claims.enums import Counting

SUNDAY = 6


class Uncountable(ValueError):
    """No date can be made of what is known; the text completes "no date: "."""


def count(
    period: Period, start: date | datetime, *, calendar: Calendar | None = None, number: int = 1
) -> date | datetime:
    """When the period ends: a date, or for hours an aware moment in the zone of `start`.

    start -- a date, or an aware moment on the site's clock; counted in days, a moment counts as its date there
    calendar -- used where the period names none; business days and days less Sundays need one
    number -- 2 for the end after the first, of a period that repeats

    Raises Uncountable.
    """
    length = period.length + (number - 1) * period.every
    try:
        if period.counting == Counting.HOURS:
            return hours_after(start, length)
        return COUNTED[period.counting](day_of(start), length, period, period.calendar or calendar)
    except OverflowError as error:
        raise beyond(start) from error


def target_for(ends: date | datetime | None, start: date, calendar: Calendar) -> date | None:
    """The last business day on or before a date of ours; never before the day it counts from.

    None for a moment, and in a year whose holidays are not known.
    """
    if ends is None or isinstance(ends, datetime) or not calendar.knows(ends):
        return None
    day = ends
    while day > start and not calendar.is_business_day(day):
        day -= timedelta(days=1)
    return day if calendar.is_business_day(day) else ends


def day_of(start):
    """The date of a date or of an aware moment. A naive one is a ValueError: nobody knows which day it was."""
    if not isinstance(start, datetime):
        return start
    if start.utcoffset() is None:
        raise ValueError(f"{start} has no time zone, so nobody knows which day it was.")
    return start.date()


def hours_after(start, length):
    # Through UTC: between two moments of one zone Python counts wall clock, an hour wrong in the nights clocks change.
    if not isinstance(start, datetime):
        raise Uncountable(_("needs the hour as well as the day, %(day)s") % {"day": date_format(start, "D j M Y")})
    day_of(start)  # refuses a moment without a zone, which Python would take for this computer's
    return (start.astimezone(UTC) + timedelta(hours=length)).astimezone(start.tzinfo)


def at_once(day, length, period, calendar):
    return day


def days(day, length, period, calendar):
    return day + timedelta(days=length)


def months(day, length, period, calendar):
    return clamped(day, months=length)


def years(day, length, period, calendar):
    return clamped(day, years=length)


def years_then_days(day, length, period, calendar):
    return clamped(day, years=length) + timedelta(days=period.extra_days)


def business_days(day, length, period, calendar):
    return nth_day(day, length, needed(calendar).is_business_day, calendar)


def days_less_sundays(day, length, period, calendar):
    calendar = needed(calendar)
    return nth_day(day, length, lambda each: each.weekday() != SUNDAY and not calendar.is_holiday(each), calendar)


COUNTED = {
    Counting.AT_ONCE: at_once,
    Counting.DAYS: days,
    Counting.BUSINESS_DAYS: business_days,
    Counting.DAYS_LESS_SUNDAYS: days_less_sundays,
    Counting.MONTHS: months,
    Counting.YEARS: years,
    Counting.YEARS_THEN_DAYS: years_then_days,
}


def clamped(day, **span):
    try:
        return day + relativedelta(**span)
    except ValueError as error:  # past the year 9999
        raise OverflowError from error


def nth_day(day, length, counts, calendar):
    while length:
        day += timedelta(days=1)
        length -= counts(day)
        if not calendar.knows(day):
            told = {"place": calendar.place, "year": day.year}
            raise Uncountable(_("the holidays of %(place)s are not known for %(year)s") % told)
    return day


def needed(calendar):
    if calendar is None:
        raise Uncountable(_("needs a holiday calendar"))
    return calendar


def beyond(start):
    return Uncountable(_("%(day)s is too far ahead to count from") % {"day": date_format(start, "D j M Y")})
