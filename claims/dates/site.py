"""Everything that is due at a site, in one list."""

from claims import queries
from claims.dates.claims import of_claims, turned_up
from claims.dates.entries import Entry, sort
from claims.dates.incidents import incidents
from claims.dates.unclaimed import unclaimed
from claims.enums import Stage
from claims.models import Claim
from receiving import clock


def of_site(site, *, at) -> list[Entry]:
    """Its open claims, what turned up after a claim was closed, unclaimed losses, incidents to report; the most urgent
    first, in a fixed number of queries."""
    today = clock.site_day(at, site.time_zone)
    closed = [each for each in queries.turned_up(site) if each.claim.stage == Stage.CLOSED]
    return sort(
        [
            *of_claims(Claim.objects.filter(site=site, stage__in=queries.OPEN_STAGES), at=at),
            *turned_up(closed, today),
            *unclaimed(site, at=at),
            *incidents(site, at=at),
        ]
    )
