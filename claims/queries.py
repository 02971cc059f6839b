"""Reads across claims: what is not claimed yet, the lists of claims, what turned up after it was claimed.

Each in a fixed number of queries, whatever it finds. Dates are put in by the caller: `claims.dates` reads from here.
"""

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from functools import cached_property

from django.db.models import Count, Exists, F, OuterRef, Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from claims import losses
from claims.enums import Stage
from claims.models import Claim, ClaimLine, NotClaimed
from claims.money import add_up
from claims.parties import Respondent, respondent
from receiving import gaps
from receiving import queries as dock
from receiving.enums import ArrivalState, Attribution, CarrierReceipt, DiscrepancyState, Kind, SignOutcome
from receiving.models import Arrival, Discrepancy, SealRecord, Shipment

OURS = (Attribution.OWN, Attribution.OUTBOUND)
OPEN_STAGES = (Stage.DRAFT, Stage.FILED)


# --- to claim ---------------------------------------------------------------------------------------------------------


def undecided(site):
    """Losses of the site that somebody has to claim, hand over or decide against: damaged and short pieces of trailers
    that have left, on no claim, not decided against."""
    live = ClaimLine.objects.filter(discrepancy=OuterRef("pk"), live=True)
    decided = NotClaimed.objects.standing().filter(discrepancy=OuterRef("pk"))
    lost = Discrepancy.objects.filter(site=site, kind__in=losses.LOSSES, state=DiscrepancyState.OPEN)
    return lost.filter(~Exists(live), ~Exists(decided), arrival__state=ArrivalState.RELEASED)


def claimable(site):
    """Of the undecided losses those that count against whoever carried them, on a bill that is known."""
    return undecided(site).filter(shipment__isnull=False).exclude(attribution__in=OURS)


def kept_out(site):
    """The undecided losses that stand in no group, because of whose doing they were or for want of a bill."""
    return undecided(site).filter(Q(shipment__isnull=True) | Q(attribution__in=OURS))


BILL = ("arrival__site", "arrival__carrier", "account", "carrier_on_bill")
WITH = (
    "site",
    "arrival__site",
    "arrival__carrier",
    "shipment__account",
    "shipment__carrier_on_bill",
    "shipment__arrival__site",
    "shipment__arrival__carrier",
    "carton",
)


@dataclass
class Group:
    """The unclaimed losses of one bill.

    value -- of the pieces whose value the load list tells, in the site's currency; `unvalued` how many it does not
    due -- the nearest `deadlines.Due` of its pieces that is not past, None where there is none; `missed` those past
    others -- groups of other bills under the same freight bill
    missing -- sentences, once somebody asked `with_evidence`
    """

    shipment: Shipment
    pieces: list[Discrepancy] = field(default_factory=list)
    due: object = None
    days_left: int | None = None
    missed: list = field(default_factory=list)
    others: list = field(default_factory=list)
    missing: list[str] = field(default_factory=list)

    @property
    def arrival(self) -> Arrival:
        return self.shipment.arrival

    @property
    def respondent(self) -> Respondent:
        return respondent(self.shipment)

    @property
    def number(self):
        """The freight bill's number, else the bill of lading's."""
        return self.shipment.pro_number or self.shipment.bill_number

    @property
    def quantity(self):
        return sum(piece.quantity for piece in self.pieces)

    @cached_property
    def values(self):
        return [losses.of_piece(piece).value for piece in self.pieces]

    @property
    def value(self) -> Decimal:
        return add_up((value for value in self.values if value is not None), self.pieces[0].site.currency)

    @property
    def unvalued(self):
        return self.values.count(None)

    @property
    def is_small(self):
        """Its value is known and below what the site thinks worth claiming."""
        return not self.unvalued and self.value < self.pieces[0].site.minimum_claim

    @property
    def is_late(self):
        """A date of it has passed."""
        return bool(self.missed)

    @property
    def is_undated(self):
        """Nobody can say by when: no terms, or what a period starts from is not known."""
        return not self.missed and self.due is None or self.due is not None and not self.due.is_known

    @property
    def doubtful(self):
        """Pieces of which nobody can tell, or has told, whose doing they were."""
        return sum(piece.attribution in ("", Attribution.CANNOT_TELL) and piece.is_damaged for piece in self.pieces)

    @property
    def of_origin(self):
        return sum(piece.attribution == Attribution.ORIGIN for piece in self.pieces)

    @property
    def examples(self):
        """One piece for each kind of date there can be: pieces of a kind found on one day have the same."""
        alike = {(piece.kind, piece.after_release, piece.found_at.date()): piece for piece in self.pieces}
        return list(alike.values())

    @property
    def damaged(self):
        return self.count(Kind.DAMAGED)

    @property
    def short(self):
        return self.count(Kind.SHORT)

    def count(self, kind):
        return sum(piece.quantity for piece in self.pieces if piece.kind == kind)


