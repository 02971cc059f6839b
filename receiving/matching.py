"""Whose carton is this: labels looked for on this trailer, then the site's; overs against open shorts of all sites."""

import re
from dataclasses import dataclass

from django.db.models import Q

from receiving import identifiers
from receiving.enums import COUNTING_STATES, ArrivalState, DiscrepancyState, Kind
from receiving.models import Carton, Discrepancy

# The address on a piece's tag, whatever host and path this installation stands at.
TAG = re.compile(r"https?://\S+/([A-Z0-9-]+)/piece/([0-9]{1,9})/?", re.IGNORECASE)


@dataclass(frozen=True)
class Elsewhere:
    """All that is said of a match at another site: that there is one, and whom to ask."""

    site: str
    ask: str
    phone: str


def tidy(text):
    """A label as it is kept and compared. One that reads badly is kept as read: the piece is there all the same."""
    try:
        return identifiers.read_scan(text or "").label
    except identifiers.NotValid:
        kept = "".join(character for character in identifiers.clean(text) if character.isprintable())
        return " ".join(kept.upper().split())[:100]


def read_tag(text):
    """(site code, piece number) where the text is the address on a piece's tag, else None."""
    found = TAG.fullmatch((text or "").strip())
    return found and (found[1].upper(), int(found[2]))


def find_carton(arrival, label):
    """The carton with this label: of this trailer, else the only one on others being unloaded, else None.

    A serial shipping container code is also looked for on trailers that have left; any other label may repeat from
    one trailer to the next, so there it says nothing.
    """
    if not label:
        return None
    listed = Carton.objects.filter(site=arrival.site_id, label=label).select_related(
        "arrival__site", "shipment__account", "store", "new_store"
    )
    if here := listed.filter(arrival=arrival).order_by("shipment__position").first():
        return here
    if found := list(listed.filter(arrival__state__in=COUNTING_STATES)[:2]):
        return found[0] if len(found) == 1 else None
    if not identifiers.sscc.is_valid(label):
        return None
    return listed.filter(arrival__state=ArrivalState.RELEASED).order_by("-arrival__released_at").first()


def open_shorts(label):
    """Shorts of this label at all sites that nobody has found yet, claimed ones too."""
    return Discrepancy.objects.filter(label=label, kind=Kind.SHORT, state=DiscrepancyState.OPEN)


def shorts_for(over):
    """Open shorts of the over's own site that may be it, newest first."""
    if over.kind != Kind.OVER or over.state != DiscrepancyState.OPEN or not over.label:
        return []
    return list(
        open_shorts(over.label)
        .filter(site=over.site_id)
        .select_related("site", "arrival", "carton", "shipment")
        .order_by("-pk")
    )


def overs_for(short):
    """Open overs of the short's own site with its label."""
    if short.kind != Kind.SHORT or short.state != DiscrepancyState.OPEN or not short.label:
        return []
    return list(
        Discrepancy.objects.live()
        .filter(site=short.site_id, label=short.label, kind=Kind.OVER)
        .select_related("site", "arrival")
        .order_by("-pk")
    )


def elsewhere(piece):
    """Other sites that hold the other half of this over or short: a list of `Elsewhere`, never their records."""
    other = {Kind.OVER: Kind.SHORT, Kind.SHORT: Kind.OVER}.get(piece.kind)
    if other is None or piece.state != DiscrepancyState.OPEN or not piece.label:
        return []
    rows = (
        Discrepancy.objects.filter(~Q(site=piece.site_id), label=piece.label, kind=other, state=DiscrepancyState.OPEN)
        .values_list("site__name", "site__responsible_person", "site__responsible_phone")
        .order_by("site__name")
        .distinct()
    )
    return [Elsewhere(*row) for row in rows]
