"""`verify_evidence` names the one event or file that somebody touched, and nothing else."""

import uuid
from dataclasses import dataclass
from datetime import timedelta
from io import StringIO

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command
from django.db import connection

from claims.models import Packet
from receiving import counting, discrepancies, dock, erasure, evidence, load_list, photos, release, triggers
from receiving.enums import ArrivalState, FindingKind, IncidentKind, Kind, PhotoPurpose, SignOutcome
from receiving.models import (
    Arrival,
    Carton,
    ChainHead,
    Discrepancy,
    DiscrepancyVersion,
    Event,
    ExceptionSheet,
    Finding,
    IncidentNote,
    LoadList,
    Looked,
    Moment,
    Photo,
    Refusal,
    SealRecord,
    SheetDelivery,
    Site,
    TallyTap,
    Tombstone,
)
from receiving.verification import verify, verify_guards
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_code,
    make_door,
    make_jpeg,
    make_person,
    make_seal,
    make_site,
    make_store,
    sscc,
)
from tests.conftest import guards_down
from tests.world import build

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    site = make_site()
    make_arrival(site, actor=make_person("lead", site, "alice"), state=ArrivalState.UNLOADING)
    return site


def behind_the_guards(sql, *params):
    """Run `sql` as somebody who owns the database: no triggers, no foreign keys."""
    with guards_down(connection), connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA defer_foreign_keys = ON")
        cursor.execute(sql, params)


def test_an_untouched_site_has_no_mismatch(site, capsys):
    assert list(verify(site)) == []
    call_command("verify_evidence")
    assert "all files match" in capsys.readouterr().out


def test_a_changed_event_is_named(site):
    behind_the_guards("UPDATE receiving_event SET actor_name = 'Mallory' WHERE seq = 3")
    assert [str(found) for found in verify(site)] == [
        f"NOR event 3 ({Event.objects.get(seq=3).verb} of {Event.objects.get(seq=3).record}): "
        "its contents were changed after it was written"
    ]


def test_a_removed_event_leaves_a_named_gap(site):
    behind_the_guards("DELETE FROM receiving_event WHERE seq = 2")
    assert [found.what for found in verify(site)] == [
        "events 2 to 2 are gone",
        "does not hold the hash of the event before it",
    ]


def test_a_cut_end_is_named(site):
    last, arrival = Event.objects.order_by("seq").last().seq, Arrival.objects.get()
    actor = Moment.objects.get(kind="unloading_started").actor_id
    behind_the_guards("DELETE FROM receiving_event WHERE seq = %s", last)
    assert [str(found) for found in verify(site)] == [
        f"NOR moment (arrival {arrival.pk}, kind unloading_started, actor {actor}, at 2026-03-02T18:00:00Z): "
        "the log does not tell of it",
        f"NOR log: should end with event {last}, ends with event {last - 1}",
    ][::-1]


def test_the_command_fails_when_something_does_not_match(site):
    behind_the_guards("UPDATE receiving_event SET source = 'x' WHERE seq = 1")
    with pytest.raises(CommandError, match="1 did not match"):
        call_command("verify_evidence", "NOR")


def test_an_unknown_site_is_said(site):
    with pytest.raises(CommandError, match="No site ABC"):
        call_command("verify_evidence", "ABC")


# --- rows against the log ---------------------------------------------------------------------------------------------


@dataclass
class Worked:
    """A trailer worked through by the domain alone, with a record of every kind that the log tells of."""

    site: Site
    arrival: Arrival
    piece: Discrepancy
    photo: Photo
    finding: Finding
    seal: SealRecord
    incident: IncidentNote
    sheet: ExceptionSheet
    list: LoadList

    def found(self):
        return [str(one) for one in verify(self.site)]


