"""The bench and the programs that run on it, built once for all tests here."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bench.monitored import Monitored
from bench.programs import build_monitor
from bench.wired import Wired
from firmware.board_program import FIRMWARE, IN_CI, make, need
from knuckle.bench.client import Bench
from knuckle.bench.places import PROGRAM

SIMAVR = Path("/usr/include/simavr/sim_avr.h")

Starter = Callable[..., Bench]
Wires = Callable[..., Wired]


def built(*targets: str) -> Path:
    """Build targets of firmware/Makefile; skip, in CI fail, where the tools are missing."""
    need("make", "avr-gcc", "cc")
    if not SIMAVR.exists():
        reason = "libsimavr-dev missing (tests/apt.txt)"
        if IN_CI:
            pytest.fail(reason)
        pytest.skip(reason)
    made = make(*targets)
    assert made.returncode == 0, made.stdout[-2000:] + made.stderr[-4000:]
    return FIRMWARE / "build"


@pytest.fixture
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep log, store and settings of commands under test apart, without sound."""
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("KNUCKLE_SOUND", "off")
    monkeypatch.setenv("KNUCKLE_PLAIN", "1")
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


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


@pytest.fixture
def wires(start: Starter, board_elf: Path) -> Wires:
    """Put the shipped program on a bench, at the end of a line."""
    return lambda **options: Wired(start(board_elf, **options))
