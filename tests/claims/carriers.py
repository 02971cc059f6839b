"""Carriers with trailers for tests of what compares them: rows of counts, past the dock, and their month sums."""

import itertools
from datetime import UTC, date, datetime

from claims import months
from claims.models import BillCount, VisitCount
from receiving.enums import ArrivalState
from receiving.models import Arrival, Carrier, Shipment
from tests.builders import make_account
from tests.claims.scorecard_examples import SEVEN

MARCH = date(2026, 3, 1)
_numbers = itertools.count(90_001)


def make_counts(
    site, carrier, events, *, cartons=900, month=MARCH, account=None, origin="Denver", kind="damaged", **more
):
    """One released trailer with one bill for each count of `events`, cartons[i] or `cartons` on it; its BillCounts.

    more -- further columns of BillCount; minutes_late and seal_exception go to the visit
    """
    account = account or make_account()
    visit = {"minutes_late": more.pop("minutes_late", 0), "seal_exception": more.pop("seal_exception", False)}
    found = []
    for place, count in enumerate(events):
        size = cartons[place % len(cartons)] if isinstance(cartons, list) else cartons
        found.append(make_count(site, carrier, month, account, origin, visit, size, {kind: count} | more))
    months.add_up_months(site, [(carrier.pk, month)])
    return found


def make_count(site, carrier, month, account, origin, visit, size, columns):
    number = next(_numbers)
    at = datetime(month.year, month.month, 15, 18, tzinfo=UTC)
    arrival = Arrival.objects.create(
        site=site,
        number=number,
        state=ArrivalState.RELEASED,
        carrier=carrier,
        trailer_number=f"TR{number}",
        released_at=at,
    )
    shipment = Shipment.objects.create(
        arrival=arrival, account=account, bill_number=f"BL{number}", pieces=size or 1, origin=origin
    )
    VisitCount.objects.create(arrival=arrival, site=site, carrier=carrier, month=month, **visit)
    given = dict.fromkeys(("damaged", "short", "over", "rerouted"), 0) | {"listed": size, "received": size}
    return BillCount.objects.create(
        shipment=shipment,
        arrival=arrival,
        site=site,
        carrier=carrier,
        month=month,
        account=account,
        origin=origin,
        counted="list",
        **(given | columns),
    )


def make_seven(site, listing=SEVEN, **more):
    """The seven invented carriers of the golden example with all their trailers; {name: Carrier}."""
    account, found = more.pop("account", None) or make_account("Juniper Home Stores"), {}
    for name, sizes, *events in map(str.split, listing.strip().splitlines()):
        found[name] = Carrier.objects.create(name=name)
        cartons = [int(size) for size in sizes.split("*")[0].split(",")]
        make_counts(site, found[name], map(int, events), cartons=cartons, account=account, **more)
    return found