@pytest.fixture
def worked(site):
    lead = make_person("lead", site, "bob")
    account = make_account("Juniper Home Stores")
    by = {"actor": lead, "at": NOON}
    make_store(site, account, "0417")
    arrival = make_arrival(site, state=ArrivalState.UNLOADING, actor=lead, pieces=3, account=account)
    bill = arrival.shipments.get()
    labels = [sscc(serial) for serial in (1, 2, 3)]
    counting.scan(arrival, reads=reads(labels[2:]), **by)
    kept = read_list(bill, labels, **by)
    counting.scan(arrival, reads=reads(labels[:2]), **by)
    counting.undo_last(arrival, uuid=uuid.uuid4(), **by)
    counting.scan(arrival, reads=reads(labels[1:2]), **by)
    facts = {"label": labels[0], "note": "corner pressed in", "disposition": "held"}
    facts |= {"where_found": "conveyor", "attribution": "own", "extent": "packaging"}
    piece = discrepancies.record(
        arrival, uuid=uuid.uuid4(), kind=Kind.DAMAGED, facts=facts, codes=[make_code(site)], **by
    )
    photo = photos.receive_photo(
        arrival=arrival,
        uuid=uuid.uuid4(),
        upload=ContentFile(make_jpeg()),
        filename="camera.jpg",
        purpose=PhotoPurpose.PIECE,
        caption="left corner",
        discrepancy=piece,
        **by,
    )
    facts = {"note": "corner crushed"}
    piece = discrepancies.amend(piece, facts=facts, version=piece.version, reason="seen again", **by)
    finding = discrepancies.add_finding(
        piece, uuid=uuid.uuid4(), kind=FindingKind.NOTE, facts={"text": "two plates broken"}, **by
    )
    seal = make_seal(arrival, actor=lead)
    note = dock.note_incident(arrival, uuid=uuid.uuid4(), kind=IncidentKind.SEAL, text="seal cut", **by)
    return Worked(site, arrival, piece, photo, finding, seal, note, frozen(arrival, **by), kept)


def reads(labels):
    return [counting.Read(raw=label, uuid=uuid.uuid4()) for label in labels]


def read_list(bill, labels, *, replaces=None, actor, at):
    rows = "\n".join(f"{label},0417" for label in labels)
    data = f"Carton,Store\n{rows}\n".encode()
    kept = load_list.receive_file(
        bill, uuid=uuid.uuid4(), upload=ContentFile(data), filename="list.csv", actor=actor, at=at
    )
    load_list.confirm(kept, replaces=replaces, actor=actor, at=at)
    return LoadList.objects.get(pk=kept.pk)


def frozen(arrival, *, actor, at):
    arrival = dock.end_count(Arrival.objects.get(pk=arrival.pk), actor=actor, at=at)
    facts = {
        "outcome": SignOutcome.SIGNED,
        "signer": "Ed Driver",
        "employer": "Bluff Road Freight",
        "signature": "Ed Driver",
        "typed": True,
        "witness": "",
        "device": "",
        "carrier_receipt": "none",
        "notation": "1 carton crushed.",
    }
    return release.release(arrival, uuid=uuid.uuid4(), facts=facts, actor=actor, at=at)


def event_of(record, verb):
    return Event.objects.get(record=evidence.name_of(record), verb=verb)


def told(worked, record, verb):
    """How the mismatch of a row names the row and its event."""
    event = event_of(record, verb)
    return f"NOR {event.record} (event {event.seq}, {verb}): "


def test_a_trailer_worked_through_has_no_mismatch(worked):
    assert worked.found() == []
    assert list(verify_guards()) == []


CHANGED = [
    ("finding", "piece.finding_note", "text", "two plates broken", "none broken"),
    ("seal", "seal.recorded", "number_on_seal", None, "9999999"),
    ("seal", "seal.recorded", "condition", "intact", "broken"),
    ("incident", "incident.noted", "text", "seal cut", "all well"),
    ("photo", "photo.received", "caption", "left corner", "before unloading"),
    ("sheet", "sheet.frozen", "content_sha256", None, "0" * 64),
    ("list", "load_list.uploaded", "name", "list.csv", "other.csv"),
    ("list", "load_list.uploaded", "sha256", None, "0" * 64),
]


