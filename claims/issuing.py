"""Scorecards: issued, restated, sent. The only writer of Scorecard and CardMessage.

A card is gathered while the site's log stands still, drawn outside any transaction, then numbered, kept and told in one
short one. Whoever comes second is told, and nothing of theirs is kept.
"""

import uuid as uuids
from dataclasses import dataclass
from datetime import date

from django.db import transaction
from django.db.models import Max
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from claims import company, judging, mail, months
from claims.card import book as books
from claims.card import contents, kept, pdf, workbook
from claims.models import CardMessage, Scorecard
from claims.packet.contents import on_paper
from claims.packet.wording import day
from receiving import evidence, files
from receiving.documents.pdf import DocumentNotMade
from receiving.models import Carrier, Counter
from receiving.refusals import ChangedMeanwhile, Refused

COUNTER = "scorecard"
ATTEMPTS = 3
TOLD = (
    "carrier",
    "month",
    "number",
    "restates",
    "verdict",
    "content_sha256",
    *(f"{kind}{part}" for kind in ("pdf", "xlsx") for part in ("", "_sha256", "_size")),
    "log_seq",
    "log_head",
)
SENT = ("scorecard", "to", "subject", "message_id", "file", "sha256", "size")


class NumberTaken(Exception):
    """Another card of the site got the number that this one was drawn with."""


# --- issuing ----------------------------------------------------------------------------------------------------------


def issue(site, carrier, month: date, *, uuid, actor, at) -> Scorecard:
    """Issue the card of a carrier's month; the same `uuid` again gives the card there is. Call it outside any
    transaction: it takes a second or two.

    month -- its first day. Raises Refused where the month is not over, nothing came, or there is a card already.
    """
    if earlier := Scorecard.objects.filter(uuid=uuid).first():
        return earlier
    refuse_running(site, month, at)
    refuse_issued(site, carrier, month)
    return made(site, carrier, month, before=None, uuid=uuid, actor=actor, at=at)


def restate(card, *, uuid, actor, at) -> Scorecard:
    """Issue a card in the place of one whose figures are others now; it says what has changed, and the old one stays.

    Raises Refused where nothing has changed, ChangedMeanwhile where there is a later card already.
    """
    if earlier := Scorecard.objects.filter(uuid=uuid).first():
        return earlier
    refuse_superseded(card)
    return made(company.of(card.site), card.carrier, card.month, before=card, uuid=uuid, actor=actor, at=at)


def made(site, carrier, month, *, before, uuid, actor, at):
    for _attempt in range(ATTEMPTS):
        content = gathered(site, carrier, month, before=before, actor=actor, at=at)
        facts = drawn(content) | sealed(content)
        try:
            return written(site, carrier, month, before, facts, uuid=uuid, actor=actor, at=at)
        except NumberTaken:
            continue
    raise ChangedMeanwhile(_("Several cards are being issued at once. Try again in a moment."))


def gathered(site, carrier, month, *, before, actor, at):
    """The content of the card, while nobody can write to the logs: what it says is what their heads say."""
    with transaction.atomic():
        log = company.lock_heads(site)
        refresh(site)
        with on_paper(site):
            book = books.read(site, month, judging.frozen(before) if before else None)
            if before:
                refuse_unchanged(before, books.figures(book, carrier.pk))
            else:
                refuse_absent(book, carrier)
            return contents.contents(
                book, carrier, number=next_number(site), restates=before, log=log, actor=actor, at=at
            )


def refresh(site):
    for each in company.sites_of(site):
        months.refresh(each)


def next_number(site):
    if company.column(site) is None:
        # A counter belongs to a site; whoever is here holds the heads of all logs.
        return (Scorecard.objects.filter(series=0).aggregate(last=Max("number"))["last"] or 0) + 1
    given = Counter.objects.filter(site=site, name=COUNTER, year=0).values_list("value", flat=True).first()
    return (given or 0) + 1


def drawn(content):
    """The two files, on the disk before the row that speaks of them; columns of the card. The hashes of the printed
    pictures are in the content then."""
    try:
        made = {"pdf": pdf.card_pdf(content, kept.pictures(content)), "xlsx": workbook.workbook(content)}
    except DocumentNotMade as why:
        raise Refused(str(why), code="scorecard_not_made") from why
    found = {}
    for kind, data in made.items():
        digest = evidence.digest(data)
        found[kind] = files.keep(f"scorecards/{digest[:2]}/{digest}.{kind}", data)
        found[f"{kind}_sha256"], found[f"{kind}_size"] = digest, len(data)
    return found


