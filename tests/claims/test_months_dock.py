"""Month sums follow every step of the dock: after each, what is kept equals a count from scratch and says the news."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from django.core.files.base import ContentFile

from claims import months
from claims.models import BillCount, VisitCount
from receiving import discrepancies, dock, load_list, setup
from receiving.enums import ArrivalState, Attribution, Kind, MomentKind, WhereFound
from receiving.evidence import facts as told
from receiving.models import Arrival, Discrepancy, Shipment
from receiving.setup import fingerprint
from tests.builders import NOON, make_account, make_arrival, make_carrier, make_person, make_site, sscc
from tests.claims.builders import losses, make_damage, make_load
from tests.claims.kept_sums import kept

pytestmark = pytest.mark.django_db
LATER = NOON + timedelta(hours=2)


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def lead(site):
    return make_person("lead", site, "lead")


@pytest.fixture
def shipment(site, lead):
    """A trailer that left, already counted: two damaged in transit, two short, four good."""
    found = make_load(site, actor=lead, damaged=2, short=2, good=4)
    months.refresh(site)
    return found


def count_of(shipment):
    """The BillCount after another look, which equals a count from scratch; None where there is none."""
    site = shipment.arrival.site
    assert months.refresh(site) > 0
    found = kept(site)
    months.rebuild(site)
    assert found == kept(site)
    return BillCount.objects.filter(pk=shipment.pk).first()


def reopen(shipment, lead):
    """Its trailer back at the door, and its bill as it is then."""
    arrival = Arrival.objects.select_related("site").get(pk=shipment.arrival_id)
    dock.advance(arrival, to=ArrivalState.COUNTED, moment=MomentKind.REOPENED, actor=lead, at=LATER)
    return Shipment.objects.select_related("arrival__site").get(pk=shipment.pk)


def let_go(shipment, lead, at=LATER):
    """Gone again, as the signature lets it go, without its sheet, which takes long to draw."""
    arrival = Arrival.objects.select_related("site").get(pk=shipment.arrival_id)
    also = {"released_at": at}
    dock.advance(arrival, to=ArrivalState.RELEASED, moment=MomentKind.RELEASED, also=also, actor=lead, at=at)


# --- the trailer ------------------------------------------------------------------------------------------------------


def test_a_trailer_that_is_reopened_leaves_its_month_and_comes_back(shipment, lead):
    reopen(shipment, lead)
    assert count_of(shipment) is None
    assert not VisitCount.objects.exists()
    let_go(shipment, lead, at=NOON + timedelta(days=40))
    assert count_of(shipment).month.isoformat() == "2026-04-01"


def test_another_carrier_is_named(shipment, lead):
    other = make_carrier()
    arrival = reopen(shipment, lead).arrival
    dock.edit_arrival(arrival, facts={"carrier": other}, version=arrival.version, actor=lead, at=LATER)
    let_go(shipment, lead)
    assert count_of(shipment).carrier == other


def test_when_it_came_is_corrected(shipment, lead):
    arrival = reopen(shipment, lead).arrival
    times = {"appointment_at": NOON, "gate_at": NOON + timedelta(minutes=90)}
    dock.edit_arrival(arrival, facts=times, version=arrival.version, actor=lead, at=LATER)
    let_go(shipment, lead)
    count_of(shipment)
    assert VisitCount.objects.get().minutes_late == 90


def test_another_bill_is_found_on_the_trailer(shipment, lead):
    arrival = reopen(shipment, lead).arrival
    bill = {"account": make_account(), "bill_number": "BL-2", "pieces": 30, "origin": "Lakeside"}
    second = dock.add_shipment(arrival, uuid=uuid.uuid4(), facts=bill, actor=lead, at=LATER)
    let_go(shipment, lead)
    row = count_of(second)
    assert (row.listed, row.origin, row.counted) == (30, "Lakeside", "blind")


def test_a_bill_is_corrected(shipment, lead):
    open_again, account = reopen(shipment, lead), make_account()
    bill = {"account": account, "origin": "Mill  Town", "loaded_by": "shipper"}
    dock.edit_shipment(open_again, facts=bill, version=open_again.version, actor=lead, at=LATER)
    let_go(shipment, lead)
    row = count_of(shipment)
    assert (row.account, row.origin, row.short) == (account, "Mill Town", 0)
    assert row.beside == {"short": {"clear_seal": 2}}


def test_a_seal_is_corrected(shipment, lead):
    open_again = reopen(shipment, lead)
    dock.edit_shipment(open_again, facts={"loaded_by": "shipper"}, version=open_again.version, actor=lead, at=LATER)
    let_go(shipment, lead)
    assert count_of(shipment).short == 0
    assert not VisitCount.objects.get().seal_exception
    arrival = reopen(shipment, lead).arrival
    right = {"number_on_paper": "0123456", "number_on_seal": "0123456", "condition": "broken"}
    wrong, why = arrival.seals.get(), "the wire was cut"
    dock.record_seal(arrival, uuid=uuid.uuid4(), facts=right, replaces=wrong, reason=why, actor=lead, at=LATER)
    let_go(shipment, lead)
    assert count_of(shipment).short == 2
    assert VisitCount.objects.get().seal_exception


def test_pieces_are_refused_aboard(site, lead):
    arrival = make_arrival(site, actor=lead, state=ArrivalState.COUNTED, pieces=9, carrier=make_carrier())
    bill = arrival.shipments.select_related("arrival__site").get()
    let_go(bill, lead)
    assert count_of(bill).listed == 9
    open_again = reopen(bill, lead)
    dock.refuse_rest(open_again, uuid=uuid.uuid4(), pieces=4, reason="wet", actor=lead, at=LATER)
    assert count_of(bill) is None
    let_go(bill, lead)
    assert count_of(bill).listed == 9


def test_its_load_list_is_replaced(site, lead):
    arrival = make_arrival(site, actor=lead, state=ArrivalState.COUNTED, pieces=3, carrier=make_carrier())
    bill = arrival.shipments.select_related("arrival__site", "account").get()
    first = confirmed(bill, lead, range(3))
    let_go(bill, lead)
    assert count_of(bill).listed == 3
    open_again = reopen(bill, lead)
    confirmed(open_again, lead, range(5), replaces=first.pk)
    let_go(bill, lead)
    row = count_of(bill)
    assert (row.listed, row.counted) == (5, "list")


def confirmed(bill, lead, numbers, replaces=None):
    rows = "\n".join(["Carton ID,Store,Description", *(f"{sscc(70 + n)},0412,Lamp" for n in numbers)])
    upload = ContentFile(rows.encode())
    found = load_list.receive_file(bill, uuid=uuid.uuid4(), upload=upload, filename="list.csv", actor=lead, at=LATER)
    return load_list.confirm(found, add_stores=True, replaces=replaces, actor=lead, at=LATER)


def test_the_site_s_clock_is_corrected(site, lead):
    shipment = make_load(site, actor=lead, at=datetime(2026, 4, 1, 2, 30, tzinfo=UTC))
    assert count_of(shipment).month.isoformat() == "2026-03-01"
    site.refresh_from_db()
    seen = fingerprint(site, setup.SITE_FACTS)
    facts = told(site, setup.SITE_FACTS) | {"time_zone": "Europe/Dublin"}
    setup.change_site(site, facts=facts, seen=seen, actor=lead, at=LATER)
    site.refresh_from_db()
    assert months.refresh(site) == 1
    assert BillCount.objects.get().month.isoformat() == "2026-04-01"


# --- its pieces -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("whose", [each for each in Attribution if each != Attribution.TRANSIT])
def test_a_piece_is_attributed_to_somebody_else(shipment, lead, whose):
    piece = losses(shipment)[0]
    said = {"where_found": WhereFound.PALLET, "attribution": whose, "reason": "seen by two"}
    discrepancies.attribute(piece, **said, version=piece.version, actor=lead, at=LATER)
    row = count_of(shipment)
    assert (row.damaged, row.beside) == (1, {"damaged": {whose: 1}})


def test_a_short_is_found(shipment, lead):
    discrepancies.mark_found(losses(shipment)[2], actor=lead, at=LATER)
    row = count_of(shipment)
    assert (row.short, row.received) == (1, 7)


def test_a_piece_is_logged_after_the_trailer_left_and_voided(shipment, lead):
    carton = shipment.cartons.order_by("line").last()
    piece = make_damage(shipment.arrival, carton, actor=lead, at=LATER)
    assert piece.after_release
    assert count_of(shipment).damaged == 3
    discrepancies.void(piece, reason="the wrong carton", actor=lead, at=LATER)
    assert count_of(shipment).damaged == 2


def test_a_number_of_pieces_is_corrected(site, lead):
    arrival = make_arrival(site, actor=lead, state=ArrivalState.COUNTED, pieces=9, carrier=make_carrier())
    bill = arrival.shipments.select_related("arrival__site").get()
    short = discrepancies.declare_short(bill, quantity=3, actor=lead, at=NOON)[0]
    let_go(bill, lead)
    assert count_of(bill).short == 3
    reopen(bill, lead)
    short = Discrepancy.objects.get(pk=short.pk)
    discrepancies.amend(short, facts={"quantity": 2}, version=short.version, reason="miscounted", actor=lead, at=LATER)
    let_go(bill, lead)
    assert count_of(bill).short == 2


@pytest.mark.parametrize("hurt", [False, True])
def test_an_over_is_matched_with_the_short_of_another_trailer(site, shipment, lead, hurt):
    other = make_load(site, actor=lead, damaged=0, short=0, good=3)
    short = losses(shipment)[2]
    facts = {"label": short.label, "shipment": other, "damaged_too": hurt, "no_photo_reason": "for a test"}
    if hurt:
        facts |= {"attribution": Attribution.TRANSIT, "where_found": WhereFound.CONVEYOR, "disposition": "salvage"}
    codes = list(site.damage_codes.all()) if hurt else []
    over = discrepancies.record(
        other.arrival, uuid=uuid.uuid4(), kind=Kind.OVER, facts=facts, codes=codes, actor=lead, at=LATER, knowingly=True
    )
    there = count_of(other)
    assert (there.over, there.damaged) == (1, int(hurt))
    discrepancies.match_over_short(over, short, actor=lead, at=LATER)
    here = count_of(shipment)
    there.refresh_from_db()
    assert (there.over, there.damaged) == (0, 0)
    assert (here.short, here.damaged, here.received) == (1, 2 + hurt, 7)
