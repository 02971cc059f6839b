"""Who gets a verdict, and which, where the numbers are few, equal, one-sided or missing."""

from dataclasses import replace

import pytest

from claims.scorecard.compare import DEFAULTS, Entry, Verdict, Weighing, compare
from claims.scorecard.sums import Sums, Trailer
from tests.claims.scorecard_examples import FIVE_TRAILERS, SEVEN, THREE, by_name, entries

STEADY = "Juniper 900*40 " + FIVE_TRAILERS * 8 + "\nLarch 900*40 " + FIVE_TRAILERS * 8 + "\n"


def verdicts(listing, settings=DEFAULTS):
    return {one.name: one.verdict for one in compare(entries(listing, settings), settings).standings}


@pytest.mark.parametrize(
    "listing",
    [
        "",
        "Juniper 900*40 " + FIVE_TRAILERS * 8,
        "Rowan 900*6 0 0 0 0 0 0\nSloe 900*6 0 0 0 0 0 0",
        "Rowan 900*1 12\nSloe 900*1 3",
        "Rowan 900*1 12\nSloe 900*6 0 0 0 0 0 0",
    ],
    ids=["nobody", "one carrier", "no event", "one trailer each", "no event where there are two trailers"],
)
def test_a_period_with_too_little_compares_nobody(listing):
    comparison = compare(entries(listing))
    assert not comparison.compares
    assert {one.verdict for one in comparison.standings} <= {Verdict.NO_COMPARISON}
    assert [one.p for one in comparison.standings] == [None] * len(comparison.standings)


def test_without_a_batching_factor_no_rate_is_shown():
    (rowan, _) = compare(entries("Rowan 900*6 0 0 0 0 0 0\nSloe 900*1 3")).standings
    assert (rowan.name, rowan.interval, rowan.rate, rowan.rate_interval) == ("Rowan", None, None, None)


def test_one_carrier_alone_still_has_its_rate_and_interval():
    (juniper,) = compare(entries("Juniper 900*40 " + FIVE_TRAILERS * 8)).standings
    assert juniper.rate == pytest.approx(1000 * 120 / 36_000)
    assert juniper.rate_interval[0] < juniper.rate < juniper.rate_interval[1]


def test_a_carrier_without_cartons_is_not_listed():
    comparison = compare([*entries(THREE), Entry("none", "None yet", Sums(), Sums())])
    assert "None yet" not in by_name(comparison)


def test_equal_carriers_come_by_name():
    comparison = compare(reversed(entries(THREE)))
    assert [one.name for one in comparison.standings] == ["Juniper", "Larch", "Maple"]
    assert {one.verdict for one in comparison.standings} == {Verdict.CANNOT_BE_TOLD_APART}
    assert [one.shrunk for one in comparison.standings] == pytest.approx([1.0] * 3)


def test_carriers_that_differ_no_more_than_chance_come_by_name_not_by_raw_rate():
    rates = {"Maple": "9 0 4 1 0", "Juniper": "9 0 5 1 1", "Larch": "9 0 6 2 1"}
    comparison = compare(entries("".join(f"{name} 900*20 {(events + ' ') * 4}\n" for name, events in rates.items())))
    assert [one.name for one in comparison.standings] == ["Juniper", "Larch", "Maple"]
    assert len({one.shrunk for one in comparison.standings}) == 1
    assert len({one.rate for one in comparison.standings}) == 3


@pytest.mark.parametrize(("trailers", "verdict"), [(4, Verdict.TOO_LITTLE_DATA), (5, Verdict.WORSE)])
def test_the_floor_is_five_trailers(trailers, verdict):
    assert verdicts(STEADY + f"Oak 900*{trailers} " + "60 " * trailers)["Oak"] == verdict


def test_a_carrier_under_the_floor_is_no_member_of_the_family_but_of_the_average():
    with_oak = Weighing({one.key: one.tested for one in entries(STEADY + "Oak 900*4 9 9 9 9")}, DEFAULTS)
    assert set(with_oak.p_values) == {"Juniper", "Larch", "Oak"}
    assert set(with_oak.q_values) == {"Juniper", "Larch"}
    assert with_oak.events == 240 + 36


@pytest.mark.parametrize(("events", "verdict"), [("60 0 0 0 0 59", Verdict.ONE_TRAILER), ("60 20 20 20 0 0", "worse")])
def test_more_than_half_in_one_trailer_is_no_pattern(events, verdict):
    assert verdicts(STEADY + f"Oak 900*6 {events}")["Oak"] == verdict


def test_exactly_half_in_one_trailer_is_not_more_than_half():
    assert verdicts(STEADY + "Oak 900*6 60 12 12 12 12 12")["Oak"] == Verdict.WORSE


def test_a_low_count_is_never_watched():
    pine = by_name(compare(entries(THREE + "Pine 900*6 1 0 2 0 1 0")))["Pine"]
    assert pine.p < 0.05 < pine.q
    assert pine.verdict == Verdict.CANNOT_BE_TOLD_APART


