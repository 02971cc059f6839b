"""The list of dates and the calendar's page in a real browser: axe, width, weight; the whole way without JavaScript."""

from urllib.parse import urlsplit

import pytest
from django.test import Client
from django.utils import timezone
from playwright.sync_api import expect

from claims.enums import FactKind
from tests.browser.test_claim_pages import LIGHTEST, enter, findings
from tests.builders import make_account, make_carrier, make_person, make_site
from tests.claims.builders import make_load
from tests.claims.dated import days, draft, filed, make_dated_terms, make_letter, make_note
from tests.claims.fact_builders import make_fact
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def claim(site, clerk):
    """Something late, something near, something without a date, an hour; with long names."""
    make_dated_terms()
    now = timezone.now()
    long = {
        "account": make_account("Quillwood and Larkmeadow Household Goods Incorporated"),
        "carrier": make_carrier("Overland Intercontinental Consolidated Freightways of Elm Grove"),
    }
    claim = filed(site, clerk, at=now - days(40), **long)
    make_fact(claim, FactKind.PAPERS_ASKED, actor=clerk, on=(now - days(3)).date(), at=now)
    make_letter(draft(site, clerk, at=now - days(300), **long), clerk, sent=False)
    make_note(make_load(site, actor=clerk, at=now, bill_date=None).arrival, clerk, at=now)
    return claim


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(open_page, claim, device, scheme):
    page = open_page(**device, color_scheme=scheme)
    enter(page, "/NOR/due/")
    for address in (
        "/NOR/due/",
        "/NOR/due/?when=late",
        "/NOR/due/?who=x",
        "/NOR/due/calendar/",
        claim.get_absolute_url(),
    ):
        answer = page.goto(address)
        assert len(answer.body()) < LIGHTEST, address
        assert findings(page) == [], address
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), address


def test_an_address_for_the_calendar_is_made_and_ended_without_javascript(open_page, claim):
    page = open_page(**PHONE, java_script_enabled=False)
    enter(page, "/NOR/due/")
    page.get_by_role("link", name="As a calendar").click()
    page.get_by_role("button", name="Make an address").click()
    expect(page.get_by_text("shown this once")).to_be_visible()
    address = urlsplit(page.locator(".address").inner_text()).path
    assert Client().get(address).content.startswith(b"BEGIN:VCALENDAR")
    page.get_by_role("button", name="End the address").click()
    expect(page.get_by_text("The address is dead")).to_be_visible()
    assert Client().get(address).status_code == 404


def test_the_filter_works_without_javascript_and_stands_in_the_address(open_page, claim):
    page = open_page(**DESK, java_script_enabled=False)
    enter(page, "/NOR/due/")
    page.get_by_label("Whose date").select_option("carrier")
    page.get_by_role("button", name="Show these").click()
    assert "binds=carrier" in page.url
    expect(page.locator(".duerows tbody tr")).to_have_count(2)
    expect(page.locator(".duerows tbody tr").first).to_contain_text("no date")
