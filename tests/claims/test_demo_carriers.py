"""The carriers of the full demo: one of each verdict, on whatever day it is loaded."""

from collections import Counter, defaultdict
from datetime import UTC, datetime, timedelta

import pytest

from claims import periods
from claims.scorecard import compare
from claims.scorecard.compare import Verdict
from claims.scorecard.sums import Trailer
from receiving import clock
from receiving.demo import company, history, pictures, plan, scenario
from receiving.demo.ledger import Ledger
from receiving.enums import ArrivalState, Attribution, Kind
from receiving.models import Discrepancy

WEDNESDAY = datetime(2026, 3, 4, 16, 20, tzinfo=UTC)
SUNDAY = datetime(2026, 11, 29, 16, 0, tzinfo=UTC)
VERDICTS = {
    "Quarterbell Freight": Verdict.WORSE,
    "Brindlehook Motor Lines": Verdict.ONE_TRAILER,
    "Cobblewick Haulage": Verdict.TOO_LITTLE_DATA,
    "Fernwhistle Lines": Verdict.BETTER,
    "Ospreyflat Trucking": Verdict.CANNOT_BE_TOLD_APART,
    "Pebblehorn Transport": Verdict.CANNOT_BE_TOLD_APART,
    "Windrowe Cartage": Verdict.CANNOT_BE_TOLD_APART,
}


def trailers_of_the_full_demo(now):
    """(site, month, carrier, Trailer) of every released trailer of a year as the full demo has them; nothing of it is
    stored but the company."""
    made = company.Company(scenario.read())
    pictures.take_in(made)
    company.found(made, at=now - timedelta(days=380))
    ledger = Ledger()
    past = history.Past(made, ledger, now=now)
    written = [(visit, past.write(visit)) for visit in plan.visits(made.scenario, now=now)]
    pieces = ledger.rows[Discrepancy]
    against = [each for each in pieces if (each.kind, each.attribution) == (Kind.DAMAGED, Attribution.TRANSIT)]
    damaged = Counter(id(piece.arrival) for piece in against)
    for visit, arrival in written:
        if arrival.state == ArrivalState.RELEASED:
            month = clock.site_day(arrival.released_at, arrival.site.time_zone).replace(day=1)
            here = sum(bill.pieces - bill.short - bill.refused for bill in visit.bills)
            yield visit.site, month, visit.carrier, Trailer.of(here, damaged[id(arrival)])


def compared(rows, sites, months):
    theirs = defaultdict(list)
    for site, month, carrier, trailer in rows:
        if site in sites and month in months:
            theirs[carrier].append(trailer)
    return compare.compare(compare.Entry.of(name, name, of, compare.DEFAULTS) for name, of in theirs.items())


@pytest.mark.parametrize("now", [WEDNESDAY, SUNDAY])
def test_the_full_demo_has_a_carrier_of_each_verdict_on_any_day(db, now):
    rows = list(trailers_of_the_full_demo(now))
    months = periods.Period.rolling(periods.month_back(now.date().replace(day=1), 1)).months
    for sites in ({"ALD"}, {"ALD", "BRK"}):
        comparison = compared(rows, sites, months)
        standings = {standing.name: standing for standing in comparison.standings}
        assert {name: standing.verdict for name, standing in standings.items()} == VERDICTS, sites
        assert standings["Quarterbell Freight"].ratio_interval[0] > 1
        assert comparison.capped == 0
    assert all(any(row[1] == month and row[0] == "ALD" for row in rows) for month in months)
