"""The pages to log, complete and correct a piece: who may, what is said when it is refused, what a repeat does."""

import io
import uuid

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from PIL import Image

from receiving import discrepancies, dock
from receiving.enums import ArrivalState, Attribution, DiscrepancyState, Disposition, FindingKind, Kind, PhotoPurpose
from receiving.models import Carton, Discrepancy, Event, Finding, IncidentNote, Photo
from tests.builders import (
    NOON,
    PASSWORD,
    make_account,
    make_arrival,
    make_cartons,
    make_code,
    make_person,
    make_site,
    make_store,
    sscc,
)

pytestmark = pytest.mark.django_db
JSON = {"HTTP_ACCEPT": "application/json"}


@pytest.fixture
def data_dir(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def site():
    return make_site("NOR", responsible_phone="555 0100")


@pytest.fixture
def lead(site):
    return make_person("lead", site)


@pytest.fixture
def receiver(site):
    return make_person("receiver", site)


@pytest.fixture
def trailer(site, lead):
    arrival = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=10)
    shipment = arrival.shipments.get()
    make_cartons(shipment, 10, stores=[make_store(site, shipment.account, n) for n in ("0417", "0418")])
    return arrival


@pytest.fixture
def crushed(site):
    return make_code(site, "CR", label="crushed")


@pytest.fixture
def as_receiver(client, receiver):
    client.force_login(receiver)
    return client


@pytest.fixture
def as_lead(client, lead):
    client.force_login(lead)
    return client


def label_of(trailer, line=0):
    return Carton.objects.get(arrival=trailer, line=line).label


def log_url(trailer):
    return reverse("log_trailer", args=[trailer.site.code, trailer.number])


def damaged(trailer, code, **more):
    return {"uuid": uuid.uuid4(), "kind": "damaged", "label": label_of(trailer), "codes": [code.pk]} | more


def logged(trailer, actor, code, line=0, **facts):
    return discrepancies.record(
        trailer,
        uuid=uuid.uuid4(),
        kind=Kind.DAMAGED,
        facts={"label": label_of(trailer, line)} | facts,
        codes=[code],
        actor=actor,
        at=NOON,
    )


def release(trailer, actor):
    trailer = dock.end_count(trailer, actor=actor, at=NOON)
    return dock.advance(
        trailer, to=ArrivalState.RELEASED, moment="released", actor=actor, at=NOON, also={"released_at": NOON}
    )


def picture(name="crush.jpg", size=(320, 240)):
    file = io.BytesIO()
    Image.radial_gradient("L").resize(size).convert("RGB").save(file, "JPEG")
    file.seek(0)
    file.name = name
    return file


def page_of(piece, name):
    return reverse(name, args=[piece.site.code, piece.number])


ACTIONS = [
    "piece_complete",
    "piece_amend",
    "piece_attribute",
    "piece_finding",
    "piece_store_report",
    "piece_dispose",
    "piece_found",
    "piece_match",
]


# --- logging ----------------------------------------------------------------------------------------------------------


def test_a_crushed_carton_with_its_photo_is_one_post(as_receiver, trailer, crushed, data_dir):
    answer = as_receiver.post(log_url(trailer), damaged(trailer, crushed, photos=[picture()]), follow=True)
    piece = Discrepancy.objects.get()
    assert answer.redirect_chain == [(log_url(trailer), 302)]
    assert "P-1 is logged: damaged. 1 photo is stored." in answer.content.decode()
    assert (piece.carton.received, piece.photos.get().purpose) == (1, PhotoPurpose.PIECE)


def test_a_bad_photo_costs_neither_the_piece_nor_the_other_photos(as_receiver, trailer, crushed, data_dir):
    bad = io.BytesIO(b"no picture at all")
    bad.name = "holiday.jpg"
    answer = as_receiver.post(log_url(trailer), damaged(trailer, crushed, photos=[bad, picture()]), follow=True)
    text = answer.content.decode()
    assert "P-1 is kept, one photo is not. holiday.jpg:" in text
    assert Photo.objects.get().filename == "crush.jpg"
    assert Discrepancy.objects.count() == 1


