"""The dock's forms on a phone that loses its network: kept at once, sent by themselves, once, and always in sight."""

import hashlib
import re
import zipfile
from urllib.parse import urlsplit

import pytest
from django.test import Client
from django.urls import reverse
from playwright.sync_api import expect

from receiving.enums import ArrivalState, Kind
from receiving.models import Arrival, Discrepancy, Event, Photo, SealRecord
from tests.builders import make_arrival, make_code, make_jpeg, make_person, make_seal, make_site
from tests.conftest import PHONE

pytestmark = pytest.mark.django_db(transaction=True)
FIRST = {"name": "first.jpg", "mimeType": "image/jpeg", "buffer": make_jpeg(colour="sienna")}
SECOND = {"name": "second.jpg", "mimeType": "image/jpeg", "buffer": make_jpeg(colour="teal")}
NO_STORE = "() => { delete window.indexedDB; Object.defineProperty(window, 'indexedDB', {value: undefined}) }"


@pytest.fixture
def site(live_server):
    return make_site("NOR")


@pytest.fixture
def ana(site):
    return make_person("receiver", site, "ana", first_name="Ana", last_name="Ruiz")


@pytest.fixture
def trailer(site, ana):
    make_code(site)
    return make_arrival(site, actor=ana, state=ArrivalState.UNLOADING, pieces=20, trailer_number="BFL 53021")


def sign_in(context, person, live_server):
    client = Client()
    client.force_login(person)
    host = urlsplit(live_server.url).hostname
    context.add_cookies(
        [{"name": "sessionid", "value": client.cookies["sessionid"].value, "path": "/", "domain": host}]
    )


@pytest.fixture
def pocket(open_page, live_server, ana):
    """A phone in Ana's hand, without the worker that keeps pages: each page is the one that is open."""
    page = open_page(**PHONE, service_workers="block")
    sign_in(page.context, ana, live_server)
    return page


def at(name, trailer, *more):
    return reverse(name, args=[trailer.site.code, trailer.number, *more])


def outbox_page(page):
    page.goto("/NOR/outbox/")
    return page.locator("[data-outbox-waiting] .outboxrows > li")


def badge(page):
    return page.locator("[data-outbox-badge]")


def notice(page):
    return page.locator("main .notice:not([data-kept-notice])").first


def cut(page):
    page.context.set_offline(True)


def back(page):
    page.context.set_offline(False)
    expect(badge(page)).to_have_text("all safe")


def hold_posts(page, name, hold):
    """What is sent to the trailer's `name` goes to `hold` instead of to the server."""
    page.route(
        f"**/trailer/*/{name}/",
        lambda route: hold(route) if route.request.method == "POST" else route.continue_(),
    )


def describe(page, label="LABEL-1"):
    page.locator("#id_label").fill(label)
    page.get_by_text("Damaged", exact=True).tap()
    page.get_by_text("crushed", exact=True).tap()


def test_online_a_piece_goes_as_before(pocket, trailer, ana):
    pocket.goto(at("log_trailer", trailer))
    describe(pocket)
    pocket.locator("#id_photos").set_input_files(FIRST)
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(pocket.locator("body")).to_contain_text("P-1 is logged: damaged.")
    expect(pocket.locator("body")).to_contain_text("1 photo is stored.")
    expect(badge(pocket)).to_have_text("all safe")
    expect(pocket.locator("#id_label")).to_have_value("")
    piece = Discrepancy.objects.get()
    assert (piece.label, piece.logged_by, piece.photos.get().purpose) == ("LABEL-1", ana, "piece")


