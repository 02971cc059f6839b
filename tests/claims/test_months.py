"""Month sums: what counts against whom, and that they always equal a count from scratch."""

import uuid
from datetime import UTC, datetime, timedelta
from io import StringIO
from random import Random

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from claims import months
from claims.models import BillCount, MonthSums, VisitCount
from claims.scorecard.sums import Sums
from receiving import discrepancies, evidence
from receiving.enums import ArrivalState, Attribution, DiscrepancyState, Kind
from receiving.models import Arrival, Carton, Discrepancy, SealRecord, Shipment
from tests.builders import NOON, make_account, make_arrival, make_carrier, make_person, make_site
from tests.claims.builders import losses, make_load
from tests.claims.fact_builders import at_once
from tests.claims.kept_sums import kept

pytestmark = pytest.mark.django_db
LATER = NOON + timedelta(hours=2)


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def lead(site):
    return make_person("lead", site, "lead")


def assert_equal_to_scratch(site):
    months.refresh(site)
    found = kept(site)
    months.rebuild(site)
    assert found == kept(site)


def bill(shipment):
    months.refresh(shipment.arrival.site)
    return BillCount.objects.get(pk=shipment.pk)


def change(piece, actor, **values):
    """A change of a piece past its writer, told in the log as the writer would."""
    Discrepancy.objects.filter(pk=piece.pk).update(**values)
    tell(piece.arrival, actor, discrepancy=piece)


def tell(arrival, actor, verb="piece.amended", **more):
    evidence.append(site=arrival.site, verb=verb, record=arrival, actor=actor, at=LATER, arrival=arrival, **more)


# --- what counts against whom -----------------------------------------------------------------------------------------


def test_damage_in_transit_and_shorts_count_against_the_carrier(site, lead):
    shipment = make_load(site, actor=lead, damaged=2, short=1, good=7)
    row = bill(shipment)
    assert (row.listed, row.received, row.damaged, row.short, row.over) == (10, 9, 2, 1, 0)
    assert row.carrier == shipment.arrival.carrier
    assert row.month.isoformat() == NOON.date().replace(day=1).isoformat()
    assert row.beside == {}


@pytest.mark.parametrize("whose", [whose for whose in Attribution.values if whose != "transit"])
def test_what_is_not_attributed_to_transit_stands_beside(site, lead, whose):
    shipment = make_load(site, actor=lead, damaged=1, short=0)
    change(losses(shipment)[0], lead, attribution=whose)
    assert (bill(shipment).damaged, bill(shipment).beside) == (0, {"damaged": {whose: 1}})


def test_damage_that_nobody_attributed_is_not_the_carrier_s(site, lead):
    shipment = make_load(site, actor=lead, damaged=1, short=0)
    change(losses(shipment)[0], lead, attribution="")
    assert bill(shipment).beside == {"damaged": {"not_said": 1}}


def test_a_short_under_a_clear_seal_on_a_trailer_the_shipper_loaded_stands_beside(site, lead):
    shipment = make_load(site, actor=lead, damaged=0, short=1, loaded_by="shipper")
    arrival = shipment.arrival
    SealRecord.objects.filter(arrival=arrival).exists() or seal(arrival, lead)
    months.rebuild(site)
    assert bill(shipment).beside == {"short": {"clear_seal": 1}}
    change(losses(shipment)[0], lead, attribution="transit")
    assert bill(shipment).short == 1
    change(losses(shipment)[0], lead, attribution="")
    Shipment.objects.filter(pk=shipment.pk).update(loaded_by="carrier")
    tell(arrival, lead, verb="shipment.changed")
    assert bill(shipment).short == 1


def seal(arrival, actor, condition="intact"):
    return SealRecord.objects.create(arrival=arrival, condition=condition, number_on_seal="77", actor=actor, at=NOON)


