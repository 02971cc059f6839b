"""Facts of a filed claim through the real writers: what each kind needs, what cannot be, what takes what back."""

import uuid
from contextlib import contextmanager
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, transaction

from claims import facts, filing, readings, standing
from claims.enums import FactKind, Ground, LineKind, Purpose, Speaker, Stage, Standing
from claims.facts import NEEDS
from claims.models import Amendment, Claim, ClaimLine, Document, Fact, LineDecision, SalvageLot
from receiving.models import Discrepancy, Event
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify_chain, verify_rows
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_damage, make_filed
from tests.claims.fact_builders import FILED, LATER, SAID, at_once, decide, lot, make_fact, take_back

pytestmark = pytest.mark.django_db
TODAY = LATER.date()


@contextmanager
def refused(code, field=None):
    with pytest.raises(Refused) as info:
        yield
    assert (info.value.code, info.value.field) == (code, field)
    assert info.value.message.strip().endswith(".")


@pytest.fixture
def site():
    return make_site(write_off_limit=Decimal(50))


@pytest.fixture
def clerk(site):
    return make_person("clerk", site)


@pytest.fixture
def manager(site):
    return make_person("manager", site)


@pytest.fixture
def claim(site, clerk):
    """A filed claim of USD 250: line 1 damaged, line 2 short, 125 each."""
    return make_filed(site, actor=clerk)


def lines(claim):
    return list(claim.lines.filter(live=True).order_by("position"))


def read(claim):
    return readings.reading(Claim.objects.select_related("site").get(pk=claim.pk), at=LATER)


def make_document(claim, actor):
    return Document.objects.create(
        claim=claim, kind="carrier_letter", file="x", name="letter.pdf", content_type="application/pdf",
        sha256="0" * 64, size=1, pages=1, actor=actor, at=NOON,
    )  # fmt: skip


# -- each kind


@pytest.mark.parametrize("kind", [kind for kind in FactKind if kind != FactKind.AMENDED])
def test_a_fact_of_each_kind_is_kept_with_its_event(claim, clerk, kind):
    more = {}
    if kind == FactKind.OFFER_DECLINED:
        more = {"answers": make_fact(claim, FactKind.OFFER, actor=clerk)}
    if kind in (FactKind.REFUND, FactKind.PASSED_ON):
        make_fact(claim, FactKind.RECEIPT, actor=clerk)
    if kind == FactKind.DECISION:
        more = {"decisions": [decide(lines(claim)[0], 25)]}
    if kind == FactKind.SALVAGE:
        more = {"lots": [lot(lines(claim)[0], 30)]}
    fact = make_fact(claim, kind, actor=clerk, **more)
    event = Event.objects.get(record=f"fact:{fact.pk}")
    assert (fact.kind, fact.claim, event.verb, event.actor) == (kind, claim, "claim.fact", clerk)
    assert event.after["on"] == str(fact.on)
    assert list(verify_rows(claim.site)) == [] and list(verify_chain(claim.site)) == []


@pytest.mark.parametrize(("kind", "name"), [(kind, name) for kind in SAID for name in NEEDS[kind].needed])
def test_a_fact_that_lacks_what_its_kind_needs_is_refused_at_that_field(claim, clerk, kind, name):
    with refused(f"{name}_missing", name):
        make_fact(claim, kind, actor=clerk, **{name: None})
    assert not Fact.objects.exists()


def test_every_kind_has_its_needs():
    assert set(NEEDS) == set(FactKind)


def test_a_fact_does_not_say_what_its_kind_has_no_word_for(claim, clerk):
    with pytest.raises(ValueError, match="amount"):
        make_fact(claim, FactKind.NOTE, actor=clerk, amount=Decimal(1))


@pytest.mark.parametrize("kind", sorted(set(SAID) - {kind for kind in NEEDS if NEEDS[kind].handover}))
def test_what_demands_money_does_not_happen_to_a_hand_over(site, clerk, kind):
    handover = make_filed(site, actor=clerk, purpose=Purpose.HANDOVER)
    with refused("handover"):
        make_fact(handover, kind, actor=clerk)