def test_offline_a_piece_and_its_photos_are_kept_and_arrive_by_themselves(pocket, trailer, ana):
    pocket.goto(at("log_trailer", trailer))
    cut(pocket)
    describe(pocket)
    pocket.locator("#id_photos").set_input_files(FIRST)
    pocket.locator("#id_photos").set_input_files(SECOND)
    expect(pocket.locator("[data-previews] li")).to_have_count(2)
    pocket.locator("#id_in_place").check()
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(notice(pocket)).to_contain_text("Kept on this phone. It goes when the network is back.")
    expect(badge(pocket)).to_have_text("3 to send")
    expect(pocket.locator(".waitshere")).to_contain_text("Damaged · LABEL-1; 2 photos")
    expect(pocket.locator("#id_label")).to_have_value("")
    expect(pocket.locator("[data-previews] li")).to_have_count(0)
    pocket.locator("#id_label").fill("LABEL-2")
    pocket.get_by_role("button", name="Set aside, fill in later").tap()
    expect(badge(pocket)).to_have_text("4 to send")
    assert not Discrepancy.objects.exists()

    back(pocket)
    expect(notice(pocket)).to_contain_text("All of it has arrived.")
    one, two = Discrepancy.objects.order_by("pk")
    assert [(row.label, row.kind, row.logged_by) for row in (one, two)] == [
        ("LABEL-1", Kind.DAMAGED, ana),
        ("LABEL-2", Kind.SET_ASIDE, ana),
    ]
    assert one.found_at < one.logged_at
    assert sorted(one.photos.values_list("filename", "purpose")) == [
        ("first.jpg", "before_moving"),
        ("second.jpg", "before_moving"),
    ]


def test_a_begun_piece_survives_the_closing_of_the_browser(pocket, trailer):
    pocket.goto(at("log_trailer", trailer))
    describe(pocket)
    pocket.locator("#id_photos").set_input_files(FIRST)
    pocket.locator("summary", has_text="More, now or later").press("Enter")
    pocket.locator("#id_note").fill("under the third layer")
    expect(pocket.locator("[data-previews] img")).to_have_count(1)
    pocket.wait_for_timeout(600)
    other = pocket.context.new_page()
    pocket.close()
    other.goto(at("log_trailer", trailer))
    expect(notice(other)).to_contain_text("What you had begun at")
    expect(notice(other)).to_contain_text("only on this phone")
    expect(other.locator("#id_label")).to_have_value("LABEL-1")
    expect(other.locator("#id_note")).to_have_value("under the third layer")
    expect(other.locator("[data-previews] img")).to_have_count(1)
    other.get_by_role("button", name="Log this piece").tap()
    expect(other.locator("body")).to_contain_text("P-1 is logged: damaged.")
    piece = Discrepancy.objects.get()
    assert (piece.note, piece.photos.get().filename) == ("under the third layer", "first.jpg")
    other.goto(at("log_trailer", trailer))
    expect(other.locator("#id_label")).to_have_value("")


def test_a_begun_piece_can_be_thrown_away(pocket, trailer):
    pocket.goto(at("log_trailer", trailer))
    describe(pocket)
    pocket.locator("#id_photos").set_input_files(FIRST)
    expect(pocket.locator("[data-previews] img")).to_have_count(1)
    pocket.wait_for_timeout(600)
    pocket.goto("/NOR/outbox/")
    expect(pocket.locator("[data-outbox-begun]")).to_contain_text("A piece")
    expect(pocket.locator("[data-outbox-begun]")).to_contain_text(re.compile(r"\d\d:\d\d C[SD]T"))
    expect(pocket.locator("[data-outbox-waiting]")).to_be_hidden()
    pocket.get_by_role("button", name="Throw away").tap()
    expect(pocket.locator("[data-outbox-begun]")).to_be_hidden()
    pocket.goto(at("log_trailer", trailer))
    expect(pocket.locator("#id_label")).to_have_value("")
    assert pocket.evaluate("import('/static/receiving/js/outbox_store.js').then(store => store.all())") == []


