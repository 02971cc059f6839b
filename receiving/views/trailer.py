"""One trailer from the gate to the end of its count: its page, and one address for each thing done to it."""

from functools import partial

from django.contrib import messages
from django.db.models import Count
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_safe

from receiving import dock, handing, late, queries, rules
from receiving.enums import (
    ARRIVAL_MOVES,
    ArrivalState,
    DiscrepancyState,
    IncidentKind,
    MomentKind,
    PhotoPurpose,
    SealAction,
    SealCondition,
)
from receiving.forms.dock import (
    CHECKS,
    ArriveForm,
    EditTrailerForm,
    IncidentForm,
    NoteForm,
    NoteWhenForm,
    PauseForm,
    PiecesForm,
    SafetyForm,
    SealForm,
    ShipmentForm,
    UnsealedForm,
    WhenForm,
    WhyForm,
)
from receiving.identifiers import seals_differ_by_zeros, trailer_warnings
from receiving.models import Arrival, IncidentNote, SealRecord, Shipment
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.templatetags.dock import moment, short
from receiving.views.steps import VARIANTS, next_step, to
from receiving.web import at_site, done, invalid, once, refuse

CLOSED = (ArrivalState.RELEASED, ArrivalState.REFUSED, ArrivalState.CANCELLED)
STRIP = 8
# Which stop card belongs to which incident; the seal's says what tampering asks for.
CARDS = {
    IncidentKind.SEAL: "theft",
    IncidentKind.THEFT: "theft",
    IncidentKind.LEANING: "leaning",
    IncidentKind.FOOD: "food",
    IncidentKind.TEMPERATURE: "food",
    IncidentKind.INJURY: "injury",
    IncidentKind.LEAKING: "hazard",
    IncidentKind.SMELL: "hazard",
    IncidentKind.UNKNOWN_GOODS: "hazard",
}
ICONS = {
    IncidentKind.SEAL: "seal",
    IncidentKind.LEANING: "warn",
    IncidentKind.THEFT: "lock",
    IncidentKind.FOOD: "food",
    IncidentKind.TEMPERATURE: "food",
    IncidentKind.INJURY: "person",
    IncidentKind.OTHER: "info",
}
form_page = require_http_methods(["GET", "HEAD", "POST"])


# --- what the pages share ---------------------------------------------------------------------------------------------


def arrival_or_404(request, number):
    found = Arrival.objects.select_related("site", "door", "carrier")
    return get_object_or_404(found, site=request.site, number=number)


def told(arrival):
    """A trailer as JSON."""
    return {"trailer": {"number": arrival.number, "name": str(arrival), "state": arrival.state}}


def told_of(request, arrival, record):
    """A new record of a trailer as JSON: what its author's phone needs to know it by."""
    if isinstance(record, SealRecord):
        url = request.build_absolute_uri(to(arrival, "seal", record.pk))
        return {"seal": {"uuid": str(record.uuid), "number": record.number_on_seal, "url": url}}
    return {"incident": {"uuid": str(record.uuid)}} if isinstance(record, IncidentNote) else {}


def settle(request, arrival, form, act, *, template, context, words="", to=None, conflict=None):
    """One posted form, one domain call: then the way on, or the form again with the sentence.

    act -- takes the cleaned data and gives the record; to -- an address, or a function of that record
    conflict -- called when somebody else was first, with the form and the page's context
    """
    status = 422
    if form.is_valid():
        try:
            record = act(form.cleaned_data)
        except Refused as why:
            status = refuse(form, why)
            if conflict and isinstance(why, ChangedMeanwhile):
                conflict(form, context)
        else:
            if words:
                messages.success(request, words)
            fresh = Arrival.objects.get(pk=arrival.pk)
            way_on = (to(record) if callable(to) else to) or arrival.get_absolute_url()
            return done(request, way_on, told(fresh) | told_of(request, arrival, record))
    return invalid(request, template, context, form, status=status)


def wrong_state(request, arrival, *states):
    """For GET: where the step is not open any more, back to the trailer with the sentence that says so."""
    if any(state in ARRIVAL_MOVES[arrival.state] for state in states):
        return None
    messages.warning(request, dock.IllegalStep(arrival, states[0]).message)
    return redirect(arrival)


