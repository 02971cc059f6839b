"""The count, tally, scan file and pallet pages."""

import json
import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from receiving.enums import ArrivalState
from receiving.models import Carton, Pallet, Scan, TallyTap
from tests.builders import make_account, make_arrival, make_cartons, make_person, make_site, make_store
from tests.hostile import tables

pytestmark = pytest.mark.django_db
JSON = {"Accept": "application/json"}


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("receiver", site, "alice")


@pytest.fixture
def store(site):
    return make_store(site, make_account("Juniper Home Stores"), "0417", name="Elm Street")


@pytest.fixture
def trailer(site, alice, store):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=4, account=store.account)
    make_cartons(arrival.shipments.get(), 4, stores=[store])
    return arrival


@pytest.fixture
def phone(client, alice):
    client.force_login(alice)
    return client


def at(name, arrival, *more):
    return reverse(name, args=["NOR", arrival.number, *more])


def form(**given):
    return {"uuid": str(uuid.uuid4())} | given


def label(arrival, position=0):
    return Carton.objects.filter(arrival=arrival).order_by("line")[position].label


def test_a_scan_without_javascript_shows_the_store_in_the_page(phone, trailer):
    page = phone.post(at("count_scan", trailer), form(label=label(trailer))).content.decode()
    assert '<p class="storenumber">0417</p>' in page
    assert "counted" in page
    assert Carton.objects.filter(received=1).count() == 1


def test_a_scan_of_the_page_script_gets_only_the_answer(phone, trailer):
    page = phone.post(at("count_scan", trailer), form(label=label(trailer)), headers={"HX-Request": "true"})
    assert 'data-answer="right"' in page.content.decode()
    assert "<html" not in page.content.decode()


def test_the_same_scan_twice_counts_once_and_gets_the_same_answer(phone, trailer):
    data = form(label=label(trailer))
    one, two = (phone.post(at("count_scan", trailer), data, headers={"HX-Request": "true"}) for _ in range(2))
    assert (one.content, one.status_code) == (two.content, two.status_code)
    assert two["X-Repeated"] == "1"
    assert Scan.objects.count() == 1


def test_another_label_under_the_same_number_is_refused(phone, trailer):
    data = form(label=label(trailer))
    phone.post(at("count_scan", trailer), data)
    answer = phone.post(at("count_scan", trailer), data | {"label": label(trailer, 1)}, headers=JSON)
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (409, "uuid_reused")
    assert Scan.objects.count() == 1


def test_a_script_sends_a_batch(phone, trailer):
    labels = [{"uuid": str(uuid.uuid4()), "label": label(trailer, n), "at": "2026-03-02T12:00:00Z"} for n in range(3)]
    answer = phone.post(at("count_scan", trailer), form(labels=json.dumps(labels)), headers=JSON)
    assert [row["result"] for row in answer.json()["scans"]] == ["counted"] * 3
    assert answer.json()["scans"][0]["store"] == "0417"
    assert set(Scan.objects.values_list("uuid", flat=True)) == {uuid.UUID(row["uuid"]) for row in labels}


@pytest.mark.parametrize("labels", ["", "{", "[]", "[1]", '[{"uuid": "x", "label": "y"}]', '{"a": 1}'])
def test_a_batch_that_cannot_be_read_is_refused_whole(phone, trailer, labels):
    answer = phone.post(at("count_scan", trailer), form(labels=labels), headers=JSON)
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "bad_batch")
    assert not Scan.objects.exists()


def test_nothing_read_is_said_at_the_field(phone, trailer):
    answer = phone.post(at("count_scan", trailer), form(label=""))
    assert answer.status_code == 422
    assert "Scan the label again or type it" in answer.content.decode()


def test_a_label_on_no_list_offers_to_log_it_as_over(phone, trailer):
    page = phone.post(at("count_scan", trailer), form(label="ODD-1")).content.decode()
    assert "Log it as over" in page
    assert f"{reverse('log_trailer', args=['NOR', trailer.number])}?label=ODD-1&amp;kind=over" in page


