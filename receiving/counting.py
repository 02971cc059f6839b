"""Cartons coming off: scanned one by one, tallied by store, put on pallets, read from a file, taken back.

The only writer of Scan, TallyTap and Pallet, and of what a Carton says of its receipt. A call that holds many scans
is one event. Its cartons are fetched at once, each read is judged in memory, and the counts are written by conditional
UPDATEs: if one of them finds that somebody else was first, the whole call is judged again by what is true then.
"""

from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from itertools import islice
from uuid import UUID, uuid4, uuid5

from django.db import IntegrityError, connection, transaction
from django.db.models import Exists, F, OuterRef, Sum
from django.db.models.functions import Coalesce
from django.utils.dateparse import parse_datetime
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from receiving import clock, discrepancies, dock, evidence, identifiers, late, matching, queries, scan_words
from receiving.documents import manifest
from receiving.documents.tables import Mark, UnreadableTable, read_table
from receiving.enums import (
    COUNTING_RESULTS,
    COUNTING_STATES,
    ArrivalState,
    Kind,
    LateKind,
    LateOutcome,
    MomentKind,
    PalletState,
    ScanHow,
    ScanResult,
)
from receiving.models import Arrival, Carton, Counter, Discrepancy, Pallet, Scan, Store, TallyTap
from receiving.refusals import ChangedMeanwhile, Refused

TAPS = (1, 5, 10)
MAX_FILE_SCANS = 5_000
TIME_HEADINGS = {"time", "at", "when", "timestamp", "date", "datetime", "scanned", "hora", "fecha", "fechahora"}
COUNTABLE = (ArrivalState.UNLOADING, ArrivalState.COUNTED)
WAITING = (ArrivalState.EXPECTED, ArrivalState.AT_DOOR)
# What changed something: counted a carton or put it on a pallet.
EFFECTIVE = (*COUNTING_RESULTS, ScanResult.PLACED)
# What became of a scan that was made before its trailer left and came after.
LATE_OUTCOMES = {
    ScanResult.FOUND: LateOutcome.FOUND,
    ScanResult.BLIND: LateOutcome.FOUND,
    ScanResult.ALREADY: LateOutcome.ALREADY,
    ScanResult.PLACED: LateOutcome.ALREADY,
}
CHUNK = 500
ATTEMPTS = 4


@dataclass(frozen=True)
class Read:
    """One label as a client sent it: its own UUID, the raw text, and the device's word for when (aware or None).

    damage -- what a spreadsheet did to it, if it came in a file; it then counts only when it is on a list as it stands
    """

    raw: str
    uuid: UUID = field(default_factory=uuid4)
    device_at: datetime | None = None
    damage: str = ""


@dataclass(frozen=True)
class Answer:
    """What a scan is answered.

    arrival -- the trailer that is credited, or would be; `store` is where the carton goes now
    pallet -- the pallet it was put on; misplaced -- it does not belong on the pallet in hand
    detail -- a sentence, empty where there is nothing to add; repeated -- this very scan was stored before
    uuid -- the scan's own
    """

    result: ScanResult
    label: str
    arrival: Arrival
    carton: Carton | None = None
    pallet: Pallet | None = None
    detail: str = ""
    shipment_id: int | None = None
    misplaced: bool = False
    repeated: bool = False
    uuid: UUID | None = None

    @property
    def store(self):
        return self.carton.goes_to if self.carton else None

    @property
    def counts(self):
        return self.result in COUNTING_RESULTS


class SomebodyWasFirst(Exception):
    """A count that was judged possible is not any more."""


# --- scans ------------------------------------------------------------------------------------------------------------


def scan(arrival, *, reads, pallet=None, shipment=None, how=ScanHow.SCANNER, told=None, actor, at):
    """Count labels at a trailer; one Answer for each Read, in order. Reads whose UUID is stored count once.

    pallet -- the pallet they are put on; shipment -- the bill a label on no list counts for, if several have no list;
    told -- what the event says besides. What was made before the release, a pause or the closing of the pallet, by the
    device's word, counts after it.
    """
    reads = list(reads)
    made_at = last_made(reads)
    if arrival.state != ArrivalState.RELEASED:
        refuse_unless_counting(arrival, made_at=made_at)
    if pallet and pallet.state == PalletState.CLOSED and not (made_at and made_at < pallet.closed_at):
        raise Refused(
            scan_words.PALLET_CLOSED % {"pallet": pallet},
            code="pallet_closed",
            field="pallet",
        )
    session = Session(arrival, reads, pallet=pallet, shipment=shipment, how=how, actor=actor, at=at)
    for attempt in range(1, ATTEMPTS + 1):
        try:
            with transaction.atomic():
                hold(arrival, made_at=made_at)
                return session.run(told or {}, look_back=attempt > 1 or len(session.reads) > 1)
        except (SomebodyWasFirst, IntegrityError):
            if attempt == ATTEMPTS:
                raise


def last_made(reads):
    """When the last of these was made by the device's word; None where one of them does not say."""
    moments = [read.device_at for read in reads]
    return max(moments) if moments and None not in moments else None


