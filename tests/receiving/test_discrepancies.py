"""Pieces: what each kind needs, what each guard refuses, and that nothing said is ever lost."""

import uuid
from datetime import timedelta
from threading import Barrier, Thread

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction

from receiving import counting, discrepancies, dispositions, dock, evidence, gaps, history, matching, queries
from receiving.enums import (
    ArrivalState,
    Attribution,
    DiscrepancyState,
    Disposition,
    Extent,
    FindingKind,
    IncidentKind,
    Kind,
    PhotoPurpose,
    RerouteAuthority,
    StopCard,
    WhereFound,
)
from receiving.models import Arrival, Carton, Discrepancy, DiscrepancyVersion, Event, Finding, IncidentNote, Photo
from receiving.refusals import ChangedMeanwhile, Refused
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_cartons,
    make_code,
    make_person,
    make_site,
    make_store,
    sscc,
)

pytestmark = pytest.mark.django_db
LATER = NOON + timedelta(hours=1)


@pytest.fixture
def nor():
    return make_site("NOR", responsible_phone="555 0100")


@pytest.fixture
def lead(nor):
    return make_person("lead", nor)


@pytest.fixture
def trailer(nor, lead):
    """Being unloaded, one bill, ten listed cartons for two stores, none counted yet."""
    arrival = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=10)
    shipment = arrival.shipments.get()
    make_cartons(shipment, 10, stores=[make_store(nor, shipment.account, n) for n in ("0417", "0418")])
    return arrival


@pytest.fixture
def crushed(nor):
    return make_code(nor, "CR", label="crushed", label_es="aplastado", min_photos=2)


@pytest.fixture
def wet_food(nor):
    return make_code(nor, "WF", label="wet", stop_card=StopCard.FOOD)


@pytest.fixture
def leaking(nor):
    return make_code(nor, "LK", label="leaking", stop_card=StopCard.HAZARD)


def carton_of(trailer, line=0):
    return Carton.objects.get(arrival=trailer, line=line)


def log(trailer, kind, *, actor, codes=(), at=NOON, **given):
    options = {name: given.pop(name) for name in ("stop", "called", "knowingly", "found_at") if name in given}
    return discrepancies.record(
        trailer, uuid=uuid.uuid4(), kind=kind, facts=given, codes=codes, actor=actor, at=at, **options
    )


def log_damaged(trailer, *, actor, codes, line=0, **given):
    return log(trailer, Kind.DAMAGED, actor=actor, codes=codes, label=carton_of(trailer, line).label, **given)


def release(trailer, actor, at=LATER):
    if trailer.state == ArrivalState.UNLOADING:
        trailer = dock.end_count(trailer, actor=actor, at=at)
    return dock.advance(
        trailer, to=ArrivalState.RELEASED, moment="released", actor=actor, at=at, also={"released_at": at}
    )


def add_photo(piece, *, actor, purpose=PhotoPurpose.PIECE):
    return Photo.objects.create(
        site=piece.site,
        arrival=piece.arrival,
        discrepancy=piece,
        purpose=purpose,
        original="o",
        viewing="v",
        thumbnail="t",
        sha256="0" * 64,
        viewing_sha256="0" * 64,
        size=1,
        format="JPEG",
        width=1,
        height=1,
        actor=actor,
        at=NOON,
    )


def refused(code):
    """Expect a refusal with this code."""

    class Expected:
        def __enter__(self):
            self.raises = pytest.raises(Refused)
            self.info = self.raises.__enter__()
            return self.info

        def __exit__(self, *error):
            passed = self.raises.__exit__(*error)
            assert self.info.value.code == code
            return passed

    return Expected()


# --- set aside --------------------------------------------------------------------------------------------------------


def test_set_aside_needs_nothing_and_waits(trailer, lead):
    piece = discrepancies.set_aside(trailer, uuid=uuid.uuid4(), actor=lead, at=NOON)
    assert (piece.kind, piece.state, str(piece)) == (Kind.SET_ASIDE, DiscrepancyState.OPEN, "P-1")
    assert list(queries.open_set_asides(trailer)) == [piece]
    assert gaps.what_is_missing(piece) == ["Say what is wrong with it."]


def test_completing_counts_the_carton_and_keeps_the_number(trailer, lead, crushed):
    label = carton_of(trailer).label
    piece = discrepancies.set_aside(trailer, uuid=uuid.uuid4(), label=f" {label} ", actor=lead, at=NOON)
    done = discrepancies.complete(piece, kind=Kind.DAMAGED, facts={}, codes=[crushed], version=1, actor=lead, at=LATER)
    assert (done.pk, done.number, done.kind, done.version) == (piece.pk, 1, Kind.DAMAGED, 2)
    assert done.carton == carton_of(trailer) and done.carton.received == 1
    assert not queries.open_set_asides(trailer)


def test_of_two_who_complete_one_wins(trailer, lead, crushed):
    piece = discrepancies.set_aside(trailer, uuid=uuid.uuid4(), actor=lead, at=NOON)
    same = Discrepancy.objects.get(pk=piece.pk)
    discrepancies.complete(piece, kind=Kind.DAMAGED, facts={}, codes=[crushed], version=1, actor=lead, at=NOON)
    with pytest.raises(ChangedMeanwhile):
        discrepancies.complete(same, kind=Kind.OVER, facts={}, version=1, actor=lead, at=NOON)
    with pytest.raises(ChangedMeanwhile):
        discrepancies.complete(
            Discrepancy.objects.get(pk=piece.pk), kind=Kind.OVER, facts={}, version=2, actor=lead, at=NOON
        )
    assert Discrepancy.objects.get().kind == Kind.DAMAGED


def test_a_set_aside_of_a_carton_on_another_open_trailer_moves_there(nor, trailer, lead, crushed):
    other = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=3)
    [carton, *_] = make_cartons(other.shipments.get(), 3, start=500)
    piece = discrepancies.set_aside(trailer, uuid=uuid.uuid4(), label=carton.label, actor=lead, at=NOON)
    done = discrepancies.complete(piece, kind=Kind.DAMAGED, facts={}, codes=[crushed], version=1, actor=lead, at=NOON)
    assert done.arrival == other and done.shipment == other.shipments.get()


