"""Terms: who writes them, which of them hold for a bill and why, and what a claim keeps of them."""

import json
import threading
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from django.core.exceptions import FieldDoesNotExist
from django.db import connection, transaction

from claims import terms
from claims.calendars import Calendar
from claims.deadlines import Period
from claims.enums import Duty, Effect, Regime, Stage, Trigger
from claims.models import Claim, Terms, TermsPeriod
from claims.terms import words
from receiving import evidence, rules
from receiving.models import Event, Shipment
from receiving.refusals import ChangedMeanwhile, Refused
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_carrier,
    make_person,
    make_shipment,
    make_site,
)

pytestmark = pytest.mark.django_db
BILL = date(2026, 2, 26)
FILE = {
    "duty": "file",
    "trigger": "delivered",
    "length": 9,
    "counting": "months",
    "effect": "bar",
    "binds": "us",
    "source": "section 3(b)",
}
SUE = FILE | {"duty": "sue", "trigger": "disallowed", "counting": "years_then_days", "length": 2, "extra_days": 1}


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("manager", None, "alice")


@pytest.fixture
def cedar():
    return make_carrier("Cedar Line")


def add(where, actor, title="Bill of lading terms", /, *, periods=(FILE, SUE), at=NOON, template="", **facts):
    given = {"title": title, "valid_from": date(2020, 1, 1), "source": "a test's own"} | facts
    return terms.create(facts=given, periods=periods, site=where, actor=actor, at=at, template=template)


def facts_of(row):
    return {name: getattr(row, name) for name in terms.FACTS}


def claim_by(row, site, actor, **given):
    """A claim that goes by these terms, as a row."""
    shipment = make_shipment(make_arrival(site, actor=actor), actor=actor, account=make_account())
    given = {"stage": Stage.DRAFT} | given
    return Claim.objects.create(
        site=site,
        year=2026,
        number=Claim.objects.count() + 1,
        stage_since=NOON,
        opened_at=NOON,
        opened_by=actor,
        shipment=shipment,
        account=shipment.account,
        who_claims="account",
        currency="USD",
        terms=row,
        **given,
    )


# -- Writing -----------------------------------------------------------------------------------------------------------


def test_terms_are_kept_with_their_periods_in_order_and_told_in_the_log(site, alice, cedar):
    row = add(site, alice, carrier=cedar, site=site, origin="  Elm   Grove ", template="us_bill")
    assert [period.duty for period in terms.periods(row)] == [Duty.FILE, Duty.SUE]
    assert row.origin == "Elm Grove"
    event = Event.objects.get(verb="terms.added")
    assert (event.site, event.record, event.actor) == (site, f"terms:{row.pk}", alice)
    assert event.after["carrier"] == cedar.pk
    assert event.after["periods"][1]["extra_days"] == 1


def test_what_an_event_says_of_terms_stands_in_their_row(site, alice, cedar):
    row = add(site, alice, carrier=cedar, limit_basis="pieces_weight", limit_rate="8.33", limit_currency="xdr")
    row.refresh_from_db()
    said = Event.objects.get(verb="terms.added").after
    for name in terms.FACTS:
        value = row._meta.get_field(name).to_python(said[name]) if said[name] is not None else None
        assert value == getattr(row, row._meta.get_field(name).attname), name


