"""Drafting a claim: the only writer of a draft and of its lines, and of decisions not to claim.

Every change of a draft goes the same way: one conditional UPDATE takes the draft in hand (`take`), lines or facts are
changed, the whole claim is worked out anew by `claims.valuation`, one event tells what is different. A piece on a claim
is shut (`discrepancies.mark_claimed`) until its line is dropped or the claim withdrawn.
"""

import uuid as uuids
from contextlib import contextmanager
from decimal import Decimal

from django.db import IntegrityError, transaction
from django.db.models import F, Q
from django.utils.translation import gettext as _

from claims import losses, terms, valuation
from claims.enums import LineKind, PriceSource, Purpose, Stage
from claims.models import Claim, ClaimLine, NotClaimed, Terms
from claims.parties import claimant, respondent
from receiving import clock, discrepancies, evidence
from receiving.enums import ArrivalState, Attribution, DiscrepancyState, PiecesUnit, YesNo
from receiving.models import Counter
from receiving.refusals import ChangedMeanwhile, Refused

PARTIES = (
    "claimant",
    "claimant_address",
    "claimant_email",
    "claimant_phone",
    "signatory",
    "payee",
    "carrier",
    "second_carrier",
)
FREIGHT = ("shipment_weight", "freight_charge", "freight_paid", "freight_in_price", "declared_value")
NAMED = ("year", "number", "shipment", "account")
RATE = ("rate", "rate_date", "rate_source")
ASKED = ("asked_owner", "asked_note")
FACTS = (
    "purpose",
    "stage",
    "who_claims",
    "currency",
    "amount",
    "terms",
    "terms_reason",
    *PARTIES,
    *FREIGHT,
    *RATE,
    *ASKED,
)
LINE_FACTS = (
    "discrepancy",
    "live",
    "dropped_reason",
    "kind",
    "description",
    "quantity",
    "unit",
    "cartons",
    "unit_price",
    "price_source",
    "price_reference",
    "trade_discount",
    "cash_discount",
    "repair_cost",
    "value_lost",
    "salvage",
    "weight",
    "amount",
)
PRICES = tuple(name for name in LINE_FACTS if name not in ("discrepancy", "live", "dropped_reason", "kind", "amount"))
SHARED = ("unit_price", "price_source", "price_reference", "trade_discount", "cash_discount")
OURS = (Attribution.OWN, Attribution.OUTBOUND)


# --- opening ----------------------------------------------------------------------------------------------------------


def open_claim(shipment, pieces, *, purpose=Purpose.CLAIM, uuid, actor, at):
    """Draft a claim, or a hand-over, of these pieces of one bill: numbered, addressed, with terms and first prices.

    The pieces are shut with it. Raises Refused where one cannot be claimed, ChangedMeanwhile where somebody was first.
    """
    site = shipment.arrival.site
    with transaction.atomic():
        evidence.lock_head(site)
        claim = new_claim(shipment, purpose=purpose, uuid=uuid, actor=actor, at=at)
        put_lines(claim, pieces, at=at)
        work_out(claim)
        claim = fresh(claim)
        tell(claim, "claim.opened", actor=actor, at=at, after=told(claim) | evidence.facts(claim, NAMED))
    return claim


def new_claim(shipment, *, purpose, uuid, actor, at):
    site = shipment.arrival.site
    year = clock.site_day(at, site.time_zone).year
    against = respondent(shipment)
    chosen = terms.choose(shipment, carrier=against.carrier)
    return Claim.objects.create(
        uuid=uuid,
        site=site,
        year=year,
        number=Counter.next(site, "claim", year),
        purpose=purpose,
        stage_since=at,
        opened_at=at,
        opened_by=actor,
        shipment=shipment,
        account=shipment.account,
        carrier=against.carrier,
        second_carrier=against.second,
        currency=site.currency,
        terms=chosen.terms,
        terms_reason=str(chosen.reason)[:300],
        shipment_weight=shipment.weight,
        freight_charge=shipment.freight_charge,
        freight_paid=shipment.freight_paid,
        freight_in_price=shipment.freight_in_price,
        declared_value=shipment.declared_value,
        **claimant(shipment),
    )


