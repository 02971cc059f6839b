"""What terms may start from, against the statutes, regulations, conventions and forms they are copied from.

Each start is made into real terms, read back, and counted by the product's own functions. The dates were counted from
the rules by hand, with the calendar. Beside each stands its source and how far it was read: "read" the rule's own
words, "told" a court, an agency or a law office that restates it, "memory" neither.
"""

from datetime import date
from decimal import Decimal

import pytest

from claims import deadlines, terms
from claims.calendars import Calendar
from claims.enums import LimitBasis
from claims.valuation import published
from receiving.refusals import Refused
from tests.builders import NOON, make_carrier, make_person, make_site

pytestmark = pytest.mark.django_db
KEYS = ["us_bill", "us_bill_older", "us_contract", "cmr", "montreal", "cogsa", "canada"]


def day(text):
    return date.fromisoformat(text)


@pytest.fixture
def kept():
    """kept(key, **other facts) -> terms copied from the start of that key, as they stand in the database."""
    site = make_site()
    alice = make_person("manager", None, "alice")

    def copy(key, **other):
        start = terms.start(key)
        facts = {"valid_from": day("2020-01-01"), "carrier": make_carrier()} | start.facts | other
        row = terms.create(facts=facts, periods=start.periods, site=site, actor=alice, at=NOON, template=start.key)
        row.refresh_from_db()
        return row

    return copy


def dates(row, kinds=("damage",), *, through=None, nothing_delivered=False, **known):
    """{duty: [dates]} of the duties that have one."""
    found = deadlines.due(
        terms.periods(row),
        {trigger: day(when) for trigger, when in known.items()},
        kinds=kinds,
        calendar=terms.calendar(row),
        nothing_delivered=nothing_delivered,
        through=through and day(through),
    )
    told = {}
    for each in found:
        if each.is_known:
            told.setdefault(each.duty.value, []).append(f"{each.due:%Y-%m-%d}")
    return told


def effects(row, duty):
    return {each.effect.value for each in terms.periods(row) if each.duty == duty}


def test_the_starts_are_all_there_each_row_with_its_source():
    assert [start.key for start in terms.starts()] == KEYS
    for start in terms.starts():
        assert start.facts["source"] and start.about
        assert all(len(period.source) > 10 for period in start.periods)


@pytest.mark.parametrize("key", KEYS)
def test_a_start_becomes_terms_as_it_stands(kept, key):
    """Only a contract's waiver has to be pointed at by whoever copies it."""
    row = kept(key, **({"waiver": "clause 12"} if key == "us_contract" else {}))
    assert terms.periods(row) == list(terms.start(key).periods)
    assert row.template == key


def test_a_contract_that_waives_must_say_where(kept):
    with pytest.raises(Refused, match="which paper and clause"):
        kept("us_contract")


@pytest.mark.parametrize("key", KEYS)
def test_no_start_is_below_what_its_law_allows(kept, key):
    """Floors: 49 USC 14706(e)(1) (read), COGSA 3(6) (told), CMR 41 (memory). Canada's conditions name no suit."""
    row = kept(key, **({"waiver": "clause 12"} if key == "us_contract" else {}))
    found = terms.warnings(row)
    assert [each for each in found if "bringing suit, so no date" not in each] == []
    assert bool(found) == (key == "canada")


# -- United States, road -----------------------------------------------------------------------------------------------


def test_a_bill_since_2016_has_two_clocks_and_the_packet_takes_the_earlier(kept):
    """Uniform straight bill of lading s.3(b) as worded since 2016 (read, on a form in use)."""
    row, known = kept("us_bill"), {"bill_date": "2026-05-28", "delivered": "2026-06-02"}
    assert dates(row, ["damage"], **known)["file"] == ["2027-03-02"]
    assert dates(row, ["loss"], **known)["file"] == ["2027-02-28"]
    both = deadlines.due(
        [each for each in terms.periods(row) if each.duty == "file"],
        {name: day(when) for name, when in known.items()},
        kinds=["damage", "loss"],
        calendar=terms.calendar(row),
    )
    assert deadlines.earliest(both).due.due == day("2027-02-28")
    assert effects(row, "file") == {"bar"}


def test_a_loss_on_a_bill_without_a_date_is_never_safe(kept):
    """The same clause: the loss counts from the bill's date, whatever else is known."""
    found = deadlines.due(
        terms.periods(kept("us_bill")), {"delivered": day("2026-06-02")}, kinds=["loss"], calendar=Calendar("US")
    )
    assert (found[0].duty, found[0].needs) == ("file", "no date: needs the date of the bill of lading")


@pytest.mark.parametrize(
    ("delivered", "ends"),
    [
        ("2026-05-28", "2027-02-28"),
        ("2026-05-31", "2027-02-28"),
        ("2027-05-31", "2028-02-29"),
        ("2026-08-31", "2027-05-31"),
        ("2026-11-30", "2027-08-30"),
        ("2026-12-31", "2027-09-30"),
    ],
)
def test_nine_months_on_every_bill(kept, delivered, ends):
    """Bill of lading s.3(b) (read); 49 USC 14706(e)(1), not less than nine months (read)."""
    assert dates(kept("us_bill"), ["damage"], delivered=delivered)["file"] == [ends]


