"""`verify_evidence` names the one event or file that somebody touched, and nothing else."""

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from receiving import triggers
from receiving.enums import ArrivalState
from receiving.models import Event
from receiving.verification import verify
from tests.builders import make_arrival, make_person, make_site

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    site = make_site()
    make_arrival(site, actor=make_person("lead", site, "alice"), state=ArrivalState.UNLOADING)
    return site


def behind_the_guards(sql, *params):
    triggers.take_away(connection, ["receiving_event"])
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
    triggers.put(connection, ["receiving_event"])


def test_an_untouched_site_has_no_mismatch(site, capsys):
    assert list(verify(site)) == []
    call_command("verify_evidence")
    assert "all files match" in capsys.readouterr().out


def test_a_changed_event_is_named(site):
    behind_the_guards("UPDATE receiving_event SET actor_name = 'Mallory' WHERE seq = 3")
    assert [str(found) for found in verify(site)] == [
        f"NOR event 3 ({Event.objects.get(seq=3).verb} of {Event.objects.get(seq=3).record}): "
        "its contents were changed after it was written"
    ]


def test_a_removed_event_leaves_a_named_gap(site):
    behind_the_guards("DELETE FROM receiving_event WHERE seq = 2")
    assert [found.what for found in verify(site)] == [
        "events 2 to 2 are gone",
        "does not hold the hash of the event before it",
    ]


def test_a_cut_end_is_named(site):
    last = Event.objects.order_by("seq").last().seq
    behind_the_guards("DELETE FROM receiving_event WHERE seq = %s", last)
    assert [str(found) for found in verify(site)] == [
        f"NOR log: should end with event {last}, ends with event {last - 1}"
    ]


def test_the_command_fails_when_something_does_not_match(site):
    behind_the_guards("UPDATE receiving_event SET verb = 'x' WHERE seq = 1")
    with pytest.raises(CommandError, match="1 did not match"):
        call_command("verify_evidence", "NOR")


def test_an_unknown_site_is_said(site):
    with pytest.raises(CommandError, match="No site ABC"):
        call_command("verify_evidence", "ABC")