def put_lines(claim, pieces, *, at):
    """Lines with the list's prices for these pieces, which are shut."""
    if not pieces:
        raise Refused(_("Tick the pieces that are to be claimed."), code="no_pieces", field="pieces")
    refuse_decided(pieces)
    last = claim.lines.order_by("-position").values_list("position", flat=True).first() or 0
    shut = [shut_piece(claim, piece, at=at) for piece in pieces]
    lines = [line_of(claim, piece, position) for position, piece in enumerate(shut, last + 1)]
    try:
        with transaction.atomic():
            ClaimLine.objects.bulk_create(lines)
    except IntegrityError:
        raise taken(claim, pieces) from None


def refuse_decided(pieces):
    decided = NotClaimed.objects.standing().filter(discrepancy__in=pieces).select_related("discrepancy").first()
    if decided:
        raise Refused(
            _("It was decided not to claim %(piece)s (%(reason)s). Take that decision back first.")
            % {"piece": decided.discrepancy, "reason": decided.reason},
            code="decided_not_to_claim",
            field="pieces",
        )


def shut_piece(claim, piece, *, at):
    """The piece as it is now, shut for this claim."""
    try:
        piece = discrepancies.mark_claimed(piece, at=at)
    except ChangedMeanwhile:
        raise taken(claim, [piece]) from None
    if why := why_not_claimable(claim.shipment, piece):
        raise Refused(why, code="not_claimable", field="pieces")
    return piece


def taken(claim, pieces):
    """What to tell somebody whose pieces are on another claim already."""
    line = ClaimLine.objects.filter(live=True, discrepancy__in=pieces).exclude(claim=claim)
    line = line.select_related("claim__site", "discrepancy").first()
    if line is None:
        return ChangedMeanwhile(_("One of these pieces is on a claim already. Reload the page."), field="pieces")
    return ChangedMeanwhile(
        _("%(piece)s is on claim %(claim)s already.") % {"piece": line.discrepancy, "claim": line.claim},
        field="pieces",
    )


def why_not_claimable(shipment, piece):
    """A sentence on why this piece cannot stand on a claim for this bill, or empty."""
    told = {"piece": piece, "state": piece.get_state_display(), "doing": piece.get_attribution_display()}
    if piece.kind not in losses.LOSSES:
        return _("%(piece)s is neither damaged nor short: nothing was lost.") % told
    if piece.shipment_id != shipment.pk:
        return _("%(piece)s came on another bill. A claim is for one bill.") % told
    if piece.state != DiscrepancyState.OPEN:
        return _("%(piece)s is %(state)s: it is no loss any more.") % told
    if piece.arrival.state != ArrivalState.RELEASED:
        return _("The trailer of %(piece)s has not been released. Claim it when the count is final.") % told
    if piece.attribution in OURS:
        return _("%(piece)s is attributed to %(doing)s, not to the carrier. Correct that on the piece first.") % told
    return ""


def line_of(claim, piece, position):
    lost = losses.of_piece(piece)
    return ClaimLine(
        claim=claim,
        discrepancy=piece,
        position=position,
        kind=lost.kind,
        description=lost.description,
        quantity=lost.quantity,
        unit=lost.unit,
        cartons=lost.cartons,
        unit_price=lost.unit_price,
        price_source=PriceSource.LIST if lost.unit_price is not None else "",
        weight=lost.weight,
    )


# --- changing a draft -------------------------------------------------------------------------------------------------