def test_the_older_bill_counts_all_that_came_from_delivery_and_what_never_came_from_when_it_should_have(kept):
    """Uniform straight bill of lading s.3(b), older wording (read)."""
    row = kept("us_bill_older")
    assert dates(row, ["damage"], bill_date="2026-05-28", delivered="2026-06-02")["file"] == ["2027-03-02"]
    assert dates(row, ["loss"], bill_date="2026-05-28", delivered="2026-06-02")["file"] == ["2027-03-02"]
    assert dates(row, ["loss"], due_delivery="2026-05-31", nothing_delivered=True)["file"] == ["2027-02-28"]


@pytest.mark.parametrize("key", ["us_bill", "us_bill_older", "us_contract"])
def test_the_carriers_duties_run_from_its_receipt_of_the_claim(kept, key):
    """49 CFR 370.5(a), 30 days; 370.9(a), 120 days and then each 60 (told; sister rules read)."""
    row = kept(key, waiver="clause 12")
    found = dates(row, carrier_received="2026-01-15", through="2026-10-01")
    assert found["acknowledge"][0] == "2026-02-14"
    assert found["decide"] == ["2026-05-15"]
    assert found["status"] == ["2026-07-14", "2026-09-12", "2026-11-11"]
    assert {each.binds for each in terms.periods(row) if each.trigger == "carrier_received"} == {"carrier"}
    assert effects(row, "acknowledge") | effects(row, "decide") | effects(row, "status") == {"breach"}


@pytest.mark.parametrize(
    ("disallowed", "by_bill", "by_statute"),
    [
        ("2026-06-30", "2028-07-01", "2028-06-30"),
        ("2028-02-29", "2030-03-01", "2030-02-28"),
        ("2028-02-28", "2030-03-01", "2030-02-28"),
    ],
)
def test_suit_runs_from_the_written_disallowance(kept, disallowed, by_bill, by_statute):
    """Bill of lading s.3(c), two years and a day (read); 49 USC 14706(e)(1), two years (read)."""
    assert dates(kept("us_bill"), disallowed=disallowed)["sue"] == [by_bill]
    assert dates(kept("us_contract", waiver="clause 12"), disallowed=disallowed)["sue"] == [by_statute]


@pytest.mark.parametrize(
    ("delivered", "ends"),
    [
        ("2026-03-02", "2026-03-09"),
        ("2026-03-06", "2026-03-13"),
        ("2026-03-07", "2026-03-13"),
        ("2026-07-01", "2026-07-09"),
        ("2026-11-24", "2026-12-02"),
    ],
)
def test_concealed_damage_is_reported_within_five_business_days_and_late_is_no_bar(kept, delivered, ends):
    """Motor freight classification item 300135 since 18 Apr 2015 (told by several; the number from memory)."""
    row = kept("us_bill")
    assert dates(row, ["damage"], delivered=delivered)["concealed_notice"] == [ends]
    assert "concealed_notice" not in dates(row, ["loss"], delivered=delivered)
    assert effects(row, "concealed_notice") == {"burden"}


def test_a_bill_has_no_limit_unless_a_value_was_released():
    """49 USC 14706(a)(1), the actual loss (read); (c)(1), a limit by the shipper's declaration only (told)."""
    assert {terms.start(key).facts["limit_basis"] for key in ("us_bill", "us_bill_older", "us_contract")} == {"none"}


def test_a_waiver_is_the_contracts_only():
    """49 USC 14101(b)(1), express and in writing (told)."""
    assert [start.key for start in terms.starts() if start.facts.get("waives_statute")] == ["us_contract"]


def test_a_contract_below_the_floor_is_warned_of_until_its_waiver_is_recorded(kept):
    """49 USC 14706(e)(1) (read) and 14101(b)(1) (told)."""
    row = kept("us_contract", waiver="clause 12")
    six = [{**each.as_dict(), "length": 6} if each.duty == "file" else each.as_dict() for each in terms.periods(row)]
    six = [deadlines.Period.from_dict(each) for each in six]
    assert terms.warnings(row, six) == []
    row.waives_statute = False
    assert "9-month statutory minimum" in terms.warnings(row, six)[0]


# -- CMR ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("delivered", "country", "ends"),
    [
        ("2026-03-02", "", "2026-03-10"),
        ("2026-03-07", "", "2026-03-16"),
        ("2026-04-02", "DE", "2026-04-13"),  # Good Friday and Easter Monday
    ],
)
def test_cmr_notice_of_what_is_not_apparent(kept, delivered, country, ends):
    """CMR Art. 30(1), seven days, Sundays and public holidays excepted (told by several); 30(4) (memory)."""
    row = kept("cmr", calendar_country=country)
    assert dates(row, delivered=delivered)["notice"] == [ends]
    assert dates(row, delivered=delivered)["note_at_delivery"] == [delivered]
    assert effects(row, "notice") | effects(row, "note_at_delivery") == {"presumption"}


