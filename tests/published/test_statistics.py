"""The scorecards' arithmetic against published data and results.

The source stands at each test. Values marked "in print" were published (to the digits the comment gives); the further
digits, and all others, were computed from the published data with scipy 1.17 and statsmodels 0.15. Sources and
in-print marks are from memory unless the test says otherwise.

Not here, because the product does not compute them: p chart and Laney limits, binomial funnel limits, Stein's factor,
beta moments.
"""

from fractions import Fraction
from math import log, sqrt

import pytest

from claims.scorecard import figures, mix, months, settling
from claims.scorecard.mix import Weighed
from claims.scorecard.sums import Sums, Trailer, add_up

P1 = ".0001 .0004 .0019 .0095 .0201 .0278 .0298 .0344 .0459 .3240 .4262 .5719 .6528 .7590 1"
Q1 = ".0015 .003 .0095 .035625 .0603 .063857 .063857 .0645 .0765 .486 .581182 .714875 .753231 .813214 1"
FLORIDA = "0/953785 0/1997935 4/1885014 14/1957573 43/2356649 72/2088000 70/1548371 126/1447432 136/1087524 73/335944"
UNITED_STATES = (
    "0/19175798 1/41077577 41/39183891 186/39892024 626/45148527 1199/37677952 1303/24274684 1637/18390986 "
    "1624/12361180 803/4239587"
)
WEIL_CONTROL = "13/13 12/12 9/9 9/9 8/8 8/8 12/13 11/12 9/10 9/10 8/9 11/13 4/5 5/7 7/10 7/10"
WEIL_TREATED = "12/12 11/11 10/10 9/9 10/11 9/10 9/10 8/9 8/9 4/5 7/9 4/7 5/10 3/6 3/10 0/7"
RESIDENTS = "8 12 4 5 6 6 7 5 8 3 2 6 5 10 9 3 6 5 5 4 6 8 7 3 8"
INCOME = "96 121 42 65 52 40 75 65 45 50 85 43 54 49 53 50 32 22 45 37 51 30 39 47 41"
TREATED_ILL = "4 6 3 62 33 180 8 505 29 17 186 5 27"
TREATED_WELL = "119 300 228 13536 5036 1361 2537 87886 7470 1699 50448 2493 16886"
CONTROL_ILL = "11 29 11 248 47 372 10 499 45 65 141 3 29"
CONTROL_WELL = "128 274 209 12619 5761 1079 619 87892 7232 1600 27197 2338 17825"
HITS = "18 17 16 15 14 14 13 12 11 11 10 10 10 10 10 9 8 7"
CANS = "12 15 8 10 4 7 16 9 14 10 5 6 17 12 22 8 10 5 13 11 20 18 24 15 9 12 7 13 9 6"


def whole(text):
    return [int(word) for word in text.split()]


def fractions(text):
    return [tuple(map(int, word.split("/"))) for word in text.split()]


def against_cartons(trailers):
    """A group weighed with e = n, as the textbooks do it."""
    sums = add_up([Trailer.of(n, x) for x, n in trailers])
    return sums, mix.weigh(sums, {"all": 1.0})


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [
        (81, 263, 0.2552885199, 0.3662095770),  # in print: 0.2553, 0.3662
        (15, 148, 0.0623863995, 0.1604872417),  # in print: 0.0624, 0.1605
        (0, 20, 0, 0.1611251581),  # in print: 0.1611
        (1, 29, 0.0061132143, 0.1717552188),  # in print: 0.0061, 0.1718
    ],
)
def test_the_share_has_newcombes_score_interval(hits, of, low, high):
    """R. G. Newcombe 1998, Statistics in Medicine 17:857, method 3."""
    share = figures.share(hits, of)
    assert (share.low, share.high) == pytest.approx((low, high), abs=5e-11)


def test_false_discoveries_are_adjusted_as_benjamini_and_hochberg_did():
    """Y. Benjamini, Y. Hochberg 1995, JRSS B 57:289, the example of 15 p-values; four rejected at 5% is in print."""
    q_values = figures.adjusted([float(word) for word in P1.split()])
    assert q_values == pytest.approx([float(word) for word in Q1.split()], abs=5e-7)
    assert sum(q <= 0.05 for q in q_values) == 4


GARWOOD = {
    0: (0, 3.688879),
    1: (0.025318, 5.571643),
    2: (0.242209, 7.224688),
    3: (0.618672, 8.767273),
    4: (1.089865, 10.241589),
    5: (1.623486, 11.668332),
    10: (4.795389, 18.390356),
    20: (12.216520, 30.888378),
    100: (81.363991, 121.626794),
}


