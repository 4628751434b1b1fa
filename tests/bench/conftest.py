"""The bench and the programs that run on it, built once for all tests here."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bench.monitored import Monitored
from bench.programs import build_monitor
from knuckle.bench.client import Bench
from knuckle.bench.places import PROGRAM

IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")
FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
SIMAVR = Path("/usr/include/simavr/sim_avr.h")

Starter = Callable[..., Bench]


def built(*targets: str) -> Path:
    """Build targets of firmware/Makefile; skip, in CI fail, where the tools are missing."""
    missing = [tool for tool in ("make", "avr-gcc", "cc") if shutil.which(tool) is None]
    missing += [] if SIMAVR.exists() else ["libsimavr-dev"]
    if missing:
        reason = f"the emulated board needs {', '.join(missing)}"
        if IN_CI:
            pytest.fail(reason)
        pytest.skip(reason)
    build = FIRMWARE / "build"
    build.mkdir(exist_ok=True)
    with (build / "tests.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # tests in several processes build the same
        made = subprocess.run(
            ["make", "-C", str(FIRMWARE), *targets], capture_output=True, text=True, check=False
        )
    assert made.returncode == 0, made.stdout[-2000:] + made.stderr[-4000:]
    return build


@pytest.fixture(scope="session")
def bench_folder() -> Path:
    return built("bench")


@pytest.fixture(scope="session")
def board_elf(bench_folder: Path) -> Path:
    """Return the shipped program."""
    return built(f"build/{PROGRAM}") / PROGRAM


@pytest.fixture
def start(bench_folder: Path) -> Iterator[Starter]:
    """Start benches that end with the test; without `elf` on the conformance program."""
    running: list[Bench] = []

    def make(elf: Path | None = None, **options: object) -> Bench:
        program = elf or bench_folder / "conformance.elf"
        bench = Bench(bench_folder / "bench", program, **options)  # type: ignore[arg-type]
        running.append(bench)
        return bench

    yield make
    for bench in running:
        bench.close()


@pytest.fixture(scope="session")
def monitor_elf(bench_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_monitor(tmp_path_factory.mktemp("monitor"))


@pytest.fixture
def monitored(start: Starter, monitor_elf: Path) -> Monitored:
    return Monitored(start(monitor_elf))
