"""What is counted of a site's month and of the twelve months that end with it, for all its carriers at once.

A card, the page that tells which cards are due, and a restatement read it here, so that they never differ.
"""

from dataclasses import dataclass
from datetime import date

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims import company, judging, months, periods
from claims.periods import JUDGED, Beside, Choice, Period
from claims.scorecard import verdicts
from claims.scorecard.compare import Comparison, Settings, Standing, Verdict
from claims.scorecard.figures import Share
from claims.scorecard.verdicts import number, per_thousand
from receiving.enums import Attribution, Kind

MONTH, YEAR = "month", "year"
SCOPES = {MONTH: gettext_lazy("the month"), YEAR: gettext_lazy("twelve months")}
EVENTS = {
    Kind.DAMAGED: gettext_lazy("Damaged cartons"),
    Kind.SHORT: gettext_lazy("Short cartons"),
    Kind.OVER: gettext_lazy("Cartons over"),
    Kind.REROUTED: gettext_lazy("Rerouted cartons"),
}
WHOSE = {
    Attribution.ORIGIN: gettext_lazy("loaded that way at origin"),
    months.CLEAR_SEAL: gettext_lazy("under a clear seal, loaded by the shipper"),
    Attribution.OWN: gettext_lazy("our own handling"),
    Attribution.OUTBOUND: gettext_lazy("the outbound leg"),
    Attribution.CANNOT_TELL: gettext_lazy("nobody can tell"),
    months.NOT_SAID: gettext_lazy("nobody has said"),
}


@dataclass(frozen=True)
class Book:
    """site -- a Site or AllSites; comparisons -- {(scope, kind): Comparison}; besides -- {scope: {carrier: Beside}}"""

    site: object
    month: date
    settings: Settings
    periods: dict
    comparisons: dict
    besides: dict

    def comparison(self, scope, kind) -> Comparison:
        return self.comparisons[scope, kind]

    def standing(self, scope, kind, carrier: int) -> Standing | None:
        """None where the carrier brought nothing that this kind could be counted against."""
        return next((each for each in self.comparison(scope, kind).standings if each.key == carrier), None)

    def beside(self, scope, carrier: int) -> Beside:
        return self.besides[scope].get(carrier) or Beside()

    def carriers(self) -> set[int]:
        """Carriers with a trailer in the month."""
        return set(self.besides[MONTH])

    def choice(self, scope, kind) -> Choice:
        return Choice(self.sites, self.periods[scope], kind)

    @property
    def sites(self):
        return company.sites_of(self.site)

    def named(self, record, site) -> str:
        """A trailer or a piece by its number; over several sites with its site's code, since each site counts its
        own."""
        return f"{site.code} {record}" if len(self.sites) > 1 else str(record)


def read(site, month: date, settings: Settings | None = None) -> Book:
    """The book of a site, or of AllSites, and a month; a fixed number of queries. The caller brings the sums up to date
    before.

    settings -- those in force unless given
    """
    settings = settings or judging.settings(site)
    spans = {MONTH: Period(month, month), YEAR: Period.rolling(month)}
    choices = {
        (scope, kind): Choice(company.sites_of(site), span, kind)
        for scope, span in spans.items()
        for kind in months.KINDS
    }
    return Book(
        site=site,
        month=month,
        settings=settings,
        periods=spans,
        comparisons={key: periods.comparison(choice, settings) for key, choice in choices.items()},
        besides={scope: periods.beside(choices[scope, Kind.DAMAGED]) for scope in spans},
    )


# --- verdicts ---------------------------------------------------------------------------------------------------------


def verdict_of(book: Book, kind, carrier: int) -> Verdict:
    standing = book.standing(YEAR, kind, carrier)
    return standing.verdict if standing else Verdict.TOO_LITTLE_DATA


def verdict(book: Book, kind, carrier: int, name: str) -> dict:
    """The verdict of the twelve months in words. `interval` is per 1,000, None only where there is no verdict."""
    standing = book.standing(YEAR, kind, carrier)
    told = {"kind": str(kind), "events": str(EVENTS[kind])}
    if standing is None:
        label = str(verdicts.LABELS[Verdict.TOO_LITTLE_DATA])
        words = _("%(carrier)s brought nothing that this could be counted against.") % {"carrier": name}
        return told | {
            "verdict": Verdict.TOO_LITTLE_DATA.value,
            "label": label,
            "sentences": [words],
            "interval": None,
        }
    words = verdicts.in_words(standing, book.comparison(YEAR, kind), kind, to_carrier=True)
    judged = standing.verdict not in (Verdict.TOO_LITTLE_DATA, Verdict.NO_COMPARISON)
    return told | {
        "verdict": standing.verdict.value,
        "label": words.label,
        "sentences": list(words.sentences),
        "interval": list(standing.rate_interval) if judged else None,
    }


# --- the table of a card ----------------------------------------------------------------------------------------------


def row(book: Book, kind, carrier: int) -> dict:
    """One kind of event as a card tells it, in words: counts, and rates with their ranges where they may be shown."""
    cells = {scope: cell(book.standing(scope, kind, carrier)) for scope in SCOPES}
    rate = book.comparison(YEAR, kind).site_rate
    return {
        "kind": str(kind),
        "words": str(EVENTS[kind]),
        "judged": kind in JUDGED,
        "all": per_thousand(1000 * rate) if rate else "",
        **cells,
    }


