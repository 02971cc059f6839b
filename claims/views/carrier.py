"""One carrier at a site: the verdict on its months, what it rests on, its claims, what was agreed with it."""

from calendar import monthrange
from collections import defaultdict
from dataclasses import dataclass, replace
from functools import partial

from django.contrib import messages
from django.core.paginator import Paginator
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods, require_safe

from claims import behind, charts, company, handling, judging, money_view, periods, review
from claims.enums import ALL
from claims.forms.carrier import ClosingForm, NoteForm
from claims.models import ReviewNote, Scorecard
from claims.scorecard import verdicts
from claims.scorecard.compare import Standing
from claims.scorecard.months import BASELINE, Point, watch
from claims.scorecard.verdicts import Words
from claims.views import compare, scorecards
from claims.views.shared import at_site_or_all, pages
from receiving import clock, rules
from receiving.enums import Kind
from receiving.models import Carrier
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.web import done, invalid, once, refuse, wants_json

PAGE = "claims/carrier.html"
MONTHS, TRAILERS, CARDS, NOTES = 24, 10, 6, 10
MONTH_TITLES = {
    Kind.DAMAGED: gettext_lazy("Damaged cartons per 1,000, month by month"),
    Kind.SHORT: gettext_lazy("Short cartons per 1,000, month by month"),
    Kind.OVER: gettext_lazy("Cartons over per 1,000, month by month"),
}


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def carrier(request, carrier):
    carrier = get_object_or_404(Carrier, pk=carrier)
    form = compare.read_filter(request)
    context = {
        "carrier": carrier,
        "form": form,
        "picked": form.asked,
        "may_agree": rules.SCORECARDS in request.may,
        "compare_url": compare.address(request, "carriers", form.asked),
    }
    if not form.is_valid():
        return invalid(request, PAGE, context, form)
    if form.months:
        context |= figures(request, form, carrier) | month_by_month(request, form, carrier)
    context |= dealings(request, form, carrier) | talks(request, form, carrier)
    return render(request, PAGE, context)


def behind_url(request, asked, carrier, figure):
    return compare.address(request, "carriers_behind", asked, carrier.pk, figure)


# --- the verdict and what it rests on ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class KindLine:
    """One kind of event: how the carrier stands, in words too; None of both where it brought no such freight."""

    kind: Kind
    standing: Standing | None
    words: Words | None
    urls: dict

    @property
    def heading(self):
        return compare.EVENTS[self.kind]

    @property
    def tone(self):
        return compare.TONES.get(self.standing.verdict, "quiet") if self.standing else "quiet"

    @property
    def usual(self):
        return verdicts.usual(self.standing.tested.e)


def figures(request, form, carrier):
    choice = form.choice()
    settings = judging.settings(request.site)
    compared = {kind: periods.comparison(replace(choice, kind=kind), settings) for kind in periods.JUDGED}
    lines = [kind_line(request, form, carrier, kind, compared[kind]) for kind in periods.JUDGED]
    chosen = next(line for line in lines if line.kind == choice.kind)
    beside = periods.beside(choice, carrier.pk).get(carrier.pk)
    context = {
        "choice": choice,
        "about": compare.about(form),
        "lines": lines,
        "chosen": chosen,
        "least": compared[choice.kind].settings.min_trailers,
        "is_short_period": len(choice.period.months) < periods.ROLLING,
        "cautions": verdicts.CAUTIONS,
        "notes": [*verdicts.page_notes(compared[choice.kind]), *company.notes(request.site)],
        "grace": periods.GRACE_MINUTES,
        "where_url": at_one(request, "carriers_where", carrier),
    }
    if chosen.standing is None:
        return context
    shown = compare.Line(chosen.standing, chosen.words, beside or periods.Beside(), choice.kind, "", chosen.urls)
    touched = behind.trailers(choice, carrier.pk, "touched")
    return context | {
        "beside": list(shown.cells),
        "trailers": touched[:TRAILERS],
        "touched": len(touched),
        "counted": chosen.standing.sums.sx,
    }


