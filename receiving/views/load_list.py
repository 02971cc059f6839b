"""The load list of one bill: upload, look, say what the columns are, take in or discard, and the list in use."""

from django.contrib import messages
from django.db.models import Count, Q, Sum
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import content_disposition_header, urlencode
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from receiving import dock, identifiers, load_list, rules
from receiving.enums import ListState
from receiving.forms.load_list import CartonFilter, ConfirmForm, DifferenceForm, MappingForm, UploadForm
from receiving.models import Carton, LoadList, Shipment
from receiving.refusals import Refused
from receiving.web import at_site, done, invalid, once, problem, refuse

PAGE = 100
BAD_SHOWN = 200
NAMES_SHOWN = 60


def find_shipment(request, number, shipment_pk):
    return get_object_or_404(
        Shipment.objects.select_related("arrival__site", "account"),
        pk=shipment_pk,
        arrival__site=request.site,
        arrival__number=number,
    )


def find(request, number, shipment_pk, list_pk):
    shipment = find_shipment(request, number, shipment_pk)
    found = get_object_or_404(
        LoadList.objects.select_related("uploaded_by", "confirmed_by"), pk=list_pk, shipment=shipment
    )
    found.shipment = shipment
    return found


def address(name, shipment, *more):
    return reverse(name, args=[shipment.arrival.site.code, shipment.arrival.number, shipment.pk, *more])


@at_site(rules.SEE)
@require_safe
def overview(request, number, shipment_pk):
    shipment = find_shipment(request, number, shipment_pk)
    return render(request, "receiving/load_list.html", overview_context(request, shipment))


def overview_context(request, shipment, *, form=None, difference_form=None):
    lists = list(
        LoadList.objects.filter(shipment=shipment).select_related("uploaded_by", "confirmed_by").order_by("-pk")
    )
    sums = Carton.objects.filter(shipment=shipment).aggregate(
        labels=Count("pk"), listed=Sum("expected"), received=Sum("received"), stores=Count("store", distinct=True)
    )
    return {
        "shipment": shipment,
        "arrival": shipment.arrival,
        "closed": shipment.arrival.state in load_list.CLOSED_STATES,
        "in_use": next((found for found in lists if found.state == ListState.CONFIRMED), None),
        "waiting": [found for found in lists if found.state == ListState.PREVIEW],
        "earlier": [found for found in lists if found.state in (ListState.REPLACED, ListState.DISCARDED)],
        "sums": sums,
        "beyond_bill": beyond_bill(shipment, sums["listed"]),
        "less_than_bill": -beyond_bill(shipment, sums["listed"]),
        "form": form or UploadForm(),
        "difference_form": difference_form
        or DifferenceForm(initial={"difference_note": shipment.difference_note, "version": shipment.version}),
        **carton_page(request, shipment),
    }


def beyond_bill(shipment, listed):
    return listed - shipment.pieces if listed and shipment.pieces_unit == "cartons" else 0


def carton_page(request, shipment):
    """One page of the list's cartons in the order of the file, by what is looked for."""
    search = CartonFilter(request.GET)
    asked = search.cleaned_data if search.is_valid() else {"q": "", "after": None}
    cartons = Carton.objects.filter(shipment=shipment).select_related("store", "new_store").order_by("line", "pk")
    if asked["q"]:
        label = identifiers.clean(asked["q"]).upper()
        cartons = cartons.filter(Q(label__contains=compact(label)) | Q(label__contains=label) | Q(store__number=label))
    if asked["after"]:
        cartons = cartons.filter(line__gt=asked["after"])
    rows = list(cartons[: PAGE + 1])
    following = ""
    if len(rows) > PAGE:
        following = "?" + urlencode({"q": asked["q"], "after": rows[PAGE - 1].line})
    return {"search": search, "cartons": rows[:PAGE], "following": following, "asked": asked}


def compact(text):
    """A carton id as it is read out in groups, back in one piece; any other text as it is."""
    digits = identifiers.sscc.compact(text)
    return digits if digits.isdigit() else text


