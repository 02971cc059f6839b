"""The phones people work with: what each says of itself, and whether all that was made at a trailer has arrived.

The only writer of Phone and PhoneTrailer. A phone names itself by a UUID of its own; for the server there is one
Phone for each person that works with it at a site, so that nobody can answer for what somebody else keeps on it.
"""

import json
import uuid as uuids
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from django.db import IntegrityError, transaction
from django.db.models import F, Q
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from receiving import evidence
from receiving.models import Arrival, Counter, Phone, PhoneTrailer, Submission
from receiving.refusals import Refused

# A clock that is wrong by no more than this is as good as the network between us.
BELIEVED = timedelta(minutes=2)
MOST_TRAILERS = 500
MOST_DISCARDED = 200
MOST_WAITING = 1_000_000
YEARS = range(2000, 2101)


@dataclass(frozen=True)
class Device:
    """What came along with one record: from which phone, when it was made, and how wrong that phone's clock is.

    skew -- how far the phone's clock is ahead of ours (negative: behind), zero where it is near enough
    said -- when the record was made, as the phone said it; `made_at` is the same by our clock, never in the future
    author -- who made it, where somebody else hands it in
    """

    now: datetime = field(default_factory=timezone.now)
    phone: uuids.UUID | None = None
    skew: timedelta = timedelta()
    said: datetime | None = None
    author: str = ""

    def true(self, moment):
        """A moment by the phone's clock as it is by ours; never in the future. None stays None."""
        return moment and min(moment - self.skew, self.now)

    @property
    def made_at(self):
        return self.true(self.said)

    def told(self):
        """What the event of the record says of it; None where no phone named itself."""
        if self.phone is None:
            return None
        told = {"device": str(self.phone)}
        if self.said:
            told |= {"made_at": self.made_at, "device_said": self.said}
        if self.skew:
            told["clock_ahead_seconds"] = round(self.skew.total_seconds())
        return told | ({"author": self.author} if self.author else {})


def device_of(headers, *, now=None):
    """The Device that a request's headers tell of; what reads badly counts as not said."""
    now = now or timezone.now()
    return Device(
        now=now,
        phone=read_uuid(headers.get("X-Phone", "")),
        skew=skew_of(read_moment(headers.get("X-Device-Now", "")), now),
        said=read_moment(headers.get("X-Made-At", "")),
    )


def read_uuid(text):
    try:
        return uuids.UUID(text)
    except ValueError:
        return None


def read_moment(text):
    """A moment with its zone, between the years 2000 and 2100; else None."""
    try:
        found = parse_datetime(text or "")
    except ValueError:
        return None
    if found is None or found.tzinfo is None or found.year not in YEARS:
        return None
    return found.astimezone(UTC)


def skew_of(device_now, now):
    if device_now is None or abs(device_now - now) <= BELIEVED:
        return timedelta()
    return device_now - now


# --- hearing of a phone -----------------------------------------------------------------------------------------------


def hear(site, person, uuid, *, at, skew=timedelta(), name=None, oldest=None, reports=False):
    """The Phone with this UUID that `person` works with here; it is written down that it was heard of `at`.

    name, oldest -- only where it reports: what it calls itself, and since when its oldest unsent record waits
    """
    seen = {"last_seen": at, "skew": round(skew.total_seconds())}
    if reports:
        seen |= {"name": name or "", "oldest": oldest}
    mine = Phone.objects.filter(site=site, person=person, uuid=uuid)
    if not mine.update(**seen):
        try:
            with transaction.atomic():
                Phone.objects.create(
                    site=site, person=person, uuid=uuid, number=number_of(site, uuid), first_seen=at, **seen
                )
        except IntegrityError:
            mine.update(**seen)
    return mine.get()


def number_of(site, uuid):
    """The number people know the device by: the same for everybody at the site who works with it."""
    known = Phone.objects.filter(site=site, uuid=uuid).values_list("number", flat=True).first()
    return known or Counter.next(site, "phone")


def worked(site, person, device, *, trailer):
    """A record of this device for the trailer with this number was stored."""
    arrival = Arrival.objects.filter(site=site, number=trailer).only("pk").first()
    if arrival is None:
        return
    phone = hear(site, person, device.phone, at=device.now, skew=device.skew)
    at_trailer(phone, [arrival.pk], at=device.now)
    PhoneTrailer.objects.filter(phone=phone, arrival=arrival).update(worked_at=device.now)


def at_trailer(phone, arrivals, *, at):
    """Rows for the trailers that this phone was not known to have worked on."""
    PhoneTrailer.objects.bulk_create(
        [PhoneTrailer(phone=phone, arrival_id=pk, worked_at=at) for pk in arrivals], ignore_conflicts=True
    )


@dataclass(frozen=True)
class Report:
    """What a phone says it keeps. waiting, refused -- {trailer number: records}; worked -- trailer numbers."""

    phone: uuids.UUID
    name: str
    waiting: dict
    refused: dict
    worked: list
    oldest: datetime | None
    clock: datetime | None
    discarded: list


def read_report(text):
    """A Report from its JSON; raises Refused naming the key that is wrong."""
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        raise bad_report("report")
    phone = read_uuid(told.get("phone")) if isinstance(told.get("phone"), str) else None
    if phone is None:
        raise bad_report("phone")
    name = given(told, "name", "")
    if not isinstance(name, str):
        raise bad_report("name")
    worked = given(told, "worked", [])
    if not isinstance(worked, list) or len(worked) > MOST_TRAILERS or not all(map(is_number, worked)):
        raise bad_report("worked")
    return Report(
        phone=phone,
        name=printable(name)[:60],
        waiting=counts(told, "waiting"),
        refused=counts(told, "refused"),
        worked=[int(number) for number in worked],
        oldest=moment_in(told, "oldest"),
        clock=moment_in(told, "clock"),
        discarded=discards(told),
    )


