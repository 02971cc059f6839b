"""`python -m bench [NAME...]`: the named measurements, or all, each in a process and a scratch database of its own."""

import subprocess
import sys

NAMES = ["load_list", "packet", "phone_scan", "photos", "pieces", "scan", "scorecard", "scorecard_pdf", "writers"]


def main(wanted):
    if unknown := set(wanted) - set(NAMES):
        print(f"Usage: script/bench [NAME...]; without a name all are measured: {', '.join(NAMES)}")
        return 0 if unknown <= {"-h", "--help"} else 2
    code = "import importlib, sys; sys.exit(importlib.import_module(f'bench.{sys.argv[1]}').main())"
    return max(subprocess.run([sys.executable, "-c", code, name]).returncode for name in wanted or NAMES)


sys.exit(main(sys.argv[1:]))
