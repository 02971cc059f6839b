"""Open and closed claims as lists, their files, and claims in the search box."""

import csv
import io
import uuid
from datetime import date
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from claims.models import Claim, Fact
from receiving.search import KINDS
from tests.builders import NOON, make_account, make_carrier, make_person, make_site
from tests.claims.builders import make_claim, make_filed, make_terms

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("clerk", site, "alice")


@pytest.fixture
def clerk(client, alice):
    client.force_login(alice)
    return client


@pytest.fixture(autouse=True)
def today(time_machine):
    time_machine.move_to(NOON, tick=False)


def page(client, which="open", **query):
    return client.get(reverse(f"claims_{which}", args=["NOR"]), query)


def listed(answer):
    assert answer.status_code == 200
    return answer.context["rows"]


def acknowledge(claim, actor, reference):
    given = {"kind": "acknowledged", "on": date(2026, 3, 2), "reference": reference, "received_on": date(2026, 3, 2)}
    return Fact.objects.create(claim=claim, uuid=uuid.uuid4(), actor=actor, at=NOON, **given)


# -- lists --


def test_the_place_leads_to_what_is_left_to_claim(clerk, site):
    assert clerk.get(reverse("claims", args=["NOR"])).url == reverse("to_claim", args=["NOR"])


def test_the_tabs_count_bills_to_claim_and_claims(clerk, site, alice):
    make_claim(site, actor=alice)
    filed = make_filed(site, actor=alice)
    Claim.objects.filter(pk=filed.pk).update(stage="closed")
    tabs = page(clerk).context["tabs"]
    assert [(tab["words"], tab["number"], tab["current"]) for tab in tabs] == [
        ("To claim", 0, False),
        ("Open", 1, True),
        ("Closed", 1, False),
    ]


def test_drafts_and_filed_claims_are_open_the_newest_first(clerk, site, alice):
    draft, filed = make_claim(site, actor=alice), make_filed(site, actor=alice)
    assert listed(page(clerk)) == [filed, draft]
    assert listed(page(clerk, "closed")) == []
    text = page(clerk).content.decode()
    assert "being drafted" in text
    assert "to be acknowledged" in text


@pytest.mark.parametrize("stage", ["closed", "withdrawn"])
def test_closed_and_withdrawn_claims_are_closed(clerk, site, alice, stage):
    claim = make_filed(site, actor=alice)
    Claim.objects.update(stage=stage)
    assert listed(page(clerk)) == []
    assert listed(page(clerk, "closed")) == [claim]
    assert listed(page(clerk, "closed", standing=stage)) == [claim]
    assert listed(page(clerk, "closed", standing="all_in")) == []
    counts = page(clerk, "closed").context["standings"]
    assert [(str(entry["words"]), entry["number"]) for entry in counts] == [("all", 1), (stage, 1)]


def test_another_sites_claims_are_not_listed(clerk, alice):
    make_claim(make_site("SOU"), actor=alice)
    assert listed(page(clerk)) == []
    assert clerk.get(reverse("claims_open", args=["SOU"])).status_code == 404


def test_the_list_is_narrowed_by_what_the_address_says(clerk, site, alice):
    carrier, account = make_carrier("Sparrow Lines"), make_account("Maple Foods")
    one = make_claim(site, actor=alice, carrier=carrier, pro_number="AB-771")
    bob = make_person("clerk", site, "bob")
    two = make_filed(site, actor=bob, account=account, purpose="handover")
    acknowledge(two, bob, "THEIRS 55-1")
    Claim.objects.filter(pk=two.pk).update(second_carrier=carrier)
    assert listed(page(clerk, carrier=carrier.pk)) == [two, one]
    for query, found in (
        ({"account": account.pk}, [two]),
        ({"purpose": "handover"}, [two]),
        ({"opened_by": bob.pk}, [two]),
        ({"text": "ab-77"}, [one]),
        ({"text": "26-0001"}, [one]),
        ({"text": "nor-26-0002"}, [two]),
        ({"text": "theirs 55"}, [two]),
        ({"text": "nothing"}, []),
        ({"standing": "being_drafted"}, [one]),
    ):
        assert listed(page(clerk, **query)) == found, query


def test_each_standing_is_counted_beside_the_filter(clerk, site, alice):
    make_claim(site, actor=alice)
    make_filed(site, actor=alice)
    counts = list(page(clerk).context["standings"])
    assert [(str(entry["words"]), entry["number"]) for entry in counts] == [
        ("all", 2),
        ("being drafted", 1),
        ("to be acknowledged", 1),
    ]