def test_a_hand_over_is_acknowledged_like_a_claim(site, clerk):
    handover = make_filed(site, actor=clerk, purpose=Purpose.HANDOVER)
    make_fact(handover, FactKind.ACKNOWLEDGED, actor=clerk)
    assert read(handover).standing == Standing.HANDED_OVER


@pytest.mark.parametrize("stage", [Stage.DRAFT, Stage.CLOSED, Stage.WITHDRAWN])
def test_facts_happen_to_filed_claims_only(claim, clerk, stage):
    Claim.objects.filter(pk=claim.pk).update(stage=stage)
    with refused(f"claim_{stage}"):
        make_fact(claim, FactKind.NOTE, actor=clerk)


# -- days


def test_a_fact_of_tomorrow_is_refused_and_of_today_kept(claim, clerk):
    with refused("day_to_come", "on"):
        make_fact(claim, FactKind.NOTE, actor=clerk, on=TODAY + timedelta(days=1))
    assert make_fact(claim, FactKind.NOTE, actor=clerk, on=TODAY)


def test_today_is_the_sites_own(claim, clerk):
    shortly_after_midnight_in_london = LATER.replace(hour=3)
    with refused("day_to_come", "on"):
        make_fact(claim, FactKind.NOTE, actor=clerk, on=TODAY, at=shortly_after_midnight_in_london)


@pytest.mark.parametrize("kind", sorted(kind for kind in SAID if kind != FactKind.SALVAGE))
def test_only_what_can_come_before_the_filing_may(claim, clerk, kind):
    before = {"on": FILED - timedelta(days=2)}
    if kind == FactKind.OFFER_DECLINED:
        before["answers"] = make_fact(claim, FactKind.OFFER, actor=clerk)
    if NEEDS[kind].any_day:
        assert make_fact(claim, kind, actor=clerk, **before)
    else:
        with refused("day_too_early", "on"):
            make_fact(claim, kind, actor=clerk, **before)


def test_the_day_the_carrier_states_is_kept_within_reason(claim, clerk):
    acknowledged = FILED + timedelta(days=10)
    with refused("day_too_early", "received_on"):
        make_fact(claim, FactKind.ACKNOWLEDGED, actor=clerk, on=acknowledged, received_on=FILED - timedelta(days=2))
    with refused("received_after", "received_on"):
        make_fact(claim, FactKind.ACKNOWLEDGED, actor=clerk, on=acknowledged, received_on=acknowledged + timedelta(1))
    # Its calendar may be a day behind ours.
    fact = make_fact(claim, FactKind.ACKNOWLEDGED, actor=clerk, on=acknowledged, received_on=FILED - timedelta(days=1))
    assert fact.received_on == FILED - timedelta(days=1)


def test_an_offer_does_not_end_before_it_begins(claim, clerk):
    with refused("ends_before", "until"):
        make_fact(claim, FactKind.OFFER, actor=clerk, until=FILED)


# -- money


@pytest.mark.parametrize("amount", [0, -1])
def test_no_amount_is_nought_or_less(claim, clerk, amount):
    with refused("amount_not_positive", "amount"):
        make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(amount))


def test_money_is_whole_cents_wherever_it_is_written_down(claim, clerk):
    damaged, _short = lines(claim)
    fine = Decimal("10.005")
    with refused("finer_than_cents", "amount"):
        make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=fine)
    with refused("finer_than_cents", f"line-{damaged.pk}-allowed"):
        make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[decide(damaged, fine)])
    with refused("finer_than_cents", "gross"):
        make_fact(claim, FactKind.SALVAGE, actor=clerk, lots=[lot(damaged, fine)])
    Claim.objects.filter(pk=claim.pk).update(currency="JPY")
    with refused("finer_than_cents", "amount"):
        make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal("10.50"))


@pytest.mark.parametrize("name", ["speaker", "receipt_kind"])
def test_a_choice_is_one_of_those_there_are(claim, clerk, name):
    kind = FactKind.OFFER if name == "speaker" else FactKind.RECEIPT
    with refused("choice", name):
        make_fact(claim, kind, actor=clerk, **{name: "the moon"})


