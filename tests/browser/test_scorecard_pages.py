"""Scorecards in a real browser, at 390 px and at 1280 px, light and dark: axe, width, weight; without JavaScript."""

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from claims import issuing
from claims.models import Scorecard
from tests.browser.test_claim_pages import LIGHTEST, enter, findings
from tests.builders import make_person, make_site
from tests.claims.cards import kept as small
from tests.claims.cards import make_card, make_message
from tests.claims.carriers import make_seven
from tests.claims.test_issuing import hurt
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def addresses():
    """Cards that stand, that differ now, that were restated."""
    site = make_site()
    # The name that `enter` signs in with.
    manager = make_person("manager", site, "clerk")
    seven = make_seven(site)
    old = make_card(site, seven["Elm"], actor=manager)
    hurt(seven["Elm"], 40)
    make_card(site, seven["Elm"], actor=manager, restates=old)
    make_message(make_card(site, seven["Birch"], actor=manager), actor=manager)
    hurt(seven["Birch"])
    names = {"scorecards": [], "scorecards_issue": [], "scorecard_send": [3]}
    found = {name: reverse(name, args=["NOR", *more]) for name, more in names.items()}
    found |= {f"card {number}": reverse("scorecard", args=["NOR", number]) for number in (1, 2, 3)}
    return found | {"wrong": f"{found['scorecards']}?month=2019-13", "off": f"{found['scorecards_issue']}?month=x"}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(open_page, addresses, device, scheme):
    page = open_page(**device, color_scheme=scheme)
    enter(page, addresses["scorecards"])
    for name, address in addresses.items():
        answer = page.goto(address)
        assert len(answer.body()) < LIGHTEST, name
        for fold in page.locator("main details:not([open]) > summary").all():
            if fold.is_visible():
                fold.click()
        assert findings(page) == [], name
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name


def test_cards_are_asked_for_without_javascript(open_page, addresses, monkeypatch):
    monkeypatch.setattr(issuing, "drawn", small)
    page = open_page(**DESK, java_script_enabled=False)
    enter(page, addresses["scorecards_issue"])
    page.get_by_role("checkbox", name="Cedar").uncheck()
    page.get_by_role("button", name="Issue the ticked cards").click()
    expect(page.get_by_role("heading", name="Scorecards of March 2026")).to_be_visible()
    assert Scorecard.objects.count() == 3
