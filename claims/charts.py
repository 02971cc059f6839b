"""Charts of carriers as numbers for the drawings in `templates/claims/charts/`: rates with their ranges, the funnel,
months with limits, bars. Draws only what may be shown: no rate without its range, none under the floor of trailers.

A drawing has the width it is read at, WIDE on a desk and NARROW on a phone, so that its letters keep their size; both
can stand in a page under ids of their own. A shape and a word carry the meaning, the colour only repeats it. For a PDF
draw without addresses: WeasyPrint takes a link inside a drawing for text and drops its marks.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from claims.scorecard import figures, scales
from claims.scorecard.compare import Comparison, Standing, Verdict
from claims.scorecard.months import Months
from claims.scorecard.scales import Axis
from claims.scorecard.verdicts import LABELS, number, per_thousand

WIDE, NARROW = 580, 330
LETTER = 7.4
NAMES = 180
STEPS = 48
MARKS = {
    Verdict.WORSE: "worse",
    Verdict.WATCH: "watch",
    Verdict.ONE_TRAILER: "one",
    Verdict.CANNOT_BE_TOLD_APART: "dot",
    Verdict.BETTER: "better",
    Verdict.TOO_LITTLE_DATA: "ring",
    Verdict.NO_COMPARISON: "ring",
}
QUIET = {Verdict.CANNOT_BE_TOLD_APART, Verdict.TOO_LITTLE_DATA, Verdict.NO_COMPARISON}

Link = Callable[[Standing], str]


@dataclass(frozen=True)
class Tick:
    """A place on an axis and what is written there, beginning at it, ending at it or about it."""

    at: float
    words: str
    anchor: str = "middle"


def ticks(axis: Axis) -> list[Tick]:
    return [Tick(at, tick_words(value, axis.decimals)) for value, at in axis.marks]


def line_at(at, words, start, end) -> Tick:
    """The line of all carriers; its words stay on the drawing."""
    return Tick(at, words, "start" if at < start + 70 else "end" if at > end - 70 else "middle")


def tick_words(value, decimals):
    return number(round(value, decimals) if decimals else round(value))


@dataclass(frozen=True)
class Sign:
    """An entry of the legend: a mark and what it stands for."""

    mark: str
    words: str


def signs(standings: Iterable[Standing]) -> list[Sign]:
    there = {standing.verdict for standing in standings}
    return [Sign(MARKS[verdict], str(LABELS[verdict])) for verdict in MARKS if verdict in there]


def all_carriers(rate):
    return _("all carriers: %(rate)s") % {"rate": per_thousand(rate)}


def cut(name, room):
    """The name, or as much of it as has room in a drawing; whole it stands in the title and in the table."""
    most = max(int(room / LETTER), 4)
    return name if len(name) <= most else f"{name[: most - 1].rstrip()}…"


def in_words(standing: Standing) -> str:
    """What a point says when somebody stops on it."""
    low, high = standing.rate_interval
    return _("%(carrier)s: %(rate)s per 1,000, likely range %(low)s to %(high)s. %(verdict)s.") % {
        "carrier": standing.name,
        "rate": per_thousand(standing.rate),
        "low": per_thousand(low),
        "high": per_thousand(high),
        "verdict": LABELS[standing.verdict],
    }


# --- rates with their ranges ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One carrier: x its rate, low to high its range (`beyond`: the range goes on past the axis), usual what its
    freight would bring at the rate of all. From `top` on it has its own band; its name is written at `base`."""

    y: float
    top: float
    base: float
    name: str
    words: str
    url: str
    mark: str
    x: float
    low: float
    high: float
    usual: float
    beyond: bool
    marked: bool


@dataclass(frozen=True)
class Caterpillar:
    id: str
    title: str
    width: int
    height: float
    start: float
    end: float
    top: float
    bottom: float
    each: float
    names: float
    narrow: bool
    leads: bool
    axis: str
    ticks: list[Tick]
    together: Tick
    rows: list[Row]
    signs: list[Sign]