def test_refused_at_once_everything_typed_is_still_here_and_goes_again(pocket, trailer):
    pocket.goto(at("log_trailer", trailer))
    pocket.locator("#id_label").fill("LABEL-1")
    pocket.locator("#id_photos").set_input_files(FIRST)
    pocket.get_by_role("button", name="Log this piece").tap()
    summary = pocket.locator(".errorsummary")
    expect(summary).to_be_focused()
    expect(summary).to_contain_text("Not saved yet")
    expect(badge(pocket)).to_contain_text("1 refused")
    expect(pocket.locator("[data-previews] li")).to_have_count(1)
    pocket.get_by_text("Damaged", exact=True).tap()
    pocket.get_by_text("crushed", exact=True).tap()
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(pocket.locator("body")).to_contain_text("P-1 is logged: damaged.")
    expect(badge(pocket)).to_have_text("all safe")
    piece = Discrepancy.objects.get()
    assert (piece.label, piece.photos.get().filename) == ("LABEL-1", "first.jpg")


def test_refused_later_it_is_mended_in_its_own_form(pocket, trailer):
    pocket.goto(at("log_trailer", trailer))
    cut(pocket)
    pocket.locator("#id_label").fill("LABEL-1")
    pocket.get_by_text("Rerouted", exact=True).tap()
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(badge(pocket)).to_have_text("1 to send")
    pocket.context.set_offline(False)
    expect(badge(pocket)).to_have_text("1 refused")
    row = outbox_page(pocket)
    expect(row).to_contain_text("A piece · Rerouted · LABEL-1")
    expect(row.locator(".errorlist")).not_to_be_empty()
    row.get_by_role("link", name="Mend it").tap()
    expect(pocket.locator(".errorsummary")).to_be_focused()
    expect(pocket.locator("#id_label")).to_have_value("LABEL-1")
    pocket.get_by_text("Damaged", exact=True).tap()
    pocket.get_by_text("crushed", exact=True).tap()
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(pocket.locator("body")).to_contain_text("P-1 is logged: damaged.")
    expect(badge(pocket)).to_have_text("all safe")


def test_discarding_asks_why_and_the_lead_can_read_it(pocket, trailer, ana):
    pocket.goto(at("log_trailer", trailer))
    pocket.locator("#id_label").fill("LABEL-1")
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(badge(pocket)).to_have_text("1 refused")
    row = outbox_page(pocket)
    row.get_by_role("button", name="Discard", exact=True).tap()
    row.get_by_role("button", name="Discard it for good").tap()
    expect(row).to_contain_text("Say why it is discarded.")
    expect(row.locator("input")).to_be_focused()
    row.locator("input").fill("logged twice")
    with pocket.expect_response(lambda answer: "discarded" in (answer.request.post_data or "")):
        row.get_by_role("button", name="Discard it for good").tap()
    expect(row).to_have_count(0)
    expect(pocket.locator("[data-outbox-warnings]")).to_contain_text("Everything made on this phone has arrived.")
    event = Event.objects.get(verb="phone.discarded")
    assert (event.actor, event.arrival, event.after["reason"]) == (ana, trailer, "logged twice")


def test_a_burst_of_photos_is_shown_at_once_and_each_goes_by_itself(pocket, trailer):
    pocket.goto(at("trailer_photos", trailer))
    cut(pocket)
    pocket.locator("[data-photo-input]").set_input_files([FIRST, SECOND])
    rows = pocket.locator("[data-photo-list] > li")
    expect(rows).to_have_count(2)
    expect(rows.nth(1)).to_have_attribute("data-photo-is", "waiting")
    assert rows.nth(0).locator("img").evaluate("img => img.decode().then(() => img.naturalWidth)") == 640
    rows.nth(0).get_by_text("What does it show?").tap()
    rows.nth(0).get_by_role("button", name="doors").tap()
    expect(badge(pocket)).to_have_text("2 to send")
    expect(rows.nth(0)).to_contain_text("kept on this phone, not sent yet")
    back(pocket)
    expect(rows.nth(1)).to_have_attribute("data-photo-is", "stored")
    expect(rows.nth(0).locator("img")).to_have_attribute("src", re.compile(r"/NOR/photo/.+/thumbnail/$"))
    assert sorted(Photo.objects.values_list("filename", "caption", "purpose")) == [
        ("first.jpg", "doors", "trailer"),
        ("second.jpg", "", "trailer"),
    ]
    assert Photo.objects.get(filename="first.jpg").sha256 == hashlib.sha256(FIRST["buffer"]).hexdigest()


