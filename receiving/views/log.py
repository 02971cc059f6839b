"""Logging pieces at a trailer with their photos, setting pieces aside and completing them."""

import uuid as uuids
from functools import wraps
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from receiving import discrepancies, gaps, matching, photos, rules
from receiving.enums import COUNTING_STATES, ArrivalState, DiscrepancyState, Kind, PhotoPurpose
from receiving.forms.log import LogForm, SetAsideForm
from receiving.models import Arrival, Store
from receiving.refusals import Refused
from receiving.views.piece import piece_data, piece_for_hand, pieces, require_hand
from receiving.web import at_site, done, form_errors, from_outbox, invalid, once, refuse, wants_json

MOST_PHOTOS = 20
RECENT = 12
FOLDED = (
    "where_found",
    "extent",
    "disposition",
    "knowingly",
    "units_good",
    "units_hurt",
    "quantity",
    "no_photo_reason",
    "note",
)


# --- photos that come with a form -------------------------------------------------------------------------------------


def pictures_first(view):
    """Decode posted `photos` before the view's transaction, which would hold the database for as long.

    `request.pictures` is a list of (file name, Picture or the Refused that says why not).
    """

    @wraps(view)
    def wrapped(request, *args, **kwargs):
        files = request.FILES.getlist("photos")
        request.pictures = [look_at(file) for file in files[:MOST_PHOTOS]]
        request.pictures += [(file.name, too_many(file)) for file in files[MOST_PHOTOS:]]
        return view(request, *args, **kwargs)

    return wrapped


def too_many(file):
    message = _("%(name)s: at most %(most)d photos go at once. Add it on the piece's page.")
    return Refused(message % {"name": photos.shown_name(file.name), "most": MOST_PHOTOS}, code="photo_too_many")


def look_at(file):
    try:
        return file.name, photos.examine(file, filename=file.name)
    except photos.NotAPicture as why:
        return file.name, why
    finally:
        file.seek(0)


def keep_pictures(request, piece, *, purpose=PhotoPurpose.PIECE):
    """Store the good ones with the piece; the piece stays whatever becomes of them. Gives (stored, refused)."""
    stored, refused = [], []
    for position, (name, picture) in enumerate(request.pictures):
        if isinstance(picture, Refused):
            refused.append((name, picture))
            continue
        stored.append(
            photos.record_photo(
                picture=picture,
                arrival=piece.arrival,
                discrepancy=piece,
                uuid=uuids.uuid5(request.uuid, f"photo {position}"),
                filename=name,
                purpose=purpose,
                device_taken_at=request.POST.get("taken", "")[:40],
                made_at=request.device.made_at,
                actor=request.user,
                at=timezone.now(),
            )
        )
    return stored, refused


def logged(request, piece, pictures, *, to, words):
    """Say what is now true: the piece by its number, its photos, and each photo that did not make it.

    A page that sends its form by script (`X-Page`) gets the JSON and finds the words on the page it goes to `next`; a
    phone's outbox finds them in the JSON.
    """
    stored, refused = pictures
    if not wants_json(request) or "X-Page" in request.headers or from_outbox(request):
        say(request, piece, stored, refused, words)
    data = piece_data(request, piece) | {"next": to}
    data["photos"] = [{"uuid": str(photo.uuid), "sha256": photo.sha256} for photo in stored]
    data["refused"] = [{"name": name, "code": why.code, "message": why.message} for name, why in refused]
    return done(request, to, data)


def say(request, piece, stored, refused, words):
    if stored:
        words += " " + ngettext("%d photo is stored.", "%d photos are stored.", len(stored)) % len(stored)
    messages.success(request, words)
    for _name, why in refused:
        messages.error(
            request, _("%(piece)s is kept, one photo is not. %(why)s") % {"piece": piece, "why": why.message}
        )


# --- at the trailer ---------------------------------------------------------------------------------------------------