def given(told, key, otherwise):
    return otherwise if told.get(key) is None else told[key]


def bad_report(key):
    return Refused(
        _("The phone's report cannot be read: “%(key)s” is not as it should be. Reload the page.") % {"key": key},
        code="bad_report",
        field=key,
    )


def printable(text):
    return " ".join("".join(character if character.isprintable() else " " for character in text).split())


def is_number(value):
    return isinstance(value, (int, str)) and str(value).isascii() and str(value).isdigit() and int(value) < 2**31


def counts(told, key):
    kept = given(told, key, {})
    if not isinstance(kept, dict) or len(kept) > MOST_TRAILERS:
        raise bad_report(key)
    for number, count in kept.items():
        # What belongs to no trailer stands under an empty number.
        if not (number == "" or is_number(number)) or type(count) is not int or not 0 <= count <= MOST_WAITING:
            raise bad_report(key)
    return {int(number): count for number, count in kept.items() if number}


def moment_in(told, key):
    if told.get(key) is None:
        return None
    found = read_moment(told[key]) if isinstance(told[key], str) else None
    if found is None:
        raise bad_report(key)
    return found


def discards(told):
    """[(uuid or None, title, reason, made_at or None, trailer or None)] that were thrown away on the phone."""
    rows = given(told, "discarded", [])
    if not isinstance(rows, list) or len(rows) > MOST_DISCARDED:
        raise bad_report("discarded")
    for row in rows:
        if not isinstance(row, dict) or not all(isinstance(row.get(name, ""), str) for name in ("title", "reason")):
            raise bad_report("discarded")
    return [
        {
            "uuid": read_uuid(str(row.get("uuid"))),
            "title": printable(row.get("title", ""))[:200],
            "reason": printable(row.get("reason", ""))[:300],
            "made_at": read_moment(str(row.get("made_at"))),
            "trailer": int(row["trailer"]) if is_number(row.get("trailer")) else None,
        }
        for row in rows
    ]


def report(site, person, told, *, at):
    """Take a phone's report: for each trailer it worked on, what it still keeps. Gives the Phone."""
    skew = skew_of(told.clock, at)
    with transaction.atomic():
        phone = hear(
            site,
            person,
            told.phone,
            at=at,
            skew=skew,
            name=told.name,
            oldest=told.oldest and min(told.oldest - skew, at),
            reports=True,
        )
        named = {*told.worked, *told.waiting, *told.refused}
        numbers = dict(Arrival.objects.filter(site=site, number__in=named).values_list("number", "pk"))
        at_trailer(phone, numbers.values(), at=at)
        phone.trailers.update(reported_at=at, waiting=0, refused=0)
        for number, pk in numbers.items():
            kept = {"waiting": told.waiting.get(number, 0), "refused": told.refused.get(number, 0)}
            if any(kept.values()):
                phone.trailers.filter(arrival=pk).update(**kept)
        for row in told.discarded:
            tell_discarded(phone, row, skew=skew, at=at)
    return phone


def tell_discarded(phone, row, *, skew, at):
    """Somebody threw a record away on the phone, with a reason: one event, however often the phone says so."""
    number = row["uuid"] or uuids.uuid5(phone.uuid, evidence.canonical(row))
    said = Submission(
        uuid=uuids.uuid5(number, "discarded on the phone"),
        person_id=phone.person_id,
        path="",
        digest="",
        status=201,
        at=at,
    )
    if not evidence.insert([said], unless_there=True):
        return
    arrival = row["trailer"] and Arrival.objects.filter(site=phone.site_id, number=row["trailer"]).first()
    made_at = row["made_at"] and min(row["made_at"] - skew, at)
    evidence.append(
        site=phone.site,
        verb="phone.discarded",
        record=phone,
        arrival=arrival or None,
        actor=phone.person,
        at=at,
        after={"title": row["title"], "reason": row["reason"], "made_at": made_at, "device": str(phone.uuid)},
    )


# --- before the release -----------------------------------------------------------------------------------------------


def unheard(arrival):
    """PhoneTrailer rows of the phones that may still keep something of this trailer, oldest number first.

    Those that worked on it and have not said since then, and since the count ended, that they keep nothing of it.
    """
    settled = Q(waiting=0, refused=0, reported_at__gte=F("worked_at"))
    if arrival.counted_at:
        settled &= Q(reported_at__gte=arrival.counted_at)
    rows = PhoneTrailer.objects.filter(arrival=arrival).exclude(settled).select_related("phone__person")
    return list(rows.order_by("phone__number", "pk"))


def unheard_words(row):
    """`D-3 (Ana Ruiz): 2 records wait on it; last heard of Mon 2 Mar 2026, 14:32`."""
    keeps = row.waiting + row.refused
    if row.reported_at is None:
        said = _("it never said whether it keeps anything of this trailer")
    elif keeps:
        said = ngettext("%(n)s record is still on it", "%(n)s records are still on it", keeps) % {"n": keeps}
    else:
        said = _("nothing was on it then, but it worked on or the count ended later")
    when = date_format(timezone.localtime(row.phone.last_seen), "D j M Y, H:i")
    return _("%(phone)s (%(person)s): %(said)s; last heard of %(when)s") % {
        "phone": row.phone,
        "person": row.phone.person,
        "said": said,
        "when": when,
    }
