"""The morning e-mail of what is late, due this week or without a date: once a day to each clerk and manager of a site.

A `Digest` row is written before its e-mail goes, so of two runs at once only one sends; it is taken back where the mail
server refuses, so that the next run tries again.
"""

from dataclasses import dataclass

from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.db import IntegrityError, transaction
from django.db.models import Q
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from claims import dates
from claims.dates import words
from claims.models import Digest
from receiving import clock
from receiving.enums import Role
from receiving.models import Membership, Person

ROLES = (Role.CLERK, Role.MANAGER)
PARTS = ("unknown", "late", "week")


@dataclass(frozen=True)
class Outcome:
    """What became of one person's e-mail: `sent`, `would send`, `sent before`, `nothing due` or `failed`."""

    person: Person
    what: str
    why: str = ""


def readers(site):
    """Clerks and managers of the site, those of all sites too, who can sign in and have an address."""
    members = Membership.objects.filter(Q(site=site) | Q(site=None), role__in=ROLES).values("person")
    people = Person.objects.filter(pk__in=members, is_active=True).exclude(email="")
    return people.order_by("username")


def send(site, *, at, dry_run=False):
    """An Outcome for each reader. Call it outside any transaction: a mail server may take its time.

    at -- the moment the dates are looked at; the site's day of it is the day of the e-mail
    """
    now, told = clock.local(at, site.time_zone), {}
    for person in readers(site):
        with translation.override(person.language), timezone.override(now.tzinfo):
            if person.language not in told:
                told[person.language] = parts(site, now)
            outcome = send_one(site, person, told[person.language], now, dry_run)
        yield outcome


def parts(site, now):
    """{part: [(Entry, how long there is)]} of what the e-mail tells."""
    found = {part: [] for part in PARTS}
    for entry in dates.of_site(site, at=now):
        if (part := words.when(entry, now)) in found:
            found[part].append((entry, words.left(entry, now)))
    return found


def send_one(site, person, found, now, dry_run):
    if not any(found.values()):
        return Outcome(person, "nothing due")
    told = Digest.objects.filter(person=person, site=site, day=now.date())
    if told.exists():
        return Outcome(person, "sent before")
    if dry_run:
        return Outcome(person, "would send")
    try:
        with transaction.atomic():
            row = Digest.objects.create(person=person, site=site, day=now.date(), made_at=now)
    except IntegrityError:
        return Outcome(person, "sent before")
    try:
        message(site, person, found, now).send()
    except OSError as error:
        row.delete()
        return Outcome(person, "failed", str(error))
    return Outcome(person, "sent")


def message(site, person, found, now):
    """The e-mail, as text and as HTML, in the language that is on."""
    context = {
        "site": site,
        "person": person,
        "day": now.date(),
        "parts": [(TITLES[part](), found[part]) for part in PARTS if found[part]],
        "url": absolute(reverse("due", args=[site.code])),
        "base": settings.PUBLIC_URL,
    }
    made = EmailMultiAlternatives(subject(site, found), render_to_string("claims/due_mail.txt", context))
    made.to = [person.email]
    made.attach_alternative(render_to_string("claims/due_mail.html", context), "text/html")
    return made


TITLES = {
    "unknown": lambda: _("No date: it may be too late already"),
    "late": lambda: _("Late"),
    "week": lambda: _("Today and within 7 days"),
}


def subject(site, found):
    """`NOR: 2 late, 1 within 7 days, 3 without a date`; nothing in it was typed by anybody."""
    late, week, unknown = (len(found[part]) for part in ("late", "week", "unknown"))
    said = [
        late and ngettext("%(count)s late", "%(count)s late", late) % {"count": late},
        week and ngettext("%(count)s within 7 days", "%(count)s within 7 days", week) % {"count": week},
        unknown and ngettext("%(count)s without a date", "%(count)s without a date", unknown) % {"count": unknown},
    ]
    return f"{site.code}: {', '.join(each for each in said if each)}"


def absolute(path):
    """The path behind the address people use, or nothing where that is not set."""
    return f"{settings.PUBLIC_URL}{path}" if settings.PUBLIC_URL else ""
