"""The bench's client: every way it can fail is an error with cause and next step."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bench.conftest import Starter
from bench.monitored import Monitored
from knuckle.bench import client
from knuckle.bench.places import find_bench, find_elf
from knuckle.errors import KnuckleError, LinkLost, LinkNotFound, LinkTimeout, UsageError


def helpful(error: KnuckleError) -> bool:
    return bool(error.what and error.cause and error.next_step)


def test_a_bench_that_is_not_built_names_packages_and_command(tmp_path: Path) -> None:
    for find in (find_bench, find_elf):
        with pytest.raises(LinkNotFound) as caught:
            find(str(tmp_path / "none"))
        assert helpful(caught.value)
        assert "libsimavr-dev" in caught.value.next_step
        assert "make -C firmware bench" in caught.value.next_step
    plain = tmp_path / "bench"
    plain.write_text("no program")
    with pytest.raises(LinkNotFound, match="cannot be run"):
        find_bench(str(plain))


def test_a_file_that_is_no_elf_is_told(start: Starter, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.elf"
    wrong.write_text("no ELF")
    with pytest.raises(LinkNotFound) as caught:
        start(wrong)
    assert helpful(caught.value)
    assert "wrong.elf" in str(caught.value)


def test_a_bench_that_cannot_be_started_is_told(tmp_path: Path) -> None:
    broken = tmp_path / "bench"
    broken.write_text("no program")
    broken.chmod(broken.stat().st_mode | stat.S_IXUSR)
    with pytest.raises(LinkNotFound, match="cannot be started") as caught:
        client.Bench(broken, tmp_path / "x.elf")
    assert helpful(caught.value)


def test_an_unknown_remedy_is_told(start: Starter) -> None:
    with pytest.raises(LinkNotFound, match="no remedy is called elixir"):
        start(without=["elixir"])


def test_a_dead_bench_is_lost_and_stays_so(start: Starter) -> None:
    bench = start()
    os.kill(bench.process_id, signal.SIGKILL)
    for _ in range(2):
        with pytest.raises(LinkLost) as caught:
            bench.run_s(0.1)
        assert helpful(caught.value)
    bench.close()


def test_a_hung_bench_is_ended_at_the_deadline(
    start: Starter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client, "DEADLINE_S", 0.2)
    bench = start()
    os.kill(bench.process_id, signal.SIGSTOP)
    with pytest.raises(LinkTimeout) as caught:
        bench.command("stats", deadline_s=0.2)
    assert helpful(caught.value)
    with pytest.raises(ProcessLookupError):
        os.kill(bench.process_id, 0)


@pytest.mark.parametrize(
    "words",
    [
        ("dance",),
        ("run",),
        ("rx", "0"),
        ("rx", "zz"),
        ("feed", 0, 16000, "00"),
        ("feed", "hold", 1, 2),
        ("sensor", "mpu9999", "gone"),
        ("sensor", "mpu6050", "identity"),
        ("bus", "sda"),
        ("analog", 8, 100),
        ("supply", 0),
        ("caliper", "furlong", 1),
        ("pin", "A0", 1),
        ("pin", "D9", 1),
        ("reset", "whim"),
        ("power", "half"),
        ("hang", "well"),
        ("eeprom", "get", 1000, 100),
        ("eeprom", "set", 1023, "0000"),
        ("peek", 0x900, 1),
        ("poke", 0x20, "00"),
        ("symbol", "no_such_symbol"),
    ],
)
def test_what_the_bench_does_not_take_is_refused(words: tuple[object, ...], start: Starter) -> None:
    bench = start()
    with pytest.raises(UsageError, match="refuses"):
        bench.command(*words)
    assert bench.stats()["state"] == "running"


def test_bytes_of_a_long_run_all_arrive(start: Starter) -> None:
    bench = start()
    bench.run_s(0.001)
    answer = b""
    for _ in range(3):
        bench.write(b"u")
        answer += bench.run_s(2.5)
    assert answer.count(b".\n") == 3
    assert bench.cycle == pytest.approx(7.501 * client.CLOCK_HZ, abs=100)


def test_the_bench_ends_with_the_program_that_started_it(bench_folder: Path) -> None:
    script = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from knuckle.bench.client import Bench\n"
        f"folder = Path({str(bench_folder)!r})\n"
        "bench = Bench(folder / 'bench', folder / 'conformance.elf')\n"
        "print(bench.process_id, flush=True)\n"
        "os._exit(0)\n"
    )
    host = Path(client.__file__).resolve().parents[2]
    done = subprocess.run(
        [sys.executable, "-c", script],
        env=dict(os.environ, PYTHONPATH=str(host)),
        capture_output=True,
        text=True,
        check=True,
    )
    process = Path("/proc") / done.stdout.strip()
    for _ in range(500):
        if not process.exists() or "\nState:\tZ" in (process / "status").read_text():
            return
        time.sleep(0.01)
    pytest.fail("the bench outlived its parent")


def test_a_serial_program_reads_it_in_real_time_through_a_pseudo_terminal(
    start: Starter, monitor_elf: Path
) -> None:
    import serial

    bench = start(monitor_elf, realtime=True, pty=True)
    with serial.Serial(bench.device, 115200, timeout=10.0, write_timeout=10.0) as port:
        port.write(b"w\x00\x02\x2a")
        assert port.read(1) == b"w"
        port.write(b"r\x00\x02")
        assert port.read(1) == b"\x2a"
    with serial.Serial(bench.device, 115200, timeout=10.0, write_timeout=10.0) as port:
        port.write(b"r\x00\x02")
        assert port.read(1) == b"\x2a"
        bench.close()
        with pytest.raises((serial.SerialException, OSError)):
            for _ in range(10):
                port.write(b"r\x00\x02")
                port.read(1)


def test_time_stands_still_until_it_is_asked_for(monitored: Monitored) -> None:
    bench = monitored.bench
    before = bench.stats()["cycle"]
    assert bench.stats()["cycle"] == before
    bench.run_to(bench.cycle + 16_000)
    assert int(bench.stats()["cycle"]) - int(before) == pytest.approx(16_000, abs=8)
