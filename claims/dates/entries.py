"""One line of the list of what is due."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from claims.deadlines import Due
from claims.enums import Binds
from claims.models import Claim


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One thing to be done, with its day or with what the day still needs.

    kind -- `deadline`, `terms`, `offer`, `papers`, `letter`, `bounced`, `turned_up`, `refund`, `amended`,
        `unclaimed`, `incident`
    key -- tells it from others of its kind and claim, the same from one look to the next
    head -- what is to be done in a few words; words -- the same in whole sentences, with the rule
    day -- a date at the site, an aware moment where hours count, or None: `words` say what it needs
    lines -- positions of the claim's lines it is about; empty where it is about all of them
    arrival -- the trailer, where it is about neither a claim nor a bill
    """

    kind: str
    key: str
    head: str
    words: str
    day: dt.date | dt.datetime | None
    binds: str = Binds.US
    due: Due | None = None
    claim: Claim | None = None
    shipment: object = None
    arrival: object = None
    carrier: object = None
    who: object = None
    url: str = ""
    amount: Decimal | None = None
    lines: tuple[int, ...] = ()

    @property
    def date(self) -> dt.date | None:
        return self.day.date() if isinstance(self.day, dt.datetime) else self.day

    @property
    def moment(self) -> dt.datetime | None:
        """The day again where it is a moment."""
        return self.day if isinstance(self.day, dt.datetime) else None

    @property
    def target(self) -> dt.date | None:
        return self.due.target if self.due else None

    @property
    def effect(self) -> str:
        return str(self.due.effect.label) if self.due else ""

    @property
    def source(self) -> str:
        return self.due.period.source if self.due else ""

    @property
    def caution(self) -> str:
        return self.due.caution if self.due else ""

    @property
    def is_ours(self) -> bool:
        return self.binds == Binds.US

    @property
    def is_known(self) -> bool:
        return self.day is not None

    @property
    def uid(self) -> str:
        """The same for the same duty, whatever its date: a calendar updates by it."""
        about = self.claim or self.shipment or self.arrival
        return f"{self.kind}-{self.key}-{about.uuid if about else ''}"

    @property
    def about(self) -> str:
        """`NOR-26-0007, line 2`, `bill BL000012`, `trailer T-5`, or empty."""
        if self.claim:
            return ", ".join(filter(None, [str(self.claim), self.lines_words]))
        if self.shipment:
            return _("bill %(bill)s") % {"bill": self.shipment.bill_number}
        return _("trailer %(trailer)s") % {"trailer": self.arrival} if self.arrival else ""

    @property
    def sentence(self) -> str:
        """The words with a full stop, for more to follow."""
        return self.words if self.words.endswith(".") else f"{self.words}."

    @property
    def lines_words(self) -> str:
        if not self.lines:
            return ""
        words = ngettext("line %(lines)s", "lines %(lines)s", len(self.lines))
        return words % {"lines": ", ".join(map(str, self.lines))}

    def days_left(self, today: dt.date) -> int | None:
        return (self.date - today).days if self.is_known else None

    def is_overdue(self, now: dt.datetime) -> bool:
        """`now` is an aware moment on the site's clock: a day is over from the next one, a moment at once."""
        if self.moment:
            return now > self.moment
        return self.is_known and now.date() > self.date

    @property
    def urgency(self) -> tuple:
        """Unknown first, ours before the carrier's; then by day."""
        return (self.is_known, self.date or dt.date.min, not self.is_ours, self.kind, self.head, self.uid)


def sort(entries: Iterable[Entry]) -> list[Entry]:
    """The most urgent first."""
    return sorted(entries, key=lambda entry: entry.urgency)