@contextmanager
def changing(claim, verb, *, version, actor, at, reason=""):
    """The one door of a draft: gives it fresh and in hand, works it out anew and tells what is different.

    version -- what the person saw; None for what `claim` says
    """
    with transaction.atomic():
        draft = take(claim, version)
        before = told(draft)
        yield draft
        work_out(fresh(draft))
        draft.refresh_from_db()
        before, after = evidence.changed(before, told(draft))
        tell(draft, verb, actor=actor, at=at, before=before, after=after | ({"reason": reason} if reason else {}))


def take(claim, version=None):
    """The draft as it is now, nobody else's until the transaction ends; ChangedMeanwhile or Refused if it is not to be
    had."""
    rows = Claim.objects.filter(pk=claim.pk, stage=Stage.DRAFT, version=version or claim.version)
    if not rows.update(version=F("version") + 1):
        raise not_to_be_had(claim)
    return fresh(claim)


def not_to_be_had(claim):
    now = fresh(claim)
    if now.stage != Stage.DRAFT:
        return Refused(
            _("%(claim)s is %(stage)s: a draft is changed here, a filed claim is amended.")
            % {"claim": now, "stage": now.get_stage_display()},
            code="not_a_draft",
        )
    return ChangedMeanwhile(
        _("Somebody else changed %(claim)s meanwhile. What you typed is still here; compare and save again.")
        % {"claim": now}
    )


def fresh(claim):
    return Claim.objects.select_related(
        "site", "account", "carrier", "second_carrier", "terms", "shipment__arrival__site", "shipment__account"
    ).get(pk=claim.pk)


def add_lines(claim, pieces, *, version=None, actor, at):
    """Put more pieces of the same bill on a draft."""
    with changing(claim, "claim.lines_added", version=version, actor=actor, at=at) as draft:
        evidence.lock_head(claim.site)
        put_lines(draft, pieces, at=at)
    return draft


def drop_line(line, *, reason, version=None, actor, at):
    """Take a piece off a draft, with the reason; the piece is open again and stands under *to claim*."""
    refuse_without(reason, _("Say why it is taken off."))
    with changing(line.claim, "claim.line_dropped", version=version, actor=actor, at=at, reason=reason) as draft:
        if not draft.lines.filter(live=True).exclude(pk=line.pk).exists():
            raise Refused(
                _("It is the last line of %(claim)s. Withdraw the claim instead.") % {"claim": draft}, code="last_line"
            )
        drop(draft.lines.filter(pk=line.pk), reason=reason)
    return draft


def free_pieces(claim, *, reason):
    """Take all lines off, in the caller's transaction: their pieces are open again. For a claim that is withdrawn."""
    drop(claim.lines.all(), reason=reason)


def drop(lines, *, reason):
    for line in lines.filter(live=True).select_related("discrepancy"):
        if not ClaimLine.objects.filter(pk=line.pk, live=True).update(live=False, dropped_reason=reason[:300]):
            raise ChangedMeanwhile(_("Somebody else has taken line %(line)s off already.") % {"line": line})
        discrepancies.mark_claimed(line.discrepancy, at=None)


def price_line(line, *, values, also=False, version=None, actor, at):
    """Say what a line is worth.

    values -- by the names of PRICES; what is not named stays
    also -- take price, source and discounts over to the other lines of the same goods
    """
    values = {name: value for name, value in values.items() if name in PRICES}
    probe = ClaimLine(**{name: values.get(name, getattr(line, name)) for name in PRICES}, kind=line.kind)
    check_price(probe)
    refuse_more_than_lost(line, probe.cartons)
    with changing(line.claim, "claim.line_priced", version=version, actor=actor, at=at) as draft:
        same = list(same_goods(line).values_list("pk", flat=True)) if also else []
        if not draft.lines.filter(pk=line.pk, live=True).update(**values):
            raise ChangedMeanwhile(_("Somebody else has taken line %(line)s off already.") % {"line": line})
        draft.lines.filter(pk__in=same).update(**{name: getattr(probe, name) for name in SHARED})
    return draft


