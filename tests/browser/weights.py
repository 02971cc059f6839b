"""What a page weighs before photos and fonts, as sent: its files packed, the page as the server writes it."""

import gzip
from functools import cache
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders

MOST_BYTES = 100_000
NOT_COUNTED = (".woff2", ".png", ".wasm")
FETCHED = """
() => ({
  page: performance.getEntriesByType('navigation')[0].decodedBodySize,
  files: performance.getEntriesByType('resource').map(entry => new URL(entry.name).pathname),
})
"""


@cache
def packed(name):
    return len(gzip.compress(Path(finders.find(name)).read_bytes(), 9))


def weight(page):
    """(bytes of the page, {static file: bytes}) of what the browser has open."""
    fetched = page.evaluate(FETCHED)
    names = {
        path.removeprefix(settings.STATIC_URL) for path in fetched["files"] if path.startswith(settings.STATIC_URL)
    }
    return fetched["page"], {name: packed(name) for name in names if not name.endswith(NOT_COUNTED)}
