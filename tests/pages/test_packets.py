"""The packet card on the claim page, asking for a packet, its own page, its files."""

import re
import uuid

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.urls import reverse

from claims import drafting, filing, jobs
from claims.models import Claim, Job, Packet
from claims.packet import building
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_claim
from tests.claims.packets import make_packet, make_packet_row, make_pdf

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site, client):
    person = make_person("clerk", site, first_name="Ines", last_name="Calder")
    client.force_login(person)
    return person


@pytest.fixture
def claim(site, clerk):
    return make_claim(site, actor=clerk)


@pytest.fixture
def drawn_small(monkeypatch):
    page = make_pdf("A page")
    monkeypatch.setattr(building.pdf, "packet_pdf", lambda content, printed, papers, laid_out=None: page)


def post(client, claim, **given):
    return client.post(reverse("packet_make", args=["NOR", claim.slug]), {"uuid": uuid.uuid4()} | given)


def card(client, claim):
    text = client.get(claim.get_absolute_url()).content.decode()
    return re.search(r'<section class="card" id="packets">.*?</section>', text, re.DOTALL)[0]


# --- asking -----------------------------------------------------------------------------------------------------------


def test_asking_leads_to_the_page_of_the_work_and_from_there_to_the_packet(client, claim, drawn_small):
    answer = post(client, claim)
    job = Job.objects.get()
    assert (answer.status_code, answer["Location"]) == (302, job.get_absolute_url())
    jobs.run_now(job)
    page = client.get(answer["Location"]).content.decode()
    assert f'href="{Packet.objects.get().get_absolute_url()}"' in page
    assert "Packet 1 of NOR-26-0001 is made" in page


def test_asking_twice_is_one_piece_of_work(client, claim):
    first, second = post(client, claim), post(client, claim)
    assert first["Location"] == second["Location"] and Job.objects.count() == 1


def test_a_script_is_told_where_the_work_is(client, claim):
    address = reverse("packet_make", args=["NOR", claim.slug])
    answer = client.post(address, {"uuid": uuid.uuid4()}, headers={"accept": "application/json"})
    assert answer.status_code == 201 and answer.json()["url"] == Job.objects.get().get_absolute_url()


def test_a_claim_that_is_not_ready_is_refused_with_what_it_needs(client, claim, clerk):
    drafting.price_line(claim.lines.first(), values={"unit_price": None, "price_source": ""}, actor=clerk, at=NOON)
    answer = post(client, claim)
    assert answer.status_code == 422 and "price it" in answer.content.decode()
    assert not Job.objects.exists()


def test_getting_does_not_make_anything(client, claim):
    assert client.get(reverse("packet_make", args=["NOR", claim.slug])).status_code == 405


# --- the card ---------------------------------------------------------------------------------------------------------


def test_without_a_packet_the_card_offers_to_make_one(client, claim):
    text = card(client, claim)
    assert "None yet." in text and "Make the packet" in text


def test_while_one_is_made_the_card_leads_to_the_work(client, claim):
    post(client, claim)
    text = card(client, claim)
    assert Job.objects.get().get_absolute_url() in text and "Make the packet" not in text


def test_what_is_missing_stands_in_the_place_of_the_button(client, claim):
    Claim.objects.filter(pk=claim.pk).update(claimant="")
    text = card(client, claim)
    assert "Say who claims." in text and "<button" not in text


def test_a_viewer_sees_the_packets_and_no_button(client, claim, site, clerk, drawn_small):
    make_packet(claim, actor=clerk)
    client.force_login(make_person("viewer", site))
    text = card(client, claim)
    assert "Packet 1" in text and "<form" not in text


def test_the_card_lists_packets_newest_first_and_marks_the_old(client, claim, clerk, drawn_small):
    make_packet(claim, actor=clerk)
    make_packet(claim, actor=clerk)
    text = card(client, claim)
    assert text.index("Packet 2") < text.index("Packet 1") < text.index("superseded")
    assert "tells of the claim as it is" in text and "Make a new packet" in text


def test_the_card_says_when_the_last_packet_is_out_of_date(client, claim, clerk, drawn_small):
    make_packet(claim, actor=clerk)
    drafting.set_facts(claim, values={"payee": "Somebody else"}, actor=clerk, at=NOON)
    assert "out of date" in card(client, claim)


def test_a_withdrawn_claim_keeps_its_packets_and_gets_no_new_one(client, claim, clerk, drawn_small):
    make_packet(claim, actor=clerk)
    filing.withdraw(claim, reason="Found after all", actor=clerk, at=NOON)
    text = card(client, claim)
    assert "Packet 1" in text and "out of date" in text and "<button" not in text


# --- its page ---------------------------------------------------------------------------------------------------------


def test_the_page_names_the_files_with_their_hashes(client, claim, clerk, drawn_small):
    packet = make_packet(claim, actor=clerk)
    text = client.get(packet.get_absolute_url()).content.decode()
    for kind in ("pdf", "xlsx", "zip"):
        assert getattr(packet, f"{kind}_sha256") in text
        assert reverse(f"packet_{kind}", args=["NOR", claim.slug, 1]) in text
    assert "Ines Calder" in text and "Mon 2 Mar 2026, 12:00 CST" in text


def test_a_superseded_packet_leads_to_the_one_that_took_its_place(client, claim, clerk, drawn_small):
    first, second = make_packet(claim, actor=clerk), make_packet(claim, actor=clerk)
    text = client.get(first.get_absolute_url()).content.decode()
    assert f'<a href="{second.get_absolute_url()}">Packet 2</a> took its place' in text


@pytest.mark.parametrize("name", ["packet", "packet_pdf", "packet_xlsx", "packet_zip"])
def test_a_number_that_is_not_there_is_not_found(client, claim, name):
    assert client.get(reverse(name, args=["NOR", claim.slug, 7])).status_code == 404


def test_a_packet_is_found_under_its_own_claim_only(client, claim, clerk, site):
    make_packet_row(claim, actor=clerk)
    other = make_claim(site, actor=clerk)
    assert client.get(reverse("packet_pdf", args=["NOR", other.slug, 1])).status_code == 404


# --- its files --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "content_type", "way"),
    [
        ("pdf", "application/pdf", "inline"),
        ("xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "attachment"),
        ("zip", "application/zip", "attachment"),
    ],
)
def test_a_file_is_handed_out_as_it_was_frozen(client, claim, clerk, kind, content_type, way):
    packet = make_packet_row(claim, actor=clerk)
    answer = client.get(reverse(f"packet_{kind}", args=["NOR", claim.slug, 1]))
    assert b"".join(answer.streaming_content) == f"{kind} of {claim}".encode()
    assert answer["Content-Type"] == content_type and answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Content-Disposition"] == f'{way}; filename="NOR-26-0001-packet-1.{kind}"'
    assert int(answer["Content-Length"]) == getattr(packet, f"{kind}_size")


@pytest.mark.parametrize(("data", "says"), [(b"other bytes", "not the one that was frozen"), (None, "is missing")])
def test_a_file_that_was_altered_or_lost_is_not_handed_out(client, claim, clerk, data, says):
    packet = make_packet_row(claim, actor=clerk, pdf=uuid.uuid4().bytes)
    default_storage.delete(packet.pdf)
    if data is not None:
        default_storage.save(packet.pdf, ContentFile(data))
    answer = client.get(reverse("packet_pdf", args=["NOR", claim.slug, 1]))
    assert answer.status_code == 410 and says in answer.content.decode()
