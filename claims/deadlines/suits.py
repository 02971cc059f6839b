"""When the time to bring suit starts: with each written disallowance (49 USC 14706(e)).

The period runs from the carrier's written notice that it has disallowed any part of a claim (14706(e)(1)). An offer of
compromise is no disallowance unless it says in writing that a part is disallowed and why; a letter from the carrier's
insurer is none unless it says that it acts for the carrier (14706(e)(2), detail from memory).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from claims.calendars import Calendar
from claims.deadlines.duties import Due, due
from claims.deadlines.periods import Period
from claims.enums import SPEAKS_FOR_CARRIER, Duty, LineKind, Speaker, Trigger


@dataclass(frozen=True, kw_only=True)
class Disallowance:
    """Somebody declined a line, or part of it.

    line -- whatever the caller names the line by
    on -- the date of the notice
    offer -- it came inside an offer of compromise
    reasoned -- it says that a part is disallowed, and why
    """

    line: object
    on: date
    speaker: Speaker = Speaker.CARRIER
    written: bool = True
    offer: bool = False
    reasoned: bool = True

    @property
    def starts_a_clock(self) -> bool:
        return self.written and self.speaker in SPEAKS_FOR_CARRIER and (self.reasoned or not self.offer)


@dataclass(frozen=True)
class SuitClock:
    line: object
    started: date


def suit_clock(disallowances: Iterable[Disallowance]) -> list[SuitClock]:
    """A clock for each notice on each line, oldest first.

    A second notice on a line has its own clock, for whatever it newly disallows; it does not restart the first, which
    stays in the list. `earliest` of the dates is the one to work by.
    """
    clocks = {SuitClock(each.line, each.on): None for each in disallowances if each.starts_a_clock}
    return sorted(clocks, key=lambda each: each.started)


def suit_dues(
    periods: Iterable[Period],
    disallowances: Iterable[Disallowance],
    *,
    kinds: Mapping[object, LineKind],
    calendar: Calendar,
) -> list[Due]:
    """The last days to bring suit, one for each clock, by date; `line` says whose it is.

    periods -- of the terms; only those to bring suit that count from a disallowance are taken
    kinds -- of the lines, by what they are named by in the disallowances; a line left out may be of any kind
    """
    suits = [each for each in periods if each.duty == Duty.SUE and each.trigger == Trigger.DISALLOWED]
    found = []
    for each in suit_clock(disallowances):
        started = {Trigger.DISALLOWED: each.started}
        found += due(suits, started, kinds=kinds.get(each.line, ()), calendar=calendar, line=each.line)
    return sorted(found, key=lambda each: each.urgency)
