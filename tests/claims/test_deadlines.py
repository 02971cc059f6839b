"""Periods, the dates they come to, which of them apply, and what is unknown."""

import calendar as months_of
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from claims.calendars import Calendar
from claims.deadlines import (
    Uncountable,
    applicable,
    count,
    due,
    earliest,
    target_for,
)
from claims.enums import Binds, Counting, Duty, Trigger
from tests.claims.periods import (
    ACKNOWLEDGE,
    CHICAGO,
    CMR_SUE_LOSS,
    CONCEALED,
    DAMAGE,
    HAZMAT_PHONE,
    LOSS,
    NOTHING_CAME,
    STATUS,
    SUE,
    US,
    dated_periods,
    dates,
    day,
    only,
    period,
    periods,
)

# Counting


@settings(deadline=None)
@given(dated_periods, dates, st.integers(0, 400))
def test_a_later_trigger_never_gives_an_earlier_date(rule, start, later):
    assert count(rule, start, calendar=US) <= count(rule, start + timedelta(days=later), calendar=US)


@settings(deadline=None)
@given(dated_periods, dates)
def test_no_date_lies_before_its_trigger(rule, start):
    assert count(rule, start, calendar=US) >= start


@settings(deadline=None)
@given(dates, st.integers(1, 600))
def test_months_keep_the_day_or_clamp_to_the_month_s_last(start, length):
    ends = count(period(length=length), start)
    assert (ends.year * 12 + ends.month) - (start.year * 12 + start.month) == length
    assert ends.day == min(start.day, months_of.monthrange(ends.year, ends.month)[1])


@settings(deadline=None)
@given(dates, st.integers(1, 60))
def test_between_start_and_end_lie_just_so_many_business_days(start, length):
    ends = count(period(length=length, counting="business_days"), start, calendar=US)
    passed = [start + timedelta(days=ahead) for ahead in range(1, (ends - start).days + 1)]
    assert sum(US.is_business_day(each) for each in passed) == length
    assert US.is_business_day(ends)


@settings(deadline=None)
@given(dates, st.integers(1, 60))
def test_saturdays_count_where_only_sundays_and_holidays_are_left_out(start, length):
    ends = count(period(length=length, counting="days_less_sundays"), start, calendar=US)
    passed = [start + timedelta(days=ahead) for ahead in range(1, (ends - start).days + 1)]
    assert sum(each.weekday() != 6 and not US.is_holiday(each) for each in passed) == length


@pytest.mark.parametrize(
    ("rule", "start", "ends"),
    [
        (period(length=1), "2026-01-31", "2026-02-28"),
        (period(length=1), "2028-01-31", "2028-02-29"),
        (period(length=1), "2026-12-31", "2027-01-31"),
        (period(length=1), "2026-02-28", "2026-03-28"),
        (period(length=4, counting="years"), "2028-02-29", "2032-02-29"),
        (period(length=1, counting="days"), "2026-12-31", "2027-01-01"),
        (period(length=1, counting="days"), "2028-02-28", "2028-02-29"),
        (period(length=1, counting="business_days"), "2027-12-30", "2028-01-03"),
        (period(length=0, counting="at_once"), "2026-03-08", "2026-03-08"),
    ],
)
def test_month_ends_leap_days_and_year_ends(rule, start, ends):
    assert count(rule, day(start), calendar=US) == day(ends)


@settings(deadline=None)
@given(periods(["hours"]), st.builds(datetime.combine, dates, st.times()))
def test_hours_are_true_hours_whatever_the_clocks_do(rule, wall):
    start = wall.replace(tzinfo=CHICAGO)
    ends = count(rule, start)
    assert ends.astimezone(UTC) - start.astimezone(UTC) == timedelta(hours=rule.length)
    assert ends.tzinfo == CHICAGO


@pytest.mark.parametrize(
    ("start", "ends"),
    [("2026-03-07 20:00 CST", "2026-03-08 09:00 CDT"), ("2026-10-31 20:00 CDT", "2026-11-01 07:00 CST")],
)
def test_twelve_hours_over_the_nights_the_clocks_change(start, ends):
    moment = datetime.fromisoformat(start[:16]).replace(tzinfo=CHICAGO)
    assert f"{count(HAZMAT_PHONE, moment):%Y-%m-%d %H:%M %Z}" == ends


def test_a_moment_counts_as_its_date_on_the_site_s_clock():
    """23:30 on 31 May in Chicago is already June in UTC."""
    late = datetime(2026, 6, 1, 4, 30, tzinfo=UTC)
    assert only([DAMAGE], {"delivered": late}, zone="America/Chicago").due == day("2027-02-28")
    assert only([DAMAGE], {"delivered": late.astimezone(CHICAGO)}).due == day("2027-02-28")


@pytest.mark.parametrize("zone", [None, "America/Chicago"])
@pytest.mark.parametrize("counting", ["days", "hours", "months"])
def test_a_moment_without_a_zone_is_refused(zone, counting):
    with pytest.raises(ValueError, match="time zone"):
        only([period(counting=counting)], {"delivered": datetime(2026, 6, 1, 4, 30)}, zone=zone)  # noqa: DTZ001


