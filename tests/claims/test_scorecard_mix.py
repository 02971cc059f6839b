"""What is added up per carrier, and what the site's rates expect of it."""

import json

import pytest

from claims.scorecard import mix
from claims.scorecard.sums import Sums, Trailer, add_up, in_proportion

EASY_AND_HARD = {"A": ((9000, 1000), 43), "B": ((2000, 8000), 90), "C": ((14000, 1000), 62)}


def mixed(easy, hard, *events):
    return Trailer({"easy": easy, "hard": hard}, dict(zip(("easy", "hard"), events, strict=True)))


def test_sums_are_those_of_the_definitions():
    sums = add_up([Trailer.of(800, 4), Trailer.of(1000, 0), Trailer.of(900, 11)])
    assert (sums.k, sums.m, sums.xmax) == (3, 2, 11)
    assert (sums.sx, sums.sxx, sums.sn) == (15, 16 + 121, 2700)
    assert (sums.snn, sums.sxn) == (640_000 + 1_000_000 + 810_000, 3200 + 9900)


def test_a_year_is_the_sum_of_its_months():
    trailers = [mixed(400 + i, 500 - i, i % 3, i % 5) for i in range(24)]
    months = [add_up(trailers[i : i + 2]) for i in range(0, 24, 2)]
    assert sum(months, Sums()) == add_up(trailers)


def test_a_month_without_events_keeps_its_strata():
    both = add_up([Trailer.of(900, 0, "easy")]) + add_up([Trailer.of(900, 0, "hard")])
    assert dict(both.events) == {"easy": 0, "hard": 0}


def test_a_trailer_without_cartons_is_left_out():
    assert add_up([Trailer.of(0, 0), Trailer.of(0, 3), Trailer.of(900, 2)]).k == 1


def test_sums_survive_being_frozen():
    sums = add_up([mixed(400, 500, 1, 2), Trailer.of(900, 4)])
    assert Sums.from_record(json.loads(json.dumps(sums.as_record()))) == sums


@pytest.mark.parametrize("value", [-1, 1.5, True, "3", None])
def test_counts_are_whole_numbers(value):
    with pytest.raises(ValueError, match=r"events must be a whole number of 0 or more, not "):
        Trailer.of(900, value)
    with pytest.raises(ValueError, match="cartons must be a whole number"):
        Trailer.of(value, 0)


def test_events_need_cartons_of_their_stratum():
    with pytest.raises(ValueError, match="without cartons: 'hard'"):
        Trailer({"easy": 900}, {"hard": 1})


@pytest.mark.parametrize(("cartons", "events", "capped"), [(900, 90, 90), (900, 91, 90), (909, 400, 90), (9, 3, 0)])
def test_one_trailer_counts_with_a_tenth_of_its_cartons_rounded_down(cartons, events, capped):
    assert add_up([Trailer.of(cartons, events)], 10).sx == capped


def test_all_sums_are_capped():
    sums = add_up([Trailer.of(900, 300), Trailer.of(900, 2)], 10)
    assert (sums.sx, sums.sxx, sums.xmax, sums.sxn) == (92, 8100 + 4, 90, 92 * 900)
    assert add_up([Trailer.of(900, 300), Trailer.of(900, 2)]).sx == 302


def test_a_capped_trailer_keeps_its_mix():
    capped = mixed(500, 500, 300, 100).capped(10)
    assert capped.events == {"easy": 75, "hard": 25}


@pytest.mark.parametrize(
    ("parts", "total", "dealt"),
    [
        ({"a": 1, "b": 1, "c": 1}, 2, {"a": 1, "b": 1, "c": 0}),
        ({"a": 1, "b": 2}, 2, {"a": 1, "b": 1}),
        ({"a": 0, "b": 7}, 3, {"a": 0, "b": 3}),
        ({"a": 5, "b": 5}, 0, {"a": 0, "b": 0}),
    ],
)
def test_dealing_out_adds_up(parts, total, dealt):
    assert in_proportion(parts, total) == dealt


def test_the_worst_rate_can_be_the_best_for_its_freight():
    """Strata at 3 and 12 per 1,000; invented."""
    rates = {"easy": 0.003, "hard": 0.012}
    site = 195 / 35_000
    found = {}
    for name, ((easy, hard), events) in EASY_AND_HARD.items():
        weighed = mix.weigh(add_up([mixed(easy, hard, 0, events)]), rates)
        found[name] = (1000 * events / (easy + hard), weighed.e, weighed.ratio, 1000 * weighed.ratio * site)
    assert found["A"] == pytest.approx((4.3, 39, 1.102564, 6.1429), abs=6e-5)
    assert found["B"] == pytest.approx((9.0, 102, 0.882353, 4.9160), abs=6e-5)
    assert found["C"] == pytest.approx((4.133, 54, 1.148148, 6.3968), abs=4e-4)


def groups():
    return [
        add_up([mixed(400, 500, 1, 8), mixed(900, 0, 2, 0)]),
        add_up([mixed(100, 800, 0, 11)]),
        add_up([mixed(850, 50, 3, 0), mixed(700, 200, 0, 5)]),
    ]


def test_what_is_expected_adds_up_to_what_happened():
    rates = mix.stratum_rates(groups())
    assert rates == {"easy": 6 / 2950, "hard": 24 / 1550}
    assert sum(mix.weigh(sums, rates).e for sums in groups()) == pytest.approx(30)


def test_trailers_of_several_strata_are_weighed_as_trailer_by_trailer():
    rates = {"easy": 0.002, "hard": 0.015}
    trailers = [(400, 500, 9), (900, 0, 2), (30, 870, 14)]
    weighed = mix.weigh(add_up([mixed(easy, hard, 0, x) for easy, hard, x in trailers]), rates)
    e = [0.002 * easy + 0.015 * hard for easy, hard, _ in trailers]
    assert weighed.e == pytest.approx(sum(e))
    assert weighed.ee == pytest.approx(sum(one * one for one in e))
    assert weighed.xe == pytest.approx(sum(x * one for one, (_, _, x) in zip(e, trailers, strict=True)))


def test_without_strata_all_is_proportional_to_cartons():
    sums = add_up([Trailer.of(800, 4), Trailer.of(1000, 9)])
    weighed = mix.weigh(sums, mix.stratum_rates([sums]))
    p0 = 13 / 1800
    assert (weighed.e, weighed.ee, weighed.xe) == pytest.approx((13, p0 * p0 * sums.snn, p0 * sums.sxn))


def test_a_stratum_without_cartons_is_skipped():
    empty = add_up([mixed(900, 0, 4, 0)])
    rates = mix.stratum_rates([empty])
    assert rates == {"easy": 4 / 900}
    assert mix.weigh(empty, rates).e == pytest.approx(4)


def test_nothing_expected_has_no_ratio():
    calm = add_up([Trailer.of(900, 0)])
    assert mix.weigh(calm, mix.stratum_rates([calm])).ratio is None
