"""`script/trial deliveries` and `script/trial day`: see `--help`."""

import argparse
import importlib
import os
import sys
from pathlib import Path

from bench.server import scratch_database


def arguments():
    parser = argparse.ArgumentParser(
        prog="script/trial", description="Tries the dock's phone against a bad network, on a scratch database."
    )
    parts = parser.add_subparsers(dest="part", required=True)
    deliveries = parts.add_parser(
        "deliveries", help="records that are cut, doubled, reordered and changed on their way to the server"
    )
    deliveries.add_argument("--count", type=int, default=10_000, help="how many deliveries (10000)")
    deliveries.add_argument("--seed", type=int, default=1)
    day = parts.add_parser("day", help="a receiver's day without a network; browser and server are killed meanwhile")
    for name, usual in (("scans", 900), ("pieces", 60), ("photos", 200), ("browser-kills", 50), ("server-kills", 20)):
        day.add_argument(f"--{name}", type=int, default=usual, help=f"({usual})")
    day.add_argument("--seed", type=int, default=1)
    return parser.parse_args()


def main():
    asked = vars(arguments())
    part = asked.pop("part")
    # Playwright keeps an event loop in the main thread; Django would refuse the database there.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    with scratch_database() as connection:
        return importlib.import_module(f"tests.trial.{part}").main(connection, Path(os.environ["DATA_DIR"]), **asked)


if __name__ == "__main__":
    sys.exit(main())