def test_a_set_aside_of_a_carton_whose_trailer_has_left_is_found_after_release(nor, trailer, lead, crushed):
    label = carton_of(trailer).label
    release(trailer, lead)
    other = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=3)
    piece = discrepancies.set_aside(other, uuid=uuid.uuid4(), label=label, actor=lead, at=LATER)
    done = discrepancies.complete(piece, kind=Kind.DAMAGED, facts={}, codes=[crushed], version=1, actor=lead, at=LATER)
    assert (done.arrival, done.after_release) == (trailer, True)


# --- damaged ----------------------------------------------------------------------------------------------------------


def test_a_damaged_carton_counts_as_received_in_the_same_step(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    square = queries.trailer_squaring(trailer)
    assert (square.received, square.missing, square.damaged, square.good) == (1, 9, 1, 0)
    assert carton_of(trailer).received_how == "log"
    assert (piece.store.number, piece.extent) == ("0417", Extent.NOT_OPENED)


def test_a_carton_that_was_counted_already_is_not_counted_again(trailer, lead, crushed):
    Carton.objects.filter(arrival=trailer, line=0).update(received=1)
    log_damaged(trailer, actor=lead, codes=[crushed])
    assert queries.trailer_squaring(trailer).received == 1


def test_damage_codes_are_copied_as_they_were_worded_and_stamped_used(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    crushed.refresh_from_db()
    assert crushed.used_at == NOON
    copied = {"code": "CR", "label": "crushed", "label_es": "aplastado", "stop_card": "none", "min_photos": 2}
    assert piece.codes == [copied]
    type(crushed).objects.filter(pk=crushed.pk).update(label="other words", used_at=NOON)
    piece.refresh_from_db()
    assert piece.codes == [copied]


def test_damaged_needs_a_code(trailer, lead):
    with refused("code_missing"):
        log_damaged(trailer, actor=lead, codes=[])
    assert not Discrepancy.objects.exists()


def test_the_same_carton_is_not_damaged_twice(trailer, lead, crushed):
    first = log_damaged(trailer, actor=lead, codes=[crushed])
    with pytest.raises(discrepancies.AlreadyLogged) as info:
        log_damaged(trailer, actor=lead, codes=[crushed])
    assert info.value.piece == first and "P-1" in str(info.value)
    assert queries.trailer_squaring(trailer).damaged == 1


def test_when_two_log_the_same_carton_at_once_the_database_decides_and_the_second_is_told(
    trailer, lead, crushed, monkeypatch
):
    first = log_damaged(trailer, actor=lead, codes=[crushed])
    monkeypatch.setattr(discrepancies, "refuse_second", lambda piece: None)
    with pytest.raises(discrepancies.AlreadyLogged) as info:
        log_damaged(trailer, actor=lead, codes=[crushed])
    assert info.value.piece == first
    assert Discrepancy.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_two_phones_log_the_same_carton_at_the_same_moment(trailer, lead, crushed):
    start, told = Barrier(2), []

    def phone():
        try:
            start.wait(timeout=10)
            told.append(log_damaged(Arrival.objects.get(pk=trailer.pk), actor=lead, codes=[crushed]).number)
        except discrepancies.AlreadyLogged as why:
            told.append(why.piece.number)
        finally:
            connection.close()

    phones = [Thread(target=phone) for _ in range(2)]
    for thread in phones:
        thread.start()
    for thread in phones:
        thread.join(timeout=30)
    piece = Discrepancy.objects.get()
    assert told == [piece.number] * 2
    assert (carton_of(trailer).received, piece.versions.count()) == (1, 1)
    assert Event.objects.filter(verb="piece.damaged").count() == 1


def test_a_label_on_no_list_is_logged_all_the_same_and_stands_as_over(trailer, lead, crushed):
    piece = log(trailer, Kind.DAMAGED, actor=lead, codes=[crushed], label="torn 12")
    assert (piece.carton, piece.label, piece.shipment) == (None, "TORN 12", trailer.shipments.get())
    assert queries.trailer_squaring(trailer).over == 1


def test_a_label_that_repeats_on_two_other_trailers_belongs_to_neither(nor, trailer, lead, crushed):
    for _ in range(2):
        other = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=3)
        make_cartons(other.shipments.get(), 1)
        Carton.objects.filter(arrival=other).update(label="BOX 7")
    piece = log(trailer, Kind.DAMAGED, actor=lead, codes=[crushed], label="BOX 7")
    assert piece.carton is None and piece.arrival == trailer


def test_a_scanned_symbology_prefix_is_not_part_of_the_label(trailer, lead, crushed):
    piece = log(trailer, Kind.DAMAGED, actor=lead, codes=[crushed], label=f"]C100{carton_of(trailer).label}")
    assert piece.carton == carton_of(trailer)


def test_a_label_with_a_wrong_check_digit_is_kept_as_read(trailer, lead, crushed):
    piece = log(trailer, Kind.DAMAGED, actor=lead, codes=[crushed], label="195212340000000011")
    assert (piece.label, piece.carton) == ("195212340000000011", None)


def test_nothing_is_logged_before_the_unloading(nor, lead, crushed):
    with refused("not_unloading"):
        log(make_arrival(nor, actor=lead, pieces=3), Kind.DAMAGED, actor=lead, codes=[crushed])


def test_the_usual_disposition_of_the_code_is_taken_unless_it_gives_something_away(nor, trailer, lead):
    held = make_code(nor, "HE", default_disposition=Disposition.HELD)
    gone = make_code(nor, "FO", default_disposition=Disposition.FORWARDED)
    assert log_damaged(trailer, actor=lead, codes=[held]).disposition == Disposition.HELD
    assert log_damaged(trailer, actor=lead, codes=[gone], line=1).disposition == ""


def test_a_piece_is_kept_without_photos_and_says_what_it_still_lacks(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    add_photo(piece, actor=lead)
    assert gaps.what_is_missing(piece) == [
        "1 photo is missing: take it, or say why not.",
        "Decide what happens with it.",
        "Say where it was found and whose doing it was.",
    ]
    add_photo(piece, actor=lead)
    facts = {"where_found": WhereFound.CONVEYOR, "attribution": Attribution.CANNOT_TELL}
    piece = discrepancies.amend(piece, facts=facts, version=1, reason="asked", actor=lead, at=LATER)
    piece = discrepancies.dispose(
        piece, uuid=uuid.uuid4(), disposition=Disposition.HELD, version=2, actor=lead, at=LATER
    )
    assert gaps.what_is_missing(piece) == []


def test_found_in_the_trailer_wants_one_photo_before_moving_or_the_reason(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed], where_found=WhereFound.IN_TRAILER)
    sentence = "Found in the trailer: one photo before moving it, or why there is none."
    assert sentence in gaps.what_is_missing(piece)
    add_photo(piece, actor=lead, purpose=PhotoPurpose.BEFORE_MOVING)
    assert sentence not in gaps.what_is_missing(piece)
    other = log_damaged(
        trailer,
        actor=lead,
        codes=[crushed],
        line=1,
        where_found=WhereFound.IN_TRAILER,
        not_in_place_reason="it was under others",
    )
    assert sentence not in gaps.what_is_missing(other)


# --- over, and its match ----------------------------------------------------------------------------------------------


def test_over_needs_its_photo_at_squaring_and_counts_as_over(trailer, lead):
    piece = log(trailer, Kind.OVER, actor=lead, label=sscc(9000))
    assert queries.trailer_squaring(trailer).over == 1
    assert gaps.what_is_missing(piece) == ["Photograph the carton with its label, or say why not."]
    add_photo(piece, actor=lead)
    assert gaps.what_is_missing(Discrepancy.objects.get(pk=piece.pk)) == []


def test_codes_of_a_piece_that_is_not_damaged_are_not_used(trailer, lead, crushed):
    piece = log(trailer, Kind.OVER, actor=lead, codes=[crushed])
    crushed.refresh_from_db()
    assert (piece.codes, crushed.used_at) == ([], None)


def test_over_and_damaged_too_needs_what_damage_needs(trailer, lead, crushed):
    piece = log(trailer, Kind.OVER, actor=lead, codes=[crushed], damaged_too=True)
    assert piece.is_damaged and piece.codes[0]["code"] == "CR"
    assert "Decide what happens with it." in gaps.what_is_missing(piece)


def test_a_listed_carton_not_counted_yet_is_not_over(trailer, lead):
    with refused("over_is_listed"):
        log(trailer, Kind.OVER, actor=lead, label=carton_of(trailer).label)


def test_a_carton_another_open_trailer_waits_for_is_not_over_either(nor, trailer, lead):
    other = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=5)
    with refused("over_is_listed") as info:
        log(other, Kind.OVER, actor=lead, label=carton_of(trailer).label)
    assert trailer.trailer_number in str(info.value)


