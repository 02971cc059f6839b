"""Is a short piece really gone: looked for among the overs, found, rerouted and received pieces of all sites.

A carrier may ask for a certified statement that missing goods were not received from any other source (49 CFR
370.7(c), from memory). `search` is what has to be done before anybody can honestly sign that, `answer_asked` keeps what
owner, supplier and insurer said, `sign` is the only writer of `Statement`.
"""

from collections import defaultdict
from dataclasses import asdict, dataclass
from datetime import timedelta

from django.db import transaction
from django.db.models import F, Q
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from claims.enums import LineKind, Stage
from claims.models import Claim, Statement
from receiving import clock, evidence, identifiers
from receiving.enums import DiscrepancyState, Kind, YesNo
from receiving.models import Carton, Discrepancy, Site
from receiving.refusals import ChangedMeanwhile, Refused

BEFORE = timedelta(days=30)


@dataclass(frozen=True)
class Looked:
    """One kind of record that was looked through, and how many there were."""

    what: str
    count: int


@dataclass(frozen=True)
class Match:
    """A piece of the claim that turned up. Of another site only its name and whom to ask is told."""

    line: int
    piece: str
    words: str
    url: str = ""
    ask: str = ""


@dataclass(frozen=True)
class Search:
    """What was looked through and what was found.

    matches -- pieces that are not gone; any of them blocks the statement
    alike -- unlabelled overs of this site that may be one of the pieces; somebody should look
    sites -- names of the sites looked at; since -- the first day looked at
    """

    looked: tuple[Looked, ...]
    matches: tuple[Match, ...]
    alike: tuple[Match, ...]
    sites: tuple[str, ...]
    since: str

    @property
    def words(self):
        parts = ", ".join(f"{each.count:,} {each.what}" for each in self.looked)
        return _("Looked through since %(since)s at %(sites)s: %(parts)s.") % {
            "since": self.since,
            "sites": ", ".join(self.sites),
            "parts": parts,
        }

    def told(self):
        return evidence.plain(asdict(self) | {"words": self.words})


def short_lines(claim):
    """The live lines of this claim for pieces that did not come."""
    rows = claim.lines.filter(live=True, kind=LineKind.LOSS).order_by("position")
    return list(
        rows.select_related(
            "discrepancy__carton__store", "discrepancy__shipment", "discrepancy__arrival", "discrepancy__site"
        )
    )


def search(claim, *, lines=None):
    """Look for the short pieces of `claim` at all sites; a fixed number of queries."""
    lines = short_lines(claim) if lines is None else lines
    since = claim.shipment.arrival.opened_at or claim.opened_at
    since -= BEFORE
    sites = list(Site.objects.order_by("name"))
    by_label = defaultdict(list)
    for line in lines:
        if label := label_of(line):
            by_label[label].append(line)
    matches = [*own_state(lines), *pieces_found(claim, by_label), *cartons_received(claim, by_label)]
    return Search(
        looked=tuple(looked_through(since)),
        matches=tuple(sorted(matches, key=lambda match: match.line)),
        alike=tuple(unlabelled_alike(claim, lines, since)),
        sites=tuple(site.name for site in sites),
        since=date_format(clock.site_day(since, claim.site.time_zone), "j M Y"),
    )


def label_of(line):
    piece = line.discrepancy
    return piece.label or (piece.carton.label if piece.carton else "")


def looked_through(since):
    rows = Discrepancy.objects.filter(found_at__gte=since)
    yield Looked(_("pieces over"), rows.filter(kind=Kind.OVER).count())
    yield Looked(_("pieces rerouted"), rows.filter(kind=Kind.REROUTED).count())
    found = rows.filter(kind=Kind.SHORT, state__in=[DiscrepancyState.FOUND, DiscrepancyState.MATCHED])
    yield Looked(_("shorts that were found"), found.count())
    yield Looked(_("cartons received"), Carton.objects.filter(received_at__gte=since, received__gt=0).count())


