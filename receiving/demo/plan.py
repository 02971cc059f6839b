"""Which trailers came in twelve months, with what on them. Pure: a seed and a moment in, `Visit`s out."""

import random
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta

from receiving import clock

SEED = 952
MONTHLY = 50
WEEKDAYS = (1.1, 1.0, 1.0, 1.0, 1.1, 0.45, 0.0)
CARTONS = 900
SMALL_CARTONS = 40
SMALL_VISITS = 48
LISTED_DAYS = 28

# Loose damage of an ordinary trailer, and how often and how hard a load shifts or a roof leaks: a trailer is spoilt as
# a whole, so that the carriers' figures have the clusters which real ones have.
LOOSE = 1.8
ACCIDENT = 0.06
ACCIDENT_SIZE = 6
FACTOR = {"worse": 3.0, "better": 0.1, "one bad trailer": 0.6, "too small to tell": 2.0}
# Just under the tenth of a trailer that counts in a comparison, and more than all else that its carrier has damaged.
BAD_TRAILER_SIZE, BAD_TRAILER_CARTONS = 88, 948
BAD_TRAILER_DAYS_AGO = 130


@dataclass
class Bill:
    """One bill of a visit: its cartons, and what was wrong with them by store or piece."""

    origin: dict
    pieces: int
    short: int = 0
    over: int = 0
    refused: int = 0
    damaged: int = 0
    rerouted: int = 0


@dataclass
class Visit:
    """One trailer: when it stood at the door (UTC), who brought it, how its seal was and what its bills held.

    accident -- `shifted`, `leak`, `poor loading` or none
    seal -- `agrees`, `differs`, `broken`, `missing` or `none`
    ending -- `released`, `refused` or `cancelled`
    """

    site: str
    at: datetime
    carrier: str = ""
    broker: str = ""
    bills: list[Bill] = field(default_factory=list)
    accident: str = ""
    seal: str = "agrees"
    ending: str = "released"
    late: bool = False
    dropped: bool = False
    cold: bool = False
    listed: bool = False
    late_findings: int = 0


def visits(scenario, *, now, small=False, seed=SEED):
    """The trailers of the twelve months before `now`, oldest first."""
    rng = random.Random(seed)
    found = small_slots(scenario, now) if small else slots(scenario, now, rng)
    found.sort(key=lambda visit: (visit.at, visit.site))
    deal_carriers(found, scenario, rng, small=small)
    for visit, luck in with_luck(found, seed):
        fill(visit, scenario, rng, luck, now=now, small=small)
    if not small:
        spoil_one(found, scenario, now)
    return found


def slots(scenario, now, rng):
    """Visits with only their site and moment: by weekday, between half past five and half past three."""
    found = []
    for site in scenario["sites"]:
        today = clock.site_day(now, site["time_zone"])
        daily = MONTHLY * 12 * site["share"] / (52 * sum(WEEKDAYS))
        for ago in range(365, -1, -1):
            day = today - timedelta(days=ago)
            wanted = daily * WEEKDAYS[day.weekday()]
            count = int(wanted) + (rng.random() < wanted % 1)
            for minute in sorted(rng.sample(range(330, 930, 15), count)):
                at = local_moment(day, minute + rng.randint(-7, 7), site["time_zone"])
                if at < now - timedelta(hours=4):
                    found.append(Visit(site["code"], at))
    return found


def small_slots(scenario, now):
    codes = [site["code"] for site in scenario["sites"]]
    step = timedelta(days=364) / SMALL_VISITS
    return [Visit(codes[n % len(codes)], now - timedelta(hours=6) - n * step) for n in range(SMALL_VISITS)]


