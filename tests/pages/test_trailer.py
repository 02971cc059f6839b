"""The trailer's page and every address of what is done to it, from the gate to the end of the count."""

import re
import uuid
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from receiving import dock
from receiving.enums import ArrivalState
from receiving.models import Arrival, Event, IncidentNote, Moment, Refusal, SealRecord, Shipment
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_carrier,
    make_cartons,
    make_door,
    make_person,
    make_seal,
    make_shipment,
    make_site,
)

pytestmark = pytest.mark.django_db
S = ArrivalState


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("lead", site, "alice")


@pytest.fixture
def lead(client, alice):
    client.force_login(alice)
    return client


@pytest.fixture
def trailer(site, alice):
    """trailer(state, **facts) -> an arrival brought there."""
    return lambda state=S.EXPECTED, **facts: make_arrival(site, actor=alice, state=state, **facts)


def at(name, arrival, *more):
    return reverse(name, args=[arrival.site.code, arrival.number, *more])


def form(**given):
    return {"uuid": str(uuid.uuid4())} | given


def page(client, name, arrival, *more):
    """The page without the question at signing out, which every page ends with."""
    return client.get(at(name, arrival, *more)).content.decode().split("data-sign-out-ask")[0]


def fresh(arrival):
    return Arrival.objects.get(pk=arrival.pk)


# --- the page ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "now", "done", "action"),
    [
        (S.EXPECTED, "Arrive", 0, "It is at a door"),
        (S.AT_DOOR, "Arrive", 0, "Enter the bill"),
        (S.UNLOADING, "Count", 2, "Count"),
        (S.COUNTED, "Square", 3, "Square"),
    ],
)
def test_the_rail_shows_where_the_trailer_is_and_its_one_next_action(lead, trailer, state, now, done, action):
    text = page(lead, "trailer", trailer(state))
    assert text.count('<li class="stopdone"') == done
    assert text.count('<li class="stopnow"') == 1
    assert f"<h2>{now}</h2>" in text.split('class="stopnow"')[1].split("</li>")[0]
    bar = text.split('<div class="actionbar">')[1]
    assert bar.count('class="main"') == 1
    assert action in bar


def test_the_verdict_says_what_is_received_and_missing(lead, trailer):
    arrival = trailer(S.UNLOADING, pieces=5)
    make_cartons(arrival.shipments.get(), 2, received=1)
    make_cartons(arrival.shipments.get(), 3, start=100)
    assert "Received 2 of 5, 3 missing so far" in page(lead, "trailer", arrival)


def test_the_time_line_tells_all_of_it_in_order(lead, trailer, alice):
    arrival = trailer(S.UNLOADING)
    dock.note_incident(arrival, uuid=uuid.uuid4(), kind="leaning", text="<b>leans</b>", actor=alice, at=timezone.now())
    text = page(lead, "trailer", arrival).split('<ol class="timeline">')[1]
    places = [
        text.index(words) for words in ("Expected", "At the gate", "At the door", "Unloading started", "&lt;b&gt;")
    ]
    assert places == sorted(places)
    assert "Seal 0123456" in text
    assert "<b>leans" not in text


def test_a_viewer_sees_everything_and_can_do_nothing(client, site, trailer):
    arrival = trailer(S.UNLOADING)
    client.force_login(make_person("viewer", site))
    text = page(client, "trailer", arrival)
    assert "0123456" in text
    assert "/pause/" not in text
    assert "/bill/new/" not in text
    assert 'class="main"' not in text


def test_what_came_unsealed_is_shown(lead, trailer, alice):
    arrival = dock.state_unsealed(trailer(S.AT_DOOR), reason="never had one", actor=alice, at=NOON)
    assert "Came unsealed: never had one" in " ".join(page(lead, "trailer", arrival).split())


