"""The doors page, expecting a trailer, cancelling one."""

import uuid
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from receiving import dock, release
from receiving.enums import ArrivalState
from receiving.models import Arrival, Carton
from tests.builders import (
    NOON,
    make_arrival,
    make_carrier,
    make_cartons,
    make_door,
    make_person,
    make_seal,
    make_site,
)

pytestmark = pytest.mark.django_db
S = ArrivalState


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("receiver", site, "alice")


@pytest.fixture
def receiver(client, alice):
    client.force_login(alice)
    return client


def at(name, *more):
    return reverse(name, args=["NOR", *more])


def form(**given):
    return {"uuid": str(uuid.uuid4())} | given


def page(client, *args):
    return client.get(at(*args)).content.decode()


def test_an_empty_site_says_what_to_do(receiver):
    text = page(receiver, "doors")
    assert "No trailer stands at a door." in text
    assert "No trailer is expected today." in text
    assert "This site has no doors yet." in text
    assert at("trailer_new") in text


def test_every_trailer_has_its_one_next_action(receiver, site, alice):
    make_door(site, "99")
    make_arrival(site, actor=alice)
    for facts, words in (
        ({"state": S.AT_DOOR}, "Enter the bill"),
        ({"state": S.AT_DOOR, "pieces": 5}, "Write down the seal"),
        ({"state": S.UNLOADING}, "Count"),
        ({"state": S.COUNTED}, "Square"),
    ):
        row = make_arrival(site, actor=alice, **facts)
        tile = page(receiver, "doors").split(row.trailer_number)[1].split("</li>")[0]
        assert words in tile, words
    text = page(receiver, "doors")
    assert text.count('class="second next"') == 4
    assert "It is at a door" in text
    assert '<ul class="chips"><li>99</li></ul>' in text


def test_a_ready_trailer_is_unloaded_with_one_tap_and_then_counted(receiver, site, alice):
    arrival = make_arrival(site, actor=alice, state=S.AT_DOOR, pieces=5)
    make_seal(arrival, actor=alice)
    dock.tick(arrival, ticks=dict.fromkeys(dock.TICKS, True), actor=alice, at=NOON)
    assert f'<form method="post" action="{at("unload", arrival.number)}"' in page(receiver, "doors")
    assert receiver.post(at("unload", arrival.number), form()).status_code == 302
    assert at("count", arrival.number) in page(receiver, "doors")


def test_a_broken_seal_asks_for_its_note_first(receiver, site, alice):
    arrival = make_arrival(site, actor=alice, state=S.AT_DOOR, pieces=5)
    make_seal(arrival, actor=alice, condition="broken")
    assert f"{at('incident', arrival.number)}?kind=seal" in page(receiver, "doors")


def test_a_paused_trailer_goes_on_or_wants_its_seal_off(receiver, site, alice):
    arrival = make_arrival(site, actor=alice, state=S.UNLOADING)
    arrival = dock.pause(arrival, held_by="guard", actor=alice, at=NOON)
    assert "Unload again" in page(receiver, "doors")
    make_seal(arrival, actor=alice, action="applied", number_on_paper="", number_on_seal="N1")
    assert "Take the seal off" in page(receiver, "doors")


def test_what_left_today_is_shown_with_its_sheet_and_yesterday_is_not(receiver, site, alice):
    arrival = make_arrival(site, actor=alice, state=S.UNLOADING, pieces=2)
    make_cartons(arrival.shipments.get(), 2, received=1)
    release.release_clean(arrival, uuid=uuid.uuid4(), device="", actor=alice, at=timezone.now())
    gone = make_arrival(site, actor=alice)
    dock.cancel(gone, reason="booked twice", actor=alice, at=timezone.now())
    old = make_arrival(site, actor=alice)
    dock.cancel(old, reason="booked twice", actor=alice, at=NOON)
    text = page(receiver, "doors").split('id="left"')[1]
    assert arrival.trailer_number in text
    assert at("sheet", 1) in text
    assert gone.trailer_number in text
    assert old.trailer_number not in text


def test_expected_ones_stand_in_the_order_of_their_appointments(receiver, site, alice):
    now = timezone.now()
    late = make_arrival(site, actor=alice, appointment_at=now - timedelta(hours=1))
    never = make_arrival(site, actor=alice)
    far = make_arrival(site, actor=alice, appointment_at=now + timedelta(days=3))
    text = page(receiver, "doors")
    assert text.index(late.trailer_number) < text.index(never.trailer_number) < text.index(far.trailer_number)
    assert text.count("overdue") == 1
    assert "1 on another day" in text


def test_another_sites_trailers_are_not_shown(receiver):
    other = make_site("SOU")
    bob = make_person("receiver", other, "bob")
    assert make_arrival(other, actor=bob, state=S.AT_DOOR).trailer_number not in page(receiver, "doors")
    assert receiver.get(reverse("doors", args=["SOU"])).status_code == 404


def test_a_viewer_sees_the_doors_without_buttons(client, site, alice):
    make_arrival(site, actor=alice, state=S.AT_DOOR)
    client.force_login(make_person("viewer", site))
    text = page(client, "doors")
    assert 'class="doortile next"' in text
    assert "Enter the bill<" not in text
    assert at("trailer_new") not in text


def fill(site, alice, times):
    for _ in range(times):
        make_arrival(site, actor=alice)
        make_arrival(site, actor=alice, state=S.AT_DOOR, pieces=2, carrier=make_carrier())
        arrival = make_arrival(site, actor=alice, state=S.UNLOADING, pieces=2)
        make_cartons(arrival.shipments.get(), 2, received=1, start=Carton.objects.count() + 1)
        release.release_clean(arrival, uuid=uuid.uuid4(), device="", actor=alice, at=timezone.now())
        make_arrival(site, actor=alice, state=S.COUNTED)