def hold(arrival, *, made_at=None):
    """Keep a release from passing between the look at the trailer and its count; SQLite has one writer anyway."""
    if connection.features.has_select_for_update:
        evidence.lock_head(arrival.site)
        arrival.refresh_from_db(fields=["state", "released_at"])
        if arrival.state != ArrivalState.RELEASED:
            refuse_unless_counting(arrival, made_at=made_at)


def refuse_unless_counting(arrival, *, made_at=None):
    """made_at -- when the count was made, if it waited on a phone: before a pause it is as good as before the pause."""
    if arrival.state in COUNTABLE:
        return
    if arrival.state == ArrivalState.PAUSED and made_at:
        paused = arrival.moments.filter(kind=MomentKind.PAUSED).order_by("-at", "-pk").first()
        if paused and made_at < paused.at:
            return
    if arrival.state == ArrivalState.PAUSED:
        message = scan_words.PAUSED
    elif arrival.state == ArrivalState.RELEASED:
        message = scan_words.RELEASED
    elif arrival.state in WAITING:
        message = scan_words.WAITING
    else:
        message = scan_words.NOT_COUNTED
    words = {"trailer": arrival.trailer_number, "state": arrival.get_state_display()}
    raise Refused(message % words, code="not_counting", field="label")


class Session:
    """The scans of one call."""

    def __init__(self, arrival, reads, *, pallet, shipment, how, actor, at):
        self.arrival, self.pallet, self.shipment = arrival, pallet, shipment
        self.how, self.actor, self.at = how, actor, at
        self.reads = list(reads)
        self.labels, self.errors = {}, {}
        self.tags = {read: tag for read in self.reads if (tag := matching.read_tag(read.raw))}
        if len(self.reads) == 1 and self.tags:
            raise Refused(not_a_label(self.tags[self.reads[0]]), code="own_tag", field="label")
        for read in self.reads:
            if read in self.tags:
                continue
            try:
                self.labels[read] = identifiers.read_scan(read.raw).label
            except identifiers.NotValid as why:
                self.errors[read] = why

    def run(self, told, *, look_back):
        self.forget()
        self.cartons = group_by_label(wanted_cartons(self.arrival, list(dict.fromkeys(self.labels.values()))))
        self.earlier = stored_scans(self.reads) if look_back else {}
        answers = [self.answer(read) for read in self.reads]
        if self.rows:
            self.write(told)
        return answers

    def forget(self):
        self.rows, self.told = [], []
        self.counted, self.placed, self.found = defaultdict(int), {}, []
        self.late, self.loose, self.loose_found = [], {}, {}
        self.fresh = {}
        for name in ("strangers", "blind_bills", "counted_blind"):
            self.__dict__.pop(name, None)

    def answer(self, read):
        if read.uuid in self.earlier:
            return self.said_before(self.earlier[read.uuid], read)
        answer = replace(self.judge(read), uuid=read.uuid)
        row = Scan(
            uuid=read.uuid,
            arrival=answer.arrival,
            seen_at=self.arrival,
            shipment_id=answer.shipment_id,
            # Only where it is credited: a list that waits must stay free to be replaced.
            carton_id=answer.carton.pk if answer.carton and answer.shipment_id else None,
            pallet=answer.pallet,
            label=answer.label,
            how=self.how,
            result=answer.result,
            device_at=read.device_at,
            actor=self.actor,
            at=self.at,
        )
        self.earlier[read.uuid] = row
        self.rows.append(row)
        self.told.append([answer.label, answer.result, answer.arrival.number])
        if late.is_late(answer.arrival, read.device_at):
            self.late.append((read, answer))
        return answer

    def said_before(self, row, read):
        label = self.labels.get(read) or tidy(read.raw)
        if row.label != label or row.actor_id != self.actor.pk or row.seen_at_id != self.arrival.pk:
            raise Refused(
                _("Another scan was already sent under the number %(uuid)s. Send this one under a new number.")
                % {"uuid": read.uuid},
                code="uuid_reused",
                field="labels",
            )
        return answer_of(row, repeated=True)

    # What a read is answered; nothing is written yet.

    def judge(self, read):
        if tag := self.tags.get(read):
            return Answer(ScanResult.BAD_LABEL, tidy(read.raw), self.arrival, detail=not_a_label(tag))
        if why := self.errors.get(read):
            detail = _(why.sentence).format(**why.params)
            return Answer(ScanResult.BAD_LABEL, tidy(read.raw), self.arrival, detail=detail)
        label = self.labels[read]
        carton = self.choose(label)
        if carton and carton.arrival.state == ArrivalState.RELEASED:
            return self.before_it_left(carton, read) or self.left(carton)
        if carton:
            return self.again(carton) if carton.received >= carton.expected else self.count(carton)
        if read.damage:
            return Answer(ScanResult.BAD_LABEL, label, self.arrival, detail=read.damage)
        if stranger := self.strangers.get(label):
            return self.before_it_left(stranger, read) or self.stranger(stranger)
        return self.unlisted_before_it_left(label, read) or self.unlisted(label)

    def choose(self, label):
        """This trailer's carton, a wanted one first; else the only one of another trailer being worked."""
        here = [carton for carton in self.cartons[label] if carton.arrival_id == self.arrival.pk]
        if here:
            return min(here, key=lambda carton: (carton.received >= carton.expected, carton.pk))
        there = self.cartons[label]
        if not identifiers.sscc.is_valid(label):
            # A label that repeats and is counted in full there says nothing about the carton that is here.
            there = [carton for carton in there if carton.received < carton.expected]
        return there[0] if len(there) == 1 else None

    def count(self, carton):
        is_short = carton.expected - carton.received <= carton.short
        carton.received += 1
        carton.received_at, carton.received_by = self.at, self.actor
        self.counted[carton] += 1
        fits = self.put(carton)
        if is_short:
            carton.short -= 1
            self.found.append(carton)
            return self.said(ScanResult.FOUND, carton, str(scan_words.FOUND))
        if carton.arrival_id != self.arrival.pk:
            trailer = {"trailer": carton.arrival.trailer_number}
            return self.said(ScanResult.OTHER_TRAILER, carton, scan_words.CREDITED % trailer)
        return self.said(ScanResult.COUNTED if fits else ScanResult.WRONG_PALLET, carton)

    def before_it_left(self, carton, read):
        """What a scan is answered that was made before its trailer left and came after, or None.

        A carton is only counted then if it was declared short, or a piece of its bill by number.
        """
        if not late.is_late(carton.arrival, read.device_at):
            return None
        if carton.received >= carton.expected:
            return self.again(carton)
        if not hasattr(carton, "short"):
            carton.short = discrepancies.short_pieces(carton)
        if carton.short:
            if self.count(carton).result != ScanResult.FOUND:
                carton.short -= 1
                self.found.append(carton)
            return self.said(ScanResult.FOUND, carton, str(scan_words.FOUND))
        if short := self.loose_short(carton.shipment_id, carton.store_id):
            self.loose_found[read.uuid] = short
            self.count(carton)
            return self.said(ScanResult.FOUND, carton, str(scan_words.FOUND))
        return None

    def unlisted_before_it_left(self, label, read):
        """The same for a label on no list, of a trailer that has bills without one."""
        if not late.is_late(self.arrival, read.device_at):
            return None
        for bill in [self.shipment] if self.shipment in self.blind_bills else self.blind_bills:
            if label in self.counted_blind:
                return self.blind(label, bill)
            if short := self.loose_short(bill.pk, None):
                self.loose_found[read.uuid] = short
                return self.blind(label, bill)
        return None

    def loose_short(self, bill, store):
        """A short by number of the bill that may be this piece, of which one is left; None where none is."""
        if bill not in self.loose:
            self.loose[bill] = [[short, short.quantity] for short in discrepancies.loose_shorts(bill)]
        rows = [row for row in self.loose[bill] if row[1] and (store is None or row[0].store_id in (store, None))]
        if not rows:
            return None
        row = min(rows, key=lambda row: row[0].store_id != store)
        row[1] -= 1
        return row[0]

    def again(self, carton):
        if self.pallet and carton.pallet_id != self.pallet.pk and self.put(carton):
            return self.said(ScanResult.PLACED, carton, str(scan_words.PLACED))
        if carton.expected > 1:
            detail = scan_words.ALL_COUNTED % {"count": carton.expected}
        else:
            detail = self.when_counted(carton.received_at, carton.received_by)
        if carton.arrival_id != self.arrival.pk:
            detail += " " + scan_words.ITS_TRAILER % {"trailer": carton.arrival.trailer_number}
        return self.said(ScanResult.ALREADY, carton, detail)

    def when_counted(self, moment, who):
        if not moment:
            return str(scan_words.COUNTED_ALREADY)
        return scan_words.COUNTED_WHEN % {"when": self.words(moment), "who": who}

    def words(self, moment):
        zone = self.arrival.site.time_zone
        local = clock.local(moment, zone)
        today = local.date() == clock.site_day(self.at, zone)
        return f"{date_format(local, 'H:i' if today else 'D j M Y, H:i')} {local.tzname()}"

    def put(self, carton):
        """Onto the pallet in hand, if there is one and it goes where the carton goes."""
        if self.pallet is None:
            return True
        if carton.goes_to.pk != self.pallet.store_id:
            return False
        self.placed[carton] = carton.pallet = self.pallet
        return True

    def said(self, result, carton, detail=""):
        misplaced = self.pallet is not None and carton.goes_to.pk != self.pallet.store_id
        if misplaced:
            detail = f"{detail} {self.where_it_belongs(carton)}".strip()
        return Answer(
            result,
            carton.label,
            carton.arrival,
            carton=carton,
            pallet=None if misplaced or result == ScanResult.ALREADY else self.pallet,
            detail=detail,
            shipment_id=carton.shipment_id,
            misplaced=misplaced,
        )

    def where_it_belongs(self, carton):
        store = carton.goes_to
        pallet = open_pallets(self.arrival.site).filter(store=store).first()
        if pallet:
            return scan_words.GOES_TO_PALLET % {"store": store, "pallet": pallet}
        return scan_words.GOES_TO_STORE % {"store": store}

    def left(self, carton):
        """On this trailer's list, but the trailer is signed for and gone."""
        detail = scan_words.LEFT % {"when": self.words(carton.arrival.released_at)}
        if carton.short:
            detail += f" {scan_words.LEFT_SHORT}"
        elif carton.received < carton.expected:
            detail += f" {scan_words.LEFT_UNCOUNTED}"
        else:
            detail += " " + self.when_counted(carton.received_at, carton.received_by)
        return self.said(ScanResult.OTHER_RELEASED, carton, detail)

    @cached_property
    def strangers(self):
        """{label: carton} on lists of this site whose trailer is not being worked. Carton ids only: they are unique."""
        unknown = [label for label in self.labels.values() if not self.cartons[label]]
        unknown = [label for label in dict.fromkeys(unknown) if identifiers.sscc.is_valid(label)]
        cartons = (
            Carton.objects.filter(site=self.arrival.site_id, arrival__state__in=[*WAITING, ArrivalState.RELEASED])
            .select_related("store", "new_store", "arrival")
            .order_by("pk")
        )
        return {carton.label: carton for part in chunks(unknown) for carton in cartons.filter(label__in=part)}

    def stranger(self, carton):
        trailer = {"trailer": carton.arrival.trailer_number}
        if carton.arrival.state == ArrivalState.RELEASED:
            result = ScanResult.OTHER_RELEASED
            trailer["when"] = self.words(carton.arrival.released_at)
            detail = scan_words.OTHER_RELEASED
        else:
            result = ScanResult.OTHER_WAITING
            detail = scan_words.OTHER_WAITING
        return Answer(result, carton.label, self.arrival, carton=carton, detail=detail % trailer)

    def unlisted(self, label):
        bills = [] if self.arrival.state == ArrivalState.RELEASED else self.blind_bills
        if not bills:
            return Answer(ScanResult.NOT_LISTED, label, self.arrival, detail=str(scan_words.NOT_LISTED))
        if self.shipment not in bills and len(bills) > 1:
            raise Refused(
                scan_words.BILL_MISSING % {"label": label},
                code="bill_missing",
                field="shipment",
            )
        return self.blind(label, self.shipment if self.shipment in bills else bills[0])

    @cached_property
    def blind_bills(self):
        listed = Carton.objects.filter(shipment=OuterRef("pk"))
        return list(self.arrival.shipments.filter(~Exists(listed)).order_by("position"))

    def blind(self, label, bill):
        if earlier := self.counted_blind.get(label):
            detail = self.when_counted(earlier.at, earlier.actor)
            return Answer(ScanResult.ALREADY, label, self.arrival, detail=detail)
        self.counted_blind[label] = Scan(at=self.at, actor=self.actor)
        return Answer(ScanResult.BLIND, label, self.arrival, pallet=self.pallet, shipment_id=bill.pk)

    @cached_property
    def counted_blind(self):
        """{label: scan} of the labels of this call that were counted at this trailer without a list."""
        scans = queries.live_scans(arrival=self.arrival, result=ScanResult.BLIND).select_related("actor")
        labels = list(dict.fromkeys(self.labels.values()))
        return {row.label: row for part in chunks(labels) for row in scans.filter(label__in=part)}

    # Writing.

    def write(self, told):
        receipt = {"at": self.at, "actor": self.actor, "how": self.how}
        groups = defaultdict(list)
        for carton, more in self.counted.items():
            groups[more, carton in self.placed].append(carton.pk)
        for (more, placed), keys in groups.items():
            count_up(keys, more, **receipt, pallet=self.pallet if placed else None)
        for part in chunks([carton.pk for carton in self.placed if carton not in self.counted]):
            Carton.objects.filter(pk__in=part).update(pallet=self.pallet)
        shorts = {carton.pk: self.resolve_short(carton) for carton in self.found}
        for short in dict.fromkeys(self.loose_found.values()):
            pieces = list(self.loose_found.values()).count(short)
            discrepancies.one_found(short, note=_("scanned"), pieces=pieces, actor=self.actor, at=self.at)
        evidence.insert(self.rows)
        dock.tell(
            self.arrival,
            "scans",
            record=f"scan:{self.rows[0].uuid}",
            actor=self.actor,
            at=self.at,
            after={"how": self.how, "pallet": self.pallet and self.pallet.number, **told, "scans": self.told},
        )
        self.write_late(shorts)

    def write_late(self, shorts):
        by_trailer = defaultdict(list)
        for read, answer in self.late:
            outcome = LATE_OUTCOMES.get(answer.result, LateOutcome.KEPT)
            short = self.loose_found.get(read.uuid) or (answer.carton and shorts.get(answer.carton.pk))
            by_trailer[answer.arrival].append(
                late.Entry(
                    read.uuid,
                    LateKind.SCAN,
                    outcome,
                    f"scan:{read.uuid}",
                    read.device_at,
                    label=answer.label,
                    discrepancy=short if outcome == LateOutcome.FOUND else None,
                )
            )
        for arrival, entries in by_trailer.items():
            arrival.site = self.arrival.site
            late.note(arrival, entries, actor=self.actor, at=self.at)

    def resolve_short(self, carton):
        short = (
            Discrepancy.objects.live().filter(carton=carton, kind=Kind.SHORT).select_related("site", "arrival").first()
        )
        if short is None:
            raise SomebodyWasFirst
        discrepancies.one_found(short, note=_("scanned"), actor=self.actor, at=self.at)
        return short


