"""What was made before the release and came after it: each outcome of `late`, and the sheet that no longer stands."""

import uuid
from datetime import timedelta
from io import BytesIO

import pytest
from django.core.files.base import ContentFile
from pypdf import PdfReader

from receiving import counting, discrepancies, dock, late, photos, queries, release
from receiving.enums import ArrivalState, Kind, LateKind, LateOutcome, PhotoPurpose, ScanResult, SignOutcome
from receiving.models import (
    Arrival,
    Carton,
    Discrepancy,
    Event,
    ExceptionSheet,
    IncidentNote,
    LateRecord,
    Scan,
    SealRecord,
)
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify
from tests.builders import (
    NOON,
    make_arrival,
    make_cartons,
    make_code,
    make_jpeg,
    make_person,
    make_site,
    make_store,
    sscc,
)
from tests.receiving.test_release import facts

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)
BEFORE, LEFT, AFTER = NOON + 10 * MINUTE, NOON + 60 * MINUTE, NOON + 90 * MINUTE


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def lead(site):
    return make_person("lead", site, "lee")


@pytest.fixture
def ana(site):
    return make_person("receiver", site, "ana")


def let_go(arrival, lead, **given):
    if arrival.state == ArrivalState.UNLOADING:
        arrival = dock.end_count(arrival, actor=lead, at=LEFT)
    release.release(arrival, uuid=uuid.uuid4(), facts=facts(**given), actor=lead, at=LEFT)
    return Arrival.objects.get(pk=arrival.pk)


def short_trailer(site, lead, *, cartons=4, short=2, listed=True):
    """A trailer that left with its first cartons declared short, carton by carton or by number."""
    arrival = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=cartons)
    bill = arrival.shipments.get()
    if listed:
        made = make_cartons(bill, cartons)
        reads = [counting.Read(carton.label) for carton in made[short:]]
    else:
        reads = [counting.Read(sscc(700 + line)) for line in range(cartons - short)]
    counting.scan(arrival, reads=reads, actor=lead, at=NOON)
    dock.looked(arrival, uuid=uuid.uuid4(), places=["nose"], actor=lead, at=NOON)
    release.declare_missing(bill, seen=short, actor=lead, at=NOON)
    return let_go(arrival, lead)


def read(label, at=BEFORE, **given):
    return counting.Read(label, device_at=at, **given)


def scan(arrival, *reads, actor, **given):
    return counting.scan(arrival, reads=reads, actor=actor, at=AFTER, **given)


def sheet_of(arrival):
    return queries.sheets_with_late().get(arrival=arrival, superseded_by__isnull=True)


def why(arrival):
    return late.why_not_standing(sheet_of(arrival))


def outcomes(arrival):
    rows = LateRecord.objects.filter(arrival=arrival).order_by("pk")
    return list(rows.values_list("kind", "outcome", "changes_sheet", "pieces"))


def adds_up(arrival):
    squared = queries.trailer_squaring(arrival)
    return (squared.missing, squared.contradiction) == (0, 0) and list(verify(arrival.site)) == []


# --- scans ------------------------------------------------------------------------------------------------------------


def test_a_carton_declared_short_is_found_by_who_scanned_it_before_the_release(site, lead, ana):
    trailer = short_trailer(site, lead)
    carton = Carton.objects.get(label=sscc(1))
    number = uuid.uuid4()
    answer = scan(trailer, read(carton.label, uuid=number), actor=ana)[0]
    assert answer.result == ScanResult.FOUND
    row = Scan.objects.get(uuid=number)
    assert (row.actor, row.device_at, row.at, row.carton, row.arrival) == (ana, BEFORE, AFTER, carton, trailer)
    carton.refresh_from_db()
    assert (carton.received, carton.received_by) == (1, ana)
    assert carton.discrepancies.get().state == "found"
    assert outcomes(trailer) == [("scan", "found", True, 1)]
    assert LateRecord.objects.get().actor == ana
    assert why(trailer) == "Sheet R-0001 no longer stands: 1 piece was found before and sent after."
    assert adds_up(trailer)


def test_the_same_scan_made_after_the_release_counts_for_nothing_and_the_sheet_stands(site, lead, ana):
    trailer = short_trailer(site, lead)
    answer = scan(trailer, read(sscc(1), at=LEFT + MINUTE), actor=ana)[0]
    assert answer.result == ScanResult.OTHER_RELEASED
    assert Carton.objects.get(label=sscc(1)).received == 0
    assert outcomes(trailer) == []
    assert why(trailer) == ""


