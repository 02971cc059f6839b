"""Scorecards: what is frozen, what is refused, what a restatement says, the two pages."""

import uuid
from datetime import UTC, date, datetime

import pytest

from claims import issuing
from claims.models import Scorecard
from receiving.documents import pages
from tests.builders import make_person, make_site
from tests.claims.carriers import MARCH, make_seven

pytestmark = pytest.mark.django_db
APRIL = datetime(2026, 4, 6, 15, tzinfo=UTC)


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def manager(site):
    return make_person("manager", site, "dana")


def issue(site, carrier, actor, *, month=MARCH, at=APRIL):
    return issuing.issue(site, carrier, month, uuid=uuid.uuid4(), actor=actor, at=at)


def test_a_card_is_two_pages_with_the_verdict_first(site, manager):
    seven = make_seven(site)
    card = issue(site, seven["Birch"], manager)
    assert str(card) == "S-0001" and card.verdict == "worse"
    data = issuing.kept.read(card, "pdf")
    assert pages.count(data) == 2
    assert issuing.remake(Scorecard.objects.get(pk=card.pk))["pdf"] == data