@pytest.mark.parametrize(
    ("facts", "field", "words"),
    [
        ({"title": ""}, "title", "cannot be blank"),
        ({"source": ""}, "source", "cannot be blank"),
        ({"valid_from": None}, "valid_from", "cannot be null"),
        ({"valid_until": date(2019, 12, 31)}, "valid_until", "before the first"),
        ({"waives_statute": True}, "waiver", "clause the waiver stands"),
        ({"limit_basis": "package"}, "limit_rate", "needs its rate"),
        ({"limit_basis": "package", "limit_rate": Decimal(-1)}, "limit_rate", "above zero"),
        (
            {"limit_basis": "package", "limit_rate": Decimal(500), "limit_currency": "$"},
            "limit_currency",
            "three letters",
        ),
        (
            {"limit_basis": "short_weight", "limit_rate": Decimal(2), "limit_weight_unit": ""},
            "limit_weight_unit",
            "lb or kg",
        ),
        ({"limit_basis": "per_pallet"}, "limit_basis", "not a valid choice"),
        ({"deductible": Decimal("-0.01")}, "deductible", "below zero"),
        ({"allowance_percent": Decimal(101)}, "allowance_percent", "0 to 100"),
        ({"calendar_country": "ZZ"}, "calendar_country", "No holidays are known"),
        ({"calendar_subdivision": "QQ"}, "calendar_subdivision", "no state or province"),
        ({"mode": "pipe"}, "mode", "not a valid choice"),
    ],
)
def test_a_fact_that_does_not_go_is_refused_at_its_field_and_nothing_is_kept(site, alice, facts, field, words):
    with pytest.raises(Refused) as refusal:
        add(site, alice, **facts)
    assert refusal.value.field == field
    assert words in str(refusal.value)
    assert not Terms.objects.exists()
    assert not Event.objects.exists()


def test_a_period_that_cannot_be_counted_is_refused_by_its_number(site, alice):
    with pytest.raises(Refused) as refusal:
        add(site, alice, periods=[FILE, SUE | {"length": 0}])
    assert refusal.value.field == "periods-1-length"
    assert str(refusal.value).startswith("Period 2: length is “0”.")
    assert not TermsPeriod.objects.exists()


SAME_SCOPE = [
    ({}, {}),
    ({"origin": "Elm Grove"}, {"origin": " ELM  grove"}),
    ({"mode": "road"}, {"mode": "road"}),
    ({"valid_from": date(2026, 1, 1)}, {"valid_until": date(2026, 1, 1)}),
    ({"valid_until": date(2026, 1, 1)}, {"valid_from": date(2026, 1, 1)}),
    (
        {"valid_from": date(2026, 3, 1), "valid_until": date(2026, 3, 31)},
        {"valid_from": date(2026, 1, 1), "valid_until": date(2026, 12, 31)},
    ),
]


@pytest.mark.parametrize(("first", "second"), SAME_SCOPE)
def test_two_terms_of_one_scope_never_hold_on_one_day(site, alice, cedar, first, second):
    account = make_account()
    add(site, alice, "Winter terms", carrier=cedar, account=account, site=site, **first)
    with pytest.raises(terms.Overlap) as refusal:
        add(site, alice, carrier=cedar, account=account, site=site, **second)
    assert "“Winter terms” hold for the same scope" in str(refusal.value)
    assert refusal.value.field == "valid_from"
    assert Terms.objects.count() == 1


def test_terms_of_another_scope_or_of_other_days_stand_beside_them(site, alice, cedar):
    add(site, alice, valid_until=date(2025, 12, 31))
    add(site, alice, valid_from=date(2026, 1, 1))
    add(site, alice, mode="road")
    add(site, alice, origin="Elm Grove")
    add(site, alice, site=site)
    add(site, alice, carrier=cedar)
    add(site, alice, carrier=make_carrier())
    add(site, alice, account=make_account())
    assert Terms.objects.count() == 8


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("of_site", [True, False])
def test_two_people_who_write_terms_of_one_scope_at_once_do_not_both_win(of_site):
    first, second = make_site("NOR"), make_site("SOU")
    alice = make_person("manager", None, "alice")
    scope = {"site": first} if of_site else {}
    found = []

    def write():
        try:
            found.append(add(first if of_site else second, alice, "Second", **scope))
        except terms.Overlap as refusal:
            found.append(refusal)
        connection.close()

    with transaction.atomic():
        add(first, alice, "First", **scope)
        waiting = threading.Thread(target=write)
        waiting.start()
        waiting.join(0.5)
        assert waiting.is_alive(), "the second writes without waiting for the first"
    waiting.join()
    assert [type(each) for each in found] == [terms.Overlap]
    assert list(Terms.objects.values_list("title", flat=True)) == ["First"]


