"""What happened at the dock, as the packet tells it: the trailer with its seals and times, the count, the signature,
photos and papers with their hashes.
"""

from django.db.models import Count, Max, Min, Sum

from claims.packet.wording import safe
from receiving import queries, sheet
from receiving.enums import ListState, LookedPlace, PhotoPurpose, SignOutcome
from receiving.models import Carton, Photo, TallyTap

EXTENSIONS = {"JPEG": "jpg", "PNG": "png", "WEBP": "webp", "HEIC": "heic", "AVIF": "avif", "TIFF": "tif"}


# -- photos and papers


def trailer_photos(arrival):
    """Photos of the trailer, its seals and the carrier's receipt; those of other pieces are not this claim's."""
    rows = Photo.objects.filter(arrival=arrival, discrepancy=None).select_related("actor", "tombstone")
    return list(rows.order_by("pk"))


def photo(row, number, of, file=""):
    """One photo: what it shows and all that is known of it. `erased` says why its file is gone, if it is.

    number, of -- "photo 3 of P-412"; file -- how its file is called in the archive, by default as `of`
    """
    stone = getattr(row, "tombstone", None)
    return {
        "uuid": str(row.uuid),
        "name": f"photo {number} of {of}",
        "archive": f"photos/{file or safe(of)}-{number}.{EXTENSIONS.get(row.format, 'bin')}",
        "shows": row.get_purpose_display(),
        "purpose": row.purpose,
        "caption": row.caption,
        "taken": sheet.claimed(row.taken_claim),
        "received": sheet.moment(row.at),
        "received_at": row.at,
        "by": str(row.actor),
        "format": row.format,
        "pixels": f"{row.width} x {row.height}",
        "size": row.size,
        "filename": row.filename,
        "sha256": row.sha256,
        "original": row.original,
        "viewing": row.viewing,
        "viewing_sha256": row.viewing_sha256,
        "erased": stone.reason if stone else "",
    }


SEALS = {PhotoPurpose.SEAL_BEFORE, PhotoPurpose.SEAL_AFTER}
RECEIPT = {PhotoPurpose.CARRIER_RECEIPT}
PAPER_SHEET = {PhotoPurpose.SIGNED_SHEET}


def some(photos, of, file, purposes):
    chosen = [row for row in photos if row.purpose in purposes]
    return [photo(row, n, of, file) for n, row in enumerate(chosen, 1)]


def document(row, number):
    """One paper as it was uploaded; `number` is the one it has in the packet."""
    ending = row.content_type.rpartition("/")[2].replace("jpeg", "jpg")
    return {
        "key": f"document:{row.pk}",
        "n": number,
        "kind": row.kind,
        "words": row.get_kind_display(),
        "name": row.name,
        "archive": f"documents/{number:02d}-{safe(row.kind)}-{safe(row.name.rpartition('.')[0] or row.name)}.{ending}",
        "content_type": row.content_type,
        "is_pdf": row.content_type == "application/pdf",
        "pages": row.pages,
        "note": row.note,
        "received": sheet.moment(row.at),
        "by": str(row.actor),
        "file": row.file,
        "size": row.size,
        "sha256": row.sha256,
    }


# -- the trailer


def trailer(arrival, photos):
    return sheet.trailer(arrival) | {
        "delivered": sheet.moment(arrival.released_at),
        "moments": [
            {
                "what": entry.get_kind_display(),
                "at": sheet.moment(entry.at),
                "by": str(entry.actor),
                "note": entry.note,
                "later": sheet.moment(entry.recorded_at) if entry.written_later else "",
            }
            for entry in arrival.moments.select_related("actor").order_by("at", "pk")
        ],
        "seals": [seal(row) for row in queries.current_seals(arrival)],
        "incidents": [
            {
                "kind": row.get_kind_display(),
                "text": row.text,
                "called": row.called,
                "at": sheet.moment(row.at),
                "by": str(row.actor),
            }
            for row in arrival.incidents.select_related("actor").order_by("at", "pk")
        ],
        "safe": arrival.is_safe_to_unload,
        "seal_photos": some(photos, "the seals", "seal", SEALS),
        "photos": some(photos, "the trailer", "trailer", set(PhotoPurpose) - SEALS - RECEIPT - PAPER_SHEET),
        "sheet_photos": some(photos, "the sheet signed on paper", "paper-sheet", PAPER_SHEET),
    }


