"""What made a carrier's figures: its trailers, the pieces that count against it, the commonest damage in pictures."""

from collections import Counter, defaultdict

from django.db.models import Q, Sum
from django.utils.translation import gettext as _

from claims import behind, months, periods
from claims.card.book import MONTH, YEAR, Book
from claims.models import BillCount, VisitCount
from claims.scorecard.verdicts import number
from receiving import clock, sheet
from receiving.enums import Kind, PhotoPurpose
from receiving.models import Arrival, Photo

COMMONEST = 3
KEYS_AT_ONCE = 500
# The close picture says most; the label and the contents say least about how it came.
BEST = (PhotoPurpose.PIECE, PhotoPurpose.BEFORE_MOVING, PhotoPurpose.CONTENTS)


def trailers(book: Book, carrier: int) -> list[dict]:
    """The carrier's trailers of the twelve months: those with most damaged, short and over first, then the newest."""
    period = book.periods[YEAR]
    within = {"site__in": book.sites, "carrier": carrier, "month__gte": period.first, "month__lte": period.last}
    names = [*(kind.value for kind in months.KINDS), "listed", "received"]
    sums = {
        row.pop("arrival"): row
        for row in BillCount.objects.filter(**within)
        .values("arrival")
        .annotate(**{f"all_{name}": Sum(name) for name in names})
        .order_by()
    }
    visits = VisitCount.objects.filter(**within).select_related("arrival__site")
    rows = [trailer(book, visit, sums.get(visit.arrival_id, {})) for visit in visits]
    return sorted(rows, key=lambda row: (-row["damaged"] - row["short"] - row["over"], row["released"], row["number"]))


def trailer(book, visit, sums):
    arrival = visit.arrival
    return {
        "number": book.named(arrival, arrival.site),
        "trailer": arrival.trailer_number,
        "released": clock.site_day(arrival.released_at, arrival.site.time_zone).isoformat(),
        "day": sheet_day(arrival),
        "in_month": visit.month == book.month,
        **{name: sums.get(f"all_{name}", 0) for name in (*(kind.value for kind in months.KINDS), "listed", "received")},
        "minutes_late": visit.minutes_late,
        "seal_exception": visit.seal_exception,
    }


def sheet_day(arrival):
    local = clock.local(arrival.released_at, arrival.site.time_zone)
    return f"{local:%a} {local.day} {local:%b %Y}"


def pieces(book: Book, carrier: int) -> list[dict]:
    """The pieces of the twelve months that count against the carrier, newest first, once for each kind."""
    found = []
    for kind in periods.JUDGED:
        found += [(kind, piece) for piece in behind.pieces(book.choice(YEAR, kind), carrier, "counted")]
    arrivals = Arrival.objects.select_related("site").in_bulk({piece.arrival_id for _kind, piece in found})
    months_of = month_of_bills(book, carrier)
    rows = [
        piece_row(book, kind, piece, arrivals[piece.arrival_id], months_of[piece.shipment_id] == book.month)
        for kind, piece in found
    ]
    return sorted(rows, key=lambda row: (row["found"], row["number"]), reverse=True)


def month_of_bills(book, carrier):
    period = book.periods[YEAR]
    rows = BillCount.objects.filter(
        site__in=book.sites, carrier=carrier, month__gte=period.first, month__lte=period.last
    ).values_list("shipment", "month")
    return dict(rows)


def piece_row(book, kind, piece, arrival, in_month):
    return {
        "key": piece.pk,
        "number": book.named(piece, arrival.site),
        "kind": str(kind),
        "trailer": book.named(arrival, arrival.site),
        "in_month": in_month,
        "quantity": piece.quantity,
        "label": piece.label,
        "codes": [code["label"] for code in piece.codes],
        "extent": piece.get_extent_display(),
        "where": piece.get_where_found_display(),
        "found": piece.found_at.isoformat(timespec="seconds"),
        "found_words": sheet.worded(clock.local(piece.found_at, arrival.site.time_zone)),
        "note": piece.note,
    }


def damage(rows: list[dict], picked=MONTH) -> list[dict]:
    """The commonest damage codes among these pieces, most pieces first, each with the picture that says most, or None.

    picked -- whose pieces the picture is of before others: those of the month
    """
    counts, examples = Counter(), defaultdict(list)
    for row in rows:
        if row["kind"] == Kind.DAMAGED:
            for label in row["codes"]:
                counts[label] += row["quantity"]
                examples[label].append(row)
    commonest = sorted(counts.items(), key=lambda each: (-each[1], each[0]))[:COMMONEST]
    pictures = photos_of(row["key"] for label, _count in commonest for row in examples[label])
    taken, found = set(), []
    for label, count in commonest:
        picture = best_picture(examples[label], pictures, taken)
        taken.add(picture["uuid"] if picture else None)
        found.append({"code": label, "pieces": number(count), "picture": picture})
    return found


def photos_of(keys):
    """{piece: its photos that were not erased}"""
    found, keys = defaultdict(list), sorted(set(keys))
    for start in range(0, len(keys), KEYS_AT_ONCE):
        some = keys[start : start + KEYS_AT_ONCE]
        rows = Photo.objects.filter(Q(tombstone=None), discrepancy__in=some, purpose__in=BEST)
        for photo in rows.order_by("pk"):
            found[photo.discrepancy_id].append(photo)
    return found


def best_picture(rows, pictures, taken):
    """One of the month before one of another, a close one before others, the newest piece first."""
    choices = [
        (not row["in_month"], BEST.index(photo.purpose), place, photo, row)
        for place, row in enumerate(rows)
        for photo in pictures[row["key"]]
        if str(photo.uuid) not in taken
    ]
    if not choices:
        return None
    *_order, photo, row = min(choices, key=lambda choice: choice[:3])
    return {
        "uuid": str(photo.uuid),
        "viewing": photo.viewing,
        "viewing_sha256": photo.viewing_sha256,
        "sha256": photo.sha256,
        "piece": row["number"],
        "trailer": row["trailer"],
        "words": _("%(piece)s on %(trailer)s, %(at)s")
        % {"piece": row["number"], "trailer": row["trailer"], "at": row["found_words"]},
    }