def test_with_nobody_worse_the_second_pass_is_the_first():
    for one in compare(entries(THREE + "Elm 900*12 " + "0 " * 12)).standings:
        assert (one.p, one.q, one.tested) == (one.p_alone, one.q_alone, one.alone)
        assert one.verdict == (Verdict.BETTER if one.name == "Elm" else Verdict.CANNOT_BE_TOLD_APART)


def test_nobody_is_better_than_a_single_worse_one():
    """Without the worse one nobody is left to be compared with."""
    found = verdicts("Birch 900*30 " + "31 24 22 29 27 20 " * 5 + "\nElm 900*30 " + "0 1 2 " * 10)
    assert found == {"Birch": Verdict.WORSE, "Elm": Verdict.CANNOT_BE_TOLD_APART}


def test_a_carrier_above_the_rest_is_not_better_because_a_worse_one_hid_it():
    listing = (
        f"Birch 900*20 {'62 55 60 63 60 ' * 4}\nMiddle 900*20 {'14 11 17 13 15 ' * 4}\nElm 900*39 {'3 4 2 ' * 13}\n"
    )
    found = by_name(compare(entries(listing + f"Fir 900*39 {'2 3 4 ' * 13}")))
    assert found["Birch"].verdict == Verdict.WORSE
    assert found["Middle"].p > 0.05 > found["Middle"].q_alone
    assert found["Middle"].alone.x > found["Middle"].alone.e
    assert found["Middle"].verdict == Verdict.CANNOT_BE_TOLD_APART


def test_a_milder_rate_of_false_discoveries_finds_more():
    listing = THREE + "Pine 900*6 9 4 8 2 10 9"
    pine = by_name(compare(entries(listing)))["Pine"]
    assert 0.05 < pine.q < 0.1
    assert verdicts(listing)["Pine"] == Verdict.WATCH
    assert verdicts(listing, replace(DEFAULTS, q=0.1))["Pine"] == Verdict.WORSE


def test_a_catastrophe_elsewhere_hides_nobody_under_the_cap():
    """One trailer lost a third; uncapped it makes every difference look like a batch."""
    listing = STEADY + "Sloe 900*20 " + "300 " + "3 " * 19 + "\nBirch 900*40 " + "12 9 14 8 11 " * 8
    assert verdicts(listing)["Birch"] == Verdict.WORSE
    assert verdicts(listing, replace(DEFAULTS, trailer_cap=None))["Birch"] != Verdict.WORSE


def test_the_cap_changes_no_shown_figure():
    listing = STEADY + "Sloe 900*20 " + "300 " + "3 " * 19
    uncapped = replace(DEFAULTS, trailer_cap=None)
    capped = by_name(compare(entries(listing)))["Sloe"]
    whole = by_name(compare(entries(listing, uncapped), uncapped))["Sloe"]
    assert capped.tested.x == 90 + 57
    assert (capped.sums.sx, capped.rate, capped.rate_interval) == (357, whole.rate, whole.rate_interval)
    assert compare(entries(listing)).capped == 210


def strata_entry(name, easy, hard):
    trailers = [Trailer.of(900, x, "easy") for x in easy] + [Trailer.of(900, x, "hard") for x in hard]
    return Entry.of(name, name, trailers, DEFAULTS)


def test_hard_freight_makes_nobody_worse():
    """Both do as everybody does with hard and with easy freight; one simply has more of the hard."""
    easy, hard = [2, 3, 1, 2, 2], [24, 30, 18, 26, 22]
    mostly_easy = [strata_entry(f"E{i}", easy * 8, hard) for i in range(4)]
    mostly_hard = strata_entry("H", easy, hard * 8)
    assert by_name(compare([*mostly_easy, mostly_hard]))["H"].verdict == Verdict.CANNOT_BE_TOLD_APART

    def unstratified(name, events):
        return Entry.of(name, name, [Trailer.of(900, x) for x in events], DEFAULTS)

    crude = [unstratified(f"E{i}", easy * 8 + hard) for i in range(4)] + [unstratified("H", easy + hard * 8)]
    assert by_name(compare(crude))["H"].verdict == Verdict.WORSE


def test_freight_in_which_nothing_happens_is_too_little_data():
    calm = strata_entry("Elm", [0] * 9, [])
    others = [strata_entry(name, [], [9, 0, 4, 1, 1] * 8) for name in ("Juniper", "Larch")]
    elm = by_name(compare([*others, calm]))["Elm"]
    assert (elm.verdict, elm.expected, elm.p, elm.interval) == (Verdict.TOO_LITTLE_DATA, 0.0, None, None)
    assert elm.rate is None
    assert compare([*others, calm]).standings[-1].name == "Elm"


def test_expected_events_add_up_to_the_sites():
    comparison = compare(entries(SEVEN))
    assert sum(one.expected for one in comparison.standings) == pytest.approx(605)