CHECKS = {"viewed": "view", "verified": "verify", "tugged": "tug", "twisted": "twist and turn"}


def seal(row):
    checks = [words for name, words in CHECKS.items() if getattr(row, name)]
    words = f"class {row.get_seal_class_display()}" if row.seal_class else ""
    return sheet.seal(row) | {"class_words": words, "checks": ", ".join(checks), "note": row.note, "reason": row.reason}


# -- the count


def count(shipment):
    """How the bill adds up, who counted what from when to when, and which list it was counted against."""
    kept = shipment.load_lists.filter(state=ListState.CONFIRMED).select_related("confirmed_by").first()
    looked = dict(shipment.arrival.looks.order_by("pk").values_list("place", "at"))
    return sheet.bill(shipment, queries.shipment_squaring(shipment)) | {
        "counted": [*scanned(shipment), *tallied(shipment)],
        "late": [str(piece) for piece in shipment.discrepancies.live().filter(after_release=True).order_by("number")],
        "looked": [f"{place.label} ({sheet.moment(looked[place])})" for place in LookedPlace if place in looked],
        "refused": [
            {"pieces": row.pieces, "reason": row.reason, "at": sheet.moment(row.at), "by": str(row.actor)}
            for row in shipment.refusals.select_related("actor").order_by("pk")
        ],
        "list": kept
        and {
            "name": kept.name,
            "archive": f"list/{safe(shipment.bill_number)}-{safe(kept.name)}",
            "file": kept.file.name,
            "rows": kept.rows,
            "size": kept.size,
            "sha256": kept.sha256,
            "at": sheet.moment(kept.confirmed_at),
            "by": str(kept.confirmed_by),
        },
    }


def scanned(shipment):
    """Per person: how many listed cartons they received, and when the first and the last."""
    rows = Carton.objects.filter(shipment=shipment, received__gt=0, received_by__isnull=False).order_by()
    names = ("received_by__first_name", "received_by__last_name", "received_by__username")
    rows = rows.values("received_by", *names).annotate(
        n=Sum("received"), first=Min("received_at"), last=Max("received_at")
    )
    return [worked(row, "received_by__", "label by label") for row in sorted(rows, key=lambda row: row["received_by"])]


def tallied(shipment):
    rows = TallyTap.objects.filter(shipment=shipment).order_by()
    names = ("actor__first_name", "actor__last_name", "actor__username")
    rows = rows.values("actor", *names).annotate(n=Sum("count"), first=Min("at"), last=Max("at"), taps=Count("pk"))
    return [worked(row, "actor__", "by store") for row in sorted(rows, key=lambda row: row["actor"]) if row["n"]]


def worked(row, prefix, how):
    name = f"{row[f'{prefix}first_name']} {row[f'{prefix}last_name']}".strip() or row[f"{prefix}username"]
    return {
        "by": name,
        "how": how,
        "cartons": row["n"],
        "first": sheet.moment(row["first"]),
        "last": sheet.moment(row["last"]),
    }


# -- what was signed


def delivery(arrival, photos):
    """The last exception sheet that the driver answered to, with the words noted and the signature, or None.

    What came late to it stands on a later sheet, which the driver has not seen: that is said, and its pieces are the
    claim's own.
    """
    row = queries.answered_sheets(arrival=arrival).select_related("supersedes").last()
    if row is None:
        return None
    later = arrival.sheets.filter(outcome=SignOutcome.NOT_SEEN, number__gt=row.number).order_by("number").last()
    release = row.content["release"]
    return {
        "sheet": str(row),
        "at": sheet.moment(row.at),
        "supersedes": str(row.supersedes or ""),
        "notation": row.notation,
        "outcome": release["outcome_words"]
        + (f"; {later} of {sheet.moment(later.at)}, not seen by the driver, tells what came late" if later else ""),
        "signer": row.signer,
        "employer": row.employer,
        "typed": row.typed,
        "witness": row.witness,
        "strokes": release["strokes"],
        "receipt": release["receipt_words"],
        "receipt_photos": some(photos, "the carrier's receipt", "receipt", RECEIPT),
        "pdf": row.pdf,
        "sha256": row.pdf_sha256,
        "archive": f"sheet/{row}.pdf",
    }
