"""Count: one field for the scanner, the store in huge digits; tally by store; pallets; a file of scans."""

import json
import uuid as uuids
from urllib.parse import urlencode

from django.contrib import messages
from django.http import Http404, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from receiving import counting, queries, rules
from receiving.enums import ScanHow, ScanResult
from receiving.forms.count import PalletForm, ScanFileForm, ScanForm, TallyForm
from receiving.models import Arrival, Pallet, Scan, Shipment
from receiving.refusals import Refused
from receiving.squaring import Squaring
from receiving.views.shared import at_site, done, invalid, once, problem, refuse, wants_json

R = ScanResult
LOOKS = {
    R.COUNTED: "right",
    R.PLACED: "right",
    R.BLIND: "right",
    R.FOUND: "right",
    R.ALREADY: "again",
    R.OTHER_TRAILER: "other",
    R.WRONG_PALLET: "wrong",
    R.OTHER_RELEASED: "wrong",
    R.NOT_LISTED: "wrong",
    R.BAD_LABEL: "wrong",
}
ICONS = {"right": "check", "again": "again", "other": "truck", "wrong": "stop"}
LAST = 5
MAX_BATCH = 500
MAX_FILE = 8 * 1024 * 1024


def arrival_or_404(request, number):
    found = Arrival.objects.select_related("site", "door", "carrier")
    return get_object_or_404(found, site=request.site, number=number)


def chosen(request, arrival, data):
    """The pallet in hand and the bill chosen, as ids in `data`; nothing for none, 404 for a stranger's."""
    pallet = shipment = None
    try:
        if data.get("pallet"):
            pallet = get_object_or_404(
                Pallet.objects.select_related("store"), site=request.site, number=int(data["pallet"])
            )
        if data.get("shipment"):
            shipment = get_object_or_404(Shipment, arrival=arrival, pk=int(data["shipment"]))
    except (ValueError, OverflowError):
        raise Http404 from None
    return pallet, shipment


@require_safe
@at_site(rules.WORK)
def count(request, number):
    arrival = arrival_or_404(request, number)
    return render(request, "receiving/count.html", count_context(request, arrival, request.GET))


def count_context(request, arrival, data, **extra):
    pallet, shipment = chosen(request, arrival, data)
    squarings = queries.squarings(arrival)
    return {
        "arrival": arrival,
        "back": arrival.get_absolute_url(),
        "pallet": pallet,
        "pallets": counting.open_pallets(request.site)[:60],
        "shipment": shipment,
        "blind_bills": queries.bills_without_list(arrival),
        "total": sum(squarings.values(), Squaring()),
        "last": last_scans(arrival),
        "form": ScanForm(),
        "counting": arrival.state in ("unloading", "counted"),
    } | extra


def last_scans(arrival):
    return (
        Scan.objects.filter(seen_at=arrival, undoes__isnull=True)
        .select_related("carton__store", "carton__new_store", "actor", "undone_by")
        .order_by("-pk")[:LAST]
    )


@require_POST
@at_site(rules.WORK)
@once
def scan(request, number):
    """One label (`label`), or for scripts a batch (`labels`, a JSON list of {uuid, label, at})."""
    arrival = arrival_or_404(request, number)
    pallet, shipment = chosen(request, arrival, request.POST)
    form = ScanForm(request.POST)
    try:
        reads = batch(request) if "labels" in request.POST else single(request, form)
        answers = counting.scan(
            arrival,
            reads=reads,
            pallet=pallet,
            shipment=shipment,
            how=ScanHow.TYPED if request.POST.get("typed") else ScanHow.SCANNER,
            actor=request.user,
            at=timezone.now(),
        )
    except Refused as why:
        return refused_scan(request, arrival, form, why)
    if wants_json(request):
        return JsonResponse({"scans": [told(request, answer) for answer in answers]}, status=201)
    shown = shown_answer(request, answers[0])
    if request.headers.get("HX-Request"):
        total = queries.trailer_squaring(arrival)
        context = {"answer": shown, "arrival": arrival, "total": total, "last": last_scans(arrival)}
        return render(request, "receiving/_scan_answer.html", context)
    return render(request, "receiving/count.html", count_context(request, arrival, request.POST, answer=shown))


def refused_scan(request, arrival, form, why):
    if wants_json(request):
        return problem(request, why.status, why.code, why.message, field=why.field)
    if request.headers.get("HX-Request"):
        return render(request, "receiving/_scan_refused.html", {"message": why.message}, status=why.status)
    form.is_valid()
    form.errors.clear()
    status = refuse(form, why)
    context = count_context(request, arrival, request.POST, form=form)
    return invalid(request, "receiving/count.html", context, form, status=status)


def single(request, form):
    if not form.is_valid():
        raise Refused(_("Nothing was read. Scan the label again or type it."), code="label_missing", field="label")
    return [counting.Read(form.cleaned_data["label"], uuids.uuid5(request.uuid, "scan"))]


def batch(request):
    """The reads of a script, each with its own UUID; a sentence names the first that cannot be understood."""
    try:
        rows = json.loads(request.POST["labels"])
        assert isinstance(rows, list) and 0 < len(rows) <= MAX_BATCH
        return [read_of(row) for row in rows]
    except (ValueError, TypeError, KeyError, AttributeError, AssertionError):
        raise Refused(
            _("The batch must be a list of 1 to %(most)s scans, each with uuid and label.") % {"most": MAX_BATCH},
            code="bad_batch",
            field="labels",
        ) from None


def read_of(row):
    at = parse_datetime(row["at"]) if row.get("at") else None
    if at is not None and at.tzinfo is None:
        raise ValueError(row["at"])
    return counting.Read(str(row["label"])[:200], uuids.UUID(row["uuid"]), at)


