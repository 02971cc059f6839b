"""Drafting claims: who claims what from whom, lines, prices, decisions not to claim."""

import threading
import uuid
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from django.db import connections, transaction

from claims import drafting, parties, queries
from claims.enums import LimitBasis, LineKind, PriceSource, Purpose, Stage
from claims.models import Claim, ClaimLine, NotClaimed
from receiving import discrepancies, verification
from receiving.enums import CarrierKind
from receiving.models import Carton, Discrepancy, Event, Shipment, Site
from receiving.refusals import ChangedMeanwhile, Refused
from tests.builders import NOON, make_account, make_carrier, make_person, make_site
from tests.claims.builders import losses, make_claim, make_filed, make_load, make_terms

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site(claimant_name="Northgate Dock", claimant_signatory="Ann Hill", address="1 Quay Road")


@pytest.fixture
def clerk(site):
    return make_person("clerk", site)


def open_claim(shipment, pieces, clerk, **given):
    given = {"uuid": uuid.uuid4(), "actor": clerk, "at": NOON} | given
    return drafting.open_claim(shipment, pieces, **given)


def price(line, clerk, **values):
    return drafting.price_line(line, values=values, version=line.claim.version, actor=clerk, at=NOON)


def again(record):
    return type(record).objects.get(pk=record.pk)


# --- opening ----------------------------------------------------------------------------------------------------------


def test_a_claim_is_numbered_by_site_and_year_and_holds_a_line_for_each_piece(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=1)
    assert (str(claim), claim.stage, claim.version) == ("NOR-26-0001", Stage.DRAFT, 1)
    lines = list(claim.lines.order_by("position"))
    assert [(line.position, line.kind, line.quantity, line.amount) for line in lines] == [
        (1, LineKind.DAMAGE, Decimal(10), Decimal("125.000")),
        (2, LineKind.LOSS, Decimal(10), Decimal("125.000")),
    ]
    assert {line.price_source for line in lines} == {PriceSource.LIST}
    assert {line.weight for line in lines} == {Decimal(20)}
    assert claim.amount == Decimal("250.000")
    assert Discrepancy.objects.filter(claimed_at=NOON).count() == 2


def test_numbers_restart_with_the_sites_own_year(site, clerk):
    make_claim(site, actor=clerk)
    still_2026 = datetime(2027, 1, 1, 5, 30, tzinfo=UTC)  # 23:30 on New Year's Eve in Chicago
    assert str(make_claim(site, actor=clerk, at=still_2026)) == "NOR-26-0002"
    assert str(make_claim(site, actor=clerk, at=datetime(2027, 1, 1, 6, 0, tzinfo=UTC))) == "NOR-27-0001"


def test_the_bill_gives_weight_freight_and_declared_value(site, clerk):
    facts = {"freight_charge": Decimal("480.00"), "freight_paid": "yes", "freight_in_price": "no"}
    claim = make_claim(site, actor=clerk, **facts, declared_value=Decimal("9000.00"))
    assert (claim.freight_charge, claim.freight_paid, claim.freight_in_price) == (Decimal("480.00"), "yes", "no")
    assert (claim.declared_value, claim.currency) == (Decimal("9000.00"), "USD")


@pytest.mark.parametrize(
    ("who", "claimant", "signatory", "payee"),
    [
        ("account", "Juniper Home", "J. Reed", "Juniper Home"),
        ("us", "Northgate Dock", "Ann Hill", "Juniper Home"),
        ("supplier", "Ember Mills", "", "Ember Mills"),
    ],
)
def test_the_account_says_who_claims_and_is_paid(site, clerk, who, claimant, signatory, payee):
    account = make_account("Juniper Home", who_claims=who, signatory="J. Reed")
    claim = make_claim(site, actor=clerk, account=account, shipper="Ember Mills")
    assert (claim.who_claims, claim.claimant, claim.signatory, claim.payee) == (who, claimant, signatory, payee)


@pytest.mark.parametrize(
    ("who", "email", "phone"),
    [
        ("account", "claims@juniper.example", "555-0190"),
        ("us", "dock@northgate.example", "555-0191"),
        ("supplier", "", ""),
    ],
)
def test_whoever_claims_is_answered_where_the_account_or_the_site_says(site, clerk, who, email, phone):
    Site.objects.filter(pk=site.pk).update(claimant_email="dock@northgate.example", claimant_phone="555-0191")
    site.refresh_from_db()
    account = make_account(who_claims=who, email="claims@juniper.example", phone="555-0190")
    claim = make_claim(site, actor=clerk, account=account)
    assert (claim.claimant_email, claim.claimant_phone) == (email, phone)


