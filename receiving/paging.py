"""Pages of a long list by key, newest first: page ten thousand costs what page one costs.

Rows stand in the falling order of a moment and, within it, of their id. A page is told by the row before it, so rows
that come in meanwhile shift nothing. Filters that no index serves are tried on a bounded number of rows at a time:
such a page may end early and then says how far back it has looked.
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.db.models import Q

SIZE = 50
STRIDES = (1_000, 10_000, 50_000)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
WRITTEN = re.compile(r"(-?[0-9]{1,16})\.(-?[0-9]{1,17})")


@dataclass(frozen=True)
class Key:
    """Where a row stands in the list. In addresses it is microseconds since 1970, a dot, the id."""

    moment: datetime
    pk: int

    def __str__(self):
        return f"{(self.moment - EPOCH) // timedelta(microseconds=1)}.{self.pk}"

    @classmethod
    def parse(cls, text):
        """The key that `str()` wrote; ValueError for anything else."""
        if not (found := WRITTEN.fullmatch(text)):
            raise ValueError(f"{text!r} is no place in a list")
        return cls(EPOCH + timedelta(microseconds=int(found[1])), int(found[2]))


@dataclass(frozen=True)
class Page:
    """The ids of one page, newest first, and the keys from which the pages beside it go on, or None at an end.

    `looked_back_to` is set where the page ended early for want of matches: older rows are not looked at yet.
    """

    ids: list
    newer: Key | None
    older: Key | None
    looked_back_to: datetime | None = None


def page(rows, *, along=None, older=None, newer=None, size=SIZE, by="found_at"):
    """The page that goes on from the key `older` or back from the key `newer`; without a key the newest page.

    rows -- the filtered queryset
    along -- the same queryset with only those filters that an index serves, if others are set
    """
    found, stopped = look(rows, along, newer or older, falling=newer is None, most=size + 1, by=by)
    more, found = len(found) > size, found[:size]
    if newer is None:
        return falling_page(found, found[-1] if more else stopped, older, early=not more)
    if not more and stopped is None:
        # Less than a page is left up there: the newest page, in full.
        return page(rows, along=along, size=size, by=by)
    return rising_page(found, found[-1] if more else stopped, newer)


def falling_page(found, older, start, *, early):
    newer = found[0] if found else start and Key(start.moment, start.pk - 1)
    looked_back_to = older.moment if early and older else None
    return Page([key.pk for key in found], newer if start else None, older, looked_back_to)


def rising_page(found, newer, start):
    older = found[0] if found else Key(start.moment, start.pk + 1)
    return Page([key.pk for key in reversed(found)], newer, older)


def look(rows, along, start, *, falling, most, by):
    """Up to `most` keys from `start` on, and the key at which the look stopped with rows of `along` left, or None."""
    if along is None:
        return take(beyond(rows, start, falling, by), falling, most, by), None
    found = []
    for stride in STRIDES:
        ahead = order(beyond(along, start, falling, by), falling, by)
        edge = next((Key(*row) for row in ahead.values_list(by, "pk")[stride - 1 : stride]), None)
        part = upto(beyond(rows, start, falling, by), edge, falling, by)
        found += take(part, falling, most - len(found), by)
        if len(found) == most or edge is None:
            return found, None
        start = edge
    return found, start


def chunks(rows, *, size=1_000, by="found_at"):
    """The ids of all rows, newest first, in lists of up to `size`; memory does not grow with the rows."""
    start = None
    while found := take(beyond(rows, start, True, by), True, size, by):
        yield [key.pk for key in found]
        start = found[-1]


def take(rows, falling, most, by):
    return [Key(*row) for row in order(rows, falling, by).values_list(by, "pk")[:most]]


def order(rows, falling, by):
    return rows.order_by(f"-{by}", "-pk") if falling else rows.order_by(by, "pk")


def beyond(rows, key, falling, by):
    """Rows after `key` in the direction of the walk."""
    if key is None:
        return rows
    # The first bound says nothing new, but by it alone SQLite finds its place in the index.
    than, at_most = ("lt", "lte") if falling else ("gt", "gte")
    bound = Q(**{f"{by}__{at_most}": key.moment})
    return rows.filter(bound & (Q(**{f"{by}__{than}": key.moment}) | Q(**{f"pk__{than}": key.pk})))


def upto(rows, key, falling, by):
    """Rows before and at `key` in the direction of the walk."""
    if key is None:
        return rows
    than, at_least, or_at = ("gt", "gte", "gte") if falling else ("lt", "lte", "lte")
    bound = Q(**{f"{by}__{at_least}": key.moment})
    return rows.filter(bound & (Q(**{f"{by}__{than}": key.moment}) | Q(**{f"pk__{or_at}": key.pk})))