def own_state(lines):
    """Lines whose own piece is not missing any more."""
    for line in lines:
        piece = line.discrepancy
        if piece.state != DiscrepancyState.OPEN:
            words = _("%(piece)s is %(state)s: %(note)s") % {
                "piece": piece,
                "state": piece.get_state_display(),
                "note": piece.settled_note or "-",
            }
            yield Match(line.position, str(piece), words, url=piece.get_absolute_url())
        elif line.cartons > piece.quantity:
            words = _("%(found)s of %(claimed)s cartons of %(piece)s were found.") % {
                "found": line.cartons - piece.quantity,
                "claimed": line.cartons,
                "piece": piece,
            }
            yield Match(line.position, str(piece), words, url=piece.get_absolute_url())


def pieces_found(claim, by_label):
    """Overs and rerouted pieces anywhere that bear the label of a short."""
    rows = (
        Discrepancy.objects.filter(label__in=by_label, kind__in=[Kind.OVER, Kind.REROUTED])
        .exclude(state=DiscrepancyState.VOID)
        .filter(Q(matched__isnull=True))
        .select_related("site")
        .order_by("pk")
    )
    for row in rows:
        for line in by_label[row.label]:
            if row.carton_id and row.carton_id != line.discrepancy.carton_id and not is_unique(row.label):
                continue
            yield match_of(claim, line, row.site, _("was logged as %(kind)s") % {"kind": row.get_kind_display()}, row)


def cartons_received(claim, by_label):
    """Cartons with that serial code on other lists that were received: a serial code names one carton only."""
    labels = [label for label in by_label if is_unique(label)]
    rows = Carton.objects.filter(site__in=Site.objects.all(), label__in=labels, received__gt=0).select_related(
        "site", "arrival"
    )
    for row in rows:
        for line in by_label[row.label]:
            if row.pk != line.discrepancy.carton_id:
                yield match_of(claim, line, row.site, _("was received on another load list"), row.arrival)


def is_unique(label):
    return identifiers.sscc.is_valid(label)


def match_of(claim, line, site, words, record):
    if site.pk == claim.site_id:
        found = _("%(label)s %(words)s: %(record)s") % {"label": label_of(line), "words": words, "record": record}
        return Match(line.position, str(line.discrepancy), found, url=record.get_absolute_url())
    ask = ", ".join(part for part in (site.name, site.responsible_person, site.responsible_phone) if part)
    return Match(line.position, str(line.discrepancy), _("There is a match at another site."), ask=ask)


def unlabelled_alike(claim, lines, since):
    """Open overs of this site whose label nobody could read, while pieces without a label are claimed short."""
    if all(label_of(line) for line in lines) or not lines:
        return
    first = next(line for line in lines if not label_of(line))
    rows = Discrepancy.objects.live().filter(site=claim.site, kind=Kind.OVER, label="", found_at__gte=since)
    for row in rows.order_by("pk"):
        words = _("%(piece)s came over without a readable label.") % {"piece": row}
        yield Match(first.position, str(first.discrepancy), words, url=row.get_absolute_url())


# --- asked, and signed ------------------------------------------------------------------------------------------------


def answer_asked(claim, *, answer, note, version, actor, at):
    """Keep whether owner, supplier or insurer has claimed or was paid, and who said so."""
    if answer != YesNo.UNKNOWN and not note.strip():
        raise Refused(_("Say who was asked and what they said."), code="note_missing", field="asked_note")
    before = evidence.facts(claim, ["asked_owner", "asked_note"])
    rows = Claim.objects.filter(pk=claim.pk, version=version, stage__in=[Stage.DRAFT, Stage.FILED])
    with transaction.atomic():
        if not rows.update(asked_owner=answer, asked_note=note.strip(), version=F("version") + 1):
            raise ChangedMeanwhile(
                _("Somebody else changed %(claim)s meanwhile. What you typed is still here; look and save again.")
                % {"claim": claim}
            )
        claim.refresh_from_db()
        after = evidence.facts(claim, ["asked_owner", "asked_note"])
        evidence.append(
            site=claim.site, verb="claim.asked", record=claim, actor=actor, at=at, before=before, after=after
        )
    return claim


