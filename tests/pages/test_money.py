"""The money page: what it shows, what is behind a figure, and what may be taken along."""

import csv
from datetime import timedelta
from decimal import Decimal
from io import BytesIO, StringIO

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from claims.enums import FactKind
from claims.models import Claim
from claims.money_view import AGES
from tests.builders import make_account, make_carrier, make_person, make_site
from tests.claims.builders import make_filed
from tests.claims.fact_builders import FILED, make_fact

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def signed_in(client, clerk):
    client.force_login(clerk)
    return client


@pytest.fixture
def claims(site, clerk):
    """One claim against each of two carriers, for two accounts; USD 100 came in on the first."""
    found = [
        make_filed(site, actor=clerk, carrier=make_carrier(carrier), account=make_account(account))
        for carrier, account in (("Cedar Line", "Juniper Home Stores"), ("=Alder", "Brook & Sons"))
    ]
    make_fact(found[0], FactKind.RECEIPT, actor=clerk)
    return found


def at(site, name="money", *more, **query):
    return reverse(name, args=[site.code, *more], query=query)


def text(client, address):
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


def test_the_page_shows_each_carrier_and_the_ages(signed_in, site, claims):
    shown = text(signed_in, at(site))
    assert "Cedar Line" in shown and "Brook &amp; Sons" in shown and "500.00" in shown
    for _first, _last, words in AGES.values():
        assert str(words) in shown
    assert 'width="100"' in shown and "<style" not in shown and 'style="' not in shown


def test_every_figure_leads_to_claims_that_add_up_to_it(signed_in, site, claims):
    [entry] = signed_in.get(at(site)).context["books"]
    cells = [cell for row in entry["rows"] for cell in row["cells"]] + entry["total"] + entry["ages"]
    linked = [cell for cell in cells if cell["url"]]
    assert len(linked) > 10
    for cell in linked:
        found = signed_in.get(cell["url"]).context
        assert f"{found['total']:,.2f}" == cell["text"] and found["found"]


def test_the_filter_stands_in_the_address(signed_in, site, claims):
    first, second = claims
    shown = text(signed_in, at(site, carrier=first.carrier_id))
    assert "Cedar Line</th>" in shown and "=Alder</th>" not in shown
    assert "=Alder</th>" in text(signed_in, at(site, account=second.account_id))
    day = FILED.isoformat()
    assert "Cedar Line</th>" in text(signed_in, at(site, first_day=day, last_day=day))
    tomorrow = (FILED + timedelta(days=1)).isoformat()
    assert "No filed claim matches." in text(signed_in, at(site, first_day=tomorrow))


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({"first_day": "2026-02-30"}, "no day on the calendar"),
        ({"first_day": "2026-03-02", "last_day": "2026-03-01"}, "before the first"),
        ({"carrier": "99999"}, "Select a valid choice"),
    ],
)
def test_a_filter_that_cannot_be_read_is_named_and_kept(signed_in, site, claims, query, words):
    answer = signed_in.get(at(site, **query))
    assert answer.status_code == 422 and words in answer.content.decode()
    assert signed_in.get(at(site, "money_export", "csv", **query)).status_code == 302


def test_without_claims_the_page_says_what_to_do(signed_in, site):
    assert "See what is left to claim" in text(signed_in, at(site))


def test_exports_hold_exactly_the_rows_shown_and_text_stays_text(signed_in, site, claims):
    first, _second = claims
    answer = signed_in.get(at(site, "money_export", "csv"))
    rows = list(csv.reader(StringIO(answer.content.decode("utf-8-sig"))))
    assert rows[0][:4] == ["Carrier", "Account", "Currency", "Claims"]
    assert [row[0].lstrip("'") for row in rows[1:]] == ["=Alder", "Cedar Line"]
    assert dict(zip(rows[0], rows[2], strict=True))["Received"].startswith("100")
    assert (
        len(list(csv.reader(StringIO(text(signed_in, at(site, "money_export", "csv", carrier=first.carrier_id)))))) == 2
    )
    book = load_workbook(BytesIO(b"".join(signed_in.get(at(site, "money_export", "xlsx")).streaming_content)))
    cells = list(book.active.iter_rows())
    assert (cells[1][0].value, cells[1][0].data_type, cells[2][4].value) == ("=Alder", "s", 250)
    assert signed_in.get(at(site, "money_export", "pdf")).status_code == 404


def test_yen_have_no_decimals(signed_in, site, claims):
    Claim.objects.filter(pk=claims[1].pk).update(currency="JPY")
    shown = text(signed_in, at(site))
    assert "Money in JPY, 1 claim" in shown and ">250</a>" in shown


@pytest.mark.parametrize("figure", ["nonsense", "currency", "0-31"])
def test_what_is_no_figure_has_no_claims_behind_it(signed_in, site, claims, figure):
    assert signed_in.get(at(site, "money_claims", figure, currency="USD")).status_code == 404


def test_a_figure_that_is_nought_by_now_says_so(signed_in, site, claims):
    shown = text(signed_in, at(site, "money_claims", "conceded", currency="USD"))
    assert "No claim is in this figure any more" in shown


def test_other_sites_money_is_not_here(client, site, claims):
    client.force_login(make_person("clerk", make_site("SOU"), "other"))
    assert client.get(at(site)).status_code == 404


def test_the_page_takes_the_same_queries_with_one_claim_and_with_many(signed_in, site, clerk):
    def count():
        with CaptureQueriesContext(connection) as found:
            text(signed_in, at(site))
        return len(found)

    make_fact(make_filed(site, actor=clerk), FactKind.RECEIPT, actor=clerk)
    count()
    one = count()
    for _ in range(3):
        make_fact(make_filed(site, actor=clerk), FactKind.RECEIPT, actor=clerk, amount=Decimal(10))
    assert count() == one