@pytest.mark.parametrize("kind", [FactKind.OFFER, FactKind.AGREED])
def test_nobody_offers_more_than_is_claimed(claim, clerk, kind):
    with refused("amount_above_claim", "amount"):
        make_fact(claim, kind, actor=clerk, amount=Decimal("250.01"))
    assert make_fact(claim, kind, actor=clerk, amount=Decimal(250))


@pytest.mark.parametrize("kind", [FactKind.REFUND, FactKind.PASSED_ON])
def test_no_more_goes_out_than_came_in(claim, clerk, kind):
    make_fact(claim, FactKind.RECEIPT, actor=clerk)
    make_fact(claim, kind, actor=clerk, amount=Decimal(60))
    with refused("amount_too_high", "amount"):
        make_fact(claim, kind, actor=clerk, amount=Decimal("40.01"))
    assert make_fact(claim, kind, actor=clerk, amount=Decimal(40))


@pytest.mark.parametrize("kind", [FactKind.RECEIPT, FactKind.OFFSET])
def test_an_amount_more_than_ten_times_the_claim_is_a_slip_of_the_finger(claim, clerk, kind):
    with refused("amount_too_high", "amount"):
        make_fact(claim, kind, actor=clerk, amount=Decimal("10000.01"))
    assert make_fact(claim, kind, actor=clerk, amount=Decimal(10000)).amount == 10000


def test_a_receipt_and_an_offset_come_in_and_money_adds_up(claim, clerk):
    make_fact(claim, FactKind.RECEIPT, actor=clerk)
    make_fact(claim, FactKind.OFFSET, actor=clerk)
    make_fact(claim, FactKind.REFUND, actor=clerk)
    money = read(claim).money
    assert (money.received, money.offset, money.refunded, money.outstanding) == (100, 100, 10, 60)


def test_too_much_came_in_is_kept_and_a_refund_is_due(claim, clerk):
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(300))
    assert (read(claim).standing, read(claim).money.refund_due) == (Standing.OVERPAID, 50)


# -- writing off


def test_a_clerk_writes_off_up_to_the_sites_limit_all_write_offs_of_the_claim_together(claim, clerk):
    make_fact(claim, FactKind.WRITTEN_OFF, actor=clerk, amount=Decimal(30))
    assert make_fact(claim, FactKind.WRITTEN_OFF, actor=clerk, amount=Decimal(20)).approved_by is None
    with refused("over_limit", "amount"):
        make_fact(claim, FactKind.WRITTEN_OFF, actor=clerk, amount=Decimal("0.01"))
    assert read(claim).money.written_off == 50


def test_a_manager_writes_off_over_the_limit_and_is_kept_as_the_approver(claim, clerk, manager):
    assert make_fact(claim, FactKind.WRITTEN_OFF, actor=manager, amount=Decimal(50)).approved_by is None
    fact = make_fact(claim, FactKind.WRITTEN_OFF, actor=manager, amount=Decimal(10))
    assert (fact.approved_by, Event.objects.get(record=f"fact:{fact.pk}").after["approved_by"]) == (manager, manager.pk)


def test_a_manager_of_another_site_does_not_approve_here(claim):
    stranger = make_person("manager", make_site("SOU"))
    with refused("over_limit", "amount"):
        make_fact(claim, FactKind.WRITTEN_OFF, actor=stranger, amount=Decimal(51))


def test_a_write_off_taken_back_leaves_room_again(claim, clerk):
    take_back(make_fact(claim, FactKind.WRITTEN_OFF, actor=clerk, amount=Decimal(50)), actor=clerk)
    assert make_fact(claim, FactKind.WRITTEN_OFF, actor=clerk, amount=Decimal(50))


def test_no_more_is_written_off_than_is_outstanding(claim, clerk, manager):
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(240))
    with refused("amount_too_high", "amount"):
        make_fact(claim, FactKind.WRITTEN_OFF, actor=manager, amount=Decimal("10.01"))


# -- decisions


