"""Periods for the tests: the common ones by name, any other from `period`."""

from datetime import date
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from claims.calendars import Calendar
from claims.deadlines import Period, due
from claims.enums import Binds, Counting, Duty, Trigger

US = Calendar("US")
CHICAGO = ZoneInfo("America/Chicago")


def period(duty="file", length=9, counting="months", trigger="delivered", **more):
    told = {"effect": "bar", "binds": "us", "source": "bill of lading terms"} | more
    return Period(duty=duty, length=length, counting=counting, trigger=trigger, **told)


def of_carrier(duty, length, **more):
    return period(duty, length, "days", "carrier_received", **{"binds": "carrier", "effect": "breach"} | more)


def day(text):
    """A date from `2026-03-02`, the weekday before it being read over: `Mon 2026-03-02`."""
    return date.fromisoformat(text.split()[-1])


DAMAGE = period(applies="damage")
LOSS = period(trigger="bill_date", applies="loss")
NOTHING_CAME = period(trigger="due_delivery", applies="non_delivery")
CONCEALED = period("concealed_notice", 5, "business_days", effect="burden", source="classification item 300135")
ACKNOWLEDGE = of_carrier("acknowledge", 30, source="49 CFR 370.5(a)")
DECIDE = of_carrier("decide", 120, source="49 CFR 370.9(a)")
STATUS = of_carrier("status", 180, every=60, source="49 CFR 370.9(a)")
SUE_STATUTE = period("sue", 2, "years", "disallowed", source="49 USC 14706(e)")
SUE = period("sue", 2, "years_then_days", "disallowed", extra_days=1, source="bill of lading s.3(c)")
CMR_NOTICE = period("concealed_notice", 7, "days_less_sundays", effect="presumption", source="CMR Art. 30(1)")
CMR_DELAY = period("delay_notice", 21, "days", "at_disposal", effect="no_compensation", source="CMR Art. 30(3)")
CMR_SUE = period("sue", 1, "years", source="CMR Art. 32(1)")
CMR_SUE_LOSS = period("sue", 1, "years", "total_loss", applies="loss", source="CMR Art. 32(1)(b)")
HAZMAT_PHONE = period("hazmat_phone", 12, "hours", "incident", effect="offence", source="49 CFR 171.15")

LENGTHS = {
    "at_once": st.just(0),
    "hours": st.integers(1, 9000),
    "months": st.integers(1, 600),
    "years": st.integers(1, 50),
    "years_then_days": st.integers(1, 50),
}
dates = st.dates(date(1990, 1, 1), date(2045, 12, 31))


@st.composite
def periods(draw, countings=tuple(Counting.values)):
    counting = draw(st.sampled_from(countings))
    extra = draw(st.integers(0, 366)) if counting == "years_then_days" else 0
    length = draw(LENGTHS.get(counting, st.integers(1, 60)))
    every = draw(st.integers(0, 60)) if counting != "at_once" else 0
    binds, duty = draw(st.sampled_from(Binds.values)), draw(st.sampled_from(Duty.values))
    trigger = draw(st.sampled_from(Trigger.values))
    return period(duty, length, counting, trigger, extra_days=extra, every=every, binds=binds)


dated_periods = periods([each for each in Counting.values if each != "hours"])


def only(rules, known, **told):
    """The one duty that comes of it."""
    [found] = due(rules, known, **{"kinds": ["damage", "loss"], "calendar": US} | told)
    return found
