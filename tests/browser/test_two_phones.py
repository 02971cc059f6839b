"""Two phones at one trailer without a network, and what is sent after the trailer left: real browsers, nothing lost,
and the lead sees it.

A role that is gone, and another person on the same phone, are in test_outbox_forms.py and test_shell.py.
"""

import re
import uuid
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from receiving import counting, discrepancies
from receiving.enums import ArrivalState, Kind
from receiving.models import Carton, Discrepancy, Event, ExceptionSheet, LateRecord, Scan
from tests.browser.test_outbox_forms import FIRST, SECOND, at, badge, cut, describe, notice, sign_in
from tests.builders import make_account, make_arrival, make_cartons, make_code, make_person, make_site, make_store, sscc
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)
# The device's own clock, two hours ahead.
AHEAD = """
(() => {
  const Real = Date;
  globalThis.Date = class extends Real {
    constructor(...given) { if (given.length) super(...given); else super(Date.now()); }
    static now() { return Real.now() + 7200000; }
  };
})();
"""


@pytest.fixture
def site(live_server):
    site = make_site("NOR")
    site.ana = make_person("receiver", site, "ana", first_name="Ana", last_name="Ruiz")
    site.bo = make_person("receiver", site, "bo", first_name="Bo", last_name="Hart")
    site.lee = make_person("lead", site, "lee", first_name="Lee", last_name="Moor")
    return site


@pytest.fixture
def trailer(site):
    make_code(site)
    account = make_account("Juniper Home Stores")
    arrival = make_arrival(site, actor=site.lee, state=ArrivalState.UNLOADING, pieces=4, account=account)
    make_cartons(arrival.shipments.get(), 4, stores=[make_store(site, account, "0417")])
    return arrival


@pytest.fixture
def phone_of(open_page, live_server):
    def phone_of(person, script=None, device=PHONE):
        page = open_page(**device, service_workers="block")
        sign_in(page.context, person, live_server)
        if script:
            page.add_init_script(script)
        return page

    return phone_of


def log(page, label, photo):
    describe(page, label)
    page.locator("#id_photos").set_input_files(photo)
    expect(page.locator("[data-previews] li")).to_have_count(1)
    page.get_by_role("button", name="Log this piece").tap()
    expect(notice(page)).to_contain_text("Kept on this phone.")
    expect(badge(page)).to_contain_text("2 to send")


def scan(page, label):
    page.locator("input.scan").focus()
    page.keyboard.insert_text(label)
    page.keyboard.press("Enter")
    expect(page.locator("[data-answer-box] .answer").first).to_contain_text("Counted")


def back(page):
    page.context.set_offline(False)
    expect(badge(page)).to_have_text("all safe")


def test_what_two_phones_logged_arrives_from_both_under_each_name(phone_of, site, trailer):
    phones = {person: phone_of(person) for person in (site.ana, site.bo)}
    for page in phones.values():
        page.goto(at("log_trailer", trailer))
        cut(page)
    log(phones[site.ana], sscc(1), FIRST)
    log(phones[site.bo], sscc(2), SECOND)
    back(phones[site.bo])
    back(phones[site.ana])
    pieces = Discrepancy.objects.order_by("label")
    assert [(row.label, row.logged_by, row.photos.get().filename) for row in pieces] == [
        (sscc(1), site.ana, "first.jpg"),
        (sscc(2), site.bo, "second.jpg"),
    ]
    assert [row.photos.get().actor for row in pieces] == [site.ana, site.bo]
    assert pieces[0].found_at < pieces[1].found_at, "found in the order they were made, not in that of arrival"


def test_one_carton_logged_by_both_is_one_piece_and_the_second_mends_theirs(phone_of, site, trailer):
    ana, bo = phone_of(site.ana), phone_of(site.bo)
    for page in (ana, bo):
        page.goto(at("log_trailer", trailer))
        cut(page)
    log(ana, sscc(1), FIRST)
    log(bo, sscc(1), SECOND)
    back(ana)
    bo.context.set_offline(False)
    expect(badge(bo)).to_contain_text("1 refused")
    bo.goto("/NOR/outbox/")
    row = bo.locator("[data-outbox-waiting] .outboxrows > li", has_text="A piece").first
    expect(row).to_contain_text("This carton is already logged as damaged: P-1. Open that piece and add to it.")
    row.get_by_role("link", name="Mend it").tap()
    expect(bo.locator("#id_label")).to_have_value(sscc(1))
    bo.locator("#id_label").fill(sscc(2))
    bo.get_by_role("button", name="Log this piece").tap()
    expect(badge(bo)).to_have_text("all safe")
    found = Discrepancy.objects.order_by("pk").values_list("label", "logged_by__username", "photos__filename")
    assert list(found) == [(sscc(1), "ana", "first.jpg"), (sscc(2), "bo", "second.jpg")]


