"""To claim: what was lost and nobody has claimed yet, by bill, and the ways out of that list."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods, require_safe

from claims import dates, drafting, losses, queries
from claims.enums import Purpose
from claims.filters import LossFilter
from claims.forms.drafting import AfterAllForm, NotClaimedForm, PickForm
from claims.views.shared import exports, here, pages, tabs
from receiving import clock, rules
from receiving.models import Shipment
from receiving.refusals import Refused
from receiving.web import at_site, done, invalid, once, refuse, wants_json

GROUPS = 12
KEPT_OUT = 50


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def to_claim(request):
    """Unclaimed losses by bill, the most urgent first, twelve bills a page."""
    chosen = LossFilter(request.GET, rows=queries.claimable(request.site))
    context = {"form": chosen.form, "picked": chosen.used, "tabs": tabs(request, "to_claim")}
    if not chosen.form.is_valid():
        return invalid(request, "claims/to_claim.html", context, chosen.form)
    groups = urgent(request.site, queries.groups(chosen.rows), timezone.now())
    only = request.GET.get("only", "")
    kept = narrowed(groups, only)
    listing = Paginator(kept, GROUPS).get_page(request.GET.get("page"))
    queries.with_evidence(listing.object_list)
    kept_out = (
        queries.kept_out(request.site)
        .select_related("site", "arrival__carrier", "shipment")
        .order_by("-found_at", "-pk")
    )
    query = chosen.used | ({"only": only} if only else {})
    context |= pages(request, listing, query) | {
        "listing": listing,
        "picked": query,
        "bills": len(kept),
        "pieces": sum(group.quantity for group in kept),
        "marks": list(marked(request, groups, chosen.used, only)),
        "kept_out": kept_out[:KEPT_OUT],
        "kept_out_count": kept_out.count(),
        "not_claimed_count": queries.decided(request.site).count(),
        "may_claim": rules.CLAIM in request.may,
        "exports": list(exports(request, "to-claim", query)),
    }
    return render(request, "claims/to_claim.html", context)


def urgent(site, groups, at):
    """The groups with their dates, unknown ones on top, then the nearest."""
    examples = [piece for group in groups for piece in group.examples]
    found = dates.of_pieces(site, examples, at)
    return queries.by_urgency(groups, found, clock.site_day(at, site.time_zone))


MARKS = {
    "undated": (gettext_lazy("date unknown"), lambda group: group.is_undated),
    "late": (gettext_lazy("late"), lambda group: group.is_late),
    "small": (gettext_lazy("below the smallest claim"), lambda group: group.is_small),
    "unvalued": (gettext_lazy("value unknown"), lambda group: bool(group.unvalued)),
}


def narrowed(groups, only):
    """The groups that bear a mark; all of them where no mark is asked for."""
    return [group for group in groups if MARKS[only][1](group)] if only in MARKS else groups


def marked(request, groups, query, only):
    """Each mark with how many bills bear it, beside whatever else is chosen."""
    yield {"words": _("all"), "number": len(groups), "url": here(request, query), "current": only not in MARKS}
    for name, (words, bears) in MARKS.items():
        number = sum(map(bears, groups))
        if number or name == only:
            yield {
                "words": words,
                "number": number,
                "url": here(request, query | {"only": name}),
                "current": name == only,
            }


# --- the ways out -----------------------------------------------------------------------------------------------------


def way_out(view):
    """For GET and POST on the unclaimed losses of one bill, by whoever may claim."""
    return require_http_methods(["GET", "HEAD", "POST"])(at_site(rules.CLAIM, place="claims")(once(view)))


def get_bill(request, bill):
    rows = Shipment.objects.select_related("arrival__site", "arrival__carrier", "account", "carrier_on_bill").filter(
        arrival__site=request.site
    )
    return get_object_or_404(rows, pk=bill)


def pick(request, bill, form_class, *, call, **words):
    """GET shows the pieces of the bill to be ticked; POST makes one domain call with those that are.

    call(form) gives (address to go to, sentence on what is now true, data for a script)
    """
    open_pieces = list(
        queries.claimable(request.site)
        .filter(shipment=bill)
        .select_related("carton", "site", "shipment")
        .order_by("number")
    )
    form = form_class(request.POST if request.method == "POST" else None, bill=bill)
    ticked = form["pieces"].value() if form.is_bound else [piece.pk for piece in open_pieces]
    page = words | {
        "bill": bill,
        "group": queries.Group(bill, open_pieces),
        "form": form,
        "ticked": [str(piece) for piece in ticked or []],
    }
    if request.method != "POST":
        return render(request, "claims/pick.html", page)
    status = 422
    if form.is_valid():
        try:
            to, sentence, data = call(form)
            if not wants_json(request):
                messages.success(request, sentence)
            return done(request, to, data)
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "claims/pick.html", page, form, status=status)


def open_with(request, bill, purpose, sentence):
    def call(form):
        pieces = list(form.cleaned_data["pieces"])
        claim = drafting.open_claim(
            bill, pieces, purpose=purpose, uuid=request.uuid, actor=request.user, at=timezone.now()
        )
        return claim.get_absolute_url(), sentence % {"claim": claim}, {"claim": str(claim)}

    return call


@way_out
def draft_claim(request, bill):
    bill = get_bill(request, bill)
    return pick(
        request,
        bill,
        PickForm,
        title=_("Draft a claim"),
        button=_("Draft the claim"),
        call=open_with(
            request,
            bill,
            Purpose.CLAIM,
            _("%(claim)s is drafted and its pieces are shut. Check the prices, then look at what it lacks."),
        ),
    )


@way_out
def hand_over(request, bill):
    bill = get_bill(request, bill)
    return pick(
        request,
        bill,
        PickForm,
        title=_("Hand over"),
        button=_("Hand over to whoever claims"),
        note=_("The supplier or the account claims for itself. It gets the same evidence; no money is demanded by us."),
        call=open_with(
            request,
            bill,
            Purpose.HANDOVER,
            _("%(claim)s is drafted as a hand-over and its pieces are shut. Make its packet and hand it over."),
        ),
    )


@way_out
def decide_not(request, bill):
    bill = get_bill(request, bill)

    def call(form):
        rows = drafting.decide_not(
            list(form.cleaned_data["pieces"]),
            reason=form.cleaned_data["reason"],
            uuid=request.uuid,
            actor=request.user,
            at=timezone.now(),
        )
        sentence = ngettext(
            "%(count)s piece is not claimed. It stands under Not claimed and can be taken back there.",
            "%(count)s pieces are not claimed. They stand under Not claimed and can be taken back there.",
            len(rows),
        )
        return reverse("to_claim", args=[request.site.code]), sentence % {"count": len(rows)}, {"pieces": len(rows)}

    return pick(
        request,
        bill,
        NotClaimedForm,
        title=_("Decide not to claim"),
        button=_("Do not claim these pieces"),
        note=_("The pieces leave the list with your reason. The decision can be taken back."),
        call=call,
    )


# --- decided not to ---------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def not_claimed(request):
    """Standing decisions not to claim, newest first."""
    listing = Paginator(queries.decided(request.site), 50).get_page(request.GET.get("page"))
    context = pages(request, listing, {}) | {"listing": listing, "may_claim": rules.CLAIM in request.may}
    return render(request, "claims/not_claimed.html", context)


@way_out
def claim_after_all(request, number):
    """Take back the decision not to claim piece P-`number`."""
    decision = get_object_or_404(queries.decided(request.site), discrepancy__number=number)
    form = AfterAllForm(request.POST if request.method == "POST" else None)
    page = {"decision": decision, "form": form, "loss": losses.of_piece(decision.discrepancy)}
    if request.method != "POST":
        return render(request, "claims/claim_after_all.html", page)
    status = 422
    if form.is_valid():
        try:
            drafting.claim_after_all(
                decision,
                reason=form.cleaned_data["reason"],
                uuid=request.uuid,
                actor=request.user,
                at=timezone.now(),
            )
            messages.success(request, _("%(piece)s stands under To claim again.") % {"piece": decision.discrepancy})
            return done(request, reverse("to_claim", args=[request.site.code]))
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "claims/claim_after_all.html", page, form, status=status)
