"""What happens to a filed claim: a page for each kind of fact, taking one back, amending, and the time line."""

from django.http import Http404
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.functional import lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims import facts, letters, queries, readings, timeline
from claims.enums import FactKind, Purpose, Stage, Standing
from claims.facts.needs import NEEDS
from claims.facts.recording import BOUNCES, written_off
from claims.forms.facts import AmendForm, DecisionForm, FactForm, ReasonForm, SalvageForm
from claims.models import Fact
from claims.valuation.words import money as in_words
from claims.views.shared import claim_step, get_claim, step
from receiving import rules

# The page's title and its button, which says what happens.
PAGES = {
    FactKind.ACKNOWLEDGED: (gettext_lazy("The carrier acknowledged it"), gettext_lazy("Record the acknowledgement")),
    FactKind.PAPERS_ASKED: (gettext_lazy("The carrier asks for papers"), gettext_lazy("Record what it asks for")),
    FactKind.PAPERS_SENT: (gettext_lazy("We sent papers"), gettext_lazy("Record what was sent")),
    FactKind.STATUS: (gettext_lazy("The carrier says where it stands"), gettext_lazy("Record the status notice")),
    FactKind.OFFER: (gettext_lazy("The carrier makes an offer"), gettext_lazy("Record the offer")),
    FactKind.OFFER_DECLINED: (gettext_lazy("We decline the offer"), gettext_lazy("Record that we declined")),
    FactKind.DECISION: (gettext_lazy("The carrier decided"), gettext_lazy("Record the decision")),
    FactKind.CONTESTED: (gettext_lazy("We contest the refusal"), gettext_lazy("Record that we contested it")),
    FactKind.AGREED: (gettext_lazy("An amount is agreed"), gettext_lazy("Record the agreement")),
    FactKind.RECEIPT: (gettext_lazy("Money came in"), gettext_lazy("Record the money")),
    FactKind.OFFSET: (gettext_lazy("We set it off against what we owe"), gettext_lazy("Record the set-off")),
    FactKind.REFUND: (gettext_lazy("We returned money"), gettext_lazy("Record the refund")),
    FactKind.PASSED_ON: (gettext_lazy("We passed money on"), gettext_lazy("Record what was passed on")),
    FactKind.SALVAGE: (gettext_lazy("Damaged goods were sold"), gettext_lazy("Record this lot")),
    FactKind.WRITTEN_OFF: (gettext_lazy("Write off what is left"), gettext_lazy("Write it off")),
    FactKind.COUNSEL: (gettext_lazy("It was handed to counsel"), gettext_lazy("Record that counsel has it")),
    FactKind.SUED: (gettext_lazy("Suit was brought"), gettext_lazy("Record the suit")),
    FactKind.NOTE: (gettext_lazy("Write a note"), gettext_lazy("Keep this note")),
}
CAUTIONS = {
    FactKind.OFFER: gettext_lazy("An offer stops no clock of ours: the time to bring suit runs from a disallowance."),
    FactKind.AGREED: gettext_lazy(
        "An agreement gives up the rest of the claim. Have the words read by counsel where the amount matters."
    ),
    FactKind.RECEIPT: gettext_lazy(
        "A payment marked as in full may end the claim once it is banked. Where that is not meant, ask counsel first."
    ),
    FactKind.OFFSET: gettext_lazy(
        "Whether freight may be set off depends on the contract and the tariff. Ask counsel before money is held back."
    ),
    FactKind.DECISION: gettext_lazy(
        "For each line write what is allowed; the rest is disallowed and needs its ground. An insurer's letter is "
        "no disallowance unless it says that it acts for the carrier."
    ),
    FactKind.SALVAGE: gettext_lazy(
        "Only what may be sold: no food on hold, nothing the account forbids, hazardous goods as the site's plan says. "
        "What the lot brings comes off the claim."
    ),
    FactKind.COUNSEL: gettext_lazy("From here counsel watches the dates; those shown here are a help and no advice."),
    FactKind.SUED: gettext_lazy("From here counsel watches the dates; those shown here are a help and no advice."),
}
# What usually comes next, the likeliest first.
NEXT = {
    Standing.TO_BE_ACKNOWLEDGED: (FactKind.ACKNOWLEDGED, FactKind.OFFER, FactKind.DECISION, FactKind.RECEIPT),
    Standing.TO_BE_DECIDED: (FactKind.DECISION, FactKind.OFFER, FactKind.RECEIPT, FactKind.PAPERS_ASKED),
    Standing.OFFER_OPEN: (FactKind.AGREED, FactKind.OFFER_DECLINED),
    Standing.PARTLY_DISALLOWED: (FactKind.CONTESTED, FactKind.RECEIPT, FactKind.DECISION, FactKind.AGREED),
    Standing.DISALLOWED: (FactKind.CONTESTED, FactKind.DECISION, FactKind.COUNSEL, FactKind.WRITTEN_OFF),
    Standing.MONEY_AWAITED: (FactKind.RECEIPT, FactKind.OFFSET),
    Standing.OVERPAID: (FactKind.REFUND,),
    Standing.HANDED_OVER: (FactKind.ACKNOWLEDGED, FactKind.NOTE),
}
AFTER_CONTEST = (FactKind.DECISION, FactKind.OFFER, FactKind.RECEIPT, FactKind.COUNSEL)
ICONS = {FactKind.RECEIPT: "money", FactKind.DECISION: "scales", FactKind.AGREED: "check", FactKind.REFUND: "money"}


