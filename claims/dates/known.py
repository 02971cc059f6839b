"""What is known of claims that starts or stops a clock, gathered for many in a fixed number of queries."""

import re
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property

from claims import readings, standing, terms
from claims.dates import amended, reserved
from claims.dates.starts import nothing_came
from claims.enums import DocumentKind, FactKind, FilingWay, LetterKind, Stage
from claims.models import Bounce, Claim, ClaimLine, Document, Fact, Letter, Message
from receiving.enums import YesNo

OF_PIECES = ("number", "kind", "state", "quantity", "found_at", "after_release")
OF_LINES = ("uuid", "claim", "position", "kind", "cartons", "amount", *(f"discrepancy__{name}" for name in OF_PIECES))
ANSWERS = (FactKind.ACKNOWLEDGED, FactKind.DECISION, FactKind.OFFER, FactKind.RECEIPT, FactKind.OFFSET)


@dataclass
class Known:
    """What is known of one claim.

    received -- the day on which the carrier says it received the claim
    notices -- letters of concealed damage that went
    waiting -- letters drafted and not sent
    papers -- live requests for papers that nothing answered
    bounced -- the packet went by e-mail and of some part every message came back
    reserved -- what sheets signed for the carrier reserved, where the law takes that for the notice
    behind -- what the carrier holds is older than the last amendment: `unmade` or `unsent`, as `dates.amended` says
    """

    claim: Claim
    held: terms.Held | None
    reading: standing.Reading
    facts: list
    lines: list
    received: date | None = None
    notices: list = field(default_factory=list)
    waiting: list = field(default_factory=list)
    papers: list = field(default_factory=list)
    freight_bill: bool = False
    bounced: bool = False
    behind: str = ""
    nothing_came: bool = False
    reserved: dict = field(default_factory=dict)

    @cached_property
    def happened(self):
        """What nobody took back, in its order."""
        return standing.live(self.facts)

    @cached_property
    def suit_starts(self):
        """{line: the day its time to sue runs from}"""
        return dict(standing.suit_starts(self.facts))

    @cached_property
    def papers_returned(self):
        return standing.papers_returned(self.facts)

    @cached_property
    def decided(self):
        return standing.decided_for_carrier(self.facts)

    def live(self, *kinds):
        return [fact for fact in self.happened if fact.kind in kinds]

    @property
    def is_filed(self):
        return self.claim.stage == Stage.FILED

    @cached_property
    def has_answer(self):
        """Acknowledged, paid, declined or offered: then no acknowledgement is owed any more (49 CFR 370.5(a))."""
        return bool(self.live(*ANSWERS))

    @property
    def is_undelivered(self):
        """Filed by e-mail, and as far as anybody knows it never arrived."""
        by_mail = self.claim.filing_way == FilingWay.EMAIL
        return self.is_filed and by_mail and self.bounced and not self.has_answer

    @cached_property
    def is_decided(self):
        """All agreed, or a firm offer in writing, or nothing outstanding (49 CFR 370.9(a))."""
        if self.live(FactKind.AGREED) or self.reading.money.outstanding <= 0:
            return True
        return any(fact.binds_carrier for fact in self.live(FactKind.OFFER))

    def is_line_decided(self, line):
        """Whether the carrier has decided on the line in writing."""
        return self.is_decided or (line is not None and line.pk in self.decided)

    def is_noticed(self, line):
        """Whether a notice that went names the piece of the line."""
        if not self.notices:
            return False
        name = re.compile(rf"\b{re.escape(str(line.discrepancy))}\b")
        return any(name.search(letter.body) for letter in self.notices)

    def reservation(self, line):
        """The sheet that was signed for the carrier and names the piece of the line, or None."""
        return self.reserved.get((self.claim.shipment.arrival_id, str(line.discrepancy)))


