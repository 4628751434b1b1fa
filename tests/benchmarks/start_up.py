"""`knuckle --help` beside a bare `import typer`: the best of several starts.

python tests/benchmarks/start_up.py [STARTS]
"""

from __future__ import annotations

import subprocess
import sys
import time

STARTS = 15


def best_s(words: list[str], starts: int) -> float:
    """Return the shortest time, in s, that a process took."""
    times = []
    for _ in range(starts):
        began = time.perf_counter()
        subprocess.run([sys.executable, *words], capture_output=True, check=True)
        times.append(time.perf_counter() - began)
    return min(times)


def main() -> None:
    """Print both."""
    starts = int(sys.argv[1]) if len(sys.argv) > 1 else STARTS
    bare = best_s(["-c", "import typer"], starts)
    program = best_s(["-m", "knuckle", "--help"], starts)
    nothing = best_s(["-c", "pass"], starts)
    print(
        f"start-up, best of {starts}: python {1000 * nothing:.0f} ms, with `import typer` ", end=""
    )
    print(f"{1000 * bare:.0f} ms, `knuckle --help` {1000 * program:.0f} ms")


if __name__ == "__main__":
    main()
