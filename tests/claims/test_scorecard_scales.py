"""Round numbers along an axis, and where a value lies on it."""

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from claims.scorecard import scales

SOME = st.lists(st.floats(0, 1e9, allow_nan=False).filter(lambda value: value == 0 or value > 1e-6), max_size=6)


@pytest.mark.parametrize(
    ("span", "about", "step"),
    [
        (10, 5, "2"),
        (11, 5, "5"),
        (1, 5, "0.2"),
        (23.455, 5, "5"),
        (100, 1, "100"),
        (0.003, 3, "0.001"),
        (7e6, 4, "2e6"),
    ],
)
def test_a_step_is_one_two_or_five_times_a_power_of_ten(span, about, step):
    assert scales.nice_step(span, about) == Decimal(step)


@pytest.mark.parametrize(("span", "about"), [(0, 5), (-1, 5), (math.inf, 5), (math.nan, 5), (10, 0)])
def test_a_step_needs_a_span(span, about):
    with pytest.raises(ValueError, match=r"span|place|at least one"):
        scales.nice_step(span, about)


def test_an_axis_goes_from_nothing_to_a_whole_step():
    axis = scales.linear([1.759, 23.455], 0, 500)
    assert (axis.ticks, axis.decimals) == ((0, 5, 10, 15, 20, 25), 0)
    assert axis.marks[-1] == (25, 500)


def test_ticks_are_written_without_the_noise_of_floats():
    axis = scales.linear([0.7], 0, 100, about=7)
    assert axis.ticks == (0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7)
    assert axis.decimals == 1


def test_an_axis_can_start_where_the_values_do():
    assert scales.linear([103, 117], 0, 100, from_zero=False).ticks == (100, 105, 110, 115, 120)


def test_an_axis_reaches_below_nothing_where_the_values_do():
    assert scales.linear([-3, 8], 0, 100).ticks == (-5, 0, 5, 10)


@pytest.mark.parametrize("values", [[], [0], [0, 0]])
def test_nothing_to_draw_has_an_axis_all_the_same(values):
    axis = scales.linear(values, 0, 100)
    assert (axis.low, axis.high, axis.at(0)) == (0, 1, 0)
    assert scales.linear([], 0, 100, from_zero=False) == axis


@pytest.mark.parametrize("value", [7, -7, 0, 1e-6, 1e9])
def test_equal_values_lie_on_an_axis_that_starts_elsewhere(value):
    axis = scales.linear([value, value], 0, 100, from_zero=False)
    assert axis.low < axis.high
    assert axis.holds(value)


def test_upwards_is_a_start_below_the_end():
    axis = scales.linear([10], 200, 0)
    assert [axis.at(value) for value in (0, 5, 10)] == [200, 100, 0]


def test_what_lies_beyond_an_end_is_drawn_on_it_and_known():
    axis = scales.linear([10], 0, 100)
    assert (axis.at(11), axis.at(-1)) == (100, 0)
    assert (axis.holds(10), axis.holds(11)) == (True, False)


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_is_no_number_has_no_place(value):
    axis = scales.linear([10], 0, 100)
    for place in (
        lambda: axis.at(value),
        lambda: scales.linear([value], 0, 1),
        lambda: scales.logarithmic([value], 0, 1),
    ):
        with pytest.raises(ValueError, match="no place on an axis"):
            place()


def test_a_logarithmic_axis_has_one_two_and_five_of_every_power():
    axis = scales.logarithmic([3, 140], 0, 300)
    assert axis.ticks == (2, 5, 10, 20, 50, 100, 200)
    assert axis.at(20) == 150
    assert axis.at(5) - axis.at(2) == pytest.approx(300 * math.log10(2.5) / 2, abs=0.01)


def test_a_wide_logarithmic_axis_has_powers_only():
    assert scales.logarithmic([0.02, 900], 0, 100).ticks == (0.01, 0.1, 1, 10, 100, 1000)


def test_an_end_that_is_a_tick_stays_the_end():
    axis = scales.logarithmic([2, 100], 0, 100)
    assert (axis.low, axis.high) == (2, 100)


@pytest.mark.parametrize(("values", "ticks"), [([], (1, 2)), ([0, -3], (1, 2)), ([5, 5], (5, 10)), ([0, 7], (5, 10))])
def test_a_logarithmic_axis_leaves_out_what_it_cannot_hold(values, ticks):
    axis = scales.logarithmic(values, 0, 100)
    assert axis.ticks == ticks
    assert axis.at(0) == 0


def test_a_logarithmic_axis_of_small_numbers_says_its_decimals():
    assert scales.logarithmic([0.03, 0.4], 0, 100).decimals == 2


@given(values=SOME, start=st.integers(0, 400), end=st.integers(0, 400), about=st.integers(1, 12))
def test_every_value_lies_on_its_axis(values, start, end, about):
    linear = scales.linear(values, start, end, about=about)
    logarithmic = scales.logarithmic(values, start, end)
    for axis in (linear, logarithmic):
        assert all(axis.holds(value) for value in values if value > 0)
        assert all(min(start, end) <= axis.at(value) <= max(start, end) for value in values)
        assert list(axis.ticks) == sorted(set(axis.ticks))
        assert (axis.ticks[0], axis.ticks[-1]) == (axis.low, axis.high)
    assert 2 <= len(linear.ticks) <= about + 2


def test_rows_share_the_height_evenly():
    assert scales.rows(4, 0, 100) == [12.5, 37.5, 62.5, 87.5]
    assert scales.rows(0, 0, 100) == []


def test_the_parts_of_a_bar_fill_it():
    assert scales.stacked([1, 0, 3], 0, 200) == [(0, 50), (50, 50), (50, 200)]


def test_the_parts_of_an_empty_bar_have_no_length():
    assert scales.stacked([0, 0], 40, 200) == [(40, 40), (40, 40)]
    assert scales.stacked([], 0, 200) == []


def test_a_bar_of_money_in_decimals_can_be_drawn():
    assert scales.stacked([Decimal("10.10"), Decimal("30.30")], 0, 100) == [(0, 25), (25, 100)]


def test_a_bar_has_no_part_below_nothing():
    with pytest.raises(ValueError, match="no part below 0"):
        scales.stacked([1, -1], 0, 100)


def test_a_line_is_written_for_svg():
    across, up = scales.linear([10], 0, 100), scales.linear([10], 50, 0)
    assert scales.points([(0, 0), (2.5, 10), (10, 2)], across, up) == "0,50 25,0 100,40"
