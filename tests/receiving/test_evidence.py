"""The chain: what it says, that it holds, and that the database refuses to have it changed."""

import pytest
from django.apps import apps
from django.db import DatabaseError, connection, transaction

from receiving import evidence, triggers
from receiving.enums import ArrivalState
from receiving.models import ChainHead, Event, Evidence
from tests.builders import NOON, make_arrival, make_person, make_seal, make_site

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("lead", site, "alice")


def test_each_event_holds_the_hash_of_the_one_before(site, alice):
    make_arrival(site, actor=alice, state=ArrivalState.UNLOADING)
    events = list(Event.objects.order_by("seq"))
    assert len(events) > 3
    assert [event.seq for event in events] == list(range(1, len(events) + 1))
    assert [event.previous for event in events] == [evidence.GENESIS, *(event.hash for event in events[:-1])]
    assert all(evidence.event_hash(event, site_code=site.code) == event.hash for event in events)
    assert evidence.head(site) == (events[-1].seq, events[-1].hash)


def test_two_sites_have_two_chains(site, alice):
    other = make_site("SOU", time_zone="America/Denver")
    make_arrival(site, actor=alice)
    make_arrival(other, actor=alice)
    assert list(Event.objects.order_by("site__code", "seq").values_list("site__code", "seq")) == [
        ("NOR", 1),
        ("SOU", 1),
    ]


@pytest.mark.django_db(transaction=True)
def test_an_event_outside_a_transaction_is_refused(site, alice):
    with pytest.raises(transaction.TransactionManagementError):
        evidence.append(site=site, verb="x", record="y", actor=alice, at=NOON)
    assert not ChainHead.objects.exists()


def test_every_evidence_table_has_its_triggers():
    tables = {model._meta.db_table for model in apps.get_models() if issubclass(model, Evidence)}
    assert tables == set(triggers.TABLES)


@pytest.mark.parametrize("table", triggers.TABLES)
@pytest.mark.parametrize("statement", ["UPDATE {} SET at = at", "DELETE FROM {}"])
def test_the_database_names_a_trigger_for(table, statement):
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT count(*) FROM pg_trigger WHERE tgrelid = %s::regclass AND NOT tgisinternal", [table])
            assert cursor.fetchone()[0] == 2
        else:
            verb = statement.split()[0].lower()
            cursor.execute(
                "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND name = %s", [f"{table}_{verb}"]
            )
            assert cursor.fetchone()[0] == 1


@pytest.mark.parametrize("statement", ["UPDATE {} SET note = 'x'", "DELETE FROM {}"])
@pytest.mark.parametrize("table", ["receiving_sealrecord", "receiving_moment"])
def test_raw_sql_cannot_change_evidence(site, alice, table, statement):
    arrival = make_arrival(site, actor=alice)
    make_seal(arrival, actor=alice)
    refused = pytest.raises(DatabaseError, match="evidence is written once")
    with refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement.format(table))


def test_raw_sql_cannot_change_an_event(site, alice):
    make_arrival(site, actor=alice)
    with pytest.raises(DatabaseError, match="evidence is written once"), transaction.atomic():
        Event.objects.update(verb="never happened")
    assert Event.objects.get().verb == "arrival.expected"


def test_the_canonical_text_does_not_depend_on_the_order_of_keys():
    assert evidence.canonical({"b": 1, "a": "é"}) == evidence.canonical({"a": "é", "b": 1}) == '{"a":"é","b":1}'
