from django.shortcuts import redirect, render

from receiving import rules


def home(request):
    """The first of the person's sites, or a page that says whom to ask."""
    sites = rules.sites(request.user)
    if not sites:
        return render(request, "receiving/no_site.html")
    remembered = request.COOKIES.get("site", "")
    site = next((s for s in sites if s.code == remembered), sites[0])
    return redirect("doors", site.code)