def closed(request, arrival):
    if arrival.state not in CLOSED:
        return None
    try:
        dock.refuse_when_closed(arrival)
    except Refused as why:
        messages.warning(request, why.message)
    return redirect(arrival)


def page_of(arrival, form, **more):
    return {"arrival": arrival, "back": arrival.get_absolute_url(), "form": form} | more


def step(request, arrival, form, act, *, state, words, **page):
    """A step that is one button, with a page of its own for those who want to say more."""
    context = page_of(arrival, form, **page)
    template = "receiving/trailer_step.html"
    if request.method != "POST":
        return wrong_state(request, arrival, state) or render(request, template, context)
    return settle(request, arrival, form, act, template=template, context=context, words=words)


def who(request):
    return {"actor": request.user, "at": timezone.now()}


def when(request, arrival, given):
    """What was typed, with the moment at which a step was made that waited on a phone, if none was typed."""
    made_at = dock.made_on_phone(arrival, request.device.made_at)
    return given | {"happened_at": given.get("happened_at") or made_at}


def retyped(fresh, typed, form, context):
    """Somebody else was first: show what is true now beside what was typed, and let it be saved over that."""
    form.data = form.data.copy()
    form.data["version"] = fresh.version
    context["now"] = [
        (form.fields[name].label, words_of(fresh, name))
        for name, value in typed.items()
        if name in form.fields and getattr(fresh, name) != value
    ]


def words_of(record, name):
    value = getattr(record, name)
    if name == "dropped":
        return _("dropped") if value else _("live")
    if value is None or value == "":
        return "–"
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if hasattr(value, "tzinfo"):
        return moment(value)
    if record._meta.get_field(name).choices:
        return getattr(record, f"get_{name}_display")()
    return short(value) if hasattr(value, "normalize") else str(value)


# --- the page ---------------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.SEE)
def trailer(request, number):
    rows = queries.with_work(Arrival.objects.filter(site=request.site, number=number))
    arrival = rows[0] if rows else arrival_or_404(request, number)
    needs = [sentence for _code, sentence in dock.unloading_needs(arrival)] if arrival.state in BEFORE else []
    photos = arrival.photos.filter(discrepancy=None).order_by("-pk")
    kinds = arrival.discrepancies.filter(state=DiscrepancyState.OPEN).values_list("kind").annotate(n=Count("pk"))
    sheets = list(arrival.sheets.all())
    context = {
        "arrival": arrival,
        "back": reverse("doors", args=[request.site.code]),
        "undone": late.why_not_standing(sheets[-1]) if sheets and arrival.state == ArrivalState.RELEASED else "",
        "handed_in": handing.waiting_by_author(arrival=arrival) if rules.DECIDE in request.may else [],
        "variant": VARIANTS[arrival.state],
        "step": next_step(arrival),
        "stops": stops(arrival),
        "needs": needs,
        "seals": [with_checks(seal, request.site) for seal in queries.unreplaced(arrival.seals.all())],
        "cautions": cautions(arrival),
        "verdict": verdict(arrival),
        "pieces": sum(n for _kind, n in kinds),
        "photos": list(photos[:STRIP]),
        "held": arrival.moments.filter(kind=MomentKind.PAUSED).order_by("at", "pk").last()
        if arrival.state == ArrivalState.PAUSED
        else None,
        "photo_count": photos.count(),
        "timeline": queries.timeline(arrival),
        "closed": arrival.state in CLOSED,
        "counting": arrival.state in (ArrivalState.UNLOADING, ArrivalState.PAUSED, ArrivalState.COUNTED),
        "countable": ArrivalState.COUNTED in ARRIVAL_MOVES[arrival.state],
        "refusable": ArrivalState.REFUSED in ARRIVAL_MOVES[arrival.state],
        "cancellable": ArrivalState.CANCELLED in ARRIVAL_MOVES[arrival.state],
    }
    return render(request, "receiving/trailer.html", context)


BEFORE = (ArrivalState.EXPECTED, ArrivalState.AT_DOOR)


