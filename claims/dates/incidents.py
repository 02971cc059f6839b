"""Leaks and smells that may have to be reported: whether they do, the site's plan and its trained people decide."""

from datetime import timedelta

from django.db.models import Q
from django.utils.translation import gettext as _

from claims import deadlines
from claims.calendars import Calendar
from claims.dates.entries import Entry
from claims.deadlines import Period
from claims.enums import Binds, Counting, Duty, Effect, Trigger
from receiving import clock, queries
from receiving.enums import HAZARDS
from receiving.models import Discrepancy, IncidentNote

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
# Nobody writes down here that a report was made: each stands for a while after its time, then it is history.
SHOWN_FOR = {Duty.HAZMAT_PHONE: timedelta(days=4), Duty.HAZMAT_REPORT: timedelta(days=45)}


def incidents(site, *, at):
    """What may have to be reported: of trailers with dangerous goods among what was logged, and whatever somebody has
    decided on. What does not have to be, by the latest decision, is not listed. Two queries."""
    since = at - max(SHOWN_FOR.values())
    notes = IncidentNote.objects.filter(arrival__site=site, kind__in=HAZARDS, at__gte=since, at__lte=at)
    notes = queries.with_ruling(notes).filter(Q(reportable=True) | Q(reportable=None))
    notes = list(notes.select_related("arrival__site", "arrival__carrier").order_by("at", "pk"))
    dangerous = Discrepancy.objects.filter(arrival__in={note.arrival_id for note in notes}, hazmat=True)
    dangerous = set(dangerous.values_list("arrival", flat=True))
    listed = [note for note in notes if note.reportable or note.arrival_id in dangerous]
    return [entry for note in listed for entry in reports(note, site, at)]


def reports(note, site, at):
    found = {Trigger.INCIDENT: note.at, Trigger.DISCOVERED: clock.site_day(note.at, site.time_zone)}
    who = ", ".join(part for part in (site.responsible_person, site.responsible_phone) if part)
    for due in deadlines.due([PHONE, REPORT], found, kinds=[], calendar=Calendar(), zone=site.time_zone):
        if at <= note.at + SHOWN_FOR[due.duty]:
            yield Entry(
                kind="incident",
                key=f"{due.duty}-{note.uuid}",
                head=str(due.duty.label),
                words=in_words(due, note, who),
                day=due.due,
                due=due,
                arrival=note.arrival,
                carrier=note.arrival.carrier,
                url=note.arrival.get_absolute_url(),
            )


def in_words(due, note, who):
    told = {"words": due.words, "trailer": note.arrival, "what": note.get_kind_display()}
    words = _(
        "%(trailer)s, %(what)s. %(words)s. Only if the incident has to be reported: that the site's plan and its "
        "trained people decide, not this list. If it does not have to be, write that down at the trailer."
    )
    if note.reportable:
        words = _("%(trailer)s, %(what)s. %(words)s. It was decided that the incident has to be reported.")
    asked = _("Ask %(who)s.") % {"who": who} if who else _("Nobody is named for the site: set it under Set up.")
    return f"{words % told} {asked}"