# -- the part of the claim page


def part(request, claim):
    """Money, what may be recorded next, and the time line."""
    read = readings.reading(claim, at=timezone.now())
    writes = rules.CLAIM in request.may
    shown = likely(claim, read) if writes else []
    return {
        "money": read.money,
        "next": next_step(claim, read, shown) if writes else None,
        "likely": [link(claim, kind) for kind in shown[1:]],
        "others": [link(claim, kind) for kind in others(claim, shown)] if writes else [],
        "steps": list(steps(claim, read)) if writes else [],
        "timeline": timeline.of_claim(claim, may=request.may),
    }


def likely(claim, read):
    kinds = NEXT.get(read.standing, ())
    if FactKind.CONTESTED in kinds and letters.is_contested(claim, readings.happened([claim])[claim.pk]):
        kinds = AFTER_CONTEST
    return [kind for kind in kinds if happens_to(claim, kind)]


def happens_to(claim, kind):
    return NEEDS[kind].handover or claim.purpose != Purpose.HANDOVER


def others(claim, shown):
    if claim.stage != Stage.FILED:
        return []
    return [kind for kind in PAGES if kind not in shown and happens_to(claim, kind)]


def link(claim, kind):
    title, _button = PAGES[kind]
    return {"url": to_fact(claim, kind), "words": title, "icon": ICONS.get(kind, "edit")}


def to_fact(claim, kind):
    return reverse("fact_new", args=[claim.site.code, claim.slug, FactKind(kind).value])


def next_step(claim, read, shown):
    """The one action that stands out at the bottom of the claim page, or None."""
    if claim.stage == Stage.DRAFT:
        words = _("Hand it over") if claim.is_handover else _("File this claim")
        return {"url": to_step(claim, "claim_file"), "words": words, "icon": "forth"}
    if claim.stage == Stage.FILED and read.standing == Standing.ALL_IN:
        return {"url": to_step(claim, "claim_close"), "words": _("Close this claim"), "icon": "archive"}
    return next((link(claim, kind) for kind in shown), None)


def steps(claim, read):
    """The other steps from this stage."""
    if claim.stage == Stage.FILED:
        yield {"url": to_step(claim, "claim_amend"), "words": _("Amend the lines"), "icon": "edit"}
        if read.standing != Standing.ALL_IN:
            yield {"url": to_step(claim, "claim_close"), "words": _("Close"), "icon": "archive"}
    if claim.stage in (Stage.DRAFT, Stage.FILED):
        yield {"url": to_step(claim, "claim_withdraw"), "words": _("Withdraw"), "icon": "cross"}
    if claim.stage == Stage.CLOSED:
        yield {"url": to_step(claim, "claim_reopen"), "words": _("Reopen"), "icon": "again"}


def to_step(claim, name):
    return reverse(name, args=[claim.site.code, claim.slug])


# -- recording


@claim_step
def fact_new(request, claim, kind):
    """Record a fact of this kind."""
    claim = get_claim(request, claim)
    if kind not in PAGES:
        raise Http404
    kind = FactKind(kind)
    form = form_for(request, claim, kind)
    title, button = PAGES[kind]

    def call(form):
        try:
            facts.record(
                claim,
                kind=kind,
                facts=form.facts(),
                decisions=form.decisions() if kind == FactKind.DECISION else (),
                lots=form.lots() if kind == FactKind.SALVAGE else (),
                uuid=request.uuid,
                seen=form.cleaned_data["version"],
                knowing=form.is_knowing,
                actor=request.user,
                at=timezone.now(),
            )
        except facts.SameNumber as why:
            form.ask_whether_another(why.earlier)
            raise

    return step(
        request,
        claim,
        form,
        call=call,
        said=where_it_stands(claim),
        template="claims/decision.html" if kind == FactKind.DECISION else "claims/fact.html",
        title=title,
        button=button,
        cautions=list(cautions(claim, kind)),
        money=readings.reading(claim, at=timezone.now()).money,
    )


