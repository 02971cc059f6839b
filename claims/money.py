"""Money is decimal, and rounded here only. A leaf.

Amounts are `Decimal` (or whole numbers). A float is a `TypeError`, whatever is no finite number a `ValueError`. SQLite
adds decimals up as floats, so every sum that comes out of the database goes through `cents`.
"""

from collections.abc import Iterable, Sequence
from decimal import ROUND_HALF_UP, Context, Decimal, DivisionByZero, InvalidOperation, Overflow
from fractions import Fraction

# Wide enough that a product of prices, weights and percentages is exact, and that a quotient which ends is exact too.
EXACT = Context(prec=80, rounding=ROUND_HALF_UP, traps=[InvalidOperation, DivisionByZero, Overflow])
LARGEST_PLACE = 24

# ISO 4217, from memory: the currencies whose smaller unit is not a hundredth.
MINOR_UNITS = {
    **dict.fromkeys(
        [
            "BIF",
            "CLP",
            "DJF",
            "GNF",
            "ISK",
            "JPY",
            "KMF",
            "KRW",
            "PYG",
            "RWF",
            "UGX",
            "UYI",
            "VND",
            "VUV",
            "XAF",
            "XOF",
            "XPF",
        ],
        0,
    ),
    **dict.fromkeys(["BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"], 3),
    **dict.fromkeys(["CLF", "UYW"], 4),
}


def places(currency=""):
    """How many decimals a currency has: JPY 0, KWD 3, and 2 where the table knows nothing else."""
    return MINOR_UNITS.get(currency, 2)


def exact(amount):
    """The amount as a finite Decimal, unrounded. Floats and text are a TypeError, NaN and infinity a ValueError."""
    if isinstance(amount, bool) or not isinstance(amount, Decimal | int):
        raise TypeError(f"Money is decimal, not {type(amount).__name__}: {amount!r}")
    amount = Decimal(amount)
    if not amount.is_finite() or amount.adjusted() > LARGEST_PLACE:
        raise ValueError(f"This is no amount of money: {amount}")
    return amount


def cents(amount, currency=""):
    """The amount half-up to the currency's smallest unit: 2.675 is 2.68, and -2.675 is -2.68."""
    rounded = exact(amount).quantize(_smallest(currency), context=EXACT)
    return EXACT.add(rounded, 0)  # No minus nought.


def whole_again(quotient):
    """A product of quotients that ran out of digits, brought to 40 places: a third of three is one again."""
    return exact(quotient).quantize(Decimal(1).scaleb(-40), context=EXACT).normalize(EXACT)


def add_up(amounts: Iterable, currency=""):
    """The sum, exact until it is rounded at the end; of nothing, 0.00."""
    total = Decimal(0)
    for amount in amounts:
        total = EXACT.add(total, exact(amount))
    return cents(total, currency)


def split(total, weights: Sequence, currency="", *, at_most: Sequence | None = None):
    """`total` shared in proportion to `weights` by largest remainder; the shares add up to it to the last cent.

    Where remainders are alike the earlier share gets the cent. Weights that are all nought count alike.
    at_most -- what each share can hold, in whole cents; what one cannot hold goes to the others in proportion
    A total that is not whole cents, or more than the shares can hold, is a ValueError.
    """
    whole = _units(total, currency)
    if whole < 0:
        shares = split(EXACT.minus(exact(total)), weights, currency, at_most=at_most)
        return [EXACT.minus(share) for share in shares]
    weights = [Fraction(exact(weight)) for weight in weights]
    room = [whole] * len(weights) if at_most is None else [_units(most, currency) for most in at_most]
    if len(room) != len(weights) or min([*weights, *room], default=0) < 0:
        raise ValueError("Every share needs a weight and a bound, and none below nought")
    if whole > sum(room):
        raise ValueError(f"{total} is more than the shares can hold")
    return [cents(EXACT.multiply(share, _smallest(currency)), currency) for share in _apportion(whole, weights, room)]


def _apportion(whole, weights, room):
    shares, still_open = [0] * len(weights), list(range(len(weights)))
    while still_open:
        quotas = _quotas(whole, {n: weights[n] for n in still_open})
        full = [n for n in still_open if quotas[n] > room[n]]
        if not full:
            return _largest_remainder(whole, quotas, shares)
        for n in full:
            shares[n] = room[n]
            whole -= room[n]
            still_open.remove(n)
    return shares


def _quotas(whole, weights):
    total = sum(weights.values())
    if not total:
        return dict.fromkeys(weights, Fraction(whole, len(weights)))
    return {n: whole * weight / total for n, weight in weights.items()}


def _largest_remainder(whole, quotas, shares):
    for n, quota in quotas.items():
        shares[n] = int(quota)
    left = whole - sum(shares[n] for n in quotas)
    for n in sorted(quotas, key=lambda n: (shares[n] - quotas[n], n))[:left]:
        shares[n] += 1
    return shares


def _smallest(currency):
    return Decimal(1).scaleb(-places(currency))


def _units(amount, currency):
    units = EXACT.scaleb(exact(amount), places(currency))
    if units != units.to_integral_value():
        raise ValueError(f"{amount} is not a whole number of the smallest unit of money")
    return int(units)
