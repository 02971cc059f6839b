"""Carriers side by side: who is really worse, two charts, figures with their ranges, and what is behind each figure."""

from dataclasses import dataclass
from io import BytesIO

from django.core.paginator import Paginator
from django.http import FileResponse, Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from claims import behind, charts, company, judging, months, periods
from claims.forms.compare import CompareFilter
from claims.scorecard import verdicts
from claims.scorecard.compare import Comparison, Standing, Verdict
from claims.scorecard.verdicts import Words, per_thousand
from claims.views.lists import as_file
from claims.views.shared import EXPORTS, at_site_or_all, pages
from receiving import clock, queries, rules
from receiving.documents import xlsx
from receiving.enums import Kind
from receiving.models import Carrier
from receiving.web import invalid, wants_json

PAGE = "claims/compare.html"
SIZE = 50
# With more carriers than this the page tells figures and findings only, and leads to the rest.
SHORT = 20
TONES = {
    Verdict.WORSE: "stop",
    Verdict.WATCH: "wait",
    Verdict.ONE_TRAILER: "wait",
    Verdict.BETTER: "ok",
}
FINDINGS = tuple(TONES)
EVENTS = {Kind.DAMAGED: gettext_lazy("Damaged"), Kind.SHORT: gettext_lazy("Short"), Kind.OVER: gettext_lazy("Over")}
# Damage is counted against what was received, shorts and overs against what the lists say.
CARTONS = {
    Kind.DAMAGED: gettext_lazy("Cartons received"),
    Kind.SHORT: gettext_lazy("Cartons on the lists"),
    Kind.OVER: gettext_lazy("Cartons on the lists"),
}
CHART_TITLES = {
    Kind.DAMAGED: gettext_lazy("Damaged cartons per 1,000 by carrier"),
    Kind.SHORT: gettext_lazy("Short cartons per 1,000 by carrier"),
    Kind.OVER: gettext_lazy("Cartons over per 1,000 by carrier"),
}


# (heading, figure behind it, what it counts of a Line)
BESIDE = (
    (gettext_lazy("Loaded that way at origin"), "origin", lambda line: line.of("origin")),
    (gettext_lazy("Short under a clear seal"), "clear-seal", lambda line: line.of(months.CLEAR_SEAL, Kind.SHORT)),
    (gettext_lazy("Our own handling"), "own", lambda line: line.of("own")),
    (gettext_lazy("The outbound leg"), "outbound", lambda line: line.of("outbound")),
    (gettext_lazy("Rerouted"), "rerouted", lambda line: line.beside.counts[Kind.REROUTED]),
)
# The same for shares: (heading, figure, the Share of a Line or None).
SHARES = (
    (gettext_lazy("Nobody can tell"), "cannot-tell", lambda line: line.beside.cannot_tell(line.kind)),
    (gettext_lazy("On time at the gate"), "gate", lambda line: line.beside.in_time),
    (gettext_lazy("Seal exceptions"), "seals", lambda line: line.beside.seals),
)


BESIDE_HEADINGS = [heading for heading, _figure, _count in (*BESIDE, *SHARES)]


@dataclass(frozen=True)
class Line:
    """One carrier as the page and the files show it; `urls` lead to what is behind its figures."""

    standing: Standing
    words: Words
    beside: periods.Beside
    kind: Kind
    url: str
    urls: dict

    @property
    def tone(self):
        return TONES.get(self.standing.verdict, "quiet")

    @property
    def usual(self):
        return verdicts.usual(self.standing.tested.e)

    def of(self, whose, kind=None):
        return self.beside.whose[kind or self.kind][whose]

    @property
    def cells(self):
        """What stands beside the verdict, in the order of the headings: counts, then shares where they may be shown."""
        for heading, figure, count in BESIDE:
            yield {"words": heading, "count": count(self), "url": self.urls[figure]}
        for heading, figure, part in SHARES:
            found = part(self)
            yield {"words": heading, "share": found, "bare": not self.standing.enough, "url": self.urls[figure]}


def read_filter(request):
    """The filter of the address. The sums of the sites that are put together are brought up to date before."""
    for site in company.sites_of(request.site):
        months.refresh(site)
    return CompareFilter(request.GET, site=request.site, at=timezone.now())


def read_lines(request, form, comparison, *, with_beside=True):
    """A Line for each carrier of the comparison, in its order; without what stands beside, nothing is read of it."""
    choice = form.choice()
    told = periods.beside(choice) if with_beside else {}
    return [
        Line(
            standing,
            verdicts.in_words(standing, comparison, choice.kind),
            told.get(standing.key, periods.Beside()),
            Kind(choice.kind),
            to_carrier(request, form, standing.key),
            behind_urls(request, form.asked, standing.key),
        )
        for standing in comparison.standings
    ]


def apart(found):
    """(carriers with a rate in the order of the comparison, carriers of whom only counts are told, by name)."""
    few = [line for line in found if not line.standing.shows_rate]
    return [line for line in found if line.standing.shows_rate], sorted(few, key=lambda line: line.standing.name)