def stops(arrival):
    """The five stops of the rail: done, now or later, by name."""
    state = arrival.state
    needs = {code for code, _sentence in dock.unloading_needs(arrival)} if state in BEFORE else set()
    came = arrival.gate_at is not None and state != ArrivalState.EXPECTED
    counted = state in (ArrivalState.COUNTED, ArrivalState.RELEASED)
    square = arrival.squaring
    done = {
        "arrive": came and "bill" not in needs,
        "seal": came and not needs,
        "count": counted,
        "square": counted and not square.missing and not square.contradiction,
        "release": state == ArrivalState.RELEASED,
    }
    current = None if state in CLOSED else next((name for name, is_done in done.items() if not is_done), None)
    return {name: "done" if is_done else "now" if name == current else "later" for name, is_done in done.items()}


def verdict(arrival):
    """The squaring in one line."""
    square = arrival.squaring
    words = [_("received %(received)s of %(billed)s") % {"received": square.received, "billed": square.billed}]
    if square.missing:
        words.append(ngettext("%(n)s missing so far", "%(n)s missing so far", square.missing) % {"n": square.missing})
    for name, text in (("short", _("short")), ("over", _("over")), ("refused", _("refused")), ("hurt", _("not good"))):
        if count := getattr(square, name):
            words.append(f"{count} {text}")
    return ", ".join(words)


def cautions(arrival):
    """Sentences worth a second look before the trailer is unloaded; none of them stops anybody."""
    if arrival.state in CLOSED:
        return []
    found = [_(caution.sentence).format(**caution.params) for caution in trailer_warnings(arrival.trailer_number)]
    same = Arrival.objects.filter(site=arrival.site).of_trailer(arrival.trailer_number).exclude(pk=arrival.pk)
    if twin := same.exclude(state__in=CLOSED).first():
        words = _("Trailer %(trailer)s is on the doors twice: %(one)s and %(other)s. Cancel the one that is wrong.")
        found.append(words % {"trailer": arrival.trailer_number, "one": arrival, "other": twin})
    return found


def with_checks(seal, site):
    """A seal with `unchecked`, the checks its site asks for that were not done."""
    named = [(name, capfirst(SealRecord._meta.get_field(name).verbose_name)) for name in CHECKS]
    asked = site.asks_four_checks and seal.action != SealAction.APPLIED and seal.condition != SealCondition.MISSING
    seal.unchecked = [label for name, label in named if asked and not getattr(seal, name)]
    seal.only_zeros = seals_differ_by_zeros(seal.number_on_paper, seal.number_on_seal)
    return seal


@require_safe
@at_site(rules.SEE)
def pictures(request, number):
    """The pictures of the trailer and its seals, and the way to add one. Pieces keep theirs on their own pages."""
    arrival = arrival_or_404(request, number)
    photos = arrival.photos.filter(discrepancy=None).select_related("seal").order_by("pk")
    may_add = rules.WORK in request.may or (rules.LATE in request.may and arrival.released_at)
    context = {"arrival": arrival, "back": arrival.get_absolute_url(), "photos": photos, "may_add": may_add}
    context["of_sheet"] = request.GET.get("shows") == PhotoPurpose.SIGNED_SHEET
    return render(request, "receiving/trailer_photos.html", context | photo_input(arrival))


def photo_input(arrival):
    return {"photo_url": to(arrival, "photo_upload")}


# --- arriving ---------------------------------------------------------------------------------------------------------


def how(arrival):
    return "dropped" if arrival.dropped else "live"


@form_page
@at_site(rules.WORK)
@once
def arrive(request, number):
    arrival = arrival_or_404(request, number)
    initial = {"dropped": how(arrival), "driver": arrival.driver, "gate_at": arrival.gate_at}
    form = ArriveForm(request.POST or None, arrival=arrival, initial=initial)
    doors = queries.doors(request.site)
    late = arrival.appointment_at and (arrival.gate_at or timezone.now()) > arrival.appointment_at
    context = page_of(arrival, form, doors=doors, taken=[door for door in doors if door.taken], late=late)
    if request.method != "POST":
        return wrong_state(request, arrival, ArrivalState.AT_DOOR) or render(request, "receiving/arrive.html", context)
    return settle(
        request,
        arrival,
        form,
        lambda given: dock.bring_to_door(arrival, **when(request, arrival, given), **who(request)),
        template="receiving/arrive.html",
        context=context,
        words=_("Trailer %(trailer)s is at its door.") % {"trailer": arrival.trailer_number},
    )


