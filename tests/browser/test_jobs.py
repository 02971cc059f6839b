"""The page of long work in a real browser: it follows the work by itself to the result, also after a lost network."""

from urllib.parse import urlsplit

import pytest
from django.test import Client
from django.utils import timezone
from playwright.sync_api import expect

from claims import jobs
from tests.browser.test_base import AXE, LEVELS
from tests.builders import make_person, make_site
from tests.claims.long_work import ask
from tests.conftest import DESK, PHONE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def clara():
    return make_person("clerk", make_site(), "clara")


@pytest.fixture
def job(clara):
    site = clara.memberships.get().site
    return ask(clara, site=site, title="Packet of NOR-26-0001", back="/NOR/claims/")


@pytest.fixture
def opened(open_page, live_server, clara, job):
    """opened(**options) -> the job's page as Clara sees it."""

    def show(**options):
        client = Client()
        client.force_login(clara)
        page = open_page(**options)
        cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value, "path": "/"}
        page.context.add_cookies([cookie | {"domain": urlsplit(live_server.url).hostname}])
        page.goto(job.get_absolute_url())
        return page

    return show


def test_the_page_follows_the_work_to_its_result_by_itself(opened, job):
    page = opened(**PHONE)
    expect(page.get_by_text("It is the next to be made.")).to_be_visible()
    assert jobs.claim(job, "w", timezone.now())
    expect(page.get_by_text("Begun.")).to_be_visible()
    job.progress(12, 40, "pages")
    expect(page.get_by_text("12 of 40 pages")).to_be_visible()
    bar = page.get_by_role("progressbar", name="Packet of NOR-26-0001")
    assert bar.evaluate("bar => [bar.value, bar.max]") == [12, 40]
    job.said -= 1
    job.progress(30, 40, "pages")
    expect(page.get_by_text("30 of 40 pages")).to_be_visible()
    assert bar.evaluate("bar => bar.value") == 30
    job.finish({"url": "/NOR/claims/", "words": "Packet 2 is made."})
    expect(page.get_by_text("Packet 2 is made.")).to_be_visible()
    expect(page.get_by_role("link", name="Open it")).to_have_attribute("href", "/NOR/claims/")


def test_a_failure_is_shown_by_itself(opened, job):
    assert jobs.claim(job, "w", timezone.now())
    page = opened(**DESK)
    job.fail("Photo 3 of P-12 is missing.")
    expect(page.get_by_role("alert")).to_have_text("Photo 3 of P-12 is missing.")


def test_a_lost_network_is_told_once_and_the_page_goes_on_when_it_is_back(opened, job):
    assert jobs.claim(job, "w", timezone.now())
    page = opened(**PHONE)
    page.context.set_offline(True)
    expect(page.get_by_text("The network failed. The work goes on; this page looks again by itself.")).to_be_visible()
    job.progress(12, 40, "pages")
    page.context.set_offline(False)
    expect(page.get_by_text("12 of 40 pages")).to_be_visible()


def test_who_was_signed_out_is_led_to_the_login(opened, job):
    page = opened(**DESK)
    page.context.clear_cookies()
    expect(page.get_by_label("Username")).to_be_visible()


def test_without_javascript_a_link_looks_again(opened, job):
    assert jobs.claim(job, "w", timezone.now())
    page = opened(**DESK, java_script_enabled=False)
    job.progress(12, 40, "pages")
    page.get_by_role("link", name="Look again").click()
    expect(page.get_by_text("12 of 40 pages")).to_be_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_nothing_in_any_state(opened, job, device, scheme):
    page = opened(**device, color_scheme=scheme)

    def findings():
        page.goto(job.get_absolute_url())
        page.evaluate(AXE)
        told = page.evaluate("levels => axe.run(document, {runOnly: {type: 'tag', values: levels}})", LEVELS)
        return [(rule["id"], [node["target"] for node in rule["nodes"]]) for rule in told["violations"]]

    found = {"waiting": findings()}
    jobs.claim(job, "w", timezone.now())
    job.progress(12, 40, "pages")
    found["running"] = findings()
    job.fail("Photo 3 of P-12 is missing.")
    found["failed"] = findings()
    assert found == {"waiting": [], "running": [], "failed": []}
