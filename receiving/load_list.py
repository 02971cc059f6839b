"""The load list: a file is kept and looked at, and becomes cartons when somebody confirms it, all of them or none.

The only writer of LoadList and ColumnMapping and the only creator of Carton rows. `confirm` reads the kept file anew,
after checking its hash, so what is taken in is what was uploaded. Its statements do not depend on the number of rows.
"""

import hashlib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import PurePath

from django.core.files.base import ContentFile
from django.db import IntegrityError, connection, transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from receiving import evidence, queries
from receiving.documents import manifest
from receiving.documents.manifest import BadRow, Line, Manifest, Stores
from receiving.documents.tables import MAX_BYTES, Table, UnreadableTable, read_table
from receiving.enums import OPEN_STATES, ArrivalState, DiscrepancyState, Kind, ListState, PiecesUnit, ScanResult
from receiving.models import Arrival, Carton, ColumnMapping, Discrepancy, LoadList, Scan, Store
from receiving.refusals import ChangedMeanwhile, Refused

CLOSED_STATES = (ArrivalState.RELEASED, ArrivalState.REFUSED, ArrivalState.CANCELLED)
NAMED = 12
SAMPLE = 8

COMPARED = {
    "store__number": "store",
    "purchase_order": "purchase_order",
    "description": "description",
    "weight": "weight",
    "unit_value": "unit_value",
    "units": "units",
    "hazmat": "hazmat",
    "food": "food",
    "fragile": "fragile",
    "expected": "expected",
}


@dataclass(frozen=True)
class Opened:
    """A file as it came, and the table in it."""

    data: bytes
    name: str
    table: Table


@dataclass(frozen=True)
class Reading:
    """A kept file read with one mapping. `manifest` is None while a required column is not chosen."""

    table: Table
    mapping: dict
    stores: Stores
    manifest: Manifest | None
    remarks: list[str]

    @property
    def missing(self):
        return [name for name in manifest.REQUIRED if name not in self.mapping["columns"]]

    @property
    def blocking(self):
        """Bad rows that adding stores does not help."""
        return [row for row in self.manifest.bad if row.code != "unknown_store"]


@dataclass
class Difference:
    """The new list against the one in use, by label.

    added -- Lines; removed -- (pk, label); changed -- (pk, Line, names of what differs); moved -- (line number, pk)
    held -- labels among the removed that were scanned or logged, so they cannot go
    shrunk -- (label, received, expected) where more was received than the new list has
    """

    added: list[Line] = field(default_factory=list)
    removed: list[tuple] = field(default_factory=list)
    changed: list[tuple] = field(default_factory=list)
    moved: list[tuple] = field(default_factory=list)
    held: list[str] = field(default_factory=list)
    shrunk: list[tuple] = field(default_factory=list)
    unchanged: int = 0


@dataclass(frozen=True)
class Preview:
    """What would happen if this list were taken in now. Nothing of it is stored.

    `full` is the reading in which unknown stores are added; the same as `reading` where there are none.
    """

    load_list: LoadList
    reading: Reading
    full: Reading
    in_use: LoadList | None = None
    difference: Difference | None = None
    remarks: list[str] = field(default_factory=list)

    @property
    def bad(self) -> list[BadRow]:
        return self.reading.manifest.bad if self.reading.manifest else []

    @property
    def good_rows(self):
        return self.reading.manifest.rows - self.bad_rows

    @property
    def bad_rows(self):
        return self.reading.manifest.bad_lines

    @property
    def headline(self):
        good = ngettext("%(count)s row is good", "%(count)s rows are good", self.good_rows)
        good %= {"count": f"{self.good_rows:,}"}
        if not self.bad_rows:
            return good
        bad = ngettext("%(count)s is not", "%(count)s are not", self.bad_rows) % {"count": f"{self.bad_rows:,}"}
        return f"{good}, {bad}"

    @property
    def sample(self) -> list[Line]:
        return self.full.manifest.lines[:SAMPLE]

    @property
    def new_stores(self):
        return sorted(self.reading.stores.new)

    @property
    def listed(self):
        """Good cartons of the list, those of unknown stores included."""
        return self.full.manifest.cartons

    @property
    def billed(self):
        shipment = self.load_list.shipment
        return shipment.pieces if shipment.pieces_unit == PiecesUnit.CARTONS else None

    @property
    def beyond_bill(self):
        return 0 if self.billed is None else self.listed - self.billed

    @property
    def can_take_in(self):
        return bool(self.reading.manifest) and not self.reading.blocking and not self.refusal

    @property
    def refusal(self):
        """The sentence why this list cannot replace the one in use, or ""."""
        return why_not_replace(self.difference) if self.difference else ""


