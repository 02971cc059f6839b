"""Where on their way pieces are found, whose doing it is and what kind of damage: for the site's own use."""

from django.http import Http404
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from claims import charts, places
from claims.forms.carrier import WhereFilter
from claims.places import DOINGS
from claims.scorecard.verdicts import number
from claims.views.compare import address
from claims.views.lists import as_file
from claims.views.shared import EXPORTS
from receiving import rules
from receiving.web import at_site, invalid, wants_json

PAGE = "claims/where.html"
MOST_CODES = 12


@require_safe
@at_site(rules.SEE_CLAIMS, place="carriers")
def where(request):
    form = WhereFilter(request.GET, months=places.months_with_pieces(request.site))
    context = {"form": form, "picked": form.asked}
    if not form.is_valid():
        return invalid(request, PAGE, context, form)
    if form.months:
        found = read(request, form)
        context |= tables(request, form, found) | drawn(request, form, found)
        context |= {"about": about(request, form), "found": found, "exports": exports(request, form)}
    return render(request, PAGE, context)


def read(request, form):
    asked = form.cleaned_data
    rows = places.chosen(request.site, form.period, form.kinds, account=asked["account"], carrier=asked["carrier"])
    return places.picture(request.site, rows)


def about(request, form):
    first, last = (date_format(month, "F Y") for month in (form.period.first, form.period.last))
    asked = form.cleaned_data
    months = first if first == last else _("%(first)s to %(last)s") % {"first": first, "last": last}
    kind = dict(form.fields["kind"].choices)[asked["kind"]]
    return " · ".join(str(part) for part in (kind, months, request.site, asked["account"], asked["carrier"]) if part)


# --- tables and charts ------------------------------------------------------------------------------------------------


def to_pieces(request, form, **narrowed):
    """The pieces of a figure: the list of pieces narrowed to the same ones."""
    asked = form.cleaned_data
    query = {
        "state": "open",
        "first_day": form.period.first.isoformat(),
        "last_day": places.last_day(form.period).isoformat(),
        **({"kind": asked["kind"]} if asked["kind"] != form.ANY else {}),
        **{name: asked[name].pk for name in ("account", "carrier") if asked[name]},
        **narrowed,
    }
    return f"{reverse('pieces', args=[request.site.code])}?{urlencode(query)}"


def tables(request, form, found):
    return {
        "doings": [DOINGS[key] for key in found.doings],
        "place_lines": [shown(request, form, found, line, "where_found") for line in found.places],
        "damage_lines": [shown(request, form, found, line, "code") for line in found.damage],
        "doing_lines": [
            {"words": DOINGS[key], "found": each, "url": to_pieces(request, form, attribution=key)}
            for key, each in found.doings.items()
        ],
    }


def shown(request, form, found, line, column):
    """A line with a cell for each of the doings that occur, each leading to its pieces."""

    def cells():
        for key in found.doings:
            narrowed = {column: line.key, "attribution": key}
            yield {"words": DOINGS[key], "found": line.by_doing.get(key), "url": to_pieces(request, form, **narrowed)}

    return {"line": line, "cells": list(cells()), "url": to_pieces(request, form, **{column: line.key})}


def drawn(request, form, found):
    """The charts, each for a desk and for a phone; of cartons, since a piece may stand for many."""
    by_place = [
        (str(line.words), line.total.cartons, to_pieces(request, form, where_found=line.key)) for line in found.places
    ]
    by_doing = [
        (str(DOINGS[key]), each.cartons, to_pieces(request, form, attribution=key))
        for key, each in found.doings.items()
    ]
    by_code = [(line.words, line.total.cartons, to_pieces(request, form, code=line.key)) for line in found.damage]
    return {
        "place_bars": bars(by_place, "places", _("Cartons by where they were found")),
        "doing_bars": bars(by_doing, "doings", _("Cartons by whose doing it was")),
        "damage_bars": bars(by_code[:MOST_CODES], "damage", _("Cartons by kind of damage")),
        "more_codes": len(by_code) > MOST_CODES,
        "most_codes": MOST_CODES,
    }


def bars(rows, name, title):
    return charts.both(charts.bars, rows, id=name, title=title, words=cartons)


def cartons(name, count):
    return _("%(what)s: cartons %(n)s") % {"what": name, "n": number(count)}


# --- as a file --------------------------------------------------------------------------------------------------------


def exports(request, form):
    for suffix, words in EXPORTS.items():
        yield {"words": words, "url": address(request, "carriers_where_export", form.asked, suffix)}


@require_safe
@at_site(rules.SEE_CLAIMS, place="carriers")
def where_export(request, suffix):
    """The tables of the page as `suffix` csv or xlsx: a row for each place or kind of damage and whose doing."""
    if suffix not in EXPORTS:
        raise Http404
    form = WhereFilter(request.GET, months=places.months_with_pieces(request.site))
    if wants_json(request) and not form.is_valid():
        return invalid(request, "", {}, form)
    if not (form.is_valid() and form.months):
        return redirect(address(request, "carriers_where", form.asked))
    found = read(request, form)
    headings = [_("What"), _("Which"), _("Whose doing"), _("Pieces"), _("Cartons")]
    rows = [*lines(_("Where found"), found.places), *lines(_("Damage"), found.damage)]
    name = f"{request.site.code}-where-{form.period.first:%Y-%m}-{form.period.last:%Y-%m}.{suffix}"
    return as_file(request, name, _("Where and what"), headings, rows)


def lines(what, found):
    for line in found:
        for key, each in line.by_doing.items():
            yield [what, str(line.words), str(DOINGS[key]), each.pieces, each.cartons]