def test_a_revision_says_what_was_and_what_is_and_rewrites_the_periods(site, alice):
    row = add(site, alice)
    longer = FILE | {"length": 12}
    new = terms.revise(
        row, facts=facts_of(row) | {"title": "Better"}, periods=[longer], seen=1, site=site, actor=alice, at=NOON
    )
    assert (new.title, new.version) == ("Better", 2)
    assert [(period.duty, period.length) for period in terms.periods(new)] == [(Duty.FILE, 12)]
    event = Event.objects.get(verb="terms.changed")
    assert set(event.before) == set(event.after) == {"title", "periods"}
    assert event.before["title"] == "Bill of lading terms"
    assert [each["length"] for each in event.after["periods"]] == [12]


def test_a_revision_without_a_difference_writes_nothing(site, alice):
    row = add(site, alice, limit_basis="pieces_weight", limit_rate="8.33")
    same = facts_of(row) | {"limit_rate": Decimal("8.330")}
    found = terms.revise(row, facts=same, periods=terms.periods(row), seen=1, site=site, actor=alice, at=NOON)
    assert found.version == 1
    assert not Event.objects.filter(verb="terms.changed").exists()


def test_of_two_who_revise_the_second_is_told_what_stands_there_now(site, alice):
    row = add(site, alice)
    change = {"periods": [FILE, SUE], "seen": 1, "site": site, "actor": alice, "at": NOON}
    terms.revise(row, facts=facts_of(row) | {"title": "First"}, **change)
    with pytest.raises(ChangedMeanwhile, match="title: First"):
        terms.revise(row, facts=facts_of(row) | {"title": "Second"}, **change)
    row.refresh_from_db()
    assert (row.title, row.version) == ("First", 2)


def test_a_revision_that_comes_between_look_and_write_is_seen_by_the_update_itself(site, alice, monkeypatch):
    row = add(site, alice)

    def meanwhile(_terms):
        Terms.objects.filter(pk=row.pk).update(version=2, title="First")

    monkeypatch.setattr("claims.terms.keeping.lock", meanwhile)
    with pytest.raises(ChangedMeanwhile, match="title: First"):
        terms.revise(
            row, facts=facts_of(row) | {"title": "Second"}, periods=[FILE], seen=1, site=site, actor=alice, at=NOON
        )
    assert len(terms.periods(row)) == 2


def test_a_revision_into_the_days_of_others_is_refused(site, alice):
    add(site, alice, "Old", valid_until=date(2025, 12, 31))
    row = add(site, alice, "New", valid_from=date(2026, 1, 1))
    with pytest.raises(terms.Overlap, match="Old"):
        terms.revise(
            row,
            facts=facts_of(row) | {"valid_from": date(2025, 6, 1)},
            periods=[FILE, SUE],
            seen=1,
            site=site,
            actor=alice,
            at=NOON,
        )


@pytest.mark.parametrize("change", [{"title": "Better"}, {"limit_basis": "declared_value"}, {"origin": "Elm"}])
def test_terms_a_claim_goes_by_keep_their_words(site, alice, change):
    row = add(site, alice)
    claim_by(row, site, alice)
    assert terms.is_used(row)
    with pytest.raises(terms.InUse, match="Replace them") as refusal:
        terms.revise(row, facts=facts_of(row) | change, periods=[FILE, SUE], seen=1, site=site, actor=alice, at=NOON)
    assert refusal.value.field == next(iter(change))


def test_the_periods_of_terms_a_claim_goes_by_stay(site, alice):
    row = add(site, alice)
    claim_by(row, site, alice)
    with pytest.raises(terms.InUse):
        terms.revise(row, facts=facts_of(row), periods=[FILE], seen=1, site=site, actor=alice, at=NOON)
    assert len(terms.periods(row)) == 2


def test_terms_a_claim_goes_by_can_be_ended_and_noted(site, alice):
    row = add(site, alice)
    claim_by(row, site, alice)
    facts = facts_of(row) | {"valid_until": date(2026, 12, 31), "note": "ends with the year"}
    new = terms.revise(row, facts=facts, periods=[FILE, SUE], seen=1, site=site, actor=alice, at=NOON)
    assert (new.valid_until, new.note) == (date(2026, 12, 31), "ends with the year")


