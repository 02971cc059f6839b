"""The calendar of due dates: its secret address, who may still read it, and what calendar programs find in it."""

import hashlib
import uuid
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.test import Client
from icalendar import Calendar

from claims import feeds
from claims.models import FeedKey
from receiving.models import Arrival, Event, Shipment, Submission
from receiving.verification import verify
from tests.builders import NOON, make_carrier, make_person, make_site
from tests.claims.builders import make_load
from tests.claims.dated import day, days, draft, filed, make_dated_terms, make_note

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def at_noon():
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def signed_in(client, clerk):
    client.force_login(clerk)
    return client


@pytest.fixture
def us():
    return make_dated_terms()


def make_address(client, **more):
    answer = client.post("/NOR/due/calendar/new/", {"uuid": uuid.uuid4()} | more)
    assert answer.status_code == 201
    return answer.context["address"].removeprefix("http://testserver")


def events(address):
    """{summary: event}, fetched by somebody who is signed in nowhere."""
    answer = Client().get(address)
    assert answer.status_code == 200
    return {str(each["summary"]): each for each in Calendar.from_ical(answer.content).walk("VEVENT")}


# -- the address


def test_the_address_is_shown_once_and_only_its_hash_is_kept(signed_in, site, clerk):
    address = make_address(signed_in)
    token = address.removeprefix("/feed/").removesuffix(".ics")
    key = FeedKey.objects.get()
    assert key.token_hash == hashlib.sha256(token.encode()).hexdigest() and len(token) == 43
    assert (key.person, key.site, key.revoked_at) == (clerk, site, None)
    assert token not in signed_in.get("/NOR/due/calendar/").content.decode()
    kept = [str(row) for model in (Event, Submission, FeedKey) for row in model.objects.values_list()]
    assert kept and not [row for row in kept if token in row]


def test_whoever_knows_the_address_reads_the_dates_without_signing_in(signed_in, site, clerk, us):
    draft(site, clerk, short=0)
    assert list(events(make_address(signed_in))) == ["file the claim: NOR-26-0001"]


def test_the_answer_is_a_calendar_that_nobody_shares(signed_in):
    answer = Client().get(make_address(signed_in))
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert "private" in answer["Cache-Control"] and "public" not in answer["Cache-Control"]
    assert (answer["X-Robots-Tag"], answer["Referrer-Policy"]) == ("noindex", "no-referrer")
    assert "no-store" in signed_in.post("/NOR/due/calendar/new/", {"uuid": uuid.uuid4()})["Cache-Control"]


@pytest.mark.parametrize("token", ["x", "A" * 43, "%00", "é"])
def test_any_other_address_is_nowhere(signed_in, token):
    make_address(signed_in)
    assert Client().get(f"/feed/{token}.ics").status_code == 404


@pytest.mark.parametrize("method", ["post", "put", "delete"])
def test_a_method_that_is_not_taken_does_not_write_the_secret_into_the_log(signed_in, caplog, method):
    address = make_address(signed_in)
    answer = getattr(Client(), method)(address)
    assert (answer.status_code, answer["Allow"]) == (405, "GET, HEAD")
    assert address not in caplog.text


def test_the_hash_is_no_address(signed_in):
    make_address(signed_in)
    assert Client().get(f"/feed/{FeedKey.objects.get().token_hash}.ics").status_code == 404


def test_another_address_ends_the_one_before(signed_in):
    first, second = make_address(signed_in), make_address(signed_in)
    assert first != second
    assert (Client().get(first).status_code, Client().get(second).status_code) == (404, 200)
    assert FeedKey.objects.filter(revoked_at=None).count() == 1


def test_the_same_form_sent_twice_makes_no_second_address(signed_in):
    number = uuid.uuid4()
    address = make_address(signed_in, uuid=number)
    answer = signed_in.post("/NOR/due/calendar/new/", {"uuid": number})
    assert answer.status_code == 409 and "address" not in (answer.context or {})
    assert Client().get(address).status_code == 200 and FeedKey.objects.count() == 1


def test_a_form_without_its_number_makes_nothing(signed_in):
    assert signed_in.post("/NOR/due/calendar/new/").status_code == 400
    assert not FeedKey.objects.exists()


def test_a_script_gets_the_address_as_data(signed_in):
    answer = signed_in.post("/NOR/due/calendar/new/", {"uuid": uuid.uuid4()}, headers={"accept": "application/json"})
    assert answer.status_code == 201
    assert Client().get(answer.json()["address"]).status_code == 200


def test_an_ended_address_is_nowhere_and_the_log_tells_of_both(signed_in, clerk):
    address = make_address(signed_in)
    answer = signed_in.post("/NOR/due/calendar/end/", {"uuid": uuid.uuid4()}, follow=True)
    assert "The address is dead" in answer.content.decode()
    assert "You have no address for this site" in answer.content.decode()
    assert Client().get(address).status_code == 404
    told = [event.verb for event in Event.objects.filter(verb__startswith="feed.").order_by("seq")]
    assert told == ["feed.made", "feed.revoked"]
    assert list(verify(clerk.memberships.get().site)) == []


def test_each_person_and_site_has_an_address_of_its_own(signed_in, site, clerk, us, client):
    south = make_site("SOU")
    draft(site, clerk, short=0)
    both = make_person("manager", None, "both")
    mine = make_address(signed_in)
    client.force_login(both)
    answer = client.post("/SOU/due/calendar/new/", {"uuid": uuid.uuid4()})
    theirs = answer.context["address"].removeprefix("http://testserver")
    assert events(theirs) == {} and len(events(mine)) == 1
    assert {(key.person, key.site) for key in FeedKey.objects.all()} == {(clerk, site), (both, south)}


