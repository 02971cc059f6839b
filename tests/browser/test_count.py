"""Counting in a real browser: a scanner that never waits, a network that fails, ears and hands that are told."""

import itertools
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.test import Client
from playwright.sync_api import expect

from receiving import dock
from receiving.enums import ArrivalState, Role
from receiving.models import Carton, Scan, TallyTap
from tests.builders import NOON, make_account, make_arrival, make_cartons, make_person, make_site, make_store, sscc
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)
AXE = (Path(__file__).parent.parent / "vendor" / "axe.min.js").read_text()
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "wcag2aaa", "best-practice"]
BUZZED = "navigator.vibrate = (pattern) => { (window.buzzed ??= []).push(pattern.join(' ')); return true; }"


@pytest.fixture
def trailer():
    site, account = make_site("NOR"), make_account("Juniper Home Stores")
    receiver = make_person(Role.RECEIVER, site)
    arrival = make_arrival(site, actor=receiver, state=ArrivalState.UNLOADING, pieces=40, account=account)
    make_cartons(arrival.shipments.get(), 40, stores=[make_store(site, account, n) for n in ("0417", "0105")])
    arrival.receiver = receiver
    return arrival


@pytest.fixture
def count_page(open_page, live_server, trailer):
    def count_page(path="count/", device=PHONE, **options):
        client = Client()
        client.force_login(trailer.receiver)
        page = open_page(**device, **options)
        cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value}
        page.context.add_cookies([cookie | {"domain": urlsplit(live_server.url).hostname, "path": "/"}])
        page.add_init_script(BUZZED)
        page.goto(f"/NOR/trailer/{trailer.number}/{path}")
        return page

    return count_page


def scan(page, *labels):
    """As a hand scanner does: keys into whatever has the focus, then Enter."""
    for label in labels:
        page.keyboard.type(label)
        page.keyboard.press("Enter")


def figure(page, name):
    return page.locator("[data-figures] div", has_text=name).locator("dd")


def test_a_scanner_faster_than_the_network_loses_nothing(count_page):
    page = count_page()
    labels = [sscc(n) for n in range(1, 21)]
    scan(page, *labels)
    expect(figure(page, "Counted")).to_have_text("20")
    assert list(Scan.objects.order_by("pk").values_list("label", flat=True)) == labels
    expect(page.locator("[data-last] li")).to_have_count(5)
    expect(page.locator("input.scan")).to_be_focused()
    expect(page.locator("input.scan")).to_have_value("")
    assert set(Scan.objects.values_list("how", flat=True)) == {"scanner"}


def test_what_is_scanned_without_a_network_goes_once_when_it_is_back(count_page):
    page = count_page()
    scan(page, sscc(1))
    expect(figure(page, "Counted")).to_have_text("1")
    page.context.set_offline(True)
    scan(page, sscc(2), sscc(3))
    expect(page.locator("[data-waiting]")).to_contain_text("2 to send")
    page.context.set_offline(False)
    expect(figure(page, "Counted")).to_have_text("3")
    expect(page.locator("[data-waiting]")).to_be_hidden()
    assert Scan.objects.count() == 3


def test_an_answer_lost_on_the_way_counts_nothing_twice(count_page):
    page, losses = count_page(), itertools.count()

    def lose_the_first(route):
        answer = route.fetch()
        route.abort() if next(losses) == 0 else route.fulfill(response=answer)

    page.route("**/count/scan/", lose_the_first)
    scan(page, sscc(1))
    expect(page.locator("[data-answer-box] .answer.right")).to_be_visible()
    expect(figure(page, "Counted")).to_have_text("1")
    assert next(losses) == 2
    assert Scan.objects.count() == 1


def test_unsent_scans_survive_a_reload(count_page):
    page = count_page()
    page.on("dialog", lambda dialog: dialog.accept())
    page.route("**/count/scan/", lambda route: route.abort())
    scan(page, sscc(1))
    expect(page.locator("[data-waiting]")).to_contain_text("1 to send")
    page.unroute("**/count/scan/")
    page.reload()
    expect(figure(page, "Counted")).to_have_text("1")
    assert Scan.objects.count() == 1


