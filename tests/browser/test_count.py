"""Counting in a real browser: a scanner that never waits, a network that fails, ears and hands that are told."""

import itertools
from pathlib import Path
from urllib.parse import urlsplit
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone
from playwright.sync_api import expect

from receiving import counting, dock
from receiving.enums import ArrivalState, Role
from receiving.models import Carton, Scan, Store, TallyTap
from tests.builders import (
    NOON,
    PASSWORD,
    make_account,
    make_arrival,
    make_cartons,
    make_person,
    make_site,
    make_store,
    sscc,
)
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
    def count_page(path="count/", device=PHONE, script=BUZZED, **options):
        client = Client()
        client.force_login(trailer.receiver)
        page = open_page(**device, **options)
        cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value}
        page.context.add_cookies([cookie | {"domain": urlsplit(live_server.url).hostname, "path": "/"}])
        page.add_init_script(script)
        page.goto(f"/NOR/trailer/{trailer.number}/{path}")
        return page

    return count_page


def scan(page, *labels):
    """As a hand scanner does: keys into whatever has the focus, then Enter."""
    for label in labels:
        page.keyboard.type(label)
        page.keyboard.press("Enter")


def until(page, true, seconds=15):
    """Wait for something at the server."""
    for _ in range(seconds * 10):
        if true():
            return
        page.wait_for_timeout(100)
    pytest.fail("It did not come true.")


def all_arrived(page):
    expect(page.locator("[data-last] li")).not_to_have_count(0)
    expect(page.locator("[data-last] .tosend")).to_have_count(0)


def ready(page):
    """The phone has read its list: it answers by itself."""
    expect(page.locator("[data-count][data-list-at]")).to_have_count(1)


TRY_ALL = "() => import('/static/receiving/js/outbox.js').then(outbox => outbox.flush())"


def figure(page, name):
    return page.locator("[data-figures] div", has_text=name).locator("dd")


def test_a_scanner_faster_than_the_network_loses_nothing(count_page):
    page = count_page()
    labels = [sscc(n) for n in range(1, 21)]
    scan(page, *labels)
    expect(figure(page, "Counted")).to_have_text("20")
    until(page, lambda: Scan.objects.count() == 20)
    all_arrived(page)
    assert list(Scan.objects.order_by("pk").values_list("label", flat=True)) == labels
    expect(page.locator("[data-last] li")).to_have_count(5)
    expect(page.locator("input.scan")).to_be_focused()
    expect(page.locator("input.scan")).to_have_value("")
    assert set(Scan.objects.values_list("how", flat=True)) == {"scanner"}


def test_what_is_scanned_without_a_network_goes_once_when_it_is_back(count_page):
    page = count_page()
    scan(page, sscc(1))
    all_arrived(page)
    page.context.set_offline(True)
    scan(page, sscc(2), sscc(3))
    expect(page.locator("[data-waiting]")).to_contain_text("Scans to send: 2.")
    page.context.set_offline(False)
    expect(figure(page, "Counted")).to_have_text("3")
    until(page, lambda: Scan.objects.count() == 3)
    expect(page.locator("[data-waiting]")).to_be_hidden()


def test_an_answer_lost_on_the_way_counts_nothing_twice(count_page):
    page, losses = count_page(), itertools.count()

    def lose_the_first(route):
        answer = route.fetch()
        route.abort() if next(losses) == 0 else route.fulfill(response=answer)

    page.route("**/count/scan/", lose_the_first)
    scan(page, sscc(1))
    expect(page.locator("[data-answer-box] .answer.right")).to_be_visible()
    expect(figure(page, "Counted")).to_have_text("1")
    all_arrived(page)
    assert next(losses) == 2
    assert Scan.objects.count() == 1


def test_unsent_scans_survive_a_reload(count_page):
    page = count_page()
    page.route("**/count/scan/", lambda route: route.abort())
    scan(page, sscc(1))
    expect(page.locator("[data-waiting]")).to_contain_text("Scans to send: 1.")
    page.unroute("**/count/scan/")
    page.reload()
    expect(figure(page, "Counted")).to_have_text("1")
    until(page, lambda: Scan.objects.count() == 1)


def test_signed_out_on_the_way_a_scan_waits_for_the_next_sign_in(count_page, trailer):
    page = count_page()
    expect(figure(page, "Counted")).to_have_text("0")
    ready(page)
    page.context.clear_cookies(name="sessionid")
    scan(page, sscc(1))
    expect(page.locator("[data-waiting]")).to_contain_text("Scans to send: 1.")
    expect(page.locator("[data-answer-box] .storenumber")).to_contain_text("0417")
    page.get_by_role("link", name="You are signed out. Sign in again to send them.").click()
    page.locator("[name=username]").fill(trailer.receiver.username)
    page.locator("[name=password]").fill(PASSWORD)
    assert not Scan.objects.exists()
    page.get_by_role("button", name="Sign in").click()
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
    all_arrived(page)
    assert Scan.objects.get().how == "typed"


