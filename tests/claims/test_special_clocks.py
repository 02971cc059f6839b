"""Clocks with rules of their own: the CMR's standstill, suit after a disallowance, and the floors of the law."""

import pytest

from claims.deadlines import (
    Disallowance,
    SuitClock,
    cmr,
    suit_clock,
    suit_dues,
    warnings,
)
from claims.enums import Regime
from tests.claims.periods import (
    CMR_SUE,
    DAMAGE,
    SUE,
    US,
    day,
    only,
    period,
)


def claim(received, rejected=None, returned=None):
    return cmr.WrittenClaim(day(received), rejected and day(rejected), returned and day(returned))


ANSWERED = claim("2026-06-01", "2026-08-10", "2026-08-10")


@pytest.mark.parametrize(
    ("claims", "ends"),
    [
        ([], "2027-03-02"),
        ([ANSWERED], "2027-05-11"),
        ([claim("2026-06-01", "2026-08-10", "2026-08-20")], "2027-05-21"),
        ([claim("2026-06-01", "2026-08-20", "2026-08-10")], "2027-05-21"),
        ([claim("2026-06-01", returned="2026-08-10")], None),
        ([claim("2026-06-01")], None),
        ([claim("2026-09-01"), ANSWERED], "2027-05-11"),
        ([ANSWERED, claim("2026-09-01", "2026-12-01", "2026-12-01")], "2027-05-11"),
        ([claim("2027-03-02", "2027-03-12", "2027-03-12")], "2027-03-12"),
        ([claim("2027-03-03")], "2027-03-02"),
        ([claim("2026-02-20", "2026-03-12", "2026-03-12")], "2027-03-12"),
        ([claim("2026-02-10", "2026-02-20", "2026-02-20")], "2027-03-02"),
        ([claim("2026-06-01", "2026-05-01", "2026-05-01")], "2027-03-02"),
    ],
    ids=[
        "no claim",
        "70 days",
        "papers later than the rejection",
        "rejection later than the papers",
        "papers without a rejection",
        "no answer",
        "a second claim, unanswered",
        "a second claim, answered",
        "on the last day",
        "after the last day revives nothing",
        "before the year starts counts from its start",
        "answered before the year starts",
        "an answer older than the claim",
    ],
)
def test_a_written_claim_makes_the_year_stand_still(claims, ends):
    assert cmr.suit_end(CMR_SUE, day("2026-03-02"), claims) == (ends and day(ends))


def test_an_admitted_part_stands_still_and_only_the_rest_runs():
    start = day("2026-03-02")
    assert cmr.suit_end(CMR_SUE, start, [ANSWERED], admitted=True) is None
    assert cmr.suit_end(CMR_SUE, start, [ANSWERED], admitted=False) == day("2027-05-11")


def test_a_suspended_date_says_how_long_time_stood_still():
    plain = only([CMR_SUE], {"delivered": day("2026-03-02")})
    moved = cmr.suspended(plain, [claim("2026-06-01", "2026-08-11", "2026-08-15")], calendar=US)
    assert (moved.due, moved.target, moved.stood_still) == (day("Sun 2027-05-16"), day("Fri 2027-05-14"), 75)
    assert moved.words == (
        "Bring suit by Sun 16 May 2027: one year after delivery on Mon 2 Mar 2026, and 75 days more while a written "
        "claim made time stand still (CMR Art. 32(1))"
    )


def test_while_time_stands_still_there_is_no_date_and_the_page_says_why():
    plain = only([CMR_SUE], {"delivered": day("2026-03-02")})
    waiting = cmr.suspended(plain, [claim("2026-06-01", "2026-08-10")], calendar=US)
    assert waiting.due is waiting.target is None
    assert "until the carrier has rejected the claim in writing and returned the papers" in waiting.needs
    assert "without that it would be Tue 2 Mar 2027" in waiting.needs
    assert "admitted this part" in cmr.suspended(plain, [ANSWERED], calendar=US, admitted=True).needs


def test_an_unknown_date_stays_unknown_whatever_was_claimed():
    unknown = only([CMR_SUE], {})
    assert cmr.suspended(unknown, [ANSWERED], calendar=US) == unknown


def test_an_agreed_time_goes_before_the_taking_over():
    both = cmr.total_loss_start(agreed_limit=day("2026-03-02"), taken_over=day("2026-01-01"))
    assert both == day("2026-04-01")
    assert cmr.total_loss_start() is None


