"""Money: rounded half-up in one place, split without losing a cent, never a float."""

from decimal import Decimal, getcontext, localcontext

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from claims.money import add_up, cents, exact, places, split

amounts = st.decimals(min_value=0, max_value=10**9, places=2)
weights = st.lists(st.decimals(min_value=0, max_value=10**5, places=3), min_size=1, max_size=12)


@pytest.mark.parametrize(
    ("amount", "rounded"),
    [("2.675", "2.68"), ("0.125", "0.13"), ("1.005", "1.01"), ("2.665", "2.67"), ("1.00499999", "1.00"), ("7", "7.00")],
)
def test_cents_round_half_up(amount, rounded):
    assert str(cents(Decimal(amount))) == rounded


def test_half_a_cent_below_nought_goes_away_from_nought():
    assert str(cents(Decimal("-2.675"))) == "-2.68"


def test_there_is_no_minus_nought():
    assert str(cents(Decimal("-0.001"))) == "0.00"


@pytest.mark.parametrize(
    ("currency", "rounded"),
    [("USD", "1234.57"), ("JPY", "1235"), ("KWD", "1234.568"), ("CLF", "1234.5678"), ("", "1234.57")],
)
def test_a_currency_has_its_own_smallest_unit(currency, rounded):
    """ISO 4217, from memory."""
    assert str(cents(Decimal("1234.56784"), currency)) == rounded
    assert places(currency) == len(rounded.partition(".")[2])


@pytest.mark.parametrize("wrong", [2.675, "2.68", None, True, 1j])
def test_what_is_not_decimal_is_a_type_error(wrong):
    for work in (lambda: cents(wrong), lambda: add_up([wrong]), lambda: split(wrong, [1]), lambda: split(1, [wrong])):
        with pytest.raises(TypeError, match="decimal"):
            work()


@pytest.mark.parametrize("wrong", ["NaN", "sNaN", "Infinity", "-Infinity", "1E+25"])
def test_what_is_no_finite_number_is_a_value_error(wrong):
    for work in (
        lambda: cents(Decimal(wrong)),
        lambda: add_up([1, Decimal(wrong)]),
        lambda: split(Decimal(wrong), [1]),
    ):
        with pytest.raises(ValueError, match="no amount of money"):
            work()


def test_whole_numbers_are_exact_and_welcome():
    assert exact(3) == Decimal(3)


def test_the_float_sums_of_sqlite_are_brought_back_to_the_cent():
    """What SQLite's SUM of 0.10, 0.20 and 0.05 comes back as."""
    assert str(cents(Decimal("0.350000000000000"))) == "0.35"


def test_nothing_adds_up_to_nought():
    assert str(add_up([])) == "0.00"


def test_a_sum_is_exact_before_it_is_rounded():
    assert add_up([Decimal("0.004")] * 3) == Decimal("0.01")
    assert add_up([Decimal(10) ** 20, Decimal("0.01"), -(Decimal(10) ** 20)]) == Decimal("0.01")


def test_a_narrow_decimal_context_of_somebody_else_does_no_harm():
    with localcontext() as narrow:
        narrow.prec = 3
        assert cents(Decimal("12345.675")) == Decimal("12345.68")
        assert add_up([Decimal("12345.67"), Decimal("0.01")]) == Decimal("12345.68")
        assert split(Decimal("12345.67"), [1, 1]) == [Decimal("6172.84"), Decimal("6172.83")]
        assert split(Decimal("-12345.67"), [1, 0]) == [Decimal("-12345.67"), 0]
        assert getcontext().prec == 3


class TestSplit:
    def test_the_earlier_of_like_remainders_gets_the_cent(self):
        assert split(Decimal("100.00"), [1, 1, 1]) == [Decimal("33.34"), Decimal("33.33"), Decimal("33.33")]
        assert split(Decimal("0.02"), [1, 1, 1]) == [Decimal("0.01"), Decimal("0.01"), Decimal("0.00")]

    def test_the_largest_remainder_gets_the_cent(self):
        assert split(Decimal("1.00"), [Decimal("16.4"), Decimal("16.7"), Decimal("66.9")]) == [
            Decimal("0.16"),
            Decimal("0.17"),
            Decimal("0.67"),
        ]

    def test_no_weight_gets_nothing_beside_a_weight(self):
        assert split(Decimal("5.00"), [0, 3, 0]) == [Decimal(0), Decimal("5.00"), Decimal(0)]

    def test_weights_that_are_all_nought_count_alike(self):
        assert split(Decimal("1.00"), [0, 0]) == [Decimal("0.50"), Decimal("0.50")]

    def test_nothing_over_nobody_is_nothing(self):
        assert split(Decimal("0.00"), []) == []

    def test_something_over_nobody_is_refused(self):
        with pytest.raises(ValueError, match="more than the shares can hold"):
            split(Decimal("0.01"), [])

    def test_a_refund_is_split_like_a_payment(self):
        assert split(Decimal("-100.00"), [1, 1, 1]) == [Decimal("-33.34"), Decimal("-33.33"), Decimal("-33.33")]

    def test_yen_are_split_whole_and_dinars_by_the_thousandth(self):
        assert split(Decimal(100), [1, 1, 1], "JPY") == [34, 33, 33]
        assert split(Decimal(1), [1, 1, 1], "KWD") == [Decimal("0.334"), Decimal("0.333"), Decimal("0.333")]

    def test_half_a_cent_cannot_be_split(self):
        with pytest.raises(ValueError, match="smallest unit"):
            split(Decimal("1.005"), [1, 1])

    def test_a_negative_weight_is_refused(self):
        with pytest.raises(ValueError, match="below nought"):
            split(Decimal("1.00"), [2, -1])

    def test_a_bound_per_share_is_needed_or_none_at_all(self):
        with pytest.raises(ValueError, match="a weight and a bound"):
            split(Decimal("1.00"), [1, 1], at_most=[Decimal("1.00")])

    def test_what_one_share_cannot_hold_goes_to_the_others_in_proportion(self):
        shares = split(Decimal("100.00"), [2, 1, 1], at_most=[Decimal("20.00"), Decimal("99.00"), Decimal("99.00")])
        assert shares == [Decimal("20.00"), Decimal("40.00"), Decimal("40.00")]

    def test_more_than_all_shares_can_hold_is_refused(self):
        with pytest.raises(ValueError, match="more than the shares can hold"):
            split(Decimal("3.00"), [1, 1], at_most=[Decimal("1.00"), Decimal("1.99")])

    @given(total=amounts, weights=weights)
    def test_no_cent_is_lost_and_no_share_is_a_cent_away_from_its_quota(self, total, weights):
        shares = split(total, weights)
        assert sum(shares) == total
        whole = sum(weights)
        for share, weight in zip(shares, weights, strict=True):
            quota = total * weight / whole if whole else total / len(weights)
            assert share >= 0
            assert abs(share - quota) < Decimal("0.0100001")

    @given(total=amounts, shares=st.lists(st.tuples(st.integers(0, 50), amounts), min_size=1, max_size=8))
    def test_bounds_hold_and_still_no_cent_is_lost(self, total, shares):
        bounds = [bound for _, bound in shares]
        assume(total <= sum(bounds))
        found = split(total, [weight for weight, _ in shares], at_most=bounds)
        assert sum(found) == total
        assert all(0 <= share <= bound for share, bound in zip(found, bounds, strict=True))

    @given(total=amounts, weights=weights)
    def test_a_heavier_weight_never_gets_less(self, total, weights):
        pairs = sorted(zip(weights, split(total, weights), strict=True))
        assert [share for _, share in pairs] == sorted(share for _, share in pairs)