def test_a_repeat_of_a_late_scan_changes_nothing(site, lead, ana):
    trailer = short_trailer(site, lead)
    wanted = read(sscc(1))
    other = read(sscc(2))
    scan(trailer, wanted, other, actor=ana)
    assert [answer.repeated for answer in scan(trailer, wanted, other, actor=ana)] == [True, True]
    assert len(outcomes(trailer)) == 2
    assert why(trailer) == "Sheet R-0001 no longer stands: 2 pieces were found before and sent after."
    assert adds_up(trailer)


def test_two_phones_scanned_one_carton_and_both_scans_are_kept(site, lead, ana):
    trailer = short_trailer(site, lead)
    ben = make_person("receiver", site, "ben")
    first = scan(trailer, read(sscc(1)), actor=ana)[0]
    second = scan(trailer, read(sscc(1), at=BEFORE - MINUTE), actor=ben)[0]
    assert (first.result, second.result) == (ScanResult.FOUND, ScanResult.ALREADY)
    assert list(Scan.objects.filter(label=sscc(1)).values_list("actor__username", flat=True)) == ["ana", "ben"]
    assert outcomes(trailer) == [("scan", "found", True, 1), ("scan", "already", False, 1)]
    assert Carton.objects.get(label=sscc(1)).received == 1


def test_two_phones_at_a_trailer_that_still_stands_there(site, lead, ana):
    ben = make_person("receiver", site, "ben")
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2)
    make_cartons(trailer.shipments.get(), 2)
    first = counting.scan(trailer, reads=[read(sscc(1), at=NOON + 5 * MINUTE)], actor=ana, at=LEFT)[0]
    second = counting.scan(trailer, reads=[read(sscc(1), at=NOON + 2 * MINUTE)], actor=ben, at=AFTER)[0]
    assert (first.result, second.result) == (ScanResult.COUNTED, ScanResult.ALREADY)
    assert "by Ana" in second.detail
    assert Scan.objects.filter(label=sscc(1)).count() == 2
    assert not LateRecord.objects.exists()


def test_a_carton_of_a_short_by_number_is_found_and_the_short_is_one_less(site, lead, ana):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=4)
    bill = trailer.shipments.get()
    make_cartons(bill, 4)
    counting.scan(trailer, reads=[counting.Read(sscc(3)), counting.Read(sscc(4))], actor=lead, at=NOON)
    discrepancies.declare_short(bill, quantity=2, actor=lead, at=NOON)
    trailer = let_go(trailer, lead)
    answer = scan(trailer, read(sscc(1)), actor=ana)[0]
    assert answer.result == ScanResult.FOUND
    assert Discrepancy.objects.get(kind=Kind.SHORT).quantity == 1
    assert adds_up(trailer)
    answers = scan(trailer, read(sscc(2)), actor=ana)
    assert answers[0].result == ScanResult.FOUND
    assert Discrepancy.objects.get(kind=Kind.SHORT).state == "found"
    assert adds_up(trailer)


def test_two_of_one_call_take_two_pieces_of_the_short_by_number_and_a_third_none(site, lead, ana):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=4)
    bill = trailer.shipments.get()
    make_cartons(bill, 4)
    counting.scan(trailer, reads=[counting.Read(sscc(4))], actor=lead, at=NOON)
    dock.refuse_rest(bill, uuid=uuid.uuid4(), pieces=1, reason="wet", actor=lead, at=NOON)
    discrepancies.declare_short(bill, quantity=2, actor=lead, at=NOON)
    trailer = let_go(trailer, lead)
    answers = scan(trailer, *(read(sscc(n)) for n in (1, 2, 3)), actor=ana)
    assert [answer.result for answer in answers] == [ScanResult.FOUND, ScanResult.FOUND, ScanResult.OTHER_RELEASED]
    assert Discrepancy.objects.get(kind=Kind.SHORT).state == "found"
    assert [outcome for _kind, outcome, *_rest in outcomes(trailer)] == ["found", "found", "kept"]
    assert adds_up(trailer)


