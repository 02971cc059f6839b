"""Scanning by camera in real Chromium: its camera plays a film of barcodes, the vendored reader reads them."""

from urllib.parse import urlsplit

import pytest
from django.test import Client
from playwright.sync_api import expect

from receiving.enums import ArrivalState, Role
from receiving.models import Scan
from tests.browser import film
from tests.builders import (
    make_account,
    make_arrival,
    make_cartons,
    make_person,
    make_piece,
    make_site,
    make_store,
    sscc,
)
from tests.conftest import CHROMIUM_ARGS, PHONE, chromium_path

pytestmark = pytest.mark.django_db(transaction=True)
TAG = "https://dock.example/NOR/piece/412/"


@pytest.fixture
def trailer():
    site, account = make_site("NOR"), make_account("Juniper Home Stores")
    receiver = make_person(Role.RECEIVER, site)
    arrival = make_arrival(site, actor=receiver, state=ArrivalState.UNLOADING, pieces=9, account=account)
    make_cartons(arrival.shipments.get(), 9, stores=[make_store(site, account, n) for n in ("0417", "0105")])
    arrival.receiver = receiver
    return arrival


@pytest.fixture
def camera(browser, live_server, trailer, tmp_path):
    """camera(path, *scenes) -> a page on a phone whose camera sees these scenes one after the other, over and over.

    Beside the running browser, whose Playwright it shares: another browser, since the film is an option of its start.
    """
    started, complaints = [], []

    def open_page(path, *scenes, allow=True, **given):
        args = [*CHROMIUM_ARGS, "--use-fake-device-for-media-stream", "--autoplay-policy=no-user-gesture-required"]
        if scenes:
            args += [f"--use-file-for-fake-video-capture={film.film(tmp_path / 'film.mjpeg', *scenes, **given)}"]
        if allow:
            args += ["--use-fake-ui-for-media-stream"]
        chromium = browser.browser_type.launch(executable_path=chromium_path(), chromium_sandbox=False, args=args)
        started.append(chromium)
        client = Client()
        client.force_login(trailer.receiver)
        context = chromium.new_context(base_url=live_server.url, service_workers="block", **PHONE)
        host = urlsplit(live_server.url).hostname
        value = client.cookies["sessionid"].value
        context.add_cookies([{"name": "sessionid", "value": value, "domain": host, "path": "/"}])
        context.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
        context.on("weberror", lambda problem: complaints.append(str(problem.error)))
        page = context.new_page()
        page.set_default_timeout(30_000)
        page.goto(f"/NOR/trailer/{trailer.number}/{path}")
        return page

    yield open_page
    for chromium in started:
        chromium.close()
    assert [text for text in complaints if "Failed to load resource" not in text] == []


def switch_on(page):
    page.get_by_role("button", name="Camera", exact=True).click()


def test_labels_in_the_film_are_counted_each_once(camera):
    page = camera("count/", film.seen(film.gs1(sscc(1))), film.seen(film.gs1(sscc(2))), seconds=3)
    switch_on(page)
    expect(page.locator("[data-last] li", has_text="0417")).not_to_have_count(0, timeout=30_000)
    expect(page.locator("[data-last] li", has_text="0105")).not_to_have_count(0, timeout=30_000)
    page.get_by_role("button", name="Stop the camera").click()
    expect(page.locator("video")).to_be_hidden()
    expect(page.locator("[data-last] .tosend")).to_have_count(0)
    counted = Scan.objects.filter(result="counted").order_by("pk").values_list("label", "how")
    assert sorted(counted) == [(sscc(1), "scanner"), (sscc(2), "scanner")]
    assert page.evaluate("document.querySelector('video').srcObject") is None


def test_a_label_that_stays_in_the_picture_is_read_once(camera):
    page = camera("count/", film.seen(film.gs1(sscc(1))), seconds=60, fps=2)
    switch_on(page)
    expect(page.locator("[data-last] li")).to_have_count(1, timeout=30_000)
    page.wait_for_timeout(5000)
    expect(page.locator("[data-last] li")).to_have_count(1)


