"""Whatever happens to a claim in whatever order, its money adds up: random facts through the real writers against a
ledger kept here in plain Python. What is refused must change nothing. The arithmetic alone goes through two thousand
histories in `test_standing`."""

import os
import uuid
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from claims import facts, filing, readings
from claims.enums import Stage, Standing
from claims.models import Claim, ClaimLine, Fact, LineDecision, SalvageLot
from receiving.models import Event
from receiving.refusals import Refused
from receiving.verification import verify_chain, verify_rows
from tests.builders import make_person, make_site
from tests.claims.builders import make_filed
from tests.claims.fact_builders import FILED, LATER, decide, lot, make_fact, take_back

pytestmark = pytest.mark.django_db
EXAMPLES = int(os.environ.get("CLAIM_EXAMPLES", "15"))
STEPS = int(os.environ.get("CLAIM_STEPS", "25"))
LIMIT = Decimal(60)
PRICE = Decimal("12.5")

days = st.integers(0, 40).map(lambda number: FILED + timedelta(days=number))
amounts = st.sampled_from(["0.01", "10", "25", "60", "124.99", "125", "250", "300"]).map(Decimal)
people = st.sampled_from(["clerk", "boss"])
some = st.integers(0, 99)


@dataclass
class Ledger:
    """What somebody with pencil and paper would have noted: quantity and salvage of each line, and the facts."""

    quantity: dict
    salvage: dict
    facts: dict = field(default_factory=dict)  # key: (kind, day, amount, {line: allowed} at {line: amount then})
    closed: bool = False

    def amount(self, line):
        return max(self.quantity[line] * PRICE - self.salvage[line], Decimal(0))

    @property
    def claimed(self):
        return sum(self.amount(line) for line in self.quantity)

    def of(self, kind):
        """(key, amount) of the facts of a kind, in the order of their days."""
        found = [(day, key, amount) for key, (what, day, amount, _said) in self.facts.items() if what == kind]
        return [(key, amount) for _day, key, amount in sorted(found)]

    def sum(self, kind):
        return sum((amount for _key, amount in self.of(kind)), Decimal(0))

    @property
    def kept(self):
        return self.sum("receipt") + self.sum("offset") - self.sum("refund")

    @property
    def conceded(self):
        agreed = self.of("agreed")
        return max(self.claimed - agreed[-1][1], Decimal(0)) if agreed else Decimal(0)

    @property
    def left(self):
        """What is still asked for before anything is written off; below nought if too much came in."""
        return self.claimed - self.conceded - self.kept

    @property
    def open(self):
        return max(self.left - self.sum("written_off"), Decimal(0))

    @property
    def refund_due(self):
        return max(-self.left, Decimal(0))

    def answered(self):
        """(allowed, disallowed) of the lines as they are now, by the last decision on each; by the agreement if any."""
        if self.of("agreed"):
            return self.claimed - self.conceded, self.conceded
        last = {}
        for key, _amount in self.of("decision"):
            last |= self.facts[key][3]
        allowed = {line: min(pair[0], self.amount(line)) for line, pair in last.items()}
        rest = {line: min(pair[1], self.amount(line) - allowed[line]) for line, pair in last.items()}
        return sum(allowed.values(), Decimal(0)), sum(rest.values(), Decimal(0))


