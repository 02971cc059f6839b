"""Limits of liability: on which lines, how high, and how that was reckoned.

The same rate gives different limits on another basis, so the basis is a term (GAO B-238611 counts the whole shipment's
weight, GAO B-159274 the weight of the part lost or damaged).
"""

from decimal import Decimal

from django.utils.translation import gettext as _

from claims.enums import LimitBasis, LineKind
from claims.money import cents, whole_again
from claims.valuation.facts import KILOGRAMS
from claims.valuation.progress import Missing, all_known, counted, known, weighed
from claims.valuation.words import LONGEST, day, figure, money, plainly, tidy
from claims.valuation.working import Step

COVERED = {
    LimitBasis.DAMAGED_WEIGHT: {LineKind.DAMAGE},
    LimitBasis.SHORT_WEIGHT: {LineKind.LOSS},
}
BY_LINES_WEIGHT = (LimitBasis.PIECES_WEIGHT, LimitBasis.DAMAGED_WEIGHT, LimitBasis.SHORT_WEIGHT)


def ceilings(works, terms, shipment, rate):
    """Triples of the lines a ceiling covers, the ceiling in the claim's currency, and its steps.

    Where a line, the terms or the rate lack something, the lines get a need and there is no ceiling.
    """
    covered = [work for work in works if work.line.kind in COVERED.get(terms.limit_basis, LineKind)]
    if not covered or terms.limit_basis == LimitBasis.NONE:
        return
    try:
        _ready(terms, shipment, rate)
        if MEASURED.get(terms.limit_basis, known)(covered) and all_known(covered, _("the limit of liability")):
            yield from HOW[terms.limit_basis](covered, terms, shipment, rate)
    except Missing as missing:
        missing.tell(covered)


def _ready(terms, shipment, rate):
    """Raises `Missing` for the first thing that the terms, the shipment or the rate lack."""
    basis = terms.limit_basis
    if basis == LimitBasis.DECLARED_VALUE:
        if terms.declared_value is None:
            raise Missing(_("Give the value that was declared on the bill."))
        return
    if terms.limit_rate is None:
        raise Missing(_("Give the rate of the limit of liability."))
    if basis != LimitBasis.PACKAGE and not terms.limit_weight_unit:
        raise Missing(_("Give the weight unit of the limit of liability."))
    if basis == LimitBasis.SHIPMENT_WEIGHT and not shipment.weight:
        raise Missing(_("Give the weight of the shipment, for the limit of liability."))
    if rate is None and _currency(terms, shipment) != shipment.currency:
        told = {"limit": terms.limit_currency, "currency": shipment.currency}
        raise Missing(_("Give the rate of %(limit)s in %(currency)s, with its day and its source.") % told)


def _by_declared_value(covered, terms, shipment, rate):
    words = _("declared value %(value)s") % {"value": _with_currency(terms.declared_value, shipment.currency)}
    yield (covered, cents(terms.declared_value, shipment.currency), [Step("limit", words, tidy(terms.declared_value))])


def _by_package(covered, terms, shipment, rate):
    """Each line by its own packages, and all of them by no more packages than the bill has."""
    for work in covered:
        yield ([work], *_for_packages(work.packages, terms, shipment, rate, work.line.name))
    if shipment.pieces is not None and sum(work.packages for work in covered) > shipment.pieces:
        yield (covered, *_for_packages(shipment.pieces, terms, shipment, rate, _("all that the bill counts")))


def _for_packages(packages, terms, shipment, rate, whose):
    limit = terms.limit_rate * packages
    told = {
        "whose": whose,
        "rate": _with_currency(terms.limit_rate, _currency(terms, shipment)),
        "packages": figure(whole_again(packages)),
        "limit": _with_currency(whole_again(limit), _currency(terms, shipment)),
    }
    words = _("limit for %(whose)s: %(rate)s per package × %(packages)s = %(limit)s") % told
    return _converted(words, limit, 1, terms, shipment, rate)


def _by_lines_weight(covered, terms, shipment, rate):
    units = {work.weight_unit for work in covered}
    yield (covered, *_for_weight(sum(work.kilograms for work in covered), units, terms, shipment, rate))


def _by_shipment_weight(covered, terms, shipment, rate):
    kilograms = shipment.weight * KILOGRAMS[shipment.weight_unit]
    yield (covered, *_for_weight(kilograms, {shipment.weight_unit}, terms, shipment, rate))


def _for_weight(kilograms, units, terms, shipment, rate):
    unit = terms.limit_weight_unit
    worth = terms.limit_rate * kilograms
    told = {
        "rate": _with_currency(terms.limit_rate, _currency(terms, shipment)),
        "unit": unit,
        "weight": figure(whole_again(kilograms / KILOGRAMS[unit])),
        "limit": _with_currency(whole_again(worth / KILOGRAMS[unit]), _currency(terms, shipment)),
    }
    words = _("limit %(rate)s per %(unit)s × %(weight)s %(unit)s = %(limit)s") % told
    note = "" if units == {unit} else f"1 lb = {figure(KILOGRAMS['lb'])} kg"
    return _converted(words, worth, KILOGRAMS[unit], terms, shipment, rate, note)


def _converted(words, worth, divisor, terms, shipment, rate, note=""):
    """The ceiling `worth / divisor` in whole cents of the claim's currency; divided last, so that it is exact."""
    limit = whole_again(worth / divisor)
    steps = [Step("limit", words, _readable(limit), note)]
    if _currency(terms, shipment) == shipment.currency:
        return cents(limit, shipment.currency), steps
    converted = whole_again(worth * rate.value / divisor)
    told = {
        "limit": _with_currency(limit, terms.limit_currency),
        "rate": figure(rate.value),
        "money": f"{plainly(converted, shipment.currency)} {shipment.currency}",
    }
    words = _("%(limit)s × %(rate)s = %(money)s") % told
    source = _("rate of %(day)s, %(source)s") % {"day": day(rate.day), "source": rate.source}
    return cents(converted, shipment.currency), [*steps, Step("conversion", words, _readable(converted), source)]


def _currency(terms, shipment):
    return terms.limit_currency or shipment.currency


def _with_currency(amount, currency):
    return f"{money(amount, currency)} {currency}"


def _readable(amount):
    """A quotient that does not end, to more places than any currency has."""
    return tidy(amount if amount.as_tuple().exponent >= -LONGEST else amount.quantize(Decimal(1).scaleb(-LONGEST)))


MEASURED = {
    LimitBasis.PIECES_WEIGHT: weighed,
    LimitBasis.DAMAGED_WEIGHT: weighed,
    LimitBasis.SHORT_WEIGHT: weighed,
    LimitBasis.PACKAGE: counted,
}
HOW = {
    LimitBasis.PIECES_WEIGHT: _by_lines_weight,
    LimitBasis.DAMAGED_WEIGHT: _by_lines_weight,
    LimitBasis.SHORT_WEIGHT: _by_lines_weight,
    LimitBasis.SHIPMENT_WEIGHT: _by_shipment_weight,
    LimitBasis.PACKAGE: _by_package,
    LimitBasis.DECLARED_VALUE: _by_declared_value,
}
