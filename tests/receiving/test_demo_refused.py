"""What the demo refuses, in databases that do not hold it; and the bulk writer of events that it uses."""

from datetime import UTC, datetime
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import transaction

from receiving import evidence
from receiving.models import Event, Person, Site
from tests.builders import make_person, make_site

NOW = datetime(2026, 3, 4, 16, 20, tzinfo=UTC)


def run_demo():
    call_command("demo", small=True, now=NOW.isoformat(), stdout=StringIO(), stderr=StringIO())


def test_the_demo_refuses_to_mix_with_real_sites(db):
    make_site("NOR", name="Our own dock")
    with pytest.raises(CommandError, match="NOR Our own dock"):
        run_demo()
    assert not Site.objects.exclude(code="NOR").exists() and not Person.objects.exists()


def test_the_demo_refuses_a_real_site_with_the_code_of_one_of_its_own(db):
    make_site("ALD", name="Our own dock")
    with pytest.raises(CommandError, match="ALD Our own dock"):
        run_demo()


def test_the_demo_refuses_people_with_its_names(db):
    make_person(username="lead")
    with pytest.raises(CommandError, match="lead"):
        run_demo()
    assert not Site.objects.exists()


def test_a_moment_that_is_none_is_refused_in_a_sentence(db):
    with pytest.raises(CommandError, match="2026-03-02T14:00Z"):
        call_command("demo", now="yesterday")


def test_many_events_at_once_are_the_same_chain_as_one_by_one(db):
    actor = make_person(username="ada")
    told = [("site.changed", "site:1", {"n": n}, None if n else {"n": 0}) for n in range(3)]
    chains = []
    for one_by_one in (True, False):
        with transaction.atomic():
            site = make_site("SAM")
            entries = [
                {"verb": verb, "record": record, "actor": actor, "at": NOW, "after": after, "before": before}
                for verb, record, after, before in told
            ]
            if one_by_one:
                for entry in entries:
                    evidence.append(site=site, **entry)
            else:
                evidence.append(site=site, **entries[0])
                evidence.append_many(site=site, entries=entries[1:])
            chains.append((list(Event.objects.filter(site=site).values_list("seq", "hash")), evidence.head(site)))
            transaction.set_rollback(True)
    assert chains[0] == chains[1] and chains[0][1][0] == 3
