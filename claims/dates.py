"""Which dates run for a claim or an unclaimed loss, gathered from the record and from facts. Reads only.

`claims.deadlines` counts; here stands what starts a clock and what stops it. A duty that is done is not listed; one
whose start is unknown is listed first, as something that may be too late already.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from django.db.models import Max
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from claims import deadlines, queries, readings, standing, terms
from claims.calendars import Calendar
from claims.deadlines import Due, Period, cmr
from claims.enums import (
    Binds,
    Counting,
    DeliveredMeans,
    DocumentKind,
    Duty,
    Effect,
    FactKind,
    LetterKind,
    LineKind,
    Regime,
    Stage,
    Standing,
    Trigger,
)
from claims.models import Bounce, Claim, Document, Fact, Letter, Message, Terms
from claims.terms import choosing
from claims.valuation.words import money
from receiving import clock
from receiving.enums import IncidentKind, Kind, YesNo
from receiving.models import Discrepancy, IncidentNote

# Delay is not claimed here, and a file is kept, not worked on.
NOT_LISTED = (Duty.DELAY_NOTICE, Duty.KEEP, Duty.HAZMAT_PHONE, Duty.HAZMAT_REPORT)
BEFORE_FILING = (Duty.NOTE_AT_DELIVERY, Duty.CONCEALED_NOTICE, Duty.NOTICE, Duty.FILE, Duty.FINAL_STATEMENT)
CARRIERS = (Duty.ACKNOWLEDGE, Duty.DECIDE, Duty.STATUS)
SETTLED = (Standing.ALL_IN, Standing.CLOSED, Standing.WITHDRAWN, Standing.HANDED_OVER)
HAZARDS = (IncidentKind.LEAKING, IncidentKind.SMELL, IncidentKind.UNKNOWN_GOODS)


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One thing to be done, with its day or with what the day still needs.

    kind -- `deadline`, `terms`, `offer`, `papers`, `letter`, `bounced`, `turned_up`, `refund`, `unclaimed`, `incident`
    words -- what is to be done, by which rule; head -- the same in a few words
    line -- the key of the claim's line where it is about one
    """

    kind: str
    head: str
    words: str
    day: date | datetime | None
    binds: str = Binds.US
    due: Due | None = None
    claim: Claim | None = None
    shipment: object = None
    who: object = None
    url: str = ""
    amount: object = None
    line: int | None = None

    @property
    def date(self):
        return self.day.date() if isinstance(self.day, datetime) else self.day

    @property
    def target(self):
        return self.due.target if self.due else None

    @property
    def effect(self):
        return self.due.effect.label if self.due else ""

    @property
    def caution(self):
        return self.due.caution if self.due else ""

    @property
    def is_ours(self):
        return self.binds == Binds.US

    @property
    def is_known(self):
        return self.day is not None

    @property
    def uid(self):
        """The same for the same duty from one look to the next, whatever its date: a calendar updates by it."""
        about = self.claim.uuid if self.claim else self.shipment.uuid if self.shipment else self.url
        duty = f"{self.due.duty}-{self.due.number}" if self.due else self.head
        return f"{self.kind}-{duty}-{about}-{self.line or ''}"

    def days_left(self, today):
        return (self.date - today).days if self.is_known else None

    @property
    def urgency(self):
        """Unknown first, ours before the carrier's; then by day."""
        day = self.date or date.min
        return (self.is_known, day, not self.is_ours, self.kind, self.head)


def sort(entries: Iterable[Entry]) -> list[Entry]:
    return sorted(entries, key=lambda entry: entry.urgency)


# --- what starts a clock ----------------------------------------------------------------------------------------------


def delivered(arrival, means=DeliveredMeans.EARLIEST):
    """The site's day of delivery as the terms take the word, or None while that has not happened."""
    moments = {
        DeliveredMeans.DROPPED: [arrival.dropped_at],
        DeliveredMeans.OPENED: [arrival.opened_at],
        DeliveredMeans.RELEASED: [arrival.released_at],
    }.get(means, [arrival.dropped_at, arrival.opened_at, arrival.released_at])
    happened = [moment for moment in moments if moment]
    return clock.site_day(min(happened), arrival.site.time_zone) if happened else None


