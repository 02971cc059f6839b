"""The dock's pages as an app on a phone, in a real browser: kept by one visit, whole offline, one person's own."""

import json
import re
import time
import uuid

import pytest
from django.test import Client
from playwright.sync_api import expect

from receiving import discrepancies, shell
from receiving.enums import ArrivalState, Role
from receiving.models import Arrival, Membership
from tests.browser.test_base import findings
from tests.builders import NOON, PASSWORD, make_arrival, make_cartons, make_person, make_site
from tests.conftest import CHROMIUM_ARGS, PHONE, chromium_path

pytestmark = pytest.mark.django_db(transaction=True)

# One question to the worker and its answer.
ASK = """
message => navigator.serviceWorker.ready.then(({active}) => new Promise(resolve => {
  const {port1, port2} = new MessageChannel()
  port1.onmessage = ({data}) => resolve(data)
  active.postMessage(message, [port2])
}))
"""


@pytest.fixture
def site():
    site = make_site("NOR")
    site.ana = make_person(Role.RECEIVER, site, "ana")
    site.ben = make_person(Role.LEAD, site, "ben")
    site.trailer = make_arrival(site, actor=site.ana, state=ArrivalState.UNLOADING, pieces=6)
    make_cartons(site.trailer.shipments.get(), 6)
    site.waiting = make_arrival(site, actor=site.ana, state=ArrivalState.AT_DOOR)
    return site


@pytest.fixture
def dock_phone(open_page, site):
    return open_page(**PHONE, service_workers="allow")


