"""The words for the receipt, what stands in the way, the frozen sheet and what follows it."""

import json
import threading
import uuid
from io import BytesIO

import pytest
from django.core import mail
from django.core.files.storage import default_storage
from django.db import connection, transaction
from pypdf import PdfReader

from receiving import counting, discrepancies, dock, evidence, queries, release, sheet
from receiving.enums import ArrivalState, Kind, SignOutcome
from receiving.models import Arrival, Carton, ExceptionSheet, Moment
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify
from tests.builders import NOON, make_arrival, make_cartons, make_code, make_person, make_site, make_store

pytestmark = pytest.mark.django_db
STROKES = json.dumps([{"points": [{"x": 10, "y": 10}, {"x": 60, "y": 30}]}])


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("lead", site, "alice")


@pytest.fixture
def trailer(site, alice):
    """Ten listed cartons, all received, counted."""
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=10)
    cartons = make_cartons(arrival.shipments.get(), 10)
    counting.scan(arrival, reads=[counting.Read(carton.label) for carton in cartons], actor=alice, at=NOON)
    return dock.end_count(arrival, actor=alice, at=NOON)


def facts(**given):
    return {
        "notation": "7 cartons short",
        "outcome": SignOutcome.SIGNED,
        "signer": "Sam Rivers",
        "employer": "Birch Freight",
        "signature": STROKES,
        "typed": False,
        "witness": "",
        "device": "test",
        "carrier_receipt": "no_exceptions",
    } | given


def let_go(trailer, actor, **given):
    return release.release(trailer, uuid=uuid.uuid4(), facts=facts(**given), actor=actor, at=NOON)


def lose(trailer, count):
    lost = list(Carton.objects.filter(arrival=trailer).order_by("line")[:count])
    Carton.objects.filter(pk__in=[carton.pk for carton in lost]).update(received=0)
    return lost


def look(trailer, actor):
    dock.looked(trailer, uuid=uuid.uuid4(), places=["nose"], actor=actor, at=NOON)


def test_nothing_is_declared_short_before_somebody_looked(trailer, alice):
    lose(trailer, 1)
    with pytest.raises(Refused, match="Tick where you looked first"):
        release.declare_missing(trailer.shipments.get(), seen=1, actor=alice, at=NOON)
    assert not trailer.discrepancies.exists()


def test_a_missing_carton_stands_in_the_way_until_it_is_declared_short(trailer, alice):
    lose(trailer, 2)
    with pytest.raises(release.NotReleasable, match="2 pieces are missing"):
        let_go(trailer, alice)
    bill = trailer.shipments.get()
    look(trailer, alice)
    release.declare_missing(bill, seen=2, actor=alice, at=NOON)
    squared = queries.shipment_squaring(bill)
    assert (squared.short, squared.missing, squared.received) == (2, 0, 8)


def test_shorts_of_stores_that_nobody_tallied_keep_their_cartons(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=6)
    bill = arrival.shipments.get()
    stores = [make_store(site, bill.account, number) for number in ("0417", "0105")]
    cartons = make_cartons(bill, 6, stores=stores)
    for store, count in ((stores[0], 2), (stores[1], 1), (stores[1], -1)):
        counting.tally(bill, store=store, count=count, uuid=uuid.uuid4(), actor=alice, at=NOON)
    look(arrival, alice)
    rows = release.declare_missing(bill, seen=4, actor=alice, at=NOON)
    wanted = {(carton.label, stores[1].pk, 1) for carton in cartons if carton.store_id == stores[1].pk}
    assert {(row.label, row.store_id, row.quantity) for row in rows} == wanted | {("", stores[0].pk, 1)}
    assert queries.shipment_squaring(bill).missing == 0


def test_a_short_that_names_only_a_store_leaves_the_rest_to_be_declared(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=6)
    bill = arrival.shipments.get()
    stores = [make_store(site, bill.account, number) for number in ("0417", "0105")]
    make_cartons(bill, 6, stores=stores)
    counting.tally(bill, store=stores[0], count=2, uuid=uuid.uuid4(), actor=alice, at=NOON)
    discrepancies.declare_short(bill, quantity=1, store=stores[1], actor=alice, at=NOON)
    look(arrival, alice)
    release.declare_missing(bill, seen=3, actor=alice, at=NOON)
    assert queries.shipment_squaring(bill).missing == 0


def test_more_damaged_than_counted_stands_in_the_way(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=1)
    given = {"facts": {"label": "A1"}, "codes": [make_code(site)], "actor": alice, "at": NOON}
    discrepancies.record(arrival, uuid=uuid.uuid4(), kind=Kind.DAMAGED, **given)
    discrepancies.declare_short(arrival.shipments.get(), quantity=1, actor=alice, at=NOON)
    needs = " ".join(release.what_release_needs(arrival))
    assert "more pieces are logged damaged or rerouted than were counted" in needs