def triggers(shipment, means=DeliveredMeans.EARLIEST, *, discovered=None):
    """{Trigger: site's day or None} as far as the dock's record tells. The bill's ship date is the day the carrier took
    the goods over; its appointment the day they were due."""
    arrival = shipment.arrival
    zone = arrival.site.time_zone
    day = delivered(arrival, means)
    due = clock.site_day(arrival.appointment_at, zone) if arrival.appointment_at else None
    return {
        Trigger.DELIVERED: day,
        Trigger.AT_DISPOSAL: day,
        Trigger.BILL_DATE: shipment.bill_date,
        Trigger.SHIPPED: shipment.ship_date,
        Trigger.TAKEN_OVER: shipment.ship_date,
        Trigger.DUE_DELIVERY: due,
        Trigger.DISCOVERED: clock.site_day(discovered, zone) if discovered else None,
    }


class Choices:
    """The terms in use, read once, to choose from for many bills: `terms.choose` asks the database for each."""

    def __init__(self):
        rows = Terms.objects.filter(retired_at=None).select_related("carrier", "account", "site")
        self.rows = list(rows.prefetch_related("periods"))
        self.held = {}

    def choose(self, shipment):
        """The terms that `terms.choose` would take for this bill, or None."""
        arrival = shipment.arrival
        carrier = shipment.carrier_on_bill_id or arrival.carrier_id
        day, _whose = choosing.dated(shipment)
        parts = {"carrier_id": carrier, "account_id": shipment.account_id, "site_id": arrival.site_id}
        origin = choosing.bare(shipment.origin)
        fitting = [
            row
            for row in self.rows
            if all(getattr(row, name) in (None, value) for name, value in parts.items())
            and row.mode in ("", "road")
            and (not row.origin or choosing.bare(row.origin) == origin)
            and day
            and choosing.holds_on(row, day)
        ]
        found = max(fitting, key=choosing.narrowness, default=None)
        return found and self.hold(found)

    def hold(self, row):
        if row.pk not in self.held:
            self.held[row.pk] = terms.Held(row, tuple(terms.periods(row)), terms.calendar(row))
        return self.held[row.pk]


# --- unclaimed losses -------------------------------------------------------------------------------------------------


def of_pieces(site, pieces, at, *, choices=None):
    """{piece: (nearest Due or None, [Due])} of unclaimed losses; two queries whatever their number.

    pieces -- with their shipment, its account and its arrival with site and carrier
    """
    choices = choices or Choices()
    found = {}
    for piece in pieces:
        held = choices.choose(piece.shipment) if piece.shipment else None
        dues = piece_dues(piece, held) if held else []
        found[piece] = (min(dues, key=lambda due: due.urgency, default=None), dues)
    return found


def piece_dues(piece, held):
    wanted = [period for period in held.periods if period.duty in BEFORE_FILING and is_open(period.duty, piece)]
    return deadlines.due(
        wanted,
        triggers(piece.shipment, held.terms.delivered_means, discovered=piece.found_at),
        kinds=LineKind.LOSS if piece.kind == Kind.SHORT else LineKind.DAMAGE,
        calendar=held.calendar,
        zone=site_zone(piece),
    )


def site_zone(piece):
    return piece.arrival.site.time_zone


def is_open(duty, piece):
    """What was seen at the dock is on the receipt already; only what was found later is concealed."""
    if duty == Duty.NOTE_AT_DELIVERY:
        return False
    return duty != Duty.CONCEALED_NOTICE or piece.after_release


# --- claims -----------------------------------------------------------------------------------------------------------


@dataclass
class Known:
    """What is known of one claim, gathered for many at once."""

    claim: Claim
    held: terms.Held | None
    reading: standing.Reading
    facts: list
    lines: list
    received: date | None = None
    status_given: int = 0
    noticed: bool = False
    letters: list = field(default_factory=list)
    freight_bill: bool = False
    papers_asked: list = field(default_factory=list)
    undelivered: bool = False

    def live(self, *kinds):
        return [fact for fact in standing.live(self.facts) if fact.kind in kinds]

    @property
    def has_answer(self):
        """Paid, declined or offered: then no acknowledgement is owed any more (49 CFR 370.5(a))."""
        return bool(
            self.live(FactKind.ACKNOWLEDGED, FactKind.DECISION, FactKind.OFFER, FactKind.RECEIPT, FactKind.OFFSET)
        )

    @property
    def is_decided(self):
        """Every line decided in writing by the carrier, or a firm offer in writing, or an agreement."""
        if self.live(FactKind.AGREED) or not self.reading.money.outstanding:
            return True
        if any(fact.binds_carrier for fact in self.live(FactKind.OFFER)):
            return True
        return {line.pk for line in self.lines} <= set(standing.decided_for_carrier(self.facts))


