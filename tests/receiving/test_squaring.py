"""The squaring as plain arithmetic; the worked example of the exception sheet, cell by cell."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from receiving.squaring import Bucket, Squaring, square


def test_the_worked_example_has_895_received_and_887_good():
    found = square(billed=900, buckets=[Bucket(900, 893)], over=2, short=7, damaged=5, rerouted=3, hurt=6)
    assert found == Squaring(
        billed=900, listed=900, received=895, missing=0, short=7, over=2, damaged=5, rerouted=3, hurt=6
    )
    assert found.good == 887
    assert found.adds_up


def test_undeclared_cartons_are_missing_not_short():
    found = square(billed=900, buckets=[Bucket(900, 893)])
    assert (found.missing, found.short) == (7, 0)
    assert found.adds_up


def test_over_in_one_store_never_hides_short_in_another():
    found = square(billed=20, buckets=[Bucket(10, 8), Bucket(10, 12)])
    assert (found.missing, found.over, found.received) == (2, 2, 20)
    assert not found.is_clean


def test_a_list_beyond_the_bill_stands_as_its_own_line():
    found = square(billed=900, buckets=[Bucket(903, 903)])
    assert (found.difference, found.received, found.over) == (3, 903, 0)
    assert found.adds_up


def test_without_a_list_only_the_net_is_known():
    found = square(billed=900, buckets=[Bucket(900, 904)], has_list=False)
    assert (found.over, found.missing, found.difference) == (4, 0, 0)


def test_a_declared_short_that_was_counted_is_a_contradiction():
    found = square(billed=10, buckets=[Bucket(10, 10)], short=1)
    assert found.contradiction == 1
    assert found.adds_up
    assert not found.is_clean


def test_refused_aboard_comes_out_of_what_is_outstanding():
    found = square(billed=100, buckets=[Bucket(100, 60)], refused=35)
    assert (found.missing, found.refused, found.received) == (5, 35, 60)
    assert found.adds_up


counts = st.integers(0, 1000)


@given(
    buckets=st.lists(st.builds(Bucket, counts, counts), min_size=1, max_size=8),
    billed=counts,
    over=counts,
    short=counts,
    refused=counts,
    has_list=st.booleans(),
)
def test_it_always_adds_up(buckets, billed, over, short, refused, has_list):
    if not has_list:
        buckets = [Bucket(billed, buckets[0].counted)]
    assert square(billed=billed, buckets=buckets, over=over, short=short, refused=refused, has_list=has_list).adds_up


@pytest.mark.parametrize("field", ["missing", "short", "over", "refused", "hurt", "contradiction"])
def test_anything_at_all_makes_a_trailer_not_clean(field):
    assert not Squaring(billed=1, listed=1, received=1, **{field: 1}).is_clean


def test_bills_add_up_to_the_trailer():
    one = square(billed=10, buckets=[Bucket(10, 9)], short=1)
    two = square(billed=20, buckets=[Bucket(20, 20)], over=1)
    assert (one + two) == Squaring(billed=30, listed=30, received=30, short=1, over=1)
