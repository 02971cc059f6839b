"""Hostile deliveries: records under client UUIDs, sent again and again through a network that cuts, doubles, reorders
and delays, some with other contents under the same UUID.

Every variant of a record is delivered several times and at last once cleanly, so the end is always the same: one
variant is stored once and each of its deliveries got the same answer; any other was told that its number is taken.
"""

import hashlib
import http.client
import itertools
import json
import queue
import random
import threading
import time
import uuid
from collections import Counter, defaultdict
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode

from django.test import Client
from django.urls import reverse

from receiving.enums import ArrivalState
from receiving.models import (
    Carton,
    Discrepancy,
    DiscrepancyVersion,
    Event,
    IncidentNote,
    Photo,
    Scan,
    SealRecord,
    Submission,
    TallyTap,
)
from tests import builders
from tests.trial.faults import FAULTS, Fault, Proxy
from tests.trial.server import Server

SENDERS = 6
# What the log says of every refusal.
EXPECTED = ("Conflict: ", "Unprocessable Entity: ", "Not Found: ")
TAKEN = {"uuid_reused", "photo_uuid_reused"}
MIX = {
    "scan": 34,
    "batch": 10,
    "overlap": 5,
    "tally": 9,
    "undo": 6,
    "piece": 10,
    "piece_with_photos": 4,
    "set_aside": 5,
    "seal": 5,
    "incident": 3,
    "photo": 9,
}
DEPENDENT = {"undo", "overlap"}


@dataclass(frozen=True)
class Variant:
    """One body that is sent under a record's UUID. fields -- [(name, value)]; files -- [(field, name, bytes)]"""

    fields: tuple
    files: tuple = ()


@dataclass(eq=False)
class Record:
    """What one person sends under one UUID. variants -- the first is what was meant

    bad -- variants that break a rule of the form: refused whenever they come, and nothing of them stays
    after -- the records without which this one is refused
    """

    kind: str
    uuid: uuid.UUID
    sender: "Sender"
    url: str
    variants: list
    bad: set = field(default_factory=set)
    after: tuple = ()

    def name(self, place):
        return f"{self.uuid}/{place}"


@dataclass
class Sender:
    """A signed-in person with a phone."""

    person: object
    cookies: str
    token: str
    phone: uuid.UUID = field(default_factory=uuid.uuid4)

    @classmethod
    def of(cls, person):
        client = Client()
        client.force_login(person)
        token = "t" * 32
        return cls(person, f"sessionid={client.cookies['sessionid'].value}; csrftoken={token}", token)


# --- the records -----------------------------------------------------------------------------------------------------


