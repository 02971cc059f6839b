"""What is added up per carrier and event kind. A leaf; whole numbers throughout, kept exact.

The unit is the trailer (one sealed arrival), because cartons of one trailer share its fate. Months are
added with +, so a year needs no trailer again (`xmax` takes the larger).
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

EVERYTHING = "all"
STRATA = ("events", "cartons", "crossed")


def whole(name, value):
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError(f"{name} must be a whole number of 0 or more, not {value!r}.")
    return value


@dataclass(frozen=True)
class Trailer:
    """Cartons at risk and events of one kind in one trailer, each by stratum (a class of freight or lane).

    Damaged and rerouted are counted against received cartons, short and over against manifest cartons.
    """

    cartons: Mapping[str, int]
    events: Mapping[str, int]

    def __post_init__(self):
        for name, cells in (("cartons", self.cartons), ("events", self.events)):
            for value in cells.values():
                whole(name, value)
        if strangers := sorted(set(self.events) - set(self.cartons)):
            raise ValueError(f"Events in a stratum without cartons: {', '.join(map(repr, strangers))}.")

    @classmethod
    def of(cls, cartons, events, stratum=EVERYTHING):
        return cls({stratum: cartons}, {stratum: events})

    @property
    def n(self):
        return sum(self.cartons.values())

    @property
    def x(self):
        return sum(self.events.values())

    def capped(self, percent):
        """The same trailer with at most `percent` of its cartons as events, rounded down, in the same mix."""
        most = self.n * percent // 100
        return self if self.x <= most else Trailer(self.cartons, in_proportion(self.events, most))


def in_proportion(parts, total):
    """`total` dealt out in the proportion of the whole numbers `parts`, in whole numbers, largest remainder first."""
    of = sum(parts.values())
    dealt = {name: total * part // of for name, part in parts.items()}
    by_remainder = sorted(parts, key=lambda name: (-(total * parts[name] % of), name))
    for name in by_remainder[: total - sum(dealt.values())]:
        dealt[name] += 1
    return dealt


@dataclass(frozen=True)
class Sums:
    """One carrier, one event kind, one period.

    k -- trailers; m -- trailers with an event; xmax -- most events in one trailer; sxx -- sum of x^2, events^2
    events -- events by stratum; cartons -- cartons by stratum
    crossed -- sum of x n_s by stratum, where x is the whole trailer's; products -- sum of n_s n_t by pair of strata
    """

    k: int = 0
    m: int = 0
    xmax: int = 0
    sxx: int = 0
    events: Counter = field(default_factory=Counter)
    cartons: Counter = field(default_factory=Counter)
    crossed: Counter = field(default_factory=Counter)
    products: Counter = field(default_factory=Counter)

    @property
    def sx(self):
        """Events."""
        return self.events.total()

    @property
    def sn(self):
        """Cartons."""
        return self.cartons.total()

    @property
    def sxn(self):
        """Sum of x n, events x cartons."""
        return self.crossed.total()

    @property
    def snn(self):
        """Sum of n^2, cartons^2."""
        return self.products.total()

    def __add__(self, other):
        return Sums(
            self.k + other.k,
            self.m + other.m,
            max(self.xmax, other.xmax),
            self.sxx + other.sxx,
            merged(self.events, other.events),
            merged(self.cartons, other.cartons),
            merged(self.crossed, other.crossed),
            merged(self.products, other.products),
        )

    def as_record(self):
        """Plain JSON, for a scorecard that is frozen; `from_record` reads it back."""
        named = {name: dict(sorted(getattr(self, name).items())) for name in STRATA}
        pairs = [[one, other, value] for (one, other), value in sorted(self.products.items())]
        return {"k": self.k, "m": self.m, "xmax": self.xmax, "sxx": self.sxx, **named, "products": pairs}

    @classmethod
    def from_record(cls, record):
        named = {name: Counter(record[name]) for name in STRATA}
        pairs = Counter({(one, other): value for one, other, value in record["products"]})
        return cls(record["k"], record["m"], record["xmax"], record["sxx"], **named, products=pairs)

    @classmethod
    def of_records(cls, records):
        """The sum of many records, as adding them one by one gives it, in a fraction of the time."""
        k = m = xmax = sxx = 0
        events, cartons, crossed, products = {}, {}, {}, {}
        for record in records:
            k, m, sxx = k + record["k"], m + record["m"], sxx + record["sxx"]
            xmax = max(xmax, record["xmax"])
            for total, cells in (
                (events, record["events"]),
                (cartons, record["cartons"]),
                (crossed, record["crossed"]),
            ):
                for name, value in cells.items():
                    total[name] = total.get(name, 0) + value
            for one, other, value in record["products"]:
                products[one, other] = products.get((one, other), 0) + value
        return cls(k, m, xmax, sxx, *map(Counter, (events, cartons, crossed, products)))


def placed(record, place: str):
    """A record whose strata are kept apart from those of other places: over several sites a class of freight is one at
    its own site only, where its own people count and check."""
    named = {name: {f"{place}|{key}": value for key, value in record[name].items()} for name in STRATA}
    pairs = [[f"{place}|{one}", f"{place}|{other}", value] for one, other, value in record["products"]]
    return record | named | {"products": pairs}


def merged(one, other):
    """Counter's own + drops what is zero, and a stratum without events must stay."""
    both = Counter(one)
    both.update(other)
    return both


def add_up(trailers: Iterable[Trailer], cap=None) -> Sums:
    """The sums of these trailers; those without a carton are left out. `cap` (per cent): see `Trailer.capped`."""
    k = m = xmax = sxx = 0
    events, cartons, crossed, products = Counter(), Counter(), Counter(), Counter()
    for trailer in trailers:
        if not trailer.n:
            continue
        counted = trailer if cap is None else trailer.capped(cap)
        x = counted.x
        k, m, xmax, sxx = k + 1, m + (x > 0), max(xmax, x), sxx + x * x
        events.update(counted.events)
        cartons.update(counted.cartons)
        for one, n in counted.cartons.items():
            crossed[one] += x * n
            for other, also in counted.cartons.items():
                products[one, other] += n * also
    return Sums(k, m, xmax, sxx, events, cartons, crossed, products)
