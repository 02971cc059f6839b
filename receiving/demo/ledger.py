"""Rows of the past: gathered in memory, written in a few statements, every change told in the chain in its order."""

from bisect import bisect_right
from collections import defaultdict

from receiving import discrepancies, evidence
from receiving.models import (
    Arrival,
    Carton,
    Discrepancy,
    DiscrepancyVersion,
    Finding,
    IncidentNote,
    LoadList,
    Looked,
    Moment,
    Photo,
    Refusal,
    Scan,
    SealRecord,
    Shipment,
    ShipmentCarrier,
    TallyTap,
)

ORDER = (
    Arrival,
    Moment,
    Shipment,
    ShipmentCarrier,
    SealRecord,
    LoadList,
    Carton,
    Scan,
    TallyTap,
    Refusal,
    Looked,
    Discrepancy,
    DiscrepancyVersion,
    Finding,
    IncidentNote,
    Photo,
)


class Ledger:
    """`add` rows in any order, `tell` their events; `write` stores the rows, `close` chains the events by time.

    A row may point at another that is not stored yet. What an event or a version says may be a function, called
    without arguments once every row has its key.
    """

    def __init__(self):
        self.rows = defaultdict(list)
        self.events = defaultdict(list)
        self.waiting = []
        self.sorted = {}

    def add(self, row):
        self.rows[type(row)].append(row)
        return row

    def version(self, piece, number, *, actor, at, reason="", was=None):
        """The piece as it was said to be at that version: as it is now, but for `was`."""
        row = self.add(DiscrepancyVersion(discrepancy=piece, version=number, reason=reason, actor=actor, at=at))
        row.told = was or {}
        return row

    def tell(self, site, verb, record, *, actor, at, **told):
        entry = {"verb": verb, "record": record, "actor": actor, "at": at, **told}
        self.events[site].append(entry)
        self.waiting.append(entry)

    def write(self):
        for model in ORDER:
            rows = self.rows.pop(model, [])
            if model is DiscrepancyVersion:
                for row in rows:
                    row.facts = discrepancies.told_facts(row.discrepancy) | row.told
            model._default_manager.bulk_create(rows)
        for entry in self.waiting:
            settle(entry)
        self.waiting = []

    def close(self, until=None):
        """Chain the events by time: all of them, or those up to a moment."""
        for site, entries in self.events.items():
            if self.sorted.get(site) != len(entries):
                entries.sort(key=moment_of)
            due = len(entries) if until is None else bisect_right(entries, until, key=moment_of)
            if due:
                evidence.append_many(site=site, entries=entries[:due])
                del entries[:due]
            self.sorted[site] = len(entries)


def moment_of(entry):
    return entry["at"]


def settle(entry):
    """Now that every row has its key: what the event says, and the name of its record."""
    for name in ("before", "after"):
        if callable(entry.get(name)):
            entry[name] = entry[name]()
    if not isinstance(entry["record"], str):
        entry["record"] = evidence.name_of(entry["record"])
