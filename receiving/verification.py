"""Does the evidence still say what it said? Re-hash every file, walk every chain, hold every row against what the log
told of it, and name what does not match."""

import hashlib
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import islice

from django.apps import apps
from django.core.files.storage import default_storage
from django.db import connection
from django.db.models import Case, Count, Exists, F, OuterRef, Q, Subquery, When
from django.db.models.functions import Coalesce

from receiving import evidence, queries, triggers
from receiving.enums import COUNTING_RESULTS, Kind, MomentKind, ScanResult
from receiving.models import (
    Arrival,
    Carton,
    ChainHead,
    Discrepancy,
    DiscrepancyVersion,
    Event,
    Evidence,
    ExceptionSheet,
    Finding,
    HandedIn,
    HandedInEnded,
    IncidentNote,
    IncidentRuling,
    LateRecord,
    LoadList,
    Looked,
    Moment,
    Photo,
    Refusal,
    SealRecord,
    SheetDelivery,
    Shipment,
    Site,
    TallyTap,
    Tombstone,
)

CHUNK = 500
# What an app above has to say of a site: each is called with it and gives Mismatches.
MORE = []
# Told in other words than the row's: a store by its number, which may change, a sheet by its printed number.
REWORDED = {("tallytap", "store"), ("exceptionsheet", "number"), ("exceptionsheet", "supersedes")}
# Told of a new piece beside the facts that its versions keep.
BESIDE = {"number", "found_at", "after_release"}
# Told of a record that was there already: neither its actor nor its time is the record's own.
LATER = {"photo.erased", "sheet.delivered"}
FROZEN = ("outcome", "signer", "employer", "signature", "typed", "witness", "carrier_receipt", "device", "notation")
UPLOADED = ("name", "sha256", "size")
UNTOLD = "the log does not tell of it"
GONE = "the row that the log tells of is gone"
# Rows that an event names as its record, by the way from them to their trailer.
OF_TRAILER = {
    Finding: "discrepancy__arrival",
    HandedIn: "arrival",
    HandedInEnded: "handed_in__arrival",
    IncidentNote: "arrival",
    IncidentRuling: "incident__arrival",
    LateRecord: "arrival",
    SealRecord: "arrival",
    TallyTap: "shipment__arrival",
}
# Rows whose event names what they are about: their columns beside actor and time.
SAID = {
    Moment: ("arrival", ("arrival", "kind", "note")),
    Looked: ("arrival", ("arrival", "place")),
    Refusal: ("shipment__arrival", ("shipment", "pieces", "whole", "reason")),
    SheetDelivery: ("sheet__arrival", ("sheet", "way", "to")),
    Tombstone: ("photo__arrival", ("photo", "reason")),
}
COLUMNS = {model._meta.model_name: names for model, (_way, names) in SAID.items()}


@dataclass(frozen=True)
class Mismatch:
    """One thing that is not as recorded: where it is and in what way."""

    where: str
    what: str

    def __str__(self):
        return f"{self.where}: {self.what}"


def verify(site: Site) -> Iterator[Mismatch]:
    """Everything of one site that does not match its record."""
    yield from verify_chain(site)
    yield from verify_files(site)
    yield from verify_rows(site)
    yield from verify_trailers(site)
    yield from verify_sheets(site)
    yield from verify_cartons(site)
    for check in MORE:
        yield from check(site)


def verify_guards() -> Iterator[Mismatch]:
    """The triggers that refuse changes to evidence, in the database as a whole."""
    for name in triggers.missing(connection):
        yield Mismatch("database", f"trigger {name} is missing or changed: evidence is not guarded")


