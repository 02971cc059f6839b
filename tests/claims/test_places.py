"""Where pieces were found, whose doing it was and what kind of damage: counts that add up to the list of pieces."""

from datetime import UTC, date, datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import translation

from claims import places
from claims.periods import Period
from claims.places import Found
from receiving.enums import ArrivalState, Kind
from receiving.filters import PieceFilter
from tests.builders import make_account, make_arrival, make_carrier, make_code, make_person, make_piece, make_site

pytestmark = pytest.mark.django_db
MARCH = datetime(2026, 3, 10, 15, tzinfo=UTC)
SPRING = Period(date(2026, 3, 1), date(2026, 4, 1))
CRUSHED = {"code": "CR", "label": "crushed", "label_es": "aplastada"}
WET = {"code": "WE", "label": "wet", "label_es": "mojada"}


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def lead(site):
    return make_person("lead", site, "lead")


@pytest.fixture
def trailer(site, lead):
    return make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=100)


@pytest.fixture
def log(trailer, lead):
    """A logged piece: in the trailer, in transit, crushed, one carton, on 10 March, if not told otherwise."""

    def make(**fields):
        given = {"where_found": "in_trailer", "attribution": "transit", "codes": [CRUSHED], "at": MARCH}
        return make_piece(fields.pop("arrival", trailer), actor=lead, **(given | fields))

    return make


def picture(site, period=SPRING, kinds=(Kind.DAMAGED,), **narrowed):
    return places.picture(site, places.chosen(site, period, kinds, **narrowed))


def counts(lines):
    return {line.key: (line.total.pieces, line.total.cartons) for line in lines}


def test_places_stand_in_the_order_of_the_way_with_whose_doing_it_was(site, log):
    log(where_found="store", attribution="cannot_tell")
    log(where_found="", attribution="")
    log(where_found="pallet", attribution="own", quantity=4)
    log()
    log(attribution="origin", quantity=2)
    found = picture(site)
    assert [line.key for line in found.places] == ["in_trailer", "pallet", "store", "none"]
    assert found.places[0].by_doing == {"transit": Found(1, 1), "origin": Found(1, 2)}
    assert found.places[1].by_doing == {"own": Found(1, 4)}
    assert list(found.doings) == ["transit", "origin", "own", "cannot_tell", "none"]
    assert (found.doings["own"], found.total) == (Found(1, 4), Found(5, 9))


def test_every_count_adds_up_to_the_total(site, log):
    for where in ("in_trailer", "conveyor", "staging", ""):
        for whose in ("transit", "own", "outbound", ""):
            log(where_found=where, attribution=whose, quantity=3)
    found = picture(site)
    assert sum((line.total for line in found.places), Found()) == found.total == Found(16, 48)
    assert sum(found.doings.values(), Found()) == found.total
    for key, total in found.doings.items():
        assert sum((line.by_doing[key] for line in found.places), Found()) == total


def test_a_piece_with_two_kinds_of_damage_is_in_both_and_once_in_the_total(site, log):
    log(codes=[CRUSHED, WET], quantity=2)
    log(codes=[WET, WET], attribution="own")
    log(codes=[])
    found = picture(site)
    assert counts(found.damage) == {"WE": (2, 3), "CR": (1, 2)}
    assert found.damage[0].by_doing == {"transit": Found(1, 2), "own": Found(1, 1)}
    assert found.total == Found(3, 4)


def test_damage_goes_by_cartons_then_by_its_words(site, log):
    log(codes=[{"code": "Z", "label": "bent"}])
    log(codes=[CRUSHED])
    log(codes=[WET], quantity=2)
    assert [line.words for line in picture(site).damage] == ["wet", "bent", "crushed"]


