"""Records that could not be sent: handed in, seen by the lead, taken through their own address or discarded."""

import hashlib
import json
import uuid
from datetime import timedelta

import pytest
from django.core.files.base import ContentFile
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from receiving import handing, photos
from receiving.enums import ArrivalState, PhotoPurpose
from receiving.erasure import erase_photo
from receiving.models import (
    Discrepancy,
    Event,
    HandedIn,
    HandedInEnded,
    Membership,
    Person,
    Phone,
    Photo,
    Scan,
    SealRecord,
    Submission,
)
from tests.builders import (
    NOON,
    handed_in_photo,
    make_arrival,
    make_cartons,
    make_code,
    make_handed_in,
    make_jpeg,
    make_person,
    make_site,
    sscc,
)
from tests.pages.test_phone import PHONE, at, form, headers, seal
from tests.receiving.test_outbox_file import photo, record, saved

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


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
    arrival = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=4)
    make_cartons(arrival.shipments.get(), 4)
    return arrival


@pytest.fixture
def phone(client, ana, trailer):
    """Ana's phone, after her right at the site was taken away."""
    client.force_login(ana)
    client.post(at("set_aside", trailer), form(), headers=headers())
    Membership.objects.filter(person=ana).delete()
    return client


def sent(trailer, name="set_aside", fields=(("note", "wet at one side"),), **given):
    told = {"url": at(name, trailer), "fields": json.dumps([list(pair) for pair in fields]), "reason": "not_at_site"}
    return form(**told, made_at=(timezone.now() - MINUTE).isoformat(), title="A piece") | given


def hand_in(client, data):
    return client.post(reverse("phone_handed_in", args=["NOR"]), data, headers=headers())


def one(row, what="handed_in_one"):
    return reverse(what, args=["NOR", row.uuid])


def upload(content=None):
    return SimpleUploadedFile("a.jpg", content or make_jpeg(), content_type="image/jpeg")


# --- handing in -------------------------------------------------------------------------------------------------------


def test_a_lost_right_loses_no_record(phone, ana, trailer):
    assert phone.post(at("set_aside", trailer), form(), headers=headers()).status_code == 404
    content = make_jpeg()
    answer = hand_in(phone, sent(trailer, photos=upload(content)))
    assert answer.status_code == 201
    assert answer.json()["files"] == [
        {"name": "a.jpg", "size": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    ]
    row = HandedIn.objects.get()
    assert (row.author, row.actor, row.arrival, str(row.phone)) == (ana, ana, trailer, PHONE)
    assert (row.why, row.title, row.fields) == (
        "its author may no longer work here",
        "A piece",
        [["note", "wet at one side"]],
    )


def test_the_same_twice_is_kept_once(phone, trailer):
    data = sent(trailer)
    first, second = (hand_in(phone, data) for _time in range(2))
    assert (first.status_code, first.json()) == (second.status_code, second.json())
    changed = hand_in(phone, data | {"fields": '[["note", "by the door"]]'})
    assert (changed.status_code, changed.json()["errors"][0]["code"]) == (409, "uuid_reused")
    assert HandedIn.objects.count() == 1


def test_a_record_that_was_stored_and_whose_answer_got_lost_is_stored_already(client, ana, trailer):
    client.force_login(ana)
    number = str(uuid.uuid4())
    client.post(at("set_aside", trailer), {"uuid": number, "note": "wet at one side"}, headers=headers())
    Membership.objects.filter(person=ana).delete()
    answer = hand_in(client, sent(trailer, uuid=number))
    assert (answer.status_code, answer.json()["stored"]) == (200, number)
    assert not HandedIn.objects.exists()


def test_a_photo_that_was_stored_is_stored_already(client, ana, trailer):
    client.force_login(ana)
    number, content = str(uuid.uuid4()), make_jpeg()
    data = {"uuid": number, "photo": upload(content), "purpose": "trailer"}
    client.post(at("photo_upload", trailer), data, headers=headers())
    answer = hand_in(
        client, sent(trailer, "photo_upload", [("purpose", "trailer")], uuid=number, photo=upload(content))
    )
    assert answer.status_code == 200
    assert answer.json()["files"] == [{"sha256": hashlib.sha256(content).hexdigest()}]


def test_who_never_worked_here_hands_in_nothing(client, trailer):
    client.force_login(make_person("lead", make_site("SOU"), "o"))
    answer = hand_in(client, sent(trailer))
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (404, "never_here")


def test_somebody_elses_record_is_not_taken_as_ones_own(client, lead, ana, trailer):
    client.force_login(ana)
    answer = hand_in(client, sent(trailer, person=str(lead.pk)))
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "not_yours")


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"uuid": ""}, "uuid_missing"),
        ({"fields": "{"}, "bad_fields"),
        ({"fields": "[" * 100_000}, "bad_fields"),
        ({"url": "/NOR/trailer/1/release/"}, "unknown_address"),
    ],
)
def test_a_bad_record_is_refused_with_a_sentence(phone, trailer, given, code):
    answer = hand_in(phone, sent(trailer) | given)
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, code)


