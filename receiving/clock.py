"""The calendar of a place: a site's zone, its days and months. The only module that names ZoneInfo; a leaf.

Zones are IANA names such as America/Chicago. Bounds are half-open and in UTC, so that subtracting and comparing them
counts true hours: between two moments of one zone Python goes by the wall clock and calls every day 24 hours long.
"""

from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones


class UnknownZone(ValueError):
    """No such time zone; the text says which name was given and what to do."""


@cache
def zone(name: str) -> ZoneInfo:
    """The zone with this IANA name. Raises UnknownZone."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, TypeError, OSError) as error:
        if not available_timezones():
            raise UnknownZone("This computer has no list of time zones. Install its package tzdata.") from error
        raise UnknownZone(f"“{name}” is not a time zone. Use a name such as America/Chicago.") from error


def local(moment: datetime, zone_name: str) -> datetime:
    """An aware moment on the site's clock. A naive one is a ValueError: nobody knows when it was."""
    if moment.utcoffset() is None:
        raise ValueError(f"{moment} has no time zone, so it cannot be put on the clock of {zone_name}.")
    return moment.astimezone(zone(zone_name))


def site_day(moment: datetime, zone_name: str) -> date:
    """The date on the site's wall calendar."""
    return local(moment, zone_name).date()


def zone_abbreviation(moment: datetime, zone_name: str) -> str:
    """What stands beside a time on paper: CST or CDT, by the moment."""
    return local(moment, zone_name).tzname()


def day_bounds(day: date, zone_name: str) -> tuple[datetime, datetime]:
    """[first moment of the day, first moment of the next) in UTC: 24 hours apart, or 23 or 25 when clocks change."""
    return _start(day, zone_name), _start(day + timedelta(days=1), zone_name)


def month_bounds(year: int, month: int, zone_name: str) -> tuple[datetime, datetime]:
    """[first moment of the month, first moment of the next) in UTC."""
    following = date(year + month // 12, month % 12 + 1, 1)
    return _start(date(year, month, 1), zone_name), _start(following, zone_name)


def _start(day: date, zone_name: str) -> datetime:
    # Where clocks go forward at midnight there is no 00:00; this then is the moment they change.
    return datetime.combine(day, time.min, tzinfo=zone(zone_name)).astimezone(UTC)
