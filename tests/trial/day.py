"""A day without a network: a receiver counts, logs and photographs for 24 hours of the device's clock, then comes out
into a network that comes and goes, while browser and server are killed in the middle of what they do.

Everything must arrive exactly once and nothing is typed again. At every look the number in the page's head is held
against what the phone's database holds, and what was made against what is on the phone or on the server.
"""

import hashlib
import random
import shutil
import time
from collections import Counter
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta

from django.test import Client
from django.urls import reverse
from django.utils.dateparse import parse_datetime
from playwright.sync_api import sync_playwright

from receiving.enums import COUNTING_RESULTS, ArrivalState, Kind
from receiving.models import Carton, Discrepancy, Event, Photo, Scan, SealRecord
from tests import builders
from tests.trial.faults import Proxy, wait_until
from tests.trial.phone import UNSENT, Phone
from tests.trial.server import Server

HOURS = 24
PATIENCE = 30
PHOTO_BYTES = 400_000
LATER = 0.1  # the part of the work that is done while things are being sent
STOPS = ("request", "work", "answer")


@dataclass(frozen=True)
class Size:
    scans: int
    pieces: int
    photos: int
    browser_kills: int
    server_kills: int


@dataclass
class Made:
    """What the receiver made, as far as the pages said that it is kept: by what tells it apart."""

    scans: list = field(default_factory=list)
    pieces: dict = field(default_factory=dict)  # label: when, by the device's clock
    asides: dict = field(default_factory=dict)
    seals: list = field(default_factory=list)
    photos: dict = field(default_factory=dict)  # hash: the label or number it belongs to, "" for the trailer

    def keys(self):
        told = {("scan", label) for label in self.scans} | {("piece", label) for label in self.pieces}
        told |= {("set_aside", label) for label in self.asides} | {("seal", number) for number in self.seals}
        return told | {("photo", known) for known in self.photos}


