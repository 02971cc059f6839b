"""Money, figures and losses in pages: `{{ claim.amount|money:claim.currency }}` is USD 1,842.00, unknown is a dash."""

from django import template
from django.utils.html import format_html
from django.utils.safestring import mark_safe

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


# Each about its own middle; a shape and a word carry the meaning, the colour only repeats it.
MARKS = {
    "worse": '<path d="M0-8 8 6-8 6Z" fill="#d55e00" stroke="currentColor" stroke-width="1.5"/>',
    "watch": '<path d="M0-8 8 6-8 6Z" fill="#a36a00" fill-opacity="0.2" stroke="#a36a00" stroke-width="2.5"/>',
    "one": '<rect x="-6" y="-6" width="12" height="12" fill="#a36a00" fill-opacity="0.2" stroke="#a36a00" '
    'stroke-width="2.5"/>',
    "better": '<path d="M0 8 8-6-8-6Z" fill="#1f7ab8" stroke="currentColor" stroke-width="1.5"/>',
    "ring": '<circle r="5" fill="none" stroke="currentColor" stroke-width="2"/>',
    "dot": '<circle r="5.5"/>',
}


@register.filter
def shape(mark):
    """The drawing of a mark, about the origin."""
    return mark_safe(MARKS[mark])  # noqa: S308  a constant


@register.simple_tag
def share(part, url, bare=False):
    """A share as a link to what is behind it, with its range and counts; `bare`: the counts alone; a dash for none."""
    if not part or not part.of:
        return "–"
    hits, of = words.figure(part.hits), words.figure(part.of)
    if bare:
        return format_html('<a href="{}">{} / {}</a>', url, hits, of)
    ends = hundredths(part.low), percent(part.high)
    return format_html('<a href="{}">{}</a> <small>{}–{}, {} / {}</small>', url, percent(part.share), *ends, hits, of)


@register.filter
def percent(part):
    """A part of one as whole percent: 0.867 is 87%."""
    return f"{hundredths(part)}%"


@register.filter
def hundredths(part):
    return round(100 * part)