def test_the_payee_of_the_account_goes_first(site, clerk):
    account = make_account("Juniper Home", who_claims="us", payee="Juniper Treasury")
    assert make_claim(site, actor=clerk, account=account).payee == "Juniper Treasury"


def test_a_claim_is_against_the_carrier_of_the_bill_else_against_the_one_that_delivered(site, clerk):
    named, delivering = make_carrier("Named Lines"), make_carrier("Delivering Lines")
    assert make_claim(site, actor=clerk, carrier=delivering, carrier_on_bill=named).carrier == named
    assert make_claim(site, actor=clerk, carrier=delivering).carrier == delivering


def test_a_broker_on_the_bill_gives_way_to_the_carrier_that_delivered(site, clerk):
    broker, carrier = make_carrier("Middle Freight", kind=CarrierKind.BROKER), make_carrier("Real Wheels")
    assert make_claim(site, actor=clerk, carrier=carrier, carrier_on_bill=broker).carrier == carrier
    alone = make_claim(site, actor=clerk, carrier=broker)
    assert alone.carrier == broker
    assert parties.respondent_of(alone).is_broker_alone


def test_the_terms_of_the_bills_date_are_chosen_with_the_reason(site, clerk):
    old = make_terms("Old terms", valid_until=date(2026, 1, 31))
    new = make_terms("New terms", valid_from=date(2026, 2, 1))
    claim = make_claim(site, actor=clerk)
    assert claim.terms == new != old
    assert claim.terms_reason


def test_a_hand_over_is_the_same_record_and_no_demand(site, clerk):
    claim = make_claim(site, actor=clerk, purpose=Purpose.HANDOVER)
    assert claim.is_handover
    assert list(Claim.objects.demands()) == []
    assert Discrepancy.objects.filter(claimed_at__isnull=False).count() == 2


def test_opening_is_one_event_that_tells_claim_and_lines(site, clerk):
    claim = make_claim(site, actor=clerk)
    event = Event.objects.get(verb="claim.opened")
    assert (event.record, event.arrival_id) == (f"claim:{claim.pk}", claim.shipment.arrival_id)
    assert event.after["amount"] == "250.000"
    assert event.after["line 2"]["quantity"] == "10.000"
    assert list(verification.verify_rows(site)) == []


# --- what may stand on a claim ----------------------------------------------------------------------------------------


def refused(shipment, pieces, clerk):
    with pytest.raises(Refused) as caught:
        open_claim(shipment, pieces, clerk)
    assert Claim.objects.count() == 0 or not Claim.objects.filter(lines=None).exists()
    return str(caught.value)


def test_a_claim_needs_a_piece(site, clerk):
    assert refused(make_load(site, actor=clerk), [], clerk) == "Tick the pieces that are to be claimed."


def test_a_piece_of_another_bill_is_refused(site, clerk):
    here, there = make_load(site, actor=clerk), make_load(site, actor=clerk)
    assert "came on another bill" in refused(here, [*losses(here), losses(there)[0]], clerk)
    assert not Discrepancy.objects.filter(claimed_at__isnull=False).exists(), "nothing is half done"


def test_a_trailer_that_is_still_here_is_refused(site, clerk):
    shipment = make_load(site, actor=clerk, released=False)
    assert "has not been released" in refused(shipment, losses(shipment), clerk)


def test_a_short_that_was_found_is_refused(site, clerk):
    shipment = make_load(site, actor=clerk, damaged=0, short=1)
    [piece] = losses(shipment)
    discrepancies.mark_found(piece, actor=clerk, at=NOON)
    assert f"{piece} is found" in refused(shipment, [piece], clerk)


@pytest.mark.parametrize("doing", ["own", "outbound"])
def test_what_was_hurt_by_us_or_later_is_refused(site, clerk, doing):
    shipment = make_load(site, actor=clerk, damaged=1, short=0)
    Discrepancy.objects.update(attribution=doing)
    assert "not to the carrier" in refused(shipment, losses(shipment), clerk)