@pytest.mark.parametrize(("name", "verb", "column", "was", "now"), CHANGED)
def test_a_changed_row_is_named(worked, name, verb, column, was, now):
    row = getattr(worked, name)
    was = was or getattr(row, column)
    behind_the_guards(f"UPDATE {row._meta.db_table} SET {column} = %s WHERE id = %s", now, row.pk)
    found = worked.found()
    assert f"{told(worked, row, verb)}{column}: recorded {was!r}, found {now!r}" in found
    # A changed hash differs from the content or the file too.
    assert len(found) == (2 if column in ("sha256", "content_sha256") else 1)


def test_a_row_given_to_somebody_else_or_another_day_is_named(worked):
    other = make_person("lead", worked.site, "eve")
    row = worked.finding
    behind_the_guards("UPDATE receiving_finding SET actor_id = %s, at = %s", other.pk, "2020-01-02 03:04:05+00:00")
    where = told(worked, row, "piece.finding_note")
    assert worked.found() == [
        f"{where}actor: recorded {row.actor_id}, found {other.pk}",
        f"{where}at: recorded {evidence.plain(row.at)!r}, found '2020-01-02T03:04:05Z'",
    ]


def test_a_photo_that_shows_another_piece_is_named(worked):
    behind_the_guards("UPDATE receiving_photo SET discrepancy_id = NULL WHERE id = %s", worked.photo.pk)
    where = told(worked, worked.photo, "photo.received")
    assert worked.found() == [f"{where}discrepancy: recorded {worked.piece.pk}, found None"]


@pytest.mark.parametrize(("name", "verb"), [("photo", "photo.received"), ("sheet", "sheet.frozen")])
def test_a_removed_row_is_named(worked, name, verb):
    row = getattr(worked, name)
    where = told(worked, row, verb)
    behind_the_guards(f"DELETE FROM {row._meta.db_table} WHERE id = %s", row.pk)
    found = worked.found()
    putting_back(row)
    assert found == [f"{where}the row that the log tells of is gone"]


def putting_back(row):
    """Other rows point at it, which the database would say at the end of the test."""
    with guards_down(connection):
        row.save(force_insert=True)


@pytest.mark.parametrize(
    ("column", "was", "now"),
    [
        ("signer", "Ed Driver", "Al Other"),
        ("outcome", "signed", "clean"),
        ("notation", "1 carton crushed.", "Received clean."),
    ],
)
def test_a_sheet_that_is_not_what_was_signed_is_named(worked, column, was, now):
    behind_the_guards(f"UPDATE receiving_exceptionsheet SET {column} = %s", now)
    assert f"NOR sheet {worked.sheet}: {column}: frozen as {was!r}, found {now!r}" in worked.found()
    assert len(worked.found()) == (2 if column == "outcome" else 1)


# --- rows of which no event tells -------------------------------------------------------------------------------------


def slipped_in(worked):
    """A row of each kind at the trailer, written past every door."""
    lead, arrival, bill = worked.finding.actor, worked.arrival, worked.arrival.shipments.get()
    by, version = {"actor": lead, "at": NOON}, {"version": 9, "facts": {}}
    return {
        Finding: lambda: Finding.objects.create(discrepancy=worked.piece, kind="note", text="fine", **by),
        IncidentNote: lambda: IncidentNote.objects.create(arrival=arrival, kind="seal", text="cut", **by),
        SealRecord: lambda: SealRecord.objects.create(arrival=arrival, condition="broken", number_on_seal="1", **by),
        TallyTap: lambda: TallyTap.objects.create(shipment=bill, count=1, **by),
        Moment: lambda: Moment.objects.create(arrival=arrival, kind="paused", **by),
        Looked: lambda: Looked.objects.create(arrival=arrival, place="nose", **by),
        Refusal: lambda: Refusal.objects.create(shipment=bill, pieces=1, reason="wet", **by),
        SheetDelivery: lambda: SheetDelivery.objects.create(sheet=worked.sheet, way="print", **by),
        Tombstone: lambda: Tombstone.objects.create(photo=worked.photo, sha256="a" * 64, reason="law", **by),
        DiscrepancyVersion: lambda: DiscrepancyVersion.objects.create(discrepancy=worked.piece, **version, **by),
    }