@form_page
@at_site(rules.WORK)
@once
def edit(request, number):
    """Correct what is said of the trailer, its temperatures included."""
    arrival = arrival_or_404(request, number)
    names = [name for name in EditTrailerForm.base_fields if name != "version"]
    initial = {name: getattr(arrival, name) for name in names}
    initial |= {"dropped": how(arrival), "version": arrival.version}
    form = EditTrailerForm(request.POST or None, arrival=arrival, initial=initial)
    context = page_of(arrival, form)
    if request.method != "POST":
        return closed(request, arrival) or render(request, "receiving/trailer_edit.html", context)
    return settle(
        request,
        arrival,
        form,
        partial(change_trailer, request, arrival, form),
        template="receiving/trailer_edit.html",
        context=context,
        words=_("Saved."),
        conflict=lambda form, context: retyped(arrival_or_404(request, number), form.typed, form, context),
    )


def change_trailer(request, arrival, form, given):
    form.typed = form.facts()
    return dock.edit_arrival(arrival, facts=form.typed, version=given["version"], **who(request))


# --- bills ------------------------------------------------------------------------------------------------------------


def bill_or_404(arrival, pk):
    return get_object_or_404(Shipment.objects.select_related("arrival__site"), arrival=arrival, pk=pk)


@form_page
@at_site(rules.WORK)
@once
def shipment_new(request, number):
    arrival = arrival_or_404(request, number)
    form = ShipmentForm(request.POST or None, site=request.site, initial={"carrier_on_bill": arrival.carrier_id})
    context = page_of(arrival, form)
    if request.method != "POST":
        return closed(request, arrival) or render(request, "receiving/shipment.html", context)
    return settle(
        request,
        arrival,
        form,
        lambda given: dock.add_shipment(
            arrival, uuid=request.uuid, facts=form.facts(), chain=form.chain(), **who(request)
        ),
        template="receiving/shipment.html",
        context=context,
        words=_("The bill is on the trailer."),
    )


@form_page
@at_site(rules.WORK)
@once
def shipment_edit(request, number, pk):
    arrival = arrival_or_404(request, number)
    shipment = bill_or_404(arrival, pk)
    form = ShipmentForm(request.POST or None, site=request.site, shipment=shipment)
    context = page_of(arrival, form, shipment=shipment)
    if request.method != "POST":
        return closed(request, arrival) or render(request, "receiving/shipment.html", context)
    return settle(
        request,
        arrival,
        form,
        partial(change_bill, request, shipment, form),
        template="receiving/shipment.html",
        context=context,
        words=_("Saved."),
        conflict=lambda form, context: retyped(bill_or_404(arrival, pk), form.typed, form, context),
    )


def change_bill(request, shipment, form, given):
    form.typed = form.facts()
    version = given["version"] or 0
    return dock.edit_shipment(shipment, facts=form.typed, chain=form.chain(), version=version, **who(request))


# --- seals ------------------------------------------------------------------------------------------------------------


def seal_or_404(arrival, pk):
    found = SealRecord.objects.select_related("actor", "replaces")
    return get_object_or_404(found, arrival=arrival, pk=pk)


@form_page
@at_site(rules.WORK)
@once
def seal_new(request, number):
    arrival = arrival_or_404(request, number)
    form = SealForm(request.POST or None, site=request.site, initial=usual_seal(request, arrival))
    context = page_of(arrival, form, first=not arrival.seals.exists())
    if request.method != "POST":
        return closed(request, arrival) or render(request, "receiving/seal_new.html", context)
    return settle(
        request,
        arrival,
        form,
        lambda given: dock.record_seal(
            arrival,
            uuid=request.uuid,
            facts=form.facts(),
            happened_at=given.get("happened_at"),
            made_at=request.device.made_at,
            **who(request),
        ),
        template="receiving/seal_new.html",
        context=context,
        words=_("The seal is written down."),
        to=partial(after_seal, arrival),
    )


