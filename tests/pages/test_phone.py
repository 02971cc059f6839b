"""What the dock's phones ask and say, and every post of theirs answered as their outbox needs it."""

import json
import uuid
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from receiving import counting, phones
from receiving.enums import ArrivalState
from receiving.models import (
    Arrival,
    Discrepancy,
    Event,
    LateRecord,
    Membership,
    Moment,
    Phone,
    PhoneTrailer,
    Photo,
    Scan,
    SealRecord,
    TallyTap,
)
from tests.builders import (
    NOON,
    make_arrival,
    make_cartons,
    make_code,
    make_door,
    make_jpeg,
    make_person,
    make_site,
    make_store,
    sscc,
)

pytestmark = pytest.mark.django_db
PHONE = str(uuid.uuid4())
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
def phone(client, ana):
    client.force_login(ana)
    return client


def headers(made_at=None, ahead=timedelta()):
    now = timezone.now()
    made_at = made_at or now - MINUTE
    return {
        "Accept": "application/json",
        "X-Outbox": "1",
        "X-Phone": PHONE,
        "X-Device-Now": (now + ahead).isoformat(),
        "X-Made-At": (made_at + ahead).isoformat(),
    }


def form(**given):
    return {"uuid": str(uuid.uuid4())} | given


def at(name, arrival, *more):
    return reverse(name, args=[arrival.site.code, arrival.number, *more])


# --- who is here ------------------------------------------------------------------------------------------------------


def test_a_phone_learns_for_whom_it_works(phone, site, ana):
    answer = phone.get(reverse("phone", args=["NOR"]))
    told = answer.json()
    assert (told["person"], told["name"], told["may_work"]) == (ana.pk, "Ana Ruiz", True)
    assert {"csrf", "now", "release"} < set(told)
    assert abs(timezone.datetime.fromisoformat(told["now"]) - timezone.now()) < MINUTE


def test_the_token_of_the_answer_lets_a_phone_post(site, ana):
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(ana)
    token = strict.get(reverse("phone", args=["NOR"])).json()["csrf"]
    report = {"report": json.dumps({"phone": PHONE})}
    assert strict.post(reverse("phone_report", args=["NOR"]), report).status_code == 403
    answer = strict.post(reverse("phone_report", args=["NOR"]), report, headers={"X-CSRFToken": token})
    assert (answer.status_code, answer.json()["phone_number"]) == (200, 1)


def test_who_is_no_member_any_more_is_told_that_the_phone_may_hand_in(phone, site, ana):
    make_arrival(site, actor=ana)
    Membership.objects.all().delete()
    answer = phone.get(reverse("phone", args=["NOR"]))
    assert answer.status_code == 404
    assert (answer.json()["may_hand_in"], answer.json()["person"]) == (True, ana.pk)


def test_who_never_was_a_member_gets_nothing(client, site):
    client.force_login(make_person("lead", make_site("SOU"), "o"))
    answer = client.get(reverse("phone", args=["NOR"]))
    assert answer.status_code == 404
    assert "may_hand_in" not in answer.content.decode()


def test_a_report_is_taken_and_a_bad_one_named(phone, site, ana):
    trailer = make_arrival(site, actor=ana, state=ArrivalState.UNLOADING)
    report = {"phone": PHONE, "name": "Dock 2", "waiting": {str(trailer.number): 2}, "worked": [trailer.number]}
    answer = phone.post(reverse("phone_report", args=["NOR"]), {"report": json.dumps(report)})
    assert (answer.status_code, answer.json()["phone_number"], answer.json()["person"]) == (200, 1, ana.pk)
    assert PhoneTrailer.objects.get().waiting == 2
    bad = phone.post(reverse("phone_report", args=["NOR"]), {"report": "{}"}, headers={"Accept": "application/json"})
    assert (bad.status_code, bad.json()["errors"][0]["field"]) == (422, "phone")


def test_a_record_written_at_a_trailer_makes_the_phone_known_there(phone, site, ana):
    trailer = make_arrival(site, actor=ana, state=ArrivalState.UNLOADING)
    phone.post(at("set_aside", trailer), form(), headers=headers())
    row = PhoneTrailer.objects.get()
    assert (row.arrival, row.phone.person, str(row.phone.uuid)) == (trailer, ana, PHONE)
    assert [str(found.phone) for found in phones.unheard(trailer)] == ["D-1"]