def test_a_second_carton_with_a_label_that_was_counted_is_over(trailer, lead):
    Carton.objects.filter(arrival=trailer, line=0).update(received=1)
    assert log(trailer, Kind.OVER, actor=lead, label=carton_of(trailer).label, knowingly=True).kind == Kind.OVER


def declare_first_short(trailer, actor, line=0):
    carton = carton_of(trailer, line)
    [piece] = discrepancies.declare_short(carton.shipment, cartons=[carton], actor=actor, at=NOON)
    return piece


def test_an_over_is_found_among_the_open_shorts_of_its_own_site_and_both_are_resolved(nor, trailer, lead):
    short = declare_first_short(trailer, lead)
    other = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=5)
    Discrepancy.objects.filter(pk=short.pk)
    release(dock.end_count(trailer, actor=lead, at=NOON), lead)
    over = log(other, Kind.OVER, actor=lead, label=short.label)
    assert matching.shorts_for(over) == [short]
    over, short = discrepancies.match_over_short(over, short, actor=lead, at=LATER)
    assert (over.state, short.state) == (DiscrepancyState.MATCHED, DiscrepancyState.MATCHED)
    assert over.matched == short
    assert queries.trailer_squaring(other).over == 0
    square = queries.trailer_squaring(trailer)
    assert (square.received, square.short, square.contradiction) == (1, 0, 0)


def test_a_matched_over_that_is_damaged_becomes_the_carton_s_damaged_piece(nor, trailer, lead, crushed):
    short = declare_first_short(trailer, lead)
    other = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=5)
    over = log(other, Kind.OVER, actor=lead, codes=[crushed], damaged_too=True, label="X")
    Discrepancy.objects.filter(pk=over.pk).update(label=short.label)
    over.refresh_from_db()
    over, short = discrepancies.match_over_short(over, short, actor=lead, at=LATER)
    assert (over.kind, over.state, over.arrival, over.carton) == (
        Kind.DAMAGED,
        DiscrepancyState.OPEN,
        trailer,
        carton_of(trailer),
    )
    square = queries.trailer_squaring(trailer)
    assert (square.received, square.damaged, square.short) == (1, 1, 0)


def test_a_match_is_made_once(nor, trailer, lead):
    short = declare_first_short(trailer, lead)
    release(dock.end_count(trailer, actor=lead, at=NOON), lead)
    other = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=5)
    overs = [log(other, Kind.OVER, actor=lead, label=short.label) for _ in range(2)]
    stale = Discrepancy.objects.get(pk=short.pk)
    discrepancies.match_over_short(overs[0], short, actor=lead, at=LATER)
    with pytest.raises(ChangedMeanwhile):
        discrepancies.match_over_short(overs[1], stale, actor=lead, at=LATER)
    overs[1].refresh_from_db()
    assert overs[1].state == DiscrepancyState.OPEN


def test_labels_must_agree_to_match(nor, trailer, lead):
    short = declare_first_short(trailer, lead)
    over = log(trailer, Kind.OVER, actor=lead, label=sscc(77))
    with refused("labels_differ"):
        discrepancies.match_over_short(over, short, actor=lead, at=LATER)


