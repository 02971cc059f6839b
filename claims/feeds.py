"""A site's dates as a calendar that calendar programs fetch, at an address that is a secret.

The address holds 32 random bytes, of which only the hash is kept: who loses it makes a new one. Whoever has it reads
the dates, so each fetch asks again whether its person may still see them. The only module that names `icalendar`.
"""

import hashlib
import secrets
from datetime import timedelta

from django.db import IntegrityError, transaction
from django.utils import translation
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from icalendar import Alarm, Calendar, Event

from claims import dates
from claims.models import FeedKey
from receiving import clock, evidence, rules
from receiving.refusals import ChangedMeanwhile

NINE = timedelta(hours=9)
# Before the day: for what we have to do by law, for what waits, for what the carrier owes.
AHEAD = {"law": (14, 3), "ours": (1,), "carrier": (0,)}


# --- the secret -------------------------------------------------------------------------------------------------------


def digest(token):
    return hashlib.sha256(token.encode()).hexdigest()


def current(person, site) -> FeedKey | None:
    """The address that this person has for this site."""
    return FeedKey.objects.filter(person=person, site=site, revoked_at=None).first()


def make(person, site, *, uuid, at) -> str:
    """A new secret, told this once; the one before ends. Raises ChangedMeanwhile where the person makes two at once."""
    token = secrets.token_urlsafe(32)
    try:
        with transaction.atomic():
            end(person, site, at=at)
            key = FeedKey(uuid=uuid, person=person, site=site, token_hash=digest(token), made_at=at)
            key.save(force_insert=True)
            evidence.append(site=site, verb="feed.made", record=key, actor=person, at=at, after={"person": str(person)})
    except IntegrityError as error:
        raise ChangedMeanwhile(
            _("An address was made from this page already. Reload the page and make another if you have lost it.")
        ) from error
    return token


def revoke(person, site, *, at):
    """End the person's address; nothing happens where there is none."""
    with transaction.atomic():
        end(person, site, at=at)


def end(person, site, *, at):
    key = current(person, site)
    if key and FeedKey.objects.filter(pk=key.pk, revoked_at=None).update(revoked_at=at):
        told = {"before": {"revoked_at": None}, "after": {"revoked_at": at}}
        evidence.append(site=site, verb="feed.revoked", record=key, actor=person, at=at, **told)


def find(token) -> FeedKey | None:
    """Whose feed this is; None where it is unknown or revoked, or the person may not see the site's claims any more."""
    keys = FeedKey.objects.filter(token_hash=digest(token), revoked_at=None, person__is_active=True)
    key = keys.select_related("person", "site").first()
    return key if key and rules.SEE_CLAIMS in rules.may(key.person, key.site) else None


# --- the calendar -----------------------------------------------------------------------------------------------------


def calendar(key, *, at, absolute) -> bytes:
    """The dates of the site as an iCalendar file, in the person's language.

    absolute -- from a path to a whole address
    """
    now = clock.local(at, key.site.time_zone)
    with translation.override(key.person.language):
        entries = dates.of_site(key.site, at=at)
        found = Calendar()
        found.add("prodid", "-//receiving//due//EN")
        found.add("version", "2.0")
        found.add("method", "PUBLISH")
        found.add("x-wr-calname", _("Due at %(site)s") % {"site": key.site.code})
        found.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})
        for entry in entries:
            if entry.is_known:
                found.add_component(event(entry, now, absolute))
        if unknown := [entry for entry in entries if not entry.is_known]:
            found.add_component(reminder(key.site, unknown, now, absolute))
        return found.to_ical()


def event(entry, now, absolute):
    """One date as an event of a whole day."""
    whose = "" if entry.is_ours else _("The carrier's date. ")
    about = f": {entry.about}" if entry.about else ""
    words = f"{whose}{entry.sentence}"
    made = whole_day(entry.uid, entry.date, f"{entry.head}{about}", words, absolute(entry.url), now)
    if not entry.is_overdue(now):
        for days in ahead(entry):
            made.add_component(alarm(entry, days))
    return made


def reminder(site, unknown, now, absolute):
    """Dates that nobody knows stand under today: a calendar without them would look safe."""
    count = ngettext("%(count)s thing without a date", "%(count)s things without a date", len(unknown))
    words = "\n".join(f"{entry.about or entry.head}: {entry.sentence}" for entry in unknown)
    address = absolute(f"/{site.code}/due/?when=unknown")
    return whole_day(f"unknown-{site.code}", now.date(), count % {"count": len(unknown)}, words, address, now)


def whole_day(uid, day, summary, words, url, now):
    made = Event()
    made.add("uid", f"{hashlib.sha256(uid.encode()).hexdigest()[:40]}@due")
    made.add("dtstamp", now)
    made.add("dtstart", day)
    made.add("dtend", day + timedelta(days=1))
    made.add("summary", tidy(summary))
    made.add("description", tidy(words))
    made.add("url", url)
    made.add("transp", "TRANSPARENT")
    return made


def tidy(text):
    """Text as a calendar may hold it: of control characters only line ends and tabs."""
    return "".join(sign if sign.isprintable() or sign in "\n\t" else " " for sign in text)


def ahead(entry):
    if not entry.is_ours:
        return AHEAD["carrier"]
    return AHEAD["law" if entry.due else "ours"]


def alarm(entry, days):
    """At nine in the morning, so many days before."""
    made = Alarm()
    made.add("action", "DISPLAY")
    made.add("description", tidy(entry.head))
    made.add("trigger", NINE - timedelta(days=days))
    return made