def test_a_script_is_told_everything_as_json(as_receiver, trailer, crushed, data_dir):
    bad = io.BytesIO(b"")
    bad.name = "empty.jpg"
    answer = as_receiver.post(log_url(trailer), damaged(trailer, crushed, photos=[picture(), bad]), **JSON)
    told = answer.json()
    assert answer.status_code == 201
    assert told["piece"]["name"] == "P-1" and told["piece"]["on_list"] and told["piece"]["trailer"] == trailer.number
    assert told["piece"]["missing"] == [
        "Decide what happens with it.",
        "Say where it was found and whose doing it was.",
    ]
    assert [photo["uuid"] for photo in told["photos"]] == [str(Photo.objects.get().uuid)]
    assert [(photo["name"], photo["code"]) for photo in told["refused"]] == [("empty.jpg", "photo_empty")]
    assert as_receiver.get(page_of(Discrepancy.objects.get(), "piece"), **JSON).json()["piece"] == told["piece"]


def test_photos_beyond_what_goes_at_once_are_named(as_receiver, trailer, crushed, data_dir, monkeypatch):
    monkeypatch.setattr("receiving.views.log.MOST_PHOTOS", 1)
    given = damaged(trailer, crushed, photos=[picture("one.jpg"), picture("two.jpg")])
    told = as_receiver.post(log_url(trailer), given, **JSON).json()
    assert len(told["photos"]) == 1
    assert [(photo["name"], photo["code"]) for photo in told["refused"]] == [("two.jpg", "photo_too_many")]


def test_photos_taken_before_moving_say_so_and_where_it_was_found(as_receiver, trailer, crushed, data_dir):
    as_receiver.post(log_url(trailer), damaged(trailer, crushed, photos=[picture()], in_place="on"))
    piece = Discrepancy.objects.get()
    assert (piece.where_found, piece.photos.get().purpose) == ("in_trailer", PhotoPurpose.BEFORE_MOVING)


def test_the_label_comes_along_in_the_address(as_receiver, trailer, crushed):
    answer = as_receiver.get(log_url(trailer), {"label": label_of(trailer)})
    assert f'value="{label_of(trailer)}"' in answer.content.decode()


def test_rerouted_by_store_numbers(as_receiver, trailer, site):
    new = make_store(site, trailer.shipments.get().account, "0999")
    given = {"uuid": uuid.uuid4(), "kind": "rerouted", "label": label_of(trailer), "new_store": "999"}
    assert as_receiver.post(log_url(trailer), given).status_code == 302
    piece = Discrepancy.objects.get()
    assert (piece.new_store, piece.carton.new_store, piece.reroute_authority) == (new, new, "label")


def test_of_two_accounts_stores_with_one_number_the_carton_s_is_meant(as_receiver, trailer, site):
    mine = make_store(site, trailer.shipments.get().account, "0999")
    make_store(site, make_account(), "0999")
    given = {"uuid": uuid.uuid4(), "kind": "rerouted", "label": label_of(trailer), "new_store": "0999"}
    as_receiver.post(log_url(trailer), given)
    assert Discrepancy.objects.get().new_store == mine


@pytest.mark.parametrize(
    ("given", "field", "sentence"),
    [
        ({"kind": ""}, "kind", "Choose what is wrong"),
        ({"kind": "short"}, "kind", "short"),
        ({"codes": []}, "codes", "Choose what the damage is."),
        ({"kind": "rerouted", "new_store": "9999"}, "new_store", "Store “9999” is not on this site&#x27;s list."),
        ({"kind": "rerouted"}, "new_store", "Say which store it goes to now."),
        ({"kind": "rerouted", "new_store": "0417"}, "new_store", "is the one that was printed first"),
        ({"kind": "over"}, "label", "is on this trailer&#x27;s list"),
        ({"disposition": "forwarded"}, "knowingly", "gives the inspection away"),
        ({"quantity": "0"}, "quantity", "greater than or equal to 1"),
        ({"note": "x" * 501}, "note", "at most 500"),
        ({"found_at": "yesterday"}, "found_at", "Enter a valid date/time."),
    ],
)
def test_a_refusal_says_what_and_stores_nothing_and_keeps_what_was_typed(
    as_receiver, trailer, crushed, given, field, sentence
):
    events = Event.objects.count()
    typed = damaged(trailer, crushed) | {"note": "north wall"} | given
    answer = as_receiver.post(log_url(trailer), typed)
    text = answer.content.decode()
    assert answer.status_code in (409, 422) and sentence in text
    assert label_of(trailer) in text and typed["note"] in text
    assert not Discrepancy.objects.exists() and Event.objects.count() == events
    told = as_receiver.post(log_url(trailer), typed | {"uuid": uuid.uuid4()}, **JSON).json()
    assert told["errors"][0]["field"] == field


