"""One piece: its page, its tag, and what is done with it, one address each."""

import json

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Prefetch
from django.http import Http404, JsonResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from receiving import discrepancies, dispositions, gaps, history, matching, notice, queries, rules
from receiving.documents import qr
from receiving.enums import ArrivalState, DiscrepancyState, FindingKind, Kind
from receiving.forms.log import (
    AmendForm,
    AttributeForm,
    DisposeForm,
    FindingForm,
    FoodForm,
    FoundForm,
    MatchForm,
    StoreReportForm,
    VoidForm,
)
from receiving.models import Discrepancy, Finding, Photo, Store
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.web import at_site, done, invalid, once, refuse, wants_json


def pieces():
    return Discrepancy.objects.select_related(
        "site",
        "arrival__site",
        "arrival__carrier",
        "carton__store",
        "shipment__account",
        "store",
        "new_store",
        "logged_by",
    ).prefetch_related(Prefetch("photos", Photo.objects.order_by("pk")))


def get_piece(request, number):
    return get_object_or_404(pieces(), site=request.site, number=number)


def piece_for_hand(request, number):
    piece = get_piece(request, number)
    require_hand(request, piece.arrival)
    return piece


def require_hand(request, arrival):
    need = rules.LATE if arrival.state == ArrivalState.RELEASED else rules.WORK
    if need not in request.may:
        raise PermissionDenied


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
        "hazmat": dispositions.is_hazmat(piece),
        "lacks_in_place": gaps.lacks_photo_in_place(piece),
        "live": live,
        "notice": concealed(piece),
    }
    return render(request, "receiving/piece.html", context)


def concealed(piece):
    """The notice's clock for damage that nobody saw while the trailer stood here."""
    if piece.after_release and piece.is_damaged and piece.state == DiscrepancyState.OPEN:
        return notice.notice_clock(piece.arrival, at=timezone.now())
    return None


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
        found = [entry for entry in found if entry[0] in ("piece_finding", "piece_store_report", "piece_found")]
    return [
        {"url": reverse(name, args=[piece.site.code, piece.number]), "words": words, "icon": icon}
        for name, words, icon in found
    ]


@require_safe
@at_site(rules.SEE, place="pieces")
def piece_notice(request, number):
    """The concealed damage notice with its request for inspection, to print or copy; 404 where nothing is damaged."""
    piece = get_piece(request, number)
    if not piece.is_damaged:
        raise Http404
    codes = [history.code_words(code) for code in piece.codes]
    context = {
        "piece": piece,
        "codes": codes,
        "clock": notice.notice_clock(piece.arrival, at=timezone.now()),
        "chain": queries.chain(piece.shipment) if piece.shipment else [],
        "asked": piece.findings.filter(kind=FindingKind.INSPECTION_ASKED)
        .select_related("actor")
        .order_by("at")
        .first(),
    }
    return render(request, "receiving/piece_notice.html", context)


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
                messages.success(request, words(form) if callable(words) else words)
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
        words=attributed,
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


def attributed(form):
    """What was written down, and no more than that."""
    place, doing = form.cleaned_data["where_found"], form.cleaned_data["attribution"]
    if place and doing:
        return _("Where it was found and whose doing it was is written down.")
    if place:
        return _("Where it was found is written down; whose doing it was is not said yet.")
    if doing:
        return _("Whose doing it was is written down; where it was found is not said yet.")
    return _("Nothing is said yet: neither where it was found nor whose doing it was.")


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