def test_a_label_without_a_list_is_one_of_the_bills_shorts_by_number(site, lead, ana):
    trailer = short_trailer(site, lead, listed=False, short=1)
    first, second = scan(trailer, read(sscc(800)), read(sscc(801)), actor=ana)
    assert (first.result, second.result) == (ScanResult.BLIND, ScanResult.NOT_LISTED)
    assert outcomes(trailer) == [("scan", "found", True, 1), ("scan", "kept", False, 1)]
    assert Discrepancy.objects.get().state == "found"
    assert adds_up(trailer)
    again = scan(trailer, read(sscc(800)), actor=lead)[0]
    assert again.result == ScanResult.ALREADY


def test_what_cannot_be_counted_is_kept_and_the_sheet_stands(site, lead, ana):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2)
    bill = trailer.shipments.get()
    make_cartons(bill, 2)
    counting.scan(trailer, reads=[counting.Read(sscc(2))], actor=lead, at=NOON)
    dock.refuse_rest(bill, uuid=uuid.uuid4(), pieces=1, reason="wet", actor=lead, at=NOON)
    trailer = let_go(trailer, lead)
    answers = scan(trailer, read(sscc(1)), read(sscc(900)), read("195212340000000011"), actor=ana)
    assert [answer.result for answer in answers] == ["other_released", "not_listed", "bad_label"]
    assert [row[1:3] for row in outcomes(trailer)] == [("kept", False)] * 3
    assert Scan.objects.filter(actor=ana).count() == 3
    assert why(trailer) == ""
    assert adds_up(trailer)


def test_a_carton_scanned_elsewhere_before_its_trailer_left_is_credited_there(site, lead, ana):
    trailer = short_trailer(site, lead)
    here = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2)
    answer = scan(here, read(sscc(1)), actor=ana)[0]
    assert (answer.result, answer.arrival) == (ScanResult.FOUND, trailer)
    assert outcomes(trailer) == [("scan", "found", True, 1)]
    assert adds_up(trailer)


def test_a_carton_that_came_more_than_once_is_found_as_often_as_it_is_short(site, lead, ana):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=3)
    bill = trailer.shipments.get()
    make_cartons(bill, 1, expected=3)
    counting.scan(trailer, reads=[counting.Read(sscc(1))], actor=lead, at=NOON)
    dock.looked(trailer, uuid=uuid.uuid4(), places=["nose"], actor=lead, at=NOON)
    release.declare_missing(bill, seen=2, actor=lead, at=NOON)
    trailer = let_go(trailer, lead)
    results = [scan(trailer, read(sscc(1)), actor=ana)[0].result for _time in range(3)]
    assert results == [ScanResult.FOUND, ScanResult.FOUND, ScanResult.ALREADY]
    assert adds_up(trailer)


def test_scans_made_before_a_pause_count_during_it_and_later_ones_do_not(site, lead, ana):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2)
    make_cartons(trailer.shipments.get(), 2)
    trailer = dock.pause(trailer, held_by="the guard", actor=lead, at=LEFT)
    assert scan(trailer, read(sscc(1)), actor=ana)[0].result == ScanResult.COUNTED
    with pytest.raises(Refused, match="paused"):
        scan(trailer, read(sscc(2), at=LEFT + MINUTE), actor=ana)
    with pytest.raises(Refused, match="paused"):
        scan(trailer, counting.Read(sscc(2)), actor=ana)


def test_a_carton_put_on_a_pallet_before_it_was_closed_stands_on_it(site, lead, ana):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2)
    store = make_store(site, trailer.shipments.get().account)
    make_cartons(trailer.shipments.get(), 2, stores=[store])
    pallet = counting.open_pallet(site, store=store, uuid=uuid.uuid4(), actor=lead, at=NOON)
    pallet = counting.close_pallet(pallet, actor=lead, at=LEFT)
    scan(trailer, read(sscc(1)), actor=ana, pallet=pallet)
    assert Carton.objects.get(label=sscc(1)).pallet == pallet
    with pytest.raises(Refused, match="closed and wrapped"):
        scan(trailer, read(sscc(2), at=AFTER), actor=ana, pallet=pallet)


# --- taken back -------------------------------------------------------------------------------------------------------