def test_a_seal_of_our_own_says_nothing_of_how_the_trailer_came():
    """Put on after a pause it shows that nobody went in since, not that the shipper's was there and whole."""
    ours, found = (SealRecord(action=action, condition="intact") for action in ("applied", "found"))
    assert not months.is_clear([ours]) and months.is_clear([found, ours])


def test_each_kind_has_sums_of_its_own_in_each_of_the_four_cells(site, lead):
    shipment = make_load(site, actor=lead, damaged=2, short=3, good=4)
    months.refresh(site)
    [account, origin] = shipment.account_id, bill(shipment).origin
    cells = {months.cell(*which) for which in ((), (account,), (None, origin), (account, origin))}
    for kind, events in ((Kind.DAMAGED, 2), (Kind.SHORT, 3), (Kind.OVER, 0), (Kind.REROUTED, 0)):
        found = MonthSums.objects.filter(site=site, kind=kind)
        assert {row.cell for row in found} == cells, kind
        assert {Sums.from_record(row.shown).sx for row in found} == {events}, kind


def test_a_rerouted_carton_that_is_damaged_too_is_both(site, lead):
    shipment = make_load(site, actor=lead, damaged=1, short=0)
    piece = losses(shipment)[0]
    change(piece, lead, kind=Kind.REROUTED, damaged_too=True, new_store=piece.carton.store)
    assert (bill(shipment).damaged, bill(shipment).rerouted) == (1, 1)


def test_a_found_matched_or_void_piece_counts_for_nothing(site, lead):
    shipment = make_load(site, actor=lead, damaged=1, short=1)
    discrepancies.mark_found(losses(shipment)[1], actor=lead, at=LATER)
    assert bill(shipment).short == 0
    change(losses(shipment)[0], lead, state=DiscrepancyState.VOID)
    assert bill(shipment).damaged == 0


def test_a_trailer_that_is_not_released_or_has_no_carrier_is_left_out(site, lead):
    shipment = make_load(site, actor=lead, released=False)
    months.refresh(site)
    assert kept(site) == ([], [], [])
    Arrival.objects.filter(pk=shipment.arrival_id).update(state="released", released_at=NOON, carrier=None)
    tell(shipment.arrival, lead, verb="arrival.released")
    months.refresh(site)
    assert kept(site) == ([], [], [])


@pytest.mark.parametrize(
    ("moment", "month"),
    [
        (datetime(2026, 4, 1, 4, 30, tzinfo=UTC), "2026-03-01"),
        (datetime(2026, 4, 1, 5, 0, tzinfo=UTC), "2026-04-01"),
        (datetime(2026, 12, 1, 5, 59, tzinfo=UTC), "2026-11-01"),
        (datetime(2026, 12, 1, 6, 0, tzinfo=UTC), "2026-12-01"),
    ],
)
def test_a_month_ends_at_the_site_s_midnight_in_summer_and_in_winter(lead, moment, month):
    site = make_site("CHI", time_zone="America/Chicago")
    shipment = make_load(site, actor=lead)
    Arrival.objects.filter(pk=shipment.arrival_id).update(released_at=moment)
    months.rebuild(site)
    assert BillCount.objects.get(pk=shipment.pk).month.isoformat() == month


def test_another_carrier_takes_the_trailer_along_and_leaves_nothing_behind(site, lead):
    shipment = make_load(site, actor=lead)
    months.refresh(site)
    other = make_carrier()
    Arrival.objects.filter(pk=shipment.arrival_id).update(carrier=other)
    tell(shipment.arrival, lead, verb="arrival.changed")
    months.refresh(site)
    assert set(MonthSums.objects.values_list("carrier", flat=True)) == {other.pk}


def test_a_change_of_the_site_counts_everything_anew(site, lead):
    shipment = make_load(site, actor=lead)
    months.refresh(site)
    Shipment.objects.filter(pk=shipment.pk).update(origin="Elsewhere")
    with_event = {"verb": "site.changed", "record": f"site:{site.pk}"}
    evidence.append(site=site, actor=lead, at=LATER, **with_event)
    assert bill(shipment).origin == "Elsewhere"


