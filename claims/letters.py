"""Letters and notices: drafted from the record, edited by hand, frozen when they go. The only writer of Letter.

The text of each kind stands in `templates/claims/letters/`; letters are in English, as the carriers' papers are.
"""

from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta

from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import F
from django.template.loader import render_to_string
from django.utils import translation
from django.utils.translation import gettext as _

from claims import dates, mail, readings, refusal_answers, shorts, standing, terms
from claims.enums import FactKind, FilingWay, LetterKind, LineKind, Stage, Standing
from claims.models import Claim, Fact, Letter, LineDecision
from claims.valuation.words import money
from receiving import clock, evidence, files
from receiving.documents import pdf
from receiving.enums import Disposition
from receiving.refusals import ChangedMeanwhile, Refused

FACTS = ["number", "kind", "to", "subject", "body"]
# What a draft leaves for a person to fill in; none of it goes to a carrier.
CRIBS = ("(Say why", "(say why)", "(name the papers)", "____", "(fill in")
# 49 CFR 370.5(a) and 370.9(a), counted from the day we filed and from the day the carrier says it received the claim.
ACKNOWLEDGE, DECIDE = timedelta(days=30), timedelta(days=120)
SENT = ["sent_at", "sent_way", "pdf", "pdf_sha256"]


# --- which letters fit ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fit:
    """A letter that fits the claim now; `why` says what calls for it."""

    kind: str
    why: str

    @property
    def label(self):
        return LetterKind(self.kind).label


def fitting(claim, *, at):
    """The letters that this claim calls for now, the likeliest first."""
    facts = standing.live(readings.happened([claim])[claim.pk])
    return list(fits(claim, readings.reading(claim, at=at), facts, clock.site_day(at, claim.site.time_zone)))


def fits(claim, reading, facts, today):
    kinds = {fact.kind for fact in facts}
    filed = claim.stage == Stage.FILED
    lines = list(claim.lines.filter(live=True).select_related("discrepancy"))
    damaged = [line for line in lines if line.kind == LineKind.DAMAGE]
    if claim.stage != Stage.WITHDRAWN and any(line.discrepancy.after_release for line in damaged):
        yield Fit(LetterKind.CONCEALED, _("Damage was found after the trailer was released."))
    if filed and reading.standing == Standing.OFFER_OPEN:
        yield Fit(LetterKind.ACCEPTANCE, _("An offer is open."))
    refused = filed and reading.money.disallowed and not reading.money.agreed
    contested = refused and is_contested(claim, facts)
    if refused and not contested:
        yield Fit(LetterKind.CONTEST, _("The carrier disallowed a part."))
    if filed and FactKind.PAPERS_ASKED in kinds:
        yield Fit(LetterKind.PAPERS, _("The carrier asked for papers."))
    if filed and FactKind.ACKNOWLEDGED not in kinds and today > claim.filed_on + ACKNOWLEDGE:
        yield Fit(LetterKind.LATE_ACKNOWLEDGEMENT, _("The carrier has not acknowledged the claim in 30 days."))
    if filed and reading.money.undecided and decision_is_late(claim, today):
        yield Fit(LetterKind.LATE_DECISION, _("The carrier has not decided on everything in 120 days."))
    if any(line.discrepancy.disposition in (Disposition.SALVAGE, Disposition.HELD) for line in damaged):
        yield Fit(LetterKind.SALVAGE, _("Damaged goods are held or set aside for salvage."))
    if claim.amendments.exists():
        yield Fit(LetterKind.AMENDMENT, _("The claim was amended."))
    if reading.standing == Standing.OVERPAID:
        yield Fit(LetterKind.REFUND, _("More came in than the claim is worth."))
    if contested:
        yield Fit(LetterKind.CONTEST, _("The refusal was contested already; once more, if there is something to add."))
    if filed or claim.stage == Stage.WITHDRAWN:
        yield Fit(LetterKind.WITHDRAWAL, _("If the claim is given up."))


