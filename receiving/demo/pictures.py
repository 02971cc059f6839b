"""The drawn pictures: each is examined and its files kept once, however many photos show it."""

import hashlib
from functools import partial

from receiving import evidence, photos
from receiving.demo import scenario
from receiving.enums import Kind, PhotoPurpose
from receiving.models import Photo

SHOWING = {
    "CR": "crushed",
    "WE": "wet",
    "TO": "torn",
    "BK": "broken",
    "OP": "open",
    "FS": "wet",
    "LK": "leaking",
    "PL": "pallet",
}


def take_in(company):
    """Examine every picture of the fixtures and keep its files. Needs no transaction."""
    for path in sorted(scenario.PICTURES.glob("*.jpg")):
        picture = photos.examine(path.read_bytes(), filename=path.name)
        company.pictures[path.name] = picture
        company.files[path.name] = photos.keep_files(picture) | {
            "sha256": picture.sha256,
            "viewing_sha256": hashlib.sha256(picture.viewing).hexdigest(),
            "size": picture.byte_count,
            "format": picture.format,
            "width": picture.width,
            "height": picture.height,
        }


def showing(beginning, rng):
    """One picture that shows this; the same choice for the same `rng`."""
    return rng.choice(scenario.picture_names(beginning))


def past(ledger, company, arrival, name, purpose, *, uuid, actor, at, discrepancy=None, seal=None):
    """A photo of the past: one more row that speaks of a kept file, told in the chain like any other."""
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
        **company.files[name],
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


def of_piece(piece, rng):
    """(picture, purpose) for what somebody would photograph of this piece."""
    wanted = []
    if piece.is_damaged and piece.codes:
        codes = piece.codes
        beginning = SHOWING[codes[0]["code"]]
        most = max(code["min_photos"] for code in codes)
        wanted = [(showing(beginning, rng), PhotoPurpose.PIECE)] * most
        if most > 1:
            wanted[1] = (showing(beginning, rng), PhotoPurpose.CONTENTS)
        if piece.where_found == "in_trailer" and not piece.not_in_place_reason:
            wanted.append((showing("trailer", rng), PhotoPurpose.BEFORE_MOVING))
    if piece.kind == Kind.OVER or rng.random() < 0.2:
        wanted.append((showing("label", rng), PhotoPurpose.LABEL))
    return wanted