def same_goods(line):
    """The other live lines of a claim that name the same goods and count in the same unit."""
    alike = ClaimLine.objects.filter(claim=line.claim_id, live=True, description=line.description, unit=line.unit)
    return alike.exclude(pk=line.pk) if line.description else alike.none()


def check_price(line):
    """Refuse what no line may say, each at its field."""
    for name in ("unit_price", "repair_cost", "value_lost", "salvage", "weight"):
        value = getattr(line, name)
        if value is not None and value < 0:
            raise Refused(_("%(value)s is below nought.") % {"value": value}, code="negative", field=name)
    for name in ("trade_discount", "cash_discount"):
        if not 0 <= getattr(line, name) <= 100:
            raise Refused(
                _("A discount is from 0 to 100 percent, not %(value)s.") % {"value": getattr(line, name)},
                code="no_percentage",
                field=name,
            )
    if line.quantity is None or line.quantity <= 0:
        raise Refused(_("Write how many were lost, more than nought."), code="no_quantity", field="quantity")
    if not line.cartons:
        raise Refused(_("Write how many cartons that is, one at least."), code="no_cartons", field="cartons")
    if line.kind == LineKind.LOSS and (line.repair_cost is not None or line.value_lost is not None):
        raise Refused(
            _("What did not come can be neither repaired nor sold for less. Give its price."),
            code="repair_of_lost_goods",
            field="repair_cost" if line.repair_cost is not None else "value_lost",
        )
    check_source(line)


def refuse_more_than_lost(line, cartons):
    """A line claims no more cartons than its piece stands for, which may be fewer since some turned up."""
    if cartons > line.discrepancy.quantity:
        raise Refused(
            _("%(piece)s is %(lost)s pieces, not %(cartons)s. Claim no more cartons than were lost.")
            % {"piece": line.discrepancy, "lost": line.discrepancy.quantity, "cartons": cartons},
            code="more_than_lost",
            field="cartons",
        )


def check_source(line):
    if line.unit_price is not None and not line.price_source:
        raise Refused(_("Say where the price comes from."), code="source_missing", field="price_source")
    if line.price_source in (PriceSource.INVOICE, PriceSource.STATEMENT) and not line.price_reference.strip():
        raise Refused(
            _("Write the number of the invoice or statement that shows the price."),
            code="reference_missing",
            field="price_reference",
        )


def set_facts(claim, *, values, verb="claim.facts", reason="", version=None, actor, at):
    """Change facts of a draft. values -- by the names of PARTIES, FREIGHT, RATE and ASKED; what is not named stays."""
    allowed = {*PARTIES, *FREIGHT, *RATE, *ASKED}
    values = {name: value for name, value in values.items() if name in allowed}
    check_facts(claim, values, today=clock.site_day(at, claim.site.time_zone))
    with changing(claim, verb, version=version, actor=actor, at=at, reason=reason) as draft:
        Claim.objects.filter(pk=draft.pk).update(**values)
    return draft


def check_facts(claim, values, *, today):
    told = {name: values.get(name, getattr(claim, name)) for name in (*PARTIES, *FREIGHT, *RATE)}
    for name in ("shipment_weight", "freight_charge", "declared_value"):
        if told[name] is not None and told[name] < 0:
            raise Refused(_("%(value)s is below nought.") % {"value": told[name]}, code="negative", field=name)
    if told["carrier"] and told["carrier"] == told["second_carrier"]:
        raise Refused(
            _("%(carrier)s is named twice. Leave the second empty.") % {"carrier": told["carrier"]},
            code="carrier_twice",
            field="second_carrier",
        )
    if told["rate"] is None:
        return
    if told["rate"] <= 0:
        raise Refused(_("A rate is more than nought."), code="no_rate", field="rate")
    if told["rate_date"] is None:
        raise Refused(_("Say of which day the rate is."), code="rate_date_missing", field="rate_date")
    if told["rate_date"] > today:
        raise Refused(_("That day has not come yet."), code="rate_of_tomorrow", field="rate_date")
    if not told["rate_source"].strip():
        raise Refused(_("Say where the rate was read."), code="rate_source_missing", field="rate_source")


