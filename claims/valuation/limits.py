"""Limits of liability: on which lines, how high, and how that was reckoned.

The same rate gives different limits on another basis, so the basis is a term (GAO B-238611 counts the whole shipment's
weight, GAO B-159274 the weight of the part lost or damaged).
"""

from decimal import Decimal

from django.utils.translation import gettext as _

from claims.enums import LimitBasis, LineKind
from claims.money import cents
from claims.valuation.facts import KILOGRAMS
from claims.valuation.progress import Missing, counted, weighed
from claims.valuation.words import LONGEST, day, figure, money, plainly, tidy
from claims.valuation.working import Step

COVERED = {
    LimitBasis.DAMAGED_WEIGHT: {LineKind.DAMAGE},
    LimitBasis.SHORT_WEIGHT: {LineKind.LOSS},
}


def ceilings(works, terms, shipment, rate):
    """Triples of the lines a ceiling covers, the ceiling in the claim's currency, and its steps.

    A line that lacks its weight or count, or whose terms lack something, gets a need and is covered by no ceiling.
    """
    covered = [work for work in works if work.line.kind in COVERED.get(terms.limit_basis, LineKind)]
    if not covered or terms.limit_basis == LimitBasis.NONE:
        return
    try:
        yield from HOW[terms.limit_basis](covered, terms, shipment, rate)
    except Missing as missing:
        missing.tell(covered)


def _by_declared_value(covered, terms, shipment, rate):
    if terms.declared_value is None:
        raise Missing(_("Give the value that was declared on the bill."))
    words = _("declared value %(value)s") % {"value": _with_currency(terms.declared_value, shipment.currency)}
    yield (covered, cents(terms.declared_value, shipment.currency), [Step("limit", words, tidy(terms.declared_value))])


def _by_package(covered, terms, shipment, rate):
    """Each line by its own packages, and all of them by no more packages than the bill has."""
    if len(counted(covered)) < len(covered):
        return
    for work in covered:
        yield ([work], *_for_packages(work.packages, terms, shipment, rate, work.line.name))
    if shipment.pieces is not None and sum(work.packages for work in covered) > shipment.pieces:
        yield (covered, *_for_packages(shipment.pieces, terms, shipment, rate, _("all that the bill counts")))


def _for_packages(packages, terms, shipment, rate, whose):
    limit = _rate_of(terms) * packages
    told = {
        "whose": whose,
        "rate": _with_currency(terms.limit_rate, _currency(terms, shipment)),
        "packages": figure(packages),
        "limit": _with_currency(limit, _currency(terms, shipment)),
    }
    words = _("limit for %(whose)s: %(rate)s per package × %(packages)s = %(limit)s") % told
    return _converted(words, limit, 1, terms, shipment, rate)


def _by_lines_weight(covered, terms, shipment, rate):
    if len(weighed(covered)) < len(covered):
        return
    units = {work.weight_unit for work in covered}
    yield (covered, *_for_weight(sum(work.kilograms for work in covered), units, terms, shipment, rate))


def _by_shipment_weight(covered, terms, shipment, rate):
    if not shipment.weight:
        raise Missing(_("Give the weight of the shipment, for the limit of liability."))
    kilograms = shipment.weight * KILOGRAMS[shipment.weight_unit]
    yield (covered, *_for_weight(kilograms, {shipment.weight_unit}, terms, shipment, rate))


def _for_weight(kilograms, units, terms, shipment, rate):
    unit = terms.limit_weight_unit
    if not unit:
        raise Missing(_("Give the weight unit of the limit of liability."))
    worth = _rate_of(terms) * kilograms
    told = {
        "rate": _with_currency(terms.limit_rate, _currency(terms, shipment)),
        "unit": unit,
        "weight": figure(kilograms / KILOGRAMS[unit]),
        "limit": _with_currency(worth / KILOGRAMS[unit], _currency(terms, shipment)),
    }
    words = _("limit %(rate)s per %(unit)s × %(weight)s %(unit)s = %(limit)s") % told
    note = "" if units == {unit} else f"1 lb = {figure(KILOGRAMS['lb'])} kg"
    return _converted(words, worth, KILOGRAMS[unit], terms, shipment, rate, note)


def _converted(words, worth, divisor, terms, shipment, rate, note=""):
    """The ceiling `worth / divisor` in whole cents of the claim's currency; divided last, so that it is exact."""
    steps = [Step("limit", words, _readable(worth / divisor), note)]
    if _currency(terms, shipment) == shipment.currency:
        return cents(worth / divisor, shipment.currency), steps
    if rate is None:
        told = {"limit": terms.limit_currency, "currency": shipment.currency}
        raise Missing(_("Give the rate of %(limit)s in %(currency)s, with its day and its source.") % told)
    limit = worth * rate.value / divisor
    told = {
        "limit": _with_currency(worth / divisor, terms.limit_currency),
        "rate": figure(rate.value),
        "money": f"{plainly(limit, shipment.currency)} {shipment.currency}",
    }
    words = _("%(limit)s × %(rate)s = %(money)s") % told
    source = _("rate of %(day)s, %(source)s") % {"day": day(rate.day), "source": rate.source}
    return cents(limit, shipment.currency), [*steps, Step("conversion", words, _readable(limit), source)]


def _rate_of(terms):
    if terms.limit_rate is None:
        raise Missing(_("Give the rate of the limit of liability."))
    return terms.limit_rate


def _currency(terms, shipment):
    return terms.limit_currency or shipment.currency


def _with_currency(amount, currency):
    return f"{money(amount, currency)} {currency}"


def _readable(amount):
    """A quotient that does not end, to more places than any currency has."""
    return tidy(amount if amount.as_tuple().exponent >= -LONGEST else amount.quantize(Decimal(1).scaleb(-LONGEST)))


HOW = {
    LimitBasis.PIECES_WEIGHT: _by_lines_weight,
    LimitBasis.DAMAGED_WEIGHT: _by_lines_weight,
    LimitBasis.SHORT_WEIGHT: _by_lines_weight,
    LimitBasis.SHIPMENT_WEIGHT: _by_shipment_weight,
    LimitBasis.PACKAGE: _by_package,
    LimitBasis.DECLARED_VALUE: _by_declared_value,
}