def refuse_when_closed(arrival):
    if arrival.state in CLOSED_STATES:
        raise Refused(
            _("Trailer %(trailer)s is %(state)s. Reopen it first; its list was part of what was signed.")
            % {"trailer": arrival.trailer_number, "state": arrival.get_state_display()},
            code="trailer_closed",
        )


# -- The file ----------------------------------------------------------------------------------------------------------


def open_file(upload, *, filename):
    """The upload's bytes and the table in them, or `Refused`. Touches no database: call it before a transaction."""
    if getattr(upload, "size", 0) > MAX_BYTES:
        data = b""
        why = UnreadableTable("too_big", file=filename, size=-(-upload.size // 1_000_000), limit=MAX_BYTES // 1_000_000)
        raise Refused(str(why), code=why.code, field="file")
    data = upload.read()
    try:
        return Opened(data, plain_name(filename), read_table(data, filename=filename))
    except UnreadableTable as why:
        raise Refused(str(why), code=why.code, field="file") from why


def plain_name(filename):
    name = "".join(c for c in PurePath(filename.replace("\\", "/")).name if c.isprintable())
    return name[-200:] or "list"


def receive_file(shipment, *, uuid, upload, filename, actor, at):
    """Keep an uploaded list with its hash, ready to be looked at. No carton exists yet.

    upload -- a file open for reading, or what `open_file` made of it
    """
    refuse_when_closed(shipment.arrival)
    opened = upload if isinstance(upload, Opened) else open_file(upload, filename=filename)
    load_list = LoadList(
        shipment=shipment,
        uuid=uuid,
        name=opened.name,
        sha256=hashlib.sha256(opened.data).hexdigest(),
        size=len(opened.data),
        mapping=recognise(opened.table.headings, shipment.account),
        rows=len(opened.table.rows),
        uploaded_at=at,
        uploaded_by=actor,
    )
    load_list.file.save(f"{uuid}.{opened.table.kind}", ContentFile(opened.data), save=False)
    try:
        with transaction.atomic():
            load_list.save(force_insert=True)
            tell(
                load_list,
                "uploaded",
                actor=actor,
                at=at,
                after={"name": opened.name, "sha256": load_list.sha256, "size": load_list.size, "rows": load_list.rows},
            )
    except BaseException:
        load_list.file.delete(save=False)
        raise
    return load_list


def content(load_list):
    """The kept bytes, after their hash was checked."""
    try:
        with load_list.file.storage.open(load_list.file.name, "rb") as kept:
            data = kept.read()
    except OSError as error:
        raise Refused(
            _("The kept file of %(name)s is missing. Upload the list again.") % {"name": load_list.name},
            code="file_missing",
        ) from error
    if hashlib.sha256(data).hexdigest() != load_list.sha256:
        raise Refused(
            _("The kept file of %(name)s is not what was uploaded: its hash differs. Upload the list again.")
            % {"name": load_list.name},
            code="file_altered",
        )
    return data


def tell(load_list, verb, *, actor, at, before=None, after=None):
    arrival = load_list.shipment.arrival
    evidence.append(
        site=arrival.site,
        verb=f"load_list.{verb}",
        record=load_list,
        arrival=arrival,
        actor=actor,
        at=at,
        before=before,
        after=after,
    )


# -- Its columns -------------------------------------------------------------------------------------------------------


def recognise(headings, account):
    """{"columns": {field: column}, "decimal": sign}: as remembered for the account, else as the headings tell."""
    remembered = ColumnMapping.objects.filter(account=account, headings=manifest.fingerprint(headings)).first()
    if remembered:
        return remembered.mapping
    return {"columns": manifest.recognise_headings(headings)[0], "decimal": ""}


def set_mapping(load_list, *, mapping, actor, at, table=None):
    """A person says which column is what; remembered for the account's next list with these headings."""
    refuse_when_closed(load_list.shipment.arrival)
    table = table or read_table(content(load_list), filename=load_list.name)
    check_mapping(mapping, table.headings)
    with transaction.atomic():
        waiting = LoadList.objects.filter(pk=load_list.pk, state=ListState.PREVIEW)
        if not waiting.update(mapping=mapping):
            raise no_longer_waiting(load_list)
        ColumnMapping.objects.update_or_create(
            account_id=load_list.shipment.account_id,
            headings=manifest.fingerprint(table.headings),
            defaults={"mapping": mapping},
        )
        tell(load_list, "mapped", actor=actor, at=at, before=load_list.mapping, after=mapping)
    load_list.mapping = mapping
    return load_list


def check_mapping(mapping, headings):
    columns = mapping["columns"]
    for name in manifest.REQUIRED:
        if name not in columns:
            raise Refused(
                _("Choose the column that holds the %(field)s.") % {"field": manifest.FIELDS[name]},
                code="column_missing",
                field=name,
            )
    for name, column in columns.items():
        if name not in manifest.FIELDS or not 0 <= column < len(headings):
            raise Refused(_("The list has no such column. Choose again."), code="no_such_column", field=name)
    twice = [column for column, times in Counter(columns.values()).items() if times > 1]
    if twice:
        raise Refused(
            _("Column “%(column)s” is chosen twice. One column can be one thing only.")
            % {"column": headings[twice[0]]},
            code="column_twice",
            field=next(name for name, column in reversed(columns.items()) if column == twice[0]),
        )


def no_longer_waiting(load_list):
    now = LoadList.objects.select_related("confirmed_by").get(pk=load_list.pk)
    if now.state == ListState.PREVIEW:
        return ChangedMeanwhile(_("Somebody else was working on this list just now. Look at it again."))
    return ChangedMeanwhile(
        _("This list is not waiting any more; it is: %(state)s. Nothing of yours was stored.")
        % {"state": now.get_state_display()},
        code="not_waiting",
    )


# -- Looking at it -----------------------------------------------------------------------------------------------------


def read(load_list, *, mapping=None, add_stores=False, table=None):
    """The kept file as cartons-to-be. One small query, no write: do it before a transaction."""
    table = table or read_table(content(load_list), filename=load_list.name)
    if mapping is not None:
        check_mapping(mapping, table.headings)
    mapping = mapping or load_list.mapping
    site = load_list.shipment.arrival.site
    stores = known_stores(load_list.shipment, add=add_stores)
    remarks = doubts(table.headings, mapping)
    found = None
    if not set(manifest.REQUIRED) - set(mapping["columns"]):
        found = manifest.read_rows(
            table,
            mapping=mapping["columns"],
            stores=stores,
            decimal=mapping.get("decimal", ""),
            weight_unit=site.weight_unit,
            currency=site.currency,
        )
        remarks += found.remarks
    return Reading(table, mapping, stores, found, remarks)


def known_stores(shipment, *, add=False):
    numbers = Store.objects.filter(site_id=shipment.arrival.site_id, account_id=shipment.account_id)
    rows = list(numbers.values_list("number", "active"))
    known = frozenset(number for number, active in rows if active)
    return Stores(known=known, retired=frozenset(number for number, active in rows if not active), add=add)


def doubts(headings, mapping):
    """Sentences about columns that are not read, so that nothing is left out unseen."""
    used = set(mapping["columns"].values())
    unread = [heading for column, heading in enumerate(headings) if column not in used and heading]
    found = [] if mapping["columns"].keys() >= set(manifest.REQUIRED) else manifest.recognise_headings(headings)[1]
    if unread:
        found.append(_("Columns that are not read: %(columns)s.") % {"columns": manifest.quoted(unread)})
    return found


def preview(load_list, *, mapping=None, add_stores=False):
    """What the file holds and what would change. Reads only; queries do not depend on the number of rows."""
    reading = read(load_list, mapping=mapping, add_stores=add_stores)
    if reading.manifest is None:
        return Preview(load_list, reading, reading, remarks=reading.remarks)
    full = reading
    if reading.stores.new and not add_stores:
        full = read(load_list, mapping=reading.mapping, add_stores=True, table=reading.table)
    in_use = list_in_use(load_list.shipment)
    shipment = load_list.shipment
    labels = {line.label for line in full.manifest.lines}
    remarks = reading.remarks + on_other_lists(shipment, labels) + logged_as_over(shipment, labels)
    if in_use is None:
        return Preview(load_list, reading, full, remarks=remarks + counted_blind(shipment, labels))
    return Preview(load_list, reading, full, in_use, difference(shipment, full.manifest), remarks)


def list_in_use(shipment):
    return LoadList.objects.filter(shipment=shipment, state=ListState.CONFIRMED).first()


def difference(shipment, found):
    """`found` against the cartons of `shipment` as they are, by label."""
    new = {line.label: line for line in found.lines}
    result = Difference()
    names = list(COMPARED.values())
    rows = Carton.objects.filter(shipment=shipment).order_by("line", "pk")
    for pk, label, received, at_line, *was in rows.values_list("pk", "label", "received", "line", *COMPARED):
        line = new.pop(label, None)
        if line is None:
            result.removed.append((pk, label))
            continue
        what = [name for name, value in zip(names, was, strict=True) if value != getattr(line, name)]
        if line.expected < received:
            result.shrunk.append((label, received, line.expected))
        if what:
            result.changed.append((pk, line, what))
            continue
        result.unchanged += 1
        if line.line != at_line:
            result.moved.append((line.line, pk))
    result.added = list(new.values())
    result.held = held(shipment, result.removed) if result.removed else []
    return result


def held(shipment, removed):
    """Labels of `removed` that scans or logged pieces point at: evidence is never cut loose from its carton."""
    pointed = set(Scan.objects.filter(carton__shipment=shipment).values_list("carton", flat=True))
    pointed |= set(Discrepancy.objects.filter(carton__shipment=shipment).values_list("carton", flat=True))
    pointed |= set(Carton.objects.filter(shipment=shipment, received__gt=0).values_list("pk", flat=True))
    return [label for pk, label in removed if pk in pointed]


def why_not_replace(found):
    if found.held:
        return ngettext(
            "%(count)s carton was scanned or logged on this trailer and is not in the new list: %(labels)s. Put it "
            "into the file and upload it again; what was written down stays.",
            "%(count)s cartons were scanned or logged on this trailer and are not in the new list: %(labels)s. Put "
            "them into the file and upload it again; what was written down stays.",
            len(found.held),
        ) % {"count": len(found.held), "labels": named(found.held)}
    if found.shrunk:
        label, received, expected = found.shrunk[0]
        return _(
            "Of label %(label)s %(received)s were received, the new list has only %(expected)s. Correct the file."
        ) % {
            "label": label,
            "received": received,
            "expected": expected,
        }
    return ""


def named(labels):
    shown = ", ".join(labels[:NAMED])
    left = len(labels) - NAMED
    return shown if left <= 0 else _("%(labels)s and %(count)s more") % {"labels": shown, "count": left}


def on_other_lists(shipment, labels):
    """Labels that another trailer of the site still expects: a scan may be credited there."""
    others = (
        Carton.objects.filter(site_id=shipment.arrival.site_id)
        .filter(arrival__state__in=[ArrivalState.EXPECTED, *OPEN_STATES])
        .exclude(shipment=shipment)
        .values_list("label", "arrival__trailer_number")
    )
    found = {}
    for label, trailer in others.iterator(chunk_size=20_000):
        if label in labels:
            found.setdefault(trailer, []).append(label)
    return [
        _("On the list of trailer %(trailer)s too: %(labels)s.") % {"trailer": trailer, "labels": named(sorted(same))}
        for trailer, same in sorted(found.items())
    ]


def logged_as_over(shipment, labels):
    overs = Discrepancy.objects.filter(
        arrival_id=shipment.arrival_id, kind=Kind.OVER, state=DiscrepancyState.OPEN, carton__isnull=True
    )
    found = [f"P-{number} ({label})" for number, label in overs.values_list("number", "label") if label in labels]
    if not found:
        return []
    return [
        _("Logged as over, and on this list: %(pieces)s. Correct them after taking it in.") % {"pieces": named(found)}
    ]


def blind_scans(shipment):
    """{label: scan} of what was counted before there was a list, taken-back scans left out."""
    scans = queries.blind_scans([shipment.arrival_id]).filter(shipment=shipment, result=ScanResult.BLIND)
    return {scan.label: scan for scan in scans.order_by("-at", "-pk")}


def counted_blind(shipment, labels):
    scans = blind_scans(shipment)
    if not scans:
        return []
    strangers = sorted(scans.keys() - labels)
    remarks = [
        _("%(count)s cartons were counted before there was a list; those on it count as received.")
        % {"count": len(scans) - len(strangers)}
    ]
    if strangers:
        remarks.append(_("Counted, but not on this list: %(labels)s. Log them as over.") % {"labels": named(strangers)})
    return remarks


# -- Taking it in ------------------------------------------------------------------------------------------------------


def confirm(load_list, *, mapping=None, add_stores=False, replaces=None, actor, at, reading=None):
    """Make the list's rows the shipment's cartons, all or none.

    mapping -- as the person saw it in the preview; None takes the stored one
    add_stores -- unknown stores become stores of the account
    replaces -- pk of the list in use that the person saw; None where there was none
    reading -- what `read` gave with the same arguments, to keep the reading out of a surrounding transaction

    Cartons whose label stays keep what was received; one that was scanned or logged cannot vanish. Side effects: the
    list in use becomes REPLACED, stores are added, one event.
    """
    reading = reading or read(load_list, mapping=mapping, add_stores=add_stores)
    refuse_unfit(reading)
    try:
        with transaction.atomic():
            claim(load_list, reading=reading, replaces=replaces, actor=actor, at=at)
            told = write_cartons(load_list, reading, replaces=replaces)
            told |= {"sha256": load_list.sha256, "mapping": reading.mapping, "replaces": replaces}
            tell(load_list, "confirmed", actor=actor, at=at, after=told)
    except IntegrityError as error:
        raise ChangedMeanwhile(
            _("Somebody else changed this trailer's list or scanned a carton of it just now. Look at the list again.")
        ) from error
    load_list.refresh_from_db()
    return load_list


def refuse_unfit(reading):
    if reading.manifest is None:
        check_mapping(reading.mapping, reading.table.headings)
    if not reading.manifest.bad:
        return
    count = reading.manifest.bad_lines
    if not reading.blocking:
        raise Refused(
            ngettext(
                "%(count)s store is not known: %(stores)s. Tick “add these stores”, or correct the file.",
                "%(count)s stores are not known: %(stores)s. Tick “add these stores”, or correct the file.",
                len(reading.stores.new),
            )
            % {"count": len(reading.stores.new), "stores": named(sorted(reading.stores.new))},
            code="unknown_store",
            field="add_stores",
        )
    first = reading.blocking[0]
    raise Refused(
        ngettext(
            "%(count)s row is not good, so nothing was taken in. Line %(line)s, %(column)s: %(reason)s",
            "%(count)s rows are not good, so nothing was taken in. The first is line %(line)s, %(column)s: %(reason)s",
            count,
        )
        % {"count": count, "line": first.line, "column": first.column, "reason": first.reason},
        code="bad_rows",
    )


def claim(load_list, *, reading, replaces, actor, at):
    """The one door of a list's state to CONFIRMED: of two people one wins, the other is told."""
    shipment = load_list.shipment
    refuse_when_closed(Arrival.objects.get(pk=shipment.arrival_id))
    in_use = LoadList.objects.filter(shipment=shipment, state=ListState.CONFIRMED)
    replaced = in_use.filter(pk=replaces).update(state=ListState.REPLACED) if replaces else 0
    if bool(replaces) != bool(replaced) or in_use.exists():
        raise ChangedMeanwhile(
            _("Another list was taken in for bill %(bill)s since you looked. Look at the difference again.")
            % {"bill": shipment.bill_number}
        )
    if not LoadList.objects.filter(pk=load_list.pk, state=ListState.PREVIEW).update(
        state=ListState.CONFIRMED,
        mapping=reading.mapping,
        rows=reading.manifest.rows,
        confirmed_at=at,
        confirmed_by=actor,
    ):
        raise no_longer_waiting(load_list)


def write_cartons(load_list, reading, *, replaces):
    """Insert, change and remove cartons so that they are the list's; returns what the event tells of it."""
    shipment, lines = load_list.shipment, reading.manifest.lines
    stores, added = store_keys(shipment, reading)
    told = {"rows": reading.manifest.rows, "cartons": reading.manifest.cartons, "stores_added": added}
    if not replaces:
        blind = blind_scans(shipment)
        insert(shipment, lines, stores, blind)
        strangers = sorted(blind.keys() - {line.label for line in lines}) if blind else []
        return told | {"counted_before": len(blind) - len(strangers), "counted_not_listed": strangers}
    found = difference(shipment, reading.manifest)
    if why := why_not_replace(found):
        raise Refused(why, code="received_carton_missing")
    remove(found.removed)
    change(found.changed, stores)
    if found.moved:
        run(f"UPDATE {TABLE} SET line = %s WHERE id = %s", found.moved)
    insert(shipment, found.added, stores, {})
    return told | {
        "added": [line.label for line in found.added],
        "removed": [label for _pk, label in found.removed],
        "changed": {line.label: what for _pk, line, what in found.changed},
    }


def store_keys(shipment, reading):
    """({number: pk} of every store the list names, numbers that were added for it)."""
    site_id, account_id = shipment.arrival.site_id, shipment.account_id
    added = sorted(reading.stores.new)
    if added:
        Store.objects.bulk_create(
            [Store(site_id=site_id, account_id=account_id, number=number) for number in added], ignore_conflicts=True
        )
    rows = Store.objects.filter(site_id=site_id, account_id=account_id, active=True).values_list("number", "pk")
    keys = dict(rows)
    if gone := {line.store for line in reading.manifest.lines} - keys.keys():
        raise ChangedMeanwhile(
            _("Stores were taken out of use since you looked: %(stores)s. Look at the list again.")
            % {"stores": named(sorted(gone))}
        )
    return keys, added


FACTS = [
    "store_id",
    "purchase_order",
    "description",
    "weight",
    "unit_value",
    "units",
    "hazmat",
    "food",
    "fragile",
    "expected",
]
RECEIPT = ["received", "received_at", "received_by_id", "received_how", "pallet_id"]
INSERTED = ["site_id", "arrival_id", "shipment_id", "line", "label", *FACTS, *RECEIPT]
TABLE = Carton._meta.db_table


def insert(shipment, lines, stores, blind):
    """One `executemany`: an ORM insert would cut 900 rows into twenty statements on SQLite."""
    if not lines:
        return
    head = (shipment.arrival.site_id, shipment.arrival_id, shipment.pk)
    moment = connection.ops.adapt_datetimefield_value
    not_received = (0, None, None, "", None)
    rows = []
    for line in lines:
        scan = blind.get(line.label)
        receipt = (1, moment(scan.at), scan.actor_id, scan.how, scan.pallet_id) if scan else not_received
        rows.append((*head, line.line, line.label, stores[line.store], *line[3:], *receipt))
    values = ", ".join(["%s"] * len(INSERTED))
    run(f"INSERT INTO {TABLE} ({', '.join(INSERTED)}) VALUES ({values})", rows)


def change(changed, stores):
    """New facts for cartons whose label stays. What was received and where it is rerouted to is not touched."""
    rows = [(line.line, stores[line.store], *line[3:], pk, line.expected) for pk, line, _what in changed]
    sets = ", ".join(f"{column} = %s" for column in ["line", *FACTS])
    if rows and run(f"UPDATE {TABLE} SET {sets} WHERE id = %s AND received <= %s", rows) != len(rows):
        raise counted_meanwhile()


def remove(removed):
    rows = [(pk,) for pk, _label in removed]
    if rows and run(f"DELETE FROM {TABLE} WHERE id = %s AND received = 0", rows) != len(rows):
        raise counted_meanwhile()
    if rows and connection.vendor == "postgresql":
        # Foreign keys are looked at when the transaction ends; a scan that came meanwhile must be told of here.
        connection.check_constraints()


def counted_meanwhile():
    return ChangedMeanwhile(_("Cartons of this list were counted since you looked. Look at the difference again."))


def run(statement, rows):
    with connection.cursor() as cursor:
        cursor.executemany(statement, rows)
        return cursor.rowcount


def discard(load_list, *, actor, at):
    """The list is not wanted. Its file stays, with its hash."""
    with transaction.atomic():
        waiting = LoadList.objects.filter(pk=load_list.pk, state=ListState.PREVIEW)
        if not waiting.update(state=ListState.DISCARDED):
            raise no_longer_waiting(load_list)
        tell(load_list, "discarded", actor=actor, at=at, before={"state": load_list.state})
    load_list.refresh_from_db()
    return load_list