NAMED = {
    Finding: "finding:{pk}",
    IncidentNote: "incidentnote:{pk}",
    SealRecord: "sealrecord:{pk}",
    TallyTap: "tallytap:{pk}",
    Moment: "moment (arrival {arrival}, kind paused, actor {actor}, at 2026-03-02T18:00:00Z)",
    Looked: "looked (arrival {arrival}, place nose, actor {actor}, at 2026-03-02T18:00:00Z)",
    Refusal: "refusal (shipment {bill}, pieces 1, whole False, reason wet, actor {actor}, at 2026-03-02T18:00:00Z)",
    SheetDelivery: "sheetdelivery (sheet {sheet}, way print, actor {actor}, at 2026-03-02T18:00:00Z)",
    Tombstone: "tombstone (photo {photo}, reason law, actor {actor}, at 2026-03-02T18:00:00Z)",
    DiscrepancyVersion: "piece record {piece} version 9",
}


@pytest.mark.parametrize("model", NAMED, ids=lambda model: model.__name__)
def test_a_row_of_which_the_log_does_not_tell_is_named(worked, model):
    row = slipped_in(worked)[model]()
    keys = {name: getattr(worked, name).pk for name in ("arrival", "piece", "photo", "sheet")}
    where = NAMED[model].format(pk=row.pk, actor=row.actor_id, bill=worked.arrival.shipments.get().pk, **keys)
    assert worked.found() == [f"NOR {where}: the log does not tell of it"]


@pytest.fixture
def turned_away(site):
    """A trailer dropped, tallied, looked through and partly refused, and one that is refused whole."""
    by = {"actor": make_person("lead", site, "dee"), "at": NOON}
    arrival = make_arrival(site, actor=by["actor"], pieces=5, account=make_account())
    early = NOON - timedelta(minutes=30)
    arrival = dock.bring_to_door(arrival, door=make_door(site), dropped=True, gate_at=early, **by)
    make_seal(arrival, actor=by["actor"])
    dock.tick(arrival, ticks=dict.fromkeys(dock.TICKS, True), **by)
    arrival = dock.start_unloading(Arrival.objects.get(pk=arrival.pk), **by)
    bill = arrival.shipments.get()
    tap = counting.tally(bill, store=None, count=2, uuid=uuid.uuid4(), **by)
    counting.undo_tap(tap, uuid=uuid.uuid4(), **by)
    dock.looked(arrival, uuid=uuid.uuid4(), places=["nose", "under"], **by)
    dock.refuse_rest(bill, uuid=uuid.uuid4(), pieces=2, reason="wet", **by)
    other = make_arrival(site, actor=by["actor"], pieces=4, account=make_account())
    dock.refuse_whole(other, reason="fallen over", **by)
    return arrival


def test_trailers_dropped_tallied_and_refused_have_no_mismatch(site, turned_away):
    assert list(verify(site)) == []
    assert {row.kind for row in Moment.objects.filter(arrival=turned_away)} >= {"at_gate", "dropped", "at_door"}
    assert (Refusal.objects.count(), Looked.objects.count(), TallyTap.objects.count()) == (2, 2, 2)


@pytest.mark.parametrize("table", ["moment", "looked", "refusal"])
def test_a_row_taken_away_of_a_trailer_is_named(site, turned_away, table):
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM receiving_{table}")
        [number] = cursor.fetchone()
    behind_the_guards(f"DELETE FROM receiving_{table}")
    found = list(verify(site))
    assert {one.what for one in found} == {"the row that the log tells of is gone"} and len(found) == number
    assert all(one.where.startswith(f"NOR {table} (") for one in found)


@pytest.mark.parametrize("change", ["pieces = 1", "reason = 'broken'", "whole = true"])
def test_a_changed_refusal_is_named(site, turned_away, change):
    behind_the_guards(f"UPDATE receiving_refusal SET {change} WHERE reason = 'wet'")
    assert sorted(one.what for one in verify(site)) == [
        "the log does not tell of it",
        "the row that the log tells of is gone",
    ]