@pytest.mark.parametrize("x", GARWOOD)
def test_without_batches_the_count_interval_is_garwoods(x):
    """F. Garwood 1936, Biometrika 28:437; K. Ulm 1990, American Journal of Epidemiology 131:373; in print.

    At phi = 1 the negative binomial is the Poisson; at 1.01, the lowest there is here, it is within 2%.
    """
    assert figures.count_interval(x, 1.01) == pytest.approx(GARWOOD[x], rel=0.02)
    assert figures.count_interval(x, 1 + 1e-6) == pytest.approx(GARWOOD[x], rel=2e-6, abs=6e-7)


def test_the_nickel_refiners_have_their_standardised_ratio():
    """N. E. Breslow, N. E. Day 1987 (IARC 82), Welsh nickel refiners, lung cancer; from memory, the least certain."""
    refiners = Weighed(k=1, x=137, xx=0, xmax=137, e=24.19893, ee=0, xe=0)
    low, high = figures.count_interval(137, 1 + 1e-6)
    assert refiners.ratio == pytest.approx(5.66141, abs=5e-6)
    assert (low / refiners.e, high / refiners.e) == pytest.approx((4.75312, 6.69271), abs=2e-5)


def strata(text):
    cells = {f"age {age}": cell for age, cell in enumerate(fractions(text))}
    return Trailer({age: n for age, (_, n) in cells.items()}, {age: x for age, (x, _) in cells.items()})


def test_floridas_skin_cancer_has_its_standardised_ratio():
    """SAS/STAT User's Guide, STDRATE, first example: Florida and the US, 2000; Florida's data were looked up.

    In print: ratio 1.017540, standard error 0.043869.
    """
    florida, country = add_up([strata(FLORIDA)]), add_up([strata(UNITED_STATES)])
    rates = mix.stratum_rates([country])
    weighed = mix.weigh(florida, rates)
    reference = country.sx / country.sn
    assert weighed.e == pytest.approx(528.7263, abs=5e-5)
    assert weighed.ratio == pytest.approx(1.017540, abs=5e-7)
    assert sqrt(weighed.x) / weighed.e == pytest.approx(0.043869, abs=5e-7)
    per_100_000 = [1e5 * rate for rate in (reference, weighed.ratio * reference, florida.sx / florida.sn)]
    assert per_100_000 == pytest.approx([2.63661, 2.68285, 3.43589], abs=5e-6)


def test_ecuadors_deaths_have_their_standardised_ratio():
    """IUSSP, Population Analysis for Policies and Programmes, PAPP101: Ecuador on Swedish rates; 1.52 in print.

    Data and result were looked up.
    """
    people = Trailer({"young": 7_498_000, "middle": 3_219_000, "old": 742_000}, {"old": 64_700})
    weighed = mix.weigh(add_up([people]), {"young": 0.45e-3, "middle": 2.4e-3, "old": 42.4e-3})
    assert weighed.e == pytest.approx(42_560.5, abs=0.05)
    assert weighed.ratio == pytest.approx(1.5202, abs=5e-5)


@pytest.mark.parametrize(
    ("litters", "sums", "p", "rss", "variance", "design_effect"),
    [
        (WEIL_CONTROL, (16, 142, 158, 1354, 1640, 1481), 0.898734, 16.615286, 0.000709941, 1.232495),
        (WEIL_TREATED, (16, 112, 145, 960, 1369, 1089), 0.772414, 94.459738, 0.004792250, 3.952861),
    ],
    ids=["control", "treated"],
)
def test_weils_litters_are_as_batched_as_rao_and_scott_found(litters, sums, p, rss, variance, design_effect):
    """C. S. Weil 1970, Food and Cosmetics Toxicology 8:177, as used by Rao and Scott 1992, Biometrics 48:577."""
    added, group = against_cartons(fractions(litters))
    assert (added.k, added.sx, added.sn, added.sxx, added.snn, added.sxn) == sums
    assert group.ratio == pytest.approx(p, abs=5e-7)
    assert figures.residual(group) == pytest.approx(rss, abs=5e-7)
    of_ratio = group.k / (group.k - 1) * figures.residual(group) / added.sn**2
    assert of_ratio == pytest.approx(variance, abs=5e-10)
    assert of_ratio * added.sn / (group.ratio * (1 - group.ratio)) == pytest.approx(design_effect, abs=5e-7)


def test_the_blocks_of_the_sampling_textbook_have_their_residual():
    """Scheaffer, Mendenhall, Ott, Elementary Survey Sampling, cluster chapter: 25 of 415 blocks, income per resident.

    In print: ratio 8801.3245, s_r 25189.308, bound 1617.14.
    """
    _, group = against_cartons([(1000 * y, m) for y, m in zip(whole(INCOME), whole(RESIDENTS), strict=True)])
    s_r = sqrt(figures.residual(group) / 24)
    assert (group.e, group.x) == (151, 1_329_000)
    assert group.ratio == pytest.approx(8801.3245, abs=5e-5)
    assert s_r == pytest.approx(25189.308, abs=5e-4)
    assert 25 / 24 * figures.residual(group) / group.e**2 == pytest.approx(695694.50, abs=5e-3)
    assert 2 * sqrt((1 - 25 / 415) * s_r**2 / (25 * (151 / 25) ** 2)) == pytest.approx(1617.14, abs=5e-3)