def test_a_carton_logged_already_shows_the_way_to_its_piece(as_receiver, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    answer = as_receiver.post(log_url(trailer), damaged(trailer, crushed))
    assert answer.status_code == 409
    assert f'href="{piece.get_absolute_url()}"' in answer.content.decode()
    told = as_receiver.post(log_url(trailer), damaged(trailer, crushed), **JSON).json()
    assert told["errors"][0]["code"] == "already_logged"
    assert told["errors"][0]["url"] == piece.get_absolute_url()


def test_a_repeat_stores_one_piece_and_one_photo_and_gets_the_same_answer(as_receiver, trailer, crushed, data_dir):
    given = damaged(trailer, crushed)
    first = as_receiver.post(log_url(trailer), given | {"photos": [picture()]}, **JSON)
    again = as_receiver.post(log_url(trailer), given | {"photos": [picture()]}, **JSON)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json() and again["X-Repeated"]
    assert (Discrepancy.objects.count(), Photo.objects.count()) == (1, 1)
    assert as_receiver.post(log_url(trailer), given | {"note": "other"}, **JSON).status_code == 409


def test_a_carton_of_another_trailer_is_credited_there_and_the_page_says_so(as_receiver, site, lead, trailer, crushed):
    other = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=3)
    [carton, *_] = make_cartons(other.shipments.get(), 3, start=500)
    answer = as_receiver.post(log_url(trailer), damaged(trailer, crushed, label=carton.label), follow=True)
    assert answer.redirect_chain[0][0] == log_url(trailer)
    assert f"belongs to trailer {other.trailer_number}" in answer.content.decode()
    assert Discrepancy.objects.get().arrival == other


def test_choosing_a_stop_keeps_the_piece_without_photo_and_notes_whom_was_called(as_receiver, trailer):
    given = {"uuid": uuid.uuid4(), "kind": "damaged", "stop": "smell", "called": "Dana Field", "note": "acid"}
    assert as_receiver.post(log_url(trailer), given).status_code == 302
    piece = Discrepancy.objects.get()
    assert piece.no_photo_reason and IncidentNote.objects.get().called == "Dana Field"
    text = as_receiver.get(page_of(piece, "piece")).content.decode()
    assert "Do not open, move or scan it closer." in text
    assert 'Call Dana Field <a href="tel:5550100">555 0100</a>' in text


def test_the_stop_cards_are_on_the_log_page(as_receiver, trailer):
    text = as_receiver.get(log_url(trailer)).content.decode()
    assert text.count("stopcard") >= 3 and 'Call Dana Field <a href="tel:5550100">555 0100</a>' in text


# --- set aside --------------------------------------------------------------------------------------------------------


def test_one_tap_sets_a_piece_aside_with_its_photo_and_it_waits_on_the_list(as_receiver, trailer, crushed, data_dir):
    url = reverse("set_aside", args=["NOR", trailer.number])
    given = {"uuid": uuid.uuid4(), "label": label_of(trailer), "photos": [picture()]}
    assert as_receiver.post(url, given).status_code == 302
    piece = Discrepancy.objects.get()
    assert (piece.kind, piece.photos.count()) == (Kind.SET_ASIDE, 1)
    complete = page_of(piece, "piece_complete")
    assert complete in as_receiver.get(reverse("log", args=["NOR"])).content.decode()
    form = as_receiver.get(complete).content.decode()
    assert label_of(trailer) in form and 'name="version" value="1"' in form
    answer = as_receiver.post(complete, damaged(trailer, crushed, version=1))
    assert answer.status_code == 302
    piece.refresh_from_db()
    assert (piece.kind, piece.version) == (Kind.DAMAGED, 2)


def test_setting_aside_needs_no_field_at_all(as_receiver, trailer):
    url = reverse("set_aside", args=["NOR", trailer.number])
    assert as_receiver.post(url, {"uuid": uuid.uuid4()}, **JSON).status_code == 201
    assert Discrepancy.objects.get().label == ""


def test_setting_aside_keeps_what_was_typed_when_refused(as_receiver, trailer):
    url = reverse("set_aside", args=["NOR", trailer.number])
    answer = as_receiver.post(url, {"uuid": uuid.uuid4(), "label": "A" * 101, "note": "by the door"})
    text = answer.content.decode()
    assert answer.status_code == 422 and "at most 100" in text and "by the door" in text
    assert not Discrepancy.objects.exists()


