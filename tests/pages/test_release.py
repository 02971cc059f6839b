"""Square, release and sheet, page by page."""

import uuid

import pytest
from django.db import connection
from django.urls import reverse

from receiving import dock
from receiving.enums import ArrivalState
from receiving.models import Arrival, Carton, Discrepancy, ExceptionSheet, Looked, SheetDelivery, Submission
from tests.builders import NOON, make_arrival, make_cartons, make_person, make_site

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("lead", site, "alice")


@pytest.fixture
def lead(client, alice):
    client.force_login(alice)
    return client


def counted(site, actor, *, cartons=10, missing=0):
    arrival = make_arrival(site, actor=actor, state=ArrivalState.UNLOADING, pieces=cartons)
    made = make_cartons(arrival.shipments.get(), cartons)
    Carton.objects.filter(pk__in=[carton.pk for carton in made[missing:]]).update(received=1)
    return dock.end_count(arrival, actor=actor, at=NOON)


def at(name, arrival, *more):
    return reverse(name, args=[arrival.site.code, arrival.number, *more])


def form(**given):
    return {"uuid": str(uuid.uuid4())} | given


def signed(**given):
    return form(
        notation="seal 0123456 intact",
        outcome="signed",
        signer="Sam Rivers",
        typed="on",
        carrier_receipt="no_exceptions",
        **given,
    )


def test_the_square_page_shows_what_is_missing(lead, site, alice):
    page = lead.get(at("square", counted(site, alice, missing=3))).content.decode()
    assert "<strong>3 cartons</strong> are missing so far." in page
    assert "Declare 3 cartons short" in page


def test_a_clean_trailer_shows_the_one_tap(lead, site, alice):
    arrival = counted(site, alice)
    assert "Release clean: 10 received" in lead.get(at("square", arrival)).content.decode()
    answer = lead.post(at("release_clean", arrival), form())
    assert answer.status_code == 302
    assert Arrival.objects.get().state == ArrivalState.RELEASED
    assert answer.url == ExceptionSheet.objects.get().get_absolute_url()


def test_declaring_short_and_signing_ends_in_the_sheet(lead, site, alice):
    arrival = counted(site, alice, missing=2)
    bill = arrival.shipments.get()
    early = lead.post(at("declare_short", arrival, bill.pk), form(seen="2"))
    assert early.status_code == 422
    assert "Tick where you looked first." in early.content.decode()
    assert lead.post(at("looked", arrival), form(places=["nose"])).status_code == 302
    assert lead.post(at("declare_short", arrival, bill.pk), form(seen="2")).status_code == 302
    assert Discrepancy.objects.filter(kind="short").count() == 2
    answer = lead.post(at("release", arrival), signed())
    assert answer.status_code == 302, answer.content.decode()
    assert "R-0001" in lead.get(answer.url).content.decode()
    pdf = lead.get(reverse("sheet_pdf", args=["NOR", 1]))
    assert pdf["Content-Type"] == "application/pdf"
    assert pdf.content.startswith(b"%PDF")


def test_a_stale_declare_short_changes_nothing(lead, site, alice):
    arrival = counted(site, alice, missing=2)
    answer = lead.post(at("declare_short", arrival, arrival.shipments.get().pk), form(seen="5"))
    assert answer.status_code == 409
    assert "2 pieces are missing now, not 5" in answer.content.decode()
    assert not Discrepancy.objects.exists()


def test_an_unsigned_release_keeps_what_was_typed(lead, site, alice):
    arrival = counted(site, alice)
    answer = lead.post(at("release", arrival), signed(employer="Birch Freight") | {"typed": ""})
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "Let the driver sign in the box" in page
    assert "Birch Freight" in page
    assert Arrival.objects.get().state == ArrivalState.COUNTED


def test_a_script_gets_the_reason_as_json(lead, site, alice):
    arrival = counted(site, alice)
    answer = lead.post(at("release", arrival), signed() | {"signer": ""}, headers={"Accept": "application/json"})
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "signer_missing")


def test_the_same_release_twice_makes_one_sheet(lead, site, alice):
    arrival = counted(site, alice)
    data = signed()
    first, second = (lead.post(at("release", arrival), data) for _ in range(2))
    assert (first.status_code, first["Location"]) == (second.status_code, second["Location"])
    assert ExceptionSheet.objects.count() == 1


def test_another_release_under_the_same_number_is_refused(lead, site, alice):
    arrival = counted(site, alice)
    data = signed()
    lead.post(at("release", arrival), data)
    assert lead.post(at("release", arrival), data | {"signer": "Kim"}).status_code == 409
    assert ExceptionSheet.objects.get().signer == "Sam Rivers"


def test_where_was_looked_is_written_down(lead, site, alice):
    arrival = counted(site, alice, missing=1)
    assert lead.post(at("looked", arrival), form(places=["nose", "under"])).status_code == 302
    assert sorted(Looked.objects.values_list("place", flat=True)) == ["nose", "under"]
    assert "looked at" in lead.get(at("square", arrival)).content.decode()


def test_no_place_ticked_is_said(lead, site, alice):
    arrival = counted(site, alice, missing=1)
    assert lead.post(at("looked", arrival), form()).status_code == 422


