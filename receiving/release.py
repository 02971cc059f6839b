"""Letting the trailer go: what still stands in the way, the driver's signature, the frozen sheet, and what follows.

The only writer of ExceptionSheet and SheetDelivery.
"""

from collections import defaultdict
from pathlib import PurePosixPath

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.mail import EmailMessage
from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from receiving import discrepancies, dock, evidence, gaps, late, phones, queries, sheet
from receiving.documents.pdf import DocumentNotMade
from receiving.enums import ArrivalState, DeliveryWay, MomentKind, SignOutcome
from receiving.models import Counter, ExceptionSheet, SheetDelivery
from receiving.refusals import ChangedMeanwhile, Refused


class NotReleasable(Refused):
    """The trailer does not add up yet, or something waits; the message lists it."""

    status = 409


class UnheardPhones(NotReleasable):
    """Phones worked on the trailer and may still keep something of it; the message names them."""

    def __init__(self, unheard):
        names = "; ".join(phones.unheard_words(row) for row in unheard)
        super().__init__(
            _("Phones may still keep something of this trailer. %(names)s. Have them opened, or tick that you know it.")
            % {"names": names},
            code="phones_unheard",
            field="knowing_phones",
        )


def released_knowing(unheard):
    """What the time line says of a release that did not wait for these phones; at most 500 characters."""
    if not unheard:
        return ""
    names = "; ".join(phones.unheard_words(row) for row in unheard)
    words = _("released although phones may keep something of it. %(names)s") % {"names": names}
    return words if len(words) <= 500 else f"{words[:499]}…"


def what_release_needs(arrival, squarings=None):
    """Sentences for what stands between this trailer and its release; empty when nothing does."""
    squarings = squarings or queries.squarings(arrival)
    needs = []
    if waiting := queries.open_set_asides(arrival).count():
        needs.append(
            ngettext(
                "%(count)s piece is still set aside: fill it in.",
                "%(count)s pieces are still set aside: fill them in.",
                waiting,
            )
            % {"count": waiting}
        )
    for shipment, squared in squarings.items():
        needs += bill_needs(shipment, squared)
    for piece in sheet.live_pieces(arrival).prefetch_related("photos"):
        needs += [f"{piece}: {sentence}" for sentence in gaps.what_is_missing(piece)]
    return needs


def bill_needs(shipment, squared):
    bill = {"bill": shipment.bill_number}
    if squared.missing:
        yield ngettext(
            "Bill %(bill)s: %(count)s piece is missing. Look for it, then declare it short or refused.",
            "Bill %(bill)s: %(count)s pieces are missing. Look for them, then declare them short or refused.",
            squared.missing,
        ) % (bill | {"count": squared.missing})
    if squared.contradiction:
        yield _(
            "Bill %(bill)s: %(count)s pieces are counted and also declared short or refused. Correct one of them."
        ) % (bill | {"count": squared.contradiction})
    if squared.good < 0:
        yield (
            _("Bill %(bill)s: more pieces are logged damaged or rerouted than were counted. Count them, or void one.")
            % bill
        )
    if squared.difference and not shipment.difference_note:
        yield _("Bill %(bill)s and its load list differ by %(count)s: say why.") % (
            bill | {"count": f"{squared.difference:+d}"}
        )


def declare_missing(shipment, *, seen, actor, at):
    """Declare all that is missing of a bill short, if it is still the `seen` pieces somebody looked for.

    Refused while nobody has written down where was looked.

    Carton by carton where the list tells them apart, by store where stores were tallied, else as a number.
    """
    facts = queries.SquaringFacts([shipment])
    missing = facts.square(shipment).missing
    if missing != seen:
        raise ChangedMeanwhile(
            _("%(missing)s pieces are missing now, not %(seen)s. Reload the page and look again.")
            % {"missing": missing, "seen": seen}
        )
    if not shipment.arrival.looks.exists():
        raise Refused(_("Tick where you looked first."), code="not_looked", field="places")
    unplaced = facts.refused.get(shipment.pk) or facts.tallies[shipment.pk].get(None)
    if not facts.cartons[shipment.pk] or unplaced:
        return discrepancies.declare_short(shipment, quantity=missing, actor=actor, at=at)
    if not facts.is_tallied(shipment.pk):
        cartons = queries.missing_cartons(shipment)
        return discrepancies.declare_short(shipment, cartons=cartons, actor=actor, at=at)
    with transaction.atomic():
        return [
            row
            for wanted in by_store(shipment, facts.tallies[shipment.pk])
            for row in discrepancies.declare_short(shipment, **wanted, actor=actor, at=at)
        ]


def by_store(shipment, tallies):
    """What to declare of each store: its cartons where none were tallied and they are all that it lacks."""
    lacking = defaultdict(list)
    for carton in queries.missing_cartons(shipment):
        lacking[carton.store_id].append(carton)
    for store, quantity in list(queries.missing_by_store(shipment)):
        cartons = lacking[store.pk]
        if not tallies.get(store.pk) and sum(carton.expected - carton.received for carton in cartons) == quantity:
            yield {"cartons": cartons}
        else:
            yield {"quantity": quantity, "store": store}