def groups(pieces) -> list[Group]:
    """Claimable pieces by bill, the bills in the order their trailers left; two queries.

    Each bill and its trailer is one object, however many of its pieces there are.
    """
    found = {}
    for piece in pieces.select_related("carton").order_by("arrival__released_at", "number"):
        found.setdefault(piece.shipment_id, []).append(piece)
    bills = Shipment.objects.select_related(*BILL).in_bulk(found)
    made = [Group(bills[bill], [belonging(piece, bills[bill]) for piece in lost]) for bill, lost in found.items()]
    return beside_each_other(made)


def belonging(piece, bill):
    piece.shipment, piece.arrival, piece.site = bill, bill.arrival, bill.arrival.site
    return piece


def beside_each_other(found):
    """Tell groups of one freight bill of each other: carriers want one claim for it, a claim here is for one bill."""
    alike = defaultdict(list)
    for group in found:
        if group.shipment.pro_number:
            carrier = group.respondent.carrier
            alike[carrier and carrier.pk, group.shipment.account_id, group.shipment.pro_number].append(group)
    for same in alike.values():
        for group in same:
            group.others = [other for other in same if other is not group]
    return found


def to_claim(site) -> list[Group]:
    """Every unclaimed loss of the site, by bill, without dates and evidence."""
    return groups(claimable(site))


def by_urgency(found, dates, today: date) -> list[Group]:
    """The groups with the date that is next for them and those they missed, the most urgent first: no date at all or an
    unknown one on top, then the nearest that still runs; bills whose every date is past stand at the end.

    dates -- {piece: (the first Due or None, every Due)}
    """
    for group in found:
        every = (due for piece in group.pieces for due in dates.get(piece, (None, ()))[1])
        alike = {(due.duty, due.due, due.needs): due for due in every}
        dues = sorted(alike.values(), key=lambda due: due.urgency)
        group.missed = [due for due in dues if due.is_known and due.days_left(today) < 0]
        group.due = next((due for due in dues if due not in group.missed), None)
        group.days_left = group.due.days_left(today) if group.due else None
    return sorted(found, key=urgency)


def urgency(group):
    if group.due is None:
        return (2 if group.missed else 0, date.min)
    return (1, group.due.day) if group.due.is_known else (0, date.min)


# --- what evidence is missing -----------------------------------------------------------------------------------------


def with_evidence(found) -> list[Group]:
    """The same groups with sentences on the evidence that is missing: four queries for all of them."""
    arrivals = {group.shipment.arrival_id for group in found}
    pieces = [piece.pk for group in found for piece in group.pieces]
    pictured = Discrepancy.objects.filter(pk__in=pieces).prefetch_related("photos").in_bulk()
    sealed = set(SealRecord.objects.filter(arrival__in=arrivals).values_list("arrival", flat=True))
    sheets = dock.answered_sheets(arrival__in=arrivals)
    sheets = {sheet.arrival_id: sheet for sheet in sheets.only("arrival", "outcome", "carrier_receipt")}
    for group in found:
        arrival = group.arrival
        group.missing = [
            *trailer_gaps(arrival, sealed=arrival.pk in sealed, sheet=sheets.get(arrival.pk)),
            *piece_gaps(pictured[piece.pk] for piece in group.pieces),
        ]
    return found


