"""What new terms may start from: rows of statutes, conventions and usual bills, each with its source.

Read from `fixtures/terms.json`. A start is copied into `Terms` by a person who answers for the copy; nothing counts by
it before.
"""

import json
from dataclasses import dataclass
from functools import cache

from django.conf import settings

from claims.deadlines import Period


@dataclass(frozen=True)
class Start:
    """facts -- columns of `Terms` as text, as JSON has them; what is not named has the model's default"""

    key: str
    title: str
    about: str
    facts: dict
    periods: tuple[Period, ...]


@cache
def starts() -> tuple[Start, ...]:
    """All of them, in the order of the file."""
    file = settings.BASE_DIR / "fixtures" / "terms.json"
    return tuple(read(each) for each in json.loads(file.read_text(encoding="utf-8")))


def start(key: str) -> Start | None:
    return next((each for each in starts() if each.key == key), None)


def read(kept):
    facts = {"title": kept["title"]} | kept["facts"]
    periods = tuple(Period.from_dict(period) for period in kept["periods"])
    return Start(kept["key"], kept["title"], kept["about"], facts, periods)
