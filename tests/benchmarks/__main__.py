"""All studies, one after the other: ``python tests/benchmarks`` (about half an hour on two cores).

Each is a program of its own and prints its figures beside what is wanted; none is judged here.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

STUDIES = (
    "coverage",
    "efficiency",
    "rests",
    "toe",
    "alignment",
    "spin",
    "reversal",
    "cue",
    "decode",
    "long_log",
    "noise_figures",
    "start_up",
    "verdicts",
    "verdicts_strict",
)


def main() -> int:
    """Run the studies named on the command line, or all; returns how many failed to run."""
    folder = Path(__file__).resolve().parent
    wanted = sys.argv[1:] or STUDIES
    failed = 0
    for name in wanted:
        print(f"== {name}", flush=True)
        failed += (
            subprocess.run([sys.executable, folder / f"{name}.py"], check=False).returncode != 0
        )
    return failed


if __name__ == "__main__":
    sys.exit(main())
