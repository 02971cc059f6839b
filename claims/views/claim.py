"""The claim page: lines with their working at left, evidence and gaps at right, the time line below.

Each part is a module beside this one with `part(request, claim)`, which gives what `templates/claims/_<part>.html` needs.
"""

from django.shortcuts import render
from django.views.decorators.http import require_safe

from claims.views import dates, evidence, facts, letters, lines, packets
from claims.views.shared import get_claim
from receiving import rules
from receiving.web import at_site

PARTS = {"lines": lines, "evidence": evidence, "packets": packets, "letters": letters, "dates": dates, "facts": facts}


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def claim(request, claim):
    claim = get_claim(request, claim)
    parts = {name: module.part(request, claim) for name, module in PARTS.items()}
    return render(request, "claims/claim.html", {"claim": claim, "may_claim": rules.CLAIM in request.may} | parts)
