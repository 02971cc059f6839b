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
    return parser.parse_args()


def main():
    asked = vars(arguments())
    part = asked.pop("part")
    with scratch_database() as connection:
        return importlib.import_module(f"tests.trial.{part}").main(connection, Path(os.environ["DATA_DIR"]), **asked)


if __name__ == "__main__":
    sys.exit(main())
