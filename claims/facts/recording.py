"""Recording a fact, and taking one back.

A fact is written once. Whoever writes one has the claim in hand (`filing.hold`), so that what is judged here, the money
that came in or the write-offs so far, cannot change before the transaction ends.
"""

from decimal import Decimal

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from claims import filing, readings
from claims.enums import FactKind, Stage
from claims.facts import needs, salvage
from claims.facts.telling import write
from claims.models import Fact, LineDecision
from claims.money import add_up
from claims.valuation.words import money as in_words
from receiving import clock, rules
from receiving.identifiers import compact_reference
from receiving.models.base import Compact
from receiving.refusals import ChangedMeanwhile, Refused

BOUNCES = (FactKind.RECEIPT, FactKind.OFFSET)


class SameNumber(Refused):
    """The carrier's payment number stands on money that was recorded before: the `earlier` Facts. It may be another
    payment of one remittance, so it can be recorded all the same by somebody who has looked."""

    status = 409

    def __init__(self, earlier, number):
        super().__init__(
            _(
                "Payment number “%(number)s” is recorded already: %(earlier)s. If this is the same money, leave it; if "
                "it is another part of that payment, tick that and record it."
            )
            % {"number": number, "earlier": "; ".join(map(in_short, earlier))},
            code="payment_number_again",
            field="reference",
        )
        self.earlier = earlier


def record(claim, *, kind, facts, uuid, actor, at, decisions=(), lots=(), seen=None, knowing=False):
    """Write down what happened to a filed claim; gives the `Fact`.

    facts -- `on` and what `needs.NEEDS` says of the kind: amount, until, reference, received_on, receipt_kind, speaker,
        by_name, in_writing, papers_returned, note, document (a Document), answers (a Fact)
    decisions -- of a decision: dicts of line (its key), allowed, disallowed, ground, note
    lots -- of salvage: dicts of line (its key), lot, method, buyer, related_buyer, gross, costs, remitted_on
    seen -- the version of the claim somebody looked at
    knowing -- money under a payment number that is recorded already is another payment; else SameNumber
    Refused with a sentence where something is missing, cannot be, or is more than this person may decide.
    """
    kind = FactKind(kind)
    if kind == FactKind.AMENDED:
        raise Refused(_("Amend the claim's lines on the page for that."), code="amend_instead")
    with transaction.atomic():
        claim = filing.hold(claim, seen=seen)
        needs.check(claim, kind, facts, at=at)
        lines = {line.pk: line for line in claim.lines.filter(live=True).select_related("discrepancy")}
        if kind == FactKind.RECEIPT and not knowing:
            refuse_same_number(claim, facts.get("reference", ""))
        approved_by = judge(claim, kind, facts, actor=actor, at=at)
        if kind == FactKind.DECISION:
            needs.check_decisions(claim, lines, decisions)
        if kind == FactKind.SALVAGE:
            salvage.check(claim, lines, lots)
            facts = facts | {"amount": add_up((salvage.net(lot) for lot in lots), claim.currency)}
        fact = Fact(claim=claim, uuid=uuid, kind=kind, approved_by=approved_by, **tidied(facts))
        [fact] = write(claim, [fact], actor=actor, at=at)
        if kind == FactKind.DECISION:
            write(claim, [decision(fact, said) for said in decisions], actor=actor, at=at)
        if kind == FactKind.SALVAGE:
            salvage.sell(claim, fact, lots, actor=actor, at=at)
    return fact


def refuse_same_number(claim, number):
    """Refuse money of the same carrier, at the same site, under a number that differs in blanks and dashes at most."""
    compact = compact_reference(number)
    carriers = {claim.carrier_id, claim.second_carrier_id} - {None}
    if not compact or not carriers:
        return
    rows = Fact.objects.filter(kind=FactKind.RECEIPT, reverses=None, reversed_by=None, claim__site=claim.site)
    rows = rows.filter(Q(claim__carrier__in=carriers) | Q(claim__second_carrier__in=carriers))
    rows = rows.alias(bare=Compact("reference")).filter(bare=compact)
    if earlier := list(rows.select_related("claim__site").order_by("pk")):
        raise SameNumber(earlier, number.strip())


def in_short(fact):
    told = {
        "claim": fact.claim,
        "currency": fact.claim.currency,
        "amount": in_words(fact.amount, fact.claim.currency),
        "day": needs.words(fact.on),
    }
    return _("%(currency)s %(amount)s on %(claim)s, %(day)s") % told


def tidied(facts):
    return {name: value.strip() if isinstance(value, str) else value for name, value in facts.items()}


