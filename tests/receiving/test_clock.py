from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from receiving import clock

CHICAGO, HALIFAX, PHOENIX = "America/Chicago", "America/Halifax", "America/Phoenix"
ZONES = [
    CHICAGO,
    HALIFAX,
    PHOENIX,
    "America/Havana",
    "America/Sao_Paulo",
    "Europe/Madrid",
    "Asia/Kolkata",
    "Pacific/Apia",
]


@pytest.mark.parametrize(
    ("moment", "zone", "day"),
    [
        # 23:30 on the last of the month at the site, already the next month in UTC.
        (datetime(2026, 4, 1, 4, 30, tzinfo=UTC), CHICAGO, date(2026, 3, 31)),
        (datetime(2026, 4, 1, 2, 30, tzinfo=UTC), HALIFAX, date(2026, 3, 31)),
        (datetime(2027, 1, 1, 5, 30, tzinfo=UTC), CHICAGO, date(2026, 12, 31)),
        (datetime(2028, 3, 1, 3, 30, tzinfo=UTC), HALIFAX, date(2028, 2, 29)),
        # One moment, two sites, two days.
        (datetime(2026, 4, 1, 4, 30, tzinfo=UTC), HALIFAX, date(2026, 4, 1)),
    ],
)
def test_a_moment_belongs_to_the_sites_own_day(moment, zone, day):
    assert clock.site_day(moment, zone) == day


@pytest.mark.parametrize(("zone", "offset"), [(CHICAGO, 5), (HALIFAX, 3)])
def test_half_past_eleven_on_the_last_of_a_month_is_in_that_month(zone, offset):
    late = datetime(2026, 3, 31, 23, 30, tzinfo=timezone(timedelta(hours=-offset)))
    march, april = clock.month_bounds(2026, 3, zone), clock.month_bounds(2026, 4, zone)
    assert march[0] <= late < march[1]
    assert not april[0] <= late < april[1]
    assert april[0] - late == timedelta(minutes=30)


@pytest.mark.parametrize(
    ("day", "zone", "hours"),
    [
        (date(2026, 3, 8), CHICAGO, 23),
        (date(2026, 11, 1), CHICAGO, 25),
        (date(2026, 3, 8), HALIFAX, 23),
        (date(2026, 11, 1), HALIFAX, 25),
        (date(2026, 3, 7), CHICAGO, 24),
        (date(2026, 3, 8), PHOENIX, 24),
        (date(2026, 3, 29), "Europe/Madrid", 23),
        # No 00:00 on this day in Havana, and two of them on that one.
        (date(2026, 3, 8), "America/Havana", 23),
        (date(2026, 11, 1), "America/Havana", 25),
        # Samoa left this day out.
        (date(2011, 12, 30), "Pacific/Apia", 0),
    ],
)
def test_a_day_is_as_long_as_the_clocks_make_it(day, zone, hours):
    start, end = clock.day_bounds(day, zone)
    assert end - start == timedelta(hours=hours)


def test_the_night_that_has_an_hour_twice_keeps_both_in_one_day():
    start, end = clock.day_bounds(date(2026, 11, 1), CHICAGO)
    first, second = datetime(2026, 11, 1, 6, 30, tzinfo=UTC), datetime(2026, 11, 1, 7, 30, tzinfo=UTC)
    assert [f"{clock.local(moment, CHICAGO):%H:%M}" for moment in (first, second)] == ["01:30", "01:30"]
    assert [clock.zone_abbreviation(moment, CHICAGO) for moment in (first, second)] == ["CDT", "CST"]
    assert start <= first < second < end


def test_the_night_that_lacks_an_hour_goes_from_two_to_three():
    before = datetime(2026, 3, 8, 7, 59, tzinfo=UTC)
    after = before + timedelta(minutes=1)
    assert [f"{clock.local(moment, CHICAGO):%H:%M}" for moment in (before, after)] == ["01:59", "03:00"]
    assert [clock.zone_abbreviation(moment, CHICAGO) for moment in (before, after)] == ["CST", "CDT"]


@pytest.mark.parametrize(
    ("year", "month", "zone", "start", "end"),
    [
        # March begins in winter time and ends in summer time.
        (2026, 3, CHICAGO, datetime(2026, 3, 1, 6, tzinfo=UTC), datetime(2026, 4, 1, 5, tzinfo=UTC)),
        (2026, 11, HALIFAX, datetime(2026, 11, 1, 3, tzinfo=UTC), datetime(2026, 12, 1, 4, tzinfo=UTC)),
        (2026, 12, CHICAGO, datetime(2026, 12, 1, 6, tzinfo=UTC), datetime(2027, 1, 1, 6, tzinfo=UTC)),
        (2028, 2, PHOENIX, datetime(2028, 2, 1, 7, tzinfo=UTC), datetime(2028, 3, 1, 7, tzinfo=UTC)),
    ],
)
def test_a_months_bounds_are_its_first_moments_at_the_site(year, month, zone, start, end):
    assert clock.month_bounds(year, month, zone) == (start, end)


@pytest.mark.parametrize("zone", ZONES)
def test_months_follow_each_other_without_gap_or_overlap(zone):
    months = [clock.month_bounds(2026, month, zone) for month in range(1, 13)]
    assert all(end == start for (_, end), (start, _) in zip(months, months[1:], strict=False))
    assert months[-1][1] == clock.month_bounds(2027, 1, zone)[0]


@given(st.integers(1990 * 12, 2035 * 12), st.integers(-9_000_000, 9_000_000), st.sampled_from(ZONES))
def test_a_moment_lies_within_the_bounds_of_its_own_day_and_month(months, seconds, zone):
    moment = datetime(months // 12, months % 12 + 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    day = clock.site_day(moment, zone)
    for start, end in (clock.day_bounds(day, zone), clock.month_bounds(day.year, day.month, zone)):
        assert start <= moment < end


@pytest.mark.parametrize("month", [0, 13])
def test_there_is_no_such_month(month):
    with pytest.raises(ValueError, match="month must be in"):
        clock.month_bounds(2026, month, CHICAGO)


@pytest.mark.parametrize("name", ["America/Nowhere", "", "America", "../etc/passwd", "America/Chicago ", "a\0b", None])
def test_an_unknown_zone_is_refused_by_its_name(name):
    with pytest.raises(clock.UnknownZone) as refused:
        clock.zone(name)
    assert str(refused.value) == f"“{name}” is not a time zone. Use a name such as America/Chicago."


def test_a_computer_without_time_zones_is_told_what_to_install(monkeypatch):
    monkeypatch.setattr(clock, "available_timezones", set)
    with pytest.raises(clock.UnknownZone, match="Install its package tzdata"):
        clock.zone("America/Anywhere")


def test_a_moment_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="has no time zone"):
        clock.site_day(datetime(2026, 3, 31, 23, 30), CHICAGO)  # noqa: DTZ001 - that is the point
