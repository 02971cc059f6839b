"""The money of a site's claims: a table by carrier and account, open money by age, the claims behind each figure."""

from decimal import Decimal

from django.http import Http404
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from claims import money_view
from claims.forms.money import MoneyFilter
from claims.valuation.words import money as in_words
from claims.views.lists import as_file
from claims.views.shared import EXPORTS, tabs
from receiving import clock, rules
from receiving.web import at_site, invalid, wants_json

COLUMNS = (
    "claimed",
    "allowed",
    "disallowed",
    "undecided",
    "agreed",
    "received",
    "offset",
    "refunded",
    "conceded",
    "written_off",
    "open",
    "refund_due",
    "passed_on",
)


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def money(request):
    form = MoneyFilter(request.GET)
    context = {"form": form, "picked": form.used, "tabs": tabs(request, "money"), "here": "money"}
    if not form.is_valid():
        return invalid(request, "claims/money.html", context, form)
    books = money_view.books(entries(request, form))
    context |= {
        "books": [shown(request, book, form.used) for book in books],
        "figures": money_view.FIGURES.values(),
        "exports": exports(request, form.used),
    }
    return render(request, "claims/money.html", context)


def entries(request, form):
    return money_view.entries(form.narrow(money_view.demanded(request.site)), at=timezone.now())


def shown(request, book, used):
    """A book as the page shows it, with the address behind each of its figures."""
    query = used | {"currency": book.currency}

    def cells(money, **more):
        for name, words in money_view.FIGURES.items():
            yield cell(request, words, getattr(money, name), book.currency, query | more, name)

    return {
        "book": book,
        "rows": [{"row": row, "cells": list(cells(row.money, **of_row(row)))} for row in book.rows],
        "total": list(cells(book.total)),
        "ages": [
            {"age": age} | cell(request, age.words, age.amount, book.currency, query, age.name) for age in book.ages
        ],
    }


def of_row(row):
    return {"carrier": row.carrier.pk if row.carrier else "", "account": row.account.pk}


def cell(request, words, amount, currency, query, figure):
    """A figure in words, and the claims behind it where it is not nought."""
    url = address(request, "money_claims", query, figure) if amount else ""
    return {"words": words, "text": in_words(amount, currency), "url": url}


def exports(request, used):
    for suffix, words in EXPORTS.items():
        url = reverse("money_export", args=[request.site.code, suffix])
        yield {"words": words, "url": f"{url}?{urlencode(used)}" if used else url}


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def money_claims(request, figure):
    """The claims that a figure is made of, in the `currency` of the address, and that they add up to it."""
    form = MoneyFilter(request.GET)
    words = money_view.FIGURES.get(figure) or (money_view.AGES[figure][2] if figure in money_view.AGES else None)
    if words is None or not form.is_valid():
        raise Http404
    currency = request.GET.get("currency", "")
    mine = [entry for entry in entries(request, form) if entry.money.currency == currency]
    found = [
        {
            "entry": entry,
            "amount": amount,
            "text": in_words(amount, currency),
            "of": in_words(entry.money.claimed, currency),
        }
        for entry, amount in money_view.behind(mine, figure)
    ]
    context = {
        "form": form,
        "words": words,
        "is_age": figure in money_view.AGES,
        "currency": currency,
        "found": found,
        "total": sum((row["amount"] for row in found), Decimal(0)),
        "back_to": address(request, "money", form.used),
        "carrier": form.cleaned_data["carrier"],
        "account": form.cleaned_data["account"],
    }
    return render(request, "claims/money_claims.html", context)


def address(request, name, query, *more):
    url = reverse(name, args=[request.site.code, *more])
    return f"{url}?{urlencode(query)}" if query else url


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def money_export(request, suffix):
    """Exactly what the page shows, as `suffix` csv or xlsx, with what came in, was set off and returned apart."""
    if suffix not in EXPORTS:
        raise Http404
    form = MoneyFilter(request.GET)
    if not form.is_valid():
        return invalid(request, "", {}, form) if wants_json(request) else redirect(address(request, "money", form.used))
    day = clock.site_day(timezone.now(), request.site.time_zone)
    headings = [_("Carrier"), _("Account"), _("Currency"), _("Claims"), *(str(heading(name)) for name in COLUMNS)]
    rows = [line(row) for book in money_view.books(entries(request, form)) for row in book.rows]
    return as_file(request, f"{request.site.code}-money-{day}.{suffix}", _("Money"), headings, rows)


def heading(name):
    apart = {"agreed": _("Agreed"), "received": _("Received"), "offset": _("Set off"), "refunded": _("Returned")}
    return apart.get(name) or money_view.FIGURES[name]


def line(row):
    figures = [getattr(row.money, name) for name in COLUMNS]
    return [str(row.carrier or ""), str(row.account), row.money.currency, row.count, *figures]
