"""What makes the dock's pages an app on a phone: its service worker, its manifest, its page for no network."""

import hashlib
import json
from functools import cache

from django.conf import settings
from django.contrib.auth import views as auth
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import render
from django.templatetags.static import static
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.cache import patch_cache_control
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from receiving import rules, shell
from receiving.web import at_site

PAPER, ACCENT = "#fbfaf7", "#00504f"


@require_safe
@login_not_required
def worker(request):
    """The service worker: its own text after the constants of this release."""
    answer = HttpResponse(worker_text(shell.release()), content_type="text/javascript; charset=utf-8")
    patch_cache_control(answer, no_cache=True)
    return answer


@cache
def worker_text(release):
    constants = {
        "RELEASE": release,
        "STATIC": settings.STATIC_URL,
        "ASSETS": shell.assets(),
        "HEAVY": shell.heavy_assets(),
        "OFFLINE": {code: reverse("offline", args=[code]) for code in shell.LANGUAGES},
    }
    lines = [f"const {name} = {json.dumps(value)};\n" for name, value in constants.items()]
    return "".join(lines) + shell.WORKER.read_text()


@require_safe
@login_not_required
def manifest(request):
    """What a phone needs to put the dock on its home screen."""
    sizes = [("icon-192", "192x192", "any"), ("icon-512", "512x512", "any"), ("icon-maskable", "512x512", "maskable")]
    icons = [
        {"src": static(f"receiving/icons/{name}.png"), "sizes": size, "type": "image/png", "purpose": purpose}
        for name, size, purpose in sizes
    ]
    name = _("Dock record")
    facts = {
        "id": "/",
        "name": name,
        "short_name": name,
        "description": _("Receiving at the dock: count, log, photograph, release."),
        "lang": translation.get_language(),
        "dir": "ltr",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": PAPER,
        "theme_color": ACCENT,
        "icons": icons,
    }
    answer = JsonResponse(facts, content_type="application/manifest+json")
    patch_cache_control(answer, no_cache=True)
    return answer


@require_safe
@login_not_required
def reachable(request):
    """Nothing, quickly: a page asks whether the server can be reached."""
    answer = HttpResponse(status=204)
    patch_cache_control(answer, no_store=True)
    return answer


@require_safe
@login_not_required
def offline(request, language):
    """The page a phone shows for an address it has not kept; it lists those it has."""
    if language not in shell.LANGUAGES:
        raise Http404
    with translation.override(language):
        request.LANGUAGE_CODE = language
        answer = render(request, "receiving/offline.html")
    patch_cache_control(answer, no_cache=True)
    return answer


class SignOut(auth.LogoutView):
    """Also empties the browser's own cache: photos stand there for a year, and the next person has the same phone."""

    def post(self, request, *args, **kwargs):
        answer = super().post(request, *args, **kwargs)
        answer["Clear-Site-Data"] = '"cache"'
        return answer


@require_safe
@at_site(rules.SEE)
def pages(request):
    """JSON: `pages`, the addresses this person's phone keeps of the site, each with its version; `trailers`."""
    now = timezone.now()
    addresses, trailers = shell.pages(request.site, may=request.may, mark=mark(request), now=now)
    told = {
        "person": request.user.pk,
        "name": str(request.user),
        "site": request.site.code,
        "release": shell.release(),
        "pages": addresses,
        "trailers": trailers,
    }
    answer = JsonResponse(told)
    patch_cache_control(answer, no_store=True)
    return answer


def mark(request):
    """A word that changes when all of a person's pages do: their language, theme, rights, or a new sign-in."""
    get_token(request)
    facts = [shell.release(), request.LANGUAGE_CODE, request.COOKIES.get("theme"), sorted(request.may)]
    return hashlib.sha256(repr([*facts, request.META["CSRF_COOKIE"]]).encode()).hexdigest()