class Plan:
    """A site with a trailer being unloaded, and the records that are going to be sent for it, all by one seed."""

    def __init__(self, deliveries, *, seed):
        self.random = random.Random(seed)
        self.deliveries = deliveries
        self.serials = itertools.count(1)
        self.site = builders.make_site("ALD")
        people = [builders.make_person("receiver", self.site, f"sender{number}") for number in range(4)]
        self.trailer = builders.make_arrival(self.site, actor=people[0], state=ArrivalState.UNLOADING, pieces=9_000)
        bill = self.trailer.shipments.get()
        self.stores = [builders.make_store(self.site, bill.account, f"{number:04d}") for number in range(1, 31)]
        self.code = builders.make_code(self.site)
        self.blind = builders.make_shipment(self.trailer, actor=people[0], account=bill.account, pieces=9_000)
        self.people = [Sender.of(person) for person in people]
        self.labels = iter([carton.label for carton in builders.make_cartons(bill, 3 * deliveries, stores=self.stores)])
        self.records = []
        self.attempts = list(self.plan())

    def url(self, name, *more):
        return reverse(name, args=[self.site.code, self.trailer.number, *more])

    def add(self, kind, url, *variants, number=None, sender=None, **more):
        sender = sender or self.random.choice(self.people)
        record = Record(kind, number or self.new_uuid(), sender, url, list(variants), **more)
        self.records.append(record)
        return record

    def new_uuid(self):
        return uuid.UUID(int=self.random.getrandbits(128), version=4)

    def moment(self):
        return (datetime.now(UTC) - timedelta(seconds=self.random.randrange(86_400))).isoformat()

    def picture(self):
        """The bytes of a JPEG that no other record has."""
        colour = f"#{self.random.getrandbits(24):06x}"
        return builders.make_jpeg((40, 30), colour) + self.random.randbytes(self.random.choice([8, 4_000, 60_000]))

    def plan(self):
        """(record, place of the variant, fault) in the order they are sent; what depends on others ends last."""
        kinds, weights = zip(*MIX.items(), strict=True)
        hostile, ends, last = [], [], []
        while len(hostile) + len(ends) + len(last) < self.deliveries:
            kind = self.random.choices(kinds, weights)[0]
            for record in getattr(self, f"new_{kind}")():
                places = range(len(record.variants))
                for _turn in range(self.random.choice([1, 1, 2, 2, 3, 5])):
                    place = self.random.choice(places)
                    hostile.append((record, place, self.random.choice(FAULTS)))
                (last if record.kind in DEPENDENT or record.after else ends).extend(
                    (record, place, Fault.NONE) for place in places
                )
        for part in (hostile, ends, last):
            self.random.shuffle(part)
        return [*hostile, None, *ends, None, *last]

    def changed(self, kind_of_change=0.3):
        return self.random.random() < kind_of_change

    def new_scan(self):
        """One label; its other variants are another label, and none."""
        at = self.moment()
        fields = [("how", "scanner"), ("device_at", at)]
        variants = [Variant((("label", next(self.labels)), *fields))]
        bad = set()
        if self.changed():
            variants.append(Variant((("label", next(self.labels)), *fields)))
        if self.changed(0.1):
            bad.add(len(variants))
            variants.append(Variant((("label", ""), *fields)))
        yield self.add("scan", self.url("count_scan"), *variants, bad=bad)

    def rows(self, count):
        return [
            {"uuid": str(self.new_uuid()), "label": next(self.labels), "device_at": self.moment()} for _ in range(count)
        ]

    def batch(self, rows):
        return Variant((("labels", json.dumps(rows)), ("how", "scanner")))

    def new_batch(self):
        rows = self.rows(self.random.randint(2, 12))
        variants = [self.batch(rows)]
        if self.changed():
            variants.append(self.batch([*rows[:-1], self.rows(1)[0]]))
        yield self.add("batch", self.url("count_scan"), *variants)

    def new_overlap(self):
        """Scans that were sent in one batch and go again in another, as after a phone died before the answer."""
        rows = self.rows(self.random.randint(4, 10))
        first = self.add("batch", self.url("count_scan"), self.batch(rows[:-2]))
        yield first
        yield self.add("overlap", self.url("count_scan"), self.batch(rows[2:]), sender=first.sender)

    def new_tally(self):
        url = self.url("count_tally_tap", self.blind.pk)
        store = self.random.choice(self.stores).pk
        variants = [
            Variant((("store", str(store)), ("count", str(count)))) for count in self.random.sample([1, 5, 10], 2)
        ]
        yield self.add("tally", url, *variants[: 1 + self.changed()])

    def new_undo(self):
        """Takes back one scan of the same person by its number."""
        first = self.add("scan", self.url("count_scan"), Variant((("label", next(self.labels)), ("how", "scanner"))))
        yield first
        wanted = Variant((("named", str(first.uuid)), ("what", "scan")))
        yield self.add("undo", self.url("count_undo"), wanted, sender=first.sender, after=(first,))

    def damage(self, label, note):
        fields = [
            ("kind", "damaged"),
            ("codes", str(self.code.pk)),
            ("label", label),
            ("note", note),
            ("quantity", "1"),
        ]
        return (*fields, ("found_at", self.moment()))

    def new_piece(self):
        label, serial = next(self.labels), next(self.serials)
        fields = self.damage(label, f"crushed corner {serial}")
        variants, bad = [Variant(fields)], set()
        if self.changed():
            variants.append(Variant((*fields, ("hazmat", "on"))))
        if self.changed(0.15):
            bad.add(len(variants))
            variants.append(Variant(tuple((name, value) for name, value in fields if name != "kind")))
        piece = self.add("piece", self.url("log_trailer"), *variants, bad=bad)
        yield piece
        for _turn in range(self.random.choice([0, 0, 1, 2])):
            yield self.photo((("piece", str(piece.uuid)), ("purpose", "piece")), after=(piece,), sender=piece.sender)

    def new_piece_with_photos(self):
        label, serial = next(self.labels), next(self.serials)
        fields = self.damage(label, f"wet bottom {serial}")
        files = tuple(("photos", f"camera{place}.jpg", self.picture()) for place in range(self.random.randint(1, 3)))
        variants = [Variant(fields, files)]
        if self.changed():
            variants.append(Variant(fields, files[:-1]))
        if self.changed():
            variants.append(Variant(fields, (*files[:-1], ("photos", files[-1][1], self.picture()))))
        yield self.add("piece_with_photos", self.url("log_trailer"), *variants)

    def new_set_aside(self):
        serial = next(self.serials)
        variants = [Variant((("label", next(self.labels)), ("note", f"aside {serial}")))]
        if self.changed():
            variants.append(Variant((("label", next(self.labels)), ("note", f"aside {serial}"))))
        yield self.add("set_aside", self.url("set_aside"), *variants)

    def new_seal(self):
        number = f"S{next(self.serials):06d}"
        fields = (("action", "applied"), ("trailer_door", "rear"), ("condition", "intact"), ("number_on_seal", number))
        variants = [Variant(fields)]
        if self.changed():
            variants.append(Variant((*fields, ("note", "put on for the night"))))
        seal = self.add("seal", self.url("seal_new"), *variants)
        yield seal
        yield self.photo((("seal", str(seal.uuid)), ("purpose", "seal_before")), after=(seal,), sender=seal.sender)

    def new_incident(self):
        text = f"a wet floor by the nose {next(self.serials)}"
        variants = [Variant((("kind", "other"), ("text", text)))]
        if self.changed():
            variants.append(Variant((("kind", "leaning"), ("text", text))))
        yield self.add("incident", self.url("incident"), *variants)

    def new_photo(self):
        yield self.photo((("purpose", "trailer"),))

    def photo(self, fields, **more):
        content = self.picture()
        variants, bad = [Variant(fields, (("photo", "camera.jpg", content),))], set()
        if self.changed():
            variants.append(Variant(fields, (("photo", "camera.jpg", self.picture()),)))
        if self.changed(0.15):
            bad.add(len(variants))
            variants.append(Variant(fields, (("photo", "camera.jpg", content[: len(content) // 3][:300]),)))
        return self.add("photo", self.url("photo_upload"), *variants, bad=bad, **more)


# --- sending ---------------------------------------------------------------------------------------------------------


def send(proxy_port, record, place, fault, chance):
    """One delivery through the proxy; whether the client got a whole answer."""
    variant = record.variants[place]
    body, content_type = encoded(variant, record.uuid, chance)
    headers = {
        "Content-Type": content_type,
        "Accept": "application/json",
        "Cookie": record.sender.cookies,
        "X-CSRFToken": record.sender.token,
        "X-Phone": str(record.sender.phone),
        "X-Device-Now": datetime.now(UTC).isoformat(),
        "X-Outbox": "1",
        "X-Fault": fault.value,
        "X-Delivery": record.name(place),
    }
    wire = http.client.HTTPConnection("127.0.0.1", proxy_port, timeout=60)
    try:
        wire.request("POST", record.url, body, headers)
        wire.getresponse().read()
        return True
    except (OSError, http.client.HTTPException):
        return False
    finally:
        wire.close()


def encoded(variant, number, chance):
    """The body as a script sends it, or where there is no file now and then as a plain form does."""
    fields = [*variant.fields, ("uuid", str(number))]
    chance.shuffle(fields)
    if not variant.files and chance.random() < 0.5:
        return urlencode(fields).encode(), "application/x-www-form-urlencoded"
    edge = f"edge{chance.getrandbits(64):016x}"
    parts = [(f'name="{name}"', "", value.encode()) for name, value in fields]
    parts += [(f'name="{name}"; filename="{file}"', "image/jpeg", content) for name, file, content in variant.files]
    body = b""
    for said, content_type, content in parts:
        told = f"Content-Type: {content_type}\r\n" if content_type else ""
        body += f"--{edge}\r\nContent-Disposition: form-data; {said}\r\n{told}\r\n".encode() + content + b"\r\n"
    return body + f"--{edge}--\r\n".encode(), f"multipart/form-data; boundary={edge}"


def send_all(proxy_port, plan):
    """Everything of the plan by several senders at once. None in the plan: all that stands before it goes first."""
    part, number = [], 0
    for attempt in [*plan.attempts, None]:
        if attempt is not None:
            part.append(attempt)
            continue
        waiting = queue.SimpleQueue()
        for one in part:
            waiting.put((number, one))
            number += 1
        senders = [threading.Thread(target=work, args=(proxy_port, waiting, plan)) for _ in range(SENDERS)]
        for sender in senders:
            sender.start()
        for sender in senders:
            sender.join()
        part = []


def work(proxy_port, waiting, plan):
    while True:
        try:
            number, (record, place, fault) = waiting.get_nowait()
        except queue.Empty:
            return
        send(proxy_port, record, place, fault, random.Random(f"{plan.deliveries} {number}"))


# --- judging ---------------------------------------------------------------------------------------------------------


class Judge:
    """Holds all answers the server gave, and what the database has, against the plan. `wrong` are sentences."""

    def __init__(self, plan, answers):
        self.plan, self.wrong, self.won = plan, [], {}
        self.said = defaultdict(list)
        for answer in answers:
            self.said[answer.delivery].append(answer)
        self.counts = Counter(answer.status for answer in answers)
        for record in plan.records:
            self.answers_of(record)
        self.database()

    def complain(self, record, words):
        self.wrong.append(f"{record.kind} {record.uuid}: {words}")

    def answers_of(self, record):
        """One variant won and was always answered the same; the others were told that their number is taken."""
        stored = [place for place in range(len(record.variants)) if self.good(record, place)]
        if len(stored) != 1:
            return self.complain(record, f"{len(stored)} of its {len(record.variants)} variants were stored")
        self.won[record] = stored[0]
        bodies = {self.essence(answer) for answer in self.good(record, stored[0])}
        if len(bodies) != 1:
            self.complain(record, f"{len(bodies)} different answers to the same delivery: {sorted(bodies)[:2]}")
        for place in range(len(record.variants)):
            for answer in self.said[record.name(place)]:
                self.refusal(record, place, answer)
        return None

    def good(self, record, place):
        return [answer for answer in self.said[record.name(place)] if answer.status == 201]

    @staticmethod
    def essence(answer):
        return json.dumps(without_repeat(json.loads(answer.body)), sort_keys=True)

    def refusal(self, record, place, answer):
        if answer.status == 201:
            if place in record.bad:
                self.complain(record, "a broken variant was stored")
            return
        if answer.status == 404 and record.after:
            return
        try:
            errors = json.loads(answer.body)["errors"]
            codes = {error["code"] for error in errors}
            sentences = all(len(error["message"]) > 20 and error["message"].endswith(".") for error in errors)
        except (ValueError, KeyError, TypeError):
            return self.complain(record, f"answered {answer.status} without a sentence: {answer.body[:200]}")
        if not errors or not sentences:
            self.complain(record, f"answered {answer.status} without a sentence: {answer.body[:200]}")
        if place == self.won[record]:
            if not record.after:
                self.complain(record, f"what was meant was refused with {answer.status}: {answer.body[:200]}")
        elif place not in record.bad and not (answer.status == 409 and codes <= TAKEN) and not record.after:
            self.complain(record, f"a changed variant was answered {answer.status}: {answer.body[:200]}")

    # What is stored.

    def database(self):
        self.by_kind = defaultdict(list)
        for record, place in self.won.items():
            self.by_kind[record.kind].append((record, record.variants[place]))
        self.scans()
        self.cartons()
        self.rows(TallyTap, "tally", lambda row: {"store": str(row.store_id), "count": str(row.count)})
        self.rows(SealRecord, "seal", lambda row: {"number_on_seal": row.number_on_seal, "note": row.note}, extra=1)
        self.rows(IncidentNote, "incident", lambda row: {"kind": row.kind, "text": row.text})
        self.pieces()
        self.photos()
        self.submissions()

    def rows(self, model, kind, told, *, extra=0):
        """One row for each record, and the row says what the winning variant said."""
        found = {row.uuid: row for row in model.objects.all()}
        if len(found) != len(self.by_kind[kind]) + extra:
            self.wrong.append(f"{len(found)} rows of {model.__name__} for {len(self.by_kind[kind])} records")
        for record, variant in self.by_kind[kind]:
            row = found.get(record.uuid)
            if row is None:
                self.complain(record, "was answered as stored and is not there")
                continue
            said = dict.fromkeys(told(row), "") | {name: value for name, value in variant.fields if name in told(row)}
            if told(row) != said or row.actor_id != record.sender.person.pk:
                self.complain(record, f"is stored as {told(row)}, sent as {said}")

    def scans(self):
        wanted = {}
        for record, variant in self.by_kind["scan"]:
            wanted[record.uuid] = dict(variant.fields)["label"]
        for _record, variant in [*self.by_kind["batch"], *self.by_kind["overlap"]]:
            for row in json.loads(dict(variant.fields)["labels"]):
                wanted[uuid.UUID(row["uuid"])] = row["label"]
        undone = {record.uuid for record, _variant in self.by_kind["undo"]}
        found = dict(Scan.objects.exclude(how="log").filter(undoes=None).values_list("uuid", "label"))
        if found != wanted:
            self.wrong.append(f"{len(found.items() ^ wanted.items())} scans differ from what was sent")
        if set(Scan.objects.exclude(undoes=None).values_list("uuid", flat=True)) != undone:
            self.wrong.append("what was taken back is not what was asked to be")
        taken_back = set(Scan.objects.exclude(undoes=None).values_list("label", flat=True))
        self.received = {label: int(label not in taken_back) for label in wanted.values()}

    def cartons(self):
        """Each label is counted once; nothing that only a losing variant named is counted."""
        for kind in ("piece", "piece_with_photos"):
            for _record, variant in self.by_kind[kind]:
                self.received[dict(variant.fields)["label"]] = 1
        for label, received in Carton.objects.values_list("label", "received"):
            if received != self.received.get(label, 0):
                self.wrong.append(f"carton {label} is counted {received} times, not {self.received.get(label, 0)}")

    def pieces(self):
        found = {row.uuid: row for row in Discrepancy.objects.all()}
        sent = [*self.by_kind["piece"], *self.by_kind["piece_with_photos"], *self.by_kind["set_aside"]]
        if len(found) != len(sent) or DiscrepancyVersion.objects.count() != len(sent):
            self.wrong.append(f"{len(found)} pieces for {len(sent)} records")
        for record, variant in sent:
            row, said = found.get(record.uuid), dict(variant.fields)
            if row is None:
                self.complain(record, "was answered as stored and is not there")
            elif (row.label, row.note, row.hazmat) != (said["label"], said["note"], "hazmat" in said):
                self.complain(record, f"is stored with {row.label}, “{row.note}”, hazmat {row.hazmat}")
        numbers = sorted(row.number for row in found.values())
        if numbers != list(range(1, len(numbers) + 1)):
            self.wrong.append("the pieces' numbers are not one to the last")

    def photos(self):
        wanted = Counter()
        for kind in ("photo", "piece_with_photos"):
            for _record, variant in self.by_kind[kind]:
                wanted.update(hashlib.sha256(content).hexdigest() for _field, _name, content in variant.files)
        found = Counter(Photo.objects.values_list("sha256", flat=True))
        if found != wanted:
            self.wrong.append(
                f"{sum((found - wanted).values())} photos too many, {sum((wanted - found).values())} too few"
            )
        for record, variant in self.by_kind["photo"]:
            row = Photo.objects.filter(uuid=record.uuid).select_related("discrepancy", "seal").first()
            said = dict(variant.fields)
            subject = row and str((row.discrepancy or row.seal or row.arrival).uuid)
            if row is None or subject != said.get("piece", said.get("seal", str(row.arrival.uuid))):
                self.complain(record, "is not a photo of what it was sent for")

    def submissions(self):
        once = {record.uuid for record in self.won if record.kind != "photo"}
        if set(Submission.objects.values_list("uuid", flat=True)) != once:
            self.wrong.append("the answers kept are not those of the records stored")


def stray_files(folder):
    """Originals in a server's folder that no row names."""
    known = set(Photo.objects.values_list("original", flat=True))
    files = folder / "files"
    kept = [str(path.relative_to(files)) for path in (files / "originals").rglob("*") if path.is_file()]
    return [name for name in kept if name not in known]


def without_repeat(told):
    """An answer without what says only that it is a repeat, and when."""
    if isinstance(told, dict):
        return {name: without_repeat(value) for name, value in told.items() if name not in ("repeated", "at")}
    return [without_repeat(value) for value in told] if isinstance(told, list) else told


@contextmanager
def delivered(server, deliveries, *, seed):
    """Sends a plan of so many deliveries and gives (plan, proxy, judge)."""
    plan = Plan(deliveries, seed=seed)
    with Proxy(server.port, seed=seed) as proxy:
        send_all(proxy.port, plan)
    yield plan, proxy, Judge(plan, proxy.answers)


def events_of(plan):
    return Counter(Event.objects.filter(site=plan.site).values_list("verb", flat=True))


def main(connection, folder, *, count, seed):
    """The same from a script: says what was found, 1 if anything was wrong."""
    start = time.monotonic()
    with Server(connection, folder) as server, delivered(server, count, seed=seed) as (plan, proxy, judge):
        wrong = list(judge.wrong)
        code, said = server.manage("verify_evidence")
        if code:
            wrong.append(f"verify_evidence: {said}")
        print(f"deliveries: {connection.vendor}, {len(plan.attempts)} of {len(plan.records)} records")
        print(f"  whole answers {len(proxy.answers)}, by status {dict(sorted(judge.counts.items()))}")
        print(f"  answers to parts of requests {dict(Counter(answer.status for answer in proxy.broken))}")
        print(f"  originals that no row names {len(stray_files(folder))}")
        print(f"  errors in the server's log {server.log.read_text().count('Traceback')}")
        print(f"  {time.monotonic() - start:.0f} seconds")
        for why in wrong:
            print(f"deliveries: {why}")
        if wrong:
            print(
                *[line for line in server.log.read_text().splitlines() if not line.startswith(EXPECTED)][-60:], sep="\n"
            )
        print(f"deliveries: {len(wrong)} wrong")
    return int(bool(wrong))
