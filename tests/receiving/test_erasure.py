"""Erasure leaves a tombstone, tells the log, and does not look like tampering."""

import uuid

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command

from receiving import dock, evidence
from receiving.erasure import erase_photo
from receiving.models import Event, Photo, Tombstone
from receiving.refusals import Refused
from receiving.verification import verify
from tests.builders import NOON, handed_in_photo, make_arrival, make_handed_in, make_person, make_site

pytestmark = pytest.mark.django_db


@pytest.fixture
def alice():
    return make_person("manager", make_site(), "alice")


@pytest.fixture
def photo(alice):
    arrival = make_arrival(alice.memberships.get().site, actor=alice)
    data = b"a picture"
    path = default_storage.save(f"originals/{uuid.uuid4()}", ContentFile(data))
    row = Photo.objects.create(
        site=arrival.site,
        arrival=arrival,
        actor=alice,
        at=NOON,
        purpose="trailer",
        original=path,
        viewing=path,
        thumbnail=path,
        sha256=evidence.digest(data),
        viewing_sha256=evidence.digest(data),
        size=len(data),
        format="JPEG",
        width=1,
        height=1,
    )
    dock.tell(arrival, "photo.received", record=row, actor=alice, at=NOON, after={"sha256": row.sha256})
    return row


def test_the_file_goes_and_the_hash_and_reason_stay(photo, alice, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        erase_photo(photo, reason="court order 12", actor=alice, at=NOON)
    assert not default_storage.exists(photo.original)
    assert Tombstone.objects.get().sha256 == photo.sha256
    assert Event.objects.get(verb="photo.erased").after == {"reason": "court order 12"}
    assert list(verify(photo.site)) == []


def test_the_same_file_of_a_record_that_was_handed_in_goes_too(photo, alice, django_capture_on_commit_callbacks):
    same, other = handed_in_photo(b"a picture"), handed_in_photo(b"another picture")
    kept = {
        file["sha256"]: file["path"]
        for file in make_handed_in(photo.arrival, author=alice, attached=[same, other]).files
    }
    with django_capture_on_commit_callbacks(execute=True):
        erase_photo(photo, reason="court order 12", actor=alice, at=NOON)
    assert not default_storage.exists(kept[photo.sha256])
    assert default_storage.exists(kept[other.sha256])
    assert list(verify(photo.site)) == []
    default_storage.delete(kept[other.sha256])
    assert [found.what for found in verify(photo.site)] == [f"the file {kept[other.sha256]} is missing"]
    make_handed_in(photo.arrival, author=alice, attached=[same])
    with default_storage.open(kept[photo.sha256], "wb") as file:
        file.write(b"changed after it came again")
    assert sum("was changed" in found.what for found in verify(photo.site)) == 2


def test_a_file_that_is_gone_without_a_tombstone_is_named(photo):
    default_storage.delete(photo.original)
    assert {found.where for found in verify(photo.site)} == {
        f"NOR photo {photo.uuid} original",
        f"NOR photo {photo.uuid} viewing copy",
    }


def test_a_changed_original_is_named(photo):
    with default_storage.open(photo.original, "wb") as file:
        file.write(b"another picture")
    assert "was changed: recorded" in next(verify(photo.site)).what


@pytest.mark.parametrize("reason", ["", "  "])
def test_without_a_reason_nothing_goes(photo, alice, reason):
    with pytest.raises(Refused, match="which law"):
        erase_photo(photo, reason=reason, actor=alice, at=NOON)
    assert default_storage.exists(photo.original)


def test_twice_is_said(photo, alice):
    erase_photo(photo, reason="x", actor=alice, at=NOON)
    with pytest.raises(Refused, match="erased already"):
        erase_photo(photo, reason="x", actor=alice, at=NOON)


def test_the_command_names_what_is_wrong(photo):
    with pytest.raises(CommandError, match="no person"):
        call_command("erase_photo", str(photo.uuid), "--reason", "x", "--by", "nobody")
    call_command("erase_photo", str(photo.uuid), "--reason", "x", "--by", "alice")
    assert Tombstone.objects.count() == 1
