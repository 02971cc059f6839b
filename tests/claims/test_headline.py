"""The one sentence on top of a comparison."""

from dataclasses import replace

import pytest

from claims.scorecard.compare import Verdict, compare
from claims.scorecard.verdicts import headline
from receiving.enums import Kind
from tests.claims.scorecard_examples import SEVEN, THREE, entries

EVEN = "9 0 4 1 1 " * 8


@pytest.mark.parametrize(
    ("listing", "sentence"),
    [
        (
            SEVEN,
            "Really worse: Birch, with 365 damaged cartons where about 136 would be usual. Likely range 11.5 to 23.5 "
            "per 1,000.",
        ),
        (
            THREE,
            "Nobody can be shown to be worse: luck alone could bring differences like these. That does not show that "
            "the carriers are equal.",
        ),
        (
            THREE + "Pine 900*6 9 4 8 2 10 7",
            "Nobody can be shown to be worse. That does not show that the carriers are equal. To watch: Pine, with 40 "
            "damaged cartons where about 19 would be usual (likely range 3.8 to 12.5 per 1,000).",
        ),
        (
            "Alder 900*4 9 2 3 1\nBirch 900*3 1 2 3",
            "Nobody can be called worse or better: no carrier has brought enough trailers.",
        ),
        (
            "Alder 900*9 0 0 0 0 0 0 0 0 0\nBirch 900*9 0 0 0 0 0 0 0 0 0",
            "Nobody is compared in this period: too little happened, or too few carriers or trailers came.",
        ),
        ("Alder 900*40 " + EVEN, "Nobody is compared in this period"),
        ("", "Nobody is compared in this period"),
    ],
)
def test_it_says_who_is_worse_or_that_nobody_is_or_that_nobody_can_be_compared(listing, sentence):
    assert headline(compare(entries(listing))).startswith(sentence)


def test_a_headline_says_that_the_range_reaches_the_usual_if_it_does():
    found = compare(entries(SEVEN))
    [birch] = [each for each in found.standings if each.name == "Birch"]
    wide = replace(birch, expected=birch.interval[0] + 1)
    standings = [wide if each is birch else each for each in found.standings]
    said = headline(replace(found, standings=standings))
    assert "That range still reaches the usual 11.5 per 1,000" in said
    twice = replace(wide, key="other", name="Other")
    said = headline(replace(found, standings=[*standings, twice]))
    assert "reaches the range of: Birch, Other." in said
    assert "reaches" not in headline(found)


def test_several_who_are_worse_are_each_named_with_their_range():
    bad = "31 12 14 22 9 27 17 33 25 40 " * 4
    listing = f"Ash 900*40 {bad}\nBay 900*40 {bad}\n" + "".join(f"C{n} 900*40 {EVEN}\n" for n in range(6))
    said = headline(compare(entries(listing)), Kind.SHORT)
    assert said.startswith("Really worse: Ash, with 920 short cartons where about ")
    assert said.count("likely range") == 2 and "; Bay, with 920 short cartons" in said


@pytest.mark.parametrize(
    "listing", [THREE + "Oak 900*6 70 3 2 4 1 5", THREE + "Elm 900*40 " + "0 " * 40], ids=["one trailer", "better"]
)
def test_where_a_verdict_speaks_against_it_luck_is_not_named(listing):
    comparison = compare(entries(listing))
    assert {standing.verdict for standing in comparison.standings} & {Verdict.ONE_TRAILER, Verdict.BETTER}
    assert headline(comparison) == "Nobody can be shown to be worse. That does not show that the carriers are equal."