def test_a_refused_record_and_a_page_without_a_phone_make_none(phone, site, ana):
    trailer = make_arrival(site, actor=ana)
    assert phone.post(at("set_aside", trailer), form(), headers=headers()).status_code == 422
    phone.post(at("arrive", trailer), form(door=make_door(site).pk, dropped="live"))
    assert not Phone.objects.exists()


# --- every post of a phone --------------------------------------------------------------------------------------------


def counting_trailer(site, ana):
    arrival = make_arrival(site, actor=ana, state=ArrivalState.UNLOADING, pieces=4)
    store = make_store(site, arrival.shipments.get().account, "0417")
    make_cartons(arrival.shipments.get(), 4, stores=[store])
    return arrival


def seal(**given):
    return {
        "action": "found",
        "trailer_door": "rear",
        "number_on_seal": "N77",
        "condition": "intact",
        "viewed": "on",
        "verified": "on",
        "tugged": "on",
        "twisted": "on",
    } | given


# name of the address -> (state of the trailer, what is posted, what the answer holds, what is refused)
POSTS = {
    "arrive": (ArrivalState.EXPECTED, lambda s: {"door": make_door(s).pk, "dropped": "live"}, "trailer", {"door": ""}),
    "seal_new": (ArrivalState.AT_DOOR, lambda s: seal(), "seal", {"condition": ""}),
    "unsealed": (ArrivalState.AT_DOOR, lambda s: {"reason": "the bill names none"}, "trailer", {"reason": ""}),
    "safety": (ArrivalState.AT_DOOR, lambda s: {"wheels_held": "on"}, "trailer", None),
    "incident": (ArrivalState.UNLOADING, lambda s: {"kind": "leaking", "text": "a drum"}, "incident", {"text": ""}),
    "pause": (ArrivalState.UNLOADING, lambda s: {"held_by": "the guard"}, "trailer", {"held_by": ""}),
    "count_end": (ArrivalState.UNLOADING, lambda s: {}, "trailer", {"happened_at": "soon"}),
    "count_again": (ArrivalState.COUNTED, lambda s: {"note": "more came"}, "trailer", {"note": "x" * 301}),
    "log_trailer": (
        ArrivalState.UNLOADING,
        lambda s: {"kind": "damaged", "codes": make_code(s).pk, "label": sscc(1)},
        "piece",
        {"kind": ""},
    ),
    "set_aside": (ArrivalState.UNLOADING, lambda s: {"note": "by the nose"}, "piece", {"note": "x" * 501}),
    "count_scan": (ArrivalState.UNLOADING, lambda s: {"label": sscc(2)}, "scans", {"label": ""}),
}


@pytest.mark.parametrize("name", POSTS)
def test_a_phone_gets_json_for_what_is_stored_and_for_what_is_refused(phone, site, ana, name):
    state, given, holds, wrong = POSTS[name]
    trailer = make_arrival(site, actor=ana, state=state, pieces=4)
    make_cartons(trailer.shipments.get(), 4)
    sent = given(site)
    if wrong is not None:
        refused = phone.post(at(name, trailer), form(**sent | wrong), headers=headers())
        assert (refused.status_code, refused["Content-Type"]) == (422, "application/json")
        assert set(refused.json()["errors"][0]) >= {"code", "field", "message"}
    data = form(**sent)
    first, again = (phone.post(at(name, trailer), data, headers=headers()) for _time in range(2))
    assert (first.status_code, first["Content-Type"]) == (201, "application/json")
    assert holds in first.json()
    assert first.json()["next"] if name != "count_scan" else first.json()["scans"][0]["uuid"]
    assert (again.status_code, again.json()) == (201, first.json())
    changed = phone.post(at(name, trailer), data | {"more": "x"}, headers=headers())
    assert (changed.status_code, changed.json()["errors"][0]["code"]) == (409, "uuid_reused")


def test_a_repeat_matches_whatever_the_phone_says_of_itself(phone, site, ana):
    trailer = counting_trailer(site, ana)
    data = form(note="by the nose")
    first = phone.post(at("set_aside", trailer), data, headers=headers())
    again = phone.post(at("set_aside", trailer), data, headers=headers(ahead=timedelta(hours=2)))
    assert again.json() == first.json()
    assert again.headers["X-Repeated"] == "1"
    assert Discrepancy.objects.count() == 1