def test_a_piece_that_is_decided_not_to_be_claimed_is_refused_with_that_reason(site, clerk):
    shipment = make_load(site, actor=clerk, damaged=1, short=0)
    drafting.decide_not(losses(shipment), reason="too small", uuid=uuid.uuid4(), actor=clerk, at=NOON)
    assert "(too small). Take that decision back first." in refused(shipment, losses(shipment), clerk)


def test_a_piece_on_another_claim_is_refused_and_the_claim_named(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=1)
    with pytest.raises(ChangedMeanwhile, match="is on claim NOR-26-0001 already"):
        open_claim(claim.shipment, losses(claim.shipment), clerk)
    assert Claim.objects.count() == 1


def test_the_database_holds_a_piece_to_one_live_line(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=0)
    Discrepancy.objects.update(claimed_at=None)
    with pytest.raises(ChangedMeanwhile, match="is on claim NOR-26-0001 already"):
        open_claim(claim.shipment, losses(claim.shipment), clerk)


def test_a_withdrawn_draft_frees_its_pieces_and_keeps_its_number(site, clerk):
    claim = make_claim(site, actor=clerk)
    with transaction.atomic():
        drafting.free_pieces(claim, reason="drafted by mistake")
    assert not claim.lines.filter(live=True).exists()
    assert str(open_claim(claim.shipment, losses(claim.shipment), clerk)) == "NOR-26-0002"


@pytest.mark.django_db(transaction=True)
def test_of_two_clerks_at_once_one_has_the_pieces_and_the_other_is_told():
    site = make_site()
    clerk = make_person("clerk", site)
    shipment = make_load(site, actor=clerk)
    pieces, answers, gate = losses(shipment), [], threading.Barrier(2)

    def draft():
        gate.wait()
        try:
            answers.append(str(open_claim(shipment, pieces, clerk)))
        except Refused as why:
            answers.append(why)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=draft) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    told = [answer for answer in answers if isinstance(answer, ChangedMeanwhile)]
    assert len(told) == 1
    assert "is on claim NOR-26-0001 already" in str(told[0])
    assert ClaimLine.objects.filter(live=True).count() == 2


# --- first values -----------------------------------------------------------------------------------------------------


def line_for(site, clerk, piece=None, *, damaged=1, short=0, **load):
    shipment = make_load(site, actor=clerk, damaged=damaged, short=short, **load)
    Discrepancy.objects.filter(shipment=shipment).update(**(piece or {}))
    return make_claim(site, actor=clerk, shipment=shipment).lines.get()


def test_units_that_somebody_counted_hurt_are_the_quantity(site, clerk):
    line = line_for(site, clerk, {"units_hurt": 3})
    assert (line.quantity, line.unit, line.amount) == (Decimal(3), "units", Decimal("37.500"))


def test_a_price_that_the_list_does_not_give_is_unknown_and_never_nought(site, clerk):
    line = line_for(site, clerk, unit_value=None)
    assert (line.unit_price, line.price_source, line.amount, line.claim.amount) == (None, "", None, None)
    assert "give the unit price" in line.working["needs"][0]


def test_a_value_without_the_number_of_units_is_no_price(site, clerk):
    line = line_for(site, clerk, units=None)
    assert (line.quantity, line.unit, line.unit_price) == (Decimal(1), "cartons", None)


def test_units_counted_hurt_in_a_carton_without_a_list_have_no_price(site, clerk):
    line = line_for(site, clerk, {"units_hurt": 4, "carton": None})
    assert (line.quantity, line.unit_price, line.weight) == (Decimal(4), None, None)


def test_no_unit_hurt_is_no_price(site, clerk):
    line = line_for(site, clerk, {"units_hurt": 0})
    assert (line.unit_price, line.amount) == (None, None)


def test_shorts_without_labels_count_by_the_piece(site, clerk):
    line = line_for(site, clerk, {"carton": None, "quantity": 7}, damaged=0, short=1)
    assert (line.kind, line.quantity, line.unit, line.cartons) == ("loss", Decimal(7), "cartons", 7)


# --- lines ------------------------------------------------------------------------------------------------------------