def usual_seal(request, arrival):
    """What is most likely meant: found at the start, put on for a pause, and then taken off again."""
    on = dock.seals_on(queries.current_seals(arrival))
    usual = SealAction.FOUND if arrival.state in BEFORE else SealAction.REMOVED if on else SealAction.APPLIED
    action = request.GET.get("action") if request.GET.get("action") in SealAction.values else usual
    initial = {"action": action, "trailer_door": "rear"}
    if action == SealAction.REMOVED and on:
        initial |= {"number_on_paper": on[-1].number_on_seal, "trailer_door": on[-1].trailer_door}
    if action == SealAction.APPLIED:
        initial["condition"] = SealCondition.INTACT
    return initial


def after_seal(arrival, seal):
    """To its photos; a seal that is not right first to the incident note, which says what to do."""
    if seal.needs_incident:
        return to(arrival, "incident", kind="seal")
    return to(arrival, "seal", seal.pk)


@require_safe
@at_site(rules.SEE)
def seal(request, number, pk):
    """One seal record: its facts, its photos before and after, and the records it replaces or that replaced it."""
    arrival = arrival_or_404(request, number)
    row = with_checks(seal_or_404(arrival, pk), request.site)
    rows = queries.with_work(Arrival.objects.filter(pk=arrival.pk))
    context = {
        "arrival": arrival,
        "back": arrival.get_absolute_url(),
        "seal": row,
        "checks": [(SealRecord._meta.get_field(name).verbose_name, getattr(row, name)) for name in CHECKS],
        "replaced_by": SealRecord.objects.filter(replaces=row).select_related("actor").first(),
        "photos": row.photos.order_by("pk"),
        "before": PhotoPurpose.SEAL_BEFORE.value,
        "after": PhotoPurpose.SEAL_AFTER.value,
        "step": next_step(rows[0]),
    }
    return render(request, "receiving/seal.html", context | photo_input(arrival))


@form_page
@at_site(rules.WORK)
@once
def seal_correct(request, number, pk):
    """Write the record anew, with a reason; the old one stays and can be read."""
    arrival = arrival_or_404(request, number)
    old = seal_or_404(arrival, pk)
    initial = {name: getattr(old, name) for name in dock.SEAL_FACTS}
    form = SealForm(request.POST or None, site=request.site, replaces=old, initial=initial)
    context = page_of(arrival, form, replaces=old) | {"back": to(arrival, "seal", old.pk)}
    if request.method != "POST":
        return closed(request, arrival) or render(request, "receiving/seal_new.html", context)
    return settle(
        request,
        arrival,
        form,
        lambda given: dock.record_seal(
            arrival,
            uuid=request.uuid,
            facts=form.facts(),
            replaces=old,
            reason=given["reason"],
            made_at=request.device.made_at,
            **who(request),
        ),
        template="receiving/seal_new.html",
        context=context,
        words=_("The seal record is corrected. The old one stays and can be read."),
        to=partial(after_seal, arrival),
    )


@form_page
@at_site(rules.WORK)
@once
def unsealed(request, number):
    arrival = arrival_or_404(request, number)
    form = UnsealedForm(request.POST or None, initial={"reason": arrival.unsealed_reason})
    context = page_of(arrival, form, title=_("No seal on the trailer"), button=_("It came unsealed"))
    context["text"] = _("A seal that the papers name and that is gone is a missing seal, not an unsealed trailer.")
    if request.method != "POST":
        return closed(request, arrival) or render(request, "receiving/trailer_step.html", context)
    return settle(
        request,
        arrival,
        form,
        lambda given: dock.state_unsealed(arrival, reason=given["reason"], **who(request)),
        template="receiving/trailer_step.html",
        context=context,
        words=_("Written down: the trailer came unsealed."),
    )


# --- safety -----------------------------------------------------------------------------------------------------------