def verify_chain(site: Site) -> Iterator[Mismatch]:
    """Each event's own hash, its link to the one before, no gap, and the head that says where the chain ends."""
    previous, expected = evidence.GENESIS, 1
    for event in Event.objects.filter(site=site).order_by("seq").iterator(chunk_size=2000):
        where = f"{site.code} event {event.seq} ({event.verb} of {event.record})"
        if event.seq != expected:
            yield Mismatch(where, f"events {expected} to {event.seq - 1} are gone")
        if event.previous != previous:
            yield Mismatch(where, "does not hold the hash of the event before it")
        if evidence.event_hash(event, site_code=site.code) != event.hash:
            yield Mismatch(where, "its contents were changed after it was written")
        previous, expected = event.hash, event.seq + 1
    head = ChainHead.objects.filter(site=site).first()
    if head is None and expected > 1:
        yield Mismatch(f"{site.code} log", f"its head is gone, it ends with event {expected - 1}")
    if head and (head.seq, head.hash) != (expected - 1, previous):
        yield Mismatch(f"{site.code} log", f"should end with event {head.seq}, ends with event {expected - 1}")


def verify_files(site: Site) -> Iterator[Mismatch]:
    """Originals, viewing copies, sheets and load lists against the hashes in their rows, and those against the log."""
    told = told_hashes(site)
    for photo in Photo.objects.filter(site=site).select_related("tombstone").order_by("pk").iterator(chunk_size=2000):
        where = f"{site.code} photo {photo.uuid}"
        if photo.sha256 not in told.get(evidence.name_of(photo), ""):
            yield Mismatch(where, "its hash is not the one in the log")
        if not hasattr(photo, "tombstone"):
            yield from check_file(where + " original", photo.original, photo.sha256)
            yield from check_file(where + " viewing copy", photo.viewing, photo.viewing_sha256)
    for sheet in ExceptionSheet.objects.filter(site=site).order_by("pk").iterator(chunk_size=500):
        where = f"{site.code} sheet {sheet}"
        if sheet.pdf_sha256 not in told.get(evidence.name_of(sheet), ""):
            yield Mismatch(where, "its hash is not the one in the log")
        if evidence.sha256(evidence.canonical(sheet.content)) != sheet.content_sha256:
            yield Mismatch(where, "its frozen content was changed")
        yield from check_file(where, sheet.pdf, sheet.pdf_sha256)
    for row in HandedIn.objects.filter(site=site).order_by("pk").iterator(chunk_size=500):
        for file in row.files:
            if not queries.is_erased(file):
                where = f"{site.code} record {row.uuid} handed in, {file['name']}"
                yield from check_file(where, file["path"], file["sha256"])
    for load_list in LoadList.objects.filter(shipment__arrival__site=site).order_by("pk").iterator(chunk_size=500):
        if evidence.name_of(load_list) not in told:
            yield Mismatch(f"{site.code} load list {load_list.name}", UNTOLD)
        yield from check_file(f"{site.code} load list {load_list.name}", load_list.file.name, load_list.sha256)


def told_hashes(site: Site) -> dict[str, str]:
    """What the log said of each photo, sheet and load list when it came in, as text to look for a hash in."""
    verbs = ("photo.received", "sheet.frozen", "load_list.uploaded")
    rows = Event.objects.filter(site=site, verb__in=verbs).values_list("record", "after")
    return {record: str(after) for record, after in rows.iterator(chunk_size=2000)}


def check_file(where: str, path: str, sha256: str) -> Iterator[Mismatch]:
    try:
        with default_storage.open(path) as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        yield Mismatch(where, f"the file {path} is missing")
        return
    if found != sha256:
        yield Mismatch(where, f"the file {path} was changed: recorded {sha256}, found {found}")


# --- rows against the log ---------------------------------------------------------------------------------------------


def verify_rows(site: Site) -> Iterator[Mismatch]:
    """One walk over the events: what each told of a row that is written once, against that row as it is."""
    versions = Counter()
    events = Event.objects.filter(site=site).order_by("seq").iterator(chunk_size=2000)
    for batch in batched(events, CHUNK):
        rows = rows_of(batch)
        for event in batch:
            model, pk = model_and_key(event.record)
            if model is None:
                continue
            row = rows[model].get(pk)
            if row is None:
                yield Mismatch(told_where(site, event), GONE)
            elif model is LoadList:
                if event.verb == "load_list.uploaded":
                    yield from differing(site, event, row, UPLOADED)
            elif model is not Discrepancy:
                yield from compare(site, event, row)
        yield from verify_versions(site, batch, versions)
    yield from verify_pieces(site, versions)


