"""One scan through the real server, against a bare view of the same server and a bare transaction of the same rows.

The scan is posted as the count page's script posts it, by a person signed in, at a trailer of 900 listed cartons.
The bare view goes through the same middleware and login and answers "ok"; the transaction writes once more the rows the
scan wrote, for another site's trailer, by the database's own driver. Interleaved; goal: at most twice their sum.
"""

import json
import statistics
import time
import uuid
from typing import NamedTuple

import bench
from bench import server

GOAL = 2.0
ROUNDS = 400
WARM = 40


class Rows:
    """The bare transaction: the rows of a scan again, for `arrival`."""

    def __init__(self, connection, arrival):
        from receiving.models import Carton, ChainHead, Event, Scan, Submission

        connection.ensure_connection()
        self.raw = connection.connection
        self.mark, self.begin = ("?", "BEGIN IMMEDIATE") if connection.vendor == "sqlite" else ("%s", "BEGIN")
        self.tables = {"scan": Scan, "event": Event, "submission": Submission}
        self.arrival = arrival
        self.cartons = dict(Carton.objects.filter(arrival=arrival).values_list("label", "pk"))
        self.seq = ChainHead.objects.get(pk=arrival.site_id).seq

    def sql(self, text):
        return text.replace("?", self.mark)

    def read(self, table, where, value):
        """The one row as the database keeps it, {column: value}."""
        found = self.raw.execute(self.sql(f"SELECT * FROM receiving_{table} WHERE {where} = ?"), [value])
        names = [column[0] for column in found.description]
        (row,) = found.fetchall()
        return dict(zip(names, row, strict=True))

    def insertion(self, table, row):
        row.pop("id", None)
        marks = ", ".join("?" * len(row))
        values = [json.dumps(value) if isinstance(value, dict) else value for value in row.values()]
        return self.sql(f"INSERT INTO receiving_{table} ({', '.join(row)}) VALUES ({marks})"), values

    def statements(self, label, number):
        """What a scan of `label` under the UUID `number` wrote, worded for the other trailer."""
        adapted = number.hex if self.mark == "?" else number
        scan = self.read("scan", "uuid", adapted)
        event = self.read("event", "record", f"scan:{number}")
        submission = self.read("submission", "uuid", adapted)
        carton = self.read("carton", "id", scan["carton_id"])
        key = self.cartons[label]
        self.seq += 1
        fresh = uuid.uuid4().hex
        here = {"arrival_id": self.arrival.pk}
        return [
            (
                self.sql(
                    "UPDATE receiving_carton SET received = received + 1, received_at = ?, received_by_id = ?, "
                    "received_how = ? WHERE id = ? AND received < expected"
                ),
                [carton["received_at"], carton["received_by_id"], carton["received_how"], key],
            ),
            self.insertion("scan", scan | here | {"uuid": fresh, "seen_at_id": self.arrival.pk, "carton_id": key}),
            self.insertion("event", event | here | {"site_id": self.arrival.site_id, "seq": self.seq}),
            (
                self.sql("UPDATE receiving_chainhead SET seq = ?, hash = ? WHERE site_id = ?"),
                [self.seq, event["hash"], self.arrival.site_id],
            ),
            self.insertion("submission", submission | {"uuid": fresh}),
        ]

    def write(self, statements):
        """Seconds for all of them in one transaction, committed to the disk."""
        start = time.perf_counter()
        self.raw.execute(self.begin)
        changed = [self.raw.execute(text, values).rowcount for text, values in statements]
        self.raw.execute("COMMIT")
        took = time.perf_counter() - start
        assert changed == [1] * len(statements), changed
        return took


class Round(NamedTuple):
    """Seconds."""

    scan: float
    ok: float
    rows: float

    @property
    def ratio(self):
        return self.scan / (self.ok + self.rows)


def measure(browser, rows, labels):
    for label in labels:
        scan, number = browser.scan(label)
        statements = rows.statements(label, number)
        yield Round(scan, browser.ok(label), rows.write(statements))


def main():
    with server.scratch_database() as connection:
        here, there = server.make_site("BEN"), server.make_site("OTH")
        (person,), (other,) = server.make_people(here, 1), server.make_people(there, 1)
        arrival, labels = server.make_trailer(here, person)
        rows = Rows(connection, server.make_trailer(there, other)[0])
        with server.serving(connection) as port:
            browser = server.Browser(port, person, arrival)
            found = list(measure(browser, rows, labels[: WARM + ROUNDS]))[WARM:]
            browser.close()
        return report(connection.vendor, found)


def report(vendor, found):
    usual = Round(*(statistics.median(column) for column in zip(*found, strict=True)))
    print(
        f"scan: {vendor}, {len(found)} rounds: {usual.scan * 1000:.2f} ms against {usual.ok * 1000:.2f} ms for the "
        f"bare view and {usual.rows * 1000:.2f} ms for the bare transaction"
    )
    return bench.told("scan", usual.ratio, [one.ratio for one in found], GOAL)


if __name__ == "__main__":
    raise SystemExit(main())
