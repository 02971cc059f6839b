"""To claim, open and closed claims."""

from django.shortcuts import render
from django.views.decorators.http import require_safe

from claims.models import Claim
from receiving import rules
from receiving.web import at_site


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def claims(request):
    rows = Claim.objects.filter(site=request.site).order_by("-pk")
    return render(request, "claims/claims.html", {"rows": rows})
