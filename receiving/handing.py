"""Records that their author could not send: handed in from a phone or out of a saved file, kept until somebody decides.

The only writer of HandedIn and HandedInEnded. Somebody whose right was taken away while the phone had no network
still hands in what was made before; a lead takes it as a record of their own, which names the author, or discards it
with a reason. Nothing of it is changed and no file of it is thrown away.
"""

import hashlib
from dataclasses import dataclass

from django.db import IntegrityError, transaction
from django.db.models import Count
from django.urls import Resolver404, resolve
from django.utils.translation import gettext as _

from receiving import evidence, files, rules
from receiving.enums import HandedInEnd
from receiving.models import Arrival, Discrepancy, Event, HandedIn, HandedInEnded, Phone, Site
from receiving.refusals import ChangedMeanwhile, Refused

MOST_FIELDS = 400
MOST_TEXT = 100_000
MOST_FILES = 20
MOST_BYTES = 40 * 1000 * 1000
# The addresses whose records may be handed in, by name: what a phone keeps in its outbox.
KEPT = {
    "arrive",
    "seal_new",
    "seal_correct",
    "unsealed",
    "safety",
    "incident",
    "unload",
    "pause",
    "resume",
    "count_end",
    "count_again",
    "count_scan",
    "count_undo",
    "count_tally_tap",
    "log_trailer",
    "set_aside",
    "piece_complete",
    "photo_upload",
}
TOLD = ("uuid", "author", "phone", "kind", "title", "url", "fields", "files", "sha256", "why", "made_at", "said_at")


class UuidReused(Refused):
    """Another record was already handed in under this number."""

    status = 409


@dataclass(frozen=True)
class Attached:
    """One file of a record: the form's field, its name and type by the phone's word, its bytes."""

    field: str
    name: str
    type: str
    content: bytes

    @property
    def sha256(self):
        return hashlib.sha256(self.content).hexdigest()


def site_worked_at(person, code):
    """The site with this code, if the person is a member or its log or its phones show that they were one."""
    if site := rules.site_by_code(person, code):
        return site
    site = Site.objects.filter(code=code).first()
    if site is None:
        return None
    known, told = Phone.objects.filter(site=site, person=person), Event.objects.filter(site=site, actor=person)
    return site if known.exists() or told.exists() else None


def place_of(site, url):
    """The ResolverMatch of a record's address; refused where it is none that a phone keeps records for."""
    try:
        match = resolve(url)
    except Resolver404:
        match = None
    if match is None or match.url_name not in KEPT or match.kwargs.get("site") != site.code:
        raise Refused(
            _("“%(url)s” is no address that a record of %(site)s is sent to. Nothing was kept.")
            % {"url": url[:100], "site": site.code},
            code="unknown_address",
            field="url",
        )
    return match


def trailer_of(site, match):
    """The trailer a record is for, or None where it is gone or the address names no trailer that exists."""
    number = match.kwargs.get("number")
    if match.url_name == "piece_complete":
        piece = Discrepancy.objects.filter(site=site, number=number).select_related("arrival").first()
        return piece and piece.arrival
    return Arrival.objects.filter(site=site, number=number).first()


def check_fields(pairs):
    """[[name, value]] as the phone kept them, all texts."""
    good = isinstance(pairs, list) and len(pairs) <= MOST_FIELDS
    good = good and all(isinstance(pair, list) and len(pair) == 2 and all_texts(pair) for pair in pairs)
    if not good or sum(len(name) + len(value) for name, value in pairs) > MOST_TEXT:
        raise Refused(
            _("The fields of the record cannot be read. Save the outbox as a file and show it to somebody."),
            code="bad_fields",
            field="fields",
        )
    return [[name, value] for name, value in pairs if name not in ("csrfmiddlewaretoken", "uuid")]


def all_texts(values):
    return all(isinstance(value, str) and "\0" not in value for value in values)