def test_a_price_from_the_invoice_less_discounts_is_worked_out_step_by_step(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=0)
    line = claim.lines.get()
    values = {
        "quantity": Decimal(14),
        "unit_price": Decimal("48.50"),
        "price_source": PriceSource.INVOICE,
        "price_reference": "INV-77",
        "trade_discount": Decimal(2),
        "salvage": Decimal("65.42"),
    }
    price(line, clerk, **values)
    line, claim = again(line), again(claim)
    assert line.amount == claim.amount == Decimal("600.000")  # 679.00 less 13.58 less 65.42
    assert [step["code"] for step in line.working["steps"]][:3] == ["price", "trade_discount", "salvage"]
    assert claim.working["total"] == "600.00"
    event = Event.objects.get(verb="claim.line_priced")
    assert event.before["line 1"]["price_reference"] == ""
    assert event.after["line 1"]["price_reference"] == "INV-77"
    assert set(event.after) == {"line 1", "amount"}


def test_the_lesser_of_repair_and_loss_of_value_is_claimed(site, clerk):
    line = line_for(site, clerk)
    price(line, clerk, repair_cost=Decimal("30.00"), value_lost=Decimal("45.00"))
    assert again(line).amount == Decimal("30.000")


@pytest.mark.parametrize(
    ("values", "field", "words"),
    [
        ({"quantity": Decimal(0)}, "quantity", "more than nought"),
        ({"unit_price": Decimal(-1)}, "unit_price", "-1 is below nought"),
        ({"salvage": Decimal("-0.01")}, "salvage", "below nought"),
        ({"trade_discount": Decimal("100.5")}, "trade_discount", "from 0 to 100 percent"),
        ({"cartons": 0}, "cartons", "one at least"),
        ({"cartons": 2}, "cartons", "is 1 pieces, not 2"),
        ({"price_source": ""}, "price_source", "where the price comes from"),
        ({"price_source": "invoice"}, "price_reference", "the number of the invoice"),
    ],
)
def test_a_line_refuses_what_cannot_be(site, clerk, values, field, words):
    line = line_for(site, clerk)
    with pytest.raises(Refused, match=words) as caught:
        price(line, clerk, **values)
    assert caught.value.field == field
    assert again(line.claim).version == 1


def test_what_did_not_come_is_neither_repaired_nor_worth_less(site, clerk):
    line = line_for(site, clerk, damaged=0, short=1)
    with pytest.raises(Refused, match="neither repaired") as caught:
        price(line, clerk, value_lost=Decimal(5))
    assert caught.value.field == "value_lost"


def test_price_and_source_are_taken_over_to_lines_of_the_same_goods(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=2, short=1, description="Kettles")
    first, second, third = claim.lines.order_by("position")
    ClaimLine.objects.filter(pk=third.pk).update(description="Lamps")
    values = {"unit_price": Decimal(20), "price_source": "invoice", "price_reference": "INV-1", "quantity": Decimal(4)}
    drafting.price_line(first, values=values, also=True, actor=clerk, at=NOON)
    assert [again(line).unit_price for line in (first, second, third)] == [20, 20, Decimal("12.5")]
    assert again(second).quantity == 10, "how many is each line's own"
    assert again(second).price_reference == "INV-1"


def test_a_line_that_is_dropped_keeps_its_reason_and_opens_its_piece(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=1)
    line = claim.lines.get(position=2)
    drafting.drop_line(line, reason="found in staging", version=1, actor=clerk, at=NOON)
    line, claim = again(line), again(claim)
    assert (line.live, line.dropped_reason, claim.amount, claim.version) == (False, "found in staging", 125, 2)
    assert again(line.discrepancy).claimed_at is None
    assert Event.objects.get(verb="claim.line_dropped").after["reason"] == "found in staging"


def test_a_piece_may_come_back_after_it_was_dropped(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=1)
    line = claim.lines.get(position=2)
    drafting.drop_line(line, reason="by mistake", version=1, actor=clerk, at=NOON)
    drafting.add_lines(claim, [again(line.discrepancy)], version=2, actor=clerk, at=NOON)
    assert list(claim.lines.filter(live=True).values_list("position", flat=True).order_by("position")) == [1, 3]
    assert again(claim).amount == 250


def test_the_last_line_is_not_dropped(site, clerk):
    line = line_for(site, clerk)
    with pytest.raises(Refused, match="Withdraw the claim instead"):
        drafting.drop_line(line, reason="why not", version=1, actor=clerk, at=NOON)
    assert again(line).live


