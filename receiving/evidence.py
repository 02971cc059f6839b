"""The append-only log: each site's events in one chain, every one holding the hash of the one before it.

`append` and `append_many` are the only writers of `Event`. Call them in the transaction of the change they tell of.
"""

import hashlib
import json
from contextvars import ContextVar
from functools import cache

from django.core.serializers.json import DjangoJSONEncoder
from django.db import connection, transaction
from django.db.models import AutoField
from django.utils import timezone

from receiving.models import ChainHead, Event

source = ContextVar("source", default="")
# What the phone that sent the record said of itself; the event keeps it beside what changed.
device = ContextVar("device", default=None)
GENESIS = "0" * 64


def canonical(value):
    """The one text of a JSON value: sorted keys, no blanks, UTF-8. What is hashed must never depend on storage."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, cls=DjangoJSONEncoder)


def sha256(text):
    return digest(text.encode())


def digest(data):
    return hashlib.sha256(data).hexdigest()


def plain(value):
    return None if value is None else json.loads(canonical(value))


def event_hash(event, *, site_code):
    """SHA-256 over everything the event says and the hash before it."""
    return sha256(
        canonical(
            {
                "site": site_code,
                "seq": event.seq,
                "verb": event.verb,
                "record": event.record,
                "actor": event.actor_name,
                "at": event.at.astimezone(timezone.get_default_timezone()).isoformat(timespec="microseconds"),
                "source": event.source,
                "before": event.before,
                "after": event.after,
                "previous": event.previous,
            }
        )
    )


def append(*, site, verb, record, actor, at, arrival=None, discrepancy=None, before=None, after=None):
    """Write the next event of `site`'s chain and move its head. Needs an open transaction.

    record -- the model instance that changed, or its name as text
    before, after -- JSON-able dicts of what was said then and is said now
    """
    if not transaction.get_connection().in_atomic_block:
        raise transaction.TransactionManagementError("evidence.append needs the transaction of the change itself")
    seq, previous = lock_head(site)
    event = Event(
        site=site,
        seq=seq + 1,
        verb=verb,
        record=record if isinstance(record, str) else name_of(record),
        arrival=arrival,
        discrepancy=discrepancy,
        actor=actor,
        actor_name=str(actor),
        at=at,
        source=source.get(),
        before=plain(before),
        after=plain(with_device(after)),
        previous=previous,
    )
    event.hash = event_hash(event, site_code=site.code)
    insert([event])
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE receiving_chainhead SET seq = %s, hash = %s WHERE site_id = %s", [event.seq, event.hash, site.pk]
        )
    return event


def with_device(after):
    told = device.get()
    return after if told is None else {**(after or {}), "from_phone": told}


def lock_head(site):
    """(seq, hash) of the last event; nobody else can append to this chain until the transaction ends."""
    if not connection.features.has_select_for_update:
        statement = "SELECT seq, hash FROM receiving_chainhead WHERE site_id = %s"
    else:
        statement = "SELECT seq, hash FROM receiving_chainhead WHERE site_id = %s FOR UPDATE"
    with connection.cursor() as cursor:
        cursor.execute(statement, [site.pk])
        found = cursor.fetchone()
    if found:
        return found
    ChainHead.objects.get_or_create(pk=site.pk)
    return lock_head(site)


@cache
def insert_statement(model):
    fields = [field for field in model._meta.concrete_fields if not isinstance(field, AutoField)]
    columns = ", ".join(connection.ops.quote_name(field.column) for field in fields)
    values = ", ".join(["%s"] * len(fields))
    return f"INSERT INTO {connection.ops.quote_name(model._meta.db_table)} ({columns}) VALUES ({values})", fields


def insert(rows, *, unless_there=False):
    """Write new rows of one model, all fields given, by one plain statement: every scan and every event goes this way,
    and the ORM needs several times as long to word it. Keys that the database gives are not read back.
    Gives how many were written.

    unless_there -- leave out a row whose key is taken, also by a transaction that commits meanwhile; else that raises
    """
    statement, fields = insert_statement(type(rows[0]))
    values = [[field.get_db_prep_save(getattr(row, field.attname), connection) for field in fields] for row in rows]
    with connection.cursor() as cursor:
        cursor.executemany(f"{statement} ON CONFLICT DO NOTHING" if unless_there else statement, values)
        return cursor.rowcount


def append_many(*, site, entries):
    """Write many events of `site` in the given order, as `append` would one by one, in one statement and one move.

    entries -- dicts with `verb`, `record`, `actor`, `at` and where there are any `arrival`, `discrepancy`, `before`,
    `after`. Needs an open transaction; nobody else can append meanwhile.
    """
    if not transaction.get_connection().in_atomic_block:
        raise transaction.TransactionManagementError("evidence.append_many needs the transaction of the changes")
    ChainHead.objects.get_or_create(pk=site.pk)
    last = ChainHead.objects.select_for_update().get(pk=site.pk)
    events, seq, previous = [], last.seq, last.hash
    for entry in entries:
        seq += 1
        told = {"before": plain(entry.get("before")), "after": plain(with_device(entry.get("after")))}
        event = Event(site=site, seq=seq, source=source.get(), previous=previous, **(entry | told))
        event.record = entry["record"] if isinstance(entry["record"], str) else name_of(entry["record"])
        event.actor_name = str(entry["actor"])
        event.hash = previous = event_hash(event, site_code=site.code)
        events.append(event)
    Event.objects.bulk_create(events, batch_size=2000)
    ChainHead.objects.filter(pk=site.pk).update(seq=seq, hash=previous)
    return events


def name_of(record):
    return f"{record._meta.model_name}:{record.pk}"


def head(site):
    """(seq, hash) of the last event; what a sheet prints so that paper anchors the log."""
    row = ChainHead.objects.filter(pk=site.pk).values_list("seq", "hash").first()
    return row or (0, GENESIS)


def changed(before, after):
    """Only the keys that differ, as a (before, after) pair of dicts."""
    keys = [key for key in after if before.get(key) != after[key]]
    return {key: before.get(key) for key in keys}, {key: after[key] for key in keys}


def facts(record, fields):
    """The named fields of a record as a dict that can be told in an event: foreign keys by id."""
    return {name: getattr(record, record._meta.get_field(name).attname) for name in fields}
