"""Whether an incident has to be reported: written down once, by a name, with a reason; the latest holds."""

import uuid

import pytest

from receiving import reporting, verification
from receiving.models import Event, IncidentNote
from receiving.refusals import Refused
from tests.builders import NOON, make_arrival, make_person, make_site

pytestmark = pytest.mark.django_db
SAID = {"reportable": False, "decided_by": "Dana Field", "reason": "water from the reefer, nothing spilled"}


@pytest.fixture
def lead():
    return make_person("lead", make_site(), "lead")


@pytest.fixture
def note(lead):
    return make_note(lead)


def make_note(lead, kind="leaking"):
    arrival = make_arrival(lead.memberships.get().site, actor=lead)
    return IncidentNote.objects.create(arrival=arrival, kind=kind, text="a puddle", actor=lead, at=NOON)


def rule(note, lead, **said):
    return reporting.rule(note, **(SAID | said), uuid=uuid.uuid4(), actor=lead, at=NOON)


def test_a_ruling_is_a_row_of_its_own_and_told_in_the_log(note, lead):
    ruling = rule(note, lead)
    assert reporting.latest(note) == ruling and not ruling.reportable
    told = Event.objects.get(verb="incident.ruled")
    assert (told.actor, told.arrival, told.after["decided_by"]) == (lead, note.arrival, "Dana Field")
    site = note.arrival.site
    assert [found for found in verification.verify_rows(site) if "incidentruling" in str(found)] == []


def test_the_latest_ruling_holds_and_the_earlier_stays(note, lead):
    rule(note, lead)
    rule(note, lead, reportable=True, reason="the drum was marked UN 1263")
    assert reporting.latest(note).reportable
    assert note.rulings.count() == 2


@pytest.mark.parametrize(
    ("said", "code"),
    [({"decided_by": " "}, "decided_by_missing"), ({"reason": " "}, "reason_missing")],
)
def test_it_needs_a_name_and_a_reason(note, lead, said, code):
    with pytest.raises(Refused) as why:
        rule(note, lead, **said)
    assert why.value.code == code and not note.rulings.exists()


def test_the_same_is_not_written_down_twice(note, lead):
    rule(note, lead)
    with pytest.raises(Refused, match="has written that down already: water from the reefer"):
        rule(note, lead, reason="again")
    assert note.rulings.count() == 1


def test_a_leaning_load_is_nothing_to_report(lead):
    with pytest.raises(Refused, match="reports nothing"):
        rule(make_note(lead, "leaning"), lead)


def test_a_ruling_that_the_log_tells_otherwise_is_named(note, lead):
    ruling = rule(note, lead)
    event = Event.objects.get(verb="incident.ruled")
    told = event.after | {"reason": "another"}
    event.after = told
    assert list(verification.compare(note.arrival.site, event, ruling))