def freeze(arrival, *, uuid, facts, actor, at, replaces=None):
    """Number, render, hash and store one sheet. Everything it prints is copied into it.

    replaces -- the sheet that no longer stands because of what came late
    """
    number = Counter.next(arrival.site, "sheet")
    name = f"R-{number:04d}"
    content = sheet.contents(arrival, release=facts, number=name, at=at, replaces=replaces)
    log = evidence.head(arrival.site)
    before = current_sheet(arrival)
    try:
        data = sheet.make_pdf(content, log=log, supersedes=str(before or ""), created=at)
    except DocumentNotMade as why:
        raise Refused(str(why), code="sheet_not_made") from why
    path = default_storage.save(str(PurePosixPath("sheets") / arrival.site.code / f"{name}.pdf"), ContentFile(data))
    row = ExceptionSheet.objects.create(
        uuid=uuid,
        site=arrival.site,
        arrival=arrival,
        number=number,
        supersedes=before,
        content=content,
        content_sha256=evidence.sha256(evidence.canonical(content)),
        pdf=path,
        pdf_sha256=evidence.digest(data),
        log_seq=log[0],
        log_head=log[1],
        actor=actor,
        at=at,
        **facts,
    )
    dock.tell(
        arrival,
        "sheet.frozen",
        record=row,
        actor=actor,
        at=at,
        after={
            "number": name,
            "content_sha256": row.content_sha256,
            "pdf_sha256": row.pdf_sha256,
            "supersedes": str(before or ""),
            "outcome": row.outcome,
        },
    )
    return row


def current_sheet(arrival):
    return arrival.sheets.filter(superseded_by__isnull=True).first()


def check_signature(facts):
    """A signed sheet has a name and a drawn or typed signature; the other outcomes have a witness."""
    outcome = facts["outcome"]
    if outcome == SignOutcome.SIGNED:
        if not facts["signer"].strip():
            raise Refused(_("Write the driver's name."), code="signer_missing", field="signer")
        if not facts["typed"] and not sheet.stroke_paths(facts["signature"]):
            raise Refused(
                _("Let the driver sign in the box, or tick that the typed name is the signature."),
                code="signature_missing",
                field="signature",
            )
    elif outcome in (SignOutcome.REFUSED, SignOutcome.NOT_PRESENT) and not facts["witness"].strip():
        raise Refused(_("Write the name of the witness."), code="witness_missing", field="witness")


def release(arrival, *, uuid, facts, actor, at, knowing_phones=False):
    """Let the trailer go with a frozen sheet.

    facts -- notation, outcome, signer, employer, signature, typed, witness, device, carrier_receipt
    knowing_phones -- the actor lets it go although phones that worked on it may still keep something of it
    """
    check_signature(facts)
    if facts["outcome"] == SignOutcome.AT_PICKUP and not arrival.dropped:
        raise Refused(_("Only a dropped trailer is signed when it is fetched."), code="not_dropped", field="outcome")
    with transaction.atomic():
        # Nobody counts at this site between the judgement and the sheet: scans wait for the same lock.
        evidence.lock_head(arrival.site)
        refuse_unfinished(arrival, facts["outcome"])
        unheard = phones.unheard(arrival)
        if unheard and not knowing_phones:
            raise UnheardPhones(unheard)
        arrival = dock.advance(
            arrival,
            to=ArrivalState.RELEASED,
            moment=MomentKind.RELEASED,
            actor=actor,
            at=at,
            note=released_knowing(unheard),
            also={"released_at": at},
        )
        return freeze(arrival, uuid=uuid, facts=facts, actor=actor, at=at)


def refuse_unfinished(arrival, outcome):
    if outcome == SignOutcome.CLEAN and not queries.trailer_squaring(arrival).is_clean:
        raise NotReleasable(_("There are exceptions on this trailer: the driver has to sign."), code="not_clean")
    if needs := what_release_needs(arrival):
        raise NotReleasable(" ".join(needs), code="not_releasable")


def release_clean(arrival, *, uuid, device, actor, at, knowing_phones=False):
    """The one tap: all there, all good. Ends the count if nobody has."""
    facts = {
        "notation": sheet.draft_notation(arrival),
        "outcome": SignOutcome.CLEAN,
        "signer": arrival.driver,
        "employer": str(arrival.carrier or ""),
        "signature": "",
        "typed": False,
        "witness": "",
        "device": device,
        "carrier_receipt": "none",
    }
    with transaction.atomic():
        if arrival.state == ArrivalState.UNLOADING:
            arrival = dock.end_count(arrival, actor=actor, at=at)
        return release(arrival, uuid=uuid, facts=facts, actor=actor, at=at, knowing_phones=knowing_phones)


