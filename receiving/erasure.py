"""Taking a picture away because law or retention demands it: the file goes, its hash and the reason stay."""

from django.core.files.storage import default_storage
from django.db import transaction
from django.utils.translation import gettext as _

from receiving import evidence
from receiving.models import HandedIn, Photo, Tombstone
from receiving.refusals import Refused


def erase_photo(photo, *, reason, actor, at):
    """Remove the original and both copies of `photo`, of every photo that is the same file, and that file if handed in.

    Leaves a tombstone with the hash and the reason for each. Refused without a reason and while a claim rests on it.
    Returns the tombstones.
    """
    if not reason.strip():
        raise Refused(_("Say which law or rule demands it."), code="reason_missing", field="reason")
    same = list(
        Photo.objects.filter(original=photo.original, tombstone__isnull=True).select_related("site", "discrepancy")
    )
    if not same:
        raise Refused(_("This photo is erased already."), code="already_erased")
    if claimed := [row for row in same if row.discrepancy and row.discrepancy.claimed_at]:
        raise Refused(
            _("Piece %(piece)s is part of a claim: its photos stay.") % {"piece": claimed[0].discrepancy},
            code="claimed",
        )
    with transaction.atomic():
        stones = [bury(row, reason=reason, actor=actor, at=at) for row in same]
        paths = {path for row in same for path in (row.original, row.viewing, row.thumbnail)} | handed_in(photo.sha256)
        transaction.on_commit(lambda: [default_storage.delete(path) for path in paths])
    return stones


def bury(photo, *, reason, actor, at):
    stone = Tombstone.objects.create(photo=photo, sha256=photo.sha256, reason=reason, actor=actor, at=at)
    evidence.append(
        site=photo.site,
        verb="photo.erased",
        record=photo,
        arrival=photo.arrival,
        discrepancy=photo.discrepancy,
        actor=actor,
        at=at,
        before={"sha256": photo.sha256},
        after={"reason": reason},
    )
    return stone


def handed_in(sha256):
    """Paths of the same file where it came with a record that its author could not send."""
    rows = HandedIn.objects.filter(files__icontains=sha256).values_list("files", flat=True)
    return {file["path"] for files in rows for file in files if file["sha256"] == sha256}