def test_a_delivery_and_a_removed_photo_are_told_and_a_change_of_them_is_named(worked):
    by = {"actor": worked.finding.actor, "at": NOON}
    release.delivered(worked.sheet, uuid=uuid.uuid4(), way="print", to="", **by)
    erasure.bury(worked.photo, reason="court order 12", **by)
    assert worked.found() == []
    behind_the_guards("UPDATE receiving_tombstone SET reason = 'none'")
    behind_the_guards("UPDATE receiving_sheetdelivery SET way = 'email'")
    assert len(worked.found()) == 4


# --- pieces -----------------------------------------------------------------------------------------------------------


def test_a_piece_changed_outside_its_door_is_named(worked):
    Discrepancy.objects.filter(pk=worked.piece.pk).update(note="fine")
    assert worked.found() == [
        f"NOR piece {worked.piece}: note: its last version says 'corner crushed', found 'fine'",
    ]


@pytest.mark.parametrize(("version", "was"), [(1, "corner pressed in"), (2, "corner crushed")])
def test_a_changed_version_is_named(worked, version, was):
    row = worked.piece.versions.get(version=version)
    facts = evidence.canonical(row.facts | {"note": "fine"})
    behind_the_guards("UPDATE receiving_discrepancyversion SET facts = %s WHERE id = %s", facts, row.pk)
    expected = [f"NOR piece record {worked.piece.pk} version {version}: note: recorded {was!r}, found 'fine'"]
    if version == 2:
        expected.append(f"NOR piece {worked.piece}: note: its last version says 'fine', found 'corner crushed'")
    assert worked.found() == expected


def test_what_a_change_left_alone_may_not_change_either(worked):
    row = worked.piece.versions.get(version=2)
    facts = evidence.canonical(row.facts | {"quantity": 7})
    behind_the_guards("UPDATE receiving_discrepancyversion SET facts = %s WHERE id = %s", facts, row.pk)
    assert worked.found() == [
        f"NOR piece record {worked.piece.pk} version 2: quantity: recorded 1, found 7",
        f"NOR piece {worked.piece}: quantity: its last version says 7, found 1",
    ]


def test_a_piece_put_back_to_its_first_version_is_named(worked):
    behind_the_guards("DELETE FROM receiving_discrepancyversion WHERE version = 2")
    Discrepancy.objects.update(version=1, note="corner pressed in")
    assert worked.found() == [
        f"NOR piece record {worked.piece.pk} version 2: is gone",
        f"NOR piece {worked.piece}: is at version 1, the log tells of 2",
    ]


# --- the end of the log -----------------------------------------------------------------------------------------------


def test_a_head_that_is_gone_is_named(site):
    last = Event.objects.count()
    ChainHead.objects.all().delete()
    assert [str(found) for found in verify(site)] == [f"NOR log: its head is gone, it ends with event {last}"]


def test_a_cut_end_with_its_head_put_back_is_told_by_the_sheet(worked):
    seq = worked.sheet.log_seq
    behind_the_guards("DELETE FROM receiving_event WHERE seq >= %s", seq)
    ChainHead.objects.update(seq=seq - 1, hash=Event.objects.get(seq=seq - 1).hash)
    found = worked.found()
    assert f"NOR sheet {worked.sheet}: event {seq} of the log is not the one it was signed over" in found
    assert not [line for line in found if line.startswith("NOR log")]


def test_a_sheet_printed_over_another_log_is_named(worked):
    behind_the_guards("UPDATE receiving_exceptionsheet SET log_head = %s", "f" * 64)
    assert worked.found() == [
        f"NOR sheet {worked.sheet}: event {worked.sheet.log_seq} of the log is not the one it was signed over"
    ]


# --- files, counts, guards --------------------------------------------------------------------------------------------