def test_signed_out_on_the_way_a_scan_waits_for_the_next_sign_in(count_page, trailer):
    page = count_page()
    page.on("dialog", lambda dialog: dialog.accept())
    signed_in = page.context.cookies()
    page.context.clear_cookies(name="sessionid")
    scan(page, sscc(1))
    expect(page.get_by_role("button", name="Sign in")).to_be_visible()
    assert not Scan.objects.exists()
    page.context.add_cookies(signed_in)
    page.goto(f"/NOR/trailer/{trailer.number}/count/")
    expect(figure(page, "Counted")).to_have_text("1")


def test_what_the_server_refuses_names_its_label(count_page, trailer):
    page = count_page()
    dock.pause(trailer, held_by="guard", actor=trailer.receiver, at=NOON)
    scan(page, sscc(1))
    expect(page.locator("[data-answer-box]")).to_contain_text("Unload again before you count.")
    expect(page.locator("[data-answer-box] .id")).to_have_text(sscc(1))


def test_the_hand_feels_right_from_wrong_unless_buzz_is_off(count_page):
    page = count_page()
    scan(page, sscc(1))
    expect(page.locator("[data-answer-box] .answer.right")).to_be_visible()
    scan(page, sscc(1))
    expect(page.locator("[data-answer-box] .answer.again")).to_be_visible()
    scan(page, "NO SUCH")
    expect(page.locator("[data-answer-box] .answer.wrong")).to_be_visible()
    assert page.evaluate("window.buzzed") == ["40", "60 60 60", "350"]
    page.evaluate("localStorage.setItem('buzz', 'off')")
    scan(page, sscc(2))
    expect(page.locator("[data-answer-box] .answer.right")).to_be_visible()
    assert len(page.evaluate("window.buzzed")) == 3


def test_a_typed_label_is_told_from_a_scanned_one(count_page):
    page = count_page()
    page.keyboard.type(sscc(1)[:6], delay=90)
    page.keyboard.type(sscc(1)[6:], delay=90)
    page.keyboard.press("Enter")
    expect(figure(page, "Counted")).to_have_text("1")
    assert Scan.objects.get().how == "typed"


def test_taking_back_is_in_line_with_the_scans(count_page):
    page = count_page()
    scan(page, sscc(1), sscc(2))
    page.get_by_role("button", name="Take back my last count").click()
    expect(page.locator("[data-answer-box]")).to_contain_text("Taken back")
    expect(page.locator("[data-last] li").first).to_contain_text("taken back")
    expect(figure(page, "Counted")).to_have_text("1")
    expect(page.locator("input.scan")).to_be_focused()
    assert Carton.objects.get(label=sscc(2)).received == 0


def test_taps_count_in_place_however_fast(count_page):
    page = count_page("count/tally/")
    row = page.locator(".tallyrow").first
    for _ in range(4):
        row.get_by_role("button", name="5 more for store 0105").click()
    expect(row).to_contain_text("20 / 20")
    assert TallyTap.objects.count() == 4


@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["count/", "count/tally/", "count/file/", "../../pallets/"])
def test_axe_finds_nothing(count_page, device, scheme, path):
    page = count_page(path, device, color_scheme=scheme)
    if path == "count/":
        scan(page, sscc(1), "NO SUCH")
        expect(page.locator("[data-answer-box] .answer.wrong")).to_be_visible()
    page.evaluate(AXE)
    found = page.evaluate("levels => axe.run(document, {runOnly: {type: 'tag', values: levels}})", LEVELS)
    assert [(rule["id"], [node["html"][:120] for node in rule["nodes"]]) for rule in found["violations"]] == []


def test_what_is_touched_is_large_and_apart(count_page):
    page = count_page()
    scan(page, sscc(1))
    expect(page.locator("[data-answer-box] .answer.right")).to_be_visible()
    boxes = [box for box in page.locator("main :is(a, button, select, input.scan)").all() if box.is_visible()]
    sizes = [box.bounding_box() for box in boxes]
    assert min(size["height"] for size in sizes) >= 48
    assert page.locator("input.scan").bounding_box()["height"] >= 64
    for one, other in itertools.combinations(sizes, 2):
        across = max(one["x"], other["x"]) - min(one["x"] + one["width"], other["x"] + other["width"])
        down = max(one["y"], other["y"]) - min(one["y"] + one["height"], other["y"] + other["height"])
        assert max(across, down) >= 7.9, (one, other)