def trailer_gaps(arrival, *, sealed, sheet):
    if not sealed and not arrival.unsealed_reason:
        yield _("no seal record")
    if sheet is None or sheet.outcome != SignOutcome.SIGNED:
        yield _("no sheet signed by the driver")
    if sheet is None or sheet.carrier_receipt != CarrierReceipt.PHOTOGRAPHED:
        yield _("no picture of the carrier's own receipt")


def piece_gaps(pieces):
    """How many pieces lack something that their trailer's release asks for, each sentence once."""
    lacking = Counter(sentence for piece in pieces for sentence in set(gaps.what_is_missing(piece)))
    for sentence, count in lacking.items():
        yield ngettext("%(count)s piece: %(what)s", "%(count)s pieces: %(what)s", count) % {
            "count": count,
            "what": sentence,
        }


# --- decided, turned up -----------------------------------------------------------------------------------------------


def decided(site):
    """Standing decisions not to claim, newest first."""
    rows = NotClaimed.objects.standing().filter(site=site).order_by("-at", "-pk")
    return rows.select_related(
        "actor",
        "site",
        "discrepancy__site",
        "discrepancy__arrival",
        "discrepancy__shipment__account",
        "discrepancy__carton",
    )


@dataclass(frozen=True)
class TurnedUp:
    """A claimed loss that is none any more, or less: `left` of the line's cartons are still lost."""

    line: ClaimLine
    left: int

    @property
    def claim(self):
        return self.line.claim

    @property
    def piece(self):
        return self.line.discrepancy

    @property
    def amount(self) -> Decimal | None:
        """What the line's amount comes down by, in the claim's currency; None where it is not worked out."""
        if self.line.amount is None:
            return None
        gone = self.line.amount * (self.line.cartons - self.left) / self.line.cartons
        return add_up([gone], self.claim.currency)


def turned_up(site) -> list[TurnedUp]:
    """Live lines of drafts and filed or closed claims whose piece was found, matched or voided since, or is a short of
    fewer cartons than the line has. One query."""
    gone = ~Q(discrepancy__state=DiscrepancyState.OPEN)
    fewer = Q(discrepancy__kind=Kind.SHORT, discrepancy__quantity__lt=F("cartons"))
    lines = ClaimLine.objects.filter(gone | fewer, live=True, claim__site=site).exclude(claim__stage=Stage.WITHDRAWN)
    lines = lines.select_related("claim__site", "claim__carrier", "claim__opened_by", "discrepancy__site")
    return turned_up_of(lines.order_by("claim", "position"))


def turned_up_of(lines) -> list[TurnedUp]:
    """Of these lines those whose piece is less of a loss than they say."""
    found = [TurnedUp(line, still_lost(line)) for line in lines]
    return [each for each in found if each.left < each.line.cartons]


def still_lost(line):
    """How many of the line's cartons are lost still; only of a short the number can have come down."""
    piece = line.discrepancy
    if piece.state != DiscrepancyState.OPEN:
        return 0
    return min(piece.quantity, line.cartons) if piece.kind == Kind.SHORT else line.cartons


# --- lists ------------------------------------------------------------------------------------------------------------


def claim_rows(rows):
    """Claims with what a row of a list shows; facts for their standing are read by `claims.readings`."""
    live = Count("lines", filter=Q(lines__live=True))
    return rows.select_related(
        "site", "account", "carrier", "second_carrier", "shipment", "opened_by", "terms"
    ).annotate(pieces=live)


def tab_counts(site):
    """{"to_claim": bills with unclaimed losses, "open": claims, "closed": claims}; two queries."""
    staged = dict(Claim.objects.filter(site=site).values_list("stage").annotate(n=Count("pk")).order_by())
    return {
        "to_claim": claimable(site).aggregate(n=Count("shipment", distinct=True))["n"],
        "open": sum(staged.get(stage, 0) for stage in OPEN_STAGES),
        "closed": sum(n for stage, n in staged.items() if stage not in OPEN_STAGES),
    }


def lines_of(claim):
    """The lines of a claim in their order, the dropped ones too, with their pieces."""
    return claim.lines.select_related(
        "claim__site", "discrepancy__site", "discrepancy__arrival", "discrepancy__carton", "discrepancy__store"
    ).order_by("position")