def test_photos_that_wait_are_shown_when_the_page_is_opened_again(pocket, trailer):
    pocket.route("**/trailer/*/photos/", lambda route: route.abort())
    pocket.goto(at("trailer_photos", trailer))
    pocket.locator("[data-photo-input]").set_input_files(FIRST)
    expect(badge(pocket)).to_have_text("1 to send")
    pocket.goto(at("trailer_photos", trailer))
    row = pocket.locator("[data-photo-list] > li")
    expect(row).to_contain_text("first.jpg")
    expect(row).to_contain_text("kept on this phone, not sent yet")
    pocket.unroute("**/trailer/*/photos/")
    pocket.goto("/NOR/outbox/")
    pocket.get_by_role("button", name="Send now").tap()
    expect(pocket.locator("[data-outbox-said]")).to_have_text("Sent.")
    assert Photo.objects.count() == 1


def test_a_seal_and_its_photo_are_written_down_without_a_network(pocket, site, ana):
    trailer = make_arrival(site, actor=ana, state=ArrivalState.AT_DOOR, pieces=20)
    pocket.goto(at("seal_new", trailer))
    cut(pocket)
    pocket.locator("#id_number_on_paper").fill("8841207")
    pocket.locator("#id_number_on_seal").fill("8841207")
    pocket.get_by_text("intact", exact=False).first.tap()
    pocket.locator("#id_photos").set_input_files(FIRST)
    expect(pocket.locator("[data-previews] img")).to_have_count(1)
    pocket.get_by_role("button", name="Write the seal down").tap()
    expect(badge(pocket)).to_have_text("2 to send")
    expect(pocket.locator(".waitshere")).to_contain_text("Seal · 8841207")
    back(pocket)
    seal = SealRecord.objects.get()
    assert (seal.number_on_seal, seal.photos.get().purpose) == ("8841207", "seal_before")


def test_one_button_steps_are_kept_too(pocket, site, ana):
    trailer = make_arrival(site, actor=ana, state=ArrivalState.AT_DOOR, pieces=20)
    make_seal(trailer, actor=ana)
    pocket.goto(at("safety", trailer))
    cut(pocket)
    for words in ("Wheels chocked", "Floor looked at", "Load stands safely"):
        pocket.get_by_text(words).tap()
    pocket.get_by_role("button", name="I looked").tap()
    expect(badge(pocket)).to_have_text("1 to send")
    expect(pocket.locator(".waitshere")).to_contain_text("Safety looks")
    back(pocket)
    pocket.goto(trailer.get_absolute_url())
    cut(pocket)
    pocket.get_by_role("button", name="Start unloading").tap()
    expect(badge(pocket)).to_have_text("1 to send")
    back(pocket)
    trailer.refresh_from_db()
    assert trailer.state == ArrivalState.UNLOADING


def test_a_slow_answer_does_not_hold_the_hand(pocket, trailer):
    slow = []
    hold_posts(pocket, "log", slow.append)
    pocket.goto(at("log_trailer", trailer))
    describe(pocket)
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(notice(pocket)).to_contain_text("It is still on its way.")
    expect(pocket.locator("#id_label")).to_have_value("")
    pocket.unroute("**/trailer/*/log/")
    back(pocket)
    assert Discrepancy.objects.get().label == "LABEL-1"


