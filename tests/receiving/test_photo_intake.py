"""Photos become rows: once per UUID, original to the byte, row and event together; and the addresses that do it."""

import hashlib
import json
import uuid

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from receiving import converters, photos  # noqa: F401  the converters are registered by the import
from receiving.enums import ArrivalState, PhotoPurpose, Role
from receiving.models import Event, Photo
from receiving.photos import BrokenPicture, UuidReused, receive_photo
from receiving.refusals import Refused
from tests.builders import NOON, make_arrival, make_person, make_piece, make_seal, make_site
from tests.hostile.photos import GOOD, SECRET, TAKEN, cut, grained, saved, seen

pytestmark = pytest.mark.django_db
JPEG = saved(grained(), "JPEG")


@pytest.fixture
def site():
    return make_site("NOR")


@pytest.fixture
def receiver(site):
    return make_person(Role.RECEIVER, site, first_name="Ana")


@pytest.fixture
def arrival(site, receiver):
    return make_arrival(site, actor=receiver, state=ArrivalState.AT_DOOR)


@pytest.fixture
def receive(arrival, receiver):
    def receive(data=JPEG, **given):
        given = {
            "arrival": arrival,
            "uuid": uuid.uuid4(),
            "upload": data,
            "filename": "IMG_1.jpg",
            "purpose": PhotoPurpose.TRAILER,
            "actor": receiver,
            "at": NOON,
        } | given
        return receive_photo(**given)

    return receive


def stored_bytes(name):
    with default_storage.open(name) as file:
        return file.read()


# --- rows -------------------------------------------------------------------------------------------------------------


def test_a_photo_is_kept_to_the_byte_with_copies_row_and_event(receive, arrival, receiver):
    data = GOOD["JPEG orientation 6"]().data
    photo = receive(data, caption="rear left")

    assert stored_bytes(photo.original) == data
    assert photo.sha256 == hashlib.sha256(data).hexdigest() and photo.sha256 in photo.original
    assert hashlib.sha256(stored_bytes(photo.viewing)).hexdigest() == photo.viewing_sha256
    assert SECRET not in stored_bytes(photo.viewing) + stored_bytes(photo.thumbnail)
    assert (photo.width, photo.height, photo.size, photo.format) == (480, 360, len(data), "JPEG")
    assert photo.taken_claim.startswith(TAKEN)
    assert (photo.site, photo.actor, photo.at) == (arrival.site, receiver, NOON)
    event = Event.objects.get(verb="photo.received")
    assert (event.record, event.arrival, event.at) == (f"photo:{photo.pk}", arrival, NOON)
    assert event.after["sha256"] == photo.sha256
    assert event.after["caption"] == "rear left"


def test_the_same_uuid_and_bytes_give_the_same_row_without_decoding_again(receive, monkeypatch):
    number = uuid.uuid4()
    first = receive(uuid=number)
    monkeypatch.setattr(photos, "_examine", None)
    assert receive(uuid=number) == first
    assert (Photo.objects.count(), Event.objects.filter(verb="photo.received").count()) == (1, 1)


def test_the_same_uuid_with_other_bytes_is_refused(receive):
    number = uuid.uuid4()
    receive(uuid=number)
    with pytest.raises(UuidReused) as refusal:
        receive(saved(seen(), "PNG"), uuid=number)
    assert (refusal.value.code, refusal.value.status) == ("photo_uuid_reused", 409)
    assert Photo.objects.count() == 1


def test_the_same_uuid_for_another_trailer_is_refused(receive, site, receiver):
    number = uuid.uuid4()
    receive(uuid=number)
    with pytest.raises(UuidReused):
        receive(uuid=number, arrival=make_arrival(site, actor=receiver))


def test_of_two_at_once_under_one_uuid_one_is_stored_and_both_get_it(receive, arrival, receiver, monkeypatch):
    number = uuid.uuid4()
    picture = photos.examine(JPEG, filename="IMG_1.jpg")
    first = receive(uuid=number)
    given = {"arrival": arrival, "uuid": number, "purpose": "trailer", "actor": receiver, "at": NOON}
    assert photos.record_photo(picture=picture, **given) == first
    assert Event.objects.filter(verb="photo.received").count() == 1


def test_the_same_bytes_under_two_uuids_are_two_rows_on_one_file(receive):
    first, second = receive(), receive()
    assert first.pk != second.pk
    assert first.original == second.original


