"""Month sums per carrier: kept up to date from the site's log, equal to a count from scratch at any time.

Nothing is written when cartons are scanned or pieces logged. Whoever reads calls `refresh` first: it takes the trailers
of which the log tells since it last looked, counts those anew, and adds up the months they are in. The only writer of
BillCount, VisitCount, MonthSums and CountedUpTo.

A trailer belongs to the month of its release, by the site's calendar, and to the carrier that delivered it. What counts
against the carrier is what is attributed to transit; the rest is kept beside it, by whose doing it was.
"""

from collections import Counter, defaultdict

from django.db import transaction
from django.db.models import Q

from claims.models import BillCount, CountedUpTo, MonthSums, VisitCount
from claims.scorecard.sums import Trailer, add_up
from receiving import clock, evidence, queries
from receiving.enums import ArrivalState, Attribution, DiscrepancyState, Kind, Party, PiecesUnit
from receiving.models import Arrival, Discrepancy, Event, SealRecord, Shipment

KINDS = (Kind.DAMAGED, Kind.SHORT, Kind.OVER, Kind.REROUTED)
AT_RISK = {Kind.DAMAGED: "received", Kind.REROUTED: "received", Kind.SHORT: "listed", Kind.OVER: "listed"}
CAP = 10
CHUNK = 200
NOT_SAID = "not_said"
CLEAR_SEAL = "clear_seal"


# --- up to date -------------------------------------------------------------------------------------------------------


def refresh(site) -> int:
    """Bring the site's counts and sums up to date; how many trailers had to be counted anew. Cheap when nothing was."""
    mark = CountedUpTo.objects.filter(site=site).values_list("seq", flat=True).first()
    if mark == evidence.head(site)[0]:
        return 0
    with transaction.atomic():
        seq, _hash = evidence.lock_head(site)
        row, _made = CountedUpTo.objects.get_or_create(site=site)
        told = list(told_of(site, row.seq, seq))
        if ALL in told:
            told = list(Arrival.objects.filter(site=site).values_list("pk", flat=True))
        recount(site, told)
        CountedUpTo.objects.filter(site=site).update(seq=seq)
    return len(told)


ALL = "all"


def told_of(site, after, upto):
    """Keys of the trailers that the events after `after` tell of; ALL where the site itself was changed."""
    events = Event.objects.filter(site=site, seq__gt=after, seq__lte=upto)
    yield from events.filter(arrival__isnull=False).values_list("arrival", flat=True).distinct()
    moved = events.filter(discrepancy__isnull=False, verb="piece.matched").values_list("before", flat=True)
    yield from {before["arrival"] for before in moved if before and before.get("arrival")}
    if events.filter(record__startswith="site:").exists():
        yield ALL


def rebuild(site):
    """Count everything of a site from scratch."""
    with transaction.atomic():
        seq, _hash = evidence.lock_head(site)
        for model in (BillCount, VisitCount, MonthSums):
            model.objects.filter(site=site).delete()
        recount(site, list(Arrival.objects.filter(site=site).values_list("pk", flat=True)))
        CountedUpTo.objects.update_or_create(site=site, defaults={"seq": seq})


def recount(site, arrivals):
    """Count these trailers anew and add up every month that they were or are in."""
    touched = set()
    arrivals = sorted(set(arrivals))
    for start in range(0, len(arrivals), CHUNK):
        some = arrivals[start : start + CHUNK]
        for model in (BillCount, VisitCount):
            rows = model.objects.filter(arrival__in=some)
            touched.update(rows.values_list("carrier", "month"))
            rows.delete()
        bills, visits = counted(site, some)
        BillCount.objects.bulk_create(bills)
        VisitCount.objects.bulk_create(visits)
        touched.update((row.carrier_id, row.month) for row in [*bills, *visits])
    add_up_months(site, touched)


# --- one trailer ------------------------------------------------------------------------------------------------------


def counted(site, arrivals):
    """(BillCounts, VisitCounts) of those of these trailers that are released and whose carrier is known, not saved."""
    released = Arrival.objects.filter(
        pk__in=arrivals, site=site, state=ArrivalState.RELEASED, released_at__isnull=False, carrier__isnull=False
    )
    trailers = {arrival.pk: arrival for arrival in released.order_by("pk")}
    shipments = list(Shipment.objects.filter(arrival__in=trailers).order_by("pk"))
    squares = queries.SquaringFacts(shipments)
    pieces = defaultdict(list)
    live = Discrepancy.objects.filter(shipment__in=[row.pk for row in shipments], state=DiscrepancyState.OPEN)
    for piece in live.exclude(kind=Kind.SET_ASIDE).order_by("pk"):
        pieces[piece.shipment_id].append(piece)
    seals = standing_seals(trailers)
    bills = [
        bill_count(site, trailers[row.arrival_id], row, squares, pieces[row.pk], seals[row.arrival_id])
        for row in shipments
    ]
    return bills, [visit_count(site, arrival, seals[arrival.pk]) for arrival in trailers.values()]


def standing_seals(trailers):
    found = defaultdict(list)
    for seal in SealRecord.objects.filter(arrival__in=trailers):
        found[seal.arrival_id].append(seal)
    return defaultdict(list, {key: queries.unreplaced(seals) for key, seals in found.items()})