@cache
def written_once():
    models = [model for model in apps.get_models() if issubclass(model, Evidence)]
    return {model._meta.model_name: model for model in (*models, Discrepancy, LoadList)}


def model_and_key(record):
    key = key_of(record)
    return (written_once().get(record.partition(":")[0]), key) if key else (None, None)


def key_of(record):
    """The database's key in the name of a record; None where another name stands there."""
    key = record.partition(":")[2]
    return int(key) if key.isdecimal() else None


def rows_of(events):
    """{model: {key: row}} of the rows that these events tell of."""
    keys = defaultdict(set)
    for event in events:
        model, pk = model_and_key(event.record)
        keys[model].add(pk)
    return {model: model._default_manager.in_bulk(wanted) for model, wanted in keys.items() if model}


def told_where(site, event):
    return f"{site.code} {event.record} (event {event.seq}, {event.verb})"


@cache
def columns(model):
    return {field.name for field in model._meta.concrete_fields}


def compare(site, event, row):
    """What an event told of its row, and of where it belongs, who wrote it and when."""
    names = columns(type(row))
    told = [name for name in event.after or {} if name in names and (row._meta.model_name, name) not in REWORDED]
    if event.verb == "sheet.frozen" and event.after.get("number") != str(row):
        yield differs(site, event, "number", event.after.get("number"), str(row))
    yield from differing(site, event, row, told)
    for name in ("arrival", "discrepancy"):
        if name in names and getattr(event, f"{name}_id") != getattr(row, f"{name}_id"):
            yield differs(site, event, name, getattr(event, f"{name}_id"), getattr(row, f"{name}_id"))
    if event.verb not in LATER:
        if row.actor_id != event.actor_id:
            yield differs(site, event, "actor", event.actor_id, row.actor_id)
        at = (event.after or {}).get("happened_at") or evidence.plain(event.at)
        if evidence.plain(row.at) != at:
            yield differs(site, event, "at", at, evidence.plain(row.at))


def differing(site, event, row, names):
    found = evidence.plain(evidence.facts(row, names))
    for name in names:
        if event.after.get(name) != found[name]:
            yield differs(site, event, name, event.after.get(name), found[name])


def differs(site, event, name, told, found):
    return Mismatch(told_where(site, event), f"{name}: recorded {told!r}, found {found!r}")


def batched(rows, size):
    rows = iter(rows)
    while batch := list(islice(rows, size)):
        yield batch


# --- pieces -----------------------------------------------------------------------------------------------------------


def verify_versions(site, events, versions):
    """Each version of a piece is the one before with what the event told. `versions` counts on, from batch to batch."""
    steps = list(versions_told(site, events, versions))
    kept = DiscrepancyVersion.objects.filter(discrepancy__in={pk for pk, *_ in steps})
    facts = {(pk, version): said for pk, version, said in kept.values_list("discrepancy", "version", "facts")}
    for pk, version, after in steps:
        where = f"{site.code} piece record {pk} version {version}"
        found = facts.get((pk, version))
        if found is None:
            yield Mismatch(where, "is gone")
            continue
        told = {name: value for name, value in after.items() if name in columns(Discrepancy) - BESIDE}
        wanted = facts.get((pk, version - 1), {}) | told if version > 1 else told
        for name in sorted(wanted):
            if found.get(name) != wanted[name]:
                yield Mismatch(where, f"{name}: recorded {wanted[name]!r}, found {found.get(name)!r}")


def versions_told(site, events, versions):
    """(piece, version, what was told) for every version that these events made."""
    short = {entry["number"] for event in events if event.verb == "shipment.short" for entry in event.after["pieces"]}
    keys = dict(Discrepancy.objects.filter(site=site, number__in=short).values_list("number", "pk"))
    for event in events:
        made = []
        if event.verb == "shipment.short":
            told = [(keys.get(entry["number"]), entry) for entry in event.after["pieces"]]
            made = [(pk, entry | {"kind": Kind.SHORT.value}) for pk, entry in told if pk]
        elif event.record.startswith("discrepancy:"):
            made = [(model_and_key(event.record)[1], event.after or {})]
        for pk, after in made:
            versions[pk] += 1
            yield pk, versions[pk], after


