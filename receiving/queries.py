"""Every read over several tables that a page, a writer or the claims side needs."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from itertools import takewhile

from django.core.files.storage import default_storage
from django.db import connection
from django.db.models import Count, Exists, F, Model, OuterRef, Prefetch, Q, Subquery, Sum
from django.db.models.functions import Coalesce

from receiving.enums import (
    COUNTING_RESULTS,
    OPEN_STATES,
    ArrivalState,
    DiscrepancyState,
    Kind,
    LateKind,
    PiecesUnit,
    SignOutcome,
)
from receiving.models import (
    Arrival,
    Carton,
    Discrepancy,
    Door,
    Event,
    ExceptionSheet,
    IncidentNote,
    IncidentRuling,
    LateRecord,
    Looked,
    Moment,
    Pallet,
    Photo,
    Refusal,
    Scan,
    SealRecord,
    Shipment,
    ShipmentCarrier,
    Store,
    Submission,
    TallyTap,
    Tombstone,
)
from receiving.squaring import Bucket, Squaring, square

LATE_PIECES = (LateKind.PIECE, LateKind.SCAN, LateKind.TALLY)


def chain(shipment):
    return list(ShipmentCarrier.objects.filter(shipment=shipment).select_related("carrier").order_by("position"))


def current_seals(arrival):
    """Seal records in order, corrected ones left out."""
    return unreplaced(arrival.seals.select_related("actor"))


def unreplaced(seals):
    """Of all seal records of a trailer those that stand, in order."""
    seals = sorted(seals, key=lambda seal: (seal.at, seal.pk))
    replaced = {seal.replaces_id for seal in seals}
    return [seal for seal in seals if seal.pk not in replaced]


def billed_cartons(shipment, listed=None):
    """Cartons the bill promises. A bill that counts pallets promises what its list says, or its pallets as pieces."""
    if shipment.pieces_unit == PiecesUnit.PALLETS:
        if listed is None:
            listed = Carton.objects.filter(shipment=shipment).aggregate(n=Sum("expected"))["n"]
        return listed or shipment.pieces
    return shipment.pieces


def squarings(arrival):
    """{shipment: Squaring} in bill order; the number of queries does not depend on cartons or bills."""
    shipments = list(Shipment.objects.filter(arrival=arrival).select_related("account").order_by("position"))
    facts = SquaringFacts(shipments)
    return {shipment: facts.square(shipment) for shipment in shipments}


def shipment_squaring(shipment):
    return SquaringFacts([shipment]).square(shipment)


def trailer_squaring(arrival):
    return sum(squarings(arrival).values(), Squaring())


class SquaringFacts:
    """The sums a squaring needs, for several shipments in six grouped queries."""

    def __init__(self, shipments):
        ids = [shipment.pk for shipment in shipments]
        self.cartons = defaultdict(dict)
        for row in (
            Carton.objects.filter(shipment__in=ids)
            .values("shipment", "store")
            .annotate(expected=Sum("expected"), received=Sum("received"))
        ):
            self.cartons[row["shipment"]][row["store"]] = (row["expected"], row["received"])
        self.tallies = defaultdict(lambda: defaultdict(int))
        for row in TallyTap.objects.filter(shipment__in=ids).values("shipment", "store").annotate(n=Sum("count")):
            # Taps that were all taken back make no tally.
            if row["n"]:
                self.tallies[row["shipment"]][row["store"]] += row["n"]
        trailers = {shipment.arrival_id for shipment in shipments}
        self.blind = self.count(blind_scans(trailers).filter(shipment__in=ids))
        self.refused = {
            row["shipment"]: row["n"]
            for row in Refusal.objects.filter(shipment__in=ids).values("shipment").annotate(n=Sum("pieces"))
        }
        self.pieces = defaultdict(lambda: defaultdict(int))
        live = Discrepancy.objects.filter(shipment__in=ids, state=DiscrepancyState.OPEN)
        for row in (
            live.filter(Q(carton__isnull=True) | Q(kind=Kind.SHORT))
            .values("shipment", "kind")
            .annotate(n=Sum("quantity"))
        ):
            self.pieces[row["shipment"]][row["kind"]] = row["n"]
        self.hurt = defaultdict(lambda: {"damaged": 0, "rerouted": 0, "hurt": 0})
        hurt = live.filter(carton__isnull=False, kind__in=[Kind.DAMAGED, Kind.REROUTED]).values("shipment", "carton")
        for row in hurt.annotate(
            damaged=Sum("quantity", filter=Q(kind=Kind.DAMAGED), default=0),
            rerouted=Sum("quantity", filter=Q(kind=Kind.REROUTED), default=0),
        ):
            sums = self.hurt[row["shipment"]]
            sums["damaged"] += row["damaged"]
            sums["rerouted"] += row["rerouted"]
            sums["hurt"] += max(row["damaged"], row["rerouted"])

    @staticmethod
    def count(scans):
        rows = scans.values("shipment").annotate(n=Count("label", distinct=True))
        return {row["shipment"]: row["n"] for row in rows}

    def square(self, shipment):
        key = shipment.pk
        pieces, hurt = self.pieces[key], dict(self.hurt[key])
        listed = self.cartons[key]
        unlabelled = pieces[Kind.DAMAGED] + pieces[Kind.REROUTED]
        over = pieces[Kind.OVER]
        if listed and not self.is_tallied(key):
            # A hurt piece that is no carton of the list stands as over until somebody says which carton it is.
            over += unlabelled
        else:
            for name in ("damaged", "rerouted"):
                hurt[name] += pieces[Kind(name)]
            hurt["hurt"] += unlabelled
        billed = billed_cartons(shipment, sum(expected for expected, _ in listed.values()))
        return square(
            billed=billed,
            buckets=list(self.buckets(key, billed)),
            has_list=bool(listed),
            over=over,
            short=pieces[Kind.SHORT],
            refused=self.refused.get(key, 0),
            **hurt,
        )

    def buckets(self, key, billed):
        listed, tallies = self.cartons[key], self.tallies[key]
        if not listed:
            yield Bucket(expected=billed, counted=self.blind.get(key, 0) + sum(tallies.values()))
            return
        # Found pieces of a short that names no store: they are some of those the list still waits for.
        loose = tallies.get(None, 0)
        for store, (expected, received) in listed.items():
            counted = received + tallies.get(store, 0)
            placed = min(loose, max(0, expected - counted))
            loose -= placed
            yield Bucket(expected=expected, counted=counted + placed)
        yield Bucket(expected=0, counted=loose)
        for store, count in tallies.items():
            if store not in listed and store is not None:
                yield Bucket(expected=0, counted=count)

    def is_tallied(self, key):
        """Whether a listed bill is counted store by store; found pieces without a store make no tally of it."""
        return any(store is not None for store in self.tallies[key])


def with_ruling(notes):
    """Incident notes, each with `reportable`: what was decided last, None where nobody has decided."""
    latest = IncidentRuling.objects.filter(incident=OuterRef("pk")).order_by("-pk")
    return notes.annotate(reportable=Subquery(latest.values("reportable")[:1]))


def with_work(arrivals):
    """The trailers of a queryset with what their next step hangs on; as many queries for one as for fifty.

    Each has its seals, incidents, bills and sheets at hand, `bills` as (Shipment, Squaring, has a list), `squaring`
    of the whole trailer and `set_asides`, how many pieces wait to be filled in.
    """
    rows = list(
        arrivals.select_related("site", "door", "carrier").prefetch_related(
            Prefetch("seals", SealRecord.objects.select_related("actor").order_by("at", "pk")),
            Prefetch("incidents", with_ruling(IncidentNote.objects.select_related("actor")).order_by("at", "pk")),
            Prefetch("shipments", Shipment.objects.select_related("account").order_by("position")),
            Prefetch("sheets", sheets_with_late().only("number", "arrival", "outcome", "at").order_by("number")),
        )
    )
    facts = SquaringFacts([shipment for row in rows for shipment in row.shipments.all()])
    waiting = Discrepancy.objects.filter(arrival__in=rows, kind=Kind.SET_ASIDE, state=DiscrepancyState.OPEN)
    set_asides = dict(waiting.values_list("arrival").annotate(n=Count("pk")))
    for row in rows:
        row.bills = [(bill, facts.square(bill), bool(facts.cartons[bill.pk])) for bill in row.shipments.all()]
        row.squaring = sum((squared for _bill, squared, _listed in row.bills), Squaring())
        row.set_asides = set_asides.get(row.pk, 0)
    return rows


def sheets_with_late():
    """Sheets with `late_pieces` and `late_others`: what was made before one and came after it."""
    changing = LateRecord.objects.filter(sheet=OuterRef("pk"), changes_sheet=True).order_by().values("sheet")
    pieces = changing.filter(kind__in=LATE_PIECES).annotate(n=Sum("pieces")).values("n")
    others = changing.exclude(kind__in=LATE_PIECES).annotate(n=Count("pk")).values("n")
    return ExceptionSheet.objects.annotate(
        late_pieces=Coalesce(Subquery(pieces), 0), late_others=Coalesce(Subquery(others), 0)
    )


def answered_sheets(**where):
    """Sheets that the driver answered to, oldest first. One that tells what came late is none of them."""
    return ExceptionSheet.objects.filter(**where).exclude(outcome=SignOutcome.NOT_SEEN).order_by("pk")


def board(site, *, since):
    """Everything the doors page shows of a site: (open, expected, left since `since`), each a list of trailers."""
    # Each part names the site, so that each is looked up in an index of its own.
    rows = with_work(
        Arrival.objects.filter(
            Q(site=site, state__in=(*OPEN_STATES, ArrivalState.EXPECTED))
            | Q(site=site, released_at__gte=since)
            | Q(site=site, closed_at__gte=since)
        )
    )
    at_doors = sorted((row for row in rows if row.is_open), key=lambda row: (label_order(row.door), row.pk))
    expected = [row for row in rows if row.state == ArrivalState.EXPECTED]
    expected.sort(key=lambda row: (row.appointment_at is None, row.appointment_at or 0, row.pk))
    left = [row for row in rows if not row.is_open and row.state != ArrivalState.EXPECTED]
    left.sort(key=lambda row: (row.released_at is None, row.released_at, row.pk), reverse=True)
    return at_doors, expected, left


def label_order(door):
    """Doors as people walk past them: 2 before 10, 10 before 10A."""
    label = door.label if door else ""
    digits = "".join(takewhile(str.isdigit, label))
    return (not digits, int(digits or 0), label)


def doors(site):
    """The site's doors in use, as people walk past them; `taken` is the trailer that stands there, or None."""
    standing = {row.door_id: row for row in Arrival.objects.open().filter(site=site, door__isnull=False)}
    found = sorted(Door.objects.filter(site=site, active=True), key=label_order)
    for door in found:
        door.taken = standing.get(door.pk)
    return found


