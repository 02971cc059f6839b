"""The formulas against scipy.stats and statsmodels, which the product itself never imports, and at their edges."""

from math import inf, log

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.multitest import multipletests

from claims.scorecard import figures
from claims.scorecard.figures import Batching
from claims.scorecard.mix import Weighed, weigh
from claims.scorecard.sums import Trailer, add_up

PHIS = [1.01, 2, 10, 46, 1000]
INTERVALS = {  # low and high for 0, 1, 5, 9, 40 and 200 events; computed with scipy, no outside source
    2: "0 5.321928 0.036526 7.582300 0.878216 14.563404 2.724369 20.572677 24.446630 60.613309 162.746608 242.192790",
    10: "0 14.418540 0.098958 18.514073 0.375489 29.571345 "
    "0.801128 38.222437 11.397470 89.785128 122.415172 298.280242",
    20: "0 23.396186 0.160575 29.091302 0.430632 43.546500 0.726599 54.329579 6.455159 114.898924 96.591054 343.862053",
    46: "0 43.357306 0.297573 52.280375 0.619367 73.378608 0.883120 88.229745 3.809808 165.515594 60.968867 431.351596",
}
TAILS = [
    (100, 0.1, 1.01, 18, 0.01035957, 0.99521496),
    (100, 0.1, 5, 25, 0.03562569, 0.97104438),
    (300, 0.05, 20, 60, 0.02785934, 0.97376482),
    (927, 0.02, 20.5, 60, 0.04470806, 0.95756243),
    (1350, 0.3, 10.4, 520, 0.02084033, 0.97999738),
]


def group(trailers, rate=0.005):
    """Trailers as (cartons, events), weighed at `rate` events per carton."""
    return weigh(add_up([Trailer.of(n, x) for n, x in trailers]), {"all": rate})


@pytest.mark.parametrize(("hits", "of"), [(0, 1), (1, 1), (0, 20), (20, 20), (7, 12), (500, 1282)])
def test_a_share_has_scipys_wilson_interval(hits, of):
    expected = stats.binomtest(hits, of).proportion_ci(method="wilson")
    share = figures.share(hits, of)
    assert (share.low, share.high) == pytest.approx((expected.low, expected.high), abs=1e-12)
    assert share.share == hits / of


def test_a_share_of_none_or_all_ends_exactly():
    """Not merely to the last bit but one, which plain arithmetic would miss for every second size."""
    assert {figures.share(0, of).low for of in range(1, 60)} == {0.0}
    assert {figures.share(of, of).high for of in range(1, 60)} == {1.0}


def test_a_share_of_nothing_is_no_share():
    assert figures.share(0, 0) is None


@pytest.mark.parametrize(("hits", "of"), [(3, 2), (-1, 2)])
def test_a_share_of_more_than_there_is_gets_refused(hits, of):
    with pytest.raises(ValueError, match="0 <= hits <= of"):
        figures.share(hits, of)


@pytest.mark.parametrize("phi", INTERVALS)
def test_the_count_interval_has_its_table_values(phi):
    table = [float(word) for word in INTERVALS[phi].split()]
    found = [end for x in (0, 1, 5, 9, 40, 200) for end in figures.count_interval(x, phi)]
    assert found == pytest.approx(table, abs=6e-7)


@pytest.mark.parametrize("phi", PHIS)
@pytest.mark.parametrize("x", [1, 7, 365, 100_000])
def test_the_count_interval_is_where_the_tails_are_a_fortieth(x, phi):
    """Found again by root finding on scipy.stats' negative binomial."""

    def above(mean):
        return stats.nbinom.sf(x - 1, mean / (phi - 1), 1 / phi) - 0.025

    def below(mean):
        return stats.nbinom.cdf(x, mean / (phi - 1), 1 / phi) - 0.025

    low, high = figures.count_interval(x, phi)
    assert low == pytest.approx(optimize.brentq(above, low / 2, 2 * low, xtol=1e-12, rtol=1e-13), rel=1e-8)
    assert high == pytest.approx(optimize.brentq(below, high / 2, 2 * high, xtol=1e-12, rtol=1e-13), rel=1e-8)


@pytest.mark.parametrize("phi", PHIS)
def test_no_damage_has_the_interval_of_the_closed_form_and_of_the_tail(phi):
    low, high = figures.count_interval(0, phi)
    assert low == 0
    assert high == pytest.approx(log(40) * (phi - 1) / log(phi))
    assert figures.at_most(0, high, phi) == pytest.approx(0.025)


@pytest.mark.parametrize("phi", PHIS)
@pytest.mark.parametrize(("mean", "x"), [(0.3, 0), (0.3, 1), (20.5, 3), (20.5, 60), (1350, 1500)])
def test_tails_are_those_of_scipys_negative_binomial(mean, x, phi):
    size = mean / (phi - 1)
    assert figures.at_least(x, mean, phi) == pytest.approx(stats.nbinom.sf(x - 1, size, 1 / phi), rel=1e-7, abs=1e-300)
    assert figures.at_most(x, mean, phi) == pytest.approx(stats.nbinom.cdf(x, size, 1 / phi), rel=1e-7, abs=1e-300)


