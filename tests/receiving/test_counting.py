"""Cartons coming off: what each scan is answered, and that the counts follow."""

import threading
import uuid

import pytest
from django.db import connection

from receiving import counting, discrepancies, dock, queries
from receiving.enums import ArrivalState, Kind, ScanResult
from receiving.models import Carton, Event, Pallet, Scan
from receiving.refusals import ChangedMeanwhile, Refused
from tests.builders import NOON, make_account, make_arrival, make_cartons, make_code, make_person, make_site, make_store

pytestmark = pytest.mark.django_db
R = ScanResult


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("receiver", site, "alice")


@pytest.fixture
def account():
    return make_account("Juniper Home Stores")


@pytest.fixture
def stores(site, account):
    return [make_store(site, account, number) for number in ("0417", "0105")]


@pytest.fixture
def trailer(site, alice, account, stores):
    """Four listed cartons: stores 0417, 0105, 0417, 0105."""
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=4, account=account)
    make_cartons(arrival.shipments.get(), 4, stores=stores)
    return arrival


def labels(arrival):
    return list(Carton.objects.filter(arrival=arrival).order_by("line").values_list("label", flat=True))


def scan(arrival, *raws, actor, **given):
    reads = [counting.Read(raw) for raw in raws]
    return counting.scan(arrival, reads=reads, actor=actor, at=NOON, **given)


def results(answers):
    return [answer.result for answer in answers]


def square(arrival):
    found = queries.trailer_squaring(arrival)
    assert found.adds_up
    return found


def test_a_listed_carton_counts_once_and_then_says_who_counted_it(trailer, alice):
    label = labels(trailer)[0]
    (answer,) = scan(trailer, f"]C100{label}", actor=alice)
    assert (answer.result, answer.store.number) == (R.COUNTED, "0417")
    (again,) = scan(trailer, label, actor=alice)
    assert (again.result, again.detail) == (R.ALREADY, "Counted 12:00 by Alice.")
    assert square(trailer).received == 1


def test_a_label_that_legally_repeats_counts_as_often_as_it_is_expected(trailer, alice):
    label = labels(trailer)[0]
    Carton.objects.filter(label=label).update(expected=2)
    assert results(scan(trailer, label, label, label, actor=alice)) == [R.COUNTED, R.COUNTED, R.ALREADY]


def test_a_batch_is_one_event_and_a_row_each(trailer, alice):
    before = Event.objects.count()
    scan(trailer, *labels(trailer), "NOT LISTED", actor=alice)
    assert Event.objects.count() == before + 1
    assert Scan.objects.count() == 5
    assert len(Event.objects.order_by("seq").last().after["scans"]) == 5


def test_a_wrong_check_digit_is_kept_but_counts_nothing(trailer, alice):
    (answer,) = scan(trailer, "195212340000000011", actor=alice)
    assert answer.result == R.BAD_LABEL
    assert "should be 0" in answer.detail
    assert Scan.objects.get().label == "195212340000000011"
    assert square(trailer).received == 0


def test_a_carton_of_another_open_trailer_is_credited_there(trailer, site, alice, account, stores):
    other = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=1, account=account)
    make_cartons(other.shipments.get(), 1, stores=stores, start=900)
    (answer,) = scan(trailer, labels(other)[0], actor=alice)
    assert (answer.result, answer.arrival) == (R.OTHER_TRAILER, other)
    assert other.trailer_number in answer.detail
    assert (square(trailer).received, square(other).received) == (0, 1)


def test_a_carton_of_a_closed_trailer_is_not_credited(trailer, site, alice, account, stores):
    other = make_arrival(site, actor=alice, state=ArrivalState.AT_DOOR, pieces=1, account=account)
    make_cartons(other.shipments.get(), 1, stores=stores, start=900)
    assert results(scan(trailer, labels(other)[0], actor=alice)) == [R.NOT_LISTED]


def test_another_sites_carton_is_on_no_list_here(trailer, alice, account):
    away = make_site("SOU")
    other = make_arrival(away, actor=alice, state=ArrivalState.UNLOADING, pieces=1, account=account)
    make_cartons(other.shipments.get(), 1, start=900)
    assert results(scan(trailer, labels(other)[0], actor=alice)) == [R.NOT_LISTED]


def test_a_short_that_is_scanned_is_found(trailer, alice):
    bill = trailer.shipments.get()
    (short, *_) = discrepancies.declare_short(bill, cartons=queries.missing_cartons(bill), actor=alice, at=NOON)
    (answer,) = scan(trailer, short.label, actor=alice)
    short.refresh_from_db()
    assert (answer.result, short.state) == (R.FOUND, "found")
    assert (square(trailer).short, square(trailer).received) == (3, 1)


def test_a_rerouted_carton_shows_its_new_store(trailer, alice, stores):
    label = labels(trailer)[0]
    discrepancies.record(
        trailer,
        uuid=uuid.uuid4(),
        kind=Kind.REROUTED,
        facts={"label": label, "new_store": stores[1]},
        actor=alice,
        at=NOON,
    )
    (answer,) = scan(trailer, label, actor=alice)
    assert (answer.result, answer.store.number) == (R.ALREADY, "0105")


def test_on_the_wrong_pallet_it_counts_and_says_where_it_belongs(trailer, site, alice, stores):
    pallets = [counting.open_pallet(site, store=store, uuid=uuid.uuid4(), actor=alice, at=NOON) for store in stores]
    here, there = labels(trailer)[:2]
    assert results(scan(trailer, here, actor=alice, pallet=pallets[0])) == [R.COUNTED]
    (answer,) = scan(trailer, there, actor=alice, pallet=pallets[0])
    assert (answer.result, answer.detail) == (R.WRONG_PALLET, "It goes to store 0105: pallet L-2.")
    assert results(scan(trailer, there, actor=alice, pallet=pallets[1])) == [R.PLACED]
    assert [pallet.cartons.count() for pallet in pallets] == [1, 1]
    assert square(trailer).received == 2


