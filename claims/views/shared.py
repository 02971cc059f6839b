"""What the pages of claims share: the claim of an address, the tabs of the place, the frame of a step on a claim."""

from decimal import Decimal
from functools import wraps

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods

from claims import company, queries
from claims.enums import ALL
from claims.models import Claim
from receiving import clock, rules
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.web import at_site, done, invalid, once, refuse, wants_json

TONES = {
    "being_drafted": "next",
    "offer_open": "wait",
    "partly_disallowed": "wait",
    "disallowed": "stop",
    "overpaid": "stop",
    "all_in": "ok",
    "handed_over": "ok",
    "closed": "quiet",
    "withdrawn": "quiet",
}
EXPORTS = {"csv": gettext_lazy("CSV"), "xlsx": gettext_lazy("Workbook (XLSX)")}


def at_site_or_all(need, *, place):
    """As `receiving.web.at_site`, and at `/all/` for members of all sites: there `request.site` is AllSites."""

    def decorate(view):
        at_one = at_site(need, place=place)(view)

        @wraps(view)
        def wrapped(request, site, *args, **kwargs):
            if site != ALL:
                return at_one(request, site, *args, **kwargs)
            granted, everywhere = rules.may_everywhere(request.user), company.everywhere()
            if not (granted and everywhere.sites):
                raise Http404
            request.site, request.may, request.place = everywhere, granted, place
            if need not in request.may:
                raise PermissionDenied
            timezone.activate(clock.zone(request.site.time_zone))
            return view(request, *args, **kwargs)

        return wrapped

    return decorate


def get_claim(request, claim):
    """The claim with this year and number (`26-0007`) at the site of the request, else 404."""
    year, _dash, number = claim.partition("-")
    if not (year.isdecimal() and number.isdecimal()):
        raise Http404
    rows = Claim.objects.select_related(
        "site",
        "account",
        "carrier",
        "second_carrier",
        "terms",
        "opened_by",
        "shipment__account",
        "shipment__carrier_on_bill",
        "shipment__arrival__site",
        "shipment__arrival__carrier",
    )
    return get_object_or_404(rows, site=request.site, year=2000 + int(year), number=int(number))


def tabs(request, here):
    """The lists of the place, each with its address and its count."""
    counts = queries.tab_counts(request.site)
    named = [("to_claim", _("To claim"), "to_claim"), ("claims_open", _("Open"), "open")]
    named.append(("claims_closed", _("Closed"), "closed"))
    return [
        {
            "url": reverse(name, args=[request.site.code]),
            "words": words,
            "number": counts[key],
            "current": key == here,
        }
        for name, words, key in named
    ]


def here(request, query):
    """The address of the page with this query."""
    return f"{request.path}?{urlencode(query)}" if query else request.path


def pages(request, listing, query):
    """Addresses of the page before and the next page, empty at an end."""

    def address(number):
        return here(request, query | {"page": number})

    return {
        "older": address(listing.next_page_number()) if listing.has_next() else "",
        "newer": address(listing.previous_page_number()) if listing.has_previous() else "",
    }


def exports(request, which, query):
    """The files that a list may be taken along as: words and address of each."""
    for suffix, words in EXPORTS.items():
        url = reverse("claims_export", args=[request.site.code, which, suffix])
        yield {"words": words, "url": f"{url}?{urlencode(query)}" if query else url}


def claim_step(view):
    """For GET and POST on a claim by whoever may claim."""
    return require_http_methods(["GET", "HEAD", "POST"])(at_site(rules.CLAIM, place="claims")(once(view)))


def step(request, claim, form, *, call, said, template="claims/step.html", **page):
    """GET shows the form; POST makes one domain call, and a refusal shows the form again with what was typed.

    call(form) -- the domain call; said -- the sentence on what is now true
    """
    page |= {"claim": claim, "form": form}
    if request.method != "POST":
        return render(request, template, page)
    status = 422
    if form.is_valid():
        try:
            call(form)
            if not wants_json(request):
                messages.success(request, said)
            return done(request, claim.get_absolute_url(), {"claim": str(claim)})
        except Refused as why:
            status = refuse(form, why)
            if isinstance(why, ChangedMeanwhile) and "version" in form.fields:
                answer_to_now(form, claim)
    return invalid(request, template, page, form, status=status)


def tidy(value):
    """A number as people write it, without idle noughts, for the first value of a field; anything else as it is."""
    return f"{value.normalize():f}" if isinstance(value, Decimal) else value


def answer_to_now(form, claim):
    """The form answers to the claim as it is now: who has compared may save what they typed."""
    form.data = form.data.copy()
    form.data[form.add_prefix("version")] = get_version(claim)


def get_version(claim):
    return Claim.objects.values_list("version", flat=True).get(pk=claim.pk)
