"""What starts a clock, as far as the dock's record tells, and which terms hold for a bill."""

from django.db.models import Sum

from claims import terms
from claims.enums import DeliveredMeans, Trigger
from claims.models import Terms
from claims.terms import choosing
from receiving import clock
from receiving.enums import DiscrepancyState, Kind
from receiving.models import Discrepancy


def delivered(arrival, means=DeliveredMeans.EARLIEST):
    """The site's day of delivery as the terms take the word, or None while that has not happened."""
    moments = {
        DeliveredMeans.DROPPED: [arrival.dropped_at],
        DeliveredMeans.OPENED: [arrival.opened_at],
        DeliveredMeans.RELEASED: [arrival.released_at],
    }.get(means, [arrival.dropped_at, arrival.opened_at, arrival.released_at])
    happened = [moment for moment in moments if moment]
    return clock.site_day(min(happened), arrival.site.time_zone) if happened else None


def triggers(shipment, means=DeliveredMeans.EARLIEST, *, discovered=None):
    """{Trigger: site's day or None} as far as the dock's record tells. The bill's ship date is the day the carrier took
    the goods over; its appointment the day they were due."""
    arrival = shipment.arrival
    zone = arrival.site.time_zone
    day = delivered(arrival, means)
    due = clock.site_day(arrival.appointment_at, zone) if arrival.appointment_at else None
    return {
        Trigger.DELIVERED: day,
        Trigger.AT_DISPOSAL: day,
        Trigger.BILL_DATE: shipment.bill_date,
        Trigger.SHIPPED: shipment.ship_date,
        Trigger.TAKEN_OVER: shipment.ship_date,
        Trigger.DUE_DELIVERY: due,
        Trigger.DISCOVERED: clock.site_day(discovered, zone) if discovered else None,
    }


def nothing_came(shipments) -> set[int]:
    """The keys of those bills of which no piece came: periods for non-delivery are about them. One query."""
    pieces = {shipment.pk: shipment.pieces for shipment in shipments}
    short = Discrepancy.objects.filter(shipment__in=pieces, kind=Kind.SHORT, state=DiscrepancyState.OPEN)
    gone = short.order_by().values_list("shipment").annotate(n=Sum("quantity"))
    return {bill for bill, n in gone if pieces[bill] and n >= pieces[bill]}


class Choices:
    """The terms in use, read once in two queries, to choose from for many bills: `terms.choose` asks for each."""

    def __init__(self):
        rows = Terms.objects.filter(retired_at=None).select_related("carrier", "account", "site")
        self.rows = list(rows.prefetch_related("periods"))
        self.held = {}

    def choose(self, shipment) -> terms.Held | None:
        """The terms that `terms.choose` would take for this bill, or None."""
        arrival = shipment.arrival
        day, _whose = choosing.dated(shipment)
        parts = {
            "carrier_id": shipment.carrier_on_bill_id or arrival.carrier_id,
            "account_id": shipment.account_id,
            "site_id": arrival.site_id,
        }
        fitting = [
            row for row in self.rows if day and fits(row, parts, shipment.origin) and choosing.holds_on(row, day)
        ]
        found = max(fitting, key=choosing.narrowness, default=None)
        return found and self.hold(found)

    def hold(self, row):
        if row.pk not in self.held:
            self.held[row.pk] = terms.Held(row, tuple(terms.periods(row)), terms.calendar(row))
        return self.held[row.pk]


def fits(row, parts, origin, mode="road"):
    """Whether these terms name no part of a scope otherwise than the bill has it."""
    if any(getattr(row, name) not in (None, value) for name, value in parts.items()):
        return False
    return row.mode in ("", mode) and (not row.origin or choosing.bare(row.origin) == choosing.bare(origin))
