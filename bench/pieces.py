"""The list of pieces at a million of them: the deepest page against the first, both through the whole server stack.

Goal: at most 1.5 times. Every query of every page tried is also put to the database's planner: none may read a whole
table that grows with the pieces. BENCH_PIECES sets another number of pieces, DATABASE_URL another database.
"""

import itertools
import json
import os
import statistics
import tempfile
import time
import uuid
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

GOAL = 1.5
ROUNDS = 100
SLOWEST = 5
START = datetime(2016, 1, 4, 12, tzinfo=UTC)
PER_TRAILER = 50
GROWING = ("discrepancy", "arrival", "shipment", "photo", "carton", "sealrecord", "discrepancyversion")
CODES = ("CR", "WT", "TO", "PU", "CS", "OT")
KINDS = ["damaged"] * 12 + ["short"] * 5 + ["over", "rerouted", "rerouted"]
PLACES = ["in_trailer", "conveyor", "pallet", "staging", "", "store"]
BLAMED = ["transit", "transit", "origin", "own", "", "cannot_tell"]
DISPOSED = ["forwarded", "held", "", "refused_back"]


# -- the rows ----------------------------------------------------------------------------------------------------------


def build(count):
    """`count` pieces with their trailers, bills and some photos, newest last; gives (site, a person who may look)."""
    from receiving.models import Account, Carrier, DamageCode, Membership, Person, Site, Store

    site = Site.objects.create(code="BEN", name="Bench", time_zone="America/Chicago")
    person = Person.objects.create(username="bench")
    Membership.objects.create(person=person, site=site, role="lead")
    accounts = [Account.objects.create(legal_name=f"Account {n}") for n in range(3)]
    carriers = [Carrier.objects.create(name=f"Carrier {n}") for n in range(9)]
    stores = [Store.objects.create(site=site, account=accounts[n % 3], number=f"{n:04d}") for n in range(60)]
    for code in (*CODES, "RARE"):
        DamageCode.objects.create(site=site, code=code, label=f"damage {code}")
    trailers = -(-count // PER_TRAILER)
    insert_trailers(site, trailers, carriers, accounts)
    insert_pieces(site, person, count, stores)
    insert_photos(site, person, count)
    return site, person


def insert_trailers(site, trailers, carriers, accounts):
    from receiving.models import Arrival, Shipment

    def arrival(n):
        # The last carrier brought one trailer, long ago.
        carrier = carriers[-1] if n == trailers // 50 else carriers[n % (len(carriers) - 1)]
        return {
            "id": n + 1,
            "number": n + 1,
            "trailer_number": f"TR {n % 4000:05d}",
            "carrier_id": carrier.pk,
            "state": "released",
        }

    def shipment(n):
        return {
            "id": n + 1,
            "arrival_id": n + 1,
            "account_id": accounts[n % 3].pk,
            "bill_number": f"BL{n:07d}",
            "pro_number": f"{n % 9}-{n:06d}",
        }

    insert(Arrival(site=site), map(arrival, range(trailers)))
    insert(Shipment(pieces=900), map(shipment, range(trailers)))


def insert_pieces(site, person, count, stores):
    from receiving.models import Discrepancy

    ended = {
        "short": itertools.cycle(["open", "found", "open", "matched"]),
        "damaged": itertools.cycle(["open"] * 40 + ["void"]),
    }

    def piece(n):
        # The newest few wait set aside; several are found at one moment.
        kind = "set_aside" if n >= count - 5 else KINDS[n * 7 % len(KINDS)]
        moment = START + timedelta(seconds=n // 4 * 1260)
        code = "RARE" if n == count // 40 else CODES[n * 5 % len(CODES)]
        return {
            "id": n + 1,
            "number": n + 1,
            "arrival_id": n // PER_TRAILER + 1,
            "shipment_id": n // PER_TRAILER + 1,
            "store_id": stores[n * 11 % len(stores)].pk,
            "new_store_id": stores[n * 13 % len(stores)].pk if kind == "rerouted" else None,
            "kind": kind,
            "state": next(ended[kind]) if kind in ended else "open",
            "codes": json.dumps([{"code": code, "label": f"damage {code}"}]) if kind == "damaged" else "[]",
            "label": f"19521234{n:010d}" if n % 5 else "",
            "where_found": PLACES[n * 3 % len(PLACES)],
            "attribution": BLAMED[n // 3 % len(BLAMED)],
            "disposition": "destroyed" if n == count // 30 else DISPOSED[n // 7 % len(DISPOSED)],
            "note": "torn at the corner" if n % 9 == 0 else "",
            "after_release": n % 31 == 0,
            "found_at": moment,
            "logged_at": moment,
        }

    insert(Discrepancy(site=site, logged_by=person), map(piece, range(count)))


def insert_photos(site, person, count):
    from receiving.models import Photo

    def photo(n):
        return {"id": n // 20 + 1, "arrival_id": n // PER_TRAILER + 1, "discrepancy_id": n + 1}

    pattern = Photo(site=site, actor=person, purpose="piece", size=1, width=4, height=3, sha256="0" * 64)
    insert(pattern, map(photo, range(0, count, 20)))


def insert(pattern, rows):
    """Rows like `pattern` with some columns of their own, by executemany or COPY: bench rows need no model."""
    from django.db import connection

    fields = pattern._meta.concrete_fields
    same = [plain(field.get_db_prep_save(field.pre_save(pattern, True), connection)) for field in fields]
    names = [field.attname for field in fields]
    table = pattern._meta.db_table
    columns = ", ".join(f'"{field.column}"' for field in fields)

    def values(own):
        return [plain(own[name]) if name in own else given for name, given in zip(names, same, strict=True)]

    all_rows = (values({"uuid": uuid.uuid4()} | row) for row in rows)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({columns}) FROM STDIN") as copy:
                for row in all_rows:
                    copy.write_row(row)
        else:
            marks = ", ".join(["?"] * len(fields))
            cursor.connection.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", all_rows)


def plain(value):
    """A value as the driver takes it, without asking its field: half of the time would go there."""
    from django.db import connection

    if isinstance(value, datetime):
        return connection.ops.adapt_datetimefield_value(value)
    return value.hex if isinstance(value, uuid.UUID) else value


# -- what is measured --------------------------------------------------------------------------------------------------

FILTERS = [
    "",
    "kind=damaged",
    "kind=set_aside",
    "kind=rerouted&state=void",
    "state=void",
    "state=matched",
    "code=CR",
    "code=RARE",
    "trailer=TR00017",
    "trailer=T-12&kind=short",
    "carrier=%(carrier)d",
    "carrier=%(rare_carrier)d",
    "account=%(account)d",
    "store=0007",
    "where_found=none",
    "where_found=conveyor&attribution=own&disposition=refused_back",
    "attribution=cannot_tell&kind=rerouted",
    "disposition=destroyed",
    "first_day=2016-03-01&last_day=2016-04-30",
    "first_day=2016-03-01&kind=short&state=found",
    "after_release=yes",
    "text=torn",
    "text=nothing+like+it",
    "text=P-1234",
    "text=19521234000000",
    "kind=over&state=open&code=CR&store=0003&after_release=no&text=corner",
]


def addresses(site):
    """(what it is, address) of the first page, the deepest, and both ends of each filter's list."""
    from django.urls import reverse

    from receiving import paging
    from receiving.models import Account, Carrier, Discrepancy

    carriers = list(Carrier.objects.order_by("pk").values_list("pk", flat=True))
    known = {"carrier": carriers[0], "rare_carrier": carriers[-1], "account": Account.objects.first().pk}
    oldest = Discrepancy.objects.order_by("found_at", "pk").values_list("found_at", "pk")
    deepest = paging.Key(*oldest[paging.SIZE])
    page = reverse("pieces", args=[site.code])
    for query in FILTERS:
        query %= known
        yield query or "all pieces", f"{page}?{query}"
        yield f"{query or 'all pieces'}, deepest", f"{page}?{query}&older={deepest}"
        yield f"{query or 'all pieces'}, upwards", f"{page}?{query}&newer={deepest}"


@contextmanager
def scratch_database():
    """Migrated and empty; gone afterwards."""
    with tempfile.TemporaryDirectory() as scratch:
        os.environ |= {"DJANGO_SETTINGS_MODULE": "config.settings", "DATA_DIR": scratch, "INSECURE_HTTP": "1"}
        os.environ |= {"ALLOWED_HOSTS": "testserver"}
        os.environ.pop("DEBUG", None)
        os.mkdir(f"{scratch}/static")
        import django

        django.setup()
        from django.conf import settings
        from django.db import connection
        from django.test.utils import setup_databases, teardown_databases

        settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
        if connection.vendor == "sqlite":
            connection.settings_dict["TEST"]["NAME"] = f"{scratch}/bench.sqlite3"
        made = setup_databases(verbosity=0, interactive=False)
        try:
            yield connection
        finally:
            teardown_databases(made, verbosity=0)


def browser_of(person):
    from django.test import Client

    client = Client()
    client.force_login(person)
    return client


def timed(client, address):
    start = time.perf_counter()
    answer = client.get(address)
    took = time.perf_counter() - start
    assert answer.status_code == 200, (address, answer.status_code)
    return took


def scans(connection, client, address):
    """Parts of any plan of this page in which a table that grows is read from end to end."""
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(connection) as captured:
        client.get(address)
    queries = [query["sql"] for query in captured if query["sql"].lstrip("( ").upper().startswith("SELECT")]
    with connection.cursor() as cursor:
        for sql in queries:
            for part in plan(cursor, sql):
                if is_scan(part):
                    yield f"{part}  <-  {sql[:300]}"


def plan(cursor, sql):
    if cursor.db.vendor == "postgresql":
        cursor.execute(f"EXPLAIN {sql}")
        return [line for (line,) in cursor.fetchall()]
    cursor.execute(f"EXPLAIN QUERY PLAN {sql}".replace("%", "%%"), [])
    return [row[3] for row in cursor.fetchall()]


def is_scan(part):
    words = part.replace('"', " ").replace("receiving_", " ").split()
    if "Seq Scan on" in part:
        return words[words.index("on") + 1] in GROWING
    return words[0] == "SCAN" and words[1] in GROWING


def main():
    count = int(os.environ.get("BENCH_PIECES", "1000000"))
    with scratch_database() as connection:
        from django.db import transaction

        start = time.perf_counter()
        with transaction.atomic():
            site, person = build(count)
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                # What its own daemon would soon do.
                cursor.execute("VACUUM ANALYZE")
        print(f"{connection.vendor}: {count:,} pieces made in {time.perf_counter() - start:.0f} s")
        return report(connection, browser_of(person), dict(addresses(site)))


def report(connection, client, pages):
    first, deepest = pages["all pieces"], pages["all pieces, deepest"]
    for address in (first, deepest):
        timed(client, address)
    pairs = [(timed(client, first), timed(client, deepest)) for _ in range(ROUNDS)]
    ratios = [deep / near for near, deep in pairs]
    low, *_, high = statistics.quantiles(ratios, n=10)
    ratio = statistics.median(deep for _, deep in pairs) / statistics.median(near for near, _ in pairs)
    print(f"pieces: ratio {ratio:.2f} (p10 {low:.2f} p90 {high:.2f}), goal ≤ {GOAL}", end=": ")
    print("reached" if ratio <= GOAL else "MISSED")
    usual = statistics.median(near for near, _ in pairs)
    took = {name: min(timed(client, address) for _ in range(3)) for name, address in pages.items()}
    print(f"pieces: first page {usual * 1000:.1f} ms; the slowest of {len(pages)} pages by filters:")
    for name in sorted(took, key=took.get)[-SLOWEST:]:
        print(f"pieces: {took[name] * 1000:.1f} ms, ratio {took[name] / usual:.2f}, {name}")
    found = [(name, part) for name, address in pages.items() for part in scans(connection, client, address)]
    for name, part in found:
        print(f"pieces: SCANS, {name}: {part}")
    print(f"pieces: {len(found)} table scans in the plans of {len(pages)} pages, goal 0")
    return int(ratio > GOAL or bool(found))


if __name__ == "__main__":
    raise SystemExit(main())