def test_a_list_changed_together_with_its_hash_is_named(worked):
    row = worked.list
    data = b"Carton,Store\n"
    default_storage.delete(row.file.name)
    assert default_storage.save(row.file.name, ContentFile(data)) == row.file.name
    LoadList.objects.filter(pk=row.pk).update(sha256=evidence.digest(data), size=len(data))
    where = told(worked, row, "load_list.uploaded")
    assert worked.found() == [
        f"{where}sha256: recorded {row.sha256!r}, found {evidence.digest(data)!r}",
        f"{where}size: recorded {row.size}, found {len(data)}",
    ]


def test_a_list_that_nobody_uploaded_is_named(worked):
    row = LoadList.objects.get(pk=worked.list.pk)
    row.pk, row.uuid, row.state, row.name = None, uuid.uuid4(), "replaced", "planted.csv"
    row.save(force_insert=True)
    assert worked.found() == ["NOR load list planted.csv: the log does not tell of it"]


@pytest.mark.parametrize(("line", "received"), [(0, 0), (1, 0), (2, 0)])
def test_a_count_that_its_scans_do_not_give_is_named(worked, line, received):
    carton = Carton.objects.order_by("line")[line]
    Carton.objects.filter(pk=carton.pk).update(received=received)
    assert worked.found() == [
        f"NOR carton {carton} of record {carton.pk}: stands at {received} received, its scans count 1"
    ]


def test_a_carton_that_only_a_later_list_has_is_no_mismatch(site):
    """It was counted without a list and is not on the first one: its count stays without a line."""
    lead, account = make_person("lead", site, "carol"), make_account("Later Lists")
    make_store(site, account, "0417")
    arrival = make_arrival(site, state=ArrivalState.UNLOADING, actor=lead, pieces=2, account=account)
    bill, by = arrival.shipments.get(), {"actor": lead, "at": NOON}
    counting.scan(arrival, reads=reads([sscc(2)]), **by)
    first = read_list(bill, [sscc(1)], **by)
    read_list(bill, [sscc(1), sscc(2)], replaces=first.pk, **by)
    assert list(verify(site)) == []
    carton = Carton.objects.get(label=sscc(1))
    Carton.objects.filter(pk=carton.pk).update(received=1)
    assert [found.what for found in verify(site)] == ["stands at 1 received, its scans count 0"]


def test_a_scan_taken_away_shows_in_its_carton(worked):
    carton = Carton.objects.order_by("line")[0]
    behind_the_guards("DELETE FROM receiving_scan WHERE carton_id = %s", carton.pk)
    assert worked.found() == [f"NOR carton {carton} of record {carton.pk}: stands at 1 received, its scans count 0"]


def test_missing_triggers_are_named_by_the_command(site, capsys):
    names = list(triggers.statements(connection.vendor, "receiving_photo"))
    triggers.take_away(connection, ["receiving_photo"])
    with pytest.raises(CommandError, match=f"{len(names)} did not match"):
        call_command("verify_evidence")
    out = capsys.readouterr().out
    assert [f"trigger {name} is missing" in out for name in names] == [True] * len(names)


def test_the_world_of_the_page_tests_has_only_its_own_shortcuts():
    """That world writes a load list, counts and a packet without their doors, which is just what must be found."""
    built = build()
    wrong = {str(found) for site in Site.objects.all() for found in verify(site)}
    counted = Carton.objects.exclude(received=0).exclude(scans__isnull=False)
    cartons = {f"NOR carton {one} of record {one.pk}: stands at 1 received, its scans count 0" for one in counted}
    kept = "NOR load list none.csv: "
    packets = {f"{packet}: the log does not tell of it" for packet in Packet.objects.all()}
    lists = {kept + "the log does not tell of it", kept + "the file lists/none.csv is missing"}
    assert wrong == cartons | lists | packets
    assert len(cartons) > 3
    assert built.records["list"]


@pytest.mark.django_db(transaction=True)
def test_the_small_demo_has_no_mismatch():
    call_command("demo", "--small", stdout=StringIO())
    assert {site.code: list(map(str, verify(site))) for site in Site.objects.all()} == {"ALD": [], "BRK": []}
