"""What a dock page weighs before photos and fonts, as sent: its files packed, the page as the server writes it."""

import uuid
from urllib.parse import urlsplit

import pytest
from django.test import Client

from receiving import discrepancies
from receiving.enums import ArrivalState, Role
from tests.browser.weights import MOST_BYTES, weight
from tests.builders import NOON, make_account, make_arrival, make_cartons, make_code, make_person, make_site, make_store
from tests.conftest import PHONE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def receiver():
    """At a site as busy as a page of the dock gets: many stores and codes, a long list, pieces set aside."""
    site, account = make_site("NOR"), make_account("Juniper Home Stores")
    person = make_person(Role.LEAD, site)
    for number in range(12):
        make_code(site, f"C{number}", label=f"crushed in a way of its own {number}")
    stores = [make_store(site, account, f"{number:04d}", name=f"Store number {number}") for number in range(40)]
    for state in (ArrivalState.EXPECTED, ArrivalState.AT_DOOR, ArrivalState.UNLOADING, ArrivalState.COUNTED):
        arrival = make_arrival(site, actor=person, state=state, pieces=900, account=account)
        make_cartons(arrival.shipments.get(), 900, stores=stores, start=1000 * arrival.number)
        if state == ArrivalState.UNLOADING:
            for _turn in range(10):
                discrepancies.set_aside(arrival, uuid=uuid.uuid4(), note="wet", actor=person, at=NOON)
    return person


def test_every_dock_page_weighs_less_than_100_kb(open_page, live_server, receiver):
    client = Client()
    client.force_login(receiver)
    addresses = [address for address, _version in client.get("/NOR/phone/pages/").json()["pages"]]
    page = open_page(**PHONE)
    cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value, "path": "/"}
    page.context.add_cookies([cookie | {"domain": urlsplit(live_server.url).hostname}])
    weights = {}
    for address in addresses:
        if address.endswith(".json") or "?" in address:
            continue
        page.goto(address, wait_until="networkidle")
        html, parts = weight(page)
        assert any(name.endswith("icons.svg") for name in parts)
        weights[address] = html + sum(parts.values()), html, parts
    assert len(weights) > 20
    for address, (whole, html, _parts) in sorted(weights.items(), key=lambda each: -each[1][0]):
        print(f"{whole:7} bytes, of which the page {html:6}: {address}")
    heavy = {address: each for address, each in weights.items() if each[0] >= MOST_BYTES}
    assert heavy == {}