@dataclass(frozen=True)
class Entry:
    """One line of a trailer's time line. `kind` is moment, seal, incident, refusal, look, late or discarded; `row` the
    record, of what was discarded on a phone its event.
    """

    at: datetime
    kind: str
    row: Model


def timeline(arrival):
    """What happened to a trailer, in order, as Entries. Pieces have their own pages."""
    sources = {
        "moment": Moment.objects.filter(arrival=arrival),
        "seal": SealRecord.objects.filter(arrival=arrival),
        "incident": IncidentNote.objects.filter(arrival=arrival),
        "refusal": Refusal.objects.filter(shipment__arrival=arrival).select_related("shipment"),
        "look": Looked.objects.filter(arrival=arrival),
        "late": LateRecord.objects.filter(arrival=arrival).select_related("discrepancy", "arrival__site"),
    }
    sources["discarded"] = Event.objects.filter(arrival=arrival, verb="phone.discarded")
    found = [Entry(row.at, kind, row) for kind, rows in sources.items() for row in rows.select_related("actor")]
    return sorted(found, key=lambda entry: (entry.at, entry.row.pk))


def open_set_asides(arrival):
    return arrival.discrepancies.filter(kind=Kind.SET_ASIDE, state=DiscrepancyState.OPEN).order_by("pk")