def sign_in(page, username):
    page.goto("/login/")
    page.locator("#id_username").fill(username)
    page.locator("#id_password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name="Doors", exact=True)).to_be_visible()


def keep(page, site="NOR"):
    """Wait until the phone has what one visit brings it."""
    page.evaluate(ASK, {"type": "keep", "site": site})


def kept(page):
    return [each["address"] for each in page.evaluate(ASK, {"type": "list"})["pages"]]


def visit(page, username="ana"):
    sign_in(page, username)
    keep(page)


def caches(page):
    return page.evaluate("caches.keys()")


def put(page, **record):
    """A record in the outbox of this phone that cannot leave it: its photo too, if it has one."""
    page.evaluate(
        """async record => {
          const box = await import('/static/receiving/js/outbox.js')
          if (record.photo) {
            record.files = [new File([new Uint8Array(2000)], 'one.jpg', {type: 'image/jpeg'})]
            delete record.photo
          }
          await box.put(record)
        }""",
        {"kind": "step", "url": "/NOR/trailer/1/safety/", "title": "Safety looks", "fields": []} | record,
    )


def test_after_one_visit_every_page_of_the_dock_opens_without_a_network(dock_phone, site):
    page = dock_phone
    visit(page)
    client = Client()
    client.force_login(site.ana)
    wanted = [address for address, _version in client.get("/NOR/phone/pages/").json()["pages"]]
    page.context.set_offline(True)
    failed = []
    page.on("requestfailed", lambda request: failed.append(request.url))
    for address in wanted:
        if address.endswith(".json") or "?kind=" in address and "?kind=seal" not in address:
            continue
        answer = page.goto(address)
        assert (answer.status, answer.from_service_worker) == (200, True), address
        expect(page.locator("html")).to_have_attribute("data-kept", re.compile(r"^20"))
        expect(page.locator("[data-kept-notice]")).to_contain_text("No network.")
        assert page.evaluate("document.styleSheets[0].cssRules.length") > 20
        assert answer.header_value("content-security-policy"), "a kept page has the policy it came with"
    # The browser fetches the tab's picture by itself.
    assert [url for url in failed if "/static/" in url and not url.endswith("icon.svg")] == []
    assert set(wanted) == set(kept(page)) | {address for address in wanted if address.endswith(".json")}


def expect_kept(page):
    expect(page.locator("[data-kept-at]")).to_have_js_property("hidden", False, timeout=20000)


def test_all_is_kept_though_the_first_page_is_left_at_once(dock_phone, site):
    page = dock_phone
    sign_in(page, "ana")
    page.goto(f"/NOR/trailer/{site.trailer.number}/")
    expect_kept(page)
    page.context.set_offline(True)
    assert page.goto(f"/NOR/trailer/{site.waiting.number}/log/").from_service_worker


def test_all_is_kept_though_the_network_goes_before_it_is_and_comes_back(dock_phone):
    page = dock_phone
    sign_in(page, "ana")
    page.context.set_offline(True)
    expect(page.locator("[data-netmark]")).to_have_text(re.compile("offline"))
    expect(page.locator("[data-kept-at]")).to_have_js_property("hidden", True)
    page.wait_for_timeout(2000)
    page.context.set_offline(False)
    expect_kept(page)


def test_what_is_not_kept_leads_to_what_is(dock_phone):
    page = dock_phone
    visit(page)
    page.context.set_offline(True)
    page.goto("/NOR/pieces/")
    expect(page.get_by_role("heading", name="No network")).to_be_visible()
    page.get_by_role("link", name=re.compile("^Count trailer")).click()
    expect(page.locator("input.scan")).to_be_visible()
    expect(page.locator("[data-netmark]")).to_have_text(re.compile("offline"))


def test_the_home_screen_opens_the_doors_without_a_network_and_a_reload_keeps_them(dock_phone):
    page = dock_phone
    visit(page)
    page.context.set_offline(True)
    page.goto("/")
    expect(page.get_by_role("heading", name="Doors", exact=True)).to_be_visible()
    page.reload()
    expect(page.get_by_role("heading", name="Doors", exact=True)).to_be_visible()


def test_a_page_reloaded_past_the_worker_is_kept_again_from_the_next_on(dock_phone):
    page = dock_phone
    visit(page)
    page.context.new_cdp_session(page).send("Page.reload", {"ignoreCache": True})
    page.wait_for_function("navigator.serviceWorker.controller === null")
    expect(page.get_by_role("heading", name="Doors", exact=True)).to_be_visible()
    page.context.set_offline(True)
    page.goto("/NOR/doors/")
    expect(page.get_by_role("heading", name="Doors", exact=True)).to_be_visible()


def test_a_browser_that_was_closed_opens_its_pages_without_a_network(browser, live_server, site, tmp_path):
    def start():
        return browser.browser_type.launch_persistent_context(
            tmp_path,
            executable_path=chromium_path(),
            chromium_sandbox=False,
            args=CHROMIUM_ARGS,
            base_url=live_server.url,
            locale="en-US",
            **PHONE,
        )

    context = start()
    visit(context.pages[0])
    context.close()
    context = start()
    context.set_offline(True)
    page = context.pages[0]
    page.goto(f"/NOR/trailer/{site.trailer.number}/count/")
    expect(page.locator("input.scan")).to_be_visible()
    expect(page.locator("[data-kept-notice]")).to_contain_text("This page is as it was:")
    context.close()


def test_a_silent_server_is_waited_for_and_then_the_kept_page_shown(dock_phone):
    page = dock_phone
    visit(page)
    page.context.route("**/NOR/doors/", lambda route: route.abort("timedout"))
    answer = page.goto("/NOR/doors/")
    assert answer.from_service_worker
    expect(page.locator("[data-kept-words=back]")).to_be_visible()
    page.context.unroute("**/NOR/doors/")
    page.get_by_role("button", name="Show it as it is now").click()
    expect(page.locator("[data-kept-notice]")).to_be_hidden()


def test_a_kept_form_has_a_number_of_its_own_each_time_it_is_shown(dock_phone, site):
    page = dock_phone
    visit(page)
    page.context.set_offline(True)
    seen = set()
    for _turn in range(3):
        page.goto(f"/NOR/trailer/{site.trailer.number}/log/")
        expect(page.locator("[data-kept-notice]")).to_be_visible()
        seen |= set(page.eval_on_selector_all("input[name=uuid]", "fields => fields.map(field => field.value)"))
    assert len(seen) % 3 == 0
    assert len(seen) >= 3


def test_back_on_the_network_a_kept_form_gets_the_token_of_today(dock_phone, site):
    page = dock_phone
    visit(page)
    page.context.set_offline(True)
    page.goto(f"/NOR/trailer/{site.trailer.number}/pause/")
    old = page.locator("#content input[name=csrfmiddlewaretoken]").first.input_value()
    page.context.set_offline(False)
    expect(page.locator("[data-kept-words=back]")).to_be_visible()
    expect(page.locator("#content input[name=csrfmiddlewaretoken]").first).not_to_have_value(old)


def test_messages_are_shown_once_and_neither_kept_nor_eaten(dock_phone, site):
    page = dock_phone
    visit(page)
    page.goto(f"/NOR/trailer/{site.waiting.number}/safety/")
    page.get_by_role("checkbox").first.check()
    page.locator(".actionbar button").click()
    words = page.locator(".notice.warn", has_text="Still to look at")
    expect(words).to_be_visible()
    keep(page)
    page.context.set_offline(True)
    page.reload()
    expect(page.locator("[data-kept-notice]")).to_be_visible()
    expect(words).to_have_count(0)


def test_what_needs_the_network_says_so_and_works_again_when_it_is_back(dock_phone, site):
    page = dock_phone
    sign_in(page, "ben")
    keep(page)
    page.goto(f"/NOR/trailer/{site.trailer.number}/square/")
    page.context.set_offline(True)
    expect(page.locator("[data-kept-words=cut]")).to_contain_text("Squaring needs the network")
    button = page.get_by_role("button", name="I looked there")
    expect(button).to_be_disabled()
    page.context.set_offline(False)
    expect(button).to_be_enabled()
    expect(page.locator("[data-kept-notice]")).to_be_hidden()


def test_a_way_to_a_page_that_is_not_kept_is_shut_and_says_why(dock_phone, site):
    page = dock_phone
    visit(page)
    page.context.set_offline(True)
    page.goto("/NOR/doors/")
    shut = page.get_by_role("link", name="Expect a trailer")
    expect(shut).to_have_attribute("aria-disabled", "true")
    shut.click(force=True)
    expect(page.locator("[data-toasts]")).to_have_text("This needs the network.")
    expect(page).to_have_url(re.compile("/NOR/doors/$"))
    expect(page.locator(f"main a[href='/NOR/trailer/{site.trailer.number}/']")).not_to_have_attribute(
        "aria-disabled", "true"
    )
    page.context.set_offline(False)
    expect(shut).not_to_have_attribute("aria-disabled", "true")


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_without_a_network(open_page, site, scheme, language):
    site.ana.language = language
    site.ana.save()
    page = open_page(**PHONE, color_scheme=scheme, service_workers="allow")
    page.goto("/login/")
    page.locator("#id_username").fill("ana")
    page.locator("#id_password").fill(PASSWORD)
    page.locator("button.main").click()
    expect(page.locator("h1")).to_be_visible()
    keep(page)
    page.context.set_offline(True)
    found = {}
    for address in ("/NOR/doors/", "/NOR/pieces/", f"/NOR/trailer/{site.trailer.number}/square/"):
        page.goto(address)
        expect(page.locator("[data-kept-notice]:visible, [data-again]")).to_be_visible()
        page.wait_for_timeout(300)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        found[address] = findings(page)
    page.goto("/NOR/doors/")
    page.evaluate("document.querySelector('[data-sign-out-ask]').showModal()")
    found["dialog"] = findings(page)
    assert {address: each for address, each in found.items() if each} == {}


def test_a_trailer_that_left_leaves_the_phone(dock_phone, site):
    page = dock_phone
    visit(page)
    gone = f"/NOR/trailer/{site.waiting.number}/"
    assert gone in kept(page)
    Arrival.objects.filter(pk=site.waiting.pk).update(state=ArrivalState.REFUSED, closed_at=NOON)
    keep(page)
    assert [address for address in kept(page) if address.startswith(gone)] == []
    assert f"/NOR/trailer/{site.trailer.number}/" in kept(page)


def test_who_is_no_member_any_more_keeps_nothing_of_the_site(dock_phone, site):
    page = dock_phone
    visit(page)
    assert kept(page)
    Membership.objects.filter(person=site.ana).delete()
    keep(page)
    assert kept(page) == []


def test_a_changed_page_is_fetched_again_and_an_unchanged_one_is_not(dock_phone, site):
    page = dock_phone
    visit(page)
    fetched = []
    page.context.on("request", lambda request: fetched.append(request.url.split("/NOR/")[-1]))
    keep(page)
    assert [address for address in fetched if address.startswith("trailer")] == []
    piece = discrepancies.set_aside(site.trailer, uuid=uuid.uuid4(), note="wet", actor=site.ana, at=NOON)
    keep(page)
    assert f"/NOR/piece/{piece.number}/complete/" in kept(page)


# --- a new release ----------------------------------------------------------------------------------------------------


def test_a_new_release_takes_over_and_the_old_files_stay_while_a_page_uses_them(dock_phone, site, monkeypatch):
    page = dock_phone
    visit(page)
    old = shell.release()
    other = page.context.new_page()
    other.goto("/NOR/log/")
    other.evaluate(ASK, {"type": "hello", "release": old})
    monkeypatch.setattr(shell, "release", lambda: "b" * 16)
    page.goto(f"/NOR/trailer/{site.trailer.number}/")
    page.wait_for_function("caches.has('assets-bbbbbbbbbbbbbbbb')")
    page.wait_for_function("navigator.serviceWorker.ready.then(({installing, waiting}) => !installing && !waiting)")
    keep(page)
    assert f"assets-{old}" in caches(page), "the other page is still of the old release"
    releases = page.evaluate(
        """async () => {
          const cache = await caches.open((await caches.keys()).find(name => name.startsWith('pages-')))
          const kept = await Promise.all((await cache.keys()).map(request => cache.match(request)))
          return [...new Set(kept.map(({headers}) => headers.get('X-Release')).filter(Boolean))]
        }"""
    )
    assert releases == ["b" * 16]
    other.close()
    page.reload()
    page.wait_for_function(f"caches.has('assets-{old}').then(is => !is)")
    page.context.set_offline(True)
    page.goto("/NOR/doors/")
    assert page.evaluate("document.styleSheets[0].cssRules.length") > 20


def test_a_page_on_its_way_arrives_whatever_release_comes(dock_phone, site, monkeypatch):
    """A worker that took over while a page was on its way left it hanging."""
    page = dock_phone
    visit(page)
    monkeypatch.setattr(shell, "release", lambda: f"{int(time.time() / 3):016x}")
    places = ["/NOR/doors/", f"/NOR/trailer/{site.trailer.number}/", "/NOR/log/", "/NOR/search/", "/NOR/outbox/"]
    for place in places * 9:
        page.goto(place, timeout=10_000)
        page.wait_for_timeout(150)


def test_a_release_that_cannot_be_fetched_whole_changes_nothing(dock_phone, monkeypatch):
    page = dock_phone
    visit(page)
    monkeypatch.setattr(shell, "release", lambda: "c" * 16)
    monkeypatch.setattr(shell, "assets", lambda: ["/static/receiving/css/site.css", "/static/receiving/none.css"])
    failed = page.evaluate(
        """() => navigator.serviceWorker.ready.then(async registration => {
          await registration.update().catch(() => {})
          const worker = registration.installing
          if (!worker) return 'redundant'
          return new Promise(resolve => worker.addEventListener('statechange', () => resolve(worker.state)))
        })"""
    )
    assert failed == "redundant"
    page.context.set_offline(True)
    page.goto("/NOR/doors/")
    assert page.evaluate("document.styleSheets[0].cssRules.length") > 20


# --- several people, one phone ----------------------------------------------------------------------------------------


def test_the_next_person_sees_nothing_of_the_last_one(dock_phone, site):
    page = dock_phone
    visit(page)
    page.context.set_offline(True)
    page.goto("/NOR/doors/")
    put(page)
    page.context.set_offline(False)
    # Without signing out: her session ended, and another signs in.
    page.context.clear_cookies(name="sessionid")
    page.goto("/NOR/doors/")
    expect(page.locator("[data-unsent-here]")).to_have_text(re.compile("1 record. Sign in as Ana to send them."))
    page.context.set_offline(True)
    page.goto("/NOR/doors/")
    expect(page.get_by_role("heading", name="No network")).to_be_visible()
    expect(page.locator("[data-kept-none]")).to_be_visible()
    page.context.set_offline(False)
    expect(page.locator("#id_username")).to_be_visible()
    sign_in(page, "ben")
    assert caches(page).count(f"pages-{site.ana.pk}") == 0
    assert page.evaluate("import('/static/receiving/js/outbox.js').then(box => box.list())") == []
    assert page.evaluate("import('/static/receiving/js/outbox.js').then(box => box.counts())")["others"] == 1
    page.context.set_offline(True)
    page.goto(f"/NOR/trailer/{site.trailer.number}/")
    expect(page.get_by_role("heading", name="No network")).to_be_visible()


def sign_out(page):
    page.locator("header details.menu summary").last.click()
    page.get_by_role("button", name="Sign out").click()


def test_signing_out_takes_everything_off_the_phone(dock_phone, site):
    page = dock_phone
    visit(page)
    sign_out(page)
    expect(page.locator("#id_username")).to_be_visible()
    assert [name for name in caches(page) if name.startswith("pages-")] == []
    page.context.set_offline(True)
    page.goto("/NOR/doors/")
    expect(page.locator("[data-kept-none]")).to_be_visible()


def test_nobody_signs_out_of_unsent_records_by_accident(dock_phone, site):
    page = dock_phone
    visit(page)
    page.context.route("**/safety/", lambda route: route.abort())
    put(page)
    put(page, photo=True)
    sign_out(page)
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("1 record, 1 photo")
    dialog.get_by_role("button", name="Send them now").click()
    expect(dialog).to_contain_text("Not everything could be sent.")
    dialog.get_by_role("button", name="Stay signed in").click()
    assert page.evaluate("import('/static/receiving/js/outbox.js').then(box => box.list())") != []
    sign_out(page)
    lose = dialog.get_by_role("button", name="Sign out and lose them")
    expect(lose).to_be_disabled()
    dialog.get_by_label("I want to lose them").check()
    lose.click()
    expect(page.locator("#id_username")).to_be_visible()
    expect(page.locator("[data-unsent-here]")).to_be_hidden()
    assert page.evaluate("import('/static/receiving/js/outbox_store.js').then(store => store.all())") == []


def test_send_them_now_sends_and_signs_out(dock_phone, site):
    page = dock_phone
    visit(page)
    ticks = [["wheels_held", "on"], ["floor_looked_at", "on"], ["load_safe", "on"]]
    page.context.route("**/safety/", lambda route: route.abort())
    put(page, url=f"/NOR/trailer/{site.waiting.number}/safety/", fields=ticks)
    sign_out(page)
    page.context.unroute("**/safety/")
    page.get_by_role("dialog").get_by_role("button", name="Send them now").click()
    expect(page.locator("#id_username")).to_be_visible()
    site.waiting.refresh_from_db()
    assert site.waiting.is_safe_to_unload


def test_signing_out_needs_the_network(dock_phone):
    page = dock_phone
    visit(page)
    page.context.set_offline(True)
    expect(page.locator("[data-netmark] span")).to_be_visible()
    page.locator("header details.menu summary").last.click()
    expect(page.get_by_role("button", name="Sign out")).to_be_disabled()


# --- on the home screen -----------------------------------------------------------------------------------------------


def test_the_browser_finds_it_fit_to_be_installed(dock_phone):
    page = dock_phone
    visit(page)
    cdp = page.context.new_cdp_session(page)
    found = cdp.send("Page.getAppManifest")
    assert found["errors"] == []
    manifest = json.loads(found["data"])
    assert manifest["display"] == "standalone"
    # Chromium installs nothing from a window that keeps no history; nothing else may be wrong.
    errors = [error["errorId"] for error in cdp.send("Page.getInstallabilityErrors")["installabilityErrors"]]
    assert [error for error in errors if error != "in-incognito"] == []
    for icon in manifest["icons"]:
        answer = page.request.get(icon["src"])
        assert answer.ok
        side = int(icon["sizes"].split("x")[0])
        assert int.from_bytes(answer.body()[16:20]) == side, icon["src"]


def test_a_kept_page_is_painted_without_a_network(dock_phone, site):
    page = dock_phone
    visit(page)
    page.context.set_offline(True)
    page.goto(f"/NOR/trailer/{site.trailer.number}/count/")
    page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length")
    painted = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    print(f"first paint without a network: {painted:.0f} ms")
    assert painted < 10_000, "a page that waits for the network is painted after its patience"
