"""The money of a site's claims: rows, ages and the claims behind them, always adding up."""

from datetime import timedelta
from decimal import Decimal

import pytest

from claims import money_view
from claims.enums import FactKind
from claims.models import Claim
from claims.money_view import AGES, FIGURES
from tests.builders import make_account, make_carrier, make_person, make_site
from tests.claims.builders import make_claim, make_filed
from tests.claims.fact_builders import FILED, LATER, decide, make_fact

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("manager", site)


def read(site, at=LATER):
    return money_view.entries(money_view.demanded(site), at=at)


def aged(claim, days):
    """The claim as filed so many days before LATER."""
    Claim.objects.filter(pk=claim.pk).update(filed_on=LATER.date() - timedelta(days=days))


def test_claims_are_put_together_by_carrier_and_account(site, clerk):
    cedar, alder = make_carrier("Cedar Line"), make_carrier("Alder Freight")
    juniper = make_account("Juniper Home Stores")
    for carrier in (cedar, cedar, alder):
        make_filed(site, actor=clerk, carrier=carrier, account=juniper)
    [book] = money_view.books(read(site))
    assert [(str(row.carrier), str(row.account), row.count, row.money.claimed) for row in book.rows] == [
        ("Alder Freight", "Juniper Home Stores", 1, 250),
        ("Cedar Line", "Juniper Home Stores", 2, 500),
    ]
    assert (book.currency, book.count, book.total.claimed) == ("USD", 3, 750)


def test_every_row_and_the_total_add_up(site, clerk):
    first, second, third = (make_filed(site, actor=clerk) for _ in range(3))
    make_fact(first, FactKind.RECEIPT, actor=clerk, amount=Decimal(300))
    make_fact(second, FactKind.DECISION, actor=clerk, decisions=[decide(line, 50) for line in second.lines.all()])
    make_fact(second, FactKind.OFFSET, actor=clerk, amount=Decimal(60))
    make_fact(second, FactKind.PASSED_ON, actor=clerk, amount=Decimal(10))
    make_fact(third, FactKind.AGREED, actor=clerk, amount=Decimal(200))
    make_fact(third, FactKind.WRITTEN_OFF, actor=clerk, amount=Decimal(20))
    [book] = money_view.books(read(site))
    for money in (book.total, *(row.money for row in book.rows)):
        assert money.claimed == money.allowed + money.disallowed + money.undecided
        assert money.claimed == money.kept + money.conceded + money.written_off + money.open - money.refund_due
    total = book.total
    assert (total.open, total.refund_due, total.passed_on) == (190 + 180, 50, 10)
    assert sum(age.amount for age in book.ages) == total.open


def test_what_asks_for_no_money_is_not_in_it(site, clerk):
    make_claim(site, actor=clerk)
    make_filed(site, actor=clerk, purpose="handover")
    Claim.objects.filter(pk=make_filed(site, actor=clerk).pk).update(stage="withdrawn")
    make_filed(make_site("SOU"), actor=clerk)
    assert read(site) == []
    Claim.objects.filter(pk=make_filed(site, actor=clerk).pk).update(stage="closed")
    assert len(read(site)) == 1


def test_currencies_have_a_book_each(site, clerk):
    Claim.objects.filter(pk=make_filed(site, actor=clerk).pk).update(currency="CAD")
    make_filed(site, actor=clerk)
    assert [(book.currency, book.total.claimed) for book in money_view.books(read(site))] == [
        ("CAD", 250),
        ("USD", 250),
    ]


@pytest.mark.parametrize(
    ("days", "age"),
    [
        (0, "0-30"),
        (30, "0-30"),
        (31, "31-60"),
        (60, "31-60"),
        (61, "61-90"),
        (90, "61-90"),
        (91, "91-120"),
        (120, "91-120"),
        (121, "over-120"),
        (900, "over-120"),
    ],
)
def test_open_money_is_as_old_as_its_filing(site, clerk, days, age):
    aged(make_filed(site, actor=clerk), days)
    [book] = money_view.books(read(site))
    assert {each.name: (each.amount, each.count, each.share) for each in book.ages if each.amount} == {
        age: (250, 1, 100)
    }
    assert [each.name for each in book.ages] == list(AGES)


def test_a_day_is_the_sites_own(site, clerk):
    claim = make_filed(site, actor=clerk)
    assert claim.filed_on == FILED
    shortly_after_midnight_in_london = LATER.replace(hour=3)
    assert read(site)[0].days - read(site, at=shortly_after_midnight_in_london)[0].days == 1


def test_what_is_paid_has_no_age_and_what_is_overpaid_no_open_money(site, clerk):
    make_fact(make_filed(site, actor=clerk), FactKind.RECEIPT, actor=clerk, amount=Decimal(251))
    [book] = money_view.books(read(site))
    assert (book.total.open, book.total.refund_due) == (0, 1)
    assert not any(age.amount or age.count for age in book.ages)


def test_the_claims_behind_each_figure_add_up_to_it(site, clerk):
    first, second = make_filed(site, actor=clerk), make_filed(site, actor=clerk)
    aged(second, 100)
    make_fact(first, FactKind.RECEIPT, actor=clerk, amount=Decimal(100))
    make_fact(first, FactKind.DECISION, actor=clerk, decisions=[decide(first.lines.first(), 50)])
    entries = read(site)
    [book] = money_view.books(entries)
    for name in FIGURES:
        assert sum(amount for _entry, amount in money_view.behind(entries, name)) == getattr(book.total, name)
    for age in book.ages:
        behind = list(money_view.behind(entries, age.name))
        assert (sum(amount for _entry, amount in behind), len(behind)) == (age.amount, age.count)
    assert [entry.claim for entry, _amount in money_view.behind(entries, "kept")] == [first]


def test_many_claims_are_read_in_four_queries(site, clerk, django_assert_num_queries):
    for _ in range(3):
        make_fact(make_filed(site, actor=clerk), FactKind.RECEIPT, actor=clerk)
    with django_assert_num_queries(4):
        assert money_view.books(read(site))[0].total.received == 300
