"""The trailer's way from the gate to the end of its count."""

import uuid
from datetime import timedelta
from itertools import product

import pytest

from receiving import dock, queries
from receiving.enums import ARRIVAL_MOVES, ArrivalState, IncidentKind, MomentKind, SealAction
from receiving.models import Arrival, Event, SealRecord, Shipment
from receiving.refusals import ChangedMeanwhile, Refused
from tests.builders import (
    NOON,
    make_arrival,
    make_carrier,
    make_door,
    make_person,
    make_seal,
    make_shipment,
    make_site,
)

pytestmark = pytest.mark.django_db
S = ArrivalState


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("lead", site, "alice")


@pytest.mark.parametrize(("was", "to"), list(product(ArrivalState, ArrivalState)))
def test_a_trailer_takes_only_the_legal_steps(site, alice, was, to):
    arrival = make_arrival(site, actor=alice)
    Arrival.objects.filter(pk=arrival.pk).update(state=was)
    arrival.refresh_from_db()
    events = Event.objects.count()
    if to in ARRIVAL_MOVES[was]:
        assert dock.advance(arrival, to=to, moment=MomentKind.OPENED, actor=alice, at=NOON).state == to
        assert Event.objects.count() == events + 1
    else:
        with pytest.raises(dock.IllegalStep):
            dock.advance(arrival, to=to, moment=MomentKind.OPENED, actor=alice, at=NOON)
        assert Arrival.objects.get(pk=arrival.pk).state == was
        assert Event.objects.count() == events


def test_of_two_people_one_wins_and_the_other_is_told(site, alice):
    arrival = make_arrival(site, actor=alice)
    stale = Arrival.objects.get(pk=arrival.pk)
    dock.cancel(arrival, reason="booked twice", actor=alice, at=NOON)
    with pytest.raises(ChangedMeanwhile):
        dock.bring_to_door(stale, door=make_door(site), actor=alice, at=NOON)
    assert Arrival.objects.get(pk=arrival.pk).state == S.CANCELLED


def test_facts_changed_meanwhile_are_not_overwritten(site, alice):
    arrival = make_arrival(site, actor=alice)
    dock.edit_arrival(arrival, facts={"driver": "Lee"}, version=1, actor=alice, at=NOON)
    with pytest.raises(ChangedMeanwhile):
        dock.edit_arrival(arrival, facts={"driver": "Kim"}, version=1, actor=alice, at=NOON)
    assert Arrival.objects.get(pk=arrival.pk).driver == "Lee"
    assert Event.objects.filter(verb="arrival.edited").get().before == {"driver": ""}


def ready(site, alice, **seal):
    arrival = make_arrival(site, actor=alice, state=S.AT_DOOR, pieces=10)
    if seal is not None:
        make_seal(arrival, actor=alice, **seal)
    return dock.tick(arrival, ticks=dict.fromkeys(dock.TICKS, True), actor=alice, at=NOON)


def test_unloading_waits_for_seal_ticks_and_bill(site, alice):
    arrival = make_arrival(site, actor=alice, state=S.AT_DOOR)
    assert len(dock.what_unloading_needs(arrival)) == 3
    with pytest.raises(Refused, match="seal"):
        dock.start_unloading(arrival, actor=alice, at=NOON)
    dock.state_unsealed(arrival, reason="driver says it was never sealed", actor=alice, at=NOON)
    make_shipment(arrival, actor=alice)
    arrival = dock.tick(arrival, ticks=dict.fromkeys(dock.TICKS, True), actor=alice, at=NOON)
    assert dock.start_unloading(arrival, actor=alice, at=NOON).state == S.UNLOADING


@pytest.mark.parametrize(
    "seal",
    [
        {"condition": "broken"},
        {"condition": "altered"},
        {"condition": "missing", "number_on_seal": ""},
        {"number_on_seal": "0123457"},
    ],
)
def test_a_seal_that_is_not_right_wants_its_incident_note_first(site, alice, seal):
    arrival = ready(site, alice, **seal)
    with pytest.raises(Refused, match="incident note"):
        dock.start_unloading(arrival, actor=alice, at=NOON)
    dock.note_incident(arrival, uuid=uuid.uuid4(), kind=IncidentKind.SEAL, text="cut at the gate", actor=alice, at=NOON)
    assert dock.start_unloading(arrival, actor=alice, at=NOON).state == S.UNLOADING


def test_a_corrected_seal_keeps_the_old_row_and_stops_counting(site, alice):
    arrival = ready(site, alice, number_on_seal="0123457")
    old = SealRecord.objects.get()
    facts = {"number_on_paper": "0123456", "number_on_seal": "0123456", "condition": "intact"}
    with pytest.raises(Refused, match="why"):
        dock.record_seal(arrival, uuid=uuid.uuid4(), facts=facts, replaces=old, actor=alice, at=NOON)
    dock.record_seal(arrival, uuid=uuid.uuid4(), facts=facts, replaces=old, reason="misread", actor=alice, at=NOON)
    assert SealRecord.objects.count() == 2
    assert dock.what_unloading_needs(arrival) == []


