"""A carrier's page and the page of places in a real browser, at 390 px and at 1280 px: axe, width, weight, forms."""

from datetime import UTC, date, datetime

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from claims import periods
from claims.models import ReviewNote
from receiving.enums import ArrivalState
from tests.browser.test_claim_pages import LIGHTEST, enter, findings
from tests.builders import make_account, make_arrival, make_carrier, make_person, make_piece, make_site
from tests.claims.builders import make_filed, make_load
from tests.claims.carriers import make_counts
from tests.claims.talks import close_talk, make_talk
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)
MARCH = datetime(2026, 3, 10, 15, tzinfo=UTC)


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def carrier(site):
    """Thirty months, the last bad, a claim, and three talks."""
    # The name that `enter` signs in with.
    manager = make_person("manager", site, "clerk")
    carrier, other = make_carrier("Larchmeadow Long Distance Haulage Incorporated"), make_carrier("Birch")
    account = make_account("Quillwood and Larkmeadow Household Goods Incorporated")
    for back in range(30):
        month = periods.month_back(date(2026, 4, 1), back)
        make_counts(site, carrier, [40] * 5 if back == 0 else [2, 3, 1, 2, 2], month=month, account=account)
        make_counts(site, other, [1, 2, 3], month=month, account=account)
    make_filed(site, actor=manager, shipment=make_load(site, actor=manager, carrier=carrier))
    make_talk(site, carrier, actor=manager, by_when=date(2026, 4, 3), text="Load bars " * 60)
    make_talk(site, carrier, actor=manager, on=date(2025, 9, 2))
    close_talk(make_talk(site, carrier, actor=manager, on=date(2025, 6, 2)), actor=manager)
    return carrier


@pytest.fixture
def addresses(site, carrier):
    lead = make_person("lead", site, "lead")
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=9)
    for where in ("in_trailer", "pallet", ""):
        for whose in ("transit", "own", "outbound", "cannot_tell", ""):
            codes = [{"code": whose[:3].upper() or "X", "label": f"a long name of damage, {whose}"}]
            make_piece(trailer, actor=lead, at=MARCH, where_found=where, attribution=whose, codes=codes, quantity=7)
    here = [site.code, carrier.pk]
    open_note = ReviewNote.objects.filter(closes=None, closed_by=None).first()
    return {
        "carrier": reverse("carrier", args=here),
        "too little": reverse("carrier", args=[site.code, make_carrier("Cedar").pk]),
        "wrong": reverse("carrier", args=here, query={"last": "2019-01"}),
        "agreed": reverse("carrier_agreed", args=here),
        "close": reverse("carrier_agreed_close", args=[*here, open_note.pk]),
        "where": reverse("carriers_where", args=[site.code]),
        "nothing": reverse("carriers_where", args=[site.code], query={"kind": "over"}),
    }


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(open_page, addresses, device, scheme):
    page = open_page(**device, color_scheme=scheme)
    enter(page, addresses["carrier"])
    for name, address in addresses.items():
        answer = page.goto(address)
        assert len(answer.body()) < LIGHTEST, name
        for fold in page.locator("details:not([open]) > summary").all():
            if fold.is_visible():
                fold.click()
        assert findings(page) == [], name
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name


def test_without_javascript_a_talk_is_written_down_and_closed(open_page, addresses):
    page = open_page(**DESK, java_script_enabled=False)
    enter(page, addresses["carrier"])
    page.get_by_role("link", name="Write down what was agreed").click()
    page.get_by_label("What was agreed").fill("Send pictures of the nose.")
    page.get_by_role("button", name="Write this down").click()
    note = page.locator(".talks > li").filter(has_text="Send pictures of the nose.")
    expect(note).to_be_visible()
    note.get_by_role("link", name="Write what came of it").click()
    page.get_by_role("button", name="Close this").click()
    expect(page.locator(".errorsummary")).to_contain_text("even if it is nothing")
    page.get_by_label("What came of it").fill("They come every day.")
    page.get_by_role("button", name="Close this").click()
    expect(note).to_contain_text("They come every day.")


def test_a_bar_leads_to_its_pieces_by_keyboard(open_page, addresses):
    page = open_page(**DESK)
    enter(page, addresses["where"])
    bar = page.locator(".ondesk svg a").filter(has_text="on the pallet").first
    bar.focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/pieces/**where_found=pallet**")
    expect(page.locator("table.pieces tbody tr")).to_have_count(5)