def test_the_number_of_queries_depends_on_nothing(
    lead, site, trailer, alice, django_assert_num_queries, django_assert_max_num_queries
):
    arrival = trailer(S.UNLOADING, pieces=3)
    lead.get(at("trailer", arrival))
    with django_assert_max_num_queries(31) as first:
        lead.get(at("trailer", arrival))
    for number in range(4):
        make_shipment(arrival, actor=alice)
        make_seal(arrival, actor=alice, action="applied", number_on_seal=f"N{number}")
        dock.note_incident(arrival, uuid=uuid.uuid4(), kind="other", text="seen", actor=alice, at=NOON)
        make_cartons(arrival.shipments.first(), 3, start=100 * number + 1)
    with django_assert_num_queries(len(first)):
        lead.get(at("trailer", arrival))


# --- one battery for every form ---------------------------------------------------------------------------------------

# name: (state of the trailer, what is added, a good post, a bad post, a sentence of its answer, what a post stores)
BATTERY = {
    "arrive": (S.EXPECTED, "door", {"door": "DOOR", "driver": "Lee Kim"}, {"driver": "Lee Kim"}, "Choose the door"),
    "trailer_edit": (
        S.AT_DOOR,
        "",
        {"trailer_number": "B 2", "version": "VERSION", "temperature_unit": "F", "driver": "Lee Kim"},
        {"trailer_number": "", "version": "VERSION", "temperature_unit": "F", "driver": "Lee Kim"},
        "Type the number painted",
    ),
    "shipment_new": (
        S.AT_DOOR,
        "account",
        {"account": "ACCOUNT", "bill_number": "b-77", "pieces": "900"},
        {"account": "ACCOUNT", "bill_number": "b-77", "pieces": "0"},
        "A bill has at least one piece.",
    ),
    "seal_new": (
        S.AT_DOOR,
        "",
        {"number_on_paper": "77", "number_on_seal": "77", "condition": "intact"},
        {"number_on_paper": "77", "number_on_seal": "", "condition": "intact"},
        "Type the number on the seal, or say that the seal is missing.",
    ),
    "unsealed": (S.AT_DOOR, "", {"reason": "none on the bill"}, {"reason": ""}, "Say how it is known"),
    "incident": (
        S.AT_DOOR,
        "",
        {"kind": "leaking", "text": "wet floor", "called": "Dana"},
        {"kind": "leaking", "text": "", "called": "Dana"},
        "Write down what was seen.",
    ),
    "pause": (S.UNLOADING, "", {"held_by": "guard"}, {"held_by": ""}, "Say who holds the trailer meanwhile."),
    "count_end": (S.UNLOADING, "", {}, {"happened_at": "2199-01-01T00:00"}, "is in the future"),
    "count_again": (S.COUNTED, "", {"note": "two more found"}, {"note": "x" * 301}, "at most 300 characters"),
    "refuse_whole": (S.AT_DOOR, "", {"reason": "collapsed"}, {"reason": ""}, "Say why the trailer is refused."),
}
battery = pytest.mark.parametrize("name", BATTERY)


def prepared(site, trailer, name, which):
    state, _extra, good, bad, sentence = BATTERY[name]
    arrival = trailer(state)
    words = {"DOOR": make_door(site).pk, "ACCOUNT": make_account().pk, "VERSION": arrival.version}
    given = {key: words.get(value, value) for key, value in (good if which == "good" else bad).items()}
    return arrival, form(**given), sentence


@battery
def test_the_form_is_shown(lead, site, trailer, name):
    arrival, _data, _sentence = prepared(site, trailer, name, "good")
    answer = lead.get(at(name, arrival) + ("?kind=leaking" if name == "incident" else ""))
    assert answer.status_code == 200
    assert 'name="uuid"' in answer.content.decode()


@battery
def test_a_good_post_changes_the_record_once_however_often_it_comes(lead, site, trailer, name):
    arrival, data, _sentence = prepared(site, trailer, name, "good")
    events = Event.objects.count()
    first = lead.post(at(name, arrival), data)
    assert first.status_code == 302, first.content.decode()
    stored = Event.objects.count()
    assert stored > events
    assert lead.post(at(name, arrival), data)["Location"] == first["Location"]
    assert lead.post(at(name, arrival), data | {"other": "contents"}).status_code == 409
    assert Event.objects.count() == stored


