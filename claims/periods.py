"""Reads of month sums: who is compared with whom over which months, one carrier's months, what stands beside a verdict.

Each in a fixed number of queries, whatever the number of carriers and pieces. Callers `months.refresh` the sites first.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from django.db.models import Count, Max, Q, Sum

from claims.models import BillCount, MonthSums, VisitCount
from claims.months import KINDS, YEAR, cell
from claims.scorecard import compare
from claims.scorecard.figures import Share, share
from claims.scorecard.sums import Sums, placed
from receiving.enums import Kind
from receiving.models import Carrier, Site

ROLLING = 12
GRACE_MINUTES = 15
# Reroutes are shown beside and never judged.
JUDGED = (Kind.DAMAGED, Kind.SHORT, Kind.OVER)


def month_back(month: date, count: int) -> date:
    """The first day of the month `count` months before."""
    index = month.year * 12 + month.month - 1 - count
    return date(index // 12, index % 12 + 1, 1)


@dataclass(frozen=True)
class Period:
    """Months from `first` to `last`, both the first day of a month and both included."""

    first: date
    last: date

    @classmethod
    def rolling(cls, last: date, count=ROLLING):
        return cls(month_back(last, count - 1), last)

    @property
    def months(self) -> list[date]:
        count = (self.last.year - self.first.year) * 12 + self.last.month - self.first.month
        return [month_back(self.last, back) for back in range(count, -1, -1)]

    @property
    def whole_years(self) -> list[int]:
        """Calendar years of which every month is in."""
        first = self.first.year if self.first.month == 1 else self.first.year + 1
        last = self.last.year if self.last.month == 12 else self.last.year - 1
        return list(range(first, last + 1))


@dataclass(frozen=True)
class Choice:
    """What is looked at: sites, months, kind of event; one account or one origin where they are chosen."""

    sites: tuple[Site, ...]
    period: Period
    kind: str = Kind.DAMAGED
    account: int | None = None
    origin: str | None = None

    @property
    def within(self):
        return {"site__in": self.sites, "month__gte": self.period.first, "month__lte": self.period.last}


def month_rows(choice: Choice):
    return MonthSums.objects.filter(**choice.within, kind=choice.kind, cell=cell(choice.account, choice.origin))


def sums_rows(choice: Choice, **more):
    """(carrier, month, shown, tested), strata of several sites kept apart."""
    rows = month_rows(choice).filter(**more).order_by("month")
    for key, month, site, *both in rows.values_list("carrier", "month", "site", "shown", "tested"):
        yield key, month, *apart(choice, site, both)


def apart(choice, site, records):
    if len(choice.sites) == 1:
        return records
    code = next(each.code for each in choice.sites if each.pk == site)
    return [record and placed(record, code) for record in records]


def entries(choice: Choice, settings=compare.DEFAULTS) -> list[compare.Entry]:
    """Every carrier with trailers in the choice, its months added up. One query, two where years are read."""
    rows = defaultdict(list)
    for key, name, site, *both in span_rows(choice).values_list("carrier", "carrier__name", "site", "shown", "tested"):
        rows[key, name].append(apart(choice, site, both))
    return [entry(*named, rows[named], settings) for named in sorted(rows)]


def entry(key, name, rows, settings):
    """One carrier; what is tested is what is shown, the same sums, where no trailer was above the cap."""
    shown = Sums.of_records(plain for plain, _capped in rows)
    if settings.trailer_cap is None or not any(capped for _plain, capped in rows):
        return compare.Entry(key, name, shown, shown)
    return compare.Entry(key, name, shown, Sums.of_records(capped or plain for plain, capped in rows))


def span_rows(choice):
    """Rows whose sum is the choice: one for each whole year that has one, else one for each month."""
    years = [] if cell(choice.account, choice.origin) != cell() else choice.period.whole_years
    if not years:
        return month_rows(choice)
    last_months = MonthSums.objects.filter(site__in=choice.sites, kind=choice.kind, cell=cell()).values("site")
    wanted = Q(pk__in=[])
    for site, last in last_months.annotate(last=Max("month")).values_list("site", "last").order_by():
        over = [year for year in years if year < last.year]
        wanted |= Q(site=site, cell=YEAR, month__in=[date(year, 1, 1) for year in over])
        months = [month for month in choice.period.months if month.year not in over]
        wanted |= Q(site=site, cell=cell(), month__in=months)
    return MonthSums.objects.filter(wanted, kind=choice.kind)


def read_rows(choice, settings) -> list[tuple]:
    """(carrier, month, shown, tested) of each month in the choice."""
    found = []
    for carrier, month, plain, capped in sums_rows(choice):
        shown = Sums.from_record(plain)
        tested = shown if settings.trailer_cap is None or not capped else Sums.from_record(capped)
        found.append((carrier, month, shown, tested))
    return found


def names_of(rows) -> dict[int, str]:
    return dict(Carrier.objects.filter(pk__in={carrier for carrier, *_rest in rows}).values_list("pk", "name"))


def added_up(rows, names) -> list[compare.Entry]:
    shown, tested = defaultdict(Sums), defaultdict(Sums)
    for carrier, _month, plain, capped in rows:
        shown[carrier] += plain
        tested[carrier] += capped
    return [compare.Entry(key, names[key], shown[key], tested[key]) for key in sorted(shown)]


def comparison(choice: Choice, settings=compare.DEFAULTS) -> compare.Comparison:
    """All carriers of the choice, weighed, judged and in order."""
    return compare.compare(entries(choice, settings), settings)


def comparisons(choice: Choice, spans: Iterable[Period], settings=compare.DEFAULTS) -> dict[Period, compare.Comparison]:
    """A comparison of each of these spans of months, all of one read: two queries. The choice's own period is not
    looked at."""
    spans = set(spans)
    if not spans:
        return {}
    whole = Period(min(span.first for span in spans), max(span.last for span in spans))
    rows = read_rows(replace(choice, period=whole), settings)
    names = names_of(rows)
    return {
        span: compare.compare(added_up([row for row in rows if span.first <= row[1] <= span.last], names), settings)
        for span in spans
    }


def series(choice: Choice, carrier: int | None = None) -> list[tuple[date, Sums]]:
    """(month, sums) of one carrier, or of all carriers together, for every month of the period; one query."""
    found = defaultdict(Sums)
    more = {} if carrier is None else {"carrier": carrier}
    for _carrier, month, plain, _capped in sums_rows(choice, **more):
        found[month] += Sums.from_record(plain)
    return [(month, found[month]) for month in choice.period.months]


# --- beside the verdict -----------------------------------------------------------------------------------------------


@dataclass
class Beside:
    """What one carrier's pieces came to that no verdict rests on.

    counts -- {kind: pieces that count}; whose -- {kind: {whose doing: pieces}}; trailers, cartons -- in the choice
    in_time -- share of trailers at the gate by their appointment, None where no trailer says both; seals -- share with
    a seal exception
    """

    counts: Counter = field(default_factory=Counter)
    whose: dict = field(default_factory=lambda: defaultdict(Counter))
    cartons: int = 0
    trailers: int = 0
    in_time: Share | None = None
    seals: Share | None = None

    def cannot_tell(self, kind=Kind.DAMAGED):
        """Share of the pieces of this kind whose doer nobody could or did name: it can hide anything."""
        hidden = self.whose[kind]["cannot_tell"] + self.whose[kind]["not_said"]
        everything = self.counts[kind] + self.whose[kind].total()
        return share(hidden, everything) if everything else None


def beside(choice: Choice, carrier: int | None = None) -> dict[int, Beside]:
    """{carrier: Beside} of the choice; three queries."""
    found = defaultdict(Beside)
    bills = BillCount.objects.filter(**choice.within)
    visits = VisitCount.objects.filter(**choice.within)
    if choice.account is not None:
        bills = bills.filter(account=choice.account)
    if choice.origin is not None:
        bills = bills.filter(origin=choice.origin)
    if carrier is not None:
        bills, visits = bills.filter(carrier=carrier), visits.filter(carrier=carrier)
    totals = {kind.value: Sum(kind.value) for kind in KINDS} | {"cartons": Sum("received")}
    totals |= {"trailers": Count("arrival", distinct=True)}
    for row in bills.values("carrier").annotate(**totals).order_by():
        each = found[row["carrier"]]
        each.cartons, each.trailers = row["cartons"], row["trailers"]
        each.counts.update({kind: row[kind.value] for kind in KINDS})
    for key, told in bills.exclude(beside={}).values_list("carrier", "beside"):
        for kind, whose in told.items():
            found[key].whose[kind].update(whose)
    for row in visits_of(visits):
        each = found[row["carrier"]]
        each.in_time = share(row["punctual"], row["timed"]) if row["timed"] else None
        each.seals = share(row["seals"], row["k"])
    return dict(found)


def visits_of(visits):
    return (
        visits.values("carrier")
        .annotate(
            k=Count("pk"),
            timed=Count("pk", filter=Q(minutes_late__isnull=False)),
            punctual=Count("pk", filter=Q(minutes_late__lte=GRACE_MINUTES)),
            seals=Count("pk", filter=Q(seal_exception=True)),
        )
        .order_by()
    )


def months_there(sites: Sequence[Site]) -> list[date]:
    """Months with any trailer at these sites, oldest first."""
    rows = BillCount.objects.filter(site__in=sites).values_list("month", flat=True).distinct()
    return list(rows.order_by("month"))
