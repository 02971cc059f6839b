"""Numbers and days as papers print them. A leaf of the packet."""

import re
from datetime import date
from time import strptime

from django.utils.formats import date_format

from claims.valuation.words import figure, money


def amount(value, currency):
    """`USD 598.02`; empty where there is none."""
    return "" if value is None else f"{currency} {money(value, currency)}"


def price(value, currency):
    return "" if value is None else money(value, currency)


def count(value):
    """A quantity or a weight without idle zeros; empty where there is none."""
    return "" if value is None else figure(value)


def weight(value, unit):
    return "" if value is None else f"{figure(value)} {unit}"


def day(value):
    """`Mon 2 Mar 2026`; empty where there is none."""
    return date_format(value, "D j M Y") if value else ""


def as_date(text):
    """What `day` wrote, as a date again; other words stay words."""
    try:
        return date(*strptime(text, "%a %d %b %Y")[:3])
    except ValueError:
        return text


def safe(text, most=60):
    """A name that any file system and any shell takes: letters, digits, dot, dash; never empty, never hidden."""
    plain = re.sub(r"[^A-Za-z0-9.]+", "-", text).strip("-.")[:most].strip("-.")
    return plain or "file"