def tidy(raw):
    """A label that reads badly, as it is kept: printable, in capitals, at most 100 characters."""
    return matching.tidy(raw.replace("\x1d", " "))


def not_a_label(tag):
    """What a scanned tag of ours is answered; among many scans the others count all the same."""
    return scan_words.OWN_TAG % {"number": tag[1]}


def chunks(items):
    """Lists short enough for one statement on either database."""
    rest = iter(items)
    while part := list(islice(rest, CHUNK)):
        yield part


def group_by_label(cartons):
    found = defaultdict(list)
    for carton in cartons:
        found[carton.label].append(carton)
    return found


# One scan goes through these two statements; built by the ORM they cost several times what the database takes.
WANTED = """
SELECT carton.id, carton.label, carton.arrival_id, carton.shipment_id, carton.expected, carton.received,
       carton.received_at, carton.received_by_id, carton.pallet_id, carton.hazmat, carton.food, carton.fragile,
       carton.store_id, carton.new_store_id,
       store.number AS store_number, store.name AS store_name,
       newer.number AS new_number, newer.name AS new_name,
       arrival.number AS trailer, arrival.state AS state, arrival.trailer_number AS trailer_number,
       COALESCE((SELECT SUM(piece.quantity) FROM receiving_discrepancy piece
                 WHERE piece.carton_id = carton.id AND piece.kind = 'short' AND piece.state = 'open'), 0) AS short
FROM receiving_carton carton
JOIN receiving_store store ON store.id = carton.store_id
LEFT JOIN receiving_store newer ON newer.id = carton.new_store_id
JOIN receiving_arrival arrival ON arrival.id = carton.arrival_id
WHERE carton.site_id = %s AND carton.label IN ({places})
      AND (carton.arrival_id = %s OR arrival.state IN ('unloading', 'paused', 'counted'))
"""
COUNT_UP = """
UPDATE receiving_carton
SET received = received + %s, received_at = %s, received_by_id = %s, received_how = %s,
    pallet_id = COALESCE(%s, pallet_id)
WHERE id IN ({places}) AND received <= expected - %s
"""


