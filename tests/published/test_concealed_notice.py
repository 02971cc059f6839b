"""The five business days of the concealed damage rule, and the holidays they leave out.

The rule: motor freight classification, item 300135 as in force since 18 April 2015 (item number from memory): report to
the delivering carrier within five business days of delivery. The days below are Monday to Friday less US federal
holidays, counted by hand from a calendar; the day of delivery is not counted.
"""

from datetime import date

import pytest

from receiving.notice import add_business_days, federal_holidays


@pytest.mark.parametrize(
    ("delivered", "due"),
    [
        ("2026-03-02", "2026-03-09"),
        ("2026-03-06", "2026-03-13"),
        ("2026-03-07", "2026-03-13"),
        ("2026-07-01", "2026-07-09"),
        ("2026-11-24", "2026-12-02"),
        ("2027-12-24", "2028-01-03"),
    ],
)
def test_five_business_days_after_delivery(delivered, due):
    assert add_business_days(date.fromisoformat(delivered), 5) == date.fromisoformat(due)


def test_the_federal_holidays_of_a_year():
    """5 USC 6103 for 2026, as the government's own calendar prints them (from memory)."""
    told = ["01-01", "01-19", "02-16", "05-25", "06-19", "07-03", "09-07", "10-12", "11-11", "11-26", "12-25"]
    assert sorted(federal_holidays(2026)) == [date.fromisoformat(f"2026-{day}") for day in told]


def test_a_new_year_s_day_on_saturday_is_kept_in_the_year_before():
    assert date(2021, 12, 31) in federal_holidays(2022)
    assert add_business_days(date(2021, 12, 30), 1) == date(2022, 1, 3)
