"""Drafting claims: who claims what from whom, lines, prices, decisions not to claim."""

from decimal import Decimal

import pytest

from claims.enums import LineKind, PriceSource, Stage
from receiving.models import Discrepancy
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_claim

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site(claimant_name="Northgate Dock", claimant_signatory="Ann Hill")


@pytest.fixture
def clerk(site):
    return make_person("clerk", site)


def test_a_claim_is_numbered_by_site_and_year_and_holds_a_line_for_each_piece(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=1)
    assert (str(claim), claim.stage, claim.version) == ("NOR-26-0001", Stage.DRAFT, 1)
    lines = list(claim.lines.order_by("position"))
    assert [(line.position, line.kind, line.quantity, line.amount) for line in lines] == [
        (1, LineKind.DAMAGE, Decimal(10), Decimal("125.000")),
        (2, LineKind.LOSS, Decimal(10), Decimal("125.000")),
    ]
    assert {line.price_source for line in lines} == {PriceSource.LIST}
    assert claim.amount == Decimal("250.000")
    assert Discrepancy.objects.filter(claimed_at=NOON).count() == 2
