"""Small words for templates; built in, so no template loads it."""

import uuid

from django import template
from django.utils import timezone
from django.utils.formats import date_format
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
    return date_format(value, "D j M Y") if value else ""


@register.filter
def grouped(label):
    """A carton id in groups for reading; any other label as it is."""
    if identifiers.sscc.is_valid(label or ""):
        return identifiers.sscc.format(label)
    return label


@register.filter
def get(mapping, key):
    return mapping.get(key) if mapping else None
