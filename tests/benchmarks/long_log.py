"""One hour at 200 Hz analysed again: time and memory, of a raw capture and of a CSV log.

    python tests/benchmarks/long_log.py [SECONDS]

Each analysis runs in its own process, start-up included. Wanted: under 5 s and under 300 MB, with
pandas and pyarrow not imported.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from analysis.wheel_on_paper import Wheel, record, write_csv
from benchmarks.captured_hour import steer_deg, write_hour

RATE_HZ = 200
SECONDS = 3600

_CHILD = """
import resource, sys
from knuckle.cli.app import run
code = run(sys.argv[1:])
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
heavy = [name for name in ("pandas", "pyarrow") if name in sys.modules]
print(f"exit {code}, peak memory {peak:.0f} MB, imported of pandas, pyarrow: {heavy or 'none'}",
      file=sys.stderr)
"""


def make_csv(path: Path, seconds: int) -> None:
    """Write an hour of a sweep a minute, as a log."""
    columns = record(
        Wheel("LF", rate_hz=RATE_HZ), steer_deg(RATE_HZ, seconds), np.random.default_rng(1)
    )
    columns["temp_c"] = np.full(columns["t_s"].size, 24.0)
    write_csv(path, columns)


def analysed(path: Path) -> None:
    """Analyse a file in a process of its own and print what it took."""
    words = ["analyze", str(path), "--measure", "sweep", "--wheel", "LF", "--json"]
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, *words], capture_output=True, text=True, check=False
    )
    took_s = time.perf_counter() - began
    size_mb = path.stat().st_size / 1e6
    print(f"  {path.name} ({size_mb:.0f} MB): {took_s:.2f} s; {done.stderr.strip()}")


def main() -> None:
    """Make both files, analyse both."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    print(
        f"{seconds} s at {RATE_HZ} Hz analysed again (wanted of an hour: under 5 s, under 300 MB)"
    )
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "hour.csv"
        make_csv(log, seconds)
        analysed(log)
        capture = Path(folder) / "hour.kncap"
        write_hour(capture, RATE_HZ, seconds)
        analysed(capture)
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"  (making them took {own:.0f} MB in this process)")


if __name__ == "__main__":
    main()
