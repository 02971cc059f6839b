"""Logging pieces at a trailer, the pieces set aside, one piece's page and what is done with it: one address each."""

import json
import uuid as uuids
from functools import wraps
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Prefetch
from django.http import JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from receiving import discrepancies, dispositions, gaps, history, matching, photos, rules
from receiving.documents import qr
from receiving.enums import (
    COUNTING_STATES,
    ArrivalState,
    DiscrepancyState,
    Kind,
    PhotoPurpose,
)
from receiving.forms.log import (
    AmendForm,
    AttributeForm,
    DisposeForm,
    FindingForm,
    FoodForm,
    FoundForm,
    LogForm,
    MatchForm,
    SetAsideForm,
    StoreReportForm,
    VoidForm,
)
from receiving.models import Arrival, Discrepancy, Finding, Photo, Store
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.views.shared import at_site, done, form_errors, invalid, once, refuse, wants_json

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
        request.pictures = [look_at(file) for file in request.FILES.getlist("photos")[:MOST_PHOTOS]]
        return view(request, *args, **kwargs)

    return wrapped


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
                actor=request.user,
                at=timezone.now(),
            )
        )
    return stored, refused


def logged(request, piece, pictures, *, to, words):
    """Say what is now true: the piece by its number, its photos, and each photo that did not make it.

    A page that sends its form by script (`X-Page`) gets the JSON and finds the words on the page it goes to `next`.
    """
    stored, refused = pictures
    if not wants_json(request) or "X-Page" in request.headers:
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


def piece_data(request, piece):
    """A piece as JSON."""
    return {
        "piece": {
            "number": piece.number,
            "name": str(piece),
            "uuid": str(piece.uuid),
            "kind": piece.kind,
            "state": piece.state,
            "version": piece.version,
            "trailer": piece.arrival.number,
            "label": piece.label,
            "on_list": piece.carton_id is not None,
            "after_release": piece.after_release,
            "missing": [str(sentence) for sentence in gaps.what_is_missing(piece)],
            "url": request.build_absolute_uri(piece.get_absolute_url()),
        }
    }


# --- at the trailer ---------------------------------------------------------------------------------------------------


@require_safe
@at_site((rules.WORK, rules.LATE), place="log")
def log(request):
    """Choose the trailer: those being unloaded, and by number those that have left. Pieces that wait set aside."""
    asked, label = request.GET.get("trailer", "").strip(), request.GET.get("label", "").strip()
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


def require_hand(request, arrival):
    need = rules.LATE if arrival.state == ArrivalState.RELEASED else rules.WORK
    if need not in request.may:
        raise PermissionDenied


@require_http_methods(["GET", "HEAD", "POST"])
@at_site((rules.WORK, rules.LATE), place="log")
@pictures_first
@once
def log_trailer(request, number):
    """Log one piece on trailer `number`. The form takes its `photos` along."""
    arrival = trailer_for_logging(request, number)
    if request.method != "POST":
        initial = {"label": request.GET.get("label", "")[:100], "kind": request.GET.get("kind", "")}
        return render(request, "receiving/log.html", log_page(arrival, LogForm(arrival=arrival, initial=initial)))
    form, existing = LogForm(request.POST, arrival=arrival), None
    status = 422
    if form.is_valid():
        try:
            piece = discrepancies.record(
                arrival,
                uuid=request.uuid,
                found_at=form.cleaned_data["found_at"],
                actor=request.user,
                at=timezone.now(),
                **form.told(),
            )
            return after_logging(request, arrival, piece, form)
        except Refused as why:
            status, existing = refuse(form, why), getattr(why, "piece", None)
    return not_logged(request, form, status, arrival=arrival, existing=existing)


def not_logged(request, form, status, *, arrival, existing, piece=None):
    """The form again; where the carton is logged already, with the way to that piece."""
    if existing and wants_json(request):
        errors = [error | {"url": existing.get_absolute_url()} for error in form_errors(form)]
        return JsonResponse({"errors": errors}, status=status)
    page = log_page(arrival, form, existing=existing, piece=piece)
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