def test_a_file_left_half_written_is_not_taken_for_the_original(receive):
    data = saved(seen((500, 300)), "PNG")
    digest = hashlib.sha256(data).hexdigest()
    default_storage.save(f"originals/{digest[:2]}/{digest}", ContentFile(data[:100]))
    assert stored_bytes(receive(data).original) == data


def test_a_broken_picture_leaves_no_row_and_no_event(receive):
    with pytest.raises(BrokenPicture):
        receive(cut(JPEG, 0.5))
    assert not Photo.objects.exists()
    assert not Event.objects.filter(verb="photo.received").exists()


def test_row_and_event_go_together(receive, monkeypatch):
    def fail(photo):
        raise RuntimeError

    monkeypatch.setattr(photos, "_tell", fail)
    with pytest.raises(RuntimeError):
        receive()
    assert not Photo.objects.exists()


def test_the_clients_word_for_the_time_counts_only_where_the_picture_says_nothing(receive):
    said = "2026-03-02T20:32:11.000Z"
    assert receive(device_taken_at=said).taken_claim == said
    assert receive(GOOD["JPEG orientation 1"]().data, device_taken_at=said).taken_claim.startswith(TAKEN)


def test_a_seal_of_another_trailer_is_refused(receive, site, receiver):
    seal = make_seal(make_arrival(site, actor=receiver, state=ArrivalState.AT_DOOR), actor=receiver)
    with pytest.raises(Refused) as refusal:
        receive(seal=seal)
    assert refusal.value.code == "photo_wrong_record"


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"purpose": "selfie"}, "photo_unknown_purpose", "purpose"),
        ({"caption": "x" * 201}, "photo_long_caption", "caption"),
    ],
)
def test_words_that_do_not_fit_are_refused(receive, given, code, field):
    with pytest.raises(Refused) as refusal:
        receive(**given)
    assert (refusal.value.code, refusal.value.field) == (code, field)


# --- addresses --------------------------------------------------------------------------------------------------------


@pytest.fixture
def send(client, arrival, receiver):
    client.force_login(receiver)

    def send(*files, number=None, script=True, **fields):
        files = files or (SimpleUploadedFile("IMG_1.jpg", JPEG),)
        data = {"photo": list(files), "uuid": number or uuid.uuid4(), "purpose": "trailer"} | fields
        headers = {"Accept": "application/json"} if script else {}
        address = reverse("photo_upload", args=[arrival.site.code, arrival.number])
        return client.post(address, data, headers=headers)

    return send


def test_a_script_gets_the_stored_photo(send):
    answer = send(caption=" rear ")
    photo = Photo.objects.get()
    told = answer.json()["photo"]
    assert answer.status_code == 201
    assert (told["uuid"], told["sha256"], told["caption"]) == (str(photo.uuid), photo.sha256, "rear")
    assert told["thumbnail"] == f"/NOR/photo/{photo.uuid}/thumbnail/"


def test_a_script_that_repeats_gets_the_same_answer(send):
    number = uuid.uuid4()
    assert send(number=number).json() == send(number=number).json()
    assert Photo.objects.count() == 1


@pytest.mark.parametrize(
    ("given", "status", "code"),
    [
        ({"files": [("half.jpg", cut(JPEG, 0.5))]}, 422, "photo_broken"),
        ({"files": [("a.jpg", JPEG), ("b.jpg", JPEG)]}, 422, "photo_one_at_a_time"),
        ({"number": "rubbish"}, 422, "uuid_missing"),
        ({"purpose": "selfie"}, 422, "photo_unknown_purpose"),
        ({"photo": ""}, 422, "photo_missing"),
    ],
)
def test_a_script_gets_a_code_a_field_and_a_sentence(send, given, status, code):
    files = [SimpleUploadedFile(*file) for file in given.pop("files", [])]
    answer = send(*files, **given)
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["code"]) == (status, code)
    assert error["message"].endswith(".")
    assert not Photo.objects.exists()


def test_a_form_without_script_keeps_the_good_ones_and_names_the_other(send, arrival):
    files = [("a.jpg", JPEG), ("half.jpg", cut(JPEG, 0.5)), ("c.png", saved(seen(), "PNG"))]
    number = uuid.uuid4()
    for _again in range(2):
        answer = send(*(SimpleUploadedFile(*file) for file in files), number=number, script=False)
        assert (answer.status_code, answer["Location"]) == (302, arrival.get_absolute_url())
        assert sorted(Photo.objects.values_list("filename", flat=True)) == ["a.jpg", "c.png"]
    from django.contrib.messages import get_messages  # noqa: PLC0415

    said = [str(message) for message in get_messages(answer.wsgi_request)]
    assert said[0] == "2 photos are stored."
    assert said[1].startswith("half.jpg: the picture is damaged")


