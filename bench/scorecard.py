"""Comparing carriers: a month that still runs, and five years, both against bare SQL over the pieces in the same run.

- The month: 20,000 pieces by 40 carriers. Since the last look a piece was attributed to somebody else; its trailer is
  counted anew, its month added up, and the carriers are compared, with intervals and verdicts. At most 1.5 times of
  what the bare sums take.
- Five years of 50 carriers, compared from their kept sums: at most 100 ms.

Bare SQL means one statement that reads every piece of these months and gives the sums of damaged, short and over for
each carrier, and no verdict. Told beside: what a look takes when nothing happened, the pages of twelve months, of five
years and of a carrier through the whole stack, and a count of everything from scratch. BENCH_TRAILERS sets another
number of trailers a month, DATABASE_URL another database.
"""

import os
import statistics
import time
from datetime import UTC, date, datetime, timedelta

import bench
from bench.pieces import browser_of, insert, scratch_database, timed

LIVE, FIVE_YEARS = 1.5, 0.1
ROUNDS = 60
CARRIERS, LIVE_CARRIERS = 50, 40
MONTHS = 60
LAST = date(2026, 3, 1)
TRAILERS, LIVE_TRAILERS = 1000, 1000
PIECES, LIVE_PIECES = 5, 20
KINDS = ["damaged"] * 6 + ["short"] * 2 + ["over"] * 2
BLAMED = ["transit"] * 6 + ["origin", "own", "", "cannot_tell"]
ORIGINS = ["Denver", "Mill Town", "Lakeside", "Fairview", "", "Ashland", "Salem", "Clinton"]


# -- the rows ----------------------------------------------------------------------------------------------------------


def build(trailers):
    """Months of `trailers` released trailers each, and the one that runs; gives (site, a manager)."""
    from receiving.models import Account, Carrier, Membership, Person, Site

    site = Site.objects.create(code="BEN", name="Bench", time_zone="America/Chicago")
    person = Person.objects.create(username="bench")
    Membership.objects.create(person=person, site=site, role="manager")
    carriers = [Carrier.objects.create(name=f"Carrier {n}").pk for n in range(CARRIERS)]
    accounts = [Account.objects.create(legal_name=f"Account {n}").pk for n in range(6)]
    visits = list(all_visits(trailers, carriers))
    insert_trailers(site, person, visits, accounts)
    insert_pieces(site, person, visits)
    return site, person


def all_visits(trailers, carriers):
    """(carrier, moment of release, pieces) of every trailer, oldest first; a carrier brings more, the later it comes in
    the list."""
    from claims.periods import month_back

    for back in range(MONTHS - 1, 0, -1):
        yield from month_of(month_back(LAST, back), trailers, carriers, PIECES)
    yield from month_of(LAST, LIVE_TRAILERS, carriers[:LIVE_CARRIERS], LIVE_PIECES)


