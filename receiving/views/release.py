"""Square and release: what is missing, where was looked, the driver's signature, the sheet."""

from uuid import uuid4

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from receiving import dock, late, phones, queries, release, rules, sheet
from receiving.enums import ArrivalState, Kind, LookedPlace, SignOutcome
from receiving.forms.release import (
    DifferenceForm,
    LookedForm,
    ReasonForm,
    ReleaseForm,
    SendForm,
    ShortForm,
    SignForm,
)
from receiving.models import Arrival, Shipment
from receiving.refusals import Refused
from receiving.squaring import Squaring
from receiving.web import at_site, done, invalid, once, problem, refuse, wants_json

SHOWN_MISSING = 60


def arrival_or_404(request, number):
    found = Arrival.objects.select_related("site", "door", "carrier")
    return get_object_or_404(found, site=request.site, number=number)


def sheet_or_404(request, number):
    found = queries.sheets_with_late()
    found = found.select_related("site", "arrival__site", "supersedes", "actor", "superseded_by")
    return get_object_or_404(found, site=request.site, number=number)


@require_safe
@at_site(rules.SEE)
def square(request, number):
    arrival = arrival_or_404(request, number)
    return render(request, "receiving/square.html", square_context(request, arrival))


def square_context(request, arrival, **extra):
    squarings = queries.squarings(arrival)
    total = sum(squarings.values(), Squaring())
    places = looked_places(arrival)
    accounted = arrival.state == ArrivalState.UNLOADING and not (total.missing or total.contradiction)
    bills = [
        {
            "shipment": shipment,
            "square": squared,
            "missing": list(queries.missing_cartons(shipment)[: SHOWN_MISSING + 1]) if squared.missing else [],
            "form": DifferenceForm(
                initial={"version": shipment.version, "difference_note": shipment.difference_note},
                auto_id=f"id_{shipment.pk}_%s",
            ),
        }
        for shipment, squared in squarings.items()
    ]
    return {
        "arrival": arrival,
        "back": arrival.get_absolute_url(),
        "bills": bills,
        "total": total,
        "places_looked": places,
        "needs": list(linked_needs(arrival, squarings)) if arrival.state != ArrivalState.RELEASED else [],
        "accounted": accounted,
        "looked": any(last for _value, _label, last in places),
        "unheard": [phones.unheard_words(row) for row in phones.unheard(arrival)] if accounted else [],
        "set_asides": queries.open_set_asides(arrival),
        "shorts": arrival.discrepancies.filter(kind=Kind.SHORT).select_related("carton", "store").order_by("number"),
    } | extra


def linked_needs(arrival, squarings):
    """(address, piece, sentence) for what the release needs; address and piece are empty where it is no piece's."""
    numbers = arrival.discrepancies.values_list("number", flat=True)
    pieces = {f"P-{number}": reverse("piece", args=[arrival.site.code, number]) for number in numbers}
    for need in release.what_release_needs(arrival, squarings):
        piece, _colon, sentence = need.partition(": ")
        yield (pieces[piece], piece, sentence) if piece in pieces else ("", "", need)


def looked_places(arrival):
    """(value, label, the last look there) for each place."""
    last = {row.place: row for row in arrival.looks.select_related("actor").order_by("at", "pk")}
    return [(value, label, last.get(value)) for value, label in LookedPlace.choices]


@require_POST
@at_site((rules.WORK, rules.DECIDE))
@once
def looked(request, number):
    arrival = arrival_or_404(request, number)
    form = LookedForm(request.POST)
    if not form.is_valid():
        return invalid(request, "receiving/square.html", square_context(request, arrival, form=form), form)
    try:
        dock.looked(
            arrival, uuid=request.uuid, places=form.cleaned_data["places"], actor=request.user, at=timezone.now()
        )
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    messages.success(request, _("Written down where was looked."))
    return done(request, to_square(arrival))


def to_square(arrival):
    return f"{arrival.get_absolute_url()}square/"