def log_page(arrival, form, *, existing=None, piece=None):
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
        "details_open": any(name in form.errors for name in FOLDED) if form.is_bound else False,
    }


def pieces():
    return Discrepancy.objects.select_related(
        "site", "arrival__site", "carton__store", "shipment__account", "store", "new_store", "logged_by"
    ).prefetch_related(Prefetch("photos", Photo.objects.order_by("pk")))


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
            piece = discrepancies.set_aside(
                arrival, uuid=request.uuid, actor=request.user, at=timezone.now(), **form.cleaned_data
            )
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
        return render(request, "receiving/log.html", log_page(piece.arrival, form, piece=piece))
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
            return after_logging(request, piece.arrival, completed, form)
        except Refused as why:
            status, existing = refuse(form, why), getattr(why, "piece", None)
    return not_logged(request, form, status, arrival=piece.arrival, existing=existing, piece=piece)


# --- one piece --------------------------------------------------------------------------------------------------------


def get_piece(request, number):
    return get_object_or_404(pieces(), site=request.site, number=number)


def piece_for_hand(request, number):
    piece = get_piece(request, number)
    require_hand(request, piece.arrival)
    return piece


@require_safe
@at_site(rules.SEE, place="pieces")
def piece(request, number):
    """Everything known of one piece, what it still lacks, and what may be done with it now."""
    piece = get_piece(request, number)
    if wants_json(request):
        return JsonResponse(piece_data(request, piece))
    hand = rules.LATE if piece.arrival.state == ArrivalState.RELEASED else rules.WORK
    live = piece.state == DiscrepancyState.OPEN
    context = {
        "back": piece.arrival.get_absolute_url(),
        "piece": piece,
        "photos": piece.photos.all(),
        "codes": [{"code": code["code"], "words": history.code_words(code)} for code in piece.codes],
        "missing": gaps.what_is_missing(piece),
        "steps": history.steps(piece)[::-1],
        "findings": Finding.objects.filter(discrepancy=piece).select_related("actor").order_by("at", "pk"),
        "incidents": piece.incidents.select_related("actor").order_by("at", "pk"),
        "shorts": matching.shorts_for(piece),
        "overs": matching.overs_for(piece),
        "elsewhere": matching.elsewhere(piece),
        "matched_by": Discrepancy.objects.filter(matched=piece).select_related("site").first(),
        "actions": actions(request, piece) if live and hand in request.may else [],
        "may_hand": hand in request.may,
        "may_void": live and rules.DECIDE in request.may and not piece.claimed_at,
        "may_release_food": live and piece.food_hold and rules.RELEASE_FOOD in request.may,
        "danger": dispositions.is_dangerous(piece),
        "live": live,
    }
    return render(request, "receiving/piece.html", context)


def actions(request, piece):
    """(address, words, icon) of what may be done with an open piece, the likeliest first."""
    if piece.kind == Kind.SET_ASIDE:
        found = [("piece_complete", _("Say what is wrong with it"), "edit")]
    elif piece.kind == Kind.SHORT:
        found = [("piece_found", _("It was found"), "check"), ("piece_attribute", _("Attribute"), "truck")]
    else:
        found = [
            ("piece_attribute", _("Where found, whose doing"), "truck"),
            ("piece_dispose", _("What happens with it"), "pallet"),
            ("piece_finding", _("Opened, inspected, noted"), "search"),
            ("piece_store_report", _("What the store found"), "person"),
            ("piece_amend", _("Correct it"), "edit"),
        ]
    if piece.claimed_at:
        found = [entry for entry in found if entry[0] in ("piece_finding", "piece_store_report")]
    return [
        {"url": reverse(name, args=[piece.site.code, piece.number]), "words": words, "icon": icon}
        for name, words, icon in found
    ]


@require_safe
@at_site(rules.SEE, place="pieces")
def tag(request, number):
    """The label for the carton: its QR code opens the record."""
    piece = get_piece(request, number)
    address = request.build_absolute_uri(piece.get_absolute_url())
    codes = [f"{code['code']} {history.code_words(code)}" for code in piece.codes]
    context = {"piece": piece, "address": address, "qr": qr.svg(address), "codes": codes}
    return render(request, "receiving/tag.html", context)