def test_what_an_outbox_needs_of_a_piece_a_seal_and_a_photo(phone, site, ana):
    trailer = counting_trailer(site, ana)
    number = str(uuid.uuid4())
    piece = phone.post(at("set_aside", trailer), {"uuid": number}, headers=headers()).json()["piece"]
    assert (piece["uuid"], piece["number"]) == (number, 1)
    assert piece["url"].endswith("/NOR/piece/1/")
    answer = phone.post(at("seal_new", trailer), {"uuid": number[:-4] + "aaaa"} | seal(), headers=headers()).json()
    row = SealRecord.objects.get(number_on_seal="N77")
    assert (answer["seal"]["uuid"], answer["seal"]["number"]) == (str(row.uuid), "N77")
    assert answer["seal"]["url"].endswith(f"/seal/{row.pk}/")
    for subject in ({"piece": number}, {"piece": "1"}, {"seal": str(row.uuid)}):
        sent = form(photo=SimpleUploadedFile("a.jpg", make_jpeg()), purpose="piece", **subject)
        answer = phone.post(at("photo_upload", trailer), sent, headers=headers())
        assert answer.status_code == 201, answer.content
        assert answer.json()["photo"]["sha256"] == Photo.objects.latest("pk").sha256
    assert Photo.objects.filter(discrepancy__uuid=number).count() == 2
    assert phone.post(at("photo_upload", trailer), form(piece=str(uuid.uuid4())), headers=headers()).status_code == 404


def test_tally_and_taking_back_answer_json(phone, site, ana):
    trailer = counting_trailer(site, ana)
    bill = trailer.shipments.get()
    store = bill.account.stores.get()
    tap = {"store": store.pk, "count": 5}
    answer = phone.post(at("count_tally_tap", trailer, bill.pk), form(**tap), headers=headers())
    assert (answer.status_code, answer.json()["count"]) == (201, 5)
    refused = phone.post(at("count_tally_tap", trailer, bill.pk), form(**tap | {"count": 0}), headers=headers())
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, "count")
    back = phone.post(at("count_undo", trailer), form(what="tap"), headers=headers())
    assert (back.status_code, TallyTap.objects.count()) == (201, 2)
    nothing = phone.post(at("count_undo", trailer), form(), headers=headers())
    assert (nothing.status_code, nothing.json()["errors"][0]["code"]) == (422, "nothing_to_undo")


# --- clocks -----------------------------------------------------------------------------------------------------------


def test_a_wrong_clock_is_set_right_and_the_event_says_both(phone, site, ana):
    trailer = counting_trailer(site, ana)
    made, ahead = timezone.now() - 20 * MINUTE, timedelta(hours=7)
    found = {"found_at": (made + ahead).isoformat()}
    number = str(uuid.uuid4())
    phone.post(at("set_aside", trailer), {"uuid": number} | found, headers=headers(made, ahead))
    piece = Discrepancy.objects.get(uuid=number)
    assert abs(piece.found_at - made) < MINUTE
    told = Event.objects.get(verb="piece.set_aside").after["from_phone"]
    assert told["device"] == PHONE
    assert abs(told["clock_ahead_seconds"] - 7 * 3600) < 5
    said = timezone.datetime.fromisoformat(told["device_said"])
    assert abs(said - (made + ahead)) < timedelta(seconds=1)
    label = {
        "labels": json.dumps([{"uuid": str(uuid.uuid4()), "label": sscc(1), "device_at": (made + ahead).isoformat()}])
    }
    phone.post(at("count_scan", trailer), form(**label), headers=headers(made, ahead))
    assert abs(Scan.objects.get().device_at - made) < MINUTE


def test_a_record_without_a_time_of_its_own_was_made_when_the_phone_made_it(phone, site, ana):
    trailer = counting_trailer(site, ana)
    made = timezone.now() - 20 * MINUTE
    phone.post(at("set_aside", trailer), form(), headers=headers(made))
    phone.post(at("count_scan", trailer), form(label=sscc(1)), headers=headers(made))
    phone.post(at("seal_new", trailer), form(**seal()), headers=headers(made))
    phone.post(at("pause", trailer), form(held_by="the guard"), headers=headers(made))
    rows = (Discrepancy.objects.get().found_at, Scan.objects.get().device_at, SealRecord.objects.latest("pk").at)
    assert rows == (made, made, made)
    paused = Moment.objects.get(kind="paused")
    assert paused.at == made
    assert Arrival.objects.get(pk=trailer.pk).state == ArrivalState.PAUSED


