"""Month sums per carrier: kept up to date from the site's log, equal to a count from scratch at any time.

Nothing is written when cartons are scanned or pieces logged. Whoever reads calls `refresh` first: it takes the trailers
of which the log tells since it last looked, counts those anew, and adds up the months they are in. The only writer of
BillCount, VisitCount, MonthSums and CountedUpTo.

A trailer belongs to the month of its release, by the site's calendar, and to the carrier that delivered it. What counts
against the carrier is what is attributed to transit; the rest is kept beside it, by whose doing it was.
"""

from collections import Counter, defaultdict
from datetime import date

from django.db import transaction
from django.db.models import Max, Q

from claims.models import BillCount, CountedUpTo, MonthSums, VisitCount
from claims.scorecard.sums import Sums, Trailer, add_up
from receiving import clock, evidence, queries
from receiving.enums import ArrivalState, Attribution, DiscrepancyState, Kind, Party, PiecesUnit
from receiving.evidence import canonical
from receiving.models import Arrival, Discrepancy, Event, SealRecord, Shipment

KINDS = (Kind.DAMAGED, Kind.SHORT, Kind.OVER, Kind.REROUTED)
AT_RISK = {Kind.DAMAGED: "received", Kind.REROUTED: "received", Kind.SHORT: "listed", Kind.OVER: "listed"}
CAP = 10
CHUNK = 200
NOT_SAID = "not_said"
CLEAR_SEAL = "clear_seal"
# The cell of a row that is the sum of a whole year.
YEAR = "year"


# --- up to date -------------------------------------------------------------------------------------------------------


def refresh(site) -> int:
    """Bring the site's counts and sums up to date; how many trailers had to be counted anew. Cheap when nothing was."""
    mark = CountedUpTo.objects.filter(site=site).values_list("seq", flat=True).first()
    if mark == evidence.head(site)[0]:
        return 0
    with transaction.atomic():
        seq, _hash = evidence.lock_head(site)
        row, _made = CountedUpTo.objects.get_or_create(site=site)
        told = set(told_of(site, row.seq, seq))
        told = every(site) if ALL in told else worth_counting(sorted(told))
        recount(site, told)
        CountedUpTo.objects.filter(site=site).update(seq=seq)
    return len(told)


def every(site):
    return list(Arrival.objects.filter(site=site).order_by("pk").values_list("pk", flat=True))


def worth_counting(arrivals):
    """Of these those that have left, or had when they were counted: at a busy dock the log tells mostly of others."""
    found = []
    for start in range(0, len(arrivals), CHUNK):
        some = arrivals[start : start + CHUNK]
        counted_once = VisitCount.objects.filter(pk__in=some).values("pk")
        rows = Arrival.objects.filter(Q(state=ArrivalState.RELEASED) | Q(pk__in=counted_once), pk__in=some)
        found += rows.order_by("pk").values_list("pk", flat=True)
    return found


ALL = "all"
# By these a piece may go to another trailer; the one it leaves is told in `before`.
MOVING = ("piece.matched", "piece.completed")


def told_of(site, after, upto):
    """Keys of the trailers that the events after `after` tell of; ALL where the site itself was changed."""
    events = Event.objects.filter(site=site, seq__gt=after, seq__lte=upto)
    yield from events.filter(arrival__isnull=False).values_list("arrival", flat=True).distinct()
    rare = events.filter(Q(verb__in=MOVING) | Q(record__startswith="site:"))
    for record, before in rare.values_list("record", "before"):
        if record.startswith("site:"):
            yield ALL
        elif before and before.get("arrival"):
            yield before["arrival"]


def rebuild(site):
    """Count everything of a site from scratch."""
    with transaction.atomic():
        seq, _hash = evidence.lock_head(site)
        for model in (BillCount, VisitCount, MonthSums):
            model.objects.filter(site=site).delete()
        recount(site, every(site))
        CountedUpTo.objects.update_or_create(site=site, defaults={"seq": seq})


def recount_all(site) -> dict[str, int]:
    """Bring a site up to date, count it from scratch, and say how many rows of each sort had not been right."""
    with transaction.atomic():
        refresh(site)
        before = kept(site)
        rebuild(site)
        after = kept(site)
    return {what: len({key for key, _row in before[what] ^ after[what]}) for what in before}