def test_hours_from_a_moment_without_a_zone_are_refused():
    with pytest.raises(ValueError, match="time zone"):
        count(HAZMAT_PHONE, datetime(2026, 6, 1, 4, 30))  # noqa: DTZ001


def test_a_repeating_period_counts_each_end_from_the_trigger():
    monthly = period(length=1, every=1)
    assert [count(monthly, day("2026-01-31"), number=n) for n in (1, 2, 3)] == [
        day("2026-02-28"),
        day("2026-03-31"),
        day("2026-04-30"),
    ]


@settings(deadline=None)
@given(dates, st.integers(0, 1000))
def test_a_repeating_duty_is_given_up_to_the_first_after_the_day_asked_for(received, ahead):
    through = received + timedelta(days=ahead)
    dues = due([STATUS], {"carrier_received": received}, kinds="loss", calendar=US, through=through)
    assert [each.number for each in dues] == list(range(1, len(dues) + 1))
    assert dues[-1].due > through
    assert all(each.due <= through for each in dues[:-1])


def test_a_period_s_own_calendar_goes_before_the_one_given():
    german = period(length=1, counting="business_days", calendar=Calendar("DE"))
    assert count(german, day("2026-07-02"), calendar=US) == day("2026-07-03")
    assert only([german], {"delivered": day("2026-07-02")}).calendar == Calendar("DE")


# Targets


@settings(deadline=None)
@given(dated_periods, dates)
def test_the_target_lies_between_trigger_and_date_and_is_the_last_business_day(rule, start):
    found = only([rule], {rule.trigger: start})
    if rule.binds == Binds.CARRIER or rule.duty == Duty.KEEP:
        assert found.target is None
        return
    assert start <= found.target <= found.due
    between = [found.target + timedelta(days=ahead) for ahead in range(1, (found.due - found.target).days + 1)]
    assert not any(US.is_business_day(each) for each in between)


def test_a_date_is_never_moved_only_its_target_is():
    sunday = only([DAMAGE], {"delivered": day("2026-05-31")})
    assert (sunday.due, sunday.target) == (day("Sun 2027-02-28"), day("Fri 2027-02-26"))
    assert only([ACKNOWLEDGE], {"carrier_received": day("2026-01-15")}).due == day("Sat 2026-02-14")


def test_the_target_skips_holidays_of_the_site_and_not_of_the_rule():
    rule = period(length=3, counting="days", calendar=Calendar("DE"))
    found = only([rule], {"delivered": day("2026-06-30")})
    assert (found.due, found.target) == (day("Fri 2026-07-03"), day("Thu 2026-07-02"))


def test_where_every_day_since_the_trigger_was_closed_the_date_itself_is_the_target():
    assert target_for(day("Sun 2026-03-08"), day("Sat 2026-03-07"), US) == day("Sun 2026-03-08")


def test_a_file_is_kept_until_the_day_itself():
    assert only([period("keep", 1, "years", "settled")], {"settled": day("2026-02-28")}).target is None


def test_hours_have_no_target():
    assert only([HAZMAT_PHONE], {"incident": datetime(2026, 3, 2, 16, 40, tzinfo=UTC)}).target is None


# Which periods apply


@pytest.mark.parametrize(
    ("kinds", "nothing_delivered", "expected"),
    [
        (["damage"], False, [DAMAGE, CONCEALED]),
        ("damage", False, [DAMAGE, CONCEALED]),
        (["loss"], False, [LOSS, CONCEALED]),
        (["loss"], True, [LOSS, NOTHING_CAME, CONCEALED]),
        (["loss", "damage"], False, [DAMAGE, LOSS, CONCEALED]),
        ([], False, [DAMAGE, LOSS, CONCEALED]),
    ],
)
def test_a_line_takes_the_periods_of_its_kind(kinds, nothing_delivered, expected):
    rules = [DAMAGE, LOSS, NOTHING_CAME, CONCEALED]
    assert applicable(rules, kinds, nothing_delivered=nothing_delivered) == expected


def test_a_kind_that_is_none_is_refused():
    with pytest.raises(ValueError, match="theft"):
        applicable([DAMAGE], ["theft"])


# What is unknown


@settings(deadline=None)
@given(st.lists(st.tuples(periods(), st.none() | dates), max_size=6))
def test_the_unknown_come_first_and_then_the_dates_in_order(told):
    dues = [only([rule], {rule.trigger: when}) for rule, when in told]
    rules, known = [rule for rule, when in told], {rule.trigger: when for rule, when in told}
    found = due(rules, known, kinds="damage", calendar=US)
    assert len(found) == len(dues)
    assert [each.is_known for each in found] == sorted(each.is_known for each in found)
    told_dates = [each.day for each in found if each.is_known]
    assert told_dates == sorted(told_dates)
    assert all(bool(each.needs) != each.is_known for each in found)