def sealed(content):
    log = content["made"]["log"]
    return {
        "number": content["made"]["number"],
        "verdict": content["verdicts"][0]["verdict"],
        "content": content,
        "content_sha256": evidence.sha256(evidence.canonical(content)),
        "log_seq": log["seq"],
        "log_head": log["hash"],
    }


def written(site, carrier, month, before, facts, *, uuid, actor, at):
    row = company.column(site)
    with transaction.atomic():
        company.lock_heads(site)
        if before:
            refuse_superseded(before)
        else:
            refuse_issued(site, carrier, month)
        given = Counter.next(site, COUNTER) if row else next_number(site)
        if given != facts["number"]:
            raise NumberTaken
        which = {"site": row, "series": row.pk if row else 0, "carrier": carrier, "month": month}
        card = Scorecard(uuid=uuid, restates=before, actor=actor, at=at, **which, **facts)
        card.save(force_insert=True)
        verb = "scorecard.restated" if before else "scorecard.issued"
        company.tell(site, verb=verb, record=card, actor=actor, at=at, after=evidence.facts(card, TOLD))
    return card


def remake(card) -> dict[str, bytes]:
    """{"pdf": ..., "xlsx": ...} made again from the frozen content alone: the same bytes. Nothing is written."""
    return {"pdf": pdf.card_pdf(card.content, kept.pictures(card.content)), "xlsx": workbook.workbook(card.content)}


# --- refusals ---------------------------------------------------------------------------------------------------------


def refuse_running(site, month, at):
    """A card is of a whole month: it is never issued while the month runs at the site."""
    if not company.months_over(site, month, at):
        where = site.code if company.column(site) else _("every site")
        raise Refused(
            _("%(month)s is not over at %(site)s. Its cards can be issued from %(day)s on.")
            % {"month": date_format(month, "F Y"), "site": where, "day": day(contents.first_day_after(month))},
            code="month_running",
            field="month",
        )


def refuse_issued(site, carrier, month):
    if card := standing(site, month).filter(carrier=carrier).first():
        raise ChangedMeanwhile(
            _("%(card)s of %(carrier)s for %(month)s is issued already. If its figures have changed, restate it.")
            % {"card": card, "carrier": carrier, "month": date_format(month, "F Y")}
        )


def refuse_superseded(card):
    if later := Scorecard.objects.filter(restates=card).first():
        raise ChangedMeanwhile(
            _("%(later)s has taken the place of %(card)s. Look at that one first.") % {"later": later, "card": card}
        )


def refuse_absent(book, carrier):
    if carrier.pk not in book.carriers():
        where = book.site.code if company.column(book.site) else _("any site")
        raise Refused(
            _("%(carrier)s brought no trailer to %(site)s in %(month)s, so there is nothing to put on a card.")
            % {"carrier": carrier, "site": where, "month": date_format(book.month, "F Y")},
            code="carrier_absent",
            field="carrier",
        )


def refuse_unchanged_now(card):
    """`refuse_unchanged` by the figures as they are now."""
    if not any(each["own"] for each in changes_since(card)):
        raise unchanged(card)


def refuse_unchanged(card, figures):
    if not books.differs(card.content["figures"], figures):
        raise unchanged(card)


def unchanged(card):
    return Refused(
        _("Nothing has changed since %(card)s was issued, so there is nothing to restate.") % {"card": card},
        code="scorecard_unchanged",
    )


# --- what there is ----------------------------------------------------------------------------------------------------


def standing(site, month):
    """The cards of a month that no later one has taken the place of."""
    return Scorecard.objects.filter(site=company.column(site), month=month, restated_by=None).select_related(
        "site", "carrier"
    )


@dataclass(frozen=True)
class State:
    """A carrier with trailers in the month, or with a card of it. `changes` -- the figures that are others now."""

    carrier: Carrier
    trailers: int
    card: Scorecard | None
    changes: tuple

    @property
    def differs(self):
        return any(each["own"] for each in self.changes)

    @property
    def is_due(self):
        """There is no card yet, or one that is to be restated."""
        return self.card is None or self.differs