# --- what is done with a piece ----------------------------------------------------------------------------------------


def act(request, piece, form, *, title, button, call, words, notes=(), danger=False, suggested=None):
    """GET shows the form; POST makes one domain call, and a refusal shows the form again with what was typed."""
    page = {
        "back": piece.get_absolute_url(),
        "piece": piece,
        "form": form,
        "title": title,
        "button": button,
        "notes": list(notes),
        "danger": danger,
        "suggested": suggested,
        "stores": Store.objects.filter(site=piece.site, active=True).order_by("number").values("number", "name"),
    }
    if request.method != "POST":
        return render(request, "receiving/piece_action.html", page)
    status = 422
    if form.is_valid():
        try:
            call(form)
            changed = get_piece(request, piece.number)
            if not wants_json(request):
                messages.success(request, words)
            return done(request, piece.get_absolute_url(), piece_data(request, changed))
        except Refused as why:
            status = refuse(form, why)
            if isinstance(why, ChangedMeanwhile) and "version" in form.fields:
                page["latest"] = seen_now(form, piece)
    return invalid(request, "receiving/piece_action.html", page, form, status=status)


def seen_now(form, piece):
    """What others changed since the form was shown; the form then answers to the piece as it is now."""
    seen = form.cleaned_data.get("version") or 0
    latest = [step for step in history.steps(piece) if step.version > seen]
    form.data = form.data.copy()
    form.data[form.add_prefix("version")] = latest[-1].version if latest else piece.version
    return latest


def hand_action(view):
    """For POST and GET on a piece by whoever may log on its trailer."""
    return require_http_methods(["GET", "HEAD", "POST"])(at_site((rules.WORK, rules.LATE), place="pieces")(once(view)))


def who(request):
    return {"actor": request.user, "at": timezone.now()}


def posted(request):
    return request.POST if request.method == "POST" else None


@hand_action
def piece_amend(request, number):
    piece = piece_for_hand(request, number)
    form = AmendForm(posted(request), piece=piece)

    def call(form):
        discrepancies.amend(
            piece,
            facts=form.facts(),
            codes=form.new_codes,
            version=form.cleaned_data["version"],
            reason=form.cleaned_data["reason"],
            **who(request),
        )

    return act(
        request,
        piece,
        form,
        title=_("Correct %(piece)s") % {"piece": piece},
        button=_("Save the correction"),
        words=_("%(piece)s is corrected. What it said before is in its history.") % {"piece": piece},
        call=call,
    )


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.DECIDE, place="pieces")
@once
def piece_void(request, number):
    piece = get_piece(request, number)
    return act(
        request,
        piece,
        VoidForm(posted(request)),
        title=_("Void %(piece)s") % {"piece": piece},
        button=_("Void %(piece)s") % {"piece": piece},
        words=_("%(piece)s is void and no longer counts. It stays readable.") % {"piece": piece},
        notes=void_notes(piece),
        danger=True,
        call=lambda form: discrepancies.void(piece, reason=form.cleaned_data["reason"], **who(request)),
    )


def void_notes(piece):
    if piece.kind == Kind.DAMAGED and piece.carton_id:
        yield _("The carton stays received, now in good order.")
    if piece.kind == Kind.REROUTED:
        yield _("The carton goes to store %(store)s again.") % {"store": piece.store or "-"}
    if piece.kind == Kind.SHORT:
        yield _("The carton is missing again and has to be found or declared.")


@hand_action
def piece_attribute(request, number):
    piece = piece_for_hand(request, number)
    suggested = dispositions.SUGGESTED.get(piece.where_found, "")
    initial = {
        "where_found": piece.where_found,
        "attribution": piece.attribution or suggested,
        "attribution_reason": piece.attribution_reason,
        "not_in_place_reason": piece.not_in_place_reason,
        "version": piece.version,
    }
    return act(
        request,
        piece,
        AttributeForm(posted(request), initial=initial),
        title=_("Where %(piece)s was found") % {"piece": piece},
        button=_("Save"),
        words=_("Where it was found and whose doing it was is written down."),
        notes=[
            _("What is found on our own pallets or in staging is not the carrier's by default."),
            _("Found in the trailer: one photo before moving it, or the reason why there is none."),
        ],
        suggested=json.dumps(dispositions.SUGGESTED),
        call=lambda form: discrepancies.attribute(piece, **form.told(), **who(request)),
    )


