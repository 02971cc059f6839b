"""The packets of a claim: asked for, looked at, handed out."""

from django.http import FileResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from claims import jobs
from claims.enums import Stage
from claims.models import Job, Packet
from claims.packet import assemble, contents, kept
from claims.views.shared import get_claim
from receiving import rules
from receiving.refusals import Refused
from receiving.web import at_site, done, once, problem


def part(request, claim):
    """The card on the claim page."""
    rows = list(claim.packets.select_related("actor", "claim__site").defer("content").order_by("-number"))
    return {
        "rows": rows,
        "newest": rows[0] if rows else None,
        "is_current": bool(rows) and assemble.is_current(claim),
        "needs": list(assemble.what_it_needs(claim)),
        "open": claim.stage in (Stage.DRAFT, Stage.FILED),
        "job": Job.objects.filter(kind="packet", site=claim.site, key=str(claim), finished_at=None).first(),
    }


@require_POST
@at_site(rules.CLAIM, place="claims")
@once
def make(request, claim):
    """Ask for a packet; the answer is the page of the work."""
    claim = get_claim(request, claim)
    try:
        assemble.refuse_unready(claim)
        job = jobs.ask(
            "packet",
            site=claim.site,
            arguments={"claim": claim.pk},
            key=str(claim),
            title=_("Packet of %(claim)s") % {"claim": claim},
            back=claim.get_absolute_url(),
            actor=request.user,
            at=timezone.now(),
        )
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    return done(request, job.get_absolute_url(), {"job": str(job.uuid), "url": job.get_absolute_url()})


def packet_or_404(request, claim, number):
    rows = Packet.objects.select_related("claim__site", "actor", "supersedes")
    return get_object_or_404(rows, claim=get_claim(request, claim), number=number)


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def packet(request, claim, number):
    found = packet_or_404(request, claim, number)
    later = Packet.objects.filter(supersedes=found).select_related("claim__site").first()
    context = {
        "packet": found,
        "claim": found.claim,
        "later": later,
        "is_current": later is None and assemble.tells(found, contents.said(found.claim)),
        "may_claim": rules.CLAIM in request.may,
        "files": list(files(found)),
    }
    return render(request, "claims/packet.html", context)


WORDS = {
    "pdf": lambda: _("What the carrier gets: letter, schedule, proof, documents"),
    "xlsx": lambda: _("Schedule, pieces, photos with their hashes, dates and working"),
    "zip": lambda: _("Both of these, the original photos and documents, and SHA256SUMS"),
}


def files(packet):
    for kind, words in WORDS.items():
        yield {
            "kind": kind.upper(),
            "name": kept.name_of(packet, kind),
            "words": words(),
            "size": getattr(packet, f"{kind}_size"),
            "sha256": getattr(packet, f"{kind}_sha256"),
            "url": reverse(f"packet_{kind}", args=[packet.claim.site.code, packet.claim.slug, packet.number]),
        }


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def pdf(request, claim, number):
    return handed_out(request, packet_or_404(request, claim, number), "pdf")


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def xlsx(request, claim, number):
    return handed_out(request, packet_or_404(request, claim, number), "xlsx")


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def archive(request, claim, number):
    return handed_out(request, packet_or_404(request, claim, number), "zip")


def handed_out(request, packet, kind):
    """The file as it was frozen; the PDF to look at, the others to keep."""
    try:
        file = kept.opened(packet, kind)
    except Refused as why:
        return problem(request, 410, why.code, why.message)
    answer = FileResponse(
        file, as_attachment=kind != "pdf", filename=kept.name_of(packet, kind), content_type=kept.TYPES[kind]
    )
    answer["Cache-Control"] = "private, max-age=31536000, immutable"
    answer["X-Content-Type-Options"] = "nosniff"
    return answer
