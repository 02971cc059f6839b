"""Pages by key: every row once and in order, whatever comes in meanwhile and however rare the matches are."""

from datetime import timedelta

import pytest
from django.db import connection

from receiving import paging
from receiving.models import Discrepancy
from tests.builders import NOON, make_arrival, make_person, make_piece, make_site

pytestmark = pytest.mark.django_db


@pytest.fixture
def arrival():
    site = make_site()
    return make_arrival(site, actor=make_person("lead", site, "alice"), pieces=10)


@pytest.fixture
def alice(arrival):
    return arrival.moments.first().actor


def logged(arrival, actor, count, **fields):
    """Pieces two to a moment, newest last; their ids, newest first."""
    moments = (NOON + timedelta(minutes=n // 2) for n in range(count))
    return [make_piece(arrival, actor=actor, at=at, **fields).pk for at in moments][::-1]


def walked(rows, *, along=None, size=3):
    """The pages from the newest to the oldest, then back up by `newer`."""
    down = [paging.page(rows, along=along, size=size)]
    while down[-1].older:
        down.append(paging.page(rows, along=along, older=down[-1].older, size=size))
    up = [down[-1]]
    while up[-1].newer:
        up.append(paging.page(rows, along=along, newer=up[-1].newer, size=size))
    return down, up


@pytest.mark.parametrize("count", [0, 1, 3, 4, 9, 10])
def test_every_row_stands_on_one_page_in_order(arrival, alice, count):
    ids = logged(arrival, alice, count)
    down, _up = walked(Discrepancy.objects.all())
    assert [pk for page in down for pk in page.ids] == ids
    assert [len(page.ids) for page in down] == ([3] * (count // 3) + [count % 3] * bool(count % 3) or [0])
    assert all(page.looked_back_to is None for page in down)


def test_the_way_up_shows_what_the_way_down_showed(arrival, alice):
    ids = logged(arrival, alice, 10)
    _down, up = walked(Discrepancy.objects.all())
    assert up[-1].ids == ids[:3]
    seen = [pk for page in reversed(up) for pk in page.ids]
    assert set(seen) == set(ids)
    assert [page.ids for page in up[:3]] == [ids[9:], ids[6:9], ids[3:6]]


def test_a_row_that_comes_in_shifts_no_page(arrival, alice):
    ids = logged(arrival, alice, 7)
    first = paging.page(Discrepancy.objects.all(), size=3)
    make_piece(arrival, actor=alice, at=NOON + timedelta(days=1))
    assert paging.page(Discrepancy.objects.all(), older=first.older, size=3).ids == ids[3:6]


def test_the_newest_page_is_full_though_one_comes_to_it_from_below(arrival, alice):
    ids = logged(arrival, alice, 5)
    second = paging.page(Discrepancy.objects.all(), older=key_of(ids[1]), size=3)
    assert second.ids == ids[2:]
    newest = paging.page(Discrepancy.objects.all(), newer=second.newer, size=3)
    assert (newest.ids, newest.newer) == (ids[:3], None)


def test_an_empty_stretch_can_be_left_the_way_one_came(arrival, alice):
    """The key's own row is not lost when nothing stands beyond it."""
    ids = logged(arrival, alice, 4)
    empty = paging.page(Discrepancy.objects.all(), older=key_of(ids[-1]), size=2)
    assert empty.ids == []
    assert paging.page(Discrepancy.objects.all(), newer=empty.newer, size=2).ids == ids[2:]


def test_rare_matches_are_all_found_by_looking_further(arrival, alice, monkeypatch):
    monkeypatch.setattr(paging, "STRIDES", (2, 3))
    ids = logged(arrival, alice, 24)
    rare = [ids[0], ids[11], ids[12], ids[23]]
    everything = Discrepancy.objects.all()
    down, up = walked(everything.filter(pk__in=rare), along=everything)
    assert [pk for page in down for pk in page.ids] == rare
    assert {pk for page in up for pk in page.ids} == set(rare)
    assert len(down) > 2
    assert down[0].looked_back_to == Discrepancy.objects.get(pk=ids[4]).found_at
    assert down[-1].looked_back_to is None


def test_a_page_looks_at_no_more_rows_than_its_strides(arrival, alice, monkeypatch, django_assert_num_queries):
    monkeypatch.setattr(paging, "STRIDES", (2, 3))
    ids = logged(arrival, alice, 12)
    everything = Discrepancy.objects.all()
    with django_assert_num_queries(4):
        page = paging.page(everything.filter(pk=ids[-1]), along=everything)
    assert (page.ids, page.older) == ([], key_of(ids[4]))


def test_chunks_give_all_rows_in_order(arrival, alice):
    ids = logged(arrival, alice, 7)
    chunks = list(paging.chunks(Discrepancy.objects.all(), size=3))
    assert [len(chunk) for chunk in chunks] == [3, 3, 1]
    assert [pk for chunk in chunks for pk in chunk] == ids


def key_of(pk):
    return paging.Key(Discrepancy.objects.get(pk=pk).found_at, pk)


@pytest.mark.parametrize("moment", [NOON, NOON.replace(microsecond=123_457), NOON.replace(year=1969)])
def test_a_key_survives_the_address(moment):
    assert paging.Key.parse(str(paging.Key(moment, 42))) == paging.Key(moment, 42)


@pytest.mark.parametrize("text", ["", "12", "1.2.3", "x.1", "1.", ".1", "٣.1", "9" * 40 + ".1", "1 .2", "1.2\n"])
def test_what_is_no_key_is_refused(text):
    with pytest.raises(ValueError, match="no place in a list"):
        paging.Key.parse(text)


def test_the_database_seeks_both_ways(arrival, alice):
    """By the index in its order, from the key on: no scan, and no sort."""
    rows = Discrepancy.objects.filter(site=arrival.site)
    key = paging.Key(NOON, 1)
    for falling in (True, False):
        sought = paging.order(paging.beyond(rows, key, falling, "found_at"), falling, "found_at").values_list("pk")[:50]
        plan = sought.explain()
        if connection.vendor == "sqlite":
            assert "SEARCH" in plan
            assert "discrepancy_newest (site_id=? AND found_at" in plan
            assert "B-TREE" not in plan