def test_every_count_is_at_least_none_and_none_is_at_most_less():
    assert figures.at_least(0, 5, 10) == 1
    assert figures.at_least(-1, 5, 10) == 1
    assert figures.at_most(-1, 5, 10) == 0


@pytest.mark.parametrize("phi", [1, 0.5, 0, float("nan")])
def test_a_factor_that_spreads_nothing_is_refused(phi):
    with pytest.raises(ValueError, match="above 1"):
        figures.count_interval(5, phi)
    with pytest.raises(ValueError, match="above 1"):
        figures.at_least(5, 5, phi)


@pytest.mark.parametrize(
    ("mean", "phi", "low", "high"),
    [(20, 10, None, 89), (90, 10, 23, 207), (90, 20, 10, 271), (1350, 20, 908, 1896)],
)
def test_limits_have_their_table_values(mean, phi, low, high):
    assert figures.limits(mean, phi, 0.00135) == (low, high)


@pytest.mark.parametrize(("mean", "phi"), [(0.2, 1.01), (3, 4), (90, 10), (5000, 46)])
def test_limits_are_the_first_counts_that_are_out(mean, phi):
    size, out = mean / (phi - 1), 0.00135
    counts = np.arange(30_000)
    high = counts[stats.nbinom.sf(counts - 1, size, 1 / phi) < out][0]
    low = counts[stats.nbinom.cdf(counts, size, 1 / phi) < out]
    assert figures.limits(mean, phi, out) == (low[-1] if low.size else None, high)


def test_a_funnel_closes_as_more_is_expected_and_holds_the_line_of_one():
    lines = figures.funnel([5, 50, 500], phi=10)
    widths = [high - low for _, low, high in lines]
    assert widths == sorted(widths, reverse=True)
    assert all(low < 1 < high for _, low, high in lines)
    assert lines[0][:2] == (5, 0)


def test_a_funnels_lines_are_the_last_counts_that_are_not_out():
    ((_, low, high),) = figures.funnel([90], phi=10, tail=0.00135)
    assert (low, high) == (24 / 90, 206 / 90)


@pytest.mark.parametrize(("events", "portion", "spread", "x", "up", "down"), TAILS)
def test_shares_have_the_tails_of_the_table_and_of_scipy(events, portion, spread, x, up, down):
    found = figures.beta_binomial_tails(events, portion, spread, x)
    size = (events - spread) / (spread - 1)
    again = stats.betabinom(events, portion * size, (1 - portion) * size)
    assert found == pytest.approx((up, down), abs=6e-9)
    assert found == pytest.approx((again.sf(x - 1), again.cdf(x)), rel=1e-8)


def test_a_flat_share_makes_every_count_equally_likely():
    """a = b = 1: spread = (X + a + b) / (a + b + 1), here 12 / 3."""
    for x in range(11):
        up, down = figures.beta_binomial_tails(10, 0.5, 4, x)
        assert (up, down) == pytest.approx(((11 - x) / 11, (x + 1) / 11))


def test_without_batches_a_share_is_binomial():
    up, down = figures.beta_binomial_tails(60, 0.25, 1 + 1e-9, 22)
    assert (up, down) == pytest.approx((stats.binom.sf(21, 60, 0.25), stats.binom.cdf(22, 60, 0.25)), rel=1e-4)


def test_many_events_still_add_up_to_one():
    up, down = figures.beta_binomial_tails(200_000, 0.01, 20, 2_000)
    assert up + down == pytest.approx(1 + stats.betabinom.pmf(2_000, 200_000, *sizes(200_000, 0.01, 20)), rel=1e-6)


def sizes(events, portion, spread):
    size = (events - spread) / (spread - 1)
    return portion * size, (1 - portion) * size


def test_equal_shares_are_no_surprise():
    p_values = figures.fair_share([(group([(900, 4), (900, 5)]), 10.0)] * 3)
    assert len(set(p_values)) == 1
    assert p_values[0] > 0.8


def test_one_batch_tells_nothing():
    pairs = [(group([(900, 12)] + 5 * [(900, 0)]), 12.0), (group(6 * [(900, 0)]), 12.0)]
    assert figures.fair_share(pairs) == [1.0, 1.0]


def test_one_carrier_shares_with_nobody():
    with pytest.raises(ValueError, match="two groups"):
        figures.fair_share([(group([(900, 4)]), 10.0)])


def test_a_larger_factor_makes_a_share_less_surprising():
    heavy, light = group(20 * [(900, 12)]), group(60 * [(900, 3)])
    p_values = [figures.fair_share([(heavy, phi), (light, phi)])[0] for phi in (1.01, 5, 20)]
    assert p_values == sorted(p_values)
    assert p_values[0] < 1e-12 < 0.001 < p_values[-1]


