"""Seven invented carriers, followed to the last printed digit, and three small cases beside them."""

import json
from dataclasses import replace

import pytest

from claims.scorecard.compare import DEFAULTS, Verdict, Weighing, compare
from claims.scorecard.figures import residual
from tests.claims.scorecard_examples import SEVEN, THREE, by_name, entries

SUMS = """
Alder 1 900 9 81 810000 8100 9 1 20.7 100.0
Birch 24 21600 365 9715 19440000 328500 47 21 69.0 95.7
Cedar 12 10800 49 1619 9720000 44100 40 6 25.4 74.6
Dogwood 30 27000 100 850 24600000 87400 16 19 45.5 78.1
Elm 10 9000 0 0 8100000 0 0 0 0.0 27.8
Fir 24 21600 38 188 20880000 39600 9 12 31.4 68.6
Gorse 6 5400 44 658 4860000 39600 21 4 30.0 90.3
"""
RATES = """
Alder 5.6542 10.000 0.0000 11.4858 0.7661 40.8414 0.851 45.379
Birch 135.7009 16.898 4163.9583 11.9041 247.7117 506.6376 11.468 23.455
Cedar 67.8505 4.537 1418.9167 11.4858 14.6548 107.4370 1.357 9.948
Dogwood 169.6262 3.704 540.0412 11.6153 45.1594 178.8982 1.673 6.626
Elm 56.5421 0.000 0.0000 11.4858 0.0000 15.8456 0.000 1.761
Fir 135.7009 1.759 113.2901 12.2625 8.8660 92.9323 0.410 4.302
Gorse 33.9252 8.148 335.3333 11.4858 12.1511 99.9951 2.250 18.518
"""
JUDGED = """
Alder 0.452347 - 2.8916 11.1083 0.213689 - 1.5917 1.1927 too_little_data
Birch 4.1904e-08 2.5142e-07 - - - - 2.6897 2.5521 worse
Cedar 0.523836 0.531533 34.6988 11.1083 0.416977 0.521221 0.7222 0.7625 cannot_be_told_apart
Dogwood 0.049024 0.073537 86.7470 11.2331 0.599351 0.599351 0.5895 0.6160 cannot_be_told_apart
Elm 3.4847e-06 1.0454e-05 28.9157 11.1083 0.002041 0.010204 0.0000 0.1699 better
Fir 0.000468 0.000936 69.3976 11.8571 0.181575 0.302625 0.2800 0.3401 cannot_be_told_apart
Gorse 0.531533 0.531533 17.3494 11.1083 0.100594 0.251486 1.2970 1.2208 cannot_be_told_apart
"""


def rows(table):
    return {name: values for name, *values in map(str.split, table.strip().splitlines())}


def printed(word):
    """The number as it is printed: half a unit of its last digit is the tolerance."""
    if word == "-":
        return None
    digits, _, power = word.partition("e")
    unit = 10.0 ** (int(power or 0) - len(digits.partition(".")[2]))
    return pytest.approx(float(word), abs=0.5001 * unit, rel=0)


@pytest.fixture(scope="module")
def seven():
    return compare(entries(SEVEN))


@pytest.fixture(scope="module")
def standings(seven):
    return by_name(seven)


@pytest.fixture(scope="module")
def passes():
    return [
        Weighing({one.key: one.tested for one in entries(SEVEN) if one.name not in left_out}, DEFAULTS)
        for left_out in ({}, {"Birch"})
    ]


@pytest.mark.parametrize("name", rows(SUMS))
def test_the_sums_are_as_printed(standings, name):
    sums, touched = standings[name].sums, standings[name].touched
    *whole, low, high = rows(SUMS)[name]
    assert [sums.k, sums.sn, sums.sx, sums.sxx, sums.snn, sums.sxn, sums.xmax, sums.m] == [int(n) for n in whole]
    assert [100 * touched.low, 100 * touched.high] == [printed(low), printed(high)]


def test_the_site_is_as_printed(passes):
    first, second = passes
    assert (first.events, first.cartons, second.events) == (605, 96_300, 240)
    assert [1000 * first.rate, 1000 * second.rate] == [printed("6.282451"), printed("3.212851")]
    assert [first.batching.phi, first.batching.omega] == [printed("11.698302"), printed("1.85451369")]
    assert [second.batching.phi, second.batching.omega] == [printed("11.373109"), printed("3.495788")]


@pytest.mark.parametrize("name", rows(RATES))
def test_intervals_are_as_printed(standings, name):
    one = standings[name]
    found = [one.expected, 1000 * one.sums.sx / one.sums.sn, residual(one.tested), one.phi, *one.interval]
    per_thousand = [1000 * end / one.sums.sn for end in one.interval]
    assert [*found, *per_thousand] == [printed(word) for word in rows(RATES)[name]]


