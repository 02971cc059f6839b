"""Carriers side by side in a real browser, at 390 px and at 1280 px: axe, width, weight, charts; without JavaScript."""

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from tests.browser.test_claim_pages import LIGHTEST, enter, findings
from tests.builders import make_account, make_person, make_site
from tests.claims.builders import make_load
from tests.claims.carriers import make_counts, make_seven
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def seven(site):
    # The name that `enter` signs in with.
    make_person("manager", site, "clerk")
    found = make_seven(site, account=make_account("Quillwood and Larkmeadow Household Goods Incorporated"))
    make_counts(site, found["Elm"], [], seal_exception=True)
    return found


@pytest.fixture
def addresses(site, seven):
    here = [site.code, seven["Birch"].pk]
    make_load(site, actor=make_person("lead", site, "lead"), carrier=seven["Birch"])
    return {
        "compare": reverse("carriers", args=["NOR"]),
        "short": reverse("carriers", args=["NOR"], query={"kind": "short", "first": "2026-03"}),
        "wrong": reverse("carriers", args=["NOR"], query={"last": "2019-01"}),
        "pieces": reverse("carriers_behind", args=[*here, "counted"]),
        "trailers": reverse("carriers_behind", args=[*here, "trailers"]),
    }


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(open_page, addresses, device, scheme):
    page = open_page(**device, color_scheme=scheme)
    enter(page, addresses["compare"])
    for name, address in addresses.items():
        answer = page.goto(address)
        assert len(answer.body()) < LIGHTEST, name
        for fold in page.locator("main details:not([open]) > summary").all():
            if fold.is_visible():
                fold.click()
        assert findings(page) == [], name
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name


@pytest.mark.parametrize(("device", "shown"), [(PHONE, "narrow"), (DESK, "wide")], ids=["phone", "desk"])
def test_one_drawing_of_each_chart_is_shown_with_letters_large_enough_to_read(open_page, addresses, device, shown):
    page = open_page(**device)
    enter(page, addresses["compare"])
    for name in ("rates", "funnel"):
        charts = page.locator(f"svg[aria-labelledby^='{name}-']:visible")
        expect(charts).to_have_count(1)
        expect(charts).to_have_attribute("aria-labelledby", f"{name}-{shown}-title")
        heights = charts.locator("text").evaluate_all("all => all.map(one => one.getBoundingClientRect().height)")
        assert min(heights) >= 12


def test_a_carrier_is_filtered_for_and_its_trailers_are_found_without_javascript(open_page, site, seven):
    page = open_page(**PHONE, java_script_enabled=False)
    enter(page, reverse("carriers", args=["NOR"]))
    expect(page.locator("main")).to_contain_text("Really worse: Birch")
    page.get_by_label("What is compared").select_option("short")
    page.get_by_role("button", name="Show these").click()
    expect(page.locator("main")).to_contain_text("Nobody is compared in this period")
    page.get_by_role("link", name="Show all").click()
    page.locator("tr", has_text="Birch").first.get_by_role("link", name="24", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Birch: Trailers")
    page.locator("tbody a").first.click()
    expect(page.locator("main")).to_contain_text("Birch")