def test_a_decision_is_kept_line_by_line_and_told_row_by_row(claim, clerk):
    damaged, short = lines(claim)
    fact = make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[decide(damaged, 100), decide(short, 125)])
    said = list(LineDecision.objects.filter(fact=fact).order_by("pk"))
    assert [(row.line, row.allowed, row.disallowed, row.ground) for row in said] == [
        (damaged, 100, 25, Ground.PACKAGING),
        (short, 125, 0, ""),
    ]
    assert Event.objects.filter(verb="claim.line_decided").count() == 2
    assert read(claim).standing == Standing.PARTLY_DISALLOWED
    assert list(verify_rows(claim.site)) == []


def test_a_decision_says_something_of_a_line(claim, clerk):
    with refused("decisions_missing"):
        make_fact(claim, FactKind.DECISION, actor=clerk)


def test_a_decided_line_is_divided_wholly(claim, clerk):
    damaged, _short = lines(claim)
    uneven = decide(damaged, 100) | {"disallowed": Decimal("24.99")}
    with refused("decision_uneven", f"line-{damaged.pk}-allowed"):
        make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[uneven])
    below = decide(damaged, 130) | {"disallowed": Decimal(-5)}
    with refused("negative", f"line-{damaged.pk}-allowed"):
        make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[below])


def test_each_no_has_its_ground_and_another_ground_its_words(claim, clerk):
    damaged, _short = lines(claim)
    with refused("ground_missing", f"line-{damaged.pk}-ground"):
        make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[decide(damaged, 0, ground="")])
    with refused("ground_unsaid", f"line-{damaged.pk}-note"):
        make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[decide(damaged, 0, ground=Ground.OTHER)])
    assert make_fact(
        claim, FactKind.DECISION, actor=clerk, decisions=[decide(damaged, 0, ground=Ground.OTHER, note="an act of God")]
    )


def test_a_decision_is_about_this_claims_live_lines(claim, clerk, site):
    with refused("line_gone"):
        make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[decide(lines(make_filed(site, actor=clerk))[0], 0)])


def test_an_insurers_no_is_kept_and_starts_no_clock(claim, clerk):
    damaged, _short = lines(claim)
    said = [decide(damaged, 0)]
    make_fact(claim, FactKind.DECISION, actor=clerk, decisions=said, speaker=Speaker.INSURER)
    assert standing.suit_starts(readings.happened([claim])[claim.pk]) == []
    assert read(claim).money.disallowed == 125
    fact = make_fact(claim, FactKind.DECISION, actor=clerk, decisions=said, speaker=Speaker.FOR_CARRIER)
    assert standing.suit_starts(readings.happened([claim])[claim.pk]) == [(damaged.pk, fact.on)]


# -- what answers what


def test_an_answer_is_to_an_offer_of_this_claim(claim, clerk, site):
    elsewhere = make_fact(make_filed(site, actor=clerk), FactKind.OFFER, actor=clerk)
    note = make_fact(claim, FactKind.NOTE, actor=clerk)
    for wrong in (elsewhere, note):
        with refused("answers_elsewhere", "answers"):
            make_fact(claim, FactKind.OFFER_DECLINED, actor=clerk, answers=wrong)
    offer = make_fact(claim, FactKind.OFFER, actor=clerk)
    assert read(claim).standing == Standing.OFFER_OPEN
    make_fact(claim, FactKind.OFFER_DECLINED, actor=clerk, answers=offer)
    assert read(claim).standing == Standing.TO_BE_DECIDED


def test_a_document_is_the_claims_own(claim, clerk, site):
    with refused("document_elsewhere", "document"):
        make_fact(claim, FactKind.NOTE, actor=clerk, document=make_document(make_filed(site, actor=clerk), clerk))
    mine = make_document(claim, clerk)
    assert make_fact(claim, FactKind.NOTE, actor=clerk, document=mine).document == mine


# -- taking back


def test_a_fact_taken_back_counts_no_more_and_stays_to_be_seen(claim, clerk):
    fact = make_fact(claim, FactKind.RECEIPT, actor=clerk)
    back = take_back(fact, actor=clerk, reason="booked on the wrong claim")
    assert (back.reverses, back.kind, back.note, back.on) == (fact, fact.kind, "booked on the wrong claim", TODAY)
    assert read(claim).money.received == 0
    assert Fact.objects.filter(claim=claim).count() == 2
    assert list(verify_rows(claim.site)) == []


