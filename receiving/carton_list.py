"""What a phone needs to answer scans of one trailer by itself: its cartons, the site's open pallets, the words.

Read only. A phone reads the lists of the site's other trailers as well, each under its own address, so a list holds its
own trailer's cartons alone. Positions instead of words keep 900 cartons under 60 KB.
"""

from dataclasses import astuple
from datetime import UTC, datetime, timedelta

from django.db.models import IntegerField, OuterRef, Q, Subquery, Sum
from django.db.models.functions import Coalesce
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from receiving import clock, counting, identifiers, queries, scan_words
from receiving.enums import COUNTING_RESULTS, COUNTING_STATES, DiscrepancyState, Kind, ScanResult
from receiving.models import Arrival, Carton, Discrepancy
from receiving.refusals import Refused

OTHERS = 40
AHEAD = timedelta(days=200)
STEP = timedelta(days=7)
FLAGS = [name for name, _icon, _words in scan_words.FLAGS]
# The sentences a phone may need; those of a trailer that has left and of one not being counted come ready made.
SAYS = (
    "MISPLACED",
    "FOUND",
    "CREDITED",
    "PLACED",
    "ALL_COUNTED",
    "ITS_TRAILER",
    "COUNTED_ALREADY",
    "COUNTED_WHEN",
    "GOES_TO_PALLET",
    "GOES_TO_STORE",
    "LEFT",
    "LEFT_SHORT",
    "LEFT_UNCOUNTED",
    "OTHER_WAITING",
    "NOT_LISTED",
    "OWN_TAG",
    "BILL_MISSING",
    "PALLET_CLOSED",
)
# What a carton has at the end of its row if nothing is said of it.
USUAL = [0, 1, 0, None, None, None, None, 0, 0]


class Places:
    """Things that come up again and again, each told once; rows point at it by its position."""

    def __init__(self):
        self.found, self.rows = {}, []

    def put(self, key, *row):
        if key is None:
            return None
        if key not in self.found:
            self.found[key] = len(self.rows)
            self.rows.append(row[0] if len(row) == 1 else row)
        return self.found[key]


def of(arrival, *, at):
    """The list as plain data for JSON. The same facts make the same list: it does not say when it was made.

    cartons -- [label, store, received, expected, bill, seconds from `base` to when it was counted, who, pallet,
    new store, short, flags] without what is USUAL at its end; stores, people, pallets and bills by position
    """
    stores, people, pallets, bills = Places(), Places(), Places(), Places()
    for pallet in counting.open_pallets(arrival.site):
        store = stores.put(pallet.store_id, pallet.store.number, pallet.store.name)
        pallets.put(pallet.pk, pallet.number, str(pallet), store)
    rows = list(carton_rows(arrival))
    blind = list(queries.blind_scans([arrival.pk]).filter(result=ScanResult.BLIND).select_related("actor"))
    moments = [row.received_at for row in rows if row.received_at] + [scan.at for scan in blind]
    base = min(moments, default=datetime(2000, 1, 1, tzinfo=UTC)).replace(microsecond=0)

    def who(person):
        return people.put(person and person.pk, str(person))

    def seconds(moment):
        return moment and int((moment - base).total_seconds())

    def told(carton):
        store = stores.put(carton.store_id, carton.store.number, carton.store.name)
        newer = carton.new_store_id and stores.put(carton.new_store_id, carton.new_store.number, carton.new_store.name)
        pallet = carton.pallet and pallets.put(carton.pallet_id, carton.pallet.number, str(carton.pallet), None)
        flags = sum(getattr(carton, name) << place for place, name in enumerate(FLAGS))
        bill = bills.put(carton.shipment_id, carton.shipment_id)
        facts = [carton.received, carton.expected, bill, seconds(carton.received_at), who(carton.received_by)]
        return [carton.label, store, *trimmed([*facts, pallet, newer, carton.short, flags])]

    cartons = [told(carton) for carton in rows]
    return {
        "trailer": [arrival.number, arrival.trailer_number, arrival.state],
        "released": arrival.released_at and int(arrival.released_at.timestamp()),
        "why_not": why_not(arrival),
        "base": int(base.timestamp()),
        "zone": offsets(arrival.site.time_zone, min([*moments, arrival.released_at or at, at]), at + AHEAD),
        "running": astuple(queries.running_count(arrival)),
        "blind_bills": [[bill.pk, bill.bill_number] for bill in queries.bills_without_list(arrival)],
        "blind": [[scan.label, seconds(scan.at), who(scan.actor)] for scan in blind],
        "others": [list(other) for other in others(arrival)],
        "stores": stores.rows,
        "people": people.rows,
        "pallets": pallets.rows,
        "bills": bills.rows,
        "cartons": cartons,
        "words": words(),
    }


