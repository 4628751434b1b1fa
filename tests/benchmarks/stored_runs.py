"""How long the lists take on a full store: `runs`, `history` and `compare`, as whole programs.

python tests/benchmarks/stored_runs.py [RUNS]
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from job.made_jobs import MadeJob, car_file
from knuckle.store.database import Store

RUNS = 2000
OF_A_JOB = 20
STARTS = 3


def fill(path: Path, folder: Path, runs: int) -> None:
    """Keep so many runs, twenty a job: camber and toe of four wheels in turn."""
    with Store(path) as store:
        made = 0
        while made < runs:
            job = MadeJob(store, car_file(folder))
            for part in range(OF_A_JOB // 4):
                for place, wheel in enumerate(("LF", "RF", "LR", "RR")):
                    if part % 2:
                        job.toe(wheel, 0.1 * place + 0.01 * part)
                    else:
                        job.camber(wheel, -1.0 - 0.1 * place - 0.05 * part)
                if part == 1:
                    job.enter(
                        "adjust", "turned", wheel="LF", adjuster="toe_link", amount=1, unit="turn"
                    )
            made += OF_A_JOB
            store.jobs.add(job.number, "close", "closed", {})


def best_s(words: list[str], store: Path, starts: int) -> float:
    """Return the shortest of a few times, in s, of a whole program."""
    times = []
    for _ in range(starts):
        began = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "knuckle", "--store", str(store), *words],
            capture_output=True,
            check=True,
        )
        times.append(time.perf_counter() - began)
    return min(times)


def main() -> None:
    """Fill a store and print the times."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store = folder / "runs.sqlite3"
        fill(store, folder, runs)
        last = max(-(-runs // OF_A_JOB), 1)
        starts = STARTS if runs >= RUNS else 1
        print(f"{runs} runs in {last} jobs; best of {starts}, start-up included:")
        for words in (
            ["runs"],
            ["runs", "--all"],
            ["jobs"],
            ["history", "Plover"],
            ["history", "Plover", "--limit", str(last)],
            ["compare", "last"],
            ["compare", "1", str(last)],
        ):
            print(f"  knuckle {' '.join(words):32} {best_s(words, store, starts):.2f} s")


if __name__ == "__main__":
    main()
