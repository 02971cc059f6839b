"""After an amendment the carrier is to get the new packet: due until it has gone."""

import uuid
from decimal import Decimal

import pytest

from claims import dates, facts
from claims.enums import FactKind
from claims.models import Letter
from tests.builders import make_person, make_site
from tests.claims.dated import filed, send_packet
from tests.claims.fact_builders import FILED, LATER, make_fact
from tests.claims.packets import make_packet_row

pytestmark = pytest.mark.django_db


@pytest.fixture
def clerk():
    return make_person("clerk", make_site(), "clerk")


@pytest.fixture
def claim(clerk):
    claim = filed(clerk.memberships.get().site, clerk)
    send_packet(claim, clerk)
    return claim


def amend(claim, clerk, price=13, at=LATER):
    line = claim.lines.get(position=1)
    change = {line.pk: {"unit_price": Decimal(price)}}
    facts.amend(claim, values=change, reason="the invoice", on=FILED, uuid=uuid.uuid4(), actor=clerk, at=at)


def amended(claim):
    return [entry for entry in dates.of_claim(claim, at=LATER) if entry.kind == "amended"]


def letter(claim, clerk, *, way, at=LATER, kind="amendment"):
    given = {"kind": kind, "subject": "Amendment", "drafted_at": at, "drafted_by": clerk}
    return Letter.objects.create(claim=claim, number=1, sent_at=at, sent_way=way, **given)


def test_a_claim_that_was_not_amended_owes_no_packet(claim, clerk):
    assert amended(claim) == []


def test_the_new_packet_is_asked_for_until_it_is_made_and_has_gone(claim, clerk):
    amend(claim, clerk)
    [entry] = amended(claim)
    assert entry.head == "send the amended packet" and "Mon 2 Mar 2026" in entry.words
    assert "its new packet is not made" in entry.words
    packet = make_packet_row(claim, actor=clerk, number=2, at=LATER)
    [entry] = amended(claim)
    assert "its new packet has not gone" in entry.words
    send_packet(claim, clerk, packet=packet)
    assert amended(claim) == []


def test_a_packet_of_which_a_part_came_back_has_not_gone(claim, clerk):
    amend(claim, clerk)
    send_packet(claim, clerk, packet=make_packet_row(claim, actor=clerk, number=2, at=LATER), parts=2, back=[2])
    assert len(amended(claim)) == 1


def test_the_packet_goes_with_a_letter_of_amendment_on_paper(claim, clerk):
    amend(claim, clerk)
    make_packet_row(claim, actor=clerk, number=2, at=LATER)
    letter(claim, clerk, way="post")
    assert amended(claim) == []


@pytest.mark.parametrize("letter_of", [{"way": "email"}, {"way": "post", "kind": "contest"}])
def test_no_other_letter_takes_the_packet_along(claim, clerk, letter_of):
    amend(claim, clerk)
    make_packet_row(claim, actor=clerk, number=2, at=LATER)
    letter(claim, clerk, **letter_of)
    assert len(amended(claim)) == 1


def test_a_second_amendment_asks_again(claim, clerk):
    amend(claim, clerk)
    send_packet(claim, clerk, packet=make_packet_row(claim, actor=clerk, number=2, at=LATER))
    claim.refresh_from_db()
    amend(claim, clerk, price=14, at=LATER.replace(minute=30))
    assert ["not made" in entry.words for entry in amended(claim)] == [True]


def test_nothing_is_sent_about_a_claim_that_is_all_in(claim, clerk):
    amend(claim, clerk)
    claim.refresh_from_db()
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=claim.amount, receipt_kind="in_full")
    assert amended(claim) == []