def test_a_fact_is_taken_back_once_and_with_a_reason(claim, clerk):
    fact = make_fact(claim, FactKind.RECEIPT, actor=clerk)
    with refused("reason_missing", "reason"):
        take_back(fact, actor=clerk, reason="  ")
    back = take_back(fact, actor=clerk)
    with pytest.raises(ChangedMeanwhile):
        take_back(fact, actor=clerk)
    with refused("is_reversal"):
        take_back(back, actor=clerk)


def test_a_payment_that_bounces_reopens_the_closed_claim(claim, clerk):
    fact = make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(250))
    closed = filing.close(claim, actor=clerk, at=LATER)
    assert closed.stage == Stage.CLOSED
    take_back(fact, actor=clerk, reason="the cheque bounced")
    claim.refresh_from_db()
    assert (claim.stage, read(claim).money.outstanding) == (Stage.FILED, 250)
    assert Event.objects.get(verb="claim.reopened").after["reason"] == "the cheque bounced"


def test_another_fact_of_a_closed_claim_is_not_taken_back_before_it_is_reopened(claim, clerk):
    note = make_fact(claim, FactKind.NOTE, actor=clerk)
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(250))
    filing.close(claim, actor=clerk, at=LATER)
    with refused("claim_closed"):
        take_back(note, actor=clerk)


# -- salvage


def test_salvage_after_filing_comes_off_the_line_and_may_make_a_refund_due(claim, clerk):
    damaged, _short = lines(claim)
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(250))
    fact = make_fact(
        claim, FactKind.SALVAGE, actor=clerk, lots=[lot(damaged, 40, costs=10), lot(damaged, 5, number="L-2")]
    )
    damaged.refresh_from_db()
    claim.refresh_from_db()
    assert (damaged.salvage, damaged.amount, claim.amount, fact.amount) == (35, 90, 215, 35)
    assert (read(claim).standing, read(claim).money.refund_due) == (Standing.OVERPAID, 35)
    assert SalvageLot.objects.count() == 2 and list(verify_rows(claim.site)) == []
    told = Event.objects.get(verb="claim.salvage")
    assert (told.before["amount"], told.after["amount"]) == ("250.000", "215.000")


def test_salvage_taken_back_puts_the_amount_back(claim, clerk):
    damaged, _short = lines(claim)
    fact = make_fact(
        claim, FactKind.SALVAGE, actor=clerk, lots=[lot(damaged, 40, costs=50), lot(damaged, 5, number="2")]
    )
    take_back(fact, actor=clerk)
    damaged.refresh_from_db()
    claim.refresh_from_db()
    assert (damaged.salvage, damaged.amount, claim.amount) == (0, 125, 250)
    assert make_fact(claim, FactKind.SALVAGE, actor=clerk, lots=[lot(damaged, 5, number="2")])


def test_a_lot_is_sold_once(claim, clerk):
    damaged, _short = lines(claim)
    make_fact(claim, FactKind.SALVAGE, actor=clerk, lots=[lot(damaged, 5)])
    for lots in ([lot(damaged, 6)], [lot(damaged, 6, number="L-2"), lot(damaged, 6, number="L-2 ")]):
        with refused("lot_sold", "lot"):
            make_fact(claim, FactKind.SALVAGE, actor=clerk, lots=lots)


def test_what_did_not_come_is_not_sold(claim, clerk):
    _damaged, short = lines(claim)
    assert short.kind == LineKind.LOSS
    with refused("nothing_to_sell", "line"):
        make_fact(claim, FactKind.SALVAGE, actor=clerk, lots=[lot(short, 5)])


def test_food_on_hold_is_not_sold(claim, clerk):
    damaged, _short = lines(claim)
    Discrepancy.objects.filter(pk=damaged.discrepancy_id).update(food_hold=True, disposition="")
    with pytest.raises(Refused) as info:
        make_fact(claim, FactKind.SALVAGE, actor=clerk, lots=[lot(damaged, 5)])
    assert info.value.field == "line"
    damaged.refresh_from_db()
    assert damaged.salvage == 0


