"""Dates of claims against the statutes, regulations, conventions and forms they come from.

The periods are the rules' own; the dates were counted from them by hand, with the calendar, and are written out here.
Beside each stands its source and how far it was read: "read" the rule's own words, "told" a court, an agency or a law
office that restates it, "memory" neither. None of the rules moves a date over a weekend.
"""

from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy
import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from claims.calendars import Calendar
from claims.deadlines import cmr, count, due, earliest, warnings
from claims.enums import Duty
from receiving.notice import federal_holidays
from tests.claims.periods import (
    ACKNOWLEDGE,
    CMR_DELAY,
    CMR_NOTICE,
    CMR_SUE,
    CMR_SUE_LOSS,
    CONCEALED,
    DAMAGE,
    DECIDE,
    HAZMAT_PHONE,
    LOSS,
    STATUS,
    SUE,
    SUE_STATUTE,
    US,
    dates,
    day,
    of_carrier,
    period,
)

NO_HOLIDAYS = Calendar("")


def counted(rule, start, calendar=US):
    return f"{count(rule, day(start), calendar=calendar):%a %Y-%m-%d}"


# ack1-ack3. 49 CFR 370.5(a), 30 days after the carrier receives the claim (told; sister rule 49 CFR 378.7 read).
@pytest.mark.parametrize(
    ("received", "ends"),
    [("2026-01-15", "Sat 2026-02-14"), ("2026-01-30", "Sun 2026-03-01"), ("2028-01-30", "Tue 2028-02-29")],
)
def test_a_carrier_acknowledges_within_30_days(received, ends):
    assert counted(ACKNOWLEDGE, received) == ends


# dis1, dis2. 49 CFR 370.9(a), 120 days after receipt (told).
@pytest.mark.parametrize(("received", "ends"), [("2026-01-15", "Fri 2026-05-15"), ("2027-11-01", "Tue 2028-02-29")])
def test_a_carrier_decides_within_120_days(received, ends):
    assert counted(DECIDE, received) == ends


def test_a_carrier_that_has_not_decided_says_why_every_60_days():
    """sta1-sta3. 49 CFR 370.9(a), at the end of each succeeding 60-day period (told)."""
    received = {"carrier_received": day("2026-01-15")}
    notices = due([STATUS], received, kinds="damage", calendar=US, through=day("2026-10-01"))
    assert [(each.number, f"{each.due:%Y-%m-%d}") for each in notices] == [
        (1, "2026-07-14"),
        (2, "2026-09-12"),
        (3, "2026-11-11"),
    ]


# nin1-nin9. Uniform straight bill of lading s.3(b), nine months (read, on a form in use); 49 USC 14706(e)(1) the floor
# (read). Four days of May end on one day of February.
@pytest.mark.parametrize(
    ("delivered", "ends"),
    [
        ("2026-05-31", "2027-02-28"),
        ("2027-05-31", "2028-02-29"),
        ("2026-08-31", "2027-05-31"),
        ("2026-11-30", "2027-08-30"),
        ("2026-12-31", "2027-09-30"),
        ("2026-05-28", "2027-02-28"),
        ("2026-05-29", "2027-02-28"),
        ("2026-05-30", "2027-02-28"),
        ("2026-06-02", "2027-03-02"),
    ],
)
def test_a_claim_is_filed_within_nine_months(delivered, ends):
    assert count(DAMAGE, day(delivered)) == day(ends)


def test_nine_months_are_neither_overflowed_nor_270_days():
    ends = count(DAMAGE, day("2026-05-31"))
    assert ends < day("2027-03-03"), "three days too late: 31 February run over into March"
    assert ends > day("2027-02-25") == count(period(length=270, counting="days"), day("2026-05-31"))


def test_loss_counts_from_the_bill_and_a_mixed_claim_takes_the_earliest():
    """Uniform straight bill of lading s.3(b) in the wording used since 2016 (read; the year from memory)."""
    known = {"bill_date": day("2026-05-28"), "delivered": day("2026-06-02")}
    mixed = due([DAMAGE, LOSS], known, kinds=["damage", "loss"], calendar=US)
    assert {each.period.applies: each.due for each in mixed} == {"damage": day("2027-03-02"), "loss": day("2027-02-28")}
    assert earliest(mixed).due.due == day("2027-02-28")
    assert earliest(mixed).is_certain


# sui1, sui2. 49 USC 14706(e)(1), two years from the written disallowance (read).
@pytest.mark.parametrize(("disallowed", "ends"), [("2026-06-30", "2028-06-30"), ("2028-02-29", "2030-02-28")])
def test_suit_by_statute_within_two_years(disallowed, ends):
    assert count(SUE_STATUTE, day(disallowed)) == day(ends)


