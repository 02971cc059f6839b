"""Numbers as the working prints them, in the reader's language."""

from django.utils.formats import date_format, number_format

from claims.money import EXACT, cents, places

LONGEST = 8
CUT = 4


def money(amount, currency=""):
    """An amount with all its decimals, at least the currency's own: 1,842.00, 6.6542."""
    return _grouped(amount, at_least=places(currency))


def figure(number):
    """A weight, a count, a rate or a percentage without trailing noughts: 18,420; 2.5."""
    return _grouped(number, at_least=0)


def tidy(amount, currency=""):
    """The same amount with at least the currency's decimals and no trailing noughts beyond them."""
    short = amount.normalize(EXACT)
    return short if short.as_tuple().exponent <= -places(currency) else cents(short, currency)


def plainly(amount, currency=""):
    """What a product came to, and to which cent that was brought if it did not end there."""
    rounded = cents(amount, currency)
    if rounded == amount:
        return money(rounded, currency)
    return f"{money(amount, currency)} ≈ {money(rounded, currency)}"


def day(date):
    return date_format(date, "D j M Y")


def _grouped(number, at_least):
    """Longer than anybody reads, a number is cut and says so."""
    text = format(number, "f")
    whole, _, decimals = text.partition(".")
    decimals = decimals.rstrip("0").ljust(at_least, "0")
    cut = len(decimals) > LONGEST
    if cut:
        decimals = decimals[:CUT]
    shown = number_format(EXACT.create_decimal(f"{whole}.{decimals or 0}"), len(decimals), force_grouping=True)
    return f"{shown}…" if cut else shown