# Suit


def test_each_written_disallowance_of_a_line_starts_its_own_clock():
    letters = [
        Disallowance(line=2, on=day("2026-08-01")),
        Disallowance(line=1, on=day("2026-06-30")),
        Disallowance(line=1, on=day("2026-09-15")),
        Disallowance(line=1, on=day("2026-06-30")),
    ]
    assert suit_clock(letters) == [
        SuitClock(1, day("2026-06-30")),
        SuitClock(2, day("2026-08-01")),
        SuitClock(1, day("2026-09-15")),
    ]


@pytest.mark.parametrize(
    ("letter", "starts"),
    [
        ({}, True),
        ({"speaker": "for_carrier"}, True),
        ({"speaker": "insurer"}, False),
        ({"speaker": "broker"}, False),
        ({"written": False}, False),
        ({"offer": True, "reasoned": True}, True),
        ({"offer": True, "reasoned": False}, False),
        ({"reasoned": False}, True),
    ],
)
def test_a_clock_starts_only_with_a_written_disallowance_for_the_carrier(letter, starts):
    found = suit_clock([Disallowance(line=1, on=day("2026-06-30"), **letter)])
    assert bool(found) is starts


def test_suit_has_a_date_for_each_clock_by_the_kind_of_its_line():
    contest = period("notice", 30, "days", "disallowed")
    damage_only = period("sue", 3, "years", "disallowed", applies="damage")
    letters = [Disallowance(line=2, on=day("2026-08-01")), Disallowance(line=1, on=day("2026-06-30"))]
    found = suit_dues(
        [SUE, CMR_SUE, contest, DAMAGE, damage_only], letters, kinds={1: "loss", 2: "damage"}, calendar=US
    )
    assert [(each.line, each.due) for each in found] == [
        (1, day("2028-07-01")),
        (2, day("2028-08-02")),
        (2, day("2029-08-01")),
    ]


def test_a_disallowed_line_nobody_lists_is_never_left_without_a_date():
    found = suit_dues([SUE], [Disallowance(line="x", on=day("2026-06-30"))], kinds={}, calendar=US)
    assert [each.due for each in found] == [day("2028-07-01")]


# Floors


@pytest.mark.parametrize(
    ("rule", "short"),
    [
        (period(length=9), False),
        (period(length=8), True),
        (period(length=275, counting="days"), True),
        (period(length=276, counting="days"), False),
        (period(length=1, counting="years"), False),
        (period(length=6600, counting="hours"), True),
        (period(length=180, counting="business_days"), True),
        (period(length=0, counting="at_once"), True),
        (period("notice", 15, "days"), False),
        (period("sue", 730, "days", "disallowed"), True),
        (period("sue", 731, "days", "disallowed"), False),
        (period("sue", 24, "months", "disallowed"), False),
        (period("sue", 1, "years_then_days", "disallowed", extra_days=366), False),
        (period("sue", 1, "years_then_days", "disallowed", extra_days=364), True),
    ],
)
def test_a_term_is_below_the_floor_if_it_can_end_before_it(rule, short):
    assert bool(warnings([rule], regime="us_road", waived=False)) is short


def test_suit_counted_from_anything_but_a_disallowance_is_told():
    [warning] = warnings([period("sue", 2, "years")], regime=Regime.US_ROAD)
    assert warning.startswith("Bring suit, two years: counted from “delivered”")


def test_a_warning_names_duty_span_rule_and_way_out():
    assert warnings([period(length=6)], regime="us_road") == [
        "File the claim, six months: below the 9-month statutory minimum for filing a claim (49 USC 14706(e)(1)). "
        "It holds only under an express written waiver (49 USC 14101(b)): record the waiver, or ask counsel."
    ]


@pytest.mark.parametrize("regime", ["montreal", "canada_road", "other"])
def test_where_no_floor_is_known_there_is_no_warning(regime):
    assert warnings([period(length=1), period("sue", 1, "days")], regime=regime) == []


def test_a_period_that_only_sometimes_agrees_with_the_cmr_differs_from_it():
    assert len(warnings([period("sue", 365, "days")], regime="cmr")) == 1


def test_a_longer_cmr_period_is_told_as_well():
    [warning] = warnings([period("sue", 2, "years")], regime="cmr")
    assert "says one year or three years and cannot be departed from" in warning
