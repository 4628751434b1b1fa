"""`knuckle --help` beside a bare `import typer`: the best of several starts.

python tests/benchmarks/start_up.py
"""

from __future__ import annotations

import subprocess
import sys
import time

STARTS = 15


def best_s(words: list[str]) -> float:
    """Return the shortest time, in s, that a process took."""
    times = []
    for _ in range(STARTS):
        began = time.perf_counter()
        subprocess.run([sys.executable, *words], capture_output=True, check=True)
        times.append(time.perf_counter() - began)
    return min(times)


def main() -> None:
    """Print both."""
    bare, program = best_s(["-c", "import typer"]), best_s(["-m", "knuckle", "--help"])
    nothing = best_s(["-c", "pass"])
    print(
        f"start-up, best of {STARTS}: python {1000 * nothing:.0f} ms, with `import typer` ", end=""
    )
    print(f"{1000 * bare:.0f} ms, `knuckle --help` {1000 * program:.0f} ms")


if __name__ == "__main__":
    main()
