"""Every formula behind a carrier's figures. Pure; the only module that imports numpy and scipy.

z is the 97.5% point of the normal distribution, logarithms are natural, `phi` is a variance-to-mean ratio (1: cartons
get hurt independently of each other; 10 to 50 is plausible, because a shifted load spoils dozens in one trailer).
Sources stand at each formula. "Our choice" marks a rule that was simulated and has no outside source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import log, sqrt

import numpy as np
from scipy import special

from claims.scorecard.mix import Weighed

Z = 1.959963984540054
ALPHA = 0.05
PHI_FLOOR = 1.01
OWN_MIN = 20
# Results of the slower formulas that are kept: the same page is looked at again and again.
KEPT = 4096


@dataclass(frozen=True)
class Share:
    """`hits` out of `of` independent things, as a fraction with its 95% interval."""

    hits: int
    of: int
    low: float
    high: float

    @property
    def share(self):
        return self.hits / self.of


def share(hits: int, of: int) -> Share | None:
    """The Wilson score interval; None where there is nothing to take a share of.

    Source: E. B. Wilson 1927, JASA 22:209; R. G. Newcombe 1998, Statistics in Medicine 17:857.
    """
    if not 0 <= hits <= of:
        raise ValueError(f"A share needs 0 <= hits <= of, not {hits} of {of}.")
    if not of:
        return None
    p, shrink_by = hits / of, 1 + Z * Z / of
    centre = (p + Z * Z / (2 * of)) / shrink_by
    half = Z / shrink_by * sqrt(p * (1 - p) / of + Z * Z / (4 * of * of))
    return Share(hits, of, centre - half if hits else 0.0, centre + half if hits < of else 1.0)


def residual(group: Weighed) -> float:
    """Sum over the group's trailers of (x - y e)^2, events^2, y being the group's own ratio; needs e > 0."""
    y = group.ratio
    return max(0.0, group.xx - 2 * y * group.xe + y * y * group.ee)


@dataclass(frozen=True)
class Batching:
    """How damage comes in batches: phi, and omega, the squared coefficient of variation from trailer to trailer."""

    phi: float
    omega: float


def batching(groups: Sequence[Weighed], floor: float = PHI_FLOOR) -> Batching | None:
    """The variance-to-mean ratio within groups, pooled over groups of two trailers or more; None if it is unknown.

    Source of the parts: W. G. Cochran 1977, Sampling Techniques; J. N. K. Rao, A. J. Scott 1992, Biometrics 48:577.
    The pooling is our choice.
    """
    known = [group for group in groups if group.k >= 2 and group.e > 0]
    events = sum(group.x for group in known)
    if not events:
        return None
    phi = max(floor, sum(group.k / (group.k - 1) * residual(group) for group in known) / events)
    return Batching(phi, (phi - 1) / (sum(group.ee for group in known) / sum(group.e for group in known)))


def own_factor(group: Weighed, own_min: int = OWN_MIN) -> float | None:
    """The group's own variance-to-mean ratio; None under `own_min` trailers or without an event. Our choice."""
    if group.k < max(2, own_min) or not group.x or group.e <= 0:
        return None
    return group.k / (group.k - 1) * residual(group) / group.x


def factor(group: Weighed, site: Batching, floor: float = PHI_FLOOR, own_min: int = OWN_MIN) -> float | None:
    """The phi used for this group: the site's at its size of trailers, or its own where that is higher. Our choice."""
    if group.e <= 0:
        return None
    return max(floor, 1 + site.omega * group.ee / group.e, own_factor(group, own_min) or 0.0)


@lru_cache(maxsize=KEPT)
def count_interval(x: int, phi: float) -> tuple[float, float]:
    """The exact 95% interval of the mean behind a count of `x` events, negative binomial with variance phi x mean.

    Source of the principle: C. J. Clopper, E. S. Pearson 1934, Biometrika 26:404; F. Garwood 1936, Biometrika 28:437.
    """
    must_spread(phi)
    high = (phi - 1) * special.nbdtrin(x, ALPHA / 2, 1 / phi) if x else log(2 / ALPHA) * (phi - 1) / log(phi)
    low = (phi - 1) * special.nbdtrin(x - 1, 1 - ALPHA / 2, 1 / phi) if x else 0.0
    return float(low), float(high)


def at_least(x: int, mean: float, phi: float) -> float:
    """P(X >= x) for a negative binomial count of this mean and variance phi x mean."""
    must_spread(phi)
    return float(special.betainc(x, mean / (phi - 1), 1 - 1 / phi)) if x > 0 else 1.0


def at_most(x: int, mean: float, phi: float) -> float:
    """P(X <= x); betainc, because `special.nbdtr` cuts a size that is not whole."""
    must_spread(phi)
    return float(special.betainc(mean / (phi - 1), x + 1, 1 / phi)) if x >= 0 else 0.0


def must_spread(phi):
    if not phi > 1:
        raise ValueError(f"phi must be above 1, not {phi!r}.")


@lru_cache(maxsize=KEPT)
def limits(mean: float, phi: float, tail: float) -> tuple[int | None, int]:
    """The counts that are out: the largest with P(X <= x) < tail (None if even 0 is not), the smallest with P(X >= x).

    Needs mean > 0.
    """
    high = first(lambda x: at_least(x, mean, phi) < tail)
    low = first(lambda x: at_most(x, mean, phi) >= tail) - 1
    return (None if low < 0 else low), high


