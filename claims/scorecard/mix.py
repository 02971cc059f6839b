"""What the site's own rates expect of each carrier's freight: indirect standardisation.

Source: N. E. Breslow, N. E. Day 1987, Statistical Methods in Cancer Research II (IARC 82). Without strata it is one
stratum, and the expected count is the site rate times the cartons. A stratum is a class of freight or lane, known
before the trailer is opened and none of the carrier's doing. Where one carrier brings most of a stratum, adjusting
measures it by itself: leave such strata unsplit.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import fsum

from claims.scorecard.sums import Sums


@dataclass(frozen=True)
class Weighed:
    """A group of trailers beside what was expected of it, e being the expected events of a trailer.

    k -- trailers; x, xx, xmax -- events: sum, sum of squares, most in one trailer
    e, ee, xe -- sum of e, of e^2 and of x e
    """

    k: int
    x: int
    xx: int
    xmax: int
    e: float
    ee: float
    xe: float

    @property
    def ratio(self):
        """Events by what was expected, a pure number; None where nothing was expected."""
        return self.x / self.e if self.e > 0 else None


def stratum_rates(groups: Iterable[Sums]) -> dict[str, float]:
    """Events per carton in every stratum, over all groups together; a stratum without cartons has no rate."""
    events, cartons = Counter(), Counter()
    for sums in groups:
        events.update(sums.events)
        cartons.update(sums.cartons)
    return {stratum: events[stratum] / n for stratum, n in cartons.items() if n}


def weigh(sums: Sums, rates: Mapping[str, float]) -> Weighed:
    """The group beside what these rates (events per carton by stratum) expect of it, in whatever order they come."""

    def at(cells):
        return fsum(rates[stratum] * value for stratum, value in cells.items() if value)

    ee = fsum(rates[one] * rates[other] * value for (one, other), value in sums.products.items() if value)
    return Weighed(sums.k, sums.sx, sums.sxx, sums.xmax, at(sums.cartons), ee, at(sums.crossed))