def carton_rows(arrival):
    """The trailer's cartons in the order of their making, each with `short`: how many are declared short."""
    shorts = (
        Discrepancy.objects.filter(carton=OuterRef("pk"), kind=Kind.SHORT, state=DiscrepancyState.OPEN)
        .order_by()
        .values("carton")
        .values_list(Sum("quantity"))
    )
    return (
        Carton.objects.filter(arrival=arrival)
        .select_related("store", "new_store", "received_by", "pallet")
        .annotate(short=Coalesce(Subquery(shorts, output_field=IntegerField()), 0))
        .order_by("pk")
    )


def trimmed(facts):
    while facts and facts[-1] == USUAL[len(facts) - 1]:
        facts.pop()
    return facts


def why_not(arrival):
    """The sentence why nothing can be counted now, or ""."""
    try:
        counting.refuse_unless_counting(arrival)
    except Refused as why:
        return str(why.message)
    return ""


def others(arrival):
    """(number, trailer, state) of the site's other trailers whose cartons may come to light here, with a list."""
    listed = Q(state__in=COUNTING_STATES) | Q(state__in=counting.WAITING)
    found = Arrival.objects.filter(listed, site=arrival.site_id, cartons__isnull=False).exclude(pk=arrival.pk)
    return found.distinct().order_by("-state", "number").values_list("number", "trailer_number", "state")[:OTHERS]


def offsets(zone_name, start, end):
    """[[from second, offset in seconds, abbreviation]] of a zone between two moments, the first from ever."""
    zone = clock.zone(zone_name)

    def at(second):
        local = datetime.fromtimestamp(second, zone)
        return [int(local.utcoffset().total_seconds()), local.tzname()]

    last, step = int(start.timestamp()), int(STEP.total_seconds())
    found = [[0, *at(last)]]
    while last < end.timestamp():
        following = last + step
        if at(following) != found[-1][1:]:
            low, high = last, following
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if at(middle) == found[-1][1:] else (low, middle)
            found.append([high, *at(high)])
        last = following
    return found


# --- words ------------------------------------------------------------------------------------------------------------


def words():
    """Every sentence of an answer with {name} for what is put in, every face, the names of days and months."""
    sunday = [datetime(2023, 1, day, tzinfo=UTC) for day in range(1, 8)]
    months = [datetime(2023, month, 1, tzinfo=UTC) for month in range(1, 13)]
    return {
        "faces": {
            result: [look, scan_words.ICONS[look], str(said), str(result.label), result in COUNTING_RESULTS]
            for result, (look, said) in scan_words.FACES.items()
        },
        "flags": [[icon, str(said)] for _name, icon, said in scan_words.FLAGS],
        "days": [date_format(day, "D") for day in sunday],
        "months": [date_format(month, "M") for month in months],
        "says": {name.lower(): str(getattr(scan_words, name)) for name in SAYS},
        "wrong": {kind.code: _(kind.sentence) for kind in identifiers.NotValid.__subclasses__()},
        "log_over": str(scan_words.LOG_OVER),
        "log_late": str(scan_words.LOG_LATE),
        "log_wrong": str(scan_words.LOG_WRONG),
    }