def first(holds) -> int:
    """The smallest whole number of 0 or more from which on `holds` is true."""
    below, top = -1, 1
    while not holds(top):
        below, top = top, 2 * top
    while top - below > 1:
        middle = (below + top) // 2
        below, top = (below, middle) if holds(middle) else (middle, top)
    return top


def funnel(expected: Sequence[float], phi: float, tail: float = ALPHA / 2) -> list[tuple[float, float, float]]:
    """For each expected count: itself, and the lowest and highest ratio that are not out. Each must be above 0."""
    lines = []
    for mean in expected:
        low, high = limits(mean, phi, tail)
        lines.append((mean, 0.0 if low is None else (low + 1) / mean, (high - 1) / mean))
    return lines


def share_spread(portion: float, phi: float, phi_rest: float, floor: float = PHI_FLOOR) -> float:
    """How much wider than binomial the share of one carrier is, given all events. Our choice."""
    return max(floor, phi * phi_rest / (portion * phi + (1 - portion) * phi_rest))


@lru_cache(maxsize=KEPT)
def beta_binomial_tails(events: int, portion: float, spread: float, x: int) -> tuple[float, float]:
    """P(>= x), P(<= x) of `events` split with mean `portion` and `spread` times the binomial variance.

    Needs events > spread > 1. Source of the conditional test: J. Przyborowski, H. Wilenski 1940, Biometrika 31:313; of
    the distribution: J. G. Skellam 1948, JRSS B 10:257.
    """
    size = (events - spread) / (spread - 1)
    a, b = portion * size, (1 - portion) * size
    # Each chance is a fraction of the one before: a logarithm each, where its closed form takes six log gammas. Farther
    # from the middle and from x than this the chances add nothing that a float could hold.
    mean = portion * events
    reach = 40 * (sqrt(spread * mean * (1 - portion)) + spread)
    low, high = max(0, int(min(x, mean) - reach)), min(events, int(max(x, mean) + reach) + 1)
    j = np.arange(low, high, dtype=float)
    steps = np.log((events - j) * (j + a) / ((j + 1) * (events - j - 1 + b)))
    logs = np.concatenate(([0.0], np.cumsum(steps)))
    chance = np.exp(logs - logs.max())
    chance /= chance.sum()
    return float(chance[x - low :].sum()), float(chance[: x - low + 1].sum())


def fair_share(groups: Sequence[tuple[Weighed, float]]) -> list[float]:
    """For each (group, its phi): the two-sided p that its events are about its share of all. Needs two groups, e > 0.

    Our choice of version; sources of the parts at `beta_binomial_tails`.
    """
    if len(groups) < 2:
        raise ValueError("A share needs at least two groups to be shared between.")
    total = sum(group.e for group, _ in groups)
    spread_total = sum(group.e * phi for group, phi in groups)
    events = sum(group.x for group, _ in groups)
    p_values = []
    for group, phi in groups:
        phi_rest = (spread_total - group.e * phi) / (total - group.e)
        spread = share_spread(group.e / total, phi, phi_rest)
        if events - spread < 1e-6:
            p_values.append(1.0)
            continue
        p_values.append(min(1.0, 2 * min(beta_binomial_tails(events, group.e / total, spread, group.x))))
    return p_values


def adjusted(p_values: Sequence[float]) -> list[float]:
    """q of each p among all these, so that q <= 5% keeps the false discovery rate under 5%.

    Source: Y. Benjamini, Y. Hochberg 1995, JRSS B 57:289.
    """
    q_values, lowest = [0.0] * len(p_values), 1.0
    falling = sorted(range(len(p_values)), key=lambda i: p_values[i], reverse=True)
    for place, i in zip(range(len(p_values), 0, -1), falling, strict=True):
        lowest = min(lowest, len(p_values) * p_values[i] / place)
        q_values[i] = lowest
    return q_values


@dataclass(frozen=True)
class Shrunk:
    """mean -- weighted mean of the ratios; between -- their variance beyond chance (tau^2); values -- each, shrunk"""

    mean: float
    between: float
    excess: float
    values: list[float]


def shrink(ratios: Sequence[float], weights: Sequence[float]) -> Shrunk:
    """Each ratio drawn towards the mean by how little it knows: orders a list, judges nobody. `excess` is Cochran's Q.

    Source: R. DerSimonian, N. Laird 1986, Controlled Clinical Trials 7:177; C. N. Morris 1983, JASA 78:47. Its use for
    the order is our choice.
    """
    total = sum(weights)
    if not total:
        return Shrunk(0.0, 0.0, 0.0, [])
    mean = sum(w * y for y, w in zip(ratios, weights, strict=True)) / total
    excess = sum(w * (y - mean) ** 2 for y, w in zip(ratios, weights, strict=True))
    room = total - sum(w * w for w in weights) / total
    between = max(0.0, (excess - (len(weights) - 1)) / room) if len(weights) > 1 else 0.0
    values = [mean + between / (between + 1 / w) * (y - mean) for y, w in zip(ratios, weights, strict=True)]
    return Shrunk(mean, between, excess, values)
