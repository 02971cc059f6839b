"""A bill for each claim of the scenario: the one whose trailer came nearest to the day it asks for."""

from dataclasses import dataclass
from datetime import timedelta

from claims import queries
from claims.dates.starts import Choices
from claims.demo import scenario
from receiving.enums import Kind

DAY = timedelta(days=1)
DAYS_BEFORE_A_CLAIM = 4
LOOSE = ("carrier", "account", "least", "most", "without_terms")
PICKY = ("both", "short", "only damage", "damage", "any")


@dataclass(frozen=True)
class Loss:
    """A bill with unclaimed losses; `age` in days since its trailer left, `ruled` if any terms hold for it."""

    shipment: object
    pieces: tuple
    age: float
    ruled: bool

    def count(self, kind):
        return sum(piece.kind == kind and not piece.after_release for piece in self.pieces)


class Bills:
    """The losses that nobody has claimed yet; each is given once."""

    def __init__(self, company, *, now):
        self.left, self.given = {}, set()
        terms = Choices()
        for code, site in company.sites.items():
            self.left[code] = [
                Loss(
                    group.shipment,
                    tuple(group.pieces),
                    age=(now - group.arrival.released_at) / DAY,
                    ruled=terms.choose(group.shipment) is not None,
                )
                for group in queries.to_claim(site)
            ]

    def deal(self, rows):
        """(row, Loss) in the order of the rows; the pickiest choose first. None for those that find theirs later."""
        dealt = {}
        for place, row in sorted(enumerate(rows), key=lambda each: pickiness(each[1])):
            dealt[place] = None if "bill" not in row else self.give(row)
        return [(row, dealt[place]) for place, row in enumerate(rows)]

    def give(self, row):
        """The bill for a row of the scenario, with what it asks for as far as there is one.

        ago -- days since its trailer left; of -- `damage`, `short`, `both` or `any`; carrier, account -- names;
        least, most -- how many pieces; first -- it chooses first; without_terms -- none may hold for it.
        Raises LookupError.
        """
        asked = row["bill"]
        for dropped in (LOOSE[:count] for count in range(len(LOOSE) + 1)):
            wanted = {name: value for name, value in asked.items() if name not in dropped}
            fitting = [loss for loss in self.left[row["site"]] if self.fits(loss, wanted, row)]
            if fitting:
                found = min(fitting, key=lambda loss: (abs(loss.age - asked["ago"]), loss.shipment.pk))
                self.left[row["site"]].remove(found)
                self.given.add(found.shipment.pk)
                return found
        raise LookupError(f"No bill of {row['site']} fits {asked}")

    def fits(self, loss, wanted, row):
        carrier, account = loss.shipment.carrier_on_bill, loss.shipment.account
        return (
            loss.age >= begun(row) + DAYS_BEFORE_A_CLAIM
            and loss.ruled != wanted.get("without_terms", False)
            and is_of(loss, wanted.get("of", "any"))
            and carrier.name == wanted.get("carrier", carrier.name)
            and account.legal_name == wanted.get("account", account.legal_name)
            and wanted.get("least", 1) <= len(loss.pieces) <= wanted.get("most", len(loss.pieces))
        )


def is_of(loss, of):
    damaged, short = loss.count(Kind.DAMAGED), loss.count(Kind.SHORT)
    return {"any": True, "damage": damaged, "short": short, "both": damaged and short, "only damage": not short}[of]


def pickiness(row):
    asked = row.get("bill", {})
    return not asked.get("first"), -begun(row), PICKY.index(asked.get("of", "any")), -asked.get("least", 1)


def begun(row):
    """Days since the first step of a row."""
    return max((act[0] for act in row.get("acts", [])), default=0)


def rows(*, small):
    """The claims of the scenario; a small demo has only those that are marked for it."""
    return [row for row in scenario.read()["claims"] if row.get("small") or not small]


def newest_with_sheet(site, *, at):
    """(bill, pieces) of the newest trailer that had left by then, with a sheet if there is one, and with losses that
    nobody claims yet."""
    left = queries.claimable(site).filter(arrival__released_at__lt=at, after_release=False)
    found = queries.groups(left.filter(arrival__sheets__isnull=False)) or queries.groups(left)
    group = max(found, key=lambda group: (len(group.pieces) > 1, group.arrival.released_at))
    return group.shipment, group.pieces
