"""What was agreed with a carrier, what came of it, and what its rate did since. The only writer of ReviewNote.

A note is never changed: a second one closes it. What the rate did is told as two rates with their ranges and no
verdict: a carrier is talked to after a bad time, and after a bad time figures get better by themselves.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.db import transaction
from django.utils.translation import gettext as _

from claims import company, periods
from claims.models import ReviewNote
from claims.packet.wording import day
from claims.periods import Choice, Period
from claims.scorecard.compare import DEFAULTS, Standing
from receiving import clock, evidence
from receiving.refusals import ChangedMeanwhile, Refused

TOLD = ("carrier", "scorecard", "on", "text", "agreed_with", "by_when", "who", "closes")


# --- writing ----------------------------------------------------------------------------------------------------------


def agree(
    site,
    carrier,
    *,
    on: date,
    text,
    agreed_with="",
    by_when: date | None = None,
    who="",
    scorecard=None,
    uuid,
    actor,
    at,
) -> ReviewNote:
    """Write down what was agreed with a carrier in a talk.

    on -- the day of the talk; agreed_with -- who spoke for the carrier; who -- who sees to it; scorecard -- the card
    that was talked about, or None. Raises Refused.
    """
    refuse_day_to_come(site, on, at)
    if by_when and by_when < on:
        raise Refused(
            _("%(by_when)s is before the day of the talk, %(on)s. Write a later day or leave it empty.")
            % {"by_when": day(by_when), "on": day(on)},
            code="by_when_before_talk",
            field="by_when",
        )
    row = company.column(site)
    if scorecard and (scorecard.site, scorecard.carrier_id) != (row, carrier.pk):
        raise Refused(
            _("%(card)s is not a card of %(carrier)s at %(site)s. Choose one of its own, or none.")
            % {"card": scorecard, "carrier": carrier, "site": site.code},
            code="card_of_another",
            field="scorecard",
        )
    facts = {"agreed_with": agreed_with.strip(), "by_when": by_when, "who": who.strip(), "scorecard": scorecard}
    note = ReviewNote(site=row, carrier=carrier, on=on, text=worded(text), **facts, uuid=uuid, actor=actor, at=at)
    return written(note, "review.agreed")


def close(note, *, on: date, text, uuid, actor, at) -> ReviewNote:
    """Write down what came of it, and so close it. Raises Refused, ChangedMeanwhile where somebody has closed it."""
    site = company.of(note.site)
    refuse_day_to_come(site, on, at)
    if on < note.on:
        raise Refused(
            _("%(on)s is before the day of the talk, %(talk)s. Write the day on which it was settled.")
            % {"on": day(on), "talk": day(note.on)},
            code="closed_before_talk",
            field="on",
        )
    row = ReviewNote(
        site=note.site, carrier=note.carrier, closes=note, on=on, text=worded(text), uuid=uuid, actor=actor, at=at
    )
    return written(row, "review.closed")


def written(row, verb):
    site = company.of(row.site)
    with transaction.atomic():
        # From here on nobody else writes to these logs, so nobody else can close the note meanwhile.
        company.lock_heads(site)
        if row.closes:
            refuse_closed(row.closes)
        row.save(force_insert=True)
        company.tell(site, verb=verb, record=row, actor=row.actor, at=row.at, after=evidence.facts(row, TOLD))
    return row


def worded(text):
    """What was written, or the refusal of nothing."""
    if text := text.strip():
        return text
    raise Refused(_("Write what was agreed, or what came of it."), code="text_missing", field="text")


def refuse_day_to_come(site, on, at):
    today = clock.site_day(at, site.time_zone)
    if on > today:
        raise Refused(
            _("%(on)s is still to come at %(site)s. Write the day on which it happened.")
            % {"on": day(on), "site": site.code},
            code="day_to_come",
            field="on",
        )


def refuse_closed(note):
    if note.closes_id:
        raise Refused(
            _("This says what came of something; there is nothing to close. Close what was agreed."),
            code="nothing_to_close",
        )
    if later := ReviewNote.objects.filter(closes=note).select_related("actor").first():
        raise ChangedMeanwhile(
            _("%(person)s has closed this already, on %(on)s: %(text)s")
            % {"person": later.actor, "on": day(later.on), "text": later.text}
        )


# --- reading ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Agreed:
    """A note with the one that closed it, or None, and the carrier's standing in the months before and since.

    before -- twelve months up to the one before the talk; since -- months after the talk's, None while there is none
    """

    note: ReviewNote
    closed: ReviewNote | None
    before_months: Period
    since_months: Period | None
    before: Standing | None
    since: Standing | None

    def late(self, today: date) -> bool:
        return bool(not self.closed and self.note.by_when and self.note.by_when < today)


def notes(site, carrier):
    """What was agreed with this carrier at this site, the last talk first; of all sites also what was at each."""
    rows = ReviewNote.objects.filter(carrier=carrier, closes=None)
    rows = rows if company.column(site) is None else rows.filter(site=site)
    return rows.select_related("actor", "site", "scorecard__site", "closed_by__actor").order_by("-on", "-pk")


def agreed(choice: Choice, carrier, found: Iterable[ReviewNote], settings=DEFAULTS) -> list[Agreed]:
    """These notes with what the rate did: two queries. choice -- sites, kind and freight that the rate is of, and with
    its last month up to when."""
    found = list(found)
    spans = {note.pk: (before(note.on), since(note.on, choice.period.last)) for note in found}
    wanted = {span for pair in spans.values() for span in pair if span}
    compared = periods.comparisons(choice, wanted, settings)

    def standing(span):
        rows = compared[span].standings if span else ()
        return next((each for each in rows if each.key == carrier.pk), None)

    return [
        Agreed(note, getattr(note, "closed_by", None), *spans[note.pk], *map(standing, spans[note.pk]))
        for note in found
    ]


def before(on: date) -> Period:
    return Period.rolling(periods.month_back(on.replace(day=1), 1))


def since(on: date, last: date) -> Period | None:
    first = periods.month_back(on.replace(day=1), -1)
    return Period(first, last) if first <= last else None


def bare(note) -> Agreed:
    """A note at a site that has released no trailer yet, so there are no rates."""
    return Agreed(note, getattr(note, "closed_by", None), before(note.on), None, None, None)
