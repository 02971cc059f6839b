"""Cartons coming off: what each scan is answered, and that the counts follow."""

import threading
import uuid
from datetime import timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from receiving import counting, discrepancies, dock, queries
from receiving.enums import ArrivalState, Kind, ScanResult
from receiving.models import Arrival, Carton, Discrepancy, Event, Pallet, Scan, TallyTap
from receiving.refusals import ChangedMeanwhile, Refused
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_cartons,
    make_code,
    make_person,
    make_shipment,
    make_site,
    make_store,
)

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


def take_file(arrival, text, *, actor, uuid=None):
    file = counting.open_scans(text.encode(), filename="scans.csv", zone_name=arrival.site.time_zone)
    return counting.import_scans(arrival, file=file, uuid=uuid or uuid4(), actor=actor, at=NOON)


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
    assert (again.result, again.detail) == (R.ALREADY, "Counted 12:00 CST by Alice.")
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


@pytest.mark.parametrize("state", [ArrivalState.EXPECTED, ArrivalState.AT_DOOR])
def test_a_carton_of_a_trailer_that_waits_is_kept_for_it(trailer, site, alice, account, stores, state):
    other = make_arrival(site, actor=alice, state=state, pieces=1, account=account)
    make_cartons(other.shipments.get(), 1, stores=stores, start=900)
    (answer,) = scan(trailer, labels(other)[0], actor=alice)
    assert (answer.result, answer.store.number) == (R.OTHER_WAITING, "0417")
    assert f"belongs to trailer {other.trailer_number}. Keep it" in answer.detail
    assert Scan.objects.get().carton is None
    assert Carton.objects.get(arrival=other).received == 0


def test_a_carton_of_a_trailer_that_left_is_logged_as_over(trailer, site, alice, account, stores):
    other = make_arrival(site, actor=alice, state=ArrivalState.COUNTED, pieces=1, account=account)
    make_cartons(other.shipments.get(), 1, stores=stores, start=900)
    Arrival.objects.filter(pk=other.pk).update(state=ArrivalState.RELEASED, released_at=NOON - timedelta(days=1))
    (answer,) = scan(trailer, labels(other)[0], actor=alice)
    assert answer.result == R.OTHER_RELEASED
    assert "left Sun 1 Mar 2026, 12:00 CST. Log it as over" in answer.detail


def test_a_repeating_label_of_a_trailer_that_left_says_nothing_about_this_one(trailer, site, alice, account, stores):
    other = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=1, account=account)
    make_cartons(other.shipments.get(), 1, stores=stores, start=900)
    Carton.objects.filter(arrival=other).update(label="CASE 7", received=1)
    assert results(scan(trailer, "case 7", actor=alice)) == [R.NOT_LISTED]
    Carton.objects.filter(arrival=other).update(expected=2)
    assert results(scan(trailer, "case 7", actor=alice)) == [R.OTHER_TRAILER]


def test_a_label_that_two_other_trailers_want_is_credited_to_neither(trailer, site, alice, account, stores):
    for start in (900, 950):
        other = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=1, account=account)
        make_cartons(other.shipments.get(), 1, stores=stores, start=start)
        Carton.objects.filter(arrival=other).update(label="CASE 7")
    assert results(scan(trailer, "CASE 7", actor=alice)) == [R.NOT_LISTED]


def test_after_release_a_scan_says_what_is_known_and_counts_nothing(trailer, alice):
    first, second = labels(trailer)[:2]
    scan(trailer, first, actor=alice)
    Arrival.objects.filter(pk=trailer.pk).update(state=ArrivalState.RELEASED, released_at=NOON)
    trailer.refresh_from_db()
    known, missing = scan(trailer, first, second, actor=alice)
    assert (known.result, missing.result) == (R.OTHER_RELEASED, R.OTHER_RELEASED)
    assert known.detail == "This trailer left 12:00 CST. Counted 12:00 CST by Alice."
    assert missing.detail.endswith("The carton was not counted. Log what you found as a late finding.")
    assert Carton.objects.get(label=second).received == 0


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
    found = take_file(trailer, f"carton id,time\n{rows}\nNOPE,\n", actor=alice)
    assert [line for line, _ in found] == [2, 3, 4, 5, 6]
    assert results(answer for _, answer in found) == [R.COUNTED] * 4 + [R.NOT_LISTED]
    assert Scan.objects.order_by("pk").first().device_at.isoformat() == "2026-03-02T11:58:00+00:00"
    assert Event.objects.count() == before + 1


def test_a_scan_file_without_a_label_column_is_refused(trailer, alice):
    with pytest.raises(Refused, match="Its headings are: a, b"):
        take_file(trailer, "a,b\n1,2\n", actor=alice)