@at_site(rules.DECIDE)
@require_POST
def upload(request, number, shipment_pk):
    """The file is read before `once` opens its transaction: a large workbook must not keep scanners waiting."""
    shipment = find_shipment(request, number, shipment_pk)
    form = UploadForm(request.POST, request.FILES)
    if not form.is_valid():
        return refused_overview(request, shipment, form)
    file = form.cleaned_data["file"]
    try:
        opened = load_list.open_file(file, filename=file.name)
    except Refused as why:
        return refused_overview(request, shipment, form, refuse(form, why))
    file.seek(0)
    return keep(request, shipment, form, opened)


@once
def keep(request, shipment, form, opened):
    try:
        kept = load_list.receive_file(
            shipment,
            uuid=request.uuid,
            upload=opened,
            filename=opened.name,
            actor=request.user,
            at=timezone.now(),
        )
    except Refused as why:
        return refused_overview(request, shipment, form, refuse(form, why))
    to = address("load_list_preview", shipment, kept.pk)
    return done(request, to, {"list": kept.pk, "url": to, "rows": kept.rows, "sha256": kept.sha256})


def refused_overview(request, shipment, form, status=422):
    context = overview_context(request, shipment, form=form)
    return invalid(request, "receiving/load_list.html", context, form, status=status)


@at_site(rules.DECIDE)
@require_safe
def preview(request, number, shipment_pk, list_pk):
    found = find(request, number, shipment_pk, list_pk)
    if found.state != ListState.PREVIEW:
        messages.info(request, _("The list %(name)s is: %(state)s.") % {"name": found.name, "state": state(found)})
        return redirect(address("load_list", found.shipment))
    try:
        context = preview_context(found)
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    return render(request, "receiving/load_list_preview.html", context)


def state(found):
    return found.get_state_display()


def preview_context(found, *, form=None, confirm_form=None):
    seen = load_list.preview(found)
    reading = seen.reading
    return {
        "list": found,
        "shipment": found.shipment,
        "arrival": found.shipment.arrival,
        "preview": seen,
        "blocking": reading.blocking if reading.manifest else [],
        "ambiguous": any(row.code == "ambiguous" for row in seen.bad),
        "bad": seen.bad[:BAD_SHOWN],
        "bad_left": max(0, len(seen.bad) - BAD_SHOWN),
        "missing": [load_list.manifest.FIELDS[name] for name in reading.missing],
        "form": form or MappingForm(table=reading.table, mapping=reading.mapping),
        "confirm_form": confirm_form
        or ConfirmForm(
            initial={"mapping": reading.mapping, "replaces": seen.in_use.pk if seen.in_use else None},
            auto_id="confirm_%s",
        ),
        "names_slice": f":{NAMES_SHOWN}",
        "changes": changes(seen.difference) if seen.difference else [],
    }


def changes(difference):
    """The changed cartons with the names of what differs, in words."""
    names = load_list.manifest.FIELDS | {"expected": load_list.manifest.FIELDS["pieces"]}
    return [
        (pk, line, ", ".join(str(names[name]) for name in what)) for pk, line, what in difference.changed[:NAMES_SHOWN]
    ]


@at_site(rules.DECIDE)
@require_POST
def columns(request, number, shipment_pk, list_pk):
    """Which column is what. The kept file is read before `once`, as in `upload`."""
    found = find(request, number, shipment_pk, list_pk)
    try:
        reading = load_list.read(found)
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    form = MappingForm(request.POST, table=reading.table, mapping=found.mapping)
    if not form.is_valid():
        return refused_columns(request, found, form)
    return remember_columns(request, found, form, reading.table)


@once
def remember_columns(request, found, form, table):
    mapping = form.cleaned_data["mapping"]
    try:
        load_list.set_mapping(found, mapping=mapping, actor=request.user, at=timezone.now(), table=table)
    except Refused as why:
        return refused_columns(request, found, form, refuse(form, why))
    return done(request, address("load_list_preview", found.shipment, found.pk), {"mapping": mapping})