def of_claim(claim, *, at) -> list[Entry]:
    """Every date that runs for this claim, the most urgent first."""
    return of_claims(Claim.objects.filter(pk=claim.pk), at=at)


def of_claims(rows, *, at) -> list[Entry]:
    """Every date that runs for these claims (a queryset), in a fixed number of queries."""
    rows = rows.select_related(
        "site",
        "carrier",
        "account",
        "opened_by",
        "shipment__account",
        "shipment__arrival__site",
        "shipment__arrival__carrier",
        "terms__carrier",
        "terms__account",
        "terms__site",
    ).prefetch_related("terms__periods")
    entries = [entry for known in gather(list(rows), at=at) for entry in of_known(known, at=at)]
    return sort(entries)


def gather(claims, *, at):
    keys = [claim.pk for claim in claims]
    read, facts, lines = readings.readings(claims, at=at), readings.happened(claims), live_lines(keys)
    received = dict(
        Fact.objects.filter(claim__in=keys, kind=FactKind.ACKNOWLEDGED, reversed_by__isnull=True)
        .order_by("received_on", "pk")
        .values_list("claim", "received_on")
    )
    letters = defaultdict(list)
    for letter in Letter.objects.filter(claim__in=keys).order_by("pk"):
        letters[letter.claim_id].append(letter)
    billed = set(
        Document.objects.filter(claim__in=keys, kind=DocumentKind.FREIGHT_BILL, replaced_by__isnull=True).values_list(
            "claim", flat=True
        )
    )
    asked, lost = papers_asked(keys), undelivered(keys)
    for claim in claims:
        yield Known(
            claim,
            terms.of_claim(claim),
            read[claim.pk],
            facts[claim.pk],
            lines[claim.pk],
            received=received.get(claim.pk),
            status_given=sum(fact.kind == FactKind.STATUS for fact in standing.live(facts[claim.pk])),
            noticed=any(letter.kind == LetterKind.CONCEALED and letter.sent_at for letter in letters[claim.pk]),
            letters=[letter for letter in letters[claim.pk] if not letter.sent_at],
            freight_bill=claim.pk in billed and claim.freight_paid == YesNo.YES,
            papers_asked=asked[claim.pk],
            undelivered=claim.pk in lost,
        )


def live_lines(keys):
    from_claim = defaultdict(list)
    for line in queries.ClaimLine.objects.filter(claim__in=keys, live=True).select_related("discrepancy__site"):
        from_claim[line.claim_id].append(line)
    return from_claim


def papers_asked(keys):
    """{claim: requests for papers that nothing answered since}."""
    found = defaultdict(list)
    rows = Fact.objects.filter(claim__in=keys, reversed_by__isnull=True, reverses__isnull=True)
    sent = dict(rows.filter(kind=FactKind.PAPERS_SENT).values_list("claim").annotate(last=Max("on")).order_by())
    for fact in rows.filter(kind=FactKind.PAPERS_ASKED).order_by("on", "pk"):
        if fact.claim_id not in sent or sent[fact.claim_id] < fact.on:
            found[fact.claim_id].append(fact)
    return found


def undelivered(keys):
    """Claims whose packet went out by e-mail and of which some part came back every time it was sent."""
    back = set(Bounce.objects.filter(message__claim__in=keys).values_list("message", flat=True))
    arrived, lost = set(), set()
    rows = Message.objects.filter(claim__in=keys, packet__isnull=False)
    for pk, claim, packet, part in rows.values_list("pk", "claim", "packet", "part"):
        (lost if pk in back else arrived).add((claim, packet, part))
    return {claim for claim, packet, part in lost - arrived}