# --- the lead ---------------------------------------------------------------------------------------------------------


def test_the_lead_is_told_on_the_doors_and_at_the_trailer_and_opens_the_list(client, site, lead, ana, trailer):
    for _row in range(2):
        make_handed_in(trailer, author=ana, title="Crushed carton")
    client.force_login(lead)
    for url in (reverse("doors", args=["NOR"]), at("trailer", trailer)):
        assert "2 records from Ana Ruiz wait for you." in client.get(url).content.decode()
    page = client.get(reverse("handed_in", args=["NOR"])).content.decode()
    assert page.count("Crushed carton") == 2
    client.force_login(ana)
    assert "wait for you" not in client.get(reverse("doors", args=["NOR"])).content.decode()


def test_a_record_is_shown_in_words_with_its_photo(client, site, lead, ana, trailer):
    code = make_code(site)
    fields = [["kind", "damaged"], ["codes", str(code.pk)], ["label", sscc(1)], ["in_place", "on"], ["units_hurt", ""]]
    row = make_handed_in(trailer, author=ana, url=at("log_trailer", trailer), fields=fields)
    client.force_login(lead)
    page = client.get(one(row)).content.decode()
    for words in ("What is wrong", "damaged", "CR crushed", "Photographed in the trailer", "Ana Ruiz", sscc(1)):
        assert words in page, words
    assert "Units hurt" not in page
    file = client.get(reverse("handed_in_file", args=["NOR", row.uuid, 1]))
    assert (file["Content-Type"], b"".join(file.streaming_content)) == ("image/jpeg", make_jpeg())
    assert file["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert client.get(reverse("handed_in_file", args=["NOR", row.uuid, 2])).status_code == 404


def test_a_file_that_is_no_picture_is_saved_and_never_shown(client, lead, ana, trailer):
    page = handing.Attached("photos", "a.html", "text/html", b"<script>")
    row = make_handed_in(trailer, author=ana, attached=[page])
    client.force_login(lead)
    file = client.get(reverse("handed_in_file", args=["NOR", row.uuid, 1]))
    assert file["Content-Type"] == "application/octet-stream"
    assert file["Content-Disposition"].startswith("attachment")
    assert b"".join(file.streaming_content) == b"<script>"


def test_taking_makes_a_record_of_the_lead_that_names_its_author(client, lead, ana, trailer):
    row = make_handed_in(trailer, author=ana)
    client.force_login(lead)
    answer = client.post(one(row, "handed_in_take"), headers={"Accept": "application/json"})
    assert answer.status_code == 201, answer.content
    piece = Discrepancy.objects.get()
    assert (piece.uuid, piece.note, piece.logged_by) == (row.uuid, "wet at one side", lead)
    told = Event.objects.get(verb="piece.set_aside").after["from_phone"]
    assert (told["author"], told["device"], told["made_at"]) == ("Ana Ruiz", str(row.phone), "2026-03-02T18:00:00Z")
    assert Photo.objects.get().discrepancy == piece
    ended = HandedInEnded.objects.get()
    assert (ended.end, ended.actor) == ("taken", lead)
    assert ended.answer.endswith(piece.get_absolute_url())
    assert handing.waiting_by_author(site=trailer.site) == []
    assert not Phone.objects.filter(person=lead).exists(), "the lead never had that phone in hand"
    again = client.post(one(row, "handed_in_take"), headers={"Accept": "application/json"})
    assert (again.status_code, again.json()["errors"][0]["code"]) == (422, "ended")


def test_taking_on_a_page_says_so_and_shows_none_of_the_records_own_words(client, lead, ana, trailer):
    row = make_handed_in(trailer, author=ana, title="Crushed carton")
    client.force_login(lead)
    page = client.post(one(row, "handed_in_take"), follow=True).content.decode()
    assert "Taken: Crushed carton of Ana Ruiz." in page
    assert "is set aside. Fill it in" not in page
    assert "The record it became" in client.get(one(row)).content.decode()


def take_several(client, rows, **kwargs):
    data = {"record": [str(row.uuid) for row in rows]}
    return client.post(reverse("handed_in_take_several", args=["NOR"]), data, **kwargs)


def test_all_of_an_author_are_taken_at_once_in_the_order_they_were_made(client, lead, ana, trailer):
    ben = make_person("receiver", trailer.site, "ben", first_name="Ben")
    rows = [make_handed_in(trailer, author=ana) for _row in range(3)]
    make_handed_in(trailer, author=ben)
    client.force_login(lead)
    page = client.get(reverse("handed_in", args=["NOR"])).content.decode()
    assert "Take all 3 of Ana Ruiz" in page
    assert "of Ben" not in page
    page = take_several(client, rows[::-1], follow=True).content.decode()
    assert "Taken: 3 records." in page
    assert [piece.uuid for piece in Discrepancy.objects.order_by("number")] == [row.uuid for row in rows]
    assert HandedInEnded.objects.filter(end="taken", actor=lead).count() == 3
    assert handing.waiting_by_author(site=trailer.site) == [("Ben", 1)]
    again = take_several(client, rows, follow=True).content.decode()
    assert "3 records do not wait any more" in again
    assert Discrepancy.objects.count() == 3


def test_of_several_taken_a_refused_one_waits_on_with_its_sentence_and_holds_up_none(client, lead, ana, trailer):
    good = [make_handed_in(trailer, author=ana) for _row in range(2)]
    bad = make_handed_in(trailer, author=ana, url=at("seal_new", trailer), fields=[["number_on_seal", ""]], attached=[])
    client.force_login(lead)
    answer = take_several(client, [good[0], bad, good[1]])
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Taken: 2 records." in page
    assert page.count('role="alert"') == 1
    assert list(handing.waiting(trailer.site)) == [bad]
    told = take_several(client, [bad], headers={"Accept": "application/json"}).json()
    assert (told["taken"], told["refused"][0]["uuid"]) == ([], str(bad.uuid))


def test_one_press_takes_no_more_than_it_says(client, lead, ana, trailer, monkeypatch):
    monkeypatch.setattr("receiving.views.handed_in.AT_ONCE", 2)
    rows = [make_handed_in(trailer, author=ana) for _row in range(3)]
    client.force_login(lead)
    page = client.get(reverse("handed_in", args=["NOR"])).content.decode()
    assert "Take the first 2 of Ana Ruiz" in page
    assert page.count('name="record"') == 2
    take_several(client, rows)
    assert list(handing.waiting(trailer.site)) == rows[2:]


@pytest.mark.parametrize("name", ["seal_new", "count_scan", "incident", "count_end"])
def test_records_of_every_kind_are_taken(client, lead, ana, trailer, name):
    fields = {
        "seal_new": list(map(list, seal().items())),
        "count_scan": [["labels", json.dumps([{"uuid": str(uuid.uuid4()), "label": sscc(2)}])]],
        "incident": [["kind", "leaking"], ["text", "a drum"]],
        "count_end": [],
    }[name]
    row = make_handed_in(trailer, author=ana, url=at(name, trailer), fields=fields, attached=[])
    client.force_login(lead)
    client.get(one(row))
    answer = client.post(one(row, "handed_in_take"), headers={"Accept": "application/json"})
    assert answer.status_code == 201, answer.content
    found = {
        "seal_new": SealRecord.objects.filter(number_on_seal="N77"),
        "count_scan": Scan.objects.filter(label=sscc(2), actor=lead),
        "incident": trailer.incidents.all(),
        "count_end": trailer.moments.filter(kind="counted"),
    }
    assert found[name].count() == 1


def test_a_photo_waits_for_the_piece_it_shows(client, lead, ana, trailer):
    piece = make_handed_in(trailer, author=ana, attached=[])
    attached = [handing.Attached("photo", "a.jpg", "image/jpeg", make_jpeg())]
    fields = [["piece", str(piece.uuid)], ["purpose", "piece"]]
    shot = make_handed_in(trailer, author=ana, url=at("photo_upload", trailer), fields=fields, attached=attached)
    client.force_login(lead)
    early = client.post(one(shot, "handed_in_take"))
    assert early.status_code == 422
    assert "If that was handed in too, take it first." in early.content.decode()
    assert client.post(one(piece, "handed_in_take")).status_code == 302
    assert client.post(one(shot, "handed_in_take")).status_code == 302
    assert Photo.objects.get().discrepancy.uuid == piece.uuid


def test_a_record_that_is_refused_stays_with_its_sentence(client, lead, ana, trailer):
    row = make_handed_in(trailer, author=ana, url=at("log_trailer", trailer), fields=[["kind", ""]])
    client.force_login(lead)
    answer = client.post(one(row, "handed_in_take"))
    assert answer.status_code == 422
    assert "Choose what is wrong" in answer.content.decode()
    assert not HandedInEnded.objects.exists()
    assert not Submission.objects.exists()


def test_one_that_was_stored_meanwhile_is_taken_without_a_second_record(client, lead, ana, trailer):
    row = make_handed_in(trailer, author=ana, attached=[])
    client.force_login(ana)
    client.post(at("set_aside", trailer), {"uuid": str(row.uuid), "note": "wet at one side"}, headers=headers())
    client.force_login(lead)
    assert client.post(one(row, "handed_in_take")).status_code == 302
    assert Discrepancy.objects.get().logged_by == ana
    assert HandedInEnded.objects.get().end == "taken"


def test_a_lost_file_is_named(client, lead, ana, trailer):
    from django.core.files.storage import default_storage  # noqa: PLC0415  as little as possible knows the storage

    row = make_handed_in(trailer, author=ana, attached=[handed_in_photo(make_jpeg((48, 32)))])
    default_storage.delete(row.files[0]["path"])
    client.force_login(lead)
    answer = client.post(one(row, "handed_in_take"))
    assert answer.status_code == 422
    assert "camera.jpg, a file of this record, is missing here." in answer.content.decode()


def test_discarding_needs_a_reason_and_the_record_stays_readable(client, lead, ana, trailer):
    row = make_handed_in(trailer, author=ana)
    client.force_login(lead)
    refused = client.post(one(row, "handed_in_discard"), form())
    assert refused.status_code == 422
    assert "Say why the record is discarded." in refused.content.decode()
    assert client.post(one(row, "handed_in_discard"), form(reason="logged twice")).status_code == 302
    page = client.get(one(row)).content.decode()
    assert "logged twice" in page
    assert "wet at one side" in page
    assert "Take this record" not in page
    assert not Discrepancy.objects.exists()


def test_the_lead_of_another_site_sees_nothing_of_it(client, ana, trailer):
    row = make_handed_in(trailer, author=ana)
    client.force_login(make_person("lead", make_site("SOU"), "o"))
    assert client.get(one(row)).status_code == 404
    assert client.get(reverse("handed_in_one", args=["SOU", row.uuid])).status_code == 404


# --- a saved file -----------------------------------------------------------------------------------------------------


def load(client, data, **more):
    file = SimpleUploadedFile("outbox.zip", data, content_type="application/zip")
    return client.post(
        reverse("outbox_file", args=["NOR"]), {"file": file}, headers={"Accept": "application/json"}, **more
    )


def test_ones_own_saved_outbox_is_stored_at_once_and_a_second_time_nothing(client, ana, trailer):
    content = make_jpeg()
    sha256 = hashlib.sha256(content).hexdigest()
    piece = record(url=at("set_aside", trailer), title="Piece", seq=1)
    shot = record(
        url=at("photo_upload", trailer),
        title="Photo",
        seq=2,
        fields=[["piece", piece["uuid"]], ["purpose", "piece"]],
        files=[photo(sha256=sha256, path=f"files/{sha256}")],
    )
    data = saved([shot, piece], files={f"files/{sha256}": content}, person=ana.pk)
    client.force_login(ana)
    answer = load(client, data)
    assert answer.json() == {"person": "Ana Ruiz", "stored": ["Piece", "Photo"], "handed_in": [], "refused": []}
    row = Discrepancy.objects.get()
    assert (str(row.uuid), row.logged_by, row.note) == (piece["uuid"], ana, "wet at one side")
    assert Photo.objects.get().sha256 == sha256
    assert load(client, data).json()["stored"] == ["Piece", "Photo"]
    assert (Discrepancy.objects.count(), Photo.objects.count(), HandedIn.objects.count()) == (1, 1, 0)


def test_another_persons_saved_outbox_waits_for_a_lead(client, lead, ana, trailer):
    client.force_login(lead)
    data = saved([record(url=at("set_aside", trailer), title="Piece")], person=ana.pk, files={})
    assert load(client, data).json()["handed_in"] == ["Piece"]
    row = HandedIn.objects.get()
    assert (row.author, row.actor, row.why) == (ana, lead, "loaded from a saved file")
    assert not Discrepancy.objects.exists()
    assert load(client, data).json()["handed_in"] == ["Piece"]
    assert HandedIn.objects.count() == 1


def test_the_outbox_of_somebody_who_may_not_sign_in_any_more_is_kept(client, lead, ana, trailer):
    make_handed_in(trailer, author=ana)
    Membership.objects.filter(person=ana).delete()
    Person.objects.filter(pk=ana.pk).update(is_active=False)
    client.force_login(lead)
    data = saved([record(url=at("set_aside", trailer), title="Piece")], person=ana.pk, files={})
    assert load(client, data).json()["handed_in"] == ["Piece"]


def test_a_record_that_is_refused_does_not_hold_up_the_others(client, ana, trailer):
    records = [
        record(url=at("log_trailer", trailer), title="Bad", fields=[], seq=1),
        record(url="/NOR/doors/", title="Nowhere", seq=2),
        record(url=at("set_aside", trailer), title="Spoilt", files=[photo()], seq=3),
        record(url=at("set_aside", trailer), title="Good", seq=4),
    ]
    client.force_login(ana)
    told = load(client, saved(records, person=ana.pk, files={})).json()
    assert told["stored"] == ["Good"]
    assert [title for title, _sentence in told["refused"]] == ["Bad", "Nowhere", "Spoilt"]
    assert "a.jpg is missing" in told["refused"][2][1]


def test_a_saved_outbox_has_its_times_set_right_by_what_is_known_of_its_phone(client, lead, ana, trailer):
    made = timezone.now() - 20 * MINUTE
    ahead = timedelta(hours=5)
    phone = uuid.uuid4()
    Phone.objects.create(
        uuid=phone, site=trailer.site, person=ana, number=1, first_seen=made, last_seen=made, skew=ahead.total_seconds()
    )
    row = record(url=at("set_aside", trailer), made_at=(made + ahead).isoformat())
    client.force_login(ana)
    load(client, saved([row], person=ana.pk, phone=str(phone), files={}))
    assert Discrepancy.objects.get().found_at == made


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"site": "SOU"}, "It is of site SOU; load it there."),
        ({"person": 99999}, "Ana Ruiz has never worked here."),
    ],
)
def test_a_file_that_does_not_belong_here_is_refused(client, ana, trailer, given, sentence):
    client.force_login(ana)
    answer = load(client, saved([], **{"person": ana.pk} | given))
    assert answer.status_code == 422
    assert sentence in answer.json()["errors"][0]["message"]