def test_a_late_scan_taken_back_before_the_release_is_short_again(site, lead, ana):
    trailer = short_trailer(site, lead)
    scan(trailer, read(sscc(1)), actor=ana)
    number = uuid.uuid4()
    told = {"uuid": number, "actor": ana, "at": AFTER, "made_at": BEFORE + MINUTE}
    counting.undo_last(trailer, **told)
    assert Carton.objects.get(label=sscc(1)).received == 0
    states = (
        Discrepancy.objects.filter(label=sscc(1))
        .order_by("pk")
        .values_list("state", "sent_late", "logged_by__username")
    )
    assert list(states) == [("found", False, "lee"), ("open", True, "ana")]
    assert outcomes(trailer)[-1] == ("undo", "missing", True, 1)
    assert adds_up(trailer)


def test_a_count_of_before_the_release_whose_taking_back_comes_late_is_short(site, lead, ana):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2)
    make_cartons(trailer.shipments.get(), 2)
    counting.scan(trailer, reads=[counting.Read(sscc(1)), counting.Read(sscc(2))], actor=ana, at=NOON)
    trailer = let_go(trailer, lead)
    counting.undo_last(trailer, uuid=uuid.uuid4(), actor=ana, at=AFTER, made_at=BEFORE)
    short = Discrepancy.objects.get()
    assert (short.kind, short.label, short.found_at, short.logged_by) == ("short", sscc(2), BEFORE, ana)
    assert why(trailer) == "Sheet R-0001 no longer stands: 1 record was made before and sent after."
    assert adds_up(trailer)


def test_taking_back_after_the_release_is_refused_as_ever(site, lead, ana):
    trailer = short_trailer(site, lead)
    with pytest.raises(Refused, match="is released"):
        counting.undo_last(trailer, uuid=uuid.uuid4(), actor=lead, at=AFTER, made_at=AFTER)
    with pytest.raises(Refused, match="is released"):
        counting.undo_last(trailer, uuid=uuid.uuid4(), actor=lead, at=AFTER)


# --- tally ------------------------------------------------------------------------------------------------------------


def tallied(site, lead, *, taps=(7,)):
    """A trailer of ten cartons that left with what was not tallied declared short."""
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=10)
    bill = trailer.shipments.get()
    store = make_store(site, bill.account, "0417")
    for count in taps:
        counting.tally(bill, store=store, count=count, uuid=uuid.uuid4(), actor=lead, at=NOON)
    if missing := 10 - sum(taps):
        discrepancies.declare_short(bill, quantity=missing, actor=lead, at=NOON)
    trailer = let_go(trailer, lead)
    bill.refresh_from_db()
    return trailer, bill, store


def test_late_taps_find_as_many_as_were_declared_short_and_keep_the_rest(site, lead, ana):
    trailer, bill, store = tallied(site, lead)
    told = {"store": store, "uuid": uuid.uuid4(), "actor": ana, "at": AFTER, "made_at": BEFORE}
    row = counting.tally(bill, count=5, **told)
    assert (row.count, row.actor) == (3, ana)
    assert outcomes(trailer) == [("tally", "found", True, 3), ("tally", "kept", False, 2)]
    assert why(trailer) == "Sheet R-0001 no longer stands: 3 pieces were found before and sent after."
    assert adds_up(trailer)
    assert counting.tally(bill, count=1, **told | {"uuid": uuid.uuid4()}) is None
    assert outcomes(trailer)[-1] == ("tally", "kept", False, 1)


def test_a_late_tap_of_fewer_and_one_taken_back_are_short(site, lead, ana):
    trailer, bill, store = tallied(site, lead, taps=(7, 3))
    told = {"actor": ana, "at": AFTER, "made_at": BEFORE}
    counting.tally(bill, store=store, count=-1, uuid=uuid.uuid4(), **told)
    assert queries.trailer_squaring(trailer).short == 1
    counting.undo_last(trailer, uuid=uuid.uuid4(), **told | {"actor": lead})
    assert queries.trailer_squaring(trailer).short == 1 + 3
    assert outcomes(trailer) == [("tally", "missing", True, 1), ("undo", "missing", True, 3)]
    assert adds_up(trailer)


def test_a_tap_after_the_release_is_refused_as_ever(site, lead):
    _trailer, bill, store = tallied(site, lead)
    with pytest.raises(Refused, match="is released"):
        counting.tally(bill, store=store, count=1, uuid=uuid.uuid4(), actor=lead, at=AFTER, made_at=AFTER)


