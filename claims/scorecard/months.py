"""One series month by month, watched against limits that know of batches. Pure.

The tail is that of the three sigma of W. A. Shewhart's charts, the run of eight is from the Western Electric
Statistical Quality Control Handbook 1956; negative binomial limits in this place are our choice. A plain p chart would
cry wolf every month, because cartons of one trailer share its fate.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from claims.scorecard import figures
from claims.scorecard.compare import DEFAULTS, Settings
from claims.scorecard.figures import Batching
from claims.scorecard.mix import Weighed, weigh
from claims.scorecard.sums import Sums

BASELINE = 12


@dataclass(frozen=True)
class Point:
    """A month with cartons. Rates are per 1,000; limits are None without a baseline, `lower` also where 0 is not low.

    out -- "high", "low" or None; run -- months on this side of the centre line so far, this one included
    run_signals -- the run is long enough; run_is_note -- but some of its months had too few trailers to rely on it
    """

    label: object
    sums: Sums
    rate: float
    upper: float | None
    lower: float | None
    out: str | None
    run: int
    run_signals: bool
    run_is_note: bool


@dataclass(frozen=True)
class Months:
    """centre -- rate of the baseline per 1,000, None without one; points in order, months without cartons left out"""

    centre: float | None
    batching: Batching | None
    points: list[Point]


def watch(series: Sequence[tuple[object, Sums]], settings: Settings = DEFAULTS) -> Months:
    """The chart of (label, sums) in order of time. The first twelve months with cartons are the baseline.

    To move the baseline is a named, dated decision: the caller then starts the series later.
    """
    series = [(label, sums) for label, sums in series if sums.sn]
    base = [sums for _, sums in series[:BASELINE]]
    events, cartons = sum(sums.sx for sums in base), sum(sums.sn for sums in base)
    batching = None
    if len(base) == BASELINE:
        batching = figures.batching([at_rate(sums, events / cartons) for sums in base], settings.phi_floor)
    if batching is None:
        return Months(None, None, [bare(label, sums) for label, sums in series])
    runs = run_lengths([side(sums, events, cartons) for _, sums in series])
    points = [
        limited(series, at, runs[at], weighed=at_rate(sums, events / cartons), batching=batching, settings=settings)
        for at, (_, sums) in enumerate(series)
    ]
    return Months(1000 * events / cartons, batching, points)


def at_rate(sums, rate) -> Weighed:
    return weigh(sums, dict.fromkeys(sums.cartons, rate))


def side(sums, events, cartons) -> int:
    """1 above the centre line, -1 below, 0 exactly on it: in whole numbers, so that on it is on it."""
    here, there = sums.sx * cartons, events * sums.sn
    return (here > there) - (here < there)


def run_lengths(sides: Sequence[int]) -> list[int]:
    """How many in a row have been on this side; one exactly on the line starts the count again."""
    lengths, before, length = [], 0, 0
    for now in sides:
        length = 0 if not now else length + 1 if now == before else 1
        before = now
        lengths.append(length)
    return lengths


def bare(label, sums):
    return Point(label, sums, 1000 * sums.sx / sums.sn, None, None, None, 0, False, False)


def limited(series, at, run, *, weighed, batching, settings) -> Point:
    label, sums = series[at]
    phi = max(settings.phi_floor, 1 + batching.omega * weighed.ee / weighed.e)
    low, high = figures.limits(weighed.e, phi, settings.tail)
    signals = run >= settings.run
    thin = any(month.k < settings.months_min_trailers for _, month in series[at + 1 - run : at + 1])
    return Point(
        label=label,
        sums=sums,
        rate=1000 * sums.sx / sums.sn,
        upper=1000 * high / sums.sn,
        lower=None if low is None else 1000 * low / sums.sn,
        out="high" if sums.sx >= high else "low" if low is not None and sums.sx <= low else None,
        run=run,
        run_signals=signals and not thin,
        run_is_note=signals and thin,
    )