def test_the_last_count_is_taken_back(phone, trailer):
    phone.post(at("count_scan", trailer), form(label=label(trailer)))
    assert phone.post(at("count_undo", trailer), form()).status_code == 302
    assert not Carton.objects.filter(received=1).exists()
    assert phone.post(at("count_undo", trailer), form(), headers=JSON).json()["errors"][0]["code"] == "nothing_to_undo"


def test_a_tap_is_a_row_with_its_person(phone, trailer, store, alice):
    bill = trailer.shipments.get()
    assert "0417" in phone.get(at("count_tally", trailer)).content.decode()
    data = form(store=str(store.pk), count="5")
    assert phone.post(at("count_tally_tap", trailer, bill.pk), data).status_code == 302
    row = TallyTap.objects.get()
    assert (row.count, row.store, row.actor) == (5, store, alice)


def test_a_tap_for_a_store_of_another_site_is_refused(phone, trailer):
    away = make_store(make_site("SOU"), make_account(), "9")
    data = form(store=str(away.pk), count="5")
    assert phone.post(at("count_tally_tap", trailer, trailer.shipments.get().pk), data).status_code == 422
    assert not TallyTap.objects.exists()


def test_pallets_are_opened_counted_on_and_closed(phone, trailer, store):
    assert phone.get(reverse("pallets", args=["NOR"])).status_code == 200
    answer = phone.post(reverse("pallet_new", args=["NOR"]), form(store=str(store.pk), staging="B4"))
    assert answer.status_code == 302
    phone.post(at("count_scan", trailer), form(label=label(trailer), pallet="1"))
    assert Pallet.objects.get().cartons.count() == 1
    assert "On <strong>L-1</strong>" in phone.get(at("count", trailer), {"pallet": "1"}).content.decode()
    assert phone.post(reverse("pallet_close", args=["NOR", 1]), form()).status_code == 302
    assert phone.post(reverse("pallet_close", args=["NOR", 1]), form()).status_code == 409


def test_a_pallet_without_a_store_keeps_what_was_typed(phone, site):
    answer = phone.post(reverse("pallet_new", args=["NOR"]), form(staging="B4"))
    assert answer.status_code == 422
    assert 'value="B4"' in answer.content.decode()


@pytest.mark.parametrize("pallet", ["7", "x", "9" * 30])
def test_an_unknown_pallet_does_not_exist(phone, trailer, pallet):
    assert phone.get(at("count", trailer), {"pallet": pallet}).status_code == 404


def test_a_scan_file_is_reported_line_by_line(phone, trailer):
    file = SimpleUploadedFile("scans.csv", f"carton id\n{label(trailer)}\nODD\n".encode())
    page = phone.post(at("count_file", trailer), form(file=file)).content.decode()
    assert "2 lines read" in page
    assert "not on any list" in page


@pytest.mark.parametrize("name", sorted(tables.EXPECTED))
def test_a_hostile_scan_file_is_a_sentence_and_stores_nothing(phone, trailer, name):
    filename, data = tables.CASES[name]()
    answer = phone.post(
        at("count_file", trailer), form(file=SimpleUploadedFile(filename or "x.csv", data)), headers=JSON
    )
    assert answer.status_code == 422, answer.content[:300]
    assert len(answer.json()["errors"][0]["message"]) > 20
    assert not Scan.objects.exists()


@pytest.mark.parametrize("name", ["count", "count_tally"])
def test_the_number_of_queries_does_not_depend_on_the_cartons(
    phone, trailer, site, alice, store, django_assert_max_num_queries, django_assert_num_queries, name
):
    large = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=50, account=store.account)
    make_cartons(large.shipments.get(), 50, stores=[store], start=700)
    small, large = at(name, trailer), at(name, large)
    phone.get(small)
    with django_assert_max_num_queries(20) as first:
        phone.get(small)
    with django_assert_num_queries(len(first)):
        phone.get(large)
