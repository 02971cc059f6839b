"""Invented carriers for the tests of scorecards."""

from claims.scorecard.compare import DEFAULTS, Entry
from claims.scorecard.sums import Trailer

SEVEN = """
Alder    900*1              9
Birch    900*24             31 2 14 0 22 9 47 5 12 0 28 17 3 36 8 11 0 19 25 6 13 40 1 16
Cedar    900*12             0 1 0 40 0 2 0 0 3 1 0 2
Dogwood  800,1000*15        4 0 11 2 0 7 1 0 16 3 0 5 0 2 9 0 1 6 0 0 12 3 0 2 8 0 1 4 0 3
Elm      900*10             0 0 0 0 0 0 0 0 0 0
Fir      600,900,1200*8     0 3 1 0 0 6 2 0 1 0 4 0 0 1 9 0 0 2 1 0 0 3 0 5
Gorse    900*6              12 0 21 3 0 8
"""
FIVE_TRAILERS = "9 0 4 1 1 "
THREE = "".join(f"{name} 900*40 {FIVE_TRAILERS * 8}\n" for name in ("Juniper", "Larch", "Maple"))


def trailers_of(sizes, events):
    """`600,900*2`: trailers of 600, 900, 600 and 900 cartons."""
    pattern, times = sizes.split("*")
    cartons = [int(n) for n in pattern.split(",")] * int(times)
    return [Trailer.of(n, int(x)) for n, x in zip(cartons, events, strict=True)]


def entries(listing, settings=DEFAULTS):
    lines = [line.split() for line in listing.strip().splitlines()]
    return [Entry.of(name, name, trailers_of(sizes, events), settings) for name, sizes, *events in lines]


def by_name(comparison):
    return {standing.name: standing for standing in comparison.standings}