def is_contested(claim, facts):
    """Whether the last refusal has been contested, by a fact or by a letter that went."""
    rows = Letter.objects.filter(claim=claim, kind=LetterKind.CONTEST, sent_at__isnull=False)
    sent = [clock.site_day(at, claim.site.time_zone) for at in rows.values_list("sent_at", flat=True)]
    return standing.is_contested(facts, sent)


def decision_is_late(claim, today):
    rows = Fact.objects.filter(claim=claim, kind=FactKind.ACKNOWLEDGED, reversed_by__isnull=True)
    received = rows.order_by("-received_on").values_list("received_on", flat=True).first()
    return received is not None and today > received + DECIDE


# --- drafting ---------------------------------------------------------------------------------------------------------


def draft(claim, *, kind, uuid, actor, at):
    """Draft a letter of this kind from the record. Refused where nothing calls for it."""
    if kind not in {fit.kind for fit in fitting(claim, at=at)}:
        raise Refused(
            _("Nothing in this claim calls for that letter: %(kind)s.") % {"kind": LetterKind(kind).label},
            code="letter_does_not_fit",
            field="kind",
        )
    subject, body = worded(claim, kind, at=at)
    with transaction.atomic():
        evidence.lock_head(claim.site)
        letter = Letter.objects.create(
            uuid=uuid,
            claim=claim,
            number=Letter.objects.filter(claim=claim).count() + 1,
            kind=kind,
            to=claim.carrier.claims_email if claim.carrier else "",
            subject=subject,
            body=body,
            drafted_at=at,
            drafted_by=actor,
        )
        tell(letter, "letter.drafted", actor=actor, at=at, after=evidence.facts(letter, ["claim", *FACTS]))
    return letter


def worded(claim, kind, *, at):
    """(subject, text) of a letter, as the record gives them now."""
    with translation.override("en"):
        context = contents(claim, at=at)
        text = render_to_string(f"claims/letters/{kind}.txt", context)
    subject, _blank, body = text.strip().partition("\n")
    return " ".join(subject.split())[:200], tidy(body)


def tidy(text):
    """No line ends in blanks, no more than one empty line in a row."""
    lines = [line.rstrip() for line in text.strip().splitlines()]
    kept = [line for n, line in enumerate(lines) if line or (n and lines[n - 1])]
    return "\n".join(kept) + "\n"


def contents(claim, *, at):
    """What the texts may speak of."""
    zone = claim.site.time_zone
    reading = readings.reading(claim, at=at)
    facts = Fact.objects.filter(claim=claim, reversed_by__isnull=True, reverses__isnull=True).order_by("on", "pk")
    by_kind = {kind: [fact for fact in facts if fact.kind == kind] for kind in FactKind}
    held = terms.of_claim(claim)
    means = [held.terms.delivered_means] if held else []
    lines = list(claim.lines.filter(live=True).select_related("discrepancy__carton").order_by("position"))
    return {
        "claim": claim,
        "site": claim.site,
        "shipment": claim.shipment,
        "arrival": claim.shipment.arrival,
        "today": clock.site_day(at, zone),
        "delivered": dates.delivered(claim.shipment.arrival, *means),
        "amount": money(claim.amount, claim.currency) if claim.amount is not None else "",
        "lines": [told(line, claim) for line in lines],
        "hidden": [told(line, claim) for line in lines if line.discrepancy.after_release],
        "salvage": [
            told(line, claim)
            for line in lines
            if line.discrepancy.disposition in (Disposition.SALVAGE, Disposition.HELD)
        ],
        "money": {
            name: money(getattr(reading.money, name), claim.currency)
            for name in ("claimed", "allowed", "disallowed", "undecided", "received", "outstanding", "refund_due")
        },
        "offer": offer_words(reading, claim),
        "acknowledged": by_kind[FactKind.ACKNOWLEDGED][-1:],
        "asked": by_kind[FactKind.PAPERS_ASKED][-1:],
        "refusals": (contested := list(refusals(claim))),
        "shown": claim.packets.exists() and any(row["sentences"] for row in contested),
        "amendment": claim.amendments.order_by("-pk").first(),
        "terms": held.terms.title if held else "",
        "documents": [row.get_kind_display() for row in claim.documents.current().order_by("kind")],
    }


