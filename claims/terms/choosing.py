"""Which terms hold for a bill: the narrowest of those that fit, by the bill of lading's date, and why.

Narrowest: of the five parts of a scope (carrier, account, site, origin, mode) the most are named. Where two name
equally many, the first part in that order which only one of them names decides.
"""

from dataclasses import dataclass, field
from datetime import date

from django.db.models import Q
from django.utils.text import Truncator
from django.utils.translation import gettext as _

from claims.enums import Mode
from claims.models import Terms
from claims.terms import words
from claims.terms.reading import SCOPE, warnings
from receiving import clock

REASON = 300


@dataclass(frozen=True)
class PassedOver:
    """Terms whose scope fits and which were not taken all the same; `why` is a sentence."""

    terms: Terms
    why: str


@dataclass(frozen=True)
class Choice:
    """terms -- None where none hold or where the bill has no date at all
    reason -- a sentence of 300 characters at most
    day, day_from -- the date they were chosen by, and whose it is: `bill_date`, `ship_date`, `delivered`, or empty
    cautions -- sentences: the date is not the bill's own; what is wrong with the terms chosen
    """

    terms: Terms | None
    reason: str
    passed_over: tuple[PassedOver, ...] = ()
    day: date | None = None
    day_from: str = ""
    cautions: tuple[str, ...] = field(default=())


def choose(shipment, *, mode=Mode.ROAD, carrier=None) -> Choice:
    """The terms for a bill.

    carrier -- the one claimed from; without it the carrier named on the bill, else the delivering one
    """
    arrival = shipment.arrival
    carrier = carrier or shipment.carrier_on_bill or arrival.carrier
    day, day_from = dated(shipment)
    return which(
        carrier=carrier,
        account=shipment.account,
        site=arrival.site,
        origin=shipment.origin,
        mode=mode,
        day=day,
        day_from=day_from,
    )


def dated(shipment):
    """(date, whose it is): the bill's own, else the ship date, else the day of delivery at the site."""
    if shipment.bill_date:
        return shipment.bill_date, "bill_date"
    if shipment.ship_date:
        return shipment.ship_date, "ship_date"
    arrival = shipment.arrival
    moments = [each for each in (arrival.dropped_at, arrival.opened_at, arrival.released_at) if each]
    if not moments:
        return None, ""
    return clock.site_day(min(moments), arrival.site.time_zone), "delivered"


def which(*, carrier, account, site, origin="", mode=Mode.ROAD, day, day_from="bill_date") -> Choice:
    """The terms for a bill of these parts, any of which may be None or empty while nobody knows it."""
    if day is None:
        return Choice(
            None, _("The bill has no date, and neither shipment nor delivery has one. Enter the bill's date.")
        )
    fitting = in_scope(carrier, account, site, origin, mode)
    holding = sorted((each for each in fitting if holds_on(each, day)), key=narrowness, reverse=True)
    passed = [PassedOver(each, words.wider(each, holding[0])) for each in holding[1:]]
    passed += [PassedOver(each, words.other_days(each, day)) for each in fitting if not holds_on(each, day)]
    if not holding:
        return Choice(None, none_hold(fitting, day, day_from), tuple(passed), day, day_from, doubts(day, day_from))
    found = holding[0]
    reason = Truncator(words.chosen(found, len(holding), day, day_from)).chars(REASON)
    return Choice(found, reason, tuple(passed), day, day_from, (*doubts(day, day_from), *warnings(found)))


def in_scope(carrier, account, site, origin, mode):
    """Terms in use that name no part otherwise than the bill has it."""
    found = Terms.objects.filter(
        Q(carrier=None) | Q(carrier=carrier),
        Q(account=None) | Q(account=account),
        Q(site=None) | Q(site=site),
        mode__in=["", mode],
        retired_at=None,
    )
    origin = bare(origin)
    rows = found.select_related("carrier", "account", "site").order_by("valid_from", "pk")
    return [each for each in rows if not each.origin or bare(each.origin) == origin]


def bare(origin):
    """A place as it is compared: whatever its case and its blanks."""
    return " ".join(origin.split()).casefold()


def holds_on(terms, day):
    return terms.valid_from <= day and (terms.valid_until is None or day <= terms.valid_until)


def narrowness(terms):
    named = [bool(getattr(terms, terms._meta.get_field(part).attname)) for part in SCOPE]
    return (sum(named), *named, terms.valid_from, terms.pk)


def none_hold(fitting, day, day_from):
    if fitting:
        return Truncator(words.none_on(day, day_from)).chars(REASON)
    return _(
        "No terms fit this carrier, account, site, origin and mode. Add terms under Set up, or choose some by hand."
    )


def doubts(day, day_from):
    return () if day_from == "bill_date" else (words.not_the_bills_date(day, day_from),)
