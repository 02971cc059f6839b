"""Small words for templates; built in, so no template loads it."""

import uuid
from datetime import datetime
from functools import cache

from django import template
from django.templatetags.static import static
from django.utils import timezone
from django.utils.formats import date_format, number_format
from django.utils.html import format_html

from receiving import identifiers

register = template.Library()


@register.simple_tag
def submission():
    """The hidden UUID that makes a form one record however often it is sent."""
    return format_html('<input type="hidden" name="uuid" value="{}">', uuid.uuid4())


@register.simple_tag
def new_uuid():
    return str(uuid.uuid4())


@register.filter
def moment(value):
    """`Mon 2 Mar 2026, 14:32 CST`, in the site's zone."""
    if not value:
        return ""
    local = timezone.localtime(value)
    return f"{date_format(local, 'D j M Y, H:i')} {local.tzname()}"


@register.filter
def clock_time(value):
    """`14:32 CST`, in the site's zone."""
    if not value:
        return ""
    local = timezone.localtime(value)
    return f"{local:%H:%M} {local.tzname()}"


@register.filter
def day(value):
    """`Mon 2 Mar 2026`; of a moment the day in the site's zone."""
    if isinstance(value, datetime) and timezone.is_aware(value):
        value = timezone.localtime(value)
    return date_format(value, "D j M Y") if value else ""


@register.filter
def short(number):
    """A decimal without idle zeros: 12.5, not 12.500."""
    return "" if number is None else number_format(f"{number.normalize():f}", force_grouping=True)


@register.filter
def grouped(label):
    """A carton id in groups for reading; any other label as it is."""
    if identifiers.sscc.is_valid(label or ""):
        return identifiers.sscc.format(label)
    return label


@register.filter
def dialled(phone):
    """A phone number as a `tel:` link wants it, the visual separators left out (RFC 3966)."""
    return "".join(sign for sign in phone if sign.isdigit() or sign == "+")


@register.filter
def get(mapping, key):
    return mapping.get(key) if mapping else None


BADGE_ICONS = {"ok": "done", "next": "half", "wait": "pause", "stop": "stop", "quiet": "dot"}


@cache
def drawings():
    return static("vendor/icons/icons.svg")


@register.simple_tag
def icon(name):
    """A drawing beside a word, never instead of it."""
    return format_html(
        '<svg class="icon" aria-hidden="true" focusable="false"><use href="{}#{}"></use></svg>',
        drawings(),
        name,
    )


@register.simple_tag
def badge(variant, words):
    """A state: icon, word and shape together. variant -- ok, next, wait, stop or quiet"""
    return format_html('<span class="badge {}">{} {}</span>', variant, icon(BADGE_ICONS[variant]), words)