def test_the_nearest_date_is_shown_with_what_is_to_be_done(clerk, site, alice):
    terms = make_terms()
    period = {"duty": "file", "trigger": "bill_date", "length": 9, "counting": "months"}
    terms.periods.create(**period, effect="bar", binds="us", source="made for a test")
    claim = make_claim(site, actor=alice, bill_date=date(2026, 2, 26))
    [row] = listed(page(clerk))
    assert (row, row.next.date, row.days_left) == (claim, date(2026, 11, 26), 269)
    assert "Thu 26 Nov 2026" in page(clerk).content.decode()


def test_a_filter_that_cannot_be_read_says_why(clerk, site):
    answer = page(clerk, opened_by="everybody")
    assert answer.status_code == 422
    assert "Nothing is listed: the filter cannot be read" in answer.content.decode()


@pytest.mark.parametrize("query", [{"standing": "\0"}, {"standing": "closed' OR 1=1"}, {"page": "x"}, {"page": "-3"}])
@pytest.mark.parametrize("which", ["open", "closed"])
def test_an_address_that_means_nothing_lists_all(clerk, site, alice, which, query):
    claim = make_filed(site, actor=alice)
    Claim.objects.update(stage="filed" if which == "open" else "closed")
    assert listed(page(clerk, which, **query)) == [claim]


@pytest.mark.parametrize("text", ["\0", "x" * 101])
def test_a_text_that_no_number_has_is_refused(clerk, site, text):
    assert page(clerk, text=text).status_code == 422


def test_one_claim_and_three_take_the_same_queries(clerk, site, alice):
    def asked():
        with CaptureQueriesContext(connection) as found:
            listed(page(clerk))
        return len(found)

    make_filed(site, actor=alice)
    asked()
    one = asked()
    for _each in range(2):
        acknowledge(make_filed(site, actor=alice, damaged=2), alice, "X-1")
    assert len(listed(page(clerk))) == 3
    assert asked() == one


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_the_files_hold_exactly_what_is_shown(clerk, site, alice, suffix):
    claim = make_filed(site, actor=alice, account=make_account("=Maple, Foods"))
    acknowledge(claim, alice, "THEIRS-1")
    make_claim(site, actor=alice)
    address = reverse("claims_export", args=["NOR", "open", suffix])
    data = clerk.get(address, {"standing": "to_be_decided"}).getvalue()
    if suffix == "csv":
        rows = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"))))
    else:
        head, *body = load_workbook(io.BytesIO(data)).active.values
        rows = [dict(zip(head, row, strict=True)) for row in body]
    [row] = rows
    assert (row["Claim"], row["Standing"]) == ("NOR-26-0001", "to be decided")
    assert (row["Carrier's claim number"], row["Account"].lstrip("'")) == ("THEIRS-1", "=Maple, Foods")
    assert Decimal(str(row["Claimed"])) == Decimal("250")
    assert Decimal(str(row["Outstanding"])) == Decimal("250")


# -- the search box --


def search(client, text, site="NOR"):
    return client.get(reverse("search", args=[site]), {"q": text})


def found(answer):
    assert answer.status_code == 200, answer.get("Location")
    return {group["name"]: [hit["record"] for hit in group["hits"]] for group in answer.context.get("groups", [])}


def test_claims_are_looked_for_once(site):
    assert [kind.name for kind in KINDS].count("claims") == 1


@pytest.mark.parametrize("text", ["NOR-26-0001", "nor-26-1", "26-0001", " NOR 26-0001 "])
def test_a_claims_number_leads_to_it(clerk, site, alice, text):
    claim = make_claim(site, actor=alice)
    assert search(clerk, text).url == claim.get_absolute_url()


@pytest.mark.parametrize("text", ["26-0002", "SOU-26-0001", "25-0001", "0001"])
def test_another_number_does_not(clerk, site, alice, text):
    make_claim(site, actor=alice)
    assert "claims" not in found(search(clerk, text))


def test_the_carriers_own_number_leads_to_it_whatever_sets_it_apart(clerk, site, alice):
    claim = make_filed(site, actor=alice)
    acknowledge(claim, alice, "TH 55-0071")
    assert search(clerk, "th550071").url == claim.get_absolute_url()
    answer = search(clerk, "TH55")
    assert found(answer) == {"claims": [claim]}
    assert "filed, " in answer.content.decode()


def test_who_may_not_see_claims_does_not_find_them(client, site, alice):
    claim = make_claim(site, actor=alice)
    client.force_login(make_person("receiver", site))
    assert found(search(client, str(claim))) == {}


def test_claims_of_a_site_where_one_may_not_see_them_are_not_found(client, site, alice):
    claim = make_claim(site, actor=alice)
    bob = make_person("receiver", site, "bob")
    bob.memberships.create(site=make_site("SOU"), role="clerk")
    client.force_login(bob)
    assert found(search(client, str(claim), "SOU")) == {}
    bob.memberships.filter(site=site).update(role="clerk")
    assert found(search(client, str(claim), "SOU")) == {"claims": [claim]}