@require_POST
@at_site(rules.DECIDE)
@once
def declare_short(request, number, shipment):
    """Declare all that is missing of a bill short, if it is still as many as the lead saw."""
    arrival = arrival_or_404(request, number)
    bill = get_object_or_404(Shipment.objects.select_related("arrival__site"), arrival=arrival, pk=shipment)
    form = ShortForm(request.POST)
    if not form.is_valid():
        return invalid(request, "receiving/square.html", square_context(request, arrival, form=form), form)
    try:
        declared = release.declare_missing(bill, seen=form.cleaned_data["seen"], actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    count = sum(piece.quantity for piece in declared)
    messages.success(
        request,
        ngettext("%(count)s carton is declared short.", "%(count)s cartons are declared short.", count)
        % {"count": count},
    )
    return done(request, to_square(arrival), {"short": count})


@require_POST
@at_site((rules.WORK, rules.DECIDE))
@once
def difference(request, number, shipment):
    arrival = arrival_or_404(request, number)
    bill = get_object_or_404(Shipment.objects.select_related("arrival__site"), arrival=arrival, pk=shipment)
    form = DifferenceForm(request.POST, auto_id=f"id_{bill.pk}_%s")
    if form.is_valid():
        try:
            dock.edit_shipment(
                bill,
                facts={"difference_note": form.cleaned_data["difference_note"]},
                version=form.cleaned_data["version"],
                actor=request.user,
                at=timezone.now(),
            )
        except Refused as why:
            return problem(request, why.status, why.code, why.message, field=why.field)
        return done(request, to_square(arrival))
    return invalid(request, "receiving/square.html", square_context(request, arrival, form=form), form)


@at_site(rules.DECIDE)
@once
def let_go(request, number):
    """The release page: words, signature, receipt."""
    arrival = arrival_or_404(request, number)
    if request.method != "POST":
        form = ReleaseForm(
            dropped=arrival.dropped,
            initial={
                "notation": sheet.draft_notation(arrival),
                "signer": arrival.driver,
                "employer": str(arrival.carrier or ""),
                "outcome": SignOutcome.AT_PICKUP if arrival.dropped else SignOutcome.SIGNED,
            },
        )
        return render(request, "receiving/release.html", release_context(arrival, form))
    form = ReleaseForm(request.POST, dropped=arrival.dropped)
    status = 422
    if form.is_valid():
        try:
            row = release.release(
                arrival,
                uuid=request.uuid,
                facts=signed_facts(request, form),
                knowing_phones=form.cleaned_data["knowing_phones"],
                actor=request.user,
                at=timezone.now(),
            )
            return released(request, row)
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "receiving/release.html", release_context(arrival, form), form, status=status)


def release_context(arrival, form):
    squarings = queries.squarings(arrival)
    return {
        "arrival": arrival,
        "back": to_square(arrival),
        "form": form,
        "needs": release.what_release_needs(arrival, squarings),
        "unheard": [phones.unheard_words(row) for row in phones.unheard(arrival)],
        "total": sum(squarings.values(), Squaring()),
        "counted": arrival.state == ArrivalState.COUNTED,
        "photo_url": reverse("photo_upload", args=[arrival.site.code, arrival.number]),
        "photo_uuid": uuid4(),
        "receipt_label": _("Photo of the carrier's receipt"),
    }


def signed_facts(request, form):
    names = ("notation", "outcome", "signer", "employer", "signature", "typed", "witness", "carrier_receipt")
    facts = {name: form.cleaned_data[name] for name in names if name in form.cleaned_data}
    if facts["typed"] or facts["outcome"] != SignOutcome.SIGNED:
        facts["signature"] = ""
    return facts | {"device": request.headers.get("User-Agent", "")[:300]}


def released(request, row):
    messages.success(
        request,
        _("Released %(time)s. The sheet is %(sheet)s; print or send it.")
        % {"time": sheet.moment(row.at), "sheet": row},
    )
    return done(request, row.get_absolute_url(), {"sheet": str(row), "pdf_sha256": row.pdf_sha256})


@require_POST
@at_site(rules.DECIDE)
@once
def let_go_clean(request, number):
    """All there, all good: one tap."""
    arrival = arrival_or_404(request, number)
    try:
        row = release.release_clean(
            arrival,
            uuid=request.uuid,
            device=request.headers.get("User-Agent", "")[:300],
            knowing_phones=bool(request.POST.get("knowing_phones")),
            actor=request.user,
            at=timezone.now(),
        )
    except release.UnheardPhones as why:
        if wants_json(request):
            return problem(request, why.status, why.code, why.message, field=why.field)
        page = square_context(request, arrival_or_404(request, number), refused=why.message)
        return render(request, "receiving/square.html", page, status=why.status)
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    return released(request, row)