def wanted_cartons(arrival, labels):
    """Listed cartons with these labels, of this trailer and of the site's others being worked, with what answers show.

    `short` is how many of the carton's pieces are declared short. `arrival` takes over the state it has by now.
    """
    for part in chunks(labels):
        statement = WANTED.format(places=places(part))
        for carton in Carton.objects.raw(statement, [arrival.site_id, *part, arrival.pk]):
            carton.store = named(Store, id=carton.store_id, number=carton.store_number, name=carton.store_name)
            if carton.new_store_id:
                carton.new_store = named(Store, id=carton.new_store_id, number=carton.new_number, name=carton.new_name)
            if carton.arrival_id == arrival.pk:
                carton.arrival = arrival
                arrival.state = carton.state
            else:
                said = {"number": carton.trailer, "state": carton.state, "trailer_number": carton.trailer_number}
                carton.arrival = named(Arrival, id=carton.arrival_id, **said)
            yield carton


def named(model, **values):
    """A record of which only this much was read."""
    return model.from_db("default", list(values), list(values.values()))


def places(part):
    return ", ".join(["%s"] * len(part))


def count_up(keys, more, *, at, actor, how, pallet=None):
    """`more` of each of these cartons are here. Raises SomebodyWasFirst if one of them cannot take that many."""
    moment = connection.ops.adapt_datetimefield_value(at)
    with connection.cursor() as cursor:
        for part in chunks(keys):
            values = [more, moment, actor.pk, how, pallet and pallet.pk, *part, more]
            cursor.execute(COUNT_UP.format(places=places(part)), values)
            if cursor.rowcount != len(part):
                raise SomebodyWasFirst


