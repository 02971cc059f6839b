"""A load list taken in, against the least that could be: the same bytes parsed and inserted by one bare `executemany`.

Both write the same rows into the same table in one transaction that is committed; ours also checks the kept file's
hash, reads every cell as what it claims to be, checks labels and stores, moves the list's state and writes its event.
Interleaved; the ratio of medians is the figure, with the spread of the single ratios beside it.
"""

import csv
import io
import statistics
import time
import uuid
from datetime import UTC, datetime
from typing import NamedTuple

GOAL = 3.0
SIZES = (900, 20_000)
HEADINGS = ["carton", "store", "order", "description", "pieces", "weight", "value", "units", "food", "fragile"]
AT = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)


class Result(NamedTuple):
    """Seconds are medians; `low` and `high` the middle half of the ratios of neighbouring rounds."""

    rows: int
    ours: float
    bound: float
    low: float
    high: float

    @property
    def ratio(self):
        return self.ours / self.bound

    def __str__(self):
        verdict = "reached" if self.ratio <= GOAL else "MISSED"
        return (
            f"load list of {self.rows:>6,} rows: {self.ours * 1000:7.1f} ms against {self.bound * 1000:7.1f} ms bare, "
            f"ratio {self.ratio:.2f} ({self.low:.2f} to {self.high:.2f}), goal {GOAL:.0f}: {verdict}"
        )


def example(count):
    """An ordinary list of ten columns: CSV bytes."""
    from receiving.identifiers import sscc

    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(
        ["carton", "store", "order", "description", "pieces", "weight", "value", "units", "food", "fragile"]
    )
    for i in range(count):
        text = 'Box 12" tall' if i % 3 else f"Carton, small things {i % 40}"
        label = sscc.with_check_digit(f"19521234{i:09d}")
        row = [label, i % 90, f"PO{i // 12:05d}", text, 1, f"{5 + i % 37}.50", f"{i % 60}.99", 24, "yes", "no"]
        writer.writerow(row)
    return out.getvalue().encode()


def bare(data, shipment):
    """Parse and insert, nothing else: no check, no hash, no state, no event."""
    from django.db import connection, transaction

    from receiving.load_list import INSERTED, TABLE
    from receiving.models import Store

    statement = f"INSERT INTO {TABLE} ({', '.join(INSERTED)}) VALUES ({', '.join(['%s'] * len(INSERTED))})"
    with transaction.atomic(), connection.cursor() as cursor:
        stores = dict(Store.objects.filter(account=shipment.account).values_list("number", "pk"))
        head = (shipment.arrival.site_id, shipment.arrival_id, shipment.pk)
        tail = (0, None, None, "", None)
        reader = csv.reader(io.StringIO(data.decode(), newline=""))
        next(reader)
        cursor.executemany(
            statement,
            [
                (*head, line, r[0], stores[r[1]], r[2], r[3], r[5], r[6], r[7], False, True, False, r[4], *tail)
                for line, r in enumerate(reader, 2)
            ],
        )


def timed(call, *args, **kwargs):
    start = time.perf_counter()
    call(*args, **kwargs)
    return time.perf_counter() - start


def world():
    """A site with a lead, an account of ninety stores and a trailer at the door."""
    from receiving import dock
    from receiving.models import Account, Membership, Person, Site, Store

    code = "B" + "".join(chr(65 + b % 26) for b in uuid.uuid4().bytes[:3])
    site = Site.objects.create(code=code, name="Bench", time_zone="America/Chicago")
    lead = Person.objects.create(username=f"lead-{uuid.uuid4()}")
    Membership.objects.create(person=lead, site=site, role="lead")
    account = Account.objects.create(legal_name=f"Bench {uuid.uuid4()}")
    Store.objects.bulk_create(Store(site=site, account=account, number=str(n)) for n in range(90))
    facts = {"trailer_number": "BENCH1"}
    return dock.open_arrival(site=site, uuid=uuid.uuid4(), facts=facts, actor=lead, at=AT), account, lead


def measure(count, *, rounds):
    """One size, `rounds` times ours and the bound in turn, the first of each thrown away."""
    from receiving import dock, load_list
    from receiving.models import Carton

    arrival, account, lead = world()
    data = example(count)
    ours, bound = [], []
    for number in range(rounds + 1):
        facts = {"account": account, "bill_number": f"BENCH{number}", "pieces": count}
        shipment = dock.add_shipment(arrival, uuid=uuid.uuid4(), facts=facts, actor=lead, at=AT)
        kept = load_list.receive_file(
            shipment, uuid=uuid.uuid4(), upload=io.BytesIO(data), filename="bench.csv", actor=lead, at=AT
        )
        ours.append(timed(load_list.confirm, kept, actor=lead, at=AT))
        assert Carton.objects.filter(shipment=shipment).count() == count
        Carton.objects.filter(shipment=shipment).delete()
        bound.append(timed(bare, data, shipment))
        assert Carton.objects.filter(shipment=shipment).count() == count
        Carton.objects.filter(shipment=shipment).delete()
    ratios = statistics.quantiles([a / b for a, b in zip(ours[1:], bound[1:], strict=True)], n=4)
    return Result(count, statistics.median(ours[1:]), statistics.median(bound[1:]), ratios[0], ratios[2])


def run(*, rounds=None):
    """Both sizes on the database the settings name, which is left with the bench's rows in it."""
    return [measure(count, rounds=rounds or (40 if count < 5_000 else 12)) for count in SIZES]


def main():
    """On a scratch database of its own."""
    import os
    import tempfile

    with tempfile.TemporaryDirectory() as scratch:
        os.environ |= {"DJANGO_SETTINGS_MODULE": "config.settings", "DATA_DIR": scratch, "INSECURE_HTTP": "1"}
        os.environ.pop("DEBUG", None)
        import django

        django.setup()
        from django.db import connection
        from django.test.utils import setup_databases, teardown_databases

        if connection.vendor == "sqlite":
            # In memory there is no log to write and no disk to wait for.
            connection.settings_dict["TEST"]["NAME"] = f"{scratch}/bench.sqlite3"
        made = setup_databases(verbosity=0, interactive=False)
        try:
            print(f"{connection.vendor}:")
            for result in run():
                print(" ", result)
        finally:
            teardown_databases(made, verbosity=0)


if __name__ == "__main__":
    main()