def statement_text(claim, lines, found):
    """The exact words to be signed."""
    count = sum(line.cartons for line in lines)
    arrival = claim.shipment.arrival
    return "\n\n".join(
        [
            ngettext(
                "I state that the %(count)s carton listed here, short from trailer %(trailer)s under bill of lading "
                "%(bill)s, has not been received by %(claimant)s from any other source.",
                "I state that the %(count)s cartons listed here, short from trailer %(trailer)s under bill of lading "
                "%(bill)s, have not been received by %(claimant)s from any other source.",
                count,
            )
            % {
                "count": count,
                "trailer": f"{arrival.trailer_number} ({arrival})",
                "bill": claim.shipment.bill_number,
                "claimant": claim.claimant or claim.account.legal_name,
            },
            "; ".join(f"{line.discrepancy}: {label_of(line) or _('no label')}, {line.cartons}" for line in lines) + ".",
            found.words + " " + _("No match was found."),
            _("Owner, supplier and insurer were asked whether they have claimed or were paid: no. %(note)s")
            % {"note": claim.asked_note},
        ]
    )


def sign(claim, *, signer, role, text, uuid, actor, at):
    """A named person states that the short pieces of this claim were not received from any other source.

    Searches again first. Refused while a match stands, while nobody was asked or somebody was paid, and when the words
    are not those the record gives now.
    """
    lines = short_lines(claim)
    refuse_unsignable(claim, lines, signer)
    found = search(claim, lines=lines)
    if found.matches:
        raise Refused(
            _("%(piece)s is not gone: %(words)s Take its line off the claim first.")
            % {"piece": found.matches[0].piece, "words": found.matches[0].words},
            code="match_found",
        )
    if text.split() != statement_text(claim, lines, found).split():
        raise ChangedMeanwhile(_("The record changed since you read these words. Read them again, then sign."))
    row = Statement(
        uuid=uuid,
        claim=claim,
        lines=[line.pk for line in lines],
        signer=signer.strip(),
        role=role.strip(),
        text=statement_text(claim, lines, found),
        searched=found.told(),
        actor=actor,
        at=at,
    )
    with transaction.atomic():
        row.save(force_insert=True)
        told = evidence.facts(row, ["claim", "lines", "signer", "role", "text", "searched"])
        evidence.append(site=claim.site, verb="claim.statement", record=row, actor=actor, at=at, after=told)
    return row


def refuse_unsignable(claim, lines, signer):
    if claim.stage not in (Stage.DRAFT, Stage.FILED):
        raise Refused(_("%(claim)s is not open any more.") % {"claim": claim}, code="claim_not_open")
    if not lines:
        raise Refused(_("No line of this claim is for a short piece."), code="no_shorts")
    if not signer.strip():
        raise Refused(_("Write the name of the person who states this."), code="signer_missing", field="signer")
    if claim.asked_owner == YesNo.YES:
        raise Refused(
            _("Somebody else has claimed or was paid for these pieces: nobody can state the contrary."),
            code="already_paid",
        )
    if claim.asked_owner == YesNo.UNKNOWN:
        raise Refused(
            _("Ask the owner, the supplier and the insurer first whether they have claimed or were paid."),
            code="not_asked",
        )


@dataclass(frozen=True)
class Standing:
    """The newest statement of a claim and whether it still covers what is claimed; `why` says what is wrong."""

    statement: Statement | None
    holds: bool
    why: str = ""


def statement_standing(claim, lines, found, statement):
    """Whether `statement`, the newest, covers the short `lines` and `found` shows no match since."""
    if not lines:
        return Standing(statement, True)
    if statement is None:
        return Standing(None, False, _("Nobody has stated yet that the short pieces came from no other source."))
    if set(statement.lines) != {line.pk for line in lines}:
        return Standing(statement, False, _("The statement was signed for other pieces than are claimed now."))
    if found.matches:
        return Standing(statement, False, _("A piece turned up after the statement was signed."))
    return Standing(statement, True)
