"""Prints how fast bytes become typed messages, and CSV logs blocks, on one core.

Run as ``python tests/benchmarks/decode.py [FRAMES]``. The best of several runs is printed; the
figures to reach are 200 000 frames a second in pieces of 4 KiB and 30 000 byte by byte.
"""

from __future__ import annotations

import resource
import struct
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from knuckle.wire.codec import encode_message
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import SampleBatch
from knuckle.wire.textlog import read_csv

AXES = 7
FRAMES = int(sys.argv[1]) if len(sys.argv) > 1 else 40_000
"""Of each kind; the log has 18 times as many rows: an hour at 200 Hz."""
LOG_SAMPLES = 18 * FRAMES
RUNS = 3


def sample_stream(samples: int, frames: int) -> bytes:
    """Return sample frames of a pod at rest: noise of a few hundred counts, one axis at 1 g."""
    rng = np.random.default_rng(samples)
    counts = np.rint(rng.normal(0, 50, (frames, samples, AXES))).astype(np.int64)
    counts[:, :, 2] += 16384
    return b"".join(
        encode_message(
            SampleBatch(
                number & 0xFFFF,
                number * samples * 2500,
                1,
                samples,
                struct.pack(f"<{samples * AXES}h", *counts[number].ravel().tolist()),
            )
        )
        for number in range(frames)
    )


def text_stream(samples: int) -> bytes:
    """Return lines of a text pod."""
    return b"t_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps,temp_c\n" + b"".join(
        b"%.3f,0.0123,-0.0045,0.9987,0.12,-0.34,0.05,21.4\n" % (number / 200)
        for number in range(samples)
    )


def messages_per_s(data: bytes, piece: int) -> float:
    """Return the decoder's best rate over some runs, `next_event` called to exhaustion."""
    pieces = [data[at : at + piece] for at in range(0, len(data), piece)]
    best = 0.0
    for _ in range(RUNS):
        decoder = PodDecoder()
        receive, following = decoder.receive_data, decoder.next_event
        count = 0
        start = time.perf_counter()
        for part in pieces:
            receive(part)
            while following() is not None:
                count += 1
        best = max(best, count / (time.perf_counter() - start))
    return best


def peak_mib() -> float:
    """Return the process's greatest memory so far."""
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 2**20


def row(label: str, figure: str) -> None:
    """Print one line of the table."""
    print(f"{label:<56} {figure:>20}")


def write_log(path: Path) -> None:
    """Write an hour at 200 Hz, eight columns, some thousand rows at a time."""
    rng = np.random.default_rng(1)
    with path.open("w") as file:
        file.write("# accelerometer_range_g=2\n")
        file.write("t_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps,temp_c\n")
        for first in range(0, LOG_SAMPLES, 1_000):
            times = np.arange(first, min(first + 1_000, LOG_SAMPLES)) / 200
            table = np.column_stack([times, rng.normal(size=(times.size, AXES)) * 0.1])
            np.savetxt(file, table, fmt="%.6f", delimiter=",")


def read_rate(path: Path) -> None:
    """Print time and memory of reading the log at `path`."""
    before = peak_mib()
    start = time.perf_counter()
    block, _, _ = read_csv(path)
    seconds = time.perf_counter() - start
    size = path.stat().st_size / 2**20
    row(f"CSV log of {len(block)} rows, {size:.0f} MiB", f"{seconds:.2f} s")
    row("  memory before, and peak of the process", f"{before:.0f}, {peak_mib():.0f} MiB")


def study(measure: Callable[[bytes, int], float]) -> None:
    """Print the rates of all streams in large pieces and byte by byte."""
    for samples in (1, 5, 17):
        data = sample_stream(samples, FRAMES)
        size = len(data) / FRAMES
        label = f"frames of {samples} samples, {AXES} axes, {size:.0f} bytes"
        row(f"{label}, 4 KiB pieces", f"{measure(data, 4096):,.0f} /s")
        some = sample_stream(samples, FRAMES // 8)
        row(f"{label}, byte by byte", f"{measure(some, 1):,.0f} /s")
    lines = text_stream(FRAMES)
    row("text lines of 8 columns, 4 KiB pieces", f"{measure(lines, 4096):,.0f} /s")
    row("text lines of 8 columns, byte by byte", f"{measure(lines[:400_000], 1):,.0f} /s")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "hour.csv"
        write_log(log)
        read_rate(log)
    study(messages_per_s)