def test_next_leads_home_only(send, arrival):
    assert send(script=False, next="https://elsewhere.example/")["Location"] == arrival.get_absolute_url()
    assert send(script=False, next="/NOR/pieces/")["Location"] == "/NOR/pieces/"


@pytest.mark.parametrize("field", ["piece", "seal"])
@pytest.mark.parametrize("value", ["999", "x", "d3ebe9fb-c4c5-44b0-aff4-a70895d306a0", "9" * 40])
def test_a_piece_or_seal_that_is_not_there_is_404(send, field, value):
    assert send(**{field: value}).status_code == 404


def test_a_piece_known_by_its_uuid_gets_its_photo_at_whichever_trailer_it_is(send, site, receiver):
    elsewhere = make_arrival(site, actor=receiver, state=ArrivalState.UNLOADING, pieces=3)
    piece = make_piece(elsewhere, actor=receiver)
    assert send(piece=str(piece.uuid), purpose="piece").status_code == 201
    assert [photo.arrival for photo in piece.photos.all()] == [elsewhere]
    assert send(piece=str(piece.number), purpose="piece").status_code == 404


def test_a_seal_of_the_trailer_gets_its_photo(send, arrival, receiver):
    seal = make_seal(arrival, actor=receiver)
    send(seal=seal.uuid, purpose="seal_before")
    assert list(seal.photos.values_list("purpose", flat=True)) == ["seal_before"]


@pytest.mark.parametrize(
    ("role", "status"),
    [(Role.RECEIVER, 201), (Role.LEAD, 201), (Role.CLERK, 403), (Role.MANAGER, 403), (Role.VIEWER, 403)],
)
def test_who_may_send_photos_of_an_open_trailer(client, send, site, role, status):
    client.force_login(make_person(role, site))
    assert send().status_code == status


def test_another_site_neither_sends_nor_sees(client, send, receive):
    photo = receive()
    client.force_login(make_person(Role.MANAGER, make_site("SOU")))
    assert send().status_code == 404
    for which in ("original", "viewing", "thumbnail"):
        assert client.get(reverse(f"photo_{which}", args=["NOR", photo.uuid])).status_code == 404
        assert client.get(reverse(f"photo_{which}", args=["SOU", photo.uuid])).status_code == 404


def test_the_original_is_served_to_be_saved(client, receive, receiver):
    client.force_login(receiver)
    data = GOOD["jpeg that is also a web page"]().data
    photo = receive(data, filename="page.html")
    answer = client.get(reverse("photo_original", args=["NOR", photo.uuid]))
    assert b"".join(answer.streaming_content) == data
    assert answer["Content-Type"] == "image/jpeg"
    assert answer["Content-Disposition"] == 'attachment; filename="page.html"'
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert answer["Cache-Control"] == "private, max-age=31536000, immutable"


@pytest.mark.parametrize(("which", "side"), [("viewing", 480), ("thumbnail", 320)])
def test_copies_are_shown_and_not_sent_twice(client, receive, receiver, which, side):
    client.force_login(receiver)
    address = reverse(f"photo_{which}", args=["NOR", receive().uuid])
    answer = client.get(address)
    with photos.Image.open(_read(answer)) as im:
        assert max(im.size) == side
    again = client.get(address, headers={"If-None-Match": answer["ETag"]})
    assert (again.status_code, again.content) == (304, b"")


def _read(answer):
    return ContentFile(b"".join(answer.streaming_content))


@pytest.mark.parametrize("method", ["post", "put", "delete"])
def test_pictures_are_only_read(client, receive, receiver, method):
    client.force_login(receiver)
    assert getattr(client, method)(reverse("photo_viewing", args=["NOR", receive().uuid])).status_code == 405


def test_nobody_signed_in_is_sent_to_sign_in(client, receive):
    answer = client.get(reverse("photo_viewing", args=["NOR", receive().uuid]))
    assert (answer.status_code, answer["Location"].split("?")[0]) == (302, "/login/")


def test_json_is_what_the_page_script_reads(send):
    assert json.loads(send().content)["photo"].keys() >= {"uuid", "thumbnail", "viewing", "original"}
