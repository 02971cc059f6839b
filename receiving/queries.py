"""Every read over several tables that a page, a writer or the claims side needs."""

from collections import defaultdict

from django.db import connection
from django.db.models import Count, F, Q, Sum

from receiving.enums import COUNTING_RESULTS, DiscrepancyState, Kind, PiecesUnit
from receiving.models import Carton, Discrepancy, Photo, Refusal, Scan, Shipment, ShipmentCarrier, Store, TallyTap
from receiving.squaring import Bucket, Squaring, square


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
            self.tallies[row["shipment"]][row["store"]] += row["n"]
        self.blind = self.count(
            Scan.objects.filter(
                shipment__in=ids,
                carton__isnull=True,
                undoes__isnull=True,
                undone_by__isnull=True,
                result__in=COUNTING_RESULTS,
            )
        )
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
        for row in (
            live.filter(carton__isnull=False, kind__in=[Kind.DAMAGED, Kind.REROUTED])
            .values("shipment")
            .annotate(
                damaged=Count("carton", filter=Q(kind=Kind.DAMAGED), distinct=True),
                rerouted=Count("carton", filter=Q(kind=Kind.REROUTED), distinct=True),
                hurt=Count("carton", distinct=True),
            )
        ):
            self.hurt[row.pop("shipment")] = row

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
        if listed and not self.tallies[key]:
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
        for store, (expected, received) in listed.items():
            yield Bucket(expected=expected, counted=received + tallies.get(store, 0))
        for store, count in tallies.items():
            if store not in listed:
                yield Bucket(expected=0, counted=count)


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
    for store, (expected, received) in facts.cartons[shipment.pk].items():
        counted = received + facts.tallies[shipment.pk].get(store, 0)
        if (missing := expected - counted - declared.get(store, 0)) > 0:
            yield stores[store], missing


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
    """Pieces in the order of `ids` with all that a list shows of them; `first_photo` is a Photo or None. Two queries."""
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


def capped_counts(querysets, cap):
    """How many rows each queryset has, `cap` standing for that many or more: one query, none counted beyond it."""
    parts, params = [], []
    for number, rows in enumerate(querysets):
        sql, given = rows.order_by().values("pk")[:cap].query.sql_with_params()
        parts.append(f"SELECT {number}, COUNT(*) FROM ({sql}) AS part")
        params += given
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(parts), params)
        found = dict(cursor.fetchall())
    return [found[number] for number in range(len(parts))]
