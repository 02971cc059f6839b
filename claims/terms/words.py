"""Terms in words: for whom they hold, from when, how far the carrier answers, and each period with an example."""

from dataclasses import dataclass, replace
from datetime import datetime

from django.utils.formats import date_format, number_format
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims import deadlines
from claims.deadlines import Period
from claims.deadlines.words import span
from claims.enums import Applies, Binds, Counting, LimitBasis
from claims.terms.reading import SCOPE

PARTS = {
    "carrier": gettext_lazy("carrier %(name)s"),
    "account": gettext_lazy("account %(name)s"),
    "site": gettext_lazy("site %(name)s"),
    "origin": gettext_lazy("origin %(name)s"),
    "mode": gettext_lazy("mode %(name)s"),
}
DATES = {
    "bill_date": gettext_lazy("the bill of lading is of %(day)s"),
    "ship_date": gettext_lazy("shipped on %(day)s"),
    "delivered": gettext_lazy("delivered on %(day)s"),
}


def day(value):
    return date_format(value, "D j M Y")


def scope(terms) -> str:
    """`carrier Cedar Line, account Juniper Home Stores, mode road`; `every bill` where nothing is named."""
    found = [PARTS[part] % {"name": part_name(terms, part)} for part in SCOPE if part_name(terms, part)]
    return ", ".join(found) or _("every bill")


def part_name(terms, part):
    if part == "mode":
        return terms.get_mode_display() if terms.mode else ""
    if part == "site":
        return terms.site.code if terms.site else ""
    return str(getattr(terms, part) or "")


def dates(terms) -> str:
    """`bills from Mon 2 Mar 2026`, or `bills from ... until ...`."""
    if terms.valid_until is None:
        return _("bills from %(day)s") % {"day": day(terms.valid_from)}
    return _("bills from %(day)s until %(last)s") % {"day": day(terms.valid_from), "last": day(terms.valid_until)}


def limit(terms) -> str:
    """`8.33 SDR per kg, counted on the weight of the pieces lost or damaged`."""
    basis = terms.get_limit_basis_display()
    if terms.limit_basis in (LimitBasis.NONE, LimitBasis.DECLARED_VALUE):
        return basis
    currency = _("special drawing rights") if terms.limit_currency == "XDR" else terms.limit_currency
    told = {"rate": rate(terms.limit_rate), "currency": currency, "unit": terms.get_limit_weight_unit_display()}
    if terms.limit_basis == LimitBasis.PACKAGE:
        return _("%(rate)s %(currency)s for each package") % told
    return _("%(rate)s %(currency)s per %(unit)s, counted on the %(basis)s") % (told | {"basis": basis})


def rate(number):
    """Without idle zeros, but cents as people write them: 8.33, 2.00, 26.00, 0.125."""
    places = max(2, -number.normalize().as_tuple().exponent)
    return number_format(number, places, force_grouping=True)


# -- Why these ---------------------------------------------------------------------------------------------------------


def chosen(terms, how_many, on, day_from):
    told = {"title": terms.title, "scope": scope(terms), "dates": dates(terms), "of": dated(on, day_from)}
    if how_many == 1:
        return _("“%(title)s” are the only terms that fit. They hold for %(scope)s, %(dates)s; %(of)s.") % told
    return _("“%(title)s” are the narrowest terms that fit. They hold for %(scope)s, %(dates)s; %(of)s.") % told


def dated(on, day_from):
    return DATES[day_from] % {"day": day(on)}


def none_on(on, day_from):
    return _(
        "Terms fit the carrier and the rest, but none by the date: %(of)s. Add terms for that time under Set up, or "
        "choose some by hand."
    ) % {"of": dated(on, day_from)}


def wider(terms, taken):
    mine, theirs = named(terms), named(taken)
    if len(mine) < len(theirs):
        return _("Wider: holds for %(scope)s.") % {"scope": scope(terms)}
    if mine == theirs:
        return _("The same scope, but begins earlier.")
    first = next(part for part in SCOPE if (part in mine) != (part in theirs))
    other = next(part for part in SCOPE if part in mine and part not in theirs)
    return _("Names as many parts (%(scope)s), but the %(first)s goes before the %(other)s.") % {
        "scope": scope(terms),
        "first": label(terms, first),
        "other": label(terms, other),
    }


def named(terms):
    return [part for part in SCOPE if part_name(terms, part)]


def label(terms, part):
    return terms._meta.get_field(part).verbose_name


def other_days(terms, on):
    return _("Holds for %(dates)s, not on %(day)s.") % {"dates": dates(terms), "day": day(on)}


def not_the_bills_date(on, day_from):
    if day_from == "ship_date":
        words = _("The bill of lading has no date. The ship date, %(day)s, was taken instead: enter the bill's date.")
    else:
        words = _("The bill of lading has no date. The day of delivery, %(day)s, was taken: enter the bill's date.")
    return words % {"day": day(on)}


# -- Periods -----------------------------------------------------------------------------------------------------------


def short(period: Period) -> str:
    """`File the claim (damage): nine months, counted from “delivered”`."""
    told = {
        "duty": capfirst(period.duty.label),
        "applies": period.applies.label,
        "span": span(period),
        "trigger": period.trigger.label,
    }
    if period.applies == Applies.ANY:
        return _("%(duty)s: %(span)s, counted from “%(trigger)s”") % told
    return _("%(duty)s (%(applies)s): %(span)s, counted from “%(trigger)s”") % told


@dataclass(frozen=True)
class Told:
    """One period on a page: what, for which losses, if missed what, and how its date comes about on an example."""

    duty: str
    applies: str
    effect: str
    binds_us: bool
    source: str
    example: str
    caution: str


def told(period: Period, calendar, example: datetime) -> Told:
    """example -- an aware moment on the site's clock, on whose day the trigger is taken to have happened"""
    dues = reckoned(replace(period, source=""), calendar, example)
    return Told(
        duty=capfirst(period.duty.label),
        applies="" if period.applies == Applies.ANY else str(period.applies.label),
        effect=str(period.effect.label),
        binds_us=period.binds == Binds.US,
        source=period.source,
        example="; ".join(each.words for each in dues),
        caution=dues[0].caution,
    )


def reckoned(period, calendar, example):
    """The first end of a period, and the second where it repeats."""
    when = example if period.counting == Counting.HOURS else example.date()
    asked = {"kinds": (), "calendar": calendar, "nothing_delivered": True}
    dues = deadlines.due([period], {period.trigger: when}, **asked)
    if not period.every or not dues[0].is_known:
        return dues
    return deadlines.due([period], {period.trigger: when}, through=dues[0].day, **asked)