def test_where_nothing_can_be_kept_the_forms_are_sent_as_before(pocket, trailer):
    pocket.add_init_script(f"({NO_STORE})()")
    pocket.goto(at("log_trailer", trailer))
    expect(badge(pocket)).to_have_text("nothing kept")
    describe(pocket)
    pocket.locator("#id_photos").set_input_files(FIRST)
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(pocket.locator("body")).to_contain_text("P-1 is logged: damaged. 1 photo is stored.")
    assert Discrepancy.objects.get().photos.count() == 1
    describe(pocket, "LABEL-2")
    cut(pocket)
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(pocket.locator(".errorsummary")).to_contain_text("No connection. Everything is still here")
    pocket.context.set_offline(False)
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(pocket.locator("body")).to_contain_text("P-2 is logged: damaged.")
    pocket.goto("/NOR/outbox/")
    expect(pocket.locator("[data-outbox-warnings]")).to_contain_text("This browser keeps nothing")


def test_another_person_sees_only_that_something_waits(pocket, trailer, site, live_server):
    pocket.goto(at("log_trailer", trailer))
    cut(pocket)
    describe(pocket)
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(badge(pocket)).to_have_text("1 to send")
    pocket.route("**/trailer/*/log/", lambda route: route.abort())
    pocket.context.set_offline(False)
    sign_in(pocket.context, make_person("receiver", site, "bo"), live_server)
    pocket.goto("/NOR/outbox/")
    expect(pocket.locator("[data-outbox-warnings]")).to_contain_text("1 record of somebody else waits on this phone.")
    expect(pocket.locator("body")).not_to_contain_text("LABEL-1")
    expect(badge(pocket)).to_have_text("all safe")
    assert not Discrepancy.objects.exists()


def test_a_saved_file_brings_everything_in_at_a_desk(pocket, trailer, ana, tmp_path):
    pocket.goto(at("log_trailer", trailer))
    cut(pocket)
    describe(pocket)
    pocket.locator("#id_photos").set_input_files(FIRST)
    expect(pocket.locator("[data-previews] img")).to_have_count(1)
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(badge(pocket)).to_have_text("2 to send")
    for part in ("log", "photos"):
        pocket.context.route(
            f"**/trailer/*/{part}/",
            lambda route: route.abort() if route.request.method == "POST" else route.continue_(),
        )
    pocket.context.set_offline(False)
    pocket.goto("/NOR/outbox/")
    with pocket.expect_download() as saved:
        pocket.get_by_role("button", name="Save as a file").tap()
    path = tmp_path / saved.value.suggested_filename
    saved.value.save_as(path)
    assert path.name.startswith("outbox-NOR-")
    assert zipfile.ZipFile(path).testzip() is None
    expect(pocket.locator("[data-outbox-said]")).to_contain_text(path.name)
    pocket.goto("/NOR/outbox/file/")
    pocket.locator("input[type=file]").set_input_files(path)
    pocket.get_by_role("button", name="Load this file").tap()
    expect(pocket.locator("main")).to_contain_text("2 records of Ana Ruiz are stored.")
    piece = Discrepancy.objects.get()
    assert (piece.label, piece.logged_by, piece.photos.get().filename) == ("LABEL-1", ana, "first.jpg")
    # The phone sends the same once more: nothing is stored twice.
    pocket.context.unroute_all()
    pocket.goto("/NOR/outbox/")
    pocket.get_by_role("button", name="Send now").tap()
    expect(badge(pocket)).to_have_text("all safe")
    assert (Discrepancy.objects.count(), Photo.objects.count()) == (1, 1)


def test_a_cancelled_membership_hands_the_piece_to_a_lead(pocket, trailer, site, ana):
    pocket.goto(at("log_trailer", trailer))
    cut(pocket)
    describe(pocket)
    pocket.get_by_role("button", name="Log this piece").tap()
    expect(badge(pocket)).to_have_text("1 to send")
    ana.memberships.update(role="viewer")
    back(pocket)
    assert not Discrepancy.objects.exists()
    assert Arrival.objects.get().handed_in.count() == 1
    pocket.goto("/NOR/outbox/")
    expect(pocket.locator("[data-outbox-arrived]")).to_contain_text("handed to a lead")
