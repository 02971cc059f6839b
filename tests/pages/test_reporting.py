"""The page on which it is written down whether an incident has to be reported."""

import uuid

import pytest
from django.urls import reverse

from claims import dates
from receiving.models import IncidentRuling
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_load
from tests.claims.dated import make_note

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def note(site):
    lead = make_person("lead", site)
    return make_note(make_load(site, actor=lead).arrival, lead)


def signed_in(client, site, role):
    client.force_login(make_person(role, site))
    return client


def address(note):
    return reverse("incident_reporting", args=[note.arrival.site.code, note.arrival.number, note.uuid])


def post(client, note, **said):
    given = {"uuid": uuid.uuid4(), "reportable": "no", "decided_by": "Dana Field", "reason": "only water"}
    return client.post(address(note), given | said)


def incidents(site):
    return [entry for entry in dates.of_site(site, at=NOON) if entry.kind == "incident"]


@pytest.mark.parametrize("role", ["lead", "clerk", "manager"])
def test_whoever_decides_or_claims_takes_it_off_the_list_of_dates(client, site, note, role):
    assert len(incidents(site)) == 2
    here = signed_in(client, site, role)
    assert address(note) in here.get(note.arrival.get_absolute_url()).content.decode()
    answer = post(here, note)
    assert (answer.status_code, answer["Location"]) == (302, note.arrival.get_absolute_url())
    assert incidents(site) == []
    shown = here.get(note.arrival.get_absolute_url()).content.decode()
    assert "It does not have to be reported" in shown
    assert "decided by Dana Field" in here.get(address(note)).content.decode()


def test_a_second_look_brings_its_dates_back(client, site, note):
    here = signed_in(client, site, "clerk")
    post(here, note)
    post(here, note, reportable="yes", reason="the drum was marked")
    [first, _second] = incidents(site)
    assert "It was decided that the incident has to be reported." in first.words


def test_what_is_to_be_reported_is_listed_without_a_hazardous_piece(client, site, note):
    note.arrival.discrepancies.update(hazmat=False)
    assert incidents(site) == []
    post(signed_in(client, site, "lead"), note, reportable="yes")
    assert len(incidents(site)) == 2


def test_what_is_missing_is_told_and_what_was_typed_stays(client, site, note):
    answer = post(signed_in(client, site, "lead"), note, reason="", decided_by="Dana <b>")
    assert answer.status_code == 422 and not IncidentRuling.objects.exists()
    assert "Write the reason." in answer.content.decode() and "Dana &lt;b&gt;" in answer.content.decode()


@pytest.mark.parametrize("role", ["receiver", "viewer"])
def test_others_read_at_the_trailer_and_write_nothing(client, site, note, role):
    here = signed_in(client, site, role)
    assert address(note) not in here.get(note.arrival.get_absolute_url()).content.decode()
    assert post(here, note).status_code == 403


def test_the_note_of_another_trailer_is_not_found(client, site, note):
    other = make_load(site, actor=note.actor).arrival
    here = signed_in(client, site, "lead")
    assert here.get(reverse("incident_reporting", args=[site.code, other.number, note.uuid])).status_code == 404