def of_known(known, *, at):
    """The entries of one claim."""
    if known.claim.stage in (Stage.WITHDRAWN, Stage.CLOSED):
        return
    if known.held is None and not known.claim.is_handover:
        words = _("No date: needs terms. Nobody has said which terms hold for this claim, so no date can be counted.")
        yield entry(known, "terms", _("choose the terms"), words, None)
    if known.held is not None and not known.claim.is_handover:
        yield from legal(known, at=at)
    yield from offers(known)
    yield from waiting(known, at=at)


def entry(known, kind, head, words, day, **more):
    claim = known.claim
    given = {"claim": claim, "who": claim.opened_by, "url": claim.get_absolute_url()}
    return Entry(kind=kind, head=head, words=words, day=day, **(given | more))


def legal(known, *, at):
    """The periods of the terms that still run."""
    today = clock.site_day(at, known.claim.site.time_zone)
    seen = set()
    for line in known.lines or [None]:
        for due in line_dues(known, line, today):
            if (key := (due.duty, due.due, due.number, due.needs)) not in seen:
                seen.add(key)
                day = due.due
                about = line.pk if line and due.duty == Duty.SUE else None
                yield entry(known, "deadline", due.duty.label, due.words, day, binds=due.binds, due=due, line=about)


def line_dues(known, line, today):
    claim, held = known.claim, known.held
    known_triggers = triggers(claim.shipment, held.terms.delivered_means, discovered=line and line.discrepancy.found_at)
    known_triggers[Trigger.CARRIER_RECEIVED] = known.received
    absent = [] if claim.stage == Stage.FILED else [Trigger.CARRIER_RECEIVED]
    kinds = [line.kind] if line else []
    periods = [period for period in held.periods if runs(known, period, line, today)]
    plain = [period for period in periods if period.trigger != Trigger.DISALLOWED]
    acknowledge = [period for period in plain if period.duty == Duty.ACKNOWLEDGE and known.received is None]
    rest = [period for period in plain if period not in acknowledge]
    counted = {"kinds": kinds, "calendar": held.calendar, "zone": claim.site.time_zone, "line": line and line.pk}
    for due in deadlines.due(rest, known_triggers, absent=absent, **counted, through=today):
        if due.duty == Duty.STATUS and due.number <= known.status_given:
            continue
        yield suspended(known, due, line)
    filed = known_triggers | {Trigger.CARRIER_RECEIVED: claim.filed_on}
    yield from deadlines.due(acknowledge, filed, absent=absent, **counted)
    yield from suits(known, line, periods)


def suits(known, line, periods):
    """The last days to bring suit that run from written disallowances of this line."""
    for key, day in standing.suit_starts(known.facts):
        if line and key == line.pk:
            said = [deadlines.Disallowance(line=key, on=day)]
            yield from deadlines.suit_dues(periods, said, kinds={key: line.kind}, calendar=known.held.calendar)


def suspended(known, due, line):
    """Under the CMR a written claim makes the time to sue stand still (Art. 32(2))."""
    if due.duty != Duty.SUE or known.held.terms.regime != Regime.CMR or known.received is None:
        return due
    rejected = dict(standing.suit_starts(known.facts)).get(line and line.pk)
    returned = standing.papers_returned(known.facts).get(line and line.pk)
    written = cmr.WrittenClaim(known.received, rejected=rejected, papers_returned=returned)
    return cmr.suspended(due, [written], calendar=known.held.calendar)


def runs(known, period: Period, line, today):
    """Whether this period still asks something of anybody."""
    claim = known.claim
    if period.duty in NOT_LISTED:
        return False
    if period.duty in BEFORE_FILING:
        return runs_before_filing(known, period, line)
    if period.duty == Duty.ACKNOWLEDGE:
        return claim.stage == Stage.FILED and not known.has_answer
    if period.duty == Duty.DECIDE:
        return claim.stage == Stage.FILED and not known.is_decided
    if period.duty == Duty.STATUS:
        return claim.stage == Stage.FILED and not known.is_decided and decide_is_past(known, today)
    if period.duty == Duty.SUE:
        return known.reading.standing not in SETTLED and not known.live(FactKind.SUED)
    return True