def told(line, claim):
    piece = line.discrepancy
    return {
        "piece": str(piece),
        "label": shorts.label_of(line) or "no label",
        "what": ", ".join(code["label"] for code in piece.codes) or line.get_kind_display(),
        "goods": line.description,
        "quantity": f"{line.quantity.normalize():f} {line.unit}".strip(),
        "amount": money(line.amount, claim.currency) if line.amount is not None else "not worked out yet",
        "found": clock.local(piece.found_at, claim.site.time_zone),
        "where": piece.get_where_found_display(),
    }


def offer_words(reading, claim):
    if reading.offer is None:
        return None
    return {
        "amount": money(reading.offer.amount, claim.currency),
        "until": reading.offer.until,
        "on": reading.offer.on,
        "rest": money(reading.money.claimed - reading.offer.amount, claim.currency),
    }


def refusals(claim):
    """Each ground on which a part was disallowed, with what in the claim answers it."""
    rows = LineDecision.objects.filter(
        line__claim=claim, line__live=True, disallowed__gt=0, fact__reversed_by__isnull=True
    ).select_related("fact", "line__discrepancy")
    answers = {answer.ground: answer for answer in refusal_answers.answers(claim, file_by=dates.file_by(claim))}
    latest = {row.line_id: row for row in rows.order_by("fact__on", "fact__pk")}
    for row in sorted(latest.values(), key=lambda row: row.line.position):
        answer = answers.get(row.ground)
        yield {
            "piece": str(row.line.discrepancy),
            "amount": money(row.disallowed, claim.currency),
            "ground": row.get_ground_display() or "no ground given",
            "words": row.note,
            "on": row.fact.on,
            "sentences": answer.sentences if answer else (),
        }


# --- editing and sending ----------------------------------------------------------------------------------------------


def edit(letter, *, to, subject, body, version, actor, at):
    """Change a letter that has not gone yet."""
    values = {"to": to.strip(), "subject": mail.one_line(subject), "body": body.strip() + "\n"}
    before = evidence.facts(letter, list(values))
    with transaction.atomic():
        rows = Letter.objects.filter(pk=letter.pk, version=version, sent_at__isnull=True)
        if not rows.update(version=F("version") + 1, **values):
            raise changed(letter)
        letter.refresh_from_db()
        before, after = evidence.changed(before, evidence.facts(letter, list(values)))
        tell(letter, "letter.edited", actor=actor, at=at, before=before, after=after)
    return letter


def changed(letter):
    now = Letter.objects.get(pk=letter.pk)
    if now.sent_at:
        return Refused(
            _("%(letter)s has gone and stays as it is. Draft another.") % {"letter": now}, code="letter_sent"
        )
    return ChangedMeanwhile(
        _("Somebody else changed %(letter)s meanwhile. What you typed is still here; compare and save again.")
        % {"letter": now}
    )


def send(letter, *, version, uuid, actor, at):
    """E-mail the letter, its PDF attached, and freeze it. Call it outside any transaction."""
    refuse_gone(letter, version)
    refuse_cribs(letter)
    data = pdf_bytes(letter, at)
    attached = [(mail.Attached(f"{letter.claim}-letter-{letter.number}.pdf", "application/pdf", data),)]
    words = {"to": letter.to, "subject": letter.subject, "body": letter.body, "attached": attached, "letter": letter}
    with held(letter, version):
        mail.send(letter.claim, **words, uuid=uuid, actor=actor, at=at)
    return freeze(letter, data, way=FilingWay.EMAIL, version=version + 1, actor=actor, at=at)


