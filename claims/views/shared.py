"""What the pages of claims share: the claim of an address, and the frame of a step on a claim."""

from django.http import Http404
from django.shortcuts import get_object_or_404

from claims.models import Claim


def get_claim(request, claim):
    """The claim with this year and number (`26-0007`) at the site of the request, else 404."""
    year, _dash, number = claim.partition("-")
    if not (year.isdecimal() and number.isdecimal()):
        raise Http404
    rows = Claim.objects.select_related(
        "site", "account", "carrier", "second_carrier", "terms", "shipment__arrival__site", "shipment__arrival__carrier"
    )
    return get_object_or_404(rows, site=request.site, year=2000 + int(year), number=int(number))