def test_steps_made_without_a_network_come_in_their_order(phone, site, ana):
    trailer = make_arrival(site, actor=ana, pieces=2)
    start = timezone.now() - 40 * MINUTE
    sent = [
        ("arrive", {"door": make_door(site).pk, "dropped": "live"}),
        ("seal_new", seal()),
        ("safety", {"wheels_held": "on", "floor_looked_at": "on", "load_safe": "on"}),
        ("unload", {}),
        ("count_end", {}),
    ]
    for minutes, (name, data) in enumerate(sent):
        answer = phone.post(at(name, trailer), form(**data), headers=headers(start + minutes * MINUTE))
        assert answer.status_code == 201, (name, answer.content)
    trailer.refresh_from_db()
    assert trailer.gate_at == start
    assert (trailer.unloading_at, trailer.counted_at) == (start + 3 * MINUTE, start + 4 * MINUTE)
    assert list(trailer.moments.order_by("at", "pk").exclude(kind="expected").values_list("kind", "at")) == [
        ("at_gate", start),
        ("at_door", start),
        ("unloading_started", start + 3 * MINUTE),
        ("counted", start + 4 * MINUTE),
    ]


# --- after the release ------------------------------------------------------------------------------------------------


def released_short(client, site, lead):
    trailer = counting_trailer(site, lead)
    counting.scan(trailer, reads=[counting.Read(sscc(n)) for n in (2, 3, 4)], actor=lead, at=NOON)
    bill = trailer.shipments.get()
    client.force_login(lead)
    client.post(at("count_end", trailer), form())
    client.post(at("looked", trailer), form(places=["nose"]))
    client.post(at("declare_short", trailer, bill.pk), form(seen="1"))
    signed = {"notation": "1 short", "outcome": "signed", "signer": "Sam Rivers", "typed": "on"}
    answer = client.post(at("release", trailer), form(**signed, carrier_receipt="no_exceptions"))
    assert answer.status_code == 302, answer.content.decode()
    return Arrival.objects.get(pk=trailer.pk)


def late_scan(client, trailer, ana, label, data=None):
    client.force_login(ana)
    made = trailer.released_at - MINUTE
    return client.post(at("count_scan", trailer), data or form(label=label), headers=headers(made))


def test_the_lead_is_told_that_the_sheet_no_longer_stands_and_makes_the_next_in_one_step(client, site, lead, ana):
    trailer = released_short(client, site, lead)
    answer = late_scan(client, trailer, ana, sscc(1))
    assert (answer.status_code, answer.json()["scans"][0]["result"]) == (201, "found")
    sentence = "Sheet R-0001 no longer stands: 1 piece was found before and sent after."
    client.force_login(lead)
    for url in (reverse("doors", args=["NOR"]), at("trailer", trailer), reverse("sheet", args=["NOR", 1])):
        assert sentence in client.get(url).content.decode(), url
    page = client.get(at("trailer", trailer)).content.decode()
    assert "sent after the release" in page
    assert page.count("Make the sheet that replaces it") == 1
    answer = client.post(at("sheet_replace", trailer), form())
    assert answer.url == "/NOR/sheet/2/"
    new = client.get(answer.url).content.decode()
    assert "Not seen by the driver" in new
    assert "not seen by the driver: made after the trailer had left" in new
    assert "R-0002 took its place" in client.get(reverse("sheet", args=["NOR", 1])).content.decode()
    for url in (reverse("doors", args=["NOR"]), at("trailer", trailer)):
        assert "no longer stands" not in client.get(url).content.decode()
    again = client.post(at("sheet_replace", trailer), form(), headers={"Accept": "application/json"})
    assert (again.status_code, again.json()["errors"][0]["code"]) == (422, "sheet_stands")


def test_a_receiver_sees_that_the_sheet_no_longer_stands_but_makes_none(client, site, lead, ana):
    trailer = released_short(client, site, lead)
    late_scan(client, trailer, ana, sscc(1))
    page = client.get(at("trailer", trailer)).content.decode()
    assert "no longer stands" in page
    assert "Make the sheet" not in page
    assert client.post(at("sheet_replace", trailer), form()).status_code == 403


