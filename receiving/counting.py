"""Cartons coming off: scanned one by one, tallied by store, put on pallets, read from a file, taken back.

The only writer of Scan, TallyTap and Pallet, and of what a Carton says of its receipt. A call that holds many scans
is one event.
"""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from uuid import UUID, uuid4, uuid5

from django.db import transaction
from django.db.models import Exists, F, OuterRef
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext as _

from receiving import clock, discrepancies, dock, evidence, identifiers
from receiving.documents.tables import UnreadableTable, read_table
from receiving.enums import (
    COUNTING_RESULTS,
    COUNTING_STATES,
    ArrivalState,
    DiscrepancyState,
    Kind,
    PalletState,
    ScanHow,
    ScanResult,
)
from receiving.models import Arrival, Carton, Counter, Discrepancy, Pallet, Scan, TallyTap
from receiving.refusals import ChangedMeanwhile, Refused

TAPS = (1, 5, 10)
LABEL_HEADINGS = {"carton", "carton id", "label", "sscc", "id", "barcode", "caja", "etiqueta", "código", "codigo"}
TIME_HEADINGS = {"time", "at", "when", "timestamp", "date", "hora", "fecha"}


@dataclass(frozen=True)
class Read:
    """One label as a client sent it: its own UUID, the raw text, and the device's word for when (aware or None)."""

    raw: str
    uuid: UUID = field(default_factory=uuid4)
    device_at: datetime | None = None


@dataclass(frozen=True)
class Answer:
    """What a scan is answered: `store` is where the carton goes now, `detail` a sentence, `arrival` who is credited."""

    result: ScanResult
    label: str
    arrival: Arrival
    carton: Carton | None = None
    pallet: Pallet | None = None
    detail: str = ""
    shipment_id: int | None = None

    @property
    def store(self):
        return self.carton.goes_to if self.carton else None

    @property
    def counts(self):
        return self.result in COUNTING_RESULTS


def scan(arrival, *, reads, pallet=None, shipment=None, how=ScanHow.SCANNER, actor, at):
    """Count labels at a trailer; one Answer for each Read, in order.

    pallet -- the pallet they are put on; shipment -- the bill a label on no list counts for, if several have no list
    """
    refuse_unless_counting(arrival)
    reads = list(reads)
    with transaction.atomic():
        session = Session(arrival, reads, pallet=pallet, shipment=shipment, how=how, actor=actor, at=at)
        answers = [session.answer(read) for read in reads]
        Scan.objects.bulk_create(session.rows)
        dock.tell(
            arrival,
            "scans",
            record=f"scan:{session.rows[0].uuid}" if session.rows else arrival,
            actor=actor,
            at=at,
            after={
                "how": how,
                "pallet": pallet and pallet.number,
                "scans": [[a.label, a.result, a.arrival.number] for a in answers],
            },
        )
    return answers


def refuse_unless_counting(arrival):
    if arrival.state in (ArrivalState.UNLOADING, ArrivalState.COUNTED):
        return
    if arrival.state == ArrivalState.PAUSED:
        message = _("Trailer %(trailer)s is paused. Unload again before you count.")
    elif arrival.state == ArrivalState.RELEASED:
        message = _("Trailer %(trailer)s is released. Log what you found as a late finding.")
    else:
        message = _("Trailer %(trailer)s is not being unloaded yet. Start its unloading first.")
    raise Refused(message % {"trailer": arrival.trailer_number}, code="not_counting", field="label")