def check_attached(attached):
    if len(attached) > MOST_FILES:
        raise Refused(
            _("The record has %(n)s files; at most %(most)s go with one.") % {"n": len(attached), "most": MOST_FILES},
            code="too_many_files",
            field="files",
        )
    for file in attached:
        if len(file.content) > MOST_BYTES:
            raise Refused(
                _("%(name)s: the file has %(size).1f MB; at most %(most)d MB can be kept.")
                % {"name": file.name, "size": len(file.content) / 1e6, "most": MOST_BYTES // 1_000_000},
                code="file_too_large",
                field=file.field,
            )


def hand_in(site, *, uuid, author, url, fields, attached, device, why="", kind="", title="", actor, at):
    """Keep a record that could not be sent; the same again gives the row there is, anything else `UuidReused`.

    author -- the person who made it; device -- from which phone and when; why -- the sentence it was refused with
    """
    match = place_of(site, url)
    fields = check_fields(fields)
    check_attached(attached)
    digest = evidence.sha256(
        evidence.canonical([url, fields, [[file.field, file.name, file.sha256] for file in attached], author.pk])
    )
    if earlier := HandedIn.objects.filter(uuid=uuid).first():
        return same(earlier, digest)
    kept = [keep(file) for file in attached]
    arrival = trailer_of(site, match)
    row = HandedIn(
        uuid=uuid,
        site=site,
        arrival=arrival,
        author=author,
        phone=device.phone,
        kind=kind[:12],
        title=title[:200],
        url=url,
        fields=fields,
        files=kept,
        sha256=digest,
        why=why[:300],
        made_at=device.made_at or at,
        said_at=device.said.isoformat() if device.said else "",
        actor=actor,
        at=at,
    )
    try:
        with transaction.atomic():
            row.save(force_insert=True)
            tell(row, "handed_in.received", record=row, actor=actor, at=at, after=evidence.facts(row, TOLD))
    except IntegrityError:
        earlier = HandedIn.objects.filter(uuid=uuid).first()
        if earlier is None:
            raise
        return same(earlier, digest)
    return row


def same(earlier, digest):
    if earlier.sha256 != digest:
        raise UuidReused(
            _("Another record was already handed in under this number. Save the outbox as a file, show it to a lead."),
            code="uuid_reused",
        )
    return earlier


def keep(file):
    sha256 = file.sha256
    path = files.keep(f"handed-in/{sha256[:2]}/{sha256}", file.content)
    told = {"field": file.field[:40], "name": file.name[:200], "type": file.type[:100]}
    return told | {"size": len(file.content), "sha256": sha256, "path": path}


def tell(row, verb, *, record, actor, at, after):
    return evidence.append(
        site=row.site, verb=verb, record=record, arrival=row.arrival, actor=actor, at=at, after=after
    )


# --- what a lead does with it -----------------------------------------------------------------------------------------


def waiting(site):
    """Records of the site that nobody has decided on, in the order in which they were made."""
    rows = HandedIn.objects.filter(site=site, ended__isnull=True)
    return rows.select_related("site", "author", "actor", "arrival").order_by("made_at", "pk")


def waiting_by_author(**where):
    """[(author's name, records)] that wait, by name: one query."""
    rows = HandedIn.objects.filter(ended__isnull=True, **where).order_by()
    names = ("author__first_name", "author__last_name", "author__username")
    found = rows.values_list("author", *names).annotate(n=Count("pk"))
    return sorted((f"{first} {last}".strip() or username, n) for _pk, first, last, username, n in found)


def end(row, *, end, reason="", answer="", actor, at):
    """It was taken as a record, or is discarded with a reason; of two people one is first."""
    if end == HandedInEnd.DISCARDED and not reason.strip():
        raise Refused(_("Say why the record is discarded."), code="reason_missing", field="reason")
    try:
        with transaction.atomic():
            ended = HandedInEnded.objects.create(
                handed_in=row, end=end, reason=reason, answer=answer[:300], actor=actor, at=at
            )
            told = {"handed_in": row.pk, "end": end, "reason": reason, "answer": ended.answer}
            tell(row, f"handed_in.{end}", record=ended, actor=actor, at=at, after=told)
    except IntegrityError as error:
        raise ChangedMeanwhile(_("Somebody else decided on this record just now. Reload the page.")) from error
    return ended