def test_a_code_is_said_in_the_words_of_the_site_and_of_the_page(site, log):
    log()
    log(codes=[WET])
    make_code(site, "CR", label="squashed", label_es="aplastada", retired_at=MARCH)
    make_code(site, "CR", label="crushed flat", label_es="aplastada")
    make_code(make_site("SOU"), "WE", label="of another site")
    assert [line.words for line in picture(site).damage] == ["crushed flat", "wet"]
    with translation.override("es"):
        assert "aplastada" in [line.words for line in picture(site).damage]


@pytest.mark.parametrize("state", ["void", "found", "matched"])
def test_what_no_longer_stands_is_left_out(site, log, state):
    log(state=state)
    assert picture(site).total == Found() and places.months_with_pieces(site) == []


def test_only_the_kinds_asked_for_and_never_what_is_set_aside(site, log):
    log(kind="over", codes=[])
    log(kind="set_aside", codes=[])
    log()
    assert picture(site).total == Found(1, 1)
    assert picture(site, kinds=(Kind.DAMAGED, Kind.OVER)).total == Found(2, 2)


def test_a_month_begins_and_ends_on_the_sites_clock(site, log):
    """Chicago is six hours behind in February and five from 8 March on."""
    log(at=datetime(2026, 3, 1, 5, 59, tzinfo=UTC))
    log(at=datetime(2026, 3, 1, 6, tzinfo=UTC), quantity=10)
    log(at=datetime(2026, 5, 1, 4, 59, tzinfo=UTC), quantity=100)
    log(at=datetime(2026, 5, 1, 5, tzinfo=UTC))
    assert picture(site).total == Found(2, 110)
    assert places.months_with_pieces(site) == [date(2026, month, 1) for month in (2, 3, 4, 5)]


def test_months_run_over_the_turn_of_a_year(site, log):
    log(at=datetime(2025, 11, 10, tzinfo=UTC))
    log(at=datetime(2026, 1, 10, tzinfo=UTC))
    assert places.months_with_pieces(site) == [date(2025, 11, 1), date(2025, 12, 1), date(2026, 1, 1)]


def test_account_carrier_and_site_narrow(site, lead, log):
    carrier, account = make_carrier(), make_account()
    one = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=9, carrier=carrier, account=account)
    away = make_site("SOU")
    elsewhere = make_arrival(away, actor=lead, state=ArrivalState.UNLOADING, pieces=9, carrier=carrier, account=account)
    log(quantity=2)
    log(arrival=one, quantity=3)
    log(arrival=elsewhere, quantity=5)
    assert picture(site).total.cartons == 5
    assert picture(site, account=account).total.cartons == 3
    assert picture(site, carrier=carrier).total.cartons == 3
    assert picture(away, carrier=carrier, account=account).total.cartons == 5


def test_a_count_is_that_of_the_list_of_pieces_under_the_same_filter(site, log):
    for where in ("in_trailer", "pallet", ""):
        for whose in ("transit", "own", ""):
            for codes in ([CRUSHED], [WET, CRUSHED], []):
                log(where_found=where, attribution=whose, codes=codes)
    found = picture(site)
    days = {"first_day": "2026-03-01", "last_day": "2026-04-30", "kind": "damaged", "state": "open"}

    def listed(**narrowed):
        chosen = PieceFilter(days | narrowed, site=site)
        assert chosen.is_valid(), chosen.form.errors
        return chosen.rows.count()

    make_code(site, "CR"), make_code(site, "WE", label="wet")
    for lines, column in ((found.places, "where_found"), (found.damage, "code")):
        for line in lines:
            assert line.total.pieces == listed(**{column: line.key})
            for whose, each in line.by_doing.items():
                assert each.pieces == listed(**{column: line.key, "attribution": whose})
    assert found.total.pieces == listed()


def test_queries_are_three_however_many_pieces(site, log):
    def cost():
        with CaptureQueriesContext(connection) as asked:
            picture(site)
        return len(asked)

    log()
    one = cost()
    for where in ("conveyor", "pallet", "staging"):
        for whose in ("own", "transit", ""):
            log(where_found=where, attribution=whose, codes=[CRUSHED, WET])
    assert cost() == one == 3