def test_a_difference_of_bill_and_list_is_explained_on_the_page(lead, site, alice):
    arrival = counted(site, alice)
    bill = arrival.shipments.get()
    dock.edit_shipment(bill, facts={"pieces": 9}, version=1, actor=alice, at=NOON)
    assert "The bill says 9, the load list 10" in lead.get(at("square", arrival)).content.decode()
    answer = lead.post(at("difference", arrival, bill.pk), form(difference_note="late pick", version="2"))
    assert answer.status_code == 302
    assert "late pick" in lead.get(at("square", arrival)).content.decode()


def test_reopening_needs_a_reason_and_supersedes(lead, site, alice):
    arrival = counted(site, alice)
    lead.post(at("release", arrival), signed())
    assert lead.get(at("reopen", arrival)).status_code == 200
    assert lead.post(at("reopen", arrival), form(reason="")).status_code == 422
    assert lead.post(at("reopen", arrival), form(reason="found one")).status_code == 302
    lead.post(at("release", arrival), signed())
    assert "took its place" in lead.get(reverse("sheet", args=["NOR", 1])).content.decode()


def test_a_sheet_is_sent_and_handed_over(lead, site, alice, mailoutbox):
    lead.post(at("release", counted(site, alice)), signed())
    assert lead.post(reverse("sheet_send", args=["NOR", 1]), form(to="not an address")).status_code == 422
    assert lead.post(reverse("sheet_send", args=["NOR", 1]), form(to="claims@birch.example")).status_code == 302
    assert lead.post(reverse("sheet_printed", args=["NOR", 1]), form()).status_code == 302
    assert len(mailoutbox) == 1
    assert sorted(SheetDelivery.objects.values_list("way", flat=True)) == ["email", "print"]


def test_a_fetched_trailer_is_signed(lead, site, alice):
    arrival = counted(site, alice)
    Arrival.objects.update(dropped=True)
    lead.post(at("release", arrival), signed() | {"outcome": "at_pickup", "typed": ""})
    assert lead.get(at("sign_at_pickup", arrival)).status_code == 200
    answer = lead.post(at("sign_at_pickup", arrival), signed())
    assert answer.url == reverse("sheet", args=["NOR", 2])


@pytest.mark.parametrize("name", ["square", "release"])
def test_the_number_of_queries_does_not_depend_on_the_cartons(
    lead, site, alice, django_assert_num_queries, django_assert_max_num_queries, name
):
    small = at(name, counted(site, alice, cartons=2, missing=1))
    large = at(name, counted(site, alice, cartons=50, missing=40))
    lead.get(small)
    with django_assert_max_num_queries(32) as first:
        lead.get(small)
    with django_assert_num_queries(len(first)):
        lead.get(large)


@pytest.mark.django_db(transaction=True)
def test_the_mail_server_is_not_awaited_inside_a_transaction(lead, site, alice, monkeypatch):
    lead.post(at("release", counted(site, alice)), signed())
    seen = []
    monkeypatch.setattr(
        "django.core.mail.EmailMessage.send", lambda self, **kwargs: seen.append(connection.in_atomic_block)
    )
    data = form(to="claims@birch.example")
    for _ in range(2):
        assert lead.post(reverse("sheet_send", args=["NOR", 1]), data).status_code == 302
    assert seen == [False]
    assert SheetDelivery.objects.count() == 1


def test_a_number_that_another_record_has_is_refused(lead, site, alice):
    arrival = counted(site, alice, missing=1)
    lead.post(at("looked", arrival), form(places=["nose"]))
    first = Looked.objects.get()
    Submission.objects.all().delete()
    answer = lead.post(at("looked", arrival), {"uuid": str(first.uuid), "places": ["under"]})
    assert answer.status_code == 409
    assert Looked.objects.count() == 1


def test_pages_of_a_person_are_not_shown_again_after_signing_out(lead, site, alice):
    assert "no-cache" in lead.get(at("square", counted(site, alice)))["Cache-Control"]


def test_after_reopening_the_signed_sheet_is_said_not_to_stand(lead, site, alice):
    arrival = counted(site, alice)
    lead.post(at("release_clean", arrival), form())
    sheet = reverse("sheet", args=["NOR", 1])
    assert "no longer stands" not in lead.get(sheet).content.decode()
    lead.post(at("reopen", arrival), form(reason="one more carton"))
    assert "this sheet no longer stands" in lead.get(sheet).content.decode()
    assert "the signed sheet no longer stands" in lead.get(arrival.get_absolute_url()).content.decode()
    lead.post(at("release_clean", arrival), form())
    page = lead.get(arrival.get_absolute_url()).content.decode()
    assert "superseded" in page
    assert "no longer stands" not in page


def test_a_typed_signature_stores_no_drawing(lead, site, alice):
    arrival = counted(site, alice)
    assert lead.post(at("release", arrival), signed(signature='[{"points": [{"x": 1, "y": 1}]}]')).status_code == 302
    sheet = ExceptionSheet.objects.get()
    assert (sheet.typed, sheet.signature, sheet.content["release"]["strokes"]) == (True, "", [])
