"""Every dock page as a hand in a glove meets it, at 390 px and at 1280 px: axe, the size of targets, width, weight."""

import json
import uuid
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.test import Client
from django.urls import reverse

from receiving import discrepancies, dock, phones
from receiving.enums import ArrivalState, Kind
from receiving.models import Arrival, Person
from tests import world
from tests.browser.weights import MOST_BYTES, weight
from tests.builders import NOON, make_account, make_arrival, make_cartons, make_seal, sscc
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)
AXE = (Path(__file__).parent.parent / "vendor" / "axe.min.js").read_text()
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
MORE_RULES = {"color-contrast-enhanced": {"enabled": True}, "target-size": {"enabled": True}}
DESK_PAGES = {"load_list", "pieces"}  # read at a desk, by a mouse: axe's own size of targets is enough
DEVICES = {"phone": PHONE, "desk": DESK}

# name of the address: what reverse() needs besides the site; a word after the name tells two states of one page apart
PAGES = {
    "doors": "",
    "trailer_new": "",
    "trailer": "trailer",
    "trailer expected": "expected",
    "trailer at_door": "at_door",
    "trailer unloading": "unloading",
    "trailer released": "released",
    "arrive": "expected",
    "trailer_edit": "trailer",
    "trailer_cancel": "expected",
    "trailer_photos": "released",
    "shipment_new": "trailer",
    "shipment_edit": "trailer shipment",
    "refuse_rest": "unloading bill",
    "take_back": "unloading bill",
    "seal_new": "at_door",
    "unsealed": "at_door",
    "seal": "trailer seal",
    "seal_correct": "trailer seal",
    "safety": "at_door",
    "incident": "trailer",
    "unload": "at_door",
    "pause": "unloading",
    "resume": "paused",
    "count_end": "unloading",
    "count_again": "trailer",
    "refuse_whole": "at_door",
    "load_list": "trailer shipment",
    "count": "unloading",
    "count_tally": "unloading",
    "count_file": "unloading",
    "pallets": "",
    "log": "",
    "log_trailer": "unloading",
    "piece": "piece",
    "piece set_aside": "set_aside",
    "piece_complete": "set_aside",
    "piece_amend": "piece",
    "piece_void": "piece",
    "piece_attribute": "piece",
    "piece_finding": "piece",
    "piece_dispose": "piece",
    "piece_store_report late": "late",
    "piece_found": "short",
    "square": "unloading",
    "square counted": "trailer",
    "release": "trailer",
    "reopen": "released",
    "sheet": "sheet",
    "pieces": "",
    "search": "",
    "outbox": "",
    "handed_in": "",
    "handed_in_one": "handed_in",
    "outbox_file": "",
    "release phone": "unheard",
    "sheet late": "late_sheet",
}

# Everything that is pressed, as large as the line or the tile that takes the press for it.
TARGETS = """
() => {
  const PRESSED = 'a[href], button, input, select, textarea, summary'
  const drawn = element => element.checkVisibility({visibilityProperty: true, opacityProperty: true})
  const inText = element => element.matches('a') && getComputedStyle(element).display === 'inline'
  const own = element => {
    const hidden = element.matches('[type=file]') && element.offsetHeight < 10
    const line = (hidden || element.matches('[type=checkbox], [type=radio]'))
      && (element.closest('label') || document.querySelector(`label[for="${element.id}"]`))
    return line || element
  }
  const found = new Set()
  for (const element of document.querySelectorAll(`:is(main, header) :is(${PRESSED})`)) {
    if (element.type === 'hidden') continue
    const target = own(element)
    if (drawn(target) && !inText(target)) found.add(target)
  }
  return [...found].map(element => {
    const {x, y, width, height} = element.getBoundingClientRect()
    const name = element.outerHTML.slice(0, 90)
    return {name, x, y, width, height, main: element.matches('.main, .tile, .doortile a'),
      head: Boolean(element.closest('header'))}
  }).filter(({width, height}) => width > 1 && height > 1)
}
"""


