"""Who may be told apart from the others, decided in a fixed order. Pure.

Pass 1 weighs all carriers. Pass 2, for `better` only, weighs anew without those found worse: they pull the average up,
and beside such an average anybody looks good. One event kind and one period are one family of tests.
"""

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from functools import cached_property

from claims.scorecard import figures
from claims.scorecard.figures import Batching, Share
from claims.scorecard.mix import Weighed, stratum_rates, weigh
from claims.scorecard.sums import Sums, add_up

METHOD = "1"


@dataclass(frozen=True)
class Settings:
    """Kept with every issued scorecard. All our choice, except `tail` and `run`, which are published.

    min_trailers -- fewer get no verdict; own_min -- trailers for a factor of its own; phi_floor keeps formulas finite
    q -- false discovery rate; p_watch -- above it nobody is worse or watched; guard -- largest part of one trailer
    trailer_cap -- per cent of a trailer's cartons that count in the test, or None
    tail, run -- limits of the monthly chart, months on one side; months_min_trailers -- fewer a month: a run is a note
    """

    min_trailers: int = 5
    own_min: int = figures.OWN_MIN
    q: float = 0.05
    p_watch: float = 0.05
    phi_floor: float = figures.PHI_FLOOR
    guard: float = 0.5
    trailer_cap: int | None = 10
    tail: float = 0.00135
    run: int = 8
    months_min_trailers: int = 20


DEFAULTS = Settings()


class Verdict(StrEnum):
    WORSE = "worse"
    WATCH = "watch"
    ONE_TRAILER = "one_trailer"
    CANNOT_BE_TOLD_APART = "cannot_be_told_apart"
    BETTER = "better"
    TOO_LITTLE_DATA = "too_little_data"
    NO_COMPARISON = "no_comparison"


@dataclass(frozen=True)
class Entry:
    """One carrier in the period: `shown` counts every event, `tested` at most `trailer_cap` per cent of a trailer."""

    key: Hashable
    name: str
    shown: Sums
    tested: Sums

    @classmethod
    def of(cls, key, name, trailers, settings):
        trailers = list(trailers)
        return cls(key, name, add_up(trailers), add_up(trailers, settings.trailer_cap))


class Weighing:
    """All carriers beside the rates of all; the rates come from the carriers given, so leaving one out changes them."""

    def __init__(self, groups: Mapping[Hashable, Sums], settings: Settings):
        self.settings = settings
        self.rates = stratum_rates(groups.values())
        self.weighed = {key: weigh(sums, self.rates) for key, sums in groups.items()}
        self.events = sum(group.x for group in self.weighed.values())
        self.cartons = sum(sums.sn for sums in groups.values())

    @property
    def rate(self) -> float | None:
        """Events per carton of all of them."""
        return self.events / self.cartons if self.cartons else None

    @cached_property
    def batching(self) -> Batching | None:
        return figures.batching(list(self.weighed.values()), self.settings.phi_floor)

    @cached_property
    def factors(self) -> dict[Hashable, float]:
        """phi of every carrier of whom anything was expected; empty if the site's is unknown."""
        if self.batching is None:
            return {}
        phi_of = {
            key: figures.factor(group, self.batching, self.settings.phi_floor, self.settings.own_min)
            for key, group in self.weighed.items()
        }
        return {key: phi for key, phi in phi_of.items() if phi is not None}

    @property
    def compares(self) -> bool:
        return len(self.factors) >= 2

    @cached_property
    def p_values(self) -> dict[Hashable, float]:
        if not self.compares:
            return {}
        pairs = [(self.weighed[key], phi) for key, phi in self.factors.items()]
        return dict(zip(self.factors, figures.fair_share(pairs), strict=True))

    @cached_property
    def q_values(self) -> dict[Hashable, float]:
        """Of the carriers that have enough trailers for a verdict."""
        judged = [key for key in self.p_values if self.weighed[key].k >= self.settings.min_trailers]
        return dict(zip(judged, figures.adjusted([self.p_values[key] for key in judged]), strict=True))

    @cached_property
    def shrunk(self) -> dict[Hashable, float]:
        ratios = [self.weighed[key].ratio for key in self.factors]
        weights = [self.weighed[key].e / phi for key, phi in self.factors.items()]
        return dict(zip(self.factors, figures.shrink(ratios, weights).values, strict=True))


