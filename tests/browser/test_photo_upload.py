"""The page's script for photos in a real browser: each by itself, refused or retried by itself.

Here nothing can be kept on the phone, so the page itself sends; what is kept is in test_outbox_forms.py.
"""

import re
from urllib.parse import urlsplit

import pytest
from django.test import Client
from django.urls import reverse
from playwright.sync_api import expect

from receiving.enums import ArrivalState, Role
from receiving.models import Photo
from tests.builders import make_arrival, make_person, make_site
from tests.hostile.photos import cut, grained, saved, seen

pytestmark = pytest.mark.django_db(transaction=True)
NOTHING_KEPT = "Object.defineProperty(window, 'indexedDB', {value: undefined})"
GOOD_JPEG = {"name": "good.jpg", "mimeType": "image/jpeg", "buffer": saved(grained(), "JPEG")}
OTHER = {"name": "other.png", "mimeType": "image/png", "buffer": saved(seen(), "PNG")}
BROKEN = {"name": "half.jpg", "mimeType": "image/jpeg", "buffer": cut(saved(grained(), "JPEG"), 0.5)}


@pytest.fixture
def trailer_page(open_page, live_server):
    def trailer_page(**options):
        site = make_site("NOR")
        receiver = make_person(Role.RECEIVER, site)
        arrival = make_arrival(site, actor=receiver, state=ArrivalState.AT_DOOR)
        client = Client()
        client.force_login(receiver)
        page = open_page(viewport={"width": 390, "height": 844}, service_workers="block", **options)
        page.add_init_script(NOTHING_KEPT)
        cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value}
        page.context.add_cookies([cookie | {"domain": urlsplit(live_server.url).hostname, "path": "/"}])
        page.goto(reverse("trailer_photos", args=["NOR", arrival.number]))
        return page

    return trailer_page


def states(page):
    return page.locator("[data-photo-list] > li").evaluate_all("rows => rows.map(row => row.dataset.photoIs)")


def test_each_photo_is_stored_or_refused_by_itself(trailer_page):
    page = trailer_page()
    expect(page.get_by_role("button", name="Send photos")).to_be_hidden()
    page.locator("[data-photo-input]").set_input_files([GOOD_JPEG, BROKEN, OTHER])
    rows = page.locator("[data-photo-list] > li")
    expect(rows.nth(2)).to_have_attribute("data-photo-is", "stored")
    assert states(page) == ["stored", "refused", "stored"]
    assert sorted(Photo.objects.values_list("filename", flat=True)) == ["good.jpg", "other.png"]
    expect(rows.nth(1)).to_contain_text("half.jpg: the picture is damaged or did not arrive whole")
    expect(rows.nth(1).get_by_role("button", name="Send again")).to_be_hidden()
    rows.nth(1).get_by_role("button", name="Take off the list").click()
    expect(rows).to_have_count(2)
    expect(rows.nth(0).locator("img")).to_have_attribute("src", re.compile(r"/NOR/photo/.+/thumbnail/$"))
    assert rows.nth(0).locator("img").evaluate("img => img.decode().then(() => img.naturalWidth)") == 320


def test_a_photo_lost_on_the_way_is_sent_again_under_its_number(trailer_page):
    page = trailer_page()
    lost = []

    def lose_the_first_answer(route):
        if lost:
            route.continue_()
            return
        lost.append(route.fetch().status)
        route.abort()

    page.route("**/photos/", lose_the_first_answer)
    page.locator("[data-photo-input]").set_input_files([GOOD_JPEG, OTHER])
    rows = page.locator("[data-photo-list] > li")
    expect(rows.nth(1)).to_have_attribute("data-photo-is", "stored")
    assert states(page) == ["failed", "stored"]
    expect(rows.nth(0)).to_contain_text("good.jpg could not be sent. It is still here: press Send again.")
    rows.nth(0).get_by_role("button", name="Send again").click()
    expect(rows.nth(0)).to_have_attribute("data-photo-is", "stored")
    assert lost == [201]
    assert sorted(Photo.objects.values_list("filename", flat=True)) == ["good.jpg", "other.png"]


def test_progress_is_shown_in_numbers(trailer_page):
    page = trailer_page()
    page.evaluate(
        """() => {
            window.seen = [];
            new MutationObserver(() => document.querySelectorAll('[data-photo-state]')
                .forEach(state => window.seen.push(state.textContent)))
                .observe(document.querySelector('[data-photo-list]'), {subtree: true, childList: true,
                                                                       characterData: true});
        }"""
    )
    page.locator("[data-photo-input]").set_input_files(GOOD_JPEG)
    expect(page.locator("[data-photo-list] > li")).to_have_attribute("data-photo-is", "stored")
    said = page.evaluate("window.seen")
    assert "sending, 100 %" in said
    assert said[-1] == "stored"


def test_without_script_the_form_sends_them_all(trailer_page):
    page = trailer_page(java_script_enabled=False)
    page.locator("[data-photo-input]").set_input_files([GOOD_JPEG, BROKEN, OTHER])
    page.get_by_role("button", name="Send photos").click()
    page.wait_for_load_state()
    assert sorted(Photo.objects.values_list("filename", flat=True)) == ["good.jpg", "other.png"]