def test_taking_back_is_in_line_with_the_scans(count_page):
    page = count_page()
    scan(page, sscc(1), sscc(2))
    page.get_by_role("button", name="Take back my last count").click()
    expect(page.locator("[data-answer-box]")).to_contain_text("Taken back")
    expect(page.locator("[data-last] li").first).to_contain_text("taken back")
    expect(figure(page, "Counted")).to_have_text("1")
    expect(page.locator("input.scan")).to_be_focused()
    until(page, lambda: Carton.objects.get(label=sscc(2)).received == 0)


def test_taps_count_in_place_however_fast(count_page):
    page = count_page("count/tally/")
    row = page.locator(".tallyrow").first
    for _ in range(4):
        row.get_by_role("button", name="5 more for store 0105").click()
    expect(row).to_contain_text("20 / 20")
    until(page, lambda: TallyTap.objects.count() == 4)
    assert sum(TallyTap.objects.values_list("count", flat=True)) == 20


# --- without a network ------------------------------------------------------------------------------------------------


def answer(page):
    return page.locator("[data-answer-box] .answer")


def test_without_a_network_the_store_is_told_at_once_and_the_page_says_which_list_it_is_from(count_page):
    page = count_page()
    ready(page)
    page.context.set_offline(True)
    expect(page.locator("[data-netmark]")).to_contain_text("offline")
    scan(page, sscc(2))
    expect(answer(page).locator(".storenumber")).to_contain_text("0105")
    expect(answer(page)).to_contain_text("Offline, list of")
    scan(page, sscc(2))
    expect(answer(page)).to_contain_text("Already counted")
    expect(answer(page)).to_contain_text("by Receiver")
    scan(page, sscc(2)[:-1] + "3")
    expect(answer(page)).to_contain_text("was misread somewhere")
    expect(figure(page, "Counted")).to_have_text("1")
    expect(figure(page, "Missing")).to_have_text("39")
    expect(page.locator("[data-waiting]")).to_contain_text("Scans to send: 3.")
    assert not Scan.objects.exists()
    page.context.set_offline(False)
    until(page, lambda: Scan.objects.count() == 3)
    all_arrived(page)
    assert list(Scan.objects.order_by("pk").values_list("result", flat=True)) == ["counted", "already", "bad_label"]
    expect(answer(page).locator(".listnote")).to_have_count(0)


def test_what_the_phone_said_and_the_server_knew_better_is_shown_until_it_is_seen(count_page, trailer):
    page = count_page()
    ready(page)
    page.context.set_offline(True)
    scan(page, sscc(1))
    expect(answer(page)).to_contain_text("Counted")
    other = make_person(Role.RECEIVER, trailer.site, last_name="Else")
    counting.scan(trailer, reads=[counting.Read(sscc(1))], actor=other, at=timezone.now())
    page.context.set_offline(False)
    expect(answer(page)).to_contain_text("Already counted")
    expect(answer(page)).to_contain_text("This phone had said: Counted → 0417.")
    assert page.evaluate("window.buzzed.at(-1)") == "40 40 120"
    expect(page.locator("[data-last] li").first).to_contain_text("answered otherwise later")
    row = page.locator("[data-otherwise] li")
    expect(row).to_contain_text("Already counted → 0417")
    expect(figure(page, "Counted")).to_have_text("1")
    page.reload()
    expect(row).to_be_visible()
    row.get_by_role("button", name="Seen").click()
    expect(page.locator("[data-otherwise]")).to_be_hidden()
    page.reload()
    ready(page)
    expect(page.locator("[data-otherwise]")).to_be_hidden()


def test_a_scan_that_waits_is_taken_back_without_a_word_to_the_server(count_page):
    page = count_page()
    ready(page)
    page.context.set_offline(True)
    scan(page, sscc(1))
    expect(figure(page, "Counted")).to_have_text("1")
    page.evaluate(TRY_ALL)  # in vain: from here on the phone knows, and the next scan is not on its way at all
    scan(page, sscc(2))
    expect(figure(page, "Counted")).to_have_text("2")
    page.get_by_role("button", name="Take back my last count").click()
    expect(answer(page)).to_contain_text("Taken back")
    expect(figure(page, "Counted")).to_have_text("1")
    scan(page, sscc(2))
    expect(answer(page)).to_contain_text("Counted")
    page.context.set_offline(False)
    until(page, lambda: Scan.objects.count() == 2)
    all_arrived(page)
    assert list(Scan.objects.order_by("pk").values_list("label", "undoes")) == [(sscc(1), None), (sscc(2), None)]


def test_a_scan_that_has_arrived_is_taken_back_without_a_network(count_page):
    page = count_page()
    scan(page, sscc(1), sscc(2))
    all_arrived(page)
    page.context.set_offline(True)
    page.get_by_role("button", name="Take back my last count").click()
    expect(figure(page, "Counted")).to_have_text("1")
    scan(page, sscc(2))
    expect(answer(page)).to_contain_text("Counted")
    page.context.set_offline(False)
    until(page, lambda: Scan.objects.count() == 4)
    assert Carton.objects.get(label=sscc(2)).received == 1
    assert [scan.undoes_id is None for scan in Scan.objects.order_by("pk")] == [True, True, False, True]