def test_the_tag_of_a_piece_opens_it(camera, trailer):
    make_piece(trailer, actor=trailer.receiver, number=412)
    page = camera("count/", film.seen(film.qr(TAG)))
    switch_on(page)
    page.wait_for_url("**/NOR/piece/412/")
    assert not Scan.objects.exists()


def test_on_the_log_the_label_lands_in_its_field_and_the_camera_stops(camera):
    page = camera("log/", film.seen(film.gs1(sscc(3))))
    switch_on(page)
    expect(page.locator("#id_label")).to_have_value(f"]C100{sscc(3)}", timeout=30_000)
    expect(page.locator("video")).to_be_hidden()
    expect(page.get_by_role("radio", name="Damaged")).to_be_focused()


REFUSE = """
() => { navigator.mediaDevices.getUserMedia = () => Promise.reject(new DOMException("no", "NotAllowedError")); }
"""


def test_a_camera_that_is_refused_says_how_to_allow_it(camera):
    page = camera("count/", allow=False)
    page.evaluate(REFUSE)
    switch_on(page)
    expect(page.locator("[data-camera-says]")).to_contain_text("Allow it in the browser's settings")
    expect(page.get_by_role("button", name="Camera", exact=True)).to_be_enabled()


def test_the_camera_stops_when_the_page_is_hidden(camera):
    page = camera("count/", film.seen(film.qr("nothing of ours")), seconds=60, fps=2)
    switch_on(page)
    expect(page.locator("video")).to_be_visible()
    page.evaluate("Object.defineProperty(document, 'hidden', {value: true})")
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.locator("video")).to_be_hidden()


READ = """
async ({worker, wasm, pictures}) => {
  const reader = new Worker(worker, {type: "module"});
  const ask = (message) => new Promise((resolve) => {
    reader.addEventListener("message", ({data}) => resolve(data), {once: true});
    reader.postMessage(message);
  });
  await ask({wasm});
  const found = [];
  for (const bytes of pictures) {
    const picture = await createImageBitmap(new Blob([Uint8Array.from(atob(bytes), (c) => c.charCodeAt(0))]));
    found.push(await ask({picture}));
  }
  reader.terminate();
  return found;
}
"""
SYMBOLS = {
    "gs1": (film.gs1(sscc(7)), f"]C100{sscc(7)}"),
    "code128": (film.bars("code128", "BOX 7/12"), "BOX 7/12"),
    "itf14": (film.bars("itf", "19521234543210"), "19521234543210"),
    "ean13": (film.bars("ean13", "9521234543213", module=5), "9521234543213"),
    "qr": (film.qr(TAG), TAG),
}
SIGHTS = {
    "straight": {},
    "tilted": {"tilt": 12},
    "upside down": {"tilt": 178},
    "upright": {"tilt": 91},
    "out of focus": {"blur": 1.0},
    "in glare": {"glare": 120},
    "all at once": {"tilt": -8, "blur": 0.8, "glare": 80},
}


def test_symbols_are_read_tilted_blurred_and_in_glare(open_page, trailer, live_server):
    client = Client()
    client.force_login(trailer.receiver)
    page = open_page(**PHONE)
    cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value, "path": "/"}
    page.context.add_cookies([cookie | {"domain": urlsplit(live_server.url).hostname}])
    page.goto(f"/NOR/trailer/{trailer.number}/count/")
    files = page.locator("[data-camera]").evaluate("({dataset: {worker, wasm}}) => ({worker, wasm})")
    cases = [(name, sight) for name in SYMBOLS for sight in SIGHTS]
    pictures = [film.encoded(film.seen(SYMBOLS[name][0], **SIGHTS[sight])) for name, sight in cases]
    answers = page.evaluate(READ, files | {"pictures": pictures})
    found = {case: answer.get("reads") or answer for case, answer in zip(cases, answers, strict=True)}
    assert found == {(name, sight): [SYMBOLS[name][1]] for name, sight in cases}