class Day:
    """`wrong` are sentences; `figures` what was counted on the way."""

    def __init__(self, server, proxy, kind, chromium, folder, size, *, seed, say=lambda words: None):
        self.server, self.proxy, self.size, self.say = server, proxy, size, say
        self.random = random.Random(seed)
        self.made, self.wrong, self.figures = Made(), [], Counter()
        self.build()
        client = Client()
        client.force_login(self.person)
        cookie = client.cookies["sessionid"].value
        self.phone = Phone(kind, chromium, folder, proxy.port, cookie)

    def build(self):
        self.site = builders.make_site("ALD")
        self.person = builders.make_person("receiver", self.site, "ray", first_name="Ray", last_name="Moss")
        account = builders.make_account("Juniper Home Stores")
        stores = [builders.make_store(self.site, account, f"{number:04d}") for number in range(1, 31)]
        builders.make_code(self.site)
        cartons = self.size.scans + self.size.pieces + 2 * (self.size.browser_kills + self.size.server_kills) + 1
        self.trailer = builders.make_arrival(
            self.site, actor=self.person, state=ArrivalState.UNLOADING, pieces=cartons, account=account
        )
        listed = builders.make_cartons(self.trailer.shipments.get(), cartons, stores=stores)
        self.labels = iter([carton.label for carton in listed])
        self.picture = builders.make_jpeg((800, 600), "slategray")

    def url(self, name, *more):
        return reverse(name, args=[self.site.code, self.trailer.number, *more])

    # The day.

    def run(self):
        work = self.plan()
        later = len(work) - int(len(work) * LATER)
        self.phone.start()
        try:
            self.phone.open(reverse("doors", args=[self.site.code]))
            self.phone.wait_kept()
            self.say("the pages are kept; the network is gone")
            self.without_network(work[:later])
            self.say(f"the network is back; {len(self.phone.records())} records wait")
            self.coming_out(work[later:])
            self.until_sent()
        finally:
            self.phone.stop()
        self.judge()

    def plan(self):
        """What is to be done, mixed: scans, pieces and seals with their photos, photos of the trailer."""
        photos = [self.photo(number) for number in range(self.size.photos)]
        asides = self.size.pieces // 5
        seals = max(1, self.size.photos // 40)
        things = ["piece"] * (self.size.pieces - asides) + ["aside"] * asides + ["seal"] * seals
        bursts = [[] for _thing in things]
        extra = []
        for photo in photos:
            self.random.choice([*bursts, extra] if len(extra) < len(photos) // 5 else bursts).append(photo)
        work = [(thing, burst) for thing, burst in zip(things, bursts, strict=True)]
        work += [("trailer", extra[start : start + 6]) for start in range(0, len(extra), 6)]
        self.random.shuffle(work)
        return self.with_scans(work)

    def with_scans(self, work):
        """The scans come in rows between the rest."""
        places = sorted(self.random.randrange(self.size.scans + 1) for _each in work)
        mixed, done = [], 0
        for place, each in zip(places, work, strict=True):
            mixed += [("scans", part) for part in self.rows(place - done)] + [each]
            done = place
        return mixed + [("scans", part) for part in self.rows(self.size.scans - done)]

    @staticmethod
    def rows(count, most=25):
        return [min(most, count - start) for start in range(0, count, most)]

    def photo(self, number):
        """A picture as a file input takes it; no other has its bytes."""
        content = self.picture + self.random.randbytes(self.random.randrange(PHOTO_BYTES))
        return {"name": f"IMG_{number:04d}.jpg", "mimeType": "image/jpeg", "buffer": content}

    def without_network(self, work):
        """Everything is made while nothing can be sent; now and then the browser dies, once the server is gone too."""
        self.phone.set_offline(True)
        kills = set(self.random.sample(range(1, len(work)), min(len(work) - 1, self.size.browser_kills // 5)))
        for place, (thing, what) in enumerate(work):
            self.clock(place / len(work))
            if place in kills:
                self.kill_browser("made")
                self.phone.open(self.url("count"))
            self.do(thing, what)
            self.look(still=True)
        self.clock(1)

    def clock(self, part):
        """The device's clock runs through the day; it begins a day behind and ends right."""
        self.phone.set_clock(int((part - 1) * HOURS * 3600 * 1000))

    def coming_out(self, work):
        """Sends, with the rest of the work between, until everybody was killed as often as was asked."""
        kills = ["browser"] * (self.size.browser_kills - self.figures["browser killed"])
        kills += ["server"] * self.size.server_kills
        self.random.shuffle(kills)
        every = max(1, len(kills) // (len(work) + 1))
        for place, victim in enumerate(kills):
            if place % every == every - 1 and work:
                # Somebody at work goes in and out.
                self.phone.set_offline(True)
                self.do(*work.pop(0))
                self.look()
            self.kill_while_sending(victim, skip=self.backlog() // (2 * (len(kills) - place)))
            self.look()
        self.phone.set_offline(False)
        for thing, what in work:
            self.do(thing, what)
            self.look()

    def backlog(self):
        return len([row for row in self.phone.records() if row["state"] in UNSENT])

    def kill_while_sending(self, victim, *, skip):
        """Lets some records pass, holds one on its way, and kills while it is held."""
        at = self.random.choice(STOPS if victim == "browser" else STOPS[:2])
        stop = self.hold(at, skip=min(skip, self.random.randint(0, 30)))
        while not self.reached(stop):
            stop = self.hold(at, skip=0)
        if victim == "browser":
            self.kill_browser(at)
            stop.release()
        else:
            time.sleep(self.random.choice([0, 0.01, 0.05]))
            self.server.kill()
            self.figures["server killed"] += 1
            self.figures[f"server killed at {at}"] += 1
            stop.release()
            self.look()
            self.server.start()

    def hold(self, at, *, skip):
        """Back on the network with something to send; the delivery after `skip` others will be held."""
        self.phone.set_offline(True)
        if not self.backlog():
            self.do("scans", 0)
        stop = self.proxy.hold(at, skip=skip)
        self.phone.open(self.random.choice([self.url("count"), self.url("trailer"), reverse("outbox", args=["ALD"])]))
        self.phone.set_offline(False)
        return stop

    def reached(self, stop):
        """Whether a delivery is held; not where everything went in fewer of them than were to pass."""
        end = time.monotonic() + PATIENCE
        while not stop.wait(0.5):
            if not self.backlog():
                return stop.wait(0.5)
            if time.monotonic() > end:
                self.wrong.append(f"nothing was sent within {PATIENCE} s although {self.backlog()} records wait")
                return True
        return True

    def kill_browser(self, when):
        self.phone.kill()
        self.figures["browser killed"] += 1
        self.figures[f"browser killed at {when}"] += 1
        self.phone.start()
        self.phone.open(reverse("doors", args=[self.site.code]))

    def until_sent(self):
        """Nobody helps any more: it goes by itself."""
        self.phone.set_offline(False)
        try:
            wait_until(lambda: not self.backlog(), 300, what="the rest to be sent")
        except TimeoutError:
            rows = [row for row in self.phone.records() if row["state"] in UNSENT]
            self.wrong.append(f"{len(rows)} records are still on the phone: {rows[:3]}")
        self.look()

    # What the receiver does; it is made when the page has said so.

    def do(self, thing, what):
        getattr(self, f"do_{thing}")(what)

    def do_scans(self, count):
        path = self.url("count")
        if not self.phone.page.url.endswith(path):
            self.phone.open(path)
        for _turn in range(count or 1):
            label = next(self.labels)
            self.phone.scan(label)
            self.made.scans.append(label)

    def do_piece(self, photos):
        label = next(self.labels)
        self.phone.log_piece(self.url("log_trailer"), label, photos)
        self.made.pieces[label] = self.device_time()
        self.note(photos, label)

    def do_aside(self, photos):
        label = next(self.labels)
        self.phone.set_aside(self.url("log_trailer"), label, photos)
        self.made.asides[label] = self.device_time()
        self.note(photos, label)

    def do_seal(self, photos):
        number = f"S{len(self.made.seals) + 1:06d}"
        self.phone.write_seal(self.url("seal_new"), number, photos)
        self.made.seals.append(number)
        self.note(photos, number)

    def do_trailer(self, photos):
        hashes = list(map(hash_of, photos))
        self.phone.photograph_trailer(self.url("trailer_photos"), photos, hashes)
        self.note(photos, "")

    def note(self, photos, subject):
        self.made.photos.update(dict.fromkeys(map(hash_of, photos), subject))

    def device_time(self):
        return time.time() + self.phone.ahead / 1000

    # Looking.

    def look(self, *, still=False):
        """Is the number in the head right, and is everything somewhere? still -- nothing can be on its way"""
        shown, records = self.phone.look()
        self.figures["looks"] += 1
        unsent = [row for row in records if row["state"] in UNSENT]
        if shown != len(unsent):
            self.wrong.append(f"the head says {shown}, the phone holds {len(unsent)}")
        here = set().union(*map(keys_of, unsent)) if unsent else set()
        there = self.stored()
        if lost := self.made.keys() - here - there:
            self.wrong.append(f"{len(lost)} made and nowhere: {sorted(lost)[:3]}")
        if still and (twice := here & there):
            self.figures["stored though the phone was not told"] = len(twice)
        if still and (gone := self.made.keys() - there) != here - there:
            self.wrong.append(f"{len(gone)} are not stored, the phone holds {len(here - there)}")
        if refused := [row for row in unsent if row["state"] == "refused"]:
            self.wrong.append(f"refused: {[(row['kind'], row['why'], row['fields']) for row in refused[:3]]}")

    def stored(self):
        """The keys of what the server has, as those of `Made`."""
        pieces = Discrepancy.objects.values_list("kind", "label")
        told = {("set_aside" if kind == Kind.SET_ASIDE else "piece", label) for kind, label in pieces}
        told |= {("scan", label) for label in Scan.objects.exclude(how="log").values_list("label", flat=True)}
        told |= {("seal", number) for number in SealRecord.objects.values_list("number_on_seal", flat=True)}
        return told | {("photo", known) for known in Photo.objects.values_list("sha256", flat=True)}

    # The end.

    def judge(self):
        self.once("scan", Counter(self.made.scans), Scan.objects.exclude(how="log"), "label")
        aside = Discrepancy.objects.filter(kind=Kind.SET_ASIDE)
        self.once("piece", Counter(self.made.pieces.keys()), Discrepancy.objects.exclude(pk__in=aside), "label")
        self.once("set aside", Counter(self.made.asides.keys()), aside, "label")
        seals = SealRecord.objects.filter(number_on_seal__startswith="S")
        self.once("seal", Counter(self.made.seals), seals, "number_on_seal")
        self.once("photo", Counter(self.made.photos.keys()), Photo.objects.all(), "sha256")
        self.cartons()
        self.subjects()
        self.times()
        self.order()
        self.wrong += self.phone.complaints
        code, said = self.server.manage("verify_evidence")
        if code:
            self.wrong.append(f"verify_evidence: {said}")

    def once(self, what, made, rows, name):
        found = Counter(rows.values_list(name, flat=True))
        self.figures[f"{what}: made"], self.figures[f"{what}: stored"] = made.total(), found.total()
        for key, count in (made - found).items():
            self.wrong.append(f"{what} {key} is missing {count} times")
        for key, count in (found - made).items():
            self.wrong.append(f"{what} {key} is stored {count} times too often")

    def cartons(self):
        counted = set(self.made.scans) | set(self.made.pieces)
        wrong = [
            label
            for label, received in Carton.objects.values_list("label", "received")
            if received != int(label in counted)
        ]
        if wrong:
            self.wrong.append(f"{len(wrong)} cartons are not counted as they should be: {wrong[:3]}")
        odd = Scan.objects.exclude(result__in=COUNTING_RESULTS).exclude(how="log")
        if odd.exists():
            self.wrong.append(f"scans answered otherwise: {list(odd.values_list('label', 'result')[:3])}")

    def subjects(self):
        for photo in Photo.objects.select_related("discrepancy", "seal"):
            of = photo.discrepancy.label if photo.discrepancy else photo.seal.number_on_seal if photo.seal else ""
            if of != self.made.photos.get(photo.sha256):
                self.wrong.append(f"photo {photo.filename} is of “{of}”, not of “{self.made.photos.get(photo.sha256)}”")

    def times(self):
        """A piece was found when the device said so, less what its clock was wrong by; its author is who made it."""
        for piece in Discrepancy.objects.select_related("logged_by"):
            if piece.logged_by != self.person:
                self.wrong.append(f"{piece} was logged by {piece.logged_by}")
        told = Event.objects.filter(verb__startswith="piece.").values_list("record", "after")
        silent = [record for record, after in told if "device_said" not in (after or {}).get("from_phone", {})]
        if silent:
            self.wrong.append(f"{len(silent)} events do not say when the device made their record: {silent[:3]}")
        made = {**self.made.pieces, **self.made.asides}
        for after in Event.objects.filter(verb__startswith="piece.").values_list("after", flat=True):
            said = after.get("from_phone", {}).get("device_said")
            if said and abs(moment_of(said) - made.get(after.get("label"), 0)) > timedelta(minutes=2).total_seconds():
                self.wrong.append(f"the device said that {after.get('label')} was made at {said}, which it was not")

    def order(self):
        """How many scans came before one that was made earlier."""
        places = {label: place for place, label in enumerate(self.made.scans)}
        came = [
            places[label]
            for label in Scan.objects.exclude(how="log").order_by("pk").values_list("label", flat=True)
            if label in places
        ]
        self.figures["scans out of order"] = sum(one > other for one, other in zip(came, came[1:], strict=False))


def keys_of(record):
    """What a record on the phone is told apart by, as the keys of `Made`."""
    given = dict(record["fields"])
    if record["hashes"]:
        return {("photo", known) for known in record["hashes"]}
    if record["kind"] == "seal":
        return {("seal", given["number_on_seal"])}
    return {(record["kind"], given.get("label"))}


def hash_of(photo):
    return hashlib.sha256(photo["buffer"]).hexdigest()


def moment_of(text):
    return parse_datetime(text).timestamp()


@contextmanager
def day(connection, folder, kind, chromium, size, *, seed, say=lambda words: None):
    """Lives through a day and gives it."""
    with Server(connection, folder / "server") as server, Proxy(server.port, seed=seed) as proxy:
        lived = Day(server, proxy, kind, chromium, folder / "phone", size, seed=seed, say=say)
        lived.run()
        yield lived


def find_chromium():
    names = ("chromium", "chromium-browser", "google-chrome")
    return next((path for name in names if (path := shutil.which(name))), None)


def main(connection, folder, *, seed, **size):
    """The same from a script: says what was found, 1 if anything was wrong."""
    start = time.monotonic()

    def say(words):
        print(f"day: {time.monotonic() - start:5.0f} s  {words}", flush=True)

    with sync_playwright() as playwright:
        chromium = playwright.chromium
        with day(connection, folder, chromium, find_chromium(), Size(**size), seed=seed, say=say) as lived:
            for name, figure in sorted(lived.figures.items()):
                print(f"  {name}: {figure}")
            for why in lived.wrong[:40]:
                print(f"day: {why}")
    say(f"{connection.vendor}, {len(lived.wrong)} wrong")
    return int(bool(lived.wrong))
