"""Standing and money from plain facts: every standing, in every order, and sums that add up."""

from datetime import date, timedelta
from decimal import Decimal
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from claims import standing
from claims.enums import FactKind, Purpose, Speaker, Stage, Standing
from claims.standing import Decided, Happened

FILED = date(2026, 3, 2)
TODAY = date(2026, 6, 1)
LINES = {1: Decimal("60.00"), 2: Decimal("40.00")}


def day(number):
    return FILED + timedelta(days=number)


def read(*facts, stage=Stage.FILED, purpose=Purpose.CLAIM, lines=LINES, today=TODAY):
    return standing.read(stage=stage, purpose=purpose, currency="USD", lines=lines, facts=facts, today=today)


def fact(key, kind, on=None, amount=None, **more):
    amount = None if amount is None else Decimal(amount)
    return Happened(key, kind, on or day(key), amount, **more)


def decision(key, *said, on=None, speaker=Speaker.CARRIER, in_writing=True, **more):
    decisions = tuple(Decided(line, Decimal(allowed), Decimal(disallowed)) for line, allowed, disallowed in said)
    return fact(key, FactKind.DECISION, on, decisions=decisions, speaker=speaker, in_writing=in_writing, **more)


ACKNOWLEDGED = fact(1, FactKind.ACKNOWLEDGED)
STATUS = fact(2, FactKind.STATUS)
OFFER = fact(3, FactKind.OFFER, amount="70", until=TODAY)
DECLINED = fact(4, FactKind.OFFER_DECLINED, answers=3)
REFUSED = decision(5, (1, "0", "60"), (2, "0", "40"))
IN_PART = decision(6, (1, "50", "10"), (2, "40", "0"))
ALLOWED = decision(7, (1, "60", "0"), (2, "40", "0"))
ONE_LINE_REFUSED = decision(8, (2, "0", "40"))
ONE_LINE_ALLOWED = decision(9, (1, "60", "0"))
AGREED = fact(10, FactKind.AGREED, amount="70", answers=3)
PART_PAID = fact(11, FactKind.RECEIPT, amount="30")
REST_PAID = fact(12, FactKind.RECEIPT, amount="40")
PAID = fact(13, FactKind.RECEIPT, amount="100")
PAID_TWICE = fact(14, FactKind.RECEIPT, amount="100")
REFUNDED = fact(15, FactKind.REFUND, amount="100")
WRITTEN_OFF = fact(16, FactKind.WRITTEN_OFF, amount="30")
BOUNCED = fact(17, FactKind.RECEIPT, amount="100", reverses=13)
OFFSET = fact(18, FactKind.OFFSET, amount="100")
NEW_OFFER = fact(19, FactKind.OFFER, amount="90")