def address(request, name, query, *more):
    url = reverse(name, args=[request.site.code, *more])
    return f"{url}?{urlencode(query)}" if query else url


def nearer(request, url):
    """The address as seen from this page: with fifty carriers whole ones weigh more than all their figures."""
    return url.removeprefix(request.path)


def behind_urls(request, asked, carrier):
    """{figure: the address of what is behind it}"""
    whole = address(request, "carriers_behind", asked, carrier, "counted")
    before, after = nearer(request, whole).split("/counted/")
    return {name: f"{before}/{name}/{after}" for name in behind.WORDS}


def to_carrier(request, form, key):
    return nearer(request, address(request, "carrier", form.asked, key))


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def carriers(request):
    form = read_filter(request)
    context = {"form": form, "picked": form.asked}
    if not form.is_valid():
        return invalid(request, PAGE, context, form)
    if form.months:
        comparison = periods.comparison(form.choice(), judging.settings(request.site))
        context |= shown(request, form, comparison) | drawn(request, form, comparison)
    return render(request, PAGE, context)


def shown(request, form, comparison: Comparison):
    choice = form.choice()
    is_long = len(comparison.standings) > SHORT
    judged, few = apart(read_lines(request, form, comparison, with_beside=not is_long))
    return {
        "choice": choice,
        "is_long": is_long,
        "beside_url": address(request, "carriers_beside", form.asked),
        "about": about(form),
        "headline": verdicts.headline(comparison, choice.kind),
        "judged": judged,
        "few": few,
        "all": [*judged, *few],
        "findings": [line for line in judged if line.standing.verdict in FINDINGS],
        "others": [] if is_long else others(comparison, [*judged, *few]),
        "notes": [*verdicts.page_notes(comparison), *company.notes(request.site)],
        "is_capped": bool(comparison.capped),
        "is_by_name": len({line.standing.shrunk for line in judged}) < 2,
        "cautions": verdicts.CAUTIONS,
        "is_short_period": len(choice.period.months) < periods.ROLLING,
        "all_carriers": per_thousand(1000 * comparison.site_rate) if comparison.site_rate else "",
        "events": EVENTS[choice.kind],
        "cartons": CARTONS[choice.kind],
        "beside_headings": BESIDE_HEADINGS,
        "exports": exports(request, form.asked),
    }


def others(comparison, lines):
    return [line for line in lines if comparison.compares and line.standing.verdict not in FINDINGS]


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def beside(request):
    """What stands beside the verdict, for every carrier: where they are many it has a page of its own."""
    form = read_filter(request)
    if not (form.is_valid() and form.months):
        return redirect(address(request, "carriers", form.asked))
    comparison = periods.comparison(form.choice(), judging.settings(request.site))
    judged, few = apart(read_lines(request, form, comparison))
    context = {
        "all": [*judged, *few],
        "about": about(form),
        "choice": form.choice(),
        "beside_headings": BESIDE_HEADINGS,
        "back_to": address(request, "carriers", form.asked),
    }
    return render(request, "claims/compare_beside.html", context)


def about(form) -> str:
    """Months, sites and freight that are looked at, in words."""
    choice = form.choice()
    first, last = (date_format(month, "F Y") for month in (choice.period.first, choice.period.last))
    parts = [first if first == last else _("%(first)s to %(last)s") % {"first": first, "last": last}]
    parts.append(where_in_words(form.site))
    parts += [str(form.cleaned_data["account"])] if choice.account else []
    if choice.origin is not None:
        parts.append(_("from %(origin)s") % {"origin": choice.origin or _("an origin not stated")})
    return " · ".join(parts)


def where_in_words(site):
    if company.column(site) is not None:
        return str(site)
    codes = ", ".join(each.code for each in site.sites)
    return _("all sites together (%(codes)s), each by its own calendar") % {"codes": codes}


def drawn(request, form, comparison):
    """The charts, each for a desk and for a phone."""

    title = CHART_TITLES[form.choice().kind]

    def link(standing):
        return to_carrier(request, form, standing.key)

    return {
        "rates": charts.both(charts.caterpillar, comparison, id="rates", title=title, link=link),
        "funnels": charts.both(charts.funnel, comparison, id="funnel", title=title, link=link),
    }


def exports(request, asked):
    for suffix, words in EXPORTS.items():
        yield {"words": words, "url": address(request, "carriers_export", asked, suffix)}


# --- as a file --------------------------------------------------------------------------------------------------------


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def carriers_export(request, suffix):
    """The rows and the columns of the page, as `suffix` csv or xlsx; the workbook tells its notes on a second sheet."""
    if suffix not in EXPORTS:
        raise Http404
    form = read_filter(request)
    if wants_json(request) and not form.is_valid():
        return invalid(request, "", {}, form)
    if not (form.is_valid() and form.months):
        return redirect(address(request, "carriers", form.asked))
    choice = form.choice()
    comparison = periods.comparison(choice, judging.settings(request.site))
    judged, few = apart(read_lines(request, form, comparison))
    table = columns(choice.kind)
    headings = [str(heading) for heading, _value in table]
    rows = [[value(line) for _heading, value in table] for line in [*judged, *few]]
    name = f"{request.site.code}-carriers-{choice.kind}-{choice.period.first:%Y-%m}-{choice.period.last:%Y-%m}.{suffix}"
    if suffix == "csv":
        return as_file(request, name, _("Carriers"), headings, rows)
    return workbook(request, name, headings, rows, notes(form, comparison))