@pytest.mark.parametrize("known", [{}, {"bill_date": None}, {Trigger.BILL_DATE: None, "delivered": day("2026-03-02")}])
def test_an_unknown_trigger_says_what_it_needs(known):
    found = only([LOSS], known)
    assert found.due is found.target is None
    assert found.needs == "no date: needs the date of the bill of lading"
    assert found.words == "File the claim; no date: needs the date of the bill of lading (bill of lading terms)"


def test_hours_from_a_day_need_the_hour():
    found = only([HAZMAT_PHONE], {"incident": day("2026-03-02")})
    assert found.needs == "no date: needs the hour as well as the day, Mon 2 Mar 2026"


def test_a_count_that_needs_a_calendar_says_so():
    with pytest.raises(Uncountable, match="needs a holiday calendar"):
        count(CONCEALED, day("2026-03-02"))


@pytest.mark.parametrize("counting", [each for each in Counting.values if each != "at_once"])
def test_a_date_too_far_ahead_is_unknown_and_not_a_crash(counting):
    start = datetime(9999, 12, 31, 23, 59, tzinfo=UTC) if counting == "hours" else date(9999, 12, 31)
    rule = period(length=9, counting=counting, calendar=Calendar(""))
    assert only([rule], {"delivered": start}).needs == "no date: Fri 31 Dec 9999 is too far ahead to count from"


@pytest.mark.parametrize("counting", ["business_days", "days_less_sundays"])
def test_a_count_into_a_year_without_known_holidays_gives_no_date(counting):
    rule = period(length=5, counting=counting)
    assert only([rule], {"delivered": day("2100-12-20")}).due is not None
    found = only([rule], {"delivered": day("2100-12-29")})
    assert found.needs == "no date: the holidays of United States are not known for 2101"


def test_a_date_in_a_year_without_known_holidays_has_no_target():
    found = only([period(length=9)], {"delivered": day("2100-12-29")})
    assert (found.due, found.target) == (day("2101-09-29"), None)


def test_what_has_not_happened_gives_nothing_only_where_that_is_certain():
    rules = [DAMAGE, ACKNOWLEDGE, SUE]
    known = {"delivered": day("2026-03-02")}
    open_ = due(rules, known, kinds="damage", calendar=US, absent=["carrier_received", Trigger.DISALLOWED])
    assert [each.duty for each in open_] == [Duty.FILE]
    assert len(due(rules, known, kinds="damage", calendar=US)) == 3


def test_the_year_for_total_loss_is_unknown_until_it_is_certain_that_no_time_was_agreed():
    known = {"taken_over": day("2026-02-10")}
    assert only([CMR_SUE_LOSS], known).needs.startswith("no date: needs the agreed time for delivery")
    assert only([CMR_SUE_LOSS], known, absent=["agreed_limit"]).due == day("2027-04-11")
    assert only([CMR_SUE_LOSS], {}, absent=["agreed_limit"]).due is None
    told = {"total_loss": day("2026-05-01"), "agreed_limit": day("2026-03-02")}
    assert only([CMR_SUE_LOSS], told).due == day("2027-05-01"), "a day somebody gave is not worked out again"


def test_total_loss_counts_from_a_moment_s_date_on_the_site_s_clock():
    limit = datetime(2026, 3, 3, 4, 0, tzinfo=UTC)
    found = only([CMR_SUE_LOSS], {"agreed_limit": limit}, zone="America/Chicago")
    assert (found.started.on, found.due) == (day("2026-04-01"), day("2027-04-01"))


def test_the_earliest_of_a_mixed_claim_is_not_certain_while_one_line_has_no_date():
    ruling = earliest(due([DAMAGE, LOSS], {"delivered": day("2026-06-02")}, kinds=["damage", "loss"], calendar=US))
    assert ruling.due.due == day("2027-03-02")
    assert [each.started.trigger for each in ruling.unknown] == ["bill_date"]
    assert not ruling.is_certain
    assert ruling.words.startswith("File the claim; no date: needs the date of the bill of lading")
    assert "File by Tue 2 Mar 2027" in ruling.words


def test_the_earliest_of_nothing_is_not_certain():
    assert (earliest([]).due, earliest([]).is_certain, earliest([]).words) == (None, False, "")


# Days left


@pytest.mark.parametrize(
    ("at", "late", "left"),
    [("2027-02-27T12:00", False, 1), ("2027-02-28T23:59", False, 0), ("2027-03-01T00:00", True, -1)],
)
def test_the_whole_of_the_last_day_is_in_time(at, late, left):
    moment = datetime.fromisoformat(at).replace(tzinfo=CHICAGO)
    found = only([DAMAGE], {"delivered": day("2026-05-31")})
    assert (found.is_overdue(moment), found.days_left(moment.date())) == (late, left)


def test_a_moment_is_overdue_at_once_and_the_unknown_is_neither():
    found = only([HAZMAT_PHONE], {"incident": datetime(2026, 3, 2, 16, 40, tzinfo=CHICAGO)})
    assert not found.is_overdue(found.due)
    assert found.is_overdue(found.due + timedelta(minutes=1))
    unknown = only([DAMAGE], {})
    assert (unknown.is_overdue(found.due), unknown.days_left(found.day)) == (False, None)