def stored_scans(reads):
    """{uuid: scan} of the reads that were stored before: sent again after an answer that never arrived."""
    scans = Scan.objects.select_related("arrival__site", "carton__store", "carton__new_store", "pallet", "actor")
    return {row.uuid: row for part in chunks([read.uuid for read in reads]) for row in scans.filter(uuid__in=part)}


def answer_of(row, *, repeated=False):
    """The answer that a stored scan was given, without its sentence."""
    return Answer(
        ScanResult(row.result),
        row.label,
        row.arrival,
        carton=row.carton,
        pallet=row.pallet,
        shipment_id=row.shipment_id,
        misplaced=row.result == ScanResult.WRONG_PALLET,
        repeated=repeated,
        uuid=row.uuid,
    )


# --- pieces that were logged ------------------------------------------------------------------------------------------


def receive_logged(carton, *, seen_at, uuid, actor, at):
    """A logged piece is here: count its carton on its own trailer. Nothing happens where its store is tallied."""
    if tallied(carton.shipment_id, carton.store_id):
        return
    with transaction.atomic():
        try:
            count_up([carton.pk], 1, at=at, actor=actor, how=ScanHow.LOG)
        except SomebodyWasFirst:
            return
        carton.received += 1
        Scan.objects.create(
            uuid=uuid,
            arrival=carton.arrival,
            seen_at=seen_at,
            shipment_id=carton.shipment_id,
            carton=carton,
            label=carton.label,
            how=ScanHow.LOG,
            result=ScanResult.COUNTED,
            actor=actor,
            at=at,
        )
        dock.tell(
            carton.arrival,
            "scans",
            record=f"scan:{uuid}",
            actor=actor,
            at=at,
            after={"how": ScanHow.LOG, "scans": [[carton.label, ScanResult.COUNTED, carton.arrival.number]]},
        )