def kind_line(request, form, carrier, kind, comparison):
    standing = next((each for each in comparison.standings if each.key == carrier.pk), None)
    asked = form.asked | {"kind": kind.value}
    return KindLine(
        kind,
        standing,
        standing and verdicts.in_words(standing, comparison, kind),
        compare.behind_urls(request, asked, carrier.pk),
    )


# --- months -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MonthLine:
    """A month of the chart as a row of the table; `signs` says what stands out, empty where nothing does."""

    point: Point
    signs: str
    url: str


def month_by_month(request, form, carrier):
    """The chart and its table: the newest months, held against the first twelve with cartons that the site knows."""
    choice = form.choice()
    since_the_start = replace(choice, period=periods.Period(form.months[0], choice.period.last))
    whole = watch(periods.series(since_the_start, carrier.pk))
    watched = replace(whole, points=whole.points[-MONTHS:])
    link = partial(month_url, request, form, carrier)
    lines = [MonthLine(point, signs_of(point), link(point.label)) for point in watched.points]
    # Without limits nothing says how sure a month's rate is: then there are counts only.
    shown = watched if watched.centre is not None else replace(watched, points=[])
    return {
        "months": charts.both(charts.months, shown, id="months", title=MONTH_TITLES[choice.kind], link=link),
        "month_lines": lines[::-1],
        "signals": [line for line in lines if line.signs],
        "has_limits": watched.centre is not None,
        "centre": watched.centre,
        "baseline": BASELINE,
        "known_months": len(whole.points),
    }


def month_url(request, form, carrier, month):
    asked = form.asked | {"first": f"{month:%Y-%m}", "last": f"{month:%Y-%m}"}
    return behind_url(request, asked, carrier, "touched")


def signs_of(point):
    if point.out == "high":
        return _("above the limit")
    if point.out == "low":
        return _("below the limit")
    if point.run_signals:
        return _("%(n)s months on one side") % {"n": point.run}
    if point.run_is_note:
        return _("%(n)s months on one side, some with too few trailers to rely on it") % {"n": point.run}
    return ""


# --- claims, money, cards ---------------------------------------------------------------------------------------------


def dealings(request, form, carrier):
    """How claims were handled in the months of the filter, what money is open, the newest cards; of this site."""
    at, site = timezone.now(), request.site
    today = clock.site_day(at, site.time_zone)
    period = form.choice().period if form.months else periods.Period.rolling(today.replace(day=1))
    last = period.last.replace(day=monthrange(period.last.year, period.last.month)[1])
    found = handling.handling(company.sites_of(site), carrier, period.first, last, at=at)
    entries = money_view.entries(money_view.demanded(*company.sites_of(site)).filter(carrier=carrier), at=at)
    cards = Scorecard.objects.filter(site=company.column(site), carrier=carrier).order_by("-number")
    return {
        "handled": found,
        "handled_months": in_words(period),
        "duties": duties(found),
        "recovered": [recovery(found, currency) for currency in found.money],
        "books": money_view.books(entries),
        "money_url": at_one(request, "money", carrier),
        "cards": [scorecards.shown(card) for card in scorecards.listed(cards)[:CARDS]],
        "cards_url": compare.address(request, "scorecards", {"carrier": carrier.pk, "which": "all"}),
    }


def at_one(request, name, carrier):
    """The address of a page about the carrier that only a site has; over all sites there is none."""
    if company.column(request.site) is None:
        return ""
    return compare.address(request, name, {"carrier": carrier.pk})


def in_words(period):
    first, last = (date_format(month, "F Y") for month in (period.first, period.last))
    return first if first == last else _("%(first)s to %(last)s") % {"first": first, "last": last}


def duties(found):
    yield {"words": _("Acknowledged in time"), "kept": found.acknowledged}
    yield {"words": _("Decided in time"), "kept": found.decided}


def recovery(found, currency):
    """What was claimed and what came in; of decided claims the part that came in, without a range."""
    return {"currency": currency, "money": found.money[currency], "of": found.recovered.get(currency)}