def month_of(month, trailers, carriers, pieces):
    start = datetime(month.year, month.month, 1, 12, tzinfo=UTC)
    for n in range(trailers):
        # A square falls thick at one end: some carriers bring ten times as many as others.
        place = int(len(carriers) * (n * 0.618034 % 1) ** 0.6)
        yield carriers[place], start + timedelta(minutes=n * 38_000 // trailers), (n * 7 + place) % (2 * pieces + 1)


def insert_trailers(site, person, visits, accounts):
    """Each with one bill, counted without a list and in full."""
    from receiving.models import Arrival, Shipment, TallyTap

    def arrival(key, carrier, at):
        times = {"released_at": at, "gate_at": at, "appointment_at": at}
        return {"id": key, "number": key, "trailer_number": f"TR{key:06d}", "carrier_id": carrier} | times

    def shipment(key):
        bill = {"id": key, "arrival_id": key, "bill_number": f"BL{key:07d}", "pieces": size(key)}
        freight = {"account_id": accounts[key * 5 % len(accounts)], "origin": ORIGINS[key * 7 % len(ORIGINS)]}
        return bill | freight

    insert(Arrival(site=site, state="released"), (arrival(n, who, at) for n, (who, at, _) in enumerate(visits, 1)))
    keys = range(1, len(visits) + 1)
    insert(Shipment(), map(shipment, keys))
    insert(
        TallyTap(actor=person, at=visits[0][1]), ({"id": key, "shipment_id": key, "count": size(key)} for key in keys)
    )


def size(key):
    return 600 + key % 7 * 100


def insert_pieces(site, person, visits):
    from receiving.models import Discrepancy

    def rows():
        number = 0
        for key, (_carrier, at, count) in enumerate(visits, 1):
            for _piece in range(count):
                number += 1
                yield {
                    "id": number,
                    "number": number,
                    "arrival_id": key,
                    "shipment_id": key,
                    "kind": KINDS[number * 7 % len(KINDS)],
                    "attribution": BLAMED[number * 3 % 101 % len(BLAMED)],
                    "found_at": at,
                    "logged_at": at,
                }

    insert(Discrepancy(site=site, logged_by=person), rows())


# -- what is measured --------------------------------------------------------------------------------------------------

WITHIN = "SUM(CASE WHEN d.kind = '{0}' AND d.attribution = 'transit' THEN d.quantity ELSE 0 END)"
SUMS = "SUM({0}), SUM({0} * {0}), MAX({0}), SUM({0} * n), SUM(CASE WHEN {0} > 0 THEN 1 ELSE 0 END)"
COUNTED = ("damaged", "short", "over")
BARE = f"""
SELECT carrier_id, COUNT(*), SUM(n), SUM(n * n), SUM(beside), {", ".join(map(SUMS.format, COUNTED))}
FROM (
    SELECT a.id, a.carrier_id, s.pieces AS n,
           SUM(CASE WHEN d.attribution <> 'transit' THEN d.quantity ELSE 0 END) AS beside,
           {", ".join(f"{WITHIN.format(kind)} AS {kind}" for kind in COUNTED)}
    FROM receiving_arrival a
    JOIN receiving_shipment s ON s.arrival_id = a.id
    LEFT JOIN receiving_discrepancy d ON d.shipment_id = s.id AND d.state = 'open'
    WHERE a.site_id = %s AND a.state = 'released' AND a.released_at >= %s AND a.released_at < %s
    GROUP BY a.id, a.carrier_id, s.pieces
) trailers
GROUP BY carrier_id
"""


def choice(site, months):
    from claims.periods import Choice, Period

    return Choice((site,), Period.rolling(LAST, months))


def bare(connection, site, months):
    """{carrier: (trailers, events)} by the statement above."""
    from claims.periods import month_back
    from receiving import clock

    ends = (month_back(LAST, months - 1), month_back(LAST, -1))
    bounds = [clock.day_bounds(day, site.time_zone)[0] for day in ends]
    with connection.cursor() as cursor:
        cursor.execute(BARE, [site.pk, *(connection.ops.adapt_datetimefield_value(each) for each in bounds)])
        return {row[0]: (row[1], row[5]) for row in cursor.fetchall()}


def look(site):
    """What a page does about a month that still runs."""
    from claims import months, periods

    months.refresh(site)
    return periods.comparison(choice(site, 1))


def change(site, person, number):
    """Of a piece of the running month somebody else says whose doing it was."""
    from django.db import transaction

    from receiving import evidence
    from receiving.models import Arrival, Discrepancy

    first = Arrival.objects.filter(site=site).order_by("-pk")[LIVE_TRAILERS - 1].pk
    pieces = Discrepancy.objects.filter(arrival__gte=first, kind="damaged").order_by("pk")
    piece = pieces.select_related("arrival")[number * 37]
    other = "own" if piece.attribution == "transit" else "transit"
    with transaction.atomic():
        Discrepancy.objects.filter(pk=piece.pk).update(attribution=other)
        told = {"verb": "piece.attributed", "record": piece, "arrival": piece.arrival, "discrepancy": piece}
        evidence.append(site=site, actor=person, at=piece.logged_at, **told)


def clocked(work, *given):
    start = time.perf_counter()
    found = work(*given)
    return time.perf_counter() - start, found


def agreed(comparison, sums):
    """The bound must say the same, or it is no bound."""
    found = {one.key: (one.sums.k, one.sums.sx) for one in comparison.standings}
    assert found == sums, "the bare sums differ"


def live(connection, site, person):
    pairs, idle = [], []
    for number in range(ROUNDS):
        change(site, person, number)
        ours, comparison = clocked(look, site)
        bound, sums = clocked(bare, connection, site, 1)
        agreed(comparison, sums)
        again, _same = clocked(look, site)
        pairs.append((ours, bound))
        idle.append((again, bound))
    ours, bound = (statistics.median(column) for column in zip(*pairs, strict=True))
    quiet = statistics.median(one for one, _bound in idle)
    print(
        f"running month: {ours * 1000:.1f} ms with verdicts, {quiet * 1000:.1f} ms when nothing happened, against "
        f"{bound * 1000:.1f} ms of bare SQL"
    )
    return bench.told("scorecard, running month", ours / bound, [one / other for one, other in pairs], LIVE)


def five_years(connection, site, person):
    from claims import periods

    pairs = []
    for _round in range(ROUNDS // 3):
        ours, comparison = clocked(periods.comparison, choice(site, MONTHS))
        bound, sums = clocked(bare, connection, site, MONTHS)
        agreed(comparison, sums)
        pairs.append((ours, bound))
    ours, bound = (statistics.median(column) for column in zip(*pairs, strict=True))
    reached = "reached" if ours <= FIVE_YEARS else "NOT reached"
    print(
        f"scorecard, five years: {ours * 1000:.1f} ms ({min(pairs)[0] * 1000:.1f} at best), goal ≤ "
        f"{FIVE_YEARS * 1000:.0f} ms, {reached}; {bound * 1000:.1f} ms of bare SQL"
    )
    page(site, person)
    return int(ours > FIVE_YEARS)


def page(site, person):
    from receiving.models import Carrier

    client, whole = browser_of(person), choice(site, MONTHS).period
    for words, query in (
        ("the page of twelve months", ""),
        ("the page of five years", f"?first={whole.first:%Y-%m}&last={whole.last:%Y-%m}"),
    ):
        told(client, words, f"/{site.code}/carriers/{query}")
        told(client, f"{words}, beside the verdict", f"/{site.code}/carriers/beside/{query}")
    carrier = Carrier.objects.get(name=f"Carrier {CARRIERS // 2}")
    told(client, "the page of one carrier among them", f"/{site.code}/carriers/{carrier.pk}/")


def told(client, words, address):
    took = statistics.median(timed(client, address) for _ in range(5))
    print(f"{words}: {took * 1000:.0f} ms, {len(client.get(address).content) / 1024:.0f} KB")


def main():
    trailers = int(os.environ.get("BENCH_TRAILERS", TRAILERS))
    with scratch_database() as connection:
        from django.db import transaction

        from claims import months
        from receiving.models import Arrival, Discrepancy

        with transaction.atomic():
            site, person = build(trailers)
        took, _nothing = clocked(months.rebuild, site)
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                # What its own daemon would soon do.
                cursor.execute("VACUUM ANALYZE")
        counts = f"{Arrival.objects.count():,} trailers with {Discrepancy.objects.count():,} pieces"
        print(f"{connection.vendor}: {counts}, counted from scratch in {took:.0f} s")
        return max(live(connection, site, person), five_years(connection, site, person))


if __name__ == "__main__":
    raise SystemExit(main())