class Session:
    """The scans of one call: their cartons fetched at once, their rows collected for one insert."""

    def __init__(self, arrival, reads, *, pallet, shipment, how, actor, at):
        self.arrival, self.pallet, self.shipment = arrival, pallet, shipment
        self.how, self.actor, self.at = how, actor, at
        self.rows = []
        self.labels, self.errors = {}, {}
        for read in reads:
            try:
                self.labels[read.uuid] = identifiers.read_scan(read.raw).label
            except identifiers.NotValid as why:
                self.errors[read.uuid] = why
        self.cartons = defaultdict(list)
        for carton in cartons_for(arrival.site_id, set(self.labels.values())):
            self.cartons[carton.label].append(carton)
        self.fresh = set()

    def answer(self, read):
        answer = self.judge(read)
        self.rows.append(
            Scan(
                uuid=read.uuid,
                arrival=answer.arrival,
                seen_at=self.arrival,
                shipment_id=answer.shipment_id,
                carton=answer.carton,
                pallet=answer.pallet,
                label=answer.label,
                how=self.how,
                result=answer.result,
                device_at=read.device_at,
                actor=self.actor,
                at=self.at,
            )
        )
        return answer

    def judge(self, read):
        if why := self.errors.get(read.uuid):
            detail = _(why.sentence).format(**why.params)
            label = identifiers.clean(read.raw).replace("\x1d", " ")[:100]
            return Answer(ScanResult.BAD_LABEL, label, self.arrival, detail=detail)
        label = self.labels[read.uuid]
        carton = self.choose(self.cartons[label])
        if carton is None:
            return self.unlisted(label)
        if carton.arrival.state == ArrivalState.RELEASED:
            detail = _("It belongs to trailer %(trailer)s, released %(when)s. Log it as over: it will be matched.") % {
                "trailer": carton.arrival.trailer_number,
                "when": clock.site_day(carton.arrival.released_at, self.arrival.site.time_zone),
            }
            return Answer(ScanResult.OTHER_RELEASED, label, self.arrival, detail=detail)
        return self.listed(carton)

    def choose(self, cartons):
        """Of several lists that have this label: this trailer's, then an open one's, wanted ones first."""

        def rank(carton):
            return (
                carton.arrival_id != self.arrival.pk,
                carton.arrival.state == ArrivalState.RELEASED,
                carton.received >= carton.expected,
                -carton.pk,
            )

        return min(cartons, key=rank, default=None)

    def listed(self, carton):
        if not count_one(carton, how=self.how, actor=self.actor, at=self.at):
            return self.again(carton)
        if carton.is_short:
            short = Discrepancy.objects.live().get(carton=carton, kind=Kind.SHORT)
            discrepancies.one_found(short, note=_("scanned"), actor=self.actor, at=self.at)
            return self.said(ScanResult.FOUND, carton, _("It was declared short; now it is found."))
        if carton.arrival_id != self.arrival.pk:
            trailer = {"trailer": carton.arrival.trailer_number}
            self.put(carton)
            return self.said(ScanResult.OTHER_TRAILER, carton, _("Credited to trailer %(trailer)s.") % trailer)
        if self.pallet and not self.put(carton):
            return self.said(ScanResult.WRONG_PALLET, carton, self.where_it_belongs(carton))
        return self.said(ScanResult.COUNTED, carton, "", pallet=self.pallet)

    def again(self, carton):
        if self.pallet and carton.pallet_id != self.pallet.pk and self.put(carton):
            return self.said(ScanResult.PLACED, carton, _("Counted before; now on this pallet."), pallet=self.pallet)
        detail = _("Counted already.")
        if carton.received_at:
            detail = _("Counted %(when)s by %(who)s.") % {
                "when": f"{clock.local(carton.received_at, self.arrival.site.time_zone):%H:%M}",
                "who": carton.received_by or "",
            }
        return self.said(ScanResult.ALREADY, carton, detail)

    def put(self, carton):
        """Onto the pallet in hand, if that goes where the carton goes."""
        if self.pallet is None or carton.goes_to.pk != self.pallet.store_id:
            return False
        Carton.objects.filter(pk=carton.pk).update(pallet=self.pallet)
        carton.pallet = self.pallet
        return True

    def where_it_belongs(self, carton):
        store = carton.goes_to
        pallet = open_pallets(self.arrival.site).filter(store=store).first()
        if pallet:
            return _("It goes to store %(store)s: pallet %(pallet)s.") % {"store": store, "pallet": pallet}
        return _("It goes to store %(store)s; no pallet is open for it.") % {"store": store}

    def said(self, result, carton, detail, pallet=None):
        return Answer(
            result,
            carton.label,
            carton.arrival,
            carton=carton,
            pallet=pallet,
            detail=detail,
            shipment_id=carton.shipment_id,
        )

    def unlisted(self, label):
        bills = [bill for bill in self.bills() if not bill.has_list]
        if not bills:
            detail = _("It is on no list of an open trailer. Set it aside or log it as over.")
            return Answer(ScanResult.NOT_LISTED, label, self.arrival, detail=detail)
        if self.shipment in bills or len(bills) == 1:
            bill = self.shipment if self.shipment in bills else bills[0]
            return self.blind(label, bill)
        raise Refused(_("Choose the bill this carton counts for."), code="bill_missing", field="shipment")

    def bills(self):
        if not hasattr(self, "_bills"):
            listed = Exists(Carton.objects.filter(shipment=OuterRef("pk")))
            self._bills = list(self.arrival.shipments.annotate(has_list=listed))
        return self._bills

    def blind(self, label, bill):
        counted = Scan.objects.filter(
            arrival=self.arrival, label=label, result=ScanResult.BLIND, undoes__isnull=True, undone_by__isnull=True
        )
        if label in self.fresh or counted.exists():
            return Answer(ScanResult.ALREADY, label, self.arrival, detail=_("Counted already."))
        self.fresh.add(label)
        return Answer(ScanResult.BLIND, label, self.arrival, shipment_id=bill.pk)


