"""The shell of the dock's pages on a phone: what a browser keeps so that they open without a network.

`assets` are the files every dock page needs, `release` tells one set of them from another, `pages` the addresses a
person's phone keeps, each with a word that changes when the page is worth fetching again.
"""

import hashlib
from datetime import timedelta
from functools import cache
from pathlib import Path

from django.conf import settings
from django.db.models import Max
from django.templatetags.static import static
from django.urls import reverse

from receiving import clock, rules
from receiving.enums import OPEN_STATES, ArrivalState, DiscrepancyState, IncidentKind, Kind
from receiving.models import Arrival, Discrepancy, Event, Pallet, SealRecord

FILES = Path(__file__).parent / "static"
WORKER = FILES / "receiving" / "sw.js"
KINDS = {".css", ".js", ".svg", ".png", ".woff2"}
# What is large and needed by few; a phone fetches it after everything else.
HEAVY = {".wasm"}
LANGUAGES = tuple(code for code, _name in settings.LANGUAGES)
# Pages of a trailer that change with every scan are fetched again at most this often.
CALM = timedelta(minutes=5)

# The pages a browser may keep for the person they were made for, by the names of their addresses.
KEPT = {
    "doors",
    "trailer",
    "arrive",
    "seal_new",
    "unsealed",
    "seal",
    "safety",
    "incident",
    "unload",
    "pause",
    "resume",
    "count",
    "count_tally",
    "count_end",
    "cartons_json",
    "pallets",
    "log",
    "log_trailer",
    "piece_complete",
    "trailer_photos",
    "square",
    "release",
    "outbox",
}
AT_ANY_TIME = ("doors", "outbox", "log", "pallets")
BEFORE = ("seal_new", "safety", "unsealed")
COUNTING = ("count", "cartons_json", "log_trailer", "count_tally", "square", "seal_new")
# The pages of a trailer in the order in which a phone fetches them, by the trailer's state.
BY_STATE = {
    ArrivalState.EXPECTED: ("trailer", "arrive"),
    ArrivalState.AT_DOOR: ("trailer", *BEFORE, "unload", "trailer_photos", "incident"),
    ArrivalState.UNLOADING: ("trailer", *COUNTING, "trailer_photos", "pause", "incident"),
    ArrivalState.PAUSED: ("trailer", *COUNTING, "trailer_photos", "resume", "incident"),
    ArrivalState.COUNTED: ("trailer", *COUNTING, "trailer_photos", "release", "incident"),
}
# What they show moves with every scan.
BUSY = {"trailer", "count", "cartons_json", "count_tally", "square", "log_trailer", "release"}
# Whom a page lets in, where that is not whoever works at the dock.
NEEDS = {name: {rules.SEE} for name in ("trailer", "trailer_photos", "square")}
NEEDS |= {"release": {rules.DECIDE}}
MOST_SET_ASIDES = 60


# --- the files --------------------------------------------------------------------------------------------------------


def names(kinds):
    """The dock's own static files and those of its libraries, by name; the worker itself is none of them."""
    found = (path for path in sorted(FILES.rglob("*")) if path.suffix in kinds and path != WORKER)
    return [path.relative_to(FILES).as_posix() for path in found]


def assets():
    """The addresses of everything a dock page needs to be shown."""
    return [*map(static, names(KINDS)), *(reverse("offline", args=[code]) for code in LANGUAGES)]


def heavy_assets():
    return list(map(static, names(HEAVY)))


def release():
    """Sixteen hexadecimal digits that change with any file of the dock's pages, any template, any translation."""
    return found_release() if not settings.DEBUG else found_release.__wrapped__()


@cache
def found_release():
    found = hashlib.sha256()
    folders = [*settings.TEMPLATES[0]["DIRS"], *settings.LOCALE_PATHS]
    pages = sorted(path for folder in folders for path in Path(folder).rglob("*") if path.suffix in {".html", ".mo"})
    for path in (WORKER, *(FILES / name for name in names(KINDS | HEAVY)), *pages):
        found.update(f"{path.name}\0{path.stat().st_size}\0".encode())
        found.update(path.read_bytes())
    found.update("\0".join(assets()).encode())
    return found.hexdigest()[:16]


# --- the pages --------------------------------------------------------------------------------------------------------


def pages(site, *, may, mark, now):
    """(addresses, trailers): what a person with the rights `may` keeps of a site, in the order of fetching.

    addresses -- [address, version] pairs; the number of queries does not depend on trailers
    trailers -- numbers of those whose pages are kept; those of any other may be dropped
    mark -- whatever else changes all pages, such as the person's language
    """
    end = clock.day_bounds(clock.site_day(now, site.time_zone), site.time_zone)[1]
    rows = [
        row
        for row in Arrival.objects.filter(site=site, state__in=(*OPEN_STATES, ArrivalState.EXPECTED)).order_by("pk")
        if row.is_open or row.appointment_at is None or row.appointment_at < end
    ]
    latest = dict(Event.objects.filter(arrival__in=rows).values_list("arrival").annotate(last=Max("pk")))
    changed = dict(Event.objects.filter(pk__in=latest.values()).values_list("arrival", "at"))
    calm = {row.pk: version(mark, row.state, row.version) for row in rows}
    busy = {row.pk: version(mark, row.state, row.version, floor(changed.get(row.pk))) for row in rows}
    pallets = Pallet.objects.filter(site=site).aggregate(opened=Max("opened_at"), closed=Max("closed_at"))
    whole = version(mark, clock.site_day(now, site.time_zone), *busy.values(), *pallets.values())
    found = [(address(site, name), whole) for name in AT_ANY_TIME if name != "log" or rules.LATE in may]
    for name in order():
        for row in rows:
            if name in BY_STATE[row.state] and may & NEEDS.get(name, {rules.WORK}):
                found.append((address(site, name, row.number), (busy if name in BUSY else calm)[row.pk]))
    found += seals(site, rows, calm)
    if rules.WORK in may:
        found += [*set_asides(site, rows, mark), *incidents(site, rows, calm)]
    return [list(each) for each in found], [row.number for row in rows]


def order():
    """Every name of `BY_STATE` once, the first of each state before the second."""
    longest = max(map(len, BY_STATE.values()))
    steps = (names[place] for place in range(longest) for names in BY_STATE.values() if place < len(names))
    return list(dict.fromkeys(steps))


def seals(site, rows, versions):
    for arrival, number, pk in SealRecord.objects.filter(arrival__in=rows, replaced_by=None).values_list(
        "arrival", "arrival__number", "pk"
    ):
        yield address(site, "seal", number, pk), versions[arrival]


def set_asides(site, rows, mark):
    waiting = Discrepancy.objects.filter(arrival__in=rows, kind=Kind.SET_ASIDE, state=DiscrepancyState.OPEN)
    for number, turn in waiting.order_by("-pk").values_list("number", "version")[:MOST_SET_ASIDES]:
        yield address(site, "piece_complete", number), version(mark, turn)


def incidents(site, rows, versions):
    """The stop card and the form of each kind of incident: when one happens nobody may wait for a network."""
    for row in rows:
        if row.is_open:
            for kind in IncidentKind:
                yield f"{address(site, 'incident', row.number)}?kind={kind.value}", versions[row.pk]


def address(site, name, *more):
    return reverse(name, args=[site.code, *more])


def floor(moment):
    """The moment rounded down to whole `CALM` periods."""
    return int(moment.timestamp() // CALM.total_seconds()) if moment else 0


def version(*facts):
    return hashlib.sha256(repr(facts).encode()).hexdigest()[:12]