def test_replacing_retires_the_old_and_leaves_claims_with_it(site, alice):
    row = add(site, alice, "Old words", template="us_bill")
    claim = claim_by(row, site, alice)
    facts = facts_of(row) | {"title": "New words"}
    new = terms.replace(row, facts=facts, periods=[FILE], seen=1, site=site, actor=alice, at=NOON)
    row.refresh_from_db()
    claim.refresh_from_db()
    assert (row.retired_at, row.title, claim.terms) == (NOON, "Old words", row)
    assert (new.retired_at, new.title, new.template) == (None, "New words", "us_bill")
    event = Event.objects.get(verb="terms.replaced")
    assert event.record == f"terms:{new.pk}"
    assert (event.before["record"], event.before["title"]) == (f"terms:{row.pk}", "Old words")


def test_replacing_with_something_that_does_not_go_leaves_the_old_in_use(site, alice):
    row = add(site, alice)
    add(site, alice, "Others", mode="sea")
    with pytest.raises(terms.Overlap, match="Others"):
        terms.replace(
            row, facts=facts_of(row) | {"mode": "sea"}, periods=[FILE], seen=1, site=site, actor=alice, at=NOON
        )
    row.refresh_from_db()
    assert row.retired_at is None


def test_terms_retire_once_and_are_not_written_afterwards(site, alice):
    row = add(site, alice)
    gone = terms.retire(row, seen=1, site=site, actor=alice, at=NOON)
    assert (gone.retired_at, gone.version) == (NOON, 2)
    assert Event.objects.get(verb="terms.retired").record == f"terms:{row.pk}"
    change = {"facts": facts_of(row) | {"title": "x"}, "periods": [FILE], "site": site, "actor": alice, "at": NOON}
    for step in (terms.revise, terms.replace):
        with pytest.raises(ChangedMeanwhile, match="retired"):
            step(row, seen=2, **change)
    with pytest.raises(ChangedMeanwhile, match="retired"):
        terms.retire(row, seen=2, site=site, actor=alice, at=NOON)
    add(site, alice, "In their place")


def test_the_companys_terms_ask_for_the_companys_grant(site, alice):
    assert terms.need(add(site, alice)) == rules.COMPANY
    assert terms.need(add(site, alice, site=site)) == rules.TERMS


# -- Choosing ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def shipment(site, alice, cedar):
    arrival = make_arrival(site, actor=alice, carrier=make_carrier("Delivering Co"))
    account = make_account("Juniper Home Stores")
    row = make_shipment(
        arrival, actor=alice, account=account, carrier_on_bill=cedar, origin="Elm Grove", bill_date=BILL
    )
    return Shipment.objects.get(pk=row.pk)


SCOPES = [
    ["carrier"],
    ["account"],
    ["site"],
    ["origin"],
    ["mode"],
]


def scope_of(shipment, parts):
    whole = {
        "carrier": shipment.carrier_on_bill,
        "account": shipment.account,
        "site": shipment.arrival.site,
        "origin": "elm grove",
        "mode": "road",
    }
    return {part: whole[part] for part in parts}


def test_terms_that_name_more_win_whatever_they_name(site, alice, shipment):
    add(site, alice, "Everybody's")
    add(site, alice, "Carrier's", **scope_of(shipment, ["carrier"]))
    add(site, alice, "Origin and mode", **scope_of(shipment, ["origin", "mode"]))
    found = terms.choose(shipment)
    assert found.terms.title == "Origin and mode"
    assert [(each.terms.title, each.why) for each in found.passed_over] == [
        ("Carrier's", "Wider: holds for carrier Cedar Line."),
        ("Everybody's", "Wider: holds for every bill."),
    ]
    assert found.reason == (
        "“Origin and mode” are the narrowest terms that fit. They hold for origin elm grove, mode road, bills from "
        "Wed 1 Jan 2020; the bill of lading is of Thu 26 Feb 2026."
    )


