"""What is invented: the scenario file, its pictures, and the numbers that look like the trade's."""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from receiving.identifiers import sscc

FIXTURES = Path(__file__).resolve().parent.parent.parent / "fixtures"
PICTURES = FIXTURES / "pictures"
BILL_TO_TRY = "51230907"
LIST_TO_TRY = FIXTURES / "lists" / f"bill-{BILL_TO_TRY}.csv"
PREFIX = "952"


@cache
def read():
    """The scenario as plain dicts and lists."""
    return json.loads((FIXTURES / "demo" / "scenario.json").read_text(encoding="utf-8"))


def picture_names(beginning):
    """Pictures that show one thing: `crushed` finds crushed-1.jpg, crushed-2.jpg."""
    return sorted(path.name for path in PICTURES.glob(f"{beginning}-*.jpg"))


@dataclass
class Serials:
    """Carton ids in sequence: extension digit 1, the demonstration prefix, a block, a running number, check digit."""

    block: int
    given: int = 0

    def next(self):
        self.given += 1
        return sscc.with_check_digit(f"1{PREFIX}{self.block:04d}{self.given:09d}")
