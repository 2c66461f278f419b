"""Every benchmark in one run, one after another: python tests/benchmarks [--results N] [--batch N] [--without NAME]…

Prints the machine, its load before each part, and each part's own table. Nothing here asserts a time.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main() -> int:
    """Run the parts; the exit status is 1 when one of them did not come to its end."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=int, default=1_000_000, metavar="N", help="results in the archive")
    parser.add_argument("--batch", type=int, default=1000, metavar="N", help="reports in the batch")
    parser.add_argument("--without", action="append", default=[], metavar="NAME", help="leave this part out")
    chosen = parser.parse_args()
    parts = {
        "measurement": [], "signing": ["--batch", str(chosen.batch)], "form": [],
        "archive": ["--results", str(chosen.results)], "fleet": [],
    }  # fmt: skip
    print(f"{platform.platform()}, Python {platform.python_version()}, {os.cpu_count()} cores")
    bad = 0
    for name, options in parts.items():
        if name in chosen.without:
            continue
        load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
        print(f"\n## {name} ({time.strftime('%H:%M')}{load})\n", flush=True)
        bad += subprocess.run([sys.executable, str(HERE / f"{name}.py"), *options], check=False).returncode != 0
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
