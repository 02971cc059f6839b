"""The dates of one claim on its page."""

from django.utils import timezone

from claims import dates
from claims.views.due import rows_of
from receiving import clock


def part(request, claim):
    """What has no date, the next date that is known, and those after it."""
    now = clock.local(timezone.now(), claim.site.time_zone)
    rows = rows_of(dates.of_claim(claim, at=now), now)
    known = [row for row in rows if row.entry.is_known]
    told = {"done": dates.done_by_sheet(claim)}
    return told | {"unknown": [row for row in rows if not row.entry.is_known], "next": known[:1], "rest": known[1:]}