def local_moment(day, minute, zone_name):
    return datetime.combine(day, time(minute // 60, minute % 60), tzinfo=clock.zone(zone_name)).astimezone(clock.UTC)


def with_luck(found, seed):
    """Each visit with the chance that decides about its damage: the newest trailer of a carrier at a site has the same
    luck on every day on which the demo is loaded, and so has the one before. So the carriers' stories hold on any day.
    """
    turn, lucks = Counter(), []
    for visit in reversed(found):
        turn[visit.site, visit.carrier] += 1
        lucks.append(random.Random(f"{seed} {visit.site} {visit.carrier} {turn[visit.site, visit.carrier]}"))
    return zip(found, reversed(lucks), strict=True)


def deal_carriers(found, scenario, rng, *, small):
    """Everybody brings their share of the trailers; who may bring only a few brings those, to the first site."""
    carriers = [row for row in scenario["carriers"] if row["kind"] == "carrier"]
    few = [row for row in carriers if "trailers" in row]
    if not small:
        deal_few(found, few, scenario["sites"][0]["code"])
    open_to_all = [visit for visit in found if not visit.carrier]
    rest = [row for row in carriers if row not in few]
    total = sum(row["share"] for row in rest)
    deck = []
    for row in rest:
        deck += [row["name"]] * round(len(open_to_all) * row["share"] / total + 1)
    rng.shuffle(deck)
    for visit, name in zip(open_to_all, deck, strict=False):
        visit.carrier = name


def deal_few(found, few, site):
    """Each at even distances through the year, at one site."""
    for row in few:
        free = [visit for visit in found if visit.site == site and not visit.carrier]
        for n in range(row["trailers"]):
            free[int((n + 0.5) * len(free) / row["trailers"])].carrier = row["name"]


def fill(visit, scenario, rng, luck, *, now, small):
    part = next(row["part"] for row in scenario["carriers"] if row["name"] == visit.carrier)
    factor = FACTOR.get(part, 1.0)
    visit.late = rng.random() < 0.11 + 0.05 * (factor > 1)
    visit.dropped = rng.random() < 0.12
    visit.listed = visit.at > now - timedelta(days=200 if small else LISTED_DAYS)
    visit.seal = rng.choices(["agrees", "differs", "broken", "missing", "none"], [955, 18, 8, 4, 15])[0]
    if rng.random() < 0.15:
        visit.broker = next(row["name"] for row in scenario["carriers"] if row["kind"] == "broker")
    load(visit, scenario, rng, small=small)
    visit.cold = any(bill.origin["cold"] for bill in visit.bills) and rng.random() < 0.6
    harm(visit, factor, luck, small=small)
    visit.ending = "released" if small else rng.choices(["released", "refused", "cancelled"], [985, 5, 10])[0]


def load(visit, scenario, rng, *, small):
    """One bill, sometimes two; some 900 cartons together."""
    food = {row["legal_name"]: row["food"] for row in scenario["accounts"]}
    mean = SMALL_CARTONS if small else CARTONS
    pieces = max(mean // 3, round(rng.gauss(mean, mean * 0.07)))
    first = rng.choice(scenario["origins"])
    parts = [(first, pieces)]
    if rng.random() < 0.12:
        second = rng.choice([row for row in scenario["origins"] if row["account"] == first["account"]])
        cut = round(pieces * rng.uniform(0.55, 0.8))
        parts = [(first, cut), (second, pieces - cut)]
    visit.bills = [Bill(origin | {"cold": food[origin["account"]]}, count) for origin, count in parts]


def harm(visit, factor, rng, *, small):
    """Damage, shorts, overs and reroutes of one visit, on its first bill but for the loose ones."""
    scale = 0.9 if small else 1
    for bill in visit.bills:
        part = bill.pieces / sum(each.pieces for each in visit.bills)
        bill.damaged = poisson(LOOSE * factor * part * scale, rng)
        bill.short = poisson(0.9 * part * scale, rng)
        bill.over = poisson(0.3 * part * scale, rng)
        bill.rerouted = poisson(5 * part * scale, rng) if rng.random() < 0.2 else 0
    main = visit.bills[0]
    if rng.random() < ACCIDENT * factor:
        visit.accident = rng.choices(["shifted", "leak", "poor loading"], [5, 3, 2])[0]
        main.damaged += min(main.pieces // 4, round(4 + min(1, factor) * rng.expovariate(1 / (ACCIDENT_SIZE * scale))))
    if rng.random() < 0.02:
        main.short += rng.randint(6, 24) if not small else 2
    if rng.random() < 0.012:
        main.refused = rng.randint(4, 40) if not small else 3
    visit.late_findings = poisson(0.08, rng)


def poisson(mean, rng):
    """A count with this mean; by waiting times, so that no library is needed."""
    count, waited = 0, rng.expovariate(1)
    while waited < mean:
        count += 1
        waited += rng.expovariate(1)
    return count


def spoil_one(found, scenario, now):
    """The carrier with one bad day: a roof that leaked on a whole trailer, months ago; no accident else."""
    name = next(row["name"] for row in scenario["carriers"] if row["part"] == "one bad trailer")
    theirs = [visit for visit in found if visit.carrier == name]
    for visit in theirs:
        if visit.accident:
            visit.accident = ""
            visit.bills[0].damaged = min(visit.bills[0].damaged, 2)
    day = now - timedelta(days=BAD_TRAILER_DAYS_AGO)
    bad = min(theirs, key=lambda visit: abs(visit.at - day))
    bad.accident, bad.ending = "leak", "released"
    bad.bills = [Bill(bad.bills[0].origin, BAD_TRAILER_CARTONS, damaged=BAD_TRAILER_SIZE)]
