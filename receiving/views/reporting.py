"""Whether an incident has to be reported: what was decided so far, and the form to write down a decision."""

from django.contrib import messages
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from receiving import reporting, rules
from receiving.enums import HAZARDS
from receiving.forms.dock import RulingForm
from receiving.models import IncidentNote
from receiving.refusals import Refused
from receiving.web import at_site, done, invalid, once, refuse, wants_json


@require_http_methods(["GET", "HEAD", "POST"])
@at_site((rules.DECIDE, rules.CLAIM))
@once
def incident_reporting(request, number, uuid):
    notes = IncidentNote.objects.select_related("arrival__site", "actor").filter(kind__in=HAZARDS)
    note = get_object_or_404(notes, arrival__site=request.site, arrival__number=number, uuid=uuid)
    form = RulingForm(request.POST or None)
    page = {"note": note, "arrival": note.arrival, "form": form}
    page["rulings"] = note.rulings.select_related("actor").order_by("-pk")
    template = "receiving/incident_reporting.html"
    if request.method != "POST":
        return render(request, template, page)
    status = 422
    if form.is_valid():
        try:
            ruling = reporting.rule(note, **form.cleaned_data, uuid=request.uuid, actor=request.user, at=timezone.now())
        except Refused as why:
            status = refuse(form, why)
        else:
            if not wants_json(request):
                messages.success(request, said(ruling))
            return done(request, note.arrival.get_absolute_url(), {"reportable": ruling.reportable})
    return invalid(request, template, page, form, status=status)


def said(ruling):
    if ruling.reportable:
        return _("Written down: it has to be reported. Its dates stand under Due.")
    return _("Written down: it does not have to be reported. Its dates are off the list.")
