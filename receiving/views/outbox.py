"""The list of what a phone keeps: the server sends an empty page, the phone fills it."""

from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe

from receiving import rules
from receiving.web import at_site


@require_safe
@at_site(rules.SEE)
def outbox(request):
    return render(request, "receiving/outbox.html", {"back": reverse("doors", args=[request.site.code])})