class Desk(RuleBasedStateMachine):
    def __init__(self):
        super().__init__()
        self.undo_everything = transaction.atomic()
        self.undo_everything.__enter__()
        self.lots = 0
        lines = ClaimLine.objects.filter(claim=self.world["claim"]).order_by("position")
        self.damaged = lines[0].pk
        self.paper = Ledger({line.pk: Decimal(10) for line in lines}, {line.pk: Decimal(0) for line in lines})

    def teardown(self):
        try:
            assert [*verify_chain(self.world["site"]), *verify_rows(self.world["site"])] == []
        finally:
            transaction.set_rollback(True)
            self.undo_everything.__exit__(None, None, None)

    # Helpers.

    @property
    def claim(self):
        return Claim.objects.select_related("site", "shipment__arrival").get(pk=self.world["claim"])

    def lines(self):
        return list(ClaimLine.objects.filter(claim=self.world["claim"], live=True).order_by("position"))

    def stored(self):
        claim = Claim.objects.filter(pk=self.world["claim"]).values().get()
        lines = list(ClaimLine.objects.order_by("pk").values())
        return claim, lines, [model.objects.count() for model in (Fact, LineDecision, SalvageLot, Event)]

    def attempt(self, name, call, *, expected=None):
        """What the call gives, or None where it was refused: then nothing may have changed.

        expected -- whether the paper says that it must be refused (True), must not (False), or cannot tell
        """
        before = self.stored()
        try:
            with transaction.atomic():
                answer = call()
        except Refused as why:
            assert expected is not False, why
            assert self.stored() == before
            return None
        assert expected is not True, f"{name} was not refused"
        self.done[name] += 1
        return answer

    def record(self, kind, *, person="clerk", day=FILED, amount=None, said=None, refuse=False, **more):
        given = {"on": day} | ({} if amount is None else {"amount": amount}) | more
        actor = self.world[person]
        expected = self.paper.closed or refuse
        fact = self.attempt(kind, lambda: make_fact(self.claim, kind, actor=actor, **given), expected=expected)
        if fact:
            self.paper.facts[fact.pk] = (kind, day, fact.amount, said or {})

    # What happens.

    @rule(kind=st.sampled_from(["note", "acknowledged", "status"]), day=days)
    def a_word(self, kind, day):
        more = {"received_on": FILED} if kind == "acknowledged" else {}
        self.record(kind, day=day, **more)

    @rule(amount=amounts, day=days)
    def money_in(self, amount, day):
        self.record("receipt", amount=amount, day=day)

    @precondition(lambda self: self.paper.open or self.paper.refund_due)
    @rule(day=days)
    def the_rest_is_settled(self, day):
        kind = "receipt" if self.paper.open else "refund"
        self.record(kind, amount=self.paper.open or self.paper.refund_due, day=day)

    @rule(amount=amounts, day=days)
    def set_off(self, amount, day):
        self.record("offset", amount=amount, day=day)

    @rule(amount=amounts, day=days)
    def money_back(self, amount, day):
        self.record("refund", amount=amount, day=day, refuse=amount > self.paper.kept)

    @rule(amount=amounts, day=days)
    def passed_on(self, amount, day):
        room = max(self.paper.kept - self.paper.sum("passed_on"), Decimal(0))
        self.record("passed_on", amount=amount, day=day, refuse=amount > room)

    @rule(amount=amounts, day=days, person=people)
    def written_off(self, amount, day, person):
        together = self.paper.sum("written_off") + amount
        refuse = amount > self.paper.open or (together > LIMIT and person == "clerk")
        self.record("written_off", amount=amount, day=day, person=person, refuse=refuse)

    @rule(amount=amounts, day=days)
    def agreed(self, amount, day):
        self.record("agreed", amount=amount, day=day, refuse=amount > self.paper.claimed)

    @rule(amount=amounts, day=days)
    def offered(self, amount, day):
        self.record("offer", amount=amount, day=day, until=None, refuse=amount > self.paper.claimed)

    @rule(parts=st.lists(st.sampled_from([0, 20, 100]), min_size=2, max_size=2), both=st.booleans(), day=days)
    def decided(self, parts, both, day):
        lines = self.lines()[: 2 if both else 1]
        said = [
            decide(line, (line.amount * part / 100).quantize(Decimal("0.01")))
            for line, part in zip(lines, parts, strict=False)
        ]
        noted = {each["line"]: (each["allowed"], each["disallowed"]) for each in said}
        self.record("decision", day=day, decisions=said, said=noted)

    @rule(gross=amounts, costs=st.sampled_from([0, 5, 400]), day=days)
    def sold(self, gross, costs, day):
        self.lots += 1
        line = ClaimLine.objects.get(pk=self.damaged)
        before = len(self.paper.facts)
        self.record("salvage", day=day, lots=[lot(line, gross, costs=costs, number=f"L-{self.lots}")])
        if len(self.paper.facts) > before:
            self.paper.salvage[self.damaged] += max(gross - costs, Decimal(0))

    @rule(which=some, quantity=st.sampled_from([1, 4, 10, 30]), day=days)
    def amended(self, which, quantity, day):
        line = self.lines()[which % 2]
        more = quantity > self.paper.quantity[line.pk]
        refuse = self.paper.closed or quantity == self.paper.quantity[line.pk]
        # More may be asked for behind an agreement only where salvage leaves the line at nought all the same.
        expected = True if refuse else (None if more and self.paper.of("agreed") else False)

        def call():
            return facts.amend(
                self.claim,
                reason="counted again",
                on=day,
                uuid=uuid.uuid4(),
                values={line.pk: {"quantity": Decimal(quantity)}},
                actor=self.world["clerk"],
                at=LATER,
            )

        row = self.attempt("amend", call, expected=expected)
        if row:
            self.paper.quantity[line.pk] = Decimal(quantity)
            self.paper.facts[row.fact_id] = ("amended", day, row.fact.amount, {})

    @precondition(lambda self: self.paper.facts)
    @rule(which=some)
    def taken_back(self, which):
        key = sorted(self.paper.facts)[which % len(self.paper.facts)]
        kind = self.paper.facts[key][0]
        bounces = kind in ("receipt", "offset")
        refuse = kind == "amended" or (self.paper.closed and not bounces)
        fact = Fact.objects.select_related("claim__site").get(pk=key)
        if self.attempt("reverse", lambda: take_back(fact, actor=self.world["clerk"]), expected=refuse):
            del self.paper.facts[key]
            self.paper.closed = False
            if kind == "salvage":
                for each in fact.lots.all():
                    self.paper.salvage[each.line_id] -= max(each.gross - each.costs, Decimal(0))

    @rule()
    def closed(self):
        settled = not self.paper.open and not self.paper.refund_due
        refuse = self.paper.closed or not settled
        call = filing.close
        if self.attempt("close", lambda: call(self.claim, actor=self.world["clerk"], at=LATER), expected=refuse):
            self.paper.closed = True

    @rule()
    def reopened(self):
        call = filing.reopen
        if self.attempt(
            "reopen",
            lambda: call(self.claim, reason="a carton was found", actor=self.world["clerk"], at=LATER),
            expected=not self.paper.closed,
        ):
            self.paper.closed = False

    # What always holds.

    @invariant()
    def the_money_is_what_the_paper_says(self):
        money = readings.reading(self.claim, at=LATER).money
        paper, (allowed, disallowed) = self.paper, self.paper.answered()
        assert money.claimed == paper.claimed == self.claim.amount
        assert (money.allowed, money.disallowed) == (allowed, disallowed)
        assert (money.kept, money.conceded, money.passed_on) == (paper.kept, paper.conceded, paper.sum("passed_on"))
        assert (money.open, money.refund_due) == (paper.open, paper.refund_due)

    @invariant()
    def it_adds_up(self):
        money = readings.reading(self.claim, at=LATER).money
        assert money.claimed == money.allowed + money.disallowed + money.undecided
        assert money.claimed == money.kept + money.written_off + money.conceded + money.outstanding

    @invariant()
    def a_closed_claim_has_nothing_open(self):
        found = readings.reading(self.claim, at=LATER)
        assert (found.standing == Standing.CLOSED) == self.paper.closed == (self.claim.stage == Stage.CLOSED)
        if self.paper.closed:
            assert not found.money.open and not found.money.refund_due


@pytest.fixture
def world():
    site = make_site(write_off_limit=LIMIT)
    clerk, boss = make_person("clerk", site), make_person("manager", site)
    return {"site": site, "clerk": clerk, "boss": boss, "claim": make_filed(site, actor=clerk).pk}


def test_whatever_happens_the_money_adds_up_and_a_refusal_changes_nothing(world):
    done = defaultdict(int)
    machine = type("OneDesk", (Desk,), {"world": world, "done": done})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=EXAMPLES,
            stateful_step_count=STEPS,
            deadline=None,
            derandomize=EXAMPLES == 15,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        ),
    )
    wanted = {
        "receipt",
        "refund",
        "written_off",
        "agreed",
        "decision",
        "salvage",
        "amend",
        "reverse",
        "close",
        "reopen",
    }
    assert wanted <= set(done), "the random work never got to these"
