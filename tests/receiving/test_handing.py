"""Records that their author could not send: what is kept of them, what is refused, how they end."""

import uuid
from datetime import timedelta

import pytest
from django.core.files.storage import default_storage

from receiving import handing, phones
from receiving.enums import HandedInEnd
from receiving.models import Event, HandedIn, HandedInEnded, Membership
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify
from tests.builders import NOON, handed_in_photo, make_arrival, make_handed_in, make_jpeg, make_person, make_site

pytestmark = pytest.mark.django_db
PHONE = uuid.uuid4()


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def lead(site):
    return make_person("lead", site, "lee")


@pytest.fixture
def ana(site):
    return make_person("receiver", site, "ana", first_name="Ana", last_name="Ruiz")


@pytest.fixture
def trailer(site, lead):
    return make_arrival(site, actor=lead)


def hand_in(trailer, author, **given):
    record = {
        "uuid": uuid.uuid4(),
        "author": author,
        "url": f"/{trailer.site.code}/trailer/{trailer.number}/set-aside/",
        "fields": [["note", "wet at one side"]],
        "attached": [],
        "device": phones.Device(NOON, PHONE, timedelta(hours=1), NOON - timedelta(minutes=1) + timedelta(hours=1)),
        "actor": author,
        "at": NOON,
    }
    return handing.hand_in(trailer.site, **(record | given))


def test_a_record_is_kept_as_it_stood_on_the_phone_with_its_time_set_right(site, ana, trailer):
    content = make_jpeg()
    row = hand_in(trailer, ana, attached=[handed_in_photo(content)], why="no right", title="A piece", kind="set_aside")
    assert (row.arrival, row.author, row.phone, row.fields) == (trailer, ana, PHONE, [["note", "wet at one side"]])
    assert row.made_at == NOON - timedelta(minutes=1)
    assert row.said_at == "2026-03-02T18:59:00+00:00"
    kept = row.files[0]
    with default_storage.open(kept["path"]) as file:
        assert file.read() == content
    assert (kept["name"], kept["type"], kept["size"]) == ("camera.jpg", "image/jpeg", len(content))
    assert Event.objects.get(verb="handed_in.received").after["sha256"] == row.sha256
    assert list(verify(site)) == []


def test_the_same_again_is_the_same_row_and_other_contents_are_refused(ana, trailer):
    number = uuid.uuid4()
    first = hand_in(trailer, ana, uuid=number, attached=[handed_in_photo()])
    assert hand_in(trailer, ana, uuid=number, attached=[handed_in_photo()]) == first
    for other in ({"fields": [["note", "by the door"]]}, {"attached": [handed_in_photo(make_jpeg((32, 32)))]}):
        with pytest.raises(handing.UuidReused):
            hand_in(trailer, ana, uuid=number, **{"attached": [handed_in_photo()]} | other)
    assert HandedIn.objects.count() == 1


@pytest.mark.parametrize(
    "url",
    [
        "",
        "nowhere",
        "/NOR/",
        "/NOR/doors/",
        "/NOR/trailer/1/release/",
        "/SOU/trailer/1/set-aside/",
        "/NOR/setup/people/new/",
        "https://elsewhere.example/NOR/trailer/1/set-aside/",
    ],
)
def test_only_addresses_that_a_phone_keeps_records_for_are_taken(ana, trailer, url):
    with pytest.raises(Refused) as why:
        hand_in(trailer, ana, url=url)
    assert (why.value.code, why.value.field) == ("unknown_address", "url")
    assert not HandedIn.objects.exists()


@pytest.mark.parametrize(
    "fields",
    [None, {}, [["note"]], [["note", 5]], ["note"], [["note", "a\0b"]], [["a", "b"]] * 401, [["note", "x" * 100_001]]],
)
def test_fields_that_are_no_fields_are_refused(ana, trailer, fields):
    with pytest.raises(Refused) as why:
        hand_in(trailer, ana, fields=fields)
    assert why.value.code == "bad_fields"


def test_too_many_or_too_large_files_are_refused_by_name(ana, trailer):
    with pytest.raises(Refused, match="21 files"):
        hand_in(trailer, ana, attached=[handed_in_photo(b"x")] * 21)
    with pytest.raises(Refused, match=r"camera\.jpg: the file has 40\.0 MB"):
        hand_in(trailer, ana, attached=[handed_in_photo(b"x" * 40_000_001)])


def test_a_record_of_a_trailer_that_is_gone_is_kept_all_the_same(ana, trailer):
    assert hand_in(trailer, ana, url="/NOR/trailer/99/set-aside/").arrival is None


def test_a_record_ends_once_and_a_discarded_one_says_why(site, lead, ana, trailer):
    row = make_handed_in(trailer, author=ana)
    with pytest.raises(Refused, match="Say why"):
        handing.end(row, end=HandedInEnd.DISCARDED, reason=" ", actor=lead, at=NOON)
    handing.end(row, end=HandedInEnd.DISCARDED, reason="logged twice", actor=lead, at=NOON)
    with pytest.raises(ChangedMeanwhile):
        handing.end(row, end=HandedInEnd.TAKEN, actor=lead, at=NOON)
    assert HandedInEnded.objects.get().reason == "logged twice"
    assert Event.objects.get(verb="handed_in.discarded").after["reason"] == "logged twice"
    assert list(verify(site)) == []


def test_a_file_that_was_changed_is_found(site, ana, trailer):
    row = make_handed_in(trailer, author=ana)
    with default_storage.open(row.files[0]["path"], "wb") as file:
        file.write(b"other")
    try:
        assert [str(mismatch) for mismatch in verify(site) if "camera.jpg" in str(mismatch)]
    finally:
        default_storage.delete(row.files[0]["path"])


def test_what_waits_is_counted_by_author(site, lead, ana, trailer, django_assert_num_queries):
    for _row in range(2):
        make_handed_in(trailer, author=ana)
    make_handed_in(trailer, author=lead)
    handing.end(make_handed_in(trailer, author=lead), end=HandedInEnd.TAKEN, actor=lead, at=NOON)
    with django_assert_num_queries(1):
        assert handing.waiting_by_author(site=site) == [("Ana Ruiz", 2), ("Lee", 1)]
    assert handing.waiting_by_author(arrival=trailer) == [("Ana Ruiz", 2), ("Lee", 1)]


def test_somebody_who_worked_here_is_known_by_the_log_or_by_a_phone(site, lead, ana, trailer):
    ben = make_person("receiver", site, "ben")
    cleo = make_person("receiver", site, "cleo")
    make_handed_in(trailer, author=ana)
    phones.worked(site, ben, phones.Device(NOON, PHONE), trailer=trailer.number)
    Membership.objects.filter(person__in=[ana, ben, cleo]).delete()
    for person in (ana, ben, cleo):
        person.__dict__.pop("_memberships", None)
    assert handing.site_worked_at(ana, "NOR") == site
    assert handing.site_worked_at(ben, "NOR") == site
    assert handing.site_worked_at(cleo, "NOR") is None
    assert handing.site_worked_at(lead, "NOR") == site
    assert handing.site_worked_at(lead, "XXX") is None