def test_the_second_to_complete_a_set_aside_is_told(as_receiver, trailer, lead, crushed):
    piece = discrepancies.set_aside(trailer, uuid=uuid.uuid4(), actor=lead, at=NOON)
    discrepancies.complete(piece, kind=Kind.OVER, facts={}, version=1, actor=lead, at=NOON)
    answer = as_receiver.post(page_of(piece, "piece_complete"), damaged(trailer, crushed, version=1))
    assert answer.status_code == 409 and "has been filled in already" in answer.content.decode()
    assert as_receiver.get(page_of(piece, "piece_complete")).status_code == 302


# --- choosing the trailer ---------------------------------------------------------------------------------------------


def test_a_trailer_is_chosen_by_our_number_or_the_one_painted_on_it(as_receiver, trailer):
    url = reverse("log", args=["NOR"])
    for asked in (trailer.number, f"T-{trailer.number}", trailer.trailer_number.lower()):
        answer = as_receiver.get(url, {"trailer": asked, "label": "A 1"})
        assert answer["Location"] == f"{log_url(trailer)}?label=A+1"
    assert "No trailer “X9”" in as_receiver.get(url, {"trailer": "X9"}).content.decode()
    assert trailer.trailer_number in as_receiver.get(url).content.decode()


def test_a_number_too_long_for_the_database_is_no_error(as_receiver, trailer):
    assert as_receiver.get(reverse("log", args=["NOR"]), {"trailer": "9" * 40}).status_code == 200


# --- one piece --------------------------------------------------------------------------------------------------------


def test_the_piece_page_says_what_is_missing_and_what_was_changed(as_lead, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed, note="corner")
    given = {"uuid": uuid.uuid4(), "label": piece.label, "codes": [crushed.pk], "extent": "touched", "note": "corner"}
    answer = as_lead.post(page_of(piece, "piece_amend"), given | {"reason": "opened it", "version": 1})
    assert answer.status_code == 302
    text = as_lead.get(piece.get_absolute_url()).content.decode()
    assert "Before the trailer can be released:" in text
    assert "<s>not opened</s> → <b>contents touched</b>" in text and "opened it" in text


