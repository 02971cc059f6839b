"""The money of a site's claims: by carrier and account, by age, and the claims behind each figure. Reads only."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from django.utils.translation import gettext_lazy as _

from claims import readings
from claims.enums import Stage
from claims.models import Claim
from claims.standing import Money
from receiving import clock
from receiving.models import Account, Carrier

# The figures of a row in their order; they add up: claimed = allowed + disallowed + undecided, and
# claimed = kept + conceded + written off + open - refund due.
FIGURES = {
    "claimed": _("Claimed"),
    "allowed": _("Allowed"),
    "disallowed": _("Disallowed"),
    "undecided": _("Undecided"),
    "kept": _("Received"),
    "conceded": _("Given up"),
    "written_off": _("Written off"),
    "open": _("Outstanding"),
    "refund_due": _("Refund due"),
    "passed_on": _("Passed on"),
}
# Days since filing, both ends included; None is without end.
AGES = {
    "0-30": (0, 30, _("up to 30 days")),
    "31-60": (31, 60, _("31 to 60 days")),
    "61-90": (61, 90, _("61 to 90 days")),
    "91-120": (91, 120, _("91 to 120 days")),
    "over-120": (121, None, _("over 120 days")),
}


@dataclass(frozen=True)
class Entry:
    """One claim with its money and the days since it was filed."""

    claim: Claim
    money: Money
    days: int

    @property
    def age(self):
        return next(name for name, (_first, last, _words) in AGES.items() if last is None or self.days <= last)


@dataclass(frozen=True)
class Row:
    """What the claims against one carrier for one account come to, in one currency."""

    carrier: Carrier | None
    account: Account
    money: Money
    count: int


@dataclass(frozen=True)
class Age:
    """Open money of one age. `share` is its part of the largest, in percent, for the chart."""

    name: str
    words: str
    amount: Decimal
    count: int
    share: int


@dataclass(frozen=True)
class Book:
    """Everything in one currency: currencies do not add up."""

    currency: str
    rows: tuple[Row, ...]
    total: Money
    count: int
    ages: tuple[Age, ...]

    @property
    def owing(self):
        """How many of its claims have money open."""
        return sum(age.count for age in self.ages)


def demanded(*sites):
    """Claims of money at these sites that were filed and not withdrawn."""
    rows = Claim.objects.demands().filter(site__in=sites, stage__in=[Stage.FILED, Stage.CLOSED])
    return rows.select_related("site", "carrier", "account")


def entries(claims, *, at) -> list[Entry]:
    """These claims with their money, oldest first; four queries."""
    found = list(claims.order_by("filed_on", "pk"))
    read = readings.readings(found, at=at)
    return [Entry(claim, read[claim.pk].money, days_since(claim, at)) for claim in found]


def days_since(claim, at):
    return max((clock.site_day(at, claim.site.time_zone) - claim.filed_on).days, 0)


def books(entries: Iterable[Entry]) -> list[Book]:
    """A book for each currency, by its letters."""
    found = defaultdict(list)
    for entry in entries:
        found[entry.money.currency].append(entry)
    return [book(currency, found[currency]) for currency in sorted(found)]


def book(currency, entries):
    return Book(
        currency, tuple(rows(currency, entries)), together(currency, entries), len(entries), tuple(ages(entries))
    )


def together(currency, entries) -> Money:
    return sum((entry.money for entry in entries), Money(currency))


def rows(currency, entries):
    """A row for each carrier and account, by their names."""
    found = defaultdict(list)
    for entry in entries:
        found[entry.claim.carrier, entry.claim.account].append(entry)
    named = sorted(found, key=lambda pair: (str(pair[0] or ""), str(pair[1]), pair[1].pk))
    for carrier, account in named:
        mine = found[carrier, account]
        yield Row(carrier, account, together(currency, mine), len(mine))


def ages(entries):
    """Open money by the days since filing; every age has its row."""
    found = defaultdict(list)
    for entry in entries:
        if entry.money.open:
            found[entry.age].append(entry.money.open)
    sums = {name: sum(found[name], Decimal(0)) for name in AGES}
    most = max(sums.values()) or Decimal(1)
    for name, (_first, _last, words) in AGES.items():
        yield Age(name, words, sums[name], len(found[name]), int(100 * sums[name] / most))


def behind(entries, figure):
    """(entry, amount) of the claims that a figure is made of; figure -- one of FIGURES or of AGES."""
    for entry in entries:
        amount = entry.money.open if figure in AGES else getattr(entry.money, figure)
        if amount and (figure not in AGES or entry.age == figure):
            yield entry, amount
