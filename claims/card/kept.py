"""The files behind a card: the pictures it prints, and its own two as they were kept."""

from django.utils.translation import gettext as _

from claims.packet import kept
from receiving import evidence, photos
from receiving.refusals import Refused

TYPES = {kind: kept.TYPES[kind] for kind in ("pdf", "xlsx")}
SIDE, QUALITY = 700, 72


def name_of(card, kind):
    """`NOR-S-0012.pdf`; `SA-0012.pdf` over all sites"""
    return f"{card.site.code}-{card}.{kind}" if card.site else f"{card}.{kind}"


def opened(card, kind):
    """The file of a kind (pdf, xlsx), open and looked through. Raises Refused where it is missing or altered."""
    return kept.as_frozen(getattr(card, kind), getattr(card, f"{kind}_sha256"), name_of(card, kind))


def read(card, kind) -> bytes:
    with opened(card, kind) as file:
        return file.read()


def pictures(content) -> dict[str, bytes]:
    """{"photo:<uuid>": JPEG} of every picture of a content, made from the viewing copies; their hashes are in the
    content then, and where they are there already they must come out the same. Raises Refused."""
    shown = [each["picture"] for each in content["damage"] if each["picture"]]
    return {f"photo:{each['uuid']}": printed(each, content["made"]["prints"]) for each in shown}


def printed(picture, prints):
    words = _("the picture of %(piece)s") % {"piece": picture["piece"]}
    with kept.as_frozen(picture["viewing"], picture["viewing_sha256"], words) as file:
        data = photos.print_copy(file.read(), filename=words, side=SIDE, quality=QUALITY)
    digest = evidence.digest(data)
    if prints.setdefault(picture["uuid"], digest) != digest:
        raise Refused(
            _("%(what)s is not printed any more as it was when this card was made. The card that was kept stands.")
            % {"what": words},
            code="print_differs",
        )
    return data