@pytest.mark.parametrize("name", rows(JUDGED))
def test_verdicts_and_what_led_to_them_are_as_printed(standings, passes, name):
    one, second = standings[name], passes[1]
    alone = [one.alone and one.alone.e, second.factors.get(name), one.p_alone, one.q_alone]
    ratio = one.sums.sx / one.expected
    *numbers, verdict = rows(JUDGED)[name]
    assert [one.p, one.q, *alone, ratio, one.shrunk] == [printed(word) for word in numbers]
    assert one.verdict == verdict


def test_the_list_is_in_the_order_of_the_shrunken_ratios(seven):
    assert [one.name for one in seven.standings] == ["Birch", "Gorse", "Alder", "Cedar", "Dogwood", "Fir", "Elm"]


def test_fir_looks_better_only_because_birch_lifts_the_average(standings):
    assert standings["Fir"].q < 0.001
    assert standings["Fir"].sums.sx < standings["Fir"].expected
    assert standings["Fir"].verdict == Verdict.CANNOT_BE_TOLD_APART


def test_the_cap_leaves_the_seven_as_they_are(seven):
    uncapped = replace(DEFAULTS, trailer_cap=None)
    assert seven.capped == 0
    assert compare(entries(SEVEN, uncapped), uncapped).standings == seven.standings


def test_nobody_under_the_floor_shows_a_rate(standings):
    alder = standings["Alder"]
    shown = [alder.rate, alder.rate_interval, alder.ratio, alder.ratio_interval]
    assert [*shown, alder.adjusted_rate, alder.adjusted_interval] == [None] * 6
    assert alder.sums.sx == 9


def test_without_strata_the_adjusted_rate_is_the_rate(standings):
    birch = standings["Birch"]
    assert birch.adjusted_rate == pytest.approx(birch.rate)
    assert birch.adjusted_interval == pytest.approx(birch.rate_interval)
    assert birch.ratio_interval == pytest.approx((247.7117 / 135.7009, 506.6376 / 135.7009), rel=1e-6)


def test_the_order_of_the_carriers_given_changes_nothing(seven):
    again = compare(reversed(entries(SEVEN)))
    assert [(one.name, one.verdict) for one in again.standings] == [(one.name, one.verdict) for one in seven.standings]
    assert [one.p for one in again.standings] == pytest.approx([one.p for one in seven.standings])


def test_all_that_led_to_the_verdicts_can_be_frozen(seven):
    frozen = json.loads(json.dumps(seven.frozen()))
    birch = frozen["carriers"][0]
    assert frozen["method"] == "1"
    assert frozen["settings"]["min_trailers"] == 5
    assert (birch["name"], birch["verdict"], birch["sums"]["k"]) == ("Birch", "worse", 24)
    assert [birch["p"], birch["q"], birch["phi"]] == [printed("4.1904e-08"), printed("2.5142e-07"), printed("11.9041")]


def test_one_bad_trailer_is_an_incident():
    comparison = compare(entries(THREE + "Oak 900*6 70 3 2 4 1 5"))
    oak, larch = by_name(comparison)["Oak"], by_name(comparison)["Larch"]
    assert [comparison.batching.phi, comparison.batching.omega] == [printed("13.101642"), printed("3.426532")]
    assert [oak.expected, oak.p, oak.q] == [printed("21.190476"), printed("0.008571"), printed("0.034285")]
    assert oak.verdict == Verdict.ONE_TRAILER
    assert (larch.p, larch.verdict) == (printed("0.585980"), Verdict.CANNOT_BE_TOLD_APART)


def test_what_chance_does_among_four_carriers_is_watched():
    comparison = compare(entries(THREE + "Pine 900*6 9 4 8 2 10 7"))
    pine, maple = by_name(comparison)["Pine"], by_name(comparison)["Maple"]
    assert [comparison.batching.phi, comparison.batching.omega] == [printed("3.465077"), printed("0.776499")]
    assert [pine.expected, pine.p, pine.q] == [printed("19.047619"), printed("0.029451"), printed("0.117803")]
    assert pine.verdict == Verdict.WATCH
    assert [maple.phi, maple.p] == [printed("3.692308"), printed("0.732387")]


def test_two_carriers_and_one_batch_cannot_be_told_apart():
    comparison = compare(entries("Rowan 900*6 12 0 0 0 0 0\nSloe 900*6 0 0 0 0 0 0"))
    assert (comparison.batching.phi, comparison.batching.omega) == pytest.approx((12, 11))
    assert [(one.p, one.verdict) for one in comparison.standings] == [(1.0, Verdict.CANNOT_BE_TOLD_APART)] * 2
