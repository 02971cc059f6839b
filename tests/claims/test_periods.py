"""Reads of month sums: the golden example through the database, and every read against plain counting of the rows."""

from collections import Counter, defaultdict
from datetime import date
from random import Random

import pytest

from claims import months, periods
from claims.models import BillCount, MonthSums
from claims.periods import Choice, Period
from claims.scorecard.compare import DEFAULTS
from receiving.enums import Kind
from receiving.models import Carrier
from tests.builders import make_account, make_carrier, make_site
from tests.claims.carriers import MARCH, make_counts, make_seven
from tests.claims.scorecard_examples import SEVEN
from tests.claims.test_scorecard_golden import JUDGED, RATES, SUMS, printed, rows

pytestmark = pytest.mark.django_db
YEARS = Period(date(2023, 2, 1), date(2026, 3, 1))
ORIGINS = ("Denver", "Mill Town", "")


@pytest.fixture
def site():
    return make_site()


# --- the golden example -----------------------------------------------------------------------------------------------


@pytest.fixture
def spread(site):
    """The trailers of the seven carriers, dealt over the months of two years."""
    account = make_account()
    for name, sizes, *events in map(str.split, SEVEN.strip().splitlines()):
        carrier = Carrier.objects.create(name=name)
        cartons = [int(size) for size in sizes.split("*")[0].split(",")]
        for place, count in enumerate(map(int, events)):
            size, month = cartons[place % len(cartons)], periods.month_back(MARCH, place * 5 % 24)
            make_counts(site, carrier, [count], cartons=size, month=month, account=account)
    return periods.comparison(Choice((site,), Period.rolling(MARCH, 24)))


@pytest.fixture
def at_once(site):
    make_seven(site)
    return periods.comparison(Choice((site,), Period(MARCH, MARCH)))


@pytest.mark.parametrize("way", ["spread", "at_once"])
def test_the_golden_example_comes_out_of_the_database_to_the_last_digit(request, way):
    comparison = request.getfixturevalue(way)
    assert [one.name for one in comparison.standings] == ["Birch", "Gorse", "Alder", "Cedar", "Dogwood", "Fir", "Elm"]
    assert 1000 * comparison.site_rate == printed("6.282451")
    assert [comparison.batching.phi, comparison.batching.omega] == [printed("11.698302"), printed("1.85451369")]
    for one in comparison.standings:
        as_printed(one)


def as_printed(one):
    sums = one.sums
    *whole, low, high = rows(SUMS)[one.name]
    assert [sums.k, sums.sn, sums.sx, sums.sxx, sums.snn, sums.sxn, sums.xmax, sums.m] == [int(n) for n in whole]
    assert [100 * one.touched.low, 100 * one.touched.high] == [printed(low), printed(high)]
    expected, rate, _rss, phi, *ends = rows(RATES)[one.name]
    per_thousand = [1000 * end / sums.sn for end in one.interval]
    found = [one.expected, 1000 * sums.sx / sums.sn, one.phi, *one.interval, *per_thousand]
    assert found == [printed(word) for word in (expected, rate, phi, *ends)]
    p, q, _e, _phi, p_alone, q_alone, _ratio, shrunk, verdict = rows(JUDGED)[one.name]
    assert [one.p, one.q, one.p_alone, one.q_alone, one.shrunk] == [
        printed(word) for word in (p, q, p_alone, q_alone, shrunk)
    ]
    assert one.verdict == verdict


# --- against plain counting -------------------------------------------------------------------------------------------


