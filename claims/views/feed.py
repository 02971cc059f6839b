"""A site's dates as a calendar: the page for its secret address, and the address itself."""

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from claims import feeds
from receiving import rules
from receiving.refusals import Refused
from receiving.web import at_site, done, once, problem, wants_json


class NewFeedForm(forms.Form):
    uuid = forms.UUIDField()


@require_safe
@never_cache
@at_site(rules.SEE_CLAIMS, place="due")
def due_feed(request):
    return render(request, "claims/due_feed.html", {"key": feeds.current(request.user, request.site)})


@require_POST
@never_cache
@at_site(rules.SEE_CLAIMS, place="due")
def due_feed_new(request):
    """Not `once`, which keeps its answers: the secret is in this one and nowhere else. A second delivery is refused."""
    form = NewFeedForm(request.POST)
    if not form.is_valid():
        sentence = _("This form lost its number. Go back, reload the page and send it again.")
        return problem(request, 400, "uuid_missing", sentence)
    try:
        token = feeds.make(request.user, request.site, uuid=form.cleaned_data["uuid"], at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    address = request.build_absolute_uri(reverse("feed", args=[token]))
    if wants_json(request):
        return done(request, address, {"address": address})
    key = feeds.current(request.user, request.site)
    return render(request, "claims/due_feed.html", {"key": key, "address": address}, status=201)


@require_POST
@at_site(rules.SEE_CLAIMS, place="due")
@once
def due_feed_revoke(request):
    feeds.revoke(request.user, request.site, at=timezone.now())
    messages.success(request, _("The address is dead. Calendars that use it get nothing any more."))
    return done(request, reverse("due_feed", args=[request.site.code]))


@login_not_required
def feed(request, token):
    """The calendar for whoever knows the address; 404 for any other address, and once its person may not see it."""
    if request.method not in ("GET", "HEAD"):
        return not_taken()
    key = feeds.find(token)
    if key is None:
        raise Http404
    data = feeds.calendar(key, at=timezone.now(), absolute=request.build_absolute_uri)
    answer = HttpResponse(data, content_type="text/calendar; charset=utf-8")
    answer["Content-Disposition"] = f'inline; filename="{key.site.code}-due.ics"'
    answer["Cache-Control"] = "private, max-age=600"
    answer["X-Robots-Tag"] = "noindex"
    answer["Referrer-Policy"] = "no-referrer"
    return answer


def not_taken():
    """405, without the line in the log that Django writes for it: the address there is the secret."""
    answer = HttpResponse(status=405, headers={"Allow": "GET, HEAD"})
    answer._has_been_logged = True
    return answer