def decision(fact, said):
    return LineDecision(
        fact=fact,
        line_id=said["line"],
        allowed=said["allowed"],
        disallowed=said["disallowed"],
        ground=said.get("ground", "") if said["disallowed"] else "",
        note=said.get("note", "").strip(),
    )


# -- more than there is, more than one may


# What comes in may be more than was claimed, but not as much more as a slip of the finger makes it.
ASKED_TWICE = (FactKind.RECEIPT, FactKind.OFFSET)
TIMES, NEVER_ASKED = 10, 10_000


def judge(claim, kind, facts, *, actor, at):
    """Refuse money that is not there or not this person's to give up. Gives who approves, where somebody has to."""
    money = readings.reading(claim, at=at).money
    amount = facts.get("amount")
    if kind in ASKED_TWICE and amount > max(TIMES * money.claimed, NEVER_ASKED):
        raise Refused(
            _("%(currency)s %(amount)s is more than ten times what is claimed. Check the amount.")
            % {"currency": claim.currency, "amount": in_words(amount, claim.currency)},
            code="amount_too_high",
            field="amount",
        )
    if kind == FactKind.REFUND:
        refuse_more(claim, amount, money.kept, _("came in and was not returned yet"))
    elif kind == FactKind.PASSED_ON:
        refuse_more(claim, amount, max(money.to_pass_on, Decimal(0)), _("came in and is not passed on yet"))
    elif kind == FactKind.WRITTEN_OFF:
        refuse_more(claim, amount, money.open, _("is outstanding"))
        return approval(claim, amount, actor)
    return None


def refuse_more(claim, amount, most, words):
    if amount > most:
        raise Refused(
            _("Only %(currency)s %(most)s %(words)s on %(claim)s. Check the amount.")
            % {"currency": claim.currency, "most": in_words(most, claim.currency), "words": words, "claim": claim},
            code="amount_too_high",
            field="amount",
        )


def approval(claim, amount, actor):
    """The manager who approves, where this write-off takes those of the claim over the site's limit together."""
    together = written_off(claim) + amount
    limit = claim.site.write_off_limit
    if together <= limit:
        return None
    if rules.OVER_LIMIT in rules.may(actor, claim.site):
        return actor
    raise Refused(
        _(
            "With this, %(currency)s %(together)s is written off on %(claim)s, over the limit of %(limit)s. "
            "A manager of %(site)s has to record it."
        )
        % {
            "currency": claim.currency,
            "together": in_words(together, claim.currency),
            "limit": in_words(limit, claim.currency),
            "claim": claim,
            "site": claim.site.code,
        },
        code="over_limit",
        field="amount",
    )


def written_off(claim):
    """All that was ever written off on this claim and not taken back."""
    rows = claim.facts.filter(kind=FactKind.WRITTEN_OFF, reverses=None, reversed_by=None)
    return add_up(rows.values_list("amount", flat=True), claim.currency)


# -- taking one back


def reverse(fact, *, reason, uuid, actor, at, seen=None):
    """Take a fact back, with the reason, as if it had never been; gives the fact that does.

    Money that bounces on a closed claim reopens it. Raises ChangedMeanwhile where somebody took it back already.
    """
    if not reason.strip():
        raise Refused(_("Say why it is taken back."), code="reason_missing", field="reason")
    refuse_irreversible(fact)
    with transaction.atomic():
        claim = filing.fresh(fact.claim)
        if claim.stage == Stage.CLOSED and fact.kind in BOUNCES:
            claim = filing.reopen(claim, reason=reason, actor=actor, at=at, seen=seen)
            seen = None
        claim = filing.hold(claim, seen=seen)
        if Fact.objects.filter(reverses=fact).exists():
            raise ChangedMeanwhile(_("Somebody else has taken this back already."), code="reversed_already")
        row = Fact(
            claim=claim,
            uuid=uuid,
            kind=fact.kind,
            on=clock.site_day(at, claim.site.time_zone),
            note=reason.strip(),
            reverses=fact,
        )
        [row] = write(claim, [row], actor=actor, at=at)
        if fact.kind == FactKind.SALVAGE:
            salvage.take_back(claim, fact, actor=actor, at=at)
    return row


def refuse_irreversible(fact):
    if fact.reverses_id:
        raise Refused(_("This takes another fact back. Record that one again instead."), code="is_reversal")
    if fact.kind == FactKind.AMENDED:
        raise Refused(_("An amendment stays. Amend the claim again instead."), code="is_amendment")
