"""What a valuation answers: every step in words, and amounts that add up. Kept as JSON and printed in the packet."""

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True)
class Step:
    """One printed step.

    code -- stable: price, trade_discount, cash_discount, repair, value_lost, salvage, allowance, limit, deductible,
        freight, rounding; limit, conversion, allowance and deductible also stand among the steps of the whole claim
    amount -- signed and unrounded; a line's steps add up to its amount exactly. In a step of the whole claim it is
        the sum that the words arrive at
    """

    code: str
    words: str
    amount: Decimal
    note: str = ""

    def as_dict(self):
        return {"code": self.code, "words": self.words, "amount": _text(self.amount), "note": self.note}

    @classmethod
    def from_dict(cls, kept):
        return cls(**{**kept, "amount": _number(kept["amount"])})


@dataclass(frozen=True)
class Share:
    """What one line has of an amount that lines share.

    weight -- gross, in `unit`, None where the weight played no part; before -- what it was worth, unrounded
    exact -- its part before the cents were given out; given -- its part in whole cents
    """

    key: str | int
    before: Decimal
    exact: Decimal
    given: Decimal
    weight: Decimal | None = None
    unit: str = ""

    def as_dict(self):
        numbers = {name: _text(getattr(self, name)) for name in ("before", "exact", "given", "weight")}
        return {"key": self.key, "unit": self.unit, **numbers}

    @classmethod
    def from_dict(cls, kept):
        numbers = {name: _number(kept[name]) for name in ("before", "exact", "given", "weight")}
        return cls(key=kept["key"], unit=kept["unit"], **numbers)


@dataclass(frozen=True)
class Pool:
    """An amount that two lines or more were held to together, in proportion to what each was worth before.

    code -- limit, allowance or deductible: what brought them down to `ceiling`
    """

    code: str
    ceiling: Decimal
    shares: tuple[Share, ...]

    @property
    def before(self):
        return sum(share.before for share in self.shares)

    def as_dict(self):
        return {
            "code": self.code,
            "ceiling": _text(self.ceiling),
            "shares": [share.as_dict() for share in self.shares],
        }

    @classmethod
    def from_dict(cls, kept):
        return cls(kept["code"], _number(kept["ceiling"]), tuple(Share.from_dict(share) for share in kept["shares"]))


@dataclass(frozen=True)
class LineWorking:
    """amount -- whole cents, or None while `needs` (sentences) says what is missing
    flags -- salvage_exceeds_loss, salvage_below_zero, repair_alone, repair_of_lost_goods, limited, within_allowance
    """

    key: str | int
    steps: tuple[Step, ...]
    amount: Decimal | None
    needs: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()

    @property
    def undetermined(self):
        return self.amount is None

    def as_dict(self):
        return {
            "key": self.key,
            "steps": [step.as_dict() for step in self.steps],
            "amount": _text(self.amount),
            "needs": list(self.needs),
            "flags": list(self.flags),
        }

    @classmethod
    def from_dict(cls, kept):
        return cls(
            key=kept["key"],
            steps=tuple(Step.from_dict(step) for step in kept["steps"]),
            amount=_number(kept["amount"]),
            needs=tuple(kept["needs"]),
            flags=tuple(kept["flags"]),
        )


@dataclass(frozen=True)
class Valuation:
    """total -- the sum of the lines, or None while one of them is undetermined."""

    currency: str
    lines: tuple[LineWorking, ...]
    total: Decimal | None
    group_steps: tuple[Step, ...] = ()
    pools: tuple[Pool, ...] = ()

    @property
    def needs(self):
        """What is missing, each sentence once."""
        return tuple(dict.fromkeys(need for line in self.lines for need in line.needs))

    def line(self, key):
        return next(line for line in self.lines if line.key == key)

    def as_dict(self):
        return {
            "currency": self.currency,
            "lines": [line.as_dict() for line in self.lines],
            "total": _text(self.total),
            "group_steps": [step.as_dict() for step in self.group_steps],
            "pools": [pool.as_dict() for pool in self.pools],
        }

    @classmethod
    def from_dict(cls, kept):
        return cls(
            currency=kept["currency"],
            lines=tuple(LineWorking.from_dict(line) for line in kept["lines"]),
            total=_number(kept["total"]),
            group_steps=tuple(Step.from_dict(step) for step in kept["group_steps"]),
            pools=tuple(Pool.from_dict(pool) for pool in kept.get("pools", ())),
        )


def _text(amount):
    return None if amount is None else format(amount, "f")


def _number(text):
    return None if text is None else Decimal(text)