@battery
def test_a_bad_post_gets_a_sentence_keeps_what_was_typed_and_stores_nothing(lead, site, trailer, name):
    arrival, data, sentence = prepared(site, trailer, name, "bad")
    events = Event.objects.count()
    answer = lead.post(at(name, arrival), data)
    text = answer.content.decode()
    assert answer.status_code == 422
    assert sentence in text
    for kept in ("Lee Kim", "b-77", "wet floor"):
        assert (kept in data.values()) <= (kept in text or kept.upper() in text)
    assert Event.objects.count() == events
    assert fresh(arrival).version == arrival.version


@battery
def test_a_script_gets_json(lead, site, trailer, name):
    arrival, data, sentence = prepared(site, trailer, name, "bad")
    answer = lead.post(at(name, arrival), data, headers={"Accept": "application/json"})
    assert answer.status_code == 422
    assert sentence in " ".join(error["message"] for error in answer.json()["errors"])
    arrival, data, _sentence = prepared(site, trailer, name, "good")
    answer = lead.post(at(name, arrival), data, headers={"Accept": "application/json"})
    assert answer.status_code == 201
    assert answer.json()["trailer"]["number"] == arrival.number


@battery
def test_strangers_and_viewers_are_kept_out(client, site, trailer, name):
    arrival, data, _sentence = prepared(site, trailer, name, "good")
    events = Event.objects.count()
    assert client.post(at(name, arrival), data)["Location"].startswith(reverse("login"))
    client.force_login(make_person("lead", make_site("SOU")))
    assert client.post(at(name, arrival), data).status_code == 404
    client.force_login(make_person("viewer", site))
    assert client.post(at(name, arrival), data).status_code == 403
    assert Event.objects.count() == events


@pytest.mark.parametrize("name", ["arrive", "unload", "pause", "resume", "count_end", "count_again", "refuse_whole"])
def test_a_step_that_is_not_open_any_more_is_told(lead, site, trailer, alice, name):
    arrival = dock.cancel(trailer(), reason="booked twice", actor=alice, at=NOON)
    answer = lead.get(at(name, arrival))
    assert answer.url == arrival.get_absolute_url()
    assert "is cancelled; from there it cannot become" in lead.get(answer.url).content.decode()
    data = {"door": make_door(site).pk, "held_by": "guard", "reason": "late"}
    answer = lead.post(at(name, arrival), form(**data))
    assert answer.status_code == 409
    assert "is cancelled; from there it cannot become" in answer.content.decode()


@pytest.mark.parametrize("name", ["trailer_edit", "shipment_new", "seal_new", "unsealed", "safety"])
def test_a_closed_trailer_sends_back_with_the_reason(lead, trailer, alice, name):
    arrival = dock.cancel(trailer(), reason="booked twice", actor=alice, at=NOON)
    answer = lead.get(at(name, arrival))
    assert "reopen it first" in lead.get(answer.url).content.decode()
    assert lead.post(at(name, arrival), form(reason="x")).status_code == 422


# --- arriving ---------------------------------------------------------------------------------------------------------


def test_a_trailer_comes_to_its_door(lead, site, trailer):
    arrival, door = trailer(), make_door(site, "12")
    lead.post(at("arrive", arrival), form(door=door.pk, dropped="dropped", gate_at="2026-03-02T08:15"))
    arrival = fresh(arrival)
    assert (arrival.state, arrival.door, arrival.dropped) == (S.AT_DOOR, door, True)
    assert arrival.gate_at.isoformat() == "2026-03-02T14:15:00+00:00"
    assert arrival.dropped_at is not None