@pytest.mark.parametrize("reason", ["", "   "])
def test_a_line_is_not_dropped_without_a_reason(site, clerk, reason):
    claim = make_claim(site, actor=clerk)
    with pytest.raises(Refused, match="Say why it is taken off"):
        drafting.drop_line(claim.lines.first(), reason=reason, version=1, actor=clerk, at=NOON)


def test_somebody_who_saw_an_older_draft_is_told(site, clerk):
    claim = make_claim(site, actor=clerk)
    line, other = claim.lines.order_by("position")
    price(line, clerk, quantity=Decimal(2))
    with pytest.raises(ChangedMeanwhile, match="Somebody else changed NOR-26-0001"):
        price(other, clerk, quantity=Decimal(3))
    assert again(other).quantity == 10


def test_a_filed_claim_is_not_changed_here(site, clerk):
    claim = make_filed(site, actor=clerk)
    with pytest.raises(Refused, match="a filed claim is amended") as caught:
        price(claim.lines.first(), clerk, quantity=Decimal(2))
    assert caught.value.code == "not_a_draft"
    with pytest.raises(Refused, match="a filed claim is amended"):
        drafting.set_facts(claim, values={"freight_paid": "yes"}, actor=clerk, at=NOON)


def test_a_valuation_can_be_asked_without_anything_being_saved(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=0)
    line = claim.lines.get()
    line.quantity = Decimal(4)
    assert drafting.working_of(claim, [line]).total == Decimal("50.00")
    assert again(line).amount == 125


# --- terms, freight, rate ---------------------------------------------------------------------------------------------


def test_paid_freight_is_shared_by_weight(site, clerk):
    facts = {"freight_charge": Decimal("400.00"), "freight_paid": "yes", "freight_in_price": "no"}
    claim = make_claim(site, actor=clerk, damaged=1, short=0, weight=Decimal("20"), **facts, good=3)
    assert claim.amount == Decimal("225.000"), "no weight of the bill is known: one of four cartons"
    drafting.set_facts(claim, values={"shipment_weight": Decimal(160)}, actor=clerk, at=NOON)
    assert again(claim).amount == Decimal("175.000"), "20 of 160 lb"


def test_a_limit_of_the_terms_holds_the_lines_down(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=0)
    limit = {"limit_basis": LimitBasis.PIECES_WEIGHT, "limit_rate": Decimal(2), "limit_weight_unit": "lb"}
    terms = make_terms("Two dollars a pound", **limit)
    drafting.set_terms(claim, chosen=terms, actor=clerk, at=NOON)
    claim = again(claim)
    assert (claim.terms, claim.amount) == (terms, Decimal("40.000"))
    assert claim.working["group_steps"]


def test_other_terms_than_those_found_need_a_reason(site, clerk):
    found, other = make_terms("Found"), make_terms("Other", carrier=make_carrier("Some Lines"))
    claim = make_claim(site, actor=clerk)
    with pytest.raises(Refused, match="Say why these terms hold"):
        drafting.set_terms(claim, chosen=other, actor=clerk, at=NOON)
    drafting.set_terms(claim, chosen=other, reason="contract of January", actor=clerk, at=NOON)
    assert (again(claim).terms, again(claim).terms_reason) == (other, "contract of January")
    drafting.set_terms(again(claim), chosen=found, actor=clerk, at=NOON)
    assert again(claim).terms == found


def test_a_limit_in_special_drawing_rights_waits_for_a_rate_with_day_and_source(site, clerk):
    limit = {"limit_basis": "pieces_weight", "limit_rate": Decimal("8.33"), "limit_currency": "XDR"}
    make_terms("By the kilogram", **limit, limit_weight_unit="kg")
    claim = make_claim(site, actor=clerk, damaged=1, short=0, weight=Decimal(10))
    assert claim.amount is None
    with pytest.raises(Refused, match="of which day") as caught:
        drafting.set_facts(claim, values={"rate": Decimal("1.36")}, actor=clerk, at=NOON)
    assert caught.value.field == "rate_date"
    rate = {"rate": Decimal("1.36"), "rate_date": date(2026, 3, 3), "rate_source": "the fund's page"}
    with pytest.raises(Refused, match="That day has not come yet"):
        drafting.set_facts(claim, values=rate, actor=clerk, at=NOON)
    rate["rate_date"] = date(2026, 3, 2)
    drafting.set_facts(claim, values=rate, actor=clerk, at=NOON)
    # 10 lb are 4.5359237 kg; x 8.33 x 1.36 = 51.3867
    assert again(claim).amount == Decimal("51.390")


