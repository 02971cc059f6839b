"""One series month by month."""

from dataclasses import replace

import pytest

from claims.scorecard import figures, months
from claims.scorecard.compare import DEFAULTS
from claims.scorecard.sums import Sums, Trailer, add_up

PATTERN = [0, 9, 2, 0, 14, 1, 3, 0, 7, 4, 0, 12, 2, 5, 1, 0, 6, 3, 20, 1, 0, 2, 8, 0, 4]


def month(trailers=25, events=None, cartons=900):
    """A month of trailers with the pattern's events, or with as many as given, spread evenly."""
    if events is None:
        return add_up([Trailer.of(cartons, PATTERN[i % 25]) for i in range(trailers)])
    whole, more = divmod(events, trailers)
    return add_up([Trailer.of(cartons, whole + (i < more)) for i in range(trailers)])


def series(*events, trailers=25):
    """Months by their events; the first twelve make the baseline."""
    return list(enumerate(month(trailers, one) for one in events))


BASE = [104, 80, 131, 99, 60, 122, 111, 95, 140, 90, 101, 115]


def test_the_baseline_is_the_first_twelve_months():
    chart = months.watch(series(*BASE, 5000))
    assert chart.centre == pytest.approx(1000 * sum(BASE) / (12 * 25 * 900))


def test_months_are_the_groups_of_the_batching_factor():
    chart = months.watch(list(enumerate([month()] * 12)))
    mean = sum(PATTERN) / 25
    within = 25 / 24 * sum((x - mean) ** 2 for x in PATTERN)
    assert chart.batching.phi == pytest.approx(within / sum(PATTERN))


def test_limits_are_those_of_the_negative_binomial():
    chart = months.watch(list(enumerate([month()] * 12)) + [(12, month(40))])
    expected = sum(PATTERN) / 25 * 40
    low, high = figures.limits(expected, chart.batching.phi, 0.00135)
    assert (chart.points[-1].lower, chart.points[-1].upper) == pytest.approx(
        (1000 * low / 36_000, 1000 * high / 36_000)
    )


def test_the_first_count_that_is_out_signals_and_the_one_before_does_not():
    base = [month()] * 12
    phi = months.watch(list(enumerate(base))).batching.phi
    low, high = figures.limits(sum(PATTERN), phi, 0.00135)
    edge = [month(events=count) for count in (high, high - 1, low, low + 1)]
    chart = months.watch(list(enumerate(base + edge)))
    assert [point.out for point in chart.points[12:]] == ["high", None, "low", None]


def test_where_none_is_not_low_there_is_no_lower_limit():
    chart = months.watch(list(enumerate([month()] * 12)) + [(12, month(2, 0))])
    assert chart.points[-1].lower is None
    assert chart.points[-1].out is None


def test_the_eighth_month_on_one_side_signals():
    above = [101] * 8
    chart = months.watch(series(*[100] * 12, *above))
    assert [point.run for point in chart.points[11:]] == [0, 1, 2, 3, 4, 5, 6, 7, 8]
    assert [point.run_signals for point in chart.points[-2:]] == [False, True]


def test_a_month_on_the_line_starts_the_count_again():
    chart = months.watch(series(*[100] * 12, 101, 102, 100, 103, 99, 98))
    assert [point.run for point in chart.points[12:]] == [1, 2, 0, 1, 1, 2]


def test_on_the_line_is_meant_exactly():
    """A third of a per mille is no float."""
    thirds = [(i, add_up([Trailer.of(3000, 1), Trailer.of(3000, 1)])) for i in range(12)]
    chart = months.watch([*thirds, (12, add_up([Trailer.of(9000, 3), Trailer.of(3000, 1)]))])
    assert [point.run for point in chart.points] == [0] * 13


def test_a_run_of_thin_months_is_a_note():
    chart = months.watch(series(*[80] * 12, *[81] * 8, trailers=19))
    seventh, eighth = chart.points[-2:]
    assert (seventh.run, seventh.run_signals, seventh.run_is_note) == (7, False, False)
    assert (eighth.run, eighth.run_signals, eighth.run_is_note) == (8, False, True)


def test_one_thin_month_makes_a_run_a_note_while_it_is_part_of_it():
    thin = (0, month(19, 77))
    chart = months.watch([*series(*[100] * 12), thin, *series(*[101] * 8)])
    assert [point.run for point in chart.points[12:]] == [1, 2, 3, 4, 5, 6, 7, 8, 9]
    assert [point.run_is_note for point in chart.points[-2:]] == [True, True]
    assert not chart.points[-1].run_signals


@pytest.mark.parametrize(
    "listed",
    [series(*BASE[:11]), series(*[0] * 14), list(enumerate([add_up([Trailer.of(900, 3)])] * 14)), []],
    ids=["eleven months", "no event", "one trailer a month", "nothing"],
)
def test_without_a_baseline_there_are_points_and_no_limits(listed):
    chart = months.watch(listed)
    assert (chart.centre, chart.batching) == (None, None)
    assert len(chart.points) == len(listed)
    assert {(point.upper, point.lower, point.out, point.run) for point in chart.points} <= {(None, None, None, 0)}


def test_a_month_without_cartons_has_no_point():
    chart = months.watch([*series(*BASE[:6]), ("strike", Sums()), *series(*BASE[6:], 100)])
    assert "strike" not in [point.label for point in chart.points]
    assert chart.centre == pytest.approx(1000 * sum(BASE) / (12 * 25 * 900))
    assert chart.points[-1].upper


def test_strata_do_not_matter_to_a_series():
    mixed = add_up([Trailer({"easy": 400, "hard": 500}, {"easy": i % 3, "hard": i % 7}) for i in range(25)])
    plain = add_up([Trailer.of(900, i % 3 + i % 7) for i in range(25)])
    limits = [months.watch(list(enumerate([sums] * 12))).points[0].upper for sums in (mixed, plain)]
    assert limits[0] == limits[1]


def test_the_settings_decide_how_long_a_run_is():
    chart = months.watch(series(*[100] * 12, *[101] * 3), replace(DEFAULTS, run=3))
    assert chart.points[-1].run_signals