# Pages whose form refuses an empty post; the names are those of PAGES.
FORMS = [
    "trailer_new",
    "arrive",
    "trailer_cancel",
    "shipment_new",
    "refuse_rest",
    "take_back",
    "seal_new",
    "unsealed",
    "seal_correct",
    "pause",
    "refuse_whole",
    "log_trailer",
    "piece_complete",
    "piece_amend",
    "piece_void",
    "piece_finding",
    "piece_dispose",
    "reopen",
]
# The form as if nothing had been filled in, past the scripts that would hold it back.
EMPTY_POST = """
() => {
  const open = field => field.matches('main :is(input:not([type=hidden]), textarea, select)')
  const asks = form => [...form.elements].some(open)
  const form = [...document.querySelectorAll('main form[method=post]')].find(asks)
  for (const field of form.elements) {
    if (field.type === 'hidden' || field.type === 'submit') continue
    if (field.type === 'checkbox' || field.type === 'radio') field.checked = false
    else if (field.tagName === 'SELECT') field.selectedIndex = -1
    else if (field.type !== 'file') field.value = ''
  }
  form.submit()
}
"""
# Words that are broken in their middle, and text that its box cuts off. Identifiers may break: they are grouped.
CUT = """
() => {
  const shown = element => element.checkVisibility({visibilityProperty: true, opacityProperty: true})
  const unseen = element => {
    for (let box = element; box && box !== document.body; box = box.parentElement) {
      if (getComputedStyle(box).display !== 'inline' && box.offsetWidth < 2) return true
    }
    return false
  }
  const found = new Set()
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT)
  while (walker.nextNode()) {
    const node = walker.currentNode, element = node.parentElement
    if (!shown(element) || element.closest('.id, script, style, option, .sr, svg') || unseen(element)) continue
    const where = element.outerHTML.slice(0, 90)
    for (const {0: word, index} of node.data.matchAll(/[\\p{L}]{3,}/gu)) {
      const range = document.createRange()
      range.setStart(node, index)
      range.setEnd(node, index + word.length)
      const boxes = [...range.getClientRects()].filter(box => box.width > 0)
      if (boxes.some(box => Math.abs(box.top - boxes[0].top) > 4)) found.add(`${word} is broken in ${where}`)
    }
    for (let box = element; box && box !== document.body; box = box.parentElement) {
      const {display, overflowX} = getComputedStyle(box)
      if (display === 'inline' || !['hidden', 'clip'].includes(overflowX)) continue
      if (box.scrollWidth > box.clientWidth + 1) found.add(`cut off: ${box.outerHTML.slice(0, 90)}`)
      break
    }
  }
  return [...found]
}
"""


@pytest.fixture
def dock_world(live_server):
    built = world.build()
    lead = Person.objects.get(username="lead")
    site = Arrival.objects.get(number=built.records["trailer"], site__code="NOR").site
    numbers = built.records

    def trailer(name, state, **facts):
        arrival = make_arrival(site, actor=lead, state=state, pieces=4, **facts)
        numbers[name] = arrival.number
        return arrival

    trailer("expected", ArrivalState.EXPECTED)
    at_door = trailer("at_door", ArrivalState.AT_DOOR)
    make_seal(at_door, actor=lead)
    paused = trailer("paused", ArrivalState.UNLOADING)
    dock.pause(paused, held_by="the gate", actor=lead, at=NOON)
    unloading = trailer("unloading", ArrivalState.UNLOADING)
    bill = unloading.shipments.get()
    numbers["bill"] = bill.pk
    make_cartons(bill, 4, start=900)
    who = {"actor": lead, "at": NOON}
    dock.refuse_rest(bill, uuid=uuid.uuid4(), pieces=1, reason="crushed against the wall", **who)
    numbers["short"] = discrepancies.declare_short(bill, cartons=bill.cartons.all()[:1], **who)[0].number
    numbers["set_aside"] = discrepancies.set_aside(unloading, uuid=uuid.uuid4(), note="wet", **who).number
    on_phones(trailer, site, lead, numbers)
    client = Client()
    client.force_login(lead)
    cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value, "path": "/"}
    return numbers, cookie | {"domain": urlsplit(live_server.url).hostname}


def on_phones(trailer, site, lead, numbers):
    """A counted trailer with a phone not heard of, and a sheet that no longer stands."""
    unheard = trailer("unheard", ArrivalState.COUNTED)
    kept = {"phone": str(uuid.uuid4()), "name": "Android", "waiting": {unheard.number: 2}}
    phones.report(site, lead, phones.read_report(json.dumps(kept)), at=NOON)
    gone, late_sheet = world.let_go(site, lead, make_account("Late Home Stores"))
    numbers["late_sheet"] = late_sheet.number
    discrepancies.record(
        gone,
        uuid=uuid.uuid4(),
        kind=Kind.OVER,
        facts={"label": sscc(990)},
        actor=lead,
        at=NOON,
        found_at=gone.released_at - timedelta(minutes=5),
    )


def address(name, needs, numbers):
    return reverse(name.split()[0], args=["NOR", *(numbers[need] for need in needs.split())])


@pytest.mark.parametrize("device", DEVICES)
def test_every_dock_page(open_page, dock_world, device):
    numbers, cookie = dock_world
    page = open_page(**DEVICES[device])
    page.context.add_cookies([cookie])
    problems, reached = {}, 0
    for name, needs in PAGES.items():
        page.set_viewport_size(DEVICES[device]["viewport"])
        answer = page.goto(address(name, needs, numbers))
        assert answer.status == 200, name
        found = [*too_heavy(page), *too_wide(page, DEVICES[device]["viewport"]["width"])]
        if device == "phone":
            reached += page.locator(".actionbar .main:visible").count()
            found += out_of_reach(page)
        # As tall as the page: the action bar is fixed and would cover what lies under it.
        height = page.evaluate("document.documentElement.scrollHeight")
        page.set_viewport_size({"width": DEVICES[device]["viewport"]["width"], "height": height + 120})
        found += [*findings(page), *dark(page)]
        found += targets(page) if name not in DESK_PAGES else ()
        if found:
            problems[name] = found
    assert not problems, "\n".join(f"{name}: {each}" for name, found in problems.items() for each in found)
    assert device == "desk" or reached > 20


