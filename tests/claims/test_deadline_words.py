"""Deadlines in sentences, and periods as values that are kept."""

import json
from datetime import date, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from claims.calendars import Calendar
from claims.deadlines import (
    Period,
    WrongPeriod,
    due,
    words,
)
from claims.enums import Duty, Trigger
from tests.claims.periods import (
    CHICAGO,
    CMR_NOTICE,
    CONCEALED,
    DAMAGE,
    DECIDE,
    HAZMAT_PHONE,
    LOSS,
    STATUS,
    SUE,
    US,
    dates,
    day,
    only,
    period,
    periods,
)

# Sentences


@pytest.mark.parametrize(
    ("rule", "known", "sentence"),
    [
        (
            DAMAGE,
            {"delivered": day("2026-05-31")},
            "File by Sun 28 Feb 2027: nine months after delivery on Sun 31 May 2026 (bill of lading terms)",
        ),
        (
            LOSS,
            {"bill_date": day("2026-05-28")},
            "File by Sun 28 Feb 2027: nine months after the date of the bill of lading, Thu 28 May 2026 "
            "(bill of lading terms)",
        ),
        (
            SUE,
            {"disallowed": day("2026-06-30")},
            "Bring suit by Sat 1 Jul 2028: two years and one day after the written disallowance of Tue 30 Jun 2026 "
            "(bill of lading s.3(c))",
        ),
        (
            DECIDE,
            {"carrier_received": day("2026-01-15")},
            "The carrier has to pay, decline or make a firm offer by Fri 15 May 2026: 120 days after the carrier "
            "received the claim on Thu 15 Jan 2026 (49 CFR 370.9(a))",
        ),
        (
            STATUS,
            {"carrier_received": day("2026-01-15")},
            "The carrier has to say why it is not decided by Tue 14 Jul 2026 (notice 1): 180 days after the carrier "
            "received the claim on Thu 15 Jan 2026 (49 CFR 370.9(a))",
        ),
        (
            HAZMAT_PHONE,
            {"incident": datetime(2026, 3, 2, 16, 40, tzinfo=CHICAGO)},
            "Phone in the incident by Tue 3 Mar 2026, 04:40 CST: 12 hours after the incident on Mon 2 Mar 2026, "
            "16:40 CST (49 CFR 171.15)",
        ),
        (
            period("note_at_delivery", 0, "at_once", source=""),
            {"delivered": day("2026-03-02")},
            "Note visible harm on the receipt by Mon 2 Mar 2026: at once, no later than delivery on Mon 2 Mar 2026",
        ),
        (
            period(binds="carrier", source=""),
            {"delivered": datetime(2026, 5, 31, 14, 2, tzinfo=CHICAGO)},
            "The carrier has to file the claim by Sun 28 Feb 2027: nine months after delivery on Sun 31 May 2026",
        ),
    ],
)
def test_each_date_tells_its_trigger_its_rule_and_its_source(rule, known, sentence):
    assert only([rule], known).words == sentence


def test_a_repeated_notice_says_which_and_how_long():
    second = due(
        [STATUS], {"carrier_received": day("2026-01-15")}, kinds="loss", calendar=US, through=day("2026-08-01")
    )
    assert "by Sat 12 Sep 2026 (notice 2): 240 days after" in second[1].words


@settings(deadline=None)
@given(periods(), st.none() | dates)
def test_every_period_has_a_sentence(rule, when):
    found = only([rule], {rule.trigger: when})
    assert "%(" not in found.words
    assert found.needs in found.words
    assert rule.source in found.words


@pytest.mark.parametrize("table", [words.HAPPENED, words.NEEDED])
def test_every_trigger_has_its_words(table):
    assert set(table) == set(Trigger)


def test_every_duty_has_its_words_for_us():
    assert set(words.WE_DO) == set(Duty)


@pytest.mark.parametrize(
    ("length", "counting", "span"),
    [
        (1, "days", "one day"),
        (10, "days", "10 days"),
        (1, "months", "one month"),
        (1, "years", "one year"),
        (1, "hours", "one hour"),
        (2, "business_days", "two business days"),
        (7, "days_less_sundays", "seven days less Sundays and holidays"),
        (0, "at_once", "at once"),
    ],
)
def test_a_span_in_words(length, counting, span):
    assert words.span(period(length=length, counting=counting)) == span


def test_a_date_by_calendar_says_which_days_were_left_out():
    found = only([CONCEALED], {"delivered": day("2026-03-02")})
    assert found.caution == (
        "Monday to Friday less US federal holidays. No calendar of business days is published with the rule. "
        "Ask the carrier which days it counts."
    )
    assert only([DAMAGE], {"delivered": day("2026-03-02")}).caution == ""
    german = only([CMR_NOTICE], {"delivered": day("2026-03-02")}, calendar=Calendar("DE"))
    assert german.caution.startswith("Every day but Sundays and the public holidays of Germany. No calendar")


# Periods as values


@settings(deadline=None)
@given(periods(), st.sampled_from([None, US, Calendar("DE", "BY", [date(2026, 12, 24)])]))
def test_a_period_survives_json(rule, calendar):
    rule = Period(**rule.as_dict() | {"calendar": calendar})
    assert Period.from_dict(json.loads(json.dumps(rule.as_dict()))) == rule


def test_kept_terms_with_a_key_nobody_knows_are_still_read():
    assert Period.from_dict(DAMAGE.as_dict() | {"position": 3}) == DAMAGE


def test_kept_terms_without_a_key_are_refused_by_its_name():
    kept = DAMAGE.as_dict()
    del kept["trigger"]
    with pytest.raises(WrongPeriod, match="A period needs its trigger") as refused:
        Period.from_dict(kept)
    assert refused.value.field == "trigger"


@pytest.mark.parametrize(
    ("wrong", "field", "words"),
    [
        ({"length": 0}, "length", "length is “0”. Give a whole number from 1 to 600."),
        ({"length": -1}, "length", "“-1”"),
        ({"length": 601}, "length", "“601”"),
        ({"length": 51, "counting": "years"}, "length", "from 1 to 50"),
        ({"length": 3661, "counting": "days"}, "length", "from 1 to 3660"),
        ({"length": 1, "counting": "at_once"}, "length", "from 0 to 0"),
        ({"length": 1.5}, "length", "“1.5”"),
        ({"length": True}, "length", "“True”"),
        ({"extra_days": 1}, "extra_days", "added to years only"),
        ({"extra_days": -1, "counting": "years_then_days"}, "extra_days", "from 0 to 366"),
        ({"every": -60}, "every", "“-60”"),
        ({"length": 0, "every": 1, "counting": "at_once"}, "every", "not repeated"),
        ({"counting": "weeks"}, "counting", "“weeks” is no choice for counting. Choose one of: at_once, days"),
        ({"trigger": ""}, "trigger", "“” is no choice for trigger"),
    ],
)
def test_a_period_nobody_can_count_is_refused_in_a_sentence(wrong, field, words):
    with pytest.raises(WrongPeriod) as refused:
        Period(**DAMAGE.as_dict() | wrong)
    assert refused.value.field == field
    assert words in str(refused.value)


def test_stored_text_becomes_the_choice():
    assert DAMAGE.duty is Duty.FILE
    assert type(json.loads(json.dumps(DAMAGE.as_dict()))["duty"]) is str