def test_a_scan_file_without_a_heading_is_read_by_its_carton_ids(trailer, alice):
    text = "".join(f"2026-03-02 10:30,{label}\n" for label in labels(trailer)[:2])
    found = take_file(trailer, text, actor=alice)
    assert [(line, answer.result) for line, answer in found] == [(1, R.COUNTED), (2, R.COUNTED)]
    assert [row.device_at.isoformat() for row in Scan.objects.all()] == ["2026-03-02T16:30:00+00:00"] * 2


def test_a_carton_id_that_a_spreadsheet_has_spoilt_counts_nothing_and_says_so(trailer, alice):
    (first, *_) = found = take_file(trailer, "label,time\n1.95212E+17,\n,\nA7,yesterday\n", actor=alice)
    assert [answer.result for _, answer in found] == [R.BAD_LABEL, R.NOT_LISTED]
    assert "scientific notation" in first[1].detail


def test_what_a_scan_file_leaves_open_is_told(trailer):
    file = counting.open_scans(b"label,time\nA7,yesterday\n", filename="x.csv", zone_name="America/Chicago")
    assert file.remarks == ["1 times could not be read; those scans have none."]


def test_the_statements_of_one_scan_do_not_depend_on_the_list(
    trailer, site, alice, account, stores, django_assert_max_num_queries, django_assert_num_queries
):
    large = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=900, account=account)
    make_cartons(large.shipments.get(), 900, stores=stores, start=5000)
    first, second = labels(trailer)[0], labels(large)[0]
    trailer.site, large.site  # noqa: B018  fetched before the counting of queries begins
    with django_assert_max_num_queries(10) as few:
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


def test_what_was_true_a_moment_ago_is_judged_again(trailer, site, alice, monkeypatch):
    """Somebody else's count falls between our look and our write."""
    label = labels(trailer)[0]
    bob, look, looks = make_person("receiver", site, "bob"), counting.wanted_cartons, []

    def bob_counts():
        Carton.objects.filter(label=label).update(received=1, received_at=NOON, received_by=bob)

    def look_then_lose(arrival, wanted):
        if looks:
            bob_counts()  # his count was in our transaction, which was rolled back
        found = list(look(arrival, wanted))
        bob_counts()
        looks.append(wanted)
        return found

    monkeypatch.setattr(counting, "wanted_cartons", look_then_lose)
    (answer,) = scan(trailer, label, actor=alice)
    assert (answer.result, answer.detail) == (R.ALREADY, "Counted 12:00 CST by Bob.")
    assert len(looks) == 2
    assert Scan.objects.count() == 1


def test_a_scan_sent_again_in_another_batch_counts_once(trailer, alice):
    first, second = (counting.Read(label) for label in labels(trailer)[:2])
    counting.scan(trailer, reads=[first], actor=alice, at=NOON)
    again, fresh = counting.scan(trailer, reads=[first, second], actor=alice, at=NOON)
    assert (again.result, again.repeated, fresh.repeated) == (R.COUNTED, True, False)
    (alone,) = counting.scan(trailer, reads=[first], actor=alice, at=NOON)
    assert alone.repeated
    assert (Scan.objects.count(), square(trailer).received) == (2, 2)
    assert [len(event.after["scans"]) for event in Event.objects.filter(verb="scans")] == [1, 1]


def test_another_label_under_a_known_number_is_refused(trailer, alice):
    first, second = labels(trailer)[:2]
    read = counting.Read(first)
    counting.scan(trailer, reads=[read], actor=alice, at=NOON)
    with pytest.raises(Refused, match="under the number"):
        counting.scan(trailer, reads=[counting.Read(second, read.uuid)], actor=alice, at=NOON)
    assert square(trailer).received == 1


def test_a_pallet_that_is_closed_takes_nothing(trailer, site, alice, stores):
    pallet = counting.open_pallet(site, store=stores[0], uuid=uuid4(), actor=alice, at=NOON)
    pallet = counting.close_pallet(pallet, actor=alice, at=NOON)
    with pytest.raises(Refused, match="closed and wrapped"):
        scan(trailer, labels(trailer)[0], actor=alice, pallet=pallet)
    assert not Scan.objects.exists()


def test_an_already_counted_carton_on_the_wrong_pallet_says_where_it_belongs(trailer, site, alice, stores):
    pallet = counting.open_pallet(site, store=stores[1], uuid=uuid4(), actor=alice, at=NOON)
    label = labels(trailer)[0]
    scan(trailer, label, actor=alice)
    (answer,) = scan(trailer, label, actor=alice, pallet=pallet)
    assert (answer.result, answer.misplaced, answer.pallet) == (R.ALREADY, True, None)
    assert answer.detail == "Counted 12:00 CST by Alice. It goes to store 0417; no pallet is open for it."
    assert Carton.objects.get(label=label).pallet is None


