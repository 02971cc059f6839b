"""Holiday calendars: their names, their days, and independence of what was asked before."""

import json
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from claims.calendars import Calendar, UnknownCalendar, holidays_of

dates = st.dates(date(1990, 1, 1), date(2120, 12, 31))


def test_a_calendar_names_itself_and_its_days():
    bavaria = Calendar("DE", "BY", [date(2026, 12, 24)])
    assert bavaria.label == "Monday to Friday less the public holidays of Bayern, Germany, and 1 more closed day"
    assert (bavaria.name(date(2026, 1, 6)), Calendar("DE").name(date(2026, 1, 6))) == ("Epiphany", "")
    assert (bavaria.name(date(2026, 12, 24)), bavaria.is_business_day(date(2026, 12, 24))) == ("closed", False)
    assert Calendar("").label == "Monday to Friday, no holidays taken out"
    assert Calendar("GB").place == "United Kingdom"
    assert Calendar("ST").place == "Sao Tome and Principe"


def test_a_calendar_does_not_depend_on_what_was_asked_before():
    """31 Dec 2027 is New Year's Day 2028, kept on the Friday before."""
    asked_in_turn = [
        [Calendar("US").name(date(year, 12, 31)) for year in years] for years in ([2027, 2028], [2028, 2027])
    ]
    assert asked_in_turn[0] == asked_in_turn[1][::-1]
    assert asked_in_turn[0][0].startswith("New Year's Day")
    assert asked_in_turn[0][1] == ""


def test_the_holidays_of_a_year_lie_in_it():
    assert {day.year for day in holidays_of("US", "", 2027)} == {2027}
    assert date(2027, 12, 31) in holidays_of("US", "", 2027)


def test_years_whose_holidays_nobody_knows_are_told():
    us = Calendar("US")
    assert us.knows(date(2100, 12, 31)) and not us.knows(date(2101, 1, 1))
    assert us.name(date(2101, 1, 1)) == ""
    assert Calendar("").knows(date(2101, 1, 1))
    india = Calendar("IN")
    assert india.knows(date(2035, 1, 26)) and not india.knows(date(2036, 1, 26))
    assert (india.name(date(2035, 1, 26)), india.name(date(2036, 1, 26))) == ("Republic Day", "")


@pytest.mark.parametrize("locale", ["de", "en_US"])
def test_the_machine_s_language_does_not_name_the_days(monkeypatch, locale):
    monkeypatch.setenv("LANGUAGE", locale)
    assert holidays_of.__wrapped__("DE", "BY", 2026)[date(2026, 1, 6)] == "Epiphany"


@settings(deadline=None)
@given(dates, st.lists(dates, max_size=3))
def test_a_calendar_survives_json_and_order_of_its_days(asked, closed):
    kept = Calendar("CA", "ON", closed)
    read = Calendar.from_dict(json.loads(json.dumps(kept.as_dict())))
    assert read == kept == Calendar("CA", "ON", reversed(closed))
    assert read.is_holiday(asked) == kept.is_holiday(asked)


@pytest.mark.parametrize(
    ("country", "subdivision", "field", "words"),
    [
        ("XX", "", "country", "No holidays are known for the country “XX”. Give its ISO code"),
        ("us", "", "country", "“us”"),
        ("US", "QQ", "subdivision", "“QQ” is no state or province of “US”"),
        ("", "IL", "subdivision", "“IL”"),
    ],
)
def test_a_place_without_holidays_is_refused_in_a_sentence(country, subdivision, field, words):
    with pytest.raises(UnknownCalendar) as refused:
        Calendar(country, subdivision)
    assert refused.value.field == field
    assert words in str(refused.value)