@pytest.fixture
def company():
    """Two sites, four carriers and three years of trailers, some with two bills and some crushed beyond the cap."""
    pick, sites = Random(7), (make_site("NOR"), make_site("SUD"))
    carriers, accounts = [make_carrier() for _n in range(4)], [make_account() for _n in range(2)]
    for _trailer in range(160):
        month = periods.month_back(MARCH, pick.randrange(40))
        where = {"month": month, "account": pick.choice(accounts), "origin": pick.choice(ORIGINS)}
        site, carrier, size = pick.choice(sites), pick.choice(carriers), pick.randrange(20, 900)
        told = {kind: pick.choice([0, 0, 1, size // 5]) for kind in ("short", "over")}
        told |= {"beside": {"damaged": {"own": pick.randrange(1, 3)}}} if pick.randrange(2) else {}
        times = {"minutes_late": pick.choice([None, -5, 15, 16]), "seal_exception": pick.random() < 0.3}
        first = make_counts(site, carrier, [pick.choice([0, 1, size // 4])], cartons=size, **where, **told, **times)
        if pick.randrange(3) == 0:
            second_bill(first[0], pick, accounts)
    return sites, accounts


def second_bill(first, pick, accounts):
    """Another bill on the same trailer, of freight of its own."""
    make = make_counts(first.site, first.carrier, [2], cartons=50, month=first.month, account=pick.choice(accounts))
    [row] = make
    BillCount.objects.filter(pk=row.pk).update(arrival=first.arrival, origin=pick.choice(ORIGINS), counted="tally")
    months.add_up_months(first.site, [(first.carrier_id, first.month)])


def plainly(choice, cap):
    """{carrier: its sums}, counted trailer by trailer from the rows."""
    bills = BillCount.objects.filter(site__in=choice.sites)
    trailers = defaultdict(list)
    for bill in bills:
        if (
            choice.period.first <= bill.month <= choice.period.last
            and choice.account in (None, bill.account_id)
            and choice.origin in (None, bill.origin)
        ):
            trailers[bill.carrier_id, bill.arrival_id].append(bill)
    found = defaultdict(Counter)
    for (carrier, _arrival), some in trailers.items():
        count_trailer(found[carrier], some, choice.kind, cap)
    return {carrier: dict(sums) for carrier, sums in found.items()}


def count_trailer(sums, bills, kind, cap):
    of = "received" if kind == Kind.DAMAGED else "listed"
    n, x = sum(getattr(bill, of) for bill in bills), sum(getattr(bill, kind) for bill in bills)
    x = min(x, n * cap // 100) if cap else x
    sums["k"] += 1
    sums["m"] += x > 0
    sums["xmax"] = max(sums["xmax"], x)
    for name, value in (("sx", x), ("sxx", x * x), ("sn", n), ("snn", n * n), ("sxn", x * n)):
        sums[name] += value


def told_by(sums):
    names = ("k", "m", "xmax", "sx", "sxx", "sn", "snn", "sxn")
    return {name: getattr(sums, name) for name in names}


def choices(sites, accounts):
    for period in (YEARS, Period(MARCH, MARCH), Period(date(2024, 1, 1), date(2024, 12, 1)), Period.rolling(MARCH)):
        for kind in periods.JUDGED:
            yield Choice(sites, period, kind)
            yield Choice(sites[:1], period, kind, account=accounts[0].pk)
            yield Choice(sites[1:], period, kind, origin="")
            yield Choice(sites, period, kind, account=accounts[1].pk, origin="Mill Town")


def test_entries_are_what_plain_counting_gives(company):
    capped = 0
    for choice in choices(*company):
        found = periods.entries(choice)
        assert {one.key: told_by(one.shown) for one in found} == plainly(choice, None), choice
        assert {one.key: told_by(one.tested) for one in found} == plainly(choice, DEFAULTS.trailer_cap), choice
        capped += sum(one.shown.sx - one.tested.sx for one in found)
    assert capped


def test_comparisons_of_several_spans_are_those_of_each(company):
    sites, _accounts = company
    spans = [Period.rolling(MARCH), Period(MARCH, MARCH), Period(date(2024, 1, 1), date(2025, 12, 1))]
    found = periods.comparisons(Choice(sites, spans[0]), spans)
    for span in spans:
        assert found[span].frozen() == periods.comparison(Choice(sites, span)).frozen()


def test_a_series_has_every_month_and_adds_up(company):
    sites, _accounts = company
    choice = Choice(sites, YEARS)
    series = periods.series(choice)
    assert [month for month, _sums in series] == YEARS.months
    for month, sums in series:
        there = plainly(Choice(sites, Period(month, month)), None)
        assert sums.sx == sum(each["sx"] for each in there.values())
    carrier = periods.entries(choice)[0]
    assert sum(sums.k for _month, sums in periods.series(choice, carrier.key)) == carrier.shown.k


def test_what_stands_beside_is_what_plain_counting_gives(company):
    sites, accounts = company
    choice = Choice(sites, Period.rolling(MARCH, 30), account=accounts[0].pk)
    within = {"site__in": sites, "month__gte": choice.period.first}
    for carrier, found in periods.beside(choice).items():
        bills = list(BillCount.objects.filter(**within, carrier=carrier, account=accounts[0]))
        if not bills:
            continue
        assert found.counts["damaged"] == sum(bill.damaged for bill in bills)
        assert found.cartons == sum(bill.received for bill in bills)
        assert found.trailers == len({bill.arrival_id for bill in bills})
        own = sum(bill.beside.get("damaged", {}).get("own", 0) for bill in bills)
        assert found.whose["damaged"]["own"] == own


def test_a_quarter_of_an_hour_late_is_in_time(site):
    carrier = make_carrier()
    for late, broken in ((None, True), (-5, False), (15, False), (16, False)):
        make_counts(site, carrier, [0], minutes_late=late, seal_exception=broken)
    [found] = periods.beside(Choice((site,), Period(MARCH, MARCH))).values()
    assert (found.in_time.hits, found.in_time.of) == (2, 3)
    assert (found.seals.hits, found.seals.of) == (1, 4)


# --- whole years ------------------------------------------------------------------------------------------------------


def test_years_that_are_over_are_read_as_one_row_each(site, django_assert_num_queries):
    carrier = make_carrier()
    for back in range(40):
        make_counts(site, carrier, [1], month=periods.month_back(MARCH, back))
    choice = Choice((site,), Period.rolling(MARCH, 38))
    assert len(periods.span_rows(choice)) == 11 + 2 + 3
    with django_assert_num_queries(2):
        assert [one.shown.k for one in periods.entries(choice)] == [38]


def test_the_last_year_has_no_row_until_it_is_over(site):
    carrier, other = make_carrier(), make_carrier()
    years = MonthSums.objects.filter(cell=months.YEAR, kind="damaged").order_by("carrier", "month")
    for who in (carrier, other):
        make_counts(site, who, [1], month=date(2025, 11, 1))
    whole = Choice((site,), Period(date(2025, 1, 1), date(2025, 12, 1)))
    assert not years.exists()
    assert [one.shown.k for one in periods.entries(whole)] == [1, 1]
    [new] = make_counts(site, carrier, [2], month=date(2026, 1, 1))
    assert list(years.values_list("carrier", "month")) == [(who.pk, date(2025, 1, 1)) for who in (carrier, other)]
    new.delete()
    months.add_up_months(site, [(carrier.pk, date(2026, 1, 1))])
    assert not years.exists()
    assert [one.shown.k for one in periods.entries(whole)] == [1, 1]