def caterpillar(
    comparison: Comparison, *, title: str, link: Link | None = None, marked=None, width=WIDE, names=NAMES, id="rates"
) -> Caterpillar | None:
    """Every carrier's rate per 1,000 with its range, in the order of the comparison; None if there is none to show.

    link -- the address a carrier leads to; marked -- key of the carrier that the chart is about; names -- how wide
    their column is where it stands beside the axis
    """
    shown = [standing for standing in comparison.standings if standing.shows_rate]
    if not shown:
        return None
    narrow = width < WIDE
    start, end, top, each = (8, width - 12, 30, 46) if narrow else (names, width - 14, 30, 30)
    bottom = top + each * len(shown)
    together = 1000 * comparison.site_rate
    axis = scales.linear(reach(shown, together), start, end, about=4 if narrow else 6)
    middles = scales.rows(len(shown), top, bottom)

    def row(standing, y):
        low, high = standing.rate_interval
        return Row(
            y=y + 8 if narrow else y,
            top=y - each / 2,
            base=y - 6 if narrow else y + 5,
            name=cut(standing.name, end - start if narrow else start - 16),
            words=in_words(standing),
            url=link(standing) if link else "",
            mark=MARKS[standing.verdict],
            x=axis.at(standing.rate),
            low=axis.at(low),
            high=axis.at(high),
            usual=axis.at(1000 * standing.expected / standing.sums.sn),
            beyond=not axis.holds(high),
            marked=standing.key == marked,
        )

    return Caterpillar(
        id=id,
        title=title,
        width=width,
        height=bottom + 44,
        start=start,
        end=end,
        top=top,
        bottom=bottom,
        each=each,
        names=start if narrow else start - 14,
        narrow=narrow,
        leads=link is not None,
        axis=_("per 1,000 cartons"),
        ticks=ticks(axis),
        together=line_at(axis.at(together), all_carriers(together), 0, width),
        rows=[row(standing, y) for standing, y in zip(shown, middles, strict=True)],
        signs=signs(shown),
    )


