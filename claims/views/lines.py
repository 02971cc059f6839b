"""The lines of a claim, what they are worth, and the facts that they are priced by."""

from django.http import Http404
from django.utils import timezone
from django.utils.translation import gettext as _

from claims import drafting, losses, queries
from claims.forms.drafting import DropForm, FreightForm, LineForm, PartiesForm, PickForm, RateForm, TermsForm
from claims.valuation import Step, Valuation
from claims.valuation.words import money
from claims.views.shared import claim_step, get_claim, step, tidy
from claims.views.to_claim import pick
from receiving import rules


def part(request, claim):
    """What the left column of the claim page shows."""
    rows = list(queries.lines_of(claim))
    live = [line for line in rows if line.live]
    may_change = claim.is_draft and rules.CLAIM in request.may
    worked = Valuation.from_dict(claim.working) if claim.working else None
    return {
        "live": [shown(line) for line in live],
        "dropped": [line for line in rows if not line.live],
        "group_steps": worked.group_steps if worked else (),
        "pools": [pool_words(pool, claim) for pool in worked.pools] if worked else (),
        "needs": worked.needs if worked else (),
        "turned_up": queries.turned_up_of(live),
        "may_change": may_change,
        "more": queries.claimable(request.site).filter(shipment=claim.shipment_id).count() if may_change else 0,
        "wants_rate": wants_rate(claim),
        "found_terms": other_terms(claim) if may_change else None,
    }


def pool_words(pool, claim):
    """That lines hang together, and so why one that changes moves the others."""
    return _(
        "Lines %(lines)s share %(amount)s in proportion to what each was worth before: change one, and the shares of "
        "the others change too."
    ) % {
        "lines": ", ".join(str(share.key) for share in pool.shares),
        "amount": f"{claim.currency} {money(pool.ceiling, claim.currency)}",
    }


def other_terms(claim):
    """The `terms.Choice` that the record leads to, where it is another than the draft goes by; else None."""
    found = drafting.found_terms(claim)
    return found if found.terms and found.terms != claim.terms else None


def shown(line):
    """A live line with the working of its amount."""
    kept = line.working or {}
    return {
        "line": line,
        "steps": [Step.from_dict(kept_step) for kept_step in kept.get("steps", ())],
        "needs": kept.get("needs", ()),
        "flags": kept.get("flags", ()),
        "doubts": losses.doubts_of(line) if line.claim.is_draft else [],
    }


def wants_rate(claim):
    """Whether the limit of liability is counted in another currency than the claim."""
    limit = claim.terms.limit_currency if claim.terms and claim.terms.limit_basis != "none" else ""
    return bool(limit) and limit != claim.currency


# --- lines ------------------------------------------------------------------------------------------------------------


def get_line(claim, position):
    """The live line at this position, else 404."""
    for line in queries.lines_of(claim).filter(position=position, live=True):
        return line
    raise Http404


def posted(request):
    return request.POST if request.method == "POST" else None


def who(request):
    return {"actor": request.user, "at": timezone.now()}


@claim_step
def claim_add(request, claim):
    """Put more unclaimed pieces of the same bill on a draft."""
    claim = get_claim(request, claim)

    def call(form):
        drafting.add_lines(claim, list(form.cleaned_data["pieces"]), **who(request))
        return claim.get_absolute_url(), _("The pieces are on %(claim)s.") % {"claim": claim}, {"claim": str(claim)}

    return pick(
        request,
        claim.shipment,
        PickForm,
        claim=claim,
        title=_("Add pieces to %(claim)s") % {"claim": claim},
        button=_("Put them on the claim"),
        call=call,
    )


@claim_step
def claim_line(request, claim, position):
    claim = get_claim(request, claim)
    line = get_line(claim, position)
    initial = {name: tidy(getattr(line, name)) for name in drafting.PRICES} | {"version": claim.version}

    def call(form):
        drafting.price_line(
            line,
            values=form.values(),
            also=form.cleaned_data.get("also", False),
            version=form.cleaned_data["version"],
            **who(request),
        )

    return step(
        request,
        claim,
        LineForm(posted(request), line=line, initial=initial),
        call=call,
        said=_("Line %(line)s is priced and %(claim)s worked out anew.") % {"line": line, "claim": claim},
        template="claims/line.html",
        line=line,
        loss=losses.of_piece(line.discrepancy),
        doubts=losses.doubts(line.discrepancy),
    )


@claim_step
def claim_line_drop(request, claim, position):
    claim = get_claim(request, claim)
    line = get_line(claim, position)

    def call(form):
        drafting.drop_line(
            line, reason=form.cleaned_data["reason"], version=form.cleaned_data["version"], **who(request)
        )

    return step(
        request,
        claim,
        DropForm(posted(request), initial={"version": claim.version}),
        call=call,
        said=_("%(piece)s is off the claim and stands under To claim again.") % {"piece": line.discrepancy},
        title=_("Take line %(line)s off") % {"line": line},
        button=_("Take it off the claim"),
        notes=[_("The line stays readable with your reason. The piece can be claimed again.")],
    )


# --- facts ------------------------------------------------------------------------------------------------------------


def change_facts(request, claim, form_class, *, verb, **page):
    claim = get_claim(request, claim)
    initial = {name: tidy(getattr(claim, name)) for name in form_class.NAMES} | {"version": claim.version}

    def call(form):
        drafting.set_facts(claim, values=form.values(), verb=verb, version=form.cleaned_data["version"], **who(request))

    return step(request, claim, form_class(posted(request), claim=claim, initial=initial), call=call, **page)


@claim_step
def claim_parties(request, claim):
    return change_facts(
        request,
        claim,
        PartiesForm,
        verb="claim.parties",
        title=_("Who claims, from whom"),
        button=_("Save the parties"),
        said=_("The parties are saved."),
        notes=[_("A claim sent to a broker alone does not stop the carrier's clock: name the carrier too.")],
    )


@claim_step
def claim_freight(request, claim):
    return change_facts(
        request,
        claim,
        FreightForm,
        verb="claim.freight",
        title=_("Weight, freight and declared value"),
        button=_("Save these facts"),
        said=_("The facts are saved and the claim is worked out anew."),
        notes=[
            _("Freight is claimed with the goods only if it was paid and is not inside their price."),
        ],
    )


@claim_step
def claim_rate(request, claim):
    return change_facts(
        request,
        claim,
        RateForm,
        verb="claim.rate",
        title=_("Rate for the limit of liability"),
        button=_("Save the rate"),
        said=_("The rate is saved and the claim is worked out anew."),
        notes=[
            _("Write the rate with its day and where you read it: the other side must be able to look it up."),
        ],
    )


@claim_step
def claim_terms(request, claim):
    claim = get_claim(request, claim)
    found = drafting.found_terms(claim)
    initial = {"terms": claim.terms_id or (found.terms and found.terms.pk), "version": claim.version}

    def call(form):
        drafting.set_terms(
            claim,
            chosen=form.cleaned_data["terms"],
            reason=form.cleaned_data["reason"],
            version=form.cleaned_data["version"],
            **who(request),
        )

    return step(
        request,
        claim,
        TermsForm(posted(request), claim=claim, initial=initial),
        call=call,
        said=_("The terms are chosen and the claim is worked out anew."),
        template="claims/claim_terms.html",
        found=found,
        title=_("Terms that hold for %(claim)s") % {"claim": claim},
        button=_("Have these terms hold"),
    )