def kept(site):
    """All that is kept of a site: {sort of row: {(its key, all it says)}}."""
    sums = ("carrier", "month", "kind", "cell", "account", "origin", "shown", "tested")
    return {
        "bills": {(row["shipment_id"], canonical(row)) for row in BillCount.objects.filter(site=site).values()},
        "trailers": {(row["arrival_id"], canonical(row)) for row in VisitCount.objects.filter(site=site).values()},
        "sums": {
            (canonical([row[name] for name in sums[:4]]), canonical(row))
            for row in MonthSums.objects.filter(site=site).values(*sums)
        },
    }


def recount(site, arrivals):
    """Count these trailers anew, and add up what changed by it in the months that they were or are in."""
    touched = {}
    for start in range(0, len(arrivals), CHUNK):
        some = arrivals[start : start + CHUNK]
        bills, visits = counted(site, some)
        for was, now in replace(BillCount, some, bills):
            touch(touched, was, now)
        replace(VisitCount, some, visits)
    add_up_months(site, touched)


def replace(model, arrivals, rows):
    """Put these rows in the place of those that these trailers have; gives (before, after) of what differs."""
    were = {row.pk: row for row in model.objects.filter(arrival__in=arrivals)}
    now = {row.pk: row for row in rows}
    differ = [key for key in {**were, **now} if said(were.get(key)) != said(now.get(key))]
    model.objects.filter(pk__in=[key for key in differ if key in were]).delete()
    model.objects.bulk_create(now[key] for key in differ if key in now)
    return [(were.get(key), now.get(key)) for key in differ]


def said(row):
    return row and [getattr(row, field.attname) for field in row._meta.concrete_fields]


def touch(touched, was, now):
    """Note the cells and the kinds of the months of one bill in which its sums are no longer right."""
    kinds = {kind for kind in KINDS if weight(was, kind) != weight(now, kind)}
    for row in (was, now):
        if row and kinds:
            cells, all_kinds = touched.setdefault((row.carrier_id, row.month), (set(), set()))
            cells.update(cells_of(row))
            all_kinds.update(kinds)


def weight(bill, kind):
    """All by which a bill weighs in the sums of a kind."""
    if bill is None:
        return None
    where = (bill.carrier_id, bill.month, bill.arrival_id, stratum(bill))
    return (*where, getattr(bill, AT_RISK[kind]), getattr(bill, kind))


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
    needed = live.only("shipment", "kind", "quantity", "attribution", "damaged_too")
    for piece in needed.exclude(kind=Kind.SET_ASIDE).order_by("pk"):
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
    if piece.attribution:
        return piece.attribution
    if kind == Kind.SHORT and clear:
        return CLEAR_SEAL
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
        seal_exception=any(seal.needs_incident for seal in seals) or not any(seal.action == "found" for seal in seals),
    )


# --- months -----------------------------------------------------------------------------------------------------------


def add_up_months(site, touched):
    """Add up the months of these (carrier, month) pairs anew.

    touched -- {pair: (its cells as `cells_of` gives them, kinds) to be added up}; pairs alone: all that is in them
    """
    pairs = sorted(touched)
    for start in range(0, len(pairs), CHUNK):
        some = pairs[start : start + CHUNK]
        rows = defaultdict(list)
        for row in BillCount.objects.filter(any_of(some), site=site).order_by("shipment"):
            rows[row.carrier_id, row.month].append(row)
        gone, made = Q(), []
        for pair in some:
            cells, kinds = touched[pair] if isinstance(touched, dict) else (None, KINDS)
            which = {} if cells is None else {"cell__in": sorted(cell(*each) for each in cells)}
            gone |= Q(carrier=pair[0], month=pair[1], kind__in=list(kinds), **which)
            made += sums_of(site, *pair, rows[pair], cells, kinds)
        MonthSums.objects.filter(gone, site=site).exclude(cell=YEAR).delete()
        MonthSums.objects.bulk_create(made, batch_size=500)
    if pairs:
        add_up_years(site, {(carrier, month.year) for carrier, month in pairs})


