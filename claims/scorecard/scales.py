"""Axes for charts: round numbers along them, and where a value lies. Pure, a leaf.

Coordinates are numbers with two decimals in the units of the drawing; a template writes them unlocalised. An axis that
runs upwards has a `start` larger than its `end`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import ceil, floor, isfinite, log10

ROUND = (1, 2, 5, 10)


@dataclass(frozen=True)
class Axis:
    """From `low` (drawn at `start`) to `high` (drawn at `end`), linear or logarithmic, with its ticks.

    decimals -- how many a tick's label needs
    """

    low: float
    high: float
    start: float
    end: float
    ticks: tuple[float, ...]
    decimals: int
    logarithmic: bool = False

    def at(self, value: float) -> float:
        """The coordinate; what lies beyond an end is drawn on that end."""
        return round(self.start + (self.end - self.start) * self.part(value), 2)

    def part(self, value):
        """0 at the low end, 1 at the high end."""
        value = min(max(finite(value), self.low), self.high)
        if self.logarithmic:
            return log10(value / self.low) / log10(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high

    @property
    def marks(self) -> list[tuple[float, float]]:
        """(value, coordinate) of every tick."""
        return [(tick, self.at(tick)) for tick in self.ticks]


def finite(value):
    if not isfinite(value):
        raise ValueError(f"{value} has no place on an axis.")
    return value


def nice_step(span: float, about: int = 5) -> Decimal:
    """The step of 1, 2 or 5 times a power of ten that cuts `span` into at most `about` parts."""
    if finite(span) <= 0:
        raise ValueError(f"A span is above 0, not {span}.")
    if about < 1:
        raise ValueError(f"An axis has at least one part, not {about}.")
    rough = Decimal(repr(float(span))) / about
    power = Decimal(10) ** rough.adjusted()
    return next(step * power for step in ROUND if step * power >= rough)


def linear(values: Sequence[float], start: float, end: float, *, about: int = 5, from_zero: bool = True) -> Axis:
    """An axis over all values, widened to whole steps at both ends. `from_zero`: bars and rates start at nothing."""
    spread = [finite(value) for value in values] + ([0] if from_zero else [])
    low, high = (min(spread), max(spread)) if spread else (0, 1)
    if low == high:
        low, high = (low, low + 1) if from_zero or not low else (low - abs(low) / 2, low + abs(low) / 2)
    step = nice_step(high - low, about)
    first, last = floor(Decimal(repr(float(low))) / step), ceil(Decimal(repr(float(high))) / step)
    ticks = tuple(float(step * n) for n in range(first, last + 1))
    return Axis(ticks[0], ticks[-1], start, end, ticks, decimals_of(step))


def logarithmic(values: Sequence[float], start: float, end: float) -> Axis:
    """An axis over all values above 0 (others are drawn on its low end), with 1, 2 and 5 in each power of ten.

    Ends are ticks; over more than three powers of ten only those are ticks.
    """
    spread = [value for value in values if finite(value) > 0] or [1.0]
    low, high = min(spread), max(spread)
    powers = range(floor(log10(low)) - 1, ceil(log10(high)) + 2)
    steps = (1,) if high / low > 1000 else (1, 2, 5)
    every = [Decimal(step).scaleb(power) for power in powers for step in steps]
    first = max(tick for tick in every if float(tick) <= low)
    last = min(tick for tick in every if float(tick) >= high and tick > first)
    ticks = [tick for tick in every if first <= tick <= last]
    return Axis(float(first), float(last), start, end, tuple(map(float, ticks)), decimals_of(first), logarithmic=True)


def decimals_of(step: Decimal) -> int:
    return max(0, -step.normalize().as_tuple().exponent)


def rows(count: int, start: float, end: float) -> list[float]:
    """The middles of `count` rows (or months) of equal width between two ends."""
    width = (end - start) / count if count else 0
    return [round(start + width * (row + 0.5), 2) for row in range(count)]


def stacked(values: Sequence[float], start: float, end: float) -> list[tuple[float, float]]:
    """(from, to) of every part of a bar that adds up to its whole length; nothing has no length."""
    if any(finite(value) < 0 for value in values):
        raise ValueError("A bar has no part below 0.")
    total, below, parts = sum(values), 0, []
    for value in values:
        edges = (below, below + value)
        parts.append(tuple(round(start + (end - start) * edge / total, 2) if total else start for edge in edges))
        below += value
    return parts


def points(pairs: Sequence[tuple[float, float]], across: Axis, up: Axis) -> str:
    """A line as the attribute of an SVG polyline wants it."""
    return " ".join(f"{across.at(x):g},{up.at(y):g}" for x, y in pairs)