@pytest.mark.parametrize(
    ("change", "code", "field"),
    [
        ({"lot": " "}, "lot_missing", "lot"),
        ({"method": ""}, "method_missing", "method"),
        ({"gross": Decimal(-1)}, "negative", "gross"),
        ({"costs": Decimal(-1)}, "negative", "costs"),
    ],
)
def test_a_lot_says_its_number_how_it_went_and_no_negative_money(claim, clerk, change, code, field):
    with refused(code, field):
        make_fact(claim, FactKind.SALVAGE, actor=clerk, lots=[lot(lines(claim)[0], 5) | change])
    with refused("lots_missing"):
        make_fact(claim, FactKind.SALVAGE, actor=clerk)


# -- amending


def amend(claim, *, actor, reason="the store counted again", on=TODAY, **changes):
    return facts.amend(claim, reason=reason, on=on, uuid=uuid.uuid4(), actor=actor, at=LATER, **changes)


def test_an_amendment_keeps_the_lines_before_and_after(claim, clerk):
    damaged, short = lines(claim)
    row = amend(
        claim, actor=clerk, values={damaged.pk: {"quantity": Decimal(4)}, short.pk: {"unit_price": Decimal(15)}}
    )
    claim.refresh_from_db()
    assert claim.amount == 200
    assert [(line["quantity"], line["amount"]) for line in row.before["lines"]] == [("10.000", "125.000")] * 2
    assert [(line["quantity"], line["amount"]) for line in row.after["lines"]] == [
        ("4.000", "50.000"),
        ("10.000", "150.000"),
    ]
    assert (row.fact.kind, row.fact.amount, row.fact.note) == (FactKind.AMENDED, 200, "the store counted again")
    assert list(verify_rows(claim.site)) == []


def test_a_line_taken_off_by_amendment_frees_its_piece(claim, clerk):
    _damaged, short = lines(claim)
    amend(claim, actor=clerk, drop=[short.pk])
    short.refresh_from_db()
    claim.refresh_from_db()
    assert (short.live, claim.amount, short.discrepancy.claimed_at) == (False, 125, None)


def test_a_piece_found_later_is_added_by_amendment(site, clerk):
    claim = make_filed(site, actor=clerk, good=3)
    carton = claim.shipment.cartons.filter(received=1, discrepancies=None).first()
    piece = make_damage(claim.shipment.arrival, carton, actor=make_person("lead", site))
    amend(claim, actor=clerk, pieces=[piece])
    claim.refresh_from_db()
    piece.refresh_from_db()
    assert claim.amount == 375 and piece.claimed_at
    assert claim.lines.get(discrepancy=piece).position == 3


@pytest.mark.parametrize("amended", ["nothing", "all", "no price"])
def test_an_amendment_that_leaves_nothing_to_claim_or_changes_nothing_is_refused_whole(claim, clerk, amended):
    damaged, short = lines(claim)
    changes, code = {
        "nothing": ({"values": {damaged.pk: {"quantity": damaged.quantity}}}, "nothing_changed"),
        "all": ({"drop": [damaged.pk, short.pk]}, "last_line"),
        "no price": ({"values": {damaged.pk: {"unit_price": None, "price_source": ""}}}, "undetermined"),
    }[amended]
    with refused(code):
        amend(claim, actor=clerk, **changes)
    claim.refresh_from_db()
    assert (claim.amount, [line.amount for line in lines(claim)]) == (250, [125, 125])
    assert not Fact.objects.exists() and not Amendment.objects.exists()


def test_an_amendment_has_a_reason_and_is_not_taken_back(claim, clerk):
    damaged, _short = lines(claim)
    change = {"values": {damaged.pk: {"quantity": Decimal(4)}}}
    with refused("reason_missing", "reason"):
        amend(claim, actor=clerk, reason=" ", **change)
    row = amend(claim, actor=clerk, **change)
    with refused("is_amendment"):
        take_back(row.fact, actor=clerk)
    with refused("amend_instead"):
        facts.record(claim, kind=FactKind.AMENDED, facts={"on": TODAY}, uuid=uuid.uuid4(), actor=clerk, at=LATER)