def set_terms(claim, *, chosen, reason="", version=None, actor, at):
    """Have other terms hold for a draft than those that were found, with the reason; or those, without one.

    chosen -- Terms
    """
    found = found_terms(claim)
    if chosen != found.terms:
        refuse_without(reason, _("Say why these terms hold and not those that were found."), field="reason")
    words = (reason or str(found.reason))[:300]
    with changing(claim, "claim.terms", version=version, actor=actor, at=at) as draft:
        Claim.objects.filter(pk=draft.pk).update(terms=chosen, terms_reason=words)
    return draft


def found_terms(claim):
    """The `terms.Choice` for the bill and the carrier of a claim, with its reason."""
    return terms.choose(claim.shipment, carrier=claim.carrier)


def terms_for(claim):
    """The terms that somebody may have hold for a claim: those in use that name no other carrier, account or site."""
    parties = [claim.carrier_id, claim.second_carrier_id, claim.shipment.carrier_on_bill_id]
    mine = Terms.objects.filter(
        Q(carrier=None) | Q(carrier__in=[party for party in parties if party]),
        Q(account=None) | Q(account=claim.account),
        Q(site=None) | Q(site=claim.site),
        retired_at=None,
    )
    return (mine | Terms.objects.filter(pk=claim.terms_id)).order_by("title", "-valid_from")


def refuse_without(reason, sentence, field="reason"):
    if not reason.strip():
        raise Refused(sentence, code="reason_missing", field=field)


# --- what it is worth -------------------------------------------------------------------------------------------------


def work_out(claim):
    """Value the live lines of a claim and keep amounts and working, in the caller's transaction."""
    lines = list(claim.lines.filter(live=True).order_by("position"))
    keep_working(claim, lines, working_of(claim, lines))


def keep_working(claim, lines, worked):
    """Store a valuation on these lines and the claim, in the caller's transaction. The caller tells the event."""
    for line in lines:
        part = worked.line(line.position)
        line.amount, line.working = part.amount, part.as_dict()
    ClaimLine.objects.bulk_update(lines, ["amount", "working"])
    claim.amount, claim.working = worked.total, worked.as_dict()
    Claim.objects.filter(pk=claim.pk).update(amount=claim.amount, working=claim.working)


def working_of(claim, lines):
    """The `Valuation` of these ClaimLines under the claim's terms, the frozen ones once it is filed. Saves nothing.

    Lines are keyed by position and need not be saved: what an amendment would come to is asked here as well.
    """
    weighed = claim.shipment_weight is not None and all(line.weight is not None for line in lines)
    return valuation.value(
        [valued_line(line) for line in lines],
        valued_terms(claim),
        valued_shipment(claim, by_weight=weighed),
        valuation.Rate(value=claim.rate, day=claim.rate_date, source=claim.rate_source) if claim.rate else None,
    )


def valued_line(line):
    names = ("kind", "quantity", "unit_price", "trade_discount", "cash_discount", "repair_cost", "value_lost")
    return valuation.Line(
        key=line.position,
        description=_("Line %(line)s") % {"line": line.position},
        packages=Decimal(line.cartons),
        salvage=line.salvage,
        weight=line.weight,
        **{name: getattr(line, name) for name in names},
    )


TERMS = (
    "limit_basis",
    "limit_rate",
    "limit_currency",
    "salvage_when",
    "freight_when",
    "deductible",
    "allowance_percent",
)


def valued_terms(claim):
    """Without terms no limit is taken off: what lacks is shown and stops the filing."""
    kept = claim.frozen_terms if not claim.is_draft else None
    held = terms.thawed(kept).terms if kept else claim.terms
    said = {name: getattr(held, name) for name in TERMS} if held else {}
    if held:
        said["limit_weight_unit"] = held.limit_weight_unit or claim.site.weight_unit
    return valuation.Terms(declared_value=claim.declared_value, **said)


