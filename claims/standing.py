"""Where a claim stands and what its money comes to: derived from its facts, never stored. A leaf.

Facts may be recorded in any order; they are read in the order of their days, then of their keys. A reversed fact counts
as if it had never been. Of several decisions on one line the latest counts, of several agreements and offers too.

Money always adds up, in one currency:

    claimed = allowed + disallowed + undecided
    claimed = received + offset - refunded + written off + conceded + outstanding

`outstanding` below nought is what was paid too much: a refund is due. An agreement decides everything: what it grants
is allowed, what it leaves is conceded, which is given up and counts as disallowed. What is written off binds nobody but
us, so money that comes later takes its place before anybody speaks of a refund.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import date
from decimal import Decimal

from claims.enums import SPEAKS_FOR_CARRIER, FactKind, Purpose, Stage, Standing
from claims.money import add_up, cents

NOUGHT = Decimal(0)
ANSWERED_IN_MONEY = (FactKind.RECEIPT, FactKind.OFFSET)


@dataclass(frozen=True)
class Decided:
    """What one decision says of one line."""

    line: int
    allowed: Decimal
    disallowed: Decimal


@dataclass(frozen=True)
class Happened:
    """One fact of a claim. `reverses` and `answers` are keys of other facts."""

    key: int
    kind: str
    on: date
    amount: Decimal | None = None
    until: date | None = None
    speaker: str = ""
    in_writing: bool | None = None
    papers_returned: bool | None = None
    decisions: tuple[Decided, ...] = ()
    answers: int | None = None
    reverses: int | None = None

    @property
    def binds_carrier(self):
        """In writing, by somebody who speaks for the carrier (49 USC 14706(e)(2), from memory)."""
        return bool(self.in_writing) and self.speaker in SPEAKS_FOR_CARRIER


@dataclass(frozen=True)
class Money:
    """The money of one claim, or of several in one currency. `agreed` is nought where nothing was agreed."""

    currency: str
    claimed: Decimal = NOUGHT
    allowed: Decimal = NOUGHT
    disallowed: Decimal = NOUGHT
    undecided: Decimal = NOUGHT
    agreed: Decimal = NOUGHT
    conceded: Decimal = NOUGHT
    received: Decimal = NOUGHT
    offset: Decimal = NOUGHT
    refunded: Decimal = NOUGHT
    written_off: Decimal = NOUGHT
    passed_on: Decimal = NOUGHT
    outstanding: Decimal = NOUGHT
    refund_due: Decimal = NOUGHT

    @property
    def kept(self):
        """What came in and was not returned."""
        return self.received + self.offset - self.refunded

    @property
    def to_pass_on(self):
        """What came in and was neither returned nor passed on; below nought after a payment bounced."""
        return self.kept - self.passed_on

    @property
    def open(self):
        """What is still asked for, never below nought; of several claims without what one of them was paid too much."""
        return self.outstanding + self.refund_due

    def __add__(self, other):
        if self.currency != other.currency:
            raise ValueError(f"{self.currency} and {other.currency} do not add up")
        names = [field.name for field in fields(self) if field.name != "currency"]
        return Money(self.currency, **{name: getattr(self, name) + getattr(other, name) for name in names})


@dataclass(frozen=True)
class Reading:
    """Where a claim stands, until when if the standing itself ends on a day, and its money."""

    standing: Standing
    until: date | None
    money: Money
    offer: Happened | None = None

    @property
    def is_settled(self):
        """Nothing is outstanding on either side: the claim may be closed."""
        return self.standing in (Standing.ALL_IN, Standing.HANDED_OVER)


def read(
    *,
    stage: str,
    purpose: str,
    currency: str,
    lines: Mapping[int, Decimal | None],
    facts: Iterable[Happened],
    today: date,
) -> Reading:
    """The standing and the money of one claim.

    lines -- the amount of each live line by its key; None, of a draft that is not priced, counts as nothing
    today -- the site's day; an offer is open up to and on its last day
    """
    lines = {key: amount for key, amount in lines.items() if amount is not None}
    facts = live(facts)
    money = reckon(lines, facts, currency)
    offer = open_offer(facts, today)
    standing = stand(stage, purpose, facts, money, offer)
    if standing != Standing.OFFER_OPEN:
        offer = None
    return Reading(standing, offer.until if offer else None, money, offer)


def live(facts: Iterable[Happened]) -> list[Happened]:
    """What still counts, in order: neither reversals nor what they take back."""
    facts = list(facts)
    taken_back = {fact.reverses for fact in facts if fact.reverses is not None}
    kept = (fact for fact in facts if fact.reverses is None and fact.key not in taken_back)
    return sorted(kept, key=order)


def order(fact):
    return fact.on, fact.key


# -- money


def reckon(lines, facts, currency) -> Money:
    """The money that live facts make of these lines."""

    def total(*kinds):
        return add_up((fact.amount for fact in facts if fact.kind in kinds), currency)

    claimed = add_up(lines.values(), currency)
    allowed, disallowed = shares(lines, decided(facts), currency)
    agreement = latest(facts, FactKind.AGREED)
    conceded = cents(max(claimed - agreement.amount, NOUGHT) if agreement else NOUGHT, currency)
    if agreement:
        allowed, disallowed = claimed - conceded, conceded
    received, offset, refunded = total(FactKind.RECEIPT), total(FactKind.OFFSET), total(FactKind.REFUND)
    left = claimed - conceded - received - offset + refunded
    written_off = min(total(FactKind.WRITTEN_OFF), max(left, NOUGHT))
    return Money(
        currency,
        claimed=claimed,
        allowed=allowed,
        disallowed=disallowed,
        undecided=claimed - allowed - disallowed,
        agreed=cents(agreement.amount, currency) if agreement else cents(0, currency),
        conceded=conceded,
        received=received,
        offset=offset,
        refunded=refunded,
        written_off=written_off,
        passed_on=total(FactKind.PASSED_ON),
        outstanding=left - written_off,
        refund_due=max(written_off - left, cents(0, currency)),
    )


def shares(lines, said, currency):
    """(allowed, disallowed) of the lines as they are now: a line that shrank since loses what was disallowed first."""
    allowed, disallowed = [], []
    for key, amount in lines.items():
        if decision := said.get(key):
            allowed.append(min(decision.allowed, amount))
            disallowed.append(min(decision.disallowed, amount - allowed[-1]))
    return add_up(allowed, currency), add_up(disallowed, currency)


def decided(facts) -> dict[int, Decided]:
    """The latest decision on each line."""
    return {said.line: said for fact in facts if fact.kind == FactKind.DECISION for said in fact.decisions}


def is_contested(facts: Iterable[Happened], sent: Iterable[date] = ()) -> bool:
    """Whether the last refusal of a part has been contested, by a fact or by a letter of one of the days `sent`."""
    facts = live(facts)
    refusals = [
        fact for fact in facts if fact.kind == FactKind.DECISION and any(said.disallowed for said in fact.decisions)
    ]
    if not refusals:
        return False
    ours = [fact.on for fact in facts if fact.kind == FactKind.CONTESTED]
    return any(day >= refusals[-1].on for day in [*ours, *sent])


def latest(facts, *kinds):
    """The last live fact of these kinds, or None."""
    return next((fact for fact in reversed(facts) if fact.kind in kinds), None)


# -- standing


def stand(stage, purpose, facts, money, offer) -> Standing:
    if stage != Stage.FILED:
        return BY_STAGE[stage]
    if purpose == Purpose.HANDOVER:
        return Standing.HANDED_OVER
    if money.refund_due:
        return Standing.OVERPAID
    if not money.outstanding:
        return Standing.ALL_IN
    if money.agreed:
        return Standing.MONEY_AWAITED
    return Standing.OFFER_OPEN if offer else by_answers(facts, money)


BY_STAGE = {
    Stage.DRAFT: Standing.BEING_DRAFTED,
    Stage.CLOSED: Standing.CLOSED,
    Stage.WITHDRAWN: Standing.WITHDRAWN,
}


def by_answers(facts, money):
    """What the carrier's answers make of a claim that is neither agreed nor paid nor under offer."""
    if money.disallowed:
        alone = not money.allowed and not money.undecided
        return Standing.DISALLOWED if alone else Standing.PARTLY_DISALLOWED
    if money.allowed and not money.undecided:
        return Standing.MONEY_AWAITED
    answered = money.allowed or latest(facts, FactKind.ACKNOWLEDGED, FactKind.OFFER, *ANSWERED_IN_MONEY)
    return Standing.TO_BE_DECIDED if answered else Standing.TO_BE_ACKNOWLEDGED