def test_more_is_not_asked_for_behind_an_agreement(claim, clerk):
    damaged, _short = lines(claim)
    agreed = make_fact(claim, FactKind.AGREED, actor=clerk)
    more = {"values": {damaged.pk: {"quantity": Decimal(20)}}}
    with refused("agreed"):
        amend(claim, actor=clerk, **more)
    take_back(agreed, actor=clerk)
    assert amend(claim, actor=clerk, **more)


def test_a_line_somebody_else_took_off_is_not_amended(claim, clerk):
    damaged, _short = lines(claim)
    amend(claim, actor=clerk, drop=[damaged.pk])
    with pytest.raises(ChangedMeanwhile):
        amend(claim, actor=clerk, values={damaged.pk: {"quantity": Decimal(4)}})


# -- two at once, and round the back


def test_whoever_saw_an_older_claim_is_told(claim, clerk):
    make_fact(claim, FactKind.NOTE, actor=clerk, seen=claim.version)
    with pytest.raises(ChangedMeanwhile):
        make_fact(claim, FactKind.NOTE, actor=clerk, seen=claim.version)
    assert Fact.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_two_clerks_write_off_at_once_and_the_limit_holds_for_both_together(claim, clerk, site):
    other = make_person("clerk", site)
    came = at_once(
        *[
            lambda who=who: make_fact(claim, FactKind.WRITTEN_OFF, actor=who, amount=Decimal(40))
            for who in (clerk, other)
        ]
    )
    assert sorted(type(each).__name__ for each in came) == ["Fact", "Refused"]
    assert read(claim).money.written_off == 40


@pytest.mark.django_db(transaction=True)
def test_two_clerks_who_saw_the_same_claim_record_one_receipt(claim, clerk, site):
    other = make_person("clerk", site)
    came = at_once(
        *[lambda who=who: make_fact(claim, FactKind.RECEIPT, actor=who, seen=claim.version) for who in (clerk, other)]
    )
    assert sorted(type(each).__name__ for each in came) == ["ChangedMeanwhile", "Fact"]
    assert read(claim).money.received == 100


@pytest.mark.django_db(transaction=True)
def test_two_clerks_take_the_same_fact_back_once(claim, clerk, site):
    other = make_person("clerk", site)
    fact = make_fact(claim, FactKind.RECEIPT, actor=clerk)
    came = at_once(*[lambda who=who: take_back(fact, actor=who) for who in (clerk, other)])
    assert sorted(type(each).__name__ for each in came) == ["ChangedMeanwhile", "Fact"]


@pytest.mark.parametrize("model", [Fact, LineDecision, SalvageLot, Amendment])
def test_the_database_refuses_to_change_what_happened(claim, clerk, model):
    damaged, _short = lines(claim)
    make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[decide(damaged, 25)])
    make_fact(claim, FactKind.SALVAGE, actor=clerk, lots=[lot(damaged, 5)])
    amend(claim, actor=clerk, values={damaged.pk: {"quantity": Decimal(4)}})
    with pytest.raises(DatabaseError), transaction.atomic():
        model.objects.update(at=NOON)
    with pytest.raises(DatabaseError), transaction.atomic():
        model.objects.all().delete()


def test_a_fact_with_the_number_of_another_is_not_written(claim, clerk):
    number = uuid.uuid4()
    make_fact(claim, FactKind.NOTE, actor=clerk, number=number)
    with pytest.raises(DatabaseError), transaction.atomic():
        make_fact(claim, FactKind.NOTE, actor=clerk, number=number)


def test_many_claims_are_read_in_three_queries(site, clerk, django_assert_num_queries):
    for _ in range(3):
        make_fact(make_filed(site, actor=clerk), FactKind.RECEIPT, actor=clerk)
    claims = list(Claim.objects.select_related("site"))
    with django_assert_num_queries(3):
        found = readings.readings(claims, at=LATER)
    assert [found[claim.pk].money.received for claim in claims] == [100, 100, 100]
    assert date(2026, 5, 1) == TODAY and ClaimLine.objects.count() == 6