def test_a_closed_pallet_is_closed_once(site, alice, stores):
    pallet = counting.open_pallet(site, store=stores[0], uuid=uuid.uuid4(), actor=alice, at=NOON)
    assert counting.close_pallet(pallet, actor=alice, at=NOON).state == "closed"
    with pytest.raises(ChangedMeanwhile):
        counting.close_pallet(Pallet.objects.get(), actor=alice, at=NOON)


def test_without_a_list_labels_count_once_each_against_the_bill(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=3)
    assert results(scan(arrival, "A1", "A2", "A1", actor=alice)) == [R.BLIND, R.BLIND, R.ALREADY]
    assert (square(arrival).received, square(arrival).missing) == (2, 1)


def test_tallied_cartons_count_and_are_taken_back(trailer, alice, stores):
    bill = trailer.shipments.get()
    counting.tally(bill, store=stores[0], count=5, uuid=uuid.uuid4(), actor=alice, at=NOON)
    assert (square(trailer).received, square(trailer).over, square(trailer).missing) == (5, 3, 2)
    counting.undo_last(trailer, uuid=uuid.uuid4(), actor=alice, at=NOON)
    assert square(trailer).received == 0


@pytest.mark.parametrize("count", [0, 101, -101])
def test_a_tally_out_of_range_is_refused(trailer, alice, count):
    with pytest.raises(Refused):
        counting.tally(trailer.shipments.get(), store=None, count=count, uuid=uuid.uuid4(), actor=alice, at=NOON)


def test_undo_takes_back_ones_own_last_count_only(trailer, site, alice):
    bob = make_person("receiver", site, "bob")
    first, second = labels(trailer)[:2]
    scan(trailer, first, actor=alice)
    scan(trailer, second, actor=bob)
    counting.undo_last(trailer, uuid=uuid.uuid4(), actor=alice, at=NOON)
    assert [c.received for c in Carton.objects.order_by("line")[:2]] == [0, 1]
    with pytest.raises(Refused, match="nothing here"):
        counting.undo_last(trailer, uuid=uuid.uuid4(), actor=alice, at=NOON)
    assert Scan.objects.count() == 3


def test_a_logged_carton_is_here_and_cannot_be_uncounted(trailer, site, alice):
    label = labels(trailer)[0]
    scan(trailer, label, actor=alice)
    discrepancies.record(
        trailer,
        uuid=uuid.uuid4(),
        kind=Kind.DAMAGED,
        facts={"label": label},
        codes=[make_code(site)],
        actor=alice,
        at=NOON,
    )
    with pytest.raises(Refused, match="Void that piece first"):
        counting.undo_last(trailer, uuid=uuid.uuid4(), actor=alice, at=NOON)


def test_a_paused_trailer_is_not_counted(trailer, alice):
    arrival = dock.pause(trailer, held_by="guard", actor=alice, at=NOON)
    with pytest.raises(Refused, match="paused"):
        scan(arrival, labels(arrival)[0], actor=alice)


def test_a_scan_file_is_one_event_with_an_answer_per_line(trailer, alice):
    rows = "\n".join(f"{label},2026-03-02T11:58:00Z" for label in labels(trailer))
    before = Event.objects.count()
    found = counting.import_scans(
        trailer,
        data=f"carton id,time\n{rows}\nNOPE,\n".encode(),
        filename="scans.csv",
        uuid=uuid.uuid4(),
        actor=alice,
        at=NOON,
    )
    assert [line for line, _ in found] == [2, 3, 4, 5, 6]
    assert results(answer for _, answer in found) == [R.COUNTED] * 4 + [R.NOT_LISTED]
    assert Scan.objects.order_by("pk").first().device_at.isoformat() == "2026-03-02T11:58:00+00:00"
    assert Event.objects.count() == before + 1


def test_a_scan_file_without_a_label_column_is_refused(trailer, alice):
    with pytest.raises(Refused, match="Its headings are: a, b"):
        counting.import_scans(trailer, data=b"a,b\n1,2\n", filename="x.csv", uuid=uuid.uuid4(), actor=alice, at=NOON)


def test_the_statements_of_one_scan_do_not_depend_on_the_list(
    trailer, site, alice, account, stores, django_assert_max_num_queries, django_assert_num_queries
):
    large = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=900, account=account)
    make_cartons(large.shipments.get(), 900, stores=stores, start=5000)
    first, second = labels(trailer)[0], labels(large)[0]
    trailer.site, large.site  # noqa: B018  fetched before the counting of queries begins
    with django_assert_max_num_queries(8) as few:
        scan(trailer, first, actor=alice)
    with django_assert_num_queries(len(few)):
        scan(large, second, actor=alice)


@pytest.mark.django_db(transaction=True)
def test_of_two_people_scanning_one_carton_at_once_one_counts_it(trailer, site, alice):
    bob = make_person("receiver", site, "bob")
    label, found, gate = labels(trailer)[0], [], threading.Barrier(2)

    def at_once(person):
        gate.wait()
        found.extend(results(scan(trailer, label, actor=person)))
        connection.close()

    threads = [threading.Thread(target=at_once, args=[person]) for person in (alice, bob)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(found) == [R.ALREADY, R.COUNTED]
    assert Carton.objects.get(label=label).received == 1
