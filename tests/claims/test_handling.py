"""How a carrier handles claims: in time by the terms' own days, the median with open claims as open, money."""

from datetime import date, timedelta
from decimal import Decimal

import pytest

from claims import handling
from claims.enums import FactKind
from claims.models import Claim
from tests.builders import NOON, make_carrier, make_person, make_site
from tests.claims.builders import make_filed
from tests.claims.dated import make_dated_terms
from tests.claims.fact_builders import FILED, decide, make_fact, take_back

pytestmark = pytest.mark.django_db
YEAR = (date(2026, 1, 1), date(2026, 12, 31))


@pytest.fixture
def site():
    make_dated_terms()
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site)


@pytest.fixture
def carrier():
    return make_carrier("Birch")


def filed(site, clerk, carrier, **given):
    """A claim of two lines of USD 125 each, filed on 2 Mar 2026."""
    return make_filed(site, actor=clerk, carrier=carrier, **given)


def handled(site, carrier, days=60, years=YEAR):
    return handling.handling([site], carrier, *years, at=NOON + timedelta(days=days))


def on(days):
    return FILED + timedelta(days=days)


def counts(kept):
    return kept.in_time, kept.late, kept.running


# Source of 30 and 120 days: 49 CFR 370.5(a) and 370.9(a), from the carrier's receipt.
@pytest.mark.parametrize(("answered", "expected"), [(31, (1, 0, 0)), (32, (0, 1, 0)), (None, (0, 1, 0))])
def test_acknowledged_in_time_is_by_the_30_days_from_the_carrier_s_receipt(site, clerk, carrier, answered, expected):
    claim = filed(site, clerk, carrier)
    if answered:
        make_fact(claim, FactKind.ACKNOWLEDGED, actor=clerk, on=on(answered), received_on=on(1))
    # Nobody told of a receipt where nothing was acknowledged: the day of filing stands in.
    assert counts(handled(site, carrier).acknowledged) == expected


def test_what_is_not_due_yet_counts_in_no_share(site, clerk, carrier):
    filed(site, clerk, carrier)
    found = handled(site, carrier, days=10)
    assert counts(found.acknowledged) == (0, 0, 1) and found.acknowledged.share is None


@pytest.mark.parametrize(("day", "expected"), [(120, (1, 0, 0)), (121, (0, 1, 0))])
def test_decided_in_time_is_by_the_120_days_and_the_last_line(site, clerk, carrier, day, expected):
    claim = filed(site, clerk, carrier)
    first, second = claim.lines.order_by("position")
    at = NOON + timedelta(days=200)
    make_fact(claim, FactKind.DECISION, actor=clerk, on=on(20), at=at, decisions=[decide(first, first.amount)])
    assert counts(handled(site, carrier, days=100).decided) == (0, 0, 1)
    make_fact(claim, FactKind.DECISION, actor=clerk, on=on(day), at=at, decisions=[decide(second, 0)])
    assert counts(handled(site, carrier, days=200).decided) == expected


@pytest.mark.parametrize(
    ("kind", "said", "day"),
    [
        (FactKind.AGREED, {"amount": Decimal(150)}, 20),
        (FactKind.OFFER, {"amount": Decimal(150), "in_writing": True, "speaker": "carrier"}, 20),
        (FactKind.OFFER, {"amount": Decimal(150)}, None),
        (FactKind.RECEIPT, {"amount": Decimal(250)}, 20),
        (FactKind.RECEIPT, {"amount": Decimal(100)}, None),
        (FactKind.NOTE, {}, None),
    ],
)
def test_an_agreement_a_firm_offer_or_all_the_money_decides(site, clerk, carrier, kind, said, day):
    make_fact(filed(site, clerk, carrier), kind, actor=clerk, **said)
    found = handled(site, carrier).median
    assert (found.closed, found.open) == ((1, 0) if day else (0, 1)) and found.days == day


def test_what_was_taken_back_decides_nothing(site, clerk, carrier):
    claim = filed(site, clerk, carrier)
    take_back(make_fact(claim, FactKind.AGREED, actor=clerk), actor=clerk)
    assert handled(site, carrier).median.open == 1


def test_open_claims_count_as_open_in_the_median(site, clerk, carrier):
    for _number in range(2):
        filed(site, clerk, carrier)
    make_fact(filed(site, clerk, carrier), FactKind.AGREED, actor=clerk, on=on(10))
    found = handled(site, carrier)
    assert (found.filed, found.median.days, found.median.closed, found.median.open) == (3, None, 1, 2)


def test_money_adds_up_and_recovery_is_of_decided_claims_only(site, clerk, carrier):
    decided, _open = filed(site, clerk, carrier), filed(site, clerk, carrier)
    make_fact(decided, FactKind.AGREED, actor=clerk, amount=Decimal(150))
    make_fact(decided, FactKind.RECEIPT, actor=clerk, amount=Decimal(100))
    found = handled(site, carrier)
    assert (found.money["USD"].claimed, found.money["USD"].kept) == (Decimal(500), Decimal(100))
    assert (found.recovered["USD"].claims, found.recovered["USD"].rate) == (1, Decimal("0.4"))


def test_withdrawn_claims_are_in_no_money_and_no_share_and_drafts_in_nothing(site, clerk, carrier):
    claim = filed(site, clerk, carrier)
    Claim.objects.filter(pk=claim.pk).update(stage="withdrawn", stage_since=NOON + timedelta(days=5))
    found = handled(site, carrier)
    assert found.filed == 1 and found.money == {} and counts(found.acknowledged) == (0, 0, 0)
    assert (found.median.open, found.median.closed) == (1, 0)
    Claim.objects.filter(pk=claim.pk).update(stage="draft", filed_on=None, filed_at=None)
    assert handled(site, carrier).filed == 0


def test_only_claims_against_this_carrier_filed_in_the_time_count(site, clerk, carrier):
    filed(site, clerk, carrier)
    filed(site, clerk, make_carrier())
    assert handled(site, carrier).filed == 1
    assert handled(site, carrier, years=(date(2025, 1, 1), date(2026, 3, 1))).filed == 0
    assert handling.handling([make_site("SOU")], carrier, *YEAR, at=NOON).filed == 0


def test_as_many_queries_for_many_claims_as_for_one(site, clerk, carrier, django_assert_max_num_queries):
    for _number in range(3):
        make_fact(filed(site, clerk, carrier), FactKind.ACKNOWLEDGED, actor=clerk)
    with django_assert_max_num_queries(14):
        assert handled(site, carrier).filed == 3