# --- pieces, seals, incidents, photos ---------------------------------------------------------------------------------


def test_a_piece_keeps_author_and_time_and_the_sheet_no_longer_stands(site, lead, ana):
    trailer = short_trailer(site, lead)
    told = {"uuid": uuid.uuid4(), "actor": ana, "at": AFTER, "found_at": BEFORE}
    code = make_code(site)
    piece = discrepancies.record(trailer, kind=Kind.DAMAGED, facts={"label": sscc(3)}, codes=[code], **told)
    assert (piece.sent_late, piece.logged_by, piece.found_at, piece.logged_at) == (True, ana, BEFORE, AFTER)
    row = LateRecord.objects.get()
    assert (row.discrepancy, row.kind, row.outcome, row.sheet) == (
        piece,
        LateKind.PIECE,
        LateOutcome.ADDED,
        sheet_of(trailer),
    )
    assert "1 piece was found before" in why(trailer)
    assert adds_up(trailer)


def test_a_piece_found_after_the_release_is_a_late_finding_and_the_sheet_stands(site, lead, ana):
    trailer = short_trailer(site, lead)
    piece = discrepancies.set_aside(trailer, uuid=uuid.uuid4(), actor=ana, at=AFTER, found_at=LEFT + MINUTE)
    assert (piece.after_release, piece.sent_late) == (True, False)
    assert why(trailer) == ""


def test_a_seal_and_an_incident_come_to_the_record_at_their_time(site, lead, ana):
    trailer = short_trailer(site, lead)
    told = {"actor": ana, "at": AFTER, "made_at": BEFORE}
    seal = {"action": "applied", "condition": "intact", "number_on_seal": "N77"}
    dock.record_seal(trailer, uuid=uuid.uuid4(), facts=seal, **told)
    dock.note_incident(trailer, uuid=uuid.uuid4(), kind="leaking", text="a drum", **told)
    assert SealRecord.objects.get(number_on_seal="N77").at == BEFORE
    assert IncidentNote.objects.get().at == BEFORE
    assert outcomes(trailer) == [("seal", "added", True, 1), ("incident", "added", True, 1)]
    assert "2 records were made before and sent after" in why(trailer)
    assert adds_up(trailer)
    with pytest.raises(Refused, match="reopen it first"):
        dock.record_seal(trailer, uuid=uuid.uuid4(), facts=seal, **told | {"made_at": AFTER})


def test_a_photo_comes_to_the_record_and_the_sheet_stands(site, lead, ana):
    trailer = short_trailer(site, lead)
    photos.receive_photo(
        arrival=trailer,
        uuid=uuid.uuid4(),
        upload=ContentFile(make_jpeg()),
        filename="a.jpg",
        purpose=PhotoPurpose.TRAILER,
        actor=ana,
        at=AFTER,
        made_at=BEFORE,
    )
    assert outcomes(trailer) == [("photo", "added", False, 1)]
    assert why(trailer) == ""
    assert adds_up(trailer)


def test_a_step_that_comes_late_is_refused_with_a_sentence(site, lead):
    trailer = short_trailer(site, lead)
    with pytest.raises(dock.IllegalStep, match="is released"):
        dock.pause(trailer, held_by="the guard", actor=lead, at=AFTER, happened_at=BEFORE)
    with pytest.raises(Refused, match="reopen it first"):
        dock.tick(trailer, ticks={"wheels_held": False}, actor=lead, at=AFTER)


@pytest.mark.parametrize(("made", "expected"), [(NOON + MINUTE, NOON + 2 * MINUTE), (BEFORE, BEFORE), (None, None)])
def test_a_step_made_on_a_phone_is_never_before_the_last_one_written_down(site, lead, made, expected):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING)
    trailer = dock.pause(trailer, held_by="the guard", actor=lead, at=NOON + 2 * MINUTE)
    assert dock.made_on_phone(trailer, made) == expected


# --- the sheet that takes its place -----------------------------------------------------------------------------------


def replaced(trailer, lead, number=None):
    return release.replace(trailer, uuid=number or uuid.uuid4(), device="test", actor=lead, at=AFTER + MINUTE)


