"""A clerk's way in a real browser: from *To claim* to a filed claim, then a refusal, a contest, an offer, the money.

Walked once with scripts and once without: a desk page must not need them.
"""

import re
from threading import Event

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from claims import jobs
from claims.models import Claim
from tests.browser.test_base import findings
from tests.builders import PASSWORD, make_person, make_site
from tests.claims.builders import make_terms
from tests.claims.packets import make_evidence
from tests.conftest import DESK, PHONE
from tests.hostile.papers import pdf

pytestmark = pytest.mark.django_db(transaction=True)
INVOICE = {"name": "invoice-88.pdf", "mimeType": "application/pdf", "buffer": pdf(pages=2)}


class Clerk:
    """Somebody at a desk, who reads what buttons say."""

    def __init__(self, page, *, axe=None):
        self.page, self.axe = page, axe

    def look(self):
        """With axe, each page is looked at as it comes."""
        if self.axe is not None:
            self.axe += [(self.page.url, found) for found in findings(self.page)]

    def follow(self, name):
        with self.page.expect_navigation():
            self.page.get_by_role("link", name=name).first.click()
        self.look()

    def press(self, name):
        with self.page.expect_navigation():
            self.page.get_by_role("button", name=name).first.click()
        self.look()

    def fill(self, **fields):
        for name, value in fields.items():
            self.page.locator(f"main [name={name}]").first.fill(value)

    def choose(self, name, value):
        field = self.page.locator(f"main select[name={name}]")
        if field.count():
            field.select_option(value)
        else:
            self.page.locator(f"main input[name={name}][value={value}]").check(force=True)

    def to_claim(self):
        self.page.goto(Claim.objects.get().get_absolute_url())


def explain_what_is_missing(clerk):
    """Say for each thing that lacks why there is none."""
    while (links := clerk.page.get_by_role("link", name=re.compile("^Say why not"))).count():
        with clerk.page.expect_navigation():
            links.first.click()
        clerk.fill(reason="The account has none.")
        clerk.press("Keep this reason")


def price_from_the_invoice(clerk):
    lines = Claim.objects.get().lines.count()
    for number in range(1, lines + 1):
        clerk.follow(re.compile(rf"^Price it {number}$"))
        clerk.fill(unit_price="12.50", price_reference="INV-88")
        clerk.choose("price_source", "invoice")
        clerk.press("Price this line")


def upload_the_invoice(clerk):
    clerk.follow("Upload a paper")
    clerk.choose("kind", "invoice")
    clerk.page.locator("main input[type=file]").set_input_files(INVOICE)
    clerk.press("Keep this paper")


def make_the_packet(clerk):
    clerk.press("Make the packet")
    jobs.work("tests", stop=Event(), once=True)
    clerk.page.reload()
    clerk.follow("Open it")
    expect(clerk.page.get_by_text(re.compile("pages?")).first).to_be_visible()
    clerk.to_claim()


def state_the_shorts(clerk):
    clerk.follow("Search and sign")
    clerk.choose("asked_owner", "no")
    clerk.fill(asked_note="D. Roe of the account, by phone")
    clerk.press("Keep this answer")
    clerk.fill(signer="Rosa Vale", role="claims clerk")
    clerk.page.locator("[name=agreed]").check(force=True)
    clerk.press("Sign this statement")


