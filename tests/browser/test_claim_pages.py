"""The clerk's pages of drafting in a real browser, at 390 px and at 1280 px: axe, width, weight; and without JavaScript
from a loss to a priced claim."""

import re
from decimal import Decimal
from pathlib import Path

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from claims.models import Claim
from tests.builders import PASSWORD, make_account, make_person, make_site
from tests.claims.builders import losses, make_claim, make_load
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)
AXE = (Path(__file__).parent.parent / "vendor" / "axe.min.js").read_text()
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
LIGHTEST = 150_000


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


def enter(page, path):
    page.goto(reverse("login") + f"?next={path}")
    page.locator("#id_username").fill("clerk")
    page.locator("#id_password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"**{path}")


def findings(page):
    # The bar at the bottom lies over whatever is scrolled under it, which axe takes for a smaller target.
    page.evaluate("for (const bar of document.querySelectorAll('.actionbar')) bar.style.position = 'static'")
    page.evaluate(AXE)
    rules = page.evaluate("levels => axe.run(document, {runOnly: {type: 'tag', values: levels}})", LEVELS)
    return [(rule["id"], [node["html"][:120] for node in rule["nodes"]]) for rule in rules["violations"]]


@pytest.fixture
def addresses(site, clerk):
    """One address of each kind of page, with long words in every place that people write in."""
    account = make_account("Quillwood and Larkmeadow Household Goods Incorporated")
    shipment = make_load(site, actor=clerk, account=account, damaged=2, short=1, unit_value=None)
    claim = make_claim(site, actor=clerk, account=account, description="Kettles, enamelled, two litres", good=1)
    make_load(site, actor=clerk)
    here = ["NOR", claim.slug]
    return {
        "to claim": reverse("to_claim", args=["NOR"]),
        "not": reverse("decide_not", args=["NOR", shipment.pk]),
        "open": reverse("claims_open", args=["NOR"]),
        "claim": claim.get_absolute_url(),
        "line": reverse("claim_line", args=[*here, 1]),
        "drop": reverse("claim_line_drop", args=[*here, 1]),
        "parties": reverse("claim_parties", args=here),
        "terms": reverse("claim_terms", args=here),
    }


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(open_page, addresses, device, scheme):
    page = open_page(**device, color_scheme=scheme)
    enter(page, addresses["to claim"])
    for name, address in addresses.items():
        answer = page.goto(address)
        assert len(answer.body()) < LIGHTEST, name
        for fold in page.locator("details:not([open]) > summary").all():
            if fold.is_visible():
                fold.click()
        assert findings(page) == [], name
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name


def test_from_a_loss_to_a_priced_claim_without_javascript(open_page, site, clerk):
    shipment = make_load(site, actor=clerk, damaged=1, short=1, unit_value=None)
    page = open_page(**PHONE, java_script_enabled=False)
    enter(page, reverse("to_claim", args=["NOR"]))
    page.get_by_role("button", name="Draft the claim").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("NOR-26-")
    for position in (1, 2):
        page.get_by_role("link", name=f"Price line {position}").click()
        page.locator("#id_unit_price").fill("8.50")
        page.locator("#id_price_source").select_option("invoice")
        page.locator("#id_price_reference").fill("INV-7")
        page.get_by_role("button", name="Price this line").click()
    expect(page.locator("body")).to_contain_text(re.compile(r"Claimed\s*USD\s170\.00"))
    claim = Claim.objects.get()
    assert (claim.amount, claim.shipment) == (Decimal("170.000"), shipment)


def test_pieces_that_are_unticked_stay_to_be_claimed(open_page, site, clerk):
    shipment = make_load(site, actor=clerk, damaged=1, short=1)
    page = open_page(**DESK)
    enter(page, reverse("to_claim", args=["NOR"]))
    page.get_by_text("The pieces: those ticked are taken").click()
    first, second = losses(shipment)
    page.get_by_role("checkbox", name=str(first)).uncheck()
    page.get_by_role("button", name="Hand over").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("NOR-26-")
    claim = Claim.objects.get()
    assert claim.is_handover
    assert [line.discrepancy for line in claim.lines.all()] == [second]
