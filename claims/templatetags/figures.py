"""Money, figures and losses in pages: `{{ claim.amount|money:claim.currency }}` is USD 1,842.00, unknown is a dash."""

from django import template
from django.utils.html import format_html

from claims import losses
from claims.scorecard import verdicts
from claims.valuation import words

register = template.Library()


@register.filter
def money(amount, currency=""):
    """The currency and the amount, kept on one line; a dash for None."""
    if amount is None or amount == "":
        return "–"
    figures = words.money(amount, currency)
    return format_html('<span class="money">{}&nbsp;{}</span>', currency, figures) if currency else figures


@register.filter
def figure(number):
    """A count, weight or percentage with thousands apart and no trailing noughts; a dash for None."""
    return "–" if number is None or number == "" else words.figure(number)


@register.filter
def loss(piece):
    """The `losses.Loss` of a piece."""
    return losses.of_piece(piece)


@register.filter
def doubts(piece):
    """Sentences on what makes the list's value more than the loss may be."""
    return losses.doubts(piece)


@register.filter
def thousandth(rate):
    """A rate per 1,000 with one decimal; a dash for None."""
    return "–" if rate is None else verdicts.per_thousand(rate)


@register.filter
def percent(part):
    """A part of one as whole percent: 0.867 is 87%."""
    return f"{hundredths(part)}%"


@register.filter
def hundredths(part):
    return round(100 * part)