def cell(standing: Standing | None) -> dict:
    if standing is None:
        return {
            "events": number(0),
            "cartons": number(0),
            "trailers": number(0),
            "touched": "",
            "rate": "",
            "usual": "",
        }
    sums = standing.sums
    told = {
        "events": number(sums.sx),
        "cartons": number(sums.sn),
        "trailers": number(sums.k),
        "touched": share(standing.touched, standing.enough),
        "rate": "",
        "usual": "",
    }
    if not standing.shows_rate:
        return told
    return told | {
        "rate": with_range(standing.rate, standing.rate_interval),
        "adjusted": with_range(standing.adjusted_rate, standing.adjusted_interval) if standing.expected > 0 else "",
        "usual": verdicts.usual(standing.expected),
    }


def with_range(rate, interval):
    low, high = interval
    return _("%(rate)s (%(low)s to %(high)s)") % {
        "rate": per_thousand(rate),
        "low": per_thousand(low),
        "high": per_thousand(high),
    }


def share(found: Share | None, enough: bool) -> str:
    """`3 of 40, 8% (3% to 20%)`; under the floor of trailers the counts only; empty without anything."""
    if found is None:
        return ""
    counts = _("%(hits)s of %(of)s") % {"hits": number(found.hits), "of": number(found.of)}
    if not enough:
        return counts
    ends = {name: f"{round(100 * getattr(found, name))}%" for name in ("share", "low", "high")}
    return _("%(counts)s, %(share)s (%(low)s to %(high)s)") % ({"counts": counts} | ends)


# --- figures, one by one ----------------------------------------------------------------------------------------------


def figures(book: Book, carrier: int) -> list[dict]:
    """Every figure of a card as {key, words, value, own}. `own`: it rests on what this carrier brought and nothing
    else, or is a verdict; a card of which one of these has changed is to be restated."""
    found = []
    for scope in SCOPES:
        found += scope_figures(book, scope, carrier)
    for kind in JUDGED:
        label = str(verdicts.LABELS[verdict_of(book, kind, carrier)])
        found.append(figure(YEAR, f"{kind}.verdict", _("%(events)s, verdict") % {"events": EVENTS[kind]}, label))
    return found


def figure(scope, key, words, value, own=True):
    return {
        "key": f"{scope}.{key}",
        "words": _("%(what)s, %(months)s") % {"what": words, "months": SCOPES[scope]},
        "value": value,
        "own": own,
    }


def scope_figures(book, scope, carrier):
    beside = book.beside(scope, carrier)
    yield figure(scope, "trailers", _("Trailers"), number(beside.trailers))
    yield figure(scope, "cartons", _("Cartons received"), number(beside.cartons))
    for kind in months.KINDS:
        yield from kind_figures(book, scope, kind, carrier)
        for whose, count in sorted(beside.whose[kind].items()):
            words = _("%(events)s beside the verdict: %(whose)s") % {"events": EVENTS[kind], "whose": WHOSE[whose]}
            yield figure(scope, f"{kind}.{whose}", words, number(count))
    yield figure(scope, "gate", _("On time at the gate"), share(beside.in_time, enough=False))
    yield figure(scope, "seals", _("Seal exceptions"), share(beside.seals, enough=False))


def kind_figures(book, scope, kind, carrier):
    standing, words = book.standing(scope, kind, carrier), EVENTS[kind]
    told = cell(standing)
    yield figure(scope, kind, words, told["events"])
    if kind == Kind.SHORT:
        yield figure(scope, "listed", _("Cartons listed"), told["cartons"])
    touched = share(standing and standing.touched, enough=False)
    yield figure(scope, f"{kind}.touched", _("Trailers with %(events)s") % {"events": lowered(words)}, touched)
    if scope == YEAR and kind in JUDGED:
        yield figure(scope, f"{kind}.usual", _("%(events)s, usual") % {"events": words}, told["usual"], own=False)
        yield figure(scope, f"{kind}.rate", _("%(events)s per 1,000") % {"events": words}, told["rate"], own=False)


def lowered(words):
    """In the middle of a line."""
    return f"{str(words)[:1].lower()}{str(words)[1:]}"


def changes(before: list[dict], now: list[dict]) -> list[dict]:
    """{words, was, now, own} of every figure that is another now, in the order of the card. A figure that one of the
    two does not have counts as nothing there."""
    was, found = {each["key"]: each for each in before}, {each["key"]: each for each in now}
    keys = [*found, *(key for key in was if key not in found)]
    return [
        {
            "key": key,
            "words": (found.get(key) or was[key])["words"],
            "was": was[key]["value"] if key in was else "0",
            "now": found[key]["value"] if key in found else "0",
            "own": (found.get(key) or was[key])["own"],
        }
        for key in keys
        if (was.get(key) or {"value": "0"})["value"] != (found.get(key) or {"value": "0"})["value"]
    ]


def differs(before: list[dict], now: list[dict]) -> bool:
    """Whether a card that told `before` is to be restated."""
    return any(each["own"] for each in changes(before, now))
