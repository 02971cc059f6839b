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
        found = search.find(text, sites=rules.sites(request.user), others=others(request.user))
        if (only := only_record(request, found)) is not None:
            return redirect(only)
        context |= {"found": found, "groups": list(groups(request, found))}
    return render(request, "receiving/search.html", context)


def others(person):
    """What other apps let this person look for, each with the sites where they may."""
    return [(kind, places(kind, person)) for kind in search.KINDS]


def places(kind, person):
    if kind.company:
        return [None] if kind.need in rules.may_everywhere(person) else []
    return [site for site in rules.sites(person) if kind.need in rules.may(person, site)]


def tagged(request, text):
    """The piece whose tag was scanned, at a site the person may see, or None."""
    tag = matching.read_tag(text)
    sites = [site for site in rules.sites(request.user) if tag and site.code == tag[0]]
    return Discrepancy.objects.filter(site__in=sites, number=tag[1]).select_related("site").first() if sites else None


def only_record(request, found):
    """The address of the one record of this site or of the company that bears the very number, or None.

    A carton has no page.
    """
    if not found.exact or found.cartons:
        return None
    hits = [hit_of(record) for _name, records in found.lists() for record in records]
    addresses = {hit["url"] for hit in hits}
    return addresses.pop() if len(addresses) == 1 and hits[0]["site"] in (None, request.site) else None


def groups(request, found):
    """Lists with something in them, the site's own records first in each."""
    kinds = {kind.name: kind for kind in search.KINDS}
    for name, records in found.lists():
        if hits := [hit_of(record, kinds.get(name)) for record in records]:
            hits.sort(key=lambda hit: hit["site"] != request.site)
            title = kinds[name].title if name in kinds else TITLES[name]
            yield {"name": name, "title": title, "hits": hits, "cut": name in found.cut, "kind": kinds.get(name)}


def hit_of(record, kind=None):
    """A record with its site and the address of the page that shows it; `said` where another app brought it."""
    site = record.site if hasattr(record, "site") else record.arrival.site
    said = kind.said(record) if kind else ""
    return {"record": record, "site": site, "url": address_of(record, site), "said": said}


def address_of(record, site):
    if hasattr(record, "get_absolute_url"):
        return record.get_absolute_url()
    if hasattr(record, "arrival"):
        return reverse("trailer", args=[site.code, record.arrival.number])
    return reverse("pallets", args=[site.code])