def test_a_late_trailer_is_asked_why(lead, site, trailer):
    arrival, door = trailer(appointment_at=NOON), make_door(site)
    data = form(door=door.pk, gate_at="2026-03-02T12:40", driver="Lee Kim")
    answer = lead.post(at("arrive", arrival), data)
    text = answer.content.decode()
    assert answer.status_code == 422
    assert "It came Mon 2 Mar 2026, 12:40, after its appointment Mon 2 Mar 2026, 12:00. Say why" in text
    assert "Lee Kim" in text
    assert lead.post(at("arrive", arrival), form(door=door.pk, gate_at="2026-03-02T11:59")).status_code == 302


def test_a_gate_time_in_the_future_is_told(lead, site, trailer):
    answer = lead.post(at("arrive", trailer()), form(door=make_door(site).pk, gate_at="2199-01-01T00:00"))
    assert "is in the future" in answer.content.decode()


def test_one_door_takes_one_trailer(lead, site, trailer):
    standing, arrival = trailer(S.AT_DOOR), trailer()
    assert f'value="{standing.door_id}"' not in page(lead, "arrive", arrival)
    answer = lead.post(at("arrive", arrival), form(door=standing.door_id))
    assert answer.status_code == 422
    assert f"Trailer {standing.trailer_number} ({standing}) stands at door {standing.door}" in answer.content.decode()
    assert fresh(arrival).state == S.EXPECTED


def test_another_sites_door_is_not_offered(lead, trailer):
    answer = lead.post(at("arrive", trailer()), form(door=make_door(make_site("SOU")).pk))
    assert "That door is not in use at this site." in answer.content.decode()


def edited(arrival, **given):
    facts = {"trailer_number": arrival.trailer_number, "version": arrival.version, "temperature_unit": "F"}
    return form(**(facts | given))


def test_temperatures_are_written_down_with_the_trailer_cold(lead, trailer):
    arrival = trailer(S.AT_DOOR)
    answer = lead.post(at("trailer_edit", arrival), edited(arrival, reading="39.5"))
    assert "tick that the trailer is temperature-controlled" in answer.content.decode()
    lead.post(at("trailer_edit", arrival), edited(arrival, reading="39.5", cold="on", set_point="-2"))
    assert "air 39.5" in page(lead, "trailer", arrival)
    assert "set point -2" in page(lead, "trailer", arrival)


def test_a_moment_left_as_it_was_shown_keeps_its_seconds(lead, trailer, alice):
    arrival = trailer(S.AT_DOOR, appointment_at=NOON + timedelta(seconds=7))
    lead.post(at("trailer_edit", arrival), edited(arrival, driver="Kim", appointment_at="2026-03-02T12:00"))
    assert fresh(arrival).appointment_at == NOON + timedelta(seconds=7)
    assert "appointment_at" not in Event.objects.filter(verb="arrival.edited").get().after


def test_of_two_people_editing_the_second_is_told_and_keeps_what_was_typed(lead, trailer, alice):
    arrival = trailer(S.AT_DOOR)
    data = edited(arrival, driver="Typed Name")
    dock.edit_arrival(
        arrival, facts={"driver": "First Name", "dropped": True}, version=arrival.version, actor=alice, at=NOON
    )
    answer = lead.post(at("trailer_edit", arrival), data)
    text = answer.content.decode()
    assert answer.status_code == 409
    assert "Somebody else changed this" in text
    assert "<dt>Driver</dt><dd>First Name</dd>" in text
    assert "<dt>How it comes</dt><dd>dropped</dd>" in text
    assert 'value="Typed Name"' in text
    assert fresh(arrival).driver == "First Name"
    again = data | form(version=fresh(arrival).version)
    assert f'name="version" value="{again["version"]}"' in text
    assert lead.post(at("trailer_edit", arrival), again).status_code == 302
    assert fresh(arrival).driver == "Typed Name"


def test_a_trailer_that_turns_out_dropped_was_dropped_when_it_came(lead, trailer):
    arrival = trailer(S.AT_DOOR)
    lead.post(at("trailer_edit", arrival), edited(arrival, dropped="dropped", gate_at="2026-03-02T12:00"))
    assert fresh(arrival).dropped_at == NOON
    lead.post(at("trailer_edit", arrival), edited(fresh(arrival), dropped="live", gate_at="2026-03-02T12:00"))
    assert fresh(arrival).dropped_at is None


