"""What a piece lost, as far as the record of the dock and the load list say it: how much of what, at which price.

Reads only, and nothing beyond `piece.carton` and `piece.shipment`. What nobody has said is None, never nought.
"""

from dataclasses import dataclass
from decimal import Decimal

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims.enums import LineKind
from receiving.enums import Disposition, Extent, Kind, PiecesUnit

LOSSES = (Kind.DAMAGED, Kind.SHORT)


@dataclass(frozen=True)
class Loss:
    """quantity -- in `unit`; cartons -- how many pieces that is on the bill; weight -- gross, of those cartons
    unit_price -- per unit by the load list, None where the list does not say both a value and how many units
    """

    kind: LineKind
    quantity: Decimal
    unit: str
    cartons: int
    unit_price: Decimal | None
    weight: Decimal | None
    description: str

    @property
    def value(self):
        """Quantity at the list's price, unrounded, or None."""
        return None if self.unit_price is None else self.quantity * self.unit_price


def of_piece(piece):
    """The loss of a damaged or short piece by its carton on the list, else by the count alone."""
    carton = piece.carton
    units = units_lost(piece, carton)
    return Loss(
        kind=LineKind.LOSS if piece.kind == Kind.SHORT else LineKind.DAMAGE,
        quantity=Decimal(units or piece.quantity),
        unit=_("units") if units else counted_in(piece),
        cartons=piece.quantity,
        unit_price=carton.unit_value if carton and units and piece.units_hurt != 0 else None,
        weight=carton.weight * piece.quantity if carton and carton.weight is not None else None,
        description=(carton.description if carton else "") or "",
    )


def units_lost(piece, carton):
    """Units hurt where somebody counted them, else all that the list says was inside; None where nobody knows."""
    if piece.kind == Kind.DAMAGED and piece.units_hurt:
        return piece.units_hurt
    return carton.units * piece.quantity if carton and carton.units else None


def counted_in(piece):
    if piece.shipment and piece.shipment.pieces_unit == PiecesUnit.PALLETS and piece.carton is None:
        return _("pallets")
    return _("cartons")


def doubts_of(line):
    """The same of a line, and what it says beyond what the dock counted; its piece with carton and shipment there."""
    found = doubts(line.discrepancy)
    loss = of_piece(line.discrepancy)
    if loss.quantity and line.unit == loss.unit and line.quantity > loss.quantity:
        found.append(
            _("More is claimed than the dock counted: %(claimed)s against %(counted)s %(unit)s.")
            % {
                "claimed": f"{line.quantity.normalize():f}",
                "counted": f"{loss.quantity.normalize():f}",
                "unit": loss.unit,
            }
        )
    if line.unit_price == 0:
        found.append(_("Its price is nought, so it comes to nothing."))
    return found


def doubts(piece):
    """Sentences on what makes the list's value of a damaged piece more than its loss may be."""
    if piece.kind != Kind.DAMAGED:
        return []
    found = []
    if piece.units_hurt == 0:
        found.append(_("No unit inside was found hurt: give the cost of repair, or take the line off."))
    elif piece.units_hurt is None and piece.extent == Extent.PACKAGING:
        found.append(_("Only the packaging is said to be hurt: give the cost of repair or the loss of value."))
    elif piece.units_hurt is None and piece.extent == Extent.NOT_OPENED:
        found.append(_("Nobody has opened it: all units are taken as lost until somebody counts."))
    return found


IN_DOUBT = {
    "forwarded": gettext_lazy("repaired and forwarded, and yet valued at its full price."),
    Extent.NOT_OPENED: gettext_lazy("nobody has opened it, and it is valued in full."),
    Extent.PACKAGING: gettext_lazy("only the packaging is said to be hurt, and the goods are valued in full."),
    "": gettext_lazy("nobody has said how far the contents are hurt, and they are valued in full."),
}


def doubt_of_full(line):
    """Which of IN_DOUBT makes it doubtful that the goods of a line are lost in full; None where nothing does.

    Goods are valued in full where the price carries the loss: neither repair, loss of value nor salvage is set against
    it. A count of hurt units ends the doubt of a carton that nobody opened, but not of goods that went on to be sold.
    """
    piece = line.discrepancy
    valued_otherwise = line.repair_cost is not None or line.value_lost is not None or line.salvage > 0
    if piece.kind != Kind.DAMAGED or valued_otherwise:
        return None
    if piece.disposition == Disposition.FORWARDED:
        return "forwarded"
    return piece.extent if piece.units_hurt is None and piece.extent in IN_DOUBT else None