def test_the_number_of_queries_does_not_depend_on_the_trailers(
    receiver, site, alice, django_assert_max_num_queries, django_assert_num_queries
):
    fill(site, alice, 1)
    receiver.get(at("doors"))
    with django_assert_max_num_queries(22) as first:
        receiver.get(at("doors"))
    fill(site, alice, 4)
    with django_assert_num_queries(len(first)):
        receiver.get(at("doors"))


# --- expecting --------------------------------------------------------------------------------------------------------


def test_a_trailer_is_expected_with_its_number_tidied(receiver, site):
    carrier = make_carrier("Birch Freight")
    given = form(trailer_number="  bf 53180 ", carrier=carrier.pk, appointment_at="2026-03-02T14:30", dropped="dropped")
    answer = receiver.post(at("trailer_new"), given)
    arrival = Arrival.objects.get()
    assert answer.url == arrival.get_absolute_url()
    assert (arrival.trailer_number, arrival.carrier, arrival.dropped) == ("BF 53180", carrier, True)
    assert arrival.appointment_at.isoformat() == "2026-03-02T20:30:00+00:00"


def test_a_script_expects_a_trailer_with_its_number_alone(receiver):
    answer = receiver.post(at("trailer_new"), form(trailer_number="T9"), headers={"Accept": "application/json"})
    assert answer.status_code == 201
    assert answer.json() == {"trailer": {"number": 1, "name": "T-1", "state": "expected"}}
    assert Arrival.objects.get().dropped is False


def test_a_container_number_with_a_wrong_check_digit_is_taken_and_remarked(receiver):
    answer = receiver.post(at("trailer_new"), form(trailer_number="csqu3054384"))
    assert "its check digit should be 3" in receiver.get(answer.url).content.decode()
    answer = receiver.post(at("trailer_new"), form(trailer_number="csqu3054383"))
    assert "check digit" not in receiver.get(answer.url).content.decode()


def test_the_same_trailer_twice_is_remarked(receiver):
    receiver.post(at("trailer_new"), form(trailer_number="BF 1"))
    answer = receiver.post(at("trailer_new"), form(trailer_number="BF 1"))
    assert "on the doors twice: T-2 and T-1" in receiver.get(answer.url).content.decode()


def test_what_is_wrong_is_said_and_what_was_typed_stays(receiver):
    answer = receiver.post(at("trailer_new"), form(trailer_number="", appointment_at="tomorrow"))
    text = answer.content.decode()
    assert answer.status_code == 422
    assert "Type the number painted on the trailer or container." in text
    assert "Give a date and a time, for example 2026-03-02 14:30." in text
    assert 'value="tomorrow"' in text
    assert not Arrival.objects.exists()


def test_an_hour_the_clocks_skip_is_said(receiver):
    answer = receiver.post(at("trailer_new"), form(trailer_number="B", appointment_at="2026-03-08T02:30"))
    assert "2026-03-08 02:30 did not exist here" in answer.content.decode()


def test_an_hour_that_comes_twice_is_the_later_past_one(receiver):
    receiver.post(at("trailer_new"), form(trailer_number="B", appointment_at="2025-11-02T01:30"))
    assert Arrival.objects.get().appointment_at.isoformat() == "2025-11-02T07:30:00+00:00"


def test_a_broker_or_a_retired_carrier_is_not_offered(receiver):
    for carrier in (make_carrier(kind="broker"), make_carrier(active=False)):
        answer = receiver.post(at("trailer_new"), form(trailer_number="B", carrier=carrier.pk))
        assert answer.status_code == 422


def test_sending_twice_expects_one_trailer_and_other_contents_are_refused(receiver):
    data = form(trailer_number="B")
    first, second = (receiver.post(at("trailer_new"), data) for _ in range(2))
    assert first["Location"] == second["Location"]
    assert receiver.post(at("trailer_new"), data | {"trailer_number": "C"}).status_code == 409
    assert Arrival.objects.count() == 1


# --- cancelling -------------------------------------------------------------------------------------------------------


def test_a_trailer_is_cancelled_with_a_reason(receiver, site, alice):
    arrival = make_arrival(site, actor=alice)
    address = at("trailer_cancel", arrival.number)
    assert receiver.get(address).status_code == 200
    answer = receiver.post(address, form(reason=" "))
    assert answer.status_code == 422
    assert "Say why the trailer is cancelled." in answer.content.decode()
    assert receiver.post(address, form(reason="booked twice")).url == at("doors")
    arrival.refresh_from_db()
    assert arrival.state == S.CANCELLED


def test_what_is_being_unloaded_cannot_be_cancelled(receiver, site, alice):
    arrival = make_arrival(site, actor=alice, state=S.UNLOADING)
    address = at("trailer_cancel", arrival.number)
    assert receiver.get(address).url == arrival.get_absolute_url()
    answer = receiver.post(address, form(reason="booked twice"))
    assert answer.status_code == 409
    assert "is unloading; from there it cannot become “cancelled”" in answer.content.decode()
    assert "booked twice" in answer.content.decode()


def test_a_cancelled_trailer_has_not_left(receiver, site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.EXPECTED)
    dock.cancel(arrival, reason="booked twice", actor=alice, at=timezone.now())
    page = receiver.get(reverse("doors", args=[site.code])).content.decode()
    assert "Cancelled today" in page
    assert "Left today" not in page