def receive_found(short, *, uuid, actor, at):
    """Pieces without labels that were declared short are here, on whatever day: count them as a tally of their own."""
    with transaction.atomic():
        row = TallyTap.objects.create(
            shipment=short.shipment, store=short.store, count=short.quantity, uuid=uuid, actor=actor, at=at
        )
        after = {"store": short.store and short.store.number, "count": short.quantity, "found": str(short)}
        dock.tell(short.arrival, "tally", record=row, actor=actor, at=at, after=after)
    return row


# --- tally ------------------------------------------------------------------------------------------------------------


def tally(shipment, *, store, count, uuid, actor, at, made_at=None):
    """Count by store: `count` more cartons, or fewer when negative but never below none.

    made_at -- when, if it waited on a phone. Before the release it still counts after it, as far as the bill has shorts
    by number; None where none of it counts.
    """
    if count == 0 or abs(count) > 100:
        raise Refused(_("Tally between 1 and 100 cartons at a time."), code="tally_out_of_range", field="count")
    if late.is_late(shipment.arrival, made_at):
        return late_tally(shipment, store=store, count=count, uuid=uuid, actor=actor, at=at, made_at=made_at)
    refuse_unless_counting(shipment.arrival, made_at=made_at)
    with transaction.atomic():
        refuse_below_none(shipment, store, count)
        row = TallyTap.objects.create(shipment=shipment, store=store, count=count, uuid=uuid, actor=actor, at=at)
        dock.tell(
            shipment.arrival,
            "tally",
            record=row,
            actor=actor,
            at=at,
            after={"store": store and store.number, "count": count, "bill": shipment.bill_number},
        )
    return row


def late_tally(shipment, *, store, count, uuid, actor, at, made_at, undoes=None):
    """A tally, or the taking back of one, that was made before the release and came after it.

    More cartons are pieces that were declared short by number; what no short waits for is kept as a late record that
    does not count. Fewer are short after all. Gives the TallyTap, None where nothing counts.
    """
    arrival, short, row = shipment.arrival, None, None
    kind = LateKind.UNDO if undoes else LateKind.TALLY
    label = store.number if store else ""
    with transaction.atomic():
        hold(arrival)
        if count < 0:
            refuse_below_none(shipment, store, count)
            found = count
            short = discrepancies.short_again(
                shipment, store=store, quantity=-count, uuid=uuid5(uuid, "short"), actor=actor, at=at, found_at=made_at
            )
        else:
            found = discrepancies.some_found(shipment, store, count, note=_("tallied"), actor=actor, at=at)
            if undoes and found < count:
                raise Refused(
                    _("Trailer %(trailer)s is released, and not as many are short. Show it to a lead.")
                    % {"trailer": arrival.trailer_number},
                    code="trailer_closed",
                )
        if found:
            row = TallyTap.objects.create(
                shipment=shipment, store=store, count=found, undoes=undoes, uuid=uuid, actor=actor, at=at
            )
            told = {"store": store and store.number, "count": found, "bill": shipment.bill_number}
            verb = "tally.undone" if undoes else "tally"
            dock.tell(arrival, verb, record=row, actor=actor, at=at, after=told)
        name = evidence.name_of(row) if row else f"tally:{uuid}"
        outcome = LateOutcome.MISSING if count < 0 else LateOutcome.FOUND
        entries = [late.Entry(uuid, kind, outcome, name, made_at, label, abs(found), short)] if found else []
        if kept := count - found:
            entries.append(late.Entry(uuid, kind, LateOutcome.KEPT, f"tally:{uuid}", made_at, label, kept))
        late.note(arrival, entries, actor=actor, at=at)
    return row


def tallied(shipment, store):
    """How many cartons of a bill are tallied for a store, less what was taken back."""
    return TallyTap.objects.filter(shipment=shipment, store=store).aggregate(n=Sum("count"))["n"] or 0


def refuse_below_none(shipment, store, count):
    so_far = tallied(shipment, store)
    if so_far + count < 0:
        raise Refused(
            _("%(less)s fewer cannot be: %(count)s are tallied so far.") % {"less": -count, "count": so_far},
            code="tally_below_none",
            field="count",
        )


# --- taking back ------------------------------------------------------------------------------------------------------


