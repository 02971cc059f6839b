"""By when a claim may be filed, for those who answer “filed late”; which notices were given at delivery."""

from collections import defaultdict

from claims import deadlines, terms
from claims.dates import reserved
from claims.dates.starts import nothing_came, triggers
from claims.enums import Duty

FILING = (Duty.FILE, Duty.FINAL_STATEMENT)


def file_by(claim):
    """The last day on which the terms let this claim be filed: the earliest of its lines; None where one is unknown."""
    held = terms.of_claim(claim)
    if held is None:
        return None
    periods = [period for period in held.periods if period.duty in FILING]
    lost = claim.shipment_id in nothing_came([claim.shipment])
    lines = claim.lines.filter(live=True).select_related("discrepancy")
    dues = (due for line in lines for due in of_line(claim, line, held, periods, lost))
    first = deadlines.earliest(dues)
    return first.due.day if first.is_certain else None


def done_by_sheet(claim):
    """[(Reservation, positions of its lines)] of the notices that sheets signed for the carrier gave."""
    held = terms.of_claim(claim)
    if not reserved.asked_of(held):
        return []
    signed = reserved.signed([claim.shipment.arrival_id])
    periods = [period for period in held.periods if period.duty == Duty.NOTICE]
    found = defaultdict(list)
    for line in claim.lines.filter(live=True).select_related("discrepancy").order_by("position"):
        reservation = signed.get((claim.shipment.arrival_id, str(line.discrepancy)))
        if any(reserved.is_done(due, reservation) for due in of_line(claim, line, held, periods, lost=False)):
            found[reservation].append(line.position)
    return list(found.items())


def of_line(claim, line, held, periods, lost):
    return deadlines.due(
        periods,
        triggers(claim.shipment, held.terms.delivered_means, discovered=line.discrepancy.found_at),
        kinds=[line.kind],
        calendar=held.calendar,
        nothing_delivered=lost,
        zone=claim.site.time_zone,
    )