def test_of_another_site_s_short_only_its_existence_and_whom_to_ask_is_said(nor, trailer, lead):
    south = make_site("SOU", name="South dock", responsible_person="Robin Hale", responsible_phone="555 0199")
    their_lead = make_person("lead", south)
    theirs = make_arrival(south, actor=their_lead, state=ArrivalState.UNLOADING, pieces=4)
    make_cartons(theirs.shipments.get(), 4, start=700, stores=[make_store(south, theirs.shipments.get().account)])
    short = declare_first_short(theirs, their_lead)
    assert short.label and short.store and short.number  # there is something that could leak
    over = log(trailer, Kind.OVER, actor=lead, label=short.label)
    assert matching.shorts_for(over) == []
    assert matching.elsewhere(over) == [matching.Elsewhere("South dock", "Robin Hale", "555 0199")]
    with refused("not_a_match"):
        discrepancies.match_over_short(over, short, actor=lead, at=LATER)
    short.refresh_from_db()
    assert short.state == DiscrepancyState.OPEN


# --- rerouted ---------------------------------------------------------------------------------------------------------


def test_rerouted_is_received_and_goes_to_its_new_store(nor, trailer, lead):
    new = make_store(nor, trailer.shipments.get().account, "0999")
    piece = log(trailer, Kind.REROUTED, actor=lead, label=carton_of(trailer).label, new_store=new)
    carton = carton_of(trailer)
    assert (carton.goes_to, carton.received) == (new, 1)
    assert (piece.store.number, piece.new_store, piece.reroute_authority) == ("0417", new, RerouteAuthority.LABEL)
    square = queries.trailer_squaring(trailer)
    assert (square.rerouted, square.short, square.good) == (1, 0, 0)
    assert gaps.what_is_missing(piece) == []


def test_rerouted_needs_the_new_store_another_one_and_the_printed_one_where_no_list_tells(nor, trailer, lead):
    label, store = carton_of(trailer).label, carton_of(trailer).store
    with refused("new_store_missing"):
        log(trailer, Kind.REROUTED, actor=lead, label=label)
    with refused("new_store_same"):
        log(trailer, Kind.REROUTED, actor=lead, label=label, new_store=store)
    with refused("store_missing"):
        log(trailer, Kind.REROUTED, actor=lead, label="torn", new_store=store)


def test_voiding_a_reroute_sends_the_carton_to_its_first_store_again(nor, trailer, lead):
    new = make_store(nor, trailer.shipments.get().account, "0999")
    piece = log(trailer, Kind.REROUTED, actor=lead, label=carton_of(trailer).label, new_store=new)
    discrepancies.void(piece, reason="misread", actor=lead, at=LATER)
    carton = carton_of(trailer)
    assert (carton.new_store, carton.received) == (None, 1)


def test_a_carton_both_rerouted_and_damaged_is_two_pieces_and_hurt_once(nor, trailer, lead, crushed):
    new = make_store(nor, trailer.shipments.get().account, "0999")
    log(trailer, Kind.REROUTED, actor=lead, label=carton_of(trailer).label, new_store=new)
    log_damaged(trailer, actor=lead, codes=[crushed])
    square = queries.trailer_squaring(trailer)
    assert (square.rerouted, square.damaged, square.hurt, square.received) == (1, 1, 1, 1)


def test_correcting_the_new_store_or_the_label_moves_the_route(nor, trailer, lead):
    account = trailer.shipments.get().account
    new, newer = make_store(nor, account, "0999"), make_store(nor, account, "0998")
    piece = log(trailer, Kind.REROUTED, actor=lead, label=carton_of(trailer).label, new_store=new)
    piece = discrepancies.amend(piece, facts={"new_store": newer}, version=1, reason="misread", actor=lead, at=LATER)
    assert carton_of(trailer).new_store == newer
    facts = {"label": carton_of(trailer, 1).label}
    discrepancies.amend(piece, facts=facts, version=2, reason="wrong carton", actor=lead, at=LATER)
    assert (carton_of(trailer).new_store, carton_of(trailer, 1).new_store) == (None, newer)
    assert carton_of(trailer, 1).received == 1


# --- shorts -----------------------------------------------------------------------------------------------------------


def test_a_short_is_never_typed(trailer, lead):
    for kind in (Kind.SHORT, Kind.SET_ASIDE, ""):
        with refused("kind_not_logged"):
            log(trailer, kind, actor=lead)


def test_missing_cartons_are_declared_short_in_one_step_and_one_event(trailer, lead):
    events = Event.objects.count()
    cartons = list(queries.missing_cartons(trailer.shipments.get())[:3])
    rows = discrepancies.declare_short(trailer.shipments.get(), cartons=cartons, actor=lead, at=NOON)
    assert [row.number for row in rows] == [1, 2, 3]
    assert {row.label for row in rows} == {carton.label for carton in cartons}
    assert Event.objects.count() == events + 1
    assert DiscrepancyVersion.objects.count() == 3
    square = queries.trailer_squaring(trailer)
    assert (square.short, square.missing) == (3, 7)
    following = discrepancies.set_aside(trailer, uuid=uuid.uuid4(), actor=lead, at=NOON)
    assert following.number == 4


def test_pieces_without_labels_are_declared_short_by_number(nor, lead):
    trailer = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=5)
    [row] = discrepancies.declare_short(trailer.shipments.get(), quantity=2, actor=lead, at=NOON)
    assert (row.quantity, queries.trailer_squaring(trailer).short) == (2, 2)
    with refused("short_out_of_range"):
        discrepancies.declare_short(trailer.shipments.get(), quantity=4, actor=lead, at=NOON)


def test_a_carton_is_declared_short_once(trailer, lead):
    declare_first_short(trailer, lead)
    with pytest.raises(discrepancies.AlreadyLogged):
        declare_first_short(trailer, lead)
    assert queries.trailer_squaring(trailer).short == 1