def runs_before_filing(known, period, line):
    filed = known.claim.stage == Stage.FILED
    if period.duty == Duty.NOTE_AT_DELIVERY:
        return False
    if period.duty == Duty.CONCEALED_NOTICE:
        return bool(line and line.discrepancy.after_release) and not known.noticed
    if period.duty == Duty.NOTICE:
        return not filed and not known.noticed
    if period.duty == Duty.FINAL_STATEMENT:
        return not (filed and known.freight_bill)
    return not filed


def decide_is_past(known, today):
    """Status notices are owed from the day on which a decision was (49 CFR 370.9(a))."""
    if known.received is None:
        return False
    decide = [period for period in known.held.periods if period.duty == Duty.DECIDE]
    ends = [deadlines.count(period, known.received, calendar=known.held.calendar) for period in decide]
    return not ends or min(ends) < today


def offers(known):
    if known.reading.standing == Standing.OFFER_OPEN:
        offer = known.reading.offer
        amount = money(offer.amount, known.claim.currency)
        if offer.until:
            words = _("Accept or decline the offer of %(amount)s; it is open until %(date)s.") % {
                "amount": amount,
                "date": date_format(offer.until, "D j M Y"),
            }
        else:
            words = _("Accept or decline the offer of %(amount)s; nobody has written down until when it is open.") % {
                "amount": amount
            }
        yield entry(known, "offer", _("answer the offer"), words, offer.until, amount=offer.amount)


def waiting(known, *, at):
    """What waits without a date of law: letters not sent, papers asked for, refunds, messages that came back."""
    today = clock.site_day(at, known.claim.site.time_zone)
    if known.reading.standing == Standing.OVERPAID:
        amount = money(known.reading.money.refund_due, known.claim.currency)
        words = _("More came in than the claim is worth: return %(amount)s to the carrier.") % {"amount": amount}
        yield entry(known, "refund", _("return money"), words, today, amount=known.reading.money.refund_due)
    for fact in known.papers_asked:
        words = _("The carrier asked for papers on %(date)s: %(what)s") % {
            "date": date_format(fact.on, "D j M Y"),
            "what": fact.note,
        }
        yield entry(known, "papers", _("send the papers"), words, fact.until or today)
    for letter in known.letters:
        words = _("Letter %(number)s is drafted and not sent: %(kind)s.") % {
            "number": letter.number,
            "kind": letter.get_kind_display(),
        }
        yield entry(
            known, "letter", _("send the letter"), words, clock.site_day(letter.drafted_at, known.claim.site.time_zone)
        )
    if known.undelivered:
        words = _("The e-mail with the packet came back: it is not delivered. File it another way.")
        yield entry(known, "bounced", _("file it another way"), words, today)


# --- over a site ------------------------------------------------------------------------------------------------------


def of_site(site, *, at) -> list[Entry]:
    """Everything that is due at a site: its claims, what turned up, unclaimed losses, incidents to report."""
    today = clock.site_day(at, site.time_zone)
    entries = of_claims(Claim.objects.filter(site=site, stage__in=queries.OPEN_STAGES), at=at)
    entries += found_again(site, today)
    entries += unclaimed(site, at=at)
    entries += incidents(site, at=at)
    return sort(entries)


def found_again(site, today):
    """A carton that was claimed and is here after all: amend, withdraw, or return what was paid."""
    for each in queries.turned_up(site):
        claim = each.claim
        paid = claim.stage == Stage.CLOSED
        amount = "" if each.amount is None else money(each.amount, claim.currency)
        told = {"piece": each.piece, "state": each.piece.get_state_display(), "amount": amount or _("not worked out")}
        if paid:
            words = _("%(piece)s is %(state)s after the claim was closed: return %(amount)s.")
        elif claim.stage == Stage.DRAFT:
            words = _("%(piece)s is %(state)s: take its line off the draft, %(amount)s less.")
        else:
            words = _(
                "%(piece)s is %(state)s: amend the claim by %(amount)s, or withdraw it; return what was paid for it."
            )
        yield Entry(
            kind="turned_up",
            head=_("amend, withdraw or refund"),
            words=words % told,
            day=today,
            claim=claim,
            who=claim.opened_by,
            url=claim.get_absolute_url(),
            amount=each.amount,
            line=each.line.pk,
        )