def test_a_seal_put_on_for_the_night_must_come_off_before_work_goes_on(site, alice):
    arrival = make_arrival(site, actor=alice, state=S.UNLOADING)
    arrival = dock.pause(arrival, held_by="yard guard", actor=alice, at=NOON)
    make_seal(arrival, actor=alice, action=SealAction.APPLIED, number_on_seal="N77")
    with pytest.raises(Refused, match="N77"):
        dock.resume(arrival, actor=alice, at=NOON)
    make_seal(arrival, actor=alice, action=SealAction.REMOVED, number_on_paper="N77", number_on_seal="N77")
    assert dock.resume(arrival, actor=alice, at=NOON).state == S.UNLOADING


def test_a_trailer_refused_in_whole_refuses_every_piece(site, alice):
    arrival = make_arrival(site, actor=alice, state=S.AT_DOOR, pieces=40)
    dock.refuse_whole(arrival, reason="load collapsed", actor=alice, at=NOON)
    assert [refusal.pieces for refusal in arrival.shipments.get().refusals.all()] == [40]


@pytest.mark.parametrize("pieces", [0, 11, -1])
def test_no_more_can_be_refused_than_is_outstanding(site, alice, pieces):
    arrival = make_arrival(site, actor=alice, state=S.UNLOADING, pieces=10)
    with pytest.raises(Refused) as why:
        dock.refuse_rest(arrival.shipments.get(), uuid=uuid.uuid4(), pieces=pieces, reason="wet", actor=alice, at=NOON)
    assert why.value.field == "pieces"


def test_a_refusal_can_be_taken_back(site, alice):
    shipment = make_arrival(site, actor=alice, state=S.UNLOADING, pieces=10).shipments.get()
    for pieces in (4, -4):
        dock.refuse_rest(shipment, uuid=uuid.uuid4(), pieces=pieces, reason="wet", actor=alice, at=NOON)
    assert sum(refusal.pieces for refusal in shipment.refusals.all()) == 0


def test_what_happened_a_while_ago_is_kept_beside_when_it_was_written(site, alice):
    arrival = make_arrival(site, actor=alice, state=S.UNLOADING)
    ended = NOON + timedelta(hours=1)
    arrival = dock.end_count(arrival, actor=alice, at=NOON + timedelta(hours=3), happened_at=ended)
    assert arrival.counted_at == ended
    assert arrival.moments.get(kind=MomentKind.COUNTED).at == ended
    event = Event.objects.get(verb="arrival.counted")
    assert event.at == NOON + timedelta(hours=3)
    assert event.after["happened_at"] == "2026-03-02T19:00:00Z"


@pytest.mark.parametrize(("hours", "code"), [(4, "in_the_future"), (-1, "before_last_step")])
def test_a_step_happens_after_the_last_one_and_before_now(site, alice, hours, code):
    arrival = make_arrival(site, actor=alice, state=S.UNLOADING)
    now, said = NOON + timedelta(hours=3), NOON + timedelta(hours=hours)
    with pytest.raises(Refused) as why:
        dock.pause(arrival, held_by="guard", actor=alice, at=now, happened_at=said)
    assert (why.value.code, why.value.field) == (code, "happened_at")
    assert Arrival.objects.get().state == S.UNLOADING


def test_a_door_takes_one_trailer_at_a_time(site, alice):
    first, second = make_arrival(site, actor=alice, state=S.AT_DOOR), make_arrival(site, actor=alice)
    with pytest.raises(Refused) as why:
        dock.bring_to_door(second, door=first.door, actor=alice, at=NOON)
    assert why.value.code == "door_taken"
    door = first.door
    dock.edit_arrival(first, facts={"door": make_door(site)}, version=first.version, actor=alice, at=NOON)
    second = dock.bring_to_door(second, door=door, actor=alice, at=NOON)
    with pytest.raises(Refused, match="Choose another door"):
        dock.edit_arrival(first, facts={"door": second.door}, version=first.version, actor=alice, at=NOON)


@pytest.mark.parametrize("finish", [dock.cancel, dock.refuse_whole])
def test_a_trailer_that_is_sent_away_frees_its_door_and_says_when_it_left(site, alice, finish):
    first, second = make_arrival(site, actor=alice, state=S.AT_DOOR, pieces=3), make_arrival(site, actor=alice)
    finish(first, reason="sent elsewhere", actor=alice, at=NOON)
    assert Arrival.objects.get(pk=first.pk).closed_at == NOON
    assert dock.bring_to_door(second, door=first.door, actor=alice, at=NOON).state == S.AT_DOOR


