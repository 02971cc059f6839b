"""What is to be done by when: the periods that apply, each with its date or with what the date still needs."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time

from claims.calendars import Calendar
from claims.deadlines import cmr, words
from claims.deadlines.counting import Uncountable, count, day_of, target_for
from claims.deadlines.periods import Period
from claims.enums import Applies, Binds, Counting, Duty, Effect, LineKind, Trigger
from receiving import clock

BY_CALENDAR = (Counting.BUSINESS_DAYS, Counting.DAYS_LESS_SUNDAYS)


@dataclass(frozen=True)
class Started:
    """The trigger of a clock, and when it happened: a date, a moment, or None while that is unknown."""

    trigger: Trigger
    on: date | datetime | None = None

    @property
    def name(self) -> str:
        return self.trigger.label

    @property
    def day(self) -> date | None:
        return None if self.on is None else day_of(self.on)


@dataclass(frozen=True, kw_only=True)
class Due:
    """One duty with its date.

    due -- a date (the whole day is in time), an aware moment where hours are counted, or None: see `needs`
    target -- the last business day on or before, to work towards; ours only, None for
        the carrier's, for moments, and where something is kept until a day
    needs -- `no date: needs the date of the bill of lading`; empty where there is a date
    number -- 1, 2, 3 for a period that repeats
    line -- whatever the caller named the line of the claim by
    stood_still -- days added because a written claim suspended the period (CMR)
    calendar -- whose business days were counted
    """

    period: Period
    started: Started
    due: date | datetime | None
    target: date | None = None
    needs: str = ""
    number: int = 1
    line: object = None
    stood_still: int = 0
    calendar: Calendar | None = None

    @property
    def duty(self) -> Duty:
        return self.period.duty

    @property
    def binds(self) -> Binds:
        return self.period.binds

    @property
    def effect(self) -> Effect:
        return self.period.effect

    @property
    def is_ours(self) -> bool:
        return self.binds == Binds.US

    @property
    def is_known(self) -> bool:
        return self.due is not None

    @property
    def day(self) -> date | None:
        """The date of `due`, on the clock `due` is told in."""
        return None if self.due is None else day_of(self.due)

    @property
    def words(self) -> str:
        """`File by Sun 28 Feb 2027: nine months after delivery on Sun 31 May 2026 (bill of lading terms)`."""
        return words.sentence(self)

    @property
    def caution(self) -> str:
        """Which days were counted, and that nobody publishes them; empty where all days count."""
        if self.period.counting not in BY_CALENDAR or self.calendar is None:
            return ""
        by_business_days = self.period.counting == Counting.BUSINESS_DAYS
        counted = self.calendar.label if by_business_days else self.calendar.less_sundays
        return f"{counted}. {self.calendar.caution}"

    def days_left(self, today: date) -> int | None:
        """Negative once it is past; None while there is no date."""
        return (self.day - today).days if self.is_known else None

    def is_overdue(self, at: datetime) -> bool:
        """`at` is an aware moment on the site's clock: a date is overdue from the next day, a moment at once.

        A date that is unknown is not called overdue, and is not safe either: ask `is_known`.
        """
        if isinstance(self.due, datetime):
            return at > self.due
        return self.is_known and at.date() > self.due

    @property
    def urgency(self) -> tuple:
        """Sorts the unknown first, then by date; a moment comes before the end of its day."""
        if self.due is None:
            return (False, date.min, time.min, self.number)
        hour = self.due.time() if isinstance(self.due, datetime) else time.max
        return (True, self.day, hour, self.number)


@dataclass(frozen=True)
class Earliest:
    """What rules a claim whose lines have different dates.

    due -- the earliest date that is known, or None. While `unknown` has any, the true date may be earlier.
    unknown -- the duties that have no date yet
    """

    due: Due | None
    unknown: tuple[Due, ...]

    @property
    def is_certain(self) -> bool:
        return self.due is not None and not self.unknown

    @property
    def words(self) -> str:
        """What is unknown first, then the earliest date."""
        return ". ".join(dict.fromkeys(each.words for each in [*self.unknown, self.due] if each))


def applicable(periods: Iterable[Period], kinds: Iterable[LineKind] | LineKind, *, nothing_delivered=False):
    """The periods that are about these losses, in their order.

    kinds -- of the lines; empty while nobody knows: then every period about a loss that may turn out applies
    nothing_delivered -- the whole bill stayed away, which periods for non-delivery are about
    """
    about = {Applies.ANY} | losses(kinds)
    if nothing_delivered:
        about.add(Applies.NON_DELIVERY)
    return [period for period in periods if period.applies in about]


def losses(kinds):
    kinds = {LineKind(kinds)} if isinstance(kinds, str) else {LineKind(kind) for kind in kinds}
    return {Applies(kind.value) for kind in kinds or LineKind}


def due(
    periods: Iterable[Period],
    triggers: Mapping[Trigger, date | datetime | None],
    *,
    kinds: Iterable[LineKind] | LineKind,
    calendar: Calendar,
    nothing_delivered: bool = False,
    absent: Iterable[Trigger] = (),
    through: date | None = None,
    zone: str | None = None,
    line: object = None,
) -> list[Due]:
    """The duties of a claim or of one line, those without a date first, then by date.

    triggers -- dates at the site, or aware moments; None or no entry: unknown, and the duty says what it needs
    calendar -- for periods that name none, and for the working targets
    absent -- triggers known not to have happened (no disallowance yet) or not to exist (no time was agreed): their
        periods give nothing. Leave a trigger out of it wherever that is not certain.
    through -- repeating duties are given up to the first one after this day; without it only the first
    zone -- IANA name of the site's zone, which moments are put on; without it they must be on the site's clock
    line -- kept on each Due
    """
    absent = {Trigger(trigger) for trigger in absent}
    known = with_total_loss({Trigger(name): on_site(when, zone) for name, when in triggers.items()}, absent)
    found = []
    for period in applicable(periods, kinds, nothing_delivered=nothing_delivered):
        if period.trigger not in absent:
            found += dated(period, Started(period.trigger, known.get(period.trigger)), calendar, through, line)
    return sorted(found, key=lambda each: each.urgency)


def earliest(dues: Iterable[Due]) -> Earliest:
    """The date that rules, of one duty over several lines. One without a date is never taken for a safe one."""
    dues = sorted(dues, key=lambda each: each.urgency)
    known = [each for each in dues if each.is_known]
    return Earliest(known[0] if known else None, tuple(each for each in dues if not each.is_known))


def on_site(when, zone):
    if zone and isinstance(when, datetime):
        return clock.local(when, zone)
    return when


def with_total_loss(known, absent):
    """The day goods count as lost under CMR, where it follows from what is known."""
    limit, taken = known.get(Trigger.AGREED_LIMIT), known.get(Trigger.TAKEN_OVER)
    if known.get(Trigger.TOTAL_LOSS) or not (limit or Trigger.AGREED_LIMIT in absent):
        return known
    lost = cmr.total_loss_start(agreed_limit=limit and day_of(limit), taken_over=taken and day_of(taken))
    return known | {Trigger.TOTAL_LOSS: lost}


def dated(period, started, calendar, through, line) -> Iterator[Due]:
    number, more = 1, True
    while more:
        each = one(period, started, calendar, number, line)
        yield each
        more = bool(period.every and through and each.is_known and each.day <= through)
        number += 1


def one(period, started, calendar, number, line):
    told = {"period": period, "started": started, "number": number, "line": line}
    told["calendar"] = period.calendar or calendar
    if started.on is None:
        return Due(**told, due=None, needs=words.missing(started.trigger))
    try:
        ends = count(period, started.on, calendar=calendar, number=number)
    except Uncountable as why:
        return Due(**told, due=None, needs=words.no_date(why))
    return Due(**told, due=ends, target=target_for(ends, started.day, calendar) if has_target(period) else None)


def has_target(period):
    """Ours to do by a day; a file is not kept until the Friday before."""
    return period.binds == Binds.US and period.duty != Duty.KEEP