def workbook(request, name, headings, rows, told):
    sheets = [
        xlsx.Sheet(_("Carriers"), headings, rows),
        xlsx.Sheet(_("What this says"), [_("What this says")], [[line] for line in told], [110]),
    ]
    zone = clock.zone(request.site.time_zone)
    data = xlsx.workbook_bytes(sheets, title=name, zone=zone, created=timezone.now())
    return FileResponse(BytesIO(data), as_attachment=True, filename=name)


def notes(form, comparison):
    told = [verdicts.headline(comparison, form.choice().kind), about(form), *verdicts.page_notes(comparison)]
    told += company.notes(form.site)
    return [*told, *(str(caution) for caution in verdicts.CAUTIONS)]


def tenth(value):
    return None if value is None else round(value, 1)


def end(interval, which):
    return tenth(interval[which]) if interval else None


def part(found, line, name):
    """A share in percent, or one of its ends; nothing under the floor of trailers."""
    return round(100 * getattr(found, name)) if found and line.standing.enough else None


def touched(line):
    return line.standing.touched


def columns(kind) -> list:
    """(heading, value of a Line) of every column of a file, as the page has them."""
    return [
        (_("Carrier"), lambda line: line.standing.name),
        (_("Verdict"), lambda line: line.words.label),
        (_("Trailers"), lambda line: line.standing.sums.k),
        (str(CARTONS[kind]), lambda line: line.standing.sums.sn),
        (str(EVENTS[kind]), lambda line: line.standing.sums.sx),
        (_("Usual for its freight"), lambda line: tenth(line.standing.tested.e) if line.standing.shows_rate else None),
        *range_columns(_("Per 1,000"), lambda each: each.rate, lambda each: each.rate_interval),
        *range_columns(_("For the same freight"), lambda each: each.adjusted_rate, lambda each: each.adjusted_interval),
        *share_columns(_("Trailers with any"), touched),
        *((str(heading), count) for heading, _figure, count in BESIDE),
        *(column for heading, _figure, found in SHARES for column in share_columns(str(heading), found)),
        (_("In words"), lambda line: str(line.words)),
    ]


def range_columns(heading, rate, interval):
    yield heading, lambda line: tenth(rate(line.standing))
    yield _("%(what)s, low") % {"what": heading}, lambda line: end(interval(line.standing), 0)
    yield _("%(what)s, high") % {"what": heading}, lambda line: end(interval(line.standing), 1)


def share_columns(heading, found):
    """Counts and, where it may be shown, the share with both ends of its range in percent."""
    yield heading, lambda line: found(line).hits if found(line) else None
    yield _("%(what)s, of") % {"what": heading}, lambda line: found(line).of if found(line) else None
    for name, words in (("share", _("percent")), ("low", _("percent low")), ("high", _("percent high"))):
        yield f"{heading}, {words}", lambda line, name=name: part(found(line), line, name)


# --- behind a figure --------------------------------------------------------------------------------------------------


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def behind_figure(request, carrier, figure):
    """The pieces or trailers of one figure of one carrier, under the filter of the page that it stands on."""
    if figure not in behind.WORDS:
        raise Http404
    carrier = get_object_or_404(Carrier, pk=carrier)
    form = read_filter(request)
    if not form.is_valid():
        return redirect(address(request, "carriers", form.asked))
    context = {
        "carrier": carrier,
        "words": behind.WORDS[figure],
        "figure": figure,
        "back_to": address(request, "carriers", form.asked),
        "carrier_url": to_carrier(request, form, carrier.pk),
    }
    if form.months:
        choice = form.choice()
        context |= {"about": about(form), "events": behind.kind_of(figure, choice).label}
        read = pieces_behind if figure in behind.PIECES else trailers_behind
        context |= read(request, choice, carrier, figure)
    return render(request, "claims/compare_behind.html", context)


def pieces_behind(request, choice, carrier, figure):
    found = behind.pieces(choice, carrier.pk, figure)
    listing = Paginator(found, SIZE).get_page(request.GET.get("page"))
    return {
        "rows": queries.piece_rows([piece.pk for piece in listing]),
        "total": behind.quantity(found),
    } | pages(request, listing, without_page(request))


def trailers_behind(request, choice, carrier, figure):
    found = behind.trailers(choice, carrier.pk, figure)
    listing = Paginator(found, SIZE).get_page(request.GET.get("page"))
    return {"trailers": listing, "total": len(found)} | pages(request, listing, without_page(request))


def without_page(request):
    return {name: value for name, value in request.GET.items() if name != "page"}
