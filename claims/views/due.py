"""Due: one list of dates over all claims, nearest first."""

from django.shortcuts import render
from django.views.decorators.http import require_safe

from receiving import rules
from receiving.web import at_site


@require_safe
@at_site(rules.SEE_CLAIMS, place="due")
def due(request):
    return render(request, "claims/due.html", {})
