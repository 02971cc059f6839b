"""The demo's past, visit by visit: whatever the plan may hold becomes a record that adds up and verifies."""

from datetime import UTC, datetime, timedelta
from itertools import cycle

import pytest

from receiving import discrepancies, gaps, queries
from receiving.demo import company, history, pictures, plan, scenario
from receiving.demo.ledger import Ledger
from receiving.enums import ArrivalState, IncidentKind, Kind
from receiving.models import Arrival, Discrepancy, DiscrepancyVersion, Event
from receiving.verification import verify

NOW = datetime(2026, 3, 4, 16, 20, tzinfo=UTC)


def visits():
    """One visit for each thing that can be so or otherwise, food and other goods in turn."""
    origins = cycle(scenario.read()["origins"])

    def visit(**facts):
        origin = next(origins)
        food = origin["account"] == "Larkmeadow Pantry Markets"
        bill = plan.Bill(origin | {"cold": food}, pieces=60, **facts.pop("bill", {}))
        made = plan.Visit("ALD", NOW - timedelta(days=40), "Quarterbell Freight", bills=[bill])
        for name, value in facts.items():
            setattr(made, name, value)
        return made

    harm = {"damaged": 6, "short": 5, "over": 2, "rerouted": 3}
    for seal in ("agrees", "differs", "broken", "missing", "none"):
        for _food in range(5):
            yield visit(seal=seal, bill={"damaged": 2})
    for accident in ("shifted", "leak", "poor loading"):
        for listed in (True, False):
            for _food in range(5):
                yield visit(accident=accident, listed=listed, bill=dict(harm), late_findings=2)
    for listed in (True, False):
        yield visit(listed=listed, bill=harm | {"refused": 7}, dropped=True, late=True, cold=True)
    for ending in ("refused", "cancelled"):
        yield visit(ending=ending)


@pytest.fixture
def written(db):
    """(visit, arrival) for each visit, all stored."""
    made = company.Company(scenario.read())
    pictures.take_in(made)
    company.found(made, at=NOW - timedelta(days=380))
    ledger = Ledger()
    past = history.Past(made, ledger, now=NOW)
    pairs = [(visit, past.write(visit)) for visit in visits()]
    ledger.write()
    ledger.close()
    return [(visit, Arrival.objects.get(pk=arrival.pk)) for visit, arrival in pairs]


def test_every_kind_of_visit_adds_up_with_what_the_plan_says(written):
    for visit, arrival in written:
        if visit.ending != "released":
            assert arrival.state == ArrivalState(visit.ending)
            continue
        (bill,) = visit.bills
        square = queries.trailer_squaring(arrival)
        found = sum(piece.quantity for piece in arrival.discrepancies.filter(kind=Kind.SHORT, state="found"))
        said = (square.missing, square.contradiction, square.over, square.short + found, square.refused)
        assert said == (0, 0, bill.over, bill.short, bill.refused), (visit, square)
        late = arrival.discrepancies.filter(after_release=True).count()
        assert (square.damaged, square.rerouted) == (bill.damaged + late, bill.rerouted)
        assert square.received == bill.pieces - square.short - bill.refused + bill.over


def test_every_kind_of_visit_verifies_and_its_log_goes_forward(written):
    site = written[0][1].site
    assert list(verify(site)) == []
    moments = list(Event.objects.filter(site=site).order_by("seq").values_list("at", flat=True))
    assert moments == sorted(moments) and moments[-1] <= NOW
    assert len(moments) > 1000


def test_a_version_says_what_the_piece_was_and_the_last_what_it_is(written):
    for piece in Discrepancy.objects.all():
        versions = list(DiscrepancyVersion.objects.filter(discrepancy=piece).order_by("version"))
        assert [row.version for row in versions] == list(range(1, piece.version + 1))
        assert versions[-1].facts == discrepancies.told_facts(piece)
        assert versions[0].facts["state"] == "open"
    assert Discrepancy.objects.filter(version__gt=1).count() > 20


def test_a_seal_that_is_not_as_it_should_be_has_its_incident_and_holds_the_damaged_food(written):
    for visit, arrival in written:
        wrong = visit.seal in ("differs", "broken", "missing")
        seal_notes = arrival.incidents.filter(kind=IncidentKind.SEAL, discrepancy=None)
        assert seal_notes.exists() == wrong, visit
        assert any(seal.needs_incident for seal in arrival.seals.all()) == wrong
        for piece in arrival.discrepancies.filter(kind=Kind.DAMAGED, shipment__account__food=True, after_release=False):
            assert piece.food_hold or not wrong
    assert Discrepancy.objects.filter(food_hold=True).count() > 5


def test_pieces_have_what_the_release_would_have_asked_for(written):
    pieces = Discrepancy.objects.filter(after_release=False).prefetch_related("photos")
    lacking = {str(piece): gaps.what_is_missing(piece) for piece in pieces}
    assert lacking and not any(lacking.values()), lacking
