"""The one search box: a number that names one record leads to it, else a page says what was found."""

from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from receiving import matching, rules, search
from receiving.models import Discrepancy
from receiving.web import at_site

LONGEST = 100
TITLES = {
    "cartons": gettext_lazy("Cartons"),
    "pieces": gettext_lazy("Pieces"),
    "trailers": gettext_lazy("Trailers"),
    "bills": gettext_lazy("Bills"),
    "seals": gettext_lazy("Seals"),
    "sheets": gettext_lazy("Exception sheets"),
    "pallets": gettext_lazy("Pallets"),
}


@require_safe
@at_site(rules.SEE, place="search")
def number(request):
    """Look `q` up at this site and at the other sites the person may see."""
    text = request.GET.get("q", "").strip()
    if piece := tagged(request, text):
        return redirect(piece)
    context = {"query": text, "searched": bool(text)}
    if len(text) > LONGEST:
        context |= {"searched": False, "too_long": _("A number has at most 100 characters, not %d.") % len(text)}
        return render(request, "receiving/search.html", context, status=422)
    if text:
        found = search.find(text, sites=rules.sites(request.user))
        if (only := only_record(request, found)) is not None:
            return redirect(only)
        context |= {"found": found, "groups": list(groups(request, found))}
    return render(request, "receiving/search.html", context)


def tagged(request, text):
    """The piece whose tag was scanned, at a site the person may see, or None."""
    tag = matching.read_tag(text)
    sites = [site for site in rules.sites(request.user) if tag and site.code == tag[0]]
    return Discrepancy.objects.filter(site__in=sites, number=tag[1]).select_related("site").first() if sites else None


def only_record(request, found):
    """The address of the one record of this site that bears the very number, or None. A carton has no page."""
    if not found.exact or found.cartons:
        return None
    hits = [hit for name in search.Found.LISTS for hit in map(hit_of, getattr(found, name))]
    addresses = {hit["url"] for hit in hits}
    return addresses.pop() if len(addresses) == 1 and hits[0]["site"] == request.site else None


def groups(request, found):
    """Lists with something in them, the site's own records first in each."""
    for name in search.Found.LISTS:
        if hits := [hit_of(record) for record in getattr(found, name)]:
            hits.sort(key=lambda hit: hit["site"] != request.site)
            yield {"name": name, "title": TITLES[name], "hits": hits, "cut": name in found.cut}


def hit_of(record):
    """A record with its site and the address of the page that shows it."""
    arrival = getattr(record, "arrival", None)
    site = getattr(record, "site", None) or arrival.site
    return {"record": record, "site": site, "url": address_of(record, site)}


def address_of(record, site):
    if hasattr(record, "get_absolute_url"):
        return record.get_absolute_url()
    if hasattr(record, "arrival"):
        return reverse("trailer", args=[site.code, record.arrival.number])
    return reverse("pallets", args=[site.code])
