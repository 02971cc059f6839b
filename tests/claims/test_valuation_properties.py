"""What holds of every valuation: it adds up, holds its limits, and depends on nothing it should not depend on."""

import json
from dataclasses import replace
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from claims.enums import FreightWhen, LimitBasis, LineKind, SalvageWhen
from claims.money import cents
from claims.valuation import FreightBy, Of, Terms, Valuation, value
from tests.claims.valuation_examples import SDR, amounts, bill, booked, line


def decimal(most, places):
    return st.decimals(min_value=0, max_value=most, places=places)


@st.composite
def some_line(draw):
    kind = draw(st.sampled_from(LineKind))
    return line(
        kind=kind,
        quantity=draw(decimal(40, 2)),
        unit_price=draw(decimal(90, 4)),
        trade_discount=draw(decimal(30, 2)),
        cash_discount=draw(decimal(5, 1)),
        salvage=draw(decimal(300, 2)),
        weight=draw(st.decimals(min_value=1, max_value=60, places=1)),
        packages=draw(st.integers(1, 5)),
        repair_cost=draw(st.none() | decimal(500, 2)) if kind == LineKind.DAMAGE else None,
    )


lines = st.lists(some_line(), min_size=1, max_size=5).map(
    lambda found: [replace(each, key=key) for key, each in enumerate(found)]
)
terms = st.builds(
    Terms,
    limit_basis=st.sampled_from(LimitBasis),
    limit_rate=decimal(30, 2),
    limit_currency=st.sampled_from(["", "USD", "XDR"]),
    limit_weight_unit=st.sampled_from(["kg", "lb"]),
    declared_value=decimal(3000, 2),
    salvage_when=st.sampled_from(SalvageWhen),
    freight_when=st.sampled_from(FreightWhen),
    deductible=st.just(Decimal(0)) | decimal(200, 2),
    allowance_percent=st.just(Decimal(0)) | decimal(5, 2),
    allowance_of=st.sampled_from(Of),
)
bills = st.builds(
    bill,
    weight_unit=st.sampled_from(["kg", "lb"]),
    freight=decimal(2000, 2),
    freight_paid=st.sampled_from([True, True, False, None]),
    freight_by=st.sampled_from(FreightBy),
    currency=st.sampled_from(["USD", "USD", "JPY", "KWD"]),
    value=st.just(Decimal(20000)),
)


@given(lines, terms, bills)
def test_everything_printed_adds_up(lines, terms, shipment):
    found = value(lines, terms, shipment, SDR)
    assert found.total == sum(amounts(found))
    for working in found.lines:
        assert working.amount == cents(working.amount, shipment.currency) >= 0
        assert sum(step.amount for step in working.steps) == working.amount
    assert Valuation.from_dict(json.loads(json.dumps(found.as_dict()))) == found


@given(lines, terms, bills)
def test_goods_and_freight_never_exceed_the_loss_and_the_freight(lines, terms, shipment):
    found = value(lines, terms, shipment, SDR)
    for given_line, working in zip(lines, found.lines, strict=True):
        freight = sum(step.amount for step in working.steps if step.code == "freight")
        assert freight >= 0
        assert working.amount - freight <= cents(given_line.quantity * given_line.unit_price, shipment.currency)
    shares = [step.amount for working in found.lines for step in working.steps if step.code == "freight"]
    assert sum(shares) <= cents(shipment.freight, shipment.currency)


@given(lines, terms, bills)
def test_the_limit_is_never_exceeded(lines, terms, shipment):
    """Recomputed here without shares: what each basis allows for all the lines it covers, freight on top left out."""
    found = value(lines, replace(terms, allowance_percent=Decimal(0)), shipment, SDR)
    covered = {
        LimitBasis.DAMAGED_WEIGHT: [LineKind.DAMAGE],
        LimitBasis.SHORT_WEIGHT: [LineKind.LOSS],
    }.get(terms.limit_basis, list(LineKind))
    keys = [each.key for each in lines if each.kind in covered]
    on_top = terms.freight_when == FreightWhen.OUTSIDE
    claimed = sum(
        found.line(key).amount - (sum(step.amount for step in booked(found, "freight", key)) if on_top else 0)
        for key in keys
    )
    limit = limit_of([each for each in lines if each.kind in covered], terms, shipment)
    assert limit is None or claimed <= cents(limit, shipment.currency)


def limit_of(covered, terms, shipment):
    kilograms = {"kg": Decimal(1), "lb": Decimal("0.45359237")}
    ratio = kilograms[shipment.weight_unit] / kilograms[terms.limit_weight_unit]
    rate = terms.limit_rate * (1 if terms.limit_currency in ("", shipment.currency) else SDR.value)
    if terms.limit_basis == LimitBasis.NONE:
        return None
    if terms.limit_basis == LimitBasis.DECLARED_VALUE:
        return terms.declared_value
    if terms.limit_basis == LimitBasis.PACKAGE:
        return sum(cents(rate * each.packages, shipment.currency) for each in covered)
    weight = shipment.weight if terms.limit_basis == LimitBasis.SHIPMENT_WEIGHT else sum(e.weight for e in covered)
    return rate * weight * ratio


@given(lines, terms, bills, st.randoms())
def test_the_order_of_the_lines_changes_no_amount(lines, terms, shipment, chance):
    found, other = (value(each, terms, shipment, SDR) for each in (lines, chance.sample(lines, len(lines))))
    assert found.total == other.total
    assert all(other.line(working.key) == working for working in found.lines)


@given(lines, terms, bills, decimal(300, 2), st.integers(0, 4))
def test_more_salvage_never_raises_the_claim(lines, terms, shipment, more, which):
    which %= len(lines)
    richer = [replace(e, salvage=e.salvage + more) if n == which else e for n, e in enumerate(lines)]
    assert value(richer, terms, shipment, SDR).total <= value(lines, terms, shipment, SDR).total


@given(lines, terms, bills, st.sampled_from(["weight", "packages", "unit_price"]), st.integers(0, 4))
def test_an_unknown_number_never_makes_a_total_that_differs(lines, terms, shipment, name, which):
    """The total is the same as if the number were known, because nothing asked for it, or there is no total."""
    which %= len(lines)
    if name == "unit_price" and lines[which].repair_cost is not None:
        return
    unsure = [replace(e, **{name: None}) if n == which else e for n, e in enumerate(lines)]
    assert value(unsure, terms, shipment, SDR).total in (None, value(lines, terms, shipment, SDR).total)