@contextmanager
def held(letter, version):
    """Nobody else edits or sends the letter while a mail server is waited for; let go again if that takes nothing."""
    rows = Letter.objects.filter(pk=letter.pk, sent_at__isnull=True)
    if not rows.filter(version=version).update(version=version + 1):
        raise changed(letter)
    try:
        yield
    except Refused:
        rows.filter(version=version + 1).update(version=version)
        raise


def mark_sent(letter, *, way, version, actor, at):
    """Freeze a letter that went on paper: by post, by hand, or through the carrier's own form."""
    if way == FilingWay.EMAIL:
        raise Refused(_("E-mail is sent from here."), code="send_it", field="way")
    refuse_gone(letter, version)
    refuse_cribs(letter)
    return freeze(letter, pdf_bytes(letter, at), way=way, version=version, actor=actor, at=at)


class Altered(Refused):
    """The file of a letter that went is missing or is not the one that was frozen."""

    status = 409


def as_it_went(letter):
    """The PDF of a letter that has gone, to the byte. Raises Altered."""
    try:
        with default_storage.open(letter.pdf) as file:
            data = file.read()
    except FileNotFoundError:
        data = b""
    if evidence.digest(data) != letter.pdf_sha256:
        sentence = _("The file of letter %(letter)s is missing or was altered: it does not match %(hash)s.")
        raise Altered(sentence % {"letter": letter, "hash": letter.pdf_sha256}, code="letter_altered")
    return data


def send_again(letter, *, to, uuid, actor, at):
    """E-mail a letter that has gone once more, as it went, because it came back or never arrived."""
    if not letter.sent_at:
        raise Refused(_("It has not gone yet. Send it first."), code="letter_not_sent")
    data = as_it_went(letter)
    attached = [(mail.Attached(f"{letter.claim}-letter-{letter.number}.pdf", "application/pdf", data),)]
    words = {"to": to, "subject": letter.subject, "body": letter.body, "attached": attached, "letter": letter}
    return mail.send(letter.claim, **words, uuid=uuid, actor=actor, at=at)


def refuse_cribs(letter):
    """What the draft leaves to be filled in or struck out must be, before anybody outside reads it."""
    for line in letter.body.splitlines():
        if any(crib in line for crib in CRIBS):
            raise Refused(
                _("Fill this in or strike it out before it goes: “%(line)s”") % {"line": line.strip()[:120]},
                code="crib_left",
                field="body",
            )


def refuse_gone(letter, version):
    if not Letter.objects.filter(pk=letter.pk, version=version, sent_at__isnull=True).exists():
        raise changed(letter)


def freeze(letter, data, *, way, version, actor, at):
    digest = evidence.digest(data)
    values = {"sent_at": at, "sent_way": way, "pdf_sha256": digest}
    values["pdf"] = files.keep(f"letters/{digest[:2]}/{digest}.pdf", data)
    with transaction.atomic():
        rows = Letter.objects.filter(pk=letter.pk, version=version, sent_at__isnull=True)
        if not rows.update(version=F("version") + 1, **values):
            raise changed(letter)
        letter.refresh_from_db()
        tell(letter, "letter.sent", actor=actor, at=at, after=evidence.facts(letter, [*FACTS, *SENT]))
    return letter


def pdf_bytes(letter, at):
    """The letter on paper."""
    claim = Claim.objects.select_related("site", "carrier").get(pk=letter.claim_id)
    context = {"letter": letter, "claim": claim, "day": clock.site_day(at, claim.site.time_zone)}
    with translation.override("en"):
        html = render_to_string("claims/letters/letter_pdf.html", context)
    return pdf.render_pdf(
        html,
        title=f"{letter}: {letter.subject}",
        created=letter.drafted_at,
        identifier=letter.uuid.bytes,
        paper=claim.site.paper,
    )


def tell(letter, verb, *, actor, at, before=None, after=None):
    evidence.append(site=letter.claim.site, verb=verb, record=letter, actor=actor, at=at, before=before, after=after)