@require_POST
@at_site(rules.DECIDE)
@once
def sheet_replace(request, number):
    """A new sheet in place of one that no longer stands because of what came late."""
    arrival = arrival_or_404(request, number)
    device = request.headers.get("User-Agent", "")[:300]
    try:
        row = release.replace(arrival, uuid=request.uuid, device=device, actor=request.user, at=timezone.now())
    except release.NotReleasable as why:
        if wants_json(request):
            return problem(request, why.status, why.code, why.message)
        row = queries.sheets_with_late().filter(arrival=arrival).latest("number")
        return render(request, "receiving/sheet.html", sheet_context(row, SendForm()), status=why.status)
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    words = _("%(sheet)s takes its place. The driver has not seen it: print or send it.") % {"sheet": row}
    messages.success(request, words)
    return done(request, row.get_absolute_url(), {"sheet": str(row), "pdf_sha256": row.pdf_sha256})


@at_site(rules.DECIDE)
@once
def reopen(request, number):
    arrival = arrival_or_404(request, number)
    form = ReasonForm(request.POST or None)
    context = {"arrival": arrival, "back": arrival.get_absolute_url(), "form": form}
    if request.method != "POST":
        return render(request, "receiving/reopen.html", context)
    status = 422
    if form.is_valid():
        try:
            release.reopen(arrival, reason=form.cleaned_data["reason"], actor=request.user, at=timezone.now())
            messages.success(request, _("Reopened. The signed sheet stays; the next release takes its place."))
            return done(request, to_square(arrival))
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "receiving/reopen.html", context, form, status=status)


@require_safe
@at_site(rules.SEE)
def sheet_page(request, number):
    return render(request, "receiving/sheet.html", sheet_context(sheet_or_404(request, number), SendForm()))


def sheet_context(row, form):
    superseded_by = getattr(row, "superseded_by", None)
    reopened = not superseded_by and row.arrival.state != ArrivalState.RELEASED
    undone = late.why_not_standing(row)
    replaceable = undone and not (superseded_by or reopened)
    return {
        "sheet": row,
        "arrival": row.arrival,
        "back": row.arrival.get_absolute_url(),
        "content": row.content,
        "superseded_by": superseded_by,
        "reopened": reopened,
        "undone": undone,
        "late": list(late.of_sheet(row)) if undone else [],
        "needs": list(linked_needs(row.arrival, queries.squarings(row.arrival))) if replaceable else [],
        "deliveries": row.deliveries.select_related("actor").order_by("at", "pk"),
        "form": form,
        "waits": row.outcome == SignOutcome.AT_PICKUP,
    }


@require_safe
@at_site(rules.SEE)
def sheet_pdf(request, number):
    row = sheet_or_404(request, number)
    try:
        data = release.pdf_bytes(row)
    except Refused as why:
        return problem(request, 410, why.code, why.message)
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{row}.pdf"'
    response["Cache-Control"] = "private, max-age=31536000, immutable"
    return response


@require_POST
@at_site(rules.DECIDE)
def sheet_send(request, number):
    """Not under `once`: its transaction would stay open while a mail server thinks."""
    row = sheet_or_404(request, number)
    form = SendForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            release.send(
                row, uuid=form.cleaned_data["uuid"], to=form.cleaned_data["to"], actor=request.user, at=timezone.now()
            )
            messages.success(request, _("Sent to %(to)s.") % {"to": form.cleaned_data["to"]})
            return done(request, row.get_absolute_url())
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "receiving/sheet.html", sheet_context(row, form), form, status=status)


@require_POST
@at_site((rules.WORK, rules.DECIDE))
@once
def sheet_printed(request, number):
    row = sheet_or_404(request, number)
    release.delivered(row, uuid=request.uuid, way="print", actor=request.user, at=timezone.now())
    messages.success(request, _("Written down: the sheet was printed and handed over."))
    return done(request, row.get_absolute_url())


@at_site(rules.DECIDE)
@once
def sign_at_pickup(request, number):
    arrival = arrival_or_404(request, number)
    form = SignForm(request.POST or None, initial={"employer": str(arrival.carrier or ""), "outcome": "signed"})
    context = {"arrival": arrival, "back": arrival.get_absolute_url(), "form": form}
    if request.method != "POST":
        return render(request, "receiving/sign_at_pickup.html", context)
    status = 422
    if form.is_valid():
        try:
            row = release.sign_at_pickup(
                arrival, uuid=request.uuid, facts=signed_facts(request, form), actor=request.user, at=timezone.now()
            )
            return released(request, row)
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "receiving/sign_at_pickup.html", context, form, status=status)
