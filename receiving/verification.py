"""Does the evidence still say what it said? Re-hash every file, walk every chain, and name what does not match."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from django.core.files.storage import default_storage

from receiving import evidence
from receiving.models import ChainHead, Event, ExceptionSheet, LoadList, Photo, Site


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
    for load_list in LoadList.objects.filter(shipment__arrival__site=site).order_by("pk").iterator(chunk_size=500):
        yield from check_file(f"{site.code} load list {load_list.name}", load_list.file.name, load_list.sha256)


def told_hashes(site: Site) -> dict[str, str]:
    """What the log said of each photo and sheet when it came in, as text to look for a hash in."""
    verbs = ("photo.received", "sheet.frozen")
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