def told(request, answer):
    """One answer for a script."""
    return {
        "result": answer.result,
        "label": answer.label,
        "store": answer.store.number if answer.store else None,
        "trailer": answer.arrival.number,
        "pallet": answer.pallet.number if answer.pallet else None,
        "message": str(answer.detail or answer.result.label),
    }


def shown_answer(request, answer):
    look = LOOKS[answer.result]
    log = None
    if answer.result in (R.NOT_LISTED, R.OTHER_RELEASED):
        log = log_url(request, answer, kind="over")
    elif answer.carton:
        log = log_url(request, answer)
    flags = [
        word
        for flag, word in (("hazmat", _("hazardous")), ("food", _("food")), ("fragile", _("fragile")))
        if answer.carton and getattr(answer.carton, flag)
    ]
    return {"answer": answer, "look": look, "icon": ICONS[look], "log": log, "flags": flags}


def log_url(request, answer, **more):
    address = reverse("log_trailer", args=[request.site.code, answer.arrival.number])
    return f"{address}?{urlencode({'label': answer.label} | more)}"


@require_POST
@at_site(rules.WORK)
@once
def undo(request, number):
    arrival = arrival_or_404(request, number)
    try:
        row = counting.undo_last(arrival, uuid=request.uuid, actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    what = getattr(row, "label", None) or _("the last tally")
    messages.success(request, _("Taken back: %(what)s.") % {"what": what})
    return done(request, request.POST.get("to") == "tally" and tally_url(arrival) or count_url(request, arrival))


def count_url(request, arrival):
    url = reverse("count", args=[arrival.site.code, arrival.number])
    return f"{url}?pallet={int(request.POST['pallet'])}" if request.POST.get("pallet", "").isdecimal() else url


def tally_url(arrival):
    return reverse("count_tally", args=[arrival.site.code, arrival.number])


@require_safe
@at_site(rules.WORK)
def tally(request, number):
    arrival = arrival_or_404(request, number)
    return render(request, "receiving/tally.html", tally_context(request, arrival))


def tally_context(request, arrival, **extra):
    return {
        "arrival": arrival,
        "back": reverse("count", args=[arrival.site.code, arrival.number]),
        "bills": queries.tally_board(arrival),
        "taps": counting.TAPS,
        "counting": arrival.state in ("unloading", "counted"),
    } | extra


@require_POST
@at_site(rules.WORK)
@once
def tally_tap(request, number, shipment):
    arrival = arrival_or_404(request, number)
    bill = get_object_or_404(Shipment.objects.select_related("arrival__site"), arrival=arrival, pk=shipment)
    form = TallyForm(request.POST, site=request.site)
    if not form.is_valid():
        return invalid(request, "receiving/tally.html", tally_context(request, arrival, form=form), form)
    try:
        counting.tally(
            bill,
            store=form.cleaned_data["store"],
            count=form.cleaned_data["count"],
            uuid=request.uuid,
            actor=request.user,
            at=timezone.now(),
        )
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    return done(request, tally_url(arrival))


@at_site(rules.WORK)
@once
def scan_file(request, number):
    arrival = arrival_or_404(request, number)
    context = {"arrival": arrival, "back": reverse("count", args=[request.site.code, number])}
    if request.method != "POST":
        return render(request, "receiving/scan_file.html", context | {"form": ScanFileForm()})
    form, status = ScanFileForm(request.POST, request.FILES), 422
    if form.is_valid():
        try:
            if form.cleaned_data["file"].size > MAX_FILE:
                raise Refused(_("The file is larger than 8 MB. Split it."), code="file_too_large", field="file")
            report = counting.import_scans(
                arrival,
                data=form.cleaned_data["file"].read(),
                filename=form.cleaned_data["file"].name,
                uuid=request.uuid,
                actor=request.user,
                at=timezone.now(),
            )
            if wants_json(request):
                told_lines = [told(request, answer) | {"line": line} for line, answer in report]
                return JsonResponse({"scans": told_lines}, status=201)
            return render(request, "receiving/scan_file.html", context | {"form": ScanFileForm(), "report": report})
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "receiving/scan_file.html", context | {"form": form}, form, status=status)


@require_safe
@at_site(rules.SEE)
def pallets(request):
    return render(request, "receiving/pallets.html", pallets_context(request, PalletForm(site=request.site)))


def pallets_context(request, form):
    return {
        "back": reverse("doors", args=[request.site.code]),
        "form": form,
        "pallets": queries.pallets_with_counts(request.site),
    }


@require_POST
@at_site(rules.WORK)
@once
def pallet_new(request):
    form = PalletForm(request.POST, site=request.site)
    if not form.is_valid():
        return invalid(request, "receiving/pallets.html", pallets_context(request, form), form)
    pallet = counting.open_pallet(
        request.site, uuid=request.uuid, actor=request.user, at=timezone.now(), **form.cleaned_data
    )
    messages.success(
        request, _("Pallet %(pallet)s is open for store %(store)s.") % {"pallet": pallet, "store": pallet.store}
    )
    if request.POST.get("trailer", "").isdecimal():
        count_page = reverse("count", args=[request.site.code, int(request.POST["trailer"])])
        return redirect(f"{count_page}?pallet={pallet.number}")
    return done(request, reverse("pallets", args=[request.site.code]), {"pallet": pallet.number})


@require_POST
@at_site(rules.WORK)
@once
def pallet_close(request, number):
    pallet = get_object_or_404(Pallet.objects.select_related("site", "store"), site=request.site, number=number)
    try:
        counting.close_pallet(pallet, actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    messages.success(request, _("Pallet %(pallet)s is closed.") % {"pallet": pallet})
    return done(request, reverse("pallets", args=[request.site.code]))