def unclaimed(site, *, at):
    """For each bill with unclaimed losses the nearest of its dates, and those that are unknown."""
    pieces = list(queries.claimable(site).select_related(*queries.WITH).order_by("pk"))
    dues = of_pieces(site, pieces, at)
    by_bill = defaultdict(list)
    for piece in pieces:
        by_bill[piece.shipment_id].append(piece)
    address = reverse("to_claim", args=[site.code])
    for group in by_bill.values():
        shipment = group[0].shipment
        count = sum(piece.quantity for piece in group)
        about = ngettext(
            "%(count)s unclaimed piece of bill %(bill)s", "%(count)s unclaimed pieces of bill %(bill)s", count
        ) % {"count": count, "bill": shipment.bill_number}
        found = [due for piece in group for due in dues[piece][1]]
        if not found:
            words = _("%(about)s. No date: needs terms that hold for this bill.") % {"about": about}
            yield Entry(
                kind="unclaimed",
                head=_("claim, hand over or decide"),
                words=words,
                day=None,
                shipment=shipment,
                url=address,
            )
            continue
        for due in once_each(found):
            words = f"{about}. {due.words}"
            yield Entry(
                kind="unclaimed", head=due.duty.label, words=words, day=due.due, due=due, shipment=shipment, url=address
            )


def once_each(dues):
    """The nearest of each duty: its unknown date if it has one, for that may be the nearest."""
    nearest = {}
    for due in sorted(dues, key=lambda due: due.urgency):
        nearest.setdefault(due.duty, due)
    return nearest.values()


PHONE = Period(
    duty=Duty.HAZMAT_PHONE,
    trigger=Trigger.INCIDENT,
    length=12,
    counting=Counting.HOURS,
    effect=Effect.OFFENCE,
    binds=Binds.US,
    source="49 CFR 171.15",
)
REPORT = Period(
    duty=Duty.HAZMAT_REPORT,
    trigger=Trigger.DISCOVERED,
    length=30,
    counting=Counting.DAYS,
    effect=Effect.OFFENCE,
    binds=Binds.US,
    source="49 CFR 171.16",
)
SHOWN_FOR = 45


def incidents(site, *, at):
    """Leaks and smells that may have to be reported: whether they do, the site's plan and its trained people decide."""
    since = at - timedelta(days=SHOWN_FOR)
    notes = IncidentNote.objects.filter(arrival__site=site, kind__in=HAZARDS, at__gte=since).select_related(
        "arrival__site", "actor"
    )
    hazardous = set(
        Discrepancy.objects.filter(site=site, hazmat=True, found_at__gte=since).values_list("arrival", flat=True)
    )
    for note in notes.order_by("at", "pk"):
        if note.arrival_id in hazardous:
            yield from reports(note, site)


def reports(note, site):
    found = {Trigger.INCIDENT: note.at, Trigger.DISCOVERED: clock.site_day(note.at, site.time_zone)}
    counted = {"kinds": [], "calendar": Calendar(), "zone": site.time_zone}
    who = ", ".join(part for part in (site.responsible_person, site.responsible_phone) if part) or "-"
    for due in deadlines.due([PHONE, REPORT], found, **counted):
        words = _(
            "%(words)s. Only if the incident has to be reported: the site's plan and its trained people decide. "
            "Ask %(who)s."
        ) % {"words": due.words, "who": who}
        yield Entry(
            kind="incident",
            head=due.duty.label,
            words=words,
            day=due.due,
            due=due,
            url=note.arrival.get_absolute_url(),
            line=note.pk,
        )


# --- for others -------------------------------------------------------------------------------------------------------


def file_by(claim, *, at):
    """The last day on which the terms let this claim be filed: the earliest of its lines; None where one is unknown."""
    known = next(iter(gather([claim], at=at)))
    if known.held is None:
        return None
    periods = [period for period in known.held.periods if period.duty == Duty.FILE]
    found = [
        due
        for line in known.lines
        for due in deadlines.due(
            periods,
            triggers(claim.shipment, known.held.terms.delivered_means, discovered=line.discrepancy.found_at),
            kinds=[line.kind],
            calendar=known.held.calendar,
            zone=claim.site.time_zone,
        )
    ]
    first = deadlines.earliest(found)
    return first.due.day if first.is_certain else None