def test_a_short_that_turns_up_is_found_with_who_when_and_where(trailer, lead):
    short = declare_first_short(trailer, lead)
    found = discrepancies.mark_found(short, actor=lead, at=LATER, where="nose", note="behind a pallet")
    assert (found.state, found.settled_note) == (DiscrepancyState.FOUND, "nose, behind a pallet")
    square = queries.trailer_squaring(trailer)
    assert (square.received, square.short, square.contradiction) == (1, 0, 0)
    with refused("piece_settled"):
        discrepancies.mark_found(found, actor=lead, at=LATER)


def test_of_a_label_that_repeats_one_found_leaves_the_others_short(trailer, lead, crushed):
    Carton.objects.filter(arrival=trailer, line=0).update(expected=3)
    trailer.shipments.update(pieces=12)
    short = declare_first_short(trailer, lead)
    assert short.quantity == 3
    log_damaged(trailer, actor=lead, codes=[crushed])
    short.refresh_from_db()
    assert (short.state, short.quantity) == (DiscrepancyState.OPEN, 2)
    discrepancies.mark_found(short, actor=lead, at=LATER)
    square = queries.trailer_squaring(trailer)
    assert (square.received, square.short, square.contradiction, square.adds_up) == (3, 0, 0, True)


def test_a_short_without_a_label_is_counted_when_it_is_found_even_after_the_release(nor, lead):
    trailer = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=5)
    shipment = trailer.shipments.get()
    counting.tally(shipment, store=None, count=3, uuid=uuid.uuid4(), actor=lead, at=NOON)
    [short] = discrepancies.declare_short(shipment, quantity=2, actor=lead, at=NOON)
    release(trailer, lead)
    discrepancies.mark_found(Discrepancy.objects.get(pk=short.pk), actor=lead, at=LATER)
    square = queries.trailer_squaring(trailer)
    assert (square.received, square.missing, square.short, square.is_clean) == (5, 0, 0, True)


def test_only_a_short_is_found(trailer, lead, crushed):
    with refused("not_short"):
        discrepancies.mark_found(log_damaged(trailer, actor=lead, codes=[crushed]), actor=lead, at=LATER)


def test_a_damaged_carton_that_was_declared_short_is_found(trailer, lead, crushed):
    short = declare_first_short(trailer, lead)
    log_damaged(trailer, actor=lead, codes=[crushed])
    short.refresh_from_db()
    square = queries.trailer_squaring(trailer)
    assert (short.state, square.short, square.contradiction) == (DiscrepancyState.FOUND, 0, 0)


# --- labels that repeat -----------------------------------------------------------------------------------------------


def test_of_a_label_that_repeats_more_than_one_piece_may_be_hurt(nor, trailer, lead, crushed):
    Carton.objects.filter(arrival=trailer, line=0).update(expected=3)
    trailer.shipments.update(pieces=12)
    piece = log_damaged(trailer, actor=lead, codes=[crushed], quantity=2)
    square = queries.trailer_squaring(trailer)
    assert (square.received, square.damaged, square.hurt, square.good) == (2, 2, 2, 0)
    with refused("more_than_listed"):
        discrepancies.amend(piece, facts={"quantity": 4}, version=1, reason="r", actor=lead, at=LATER)
    discrepancies.amend(piece, facts={"quantity": 3}, version=1, reason="one more", actor=lead, at=LATER)
    new = make_store(nor, trailer.shipments.get().account, "0999")
    log(trailer, Kind.REROUTED, actor=lead, label=carton_of(trailer).label, new_store=new)
    square = queries.trailer_squaring(trailer)
    assert (square.received, square.damaged, square.rerouted, square.hurt) == (3, 3, 1, 3)


def test_no_more_pieces_without_a_label_are_hurt_than_the_bill_has(trailer, lead, crushed):
    billed = trailer.shipments.get().pieces
    with refused("more_than_billed"):
        log(trailer, Kind.DAMAGED, actor=lead, codes=[crushed], quantity=billed + 1)
    assert log(trailer, Kind.DAMAGED, actor=lead, codes=[crushed], quantity=billed).quantity == billed


def test_a_label_stands_for_no_more_pieces_than_its_list_says(trailer, lead, crushed):
    with refused("more_than_listed"):
        log_damaged(trailer, actor=lead, codes=[crushed], quantity=2)


# --- corrections ------------------------------------------------------------------------------------------------------


def test_a_correction_keeps_what_was_said_before(trailer, lead, crushed):
    torn = make_code(trailer.site, "TO", label="torn")
    piece = log_damaged(trailer, actor=lead, codes=[crushed], note="corner")
    facts = {"extent": Extent.TOUCHED, "note": "two corners"}
    piece = discrepancies.amend(piece, facts=facts, codes=[torn], version=1, reason="opened it", actor=lead, at=LATER)
    assert piece.version == 2
    first, second = history.steps(piece)
    assert (first.differences, second.reason, second.actor) == ([], "opened it", str(lead))
    assert {(change.name, change.before, change.after) for change in second.differences} == {
        ("damage codes", "CR crushed", "TO torn"),
        ("extent", "not opened", "contents touched"),
        ("note", "corner", "two corners"),
    }
    event = Event.objects.get(verb="piece.amended")
    assert set(event.before) == {"codes", "extent", "note"} and event.after["reason"] == "opened it"


