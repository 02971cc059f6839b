"""The calendar of a place: a site's zone, its days and months. The only module that names ZoneInfo; a leaf."""

from datetime import date, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


class UnknownZone(ValueError):
    """No such time zone; the text says which name was given."""


@cache
def zone(name):
    """The zone with this IANA name. Raises UnknownZone."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UnknownZone(f"“{name}” is not a time zone. Use a name such as America/Chicago.") from error


def local(moment, zone_name):
    """An aware moment on the site's clock. A naive one is a ValueError: nobody knows when it was."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment} has no time zone")
    return moment.astimezone(zone(zone_name))


def site_day(moment, zone_name):
    """The date on the site's wall calendar."""
    return local(moment, zone_name).date()


def abbreviation(moment, zone_name):
    return local(moment, zone_name).tzname()


def day_bounds(day, zone_name):
    """[first moment of the day, first moment of the next): 23, 24 or 25 hours."""
    place = zone(zone_name)
    start = datetime(day.year, day.month, day.day, tzinfo=place)
    after = day + timedelta(days=1)
    return start, datetime(after.year, after.month, after.day, tzinfo=place)


def month_bounds(year, month, zone_name):
    """[first moment of the month, first moment of the next)."""
    after = date(year + month // 12, month % 12 + 1, 1)
    return day_bounds(date(year, month, 1), zone_name)[0], day_bounds(after, zone_name)[0]