def open_offer(facts, today):
    """The offer that can still be taken: the latest, if nothing has answered or overtaken it and it has not run out."""
    offer = latest(facts, FactKind.OFFER)
    if offer is None or (offer.until and offer.until < today):
        return None
    return None if any(closes(fact, offer) for fact in facts) else offer


def closes(fact, offer):
    """Whether a fact answers this offer by name or, naming none, comes after it."""
    if fact.kind not in (FactKind.OFFER_DECLINED, FactKind.AGREED, FactKind.DECISION):
        return False
    return fact.answers == offer.key or (fact.answers is None and order(fact) > order(offer))


# -- clocks


def suit_starts(facts: Iterable[Happened]) -> list[tuple[int, date]]:
    """(line, day) for each line that the carrier has disallowed in whole or part: the day its suit period runs from.

    Only a decision in writing by somebody who speaks for the carrier counts, and of several the first: to say no again
    starts no new period. A line that such a decision allows wholly later has none. An offer is no disallowance
    (49 USC 14706(e), from memory).
    """
    starts = {}
    for fact in live(facts):
        if fact.kind == FactKind.DECISION and fact.binds_carrier:
            for said in fact.decisions:
                if said.disallowed:
                    starts.setdefault(said.line, fact.on)
                else:
                    starts.pop(said.line, None)
    return sorted(starts.items())


def papers_returned(facts: Iterable[Happened]) -> dict[int, date]:
    """{line: day} on which a written refusal came back together with the papers: what ends the suspension of a claim
    under the CMR (article 32(2))."""
    back = {}
    for fact in live(facts):
        if fact.kind == FactKind.DECISION and fact.binds_carrier and fact.papers_returned:
            for said in fact.decisions:
                if said.disallowed:
                    back.setdefault(said.line, fact.on)
    return back


def decided_for_carrier(facts: Iterable[Happened]) -> dict[int, date]:
    """{line: day} of the latest decision on each line that the carrier made in writing, for or against us: what it owes
    within 120 days (49 CFR 370.9(a)). A firm offer also counts there and is no decision here."""
    return {
        said.line: fact.on
        for fact in live(facts)
        if fact.kind == FactKind.DECISION and fact.binds_carrier
        for said in fact.decisions
    }
