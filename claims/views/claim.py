"""The claim page: lines with their working at left, evidence and gaps at right, the time line below.

Each part is a module beside this one with `part(request, claim)`, which gives what `templates/claims/_<part>.html`
needs.
"""

from django.http import Http404
from django.shortcuts import redirect, render
from django.utils import timezone
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
    return render(request, "claims/claim.html", context)


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def piece_claim(request, number):
    """To the claim that a piece stands on."""
    lines = ClaimLine.objects.filter(discrepancy__site=request.site, discrepancy__number=number, live=True)
    line = lines.select_related("claim__site").first()
    if line is None:
        raise Http404
    return redirect(line.claim)
