"""Lines, bills and terms of round numbers, for the tests of the valuation."""

from datetime import date
from decimal import Decimal

from claims.enums import LimitBasis, LineKind
from claims.valuation import Line, Rate, Shipment, Terms

SDR = Rate(value=Decimal("1.31"), day=date(2026, 3, 2), source="the bank's list")


def line(key=1, kind=LineKind.DAMAGE, **facts):
    given = {"quantity": 1, "unit_price": 100, "weight": 10, "packages": 1, **facts}
    return Line(key=key, kind=kind, **given)


def bill(**facts):
    """1,000 lb in 100 pieces, the freight of 500.00 paid and not inside the price."""
    given = {"currency": "USD", "weight": 1000, "weight_unit": "lb", "pieces": 100, "freight": 500}
    return Shipment(**{**given, "freight_paid": True, "freight_in_price": False, **facts})


def free(**facts):
    """A bill without freight to claim."""
    return bill(freight_paid=False, **facts)


def limited(rate, basis=LimitBasis.PIECES_WEIGHT, **facts):
    return Terms(limit_basis=basis, limit_rate=Decimal(rate), limit_weight_unit="lb", **facts)


def amounts(found):
    return [working.amount for working in found.lines]


def booked(found, code, key=1):
    return [step for step in found.line(key).steps if step.code == code]


def every_kind_of_line():
    return [
        line(key="a", quantity=3, unit_price=Decimal("33.335"), trade_discount=3),
        line(key="b", kind=LineKind.LOSS, quantity=7, unit_price=Decimal("12.3456")),
        line(key="c", repair_cost=55, value_lost=Decimal("60.10"), salvage=12),
    ]