def verify_pieces(site, versions):
    """Each piece as it stands is its last version, and has as many as the log tells of."""
    pieces = Discrepancy.objects.filter(site=site).order_by("pk").iterator(chunk_size=CHUNK)
    for batch in batched(pieces, CHUNK):
        kept = DiscrepancyVersion.objects.filter(discrepancy__in=batch, version=F("discrepancy__version"))
        facts = dict(kept.values_list("discrepancy", "facts"))
        for piece in batch:
            where = f"{site.code} piece {piece}"
            if piece.version != versions[piece.pk]:
                yield Mismatch(where, f"is at version {piece.version}, the log tells of {versions[piece.pk]}")
            last = facts.get(piece.pk, {})
            if not last:
                yield Mismatch(where, f"its version {piece.version} is gone")
            now = evidence.plain(evidence.facts(piece, sorted(columns(Discrepancy) & last.keys())))
            for name in now:
                if now[name] != last[name]:
                    yield Mismatch(where, f"{name}: its last version says {last[name]!r}, found {now[name]!r}")

    later = DiscrepancyVersion.objects.filter(discrepancy__site=site, version__gt=F("discrepancy__version"))
    for pk, version in later.order_by("pk").values_list("discrepancy", "version"):
        yield Mismatch(f"{site.code} piece record {pk} version {version}", UNTOLD)


# --- rows of which no event tells -------------------------------------------------------------------------------------


def verify_trailers(site: Site) -> Iterator[Mismatch]:
    """Each row that was written once at a trailer is told by an event, and what was told is there: some trailers at a
    time, so that the memory it takes does not grow with the log."""
    arrivals = Arrival.objects.filter(site=site).order_by("pk").values_list("pk", flat=True)
    for batch in batched(arrivals.iterator(chunk_size=CHUNK), CHUNK):
        yield from unnamed_rows(site, batch)
        told, found = Counter(said_in_log(site, batch)), Counter(said_in_rows(batch))
        for what, way in ((found - told, UNTOLD), (told - found, GONE)):
            for said, times in sorted(what.items(), key=str):
                yield from [Mismatch(f"{site.code} {said_words(*said)}", way)] * times


def said_words(model, *said):
    names = (*COLUMNS[model], "actor", "at")
    told = [f"{name} {value}" for name, value in zip(names, said, strict=True) if value not in (None, "")]
    return f"{model} ({', '.join(told)})"


def unnamed_rows(site, arrivals):
    """Rows of these trailers that are the record of no event."""
    named = set()
    for model in OF_TRAILER:
        names = Event.objects.filter(site=site, arrival__in=arrivals, record__startswith=f"{model._meta.model_name}:")
        named.update(names.values_list("record", flat=True))
    for model, way in OF_TRAILER.items():
        for row in model._default_manager.filter(**{f"{way}__in": arrivals}).order_by("pk").iterator(chunk_size=CHUNK):
            if evidence.name_of(row) not in named:
                yield Mismatch(f"{site.code} {evidence.name_of(row)}", UNTOLD)


def said_in_rows(arrivals):
    """(model, what it says, actor, time) of each row of SAID; of a whole refusal the pieces are not told."""
    for model, (way, names) in SAID.items():
        rows = model._default_manager.filter(**{f"{way}__in": arrivals}).values_list(*names, "actor", "at")
        for *said, actor, at in rows.iterator(chunk_size=CHUNK):
            if model is Refusal and said[2]:
                said[1] = None
            yield (model._meta.model_name, *said, actor, evidence.plain(at))


def said_in_log(site, arrivals):
    """The same, as the events of these trailers tell it."""
    bills = defaultdict(list)
    for arrival, pk in Shipment.objects.filter(arrival__in=arrivals).values_list("arrival", "pk"):
        bills[arrival].append(pk)
    events = Event.objects.filter(site=site, arrival__in=arrivals, verb__in=[*MOMENTS, *TELLING]).order_by("seq")
    rows = events.values_list("verb", "record", "actor", "at", "after")
    for verb, record, actor, at, after in rows.iterator(chunk_size=CHUNK):
        key, after, at = key_of(record), after or {}, evidence.plain(at)
        if verb in MOMENTS:
            yield from moments_told(MOMENTS[verb], key, after, actor, at)
        if verb == "arrival.refused":
            yield from (("refusal", pk, None, True, after.get("note"), actor, at) for pk in bills[key])
        elif verb in TELLING:
            yield from ((*said, actor, at) for said in TELLING[verb](key, after))