def month_of(site, arrival):
    return clock.site_day(arrival.released_at, site.time_zone).replace(day=1)


def bill_count(site, arrival, shipment, squares, pieces, seals):
    square = squares.square(shipment)
    clear = is_clear(seals) and shipment.loaded_by == Party.SHIPPER
    counts, beside = Counter(), defaultdict(Counter)
    for piece in pieces:
        for kind in kinds_of(piece):
            whose = whose_doing(piece, kind, clear)
            if whose == Attribution.TRANSIT or kind == Kind.REROUTED:
                counts[kind] += piece.quantity
            else:
                beside[kind][whose] += piece.quantity
    at_risk = {"listed": max(square.listed, 0), "received": max(square.received, 0)}
    return BillCount(
        shipment=shipment,
        arrival=arrival,
        site=site,
        carrier_id=arrival.carrier_id,
        month=month_of(site, arrival),
        account_id=shipment.account_id,
        origin=" ".join(shipment.origin.split()),
        counted=way_counted(shipment, squares),
        beside={kind: dict(sorted(found.items())) for kind, found in sorted(beside.items())},
        **at_risk,
        **{kind.value: min(counts[kind], at_risk[AT_RISK[kind]]) for kind in KINDS},
    )


def kinds_of(piece):
    """A piece that is over or rerouted may be damaged as well: it is an event of both kinds."""
    yield Kind(piece.kind)
    if piece.damaged_too and piece.kind != Kind.DAMAGED:
        yield Kind.DAMAGED


def whose_doing(piece, kind, clear):
    """TRANSIT where it counts against the carrier, else whose doing it was or why nobody can say.

    A short or over that nobody attributed is the carrier's, who signed for the count; damage that nobody attributed is
    not. A short under a clear seal on a trailer the shipper loaded is the carrier's only if somebody says so.
    """
    if kind == Kind.SHORT and clear and piece.attribution != Attribution.TRANSIT:
        return piece.attribution or CLEAR_SEAL
    if piece.attribution:
        return piece.attribution
    return NOT_SAID if kind == Kind.DAMAGED else Attribution.TRANSIT


def is_clear(seals):
    """There was a seal, it was whole, and it was the one on the paperwork."""
    found = [seal for seal in seals if seal.action == "found"]
    return bool(found) and not any(seal.needs_incident for seal in found)


def way_counted(shipment, squares):
    if not squares.cartons[shipment.pk] or shipment.pieces_unit == PiecesUnit.PALLETS:
        return "blind"
    return "tally" if squares.is_tallied(shipment.pk) else "list"


def visit_count(site, arrival, seals):
    late = None
    if arrival.appointment_at and arrival.gate_at:
        late = round((arrival.gate_at - arrival.appointment_at).total_seconds() / 60)
    return VisitCount(
        arrival=arrival,
        site=site,
        carrier_id=arrival.carrier_id,
        month=month_of(site, arrival),
        minutes_late=late,
        seal_exception=any(seal.needs_incident for seal in seals) or not seals,
    )


# --- months -----------------------------------------------------------------------------------------------------------


def add_up_months(site, pairs):
    """Add up the months of these (carrier, month) pairs anew."""
    pairs = sorted(pairs)
    for start in range(0, len(pairs), CHUNK):
        some = pairs[start : start + CHUNK]
        wanted = Q()
        for carrier, month in some:
            wanted |= Q(carrier=carrier, month=month)
        MonthSums.objects.filter(wanted, site=site).delete()
        rows = defaultdict(list)
        for row in BillCount.objects.filter(wanted, site=site).order_by("shipment"):
            rows[row.carrier_id, row.month].append(row)
        made = [each for (carrier, month), bills in rows.items() for each in sums_of(site, carrier, month, bills)]
        MonthSums.objects.bulk_create(made, batch_size=500)


def sums_of(site, carrier, month, bills):
    """MonthSums of one carrier's month: for every kind all freight, each account, each origin, each pair of them."""
    cells = defaultdict(list)
    for bill in bills:
        for account in (None, bill.account_id):
            for origin in (None, bill.origin):
                cells[account, origin].append(bill)
    for (account, origin), some in cells.items():
        for kind in KINDS:
            trailers = list(trailers_of(some, kind))
            yield MonthSums(
                site=site,
                carrier_id=carrier,
                month=month,
                kind=kind,
                account_id=account,
                origin=origin,
                cell=cell(account, origin),
                shown=add_up(trailers).as_record(),
                tested=add_up(trailers, CAP).as_record(),
            )


def cell(account=None, origin=None):
    """The name of a cell: `*|*` is all freight."""
    return f"{account or '*'}|{'*' if origin is None else '=' + origin}"


def trailers_of(bills, kind):
    """One `Trailer` for each arrival among these bills; its strata are account, origin and how it was counted."""
    by_arrival = defaultdict(list)
    for bill in bills:
        by_arrival[bill.arrival_id].append(bill)
    for rows in by_arrival.values():
        cartons, events = Counter(), Counter()
        for bill in rows:
            cartons[stratum(bill)] += getattr(bill, AT_RISK[kind])
            events[stratum(bill)] += getattr(bill, kind)
        yield Trailer(cartons, events)


def stratum(bill):
    return f"{bill.account_id}|{bill.origin}|{bill.counted}"