def reach(shown, together):
    """What the axis has to hold: every rate, and ranges unless one is so wide that it would flatten all others."""
    highs = sorted(standing.rate_interval[1] for standing in shown)
    rates = [max(standing.rate, 1000 * standing.expected / standing.sums.sn) for standing in shown]
    most = max(*rates, 3 * highs[3 * (len(highs) - 1) // 4], together)
    return [*rates, *(min(high, most) for high in highs), together]


# --- the funnel -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Spot:
    x: float
    y: float
    words: str
    url: str
    mark: str
    label: str
    label_x: float
    anchor: str
    marked: bool


@dataclass(frozen=True)
class Funnel:
    """limits -- lines within which luck alone keeps 95% of carriers (`inner`) and nearly all (`outer`)"""

    id: str
    title: str
    width: int
    height: float
    left: float
    right: float
    bottom: float
    across: str
    up: str
    ticks_across: list[Tick]
    ticks_up: list[Tick]
    together: Tick
    inner: list[str]
    outer: list[str]
    spots: list[Spot]
    signs: list[Sign]


def funnel(
    comparison: Comparison, *, title: str, link: Link | None = None, marked=None, width=WIDE, id="funnel"
) -> Funnel | None:
    """How many times the usual every carrier had, beside how many cartons it brought; None where limits are unknown.

    It draws what the verdicts weigh: events capped by trailer, beside what the freight would bring at the rate of all.
    Cartons are those of average freight that would bring as much.
    """
    everybody = [standing.tested for standing in comparison.standings if standing.tested.e > 0]
    batching = figures.batching(everybody, comparison.settings.phi_floor)
    shown = [standing for standing in comparison.standings if standing.shows_rate and standing.tested.e > 0]
    if not shown or batching is None:
        return None
    narrow = width < WIDE
    left, right, top, bottom = 44, width - 26, 28, (300 if narrow else 340)
    rate = sum(each.e for each in everybody) / sum(standing.sums.sn for standing in comparison.standings)
    across = scales.linear([standing.tested.e / rate for standing in shown], left, right, about=4 if narrow else 5)
    [(_mean, _least, most)] = figures.funnel([rate * across.high / 3], batching.phi, comparison.settings.tail)
    up = scales.linear([*(standing.tested.ratio for standing in shown), most], bottom, top)

    def lines(tail):
        return limit_lines(rate, batching.phi, across, up, tail)

    return Funnel(
        id=id,
        title=title,
        width=width,
        height=bottom + 42,
        left=left,
        right=right,
        bottom=bottom,
        across=_("cartons"),
        up=_("times the usual"),
        ticks_across=ticks(across),
        ticks_up=ticks(up),
        together=Tick(up.at(1), _("as usual")),
        inner=lines(figures.ALPHA / 2),
        outer=lines(comparison.settings.tail),
        spots=[spot(standing, rate, across, up, link, marked) for standing in shown],
        signs=signs(shown),
    )


def limit_lines(rate, phi, across, up, tail):
    """The lower and the upper limit as far as they stay on the drawing. rate -- events per carton of all"""
    expected = [rate * across.high * step / STEPS for step in range(1, STEPS + 1)]
    limits = figures.funnel(expected, phi, tail)
    low = [(mean / rate, least) for mean, least, _most in limits if least > 0]
    high = [(mean / rate, most) for mean, _least, most in limits if up.holds(most)]
    return [scales.points(line, across, up) for line in (low, high) if len(line) > 1]


def spot(standing, rate, across, up, link, marked):
    x, y = across.at(standing.tested.e / rate), up.at(standing.tested.ratio)
    from_right = x > (across.start + across.end) / 2
    named = standing.verdict not in QUIET or standing.key == marked
    room = x - across.start if from_right else across.end - x
    return Spot(
        x=x,
        y=y,
        words=in_words(standing),
        url=link(standing) if link else "",
        mark=MARKS[standing.verdict],
        label=cut(standing.name, room - 14) if named else "",
        label_x=round(x - 12 if from_right else x + 12, 2),
        anchor="end" if from_right else "start",
        marked=standing.key == marked,
    )


# --- months -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MonthSpot:
    x: float
    y: float
    words: str
    url: str
    mark: str


@dataclass(frozen=True)
class Bound:
    """The limit of one month, a short line over it."""

    start: float
    end: float
    y: float


@dataclass(frozen=True)
class MonthsChart:
    id: str
    title: str
    width: int
    height: float
    left: float
    right: float
    bottom: float
    up: str
    ticks_across: list[Tick]
    ticks_up: list[Tick]
    centre: Tick | None
    bounds: list[Bound]
    line: str
    spots: list[MonthSpot]
    signs: list[Sign]


def months(
    watched: Months, *, title: str, link: Callable[[date], str] | None = None, width=WIDE, id="months"
) -> MonthsChart | None:
    """One series month by month with its limits; None without a month that has cartons. Labels are first days."""
    if not watched.points:
        return None
    narrow = width < WIDE
    left, right, top, bottom = 44, width - 10, 28, (220 if narrow else 240)
    values = [value for point in watched.points for value in (point.rate, point.upper) if value is not None]
    up = scales.linear([*values, watched.centre or 0], bottom, top)
    middles = scales.rows(len(watched.points), left, right)
    half = (right - left) / len(watched.points) * 0.42
    placed = list(zip(watched.points, middles, strict=True))
    limits = [(x, value) for point, x in placed for value in (point.upper, point.lower) if value is not None]
    centre = None
    if watched.centre is not None:
        centre = Tick(up.at(watched.centre), _("first year: %(rate)s") % {"rate": per_thousand(watched.centre)})
    spots = [month_spot(point, x, up, link) for point, x in placed]
    return MonthsChart(
        id=id,
        title=title,
        width=width,
        height=bottom + 46,
        left=left,
        right=right,
        bottom=bottom,
        up=_("per 1,000 cartons"),
        ticks_across=month_ticks(placed, (right - left) / len(placed)),
        ticks_up=ticks(up),
        centre=centre,
        bounds=[Bound(round(x - half, 2), round(x + half, 2), up.at(value)) for x, value in limits],
        line=" ".join(f"{each.x:g},{each.y:g}" for each in spots),
        spots=spots,
        signs=month_signs(spots),
    )


MONTH_SIGNS = {
    "worse": lambda: _("above the limit"),
    "better": lambda: _("below the limit"),
    "one": lambda: _("eight or more months on one side"),
    "watch": lambda: _("eight or more months on one side, some with too few trailers to rely on it"),
    "dot": lambda: _("a month within its limits"),
    "ring": lambda: _("a month, limits not known yet"),
}


def month_signs(spots):
    there = {spot.mark for spot in spots}
    return [Sign(mark, words()) for mark, words in MONTH_SIGNS.items() if mark in there]


def month_mark(point):
    if point.out:
        return "worse" if point.out == "high" else "better"
    if point.run_signals:
        return "one"
    if point.run_is_note:
        return "watch"
    return "ring" if point.upper is None else "dot"


def month_spot(point, x, up, link):
    mark = month_mark(point)
    words = _("%(month)s: %(events)s in %(cartons)s cartons, %(rate)s per 1,000. %(sign)s.") % {
        "month": date_format(point.label, "F Y"),
        "events": number(point.sums.sx),
        "cartons": number(point.sums.sn),
        "rate": per_thousand(point.rate),
        "sign": MONTH_SIGNS[mark]().capitalize(),
    }
    return MonthSpot(x, up.at(point.rate), words, link(point.label) if link else "", mark)


def month_ticks(placed, room) -> list[Tick]:
    """Months by their short names, as many as have room; a year where it begins and at the first."""
    every = next(step for step in (1, 2, 3, 6, 12, 24) if room * step >= 34 or step == 24)
    found = []
    for place, (point, x) in enumerate(placed):
        if place % every:
            continue
        name = date_format(point.label, "M")
        new_year = not found or point.label.year != placed[place - every][0].label.year
        found.append(Tick(x, f"{name} {point.label:%y}" if new_year and room * every >= 44 else name))
    return found


# --- bars -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Bar:
    y: float
    name: str
    words: str
    url: str
    length: float
    end: float
    value: str


@dataclass(frozen=True)
class Bars:
    id: str
    title: str
    width: int
    height: float
    start: float
    each: float
    rise: float
    narrow: bool
    bars: list[Bar]


def bars(
    rows: Sequence[tuple[str, int, str]], *, title: str, width=WIDE, id="bars", words: Callable[[str, int], str] = None
) -> Bars | None:
    """Counts as bars from nothing, in the order given: (name, count, address or empty). None without a count."""
    if not any(count for _name, count, _url in rows):
        return None
    narrow = width < WIDE
    start, end, each = (8, width - 60, 44) if narrow else (210, width - 70, 30)
    axis = scales.linear([count for _name, count, _url in rows], start, end)
    middles = scales.rows(len(rows), 4, 4 + each * len(rows))
    found = [
        Bar(
            y=y + 8 if narrow else y,
            name=cut(name, width - 16 if narrow else start - 16),
            words=words(name, count) if words else f"{name}: {number(count)}",
            url=url,
            length=round(axis.at(count) - start, 2),
            end=axis.at(count),
            value=number(count),
        )
        for (name, count, url), y in zip(rows, middles, strict=True)
    ]
    rise = -each / 2 - (8 if narrow else 0)
    return Bars(id, title, width, 8 + each * len(rows), start, each, rise, narrow, found)


# --- both widths ------------------------------------------------------------------------------------------------------


def both(draw: Callable, *args, id: str, **options) -> list:
    """The same chart for a desk and for a phone, each under an id of its own; nothing if there is none."""
    drawn = [
        draw(*args, id=f"{id}-wide", width=WIDE, **options),
        draw(*args, id=f"{id}-narrow", width=NARROW, **options),
    ]
    return [chart for chart in drawn if chart is not None]