@require_safe
@at_site((rules.WORK, rules.LATE), place="log")
def log(request):
    """Choose the trailer: those being unloaded, and by number those that have left. Pieces that wait set aside."""
    asked, label = request.GET.get("trailer", "").strip(), request.GET.get("label", "").strip()
    if piece := tagged(request, label) or tagged(request, asked):
        return redirect(piece)
    arrivals = Arrival.objects.filter(site=request.site).select_related("site", "carrier", "door")
    found = list(trailers_named(arrivals, asked)) if asked else []
    if len(found) == 1:
        return redirect(with_label(reverse("log_trailer", args=[request.site.code, found[0].number]), label))
    may_open = rules.WORK in request.may
    waiting = pieces().filter(site=request.site, kind=Kind.SET_ASIDE, state=DiscrepancyState.OPEN)
    context = {
        "asked": asked,
        "label": label,
        "found": found,
        "arrivals": arrivals.filter(state__in=COUNTING_STATES).order_by("door__label", "pk") if may_open else [],
        "left": arrivals.filter(state=ArrivalState.RELEASED).order_by("-released_at")[:RECENT],
        "waiting": waiting.order_by("found_at"),
    }
    return render(request, "receiving/log_choose.html", context)


def trailers_named(arrivals, asked):
    """By our number (412, T-412) or the number on the trailer."""
    loggable = arrivals.filter(state__in=[*COUNTING_STATES, ArrivalState.RELEASED])
    number = asked.upper().removeprefix("T-")
    if number.isascii() and number.isdigit() and len(number) < 10 and (one := loggable.filter(number=number)):
        return one
    return loggable.filter(trailer_number__iexact=asked).order_by("-pk")[:RECENT]


def with_label(url, label):
    return f"{url}?{urlencode({'label': label})}" if label else url


def trailer_for_logging(request, number):
    """The trailer, if the person may log on it now: receivers any time, everybody who may find late once it left."""
    arrival = get_object_or_404(
        Arrival.objects.select_related("site", "carrier", "door"), site=request.site, number=number
    )
    require_hand(request, arrival)
    return arrival


@require_http_methods(["GET", "HEAD", "POST"])
@at_site((rules.WORK, rules.LATE), place="log")
@pictures_first
@once
def log_trailer(request, number):
    """Log one piece on trailer `number`. The form takes its `photos` along."""
    arrival = trailer_for_logging(request, number)
    piece = tagged(request, request.POST.get("label") or request.GET.get("label"))
    if request.method != "POST":
        if piece:
            return redirect(piece)
        initial = {"label": request.GET.get("label", "")[:100], "kind": request.GET.get("kind", "")}
        return render(request, "receiving/log.html", log_page(arrival, LogForm(arrival=arrival, initial=initial)))
    form, existing = LogForm(request.POST, arrival=arrival), piece
    status = 422
    if piece:
        status = refuse(form, own_tag(piece))
    elif form.is_valid():
        try:
            piece = discrepancies.record(
                arrival,
                uuid=request.uuid,
                found_at=found_at(request, form),
                actor=request.user,
                at=timezone.now(),
                **form.told(),
            )
            refuse_out_of_hand(request, piece)
            return after_logging(request, arrival, piece, form)
        except Refused as why:
            status, existing = refuse(form, why), getattr(why, "piece", None)
    return not_logged(request, form, status, arrival=arrival, existing=existing)


def found_at(request, form):
    """When the piece was found: the device's word with its clock set right, or when the record was made there."""
    return request.device.true(form.cleaned_data["found_at"]) or request.device.made_at


def tagged(request, text):
    """The piece of this site whose tag was scanned, or None."""
    tag = matching.read_tag(text)
    if tag is None or tag[0] != request.site.code:
        return None
    return pieces().filter(site=request.site, number=tag[1]).first()


def own_tag(piece):
    message = _("This is the tag of piece %(piece)s, not a carton's label. Open that piece and add to it.")
    return Refused(message % {"piece": piece}, code="own_tag", field="label")


def not_logged(request, form, status, *, arrival, existing, piece=None):
    """The form again; where the carton is logged already, with the way to that piece."""
    if existing and wants_json(request):
        errors = [error | {"url": existing.get_absolute_url()} for error in form_errors(form)]
        return JsonResponse({"errors": errors}, status=status)
    page = log_page(arrival, form, existing=existing, piece=piece, may=request.may)
    return invalid(request, "receiving/log.html", page, form, status=status)