def test_of_a_repeating_label_the_missing_one_counts_before_the_short_one_is_found(trailer, alice):
    bill, label = trailer.shipments.get(), labels(trailer)[0]
    carton = Carton.objects.filter(label=label)
    carton.update(expected=3, received=1)
    (short,) = discrepancies.declare_short(bill, cartons=carton, actor=alice, at=NOON)
    Discrepancy.objects.filter(pk=short.pk).update(quantity=1)
    assert results(scan(trailer, label, label, label, actor=alice)) == [R.COUNTED, R.FOUND, R.ALREADY]
    short.refresh_from_db()
    assert short.state == "found"


def test_several_bills_without_a_list_ask_for_which(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=3)
    second = make_shipment(arrival, actor=alice, pieces=2)
    with pytest.raises(Refused, match="Choose the bill") as why:
        scan(arrival, "A1", actor=alice)
    assert why.value.field == "shipment"
    assert results(scan(arrival, "A1", actor=alice, shipment=second)) == [R.BLIND]
    assert queries.shipment_squaring(second).received == 1


def test_taking_back_a_placing_puts_the_carton_where_it_stood(trailer, site, alice, stores):
    first, second = (counting.open_pallet(site, store=stores[0], uuid=uuid4(), actor=alice, at=NOON) for _ in "ab")
    label = labels(trailer)[0]
    assert results(scan(trailer, label, actor=alice, pallet=first)) == [R.COUNTED]
    assert results(scan(trailer, label, actor=alice, pallet=second)) == [R.PLACED]
    counting.undo_last(trailer, uuid=uuid4(), actor=alice, at=NOON)
    carton = Carton.objects.get(label=label)
    assert (carton.received, carton.pallet) == (1, first)
    counting.undo_last(trailer, uuid=uuid4(), actor=alice, at=NOON)
    carton.refresh_from_db()
    assert (carton.received, carton.pallet, carton.received_at, carton.received_by, carton.received_how) == (
        0,
        None,
        None,
        None,
        "",
    )


def test_a_count_credited_to_a_trailer_that_left_stays(trailer, site, alice, account, stores):
    other = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=1, account=account)
    make_cartons(other.shipments.get(), 1, stores=stores, start=900)
    scan(trailer, labels(other)[0], actor=alice)
    Arrival.objects.filter(pk=other.pk).update(state=ArrivalState.RELEASED)
    with pytest.raises(Refused, match="It stays counted"):
        counting.undo_last(trailer, uuid=uuid4(), actor=alice, at=NOON)
    assert Carton.objects.get(arrival=other).received == 1


def test_a_blind_count_taken_over_by_a_list_is_taken_back_there(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=1)
    scan(arrival, "A1", actor=alice)
    make_cartons(arrival.shipments.get(), 1, received=1)
    Carton.objects.update(label="A1")
    counting.undo_last(arrival, uuid=uuid4(), actor=alice, at=NOON)
    assert Carton.objects.get().received == 0


def test_a_found_carton_taken_back_is_missing_again(trailer, alice):
    bill = trailer.shipments.get()
    (short, *_) = discrepancies.declare_short(bill, cartons=queries.missing_cartons(bill), actor=alice, at=NOON)
    scan(trailer, short.label, actor=alice)
    counting.undo_last(trailer, uuid=uuid4(), actor=alice, at=NOON)
    assert (square(trailer).received, square(trailer).missing, square(trailer).short) == (0, 1, 3)


def test_a_tally_never_falls_below_none(trailer, alice, stores):
    bill = trailer.shipments.get()
    counting.tally(bill, store=stores[0], count=5, uuid=uuid4(), actor=alice, at=NOON)
    with pytest.raises(Refused, match="5 are tallied"):
        counting.tally(bill, store=stores[0], count=-6, uuid=uuid4(), actor=alice, at=NOON)
    counting.tally(bill, store=stores[0], count=-5, uuid=uuid4(), actor=alice, at=NOON)
    assert TallyTap.objects.count() == 2


def test_the_statements_of_a_batch_hardly_depend_on_its_size(trailer, site, alice, account, stores):
    large = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=400, account=account)
    make_cartons(large.shipments.get(), 400, stores=stores, start=5000)
    with CaptureQueriesContext(connection) as queries_made:
        scan(large, *labels(large), actor=alice)
    inserts = [query for query in queries_made if "INSERT INTO" in query["sql"]]
    assert len(queries_made) - len(inserts) < 12
    assert square(large).received == 400


