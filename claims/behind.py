"""What is behind a carrier's figures: the pieces and the trailers that they were counted from. Reads only.

It goes by the same rules as the sums (`claims.months`), piece by piece, so that a list adds up to its figure.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Q, Sum
from django.utils.translation import gettext_lazy as _

from claims import months
from claims.models import BillCount, VisitCount
from claims.periods import GRACE_MINUTES, Choice
from receiving.enums import Attribution, DiscrepancyState, Kind, Party
from receiving.models import Arrival, Discrepancy

CANNOT_TELL = {Attribution.CANNOT_TELL, months.NOT_SAID}
# Figure: whose doing the pieces of it are; None is what counts against the carrier.
PIECES = {
    "counted": None,
    "origin": {Attribution.ORIGIN},
    "clear-seal": {months.CLEAR_SEAL},
    "own": {Attribution.OWN},
    "outbound": {Attribution.OUTBOUND},
    "cannot-tell": CANNOT_TELL,
    "rerouted": None,
}
TRAILERS = ("trailers", "touched", "gate", "seals")
WORDS = {
    "counted": _("Counted against the carrier"),
    "origin": _("Loaded that way at origin"),
    "clear-seal": _("Short under a clear seal"),
    "own": _("Our own handling"),
    "outbound": _("The outbound leg"),
    "cannot-tell": _("Nobody can tell"),
    "rerouted": _("Rerouted"),
    "trailers": _("Trailers"),
    "touched": _("Trailers with any of it"),
    "gate": _("On time at the gate"),
    "seals": _("Seal exceptions"),
}
# Two figures are of one kind of piece, whatever the page compares by.
KIND_OF = {"clear-seal": Kind.SHORT, "rerouted": Kind.REROUTED}


def kind_of(figure, choice: Choice) -> Kind:
    return KIND_OF.get(figure, Kind(choice.kind))


def bills(choice: Choice, carrier: int):
    rows = BillCount.objects.filter(**choice.within, carrier=carrier)
    if choice.account is not None:
        rows = rows.filter(account=choice.account)
    return rows if choice.origin is None else rows.filter(origin=choice.origin)


def pieces(choice: Choice, carrier: int, figure: str) -> list[Discrepancy]:
    """The pieces of one figure, newest first; three queries. figure -- one of PIECES"""
    kind, whose = kind_of(figure, choice), PIECES[figure]
    rows = Discrepancy.objects.filter(
        Q(kind=kind) | (Q(damaged_too=True) if kind == Kind.DAMAGED else Q()),
        shipment__in=bills(choice, carrier).values("shipment"),
        state=DiscrepancyState.OPEN,
    ).exclude(kind=Kind.SET_ASIDE)
    found = list(rows.select_related("shipment").order_by("-found_at", "-pk"))
    seals = months.standing_seals({piece.arrival_id for piece in found if kind == Kind.SHORT})
    return [piece for piece in found if is_of(piece, kind, whose, seals)]


def is_of(piece, kind, whose, seals):
    clear = months.is_clear(seals[piece.arrival_id]) and piece.shipment.loaded_by == Party.SHIPPER
    doing = months.whose_doing(piece, kind, clear)
    counts = doing == Attribution.TRANSIT or kind == Kind.REROUTED
    return counts if whose is None else not counts and doing in whose


def quantity(found: Iterable[Discrepancy]) -> int:
    return sum(piece.quantity for piece in found)


@dataclass(frozen=True)
class Brought:
    """One trailer: what it had at risk and what of it counts; minutes_late None where nobody knows."""

    arrival: Arrival
    cartons: int
    events: int
    minutes_late: int | None
    seal_exception: bool

    @property
    def in_time(self):
        return None if self.minutes_late is None else self.minutes_late <= GRACE_MINUTES


def trailers(choice: Choice, carrier: int, figure: str) -> list[Brought]:
    """The trailers of one figure, most events first, for `gate` the latest first; three queries.

    figure -- one of TRAILERS; `gate` and `seals` are of all freight, since a trailer has one gate and one seal
    """
    at_risk, events = months.AT_RISK[Kind(choice.kind)], Kind(choice.kind).value
    sums = {
        arrival: (cartons, count)
        for arrival, cartons, count in bills(choice, carrier)
        .values_list("arrival")
        .annotate(cartons=Sum(at_risk), count=Sum(events))
        .order_by()
    }
    visits = VisitCount.objects.filter(**choice.within, carrier=carrier)
    arrivals = Arrival.objects.select_related("site").in_bulk([visit.arrival_id for visit in visits])
    found = [
        Brought(
            arrivals[visit.arrival_id],
            *sums.get(visit.arrival_id, (0, 0)),
            visit.minutes_late,
            visit.seal_exception,
        )
        for visit in visits
    ]
    return sorted(filter(KEPT[figure], found), key=ORDER.get(figure, most_events))


def most_events(brought):
    return (-brought.events, -brought.arrival.released_at.timestamp(), brought.arrival.pk)


KEPT = {
    "trailers": lambda brought: brought.cartons,
    "touched": lambda brought: brought.cartons and brought.events,
    "gate": lambda brought: brought.minutes_late is not None,
    "seals": lambda brought: brought.seal_exception,
}
ORDER = {"gate": lambda brought: (-brought.minutes_late, brought.arrival.pk)}