@dataclass(frozen=True)
class Standing:
    """One carrier's figures and verdict. Rates are per 1,000 cartons and None where they may not be shown.

    tested, alone -- what the test weighed: against all, and against those not found worse (None in the first pass only)
    expected -- events at the rate of all; phi -- its factor, None if unknown; touched -- trailers with an event
    p, q, p_alone, q_alone -- of pass 1 and pass 2; never shown as a chance that the carrier is bad
    """

    key: Hashable
    name: str
    sums: Sums
    verdict: Verdict
    tested: Weighed
    alone: Weighed | None
    expected: float
    phi: float | None
    touched: Share | None
    site_rate: float | None
    shrunk: float | None
    p: float | None
    q: float | None
    p_alone: float | None
    q_alone: float | None
    enough: bool

    @cached_property
    def interval(self) -> tuple[float, float] | None:
        """The 95% interval of the events, whether or not it may be shown."""
        return None if self.phi is None else figures.count_interval(self.sums.sx, self.phi)

    @property
    def shows_rate(self) -> bool:
        """No rate without its interval, and none under the floor of trailers."""
        return self.enough and self.interval is not None and self.sums.sn > 0

    @property
    def rate(self) -> float | None:
        return 1000 * self.sums.sx / self.sums.sn if self.shows_rate else None

    @property
    def rate_interval(self) -> tuple[float, float] | None:
        return tuple(1000 * end / self.sums.sn for end in self.interval) if self.shows_rate else None

    @property
    def ratio(self) -> float | None:
        return self.sums.sx / self.expected if self.shows_rate else None

    @property
    def ratio_interval(self) -> tuple[float, float] | None:
        return tuple(end / self.expected for end in self.interval) if self.shows_rate else None

    @property
    def adjusted_rate(self) -> float | None:
        """What the rate would be with the site's mix of freight."""
        return 1000 * self.ratio * self.site_rate if self.shows_rate else None

    @property
    def adjusted_interval(self) -> tuple[float, float] | None:
        return tuple(1000 * end * self.site_rate for end in self.ratio_interval) if self.shows_rate else None


@dataclass(frozen=True)
class Comparison:
    """Carriers in the order of the list: highest shrunken ratio first, ties by name, then those without one."""

    settings: Settings
    compares: bool
    site_rate: float | None
    batching: Batching | None
    capped: int
    standings: list[Standing]

    def frozen(self) -> dict:
        """Plain JSON of everything the verdicts came from, for a scorecard that is issued."""
        return {
            "method": METHOD,
            "settings": asdict(self.settings),
            "compares": self.compares,
            "site_rate": self.site_rate,
            "batching": self.batching and asdict(self.batching),
            "capped": self.capped,
            "carriers": [frozen_standing(standing) for standing in self.standings],
        }


def frozen_standing(standing):
    kept = ("key", "name", "verdict", "expected", "phi", "shrunk", "p", "q", "p_alone", "q_alone")
    return {
        **{name: getattr(standing, name) for name in kept},
        "verdict": str(standing.verdict),
        "sums": standing.sums.as_record(),
        "tested": asdict(standing.tested),
        "alone": standing.alone and asdict(standing.alone),
        "interval": standing.interval and list(standing.interval),
    }


def compare(entries: Iterable[Entry], settings: Settings = DEFAULTS) -> Comparison:
    """Weigh, judge and order all carriers of one site, period and event kind."""
    entries = [entry for entry in entries if entry.shown.k]
    shown = Weighing({entry.key: entry.shown for entry in entries}, settings)
    is_capped = any(entry.tested is not entry.shown for entry in entries)
    first = Weighing({entry.key: entry.tested for entry in entries}, settings) if is_capped else shown
    verdicts = {entry.key: against_all(entry.key, first) for entry in entries}
    rest = [entry for entry in entries if verdicts[entry.key] != Verdict.WORSE]
    second = first if len(rest) == len(entries) else Weighing({entry.key: entry.tested for entry in rest}, settings)
    for entry in rest:
        if verdicts[entry.key] == Verdict.CANNOT_BE_TOLD_APART and is_better(entry.key, second):
            verdicts[entry.key] = Verdict.BETTER
    standings = [standing(entry, verdicts[entry.key], shown, first, second) for entry in entries]
    capped = sum(entry.shown.sx - entry.tested.sx for entry in entries)
    return Comparison(settings, first.compares, shown.rate, shown.batching, capped, in_order(standings))


def against_all(key, first: Weighing) -> Verdict:
    """The verdict of pass 1, which knows nobody better."""
    group, settings = first.weighed[key], first.settings
    if not first.compares:
        return Verdict.NO_COMPARISON
    if group.k < settings.min_trailers or group.e <= 0:
        return Verdict.TOO_LITTLE_DATA
    if first.p_values[key] > settings.p_watch or group.x <= group.e:
        return Verdict.CANNOT_BE_TOLD_APART
    if group.xmax > settings.guard * group.x:
        return Verdict.ONE_TRAILER
    return Verdict.WORSE if first.q_values[key] <= settings.q else Verdict.WATCH


def is_better(key, second: Weighing) -> bool:
    group = second.weighed[key]
    return key in second.q_values and second.q_values[key] <= second.settings.q and group.x < group.e


def standing(entry, verdict, shown, first, second) -> Standing:
    key = entry.key
    return Standing(
        key=key,
        name=entry.name,
        sums=entry.shown,
        verdict=verdict,
        tested=first.weighed[key],
        alone=second.weighed.get(key),
        expected=shown.weighed[key].e,
        phi=shown.factors.get(key),
        touched=figures.share(entry.shown.m, entry.shown.k),
        site_rate=shown.rate,
        shrunk=shown.shrunk.get(key),
        p=first.p_values.get(key),
        q=first.q_values.get(key),
        p_alone=second.p_values.get(key),
        q_alone=second.q_values.get(key),
        enough=entry.shown.k >= shown.settings.min_trailers,
    )


def in_order(standings):
    return sorted(standings, key=lambda one: (-(one.shrunk or 0.0), one.name, str(one.key)))
