"""Letters of a claim, the packet by e-mail, and what came back."""

from io import BytesIO

from django.conf import settings
from django.contrib import messages
from django.core.files.storage import default_storage
from django.http import FileResponse, Http404
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from claims import filing, letters, mail
from claims.enums import FilingWay, LetterKind, Stage
from claims.forms.letters import (
    BounceForm,
    LetterForm,
    MarkSentForm,
    NewLetterForm,
    SendAgainForm,
    SendClaimForm,
    SendLetterForm,
)
from claims.models import Letter, Message
from claims.packet import assemble
from claims.views.shared import get_claim
from receiving import clock, rules
from receiving.refusals import Refused
from receiving.web import at_site, done, invalid, once, problem, refuse


def part(request, claim):
    """What the claim page shows of letters and messages."""
    sent = Message.objects.filter(claim=claim).select_related("packet", "letter", "actor").prefetch_related("bounces")
    return {
        "letters": Letter.objects.filter(claim=claim).select_related("drafted_by").order_by("sent_at", "-number"),
        "messages": sent.order_by("-at", "-pk"),
        "fitting": letters.fitting(claim, at=timezone.now()),
        "may_send": claim.stage in (Stage.DRAFT, Stage.FILED),
    }


def get_letter(request, claim, number):
    rows = Letter.objects.select_related("claim__site", "claim__carrier", "drafted_by")
    return get_object_or_404(rows, claim=get_claim(request, claim), number=number)


# --- drafting ---------------------------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.CLAIM, place="claims")
@once
def letter_new(request, claim):
    """Choose a letter that fits; it is drafted from the record and opens for editing."""
    claim = get_claim(request, claim)
    fitting = letters.fitting(claim, at=timezone.now())
    form = NewLetterForm(request.POST or None)
    context = {"claim": claim, "form": form, "fitting": fitting}
    if request.method != "POST":
        return render(request, "claims/letter_new.html", context)
    status = 422
    if form.is_valid():
        try:
            letter = letters.draft(
                claim, kind=form.cleaned_data["kind"], uuid=request.uuid, actor=request.user, at=timezone.now()
            )
        except Refused as why:
            status = refuse(form, why)
        else:
            return done(request, address(letter))
    return invalid(request, "claims/letter_new.html", context, form, status=status)


def address(letter):
    return f"{letter.claim.get_absolute_url()}letter/{letter.number}/"


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.SEE_CLAIMS, place="claims")
@once
def letter(request, claim, number):
    """A letter: to be edited and sent, or as it went."""
    row = get_letter(request, claim, number)
    if request.method != "POST":
        return render(request, "claims/letter.html", context(request, row))
    if rules.CLAIM not in request.may:
        return problem(request, 403, "not_yours", _("Letters are written by claims clerks and managers."))
    form = LetterForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            letters.edit(row, **form.cleaned_data, actor=request.user, at=timezone.now())
        except Refused as why:
            status = refuse(form, why)
        else:
            messages.success(request, _("Saved. It has not been sent yet."))
            return done(request, address(row))
    return invalid(request, "claims/letter.html", context(request, row, form=form), form, status=status)


def context(request, row, **forms):
    return {
        "claim": row.claim,
        "letter": row,
        "may_claim": rules.CLAIM in request.may,
        "caution": row.kind in (LetterKind.ACCEPTANCE, LetterKind.CONTEST, LetterKind.WITHDRAWAL),
        "form": LetterForm(instance=row, initial={"version": row.version}),
        "again_form": SendAgainForm(initial={"to": row.to}),
        "mark_form": MarkSentForm(initial={"version": row.version}),
    } | forms


@require_POST
@at_site(rules.CLAIM, place="claims")
def letter_send(request, claim, number):
    """Not under `once`: its transaction would stay open while a mail server thinks."""
    row = get_letter(request, claim, number)
    form = SendLetterForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            row = save_and_send(row, form.cleaned_data, actor=request.user, at=timezone.now())
        except Refused as why:
            status = refuse(form, why)
        else:
            messages.success(request, _("Sent to %(to)s. The letter is frozen.") % {"to": row.to})
            return done(request, address(row))
    return invalid(request, "claims/letter.html", context(request, row, form=form), form, status=status)


def save_and_send(row, said, *, actor, at):
    """What stands on the page is what goes, saved before or not."""
    words = {name: said[name] for name in ("to", "subject", "body")}
    if not row.sent_at and any(getattr(row, name).split() != words[name].split() for name in words):
        row = letters.edit(row, **words, version=said["version"], actor=actor, at=at)
        said = said | {"version": row.version}
    return letters.send(row, version=said["version"], uuid=said["uuid"], actor=actor, at=at)


@require_POST
@at_site(rules.CLAIM, place="claims")
def letter_again(request, claim, number):
    """Send a letter that has gone once more. Not under `once`, for the same reason."""
    row = get_letter(request, claim, number)
    form = SendAgainForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            letters.send_again(row, **form.cleaned_data, actor=request.user, at=timezone.now())
        except Refused as why:
            status = refuse(form, why)
        else:
            messages.success(request, _("Sent again to %(to)s, as it went.") % {"to": form.cleaned_data["to"]})
            return done(request, address(row))
    return invalid(request, "claims/letter.html", context(request, row, again_form=form), form, status=status)


