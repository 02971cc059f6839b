"""What was made at a trailer before its release and came after it: all is kept, and the lead sees what became of it.

The only writer of LateRecord. What comes of a record, by what it is:

- a *piece*: a piece of its author, found then and sent later (`sent_late`); one set aside waits to be filled in. The
  sheet no longer stands.
- a *scan* of a carton declared short: it is found, by the author of the scan; a claim that holds the short shows it in
  Due. The sheet no longer stands. The same where the bill has pieces declared short by number: one of them is found.
- a *scan* of a carton that is counted: already counted, and both scans are kept. The sheet stands.
- a *scan* where nothing of the bill is short (refused aboard, tallied) or on no list: kept as a scan that does not
  count. The sheet stands.
- a *tally*: as many as were declared short by number are found, the rest is kept as a number that does not count. The
  sheet no longer stands if any was found.
- a count *taken back*: it goes, and its piece is short after all, a new short by the same author. The sheet no longer
  stands.
- a *seal* or an *incident*: one more record, at the time it was made. The sheet no longer stands.
- a *photo*: one more photo of the piece, the seal or the trailer. The sheet stands.
- a *step*, *no seal*, *safety looks*: refused with the sentence that says so; it stays on the phone, which shows why.

A sheet that no longer stands is replaced by `release.replace`. What arrives while the trailer is paused counts if it
was made before the pause; what was put on a pallet before it was closed stands on it.
"""

import uuid as uuids
from dataclasses import dataclass, field
from datetime import datetime

from django.db import transaction
from django.db.models import Exists, OuterRef
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from receiving import evidence, queries
from receiving.enums import ArrivalState, LateKind, LateOutcome
from receiving.models import Discrepancy, LateRecord

CHANGING = {LateOutcome.FOUND, LateOutcome.MISSING, LateOutcome.ADDED}
TOLD = ("uuid", "sheet", "kind", "outcome", "changes_sheet", "record", "label", "pieces", "made_at")


def is_late(arrival, made_at):
    """Whether something made `made_at` was made before the release that it now comes after. None is never late."""
    return bool(
        arrival.state == ArrivalState.RELEASED
        and made_at is not None
        and arrival.released_at is not None
        and made_at < arrival.released_at
    )


@dataclass(frozen=True)
class Entry:
    """One late record. uuid -- of what was stored or would have been; record -- its name in the log"""

    uuid: uuids.UUID
    kind: LateKind
    outcome: LateOutcome
    record: str
    made_at: datetime
    label: str = ""
    pieces: int = 1
    discrepancy: Discrepancy | None = field(default=None, compare=False)

    @property
    def changes_sheet(self):
        return self.outcome in CHANGING and self.kind != LateKind.PHOTO


def note(arrival, entries, *, actor, at):
    """Write down what came late for one trailer, with an event for each."""
    entries = list(entries)
    if not entries:
        return
    sheet = arrival.sheets.filter(superseded_by__isnull=True).first()
    with transaction.atomic():
        rows = LateRecord.objects.bulk_create(
            LateRecord(
                uuid=uuids.uuid5(entry.uuid, f"late {entry.kind} {entry.outcome}"),
                arrival=arrival,
                sheet=sheet,
                discrepancy=entry.discrepancy,
                kind=entry.kind,
                outcome=entry.outcome,
                changes_sheet=entry.changes_sheet,
                record=entry.record[:60],
                label=entry.label[:100],
                pieces=entry.pieces,
                made_at=entry.made_at,
                actor=actor,
                at=at,
            )
            for entry in entries
        )
        told = [
            {
                "verb": "late.arrived",
                "record": row,
                "arrival": arrival,
                "discrepancy": row.discrepancy,
                "actor": actor,
                "at": at,
                "after": evidence.facts(row, TOLD),
            }
            for row in rows
        ]
        evidence.append_many(site=arrival.site, entries=told)


def note_one(arrival, entry, *, actor, at):
    note(arrival, [entry], actor=actor, at=at)


# --- what it does to the sheet ----------------------------------------------------------------------------------------


def why_not_standing(sheet):
    """The sentence why a sheet of `queries.sheets_with_late` no longer stands, or ""."""
    if sheet.late_pieces:
        words = ngettext(
            "Sheet %(sheet)s no longer stands: %(n)s piece was found before and sent after.",
            "Sheet %(sheet)s no longer stands: %(n)s pieces were found before and sent after.",
            sheet.late_pieces,
        )
        return words % {"sheet": sheet, "n": sheet.late_pieces}
    if sheet.late_others:
        words = ngettext(
            "Sheet %(sheet)s no longer stands: %(n)s record was made before and sent after.",
            "Sheet %(sheet)s no longer stands: %(n)s records were made before and sent after.",
            sheet.late_others,
        )
        return words % {"sheet": sheet, "n": sheet.late_others}
    return ""


def undone(site):
    """Sheets of the site that no longer stand because of what came late and that no other has replaced yet."""
    changed = LateRecord.objects.filter(sheet=OuterRef("pk"), changes_sheet=True)
    rows = queries.sheets_with_late().filter(
        Exists(changed), site=site, superseded_by__isnull=True, arrival__state=ArrivalState.RELEASED
    )
    return list(rows.select_related("arrival__site", "site").order_by("pk"))


def of_sheet(sheet):
    """What came late to a sheet and changes what it says, in the order in which it was made."""
    rows = LateRecord.objects.filter(sheet=sheet, changes_sheet=True).select_related("actor", "discrepancy")
    return rows.order_by("made_at", "pk")


def said(row):
    """A late record in words: `scan 1952…: found after all`."""
    what = row.label or (str(row.discrepancy) if row.discrepancy_id else "")
    words = {"kind": row.get_kind_display(), "what": what, "outcome": row.get_outcome_display()}
    return (_("%(kind)s %(what)s: %(outcome)s") if what else _("%(kind)s: %(outcome)s")) % words