@pytest.mark.parametrize("change", ["membership", "role", "site", "inactive"])
def test_whoever_may_not_see_the_claims_any_more_gets_nothing(signed_in, site, clerk, change):
    address = make_address(signed_in)
    if change == "membership":
        clerk.memberships.all().delete()
    elif change == "role":
        clerk.memberships.update(role="receiver")
    elif change == "site":
        clerk.memberships.update(site=make_site("SOU"))
    else:
        type(clerk).objects.update(is_active=False)
    assert Client().get(address).status_code == 404


def test_two_at_once_are_told_and_one_address_counts(site, clerk, monkeypatch):
    feeds.make(clerk, site, uuid=uuid.uuid4(), at=NOON)
    monkeypatch.setattr(feeds, "end", lambda *args, **more: None)  # the other one came in between
    with pytest.raises(feeds.ChangedMeanwhile):
        feeds.make(clerk, site, uuid=uuid.uuid4(), at=NOON)
    assert FeedKey.objects.count() == 1


# -- the calendar


def test_a_date_is_a_whole_day_with_the_rule_and_the_claims_address(signed_in, site, clerk, us):
    claim = draft(site, clerk, short=0)
    [event] = events(make_address(signed_in)).values()
    assert event.decoded("dtstart") == day("2026-12-02") and event.decoded("dtend") == day("2026-12-03")
    assert "nine months after delivery on Mon 2 Mar 2026 (section 3)" in event["description"]
    assert event["url"] == f"http://testserver{claim.get_absolute_url()}" and event["transp"] == "TRANSPARENT"


def test_our_own_dates_of_law_ring_two_weeks_and_three_days_before_at_nine(signed_in, site, clerk, us):
    draft(site, clerk, short=0)
    [event] = events(make_address(signed_in)).values()
    rings = [datetime(2026, 12, 2) + alarm.decoded("trigger") for alarm in event.walk("VALARM")]  # noqa: DTZ001
    assert rings == [datetime(2026, 11, 18, 9), datetime(2026, 11, 29, 9)]  # noqa: DTZ001


def test_the_carriers_dates_say_so_and_ring_on_the_day(signed_in, site, clerk, us):
    filed(site, clerk)
    found = events(make_address(signed_in))
    event = found["acknowledge the claim: NOR-26-0001"]
    assert event["description"].startswith("The carrier's date. ")
    assert [alarm.decoded("trigger") for alarm in event.walk("VALARM")] == [timedelta(hours=9)]


def test_what_is_late_stands_on_its_day_and_rings_no_more(signed_in, site, clerk, us):
    draft(site, clerk, short=0)
    address = make_address(signed_in)
    with time_machine.travel(NOON + days(300), tick=False):
        [event] = events(address).values()
    assert event.decoded("dtstart") == day("2026-12-02") and event.walk("VALARM") == []


def test_what_has_no_date_stands_under_today(signed_in, site, clerk, us):
    for _n in range(2):
        make_load(site, actor=clerk, damaged=0, bill_date=None)
    event = events(make_address(signed_in))["2 things without a date"]
    assert event.decoded("dtstart") == NOON.date() and event["url"].endswith("/NOR/due/?when=unknown")
    assert event["description"].count("no date: needs the date of the bill of lading") == 2


def test_an_event_keeps_its_name_while_its_date_moves(signed_in, site, clerk, us):
    draft(site, clerk)
    address = make_address(signed_in)
    before = {str(event["uid"]) for event in events(address).values()}
    Arrival.objects.update(opened_at=NOON - days(5))
    after = events(address)
    assert {str(event["uid"]) for event in after.values()} == before and len(before) == 2
    assert day("2026-11-25") in {event.decoded("dtstart") for event in after.values()}


def test_text_from_outside_cannot_add_lines_to_the_calendar(signed_in, site, clerk, us):
    load = make_load(site, actor=clerk, carrier=make_carrier("Cedar"))
    hostile = "1\r\nEND:VEVENT\r\nX-BAD;A=1:\\n, ; \x00\x1b"
    Shipment.objects.filter(pk=load.pk).update(bill_number=hostile.replace("\x00", ""))
    body = Client().get(make_address(signed_in)).content
    assert body.count(b"END:VEVENT") - body.count(b"\\nEND:VEVENT") == body.count(b"BEGIN:VEVENT")
    assert not [line for line in body.split(b"\r\n") if line.startswith(b"X-BAD")]
    assert b"\x1b" not in body and b"X-BAD" in body


def test_an_hour_stands_under_its_day_at_the_site(signed_in, site, clerk):
    make_note(make_load(site, actor=clerk).arrival, clerk, at=datetime(2026, 3, 2, 16, 0, tzinfo=UTC))
    found = events(make_address(signed_in))
    event = next(each for summary, each in found.items() if summary.startswith("report the incident by phone"))
    assert event.decoded("dtstart") == day("2026-03-02"), "22:00 on Monday in Chicago, Tuesday in UTC"


def test_the_calendar_speaks_the_persons_language(signed_in, site, clerk, us, monkeypatch):
    address, spoken = make_address(signed_in), []
    type(clerk).objects.update(language="es")
    monkeypatch.setattr(
        feeds.dates, "of_site", lambda *args, **more: spoken.append(feeds.translation.get_language()) or []
    )
    assert Client().get(address).status_code == 200
    assert spoken == ["es"]
