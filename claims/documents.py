"""Papers of a claim: taken in as they came, hashed, and the reasons why there is none. The only writer of Document and
GapReason.

A PDF goes through `receiving.documents.foreign`, a picture through `receiving.photos`; both are read wholly before
anything is kept.
"""

import hashlib
from dataclasses import dataclass

from django.core.files.storage import default_storage
from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from claims import completeness
from claims.enums import DocumentKind, Stage
from claims.models import Document, GapReason
from receiving import evidence, files, photos
from receiving.documents import foreign
from receiving.refusals import ChangedMeanwhile, Refused

PDF = "application/pdf"
TOLD = ["claim", "kind", "file", "name", "content_type", "sha256", "size", "pages", "note", "replaces", "taken_off"]


@dataclass(frozen=True)
class Paper:
    """A file that was read and found good, not yet kept."""

    data: bytes
    name: str
    content_type: str
    sha256: str
    pages: int


def examine(upload, *, filename):
    """Read an uploaded file wholly. Raises Refused. Takes up to a second: call it outside a transaction."""
    data = upload.read(foreign.MAX_BYTES + 1)
    name = photos.clean_name(filename)[-200:] or "document"
    if not data:
        raise Refused(_("%(name)s is empty. Choose the file again.") % {"name": name}, code="paper_empty", field="file")
    if data[:1024].lstrip().startswith(b"%PDF-"):
        pages, content_type = foreign.examine_pdf(data, name).pages, PDF
    else:
        pages, content_type = 1, picture_type(data, name)
    return Paper(data, name, content_type, hashlib.sha256(data).hexdigest(), pages)


def picture_type(data, name):
    try:
        return photos.CONTENT_TYPES[photos.examine(data, filename=name).format]
    except photos.WrongKind:
        raise Refused(
            _("%(name)s is neither a PDF nor a picture. Upload a PDF, JPEG, PNG, WebP, HEIC, AVIF or TIFF file.")
            % {"name": name},
            code="paper_wrong_kind",
            field="file",
        ) from None
    except photos.NotAPicture as why:
        raise Refused(why.message, code=why.code, field="file") from why


def receive(claim, *, paper, kind, note="", replaces=None, uuid, actor, at):
    """Keep an examined paper with a claim and return its row; the same UUID again gives the row there is.

    replaces -- an earlier document of this claim that this one corrects; of two corrections the second is refused
    """
    refuse_closed(claim)
    if replaces is not None and replaces.claim_id != claim.pk:
        raise Refused(_("That document belongs to another claim."), code="document_elsewhere", field="replaces")
    refuse_twice(claim, paper, replaces, uuid)
    row = Document(
        uuid=uuid,
        claim=claim,
        kind=DocumentKind(kind),
        file=files.keep(f"documents/{paper.sha256[:2]}/{paper.sha256}", paper.data),
        name=paper.name,
        content_type=paper.content_type,
        sha256=paper.sha256,
        size=len(paper.data),
        pages=paper.pages,
        note=note.strip(),
        replaces=replaces,
        actor=actor,
        at=at,
    )
    try:
        with transaction.atomic():
            row.save(force_insert=True)
            tell(row, "claim.document", evidence.facts(row, TOLD))
    except IntegrityError:
        return earlier(row)
    return row


def refuse_twice(claim, paper, replaces, uuid):
    """The same file under two names would be two papers in the packet."""
    there = claim.documents.current().filter(sha256=paper.sha256).exclude(uuid=uuid)
    if replaces is not None:
        there = there.exclude(pk=replaces.pk)
    if found := there.first():
        raise Refused(
            _("This file is among the papers already, as %(kind)s. If that is not what it is, correct it there.")
            % {"kind": found.get_kind_display()},
            code="document_twice",
            field="file",
        )


def correct(document, *, kind, note="", uuid, actor, at):
    """Say that a paper is something else than was said; the file stays the same."""
    return instead(document, kind=DocumentKind(kind), note=note, uuid=uuid, actor=actor, at=at)


def take_off(document, *, reason, uuid, actor, at):
    """Take a paper off its claim, with the reason. It stays in the record and goes into no packet any more."""
    if not reason.strip():
        raise Refused(_("Say why it is taken off."), code="reason_missing", field="note")
    return instead(document, kind=document.kind, note=reason, taken_off=True, uuid=uuid, actor=actor, at=at)


def instead(document, *, uuid, actor, at, note, **values):
    """A new row for the same file in the place of `document`."""
    refuse_closed(document.claim)
    if not Document.objects.current().filter(pk=document.pk).exists():
        raise ChangedMeanwhile(_("Somebody else has replaced that document meanwhile. Look at the list, then decide."))
    same = {
        name: getattr(document, name) for name in ("claim", "file", "name", "content_type", "sha256", "size", "pages")
    }
    row = Document(uuid=uuid, replaces=document, note=note.strip(), actor=actor, at=at, **(same | values))
    try:
        with transaction.atomic():
            row.save(force_insert=True)
            tell(row, "claim.document", evidence.facts(row, TOLD))
    except IntegrityError:
        return earlier(row)
    return row


def earlier(row):
    """The row already there under this UUID if it is the same file; else somebody replaced the old one before us."""
    found = Document.objects.filter(uuid=row.uuid).first()
    if found and (found.sha256, found.claim_id) == (row.sha256, row.claim_id):
        return found
    if found:
        raise Refused(
            _("Another file was already sent under this number. Choose it again."), code="uuid_reused", field="file"
        )
    raise ChangedMeanwhile(_("Somebody else has replaced that document meanwhile. Look at the list, then decide."))


def refuse_closed(claim):
    if claim.stage == Stage.WITHDRAWN:
        raise Refused(_("%(claim)s is withdrawn; nothing is added to it.") % {"claim": claim}, code="claim_withdrawn")


def current(claim):
    """The documents of a claim that nothing replaces, oldest first."""
    return claim.documents.current().select_related("actor").order_by("kind", "pk")


def matches_hash(document):
    """Whether the stored file still is what came."""
    try:
        with default_storage.open(document.file) as file:
            return hashlib.file_digest(file, "sha256").hexdigest() == document.sha256
    except FileNotFoundError:
        return False


def state_reason(claim, *, gap, reason, uuid, actor, at):
    """Keep why something that the claim lacks will not be had; filing without it needs that."""
    refuse_closed(claim)
    need = next((each for each in completeness.of_claim(claim).needs if each.code == gap), None)
    if need is None or not need.is_gap:
        raise Refused(_("That is not missing any more."), code="no_gap", field="gap")
    if need.firm:
        raise Refused(_("No reason excuses this: %(lacks)s") % {"lacks": need.lacks}, code="firm_gap", field="gap")
    if not reason.strip():
        raise Refused(_("Say why there is none."), code="reason_missing", field="reason")
    return write_reason(claim, gap=gap, reason=reason.strip(), uuid=uuid, actor=actor, at=at)


def write_reason(claim, *, gap, reason, uuid, actor, at):
    """Keep a reason for a gap that the caller has looked at."""
    with transaction.atomic():
        row = GapReason.objects.create(uuid=uuid, claim=claim, gap=gap, reason=reason, actor=actor, at=at)
        tell(row, "claim.gap_reason", evidence.facts(row, ["claim", "gap", "reason"]))
    return row


def tell(row, verb, after):
    evidence.append(site=row.claim.site, verb=verb, record=row, actor=row.actor, at=row.at, after=after)