# --- bills ------------------------------------------------------------------------------------------------------------


def test_a_bill_with_all_it_says(lead, trailer):
    arrival, account = trailer(), make_account()
    broker, line = make_carrier(kind="broker"), make_carrier()
    given = form(
        account=account.pk,
        bill_number=" bl 1 ",
        pieces="900",
        pro_number="884-1",
        weight="18250.5",
        declared_value="100000",
        count_clause="shipper",
        loaded_by="shipper",
        origin_proof="scan",
        ship_date="2026-03-01",
        freight_terms="prepaid",
        chain_1=line.pk,
        chain_2=broker.pk,
    )
    assert lead.post(at("shipment_new", arrival), given).status_code == 302
    bill = Shipment.objects.get()
    assert (bill.bill_number, bill.pieces, bill.pieces_unit, bill.sealed_by) == ("BL 1", 900, "cartons", "unknown")
    assert [link.carrier for link in bill.links.order_by("position")] == [line, broker]
    text = page(lead, "shipment_edit", arrival, bill.pk)
    assert f'<option value="{broker.pk}" selected>' in text.split('name="chain_2"')[1].split("</select>")[0]
    assert 'value="2026-03-01"' in text


def test_a_bill_stands_once_on_a_trailer(lead, trailer):
    arrival, account = trailer(), make_account()
    for status in (302, 422):
        answer = lead.post(at("shipment_new", arrival), form(account=account.pk, bill_number="BL1", pieces="9"))
        assert answer.status_code == status
    assert "Bill BL1 is already on trailer" in answer.content.decode()
    assert Shipment.objects.count() == 1


def test_a_carrier_named_twice_in_the_chain_is_told(lead, trailer):
    line = make_carrier()
    given = form(account=make_account().pk, bill_number="B", pieces="9", chain_1=line.pk, chain_3=line.pk)
    answer = lead.post(at("shipment_new", trailer()), given)
    assert "This carrier is named twice" in answer.content.decode()
    assert not Shipment.objects.exists()


@pytest.mark.parametrize("field", ["weight", "declared_value", "freight_charge"])
def test_nothing_on_a_bill_is_less_than_nothing(lead, trailer, field):
    given = form(account=make_account().pk, bill_number="B", pieces="9") | {field: "-1"}
    assert lead.post(at("shipment_new", trailer()), given).status_code == 422


def billed(bill, **given):
    return form(**({"account": bill.account_id, "bill_number": bill.bill_number, "pieces": bill.pieces} | given))


def test_of_two_people_at_one_bill_the_second_is_told_even_about_the_chain(lead, trailer, alice):
    arrival, line = trailer(pieces=9), make_carrier("Larch Lines")
    bill = arrival.shipments.get()
    dock.edit_shipment(bill, facts={"pieces": 8}, version=1, actor=alice, at=NOON)
    answer = lead.post(at("shipment_edit", arrival, bill.pk), billed(bill, pieces="9", version="1", chain_1=line.pk))
    assert answer.status_code == 409
    assert "<dd>8</dd>" in answer.content.decode()
    assert not bill.links.exists()
    assert lead.post(at("shipment_edit", arrival, bill.pk), billed(bill, pieces="9", version="2")).status_code == 302
    assert Shipment.objects.get().pieces == 9


def test_another_trailers_bill_is_not_found(lead, trailer):
    bill = trailer(pieces=9).shipments.get()
    assert lead.get(at("shipment_edit", trailer(), bill.pk)).status_code == 404


# --- seals and incidents ----------------------------------------------------------------------------------------------


def sealed(**given):
    return form(**({"number_on_paper": "0123456", "number_on_seal": "0123456", "condition": "intact"} | given))