def cartons_for(site_id, labels):
    """Listed cartons with these labels on trailers that are being worked or have left, with all an answer shows."""
    short = Discrepancy.objects.filter(carton=OuterRef("pk"), kind=Kind.SHORT, state=DiscrepancyState.OPEN)
    return (
        Carton.objects.filter(
            site=site_id, label__in=labels, arrival__state__in=[*COUNTING_STATES, ArrivalState.RELEASED]
        )
        .select_related("store", "new_store", "arrival", "received_by")
        .annotate(is_short=Exists(short))
    )


def count_one(carton, *, how, actor, at):
    """One more of this carton is here; False if it is counted in full. Of two people at once one gets True."""
    counted = Carton.objects.filter(pk=carton.pk, received__lt=F("expected")).update(
        received=F("received") + 1, received_at=at, received_by=actor, received_how=how
    )
    if counted:
        carton.received += 1
        carton.received_at, carton.received_by = at, actor
    return bool(counted)


def receive_logged(carton, *, seen_at, uuid, actor, at):
    """A logged piece is here: count its carton on its own trailer. Nothing happens where stores are tallied."""
    if TallyTap.objects.filter(shipment=carton.shipment_id, store=carton.store_id).exists():
        return
    with transaction.atomic():
        if not count_one(carton, how=ScanHow.LOG, actor=actor, at=at):
            return
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


def tally(shipment, *, store, count, uuid, actor, at):
    """Count by store: `count` more cartons, or fewer when negative but never below none."""
    refuse_unless_counting(shipment.arrival)
    if count == 0 or abs(count) > 100:
        raise Refused(_("Tally between 1 and 100 cartons at a time."), code="tally_out_of_range", field="count")
    with transaction.atomic():
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