def test_a_corrected_label_takes_back_the_count_of_a_carton_nobody_has_seen(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    facts = {"label": carton_of(trailer, 1).label}
    piece = discrepancies.amend(piece, facts=facts, version=1, reason="misread", actor=lead, at=LATER)
    assert (carton_of(trailer).received, carton_of(trailer, 1).received) == (0, 1)
    assert (piece.carton, piece.store) == (carton_of(trailer, 1), carton_of(trailer, 1).store)
    facts = {"label": carton_of(trailer).label}
    discrepancies.amend(piece, facts=facts, version=2, reason="it was right", actor=lead, at=LATER)
    assert (carton_of(trailer).received, carton_of(trailer, 1).received) == (1, 0)


@pytest.mark.parametrize("scanned", ["before", "after"])
def test_a_corrected_label_leaves_the_count_of_a_carton_that_was_scanned_too(trailer, lead, crushed, scanned):
    def scan():
        counting.scan(trailer, reads=[counting.Read(carton_of(trailer).label)], actor=lead, at=NOON)

    if scanned == "before":
        scan()
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    if scanned == "after":
        scan()
    facts = {"label": carton_of(trailer, 1).label}
    discrepancies.amend(piece, facts=facts, version=1, reason="misread", actor=lead, at=LATER)
    assert (carton_of(trailer).received, carton_of(trailer, 1).received) == (1, 1)


def test_of_two_who_correct_at_once_one_wins_and_the_other_is_told(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    one, two = (Discrepancy.objects.get(pk=piece.pk) for _ in range(2))
    discrepancies.amend(one, facts={"note": "first"}, version=1, reason="r", actor=lead, at=LATER)
    with pytest.raises(ChangedMeanwhile):
        discrepancies.amend(two, facts={"note": "second"}, version=1, reason="r", actor=lead, at=LATER)
    piece.refresh_from_db()
    assert (piece.note, piece.version, piece.versions.count()) == ("first", 2, 2)


def test_a_stale_form_is_told_even_when_the_record_was_read_afresh(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    piece = discrepancies.amend(piece, facts={"note": "first"}, version=1, reason="r", actor=lead, at=LATER)
    with pytest.raises(ChangedMeanwhile):
        discrepancies.amend(piece, facts={"note": "second"}, version=1, reason="r", actor=lead, at=LATER)


def test_a_correction_says_why_and_changes_something(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    with refused("reason_missing"):
        discrepancies.amend(piece, facts={"note": "x"}, version=1, actor=lead, at=LATER)
    same = discrepancies.amend(piece, facts={"note": ""}, version=1, reason="r", actor=lead, at=LATER)
    assert same.version == 1


def test_a_claimed_piece_is_shut(trailer, lead, crushed):
    piece = discrepancies.mark_claimed(log_damaged(trailer, actor=lead, codes=[crushed]), at=LATER)
    with refused("piece_claimed"):
        discrepancies.amend(piece, facts={"note": "x"}, version=1, reason="r", actor=lead, at=LATER)
    with refused("piece_claimed"):
        discrepancies.void(piece, reason="r", actor=lead, at=LATER)
    with pytest.raises(ChangedMeanwhile):
        discrepancies.mark_claimed(piece, at=LATER)
    facts = {"by_name": "Robin", "units_hurt": 3}
    discrepancies.add_finding(piece, uuid=uuid.uuid4(), kind=FindingKind.OPENED, facts=facts, actor=lead, at=LATER)
    piece.refresh_from_db()
    assert piece.units_hurt is None
    assert discrepancies.mark_claimed(piece, at=None).claimed_at is None


def test_a_claimed_short_is_found_all_the_same(trailer, lead):
    carton = trailer.shipments.get().cartons.first() or make_cartons(trailer.shipments.get(), 1)[0]
    (short,) = discrepancies.declare_short(carton.shipment, cartons=[carton], actor=lead, at=NOON)
    short = discrepancies.mark_claimed(short, at=LATER)
    found = discrepancies.mark_found(short, note="behind door 4", actor=lead, at=LATER)
    assert found.state == DiscrepancyState.FOUND
    assert found.claimed_at == LATER
    with refused("piece_claimed"):
        discrepancies.void(short, reason="wrong trailer", actor=lead, at=LATER)


def test_a_piece_claimed_between_look_and_write_is_not_changed(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    discrepancies.mark_claimed(piece, at=LATER)
    with pytest.raises(ChangedMeanwhile):
        discrepancies.amend(piece, facts={"note": "x"}, version=1, reason="r", actor=lead, at=LATER)


def test_voiding_says_why_and_leaves_the_carton_received(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    with refused("reason_missing"):
        discrepancies.void(piece, reason=" ", actor=lead, at=LATER)
    piece = discrepancies.void(piece, reason="only dirt", actor=lead, at=LATER)
    assert (piece.state, piece.settled_note) == (DiscrepancyState.VOID, "only dirt")
    square = queries.trailer_squaring(trailer)
    assert (square.received, square.good, square.damaged) == (1, 1, 0)
    again = log_damaged(trailer, actor=lead, codes=[crushed])
    assert again.number == 2


def test_what_the_driver_signed_for_is_not_changed_without_reopening(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    release(trailer, lead)
    piece = Discrepancy.objects.get(pk=piece.pk)
    with refused("piece_signed"):
        discrepancies.void(piece, reason="r", actor=lead, at=LATER)
    with refused("piece_signed"):
        discrepancies.amend(piece, facts={"label": "X"}, version=1, reason="r", actor=lead, at=LATER)
    piece = discrepancies.amend(piece, facts={"units_hurt": 4}, version=1, reason="r", actor=lead, at=LATER)
    assert piece.units_hurt == 4


def test_versions_and_findings_cannot_be_rewritten_in_the_database(trailer, lead, crushed):
    log_damaged(trailer, actor=lead, codes=[crushed])
    with pytest.raises(DatabaseError, match="written once"), transaction.atomic():
        DiscrepancyVersion.objects.update(reason="never said")


# --- where found and whose doing --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("where", "usual"),
    [
        (WhereFound.IN_TRAILER, Attribution.TRANSIT),
        (WhereFound.PALLET, Attribution.OWN),
        (WhereFound.STAGING, Attribution.OWN),
        (WhereFound.ON_THE_WAY, Attribution.OUTBOUND),
    ],
)
def test_what_differs_from_the_suggestion_needs_its_reason(trailer, lead, crushed, where, usual):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    piece = discrepancies.attribute(piece, where_found=where, attribution=usual, version=1, actor=lead, at=LATER)
    assert (piece.where_found, piece.attribution) == (where, usual)
    other = Attribution.ORIGIN
    with refused("reason_missing"):
        discrepancies.attribute(piece, where_found=where, attribution=other, version=2, actor=lead, at=LATER)
    piece = discrepancies.attribute(
        piece, where_found=where, attribution=other, reason="nails inside", version=2, actor=lead, at=LATER
    )
    assert piece.attribution_reason == "nails inside"


def test_on_our_pallets_it_is_not_the_carrier_s_by_default(trailer, lead, crushed):
    assert Attribution.TRANSIT not in {dispositions.SUGGESTED[place] for place in WhereFound if place != "in_trailer"}


# --- findings and disposition -----------------------------------------------------------------------------------------


def finding(piece, kind, actor, **facts):
    return discrepancies.add_finding(piece, uuid=uuid.uuid4(), kind=kind, facts=facts, actor=actor, at=LATER)


def dispose(piece, disposition, actor, **options):
    return discrepancies.dispose(
        piece,
        uuid=uuid.uuid4(),
        disposition=disposition,
        version=Discrepancy.objects.get(pk=piece.pk).version,
        actor=actor,
        at=LATER,
        **options,
    )


def test_opening_counts_units_and_the_piece_shows_the_newest_count(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    with refused("by_name_missing"):
        finding(piece, FindingKind.OPENED, lead, units_good=1)
    finding(piece, FindingKind.OPENED, lead, by_name="Sam", units_good=10, units_hurt=2, packaging_inside="dry")
    piece.refresh_from_db()
    assert (piece.units_good, piece.units_hurt, piece.version) == (10, 2, 2)
    discrepancies.store_report(
        piece,
        uuid=uuid.uuid4(),
        facts={"by_name": "Store 0417", "text": "three more broken", "units_hurt": 5},
        actor=lead,
        at=LATER,
    )
    piece.refresh_from_db()
    assert (piece.units_hurt, Finding.objects.count()) == (5, 2)


def test_forwarding_before_inspection_warns_and_needs_a_tick(trailer, lead, crushed):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    with refused("needs_knowing") as info:
        dispose(piece, Disposition.FORWARDED, lead)
    assert "gives the inspection away" in str(info.value)
    assert dispose(piece, Disposition.FORWARDED, lead, knowingly=True).disposition == Disposition.FORWARDED
    with refused("needs_knowing"):
        log_damaged(trailer, actor=lead, codes=[crushed], line=1, disposition=Disposition.FORWARDED)


@pytest.mark.parametrize("kind", [FindingKind.INSPECTION_DONE, FindingKind.INSPECTION_WAIVED])
def test_after_inspection_or_waiver_forwarding_does_not_warn(trailer, lead, crushed, kind):
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    finding(piece, kind, lead, by_name="their inspector", text="seen")
    assert dispose(piece, Disposition.FORWARDED, lead).disposition == Disposition.FORWARDED
    assert Finding.objects.filter(kind=FindingKind.DISPOSITION).count() == 1


MOVING = [Disposition.FORWARDED, Disposition.RETURNED, Disposition.REFUSED_BACK, Disposition.SALVAGE]


@pytest.mark.parametrize("disposition", MOVING)
def test_leaking_hazardous_material_never_moves_on(trailer, lead, leaking, disposition):
    """49 CFR 173.3 and 177.854 (from memory): a leaking package may not go forward."""
    Carton.objects.filter(arrival=trailer, line=0).update(hazmat=True)
    piece = log_damaged(trailer, actor=lead, codes=[leaking])
    with refused("hazmat_leaks"):
        dispose(piece, disposition, lead, knowingly=True)
    with refused("hazmat_leaks"):
        Carton.objects.filter(arrival=trailer, line=1).update(hazmat=True)
        log_damaged(trailer, actor=lead, codes=[leaking], line=1, disposition=disposition, knowingly=True)
    assert dispose(piece, Disposition.HELD, lead).disposition == Disposition.HELD


def test_hazmat_said_by_a_person_is_guarded_as_the_list_s(trailer, lead, leaking):
    piece = log_damaged(trailer, actor=lead, codes=[leaking], hazmat=True)
    with refused("hazmat_leaks"):
        dispose(piece, Disposition.RETURNED, lead, knowingly=True)


def test_a_leak_shown_by_the_stop_card_is_guarded_without_any_code(trailer, lead):
    Carton.objects.filter(arrival=trailer, line=0).update(hazmat=True)
    piece = log_damaged(trailer, actor=lead, codes=[], stop=IncidentKind.LEAKING)
    with refused("hazmat_leaks"):
        dispose(piece, Disposition.FORWARDED, lead, knowingly=True)


def test_a_leak_of_unknown_goods_moves_on_only_when_somebody_knows_what_it_is(trailer, lead, leaking):
    piece = log_damaged(trailer, actor=lead, codes=[leaking])
    assert piece.disposition == Disposition.HELD
    with refused("needs_knowing"):
        dispose(piece, Disposition.RETURNED, lead)
    assert dispose(piece, Disposition.RETURNED, lead, knowingly=True).disposition == Disposition.RETURNED


@pytest.fixture
def food_trailer(nor, lead):
    arrival = make_arrival(nor, actor=lead, state=ArrivalState.UNLOADING, pieces=4, account=make_account(food=True))
    make_cartons(arrival.shipments.get(), 4, start=300)
    return arrival


@pytest.mark.parametrize("disposition", MOVING)
def test_food_with_a_food_finding_is_held(food_trailer, lead, wet_food, disposition):
    """21 CFR 1.908(a)(6), from memory: not distributed until a qualified individual finds it safe."""
    piece = log_damaged(food_trailer, actor=lead, codes=[wet_food])
    assert piece.food_hold and piece.disposition == Disposition.HELD
    with refused("food_held"):
        dispose(piece, disposition, lead, knowingly=True)
    with refused("food_held"):
        finding(piece, FindingKind.SALVAGE_OFFERED, lead, text="offered")


def test_held_food_is_destroyed_only_by_who_may_release_it(nor, food_trailer, lead, wet_food):
    piece = log_damaged(food_trailer, actor=lead, codes=[wet_food])
    with refused("food_held"):
        dispose(piece, Disposition.DESTROYED, lead)
    qualified = make_person("receiver", nor, food_qualified=True)
    assert dispose(piece, Disposition.DESTROYED, qualified).disposition == Disposition.DESTROYED


def test_food_is_food_by_carton_account_or_word(trailer, lead, wet_food):
    assert not log_damaged(trailer, actor=lead, codes=[wet_food]).food_hold
    Carton.objects.filter(arrival=trailer, line=1).update(food=True)
    assert log_damaged(trailer, actor=lead, codes=[wet_food], line=1).food_hold
    assert log_damaged(trailer, actor=lead, codes=[wet_food], line=2, food=True).food_hold


def test_food_from_a_trailer_whose_seal_or_cold_failed_is_held(food_trailer, lead, crushed):
    assert not log_damaged(food_trailer, actor=lead, codes=[crushed]).food_hold
    dock.note_incident(food_trailer, uuid=uuid.uuid4(), kind=IncidentKind.SEAL, text="seal broken", actor=lead, at=NOON)
    assert log_damaged(food_trailer, actor=lead, codes=[crushed], line=1).food_hold


def test_a_corrected_code_may_hold_food_but_never_lets_it_go(food_trailer, lead, crushed, wet_food):
    piece = log_damaged(food_trailer, actor=lead, codes=[crushed])
    piece = discrepancies.amend(piece, facts={}, codes=[wet_food], version=1, reason="it is wet", actor=lead, at=LATER)
    assert piece.food_hold and piece.disposition == Disposition.HELD
    piece = discrepancies.amend(piece, facts={}, codes=[crushed], version=2, reason="it is dry", actor=lead, at=LATER)
    assert piece.food_hold


def test_the_database_too_refuses_held_food_that_is_forwarded(food_trailer, lead, wet_food):
    piece = log_damaged(food_trailer, actor=lead, codes=[wet_food])
    with pytest.raises(IntegrityError), transaction.atomic():
        Discrepancy.objects.filter(pk=piece.pk).update(disposition=Disposition.FORWARDED)


def test_only_a_qualified_person_releases_food_by_name(nor, food_trailer, lead, wet_food):
    piece = log_damaged(food_trailer, actor=lead, codes=[wet_food])
    with refused("not_qualified"):
        discrepancies.release_food(piece, uuid=uuid.uuid4(), text="fine", version=1, actor=lead, at=LATER)
    elsewhere = make_person("lead", make_site("SOU"), food_qualified=True)
    with refused("not_qualified"):
        discrepancies.release_food(piece, uuid=uuid.uuid4(), text="fine", version=1, actor=elsewhere, at=LATER)
    qualified = make_person("receiver", nor, food_qualified=True)
    with refused("text_missing"):
        discrepancies.release_food(piece, uuid=uuid.uuid4(), text="", version=1, actor=qualified, at=LATER)
    piece = discrepancies.release_food(
        piece, uuid=uuid.uuid4(), text="outer film only", version=1, actor=qualified, at=LATER
    )
    assert not piece.food_hold
    assert Finding.objects.get(kind=FindingKind.FOOD_RELEASED).by_name == str(qualified)
    assert dispose(piece, Disposition.FORWARDED, lead, knowingly=True).disposition == Disposition.FORWARDED


# --- stop cards -------------------------------------------------------------------------------------------------------


def test_a_stop_keeps_the_piece_without_a_close_photo_and_notes_the_incident(trailer, lead):
    piece = log_damaged(trailer, actor=lead, codes=[], stop=IncidentKind.SMELL, called="Dana Field", note="sharp")
    assert piece.no_photo_reason == "stop card: smelling"
    assert not any("photo" in sentence for sentence in gaps.what_is_missing(piece))
    note = IncidentNote.objects.get()
    assert (note.kind, note.called, note.discrepancy) == (IncidentKind.SMELL, "Dana Field", piece)
    assert "P-1" in note.text and "sharp" in note.text


def test_a_code_with_a_stop_card_notes_the_incident_by_itself(trailer, lead, leaking):
    log_damaged(trailer, actor=lead, codes=[leaking])
    assert IncidentNote.objects.get().kind == IncidentKind.LEAKING


# --- late findings ----------------------------------------------------------------------------------------------------


def test_found_after_the_release_is_flagged_so(trailer, lead, crushed):
    trailer = release(trailer, lead, at=LATER)
    piece = log_damaged(trailer, actor=lead, codes=[crushed], at=LATER + timedelta(days=1))
    assert (piece.after_release, piece.sent_late) == (True, False)
    discrepancies.void(piece, reason="not this one", actor=lead, at=LATER + timedelta(days=1))


def test_found_before_the_release_but_sent_after_it_is_flagged_late(trailer, lead, crushed):
    trailer = release(trailer, lead, at=LATER)
    piece = log_damaged(
        trailer, actor=lead, codes=[crushed], at=LATER + timedelta(hours=2), found_at=LATER - timedelta(minutes=5)
    )
    assert (piece.after_release, piece.sent_late, piece.found_at) == (True, True, LATER - timedelta(minutes=5))


@pytest.mark.parametrize("wrong", [timedelta(days=3), timedelta(days=-300)])
def test_a_device_clock_that_cannot_be_right_is_not_believed(trailer, lead, crushed, wrong):
    piece = log_damaged(trailer, actor=lead, codes=[crushed], found_at=NOON + wrong)
    assert piece.found_at == NOON


def test_every_piece_can_be_told_from_the_chain(trailer, lead, crushed):
    before = evidence.head(trailer.site)[0]
    piece = log_damaged(trailer, actor=lead, codes=[crushed])
    discrepancies.void(piece, reason="only dirt", actor=lead, at=LATER)
    verbs = Event.objects.filter(site=trailer.site, seq__gt=before, discrepancy=piece).order_by("seq")
    assert [event.verb for event in verbs] == ["piece.damaged", "piece.voided"]
    assert verbs[1].before == {"state": "open", "settled_note": ""}


def test_a_second_carton_with_a_counted_label_is_over_only_knowingly(trailer, lead):
    carton = carton_of(trailer)
    counting.scan(trailer, reads=[counting.Read(carton.label)], actor=lead, at=NOON)
    with refused("needs_knowing") as why:
        log(trailer, Kind.OVER, actor=lead, label=carton.label)
    assert f"was counted at 12:00 by {lead}. Only if a second one" in why.value.message
    assert not Discrepancy.objects.exists()
    assert log(trailer, Kind.OVER, actor=lead, label=carton.label, knowingly=True).kind == Kind.OVER
