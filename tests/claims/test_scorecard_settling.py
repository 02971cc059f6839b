"""Days, duties and money of claims."""

from datetime import date
from decimal import Decimal

import numpy as np
import pytest
from statsmodels.duration.survfunc import SurvfuncRight

from claims.scorecard import figures, settling
from claims.scorecard.settling import Handled, Kept, handled

DAY = date(2026, 3, 2)


def claims(closed, still_open=()):
    return [Handled(day, True) for day in closed] + [Handled(day, False) for day in still_open]


def later(days):
    return date.fromordinal(DAY.toordinal() + days)


def test_open_claims_count_as_open():
    median = settling.median_days(claims([3, 5, 5, 8, 12], [2, 9, 15, 20]))
    assert (median.days, median.low, median.high, median.closed, median.open) == (8, 3, None, 5, 4)
    assert settling.median_days(claims([3, 5, 5, 8, 12])).days == 5


def test_a_median_that_was_not_reached_is_none():
    median = settling.median_days(claims([3], [20, 30, 40]))
    assert (median.days, median.low, median.high) == (None, 3, None)


@pytest.mark.parametrize("listed", [[], claims([], [4, 9])], ids=["no claim", "none closed"])
def test_without_a_closed_claim_there_is_no_median(listed):
    median = settling.median_days(listed)
    assert (median.days, median.low, median.high, median.closed) == (None, None, None, 0)


def test_one_claim_closed_on_its_day_has_a_median_of_no_days():
    median = settling.median_days(claims([0]))
    assert (median.days, median.low, median.high) == (0, 0, 0)


def test_a_claim_still_open_on_a_day_of_closing_is_at_risk_on_it():
    assert settling.steps(claims([5], [5, 5]))[0].at_risk == 3


@pytest.mark.parametrize("seed", range(6))
def test_the_curve_and_its_median_are_those_of_statsmodels(seed):
    random = np.random.default_rng(seed)
    days = [int(day) for day in random.integers(1, 60, 45)]
    closed = [bool(one) for one in random.random(45) < 0.6]
    again = SurvfuncRight(np.array(days), np.array(closed, dtype=int))
    listed = [Handled(day, one) for day, one in zip(days, closed, strict=True)]
    at = {int(time): place for place, time in enumerate(again.surv_times)}
    for step in settling.steps(listed):
        assert step.still_open == pytest.approx(again.surv_prob[at[step.day]])
        if step.still_open:
            assert step.error == pytest.approx(again.surv_prob_se[at[step.day]])
    median = settling.median_days(listed)
    assert finite(median.days) == again.quantile(0.5)
    with np.errstate(all="ignore"):
        low, high = again.quantile_ci(0.5, method="cloglog")
    assert (finite(median.low), finite(median.high)) == (low, high)


def finite(days):
    return np.inf if days is None else days


@pytest.mark.parametrize(
    ("decided", "withdrawn", "as_of", "expected"),
    [
        (later(8), None, later(30), Handled(8, True)),
        (later(30), None, later(30), Handled(30, True)),
        (later(31), None, later(30), Handled(30, False)),
        (None, None, later(30), Handled(30, False)),
        (None, later(12), later(30), Handled(12, False)),
        (None, later(40), later(30), Handled(30, False)),
        (later(8), later(12), later(30), Handled(8, True)),
        (later(14), later(12), later(30), Handled(12, False)),
        (None, None, DAY, Handled(0, False)),
        (None, None, later(-1), None),
    ],
)
def test_a_claim_is_open_until_it_is_decided_withdrawn_or_seen(decided, withdrawn, as_of, expected):
    assert handled(DAY, decided, withdrawn, as_of) == expected


def test_a_decision_before_the_filing_is_refused():
    with pytest.raises(ValueError, match="-3 days"):
        handled(DAY, later(-3), None, later(30))


@pytest.mark.parametrize(
    ("due", "done", "kept"),
    [
        (later(30), later(30), Kept(1, 0, 0)),
        (later(30), later(31), Kept(0, 1, 0)),
        (later(30), None, Kept(0, 1, 0)),
        (later(60), None, Kept(0, 0, 1)),
        (later(60), later(3), Kept(1, 0, 0)),
        (later(60), later(50), Kept(0, 0, 1)),
        (later(45), None, Kept(0, 0, 1)),
    ],
    ids=[
        "on the last day",
        "a day late",
        "never",
        "not due",
        "early",
        "done after the day of the card",
        "due that day",
    ],
)
def test_a_duty_is_kept_late_or_still_running(due, done, kept):
    assert settling.kept([(due, done)], as_of=later(45)) == kept


def test_running_duties_are_in_no_share():
    duties = [(later(30), later(9)), (later(30), None), (later(90), None)]
    assert settling.kept(duties, later(45)).share == figures.share(1, 2)
    assert settling.kept([(later(90), None)], later(45)).share is None


def money(*pairs):
    return [(Decimal(claimed), Decimal(received)) for claimed, received in pairs]


def test_recovery_is_exact():
    found = settling.recovery(money(*[("0.10", "0.03")] * 30))
    assert (found.claimed, found.received, found.rate) == (Decimal("3.00"), Decimal("0.90"), Decimal("0.3"))


def test_recovery_tells_how_many_were_paid_at_all_and_whether_one_is_most():
    found = settling.recovery(money(("900", "450"), ("50", "0"), ("40", "40")))
    assert found.paid == figures.share(2, 3)
    assert found.one_claim_is_most
    assert not settling.recovery(money(("50", "0"), ("50", "5"))).one_claim_is_most


@pytest.mark.parametrize("pairs", [[], [("0", "0")]], ids=["no claim", "nothing claimed"])
def test_of_nothing_nothing_is_recovered(pairs):
    found = settling.recovery(money(*pairs))
    assert (found.rate, found.largest, found.one_claim_is_most) == (None, None, False)


def test_money_is_no_float_and_not_negative():
    with pytest.raises(TypeError, match="Money is Decimal"):
        settling.recovery([(Decimal("1"), 0.5)])
    with pytest.raises(ValueError, match="below 0"):
        settling.recovery(money(("1", "-1")))
