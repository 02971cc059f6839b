"""How a carrier handles claims: acknowledged and decided in time, days to the decision, money. Reads only.

In time is by the carrier's own periods in each claim's terms (49 CFR 370.5(a) and 370.9(a) give 30 and 120 days from
the day on which the carrier received the claim; where it never said which day that was, the day of filing stands in).
A claim without terms owes nothing that could be late. Claims still open count as open, or the median were too short.
"""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

from claims import deadlines
from claims.dates.known import ANSWERS, gather
from claims.enums import Duty, FactKind, Stage, Trigger
from claims.models import Claim
from claims.scorecard import settling
from claims.scorecard.settling import Kept, Median, Recovery
from claims.standing import Money, decided_for_carrier
from receiving import clock


@dataclass(frozen=True)
class Handling:
    """filed -- claims filed in the time, withdrawn ones among them; money -- {currency: Money of those not withdrawn};
    recovered -- {currency: Recovery of the decided ones}"""

    filed: int
    acknowledged: Kept
    decided: Kept
    median: Median
    money: dict[str, Money]
    recovered: dict[str, Recovery]


def handling(sites, carrier, first: date, last: date, *, at) -> Handling:
    """How this carrier handled the claims filed against it at these sites from `first` to `last`, as known at `at`; a
    fixed number of queries."""
    claims = (
        Claim.objects.demands()
        .filter(site__in=sites, carrier=carrier, filed_on__gte=first, filed_on__lte=last)
        .exclude(stage=Stage.DRAFT)
    )
    rows = claims.select_related("site", "terms", "shipment__arrival__site", "carrier", "account")
    found = gather(list(rows.prefetch_related("terms__periods").order_by("filed_on", "pk")), at=at)
    standing = [known for known in found if known.claim.stage != Stage.WITHDRAWN]
    return Handling(
        filed=len(found),
        acknowledged=kept(standing, Duty.ACKNOWLEDGE, acknowledged_on, at),
        decided=kept(standing, Duty.DECIDE, decided_on, at),
        median=settling.median_days(filter(None, (handled(known, at) for known in found))),
        money=money(standing),
        recovered=recovered(standing),
    )


def kept(found, duty, done_on, at) -> Kept:
    today = max((clock.site_day(at, known.claim.site.time_zone) for known in found), default=date.min)
    duties = ((owed(known, duty), done_on(known)) for known in found)
    return settling.kept([(due, done) for due, done in duties if due], today)


def owed(known, duty) -> date | None:
    """The last day of the carrier's duty, the nearest of its lines; None where its terms know none."""
    if known.held is None:
        return None
    dues = deadlines.due(
        [period for period in known.held.periods if period.duty == duty],
        {Trigger.CARRIER_RECEIVED: known.received or known.claim.filed_on},
        kinds=sorted({line.kind for line in known.lines}),
        calendar=known.held.calendar,
        zone=known.claim.site.time_zone,
    )
    return min((due.day for due in dues if due.is_known), default=None)


def acknowledged_on(known) -> date | None:
    return min((fact.on for fact in known.live(*ANSWERS)), default=None)


def decided_on(known) -> date | None:
    """When all was decided in writing: agreed, a firm offer, the last line decided on, or all the money in."""
    days = [fact.on for fact in known.live(FactKind.AGREED)]
    days += [fact.on for fact in known.live(FactKind.OFFER) if fact.binds_carrier]
    said = decided_for_carrier(known.facts)
    if known.lines and all(line.pk in said for line in known.lines):
        days.append(max(said[line.pk] for line in known.lines))
    paid = [fact.on for fact in known.live(FactKind.RECEIPT, FactKind.OFFSET)]
    if paid and known.reading.money.outstanding <= 0:
        days.append(max(paid))
    return min(days, default=None)


def handled(known, at):
    zone = known.claim.site.time_zone
    withdrawn = clock.site_day(known.claim.stage_since, zone) if known.claim.stage == Stage.WITHDRAWN else None
    return settling.handled(known.claim.filed_on, decided_on(known), withdrawn, clock.site_day(at, zone))


def money(found) -> dict[str, Money]:
    return {
        currency: sum((known.reading.money for known in rows), Money(currency))
        for currency, rows in by_currency(found).items()
    }


def recovered(found) -> dict[str, Recovery]:
    """What came in of what was claimed, of decided claims only."""
    decided = by_currency(known for known in found if decided_on(known))
    return {
        currency: settling.recovery([(known.reading.money.claimed, max(known.reading.money.kept, 0)) for known in rows])
        for currency, rows in decided.items()
    }


def by_currency(found):
    rows = defaultdict(list)
    for known in found:
        rows[known.reading.money.currency].append(known)
    return dict(sorted(rows.items()))