CASES = {
    "nothing": ([], Standing.TO_BE_ACKNOWLEDGED),
    "a note": ([fact(1, FactKind.NOTE)], Standing.TO_BE_ACKNOWLEDGED),
    "a status notice is no acknowledgement": ([STATUS], Standing.TO_BE_ACKNOWLEDGED),
    "acknowledged": ([ACKNOWLEDGED, STATUS], Standing.TO_BE_DECIDED),
    "part paid without a word": ([PART_PAID], Standing.TO_BE_DECIDED),
    "offered": ([ACKNOWLEDGED, OFFER], Standing.OFFER_OPEN),
    "offer declined": ([ACKNOWLEDGED, OFFER, DECLINED], Standing.TO_BE_DECIDED),
    "declined and offered again": ([OFFER, DECLINED, NEW_OFFER], Standing.OFFER_OPEN),
    "refused": ([ACKNOWLEDGED, REFUSED], Standing.DISALLOWED),
    "a decision overtakes the offer": ([OFFER, REFUSED], Standing.DISALLOWED),
    "an offer after a refusal": ([REFUSED, NEW_OFFER], Standing.OFFER_OPEN),
    "refused in part": ([IN_PART], Standing.PARTLY_DISALLOWED),
    "one line refused, one undecided": ([ONE_LINE_REFUSED], Standing.PARTLY_DISALLOWED),
    "one line allowed, one undecided": ([ONE_LINE_ALLOWED], Standing.TO_BE_DECIDED),
    "line by line": ([ONE_LINE_REFUSED, ONE_LINE_ALLOWED], Standing.PARTLY_DISALLOWED),
    "the later decision counts": ([REFUSED, ALLOWED], Standing.MONEY_AWAITED),
    "allowed": ([ALLOWED], Standing.MONEY_AWAITED),
    "what was allowed is paid": ([IN_PART, fact(20, FactKind.RECEIPT, amount="90")], Standing.PARTLY_DISALLOWED),
    "agreed": ([OFFER, AGREED], Standing.MONEY_AWAITED),
    "agreed and paid in part": ([OFFER, AGREED, PART_PAID], Standing.MONEY_AWAITED),
    "agreed and paid": ([OFFER, AGREED, PART_PAID, REST_PAID], Standing.ALL_IN),
    "agreed, and more was paid": ([AGREED, PAID], Standing.OVERPAID),
    "paid": ([PAID], Standing.ALL_IN),
    "set off": ([OFFSET], Standing.ALL_IN),
    "paid twice": ([PAID, PAID_TWICE], Standing.OVERPAID),
    "paid twice and returned": ([PAID, PAID_TWICE, REFUNDED], Standing.ALL_IN),
    "a payment bounced": ([ALLOWED, PAID, BOUNCED], Standing.MONEY_AWAITED),
    "the rest written off": ([PART_PAID, REST_PAID, WRITTEN_OFF], Standing.ALL_IN),
    "money after it was written off is not overpaid": ([WRITTEN_OFF, PAID], Standing.ALL_IN),
}


@pytest.mark.parametrize("name", CASES)
def test_the_standing_follows_from_the_facts_in_whatever_order_they_were_written(name):
    facts, expected = CASES[name]
    readings = {read(*order) for order in permutations(facts)}
    assert {reading.standing for reading in readings} == {expected}
    assert len(readings) == 1


def test_every_standing_is_derived():
    by_stage = {read(stage=stage).standing for stage in (Stage.DRAFT, Stage.CLOSED, Stage.WITHDRAWN)}
    by_purpose = {read(PAID, purpose=Purpose.HANDOVER).standing}
    assert by_stage | by_purpose | {expected for _facts, expected in CASES.values()} == set(Standing)


def test_an_offer_is_open_up_to_and_on_its_last_day():
    assert read(OFFER).until == TODAY
    assert read(OFFER, today=TODAY + timedelta(days=1)).standing == Standing.TO_BE_DECIDED
    assert read(NEW_OFFER, today=date(2030, 1, 1)).standing == Standing.OFFER_OPEN


def test_an_agreement_concedes_the_rest():
    money = read(OFFER, AGREED).money
    assert (money.agreed, money.conceded, money.outstanding) == (Decimal("70.00"), Decimal("30.00"), Decimal("70.00"))


@pytest.mark.parametrize("before", [(), (OFFER,), (IN_PART,), (ONE_LINE_REFUSED,), (REFUSED,)])
def test_an_agreement_leaves_nothing_undecided_what_it_gives_up_is_not_allowed(before):
    money = read(*before, AGREED).money
    assert (money.allowed, money.disallowed, money.undecided, money.conceded) == (70, 30, 0, 30)


def test_an_agreement_on_more_than_is_left_of_the_claim_allows_what_is_left():
    money = read(AGREED, lines={1: Decimal("55.00")}).money
    assert (money.allowed, money.disallowed, money.undecided, money.conceded) == (55, 0, 0, 0)