def test_every_form_with_its_errors(open_page, dock_world):
    """Light and dark: the summary on top, what it names, and everything as large and as clear as before."""
    numbers, cookie = dock_world
    page = open_page(**PHONE)
    page.context.add_cookies([cookie])
    problems = {}
    for name in FORMS:
        page.set_viewport_size(PHONE["viewport"])
        page.goto(address(name, PAGES[name], numbers))
        assert page.locator("main form[method=post]").count(), name
        with page.expect_navigation():
            page.evaluate(EMPTY_POST)
        if not page.locator("main .errorsummary").count():
            problems[name] = [f"no summary of errors: {page.locator('main').inner_text()[:100]}"]
            continue
        height = page.evaluate("document.documentElement.scrollHeight")
        page.set_viewport_size({"width": PHONE["viewport"]["width"], "height": height + 120})
        found = [*too_wide(page, PHONE["viewport"]["width"]), *findings(page), *targets(page), *dark(page)]
        if found:
            problems[name] = found
    assert not problems, "\n".join(f"{name}: {each}" for name, found in problems.items() for each in found)


def test_in_spanish_no_word_is_cut(open_page, dock_world):
    numbers, cookie = dock_world
    Person.objects.filter(username="lead").update(language="es")
    page = open_page(**PHONE)
    page.context.add_cookies([cookie])
    problems = {}
    for name, needs in PAGES.items():
        page.goto(address(name, needs, numbers))
        assert page.locator("html").get_attribute("lang") == "es"
        for width in (320, 360, 390):
            page.set_viewport_size({"width": width, "height": 844})
            if found := [*too_wide(page, width), *page.evaluate(CUT)]:
                problems[f"{name} at {width}"] = found
    assert not problems, "\n".join(f"{name}: {each}" for name, found in problems.items() for each in found)


def out_of_reach(page):
    """Main actions that a thumb does not reach: not in the lower half, or not on screen, or narrow."""
    width, height = PHONE["viewport"]["width"], PHONE["viewport"]["height"]
    for button in page.locator(".actionbar .main:visible").all():
        box = button.bounding_box()
        if box["y"] < height / 2 or box["y"] + box["height"] > height + 1 or box["width"] < 0.4 * width:
            yield "out of reach", box


def dark(page):
    """What the eye of axe finds at night: contrast only, all else is as by day."""
    page.emulate_media(color_scheme="dark")
    rules = ["color-contrast", "color-contrast-enhanced"]
    result = page.evaluate("rules => axe.run(document, {runOnly: {type: 'rule', values: rules}})", rules)
    page.emulate_media(color_scheme="light")
    for rule in result["violations"]:
        yield "dark", rule["id"], [node["target"] for node in rule["nodes"]][:4]


def too_heavy(page):
    html, parts = weight(page)
    assert len(parts) >= 2
    if html + sum(parts.values()) >= MOST_BYTES:
        yield f"{html + sum(parts.values())} bytes: {html} and {parts}"


def too_wide(page, screen):
    wide = page.evaluate("document.documentElement.scrollWidth")
    if wide > screen:
        yield f"{wide} px wide on a screen of {screen} px"


def findings(page):
    page.evaluate(AXE)
    options = {"runOnly": {"type": "tag", "values": [*LEVELS, "wcag2aaa"]}, "rules": MORE_RULES}
    options["rules"] |= {name: {"enabled": False} for name in ("identical-links-same-purpose",)}
    result = page.evaluate("options => axe.run(document, options)", options)
    for rule in result["violations"]:
        yield (
            rule["id"],
            [(node["target"], node["any"][0]["message"][:150] if node["any"] else "") for node in rule["nodes"]][:4],
        )


def targets(page):
    found = page.evaluate(TARGETS)
    assert found
    for each in found:
        least = 64 if each["main"] else 48
        if each["height"] < least - 0.5:
            yield f"{each['height']:.0f} px high, {least} wanted: {each['name']}"
    for number, one in enumerate(found):
        for other in found[number + 1 :]:
            if one["head"] and other["head"]:
                continue
            if (gap := distance(one, other)) is not None and gap < 7.5:
                yield f"{gap:.0f} px apart: {one['name']} | {other['name']}"


def distance(one, other):
    """Pixels between two boxes; None where one lies in the other."""
    across = max(one["x"], other["x"]) - min(one["x"] + one["width"], other["x"] + other["width"])
    down = max(one["y"], other["y"]) - min(one["y"] + one["height"], other["y"] + other["height"])
    if across < 0 and down < 0:
        inside = min(one["width"], other["width"]), min(one["height"], other["height"])
        return None if -across >= inside[0] - 1 and -down >= inside[1] - 1 else 0
    return max(across, down)