@form_page
@at_site(rules.WORK)
@once
def safety(request, number):
    arrival = arrival_or_404(request, number)
    form = SafetyForm(request.POST or None, initial={name: getattr(arrival, name) for name in dock.TICKS})
    context = page_of(arrival, form)
    if request.method != "POST":
        return closed(request, arrival) or render(request, "receiving/safety.html", context)
    return settle(
        request,
        arrival,
        form,
        partial(tick, request, arrival),
        template="receiving/safety.html",
        context=context,
    )


def tick(request, arrival, given):
    record = dock.tick(arrival, ticks=given, **who(request))
    looks = {
        "wheels_held": _("Wheels chocked or trailer restrained"),
        "floor_looked_at": _("Floor looked at: no holes, wet spots or weak boards"),
        "load_safe": _("Load stands safely: nothing leans, nothing hangs"),
    }
    if missing := [words for name, words in looks.items() if not given[name]]:
        messages.warning(request, _("Still to look at: %(what)s.") % {"what": "; ".join(missing)})
    else:
        messages.success(request, _("The safety looks are written down."))
    return record


@form_page
@at_site(rules.WORK)
@once
def incident(request, number):
    """First what it is, then the stop card with what was seen. A trailer that has left can still have one."""
    arrival = arrival_or_404(request, number)
    if request.method != "POST" and request.GET.get("kind") not in IncidentKind.values:
        kinds = [(kind.value, kind.label, ICONS.get(kind, "hazard")) for kind in IncidentKind]
        return render(request, "receiving/incident_choose.html", page_of(arrival, None, kinds=kinds))
    form = IncidentForm(request.POST or None, initial={"kind": request.GET.get("kind", "")})
    context = page_of(arrival, form) | about_incident(arrival, form)
    if request.method != "POST":
        return render(request, "receiving/incident.html", context)
    return settle(
        request,
        arrival,
        form,
        lambda given: dock.note_incident(
            arrival, uuid=request.uuid, made_at=request.device.made_at, **given, **who(request)
        ),
        template="receiving/incident.html",
        context=context,
        words=_("The incident note is written."),
    )


def about_incident(arrival, form):
    kind = form["kind"].value() if form["kind"].value() in IncidentKind.values else IncidentKind.OTHER
    kind = IncidentKind(kind)
    seals = [seal for seal in queries.current_seals(arrival) if seal.needs_incident]
    return {
        "kind": kind,
        "card": CARDS.get(kind, ""),
        "seals": [with_checks(seal, arrival.site) for seal in seals] if kind == IncidentKind.SEAL else [],
        "refusable": ArrivalState.REFUSED in ARRIVAL_MOVES[arrival.state],
    }


# --- the steps --------------------------------------------------------------------------------------------------------


@form_page
@at_site(rules.WORK)
@once
def unload(request, number):
    arrival = arrival_or_404(request, number)
    return step(
        request,
        arrival,
        WhenForm(request.POST or None),
        lambda given: dock.start_unloading(arrival, **when(request, arrival, given), **who(request)),
        state=ArrivalState.UNLOADING,
        words=_("Unloading has started."),
        title=_("Start unloading trailer %(trailer)s") % {"trailer": arrival.trailer_number},
        button=_("Start unloading"),
        needs=dock.what_unloading_needs(arrival) if arrival.state in BEFORE else [],
    )


@form_page
@at_site(rules.WORK)
@once
def pause(request, number):
    arrival = arrival_or_404(request, number)
    return step(
        request,
        arrival,
        PauseForm(request.POST or None),
        lambda given: dock.pause(arrival, **when(request, arrival, given), **who(request)),
        state=ArrivalState.PAUSED,
        words=_("The unloading is paused. If a seal is put on, write it down."),
        title=_("Pause trailer %(trailer)s") % {"trailer": arrival.trailer_number},
        text=_("The count so far stays. Somebody holds the trailer until work goes on."),
        button=_("Pause the unloading"),
    )


@form_page
@at_site(rules.WORK)
@once
def resume(request, number):
    arrival = arrival_or_404(request, number)
    needs = [sentence for _code, sentence in dock.resuming_needs(arrival)]
    return step(
        request,
        arrival,
        NoteWhenForm(request.POST or None),
        lambda given: dock.resume(arrival, **when(request, arrival, given), **who(request)),
        state=ArrivalState.UNLOADING,
        words=_("Unloading goes on."),
        title=_("Unload trailer %(trailer)s again") % {"trailer": arrival.trailer_number},
        button=_("Unload again"),
        needs=needs if arrival.state == ArrivalState.PAUSED else [],
    )