def any_of(pairs):
    wanted = Q()
    for carrier, month in pairs:
        wanted |= Q(carrier=carrier, month=month)
    return wanted


def cells_of(bill):
    """The (account, origin) of the four cells in which a bill is counted; None is any."""
    return [(account, origin) for account in (None, bill.account_id) for origin in (None, bill.origin)]


def sums_of(site, carrier, month, bills, only=None, kinds=KINDS):
    """MonthSums of one carrier's month: for each kind all freight, each account, each origin, each pair of them."""
    cells = defaultdict(list)
    for bill in bills:
        for each in cells_of(bill):
            if only is None or each in only:
                cells[each].append(bill)
    for (account, origin), some in cells.items():
        for kind in sorted(kinds):
            trailers = list(trailers_of(some, kind))
            which = {"account_id": account, "origin": origin, "cell": cell(account, origin)}
            yield sums_row(
                add_up(trailers), add_up(trailers, CAP), site=site, carrier=carrier, month=month, kind=kind, **which
            )


def sums_row(shown, tested, *, site, carrier, month, kind, **which):
    """Sums as they are kept: `tested` stays empty where the cap changes nothing, which is nearly always."""
    capped = {} if tested == shown else tested.as_record()
    return MonthSums(
        site=site, carrier_id=carrier, month=month, kind=kind, shown=shown.as_record(), tested=capped, **which
    )


# --- years ------------------------------------------------------------------------------------------------------------


def add_up_years(site, touched):
    """Add up the years of these (carrier, year) pairs anew, so that many years are few rows.

    Every year before the site's last one has, of all freight, a row for each carrier: its `cell` is YEAR, its month
    January. The last year has none: it changes every day.
    """
    there = MonthSums.objects.filter(site=site, kind=KINDS[0])
    months_there, years_there = there.filter(cell=cell()), there.filter(cell=YEAR)
    last, newest = (rows.aggregate(last=Max("month"))["last"] for rows in (months_there, years_there))
    if newest:
        forget_years(site, touched, newest.year, last)
    if last is None:
        return
    wanted = {pair for pair in touched if pair[1] < last.year}
    if newest is None or newest.year < last.year - 1:
        rows = months_there.filter(month__lt=date(last.year, 1, 1)).values_list("carrier", "month")
        wanted |= {(carrier, month.year) for carrier, month in rows}
        wanted -= {(carrier, month.year) for carrier, month in years_there.values_list("carrier", "month")}
    wanted = sorted(wanted)
    for start in range(0, len(wanted), CHUNK):
        made = years_of(site, wanted[start : start + CHUNK])
        MonthSums.objects.bulk_create(made, batch_size=500)


def forget_years(site, touched, newest, last):
    """Drop the rows of the touched years, and those of years that are no longer before the site's last one."""
    keep_before = date(last.year if last else 1, 1, 1)
    gone = Q(month__gte=keep_before) if date(newest, 1, 1) >= keep_before else None
    for carrier, year in touched:
        if year <= newest:
            gone = (gone or Q()) | Q(carrier=carrier, month=date(year, 1, 1))
    if gone:
        MonthSums.objects.filter(gone, site=site, kind__in=KINDS, cell=YEAR).delete()


def years_of(site, pairs):
    wanted = Q()
    for carrier, year in pairs:
        wanted |= Q(carrier=carrier, month__gte=date(year, 1, 1), month__lt=date(year + 1, 1, 1))
    shown, tested = defaultdict(Sums), defaultdict(Sums)
    rows = MonthSums.objects.filter(wanted, site=site, kind__in=KINDS, cell=cell())
    for carrier, month, kind, plain, capped in rows.values_list("carrier", "month", "kind", "shown", "tested"):
        key = carrier, month.year, kind
        shown[key] += Sums.from_record(plain)
        tested[key] += Sums.from_record(capped or plain)
    for carrier, year, kind in sorted(shown):
        key = carrier, year, kind
        told = {"carrier": carrier, "month": date(year, 1, 1), "kind": kind, "cell": YEAR}
        yield sums_row(shown[key], tested[key], site=site, **told)


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