# sui3-sui6. Uniform straight bill of lading s.3(c), two years and a day (read). The years come first.
@pytest.mark.parametrize(
    ("disallowed", "ends"),
    [
        ("2026-06-30", "2028-07-01"),
        ("2026-12-31", "2029-01-01"),
        ("2028-02-29", "2030-03-01"),
        ("2028-02-28", "2030-03-01"),
    ],
)
def test_suit_by_the_bill_of_lading_within_two_years_and_a_day(disallowed, ends):
    assert count(SUE, day(disallowed)) == day(ends)


# con1-con5. Classification item 300135 since 18 Apr 2015, five business days from delivery (told; number from memory).
@pytest.mark.parametrize(
    ("delivered", "ends"),
    [
        ("Mon 2026-03-02", "Mon 2026-03-09"),
        ("Fri 2026-03-06", "Fri 2026-03-13"),
        ("Sat 2026-03-07", "Fri 2026-03-13"),
        ("Wed 2026-07-01", "Thu 2026-07-09"),
        ("Tue 2026-11-24", "Wed 2026-12-02"),
    ],
)
def test_concealed_damage_is_reported_within_five_business_days(delivered, ends):
    assert counted(CONCEALED, delivered) == ends


def test_the_calendar_has_the_federal_holidays_of_5_usc_6103():
    """The days of 2026 as the government's own calendar prints them (from memory)."""
    told = "01-01 01-19 02-16 05-25 06-19 07-03 09-07 10-12 11-11 11-26 12-25"
    days = [date(2026, 1, 1) + timedelta(days=back) for back in range(365)]
    closed = [f"{each:%m-%d}" for each in days if each.weekday() < 5 and not US.is_business_day(each)]
    assert closed == told.split()


@pytest.mark.parametrize("year", range(2022, 2061))
def test_the_calendar_agrees_with_the_holidays_reckoned_by_statute(year):
    """5 USC 6103 (from memory), reckoned independently of the library the calendar is made from."""
    kept = federal_holidays(year - 1) | federal_holidays(year) | federal_holidays(year + 1)
    days = [date(year, 1, 1) + timedelta(days=back) for back in range(365)]
    workdays = [each for each in days if each.weekday() < 5]
    assert [each for each in workdays if US.is_holiday(each)] == [each for each in workdays if each in kept]


# cmr1, cmr2. CMR Art. 30(1), seven days less Sundays and public holidays (told); the day of delivery is not counted,
# Art. 30(4) (memory). Saturdays count.
@pytest.mark.parametrize(
    ("delivered", "ends"), [("Mon 2026-03-02", "Tue 2026-03-10"), ("Sat 2026-03-07", "Mon 2026-03-16")]
)
def test_hidden_damage_under_the_cmr_is_notified_in_seven_days_less_sundays(delivered, ends):
    assert counted(CMR_NOTICE, delivered, NO_HOLIDAYS) == ends


@pytest.mark.parametrize(
    "calendar",
    [Calendar("", closed=[date(2026, 4, 3), date(2026, 4, 6)]), Calendar("DE")],
    ids=["days given", "Good Friday and Easter Monday of Germany"],
)
def test_public_holidays_are_left_out_of_the_seven_days(calendar):
    """cmr3. CMR Art. 30(1)."""
    assert counted(CMR_NOTICE, "2026-04-02", calendar) == "Mon 2026-04-13"


CMR_GENERAL = replace(CMR_NOTICE, duty=Duty.NOTICE)


@pytest.mark.parametrize(
    ("signed_on", "reserved"),
    [("2026-03-02", True), ("2026-03-10", True), ("2026-03-11", False), (None, False)],
)
def test_what_the_carrier_signed_for_under_the_cmr_needs_no_notice(signed_on, reserved):
    """CMR Art. 30(1) (told; its words from memory): reservations "giving a general indication of the loss or damage"
    are sent to the carrier at the latest at the time of delivery where it is apparent, and in writing within seven days
    where it is not; only without them is taking delivery evidence of goods as described. What nobody signed for the
    carrier reserves nothing here: that is the careful reading."""
    [notice, _sue] = due([CMR_GENERAL, CMR_SUE], {"delivered": day("2026-03-02")}, kinds="damage", calendar=NO_HOLIDAYS)
    assert notice.due == day("2026-03-10")
    assert cmr.is_reserved(notice, signed_on and day(signed_on)) is reserved