def states(site, month) -> list[State]:
    """Every carrier's state in a month, by name; a fixed number of queries for each set of rules that its cards were
    issued under. The sums are brought up to date first."""
    refresh(site)
    with on_paper(site):
        cards = {card.carrier_id: card for card in standing(site, month)}
        shelf = {}

        def book(card):
            settings = judging.frozen(card) if card else judging.settings(site)
            if settings not in shelf:
                shelf[settings] = books.read(site, month, settings)
            return shelf[settings]

        carriers = Carrier.objects.filter(pk__in=book(None).carriers() | set(cards)).order_by("name", "pk")
        return [state(book(cards.get(carrier.pk)), carrier, cards.get(carrier.pk)) for carrier in carriers]


def state(book, carrier, card):
    changes = books.changes(card.content["figures"], books.figures(book, carrier.pk)) if card else []
    return State(carrier, book.beside(books.MONTH, carrier.pk).trailers, card, tuple(changes))


def changes_since(card) -> list[dict]:
    """What is another now than on this card: {words, was, now, own} by figure."""
    site = company.of(card.site)
    refresh(site)
    with on_paper(site):
        book = books.read(site, card.month, judging.frozen(card))
        return books.changes(card.content["figures"], books.figures(book, card.carrier_id))


# --- all of a month ---------------------------------------------------------------------------------------------------


def issue_all(site, month, carriers, *, uuid, actor, at, progress):
    """Issue or restate the cards of these carriers, one after another, each kept as soon as it is made; gives them.

    Begun again with the same `uuid` it goes on where it stopped. A carrier whose card stands as it is, is left out.
    progress -- called as `progress(done, total, words)`
    """
    refuse_running(site, month, at)
    known = {state.carrier.pk: state for state in states(site, month)}
    found = []
    for place, key in enumerate(carriers):
        progress(place, len(carriers), _("cards"))
        own = uuids.uuid5(uuid, str(key))
        try:
            card = one_of_all(site, month, key, known.get(key), uuid=own, actor=actor, at=at)
        except Refused as why:
            raise stopped_at(key, found, why) from why
        found += [card] if card else []
    progress(len(carriers), len(carriers), _("cards"))
    return found


def stopped_at(key, found, why):
    told = {"carrier": Carrier.objects.get(pk=key), "why": why.message, "n": len(found)}
    words = _("%(carrier)s: %(why)s Cards issued before it: %(n)s; they stand. Ask again for the rest.")
    return Refused(words % told, code=why.code)


def one_of_all(site, month, key, known, *, uuid, actor, at):
    if earlier := Scorecard.objects.filter(uuid=uuid).select_related("site", "carrier").first():
        return earlier
    try:
        if known and known.card:
            return restate(known.card, uuid=uuid, actor=actor, at=at) if known.differs else None
        return issue(site, Carrier.objects.get(pk=key), month, uuid=uuid, actor=actor, at=at)
    except ChangedMeanwhile:
        return None


# --- sending ----------------------------------------------------------------------------------------------------------


def send(card, *, to, subject, body, uuid, actor, at) -> CardMessage:
    """Send the card's PDF by e-mail and keep the message as it left; the same `uuid` again sends nothing and gives it.

    Not inside a transaction of the caller: a mail server may take its time. Raises Refused.
    """
    to, subject = mail.addresses(to), mail.one_line(subject)
    if earlier := CardMessage.objects.filter(uuid=uuid).first():
        if (earlier.scorecard_id, earlier.to) != (card.pk, ", ".join(to)[:254]):
            raise mail.number_taken()
        return earlier
    if not subject:
        raise Refused(_("Write a subject."), code="subject_missing", field="subject")
    attached = mail.Attached(kept.name_of(card, "pdf"), kept.TYPES["pdf"], kept.read(card, "pdf"))
    message, raw = mail.composed(to, subject, body, [attached], uuid=uuid, actor=actor)
    digest = evidence.digest(raw)
    name = files.keep(f"mail/{digest[:2]}/{digest}.eml", raw)
    mail.hand_over(message, to, 1, 1)
    row = CardMessage(
        uuid=uuid,
        scorecard=card,
        to=", ".join(to)[:254],
        subject=subject,
        message_id=message.extra_headers["Message-ID"],
        file=name,
        sha256=digest,
        size=len(raw),
        actor=actor,
        at=at,
    )
    with transaction.atomic():
        row.save(force_insert=True)
        company.lock_heads(company.of(card.site))
        company.tell(
            company.of(card.site),
            verb="scorecard.mailed",
            record=row,
            actor=actor,
            at=at,
            after=evidence.facts(row, SENT),
        )
    return row