def test_cmr_notice_of_delay(kept):
    """CMR Art. 30(3), 21 days of being placed at disposal (told)."""
    row = kept("cmr")
    assert dates(row, at_disposal="2026-03-02")["delay_notice"] == ["2026-03-23"]
    assert effects(row, "delay_notice") == {"no_compensation"}


def test_cmr_suit(kept):
    """CMR Art. 32(1): one year from delivery; total loss from the 30th day after the agreed time (read)."""
    row = kept("cmr")
    assert dates(row, delivered="2026-03-02")["sue"] == ["2027-03-02"]
    assert dates(row, delivered="2028-02-29")["sue"] == ["2029-02-28"]
    assert dates(row, ["loss"], agreed_limit="2026-03-02", nothing_delivered=True)["sue"] == ["2027-04-01"]
    assert effects(row, "sue") == {"bar"}


def test_cmr_limit(kept):
    """CMR Art. 23(3) with the protocol of 1978: 8.33 special drawing rights per kg of gross weight short (told)."""
    row = kept("cmr")
    assert (row.limit_basis, row.limit_currency, row.limit_weight_unit) == (LimitBasis.PIECES_WEIGHT, "XDR", "kg")
    assert row.limit_rate == Decimal("8.33") == published.ROAD_INTERNATIONAL
    assert row.limit_rate * 790 == Decimal("6580.70")
    assert row.freight_when == "outside"  # Art. 23(4), charges in addition (memory)


# -- Air, sea, Canada --------------------------------------------------------------------------------------------------


def test_air_complaint_and_suit(kept):
    """Montreal Convention Art. 31(2): 14 days, 21 for delay (told); Art. 35: two years (told)."""
    row = kept("montreal")
    found = dates(row, delivered="2026-03-02", at_disposal="2026-03-02")
    assert found == {"notice": ["2026-03-16"], "delay_notice": ["2026-03-23"], "sue": ["2028-03-02"]}
    assert dates(row, ["loss"], due_delivery="2026-03-02", nothing_delivered=True)["sue"] == ["2028-03-02"]
    assert effects(row, "notice") | effects(row, "delay_notice") | effects(row, "sue") == {"bar"}


def test_air_limit_by_the_date_of_carriage(kept):
    """Montreal Convention Art. 22(3) as revised: 26 special drawing rights per kg since 28 Dec 2024 (told)."""
    row = kept("montreal")
    assert row.valid_from == day("2024-12-28")
    assert (row.limit_rate, row.limit_currency, row.limit_weight_unit) == (Decimal(26), "XDR", "kg")
    assert published.air_cargo(row.valid_from) == row.limit_rate
    assert row.limit_rate * 114 == Decimal(2964)


def test_sea_notice_and_suit(kept):
    """COGSA 3(6): at removal, or three days of delivery; one year (told)."""
    row = kept("cogsa")
    found = dates(row, delivered="2026-03-05")
    assert found == {"note_at_delivery": ["2026-03-05"], "notice": ["2026-03-08"], "sue": ["2027-03-05"]}
    assert dates(row, ["loss"], due_delivery="2026-03-05", nothing_delivered=True)["sue"] == ["2027-03-05"]
    assert effects(row, "notice") == {"presumption"}
    assert effects(row, "sue") == {"bar"}


def test_sea_limit(kept):
    """COGSA 4(5), USD 500 per package (read, as quoted in 666 F.2d 746)."""
    row = kept("cogsa")
    assert (row.limit_basis, row.limit_currency) == (LimitBasis.PACKAGE, "USD")
    assert row.limit_rate * 14 == Decimal(7000)


def test_canadian_notice_and_final_statement(kept):
    """Uniform conditions: 60 days of delivery; nine months of shipment (told, several forms)."""
    row = kept("canada")
    found = dates(row, delivered="2026-03-02", shipped="2026-02-26")
    assert found == {"notice": ["2026-05-01"], "final_statement": ["2026-11-26"]}
    missing = dates(row, ["loss"], shipped="2026-02-26", nothing_delivered=True)
    assert missing["notice"] == ["2026-11-26"]
    assert effects(row, "notice") | effects(row, "final_statement") == {"bar"}


def test_canadian_limit_is_on_the_whole_shipment(kept):
    """Uniform conditions: CAD 4.41 per kg of the total weight (told); 2.00 per lb."""
    row = kept("canada")
    assert (row.limit_basis, row.limit_currency, row.limit_weight_unit) == (LimitBasis.SHIPMENT_WEIGHT, "CAD", "kg")
    assert row.limit_rate * 2400 == Decimal("10584.00")
    assert row.limit_rate == published.CANADA_PER_KG