def after_logging(request, arrival, piece, form):
    pictures = keep_pictures(request, piece, purpose=form.purpose())
    words = _("%(piece)s is logged: %(kind)s.") % {"piece": piece, "kind": piece.get_kind_display()}
    if piece.arrival_id != arrival.pk:
        words += " " + _("Its carton belongs to trailer %(trailer)s and is credited there.") % {
            "trailer": piece.arrival.trailer_number
        }
    to = reverse("log_trailer", args=[arrival.site.code, arrival.number])
    if piece.after_release or matching.shorts_for(piece) or matching.elsewhere(piece):
        to = piece.get_absolute_url()
    return logged(request, piece, pictures, to=to, words=words)


def refuse_out_of_hand(request, piece):
    """By its label a piece may have gone to another trailer than the one in the address."""
    if rules.WORK not in request.may and piece.arrival.state != ArrivalState.RELEASED:
        raise PermissionDenied


def log_page(arrival, form, *, existing=None, piece=None, may=()):
    """What the log page shows beside its form: the last pieces of this trailer and what they still lack."""
    recent = list(pieces().filter(arrival=arrival).exclude(kind=Kind.SHORT).order_by("-pk")[:RECENT])
    for row in recent:
        row.missing = gaps.what_is_missing(row)
    return {
        "arrival": arrival,
        "form": form,
        "existing": existing,
        "piece": piece,
        "recent": recent,
        "codes": form.fields["codes"].queryset,
        "ticked": [str(value) for value in form["codes"].value() or []],
        "stores": Store.objects.filter(site=arrival.site, active=True).order_by("number").values("number", "name"),
        "bills": form.fields["shipment"].queryset,
        "back": piece.get_absolute_url() if piece else arrival.get_absolute_url(),
        "late": arrival.state == ArrivalState.RELEASED,
        "may_void": piece is not None and piece.state == DiscrepancyState.OPEN and rules.DECIDE in may,
        "details_open": any(name in form.errors for name in FOLDED) if form.is_bound else False,
    }


@require_POST
@at_site((rules.WORK, rules.LATE), place="log")
@pictures_first
@once
def set_aside(request, number):
    """One tap: the piece is aside, with its label and photo if there are any."""
    arrival = trailer_for_logging(request, number)
    form = SetAsideForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            facts = form.cleaned_data | {"found_at": found_at(request, form)}
            piece = discrepancies.set_aside(arrival, uuid=request.uuid, actor=request.user, at=timezone.now(), **facts)
            to = reverse("log_trailer", args=[arrival.site.code, arrival.number])
            words = _("%(piece)s is set aside. Fill it in before the trailer is released.") % {"piece": piece}
            return logged(request, piece, keep_pictures(request, piece), to=to, words=words)
        except Refused as why:
            status = refuse(form, why)
    full = LogForm(request.POST, arrival=arrival)
    full.errors.clear()
    full.errors.update(form.errors)
    return invalid(request, "receiving/log.html", log_page(arrival, full), form, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@at_site((rules.WORK, rules.LATE), place="log")
@pictures_first
@once
def piece_complete(request, number):
    """Say what is wrong with a piece that was set aside."""
    piece = piece_for_hand(request, number)
    if request.method != "POST":
        if piece.kind != Kind.SET_ASIDE:
            return redirect(piece)
        initial = {"label": piece.label, "note": piece.note, "version": piece.version}
        form = LogForm(arrival=piece.arrival, piece=piece, initial=initial)
        return render(request, "receiving/log.html", log_page(piece.arrival, form, piece=piece, may=request.may))
    form, existing, status = LogForm(request.POST, arrival=piece.arrival, piece=piece), None, 422
    if form.is_valid():
        try:
            completed = discrepancies.complete(
                piece,
                version=form.cleaned_data["version"],
                actor=request.user,
                at=timezone.now(),
                **form.told(),
            )
            refuse_out_of_hand(request, completed)
            return after_logging(request, piece.arrival, completed, form)
        except Refused as why:
            status, existing = refuse(form, why), getattr(why, "piece", None)
    return not_logged(request, form, status, arrival=piece.arrival, existing=existing, piece=piece)