@pytest.mark.skipif(connection.vendor != "sqlite", reason="it is SQLite that takes the wrong index")
def test_live_scans_are_found_without_walking_through_all_scans(trailer, alice):
    wanted = {
        "scan_seen_at_actor": queries.live_scans(seen_at=trailer, actor=alice).order_by("-pk")[:1],
        "scan_arrival_label": queries.live_scans(arrival=trailer, label__in=["A"]),
        "receiving_scan_arrival": queries.blind_scans([trailer.pk]),
        "receiving_scan_carton": queries.live_scans(carton=1),
    }
    for index, scans in wanted.items():
        first = scans.explain().splitlines()[0]
        assert f"SEARCH receiving_scan USING INDEX {index}" in first or (
            "arrival" in index and "INDEX scan_arrival_label (arrival_id" in first
        ), first


@pytest.mark.parametrize("taken_back", [True, False])
def test_taps_that_were_taken_back_make_no_tally(trailer, site, alice, stores, taken_back):
    bill = trailer.shipments.get()
    counting.tally(bill, store=stores[0], count=1, uuid=uuid4(), actor=alice, at=NOON)
    if taken_back:
        counting.undo_last(trailer, uuid=uuid4(), actor=alice, at=NOON)
    facts = {"label": labels(trailer)[0]}
    given = {"kind": Kind.DAMAGED, "facts": facts, "codes": [make_code(site)], "actor": alice, "at": NOON}
    piece = discrepancies.record(trailer, uuid=uuid4(), **given)
    piece.carton.refresh_from_db()
    assert piece.carton.received == taken_back
    assert square(trailer).received == 1
    assert queries.SquaringFacts([bill]).is_tallied(bill.pk) is not taken_back


def test_a_short_that_is_logged_as_damaged_is_found_and_received(trailer, site, alice):
    carton = Carton.objects.get(arrival=trailer, line=0)
    (short,) = discrepancies.declare_short(carton.shipment, cartons=[carton], actor=alice, at=NOON)
    given = {"facts": {"label": carton.label}, "codes": [make_code(site)], "actor": alice, "at": NOON}
    discrepancies.record(trailer, uuid=uuid4(), kind=Kind.DAMAGED, **given)
    short.refresh_from_db()
    carton.refresh_from_db()
    assert (short.state, carton.received) == ("found", 1)
    squared = square(trailer)
    assert (squared.received, squared.short, squared.damaged, squared.contradiction) == (1, 0, 1, 0)


def test_a_short_of_a_tallied_store_that_is_logged_as_damaged_is_told_of(trailer, site, alice, stores):
    bill = trailer.shipments.get()
    carton = Carton.objects.get(arrival=trailer, line=0)
    discrepancies.declare_short(bill, cartons=[carton], actor=alice, at=NOON)
    counting.tally(bill, store=stores[0], count=1, uuid=uuid4(), actor=alice, at=NOON)
    given = {"facts": {"label": carton.label}, "codes": [make_code(site)], "actor": alice, "at": NOON}
    discrepancies.record(trailer, uuid=uuid4(), kind=Kind.DAMAGED, **given)
    squared = square(trailer)
    assert (squared.received, squared.short, squared.missing, squared.damaged) == (1, 0, 3, 1)


def test_a_tap_and_a_scan_are_taken_back_each_by_its_own_button(trailer, alice, stores):
    counting.tally(trailer.shipments.get(), store=stores[0], count=5, uuid=uuid4(), actor=alice, at=NOON)
    scan(trailer, labels(trailer)[1], actor=alice)
    given = {"actor": alice, "at": NOON}
    assert counting.undo_last(trailer, what="tap", uuid=uuid4(), **given).count == -5
    with pytest.raises(Refused, match="nothing here that could be taken back"):
        counting.undo_last(trailer, what="tap", uuid=uuid4(), **given)
    counting.tally(
        trailer.shipments.get(), store=stores[0], count=5, uuid=uuid4(), actor=alice, at=NOON + timedelta(hours=1)
    )
    assert counting.undo_last(trailer, what="scan", uuid=uuid4(), **given).label == labels(trailer)[1]


def test_our_own_tag_is_no_carton_and_is_never_counted_blind(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=3)
    tag = "https://dock.example:8000/NOR/piece/5/"
    with pytest.raises(Refused, match="This is the tag of piece P-5") as why:
        scan(arrival, tag, actor=alice)
    assert why.value.code == "own_tag"
    assert results(scan(arrival, "A1", tag, actor=alice)) == [R.BLIND, R.BAD_LABEL]
    assert square(arrival).received == 1
