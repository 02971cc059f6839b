"""What is behind a carrier's figures: lists that add up to them, by the rules of the sums."""

from random import Random

import pytest

from claims import behind, months, periods
from claims.models import BillCount
from claims.periods import JUDGED, Choice, Period
from receiving.enums import Attribution, DiscrepancyState, Kind, Party
from receiving.models import Arrival, Discrepancy, SealRecord, Shipment
from tests.builders import NOON, make_account, make_carrier, make_person, make_site
from tests.claims.builders import losses, make_load
from tests.claims.carriers import MARCH, make_counts

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def lead(site):
    return make_person("lead", site, "lead")


def choice(site, kind=Kind.DAMAGED, **more):
    return Choice(sites=(site,), period=Period(MARCH, MARCH), kind=kind, **more)


@pytest.fixture
def varied(site, lead):
    """Two carriers, some trailers each, with pieces of every kind, attribution and state, seals clear and broken."""
    pick, carriers, account = Random(952), [make_carrier("Alder"), make_carrier("Birch")], make_account()
    for number in range(6):
        shipment = make_load(
            site,
            actor=lead,
            carrier=carriers[number % 2],
            account=account if number % 3 else None,
            damaged=4,
            short=2,
            good=1,
            loaded_by=Party.SHIPPER if number % 4 else Party.CARRIER,
            origin="Lakeside" if number > 3 else "",
        )
        if number % 3 == 0:
            SealRecord.objects.create(
                arrival=shipment.arrival, condition="broken", number_on_seal="77", actor=lead, at=NOON
            )
        for place, piece in enumerate(losses(shipment)):
            values = {"attribution": pick.choice(["", *Attribution.values])}
            if place == 1:
                values |= {"kind": Kind.REROUTED, "damaged_too": True, "new_store": piece.carton.store}
            if place == 2:
                values |= {"kind": Kind.OVER, "damaged_too": number % 2, "carton": None}
            if place == 3:
                values |= {"state": pick.choice(DiscrepancyState.values)}
            Discrepancy.objects.filter(pk=piece.pk).update(**values)
    months.rebuild(site)
    return carriers


def test_every_list_of_pieces_adds_up_to_its_figure_whatever_the_filter(site, varied):
    seen = 0
    account = BillCount.objects.filter(carrier=varied[0]).values_list("account", flat=True).first()
    for narrowed in ({}, {"account": account}, {"origin": "Lakeside"}, {"origin": ""}):
        for kind in JUDGED:
            chosen = choice(site, kind, **narrowed)
            for key, beside in periods.beside(chosen).items():
                found = {name: behind.quantity(behind.pieces(chosen, key, name)) for name in behind.PIECES}
                assert found == figures(beside, kind), (narrowed, kind)
                seen += sum(map(bool, found.values()))
    assert seen > 40


def figures(beside, kind):
    whose = beside.whose[kind]
    return {
        "counted": beside.counts[kind],
        "origin": whose["origin"],
        "own": whose["own"],
        "outbound": whose["outbound"],
        "cannot-tell": whose["cannot_tell"] + whose["not_said"],
        "clear-seal": beside.whose[Kind.SHORT]["clear_seal"],
        "rerouted": beside.counts[Kind.REROUTED],
    }


def test_other_sites_and_other_months_are_not_behind_a_figure(site, lead):
    carrier = make_carrier()
    make_load(site, actor=lead, carrier=carrier)
    away = make_site("SOU")
    make_load(away, actor=lead, carrier=carrier)
    late = make_load(site, actor=lead, carrier=carrier)
    Arrival.objects.filter(pk=late.arrival_id).update(released_at=NOON.replace(month=5))
    for each in (site, away):
        months.rebuild(each)
    [piece] = behind.pieces(choice(site), carrier.pk, "counted")
    assert (piece.site, piece.arrival_id != late.arrival_id) == (site, True)
    assert len(behind.pieces(Choice((site, away), Period(MARCH, MARCH)), carrier.pk, "counted")) == 2


def test_trailers_come_with_their_cartons_events_gate_and_seal_most_events_first(site):
    carrier = make_carrier()
    make_counts(site, carrier, [3, 0, 8], cartons=[900, 800, 700], minutes_late=16)
    make_counts(site, carrier, [1], minutes_late=15, seal_exception=True)
    make_counts(site, carrier, [0], minutes_late=None)
    make_counts(site, carrier, [0], cartons=0, minutes_late=90)
    found = behind.trailers(choice(site), carrier.pk, "trailers")
    assert [(each.cartons, each.events) for each in found] == [(700, 8), (900, 3), (900, 1), (800, 0), (900, 0)]
    assert [each.events for each in behind.trailers(choice(site), carrier.pk, "touched")] == [8, 3, 1]
    gate = behind.trailers(choice(site), carrier.pk, "gate")
    assert [(each.minutes_late, each.in_time) for each in gate][0] == (90, False)
    assert [each.in_time for each in gate].count(True) == 1 and len(gate) == 5
    assert [each.events for each in behind.trailers(choice(site), carrier.pk, "seals")] == [1]


def test_lists_of_trailers_are_as_long_as_their_figures_say(site):
    carrier = make_carrier()
    make_counts(site, carrier, [3, 0, 8], minutes_late=16)
    make_counts(site, carrier, [1], minutes_late=15, seal_exception=True)
    told = periods.beside(choice(site))[carrier.pk]
    [standing] = periods.comparison(choice(site)).standings
    found = {name: behind.trailers(choice(site), carrier.pk, name) for name in behind.TRAILERS}
    assert (len(found["trailers"]), len(found["touched"])) == (standing.sums.k, standing.sums.m)
    assert (len(found["gate"]), sum(each.in_time for each in found["gate"])) == (told.in_time.of, told.in_time.hits)
    assert len(found["seals"]) == told.seals.hits == 1


@pytest.mark.parametrize("figure", ["counted", "clear-seal"])
def test_the_number_of_queries_does_not_grow_with_the_pieces(site, lead, figure, django_assert_num_queries):
    carrier, asked = make_carrier(), []
    for _round in range(2):
        make_load(site, actor=lead, carrier=carrier, damaged=2, short=2, loaded_by=Party.SHIPPER)
        months.refresh(site)
        with django_assert_num_queries(1 + (figure == "clear-seal")):
            asked.append(len(behind.pieces(choice(site, Kind.DAMAGED), carrier.pk, figure)))
    assert asked[0] < asked[1]
    assert Shipment.objects.count() == 2