def test_a_trailer_in_time_and_a_seal_that_was_not_whole_are_noted(site, lead):
    shipment = make_load(site, actor=lead)
    times = {"appointment_at": NOON, "gate_at": NOON + timedelta(minutes=25)}
    Arrival.objects.filter(pk=shipment.arrival_id).update(**times)
    months.rebuild(site)
    assert VisitCount.objects.get().minutes_late == 25


def test_a_trailer_on_which_only_our_own_seal_stands_is_an_exception(site, lead):
    arrival = make_arrival(site, actor=lead, state=ArrivalState.AT_DOOR, pieces=3, carrier=make_carrier())
    SealRecord.objects.create(
        arrival=arrival, action="applied", condition="intact", number_on_seal="77", actor=lead, at=NOON
    )
    Arrival.objects.filter(pk=arrival.pk).update(state="released", released_at=NOON)
    months.rebuild(site)
    assert VisitCount.objects.get().seal_exception


def test_what_happens_to_trailers_still_here_is_not_counted_and_changes_nothing(site, lead):
    there, here = make_load(site, actor=lead), make_load(site, actor=lead, released=False)
    assert months.refresh(site) == 1
    tell(here.arrival, lead, verb="scans")
    assert months.refresh(site) == 0
    tell(there.arrival, lead, verb="photo.received")
    assert months.refresh(site) == 1


def test_looking_again_costs_two_queries_when_nothing_happened(site, lead, django_assert_num_queries):
    make_load(site, actor=lead)
    assert months.refresh(site) == 1
    with django_assert_num_queries(2):
        assert months.refresh(site) == 0


def test_accounts_and_origins_have_cells_of_their_own(site, lead):
    carrier, one, two = make_carrier(), make_account(), make_account()
    make_load(site, actor=lead, carrier=carrier, account=one, origin="Mill  Town", damaged=1, short=0, good=4)
    make_load(site, actor=lead, carrier=carrier, account=two, origin="Lakeside", damaged=2, short=0, good=4)
    months.refresh(site)
    rows = MonthSums.objects.filter(kind="damaged")
    found = {row.cell: (Sums.from_record(row.shown).sx, Sums.from_record(row.shown).sn) for row in rows}
    assert found[months.cell()] == (3, 11)
    assert found[months.cell(one.pk)] == (1, 5)
    assert found[months.cell(None, "Lakeside")] == (2, 6)
    assert found[months.cell(one.pk, "Mill Town")] == (1, 5)
    assert months.cell(one.pk, "Lakeside") not in found


# --- equal to a count from scratch ------------------------------------------------------------------------------------

EDITS = 10_000
ROUNDS = 10


@pytest.fixture
def many(site, lead):
    carriers, accounts = [make_carrier() for _n in range(3)], [make_account() for _n in range(2)]
    for number in range(9):
        load = {"damaged": number % 3, "short": (number + 1) % 3, "good": 3}
        at = NOON + timedelta(days=11 * number)
        make_load(site, actor=lead, at=at, carrier=carriers[number % 3], account=accounts[number % 2], **load)
    return list(Arrival.objects.filter(site=site)), carriers, accounts


