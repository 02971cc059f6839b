"""A line on its way through the steps."""

from decimal import Decimal

from django.utils.translation import gettext as _

from claims.money import cents
from claims.valuation.facts import KILOGRAMS
from claims.valuation.words import money, tidy
from claims.valuation.working import LineWorking, Step


class Missing(Exception):
    """A number that several lines wait for; `str()` is the sentence that asks for it."""

    def tell(self, works):
        for work in works:
            work.needs.append(str(self))


class Progress:
    """standing -- what the line is worth after the steps booked so far, unrounded
    kept -- the part of its pieces and weight that no shortage allowance has taken
    """

    def __init__(self, line, shipment):
        self.line = line
        self.currency = shipment.currency
        self.weight_unit = line.weight_unit or shipment.weight_unit
        self.standing = Decimal(0)
        self.kept = Decimal(1)
        self.steps, self.needs, self.flags = [], [], []

    @property
    def gross_kilograms(self):
        return None if self.line.weight is None else self.line.weight * KILOGRAMS[self.weight_unit]

    @property
    def kilograms(self):
        return self.gross_kilograms * self.kept

    @property
    def packages(self):
        return self.line.packages * self.kept

    def book(self, code, words, amount, note=""):
        self.steps.append(Step(code, words, tidy(amount, self.currency), note))
        self.standing += amount

    def finish(self):
        """The line's working, rounded here and nowhere before."""
        if not self.needs:
            self._round()
        amount = None if self.needs else self.standing
        return LineWorking(self.line.key, tuple(self.steps), amount, _once(self.needs), _once(self.flags))

    def _round(self):
        rounded = cents(self.standing, self.currency)
        if rounded != self.standing:
            words = _("rounded half-up to %(amount)s") % {"amount": money(rounded, self.currency)}
            self.book("rounding", words, rounded - self.standing)
        self.standing = rounded


def _once(sentences):
    return tuple(dict.fromkeys(sentences))


def known(works):
    return [work for work in works if not work.needs]


def all_known(works, shared):
    """Whether a group can go on. If one line cannot, neither can those that share something with it."""
    unknown = [work for work in works if work.needs]
    for work in known(works) if unknown else []:
        told = {"line": work.line.name, "shared": shared, "other": unknown[0].line.name}
        work.needs.append(_("%(line)s shares %(shared)s with %(other)s, which is not worked out yet.") % told)
    return bool(works) and not unknown


def counted(works):
    """Those that can go on now that the pieces matter; nought is no count."""
    for work in works:
        if not work.line.packages:
            work.needs.append(_("%(line)s: give how many pieces of the bill it is.") % {"line": work.line.name})
    return known(works)


def weighed(works):
    """Those that can go on now that the weight matters; nought is no weight."""
    for work in works:
        if not work.line.weight:
            work.needs.append(_("%(line)s: give the weight.") % {"line": work.line.name})
    return known(works)
