"""The claim page: lines with their working at left, evidence and gaps at right, the time line below.

Each part is a module beside this one with `part(request, claim)`, which gives what `templates/claims/_<part>.html`
needs.
"""

from django.http import Http404
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from claims import parties, readings
from claims.models import ClaimLine
from claims.views import dates, evidence, facts, letters, lines, packets
from claims.views.shared import TONES, get_claim
from receiving import rules
from receiving.web import at_site

PARTS = {"lines": lines, "evidence": evidence, "packets": packets, "letters": letters, "dates": dates, "facts": facts}


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def claim(request, claim):
    claim = get_claim(request, claim)
    read = readings.reading(claim, at=timezone.now())
    context = {
        "claim": claim,
        "reading": read,
        "tone": TONES.get(read.standing, "wait"),
        "respondent": parties.respondent_of(claim),
        "may_claim": rules.CLAIM in request.may,
    }
    context |= {name: module.part(request, claim) for name, module in PARTS.items()}
    context["next"] = next_step(claim, context) if context["may_claim"] else None
    return render(request, "claims/claim.html", context)


def next_step(claim, parts):
    """The one thing to do next, as its address, its words and an icon; None where nothing waits for us."""
    if not claim.is_draft:
        return parts["facts"].get("next")
    here = [claim.site.code, claim.slug]
    unpriced = [row["line"] for row in parts["lines"]["live"] if row["line"].amount is None]
    if unpriced and unpriced[0].unit_price is None:
        words = _("Price line %(line)s") % {"line": unpriced[0]}
        return {"url": reverse("claim_line", args=[*here, unpriced[0].position]), "words": words, "icon": "edit"}
    if claim.terms is None and not claim.is_handover:
        return {"url": reverse("claim_terms", args=here), "words": _("Choose the terms"), "icon": "document"}
    if unpriced and parts["lines"]["wants_rate"] and claim.rate is None:
        return {"url": reverse("claim_rate", args=here), "words": _("Give the rate for the limit"), "icon": "scales"}
    if parts["evidence"].get("blocking"):
        return {"url": "#evidence", "words": _("See what it lacks"), "icon": "warn"}
    if not parts["packets"].get("is_current"):
        return {"url": "#packets", "words": _("Make the packet"), "icon": "archive"}
    return parts["facts"].get("next")


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def piece_claim(request, number):
    """To the claim that a piece stands on."""
    lines = ClaimLine.objects.filter(discrepancy__site=request.site, discrepancy__number=number, live=True)
    line = lines.select_related("claim__site").first()
    if line is None:
        raise Http404
    return redirect(line.claim)