def test_a_good_seal_leads_to_its_photos(lead, trailer):
    arrival = trailer(S.AT_DOOR)
    answer = lead.post(at("seal_new", arrival), sealed(viewed="on", tugged="on"))
    row = SealRecord.objects.get()
    assert answer.url == at("seal", arrival, row.pk)
    assert (row.viewed, row.verified) == (True, False)
    text = lead.get(answer.url).content.decode()
    assert 'value="seal_before"' in text
    assert 'value="seal_after"' in text
    assert str(row.uuid) in text


@pytest.mark.parametrize(
    "wrong",
    [{"condition": "broken"}, {"condition": "altered"}, {"number_on_seal": "0123457"}]
    + [{"condition": "missing", "number_on_seal": ""}],
)
def test_a_seal_that_is_not_right_leads_to_the_stop_card(lead, trailer, wrong):
    arrival = trailer(S.AT_DOOR, pieces=5)
    answer = lead.post(at("seal_new", arrival), sealed(**wrong))
    assert answer.url == at("incident", arrival) + "?kind=seal"
    text = lead.get(answer.url).content.decode()
    assert 'class="stopcard"' in text
    assert "Leave the trailer shut." in text
    assert "Dana Field" in text
    lead.post(at("safety", arrival), form(wheels_held="on", floor_looked_at="on", load_safe="on"))
    answer = lead.post(at("unload", arrival), form())
    assert answer.status_code == 422
    assert "write the incident note first" in answer.content.decode()
    lead.post(at("incident", arrival), form(kind="seal", text="cut at the gate", called="Dana"))
    assert lead.post(at("unload", arrival), form()).status_code == 302


def test_numbers_that_differ_by_zeros_are_to_be_read_again(lead, trailer):
    arrival = trailer(S.AT_DOOR)
    lead.post(at("seal_new", arrival), sealed(number_on_seal="123456"))
    assert "differ only by zeros in front" in lead.get(at("incident", arrival) + "?kind=seal").content.decode()


def test_a_site_that_asks_for_no_checks_stores_none(lead, site, trailer):
    site.asks_four_checks = False
    site.save()
    arrival = trailer(S.AT_DOOR)
    assert "Four checks" not in page(lead, "seal_new", arrival)
    lead.post(at("seal_new", arrival), sealed(viewed="on"))
    assert SealRecord.objects.get().viewed is None


def test_a_correction_keeps_the_old_record_and_its_place_in_time(lead, trailer):
    arrival = trailer(S.UNLOADING)
    old = SealRecord.objects.get()
    address = at("seal_correct", arrival, old.pk)
    assert 'value="0123456"' in lead.get(address).content.decode()
    answer = lead.post(address, sealed(number_on_seal="0123457"))
    assert answer.status_code == 422
    assert "Say why the seal record is corrected." in answer.content.decode()
    assert lead.post(address, sealed(number_on_paper="", reason="misread")).status_code == 302
    new = SealRecord.objects.get(replaces=old)
    assert new.at == old.at
    assert "Corrected by Alice: misread" in page(lead, "seal", arrival, old.pk)
    answer = lead.post(address, sealed(reason="again"))
    assert answer.status_code == 409
    assert "Somebody else corrected this seal record" in answer.content.decode()


def test_a_seal_found_earlier_is_written_at_its_time(lead, trailer):
    arrival = trailer(S.AT_DOOR)
    assert lead.post(at("seal_new", arrival), sealed(happened_at="2199-01-01T00:00")).status_code == 422
    lead.post(at("seal_new", arrival), sealed(happened_at="2026-03-02T12:05"))
    assert SealRecord.objects.get().at.isoformat() == "2026-03-02T18:05:00+00:00"


def test_a_trailer_with_a_seal_did_not_come_unsealed(lead, trailer):
    answer = lead.post(at("unsealed", trailer(S.UNLOADING)), form(reason="none"))
    assert answer.status_code == 422
    assert "A seal found on this trailer is written down." in answer.content.decode()