def test_declaring_short_what_was_found_meanwhile_is_told(trailer, alice):
    lose(trailer, 2)
    with pytest.raises(ChangedMeanwhile, match="2 pieces are missing now, not 3"):
        release.declare_missing(trailer.shipments.get(), seen=3, actor=alice, at=NOON)


def test_a_set_aside_stands_in_the_way(trailer, alice):
    discrepancies.set_aside(trailer, uuid=uuid.uuid4(), actor=alice, at=NOON)
    assert release.what_release_needs(trailer) == ["1 piece is still set aside: fill it in."]


def test_an_unexplained_difference_of_bill_and_list_stands_in_the_way(trailer, alice):
    bill = trailer.shipments.get()
    dock.edit_shipment(bill, facts={"pieces": 9}, version=bill.version, actor=alice, at=NOON)
    assert "differ by +1" in release.what_release_needs(trailer)[0]


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"signer": " "}, "signer"),
        ({"signature": ""}, "signature"),
        ({"signature": "[]"}, "signature"),
        ({"signature": '[{"points": [{"x": "<svg>", "y": 1}]}]'}, "signature"),
        ({"signature": '[{"points": [{"x": 1e99, "y": 1}]}]'}, "signature"),
        ({"outcome": SignOutcome.REFUSED}, "witness"),
        ({"outcome": SignOutcome.NOT_PRESENT}, "witness"),
        ({"outcome": SignOutcome.AT_PICKUP}, "outcome"),
    ],
)
def test_a_sheet_without_its_signature_or_witness_is_refused(trailer, alice, given, field):
    with pytest.raises(Refused) as why:
        let_go(trailer, alice, **given)
    assert why.value.field == field
    assert not ExceptionSheet.objects.exists()


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"signature": "", "typed": True},
        {"outcome": SignOutcome.REFUSED, "signature": "", "witness": "Kim Lake"},
        {"outcome": SignOutcome.NOT_PRESENT, "signature": "", "witness": "Kim Lake"},
    ],
)
def test_a_released_trailer_has_a_frozen_sheet(trailer, alice, given):
    row = let_go(trailer, alice, **given)
    assert trailer.__class__.objects.get().state == ArrivalState.RELEASED
    data = release.pdf_bytes(row)
    assert evidence.digest(data) == row.pdf_sha256
    text = "\n".join(page.extract_text() for page in PdfReader(BytesIO(data)).pages)
    for words in ("R-0001", "7 cartons short", "Sam Rivers", row.log_head, row.content_sha256):
        assert words in text.replace("\n", "") or words in text
    assert list(verify(trailer.site)) == []


def test_the_embedded_record_is_the_frozen_content(trailer, alice):
    row = let_go(trailer, alice)
    embedded = PdfReader(BytesIO(release.pdf_bytes(row))).attachments["sheet.json"][0]
    assert evidence.digest(embedded) == row.content_sha256


def test_the_same_content_makes_the_same_bytes_again(trailer, alice):
    row = let_go(trailer, alice)
    again = sheet.make_pdf(row.content, log=(row.log_seq, row.log_head), created=row.at)
    assert evidence.digest(again) == row.pdf_sha256


def test_an_altered_file_is_not_handed_out_and_is_named(trailer, alice):
    row = let_go(trailer, alice)
    with default_storage.open(row.pdf, "ab") as file:
        file.write(b" ")
    with pytest.raises(Refused, match="not the one that was frozen"):
        release.pdf_bytes(row)
    assert [str(found).split(":")[0] for found in verify(trailer.site)] == ["NOR sheet R-0001"]


def test_a_reopened_trailer_gets_a_second_sheet_that_supersedes_the_first(trailer, alice):
    first = let_go(trailer, alice)
    trailer.refresh_from_db()
    trailer = release.reopen(trailer, reason="a carton was found", actor=alice, at=NOON)
    second = let_go(trailer, alice)
    first.refresh_from_db()
    assert (str(second), second.supersedes) == ("R-0002", first)
    assert first.notation == "7 cartons short"
    assert release.current_sheet(trailer) == second


def test_a_clean_trailer_goes_in_one_step_from_unloading(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=3)
    make_cartons(arrival.shipments.get(), 3, received=1)
    row = release.release_clean(arrival, uuid=uuid.uuid4(), device="test", actor=alice, at=NOON)
    assert row.notation == "seal 0123456 intact, numbers agree; 3 pieces received against 3 on the bill."
    assert row.outcome == SignOutcome.CLEAN


def test_a_trailer_with_exceptions_does_not_go_as_clean(trailer, alice):
    lose(trailer, 1)
    look(trailer, alice)
    release.declare_missing(trailer.shipments.get(), seen=1, actor=alice, at=NOON)
    with pytest.raises(release.NotReleasable, match="driver has to sign"):
        release.release_clean(trailer, uuid=uuid.uuid4(), device="test", actor=alice, at=NOON)


