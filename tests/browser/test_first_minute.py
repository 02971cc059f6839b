"""The first minute, walked by hand in a real browser: what a receiver does on a phone, then what the lead does.

Taps are counted. The camera's own are not: a photo comes in through the file input, as the camera hands it over.
"""

import re

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from receiving.enums import ArrivalState, Kind
from receiving.models import Arrival, Discrepancy, ExceptionSheet, Photo, Scan
from tests.builders import (
    PASSWORD,
    make_account,
    make_arrival,
    make_carrier,
    make_cartons,
    make_code,
    make_jpeg,
    make_person,
    make_site,
    make_store,
    sscc,
)
from tests.conftest import PHONE

pytestmark = pytest.mark.django_db(transaction=True)
RENDERING = 30_000  # the sheet is drawn as PDF: seconds where several tests share two processors
CAMERA = {"name": "camera.jpg", "mimeType": "image/jpeg", "buffer": make_jpeg()}


class Hand:
    """A thumb on a phone that counts its taps, and a scanner beside it."""

    def __init__(self, page):
        self.page, self.taps = page, 0

    def tap(self, *, button=None, link=None, text=None, label=None):
        place = (
            self.page.get_by_role("button", name=button)
            if button
            else self.page.get_by_role("link", name=link)
            if link
            else self.page.get_by_label(label, exact=True)
            if label
            else self.page.get_by_text(text, exact=True)
        )
        place.first.tap()
        self.taps += 1

    def scan(self, label):
        """As a scanner does it: the characters quickly, then Enter, wherever the focus is."""
        self.page.wait_for_load_state()
        self.page.keyboard.type(label)
        self.page.keyboard.press("Enter")

    def photograph(self):
        self.page.locator("#id_photos").set_input_files(CAMERA)
        expect(self.page.locator("[data-previews] li")).to_have_count(1)


def trailer_of_20(state=ArrivalState.AT_DOOR):
    site = make_site(name="Norchester Cross-Dock")
    lead = make_person("lead", site, "lena", first_name="Lena", last_name="Ortiz")
    make_person("receiver", site, "ray", first_name="Ray", last_name="Moss")
    account = make_account("Juniper Home Stores")
    stores = [make_store(site, account, number) for number in ("0101", "0102")]
    make_code(site, default_disposition="held")
    carrier = make_carrier("Birch Freight Lines")
    trailer = make_arrival(
        site, actor=lead, state=state, pieces=20, account=account, carrier=carrier, trailer_number="BFL 53021"
    )
    make_cartons(trailer.shipments.get(), 20, stores=stores)
    return trailer


def sign_in(page, username):
    page.goto("/")
    page.get_by_label("Username").fill(username)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").tap()
    expect(page).to_have_url(re.compile(r"/NOR/doors/$"))
    return Hand(page)


def test_a_receiver_and_a_lead_take_a_trailer_from_its_seal_to_the_signed_sheet(open_page, tmp_path):
    trailer = trailer_of_20()
    page = open_page(**PHONE)
    ray = sign_in(page, "ray")

    # Doors, the trailer, its seal.
    page.locator(".doortile a").first.tap()
    expect(page).to_have_url(re.compile(trailer.get_absolute_url() + "$"))
    page.locator("a.main").tap()
    page.get_by_label("Number on the paperwork").fill("0123456")
    page.get_by_label("Number on the seal").fill("0123456")
    page.get_by_text("intact", exact=True).tap()
    page.get_by_role("button", name="Write the seal down").tap()

    # The three looks, then unloading.
    page.locator("a.main").tap()
    for words in ("Wheels chocked", "Floor looked at", "Load stands safely"):
        page.get_by_text(words).tap()
    page.get_by_role("button", name="I looked").tap()
    page.get_by_role("button", name="Start unloading").tap()
    expect(page.locator(".badge", has_text="unloading").first).to_be_visible()

    # 17 of 20 are scanned: nothing is tapped, the field is there for the scanner.
    page.goto(reverse("count", args=["NOR", trailer.number]))
    for number in range(1, 18):
        ray.scan(sscc(number))
    expect(page.locator("[data-answer-box] .word, .answer .word").first).to_contain_text("Counted")
    expect(page.locator("body")).to_contain_text("17")
    expect(page.locator("[data-outbox-badge]")).to_have_text("all safe")
    assert Scan.objects.count() == 17

    # A crushed carton: at most four taps beside the camera's own, and its label is never typed twice.
    ray.taps = 0
    ray.tap(link="Set aside or log a piece")
    expect(page).to_have_url(re.compile(r"/log/$"))
    ray.scan(sscc(18))
    expect(page.locator("#id_label")).to_have_value(sscc(18))
    ray.tap(text="Damaged")
    ray.tap(text="crushed")
    ray.photograph()
    ray.tap(button="Log this piece")
    expect(page.locator("body")).to_contain_text("is logged: damaged")
    assert ray.taps <= 4
    crushed = Discrepancy.objects.get(kind=Kind.DAMAGED)
    assert (crushed.label, crushed.carton.received) == (sscc(18), 1)
    assert Photo.objects.get().discrepancy == crushed

    # Rerouted and over: at most three, from where the last piece was logged.
    ray.taps = 0
    ray.scan(sscc(3))
    ray.tap(text="Rerouted")
    page.get_by_label("New store").fill("0102")
    ray.tap(button="Log this piece")
    expect(page.locator("body")).to_contain_text("is logged: rerouted")
    assert ray.taps <= 3

    ray.taps = 0
    ray.scan(sscc(777))
    ray.tap(text="Over")
    ray.photograph()
    ray.tap(button="Log this piece")
    expect(page.locator("body")).to_contain_text("is logged: over")
    assert ray.taps <= 3

    finish(open_page, trailer, tmp_path, ray)


