"""What happened to a claim, newest first: its stages, its facts, its packets, its letters. Reads only."""

from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal

from django.urls import reverse
from django.utils.translation import gettext as _

from claims.enums import FactKind, Stage
from claims.models import Fact
from claims.valuation.words import day as day_words
from claims.valuation.words import money as in_words
from receiving import clock, rules
from receiving.models import Event

ICONS = {
    FactKind.ACKNOWLEDGED: "check",
    FactKind.PAPERS_ASKED: "document",
    FactKind.PAPERS_SENT: "document",
    FactKind.OFFER: "scales",
    FactKind.DECISION: "scales",
    FactKind.AGREED: "sign",
    FactKind.AMENDED: "edit",
    FactKind.NOTE: "edit",
    FactKind.STATUS: "info",
    FactKind.COUNSEL: "person",
    FactKind.SUED: "person",
}


@dataclass
class Entry:
    """One thing that happened: the site's day, the moment it was written down, by whom, in words.

    details -- (label, text) pairs; struck -- who took it back, when and why, or empty; recorded -- the site's day on
    which it was written down
    """

    day: date
    at: datetime
    icon: str
    title: str
    by: str
    note: str = ""
    details: list = field(default_factory=list)
    url: str = ""
    document: object = None
    struck: str = ""
    take_back: str = ""
    recorded: date | None = None

    @property
    def written_later(self):
        """Whether it was written down on another day than it happened."""
        return self.recorded != self.day


def of_claim(claim, *, may=frozenset()):
    """The entries, newest day first; a number of queries that does not grow with them."""
    found = [opened(claim), *moves(claim), *facts(claim, may), *packets(claim), *letters(claim), *messages(claim)]
    for entry in found:
        entry.recorded = local_day(claim, entry.at)
    # From the oldest, then turned round: of what happened at one moment the later in the list is the newer.
    return sorted(found, key=lambda entry: (entry.day, entry.at))[::-1]


def local_day(claim, at):
    return clock.site_day(at, claim.site.time_zone)


def opened(claim):
    day = local_day(claim, claim.opened_at)
    return Entry(day, claim.opened_at, "plus", _("Drafted"), str(claim.opened_by))


def moves(claim):
    """Filed, closed, reopened, withdrawn, as the log tells of them."""
    rows = Event.objects.filter(
        arrival=claim.shipment.arrival_id, record=f"claim:{claim.pk}", verb__in=MOVE_WORDS
    ).order_by("seq")
    for event in rows:
        icon, words = MOVE_WORDS[event.verb]
        after = event.after
        note = after.get("reason") or after.get("closed_note") or after.get("no_proof") or ""
        day = date.fromisoformat(after["filed_on"]) if after.get("filed_on") else local_day(claim, event.at)
        entry = Entry(day, event.at, icon, words(claim, after), event.actor_name, note=note)
        if after.get("packet"):
            entry.details.append((_("handed over"), _("packet %(number)s") % {"number": after["packet"]}))
        yield entry


def filed(claim, after):
    way = claim.get_filing_way_display()
    if claim.is_handover:
        return _("Handed over, %(way)s") % {"way": way}
    amount = in_words_of(claim, after.get("amount"))
    return _("Filed, %(way)s: %(amount)s") % {"way": way, "amount": amount}


def in_words_of(claim, amount):
    return f"{claim.currency} {in_words(Decimal(amount), claim.currency)}" if amount else "–"


MOVE_WORDS = {
    "claim.filed": ("forth", filed),
    "claim.closed": ("archive", lambda claim, after: _("Closed")),
    "claim.reopened": ("again", lambda claim, after: _("Reopened")),
    "claim.withdrawn": ("cross", lambda claim, after: _("Withdrawn")),
}


# -- facts


def facts(claim, may):
    rows = (
        Fact.objects.filter(claim=claim, reverses=None)
        .select_related("actor", "document", "answers", "approved_by", "reversed_by__actor")
        .prefetch_related("decisions__line", "lots__line", "amendments")
        .order_by("pk")
    )
    for fact in rows:
        entry = Entry(
            fact.on,
            fact.at,
            ICONS.get(fact.kind, "money"),
            title(claim, fact),
            str(fact.actor),
            note=fact.note,
            details=list(details(claim, fact)),
            document=fact.document,
            struck=struck(claim, fact),
        )
        if rules.CLAIM in may and not entry.struck and fact.kind != FactKind.AMENDED and claim.stage != Stage.WITHDRAWN:
            entry.take_back = reverse("fact_take_back", args=[claim.site.code, claim.slug, fact.pk])
        yield entry