def form_for(request, claim, kind):
    today = timezone.localdate()
    data = request.POST if request.method == "POST" else None
    given = {"claim": claim, "initial": {"version": claim.version, "on": today} | first_words(claim, kind)}
    if kind == FactKind.DECISION:
        return DecisionForm(data, lines=live_lines(claim), **given)
    if kind == FactKind.SALVAGE:
        return SalvageForm(data, lines=live_lines(claim), **given)
    return FactForm(data, kind=kind, **given)


def live_lines(claim):
    return list(claim.lines.filter(live=True).select_related("discrepancy").order_by("position"))


def first_words(claim, kind):
    """What the record knows already: the open offer's amount, what is left, who gets the money."""
    read = readings.reading(claim, at=timezone.now())
    money = read.money
    if kind == FactKind.AGREED and read.offer:
        return {"amount": read.offer.amount, "answers": read.offer.key}
    if kind == FactKind.OFFER_DECLINED and read.offer:
        return {"answers": read.offer.key}
    amounts = {
        FactKind.WRITTEN_OFF: money.open,
        FactKind.REFUND: money.refund_due,
        FactKind.PASSED_ON: max(money.to_pass_on, 0),
    }
    found = {"amount": amounts[kind]} if amounts.get(kind) else {}
    return found | ({"by_name": claim.payee or str(claim.account)} if kind == FactKind.PASSED_ON else {})


def cautions(claim, kind):
    if kind in CAUTIONS:
        yield CAUTIONS[kind]
    if kind == FactKind.WRITTEN_OFF:
        yield _(
            "%(currency)s %(so_far)s is written off on this claim so far. Over %(limit)s in all, a manager records it."
        ) % {
            "currency": claim.currency,
            "so_far": in_words(written_off(claim), claim.currency),
            "limit": in_words(claim.site.write_off_limit, claim.currency),
        }
    if kind == FactKind.PASSED_ON and claim.account.passed_on:
        yield _("For %(account)s: %(how)s") % {"account": claim.account, "how": claim.account.passed_on}


def where_it_stands(claim):
    """Said after the change, when it is true."""

    def words():
        now = get_now(claim)
        return _("Recorded. %(claim)s is now: %(standing)s.") % {"claim": claim, "standing": now.standing.label}

    return lazy(words, str)()


def get_now(claim):
    claim.refresh_from_db(fields=["stage", "version", "amount"])
    return readings.reading(claim, at=timezone.now())


# -- taking back


@claim_step
def fact_take_back(request, claim, pk):
    """Take a fact back, with the reason."""
    claim = get_claim(request, claim)
    fact = get_object_or_404(Fact, claim=claim, pk=pk)
    form = ReasonForm(
        request.POST if request.method == "POST" else None,
        initial={"version": claim.version},
        asked=_("Why it is taken back"),
        sentence=_("Say why it is taken back."),
    )

    def call(form):
        facts.reverse(
            fact,
            reason=form.cleaned_data["reason"],
            uuid=request.uuid,
            seen=form.cleaned_data["version"],
            actor=request.user,
            at=timezone.now(),
        )

    notes = [_("The entry stays in the time line, struck through, with your reason. It counts no more.")]
    if claim.stage == Stage.CLOSED and fact.kind in BOUNCES:
        notes.append(_("The claim is closed. This reopens it."))
    return step(
        request,
        claim,
        form,
        call=call,
        said=where_it_stands(claim),
        title=_("Take back: %(fact)s") % {"fact": fact.get_kind_display()},
        button=_("Take it back"),
        notes=notes,
    )


# -- amending


@claim_step
def claim_amend(request, claim):
    """Change the lines of a filed claim."""
    claim = get_claim(request, claim)
    more = queries.claimable(request.site).filter(shipment=claim.shipment_id).order_by("number")
    form = AmendForm(
        request.POST if request.method == "POST" else None,
        lines=live_lines(claim),
        pieces=list(more),
        initial={"version": claim.version, "on": timezone.localdate()},
    )

    def call(form):
        facts.amend(
            claim,
            reason=form.cleaned_data["reason"],
            on=form.cleaned_data["on"],
            uuid=request.uuid,
            seen=form.cleaned_data["version"],
            actor=request.user,
            at=timezone.now(),
            **form.changes(),
        )

    return step(
        request,
        claim,
        form,
        call=call,
        said=amended(claim),
        template="claims/amend.html",
        title=_("Amend %(claim)s") % {"claim": claim},
        button=_("Amend the claim"),
    )


def amended(claim):
    def words():
        get_now(claim)
        return _("%(claim)s now asks for %(currency)s %(amount)s. Make a new packet and send it to the carrier.") % {
            "claim": claim,
            "currency": claim.currency,
            "amount": in_words(claim.amount, claim.currency),
        }

    return lazy(words, str)()
