"""The drawn pictures. What nobody can read on them is kept once, however many photos show it; a label, a seal's
number or a receipt that can be read is drawn for the piece, the seal or the trailer it belongs to.
"""

import hashlib
from datetime import timedelta
from functools import cache, partial
from random import Random

from receiving import evidence, photos
from receiving.demo import scenario, studio
from receiving.enums import Kind, PhotoPurpose
from receiving.models import Carton, Photo

SHOWING = {
    "CR": "crushed",
    "WE": "wet",
    "TO": "torn",
    "BK": "crushed",
    "OP": "open",
    "FS": "wet",
    "LK": "leaking",
    "PL": "pallet",
}
# The goods that leak, and those that break with the picture of how.
LIQUIDS = {"Laundry detergent, liquid", "Olive oil, bottles", "Tomato passata", "Honey jars"}
BREAKS = {
    "Ceramic mixing bowls": "broken_bowls",
    "Dinner plates, stoneware": "broken_plates",
    "Glass storage jars": "broken_jars",
}
RECENT = timedelta(days=21)


def fitting(code, goods):
    """The code, or `CR` where these goods (as the list describes them) neither leak nor break."""
    if goods and ((code == "LK" and goods not in LIQUIDS) or (code == "BK" and goods not in BREAKS)):
        return "CR"
    return code


def take_in(company):
    """Examine every picture of the fixtures that shows no number, and keep its files. Needs no transaction."""
    for path in sorted(scenario.PICTURES.glob("*.jpg")):
        blank = studio.spots().get(path.stem, {})
        if blank and "label" not in blank:
            continue
        data = studio.inked(path.stem, "label", studio.far_label()) if blank else path.read_bytes()
        picture = photos.examine(data, filename=path.name)
        company.pictures[path.name] = picture
        company.files[path.name] = files_of(picture)


def files_of(picture):
    """What a photo's row says of its files, which are kept."""
    return photos.keep_files(picture) | {
        "sha256": picture.sha256,
        "viewing_sha256": hashlib.sha256(picture.viewing).hexdigest(),
        "size": picture.byte_count,
        "format": picture.format,
        "width": picture.width,
        "height": picture.height,
    }


def drawn(name, what, card):
    """The Picture of this name with `card` on its spot. It is ours and upright, so it is its own viewing copy."""
    data, thumbnail, (width, height) = studio.taken(name, what, card)
    return photos.Picture(
        filename=f"{name}.jpg",
        format="JPEG",
        content_type="image/jpeg",
        width=width,
        height=height,
        sha256=hashlib.sha256(data).hexdigest(),
        byte_count=len(data),
        taken_claim=None,
        original=data,
        viewing=data,
        thumbnail=thumbnail,
    )


@cache
def names(beginning):
    return scenario.picture_names(beginning)


def showing(beginning, rng):
    """One picture that shows this; the same choice for the same `rng`."""
    return rng.choice(names(beginning))


# -- what is written on them -------------------------------------------------------------------------------------------


def of_own(name, piece):
    """The picture with the piece's own label on it; None where it shows none or the piece has none."""
    stem = name.removesuffix(".jpg")
    spots = studio.spots().get(stem, {})
    if not piece.label or not spots.keys() & {"label", "close"}:
        return None
    carton = piece.carton or (None if piece.store else listed(piece))
    store = piece.store or (carton and carton.store)
    number = store.number if store else ""
    if "close" in spots:
        return drawn(stem, "close", studio.close_label(number, piece.label, carton.purchase_order if carton else ""))
    return drawn(stem, "label", studio.label(number, piece.label))


def listed(piece):
    """The carton of the list whose label a piece bears that was only set aside, or None."""
    return Carton.objects.filter(site=piece.site, label=piece.label).select_related("store").first()


def of_seal(name, seal):
    number = seal.number_on_seal or seal.number_on_paper
    return drawn(name.removesuffix(".jpg"), "seal", studio.seal(number, seal.seal_class))


def of_receipt(name, arrival, notation):
    """The carrier's receipt of this trailer, with what is noted on it."""
    bill = arrival.shipments.order_by("position").first()
    facts = [
        ("PRO", bill.pro_number or arrival.trailer_number),
        ("Shipper", bill.shipper or str(bill.account)),
        ("Consignee", str(arrival.site.name)),
        ("Pieces", f"{bill.pieces:,} {bill.get_pieces_unit_display()}"),
        ("Weight", f"{bill.weight:,} {arrival.site.weight_unit}" if bill.weight else ""),
    ]
    return drawn(name.removesuffix(".jpg"), "receipt", studio.receipt(facts, lines(notation)))


def lines(notation):
    """The parts of a notation as somebody writes them by hand: without the ids, which are on the sheet."""
    parts = [part.split(":")[0].strip() for part in notation.replace("\n", ";").split(";")]
    return [part.rstrip(".") for part in parts if part]


def is_readable(piece, now):
    """Whether the camera read the label: of old pieces nobody looks for it any more."""
    return bool(piece.label) and now - piece.found_at <= RECENT


# -- photos of the past ------------------------------------------------------------------------------------------------


def past(ledger, company, arrival, name, purpose, *, uuid, actor, at, picture=None, discrepancy=None, seal=None):
    """A photo of the past, told in the chain like any other: of `picture` where one was drawn for it, else one more
    row that speaks of a kept file."""
    photo = Photo(
        site=arrival.site,
        arrival=arrival,
        discrepancy=discrepancy,
        seal=seal,
        uuid=uuid,
        purpose=purpose,
        filename=f"{at:IMG_%Y%m%d_%H%M%S}.jpg",
        actor=actor,
        at=at,
        **(files_of(picture) if picture else company.files[name]),
    )
    ledger.add(photo)
    ledger.tell(
        arrival.site,
        "photo.received",
        photo,
        arrival=arrival,
        discrepancy=discrepancy,
        actor=actor,
        at=at,
        after=partial(evidence.facts, photo, photos.TOLD),
    )
    return photo


def of_piece(piece, rng, goods=""):
    """(picture, purpose) for what somebody would photograph of this piece; goods -- what the list says is in it"""
    wanted = []
    if piece.is_damaged and piece.codes:
        codes = piece.codes
        beginning = SHOWING[codes[0]["code"]]
        most = max(code["min_photos"] for code in codes)
        wanted = [(showing(beginning, rng), PhotoPurpose.PIECE)] * most
        if most > 1:
            wanted[1] = (inside(codes[0]["code"], goods, rng), PhotoPurpose.CONTENTS)
        if piece.where_found == "in_trailer" and not piece.not_in_place_reason:
            wanted.append((showing("trailer", rng), PhotoPurpose.BEFORE_MOVING))
    if piece.kind == Kind.OVER or rng.random() < 0.2:
        wanted.append((showing("label", rng), PhotoPurpose.LABEL))
    return wanted


def inside(code, goods, rng: Random):
    """What the opened carton shows: the goods in pieces, or that they were got at."""
    return showing(BREAKS.get(goods, "broken_plates") if code == "BK" else SHOWING[code], rng)