def test_a_late_tally_that_nothing_waits_for_is_kept_and_said_so(client, site, lead, ana):
    trailer = released_short(client, site, lead)
    bill = trailer.shipments.get()
    client.force_login(ana)
    sent = form(store=bill.account.stores.get().pk, count=1)
    answer = client.post(at("count_tally_tap", trailer, bill.pk), sent, headers=headers(trailer.released_at - MINUTE))
    assert (answer.status_code, answer.json()["kept"]) == (201, True)
    assert LateRecord.objects.get().outcome == "kept"
    client.force_login(lead)
    assert "kept, but not counted" in client.get(at("trailer", trailer)).content.decode()


def queries_of(client, url):
    """How many queries a page takes once its session is warm."""
    client.get(url)
    with CaptureQueriesContext(connection) as taken:
        assert client.get(url).status_code == 200
        return len(taken)


@pytest.mark.parametrize("url", ["doors", "trailer", "sheet"])
def test_more_that_came_late_costs_no_more_queries(client, site, lead, ana, url):
    trailer = released_short(client, site, lead)
    pages = {
        "doors": reverse("doors", args=["NOR"]),
        "trailer": at("trailer", trailer),
        "sheet": reverse("sheet", args=["NOR", 1]),
    }
    late_scan(client, trailer, ana, sscc(1))
    client.force_login(lead)
    wanted = queries_of(client, pages[url])
    for label in (sscc(2), sscc(3), sscc(900)):
        late_scan(client, trailer, ana, label)
    client.force_login(lead)
    assert queries_of(client, pages[url]) == wanted


# --- before the release -----------------------------------------------------------------------------------------------


def test_the_release_page_names_phones_and_asks_for_a_tick(client, site, lead, ana):
    trailer = counting_trailer(site, lead)
    counting.scan(trailer, reads=[counting.Read(sscc(n)) for n in (1, 2, 3, 4)], actor=lead, at=NOON)
    client.force_login(ana)
    client.post(at("count_end", trailer), form(), headers=headers())
    client.force_login(lead)
    page = client.get(at("release", trailer)).content.decode()
    assert "D-1 (Ana Ruiz)" in page
    signed = {"notation": "all there", "outcome": "signed", "signer": "Sam", "typed": "on"}
    signed |= {"carrier_receipt": "no_exceptions"}
    refused = client.post(at("release", trailer), form(**signed))
    assert refused.status_code == 409
    assert "Phones may still keep something of this trailer. D-1 (Ana Ruiz)" in refused.content.decode()
    assert client.post(at("release", trailer), form(**signed, knowing_phones="on")).status_code == 302
    assert "released although phones may keep something of it" in client.get(at("trailer", trailer)).content.decode()


def test_the_one_tap_asks_for_the_tick_too(client, site, lead, ana):
    trailer = counting_trailer(site, lead)
    client.force_login(ana)
    for n in (1, 2, 3, 4):
        client.post(at("count_scan", trailer), form(label=sscc(n)), headers=headers())
    client.force_login(lead)
    assert "D-1 (Ana Ruiz)" in client.get(at("square", trailer)).content.decode()
    refused = client.post(at("release_clean", trailer), form())
    assert refused.status_code == 409
    assert "D-1 (Ana Ruiz)" in refused.content.decode()
    script = client.post(at("release_clean", trailer), form(), headers={"Accept": "application/json"})
    assert script.json()["errors"][0]["code"] == "phones_unheard"
    assert Arrival.objects.get().state == ArrivalState.UNLOADING
    assert client.post(at("release_clean", trailer), form(knowing_phones="1")).status_code == 302


def test_a_phone_that_reported_nothing_is_not_named(client, site, lead, ana):
    trailer = counting_trailer(site, lead)
    client.force_login(ana)
    client.post(at("count_end", trailer), form(), headers=headers())
    client.post(reverse("phone_report", args=["NOR"]), {"report": json.dumps({"phone": PHONE})})
    client.force_login(lead)
    assert "D-1" not in client.get(at("release", trailer)).content.decode()


def test_more_phones_cost_the_release_page_no_more_queries(client, site, lead):
    trailer = counting_trailer(site, lead)
    client.force_login(lead)

    def work(times):
        for _phone in range(times):
            phones.worked(site, lead, phones.Device(NOON, uuid.uuid4()), trailer=trailer.number)

    work(1)
    wanted = queries_of(client, at("release", trailer))
    work(3)
    assert queries_of(client, at("release", trailer)) == wanted
