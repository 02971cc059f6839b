"""The doors: what stands where, what it still needs, what comes and what has left today."""

from django.contrib import messages
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from receiving import clock, dock, handing, late, queries, rules
from receiving.enums import ArrivalState
from receiving.forms.dock import ExpectForm, WhyForm
from receiving.refusals import Refused
from receiving.views.steps import VARIANTS, next_step
from receiving.views.trailer import arrival_or_404, settle, told, wrong_state
from receiving.web import at_site, done, invalid, once, refuse


@require_safe
@at_site(rules.SEE)
def doors(request):
    now = timezone.now()
    start, end = clock.day_bounds(clock.site_day(now, request.site.time_zone), request.site.time_zone)
    at_doors, expected, left = queries.board(request.site, since=start)
    for row in (*at_doors, *expected, *left):
        row.step, row.variant = next_step(row), VARIANTS[row.state]
        row.late = row.state == ArrivalState.EXPECTED and row.appointment_at and row.appointment_at < now
    later = [row for row in expected if row.appointment_at and row.appointment_at >= end]
    context = {
        "now": now,
        "at_doors": at_doors,
        "expected": [row for row in expected if row not in later],
        "later": later,
        "left": [row for row in left if row.state != ArrivalState.CANCELLED],
        "cancelled": [row for row in left if row.state == ArrivalState.CANCELLED],
        "free": [door for door in queries.doors(request.site) if not door.taken],
        "undone": [(sheet, late.why_not_standing(sheet)) for sheet in late.undone(request.site)],
        "handed_in": handing.waiting_by_author(site=request.site) if rules.DECIDE in request.may else [],
    }
    return render(request, "receiving/doors.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.WORK)
@once
def trailer_new(request):
    """Expect a trailer, or write down one that stands at the gate already."""
    form = ExpectForm(request.POST or None)
    context = {"form": form, "back": dock_doors(request)}
    if request.method != "POST":
        return render(request, "receiving/trailer_new.html", context)
    status = 422
    if form.is_valid():
        try:
            arrival = dock.open_arrival(
                site=request.site, uuid=request.uuid, facts=form.facts(), actor=request.user, at=timezone.now()
            )
            return expected(request, arrival)
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "receiving/trailer_new.html", context, form, status=status)


def dock_doors(request):
    return reverse("doors", args=[request.site.code])


def expected(request, arrival):
    words = _("%(number)s, trailer %(trailer)s, is expected. When it stands at a door, say so.")
    messages.success(request, words % {"number": arrival, "trailer": arrival.trailer_number})
    return done(request, arrival.get_absolute_url(), told(arrival))


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.WORK)
@once
def trailer_cancel(request, number):
    """Take a trailer off the doors that was expected or came to a door by mistake, before anything is unloaded."""
    arrival = arrival_or_404(request, number)
    form = WhyForm(
        request.POST or None, asked=_("Why is it cancelled?"), sentence=_("Say why the trailer is cancelled.")
    )
    context = {
        "arrival": arrival,
        "back": arrival.get_absolute_url(),
        "form": form,
        "title": _("Cancel trailer %(trailer)s") % {"trailer": arrival.trailer_number},
        "text": _("The record stays and can be found; nothing of it is deleted."),
        "button": _("Cancel this trailer"),
        "danger": True,
    }
    if request.method != "POST":
        return wrong_state(request, arrival, ArrivalState.CANCELLED) or render(
            request, "receiving/trailer_step.html", context
        )
    return settle(
        request,
        arrival,
        form,
        lambda given: dock.cancel(arrival, reason=given["reason"], actor=request.user, at=timezone.now()),
        template="receiving/trailer_step.html",
        context=context,
        words=_("Trailer %(trailer)s is cancelled.") % {"trailer": arrival.trailer_number},
        to=dock_doors(request),
    )
