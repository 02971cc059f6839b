"""Where pieces were found, whose doing it was, and what kind of damage. Reads only, for the site's own use.

It counts open pieces as they are now, by the day on which they were found, our own handling and what nobody can tell
included; so it does not add up to a carrier's figures, which are of released trailers and of what counts against it.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Count, Max, Min, Sum
from django.utils.translation import gettext_lazy as _

from claims.periods import Period, month_back
from receiving import clock
from receiving.enums import Attribution, DiscrepancyState, WhereFound
from receiving.models import DamageCode, Discrepancy

NOT_SAID = "none"
# In the order of the way; what nobody has said comes last.
PLACES = dict(WhereFound.choices) | {NOT_SAID: _("not said yet")}
DOINGS = dict(Attribution.choices) | {NOT_SAID: _("not said yet")}


@dataclass(frozen=True)
class Found:
    """pieces -- records; cartons -- what they stand for, since a piece may stand for several"""

    pieces: int = 0
    cartons: int = 0

    def __add__(self, other):
        return Found(self.pieces + other.pieces, self.cartons + other.cartons)


@dataclass(frozen=True)
class Line:
    """One place or one kind of damage: `key` as the list of pieces is narrowed by it, and its pieces by whose doing."""

    key: str
    words: str
    by_doing: dict[str, Found]

    @property
    def total(self) -> Found:
        return sum(self.by_doing.values(), Found())


@dataclass(frozen=True)
class Picture:
    """places -- a Line for each place with pieces, in the order of the way; damage -- one for each code, most cartons
    first; a piece with two codes is in both. doings -- those that occur, each with its sum"""

    places: list[Line]
    damage: list[Line]
    doings: dict[str, Found]
    total: Found


def months_with_pieces(site) -> list[date]:
    """From the month of the first piece found at the site up to that of the last, oldest first; one query."""
    ends = pieces_of(site).aggregate(first=Min("found_at"), last=Max("found_at"))
    if ends["first"] is None:
        return []
    first, last = (clock.site_day(ends[name], site.time_zone).replace(day=1) for name in ("first", "last"))
    count = (last.year - first.year) * 12 + last.month - first.month
    return [month_back(last, back) for back in range(count, -1, -1)]


def pieces_of(site):
    return Discrepancy.objects.filter(site=site, state=DiscrepancyState.OPEN)


def chosen(site, period: Period, kinds: Sequence[str], *, account=None, carrier=None):
    """Open pieces of these kinds found in these months of the site's calendar."""
    rows = pieces_of(site).filter(
        kind__in=kinds,
        found_at__gte=clock.day_bounds(period.first, site.time_zone)[0],
        found_at__lt=clock.day_bounds(last_day(period), site.time_zone)[1],
    )
    if account:
        rows = rows.filter(shipment__account=account)
    return rows.filter(arrival__carrier=carrier) if carrier else rows


def last_day(period) -> date:
    return month_back(period.last, -1) - timedelta(days=1)


def picture(site, rows) -> Picture:
    """What these pieces come to; three queries, however many they are."""
    places, doings = defaultdict(dict), defaultdict(Found)
    for row in grouped(rows, "where_found"):
        found, doing = Found(row["pieces"], row["cartons"]), row["attribution"] or NOT_SAID
        places[row["where_found"] or NOT_SAID][doing] = found
        doings[doing] += found
    return Picture(
        places=[Line(key, words, places[key]) for key, words in PLACES.items() if key in places],
        damage=damage(site, grouped(rows, "codes")),
        doings={key: doings[key] for key in DOINGS if key in doings},
        total=sum(doings.values(), Found()),
    )


def grouped(rows, column):
    return rows.order_by().values(column, "attribution").annotate(pieces=Count("pk"), cartons=Sum("quantity"))


def damage(site, groups: Iterable[dict]) -> list[Line]:
    """A Line for each damage code, in the words the site has for it now."""
    found, written = defaultdict(lambda: defaultdict(Found)), {}
    for row in groups:
        for code in {code["code"]: code for code in row["codes"]}.values():
            written.setdefault(code["code"], code["label"])
            found[code["code"]][row["attribution"] or NOT_SAID] += Found(row["pieces"], row["cartons"])
    lines = [Line(code, words, dict(found[code])) for code, words in (written | words_now(site, found)).items()]
    return sorted(lines, key=lambda line: (-line.total.cartons, line.words, line.key))


def words_now(site, codes):
    """{code: its words}; one in use goes before a retired one of the same letters."""
    rows = DamageCode.objects.filter(site=site, code__in=list(codes)).order_by("retired_at", "pk")
    by_age = sorted(rows, key=lambda row: (row.retired_at is None, row.pk))
    return {row.code: row.words for row in by_age}