def gather(claims, *, at) -> list[Known]:
    """Claims with their site, terms with periods, and shipment with arrival; ten queries, however many claims, and five
    where one of them was amended."""
    keys = [claim.pk for claim in claims]
    read, facts, lines = readings.readings(claims, at=at), readings.happened(claims), live_lines(claims)
    received, papers, bounced, billed = received_on(keys), asked_for(keys), came_back(keys), with_freight_bill(keys)
    notices, waiting = letters(keys)
    behind = amended.behind(facts)
    lost = nothing_came([claim.shipment for claim in claims])
    held = {claim.pk: terms.of_claim(claim) for claim in claims}
    asking = [claim.shipment.arrival_id for claim in claims if reserved.asked_of(held[claim.pk])]
    signed = reserved.signed(asking)
    return [
        Known(
            claim,
            held[claim.pk],
            read[claim.pk],
            facts[claim.pk],
            lines[claim.pk],
            received=received.get(claim.pk),
            notices=notices[claim.pk],
            waiting=waiting[claim.pk],
            papers=unanswered(papers[claim.pk], facts[claim.pk]),
            freight_bill=claim.pk in billed and claim.freight_paid == YesNo.YES,
            bounced=claim.pk in bounced,
            behind=behind.get(claim.pk, ""),
            nothing_came=claim.shipment_id in lost,
            reserved=signed if reserved.asked_of(held[claim.pk]) else {},
        )
        for claim in claims
    ]


def live_lines(claims):
    by_key, found = {claim.pk: claim for claim in claims}, defaultdict(list)
    rows = ClaimLine.objects.filter(claim__in=by_key, live=True).select_related("discrepancy").only(*OF_LINES)
    for line in rows.order_by("position"):
        line.claim = by_key[line.claim_id]
        found[line.claim_id].append(line)
    return found


def standing_facts(keys, kind):
    """Facts of one kind that nobody took back, in the order in which they happened."""
    rows = Fact.objects.filter(claim__in=keys, kind=kind, reversed_by__isnull=True, reverses__isnull=True)
    return rows.order_by("on", "pk")


def received_on(keys):
    """{claim: the day on which the carrier, as it last said, received it}"""
    rows = standing_facts(keys, FactKind.ACKNOWLEDGED).filter(received_on__isnull=False)
    return dict(rows.values_list("claim", "received_on"))


def asked_for(keys):
    found = defaultdict(list)
    for fact in standing_facts(keys, FactKind.PAPERS_ASKED):
        found[fact.claim_id].append(fact)
    return found


def unanswered(asked, facts):
    """Requests that no sending of papers answers, by name or, naming none, on the same day or later."""
    sent = [fact for fact in standing.live(facts) if fact.kind == FactKind.PAPERS_SENT]

    def answered(fact):
        return any(each.answers == fact.pk or (each.answers is None and each.on >= fact.on) for each in sent)

    return [fact for fact in asked if not answered(fact)]


def letters(keys):
    """({claim: notices of concealed damage that went}, {claim: letters that did not go yet})"""
    notices, waiting = defaultdict(list), defaultdict(list)
    for letter in Letter.objects.filter(claim__in=keys).order_by("pk"):
        if not letter.sent_at:
            waiting[letter.claim_id].append(letter)
        elif letter.kind == LetterKind.CONCEALED:
            notices[letter.claim_id].append(letter)
    return notices, waiting


def with_freight_bill(keys):
    rows = Document.objects.current().filter(claim__in=keys, kind=DocumentKind.FREIGHT_BILL)
    return set(rows.values_list("claim", flat=True))


def came_back(keys):
    """Claims of which something came back and no packet sent by e-mail arrived in all its parts. Two queries."""
    back = dict(Bounce.objects.filter(message__claim__in=keys).values_list("message", "message__claim"))
    rows = Message.objects.filter(claim__in=set(back.values()), packet__isnull=False)
    arrived, wanted = defaultdict(set), {}
    for pk, claim, packet, part, parts in rows.values_list("pk", "claim", "packet", "part", "parts"):
        wanted[claim, packet] = parts
        arrived[claim, packet].update({part} - ({part} if pk in back else set()))
    whole = {claim for (claim, packet), parts in wanted.items() if len(arrived[claim, packet]) >= parts}
    return {claim for claim, _packet in wanted} - whole
