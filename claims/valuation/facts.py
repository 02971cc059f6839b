"""The numbers a valuation starts from. None means that nobody has said; it is never read as nought."""

from dataclasses import dataclass, fields
from datetime import date
from decimal import Decimal

from django.db.models import TextChoices
from django.utils.translation import gettext_lazy as _

from claims.enums import FreightWhen, LimitBasis, LineKind, SalvageWhen
from claims.money import exact

# The pound of 1959, exact by definition (international yard and pound agreement; from memory).
KILOGRAMS = {"kg": Decimal(1), "lb": Decimal("0.45359237")}


class FreightBy(TextChoices):
    """What the freight was charged on, and is therefore shared by."""

    WEIGHT = "weight", _("weight")
    PIECES = "pieces", _("pieces")


class Of(TextChoices):
    """What of the shipment a shortage allowance is a percentage of."""

    PIECES = "pieces", _("pieces")
    VALUE = "value", _("value")


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of a claim, in the claim's currency.

    trade_discount, cash_discount -- in percent; the cash discount is taken from what the trade discount leaves
    repair_cost, value_lost -- for the whole line, of goods that are hurt and not gone
    salvage -- what the goods brought, less the cost of selling them
    weight -- gross, of the whole line, in weight_unit or else in the shipment's unit
    packages -- pieces as the bill counts them, where quantity may count units; a part where lines share a package
    """

    key: str | int
    kind: LineKind
    quantity: Decimal | None = None
    unit_price: Decimal | None = None
    trade_discount: Decimal = Decimal(0)
    cash_discount: Decimal = Decimal(0)
    repair_cost: Decimal | None = None
    value_lost: Decimal | None = None
    salvage: Decimal = Decimal(0)
    weight: Decimal | None = None
    weight_unit: str = ""
    packages: Decimal | None = None
    description: str = ""

    def __post_init__(self):
        _settle(self, kind=LineKind)
        _within(self, "trade_discount", "cash_discount", most=100)
        _within(self, "quantity", "unit_price", "repair_cost", "value_lost", "weight", "packages")
        _known_unit(self, "weight_unit")

    @property
    def name(self):
        return self.description or str(self.key)


@dataclass(frozen=True, kw_only=True)
class Terms:
    """What the carrier answers for.

    limit_rate -- money per weight unit or per package, in limit_currency ("" means the claim's own; XDR for special
        drawing rights)
    declared_value, deductible -- in the claim's currency
    allowance_percent -- of the shipment's pieces or value; so much may be short without a claim
    """

    limit_basis: LimitBasis = LimitBasis.NONE
    limit_rate: Decimal | None = None
    limit_currency: str = ""
    limit_weight_unit: str = "kg"
    declared_value: Decimal | None = None
    salvage_when: SalvageWhen = SalvageWhen.BEFORE
    freight_when: FreightWhen = FreightWhen.OUTSIDE
    deductible: Decimal = Decimal(0)
    allowance_percent: Decimal = Decimal(0)
    allowance_of: Of = Of.PIECES

    def __post_init__(self):
        _settle(self, limit_basis=LimitBasis, salvage_when=SalvageWhen, freight_when=FreightWhen, allowance_of=Of)
        _within(self, "limit_rate", "declared_value", "deductible")
        _within(self, "allowance_percent", most=100)
        _known_unit(self, "limit_weight_unit")


@dataclass(frozen=True, kw_only=True)
class Shipment:
    """The whole of what moved on one bill.

    pieces -- as the bill counts them
    value -- of the whole shipment; only an allowance on value asks for it
    freight_paid, freight_in_price -- None where nobody has said
    """

    currency: str
    weight: Decimal | None = None
    weight_unit: str = "kg"
    pieces: Decimal | None = None
    value: Decimal | None = None
    freight: Decimal | None = None
    freight_paid: bool | None = None
    freight_in_price: bool | None = None
    freight_by: FreightBy = FreightBy.WEIGHT

    def __post_init__(self):
        _settle(self, freight_by=FreightBy)
        _within(self, "weight", "pieces", "value", "freight")
        _known_unit(self, "weight_unit")


@dataclass(frozen=True, kw_only=True)
class Rate:
    """What one unit of the limit's currency is in the claim's currency, on a day, as somebody read it somewhere."""

    value: Decimal
    day: date
    source: str

    def __post_init__(self):
        _settle(self)
        if self.value <= 0:
            raise ValueError(f"A rate is above nought, not {self.value}")


def _settle(record, **choices):
    """Words become choices, whole numbers become decimals; a float goes no further."""
    for field in fields(record):
        given = getattr(record, field.name)
        if field.name in choices:
            object.__setattr__(record, field.name, choices[field.name](given))
        elif "Decimal" in str(field.type) and given is not None:
            object.__setattr__(record, field.name, exact(given))


def _within(record, *names, most=None):
    for name in names:
        given = getattr(record, name)
        if given is not None and (given < 0 or (most is not None and given > most)):
            bounds = "not below nought" if most is None else f"from 0 to {most}"
            raise ValueError(f"{name} is {bounds}: {given}")


def _known_unit(record, name):
    unit = getattr(record, name)
    if unit and unit not in KILOGRAMS:
        raise ValueError(f"{name} is one of {', '.join(KILOGRAMS)}: {unit}")