def test_of_two_who_correct_at_once_the_second_sees_both_and_may_save_again(as_lead, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    discrepancies.amend(piece, facts={"note": "theirs"}, version=1, reason="first", actor=lead, at=NOON)
    given = {"uuid": uuid.uuid4(), "label": piece.label, "codes": [crushed.pk], "extent": "not_opened"}
    given |= {"note": "mine", "reason": "second", "version": 1}
    answer = as_lead.post(page_of(piece, "piece_amend"), given)
    text = answer.content.decode()
    assert answer.status_code == 409
    assert "theirs" in text and "mine" in text and 'name="version" value="2"' in text
    piece.refresh_from_db()
    assert piece.note == "theirs"
    answer = as_lead.post(page_of(piece, "piece_amend"), given | {"uuid": uuid.uuid4(), "version": 2})
    piece.refresh_from_db()
    assert (answer.status_code, piece.note, piece.version) == (302, "mine", 3)


def test_a_correction_that_leaves_a_retired_code_alone_keeps_it(as_lead, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    type(crushed).objects.filter(pk=crushed.pk).update(retired_at=NOON)
    given = {"uuid": uuid.uuid4(), "label": piece.label, "extent": "lost", "reason": "seen", "version": 1}
    assert as_lead.post(page_of(piece, "piece_amend"), given).status_code == 302
    piece.refresh_from_db()
    assert (piece.codes[0]["code"], piece.extent) == ("CR", "lost")


def test_voiding_asks_why(as_lead, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    answer = as_lead.post(page_of(piece, "piece_void"), {"uuid": uuid.uuid4(), "reason": " "})
    assert answer.status_code == 422 and "Say why the piece is voided." in answer.content.decode()
    as_lead.post(page_of(piece, "piece_void"), {"uuid": uuid.uuid4(), "reason": "only dirt"})
    piece.refresh_from_db()
    assert piece.state == DiscrepancyState.VOID
    assert "only dirt" in as_lead.get(piece.get_absolute_url()).content.decode()


def test_where_and_whose_doing(as_receiver, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    given = {"where_found": "pallet", "attribution": "transit", "version": 1}
    answer = as_receiver.post(page_of(piece, "piece_attribute"), given | {"uuid": uuid.uuid4()})
    assert (
        answer.status_code == 422 and "Found on the pallet it is usually “our own handling”" in answer.content.decode()
    )
    given |= {"uuid": uuid.uuid4(), "attribution_reason": "wrapped at origin"}
    assert as_receiver.post(page_of(piece, "piece_attribute"), given).status_code == 302
    piece.refresh_from_db()
    assert piece.attribution == Attribution.TRANSIT


def test_opening_and_the_store_s_report(as_receiver, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    given = {"uuid": uuid.uuid4(), "kind": "opened", "by_name": "Sam", "units_good": 3, "units_hurt": 1}
    assert as_receiver.post(page_of(piece, "piece_finding"), given).status_code == 302
    given = {"uuid": uuid.uuid4(), "by_name": "Store 0417", "text": "two broken", "units_hurt": 2}
    for _ in range(2):
        assert as_receiver.post(page_of(piece, "piece_store_report"), given).status_code == 302
    piece.refresh_from_db()
    assert (piece.units_hurt, Finding.objects.count()) == (2, 2)
    text = as_receiver.get(piece.get_absolute_url()).content.decode()
    assert "two broken" in text and "what the store found" in text


def test_forwarding_before_the_inspection_asks_for_the_tick(as_receiver, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    url, given = page_of(piece, "piece_dispose"), {"disposition": "forwarded", "version": 1}
    answer = as_receiver.post(url, given | {"uuid": uuid.uuid4()})
    assert answer.status_code == 422 and "gives the inspection away" in answer.content.decode()
    assert as_receiver.post(url, given | {"uuid": uuid.uuid4(), "knowingly": "on"}).status_code == 302
    piece.refresh_from_db()
    assert piece.disposition == Disposition.FORWARDED


def test_held_food_is_released_only_by_who_is_qualified(client, site, lead, crushed):
    wet = make_code(site, "WF", label="wet", stop_card="food")
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=4, account=make_account(food=True))
    make_cartons(trailer.shipments.get(), 4, start=300)
    piece = logged(trailer, lead, wet)
    client.force_login(lead)
    assert client.get(page_of(piece, "piece_food")).status_code == 403
    assert page_of(piece, "piece_food") not in client.get(piece.get_absolute_url()).content.decode()
    qualified = make_person("receiver", site, food_qualified=True)
    client.force_login(qualified)
    assert page_of(piece, "piece_food") in client.get(piece.get_absolute_url()).content.decode()
    client.post(page_of(piece, "piece_food"), {"uuid": uuid.uuid4(), "version": 1, "text": "outer film only"})
    piece.refresh_from_db()
    assert not piece.food_hold
    assert Finding.objects.get(kind=FindingKind.FOOD_RELEASED).by_name == str(qualified)


def test_a_short_is_found_from_its_page(as_receiver, trailer, lead):
    carton = Carton.objects.get(arrival=trailer, line=0)
    [short] = discrepancies.declare_short(carton.shipment, cartons=[carton], actor=lead, at=NOON)
    given = {"uuid": uuid.uuid4(), "where": "nose", "note": ""}
    assert as_receiver.post(page_of(short, "piece_found"), given).status_code == 302
    carton.refresh_from_db()
    assert carton.received == 1


def test_an_over_shows_the_short_of_its_own_site_and_matches_it(as_receiver, site, trailer, lead):
    carton = Carton.objects.get(arrival=trailer, line=0)
    [short] = discrepancies.declare_short(carton.shipment, cartons=[carton], actor=lead, at=NOON)
    release(trailer, lead)
    other = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=3)
    given = {"uuid": uuid.uuid4(), "kind": "over", "label": short.label}
    answer = as_receiver.post(log_url(other), given)
    over = Discrepancy.objects.get(kind=Kind.OVER)
    assert answer["Location"] == over.get_absolute_url()
    text = as_receiver.get(over.get_absolute_url()).content.decode()
    assert short.get_absolute_url() in text and page_of(over, "piece_match") in text
    answer = as_receiver.post(page_of(over, "piece_match"), {"uuid": uuid.uuid4(), "short": short.number})
    over.refresh_from_db()
    short.refresh_from_db()
    assert (over.state, short.state) == (DiscrepancyState.MATCHED, DiscrepancyState.MATCHED)


def test_another_site_s_short_is_said_to_exist_and_nothing_more(as_receiver, trailer):
    south = make_site("SOU", name="South dock", responsible_person="Robin Hale", responsible_phone="555 0199")
    theirs = make_person("lead", south)
    arrival = make_arrival(south, actor=theirs, state=ArrivalState.UNLOADING, pieces=4, trailer_number="SECRET77")
    store = make_store(south, arrival.shipments.get().account, "7731", name="Quarry Lane")
    make_cartons(arrival.shipments.get(), 4, start=700, stores=[store], description="lanterns")
    carton = Carton.objects.get(arrival=arrival, line=0)
    [short] = discrepancies.declare_short(carton.shipment, cartons=[carton], actor=theirs, at=NOON)
    given = {"uuid": uuid.uuid4(), "kind": "over", "label": short.label}
    told = as_receiver.post(log_url(trailer), given, **JSON).content.decode()
    over = Discrepancy.objects.get(kind=Kind.OVER)
    text = as_receiver.get(over.get_absolute_url()).content.decode()
    assert "South dock is looking for a carton with this label. Ask Robin Hale 555 0199." in " ".join(text.split())
    secrets = ["SECRET77", "7731", "Quarry Lane", "lanterns", "/SOU/", carton.shipment.bill_number, str(short.uuid)]
    for secret in [*secrets, str(carton.shipment.account)]:
        assert secret not in text and secret not in told
    answer = as_receiver.post(page_of(over, "piece_match"), {"uuid": uuid.uuid4(), "short": short.number})
    assert answer.status_code in (422, 409)
    short.refresh_from_db()
    assert short.state == DiscrepancyState.OPEN


def test_the_tag_holds_the_address_and_no_inline_style(as_receiver, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    text = as_receiver.get(page_of(piece, "tag")).content.decode()
    assert f"http://testserver{piece.get_absolute_url()}" in text
    assert "<svg" in text and "P-1" in text and "CR crushed" in text and trailer.trailer_number in text
    assert "style=" not in text and "<style" not in text


def test_text_from_outside_stays_text(as_lead, trailer, lead, crushed):
    evil = "<script>alert(1)</script>"
    piece = logged(trailer, lead, crushed, note=evil)
    discrepancies.amend(piece, facts={"note": evil + "2"}, version=1, reason=evil, actor=lead, at=NOON)
    for name in ("piece", "tag", "piece_amend"):
        assert evil not in as_lead.get(page_of(piece, name)).content.decode()


# --- after the release ------------------------------------------------------------------------------------------------


def test_a_clerk_logs_only_what_is_found_after_the_trailer_left(client, site, trailer, lead, crushed):
    client.force_login(make_person("clerk", site))
    assert client.get(log_url(trailer)).status_code == 403
    assert client.post(log_url(trailer), damaged(trailer, crushed)).status_code == 403
    release(trailer, lead)
    assert "after release" in client.get(log_url(trailer)).content.decode()
    answer = client.post(log_url(trailer), damaged(trailer, crushed))
    piece = Discrepancy.objects.get()
    assert piece.after_release and answer["Location"] == piece.get_absolute_url()
    assert client.get(page_of(piece, "piece_attribute")).status_code == 200
    assert client.get(page_of(piece, "piece_void")).status_code == 403


def test_concealed_damage_shows_its_clock_and_drafts_the_notice(as_receiver, site, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed, note="dented inside")
    notice = page_of(piece, "piece_notice")
    assert notice not in as_receiver.get(piece.get_absolute_url()).content.decode()
    release(trailer, lead)
    late = logged(trailer, lead, crushed, 1, note="dented inside")
    text = " ".join(as_receiver.get(late.get_absolute_url()).content.decode().split())
    assert "by Mon 9 Mar 2026 and ask for inspection: five business days after delivery on Mon 2 Mar 2026" in text
    letter = as_receiver.get(page_of(late, "piece_notice")).content.decode()
    wanted = [trailer.trailer_number, trailer.shipments.get().bill_number, "dented inside", "crushed", "Mon 9 Mar 2026"]
    assert all(words in letter for words in [*wanted, "kept as found", "Dana Field", "not a claim"])
    over = discrepancies.record(trailer, uuid=uuid.uuid4(), kind=Kind.OVER, facts={"label": "Z"}, actor=lead, at=NOON)
    assert as_receiver.get(page_of(over, "piece_notice")).status_code == 404


# --- who may ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["piece", "tag", "piece_notice", "piece_void", "piece_food", *ACTIONS])
def test_another_site_s_piece_does_not_exist(client, trailer, lead, crushed, name):
    piece = logged(trailer, lead, crushed)
    south = make_site("SOU")
    client.force_login(make_person("lead", south, food_qualified=True))
    assert client.get(page_of(piece, name)).status_code == 404
    assert client.get(reverse(name, args=["SOU", piece.number])).status_code == 404


@pytest.mark.parametrize("name", ["piece_void", "piece_food", *ACTIONS])
def test_a_viewer_looks_and_changes_nothing(client, site, trailer, lead, crushed, name):
    piece = logged(trailer, lead, crushed)
    client.force_login(make_person("viewer", site))
    assert client.get(page_of(piece, "piece")).status_code == 200
    assert client.get(page_of(piece, "tag")).status_code == 200
    assert client.post(page_of(piece, name), {"uuid": uuid.uuid4()}).status_code == 403
    assert page_of(piece, name) not in client.get(page_of(piece, "piece")).content.decode()


def test_a_receiver_does_not_void(as_receiver, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    assert as_receiver.post(page_of(piece, "piece_void"), {"uuid": uuid.uuid4(), "reason": "x"}).status_code == 403
    assert page_of(piece, "piece_void") not in as_receiver.get(piece.get_absolute_url()).content.decode()


@pytest.mark.parametrize("name", ["piece", "tag", "piece_notice", "piece_void", "piece_food", *ACTIONS])
def test_nobody_is_sent_to_sign_in(client, trailer, lead, crushed, name):
    piece = logged(trailer, lead, crushed)
    answer = client.get(page_of(piece, name))
    assert answer.status_code == 302 and answer["Location"].startswith(reverse("login"))


@pytest.mark.parametrize("name", ["log", "log_trailer", "set_aside"])
def test_the_trailer_s_log_is_for_those_who_work_there(client, site, trailer, name):
    args = ["NOR"] if name == "log" else ["NOR", trailer.number]
    send = client.post if name == "set_aside" else client.get
    assert send(reverse(name, args=args))["Location"].startswith(reverse("login"))
    client.force_login(make_person("viewer", site))
    assert send(reverse(name, args=args)).status_code == 403
    client.force_login(make_person("lead", make_site("SOU")))
    assert send(reverse(name, args=args)).status_code == 404


# --- what it costs ----------------------------------------------------------------------------------------------------


def count_queries(client, url):
    client.get(url)
    with CaptureQueriesContext(connection) as found:
        assert client.get(url).status_code == 200
    return len(found)


def test_the_log_page_costs_the_same_with_one_piece_and_with_ten(as_receiver, trailer, lead, crushed):
    logged(trailer, lead, crushed)
    one = count_queries(as_receiver, log_url(trailer))
    for line in range(1, 10):
        logged(trailer, lead, crushed, line)
    assert count_queries(as_receiver, log_url(trailer)) == one


def test_the_choice_of_trailers_costs_the_same_with_one_and_with_many(as_receiver, site, trailer, lead):
    discrepancies.set_aside(trailer, uuid=uuid.uuid4(), actor=lead, at=NOON)
    one = count_queries(as_receiver, reverse("log", args=["NOR"]))
    for _ in range(4):
        other = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2)
        discrepancies.set_aside(other, uuid=uuid.uuid4(), actor=lead, at=NOON)
    assert count_queries(as_receiver, reverse("log", args=["NOR"])) == one


def test_a_piece_s_page_costs_the_same_with_one_version_and_with_ten(as_lead, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    for number in range(1, 3):
        discrepancies.amend(piece, facts={"note": str(number)}, version=number, reason="r", actor=lead, at=NOON)
    few = count_queries(as_lead, piece.get_absolute_url())
    for number in range(3, 12):
        discrepancies.amend(piece, facts={"note": str(number)}, version=number, reason="r", actor=lead, at=NOON)
        discrepancies.add_finding(
            piece, uuid=uuid.uuid4(), kind=FindingKind.NOTE, facts={"text": "x"}, actor=lead, at=NOON
        )
    assert count_queries(as_lead, piece.get_absolute_url()) == few


# --- in a real browser ------------------------------------------------------------------------------------------------


def test_the_tag_of_a_piece_leads_to_the_piece(as_receiver, trailer, lead, crushed):
    piece = logged(trailer, lead, crushed)
    tag = f"http://testserver{piece.get_absolute_url()}"
    choose = reverse("log", args=[trailer.site.code])
    for url, query in ((log_url(trailer), {"label": tag}), (choose, {"label": tag}), (choose, {"trailer": tag})):
        assert as_receiver.get(url, query).url == piece.get_absolute_url()
    assert as_receiver.get(reverse("search", args=[trailer.site.code]), {"q": tag}).url == piece.get_absolute_url()
    answer = as_receiver.post(log_url(trailer), damaged(trailer, crushed, label=tag), **JSON)
    error = answer.json()["errors"][0]
    assert (error["code"], error["field"], error["url"]) == ("own_tag", "label", piece.get_absolute_url())
    assert Discrepancy.objects.count() == 1


@pytest.mark.parametrize(("role", "may"), [("lead", True), ("receiver", False)])
def test_what_was_set_aside_by_mistake_is_voided_by_a_lead(client, site, trailer, lead, role, may):
    client.force_login(make_person(role, site))
    piece = discrepancies.set_aside(trailer, uuid=uuid.uuid4(), actor=lead, at=NOON)
    shown = client.get(page_of(piece, "piece_complete")).content.decode()
    assert (page_of(piece, "piece_void") in shown) is may
    assert ("A lead can void it" in shown) is not may


def test_a_clerk_cannot_reach_a_trailer_being_unloaded_by_its_carton(client, site, trailer, lead, crushed):
    client.force_login(make_person("clerk", site))
    gone = release(make_arrival(site, actor=lead, state=ArrivalState.UNLOADING), lead)
    answer = client.post(log_url(gone), damaged(trailer, crushed))
    assert answer.status_code == 403
    assert not Discrepancy.objects.exists()
    assert Carton.objects.get(arrival=trailer, line=0).received == 0
    assert client.post(log_url(gone), damaged(trailer, crushed, label="ELSEWHERE")).status_code == 302


def signed_in(page, person, url):
    page.goto("/login/")
    page.fill("[name=username]", person.username)
    page.fill("[name=password]", PASSWORD)
    page.press("[name=password]", "Enter")
    page.wait_for_url(lambda there: "/login/" not in there)
    page.goto(url)


class Taps:
    """Counts what a thumb does; the camera's own taps are not ours."""

    def __init__(self, page):
        self.page, self.count = page, 0

    def on(self, locator):
        self.count += 1
        locator.tap()

    def photo(self):
        with self.page.expect_file_chooser() as chooser:
            self.on(self.page.get_by_text("Take a photo"))
        chooser.value.set_files([{"name": "crush.jpg", "mimeType": "image/jpeg", "buffer": picture().getvalue()}])

    def save(self):
        self.on(self.page.get_by_role("button", name="Log this piece"))
        self.page.wait_for_selector(".notice.ok")


@pytest.fixture
def at_the_log(transactional_db, phone, receiver, trailer, crushed, site):
    """go(label) -> taps on the log page of the trailer, the label just scanned."""
    make_store(site, trailer.shipments.get().account, "0999")

    def go(label):
        signed_in(phone, receiver, f"{log_url(trailer)}?label={label}")
        return Taps(phone)

    return go


@pytest.mark.django_db(transaction=True)
def test_a_crushed_carton_with_its_photo_takes_four_taps(at_the_log, trailer, phone):
    taps = at_the_log(label_of(trailer))
    taps.on(phone.get_by_text("Damaged", exact=True))
    taps.on(phone.get_by_text("crushed", exact=True))
    taps.photo()
    taps.save()
    piece = Discrepancy.objects.get()
    assert taps.count <= 4
    assert (piece.kind, piece.photos.count()) == (Kind.DAMAGED, 1)


@pytest.mark.django_db(transaction=True)
def test_a_rerouted_carton_takes_three_taps(at_the_log, trailer, phone):
    taps = at_the_log(label_of(trailer))
    taps.on(phone.get_by_text("Rerouted", exact=True))
    phone.keyboard.type("0999")
    taps.save()
    assert taps.count <= 3 and Discrepancy.objects.get().new_store.number == "0999"


@pytest.mark.django_db(transaction=True)
def test_an_over_with_its_photo_takes_three_taps(at_the_log, phone):
    taps = at_the_log(sscc(9000))
    taps.on(phone.get_by_text("Over", exact=True))
    taps.photo()
    taps.save()
    assert taps.count <= 3 and Discrepancy.objects.get().photos.count() == 1


@pytest.mark.django_db(transaction=True)
def test_a_dangerous_code_shows_the_stop_card_at_once(at_the_log, site, trailer, phone):
    make_code(site, "LK", label="leaking badly", stop_card="hazard")
    taps = at_the_log(label_of(trailer))
    assert not phone.locator(".stopcard:visible").count()
    taps.on(phone.get_by_text("Damaged", exact=True))
    taps.on(phone.get_by_text("leaking badly", exact=True))
    assert "Do not open, move or scan it closer." in phone.locator(".stopcard:visible").inner_text()
    taps.save()
    assert IncidentNote.objects.count() == 1
