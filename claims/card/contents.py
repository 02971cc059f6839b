"""Everything a card says, as plain JSON: the files are made from it and the pictures it names, and from nothing else.

Other carriers are on it without their names: a card is made to be given to the carrier.
"""

from dataclasses import asdict, replace
from datetime import timedelta

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from claims import charts, company, judging, months, periods
from claims.card import book as books
from claims.card import dealings, proof, sources
from claims.card.book import YEAR, Book
from claims.packet.wording import day
from claims.periods import JUDGED, Period
from claims.scorecard import verdicts
from claims.scorecard.compare import METHOD
from claims.scorecard.months import watch
from receiving import clock, evidence, sheet
from receiving.enums import Attribution, Kind
from receiving.models import Account

CHART_ROWS = 12
CHART_MONTHS = 24
# Wider than on a page of the desk: on paper the chart of the months goes from margin to margin and stays low.
MONTHS_WIDTH = 820
# Of the chart of the rates, so that the carrier of the card reads its own name: for each letter, at most.
NAME_LETTER, WIDEST_NAMES = 8, 300
# Told as a share of all damage.
NOBODY = {(Kind.DAMAGED, Attribution.CANNOT_TELL), (Kind.DAMAGED, months.NOT_SAID)}
TITLES = {
    "rates": lambda: _("Damaged cartons per 1,000, each carrier with its likely range"),
    "months": lambda: _("Damaged cartons per 1,000, month by month"),
}


def contents(book: Book, carrier, *, number, restates, log, actor, at) -> dict:
    """The whole content of a new card. Call it under `packet.contents.on_paper(site)`.

    number -- the card's; restates -- the card whose place it takes, or None; log -- what `company.lock_heads` gives
    """
    figures = books.figures(book, carrier.pk)
    pieces, trailers = proof.pieces(book, carrier.pk), proof.trailers(book, carrier.pk)
    today = clock.site_day(at, book.site.time_zone)
    content = {
        "made": {
            "number": number,
            "at": at.isoformat(timespec="seconds"),
            "day": day(today),
            "moment": sheet.moment(at),
            "by": str(actor),
            "log": log,
            "prints": {},
        },
        "restated": restated(restates, figures, trailers, pieces),
        "site": site(book.site),
        "carrier": {"key": carrier.pk, "name": carrier.name, "scac": carrier.scac, "kind": carrier.get_kind_display()},
        "month": month(book),
        "verdicts": [books.verdict(book, kind, carrier.pk, carrier.name) for kind in JUDGED],
        "rows": [books.row(book, kind, carrier.pk) for kind in months.KINDS],
        "beside": {scope: beside(book, scope, carrier.pk) for scope in books.SCOPES},
        "figures": figures,
        "drawings": drawings(book, carrier),
        "trailers": trailers,
        "pieces": pieces,
        "damage": proof.damage(pieces),
        "claims": dealings.claims(book, carrier, at=at),
        "agreed": dealings.agreed(book, carrier, today=today),
        "notes": [
            str(note)
            for note in (
                *verdicts.CAUTIONS,
                *verdicts.page_notes(book.comparison(YEAR, Kind.DAMAGED)),
                *company.notes(book.site),
            )
        ],
        "method": METHOD,
        "settings": asdict(book.settings),
        "rules": rules(book),
        "sums": sums(book, carrier.pk),
        "comparisons": {str(kind): book.comparison(YEAR, kind).frozen() for kind in JUDGED},
        "months": series(book, carrier.pk),
        "strata": strata(book),
    }
    return evidence.plain(steady(content))