def sign_at_pickup(arrival, *, uuid, facts, actor, at):
    """A dropped trailer is fetched and its sheet signed: a new sheet takes the place of the unsigned one."""
    current = current_sheet(arrival)
    if arrival.state != ArrivalState.RELEASED or current is None or current.outcome != SignOutcome.AT_PICKUP:
        raise Refused(_("This trailer's sheet does not wait for a signature."), code="not_waiting", field="outcome")
    check_signature(facts)
    with transaction.atomic():
        dock.moment(arrival, MomentKind.FETCHED, actor=actor, at=at)
        return freeze(arrival, uuid=uuid, facts=facts | {"notation": current.notation}, actor=actor, at=at)


def replace(arrival, *, uuid, device, actor, at):
    """A sheet in place of one that no longer stands because of what came late; the driver has not seen it.

    Of a dropped trailer that waits to be fetched it is signed then, as the other would have been.
    """
    current = queries.sheets_with_late().filter(arrival=arrival, superseded_by__isnull=True).first()
    if arrival.state != ArrivalState.RELEASED or current is None or not late.why_not_standing(current):
        raise Refused(_("This trailer's sheet stands; nothing came late to it."), code="sheet_stands")
    if needs := what_release_needs(arrival):
        raise NotReleasable(" ".join(needs), code="not_releasable")
    waits = current.outcome == SignOutcome.AT_PICKUP
    facts = {
        "notation": sheet.draft_notation(arrival),
        "outcome": SignOutcome.AT_PICKUP if waits else SignOutcome.NOT_SEEN,
        "signer": "",
        "employer": current.employer,
        "signature": "",
        "typed": False,
        "witness": "",
        "device": device,
        "carrier_receipt": current.carrier_receipt,
    }
    with transaction.atomic():
        evidence.lock_head(arrival.site)
        if ExceptionSheet.objects.filter(supersedes=current).exists():
            raise ChangedMeanwhile(_("Somebody else made the new sheet just now. Reload the page."))
        row = freeze(arrival, uuid=uuid, facts=facts, actor=actor, at=at, replaces=current)
        note = _("%(new)s takes the place of %(old)s") % {"new": row, "old": current}
        dock.moment(arrival, MomentKind.SHEET_REPLACED, actor=actor, at=at, note=note)
    return row


def reopen(arrival, *, reason, actor, at):
    """Back to counted; the signed sheet stays readable and is superseded by the next one."""
    if not reason.strip():
        raise Refused(_("Say why the trailer is reopened."), code="reason_missing", field="reason")
    return dock.advance(
        arrival,
        since=ArrivalState.RELEASED,
        to=ArrivalState.COUNTED,
        moment=MomentKind.REOPENED,
        actor=actor,
        at=at,
        note=reason,
    )


def send(row, *, uuid, to, actor, at):
    """E-mail the sheet, attached; what was sent to whom is kept. Call it outside any transaction.

    A mail server may take its time, and nobody at the dock can write while a transaction is open. A repeat of `uuid`
    sends nothing. Refused when the mail server does not take the message.
    """
    if sent := SheetDelivery.objects.filter(uuid=uuid).first():
        return sent
    message = EmailMessage(
        subject=_("Exception sheet %(sheet)s, trailer %(trailer)s")
        % {"sheet": row, "trailer": row.content["trailer"]["number"]},
        body=_("Attached is exception sheet %(sheet)s of %(site)s.\n\n%(notation)s\n\nSHA-256 of the file: %(hash)s\n")
        % {"sheet": row, "site": row.content["site"]["name"], "notation": row.notation, "hash": row.pdf_sha256},
        to=[to],
        headers={"Message-ID": f"<{uuid}@dock.invalid>"},
    )
    message.attach(f"{row}.pdf", pdf_bytes(row), "application/pdf")
    try:
        message.send()
    except OSError as error:
        raise Refused(
            _("The mail server did not take the message to %(to)s (%(why)s). Print the sheet, or try again.")
            % {"to": to, "why": error},
            code="mail_refused",
            field="to",
        ) from error
    return delivered(
        row,
        uuid=uuid,
        way=DeliveryWay.EMAIL,
        to=to,
        message_id=message.extra_headers["Message-ID"],
        actor=actor,
        at=at,
    )


def delivered(row, *, uuid, way, actor, at, to="", message_id=""):
    """Record that the sheet left the building."""
    with transaction.atomic():
        delivery = SheetDelivery.objects.create(
            uuid=uuid, sheet=row, way=way, to=to, message_id=message_id, actor=actor, at=at
        )
        dock.tell(row.arrival, "sheet.delivered", record=row, actor=actor, at=at, after={"way": way, "to": to})
    return delivery


def pdf_bytes(row):
    """The file as it was frozen; refuses to hand out one that no longer matches its hash."""
    try:
        with default_storage.open(row.pdf) as file:
            data = file.read()
    except OSError as error:
        raise Refused(_("The file of sheet %(sheet)s is missing.") % {"sheet": row}, code="file_missing") from error
    if evidence.digest(data) != row.pdf_sha256:
        raise Refused(
            _("The file of sheet %(sheet)s is not the one that was frozen.") % {"sheet": row}, code="file_altered"
        )
    return data