@pytest.mark.parametrize("first", range(4))
def test_where_as_many_are_named_carrier_goes_before_account_site_origin_and_mode(site, alice, shipment, first):
    winner, loser = SCOPES[first], SCOPES[first + 1]
    add(site, alice, "Loser", **scope_of(shipment, loser))
    add(site, alice, "Winner", **scope_of(shipment, winner))
    found = terms.choose(shipment)
    assert found.terms.title == "Winner"
    assert f"the {winner[0]} goes before the {loser[0]}" in found.passed_over[0].why


OTHERS = {
    "carrier": lambda shipment: make_carrier(),
    "account": lambda shipment: make_account(),
    "site": lambda shipment: make_site("SOU"),
    "origin": lambda shipment: "Elm Grove South",
    "mode": lambda shipment: "sea",
}


@pytest.mark.parametrize("part", OTHERS)
def test_terms_that_name_a_part_otherwise_do_not_fit(site, alice, shipment, part):
    add(site, alice, **{part: OTHERS[part](shipment)})
    found = terms.choose(shipment)
    assert (found.terms, found.passed_over) == (None, ())
    assert "No terms fit" in found.reason


def test_an_unknown_carrier_is_no_carrier_that_terms_name(site, alice, shipment, cedar):
    add(site, alice, carrier=cedar)
    Shipment.objects.filter(pk=shipment.pk).update(carrier_on_bill=None)
    shipment.arrival.carrier = None
    shipment.carrier_on_bill = None
    assert terms.choose(shipment).terms is None


def test_the_carrier_on_the_bill_goes_before_the_delivering_one_and_one_given_before_both(site, alice, shipment):
    delivering, third = shipment.arrival.carrier, make_carrier()
    of_bill = add(site, alice, carrier=shipment.carrier_on_bill)
    of_trailer = add(site, alice, carrier=delivering)
    of_third = add(site, alice, carrier=third)
    assert terms.choose(shipment).terms == of_bill
    assert terms.choose(shipment, carrier=third).terms == of_third
    shipment.carrier_on_bill = None
    assert terms.choose(shipment).terms == of_trailer


@pytest.mark.parametrize(
    ("bill", "title"),
    [
        (date(2025, 12, 31), "Old"),
        (date(2026, 1, 1), "New"),
        (date(2026, 6, 30), "New"),
        (date(2026, 7, 1), None),
        (date(2019, 12, 31), None),
    ],
)
def test_the_date_of_the_bill_decides_both_ends_included(site, alice, shipment, bill, title):
    add(site, alice, "Old", valid_until=date(2025, 12, 31))
    add(site, alice, "New", valid_from=date(2026, 1, 1), valid_until=date(2026, 6, 30))
    shipment.bill_date = bill
    found = terms.choose(shipment)
    assert (found.terms and found.terms.title) == title
    told = {each.terms.title: each.why for each in found.passed_over}
    assert set(told) == {"Old", "New"} - {title}
    if title != "Old":
        assert told["Old"] == f"Holds for bills from Wed 1 Jan 2020 until Wed 31 Dec 2025, not on {words.day(bill)}."
    if title is None:
        assert "none by the date" in found.reason


def test_narrow_terms_of_another_time_leave_the_wider_ones_of_the_bills(site, alice, shipment, cedar):
    add(site, alice, "Wide")
    add(site, alice, "Narrow", carrier=cedar, valid_from=date(2026, 3, 1))
    found = terms.choose(shipment)
    assert found.terms.title == "Wide"
    assert found.reason.startswith("“Wide” are the only terms that fit.")
    assert [each.terms.title for each in found.passed_over] == ["Narrow"]


def test_retired_terms_are_not_chosen(site, alice, shipment):
    row = add(site, alice)
    terms.retire(row, seen=1, site=site, actor=alice, at=NOON)
    assert terms.choose(shipment).terms is None