@form_page
@at_site(rules.WORK)
@once
def count_end(request, number):
    arrival = arrival_or_404(request, number)
    return step(
        request,
        arrival,
        WhenForm(request.POST or None),
        lambda given: dock.end_count(arrival, **when(request, arrival, given), **who(request)),
        state=ArrivalState.COUNTED,
        words=_("The count is ended. Now square the trailer."),
        title=_("End the count of trailer %(trailer)s") % {"trailer": arrival.trailer_number},
        text=verdict_of(arrival),
        button=_("End the count"),
    )


def verdict_of(arrival):
    arrival.squaring = queries.trailer_squaring(arrival)
    return capfirst(verdict(arrival)) + "."


@form_page
@at_site(rules.WORK)
@once
def count_again(request, number):
    arrival = arrival_or_404(request, number)
    return step(
        request,
        arrival,
        NoteForm(request.POST or None),
        lambda given: dock.back_to_unloading(arrival, **given, **who(request)),
        state=ArrivalState.UNLOADING,
        words=_("Back to unloading: the count is open again."),
        title=_("Back to unloading trailer %(trailer)s") % {"trailer": arrival.trailer_number},
        button=_("Back to unloading"),
    )


# --- refusing ---------------------------------------------------------------------------------------------------------


@form_page
@at_site(rules.WORK)
@once
def refuse_whole(request, number):
    arrival = arrival_or_404(request, number)
    form = WhyForm(request.POST or None, asked=_("Why is it refused?"), sentence=_("Say why the trailer is refused."))
    return step(
        request,
        arrival,
        form,
        lambda given: dock.refuse_whole(arrival, **given, **who(request)),
        state=ArrivalState.REFUSED,
        words=_("Trailer %(trailer)s is refused, with every piece on it.") % {"trailer": arrival.trailer_number},
        title=_("Refuse trailer %(trailer)s") % {"trailer": arrival.trailer_number},
        text=_("Nothing is taken off; every piece on its bills counts as refused. This cannot be undone."),
        button=_("Refuse the whole trailer"),
        danger=True,
    )


@form_page
@at_site(rules.WORK)
@once
def refuse_rest(request, number, pk):
    """Leave so many pieces of a bill aboard."""
    arrival = arrival_or_404(request, number)
    bill = bill_or_404(arrival, pk)
    missing = queries.shipment_squaring(bill).missing
    return refusal(
        request,
        arrival,
        bill,
        sign=1,
        initial={"pieces": missing or None},
        words=_("The refusal is written down."),
        title=_("Refuse pieces of bill %(bill)s") % {"bill": bill.bill_number},
        text=_("They stay on the trailer. %(missing)s are not counted yet.") % {"missing": missing},
        button=_("Refuse these pieces"),
        danger=True,
    )


@form_page
@at_site(rules.WORK)
@once
def take_back(request, number, pk):
    """Pieces that were refused are taken off after all."""
    arrival = arrival_or_404(request, number)
    bill = bill_or_404(arrival, pk)
    refused = queries.shipment_squaring(bill).refused
    return refusal(
        request,
        arrival,
        bill,
        sign=-1,
        initial={"pieces": refused or None},
        words=_("Taken back: those pieces are expected again."),
        title=_("Take pieces of bill %(bill)s after all") % {"bill": bill.bill_number},
        text=_("%(refused)s are refused.") % {"refused": refused},
        button=_("Take them after all"),
    )


def refusal(request, arrival, bill, *, sign, initial, words, **page):
    form = PiecesForm(request.POST or None, initial=initial)
    context = page_of(arrival, form, **page)
    template = "receiving/trailer_step.html"
    if request.method != "POST":
        return closed(request, arrival) or render(request, template, context)

    def act(given):
        return dock.refuse_rest(
            bill, uuid=request.uuid, pieces=sign * given["pieces"], reason=given["reason"], **who(request)
        )

    return settle(request, arrival, form, act, template=template, context=context, words=words)
