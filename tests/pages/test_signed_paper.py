"""A sheet that was signed on paper: its photo is added where the sheet is shown, and stands in the packet."""

import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from claims import completeness
from claims.models import Claim
from claims.packet import contents, pdf
from receiving.models import Photo
from tests.builders import make_jpeg, make_person, make_site
from tests.claims.builders import make_claim
from tests.claims.packets import make_evidence

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site)


@pytest.fixture
def claim(site, clerk):
    """Of a trailer that left without a sheet of ours."""
    return make_claim(site, actor=clerk, shipment=make_evidence(site, actor=clerk, signed=False))


@pytest.fixture
def signed_in(client, clerk):
    client.force_login(clerk)
    return client


def pictures(arrival):
    return reverse("trailer_photos", args=[arrival.site.code, arrival.number])


def send(client, arrival):
    address = reverse("photo_upload", args=[arrival.site.code, arrival.number])
    photo = SimpleUploadedFile("paper.jpg", make_jpeg(), "image/jpeg")
    return client.post(address, {"uuid": uuid.uuid4(), "purpose": "signed_sheet", "photo": photo})


def gap(claim):
    found = completeness.of_claim(Claim.objects.select_related("site", "carrier", "shipment__arrival").get(pk=claim.pk))
    return [need for need in found.gaps if need.code == "arrival"]


def test_the_trailer_asks_for_the_paper_and_its_photo_closes_the_gap(signed_in, claim):
    arrival = claim.shipment.arrival
    assert gap(claim)[0].document == "exception_sheet"
    text = signed_in.get(arrival.get_absolute_url()).content.decode()
    assert f'href="{pictures(arrival)}?shows=signed_sheet"' in text
    form = signed_in.get(f"{pictures(arrival)}?shows=signed_sheet").content.decode()
    assert 'name="purpose" value="signed_sheet"' in form
    assert send(signed_in, arrival).status_code == 302
    assert gap(claim) == []


def test_the_sheets_page_shows_it_and_asks_too(signed_in, site, clerk):
    shipment = make_evidence(site, actor=clerk)
    sheet = shipment.arrival.sheets.get()
    send(signed_in, shipment.arrival)
    text = signed_in.get(sheet.get_absolute_url()).content.decode()
    assert "As signed on paper" in text
    assert str(Photo.objects.get(purpose="signed_sheet").uuid) in text
    assert f'href="{pictures(shipment.arrival)}?shows=signed_sheet"' in text


def test_a_trailer_with_a_sheet_asks_for_no_paper(signed_in, site, clerk):
    arrival = make_evidence(site, actor=clerk).arrival
    assert "shows=signed_sheet" not in signed_in.get(arrival.get_absolute_url()).content.decode()


def test_the_packet_prints_it_under_what_was_signed(signed_in, claim):
    send(signed_in, claim.shipment.arrival)
    said = contents.said(contents.whole(claim))
    [photo] = said["trailer"]["sheet_photos"]
    assert photo["archive"] == "photos/paper-sheet-1.jpg"
    assert photo in list(pdf.photos(said)) and photo not in said["trailer"]["photos"]