def test_the_seal_of_another_trailer_is_not_found(lead, trailer):
    row = make_seal(trailer(S.AT_DOOR), actor=make_person())
    assert lead.get(at("seal", trailer(), row.pk)).status_code == 404


def test_incidents_are_chosen_by_tiles_each_with_its_card(lead, trailer):
    arrival = trailer(S.AT_DOOR)
    text = page(lead, "incident", arrival)
    for kind, words in (
        ("leaning", "Stay out of the trailer"),
        ("theft", "do not break any other seal"),
        ("leaking", "spill plan"),
        ("food", "Food that is wet"),
        ("injury", "call the emergency services first"),
    ):
        assert f'href="?kind={kind}"' in text
        assert words in lead.get(f"{at('incident', arrival)}?kind={kind}").content.decode()


def test_an_incident_of_no_known_kind_is_refused(lead, trailer):
    arrival = trailer(S.AT_DOOR)
    assert lead.post(at("incident", arrival), form(kind="aliens", text="seen")).status_code == 422
    assert not IncidentNote.objects.exists()


def ticked(text, name):
    """The value of the radio button that is checked in a page."""
    found = [tag for tag in re.findall(r"<input[^>]*>", text) if f'name="{name}"' in tag and "checked" in tag]
    return re.search(r'value="([^"]*)"', found[0])[1]


# --- unloading --------------------------------------------------------------------------------------------------------


def test_what_is_missing_before_unloading_is_listed_in_sentences(lead, trailer):
    arrival = trailer(S.AT_DOOR)
    answer = lead.post(at("unload", arrival), form())
    assert answer.status_code == 422
    for words in ("Enter the bill of lading.", "Write down the seal", "Tick the three safety looks"):
        assert words in answer.content.decode()
    assert fresh(arrival).state == S.AT_DOOR


def test_ticks_can_be_taken_back(lead, trailer):
    arrival = trailer(S.AT_DOOR)
    lead.post(at("safety", arrival), form(wheels_held="on", floor_looked_at="on", load_safe="on"))
    assert fresh(arrival).is_safe_to_unload
    lead.post(at("safety", arrival), form(wheels_held="on", floor_looked_at="on"))
    assert not fresh(arrival).load_safe


def test_a_step_can_say_when_it_happened(lead, trailer):
    arrival = trailer(S.UNLOADING)
    lead.post(at("pause", arrival), form(held_by="guard", happened_at="2026-03-02T13:00"))
    row = Moment.objects.get(kind="paused")
    assert (row.at - NOON, row.note) == (timedelta(hours=1), "guard")
    assert "written down" in page(lead, "trailer", arrival)
    answer = lead.post(at("resume", arrival), form(happened_at="2026-03-02T12:30"))
    assert answer.status_code == 422
    assert "Mon 2 Mar 2026, 12:30 is before the last step: paused at Mon 2 Mar 2026, 13:00" in answer.content.decode()


def test_a_seal_put_on_for_the_night_comes_off_first(lead, trailer):
    arrival = trailer(S.UNLOADING)
    lead.post(at("pause", arrival), form(held_by="guard"))
    assert ticked(page(lead, "seal_new", arrival), "action") == "applied"
    lead.post(at("seal_new", arrival), sealed(action="applied", number_on_paper="", number_on_seal="N1"))
    answer = lead.post(at("resume", arrival), form())
    assert "Seal N1 was put on during the pause." in answer.content.decode()
    text = page(lead, "seal_new", arrival)
    assert ticked(text, "action") == "removed"
    assert 'name="number_on_paper" value="N1"' in text
    lead.post(at("seal_new", arrival), sealed(action="removed", number_on_paper="N1", number_on_seal="N1"))
    assert lead.post(at("resume", arrival), form(note="morning shift")).status_code == 302
    assert fresh(arrival).state == S.UNLOADING