@pytest.mark.parametrize(
    "p_values", [[], [0.2], [0.01, 0.01, 0.01], [1.0, 1.0], [0.04, 0.001, 0.3, 0.001, 0.9, 0.02], [1e-12, 0.5, 0.04]]
)
def test_adjusted_p_values_are_those_of_both_libraries(p_values):
    q_values = figures.adjusted(p_values)
    if p_values:
        assert q_values == pytest.approx(list(stats.false_discovery_control(p_values)))
        assert q_values == pytest.approx(list(multipletests(p_values, method="fdr_bh")[1]))
    assert len(q_values) == len(p_values)


def test_the_shrunken_order_rests_on_the_moments_of_statsmodels():
    ratios, weights = [0.4, 1.1, 2.7, 0.9, 1.4], [3.0, 11.0, 8.0, 0.7, 5.0]
    shrunk = figures.shrink(ratios, weights)
    again = combine_effects(np.array(ratios), 1 / np.array(weights), method_re="dl")
    assert shrunk.between == pytest.approx(again.tau2)
    assert shrunk.excess == pytest.approx(again.q)
    assert shrunk.mean == pytest.approx(again.mean_effect_fe)
    for value, ratio in zip(shrunk.values, ratios, strict=True):
        assert min(ratio, shrunk.mean) < value < max(ratio, shrunk.mean)


def test_ratios_that_differ_no_more_than_chance_shrink_wholly():
    shrunk = figures.shrink([0.9, 1.0, 1.1], [4.0, 4.0, 4.0])
    assert shrunk.between == 0
    assert shrunk.values == pytest.approx([1.0, 1.0, 1.0])


def test_one_ratio_or_none_can_be_shrunk():
    assert figures.shrink([1.7], [2.0]).values == [1.7]
    assert figures.shrink([], []).values == []


def test_the_residual_is_the_sum_of_squares_it_stands_for():
    trailers = [(800, 4), (1000, 0), (950, 31), (120, 2)]
    weighed = group(trailers)
    y = weighed.ratio
    assert figures.residual(weighed) == pytest.approx(sum((x - y * 0.005 * n) ** 2 for n, x in trailers))


def test_the_residual_of_equal_trailers_is_not_below_nothing():
    for events in range(1, 40):
        assert figures.residual(group(7 * [(913, events)], rate=0.00621)) >= 0


def test_the_batching_factor_pools_what_is_within_carriers():
    one, other = group([(900, 12), (900, 0), (900, 3)]), group([(900, 1), (900, 8)])
    site = figures.batching([one, other])
    pooled = 3 / 2 * figures.residual(one) + 2 / 1 * figures.residual(other)
    assert site.phi == pytest.approx(pooled / 24)
    assert site.omega == pytest.approx((site.phi - 1) / (900 * 0.005))


def test_a_carrier_of_one_trailer_adds_nothing_to_the_batching_factor():
    others = [group([(900, 12), (900, 0), (900, 3)])]
    assert figures.batching([*others, group([(1500, 900)])]) == figures.batching(others)


def test_the_batching_factor_never_reaches_one():
    assert figures.batching([group(4 * [(900, 5)])]) == Batching(1.01, pytest.approx(0.01 / 4.5))


@pytest.mark.parametrize(
    "groups",
    [[], [[(900, 12)], [(900, 3)]], [5 * [(900, 0)], [(900, 7)]]],
    ids=["nobody", "one trailer each", "no event where there are two trailers"],
)
def test_the_batching_factor_can_be_unknown(groups):
    assert figures.batching([group(trailers) for trailers in groups]) is None


def test_a_carriers_own_factor_needs_twenty_trailers_and_an_event():
    assert figures.own_factor(group(19 * [(900, 0)] + [(900, 8)])) == pytest.approx(8)
    assert figures.own_factor(group(18 * [(900, 0)] + [(900, 8)])) is None
    assert figures.own_factor(group(20 * [(900, 0)])) is None


def test_a_carriers_factor_is_never_lower_than_the_sites():
    calm, wild = group(20 * [(900, 5)]), group(19 * [(900, 0)] + [(900, 100)])
    site = Batching(10, 2)
    assert figures.factor(calm, site) == pytest.approx(1 + 2 * 4.5)
    assert figures.factor(wild, site) == pytest.approx(100)


def test_nothing_expected_has_no_factor():
    assert figures.factor(Weighed(3, 0, 0, 0, 0.0, 0.0, 0.0), Batching(10, 2)) is None


def test_a_p_of_nan_or_infinity_never_comes_out_of_a_fair_share():
    pairs = [(group([(1, 0)], rate=1e-9), 1.01), (group(900 * [(900, 9)]), 46.0), (group([(900, 0)]), 10.0)]
    for p in figures.fair_share(pairs):
        assert 0 <= p <= 1 and p != inf