@require_POST
@at_site(rules.CLAIM, place="claims")
@once
def letter_mark(request, claim, number):
    """Write down that a letter went on paper."""
    row = get_letter(request, claim, number)
    form = MarkSentForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            letters.mark_sent(row, **form.cleaned_data, actor=request.user, at=timezone.now())
        except Refused as why:
            status = refuse(form, why)
        else:
            messages.success(request, _("Written down. The letter is frozen."))
            return done(request, address(row))
    return invalid(request, "claims/letter.html", context(request, row, mark_form=form), form, status=status)


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def letter_pdf(request, claim, number):
    """The letter on paper: as it went, or as it would look now."""
    row = get_letter(request, claim, number)
    if not row.sent_at:
        return pdf_answer(letters.pdf_bytes(row, timezone.now()), f"{row.claim}-letter-{row.number}-draft.pdf")
    try:
        data = letters.as_it_went(row)
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    return pdf_answer(data, f"{row.claim}-letter-{row.number}.pdf")


def pdf_answer(data, name):
    answer = FileResponse(BytesIO(data), content_type="application/pdf", filename=name)
    answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
    answer["X-Content-Type-Options"] = "nosniff"
    return answer


# --- the packet by e-mail ---------------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.CLAIM, place="claims")
def claim_send(request, claim):
    """Send the packet, attached and in parts; a draft is filed by it. Not under `once`: a mail server is waited for."""
    claim = get_claim(request, claim)
    packet = assemble.latest(claim)
    if packet is None:
        raise Http404
    if request.method != "POST":
        return send_page(request, claim, packet, SendClaimForm(initial=drafted(claim, packet)))
    form = SendClaimForm(request.POST)
    if not form.is_valid():
        return send_page(request, claim, packet, form, 422)
    try:
        claim, sent = send_and_file(request, claim, packet, form)
    except Refused as why:
        return send_page(request, claim, packet, form, refuse(form, why))
    told = {"claim": claim, "count": len(sent), "to": form.cleaned_data["to"]}
    messages.success(request, _("%(claim)s went to %(to)s in %(count)s messages, kept as they left.") % told)
    return done(request, claim.get_absolute_url())


def send_and_file(request, claim, packet, form):
    """A draft that is not ready is refused before anything leaves."""
    at = timezone.now()
    if claim.stage == Stage.DRAFT:
        filing.refuse_unready(filing.readiness(claim), {})
    elif claim.stage != Stage.FILED:
        raise filing.wrong_stage(claim)
    attached = mail.packet_files(packet, settings.MAIL_PART_LIMIT)
    sent = mail.send(claim, packet=packet, attached=attached, **form.cleaned_data, actor=request.user, at=at)
    if claim.stage == Stage.DRAFT:
        on = clock.site_day(at, claim.site.time_zone)
        claim = filing.file_claim(claim, way=FilingWay.EMAIL, on=on, actor=request.user, at=at)
    return claim, sent


def drafted(claim, packet):
    subject = _("Claim %(claim)s, PRO %(pro)s, bill %(bill)s") % {
        "claim": claim,
        "pro": claim.shipment.pro_number or "-",
        "bill": claim.shipment.bill_number,
    }
    body = _(
        "Attached is claim %(claim)s with everything that proves it (packet %(number)s, %(pages)s pages).\n\n"
        "Please confirm in writing that you have received it, the day you received it, and your number for it.\n\n"
        "SHA-256 of the PDF: %(hash)s\n\n%(signatory)s\nfor %(claimant)s\n%(answer)s\n"
    ) % {
        "claim": claim,
        "number": packet.number,
        "pages": packet.pages,
        "hash": packet.pdf_sha256,
        "signatory": claim.signatory,
        "claimant": claim.claimant,
        "answer": ", ".join(filter(None, [claim.claimant_email, claim.claimant_phone])),
    }
    return {"to": claim.carrier.claims_email if claim.carrier else "", "subject": subject, "body": body}


def send_page(request, claim, packet, form, status=200):
    context = {
        "claim": claim,
        "packet": packet,
        "form": form,
        "readiness": filing.readiness(claim) if claim.stage == Stage.DRAFT else None,
        "limit": settings.MAIL_PART_LIMIT,
    }
    if status == 200:
        return render(request, "claims/send.html", context)
    return invalid(request, "claims/send.html", context, form, status=status)


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def message_file(request, claim, uuid):
    """The message as it left."""
    row = get_object_or_404(Message, claim=get_claim(request, claim), uuid=uuid)
    try:
        file = default_storage.open(row.file)
    except FileNotFoundError:
        raise Http404 from None
    name = f"{row.claim}-message-{row.pk}.eml"
    answer = FileResponse(file, content_type="message/rfc822", as_attachment=True, filename=name)
    answer["X-Content-Type-Options"] = "nosniff"
    return answer


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.CLAIM, place="claims")
@once
def bounce(request, claim, uuid):
    """Write down that a message came back."""
    row = get_object_or_404(Message.objects.select_related("claim__site"), claim=get_claim(request, claim), uuid=uuid)
    form = BounceForm(request.POST or None, request.FILES or None)
    context = {"claim": row.claim, "message": row, "form": form}
    if request.method != "POST":
        return render(request, "claims/bounce.html", context)
    status = 422
    if form.is_valid():
        try:
            mail.record_bounce(
                row,
                text=form.cleaned_data["text"],
                upload=form.cleaned_data["file"],
                uuid=request.uuid,
                actor=request.user,
                at=timezone.now(),
            )
        except Refused as why:
            status = refuse(form, why)
        else:
            messages.success(
                request, _("Written down: that message is not delivered. Send it again, or file another way.")
            )
            return done(request, row.claim.get_absolute_url())
    return invalid(request, "claims/bounce.html", context, form, status=status)