def test_without_the_bills_date_the_ship_date_is_taken_and_said(site, alice, shipment):
    add(site, alice)
    shipment.bill_date, shipment.ship_date = None, date(2026, 2, 25)
    found = terms.choose(shipment)
    assert (found.day, found.day_from) == (date(2026, 2, 25), "ship_date")
    assert "shipped on Wed 25 Feb 2026" in found.reason
    assert "ship date, Wed 25 Feb 2026, was taken instead" in found.cautions[0]


def test_without_both_the_day_of_delivery_at_the_site_is_taken(site, alice, shipment):
    add(site, alice)
    shipment.bill_date = None
    shipment.arrival.opened_at = datetime(2026, 3, 3, 18, tzinfo=UTC)
    shipment.arrival.dropped_at = datetime(2026, 3, 3, 5, tzinfo=UTC)  # 23:00 the day before at the site
    found = terms.choose(shipment)
    assert (found.day, found.day_from) == (date(2026, 3, 2), "delivered")
    assert "day of delivery, Mon 2 Mar 2026, was taken" in found.cautions[0]


def test_without_any_date_nothing_is_chosen(site, alice, shipment):
    add(site, alice)
    shipment.bill_date = None
    found = terms.choose(shipment)
    assert (found.terms, found.day) == (None, None)
    assert "Enter the bill's date" in found.reason


def test_the_reason_fits_the_claims_own_column(site, alice, shipment):
    longest = "x" * 120
    shipment.carrier_on_bill = make_carrier(longest)
    add(site, alice, longest, carrier=shipment.carrier_on_bill, account=shipment.account)
    assert len(terms.choose(shipment).reason) == Claim._meta.get_field("terms_reason").max_length


def test_what_is_wrong_with_the_terms_chosen_goes_along(site, alice, shipment):
    add(site, alice, periods=[FILE | {"length": 6}])
    cautions = terms.choose(shipment).cautions
    assert any("9-month statutory minimum" in each for each in cautions)
    assert any("no period for bringing suit" in each for each in cautions)


# -- What they say -----------------------------------------------------------------------------------------------------


def test_a_recorded_waiver_lifts_the_floor(site, alice):
    short = [FILE | {"length": 6}, SUE]
    bare = add(site, alice, periods=short)
    waived = add(site, alice, periods=short, mode="road", waives_statute=True, waiver="clause 12")
    assert len(terms.warnings(bare)) == 1
    assert terms.warnings(waived) == []


@pytest.mark.parametrize(
    ("regime", "periods", "sentences"),
    [
        (Regime.US_ROAD, [], ["no period for filing", "no period for bringing suit"]),
        (Regime.US_ROAD, [SUE], ["no period for filing"]),
        (Regime.CANADA_ROAD, [FILE | {"duty": "final_statement"}], ["no period for bringing suit"]),
        (Regime.MONTREAL, [SUE], []),
        (Regime.COGSA, [], ["no period for bringing suit"]),
    ],
)
def test_a_period_that_is_not_there_is_said(site, alice, regime, periods, sentences):
    found = terms.warnings(add(site, alice, periods=periods, regime=regime))
    assert len(found) == len(sentences)
    assert all(sentence in each for sentence, each in zip(sentences, found, strict=True))


def test_a_frozen_copy_is_plain_json_and_gives_the_same_terms_again(site, alice, cedar):
    row = add(
        site,
        alice,
        carrier=cedar,
        site=site,
        limit_basis="pieces_weight",
        limit_rate="8.33",
        limit_currency="XDR",
        limit_weight_unit="kg",
        calendar_country="DE",
        deductible="100",
        template="cmr",
    )
    row.refresh_from_db()
    kept = json.loads(json.dumps(terms.frozen(row)))
    assert (kept["carrier_name"], kept["account_name"], kept["site_code"]) == ("Cedar Line", "", "NOR")
    held = terms.thawed(kept)
    assert {name: getattr(held.terms, name) for name in terms.FACTS} == facts_of(row)
    assert (held.terms.pk, held.terms.version, held.terms.template) == (row.pk, 1, "cmr")
    assert list(held.periods) == terms.periods(row)
    assert held.calendar == Calendar("DE")


