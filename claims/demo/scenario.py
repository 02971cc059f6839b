"""What is invented about claims: the scenario file."""

import json
from functools import cache

from receiving.demo.scenario import FIXTURES


@cache
def read():
    """The scenario of claims as plain dicts and lists."""
    return json.loads((FIXTURES / "demo" / "claims.json").read_text(encoding="utf-8"))
