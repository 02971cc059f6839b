"""Dates of losses that nobody has claimed yet."""

from collections import defaultdict

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from claims import deadlines, queries
from claims.dates import reserved
from claims.dates.entries import Entry
from claims.dates.starts import Choices, nothing_came, triggers
from claims.enums import Duty, LineKind
from receiving import clock
from receiving.enums import Kind
from receiving.models import Shipment

OF_PIECES = ("shipment", "number", "kind", "quantity", "found_at", "after_release")
BEFORE_FILING = (Duty.CONCEALED_NOTICE, Duty.NOTICE, Duty.FILE, Duty.FINAL_STATEMENT)


def of_pieces(site, pieces, at, *, choices=None):
    """{piece: (nearest Due or None, [Due])} of unclaimed losses; three queries whatever their number, and one for the
    sheets of those whose law takes them for a notice.

    pieces -- with their shipment, its account and its arrival with site and carrier
    A piece for whose bill no terms hold has none.
    """
    choices = choices or Choices()
    shipments = {piece.shipment_id: piece.shipment for piece in pieces if piece.shipment}
    held = {key: choices.choose(shipment) for key, shipment in shipments.items()}
    lost = nothing_came(shipments.values())
    asking = {key for key in shipments if reserved.asked_of(held[key])}
    signed = reserved.signed({shipments[key].arrival_id for key in asking})
    alike, found = {}, {}
    for piece in pieces:
        done = signed.get((piece.shipment.arrival_id, str(piece))) if piece.shipment_id in asking else None
        if (key := (*clocks(piece, site), done)) not in alike:
            terms = held.get(piece.shipment_id)
            lost_all = piece.shipment_id in lost
            dues = piece_dues(piece, terms, nothing_delivered=lost_all, reservation=done) if terms else []
            alike[key] = (min(dues, key=lambda due: due.urgency, default=None), dues)
        found[piece] = alike[key]
    return found


def clocks(piece, site):
    """Pieces that agree in this have the same dates."""
    return piece.shipment_id, piece.kind, piece.after_release, clock.site_day(piece.found_at, site.time_zone)


def piece_dues(piece, held, *, nothing_delivered=False, reservation=None):
    """What is to be done about an unclaimed piece, those without a date first. Carriers owe nothing yet.

    reservation -- the sheet that was signed for the carrier and names it, where that ends the notice
    """
    dues = deadlines.due(
        [period for period in held.periods if is_open(period.duty, piece)],
        triggers(piece.shipment, held.terms.delivered_means, discovered=piece.found_at),
        kinds=LineKind.LOSS if piece.kind == Kind.SHORT else LineKind.DAMAGE,
        calendar=held.calendar,
        nothing_delivered=nothing_delivered,
        zone=piece.shipment.arrival.site.time_zone,
    )
    return [due for due in dues if not reserved.is_done(due, reservation)]


def is_open(duty, piece):
    """What was seen at the dock is on the receipt already; only what was found later is concealed."""
    if duty == Duty.CONCEALED_NOTICE:
        return piece.after_release
    return duty in BEFORE_FILING


def unclaimed(site, *, at) -> list[Entry]:
    """For each bill with unclaimed losses the nearest of its dates, and those that are unknown."""
    pieces = list(queries.claimable(site).only(*OF_PIECES).order_by("pk"))
    bills = Shipment.objects.select_related(*queries.BILL).in_bulk({piece.shipment_id for piece in pieces})
    for piece in pieces:
        piece.shipment = bills[piece.shipment_id]
    dues = of_pieces(site, pieces, at)
    by_bill = defaultdict(list)
    for piece in pieces:
        by_bill[piece.shipment_id].append(piece)
    return [entry for group in by_bill.values() for entry in of_bill(group, dues)]


def of_bill(pieces, dues):
    about = counted(pieces)
    nearest = once_each(due for piece in pieces for due in dues[piece][1])
    if not nearest:
        words = _("%(about)s. No date: needs terms that hold for this bill.") % {"about": about}
        yield about_bill(pieces, key="terms", head=_("claim, hand over or decide"), words=words, day=None)
    for due in nearest:
        words = f"{about}. {due.words}"
        yield about_bill(pieces, key=due.duty.value, head=str(due.duty.label), words=words, day=due.due, due=due)


def counted(pieces):
    count = sum(piece.quantity for piece in pieces)
    words = ngettext("%(count)s unclaimed piece of bill %(bill)s", "%(count)s unclaimed pieces of bill %(bill)s", count)
    return words % {"count": count, "bill": pieces[0].shipment.bill_number}


def about_bill(pieces, **told):
    shipment = pieces[0].shipment
    return Entry(
        kind="unclaimed",
        shipment=shipment,
        carrier=shipment.carrier_on_bill or shipment.arrival.carrier,
        url=reverse("to_claim", args=[shipment.arrival.site.code]),
        **told,
    )


def once_each(dues):
    """The nearest of each duty: its unknown date if it has one, for that may be the nearest."""
    nearest = {}
    for due in sorted(dues, key=lambda due: due.urgency):
        nearest.setdefault(due.duty, due)
    return list(nearest.values())