def undo_last(arrival, *, what="", named=None, uuid, actor, at, made_at=None):
    """Take back the person's own last count at this trailer: a reversing row, the carton one less.

    what -- "scan" or "tap" where only such a one is meant; named -- the UUID of the very one, if it is known
    made_at -- when, if it waited on a phone. Before the release it still takes back after it: the piece is short then.
    """
    if not late.is_late(arrival, made_at):
        refuse_unless_counting(arrival, made_at=made_at)
    scans = queries.live_scans(seen_at=arrival, actor=actor, result__in=EFFECTIVE).exclude(how=ScanHow.LOG)
    scans = scans.select_related("carton", "arrival__site", "shipment")
    taps = TallyTap.objects.alias(takes_back=Coalesce("undoes_id", 0)).filter(
        shipment__in=[bill.pk for bill in arrival.shipments.all()], actor=actor, takes_back=0, undone_by__isnull=True
    )
    taps = taps.select_related("shipment__arrival__site", "store")
    if named:
        scans, taps = scans.filter(uuid=named), taps.filter(uuid=named)
    row = scans.order_by("-pk").first() if what != "tap" else None
    tap = taps.order_by("-pk").first() if what != "scan" else None
    if row is None and tap is None:
        raise Refused(_("You have counted nothing here that could be taken back."), code="nothing_to_undo")
    try:
        with transaction.atomic():
            if tap is None or (row and row.at >= tap.at):
                if late.is_late(row.arrival, made_at):
                    return late_undo(row, uuid=uuid, actor=actor, at=at, made_at=made_at)
                refuse_left(row)
                return undo_scan(row, uuid=uuid, actor=actor, at=at)
            if late.is_late(arrival, made_at):
                facts = {"store": tap.store, "count": -tap.count, "undoes": tap, "made_at": made_at}
                return late_tally(tap.shipment, **facts, uuid=uuid, actor=actor, at=at)
            return undo_tap(tap, uuid=uuid, actor=actor, at=at)
    except IntegrityError as error:
        raise ChangedMeanwhile(_("That was taken back already. Reload the page.")) from error


def refuse_left(row):
    if row.arrival.state not in COUNTING_STATES:
        raise Refused(
            _("Carton %(label)s was credited to trailer %(trailer)s, which is %(state)s now. It stays counted.")
            % {"label": row.label, "trailer": row.arrival.trailer_number, "state": row.arrival.get_state_display()},
            code="trailer_closed",
        )


def late_undo(row, *, uuid, actor, at, made_at):
    """A scan that was taken back before the release, as it turns out after it: its piece is short after all."""
    back = undo_scan(row, uuid=uuid, actor=actor, at=at)
    outcome, short = LateOutcome.KEPT, None
    if row.result in COUNTING_RESULTS:
        carton = row.carton or Carton.objects.filter(shipment=row.shipment_id, label=row.label).first()
        number, outcome = uuid5(uuid, "short"), LateOutcome.MISSING
        told = {"carton": carton, "uuid": number, "actor": actor, "at": at, "found_at": made_at}
        short = discrepancies.short_again(row.shipment, **told)
    entry = late.Entry(
        uuid, LateKind.UNDO, outcome, evidence.name_of(back), made_at, label=row.label, discrepancy=short
    )
    late.note_one(row.arrival, entry, actor=actor, at=at)
    return back


def undo_scan(row, *, uuid, actor, at):
    """Take one scan back: a reversing row, and the carton as it stood before."""
    # Counted without a list that came later: the list's carton took the count over.
    carton = row.carton or Carton.objects.filter(shipment=row.shipment_id, label=row.label).first()
    back = Scan.objects.create(
        uuid=uuid,
        arrival=row.arrival,
        seen_at_id=row.seen_at_id,
        shipment_id=row.shipment_id,
        carton=row.carton,
        label=row.label,
        how=row.how,
        result=row.result,
        undoes=row,
        actor=actor,
        at=at,
    )
    if carton:
        uncount(carton, row)
    dock.tell(
        row.arrival, "scan.undone", record=back, actor=actor, at=at, after={"label": row.label, "scan": str(row.uuid)}
    )
    return back


def uncount(carton, row):
    """The carton as it stood before `row`, by the scans that are left."""
    less = 1 if row.result in COUNTING_RESULTS else 0
    if less:
        refuse_logged(carton)
    left = list(queries.live_scans(carton=carton, result__in=EFFECTIVE).order_by("-pk"))
    counted = next((scan for scan in left if scan.result in COUNTING_RESULTS), None)
    receipt = {
        "pallet_id": next((scan.pallet_id for scan in left if scan.pallet_id), None),
        "received_at": counted and counted.at,
        "received_by": counted and counted.actor_id,
        "received_how": counted.how if counted else "",
    }
    if not Carton.objects.filter(pk=carton.pk, received__gte=less).update(received=F("received") - less, **receipt):
        raise ChangedMeanwhile(_("That carton's count was changed meanwhile. Reload the page."))


def refuse_logged(carton):
    hurt = (
        Discrepancy.objects.live()
        .filter(carton=carton, kind__in=[Kind.DAMAGED, Kind.REROUTED], quantity__gte=carton.received)
        .first()
    )
    if hurt:
        raise Refused(
            _("Carton %(label)s is logged as %(piece)s: it is here. Void that piece first.")
            % {"label": carton.label, "piece": hurt},
            code="carton_logged",
        )


def undo_tap(row, *, uuid, actor, at):
    refuse_below_none(row.shipment, row.store, -row.count)
    back = TallyTap.objects.create(
        shipment=row.shipment, store=row.store, count=-row.count, undoes=row, uuid=uuid, actor=actor, at=at
    )
    store = row.store and row.store.number
    dock.tell(
        row.shipment.arrival,
        "tally.undone",
        record=back,
        actor=actor,
        at=at,
        after={"store": store, "count": -row.count},
    )
    return back


# --- pallets ----------------------------------------------------------------------------------------------------------