def test_a_draft_goes_by_the_row_and_a_filed_claim_by_its_copy(site, alice):
    row = add(site, alice)
    draft = claim_by(row, site, alice)
    filed = claim_by(row, site, alice, stage=Stage.FILED, filed_at=NOON, filed_on=BILL, frozen_terms=terms.frozen(row))
    TermsPeriod.objects.filter(terms=row, duty="file").update(length=12)
    assert terms.of_claim(draft).periods[0].length == 12
    assert terms.of_claim(filed).periods[0].length == 9
    assert terms.of_claim(claim_by(None, site, alice)) is None


def test_every_column_people_fill_in_is_frozen_told_and_written():
    left_out = {"id", "template", "version", "retired_at"}
    columns = {field.name for field in Terms._meta.concrete_fields} - left_out
    assert columns == set(terms.FACTS)
    assert {field.name for field in TermsPeriod._meta.concrete_fields} - {"id", "terms", "position"} == set(
        terms.PERIOD
    )
    with pytest.raises(FieldDoesNotExist):
        Terms._meta.get_field("calendar")


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"limit_basis": "none"}, "no limit"),
        ({"limit_basis": "declared_value"}, "declared value"),
        ({"limit_basis": "package", "limit_rate": "500"}, "500.00 USD for each package"),
        (
            {"limit_basis": "pieces_weight", "limit_rate": "8.33", "limit_currency": "XDR", "limit_weight_unit": "kg"},
            "8.33 special drawing rights per kg, counted on the weight of the pieces lost or damaged",
        ),
        (
            {"limit_basis": "shipment_weight", "limit_rate": "0.125", "limit_weight_unit": "lb"},
            "0.125 USD per lb, counted on the weight of the whole shipment",
        ),
    ],
)
def test_a_limit_in_words(site, alice, facts, said):
    row = add(site, alice, **facts)
    row.refresh_from_db()
    assert words.limit(row) == said


def told(**given):
    return words.told(Period(**(FILE | given)), Calendar("US"), datetime(2026, 6, 2, 14, 0, tzinfo=UTC))


def test_a_period_is_told_with_the_date_it_comes_to():
    found = told()
    assert found.duty == "File the claim"
    assert found.example == "File by Tue 2 Mar 2027: nine months after delivery on Tue 2 Jun 2026"
    assert (found.effect, found.binds_us, found.source) == (Effect.BAR.label, True, "section 3(b)")


def test_a_period_that_repeats_is_told_twice():
    found = told(
        duty="status", trigger=Trigger.CARRIER_RECEIVED, counting="days", length=120, every=60, binds="carrier"
    )
    assert "by Wed 30 Sep 2026 (notice 1)" in found.example
    assert "by Sun 29 Nov 2026 (notice 2)" in found.example


def test_a_period_in_hours_and_one_in_business_days_are_told_too():
    assert (
        "Wed 3 Jun 2026, 02:00 UTC"
        in told(duty="hazmat_phone", trigger="incident", counting="hours", length=12).example
    )
    assert told(counting="business_days", length=5).caution.startswith("Monday to Friday less US federal holidays")


@pytest.mark.parametrize(
    ("calendar", "said"),
    [
        (Calendar("DE"), "Every day but Sundays and the public holidays of Germany. No calendar of business days"),
        (Calendar(""), "Every day but Sundays, no holidays taken out. No calendar of business days"),
    ],
)
def test_days_less_sundays_are_told_with_saturdays_counted(calendar, said):
    period = Period(**(FILE | {"counting": "days_less_sundays", "length": 7}))
    found = words.told(period, calendar, datetime(2026, 3, 2, 14, 0, tzinfo=UTC))
    assert found.caution.startswith(said)


def test_the_log_of_terms_verifies(site, alice):
    row = add(site, alice)
    terms.revise(row, facts=facts_of(row) | {"title": "B"}, periods=[FILE], seen=1, site=site, actor=alice, at=NOON)
    events = list(Event.objects.order_by("seq"))
    assert [event.hash for event in events] == [evidence.event_hash(event, site_code=site.code) for event in events]
    assert evidence.head(site) == (2, events[-1].hash)