@hand_action
def piece_finding(request, number):
    piece = piece_for_hand(request, number)

    def call(form):
        discrepancies.add_finding(
            piece, uuid=request.uuid, kind=form.cleaned_data["kind"], facts=form.facts(), **who(request)
        )

    return act(
        request,
        piece,
        FindingForm(posted(request), initial={"by_name": str(request.user)}),
        title=_("Opened, inspected, noted: %(piece)s") % {"piece": piece},
        button=_("Save the finding"),
        words=_("The finding is on %(piece)s.") % {"piece": piece},
        notes=[_("Keep carton, packing and contents as found, as far as possible, until the carrier has inspected.")],
        call=call,
    )


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.LATE, place="pieces")
@once
def piece_store_report(request, number):
    piece = get_piece(request, number)
    return act(
        request,
        piece,
        StoreReportForm(posted(request)),
        title=_("What the store found in %(piece)s") % {"piece": piece},
        button=_("Save the store's report"),
        words=_("The store's report is on %(piece)s.") % {"piece": piece},
        call=lambda form: discrepancies.store_report(piece, uuid=request.uuid, facts=form.facts(), **who(request)),
    )


@hand_action
def piece_dispose(request, number):
    piece = piece_for_hand(request, number)

    def call(form):
        discrepancies.dispose(piece, uuid=request.uuid, **form.cleaned_data, **who(request))

    return act(
        request,
        piece,
        DisposeForm(posted(request), initial={"disposition": piece.disposition, "version": piece.version}),
        title=_("What happens with %(piece)s") % {"piece": piece},
        button=_("Decide"),
        words=_("It is decided what happens with %(piece)s.") % {"piece": piece},
        notes=dispose_notes(piece),
        call=call,
    )


def dispose_notes(piece):
    if dispositions.is_dangerous(piece):
        yield _("It leaks, smells or is unknown: leave it where it is and call the site's responsible person.")
    if piece.food_hold:
        yield _("This food is held. Only a person named as qualified may release or condemn it.")
    elif not dispositions.is_inspected(piece):
        yield _("Forwarding it before the carrier has inspected it or waived that gives the inspection away.")


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.RELEASE_FOOD, place="pieces")
@once
def piece_food(request, number):
    piece = get_piece(request, number)

    def call(form):
        discrepancies.release_food(piece, uuid=request.uuid, **form.cleaned_data, **who(request))

    return act(
        request,
        piece,
        FoodForm(posted(request), initial={"version": piece.version}),
        title=_("Release held food: %(piece)s") % {"piece": piece},
        button=_("Release it as %(person)s") % {"person": request.user},
        words=_("%(piece)s is no longer held. Decide what happens with it.") % {"piece": piece},
        notes=[_("Your name stands on this. Follow the site's food safety plan.")],
        call=call,
    )


@hand_action
def piece_found(request, number):
    piece = piece_for_hand(request, number)
    return act(
        request,
        piece,
        FoundForm(posted(request)),
        title=_("%(piece)s was found") % {"piece": piece},
        button=_("It was found"),
        words=_("%(piece)s is found and no longer short.") % {"piece": piece},
        notes=[_("It is counted with this. Do not scan or tally it again.")],
        call=lambda form: discrepancies.mark_found(piece, **form.cleaned_data, **who(request)),
    )


@hand_action
def piece_match(request, number):
    """An over and the short that it is: both are resolved."""
    piece = piece_for_hand(request, number)
    return act(
        request,
        piece,
        MatchForm(posted(request), over=piece),
        title=_("Match %(piece)s with a short") % {"piece": piece},
        button=_("It is the same carton"),
        words=_("Matched: neither over nor short any more. The carton counts on its own trailer."),
        call=lambda form: discrepancies.match_over_short(piece, form.cleaned_data["short"], **who(request)),
    )
