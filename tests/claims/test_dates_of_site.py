"""What is due at a site beside its claims: unclaimed losses, incidents; and which terms are chosen for many at once."""

import random
from datetime import UTC, date, datetime
from itertools import count

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from claims import dates, queries, terms
from claims.models import Terms
from receiving.models import Arrival, Discrepancy, Shipment
from tests.builders import NOON, make_account, make_carrier, make_person, make_site
from tests.claims.builders import losses, make_load, make_terms
from tests.claims.dated import (
    FILE,
    FILE_LOSS,
    US,
    day,
    days,
    draft,
    filed,
    kinds,
    make_dated_terms,
    make_note,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site(responsible_person="Dana Field", responsible_phone="555-0100")


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


def asked(call):
    with CaptureQueriesContext(connection) as found:
        call()
    return len(found)


# -- unclaimed losses


def test_an_unclaimed_piece_has_the_dates_of_its_kind_and_nothing_of_the_carriers(site, clerk):
    make_dated_terms()
    damaged, short = losses(make_load(site, actor=clerk))
    found = dates.of_pieces(site, [damaged, short], NOON)
    assert [(due.duty, due.day) for due in found[damaged][1]] == [("file", day("2026-12-02"))]
    assert [(due.duty, due.day) for due in found[short][1]] == [("file", day("2026-11-26"))]
    assert found[short][0] is found[short][1][0]


def test_a_late_finding_that_nobody_claimed_is_to_be_reported_first(site, clerk):
    make_dated_terms()
    piece, _short = losses(make_load(site, actor=clerk))
    Discrepancy.objects.filter(pk=piece.pk).update(after_release=True)
    nearest, every = dates.of_pieces(site, losses(piece.shipment), NOON)[piece]
    assert (nearest.duty, nearest.day) == ("concealed_notice", day("2026-03-09"))
    assert [due.duty for due in every] == ["concealed_notice", "file"]


def test_the_nearest_date_of_a_piece_is_the_unknown_one(site, clerk):
    make_dated_terms(FILE, FILE_LOSS | {"duty": "notice", "applies": "any"})
    [piece] = losses(make_load(site, actor=clerk, short=0, bill_date=None, ship_date=date(2026, 2, 26)))
    nearest, every = dates.of_pieces(site, [piece], NOON)[piece]
    assert not nearest.is_known and len(every) == 2


def test_a_piece_without_terms_has_no_date_at_all(site, clerk):
    [piece] = losses(make_load(site, actor=clerk, short=0))
    assert dates.of_pieces(site, [piece], NOON) == {piece: (None, [])}


def test_many_pieces_take_as_many_queries_as_one(site, clerk):
    make_dated_terms()
    make_load(site, actor=clerk)

    def rows():
        return list(queries.claimable(site).select_related(*queries.WITH))

    few = rows()
    one = asked(lambda: dates.of_pieces(site, few, NOON))
    for _n in range(2):
        make_load(site, actor=clerk, damaged=3, short=2)
    many = rows()
    assert asked(lambda: dates.of_pieces(site, many, NOON)) == one == 3


def test_each_bill_with_unclaimed_losses_stands_in_the_list_of_the_site_once_for_each_duty(site, clerk):
    make_dated_terms()
    load = make_load(site, actor=clerk, damaged=3, short=2, carrier=make_carrier("Cedar Line"))
    [entry] = dates.of_site(site, at=NOON)
    assert (entry.kind, entry.date, str(entry.carrier)) == ("unclaimed", day("2026-11-26"), "Cedar Line")
    assert entry.words.startswith(f"5 unclaimed pieces of bill {load.bill_number}. File by Thu 26 Nov 2026")
    assert entry.url == "/NOR/claims/to-claim/" and entry.who is None
    assert entry.about == f"bill {load.bill_number}"


def test_a_bill_for_which_no_terms_hold_stands_on_top_without_a_date(site, clerk):
    make_dated_terms(account=make_account("Juniper Home Stores"))
    make_load(site, actor=clerk, account=make_account("Alder Foods"))
    make_load(site, actor=clerk, account=make_account("Birch Tools"), short=0)
    make_load(site, actor=clerk, account=Terms.objects.get().account)
    found = dates.of_site(site, at=NOON)
    assert [each.is_known for each in found] == [False, False, True]
    assert "1 unclaimed piece of bill" in " ".join(each.words for each in found)
    assert all("No date: needs terms" in each.words for each in found[:2])


def test_a_claimed_piece_is_the_claims_and_no_longer_unclaimed(site, clerk):
    make_dated_terms()
    draft(site, clerk)
    assert set(kinds(dates.of_site(site, at=NOON))) == {"deadline"}


def test_a_site_sees_nothing_of_another(site, clerk):
    make_dated_terms()
    other = make_site("SOU")
    lead = make_person("clerk", other, "other")
    make_load(other, actor=lead)
    filed(other, lead)
    make_note(Arrival.objects.first(), lead)
    assert dates.of_site(site, at=NOON) == []
    assert set(kinds(dates.of_site(other, at=NOON))) == {"unclaimed", "deadline", "incident"}


def test_the_list_of_a_site_takes_as_many_queries_for_three_claims_as_for_one(site, clerk):
    make_dated_terms()
    full(site, clerk)
    one = asked(lambda: dates.of_site(site, at=NOON))
    for _n in range(2):
        full(site, clerk)
    assert asked(lambda: dates.of_site(site, at=NOON)) == one


def full(site, clerk):
    """A filed claim with a carton that turned up, an unclaimed loss, an incident."""
    claim = filed(site, clerk)
    Discrepancy.objects.filter(pk=claim.lines.get(kind="loss").discrepancy_id).update(state="found")
    make_note(make_load(site, actor=clerk).arrival, clerk)


# -- incidents


def test_a_leak_of_dangerous_goods_has_the_two_reports_and_says_who_decides(site, clerk):
    load = make_load(site, actor=clerk, damaged=1, short=0)
    at = datetime(2026, 3, 3, 4, 30, tzinfo=UTC)  # Mon 2 Mar, 22:30, in Chicago
    make_note(load.arrival, clerk, at=at)
    phone, written = [each for each in dates.of_site(site, at=at) if each.kind == "incident"]
    assert (phone.moment, written.date) == (datetime(2026, 3, 3, 16, 30, tzinfo=UTC), day("2026-04-01"))
    assert "by Tue 3 Mar 2026, 10:30 CST: 12 hours after the incident on Mon 2 Mar 2026, 22:30 CST" in phone.words
    for entry in (phone, written):
        assert "Only if the incident has to be reported: that the site's plan and its trained people" in entry.words
        assert entry.words.endswith("Ask Dana Field, 555-0100.") and entry.effect == "an offence"
        assert entry.url == load.arrival.get_absolute_url() and entry.about == f"trailer {load.arrival}"


@pytest.mark.parametrize(
    ("facts", "listed"),
    [
        ({}, True),
        ({"kind": "smell"}, True),
        ({"kind": "unknown"}, True),
        ({"kind": "leaning"}, False),
        ({"hazmat": False}, False),
    ],
)
def test_only_what_escapes_from_dangerous_goods_may_have_to_be_reported(site, clerk, facts, listed):
    make_note(make_load(site, actor=clerk).arrival, clerk, **facts)
    assert ("incident" in kinds(dates.of_site(site, at=NOON))) is listed


def test_a_report_stands_a_while_after_its_time_and_then_is_history(site, clerk):
    make_note(make_load(site, actor=clerk).arrival, clerk)

    def standing(after):
        return [each.due.duty for each in dates.of_site(site, at=NOON + days(after)) if each.kind == "incident"]

    assert standing(3) == ["hazmat_phone", "hazmat_report"]
    assert standing(5) == standing(44) == ["hazmat_report"]
    assert standing(46) == []


def test_where_nobody_is_named_to_ask_the_entry_says_so(clerk, site):
    type(site).objects.update(responsible_person="", responsible_phone="")
    make_note(make_load(site, actor=clerk).arrival, clerk)
    site.refresh_from_db()
    assert (
        "Nobody is named for the site" in dates.of_site(site, at=NOON)[0].words + dates.of_site(site, at=NOON)[1].words
    )


# -- terms for many


@pytest.mark.parametrize("seed", range(6))
def test_the_terms_chosen_for_many_are_those_chosen_for_one(clerk, site, seed):
    chance, numbers = random.Random(seed), count(1)
    carriers, accounts = [make_carrier() for _ in range(3)], [make_account() for _ in range(3)]
    sites, origins = [site, make_site("SOU")], ["Elm Park", "  elm  PARK", "Reed Bay", ""]

    def some(values):
        return chance.choice([*values, None])

    for _n in range(25):
        start = date(2026, chance.randint(1, 4), 1)
        make_terms(
            f"Terms {next(numbers)}",
            carrier=some(carriers),
            account=some(accounts),
            site=some(sites),
            origin=chance.choice(origins),
            mode=chance.choice(["", "road", "air"]),
            valid_from=start,
            valid_until=chance.choice([None, start + days(40)]),
            retired_at=chance.choice([None, None, None, NOON]),
        )
    load = make_load(site, actor=clerk, damaged=1, short=0)
    chosen = set()
    for _n in range(40):
        Arrival.objects.update(carrier=some(carriers), dropped_at=chance.choice([None, NOON - days(60)]))
        Shipment.objects.update(
            carrier_on_bill=some(carriers),
            account=chance.choice(accounts),
            origin=chance.choice(origins),
            bill_date=chance.choice([None, date(2026, 2, 10), date(2026, 4, 20), date(2025, 1, 1)]),
            ship_date=chance.choice([None, date(2026, 3, 20)]),
        )
        bill = Shipment.objects.select_related("arrival__site", "arrival__carrier", "account").get(pk=load.pk)
        held, choice = dates.Choices().choose(bill), terms.choose(bill)
        assert (held and held.terms) == choice.terms
        chosen.add(choice.terms and choice.terms.title)
    assert len(chosen) > 2, "the bills were all alike"


def test_terms_are_chosen_for_many_in_two_queries(site, clerk):
    for _n in range(3):
        make_dated_terms(*US)
    loads = [make_load(site, actor=clerk) for _n in range(3)]

    def choose():
        choices = dates.Choices()
        assert all(choices.choose(load).periods for load in loads)

    assert asked(choose) == 2