def open_pallets(site):
    return Pallet.objects.filter(site=site, state=PalletState.OPEN).select_related("store").order_by("-number")


def open_pallet(site, *, store, delivery_day=None, staging="", uuid, actor, at):
    """A new pallet for a store."""
    with transaction.atomic():
        pallet = Pallet.objects.create(
            site=site,
            number=Counter.next(site, "pallet"),
            store=store,
            delivery_day=delivery_day,
            staging=staging,
            opened_at=at,
            uuid=uuid,
        )
        after = {"store": store.number, "staging": staging, "delivery_day": delivery_day}
        tell_pallet(pallet, "pallet.opened", actor=actor, at=at, after=after)
    return pallet


def close_pallet(pallet, *, actor, at):
    """Closed and wrapped: nothing more is put on it."""
    with transaction.atomic():
        closed = Pallet.objects.filter(pk=pallet.pk, state=PalletState.OPEN).update(
            state=PalletState.CLOSED, closed_at=at
        )
        if not closed:
            raise ChangedMeanwhile(_("Pallet %(pallet)s is closed already.") % {"pallet": pallet})
        tell_pallet(pallet, "pallet.closed", actor=actor, at=at, after={"cartons": pallet.cartons.count()})
    pallet.refresh_from_db()
    return pallet


def tell_pallet(pallet, verb, *, actor, at, after):
    evidence.append(site=pallet.site, verb=verb, record=pallet, actor=actor, at=at, after=after)


# --- scans from a file ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ScanFile:
    """A file of scans that was read: `reads` are (line, raw label, moment or None, what a spreadsheet did to it)."""

    name: str
    sha256: str
    reads: list
    remarks: list


def open_scans(data, *, filename, zone_name):
    """Read a CSV or XLSX of carton ids and perhaps times. Touches no database: call it before a transaction.

    zone_name -- the zone of times that name none; a first row that holds a carton id is no heading
    """
    try:
        table = read_table(data, filename=filename, max_rows=MAX_FILE_SCANS)
    except UnreadableTable as why:
        raise Refused(str(why), code=why.code, field="file") from why
    label_at, time_at, rows = scan_columns(table)
    reads, unread = [], 0
    for index, (line, cells) in rows:
        raw = cells[label_at]
        if not raw.strip():
            continue
        when = moment(cells[time_at], zone_name) if time_at is not None else None
        unread += bool(time_at is not None and cells[time_at].strip() and when is None)
        number = index is not None and table.mark(index, label_at) == Mark.NUMBER
        damage = identifiers.spreadsheet_damage(raw, is_number_cell=number)
        reads.append((line, raw, when, _(damage.sentence).format(**damage.params) if damage else ""))
    if not reads:
        raise Refused(_("The file has no carton ids in its column of them."), code="no_scans", field="file")
    remarks = list(table.remarks)
    if unread:
        remarks.append(_("%(count)s times could not be read; those scans have none.") % {"count": unread})
    return ScanFile(filename[-200:], evidence.digest(data), reads, remarks)


def scan_columns(table):
    """(column of the labels, column of the times or None, rows as (index or None, (line, cells)))."""
    rows = list(enumerate(table.numbered()))
    bare = next((i for i, cell in enumerate(table.headings) if identifiers.sscc.is_valid(cell)), None)
    if bare is not None:
        times = (i for i, cell in enumerate(table.headings) if i != bare and parsed(cell))
        return bare, next(times, None), [(None, (table.heading_line, table.headings)), *rows]
    named, _remarks = manifest.recognise_headings(table.headings)
    if "label" not in named:
        raise Refused(
            _("No column of the file is headed “carton id”. Its headings are: %(headings)s.")
            % {"headings": ", ".join(table.headings)[:200]},
            code="no_label_column",
            field="file",
        )
    words = ["".join(manifest.words(heading)) for heading in table.headings]
    return named["label"], next((i for i, word in enumerate(words) if word in TIME_HEADINGS), None), rows


def parsed(text):
    """A date and time, or None for anything else and for years that no scan is from."""
    try:
        found = parse_datetime(text.strip())
    except ValueError:
        return None
    return found if found and 2000 <= found.year <= 2100 else None


def moment(text, zone_name):
    """The device's word for when, on the site's clock where it names no zone; None where it is no time."""
    found = parsed(text)
    return found.replace(tzinfo=clock.zone(zone_name)) if found and found.tzinfo is None else found


def import_scans(arrival, *, file, uuid, pallet=None, shipment=None, actor, at):
    """Scans from elsewhere, a `ScanFile`, by the same rules: [(line, Answer)], one event.

    uuid -- the file's own; each line's scan gets one derived from it
    """
    refuse_unless_counting(arrival)
    reads = [Read(raw, uuid5(uuid, str(line)), when, damage) for line, raw, when, damage in file.reads]
    answers = scan(
        arrival,
        reads=reads,
        pallet=pallet,
        shipment=shipment,
        how=ScanHow.FILE,
        told={"file": file.name, "sha256": file.sha256, "lines": [line for line, *_rest in file.reads]},
        actor=actor,
        at=at,
    )
    return [(line, answer) for (line, *_rest), answer in zip(file.reads, answers, strict=True)]