def title(claim, fact):
    words = str(fact.get_kind_display())
    words = words[:1].upper() + words[1:]
    return words if fact.amount is None else f"{words}: {claim.currency} {in_words(fact.amount, claim.currency)}"


def struck(claim, fact):
    back = getattr(fact, "reversed_by", None)
    if back is None:
        return ""
    return _("Taken back on %(day)s by %(who)s: %(why)s") % {
        "day": day_words(back.on),
        "who": back.actor,
        "why": back.note,
    }


def details(claim, fact):
    if fact.reference:
        yield _("number"), fact.reference
    if fact.received_on:
        yield _("received by the carrier on"), day_words(fact.received_on)
    if fact.until:
        yield _("until"), day_words(fact.until)
    if fact.receipt_kind:
        yield _("received"), fact.get_receipt_kind_display()
    if fact.speaker:
        yield _("by"), fact.get_speaker_display()
    if fact.by_name:
        yield _("name"), fact.by_name
    if fact.in_writing is not None:
        yield _("in writing"), _("yes") if fact.in_writing else _("no")
    if fact.papers_returned:
        yield _("papers"), _("returned")
    if fact.answers:
        yield _("answers"), f"{fact.answers.get_kind_display()}, {day_words(fact.answers.on)}"
    if fact.approved_by:
        yield _("over the limit, approved by"), str(fact.approved_by)
    yield from decided(claim, fact)
    for lot in fact.lots.all():
        words = _("lot %(lot)s, %(method)s, gross %(gross)s, costs %(costs)s") % {
            "lot": lot.lot,
            "method": lot.method,
            "gross": in_words(lot.gross, claim.currency),
            "costs": in_words(lot.costs, claim.currency),
        }
        if lot.related_buyer:
            words += ", " + _("the buyer is related to the seller")
        yield _("line %(line)s") % {"line": lot.line}, f"{words}{f', {lot.buyer}' if lot.buyer else ''}"


def decided(claim, fact):
    for said in fact.decisions.all():
        words = _("%(allowed)s allowed, %(disallowed)s disallowed") % {
            "allowed": in_words(said.allowed, claim.currency),
            "disallowed": in_words(said.disallowed, claim.currency),
        }
        more = ", ".join(part for part in (said.get_ground_display(), said.note) if part)
        yield _("line %(line)s") % {"line": said.line}, f"{words} ({more})" if more else words


# -- what left the house


def packets(claim):
    for packet in claim.packets.select_related("actor").order_by("number"):
        words = _("Packet %(number)s made") % {"number": packet.number}
        url = reverse("packet", args=[claim.site.code, claim.slug, packet.number])
        yield Entry(local_day(claim, packet.at), packet.at, "archive", words, str(packet.actor), url=url)


def letters(claim):
    for letter in claim.letters.filter(sent_at__isnull=False).select_related("drafted_by").order_by("number"):
        words = _("Letter %(number)s sent: %(kind)s") % {"number": letter.number, "kind": letter.get_kind_display()}
        entry = Entry(local_day(claim, letter.sent_at), letter.sent_at, "mail", words, str(letter.drafted_by))
        entry.details += [(_("to"), letter.to)] if letter.to else []
        yield entry


def messages(claim):
    """E-mails that carried a packet."""
    rows = claim.messages.filter(letter=None).select_related("actor", "packet").prefetch_related("bounces")
    for message in rows.order_by("pk"):
        said = {"number": message.packet.number if message.packet else "", "part": message.part, "parts": message.parts}
        words = _("Packet %(number)s e-mailed") % said
        if message.parts > 1:
            words = _("Packet %(number)s e-mailed, part %(part)s of %(parts)s") % said
        entry = Entry(local_day(claim, message.at), message.at, "mail", words, str(message.actor))
        entry.details.append((_("to"), message.to))
        entry.details += [(_("came back"), bounce.text[:200]) for bounce in message.bounces.all()]
        yield entry
