"""What may not be done with a piece, what only knowingly, and what is suggested of it. Reads only.

Cautions, not instructions: the site's plan, local codes and licensed people decide how anything is handled.
"""

from django.utils.translation import gettext as _

from receiving.enums import Attribution, Disposition, FindingKind, IncidentKind, StopCard, WhereFound
from receiving.refusals import Refused

DANGEROUS = {IncidentKind.LEAKING, IncidentKind.SMELL, IncidentKind.UNKNOWN_GOODS}
MOVES_ON = {Disposition.FORWARDED, Disposition.RETURNED, Disposition.REFUSED_BACK}
SUGGESTED = {
    WhereFound.IN_TRAILER: Attribution.TRANSIT,
    WhereFound.CONVEYOR: Attribution.CANNOT_TELL,
    WhereFound.PALLET: Attribution.OWN,
    WhereFound.STAGING: Attribution.OWN,
    WhereFound.ON_THE_WAY: Attribution.OUTBOUND,
    WhereFound.STORE: Attribution.CANNOT_TELL,
}


class NeedsKnowing(Refused):
    """Allowed, but only by somebody who has read what it gives away and ticks that they have."""

    def __init__(self, sentences):
        super().__init__(" ".join(sentences), code="needs_knowing", field="knowingly")


def check_disposition(piece, disposition, *, dangerous, inspected, knowingly, qualified=False):
    """Refuse what must not happen with a piece, and what may happen only `knowingly`.

    qualified -- the person may release held food, and so may condemn it
    49 CFR 173.3 and 177.854, from memory: a leaking package goes no further. 21 CFR 1.908(a)(6), from memory: food that
    may be unsafe waits for a qualified individual.
    """
    if dangerous and is_hazmat(piece) and disposition in MOVES_ON | {Disposition.SALVAGE}:
        raise Refused(
            _(
                "Hazardous material that leaks stays where it is: it is not forwarded, returned, shipped or sold. "
                "Hold it and call the site's responsible person."
            ),
            code="hazmat_leaks",
            field="disposition",
        )
    decided = {Disposition.HELD, Disposition.DESTROYED} if qualified else {Disposition.HELD}
    if piece.food_hold and disposition not in decided:
        raise held_food(piece, "disposition")
    if not knowingly and (warnings := list(disposition_warnings(disposition, dangerous, inspected))):
        raise NeedsKnowing(warnings)


def disposition_warnings(disposition, dangerous, inspected):
    if dangerous and disposition in MOVES_ON | {Disposition.SALVAGE}:
        yield _("It leaks, smells or is unknown: tick only when the contents are known and are not hazardous.")
    if disposition == Disposition.FORWARDED and not inspected:
        yield _("Forwarding it before the carrier has inspected it or waived that gives the inspection away.")


def held_food(piece, field):
    return Refused(
        _("This food is held. Only a person named as qualified may release or condemn it; until then it is held."),
        code="food_held",
        field=field,
    )


def has_code(piece, card):
    return any(code["stop_card"] == card for code in piece.codes)


def is_hazmat(piece):
    return piece.hazmat or bool(piece.carton_id and piece.carton.hazmat)


def is_dangerous(piece):
    """It leaks, smells or nobody knows what it is: by its code or by the card that was shown."""
    return has_code(piece, StopCard.HAZARD) or piece.incidents.filter(kind__in=DANGEROUS).exists()


def is_inspected(piece):
    done = (FindingKind.INSPECTION_DONE, FindingKind.INSPECTION_WAIVED)
    return any(finding.kind in done for finding in piece.findings.all())


def is_food(piece):
    return bool((piece.carton_id and piece.carton.food) or (piece.shipment_id and piece.shipment.account.food))


def must_be_held(piece, *, told_food=False):
    """Food with a finding that makes it doubtful: by its code, or because the trailer's seal or cold failed.

    21 CFR 1.908(a)(6), restated from memory: not to be distributed until a qualified individual finds it safe.
    """
    if not piece.is_damaged or not (told_food or is_food(piece)):
        return False
    if has_code(piece, StopCard.FOOD):
        return True
    doubts = {IncidentKind.FOOD, IncidentKind.TEMPERATURE, IncidentKind.SEAL}
    return piece.arrival.incidents.filter(kind__in=doubts, discrepancy__isnull=True).exists()