def stores_tally(arrival):
    """Per bill and store: expected and received, for the tally board."""
    return (
        Carton.objects.filter(arrival=arrival)
        .values("shipment", "store", "store__number", "store__name")
        .annotate(expected=Sum("expected"), received=Sum("received"))
        .order_by("store__number")
    )


def missing_by_store(shipment):
    """(store, pieces) still outstanding and not yet declared short, where stores are tallied."""
    facts = SquaringFacts([shipment])
    declared = dict(
        Discrepancy.objects.live()
        .filter(shipment=shipment, kind=Kind.SHORT)
        .values_list("store")
        .annotate(n=Sum("quantity"))
    )
    stores = Store.objects.in_bulk(facts.cartons[shipment.pk])
    loose = facts.tallies[shipment.pk].get(None, 0) + declared.get(None, 0)
    for store, (expected, received) in facts.cartons[shipment.pk].items():
        counted = received + facts.tallies[shipment.pk].get(store, 0)
        missing = max(0, expected - counted - declared.get(store, 0))
        placed = min(loose, missing)
        loose -= placed
        if missing > placed:
            yield stores[store], missing - placed


def missing_cartons(shipment):
    """Listed cartons not yet received in full and not declared short, in list order."""
    declared = Discrepancy.objects.filter(
        shipment=shipment, kind=Kind.SHORT, state=DiscrepancyState.OPEN, carton__isnull=False
    ).values("carton")
    return (
        Carton.objects.filter(shipment=shipment, received__lt=F("expected"))
        .exclude(pk__in=declared)
        .select_related("store", "new_store")
        .order_by("line")
    )


