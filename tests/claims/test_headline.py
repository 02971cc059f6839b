"""The one sentence on top of a comparison."""

import pytest

from claims.scorecard.compare import compare
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
        (THREE, "Nobody is really worse: luck alone can bring the differences between these carriers."),
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


def test_several_who_are_worse_are_each_named_with_their_range():
    bad = "31 12 14 22 9 27 17 33 25 40 " * 4
    listing = f"Ash 900*40 {bad}\nBay 900*40 {bad}\n" + "".join(f"C{n} 900*40 {EVEN}\n" for n in range(6))
    said = headline(compare(entries(listing)), Kind.SHORT)
    assert said.startswith("Really worse: Ash, with 920 short cartons where about ")
    assert said.count("likely range") == 2 and "; Bay, with 920 short cartons" in said
