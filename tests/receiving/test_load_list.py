"""A load list from its upload to its cartons, on the database."""

import io
import threading
import uuid
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from pathlib import Path

import pytest
from django.db import IntegrityError, connection
from django.test.utils import CaptureQueriesContext

from receiving import dock, evidence, load_list, queries
from receiving.enums import ArrivalState, DiscrepancyState, Kind, ListState, ScanHow, ScanResult
from receiving.models import (
    Arrival,
    Carton,
    ColumnMapping,
    Discrepancy,
    Event,
    LoadList,
    Scan,
    Store,
)
from receiving.refusals import ChangedMeanwhile, Refused
from tests import builders
from tests.builders import NOON, sscc

pytestmark = pytest.mark.django_db
LISTS = Path(__file__).parents[2] / "fixtures" / "lists"


@pytest.fixture(autouse=True)
def files(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    return tmp_path


@pytest.fixture
def site():
    return builders.make_site()


@pytest.fixture
def lead(site):
    return builders.make_person("lead", site)


@pytest.fixture
def shipment(site, lead):
    found = builders.make_arrival(site, actor=lead, pieces=12).shipments.get()
    for number in ("101", "102"):
        builders.make_store(site, found.account, number)
    return found


def upload(shipment, text, *, name="list.csv", actor=None):
    data = text if isinstance(text, bytes) else text.encode()
    return load_list.receive_file(
        shipment,
        uuid=uuid.uuid4(),
        upload=io.BytesIO(data),
        filename=name,
        actor=actor or builders.make_person("lead", shipment.arrival.site),
        at=NOON,
    )


def csv_of(labels, *, store="101", **columns):
    head = ["carton", "store", *columns]
    return "\n".join([",".join(head), *(",".join([label, store, *columns.values()]) for label in labels)]) + "\n"


def take_in(shipment, text, lead, **options):
    found = upload(shipment, text, actor=lead)
    return load_list.confirm(found, actor=lead, at=NOON, **options)


def labels(shipment):
    return list(Carton.objects.filter(shipment=shipment).order_by("line").values_list("label", flat=True))


def scan(carton, lead, **fields):
    """A scan as counting writes it, and the carton as it then stands."""
    given = {"carton": carton, "result": ScanResult.COUNTED, "label": carton.label} | fields
    row = Scan.objects.create(
        arrival=carton.arrival, seen_at=carton.arrival, shipment=carton.shipment, actor=lead, at=NOON, **given
    )
    Carton.objects.filter(pk=carton.pk).update(
        received=1, received_at=NOON, received_by=lead, received_how=ScanHow.SCANNER
    )
    return row


# -- Upload


def test_an_upload_keeps_the_bytes_as_they_came_and_no_carton(shipment, lead):
    data = (LISTS / "standard.csv").read_bytes()
    found = upload(shipment, data, name="C:\\lists\\Mon\u202eday.csv", actor=lead)
    assert load_list.content(found) == data
    assert (found.state, found.rows, found.size, found.name) == (ListState.PREVIEW, 12, len(data), "Monday.csv")
    assert len(found.sha256) == 64
    assert not Carton.objects.exists()
    event = Event.objects.filter(verb="load_list.uploaded").get()
    assert event.after["sha256"] == found.sha256
    assert event.actor == lead


def test_a_file_that_cannot_be_read_leaves_nothing_behind(shipment, lead, files):
    with pytest.raises(Refused) as why:
        upload(shipment, b"%PDF-1.7 not a list", actor=lead)
    assert (why.value.code, why.value.field) == ("not_a_table", "file")
    assert not LoadList.objects.exists()
    assert list(files.rglob("*.*")) == []


def test_a_row_that_cannot_be_stored_takes_its_file_away_again(shipment, lead, files, monkeypatch):
    def fail(*args, **kwargs):
        raise RuntimeError("no event")

    monkeypatch.setattr(evidence, "append", fail)
    with pytest.raises(RuntimeError):
        upload(shipment, csv_of([sscc(1)]), actor=lead)
    assert not LoadList.objects.exists()
    assert list(files.rglob("*.csv")) == []


@pytest.mark.parametrize("state", [ArrivalState.RELEASED, ArrivalState.REFUSED, ArrivalState.CANCELLED])
def test_a_closed_trailer_takes_no_list_and_no_confirmation(shipment, lead, state):
    waiting = upload(shipment, csv_of([sscc(1)]), actor=lead)
    Arrival.objects.update(state=state)
    shipment.arrival.refresh_from_db()
    with pytest.raises(Refused) as why:
        upload(shipment, csv_of([sscc(2)]), actor=lead)
    assert why.value.code == "trailer_closed"
    with pytest.raises(Refused) as why:
        load_list.confirm(waiting, actor=lead, at=NOON)
    assert why.value.code == "trailer_closed"
    assert not Carton.objects.exists()


def test_a_kept_file_that_was_altered_or_lost_is_not_taken_in(shipment, lead):
    found = upload(shipment, csv_of([sscc(1)]), actor=lead)
    with open(found.file.path, "ab") as kept:
        kept.write(b"x")
    with pytest.raises(Refused) as why:
        load_list.confirm(found, actor=lead, at=NOON)
    assert why.value.code == "file_altered"
    found.file.storage.delete(found.file.name)
    with pytest.raises(Refused) as why:
        load_list.preview(found)
    assert why.value.code == "file_missing"


# -- Columns


def test_columns_a_person_chose_are_remembered_for_the_account_and_these_headings(shipment, lead):
    text = f"thing,place\n{sscc(1)},101\n"
    found = upload(shipment, text, actor=lead)
    assert load_list.preview(found).reading.missing == ["label", "store"]
    mapping = {"columns": {"label": 0, "store": 1}, "decimal": ""}
    load_list.set_mapping(found, mapping=mapping, actor=lead, at=NOON)
    assert load_list.preview(found).good_rows == 1
    assert upload(shipment, text.replace("thing", "THING"), actor=lead).mapping == mapping
    assert upload(shipment, text.replace("thing", "other"), actor=lead).mapping["columns"] == {}
    stranger = builders.make_shipment(shipment.arrival, actor=lead)
    assert upload(stranger, text, actor=lead).mapping["columns"] == {}
    assert Event.objects.filter(verb="load_list.mapped").get().after == mapping


@pytest.mark.parametrize(
    ("columns", "code"),
    [
        ({"label": 0}, "column_missing"),
        ({"label": 0, "store": 0}, "column_twice"),
        ({"label": 0, "store": 7}, "no_such_column"),
        ({"label": 0, "store": -1}, "no_such_column"),
        ({"label": 0, "store": 1, "colour": 1}, "no_such_column"),
    ],
)
def test_columns_that_cannot_be_are_refused_and_nothing_is_remembered(shipment, lead, columns, code):
    found = upload(shipment, csv_of([sscc(1)]), actor=lead)
    mapping = {"columns": columns, "decimal": ""}
    with pytest.raises(Refused) as why:
        load_list.set_mapping(found, mapping=mapping, actor=lead, at=NOON)
    assert why.value.code == code
    with pytest.raises(Refused):
        load_list.confirm(found, mapping=mapping, actor=lead, at=NOON)
    assert not ColumnMapping.objects.exists()
    assert not Carton.objects.exists()


def test_a_list_without_its_columns_is_not_taken_in(shipment, lead):
    found = upload(shipment, "a,b\n1,2\n", actor=lead)
    with pytest.raises(Refused) as why:
        load_list.confirm(found, actor=lead, at=NOON)
    assert why.value.code == "column_missing"


# -- Preview


def test_a_preview_counts_shows_and_stores_nothing(shipment, lead):
    text = csv_of([sscc(1), sscc(2), "1.9E+17"], weight="12.5")
    found = upload(shipment, text, actor=lead)
    events = Event.objects.count()
    seen = load_list.preview(found)
    assert (seen.good_rows, seen.bad_rows, seen.listed, seen.beyond_bill) == (2, 1, 2, -10)
    assert [(row.line, row.column, row.value, row.code) for row in seen.bad] == [(4, "carton", "1.9E+17", "scientific")]
    assert [line.label for line in seen.sample] == [sscc(1), sscc(2)]
    assert not seen.can_take_in
    assert (Carton.objects.count(), Event.objects.count()) == (0, events)


def test_columns_that_are_not_read_are_named(shipment, lead):
    found = upload(shipment, f"carton,store,colour\n{sscc(1)},101,red\n", actor=lead)
    assert "Columns that are not read: “colour”." in load_list.preview(found).remarks


def test_a_label_of_another_open_trailer_is_remarked(shipment, lead, site):
    other = builders.make_arrival(site, actor=lead, state=ArrivalState.AT_DOOR, pieces=2, account=shipment.account)
    builders.make_cartons(other.shipments.get(), 2, start=500)
    text = csv_of([sscc(500), sscc(1)])
    found = upload(shipment, text, actor=lead)
    remark = f"On the list of trailer {other.trailer_number} too: {sscc(500)}."
    assert remark in load_list.preview(found).remarks
    Arrival.objects.filter(pk=other.pk).update(state=ArrivalState.RELEASED)
    assert remark not in load_list.preview(found).remarks


def test_another_sites_trailer_is_never_mentioned(shipment, lead):
    far = builders.make_site("SUD")
    other = builders.make_arrival(far, actor=lead, state=ArrivalState.AT_DOOR, pieces=2)
    builders.make_cartons(other.shipments.get(), 2, start=500)
    assert load_list.preview(upload(shipment, csv_of([sscc(500)]), actor=lead)).remarks == []


def test_a_listed_label_that_was_logged_as_over_is_remarked(shipment, lead, site):
    Discrepancy.objects.create(
        site=site,
        number=7,
        arrival=shipment.arrival,
        kind=Kind.OVER,
        state=DiscrepancyState.OPEN,
        label=sscc(1),
        found_at=NOON,
        logged_at=NOON,
        logged_by=lead,
    )
    remarks = load_list.preview(upload(shipment, csv_of([sscc(1)]), actor=lead)).remarks
    assert remarks == [f"Logged as over, and on this list: P-7 ({sscc(1)}). Correct them after taking it in."]


# -- Taking in


def test_a_confirmed_list_is_its_cartons_with_every_fact(shipment, lead, site):
    for number in ("0101", "0102", "0103"):
        builders.make_store(site, shipment.account, number)
    done = take_in(shipment, (LISTS / "standard.csv").read_bytes(), lead)
    assert (done.state, done.rows, done.confirmed_by, done.confirmed_at) == (ListState.CONFIRMED, 12, lead, NOON)
    assert Carton.objects.filter(shipment=shipment).count() == 12
    carton = Carton.objects.get(label=sscc(107))
    assert (carton.line, carton.store.number, carton.purchase_order) == (8, "0101", "PO-7002")
    assert (carton.description, carton.units) == ("Lamp oil", 12)
    assert (carton.weight, carton.unit_value) == (Decimal("14.5"), Decimal("10.25"))
    assert (carton.hazmat, carton.food, carton.fragile) == (True, False, False)
    assert (carton.expected, carton.received, carton.received_at, carton.received_how) == (1, 0, None, "")
    assert (carton.site, carton.arrival) == (site, shipment.arrival)
    event = Event.objects.get(verb="load_list.confirmed")
    assert (event.after["cartons"], event.after["sha256"]) == (12, done.sha256)


def test_the_insert_names_every_column_that_must_have_a_value():
    needed = {f.column for f in Carton._meta.concrete_fields if not f.null and not f.primary_key}
    assert needed <= set(load_list.INSERTED)


def test_one_bad_row_keeps_all_of_them_out(shipment, lead):
    found = upload(shipment, csv_of([sscc(1), sscc(2)]) + f"{sscc(3)},\n", actor=lead)
    with pytest.raises(Refused) as why:
        load_list.confirm(found, actor=lead, at=NOON)
    assert why.value.code == "bad_rows"
    assert "Line 4, store: The store is missing." in str(why.value)
    found.refresh_from_db()
    assert (found.state, Carton.objects.count()) == (ListState.PREVIEW, 0)


def test_unknown_stores_are_bad_rows_until_they_may_be_added(shipment, lead):
    found = upload(shipment, csv_of([sscc(1)], store="777"), actor=lead)
    seen = load_list.preview(found)
    assert (seen.bad_rows, seen.new_stores, seen.can_take_in, seen.listed) == (1, ["777"], True, 1)
    with pytest.raises(Refused) as why:
        load_list.confirm(found, actor=lead, at=NOON)
    assert (why.value.code, why.value.field) == ("unknown_store", "add_stores")
    assert not Store.objects.filter(number="777").exists()
    load_list.confirm(found, add_stores=True, actor=lead, at=NOON)
    store = Store.objects.get(number="777")
    assert (store.account, store.site) == (shipment.account, shipment.arrival.site)
    assert Carton.objects.get().store == store
    assert Event.objects.get(verb="load_list.confirmed").after["stores_added"] == ["777"]


def test_a_failure_in_the_middle_leaves_list_stores_and_cartons_as_they_were(shipment, lead, monkeypatch):
    found = upload(shipment, csv_of([sscc(1)], store="777"), actor=lead)

    def fail(*args, **kwargs):
        raise RuntimeError("no event")

    monkeypatch.setattr(evidence, "append", fail)
    with pytest.raises(RuntimeError):
        load_list.confirm(found, add_stores=True, actor=lead, at=NOON)
    found.refresh_from_db()
    assert (found.state, Carton.objects.count()) == (ListState.PREVIEW, 0)
    assert not Store.objects.filter(number="777").exists()


def test_the_same_list_is_confirmed_once(shipment, lead):
    found = upload(shipment, csv_of([sscc(1)]), actor=lead)
    stale = LoadList.objects.get(pk=found.pk)
    load_list.confirm(found, actor=lead, at=NOON)
    with pytest.raises(ChangedMeanwhile):
        load_list.confirm(stale, actor=lead, at=NOON)
    with pytest.raises(ChangedMeanwhile) as why:
        load_list.confirm(stale, replaces=found.pk, actor=lead, at=NOON)
    assert why.value.code == "not_waiting"
    with pytest.raises(ChangedMeanwhile):
        load_list.discard(stale, actor=lead, at=NOON)
    assert LoadList.objects.get().state == ListState.CONFIRMED
    assert Carton.objects.count() == 1


def test_of_two_lists_looked_at_together_the_first_wins_and_the_second_is_told(shipment, lead):
    one, two = (upload(shipment, csv_of([sscc(n)]), actor=lead) for n in (1, 2))
    load_list.confirm(one, actor=lead, at=NOON)
    with pytest.raises(ChangedMeanwhile) as why:
        load_list.confirm(two, actor=lead, at=NOON)
    assert "taken in for bill" in str(why.value)
    assert labels(shipment) == [sscc(1)]
    two.refresh_from_db()
    assert two.state == ListState.PREVIEW


def test_the_database_itself_holds_one_list_in_use(shipment, lead):
    one = take_in(shipment, csv_of([sscc(1)]), lead)
    two = upload(shipment, csv_of([sscc(2)]), actor=lead)
    with pytest.raises(IntegrityError):
        LoadList.objects.filter(pk=two.pk).update(state=ListState.CONFIRMED)
    assert one.state == ListState.CONFIRMED


def test_a_store_retired_since_the_look_stops_the_list(shipment, lead):
    found = upload(shipment, csv_of([sscc(1)]), actor=lead)
    reading = load_list.read(found)
    Store.objects.filter(number="101").update(active=False)
    with pytest.raises(ChangedMeanwhile) as why:
        load_list.confirm(found, actor=lead, at=NOON, reading=reading)
    assert "101" in str(why.value)
    found.refresh_from_db()
    assert found.state == ListState.PREVIEW


def test_a_discarded_list_keeps_its_file(shipment, lead):
    found = upload(shipment, csv_of([sscc(1)]), actor=lead)
    load_list.discard(found, actor=lead, at=NOON)
    assert found.state == ListState.DISCARDED
    assert load_list.content(found)
    assert Event.objects.filter(verb="load_list.discarded").count() == 1


def test_bill_and_list_that_differ_both_stand(shipment, lead):
    take_in(shipment, csv_of([sscc(n) for n in range(15)]), lead)
    shipment.refresh_from_db()
    assert shipment.pieces == 12
    assert queries.shipment_squaring(shipment).difference == 3


# -- Replacing


def test_the_difference_is_shown_before_anything_is_replaced(shipment, lead):
    take_in(shipment, csv_of([sscc(1), sscc(2), sscc(3)]), lead)
    text = f"carton,store\n{sscc(3)},101\n{sscc(2)},102\n{sscc(4)},101\n"
    seen = load_list.preview(upload(shipment, text, actor=lead))
    change = seen.difference
    assert [line.label for line in change.added] == [sscc(4)]
    assert [label for _pk, label in change.removed] == [sscc(1)]
    assert [(line.label, what) for _pk, line, what in change.changed] == [(sscc(2), ["store"])]
    assert change.unchanged == 1
    assert seen.can_take_in
    assert seen.remarks == []
    assert labels(shipment) == [sscc(1), sscc(2), sscc(3)]


def test_replacing_keeps_what_was_received_and_writes_the_rest(shipment, lead):
    first = take_in(shipment, csv_of([sscc(1), sscc(2), sscc(3)], weight="10.5"), lead)
    received = Carton.objects.get(label=sscc(3))
    scan(received, lead)
    text = f"carton,store,weight\n{sscc(3)},102,11.5\n{sscc(4)},101,9.5\n{sscc(2)},101,10.5\n"
    second = take_in(shipment, text, lead, replaces=first.pk)
    assert labels(shipment) == [sscc(3), sscc(4), sscc(2)]
    kept = Carton.objects.get(label=sscc(3))
    assert (kept.pk, kept.received, kept.received_by, kept.received_at) == (received.pk, 1, lead, NOON)
    assert (kept.store.number, kept.weight, kept.line) == ("102", Decimal("11.5"), 2)
    assert Carton.objects.get(label=sscc(2)).line == 4
    first.refresh_from_db()
    assert (first.state, second.state) == (ListState.REPLACED, ListState.CONFIRMED)
    told = Event.objects.filter(verb="load_list.confirmed").order_by("seq").last().after
    assert (told["added"], told["removed"], told["replaces"]) == ([sscc(4)], [sscc(1)], first.pk)
    assert told["changed"] == {sscc(3): ["store", "weight"]}


def test_a_reroute_survives_the_new_list(shipment, lead):
    first = take_in(shipment, csv_of([sscc(1)]), lead)
    new_store = Store.objects.get(number="102")
    Carton.objects.update(new_store=new_store)
    take_in(shipment, csv_of([sscc(1)], weight="3.5"), lead, replaces=first.pk)
    assert Carton.objects.get().goes_to == new_store


@pytest.mark.parametrize("evidence_kind", ["received", "taken_back", "logged"])
def test_a_carton_with_evidence_cannot_vanish(shipment, lead, site, evidence_kind):
    first = take_in(shipment, csv_of([sscc(1), sscc(2)]), lead)
    carton = Carton.objects.get(label=sscc(1))
    if evidence_kind == "logged":
        Discrepancy.objects.create(
            site=site,
            number=1,
            arrival=shipment.arrival,
            shipment=shipment,
            carton=carton,
            kind=Kind.DAMAGED,
            found_at=NOON,
            logged_at=NOON,
            logged_by=lead,
        )
    else:
        scan(carton, lead)
    if evidence_kind == "taken_back":
        Carton.objects.update(received=0, received_at=None, received_by=None)
    found = upload(shipment, csv_of([sscc(2)]), actor=lead)
    seen = load_list.preview(found)
    assert sscc(1) in seen.refusal
    assert not seen.can_take_in
    with pytest.raises(Refused) as why:
        load_list.confirm(found, replaces=first.pk, actor=lead, at=NOON)
    assert why.value.code == "received_carton_missing"
    assert labels(shipment) == [sscc(1), sscc(2)]
    first.refresh_from_db()
    assert first.state == ListState.CONFIRMED


def test_fewer_of_a_repeating_label_than_were_received_is_refused(shipment, lead):
    first = take_in(shipment, "carton,store,qty\nTENT,101,5\n", lead)
    Carton.objects.update(received=4)
    found = upload(shipment, "carton,store,qty\nTENT,101,3\n", actor=lead)
    with pytest.raises(Refused) as why:
        load_list.confirm(found, replaces=first.pk, actor=lead, at=NOON)
    assert "4 were received, the new list has only 3" in str(why.value)
    load_list.confirm(
        upload(shipment, "carton,store,qty\nTENT,101,4\n", actor=lead), replaces=first.pk, actor=lead, at=NOON
    )
    assert (Carton.objects.get().expected, Carton.objects.get().received) == (4, 4)


def test_a_carton_scanned_between_look_and_write_is_not_lost(shipment, lead, monkeypatch):
    first = take_in(shipment, csv_of([sscc(1), sscc(2)]), lead)
    found = upload(shipment, csv_of([sscc(2)]), actor=lead)
    looked = load_list.difference

    def then_scanned(*args):
        seen = looked(*args)
        Carton.objects.filter(label=sscc(1)).update(received=1)
        return seen

    monkeypatch.setattr(load_list, "difference", then_scanned)
    with pytest.raises(ChangedMeanwhile):
        load_list.confirm(found, replaces=first.pk, actor=lead, at=NOON)
    assert set(labels(shipment)) == {sscc(1), sscc(2)}
    first.refresh_from_db()
    assert first.state == ListState.CONFIRMED


def test_more_of_a_label_received_between_look_and_write_than_the_new_list_has(shipment, lead, monkeypatch):
    first = take_in(shipment, "carton,store,qty\nTENT,101,5\n", lead)
    found = upload(shipment, "carton,store,qty\nTENT,101,3\n", actor=lead)
    looked = load_list.difference

    def then_scanned(*args):
        seen = looked(*args)
        Carton.objects.update(received=4)
        return seen

    monkeypatch.setattr(load_list, "difference", then_scanned)
    with pytest.raises(ChangedMeanwhile) as why:
        load_list.confirm(found, replaces=first.pk, actor=lead, at=NOON)
    assert "were counted since you looked" in str(why.value)
    assert Carton.objects.get().expected == 5


def test_a_scan_taken_back_before_the_list_came_counts_for_nothing(shipment, lead):
    facts = {"arrival": shipment.arrival, "seen_at": shipment.arrival, "shipment": shipment, "label": sscc(1)}
    taken = Scan.objects.create(result=ScanResult.BLIND, actor=lead, at=NOON, **facts)
    Scan.objects.create(result=ScanResult.BLIND, undoes=taken, actor=lead, at=NOON, **facts)
    take_in(shipment, csv_of([sscc(1)]), lead)
    assert Carton.objects.get().received == 0


def test_what_was_counted_before_there_was_a_list_counts_on_it(shipment, lead):
    for label in (sscc(1), sscc(9)):
        Scan.objects.create(
            arrival=shipment.arrival,
            seen_at=shipment.arrival,
            shipment=shipment,
            label=label,
            result=ScanResult.BLIND,
            actor=lead,
            at=NOON,
        )
    found = upload(shipment, csv_of([sscc(1), sscc(2)]), actor=lead)
    remarks = load_list.preview(found).remarks
    assert f"Counted, but not on this list: {sscc(9)}. Log them as over." in remarks
    load_list.confirm(found, actor=lead, at=NOON)
    one, two = Carton.objects.order_by("line")
    assert (one.received, one.received_by, one.received_at, one.received_how) == (1, lead, NOON, ScanHow.SCANNER)
    assert (two.received, two.received_at) == (0, None)
    told = Event.objects.get(verb="load_list.confirmed").after
    assert (told["counted_before"], told["counted_not_listed"]) == (1, [sscc(9)])


# -- Size


def statements(call, *args, **kwargs):
    with CaptureQueriesContext(connection) as caught:
        call(*args, **kwargs)
    return len(caught)


def test_statements_do_not_depend_on_the_number_of_rows(shipment, lead):
    counts = []
    who = {"actor": lead, "at": NOON}
    for count in (10, 900):
        shipment = builders.make_shipment(shipment.arrival, actor=lead, account=shipment.account, pieces=count)
        first = upload(shipment, csv_of([sscc(n) for n in range(count)]), actor=lead)
        look = statements(load_list.preview, first)
        take = statements(load_list.confirm, first, **who)
        newer = upload(shipment, csv_of([sscc(n) for n in range(5, count + 5)], weight="2.5"), actor=lead)
        look_again = statements(load_list.preview, newer)
        replace = statements(load_list.confirm, newer, replaces=first.pk, **who)
        counts.append((look, take, look_again, replace))
    assert counts[0] == counts[1]
    assert max(counts[0]) < 40


def test_the_chain_of_events_stays_whole(shipment, lead, site):
    first = take_in(shipment, csv_of([sscc(1)]), lead)
    take_in(shipment, csv_of([sscc(1), sscc(2)]), lead, replaces=first.pk)
    for event in Event.objects.filter(site=site):
        assert event.hash == evidence.event_hash(event, site_code=site.code)


def test_explaining_the_difference_is_the_bills_own_fact(shipment, lead):
    take_in(shipment, csv_of([sscc(1)]), lead)
    shipment.refresh_from_db()
    dock.edit_shipment(
        shipment, facts={"difference_note": "short shipped"}, version=shipment.version, actor=lead, at=NOON
    )
    shipment.refresh_from_db()
    assert shipment.difference_note == "short shipped"


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("same", [True, False])
def test_two_people_who_confirm_at_the_same_moment(shipment, lead, same):
    one = upload(shipment, csv_of([sscc(n) for n in range(40)]), actor=lead)
    two = one if same else upload(shipment, csv_of([sscc(n) for n in range(100, 150)]), actor=lead)
    start = threading.Barrier(2)

    def confirm(pk):
        found = LoadList.objects.get(pk=pk)
        reading = load_list.read(found)
        start.wait(timeout=20)
        try:
            load_list.confirm(found, actor=lead, at=NOON, reading=reading)
            return "taken in"
        except ChangedMeanwhile:
            return "told"
        finally:
            connection.close()

    with ThreadPoolExecutor(2) as pool:
        answers = sorted(pool.map(confirm, [one.pk, two.pk]))
    assert answers == ["taken in", "told"]
    winner = LoadList.objects.get(state=ListState.CONFIRMED)
    assert Carton.objects.count() == winner.rows
    assert Event.objects.filter(verb="load_list.confirmed").count() == 1


def test_what_a_cell_may_hold_fits_its_column():
    def longest(model, name):
        return model._meta.get_field(name).max_length

    assert longest(Store, "number") == load_list.manifest.MAX_STORE
    assert longest(Carton, "purchase_order") == load_list.manifest.MAX_ORDER
    assert longest(Carton, "description") == load_list.manifest.MAX_DESCRIPTION
    assert longest(Carton, "label") == load_list.manifest.identifiers.MAX_LABEL