def test_a_bill_number_stands_once_on_a_trailer(site, alice):
    arrival = make_arrival(site, actor=alice, pieces=3)
    bill = arrival.shipments.get()
    with pytest.raises(Refused) as why:
        make_shipment(arrival, actor=alice, bill_number=bill.bill_number)
    assert (why.value.code, why.value.field) == ("bill_twice", "bill_number")
    other = make_shipment(arrival, actor=alice)
    with pytest.raises(Refused, match="already on trailer"):
        dock.edit_shipment(other, facts={"bill_number": bill.bill_number}, version=1, actor=alice, at=NOON)
    assert make_shipment(make_arrival(site, actor=alice), actor=alice, bill_number=bill.bill_number)


def test_of_two_people_changing_a_chain_the_second_is_told(site, alice):
    shipment = make_arrival(site, actor=alice, pieces=3).shipments.get()
    one, two = make_carrier(), make_carrier(kind="broker")
    shipment = dock.edit_shipment(shipment, facts={}, chain=[one, two], version=1, actor=alice, at=NOON)
    assert Shipment.objects.get().version == 2
    with pytest.raises(ChangedMeanwhile):
        dock.edit_shipment(shipment, facts={}, chain=[two], version=1, actor=alice, at=NOON)
    assert [link.carrier for link in queries.chain(shipment)] == [one, two]
    dock.edit_shipment(shipment, facts={"pieces": 4}, chain=[two, one], version=2, actor=alice, at=NOON)
    assert Shipment.objects.get().version == 4
    assert [event.verb for event in Event.objects.order_by("-pk")[:2]] == ["shipment.edited", "shipment.chain"]


def seal(action, number, paper="", **more):
    return SealRecord(action=action, number_on_seal=number, number_on_paper=paper, condition="intact", **more)


@pytest.mark.parametrize(
    ("seals", "on"),
    [
        ([("found", "1"), ("removed", "1"), ("applied", "N1")], ["N1"]),
        ([("applied", "N1"), ("removed", "n-1")], []),
        ([("applied", "N1"), ("removed", "", "N1")], []),
        ([("applied", "N1"), ("applied", "N2"), ("removed", "N1")], ["N2"]),
        ([("applied", "N1"), ("removed", "N1"), ("applied", "N1")], ["N1"]),
    ],
)
def test_seals_put_on_here_are_told_from_seals_found(seals, on):
    assert [row.number_on_seal for row in dock.seals_on([seal(*row) for row in seals])] == on


def test_a_night_seal_that_is_not_the_one_put_on_wants_a_note(site, alice):
    arrival = dock.pause(make_arrival(site, actor=alice, state=S.UNLOADING), held_by="guard", actor=alice, at=NOON)
    make_seal(arrival, actor=alice, action="applied", number_on_paper="", number_on_seal="N1")
    make_seal(arrival, actor=alice, action="removed", number_on_paper="N1", number_on_seal="N9")
    with pytest.raises(Refused) as why:
        dock.resume(arrival, actor=alice, at=NOON)
    assert why.value.code == "incident_missing"
    dock.note_incident(arrival, uuid=uuid.uuid4(), kind="seal", text="another seal", actor=alice, at=NOON)
    assert dock.resume(arrival, actor=alice, at=NOON).state == S.UNLOADING


def test_a_seal_without_a_number_is_a_missing_seal(site, alice):
    arrival = make_arrival(site, actor=alice, state=S.AT_DOOR)
    with pytest.raises(Refused) as why:
        make_seal(arrival, actor=alice, number_on_seal="")
    assert why.value.field == "number_on_seal"
    assert make_seal(arrival, actor=alice, number_on_seal="", condition="missing").pk


def test_what_was_signed_is_not_edited(site, alice):
    arrival = dock.cancel(make_arrival(site, actor=alice), reason="booked twice", actor=alice, at=NOON)
    for change in (
        lambda: dock.edit_arrival(arrival, facts={"driver": "Kim"}, version=arrival.version, actor=alice, at=NOON),
        lambda: dock.tick(arrival, ticks=dict.fromkeys(dock.TICKS, True), actor=alice, at=NOON),
        lambda: dock.state_unsealed(arrival, reason="none", actor=alice, at=NOON),
    ):
        with pytest.raises(Refused, match="reopen it first"):
            change()


@pytest.mark.parametrize("labels", [["2", "10", "10A", "A1", "B"], ["1", "3", "21"]], ids=["numbers first", "by value"])
def test_doors_stand_as_people_walk_past_them(site, labels):
    for label in reversed(labels):
        make_door(site, label)
    assert [door.label for door in queries.doors(site)] == labels