def test_one_carton_scanned_by_both_counts_once_and_the_second_is_told(phone_of, site, trailer):
    ana, bo = phone_of(site.ana), phone_of(site.bo)
    for page in (ana, bo):
        page.goto(at("count", trailer))
        expect(page.locator("[data-count][data-list-at]")).to_have_count(1)
        cut(page)
        scan(page, sscc(1))
    back(ana)
    back(bo)
    expect(bo.locator("[data-otherwise] li")).to_contain_text("Already counted")
    expect(ana.locator("[data-otherwise]")).to_be_hidden()
    assert Carton.objects.get(label=sscc(1)).received == 1
    assert list(Scan.objects.order_by("pk").values_list("actor__username", "result")) == [
        ("ana", "counted"),
        ("bo", "already"),
    ]


def release(site, trailer):
    """Three of four counted, the fourth declared short, signed and gone."""
    lead = Client()
    lead.force_login(site.lee)

    def post(name, *more, **given):
        answer = lead.post(at(name, trailer, *more), {"uuid": str(uuid.uuid4())} | given)
        assert answer.status_code == 302, answer.content.decode()

    reads = [counting.Read(sscc(n)) for n in (2, 3, 4)]
    counting.scan(trailer, reads=reads, actor=site.lee, at=timezone.now())
    post("count_end")
    post("looked", places=["nose"])
    post("declare_short", trailer.shipments.get().pk, seen="1")
    signed = {"notation": "1 short", "outcome": "signed", "signer": "Sam Rivers", "typed": "on"}
    page = lead.get(at("release", trailer)).content.decode()
    post("release", **signed, carrier_receipt="no_exceptions", knowing_phones="on")
    trailer.refresh_from_db()
    return page


def decide(piece, lead):
    told = {"actor": lead, "at": timezone.now()}
    piece.refresh_from_db()
    piece = discrepancies.attribute(
        piece, where_found="in_trailer", attribution="transit", not_in_place_reason="-", version=piece.version, **told
    )
    discrepancies.dispose(piece, uuid=uuid.uuid4(), disposition="held", version=piece.version, **told)


def test_what_a_phone_kept_when_the_trailer_left_is_added_and_the_lead_makes_the_next_sheet(phone_of, site, trailer):
    bo = phone_of(site.bo)
    with bo.expect_response("**/phone/report/"):
        bo.goto(at("log_trailer", trailer))
    cut(bo)
    log(bo, sscc(4), SECOND)
    bo.route("**/trailer/*/log/", lambda route: route.abort())
    bo.context.set_offline(False)
    bo.goto(at("count", trailer))
    expect(bo.locator("[data-count][data-list-at]")).to_have_count(1)
    cut(bo)
    scan(bo, sscc(1))
    asked = release(site, trailer)
    assert "D-1 (Bo Hart)" in asked

    bo.unroute_all()
    back(bo)
    piece = Discrepancy.objects.get(kind=Kind.DAMAGED)
    assert (piece.label, piece.logged_by, piece.photos.get().filename) == (sscc(4), site.bo, "second.jpg")
    assert piece.found_at < trailer.released_at < piece.logged_at
    assert Discrepancy.objects.get(kind=Kind.SHORT).state == "found"
    late = LateRecord.objects.order_by("pk")
    assert {row.actor for row in late} == {site.bo}
    assert all(row.made_at < trailer.released_at < row.at for row in late)

    desk = phone_of(site.lee, device=DESK)
    desk.goto(reverse("doors", args=["NOR"]))
    expect(desk.locator("main")).to_contain_text("Sheet R-0001 no longer stands")
    desk.goto(at("trailer", trailer))
    desk.get_by_role("button", name="Make the sheet that replaces it").click()
    asks = desk.locator("main section", has_text="Before the new sheet")
    expect(asks.get_by_role("link", name=str(piece)).first).to_have_attribute("href", piece.get_absolute_url())
    expect(asks).to_contain_text("Decide what happens with it.")
    decide(piece, site.lee)
    desk.goto(reverse("sheet", args=["NOR", 1]))
    desk.get_by_role("button", name="Make the sheet that replaces it").click()
    expect(desk).to_have_url(re.compile("/NOR/sheet/2/$"))
    expect(desk.locator("main")).to_contain_text("not seen by the driver: made after the trailer had left")
    expect(desk.locator("main")).to_contain_text(re.compile("Bo Hart"))
    first, second = ExceptionSheet.objects.order_by("number")
    assert second.supersedes == first


def test_a_phone_whose_clock_is_wrong_tells_the_right_time_and_both_are_kept(phone_of, site, trailer):
    bo = phone_of(site.bo, AHEAD)
    bo.goto(at("log_trailer", trailer))
    cut(bo)
    log(bo, sscc(2), FIRST)
    back(bo)
    piece = Discrepancy.objects.get()
    assert abs(piece.found_at - timezone.now()) < timedelta(minutes=5)
    assert abs(piece.photos.get().at - timezone.now()) < timedelta(minutes=5)
    told = Event.objects.get(verb="piece.damaged").after["from_phone"]
    assert abs(told["clock_ahead_seconds"] - 7200) < 60
