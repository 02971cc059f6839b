"""The trailer's way from the gate to the end of its count."""

import uuid
from itertools import product

import pytest

from receiving import dock
from receiving.enums import ARRIVAL_MOVES, ArrivalState, IncidentKind, MomentKind, SealAction
from receiving.models import Arrival, Event, SealRecord
from receiving.refusals import ChangedMeanwhile, Refused
from tests.builders import NOON, make_arrival, make_door, make_person, make_seal, make_shipment, make_site

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