def piece_rows(ids):
    """Pieces in the order of `ids` with all that a list shows of them; `first_photo` may be None. Two queries."""
    rows = listed_pieces().in_bulk(ids)
    photos = Photo.objects.filter(discrepancy__in=ids, tombstone__isnull=True).order_by("-pk")
    first = {photo.discrepancy_id: photo for photo in photos.only("uuid", "discrepancy", "purpose", "caption")}
    for row in rows.values():
        row.first_photo = first.get(row.pk)
    return [rows[pk] for pk in ids if pk in rows]


def piece_rows_for_export(ids):
    """Pieces in the order of `ids`; `photo_count` is how many photos each has. Two queries."""
    rows = listed_pieces().select_related("matched", "matched_by").in_bulk(ids)
    counts = dict(Photo.objects.filter(discrepancy__in=ids).values_list("discrepancy").annotate(n=Count("pk")))
    for row in rows.values():
        row.photo_count = counts.get(row.pk, 0)
    return [rows[pk] for pk in ids if pk in rows]


def listed_pieces():
    return Discrepancy.objects.select_related(
        "site", "arrival__carrier", "shipment__account", "store", "new_store", "logged_by"
    )


def counts_by_kind_and_state(pieces):
    """{(kind, state): pieces}, all counted: for lists that are short by nature."""
    rows = pieces.order_by().values_list("kind", "state").annotate(n=Count("pk"))
    return {(kind, state): n for kind, state, n in rows}


def capped_counts(querysets, cap):
    """How many rows each queryset has, `cap` standing for that many or more: one query, none counted beyond it.

    Give them in the order of an index: told to stop early, PostgreSQL otherwise hopes to do so in a scan.
    """
    parts, params = [], []
    for number, rows in enumerate(querysets):
        sql, given = rows.values("pk")[:cap].query.sql_with_params()
        parts.append(f"SELECT {number}, COUNT(*) FROM ({sql}) AS part")
        params += given
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(parts), params)
        found = dict(cursor.fetchall())
    return [found[number] for number in range(len(parts))]


def bills_without_list(arrival):
    listed = Carton.objects.filter(shipment=OuterRef("pk"))
    return list(arrival.shipments.filter(~Exists(listed)).order_by("position"))


def tally_board(arrival):
    """[(bill, [(store or None, expected, counted)])] in bill and store order, in three queries."""
    shipments = list(arrival.shipments.select_related("account").order_by("position"))
    facts = SquaringFacts(shipments)
    pks = {store for bill in shipments for store in [*facts.cartons[bill.pk], *facts.tallies[bill.pk]] if store}
    stores = Store.objects.in_bulk(pks)
    others = defaultdict(list)
    for store in Store.objects.filter(site=arrival.site_id, active=True, account__in={b.account_id for b in shipments}):
        others[store.account_id].append(store)
    return [(bill, board_rows(facts, bill, stores, others[bill.account_id])) for bill in shipments]


def board_rows(facts, bill, stores, others):
    listed, tallies = facts.cartons[bill.pk], facts.tallies[bill.pk]
    wanted = {pk: stores[pk] for pk in [*listed, *tallies] if pk}
    if not listed:
        wanted |= {store.pk: store for store in others}
    rows = [
        (store, listed.get(pk, (0, 0))[0], listed.get(pk, (0, 0))[1] + tallies.get(pk, 0))
        for pk, store in wanted.items()
    ]
    rows.sort(key=lambda row: row[0].number)
    return [*rows, (None, 0, tallies.get(None, 0))] if not listed else rows


def pallets_with_counts(site, most=200):
    """Open pallets first, newest first, with how many cartons stand on each."""
    return (
        Pallet.objects.filter(site=site)
        .select_related("store")
        .annotate(count=Count("cartons"))
        .order_by("-state", "-number")[:most]
    )


@dataclass(frozen=True)
class Running:
    """How far a trailer's count is, in whole pieces."""

    expected: int
    counted: int
    missing: int
    over: int