def test_a_refusal_is_contested_by_what_comes_after_it():
    contested = fact(30, FactKind.CONTESTED)
    day = REFUSED.on
    assert not standing.is_contested([])
    assert not standing.is_contested([REFUSED])
    assert standing.is_contested([REFUSED, contested])
    assert standing.is_contested([REFUSED], [day]) and not standing.is_contested([REFUSED], [day - timedelta(days=1)])
    again = fact(31, FactKind.DECISION, on=contested.on + timedelta(days=1), decisions=REFUSED.decisions)
    assert not standing.is_contested([REFUSED, contested, again])
    assert not standing.is_contested([REFUSED, contested, fact(32, FactKind.CONTESTED, reverses=contested.key)])


def test_what_is_paid_over_the_agreement_is_a_refund():
    money = read(AGREED, PAID).money
    assert (money.outstanding, money.refund_due, money.open) == (Decimal("-30.00"), Decimal("30.00"), 0)


def test_money_after_a_write_off_takes_its_place():
    money = read(WRITTEN_OFF, fact(20, FactKind.RECEIPT, amount="90")).money
    assert (money.written_off, money.outstanding, money.refund_due) == (Decimal("10.00"), 0, 0)


def test_a_line_that_grew_is_undecided_for_the_more_and_one_that_shrank_loses_what_was_disallowed():
    grown = read(IN_PART, lines={1: Decimal("75.00"), 2: Decimal("40.00")}).money
    assert (grown.allowed, grown.disallowed, grown.undecided) == (Decimal("90"), Decimal("10"), Decimal("15"))
    shrunk = read(IN_PART, lines={1: Decimal("55.00"), 2: Decimal("30.00")}).money
    assert (shrunk.allowed, shrunk.disallowed, shrunk.undecided) == (Decimal("80"), Decimal("5"), 0)


def test_a_decision_on_a_dropped_line_is_out_of_the_sum():
    money = read(ALLOWED, lines={1: Decimal("60.00")}).money
    assert (money.claimed, money.allowed) == (Decimal("60"), Decimal("60"))


def test_a_decision_of_the_same_day_counts_by_which_was_written_later():
    first, second = decision(1, (1, "0", "60"), on=FILED), decision(2, (1, "60", "0"), on=FILED)
    assert read(second, first).money.allowed == Decimal("60")


def test_a_decision_written_down_later_does_not_count_before_one_of_a_later_day():
    older, newer = decision(9, (1, "0", "60"), on=day(1)), decision(1, (1, "60", "0"), on=day(8))
    assert read(older, newer).money.allowed == Decimal("60")


def test_a_draft_without_prices_claims_nothing_yet():
    assert read(stage=Stage.DRAFT, lines={1: None}).money.claimed == 0


def test_currencies_do_not_add_up():
    with pytest.raises(ValueError, match="EUR and USD"):
        standing.Money("EUR") + standing.Money("USD")


def test_money_of_two_claims_adds_up_name_by_name():
    both = read(PAID).money + read(IN_PART).money
    assert (both.claimed, both.received, both.disallowed, both.outstanding) == (200, 100, 10, 100)


# -- the suit clock


def test_only_a_written_disallowance_by_the_carrier_starts_the_suit_period():
    assert standing.suit_starts([REFUSED]) == [(1, day(5)), (2, day(5))]
    assert standing.suit_starts([decision(1, (1, "0", "60"), in_writing=False)]) == []
    for speaker in Speaker:
        speaks = speaker in (Speaker.CARRIER, Speaker.FOR_CARRIER)
        assert bool(standing.suit_starts([decision(1, (1, "0", "60"), speaker=speaker)])) == speaks


def test_an_offer_starts_no_suit_period():
    assert standing.suit_starts([OFFER, NEW_OFFER]) == []


def test_a_second_refusal_starts_no_new_period():
    again = decision(20, (1, "0", "60"))
    assert standing.suit_starts([again, REFUSED]) == [(1, day(5)), (2, day(5))]