def test_the_thirteen_vaccine_trials_have_their_spread():
    """BCG vaccine: Colditz and others 1994, JAMA 271:698; DerSimonian and Laird 1986.

    In print: Q 152.2330, tau^2 0.308760, mean -0.714117, standard error 0.178742.
    """
    table = [whole(row) for row in (TREATED_ILL, TREATED_WELL, CONTROL_ILL, CONTROL_WELL)]
    assert sum(map(sum, table)) == 357_347
    ratios, variances = [], []
    for ill, well, control_ill, control_well in zip(*table, strict=True):
        ratios.append(log(ill / (ill + well)) - log(control_ill / (control_ill + control_well)))
        variances.append(1 / ill - 1 / (ill + well) + 1 / control_ill - 1 / (control_ill + control_well))
    shrunk = figures.shrink(ratios, [1 / v for v in variances])
    assert shrunk.excess == pytest.approx(152.2330, abs=5e-5)
    assert shrunk.between == pytest.approx(0.308760, abs=5e-7)
    weights = [1 / (v + shrunk.between) for v in variances]
    mean = sum(u * y for u, y in zip(weights, ratios, strict=True)) / sum(weights)
    assert (mean, 1 / sqrt(sum(weights))) == pytest.approx((-0.714117, 0.178742), abs=5e-7)


def test_eighteen_batters_are_drawn_together():
    """B. Efron, C. Morris 1975, JASA 70:311, and 1977, Scientific American 236(5):119: the data, and that it is done.

    Stein's factor in print is 0.212; the moment form used here gives 0.106541 on the same data (computed).
    """
    rates = [hits / 45 for hits in whole(HITS)]
    mean = sum(rates) / len(rates)
    sigma2 = mean * (1 - mean) / 45
    assert (mean, sigma2) == pytest.approx((0.265432, 0.00433284), abs=5e-7)
    shrunk = figures.shrink(rates, [1 / sigma2] * len(rates))
    drawn = [(value - mean) / (rate - mean) for value, rate in zip(shrunk.values, rates, strict=True)]
    assert drawn == pytest.approx([0.106541] * len(rates), abs=5e-7)


def handled(closed, still_open=""):
    return [settling.Handled(day, True) for day in whole(closed)] + [
        settling.Handled(day, False) for day in whole(still_open)
    ]


REMISSION = handled("6 6 6 7 10 13 16 22 23", "6 9 10 11 17 19 20 25 32 32 34 35")
STILL_OPEN = "0.857143 0.806723 0.752941 0.690196 0.627451 0.537815 0.448179"
ERRORS = "0.076360 0.086935 0.096350 0.106815 0.114054 0.128234 0.134591"
LOW = "0.6197 0.5631 0.5032 0.4316 0.3675 0.2678 0.1881"
HIGH = "0.9516 0.9228 0.8894 0.8491 0.8049 0.7468 0.6801"


def test_the_leukaemia_trial_has_its_curve():
    """Freireich and others 1963, Blood 21:699; Gehan 1965: 6-MP. The curve is in print, errors and limits computed."""

    def numbers(text):
        return [float(word) for word in text.split()]

    steps = settling.steps(REMISSION)
    assert [step.day for step in steps] == [6, 7, 10, 13, 16, 22, 23]
    assert [step.still_open for step in steps] == pytest.approx(numbers(STILL_OPEN), abs=5e-7)
    assert [step.error for step in steps] == pytest.approx(numbers(ERRORS), abs=5e-7)
    assert [step.low for step in steps] == pytest.approx(numbers(LOW), abs=5e-5)
    assert [step.high for step in steps] == pytest.approx(numbers(HIGH), abs=5e-5)


def test_the_leukaemia_trial_has_its_medians():
    """The same trial: 23 and, in the placebo arm, 8 are in print; the interval was computed."""
    median = settling.median_days(REMISSION)
    assert (median.days, median.low, median.high) == (23, 13, None)
    placebo = settling.median_days(handled("1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"))
    assert placebo.days == 8


def test_the_orange_juice_cans_have_no_run_of_eight():
    """D. C. Montgomery, Introduction to Statistical Quality Control: 30 samples of 50 cans; in print."""
    samples = [add_up([Trailer.of(50, x)]) for x in whole(CANS)]
    total = sum(samples, Sums())
    assert Fraction(total.sx, total.sn) == Fraction(347, 1500)
    runs = months.run_lengths([months.side(sums, total.sx, total.sn) for sums in samples])
    assert 1 < max(runs) < 8