def test_a_new_sheet_tells_what_came_late_and_that_the_driver_has_not_seen_it(site, lead, ana):
    trailer = short_trailer(site, lead)
    scan(trailer, read(sscc(1)), actor=ana)
    row = replaced(trailer, lead)
    assert (str(row), str(row.supersedes), row.outcome, row.signature) == ("R-0002", "R-0001", SignOutcome.NOT_SEEN, "")
    assert row.content["late"]["sheet"] == "R-0001"
    assert row.content["late"]["signer"] == "Sam Rivers"
    assert [(late["pieces"], late["by"]) for late in row.content["late"]["records"]] == [(1, "Ana")]
    text = " ".join("".join(page.extract_text() for page in PdfReader(BytesIO(release.pdf_bytes(row))).pages).split())
    assert "The driver has not seen this sheet. It takes the place of R-0001" in text
    assert "Made before, sent after" in text
    assert why(trailer) == ""
    assert Event.objects.get(verb="arrival.sheet_replaced").after["note"] == "R-0002 takes the place of R-0001"
    assert adds_up(trailer)


def test_a_sheet_that_stands_is_not_replaced(site, lead):
    trailer = short_trailer(site, lead)
    with pytest.raises(Refused, match="This trailer's sheet stands"):
        replaced(trailer, lead)
    assert ExceptionSheet.objects.count() == 1


def test_what_comes_late_to_the_new_sheet_undoes_that_one_in_turn(site, lead, ana):
    trailer = short_trailer(site, lead)
    scan(trailer, read(sscc(1)), actor=ana)
    replaced(trailer, lead)
    scan(trailer, read(sscc(2)), actor=ana)
    assert why(trailer) == "Sheet R-0002 no longer stands: 1 piece was found before and sent after."
    assert len(replaced(trailer, lead).content["late"]["records"]) == 1


def test_a_set_aside_is_filled_in_before_the_new_sheet(site, lead, ana):
    trailer = short_trailer(site, lead)
    discrepancies.set_aside(trailer, uuid=uuid.uuid4(), actor=ana, at=AFTER, found_at=BEFORE)
    with pytest.raises(release.NotReleasable, match="1 piece is still set aside"):
        replaced(trailer, lead)


def test_a_dropped_trailers_new_sheet_still_waits_for_the_driver(site, lead, ana):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2, dropped=True)
    Arrival.objects.filter(pk=trailer.pk).update(dropped=True)
    trailer.refresh_from_db()
    bill = trailer.shipments.get()
    make_cartons(bill, 2)
    counting.scan(trailer, reads=[counting.Read(sscc(2))], actor=lead, at=NOON)
    discrepancies.declare_short(bill, cartons=[Carton.objects.get(label=sscc(1))], actor=lead, at=NOON)
    trailer = let_go(trailer, lead, outcome=SignOutcome.AT_PICKUP)
    scan(trailer, read(sscc(1)), actor=ana)
    assert replaced(trailer, lead).outcome == SignOutcome.AT_PICKUP


def test_of_two_who_make_the_new_sheet_one_is_told(site, lead, ana, monkeypatch):
    trailer = short_trailer(site, lead)
    scan(trailer, read(sscc(1)), actor=ana)
    needs = release.what_release_needs

    def meanwhile(arrival, *args):
        monkeypatch.setattr(release, "what_release_needs", needs)
        replaced(trailer, lead)
        return needs(arrival, *args)

    monkeypatch.setattr(release, "what_release_needs", meanwhile)
    with pytest.raises(ChangedMeanwhile, match="Somebody else made the new sheet"):
        replaced(trailer, lead)
    assert ExceptionSheet.objects.count() == 2


def test_a_reopened_trailer_takes_what_comes_as_ever(site, lead, ana):
    trailer = short_trailer(site, lead)
    trailer = release.reopen(trailer, reason="seven more", actor=lead, at=LEFT + MINUTE)
    assert scan(trailer, read(sscc(1)), actor=ana)[0].result == ScanResult.FOUND
    assert not LateRecord.objects.exists()


def test_the_sites_sheets_that_no_longer_stand(site, lead, ana, django_assert_num_queries):
    trailer = short_trailer(site, lead)
    assert late.undone(site) == []
    scan(trailer, read(sscc(1)), actor=ana)
    with django_assert_num_queries(1):
        assert [str(sheet) for sheet in late.undone(site)] == ["R-0001"]
    assert late.undone(make_site("SOU")) == []
    replaced(trailer, lead)
    assert late.undone(site) == []
