"""What conftest.py promises to every test: a clean database after committed evidence, and guards that stand."""

from pathlib import Path

import pytest
from django.conf import settings
from django.db import DatabaseError, connection, transaction

from receiving import evidence
from receiving.models import Event
from tests import builders


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("turn", ["first", "second"])
def test_committed_evidence_is_gone_in_the_next_test_and_guarded_in_this_one(turn):
    assert Event.objects.count() == 0
    site = builders.make_site()
    person = builders.make_person("lead", site)
    with transaction.atomic():
        evidence.append(site=site, verb="test.noted", record=turn, actor=person, at=builders.NOON)
    with pytest.raises(DatabaseError, match="written once"), connection.cursor() as cursor:
        cursor.execute("DELETE FROM receiving_event")
    assert Event.objects.count() == 1


def test_files_and_mail_go_to_a_folder_outside_the_project():
    project = Path(settings.BASE_DIR)
    for folder in (settings.DATA_DIR, settings.MEDIA_ROOT, settings.EMAIL_FILE_PATH):
        assert not Path(folder).is_relative_to(project)


@pytest.mark.django_db
def test_sqlite_is_tried_as_it_is_used():
    if connection.vendor != "sqlite":
        assert connection.vendor == "postgresql"
        return
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA journal_mode")
        assert cursor.fetchone() == ("wal",)