def test_a_line_allowed_later_has_no_suit_period_unless_that_was_only_said():
    assert standing.suit_starts([REFUSED, ONE_LINE_ALLOWED]) == [(2, day(5))]
    said = decision(9, (1, "60", "0"), in_writing=False)
    assert standing.suit_starts([REFUSED, said]) == [(1, day(5)), (2, day(5))]


def test_a_reversed_refusal_starts_no_suit_period():
    assert standing.suit_starts([REFUSED, fact(6, FactKind.DECISION, reverses=5)]) == []


def test_papers_returned_are_told_by_line():
    back = decision(6, (1, "60", "0"), (2, "0", "40"), papers_returned=True)
    assert standing.papers_returned([REFUSED, back]) == {2: day(6)}


def test_the_carrier_has_decided_what_it_answered_in_writing():
    assert standing.decided_for_carrier([ONE_LINE_ALLOWED]) == {1: day(9)}
    assert standing.decided_for_carrier([decision(1, (1, "60", "0"), speaker=Speaker.BROKER)]) == {}


# -- always

amounts = st.decimals("0", "150", places=2)
days = st.integers(0, 60).map(day)
money_facts = st.tuples(
    st.sampled_from(
        [FactKind.RECEIPT, FactKind.OFFSET, FactKind.REFUND, FactKind.WRITTEN_OFF, FactKind.PASSED_ON, FactKind.AGREED]
    ),
    days,
    amounts,
)
share = st.integers(0, 100)
decided_facts = st.tuples(st.just(FactKind.DECISION), days, st.dictionaries(st.sampled_from([1, 2, 3]), share))
words = st.tuples(st.sampled_from([FactKind.OFFER, FactKind.ACKNOWLEDGED, FactKind.NOTE]), days, amounts)
reversals = st.tuples(st.just("reverse"), days, st.integers(0, 11))


@st.composite
def histories(draw):
    """Lines and up to twelve facts of any kind, in the order they were written."""
    lines = {key: draw(amounts) for key in (1, 2, 3)}
    facts = []
    for kind, on, what in draw(st.lists(st.one_of(money_facts, decided_facts, words, reversals), max_size=12)):
        facts.append(made(len(facts) + 1, kind, on, what, lines, facts))
    return lines, [fact for fact in facts if fact]


def made(key, kind, on, what, lines, facts):
    if kind == "reverse":
        earlier = [fact for fact in facts if fact and fact.reverses is None]
        target = earlier[what % len(earlier)] if earlier else None
        free = target and target.key not in {fact.reverses for fact in facts if fact}
        return Happened(key, target.kind, on, reverses=target.key) if free else None
    if kind == FactKind.DECISION:
        allowed = {line: standing.cents(lines[line] * part / 100) for line, part in what.items()}
        said = tuple(Decided(line, amount, lines[line] - amount) for line, amount in allowed.items())
        return Happened(key, kind, on, decisions=said, speaker=Speaker.CARRIER, in_writing=True)
    return Happened(key, kind, on, what)


@settings(max_examples=2000, deadline=None)
@given(histories())
def test_money_adds_up_whatever_happens(history):
    lines, facts = history
    money = read(*facts, lines=lines).money
    assert money.claimed == sum(lines.values())
    assert money.claimed == money.allowed + money.disallowed + money.undecided
    assert money.claimed == money.kept + money.written_off + money.conceded + money.outstanding
    assert min(money.allowed, money.disallowed, money.undecided, money.conceded, money.written_off) >= 0
    assert money.refund_due == max(-money.outstanding, 0)


@settings(max_examples=300, deadline=None)
@given(histories(), st.randoms())
def test_neither_order_nor_what_was_taken_back_matters(history, random):
    lines, facts = history
    shuffled = random.sample(facts, len(facts))
    kept = standing.live(facts)
    assert read(*facts, lines=lines) == read(*shuffled, lines=lines) == read(*kept, lines=lines)