# --- what was agreed --------------------------------------------------------------------------------------------------


def talks(request, form, carrier):
    """What was agreed, the last talk first, each with the carrier's rate in the months before and since."""
    today = clock.site_day(timezone.now(), request.site.time_zone)
    listing = Paginator(review.notes(request.site, carrier), NOTES).get_page(request.GET.get("page"))
    if form.months:
        found = {each.note.pk: each for each in with_rates(request.site, form.choice(), carrier, listing)}
        agreed = [found[note.pk] for note in listing]
    else:
        agreed = [review.bare(note) for note in listing]
    return {
        "talks": [talk(each, today) for each in agreed],
        "events_words": compare.EVENTS[form.choice().kind] if form.months else "",
    } | pages(request, listing, form.asked)


def with_rates(site, choice, carrier, listing):
    """Each note with the rate at the site where it was agreed, or over all sites."""
    by_site = defaultdict(list)
    for note in listing:
        by_site[note.site or site].append(note)
    for where, notes in by_site.items():
        narrowed = replace(choice, sites=company.sites_of(where))
        yield from review.agreed(narrowed, carrier, notes, judging.settings(where))


def talk(each, today):
    return {
        "code": each.note.site.code if each.note.site else ALL,
        "note": each.note,
        "closed": each.closed,
        "is_late": each.late(today),
        "spans": [
            {"words": _("Twelve months before"), "months": in_words(each.before_months), "standing": each.before},
            {
                "words": _("Since"),
                "months": in_words(each.since_months) if each.since_months else "",
                "standing": each.since,
            },
        ],
    }


@require_http_methods(["GET", "HEAD", "POST"])
@at_site_or_all(rules.SCORECARDS, place="carriers")
@once
def agreed_new(request, carrier):
    """Write down what was agreed with the carrier."""
    carrier = get_object_or_404(Carrier, pk=carrier)
    today = clock.site_day(timezone.now(), request.site.time_zone)
    form = NoteForm(request.POST or None, site=request.site, carrier=carrier, initial={"on": today})

    def call(form):
        review.agree(request.site, carrier, **form.facts(), uuid=request.uuid, actor=request.user, at=timezone.now())

    said = _("Written down. It stands on the next scorecard of %(carrier)s until you say what came of it.")
    return step(request, carrier, form, call=call, said=said % {"carrier": carrier}, template="claims/agreed_new.html")


@require_http_methods(["GET", "HEAD", "POST"])
@at_site_or_all(rules.SCORECARDS, place="carriers")
@once
def agreed_close(request, carrier, note):
    """Write down what came of it."""
    carrier = get_object_or_404(Carrier, pk=carrier)
    rows = ReviewNote.objects.select_related("site", "carrier", "actor")
    found = get_object_or_404(rows, site=company.column(request.site), carrier=carrier, closes=None, pk=note)
    today = clock.site_day(timezone.now(), request.site.time_zone)
    form = ClosingForm(request.POST or None, initial={"on": today})

    def call(form):
        review.close(found, **form.cleaned_data, uuid=request.uuid, actor=request.user, at=timezone.now())

    said = _("Closed. What came of it stands beside what was agreed.")
    return step(request, carrier, form, call=call, said=said, template="claims/agreed_close.html", note=found)


def step(request, carrier, form, *, call, said, template, **more):
    """GET shows the form; POST makes one domain call, and a refusal shows the form again with what was typed."""
    context = {"carrier": carrier, "form": form} | more
    if request.method != "POST":
        return render(request, template, context)
    status = 422
    if form.is_valid():
        try:
            call(form)
            if not wants_json(request):
                messages.success(request, said)
            to = reverse("carrier", args=[request.site.code, carrier.pk])
            return done(request, f"{to}#agreed", {"carrier": carrier.pk})
        except Refused as why:
            status = refuse(form, why)
            context["is_over"] = isinstance(why, ChangedMeanwhile)
    return invalid(request, template, context, form, status=status)
