"""What every page does, in a real browser: errors take the focus, keys, the theme, one sending per form."""

import re
from pathlib import Path

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from tests.builders import PASSWORD, make_person
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)
AXE = (Path(__file__).parent.parent / "vendor" / "axe.min.js").read_text()
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def findings(page):
    page.evaluate(AXE)
    rules = page.evaluate("levels => axe.run(document, {runOnly: {type: 'tag', values: levels}})", LEVELS)
    return [(rule["id"], [node["target"] for node in rule["nodes"]]) for rule in rules["violations"]]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_nothing_on_the_way_in(open_page, device, scheme):
    page = open_page(**device, color_scheme=scheme)
    page.goto(reverse("login"))
    assert findings(page) == []
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator(".errorsummary")).to_be_visible()
    assert findings(page) == []


def test_the_first_faulty_field_has_the_focus_and_every_error_leads_to_its_field(open_page):
    page = open_page(**PHONE)
    page.goto(reverse("login"))
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator("#id_username")).to_be_focused()
    page.locator(".errorsummary a").nth(1).click()
    expect(page.locator("#id_password")).to_be_focused()


def test_an_error_of_the_whole_form_is_read_first(open_page):
    page = open_page(**PHONE)
    page.goto(reverse("login"))
    page.locator("#id_username").fill("ana")
    page.locator("#id_password").fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator(".errorsummary")).to_be_focused()
    expect(page.locator("#id_username")).to_have_value("ana")


def test_a_form_is_sent_once_however_often_it_is_tapped(open_page):
    page = open_page(**PHONE)
    page.goto(reverse("login"))
    sent = []

    def receive(route):
        if route.request.method != "POST":
            return route.continue_()
        sent.append(route.request.post_data)
        return route.fulfill(status=204)

    page.route(re.compile("/login/"), receive)
    page.locator("#id_username").fill("ana")
    page.locator("#id_password").fill("x")
    button = page.get_by_role("button", name="Sign in")
    button.click()
    expect(button).to_be_disabled()
    page.locator("#id_password").press("Enter")
    page.wait_for_timeout(200)
    assert len(sent) == 1


def signed_in(open_page, **options):
    person = make_person(username="ana")
    page = open_page(**options)
    page.goto(reverse("login"))
    page.locator("#id_username").fill(person.username)
    page.locator("#id_password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator("header details.menu")).to_be_visible()
    return page


def test_the_menu_switches_theme_and_sound_and_remembers_both(open_page):
    page = signed_in(open_page, **DESK, color_scheme="light")
    menu = page.locator("header details.menu summary").last
    menu.click()
    page.get_by_role("button", name="Light or dark").click()
    page.get_by_role("button", name="Sound is on").click()
    page.keyboard.press("Escape")
    expect(menu).to_be_focused()
    page.reload()
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(15, 18, 19)"
    menu.click()
    expect(page.get_by_role("button", name="Sound is off")).to_be_visible()