def edit(pick, arrivals, carriers, accounts):
    """One random change of a row that the sums depend on; gives the trailer it is about."""
    arrival = pick.choice(arrivals)
    trailer = Arrival.objects.filter(pk=arrival.pk)
    pieces = Discrepancy.objects.filter(arrival=arrival)
    bills = Shipment.objects.filter(arrival=arrival)
    match pick.randrange(8):
        case 0:
            trailer.update(carrier=pick.choice([*carriers, None]))
        case 1:
            trailer.update(released_at=NOON + timedelta(hours=pick.randrange(16_000)))
        case 2:
            trailer.update(state=pick.choice([ArrivalState.RELEASED, ArrivalState.RELEASED, ArrivalState.COUNTED]))
        case 3:
            pieces.update(attribution=pick.choice(["", *Attribution.values]))
        case 4:
            one_of(pick, pieces).update(state=pick.choice(DiscrepancyState.values))
        case 5:
            one_of(pick, Carton.objects.filter(arrival=arrival)).update(received=pick.randrange(2))
        case 6:
            bills.update(loaded_by=pick.choice(["shipper", "carrier"]), account=pick.choice(accounts))
        case 7:
            bills.update(origin=pick.choice(["", "Mill Town", "Lakeside"]))
    return arrival


def one_of(pick, rows):
    keys = list(rows.order_by("pk").values_list("pk", flat=True))
    return rows.filter(pk=pick.choice(keys)) if keys else rows


@settings(
    max_examples=ROUNDS,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(seed=st.integers(0, 2**32))
def test_sums_equal_a_count_from_scratch_after_ten_thousand_random_changes(many, site, lead, seed):
    arrivals, carriers, accounts = many
    pick = Random(seed)
    for _round in range(EDITS // ROUNDS // 50):
        touched = [edit(pick, arrivals, carriers, accounts) for _edit in range(50)]
        entries = [
            {"verb": "piece.amended", "record": each, "arrival": each, "actor": lead, "at": LATER} for each in touched
        ]
        evidence.append_many(site=site, entries=entries)
        months.refresh(site)
    assert_equal_to_scratch(site)


def test_sums_equal_a_count_from_scratch_after_the_dock_s_own_steps(site, lead):
    shipment = make_load(site, actor=lead, damaged=2, short=3, good=4)
    months.refresh(site)
    for piece in losses(shipment)[:2]:
        given = {"where_found": "pallet", "attribution": "own", "reason": "", "version": piece.version}
        discrepancies.attribute(piece, **given, actor=lead, at=LATER)
        assert_equal_to_scratch(site)
    for piece in losses(shipment)[2:4]:
        discrepancies.mark_found(piece, actor=lead, at=LATER)
        assert_equal_to_scratch(site)
    over = discrepancies.record(
        shipment.arrival,
        uuid=uuid.uuid4(),
        kind=Kind.OVER,
        facts={"label": losses(shipment)[4].label, "no_photo_reason": "for a test"},
        knowingly=True,
        actor=lead,
        at=LATER,
    )
    assert_equal_to_scratch(site)
    assert over


@pytest.mark.django_db(transaction=True)
def test_two_who_look_at_once_count_once(site, lead):
    make_load(site, actor=lead)
    came = at_once(lambda: months.refresh(site), lambda: months.refresh(site))
    assert sorted(came) == [0, 1]
    assert BillCount.objects.count() == 1
    connection.close()


# --- put right --------------------------------------------------------------------------------------------------------


def recounted(*codes):
    out = StringIO()
    call_command("recount", *[f"--site={code}" for code in codes], stdout=out)
    return out.getvalue()


def test_recount_says_that_nothing_differed(site, lead):
    make_load(site, actor=lead)
    assert recounted() == "NOR: counted from scratch, nothing differed.\n"


def test_recount_puts_right_what_was_changed_without_an_event_and_says_so(site, lead):
    shipment = make_load(site, actor=lead, damaged=2, short=0)
    make_site("SUD")
    assert bill(shipment).damaged == 2
    Discrepancy.objects.filter(pk=losses(shipment)[0].pk).update(attribution="own")
    assert bill(shipment).damaged == 2
    assert "Rows that differed: 1 bills, 4 sums." in recounted("NOR")
    assert bill(shipment).damaged == 1
    assert "differed." in recounted("SUD")


def test_recount_knows_no_other_site(site):
    with pytest.raises(CommandError, match="No site XXX"):
        recounted("XXX")