def refused_columns(request, found, form, status=422):
    context = preview_context(found, form=form)
    return invalid(request, "receiving/load_list_preview.html", context, form, status=status)


@at_site(rules.DECIDE)
@require_POST
def confirm(request, number, shipment_pk, list_pk):
    """The kept file is read before `once` opens its transaction, as in `upload`."""
    found = find(request, number, shipment_pk, list_pk)
    form = ConfirmForm(request.POST, auto_id="confirm_%s")
    if not form.is_valid():
        return refused_preview(request, found, form)
    asked = form.cleaned_data
    try:
        reading = load_list.read(found, mapping=asked["mapping"], add_stores=asked["add_stores"])
    except Refused as why:
        return refused_preview(request, found, form, refuse(form, why))
    return take_in(request, found, form, reading)


@once
def take_in(request, found, form, reading):
    try:
        taken = load_list.confirm(
            found,
            mapping=form.cleaned_data["mapping"],
            add_stores=form.cleaned_data["add_stores"],
            replaces=form.cleaned_data["replaces"],
            actor=request.user,
            at=timezone.now(),
            reading=reading,
        )
    except Refused as why:
        return refused_preview(request, found, form, refuse(form, why))
    count = reading.manifest.cartons
    messages.success(
        request,
        ngettext(
            "%(count)s carton is on the list of bill %(bill)s now.",
            "%(count)s cartons are on the list of bill %(bill)s now.",
            count,
        )
        % {"count": f"{count:,}", "bill": taken.shipment.bill_number},
    )
    return done(request, address("load_list", taken.shipment), {"cartons": count, "list": taken.pk})


def refused_preview(request, found, form, status=422):
    """The preview again with the reason on top; where the list does not wait any more, only the reason."""
    found.refresh_from_db(fields=["state"])
    if found.state != ListState.PREVIEW:
        return problem(request, status, "not_waiting", first_error(form))
    try:
        context = preview_context(found, confirm_form=form)
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    return invalid(request, "receiving/load_list_preview.html", context, form, status=status)


def first_error(form):
    return next(iter(form.errors.values()))[0]


@at_site(rules.DECIDE)
@once
@require_POST
def discard(request, number, shipment_pk, list_pk):
    found = find(request, number, shipment_pk, list_pk)
    try:
        load_list.discard(found, actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    messages.success(request, _("The list %(name)s was discarded. Its file is kept.") % {"name": found.name})
    return done(request, address("load_list", found.shipment), {"list": found.pk, "state": found.state})


@at_site(rules.DECIDE)
@once
@require_POST
def difference(request, number, shipment_pk):
    """Somebody explains why bill and list do not agree; both figures stand."""
    shipment = find_shipment(request, number, shipment_pk)
    form = DifferenceForm(request.POST)
    status = 422
    if form.is_valid():
        facts = {"difference_note": form.cleaned_data["difference_note"]}
        try:
            dock.edit_shipment(
                shipment,
                facts=facts,
                version=form.cleaned_data["version"],
                actor=request.user,
                at=timezone.now(),
            )
            return done(request, address("load_list", shipment), facts)
        except Refused as why:
            status = refuse(form, why)
    context = overview_context(request, shipment, difference_form=form)
    return invalid(request, "receiving/load_list.html", context, form, status=status)


@at_site(rules.SEE)
@require_safe
def file(request, number, shipment_pk, list_pk):
    """The file as it was uploaded, byte for byte, to be saved and never shown by the browser."""
    found = find(request, number, shipment_pk, list_pk)
    try:
        data = load_list.content(found)
    except Refused as why:
        return problem(request, 410, why.code, why.message)
    answer = HttpResponse(data, content_type="application/octet-stream")
    answer["Content-Disposition"] = content_disposition_header(True, found.name)
    answer["X-Content-Type-Options"] = "nosniff"
    return answer