def undo_last(arrival, *, uuid, actor, at):
    """Take back the person's own last count at this trailer: a reversing row, the carton one less."""
    refuse_unless_counting(arrival)
    scan_row = (
        Scan.objects.filter(
            seen_at=arrival,
            actor=actor,
            result__in=[*COUNTING_RESULTS, ScanResult.PLACED],
            undoes__isnull=True,
            undone_by__isnull=True,
        )
        .exclude(how=ScanHow.LOG)
        .select_related("carton", "arrival__site")
        .order_by("-at", "-pk")
        .first()
    )
    tap = (
        TallyTap.objects.filter(shipment__arrival=arrival, actor=actor, undoes__isnull=True, undone_by__isnull=True)
        .select_related("shipment", "store")
        .order_by("-at", "-pk")
        .first()
    )
    if scan_row is None and tap is None:
        raise Refused(_("You have counted nothing here that could be taken back."), code="nothing_to_undo")
    with transaction.atomic():
        if tap is None or (scan_row and scan_row.at >= tap.at):
            return undo_scan(scan_row, uuid=uuid, actor=actor, at=at)
        return undo_tap(tap, uuid=uuid, actor=actor, at=at)


def undo_scan(row, *, uuid, actor, at):
    if row.carton_id and row.result != ScanResult.PLACED:
        hurt = Discrepancy.objects.live().filter(carton=row.carton_id, kind__in=[Kind.DAMAGED, Kind.REROUTED]).first()
        if hurt and row.carton.received <= 1:
            raise Refused(
                _("Carton %(label)s is logged as %(piece)s: it is here. Void that piece first.")
                % {"label": row.label, "piece": hurt},
                code="carton_logged",
            )
        if not Carton.objects.filter(pk=row.carton_id, received__gt=0).update(received=F("received") - 1, pallet=None):
            raise ChangedMeanwhile(_("That carton's count was changed meanwhile. Reload the page."))
    elif row.carton_id:
        Carton.objects.filter(pk=row.carton_id).update(pallet=None)
    back = Scan.objects.create(
        uuid=uuid,
        arrival=row.arrival,
        seen_at=row.seen_at,
        shipment_id=row.shipment_id,
        carton=row.carton,
        label=row.label,
        how=row.how,
        result=row.result,
        undoes=row,
        actor=actor,
        at=at,
    )
    dock.tell(row.arrival, "scan.undone", record=back, actor=actor, at=at, after={"label": row.label})
    return back


def undo_tap(row, *, uuid, actor, at):
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
        tell_pallet(pallet, "pallet.opened", actor=actor, at=at, after={"store": store.number, "staging": staging})
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


def import_scans(arrival, *, data, filename, uuid, pallet=None, shipment=None, actor, at):
    """Scans from elsewhere: a file of carton ids and times, by the same rules. [(line, Answer)], one event."""
    try:
        table = read_table(data, filename=filename)
    except UnreadableTable as why:
        raise Refused(str(why), code=why.code, field="file") from why
    label_at, time_at = columns(table.headings)
    reads = []
    for line, row in table.numbered():
        reads.append(
            (line, Read(row[label_at], uuid5(uuid, str(line)), moment(row[time_at]) if time_at is not None else None))
        )
    if not reads:
        raise Refused(_("The file has no scans under its heading."), code="no_scans", field="file")
    answers = scan(
        arrival,
        reads=[read for _, read in reads],
        pallet=pallet,
        shipment=shipment,
        how=ScanHow.FILE,
        actor=actor,
        at=at,
    )
    return [(line, answer) for (line, _), answer in zip(reads, answers, strict=True)]


def columns(headings):
    names = [heading.strip().lower() for heading in headings]
    label = next((i for i, name in enumerate(names) if name in LABEL_HEADINGS), None)
    if label is None:
        raise Refused(
            _("No column of the file is headed “carton id”. Its headings are: %(headings)s.")
            % {"headings": ", ".join(headings)[:200]},
            code="no_label_column",
            field="file",
        )
    return label, next((i for i, name in enumerate(names) if name in TIME_HEADINGS), None)


def moment(text):
    """The device's word for when; UTC where it names no zone, None where it is no time."""
    try:
        found = parse_datetime(text.strip())
    except ValueError:
        return None
    return found.replace(tzinfo=UTC) if found and found.tzinfo is None else found