def steady(value):
    """Nought has no sign: a database that keeps numbers as decimals would give it back without."""
    if isinstance(value, float):
        return value + 0.0
    if isinstance(value, dict):
        return {key: steady(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [steady(each) for each in value]
    return value


def site(row):
    """`sites` only of a card over all of them."""
    told = {"code": row.code, "name": row.name, "paper": row.paper, "time_zone": row.time_zone}
    if company.column(row) is None:
        told["sites"] = [{"code": each.code, "name": each.name} for each in row.sites]
    return told


def rules(book):
    """Since when and by whom these two rules of judging hold; None where nobody has changed them."""
    rule = judging.rules(book.site).first()
    if rule is None or judging.of(rule) != book.settings:
        return None
    return {"day": day(clock.site_day(rule.at, book.site.time_zone)), "by": str(rule.actor)}


def month(book):
    period = book.periods[YEAR]
    first, last = (date_format(each, "F Y") for each in (period.first, period.last))
    return {
        "first_day": book.month.isoformat(),
        "words": last,
        "year_words": _("%(first)s to %(last)s") % {"first": first, "last": last},
        "least": book.settings.min_trailers,
    }


def restated(card, figures, trailers, pieces):
    """What is another now than on the card whose place this one takes, and the trailers and pieces that made it so;
    None for a first card."""
    if card is None:
        return None
    found = books.changes(card.content["figures"], figures)
    return {
        "number": str(card),
        "day": card.content["made"]["day"],
        "changes": found,
        "verdicts": [each for each in found if each["key"].endswith(".verdict")],
        "sources": sources.changes(card.content, trailers, pieces),
    }


def beside(book, scope, carrier):
    """What no verdict rests on: whose doing other pieces were, time at the gate, seals."""
    told = book.beside(scope, carrier)
    enough = told.trailers >= book.settings.min_trailers
    whose = [
        {"words": f"{books.EVENTS[kind]}: {books.WHOSE[who]}", "count": verdicts.number(count)}
        for kind in JUDGED
        for who, count in sorted(told.whose[kind].items())
        if (kind, who) not in NOBODY
    ]
    return {
        "trailers": verdicts.number(told.trailers),
        "cartons": verdicts.number(told.cartons),
        "whose": whose,
        "cannot_tell": books.share(told.cannot_tell(), enough),
        "in_time": books.share(told.in_time, enough),
        "grace": periods.GRACE_MINUTES,
        "seals": books.share(told.seals, enough),
    }


# --- drawings ---------------------------------------------------------------------------------------------------------


def drawings(book, carrier) -> dict:
    """The charts as numbers, frozen as they are drawn; None where there is nothing to draw."""
    compared = unnamed(near(book.comparison(YEAR, Kind.DAMAGED), carrier.pk), carrier.pk)
    drawn = {
        "rates": charts.caterpillar(
            compared, title=TITLES["rates"](), marked=carrier.pk, names=names_room(carrier.name), id="rates"
        ),
        "months": month_chart(book, carrier),
    }
    return {name: chart and asdict(chart) for name, chart in drawn.items()}


def names_room(name):
    """How wide the column of names has to be for this one."""
    return min(max(charts.NAMES, 16 + NAME_LETTER * len(name)), WIDEST_NAMES)


def month_chart(book, carrier):
    """None for a carrier of which no rate may be shown."""
    standing = book.standing(YEAR, Kind.DAMAGED, carrier.pk)
    if standing is None or not standing.shows_rate:
        return None
    whole = watch(periods.series(since_the_start(book), carrier.pk), book.settings)
    watched = replace(whole, points=whole.points[-CHART_MONTHS:])
    return charts.months(watched, title=TITLES["months"](), id="months", width=MONTHS_WIDTH)


def since_the_start(book):
    """Damage in every month since the first that the site knows: its first twelve are what later ones are held
    against."""
    there = periods.months_there(book.sites)
    choice = book.choice(YEAR, Kind.DAMAGED)
    return replace(choice, period=Period(min([*there, book.month]), book.month))


def near(comparison, key):
    """The carriers with a rate that stand around this one in the order of the list, as many as a page has room for."""
    shown = [standing for standing in comparison.standings if standing.shows_rate]
    place = next((n for n, standing in enumerate(shown) if standing.key == key), 0)
    first = min(max(place - CHART_ROWS // 2, 0), max(len(shown) - CHART_ROWS, 0))
    return replace(comparison, standings=shown[first : first + CHART_ROWS])


def unnamed(comparison, key):
    """The same comparison in which only this carrier has its name."""
    standings = [
        standing if standing.key == key else replace(standing, name=_("another carrier"))
        for standing in comparison.standings
    ]
    return replace(comparison, standings=standings)


# --- what the figures come from ---------------------------------------------------------------------------------------


def sums(book, carrier):
    """{scope: {kind: sums}} of this carrier, exact."""
    return {
        scope: {
            str(kind): standing.sums.as_record()
            for kind in months.KINDS
            if (standing := book.standing(scope, kind, carrier))
        }
        for scope in books.SCOPES
    }


def series(book, carrier):
    """Each of the twelve months: trailers, cartons and events of every kind."""
    found = {kind: dict(periods.series(book.choice(YEAR, kind), carrier)) for kind in months.KINDS}
    return [
        {
            "month": first.isoformat(),
            "trailers": found[Kind.DAMAGED][first].k,
            "received": found[Kind.DAMAGED][first].sn,
            "listed": found[Kind.SHORT][first].sn,
            **{str(kind): found[kind][first].sx for kind in months.KINDS},
        }
        for first in book.periods[YEAR].months
    ]


def strata(book):
    """{stratum: words} of the classes of freight that the comparison keeps apart."""
    names = accounts(book)
    found = {name for kind in JUDGED for each in book.comparison(YEAR, kind).standings for name in each.sums.cartons}
    return {name: stratum_words(name, names, len(book.sites) > 1) for name in sorted(found)}


def accounts(book):
    place = 1 if len(book.sites) > 1 else 0
    keys = {
        int(name.split("|")[place])
        for each in book.comparison(YEAR, Kind.DAMAGED).standings
        for name in each.sums.cartons
    }
    return {str(key): name for key, name in Account.objects.filter(pk__in=keys).values_list("pk", "legal_name")}


def stratum_words(name, accounts, has_site):
    site, _bar, name = name.partition("|") if has_site else ("", "", name)
    account, _bar, rest = name.partition("|")
    origin, _bar, way = rest.rpartition("|")
    words = f"{accounts.get(account, account)}, {origin or 'origin not stated'}, counted by {way}"
    return f"{site}: {words}" if has_site else words


def first_day_after(month):
    """The first day on which a month's cards can be issued."""
    return (month + timedelta(days=32)).replace(day=1)