def test_one_carrier_is_not_named_twice(site, clerk):
    claim = make_claim(site, actor=clerk)
    with pytest.raises(Refused, match="named twice"):
        drafting.set_facts(claim, values={"second_carrier": claim.carrier}, actor=clerk, at=NOON)


# --- deciding not to claim --------------------------------------------------------------------------------------------


def test_a_decision_not_to_claim_is_evidence_for_each_piece_and_can_be_taken_back(site, clerk):
    shipment = make_load(site, actor=clerk, damaged=1, short=1)
    first, second = drafting.decide_not(losses(shipment), reason="too small", uuid=uuid.uuid4(), actor=clerk, at=NOON)
    assert list(queries.claimable(site)) == []
    drafting.claim_after_all(first, reason="more came to light", uuid=uuid.uuid4(), actor=clerk, at=NOON)
    assert list(queries.claimable(site)) == [first.discrepancy]
    assert list(NotClaimed.objects.standing()) == [second]
    assert list(verification.verify_rows(site)) == []
    assert Event.objects.filter(verb="piece.not_claimed").count() == 2
    with pytest.raises(ChangedMeanwhile, match="taken back already"):
        drafting.claim_after_all(first, reason="again", uuid=uuid.uuid4(), actor=clerk, at=NOON)


def test_a_piece_on_a_claim_is_not_decided_against(site, clerk):
    claim = make_claim(site, actor=clerk)
    with pytest.raises(ChangedMeanwhile, match="is on claim NOR-26-0001 already"):
        drafting.decide_not(losses(claim.shipment), reason="x", uuid=uuid.uuid4(), actor=clerk, at=NOON)


def test_nobody_decides_twice_or_without_a_reason(site, clerk):
    pieces = losses(make_load(site, actor=clerk))
    with pytest.raises(Refused, match="Say why it is not claimed"):
        drafting.decide_not(pieces, reason=" ", uuid=uuid.uuid4(), actor=clerk, at=NOON)
    drafting.decide_not(pieces, reason="too small", uuid=uuid.uuid4(), actor=clerk, at=NOON)
    with pytest.raises(Refused, match="It was decided not to claim"):
        drafting.decide_not(pieces, reason="too small", uuid=uuid.uuid4(), actor=clerk, at=NOON)


# --- turned up --------------------------------------------------------------------------------------------------------


def test_a_claimed_short_that_is_found_is_told_with_what_it_is_worth(site, clerk):
    claim = make_filed(site, actor=clerk, damaged=1, short=2)
    assert queries.turned_up(site) == []
    short = losses(claim.shipment)[-1]
    discrepancies.mark_found(short, actor=clerk, at=NOON)
    [found] = queries.turned_up(site)
    assert (found.claim, found.piece, found.left, found.amount) == (claim, short, 0, Decimal("125.00"))


def test_a_short_of_fewer_cartons_than_claimed_is_told_for_the_difference(site, clerk):
    shipment = make_load(site, actor=clerk, damaged=0, short=1)
    Carton.objects.filter(discrepancies__shipment=shipment).update(expected=4)
    Discrepancy.objects.filter(shipment=shipment).update(quantity=4)
    make_claim(site, actor=clerk, shipment=shipment)
    discrepancies.one_found(losses(shipment)[0], actor=clerk, at=NOON)
    [found] = queries.turned_up(site)
    assert (found.left, found.amount) == (3, Decimal("125.00"))


def test_a_line_that_was_dropped_or_withdrawn_does_not_turn_up(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=1)
    discrepancies.mark_found(losses(claim.shipment)[-1], actor=clerk, at=NOON)
    drafting.drop_line(claim.lines.get(position=2), reason="found", version=1, actor=clerk, at=NOON)
    assert queries.turned_up(site) == []


def test_what_turned_up_at_another_site_is_not_ours(site, clerk):
    claim = make_filed(site, actor=clerk, damaged=0, short=1)
    discrepancies.mark_found(losses(claim.shipment)[0], actor=clerk, at=NOON)
    assert queries.turned_up(make_site("SOU")) == []
    assert Shipment.objects.count() == 1