def test_many_scans_that_waited_go_in_few_posts_and_in_order(count_page):
    page, posts = count_page(), []
    ready(page)
    page.context.set_offline(True)
    labels = [sscc(n) for n in range(1, 41)] + [sscc(n) for n in range(1, 41)]
    scan(page, *labels)
    expect(page.locator("[data-waiting]")).to_contain_text("Scans to send: 80.")
    page.on("request", lambda request: posts.append(request.url) if request.url.endswith("/count/scan/") else None)
    page.context.set_offline(False)
    until(page, lambda: Scan.objects.count() == 80, 30)
    assert list(Scan.objects.order_by("pk").values_list("label", flat=True)) == labels
    assert len(posts) <= 4
    all_arrived(page)
    expect(figure(page, "Counted")).to_have_text("40")
    expect(page.locator("[data-otherwise]")).to_be_hidden()


def test_of_many_that_are_refused_each_stays_with_its_sentence(count_page, trailer):
    page = count_page()
    ready(page)
    page.context.set_offline(True)
    scan(page, sscc(1), sscc(2), sscc(3))
    dock.pause(trailer, held_by="guard", actor=trailer.receiver, at=NOON)
    page.context.set_offline(False)
    expect(page.locator("[data-last] li", has_text="Not counted")).to_have_count(3)
    expect(answer(page)).to_contain_text("Unload again before you count.")
    expect(figure(page, "Counted")).to_have_text("0")
    assert not Scan.objects.exists()


def test_the_browser_closed_in_between_loses_nothing_and_knows_what_it_counted(count_page, trailer):
    page = count_page(service_workers="allow")
    ready(page)
    kept = f"caches.match('/NOR/trailer/{trailer.number}/cartons.json').then(Boolean)"
    until(page, lambda: page.evaluate(kept))
    scan(page, sscc(1))
    all_arrived(page)
    page.context.set_offline(True)
    scan(page, sscc(2))
    expect(answer(page)).to_contain_text("Offline, list of")
    page.close()
    again = page.context.new_page()
    again.goto(f"/NOR/trailer/{trailer.number}/count/")
    expect(again.locator("[data-last] li")).to_have_count(2)
    expect(figure(again, "Counted")).to_have_text("2")
    for label in (sscc(1), sscc(2)):
        scan(again, label)
        expect(answer(again)).to_contain_text("Already counted")
    page.context.set_offline(False)
    until(again, lambda: Scan.objects.count() == 4)
    assert sorted(Scan.objects.values_list("result", flat=True)) == ["already", "already", "counted", "counted"]


def test_a_pallet_is_chosen_without_a_network(count_page, trailer):
    stores = {store.number: store for store in Store.objects.all()}
    for number in ("0417", "0105"):
        counting.open_pallet(trailer.site, store=stores[number], uuid=uuid4(), actor=trailer.receiver, at=NOON)
    page = count_page()
    ready(page)
    page.context.set_offline(True)
    page.get_by_label("Put cartons on pallet").select_option("1")
    scan(page, sscc(1))
    expect(answer(page)).to_contain_text("L-1")
    scan(page, sscc(2))
    expect(answer(page)).to_contain_text("Wrong pallet")
    expect(answer(page)).to_contain_text("It goes to store 0105: pallet L-2.")
    page.context.set_offline(False)
    until(page, lambda: Scan.objects.count() == 2)
    assert Carton.objects.get(label=sscc(1)).pallet.number == 1


def test_where_the_browser_keeps_nothing_the_page_sends_by_itself(count_page):
    page = count_page(script="delete window.indexedDB; Object.defineProperty(window, 'indexedDB', {value: undefined})")
    scan(page, sscc(1), sscc(2))
    expect(figure(page, "Counted")).to_have_text("2")
    until(page, lambda: Scan.objects.count() == 2)
    page.get_by_role("button", name="Take back my last count").click()
    expect(figure(page, "Counted")).to_have_text("1")
    until(page, lambda: Scan.objects.count() == 3)


def test_taps_without_a_network_move_the_figure_and_are_taken_back(count_page):
    page = count_page("count/tally/")
    row = page.locator(".tallyrow").first
    row.get_by_role("button", name="5 more for store 0105").click()
    until(page, lambda: TallyTap.objects.count() == 1)
    page.context.set_offline(True)
    row.get_by_role("button", name="10 more for store 0105").click()
    expect(row).to_contain_text("15 / 20")
    undo = page.get_by_role("button", name="Take back my last tap")
    undo.click()
    expect(row).to_contain_text("5 / 20")
    undo.click()
    expect(row).to_contain_text("0 / 20")
    row.get_by_role("button", name="1 more for store 0105").click()
    expect(row).to_contain_text("1 / 20")
    assert TallyTap.objects.count() == 1
    page.context.set_offline(False)
    until(page, lambda: list(TallyTap.objects.order_by("pk").values_list("count", flat=True))[-2:] == [-5, 1])
    expect(row).to_contain_text("1 / 20")
    assert sum(TallyTap.objects.values_list("count", flat=True)) == 1


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