def test_of_two_people_ending_the_count_the_second_is_told(lead, trailer):
    arrival = trailer(S.UNLOADING)
    assert lead.post(at("count_end", arrival), form()).status_code == 302
    assert lead.post(at("count_end", arrival), form()).status_code == 409
    assert lead.post(at("count_again", arrival), form(note="one more")).status_code == 302
    assert Moment.objects.filter(kind="counted").count() == 1


# --- refusing ---------------------------------------------------------------------------------------------------------


def test_the_rest_of_a_bill_is_refused_and_taken_back(lead, trailer):
    arrival = trailer(S.UNLOADING, pieces=10)
    bill = arrival.shipments.get()
    assert 'value="10"' in page(lead, "refuse_rest", arrival, bill.pk)
    data = form(pieces="4", reason="wet")
    for _ in range(2):
        assert lead.post(at("refuse_rest", arrival, bill.pk), data).status_code == 302
    assert "4 refused" in page(lead, "trailer", arrival)
    answer = lead.post(at("refuse_rest", arrival, bill.pk), form(pieces="7", reason="wet"))
    assert answer.status_code == 422
    assert "6 are not counted yet, 4 are refused" in answer.content.decode()
    assert lead.post(at("take_back", arrival, bill.pk), form(pieces="5", reason="dry")).status_code == 422
    assert lead.post(at("take_back", arrival, bill.pk), form(pieces="4", reason="dry")).status_code == 302
    assert sum(row.pieces for row in Refusal.objects.all()) == 0


def test_a_refused_trailer_shows_that_nothing_was_taken(lead, trailer):
    arrival = trailer(S.AT_DOOR, pieces=40)
    lead.post(at("refuse_whole", arrival), form(reason="load collapsed"))
    assert Refusal.objects.get().pieces == 40
    text = page(lead, "trailer", arrival)
    assert "load collapsed" in text
    assert 'class="main"' not in text


# --- photos -----------------------------------------------------------------------------------------------------------


def test_photos_of_the_trailer_have_their_page(lead, site, trailer, client):
    arrival = trailer(S.AT_DOOR)
    text = page(lead, "trailer_photos", arrival)
    assert 'name="purpose" value="trailer"' in text
    assert at("photo_upload", arrival) in text
    client.force_login(make_person("viewer", site))
    text = page(client, "trailer_photos", arrival)
    assert "No photos of the trailer or its seals yet." in text
    assert at("photo_upload", arrival) not in text


def test_safety_looks_left_out_are_named(lead, site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.AT_DOOR)
    answer = lead.post(at("safety", arrival), form(), follow=True).content.decode()
    assert "Still to look at: Wheels chocked" in answer
    assert "The safety looks are written down." not in answer


@pytest.mark.parametrize("when", ["1026-03-02T12:00", "2926-03-02T12:00"])
def test_an_absurd_appointment_is_not_stored(lead, site, alice, when):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.EXPECTED)
    answer = lead.post(at("trailer_edit", arrival), edited(arrival, appointment_at=when))
    assert answer.status_code == 422
    assert "cannot be meant" in answer.content.decode()


def test_a_trailer_number_too_long_is_told_and_kept(lead, site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.EXPECTED)
    answer = lead.post(at("trailer_edit", arrival), edited(arrival, trailer_number="BF" * 11)).content.decode()
    assert "The trailer number has 22 characters; at most 20 fit." in answer
    assert "BF" * 11 in answer


def test_a_paused_trailer_says_who_holds_it(lead, site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING)
    dock.pause(arrival, held_by="the night guard", actor=alice, at=NOON)
    assert "Held by the night guard." in lead.get(arrival.get_absolute_url()).content.decode()


def test_the_stop_card_calls_the_responsible_person(lead, site, alice):
    type(site).objects.filter(pk=site.pk).update(responsible_person="Ira Moss", responsible_phone="+1 (555) 010-0199")
    arrival = make_arrival(site, actor=alice, state=ArrivalState.AT_DOOR)
    page = lead.get(at("incident", arrival) + "?kind=leaking").content.decode()
    assert 'Call Ira Moss <a href="tel:+15550100199">+1 (555) 010-0199</a>' in page
