"""Everything that is due on a claim: what its terms ask, and what waits for somebody without a date of law."""

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from claims import queries
from claims.dates.amended import UNMADE, UNSENT
from claims.dates.entries import Entry, sort
from claims.dates.known import gather
from claims.dates.running import SETTLED, running
from claims.enums import FactKind, Stage, Standing
from claims.models import Claim
from claims.valuation.words import money
from receiving import clock

WITH = (
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
)


def of_claim(claim, *, at) -> list[Entry]:
    """Every date that runs for this claim, the most urgent first."""
    return of_claims(Claim.objects.filter(pk=claim.pk), at=at)


def of_claims(rows, *, at) -> list[Entry]:
    """Every date that runs for these claims (a queryset), in a fixed number of queries, the most urgent first."""
    rows = list(rows.select_related(*WITH).prefetch_related("terms__periods"))
    return sort(entry for known in gather(rows, at=at) for entry in of_known(known, at=at)) if rows else []


def of_known(known, *, at):
    today = clock.site_day(at, known.claim.site.time_zone)
    if known.claim.stage == Stage.WITHDRAWN:
        return
    yield from turned_up(queries.turned_up_of(known.lines), today)
    if known.claim.stage == Stage.CLOSED:
        return
    if known.held is not None:
        yield from legal(known, today)
    elif known.claim.stage == Stage.DRAFT or not known.claim.is_handover:
        yield without_terms(known)
    yield from offers(known)
    yield from waiting(known, today)


def entry(claim, kind, key, head, words, day, **more):
    given = {"claim": claim, "carrier": claim.carrier, "who": claim.opened_by, "url": claim.get_absolute_url()}
    return Entry(kind=kind, key=key, head=head, words=words, day=day, **(given | more))


def without_terms(known):
    words = _("No date: needs terms. Nobody has said which terms hold for this claim, so no date can be counted.")
    return entry(known.claim, "terms", "terms", _("choose the terms"), words, None)


def legal(known, today):
    """The periods of the terms that still run, each date with the lines it is for."""
    everything = len(known.lines)
    for key, each in running(known, today):
        lines = tuple(sorted(line.position for line in each.lines)) if len(each.lines) < everything else ()
        due = each.due
        told = {"binds": due.binds, "due": due, "lines": lines}
        yield entry(known.claim, "deadline", key, str(due.duty.label), in_words(known, each), due.due, **told)


def in_words(known, each):
    if each.guessed:
        return _(
            "%(words)s. Counted from the day it was filed: nobody has written down yet when the carrier says it "
            "received it."
        ) % {"words": each.due.words}
    if known.claim.is_handover:
        return _("For whoever claims, so hand it over in time: %(words)s") % {"words": each.due.words}
    return each.due.words


def offers(known):
    """The offer that can still be taken."""
    if known.reading.standing != Standing.OFFER_OPEN:
        return
    offer = known.reading.offer
    told = {"amount": in_money(offer.amount, known.claim)}
    if offer.until:
        words = _("Accept or decline the offer of %(amount)s; it is open until %(date)s.")
        told["date"] = shown(offer.until)
    else:
        words = _("No date: needs until when the offer of %(amount)s is open. Ask, and accept or decline it.")
    key = f"offer-{offer.key}"
    yield entry(known.claim, "offer", key, _("answer the offer"), words % told, offer.until, amount=offer.amount)


def waiting(known, today):
    """What waits without a date of law, so it stands under today: a refund, papers, letters, what came back."""
    claim = known.claim
    if known.reading.standing == Standing.OVERPAID:
        due = known.reading.money.refund_due
        words = _("More came in than the claim is worth: return %(amount)s to the carrier.")
        words %= {"amount": in_money(due, claim)}
        yield entry(claim, "refund", "refund", _("return money"), words, today, amount=due)
    for fact in known.papers:
        words = _("The carrier asked for papers on %(date)s: %(what)s")
        words %= {"date": shown(fact.on), "what": fact.note}
        yield entry(claim, "papers", str(fact.uuid), _("send the papers"), words, fact.until or today)
    for letter in known.waiting:
        words = _("Letter %(number)s is drafted and not sent: %(kind)s.")
        words %= {"number": letter.number, "kind": letter.get_kind_display()}
        yield entry(claim, "letter", str(letter.uuid), _("send the letter"), words, today)
    if known.is_undelivered:
        words = _("The e-mail with the packet came back, so the claim may not be filed at all. Send it another way.")
        yield entry(claim, "bounced", "bounced", _("send it another way"), words, today)

    if known.is_filed and known.behind and known.reading.standing not in SETTLED:
        yield amended_packet(known, today)


def amended_packet(known, today):
    """The carrier still holds the claim as it was before it was amended."""
    words = {
        UNMADE: _(
            "The claim was amended on %(date)s and its new packet is not made. Make it and send it with a letter of "
            "amendment: the carrier still holds the old amounts."
        ),
        UNSENT: _(
            "The claim was amended on %(date)s and its new packet has not gone. Send it by e-mail, or with a letter of "
            "amendment that goes on paper and is marked as sent."
        ),
    }
    fact = known.live(FactKind.AMENDED)[-1]
    told = words[known.behind] % {"date": shown(fact.on)}
    return entry(known.claim, "amended", f"amended-{fact.key}", _("send the amended packet"), told, today)


def turned_up(found, today):
    """Cartons that were claimed and are here after all, or fewer of them lost: amend, withdraw, or return money."""
    words = {
        Stage.DRAFT: _("%(piece)s is %(state)s: take its line off the draft or correct it, %(amount)s less."),
        Stage.FILED: _(
            "%(piece)s is %(state)s: amend the claim by %(amount)s, or withdraw it; return what was paid for it."
        ),
        Stage.CLOSED: _("%(piece)s is %(state)s after the claim was closed: return %(amount)s."),
    }
    for each in found:
        claim, piece = each.claim, each.piece
        state = _("short by %(left)s now") % {"left": each.left} if each.left else piece.get_state_display()
        amount = _("an amount nobody has worked out") if each.amount is None else in_money(each.amount, claim)
        told = words[claim.stage] % {"piece": piece, "state": state, "amount": amount}
        head, lines = _("amend, withdraw or refund"), (each.line.position,)
        yield entry(claim, "turned_up", str(each.line.uuid), head, told, today, amount=each.amount, lines=lines)


def in_money(amount, claim):
    return f"{claim.currency} {money(amount, claim.currency)}"


def shown(day):
    return date_format(day, "D j M Y")