MOMENTS = {f"arrival.{kind}": kind for kind in MomentKind.values}
TELLING = {
    "arrival.looked": lambda key, after: [("looked", key, place) for place in after.get("places", ())],
    "shipment.refused": lambda key, after: [("refusal", key, after.get("pieces"), False, after.get("reason"))],
    "sheet.delivered": lambda key, after: [("sheetdelivery", key, after.get("way"), after.get("to"))],
    "photo.erased": lambda key, after: [("tombstone", key, after.get("reason"))],
}


def moments_told(kind, arrival, after, actor, at):
    """A trailer that comes to its door was at the gate before, and one that is dropped was dropped then."""
    yield "moment", arrival, kind, after.get("note") or "", actor, after.get("happened_at") or at
    if kind == MomentKind.AT_DOOR:
        yield "moment", arrival, MomentKind.AT_GATE.value, "", actor, after.get("gate_at")
        if after.get("dropped"):
            yield "moment", arrival, MomentKind.DROPPED.value, "", actor, at


# --- sheets and counts ------------------------------------------------------------------------------------------------


def verify_sheets(site: Site) -> Iterator[Mismatch]:
    """What the driver signed is what was frozen, and the end of the log that it prints is in the log."""
    here = Event.objects.filter(site=site, seq=OuterRef("log_seq")).values("hash")
    sheets = ExceptionSheet.objects.filter(site=site).annotate(there=Subquery(here)).order_by("pk")
    for sheet in sheets.iterator(chunk_size=CHUNK):
        where = f"{site.code} sheet {sheet}"
        found, frozen = evidence.plain(evidence.facts(sheet, FROZEN)), sheet.content.get("release", {})
        for name in FROZEN:
            if name in frozen and frozen[name] != found[name]:
                yield Mismatch(where, f"{name}: frozen as {frozen[name]!r}, found {found[name]!r}")
        if sheet.log_head != (sheet.there or (None if sheet.log_seq else evidence.GENESIS)):
            yield Mismatch(where, f"event {sheet.log_seq} of the log is not the one it was signed over")


def verify_cartons(site: Site) -> Iterator[Mismatch]:
    """What each carton was received is what its scans count that nobody took back."""
    counting = queries.live_scans(carton=OuterRef("pk"), result__in=COUNTING_RESULTS).order_by()
    number = counting.values("carton").annotate(n=Count("pk")).values("n")
    here = {name: OuterRef(name) for name in ("arrival", "shipment", "label")}
    blind = queries.live_scans(carton=None, result=ScanResult.BLIND, **here)
    taken_over = Case(When(Exists(blind), then=1), default=0)
    cartons = Carton.objects.filter(site=site).annotate(counted=Coalesce(Subquery(number), 0), taken_over=taken_over)
    wrong = cartons.filter(~Q(received=F("counted") + F("taken_over"))).order_by("pk")
    for carton in wrong.iterator(chunk_size=CHUNK):
        if carton.received == carton.counted and came_with_a_later_list(carton):
            continue
        yield Mismatch(
            f"{site.code} carton {carton} of record {carton.pk}",
            f"stands at {carton.received} received, its scans count {carton.counted + carton.taken_over}",
        )


def came_with_a_later_list(carton):
    """The label was counted without a list and not on the first one: that count stayed a carton without a line."""
    lists = [
        f"loadlist:{pk}" for pk in LoadList.objects.filter(shipment=carton.shipment_id).values_list("pk", flat=True)
    ]
    told = Event.objects.filter(site=carton.site_id, verb="load_list.confirmed", record__in=lists)
    return any(
        carton.label in (after.get("counted_not_listed") or ()) for after in told.values_list("after", flat=True)
    )