def test_a_dropped_trailer_is_signed_when_it_is_fetched(trailer, alice):
    trailer.__class__.objects.update(dropped=True)
    trailer.refresh_from_db()
    first = let_go(trailer, alice, outcome=SignOutcome.AT_PICKUP, signature="")
    trailer.refresh_from_db()
    second = release.sign_at_pickup(trailer, uuid=uuid.uuid4(), facts=facts(notation="ignored"), actor=alice, at=NOON)
    assert (second.supersedes, second.notation) == (first, first.notation)
    assert Moment.objects.filter(arrival=trailer, kind="fetched").exists()
    with pytest.raises(Refused, match="does not wait"):
        release.sign_at_pickup(trailer, uuid=uuid.uuid4(), facts=facts(), actor=alice, at=NOON)


def test_a_sent_sheet_is_attached_and_written_down(trailer, alice):
    row = let_go(trailer, alice)
    release.send(row, uuid=uuid.uuid4(), to="claims@birch.example", actor=alice, at=NOON)
    name, data, kind = mail.outbox[0].attachments[0]
    assert (name, evidence.digest(data), kind) == ("R-0001.pdf", row.pdf_sha256, "application/pdf")
    assert row.deliveries.get().to == "claims@birch.example"


def test_a_mail_server_that_fails_leaves_no_delivery(trailer, alice, monkeypatch):
    row = let_go(trailer, alice)

    def fail(self, **kwargs):
        raise ConnectionRefusedError("no route")

    monkeypatch.setattr("django.core.mail.EmailMessage.send", fail)
    with pytest.raises(Refused, match="no route"):
        release.send(row, uuid=uuid.uuid4(), to="claims@birch.example", actor=alice, at=NOON)
    assert not row.deliveries.exists()


def test_the_notation_lists_shorts_by_their_labels(trailer, alice):
    lost = lose(trailer, 2)
    look(trailer, alice)
    release.declare_missing(trailer.shipments.get(), seen=2, actor=alice, at=NOON)
    assert sheet.draft_notation(trailer) == (
        f"2 cartons short: ids {lost[0].label}, {lost[1].label}; "
        "seal 0123456 intact, numbers agree; 8 pieces received against 10 on the bill."
    )


def test_without_a_list_the_rest_is_declared_as_a_number(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.COUNTED, pieces=10)
    look(arrival, alice)
    (row,) = release.declare_missing(arrival.shipments.get(), seen=10, actor=alice, at=NOON)
    assert (row.kind, row.quantity, row.label) == (Kind.SHORT, 10, "")


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="SQLite has one writer")
@pytest.mark.django_db(transaction=True)
def test_a_scan_that_waited_for_a_release_counts_nothing(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.COUNTED, pieces=1)
    (carton,) = make_cartons(arrival.shipments.get(), 1)
    found = []

    def scan():
        (answer,) = counting.scan(arrival, reads=[counting.Read(carton.label)], actor=alice, at=NOON)
        found.append(answer.counts)
        connection.close()

    with transaction.atomic():
        evidence.lock_head(site)
        waiting = threading.Thread(target=scan)
        waiting.start()
        waiting.join(0.3)
        Arrival.objects.filter(pk=arrival.pk).update(state=ArrivalState.RELEASED, released_at=NOON)
    waiting.join()
    assert found == [False]
    carton.refresh_from_db()
    assert carton.received == 0


@pytest.mark.parametrize(
    ("said", "printed"),
    [
        ("2026-11-25T14:35:00+00:00", "Wed 25 Nov 2026, 14:35 UTC"),
        ("2026-11-25T14:35:00", "Wed 25 Nov 2026, 14:35"),
        ("2026-11-25T14:35:12.123Z", "Wed 25 Nov 2026, 14:35 UTC"),
        ("2026:11:25 14:35:00", "Wed 25 Nov 2026, 14:35"),
        ("2026:11:25 14:35:00 -06:00", "Wed 25 Nov 2026, 14:35 UTC-06:00"),
        ("yesterday", "yesterday"),
        ("", ""),
    ],
)
def test_when_a_photo_was_taken_is_printed_in_words(said, printed):
    assert sheet.claimed(said) == printed


def test_the_sheet_prints_why_photos_are_missing_and_who_sent_a_carton_elsewhere(trailer, alice):
    row = let_go(trailer, alice)
    more = {"no_photo_reason": "leaking", "not_in_place_reason": "unstable load", "reroute_authority": "phone"}
    bare = dict.fromkeys(("kind", "label", "store", "new_store", "where", "at", "by", "note", "attribution"), "x")
    content = row.content | {"pieces": [bare | more | {"number": "P-1", "quantity": 1, "codes": [], "photos": []}]}
    data = sheet.make_pdf(content, log=(row.log_seq, row.log_head), created=row.at)
    printed = " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(data)).pages).split())
    for words in ("no close photo: leaking", "no photo before moving: unstable load", "who says so: phone"):
        assert words in printed
