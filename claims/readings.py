"""Standings and money of claims, read for many at once in a fixed number of queries."""

from collections import defaultdict

from django.db.models import QuerySet

from claims import standing
from claims.models import ClaimLine, Fact, LineDecision
from claims.standing import Decided, Happened, Reading
from receiving import clock

COLUMNS = ("pk", "kind", "on", "amount", "until", "speaker", "in_writing", "papers_returned", "answers", "reverses")


def reading(claim, *, at) -> Reading:
    """Where one claim stands at the moment `at`."""
    return readings([claim], at=at)[claim.pk]


def readings(claims, *, at) -> dict[int, Reading]:
    """{claim's key: Reading} of claims, a list or a queryset; their sites should be there already. Three queries."""
    lines, facts = amounts(claims), happened(claims)
    return {
        claim.pk: standing.read(
            stage=claim.stage,
            purpose=claim.purpose,
            currency=claim.currency,
            lines=lines[claim.pk],
            facts=facts[claim.pk],
            today=clock.site_day(at, claim.site.time_zone),
        )
        for claim in claims
    }


def amounts(claims) -> dict[int, dict]:
    """{claim: {line: amount}} of the live lines."""
    found = defaultdict(dict)
    rows = ClaimLine.objects.filter(claim__in=named(claims), live=True).order_by("position")
    for claim, line, amount in rows.values_list("claim", "pk", "amount"):
        found[claim][line] = amount
    return found


def happened(claims) -> dict[int, list[Happened]]:
    """{claim: its facts}, reversals and what they take back among them, as they were written."""
    said, found = defaultdict(list), defaultdict(list)
    rows = LineDecision.objects.filter(fact__claim__in=named(claims)).order_by("pk")
    for fact, line, allowed, disallowed in rows.values_list("fact", "line", "allowed", "disallowed"):
        said[fact].append(Decided(line, allowed, disallowed))
    for claim, *columns in Fact.objects.filter(claim__in=named(claims)).order_by("pk").values_list("claim", *COLUMNS):
        names = ("key", *COLUMNS[1:])
        found[claim].append(Happened(**dict(zip(names, columns, strict=True)), decisions=tuple(said[columns[0]])))
    return found


def named(claims):
    """The keys of these claims, by a query of their own where they are one: a list may grow past what a query holds."""
    return claims.order_by().values("pk") if isinstance(claims, QuerySet) else [claim.pk for claim in claims]
