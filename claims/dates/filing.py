"""By when a claim may be filed, for those who answer “filed late”."""

from claims import deadlines, terms
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


def of_line(claim, line, held, periods, lost):
    return deadlines.due(
        periods,
        triggers(claim.shipment, held.terms.delivered_means, discovered=line.discrepancy.found_at),
        kinds=[line.kind],
        calendar=held.calendar,
        nothing_delivered=lost,
        zone=claim.site.time_zone,
    )
