"""A process that captures until it is killed: run by test_store_killed.py.

For each chunk it prints the arrival time once the store has taken the chunk.
"""

from __future__ import annotations

import sys
from itertools import count

from knuckle.store.database import Store

STEP_S = 0.05


def chunk_bytes(number: int) -> bytes:
    return number.to_bytes(4, "little") * 12


def main() -> None:
    store = Store(sys.argv[1])
    run = store.begin_run("sweep", ["LF"])
    print(run, flush=True)
    for number in count():
        store.add_chunk(run, 0, number * STEP_S, chunk_bytes(number))
        print(number, flush=True)


if __name__ == "__main__":
    main()