RUNNING = """
SELECT bill.pieces,
       (SELECT SUM(expected) FROM receiving_carton WHERE shipment_id = bill.id),
       COALESCE((SELECT SUM(received) FROM receiving_carton WHERE shipment_id = bill.id), 0)
           + COALESCE((SELECT SUM(count) FROM receiving_tallytap WHERE shipment_id = bill.id), 0),
       COALESCE((SELECT SUM(quantity) FROM receiving_discrepancy
                 WHERE shipment_id = bill.id AND kind = 'short' AND state = 'open'), 0)
           + COALESCE((SELECT SUM(pieces) FROM receiving_refusal WHERE shipment_id = bill.id), 0),
       COALESCE((SELECT SUM(quantity) FROM receiving_discrepancy
                 WHERE shipment_id = bill.id AND state = 'open' AND carton_id IS NULL
                       AND kind IN ('over', 'damaged', 'rerouted')), 0),
       EXISTS (SELECT 1 FROM receiving_tallytap WHERE shipment_id = bill.id)
FROM receiving_shipment bill
WHERE bill.arrival_id = %s
"""


def running_count(arrival):
    """A `Running`, in one query where all cartons are listed and scanned: quick enough for every scan.

    Where stores are tallied or a bill has no list the squaring says what is missing and what is over.
    """
    with connection.cursor() as cursor:
        cursor.execute(RUNNING, [arrival.pk])
        bills = cursor.fetchall()
    expected = counted = missing = over = 0
    for pieces, listed, there, gone, unlisted, _tapped in bills:
        expected, counted = expected + (listed or pieces), counted + there
        missing, over = missing + max(0, (listed or pieces) - there - gone), over + unlisted
    if any(listed is None or tapped for _pieces, listed, _there, _gone, _unlisted, tapped in bills):
        shipments = list(Shipment.objects.filter(arrival=arrival))
        facts = SquaringFacts(shipments)
        squared = sum(map(facts.square, shipments), Squaring())
        counted, missing, over = counted + sum(facts.blind.values()), squared.missing, squared.over
    return Running(expected, counted, missing, over)


def live_scans(**where):
    """Scans that take nothing back and were not taken back.

    Worded so that SQLite keeps to the index for `where`: it believes that hardly any scan has no `undoes`.
    """
    return Scan.objects.alias(takes_back=Coalesce("undoes_id", 0)).filter(takes_back=0, undone_by__isnull=True, **where)


def blind_scans(arrivals):
    """Live scans of these trailers that count without a carton."""
    scans = live_scans(arrival__in=arrivals, result__in=COUNTING_RESULTS)
    return scans.alias(listed=Coalesce("carton_id", 0)).filter(listed=0)


def arrival_numbered(site, number):
    """The site's trailer with this number or None: every scan asks."""
    values = [site.pk, min(number, 2**31 - 1)]
    arrival = next(plain_rows(Arrival, "site_id = %s AND number = %s", values), None)
    if arrival:
        arrival.site = site
    return arrival


def submission(uuid):
    """The answer already given to a client's UUID, or None."""
    key = Submission._meta.pk.get_db_prep_value(uuid, connection)
    return next(plain_rows(Submission, "uuid = %s", [key]), None)


def plain_rows(model, where, values):
    """Records by one plain statement; the ORM's wording and its search for converters cost more than the database."""
    statement, names, converters = reading(model)
    with connection.cursor() as cursor:
        cursor.execute(f"{statement} WHERE {where}", values)
        found = cursor.fetchall()
    for row in map(list, found):
        for place, column, convert in converters:
            row[place] = convert(row[place], column, connection)
        yield model.from_db(connection.alias, names, row)


@cache
def reading(model):
    """(statement, names, converters as (place, column, function)) to read whole rows of a model."""
    fields = model._meta.concrete_fields
    columns = [field.get_col(model._meta.db_table) for field in fields]
    converters = [
        (place, column, convert)
        for place, column in enumerate(columns)
        for convert in connection.ops.get_db_converters(column) + column.get_db_converters(connection)
    ]
    quote = connection.ops.quote_name
    listed = ", ".join(quote(field.column) for field in fields)
    return f"SELECT {listed} FROM {quote(model._meta.db_table)}", [field.attname for field in fields], converters


def is_erased(file):
    """Whether a file of a record that was handed in is gone with an erased photo of the same content.

    One that has come again since is there, and is checked and shown as any other.
    """
    gone = not default_storage.exists(file["path"])
    return gone and Tombstone.objects.filter(sha256=file["sha256"]).exists()