ANSWERS = {YesNo.YES: True, YesNo.NO: False, YesNo.UNKNOWN: None}


def valued_shipment(claim, *, by_weight):
    """Freight is shared by weight where all weights are known, else by the pieces of the bill."""
    in_cartons = claim.shipment.pieces_unit == PiecesUnit.CARTONS
    return valuation.Shipment(
        currency=claim.currency,
        weight=claim.shipment_weight,
        weight_unit=claim.site.weight_unit,
        pieces=Decimal(claim.shipment.pieces) if in_cartons else None,
        freight=claim.freight_charge,
        freight_paid=ANSWERS[YesNo(claim.freight_paid)],
        freight_in_price=ANSWERS[YesNo(claim.freight_in_price)],
        freight_by=valuation.FreightBy.WEIGHT if by_weight or not in_cartons else valuation.FreightBy.PIECES,
    )


# --- deciding not to claim --------------------------------------------------------------------------------------------


def decide_not(pieces, *, reason, uuid, actor, at):
    """Decide not to claim these pieces of one site, with the reason; a NotClaimed row for each."""
    refuse_without(reason, _("Say why it is not claimed."))
    if not pieces:
        raise Refused(_("Tick the pieces that are not to be claimed."), code="no_pieces", field="pieces")
    with transaction.atomic():
        evidence.lock_head(pieces[0].site)
        refuse_decided(pieces)
        if line := ClaimLine.objects.filter(live=True, discrepancy__in=pieces).first():
            raise taken(None, [line.discrepancy])
        return write_decisions([(piece, None) for piece in pieces], reason=reason, uuid=uuid, actor=actor, at=at)


def claim_after_all(decision, *, reason, uuid, actor, at):
    """Take a decision not to claim back, with the reason: the piece stands under *to claim* again."""
    refuse_without(reason, _("Say why it is claimed after all."))
    with transaction.atomic():
        evidence.lock_head(decision.site)
        if not NotClaimed.objects.standing().filter(pk=decision.pk).exists():
            raise ChangedMeanwhile(_("That decision has been taken back already."))
        lifted = [(decision.discrepancy, decision)]
        return write_decisions(lifted, reason=reason, uuid=uuid, actor=actor, at=at)[0]


def write_decisions(entries, *, reason, uuid, actor, at):
    rows = NotClaimed.objects.bulk_create(
        NotClaimed(
            uuid=uuids.uuid5(uuid, str(piece.pk)),
            site=piece.site,
            discrepancy=piece,
            reason=reason[:300],
            lifts=lifts,
            actor=actor,
            at=at,
        )
        for piece, lifts in entries
    )
    evidence.append_many(
        site=entries[0][0].site,
        entries=[
            {
                "verb": "piece.claimed_after_all" if row.lifts_id else "piece.not_claimed",
                "record": row,
                "arrival": row.discrepancy.arrival,
                "discrepancy": row.discrepancy,
                "actor": actor,
                "at": at,
                "after": evidence.facts(row, ["discrepancy", "reason", "lifts"]),
            }
            for row in rows
        ],
    )
    return rows


# --- telling ----------------------------------------------------------------------------------------------------------


def told(claim):
    """The facts of a claim and of its lines, as an event tells them."""
    lines = {f"line {line.position}": evidence.facts(line, LINE_FACTS) for line in claim.lines.order_by("position")}
    return evidence.plain(evidence.facts(claim, FACTS) | lines)


def tell(claim, verb, *, actor, at, before=None, after=None):
    arrival = claim.shipment.arrival
    evidence.append(
        site=claim.site, verb=verb, record=claim, arrival=arrival, actor=actor, at=at, before=before, after=after
    )