def test_a_signature_under_the_cmr_ends_the_notice_and_no_other_duty():
    """CMR Arts. 30(1) and 32(1) (told, read)."""
    every = due([CMR_GENERAL, CMR_SUE], {"delivered": day("2026-03-02")}, kinds="damage", calendar=NO_HOLIDAYS)
    assert [each.duty for each in every if not cmr.is_reserved(each, day("2026-03-02"))] == ["sue"]


def test_delay_under_the_cmr_is_notified_within_21_days():
    """cmr4. CMR Art. 30(3), from the day the goods are placed at the consignee's disposal (told)."""
    assert counted(CMR_DELAY, "2026-03-02") == "Mon 2026-03-23"


# cmr5, cmr6. CMR Art. 32(1), a year from delivery (read).
@pytest.mark.parametrize(("delivered", "ends"), [("2026-03-02", "2027-03-02"), ("2028-02-29", "2029-02-28")])
def test_suit_under_the_cmr_within_a_year(delivered, ends):
    assert cmr.suit_end(CMR_SUE, day(delivered)) == day(ends)


# cmr7-cmr9. CMR Art. 32(1)(b): the 30th day after the agreed time, or the 60th after taking over (read).
@pytest.mark.parametrize(
    ("known", "absent", "starts", "ends"),
    [
        ({"agreed_limit": day("2026-03-02")}, (), "2026-04-01", "2027-04-01"),
        ({"taken_over": day("2026-02-10")}, ["agreed_limit"], "2026-04-11", "2027-04-11"),
    ],
)
def test_the_year_for_total_loss_starts_later(known, absent, starts, ends):
    assert cmr.total_loss_start(**known) == day(starts)
    [suit] = due([CMR_SUE_LOSS], known, kinds="loss", calendar=US, absent=absent)
    assert (suit.started.on, suit.due) == (day(starts), day(ends))


def test_other_cases_under_the_cmr_start_three_months_after_the_contract():
    """CMR Art. 32(1)(c) (read)."""
    assert cmr.other_start(day("2026-11-30")) == day("2027-02-28")


def test_a_written_claim_suspends_until_rejected_and_papers_returned():
    """cmr10. CMR Art. 32(2) (read); the example is ours."""
    assert (day("2026-08-10") - day("2026-06-01")).days == 70
    answered = cmr.WrittenClaim(day("2026-06-01"), rejected=day("2026-08-10"), papers_returned=day("2026-08-10"))
    assert cmr.suit_end(CMR_SUE, day("2026-03-02"), [answered]) == day("2027-05-11")
    papers_kept = cmr.WrittenClaim(day("2026-06-01"), rejected=day("2026-08-10"))
    assert cmr.suit_end(CMR_SUE, day("2026-03-02"), [papers_kept]) is None


# air1, air2. Montreal Convention Art. 31(2), 14 and 21 days (told); Art. 35, two years (told). Calendar days: Art. 52
# (memory).
@pytest.mark.parametrize(
    ("rule", "ends"),
    [
        (period("notice", 14, "days", source="Montreal Convention Art. 31"), "2026-03-16"),
        (period("delay_notice", 21, "days", "at_disposal", source="Montreal Convention Art. 31"), "2026-03-23"),
        (period("sue", 2, "years", source="Montreal Convention Art. 35"), "2028-03-02"),
    ],
)
def test_complaint_and_suit_for_air_cargo(rule, ends):
    assert count(rule, day("2026-03-02")) == day(ends)


# sea1, sea2. COGSA 3(6), 46 USC 30701 note: three days where not apparent, a year to sue (told).
@pytest.mark.parametrize(
    ("rule", "ends"),
    [
        (period("notice", 3, "days", effect="presumption", source="COGSA 3(6)"), "Sun 2026-03-08"),
        (period("sue", 1, "years", source="COGSA 3(6)"), "Fri 2027-03-05"),
    ],
)
def test_notice_and_suit_for_sea_cargo(rule, ends):
    assert counted(rule, "2026-03-05") == ends


# can1, can2. Canada, uniform bill of lading conditions: 60 days from delivery, nine months from shipment (told).
@pytest.mark.parametrize(
    ("rule", "start", "ends"),
    [
        (period("notice", 60, "days", source="uniform conditions"), "2026-03-02", "2026-05-01"),
        (period("final_statement", 9, "months", "shipped", source="uniform conditions"), "2026-02-26", "2026-11-26"),
    ],
)
def test_notice_and_final_statement_in_canada(rule, start, ends):
    assert count(rule, day(start)) == day(ends)


