from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST

from receiving import people, rules


def home(request):
    """The first of the person's sites, or a page that says whom to ask."""
    sites = rules.sites(request.user)
    if not sites:
        return render(request, "receiving/no_site.html")
    remembered = request.COOKIES.get("site", "")
    site = next((s for s in sites if s.code == remembered), sites[0])
    return redirect("doors", site.code)


@require_POST
def language(request):
    """The person's own language, on every device from now on."""
    people.set_language(request.user, request.POST.get("language", ""))
    to = request.POST.get("next", "/")
    return redirect(to if url_has_allowed_host_and_scheme(to, {request.get_host()}) else "/")
