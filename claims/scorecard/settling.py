"""Days, duties and money of claims. Pure.

A claim that is still open counts as open; without the slow ones the median would come out too short.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from math import exp, log, sqrt

from claims.scorecard.figures import Share, Z, share

HALF = 0.5 + 1e-9


@dataclass(frozen=True)
class Handled:
    """Whole days from filing to the decision, or to the last day the claim was seen open."""

    days: int
    closed: bool

    def __post_init__(self):
        if self.days < 0:
            raise ValueError(f"A claim cannot be handled in {self.days} days.")


def handled(filed: date, decided: date | None, withdrawn: date | None, as_of: date) -> Handled | None:
    """One claim as it stood on `as_of`; open up to the day it was withdrawn. None if it was not filed yet."""
    if filed > as_of:
        return None
    last = min(as_of, withdrawn) if withdrawn else as_of
    if decided and decided <= last:
        return Handled((decided - filed).days, closed=True)
    return Handled((last - filed).days, closed=False)


@dataclass(frozen=True)
class Step:
    """A day on which claims closed: `still_open` is the share open after it, `error` its standard error."""

    day: int
    at_risk: int
    closed: int
    still_open: float
    error: float
    low: float
    high: float


@dataclass(frozen=True)
class Median:
    """Days until half are closed, with a 95% interval; None where it was not reached yet."""

    days: int | None
    low: int | None
    high: int | None
    closed: int
    open: int


def steps(claims: Iterable[Handled]) -> list[Step]:
    """The share still open, day by day, with log(-log) limits.

    Source: E. L. Kaplan, P. Meier 1958, JASA 53:457; M. Greenwood 1926; O. Borgan, K. Liestol 1990, Scandinavian
    Journal of Statistics 17:35. Takes claims as independent, which those of one trailer are not.
    """
    claims = list(claims)
    every_day = sorted(claim.days for claim in claims)
    closings = Counter(claim.days for claim in claims if claim.closed)
    still_open, spread, path = 1.0, 0.0, []
    for day, closed in sorted(closings.items()):
        at_risk = len(every_day) - bisect_left(every_day, day)
        still_open *= 1 - closed / at_risk
        if at_risk > closed:
            spread += closed / (at_risk * (at_risk - closed))
        path.append(Step(day, at_risk, closed, still_open, still_open * sqrt(spread), *log_log(still_open, spread)))
    return path


def log_log(still_open, spread):
    if still_open <= 0:
        return 0.0, 0.0
    v = Z * sqrt(spread) / -log(still_open)
    return still_open ** exp(v), still_open ** exp(-v)


def median_days(claims: Iterable[Handled]) -> Median:
    """Source of the interval: R. Brookmeyer, J. Crowley 1982, Biometrics 38:29."""
    claims = list(claims)
    path = steps(claims)
    closed = sum(claim.closed for claim in claims)

    def reached(value_of):
        return next((step.day for step in path if value_of(step) <= HALF), None)

    return Median(
        reached(lambda step: step.still_open),
        reached(lambda step: step.low),
        reached(lambda step: step.high),
        closed,
        len(claims) - closed,
    )


@dataclass(frozen=True)
class Kept:
    """Duties done in time and too late; `running` ones are not done, not due, and count in no share."""

    in_time: int
    late: int
    running: int

    @property
    def share(self) -> Share | None:
        return share(self.in_time, self.in_time + self.late)


def kept(duties: Iterable[tuple[date, date | None]], as_of: date) -> Kept:
    """Of (last day, day done or None): what was done up to `as_of`; not done after its last day is late."""
    in_time = late = running = 0
    for due, done in duties:
        if done is not None and done <= min(due, as_of):
            in_time += 1
        elif as_of > due:
            late += 1
        else:
            running += 1
    return Kept(in_time, late, running)


@dataclass(frozen=True)
class Recovery:
    """Money of claims decided in the period, exact, one currency. No interval: the textbook one covers too little.

    largest -- the largest claim's part of all claimed; paid -- share of claims on which anything was paid
    """

    claims: int
    claimed: Decimal
    received: Decimal
    largest: Decimal | None
    paid: Share | None

    @property
    def rate(self) -> Decimal | None:
        return self.received / self.claimed if self.claimed else None

    @property
    def one_claim_is_most(self) -> bool:
        return self.largest is not None and 2 * self.largest > 1


def recovery(claims: Sequence[tuple[Decimal, Decimal]]) -> Recovery:
    """Of (claimed, received) per decided claim, withdrawn ones left out by the caller. Source: W. G. Cochran 1977."""
    for claimed, received in claims:
        if not (isinstance(claimed, Decimal) and isinstance(received, Decimal)):
            raise TypeError("Money is Decimal.")
        if claimed < 0 or received < 0:
            raise ValueError(f"Neither {claimed} claimed nor {received} received may be below 0.")
    total = sum((claimed for claimed, _ in claims), Decimal(0))
    received = sum((received for _, received in claims), Decimal(0))
    largest = max(claimed for claimed, _ in claims) / total if total else None
    return Recovery(len(claims), total, received, largest, share(sum(got > 0 for _, got in claims), len(claims)))