# gov1, gov2. 41 CFR 101-40.702-3, no longer in force (read): 45 days to report, 15 to reconcile.
@pytest.mark.parametrize(
    ("length", "trigger", "ends"), [(45, "delivered", "2026-04-16"), (15, "discovered", "2026-03-17")]
)
def test_limits_of_the_government_rule(length, trigger, ends):
    rule = period("notice", length, "days", trigger, effect="internal", source="41 CFR 101-40.702-3")
    assert count(rule, day("2026-03-02")) == day(ends)


# gov3, gov4. Discrepancy reports write a date as year and day of the year (read): 14282, 99344. We print no such
# number, so only the count is held: that many days after the last day of the year before.
@pytest.mark.parametrize(("number", "year", "ends"), [(282, 2014, "2014-10-09"), (344, 1999, "1999-12-10")])
def test_the_day_of_the_year_of_a_government_report(number, year, ends):
    assert count(period("notice", number, "days"), date(year - 1, 12, 31)) == day(ends)


def test_an_incident_is_phoned_in_within_twelve_hours():
    """49 CFR 171.15 (told)."""
    incident = datetime(2026, 3, 2, 16, 40, tzinfo=ZoneInfo("America/Chicago"))
    assert f"{count(HAZMAT_PHONE, incident):%Y-%m-%d %H:%M %Z}" == "2026-03-03 04:40 CST"


def test_an_incident_is_reported_in_writing_within_30_days_and_updated_within_a_year():
    """haz1. 49 CFR 171.16 (told)."""
    report = period("hazmat_report", 30, "days", "discovered", effect="offence", source="49 CFR 171.16")
    update = period("hazmat_report", 1, "years", "discovered", effect="offence", source="49 CFR 171.16")
    assert [count(each, day("2026-03-02")) for each in (report, update)] == [day("2026-04-01"), day("2027-03-02")]


# ret1, ret2. 49 CFR 379.3 and Appendix A: claim files a year after settlement (lengths from memory), full years from
# the date and not calendar years, 379.13 (read).
@pytest.mark.parametrize(("settled", "ends"), [("2026-03-02", "2027-03-02"), ("2024-02-29", "2025-02-28")])
def test_a_carrier_keeps_claim_files_for_a_year(settled, ends):
    keep = of_carrier("keep", 1, source="49 CFR 379").as_dict() | {"counting": "years", "trigger": "settled"}
    assert count(period(**keep), day(settled)) == day(ends)


def test_six_months_to_claim_are_below_the_floor_unless_waived():
    """49 USC 14706(e)(1) (read); 14101(b)(1), the waiver (told)."""
    [warning] = warnings([period(length=6)], regime="us_road", waived=False)
    assert "below the 9-month statutory minimum" in warning
    assert warnings([period(length=6)], regime="us_road", waived=True) == []


def test_suit_in_less_than_two_years_is_below_the_floor():
    """49 USC 14706(e)(1), from the written disallowance (read)."""
    [warning] = warnings([period("sue", 23, "months", "disallowed")], regime="us_road", waived=False)
    assert "below the 2-year statutory minimum" in warning
    assert warnings([SUE, SUE_STATUTE, DAMAGE, LOSS], regime="us_road", waived=False) == []


def test_the_year_of_the_sea_act_cannot_be_shortened_even_by_a_waiver():
    """COGSA 3(6) (told)."""
    [warning] = warnings([period("sue", 364, "days")], regime="cogsa", waived=True)
    assert "no agreement can shorten" in warning
    assert warnings([period("sue", 1, "years")], regime="cogsa") == []


def test_the_periods_of_the_cmr_cannot_be_departed_from():
    """CMR Art. 41 (memory); the periods Arts. 30 and 32."""
    assert warnings([CMR_NOTICE, CMR_DELAY, CMR_SUE, CMR_SUE_LOSS], regime="cmr", waived=True) == []
    changed = [period("concealed_notice", 7, "days"), period("delay_notice", 14, "days", "at_disposal")]
    assert len(warnings([*changed, period("sue", 9, "months")], regime="cmr", waived=True)) == 3


@settings(deadline=None)
@given(dates, st.integers(1, 600))
def test_months_end_where_dateutil_ends_them(start, length):
    assert count(period(length=length), start) == start + relativedelta(months=length)


@settings(deadline=None)
@given(dates, st.integers(1, 120))
def test_business_days_end_where_numpy_ends_them(start, length):
    """numpy's own count of business days, given the same holidays; it rolls a weekend's start back to its Friday."""
    span = [start + timedelta(days=ahead) for ahead in range(400)]
    holidays = [each for each in span if US.is_holiday(each)]
    ends = numpy.busday_offset(start, length, roll="backward", holidays=holidays)
    assert count(period(length=length, counting="business_days"), start, calendar=US) == ends.astype(date)