def walk(clerk):
    """The whole way; gives the claim at its end."""
    clerk.page.goto(reverse("to_claim", args=["NOR"]))
    clerk.look()
    clerk.press("Draft the claim")
    price_from_the_invoice(clerk)
    upload_the_invoice(clerk)
    state_the_shorts(clerk)
    explain_what_is_missing(clerk)
    make_the_packet(clerk)
    clerk.page.goto(reverse("claim_file", args=["NOR", Claim.objects.get().slug]))
    clerk.look()
    clerk.fill(no_proof="Handed to the driver of the carrier's mail van.")
    clerk.press("Record that it was filed")
    assert Claim.objects.get().stage == "filed"
    fact(clerk, "acknowledged", received_on="today", reference="C-4711")
    refuse(clerk)
    fact(clerk, "contested", note="The photos show it.")
    fact(clerk, "offer", amount="200.00", in_writing="yes", speaker="carrier")
    fact(clerk, "agreed", amount="200.00")
    fact(clerk, "receipt", amount="200.00", receipt_kind="in_full", reference="CHQ 9")
    clerk.page.goto(reverse("claim_close", args=["NOR", Claim.objects.get().slug]))
    clerk.look()
    clerk.press(re.compile("Close"))
    return Claim.objects.get()


CHOSEN = {"in_writing", "speaker", "receipt_kind"}


def fact(clerk, kind, **said):
    clerk.page.goto(reverse("fact_new", args=["NOR", Claim.objects.get().slug, kind]))
    clerk.look()
    for name, value in said.items():
        if name in CHOSEN:
            clerk.choose(name, value)
        else:
            today = clerk.page.locator("main [name=on]").first.input_value()
            clerk.fill(**{name: today if value == "today" else value})
    clerk.page.locator("main form button.main, .actionbar button.main").first.click()
    clerk.page.wait_for_url(re.compile(r"/claim/[0-9-]+/(#.*)?$"))
    clerk.look()


def refuse(clerk):
    """The carrier disallows every line, in writing."""
    clerk.page.goto(reverse("fact_new", args=["NOR", Claim.objects.get().slug, "decision"]))
    clerk.look()
    clerk.choose("in_writing", "yes")
    clerk.choose("speaker", "carrier")
    clerk.choose("whole", "disallowed")
    clerk.choose("whole_ground", "packaging")
    clerk.page.locator(".actionbar button.main").first.click()
    clerk.page.wait_for_url(re.compile(r"/claim/[0-9-]+/(#.*)?$"))
    clerk.look()
    expect(clerk.page.get_by_text("disallowed", exact=False).first).to_be_visible()


@pytest.fixture
def unclaimed():
    site = make_site(claimant_name="Norwick Cross-dock", claimant_signatory="Rosa Vale")
    lead = make_person("lead", site, "lena")
    make_terms()
    make_person("clerk", site, "cleo", first_name="Cleo")
    return make_evidence(site, actor=lead)


def sign_in(page):
    page.goto("/")
    page.locator("#id_username").fill("cleo")
    page.locator("#id_password").fill(PASSWORD)
    with page.expect_navigation():
        page.get_by_role("button", name="Sign in").click()


@pytest.mark.parametrize("scripts", [True, False], ids=["with scripts", "without scripts"])
def test_from_to_claim_to_a_closed_claim(open_page, unclaimed, scripts):
    page = open_page(**DESK, java_script_enabled=scripts)
    sign_in(page)
    axe = [] if scripts else None
    claim = walk(Clerk(page, axe=axe))
    assert claim.stage == "closed"
    assert not axe
    expect(page.locator("main")).to_contain_text("closed")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_clerk_s_pages_on_a_phone_have_no_finding(open_page, unclaimed, scheme):
    page = open_page(**PHONE, color_scheme=scheme)
    sign_in(page)
    clerk = Clerk(page, axe=[])
    page.goto(reverse("to_claim", args=["NOR"]))
    clerk.look()
    clerk.press("Draft the claim")
    claim = Claim.objects.get()
    names = ["claim_file", "claim_statement", "document_add", "claim_parties", "claim_freight", "claim_terms"]
    addresses = [reverse(name, args=["NOR", claim.slug]) for name in names]
    addresses += [reverse("claim_gap", args=["NOR", claim.slug, "freight_bill"]), claim.get_absolute_url()]
    addresses += [reverse(name, args=["NOR"]) for name in ("due", "claims_open", "money", "not_claimed")]
    for address in addresses:
        page.goto(address)
        clerk.look()
    assert clerk.axe == []