def test_the_page_says_what_became_of_the_file(client, ana, trailer):
    client.force_login(ana)
    assert "Load this file" in client.get(reverse("outbox_file", args=["NOR"])).content.decode()
    data = saved([record(url=at("set_aside", trailer))], person=ana.pk, files={})
    page = client.post(
        reverse("outbox_file", args=["NOR"]), {"file": SimpleUploadedFile("o.zip", data)}
    ).content.decode()
    assert "1 record of Ana Ruiz is stored." in page
    empty = client.post(reverse("outbox_file", args=["NOR"]), {})
    assert empty.status_code == 422
    assert "Choose the file that was saved on the phone." in empty.content.decode()


def test_a_picture_that_was_erased_is_named_and_not_shown(
    client, lead, ana, trailer, django_capture_on_commit_callbacks
):
    content = make_jpeg()
    row = make_handed_in(trailer, author=ana, attached=[handed_in_photo(content)])
    taken = photos.receive_photo(
        arrival=trailer,
        uuid=uuid.uuid4(),
        upload=ContentFile(content),
        filename="camera.jpg",
        purpose=PhotoPurpose.TRAILER,
        actor=ana,
        at=NOON,
    )
    client.force_login(lead)
    page = one(row)
    assert "<img" in client.get(page).content.decode()
    with django_capture_on_commit_callbacks(execute=True):
        erase_photo(taken, reason="court order 12", actor=lead, at=NOON)
    shown = client.get(page).content.decode()
    assert "<img" not in shown
    assert "erased" in shown
    make_handed_in(trailer, author=ana, attached=[handed_in_photo(content)])
    assert "<img" in client.get(page).content.decode(), "the same picture came again and is there"