def finish(open_page, trailer, tmp_path, ray):
    """The lead squares what is left, and the driver signs."""
    page = open_page(**PHONE)
    sign_in(page, "lena")
    page.goto(trailer.get_absolute_url())
    page.get_by_role("button", name="End the count").tap()
    expect(page.locator(".badge", has_text="counted").first).to_be_visible()
    # The receiver's phone says that it keeps nothing of this trailer.
    with ray.page.expect_response("**/phone/report/"):
        ray.page.reload()
    page.locator("a.main").tap()
    expect(page.locator("body")).to_contain_text("2 cartons are missing so far.")
    page.get_by_text("nose of the trailer").tap()
    page.get_by_role("button", name="I looked there").tap()
    page.get_by_role("button", name="Declare 2 cartons short").tap()
    expect(page.locator("body")).to_contain_text("Everything is accounted for.")

    # Where the damage was found is asked now at the latest.
    crushed = Discrepancy.objects.get(kind=Kind.DAMAGED)
    expect(page.locator("#needs + ul")).to_contain_text("Say where it was found")
    page.goto(crushed.get_absolute_url())
    page.get_by_role("link", name=re.compile("[Ww]here")).first.tap()
    page.get_by_text("on the pallet", exact=True).first.tap()
    with page.expect_navigation(url=lambda url: url.endswith(crushed.get_absolute_url())):
        page.locator(".actionbar button.main").tap()
    crushed.refresh_from_db()
    assert crushed.attribution, "the suggestion is taken with the place"

    page.goto(reverse("square", args=["NOR", trailer.number]))
    page.get_by_role("link", name="To the driver's signature").tap()
    expect(page.locator("#id_notation")).to_have_value(re.compile("2 cartons short.*1 carton over", re.S))
    page.locator("label", has_text=re.compile("^signed$", re.I)).first.tap()
    page.locator("#id_signer").fill("Sam Rivers")
    draw(page)
    page.get_by_text("no exceptions", exact=False).first.tap()
    page.get_by_role("button", name="Release trailer").tap()
    expect(page).to_have_url(re.compile(r"/NOR/sheet/\d+/$"), timeout=RENDERING)

    sheet = ExceptionSheet.objects.get()
    assert len(sheet.signature) > 100
    assert Arrival.objects.get().state == ArrivalState.RELEASED
    answer = page.context.request.get(reverse("sheet_pdf", args=["NOR", sheet.number]))
    assert answer.status == 200
    assert answer.body().startswith(b"%PDF")


def draw(page):
    """Sign with a real pointer: down, a wave, up."""
    canvas = page.locator("[data-signature] canvas")
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    page.mouse.move(box["x"] + 30, box["y"] + box["height"] / 2)
    page.mouse.down()
    for step in range(1, 12):
        page.mouse.move(box["x"] + 30 + 20 * step, box["y"] + box["height"] / 2 + (12 if step % 2 else -12))
    page.mouse.up()
    expect(page.locator("input[name=signature]")).not_to_have_value("")


def test_a_clean_trailer_is_released_in_one_tap(open_page):
    trailer = trailer_of_20(ArrivalState.UNLOADING)
    trailer.cartons.update(received=1)
    page = open_page(**PHONE)
    lena = sign_in(page, "lena")
    page.goto(reverse("square", args=["NOR", trailer.number]))
    lena.tap(button=re.compile("Release clean"))
    expect(page).to_have_url(re.compile(r"/NOR/sheet/\d+/$"), timeout=RENDERING)
    assert lena.taps == 1
    assert Arrival.objects.get().state == ArrivalState.RELEASED
