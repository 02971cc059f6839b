"""What every page needs: places, sites, what the person may do, the theme."""

from django.urls import reverse
from django.utils.translation import gettext as _

from receiving import rules, shell

THEMES = {"light", "dark"}


def page(request):
    theme = request.COOKIES.get("theme", "")
    person = getattr(request, "user", None)
    context = {"theme": theme if theme in THEMES else "", "person": person, "release": shell.release()}
    site = getattr(request, "site", None)
    if site is None or person is None or not person.is_authenticated:
        return context
    sites = rules.sites(person)
    return context | {
        "site": site,
        "sites": sites,
        "everywhere": reverse("carriers", args=["all"]) if len(sites) > 1 and rules.sees_company(person) else "",
        # Over all sites there is no search of its own: any site's finds what is at all of them.
        "search_at": site.code if site.pk else sites[0].code,
        "may": request.may,
        "places": places(request, site),
    }


def places(request, site):
    """The navigation: each place with its address, icon and whether the page belongs to it. All sites together have
    one place."""
    here = getattr(request, "place", "")
    if site.pk is None:
        address = reverse("carriers", args=[site.code])
        return [{"url": address, "label": _("Carriers"), "icon": "chart", "current": here == "carriers"}]
    found = [("doors", _("Doors"), "door")]
    if rules.LATE in request.may:
        found.append(("log", _("Log"), "log"))
    found.append(("pieces", _("Pieces"), "pieces"))
    if rules.SEE_CLAIMS in request.may:
        found += [("claims", _("Claims"), "money"), ("due", _("Due"), "calendar"), ("carriers", _("Carriers"), "chart")]
    if rules.SET_UP in request.may or rules.COMPANY in request.may:
        found.append(("setup", _("Set up"), "setup"))
    return [
        {"url": reverse(name, args=[site.code]), "label": label, "icon": icon, "current": name == here}
        for name, label, icon in found
    ]
