"""The dates of one claim on its page."""

from django.utils import timezone

from claims import dates
from claims.views.due import rows_of
from receiving import clock


def part(request, claim):
    """The first date, large, and the rest; `done` where nothing runs any more."""
    now = clock.local(timezone.now(), claim.site.time_zone)
    rows = rows_of(dates.of_claim(claim, at=now), now)
    return {"first": rows[0] if rows else None, "rest": rows[1:]}
