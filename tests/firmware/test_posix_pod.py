"""The core as a process on a pseudo terminal or a socket, read by the unmodified host.

In real time, so short; nothing here is judged by how long it takes, deadlines only end a hang.
"""

from __future__ import annotations

import contextlib
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from firmware.board_program import FIRMWARE, make, need
from firmware.core_library import of_type
from knuckle.cli import app as program
from knuckle.wire.commands import encode_command
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import Ack, Command, Hello, Message, SampleBatch, Sensor

if sys.platform == "win32":
    pytest.skip("a process on a pseudo terminal needs a Unix", allow_module_level=True)

POD = FIRMWARE / "build" / "knuckle-pod"
DEADLINE_S = 30.0


@pytest.fixture(scope="module", autouse=True)
def built() -> None:
    need("make", "cc")
    done = make("posix")
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


@contextlib.contextmanager
def pod(*words: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run a pod; give the process and the address it prints. It ends with its standard input."""
    with subprocess.Popen(
        [str(POD), "--until-eof", *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            yield process, process.stdout.readline().strip()
        finally:
            assert process.stdin is not None
            process.stdin.close()
            process.wait(DEADLINE_S)


class Host:
    """The bare other end of a socket."""

    def __init__(self, family: socket.AddressFamily, address: str | tuple[str, int]) -> None:
        self.socket = socket.socket(family, socket.SOCK_STREAM)
        self.socket.settimeout(DEADLINE_S)
        self.socket.connect(address)
        self.decoder = PodDecoder()
        self.seen: list[Message] = []

    def __enter__(self) -> Host:
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    def send(self, command: Command) -> None:
        self.socket.sendall(encode_command(command, 7))

    def until(self, kind: type, count: int = 1) -> list[Message]:
        """Read until so many messages of that type have come; return them."""
        end = time.monotonic() + DEADLINE_S
        while len(of_type(self.seen, kind)) < count:
            assert time.monotonic() < end, f"no {kind.__name__}"
            self.decoder.receive_data(self.socket.recv(4096))
            self.seen += iter(self.decoder.next_event, None)
        return of_type(self.seen, kind)


def test_the_host_watches_it_on_a_pseudo_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """`knuckle watch` as it is: it finds the pod, gives it an identity, shows its camber."""
    with pod("--pty", "--camber", "-1.5") as (process, path):
        assert re.fullmatch(r"/dev/(pts/|tty)\S+", path)
        for _ in range(2):  # the host may come again
            assert program.run(["watch", "--pod", f"serial:{path}", "--seconds", "2"]) == 0
            shown = capsys.readouterr().out
            angles = [float(angle) for angle in re.findall(r"camber, live (\S+) deg", shown)]
            # Noise of a live reading is 0.2 deg at most; the figure is a mean over a moment.
            assert angles and angles[-1] == pytest.approx(-1.5, abs=0.3)
            assert "nothing lost" in shown
        assert process.poll() is None


@pytest.mark.parametrize("family", ["unix", "tcp"])
def test_a_socket(family: str, tmp_path: Path) -> None:
    path = str(tmp_path / "pod")
    words = ["--unix", path] if family == "unix" else ["--tcp", "0"]
    with pod(*words, "--sensors", "adxl355,potentiometer") as (process, place):
        for _ in range(2):  # one host after the other
            if family == "unix":
                host = Host(socket.AF_UNIX, place)
            else:
                name, port = place.split(":")
                host = Host(socket.AF_INET, (name, int(port)))
            with host:
                hello = host.until(Hello)[-1]
                assert isinstance(hello, Hello)
                assert hello.hardware.startswith("simulated")
                host.send(Command.START)
                host.until(SampleBatch, 5)
                host.send(Command.STOP)
                host.until(Ack, 2)
        assert process.poll() is None
        sensors = {row.sensor for row in hello.channels}
        assert sensors == {Sensor.ADXL355, Sensor.POTENTIOMETER}
    assert not Path(path).exists(), "the socket's file is taken away"


def test_settings_are_kept_in_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The host gives the pod its identity once; the next process has it still."""
    kept = tmp_path / "pod.settings"
    with pod("--pty", "--settings", str(kept)) as (_, path):
        assert program.run(["watch", "--pod", f"serial:{path}", "--seconds", "1"]) == 0
        capsys.readouterr()
    assert kept.stat().st_size == 1024
    identities = []
    for _ in range(2):
        socket_path = str(tmp_path / "pod")
        with (
            pod("--unix", socket_path, "--settings", str(kept)) as (_, place),
            Host(socket.AF_UNIX, place) as host,
        ):
            hello = host.until(Hello)[-1]
            assert isinstance(hello, Hello)
            identities.append(hello.identity)
    assert identities[0] == identities[1] != bytes(8)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_it(number: signal.Signals, tmp_path: Path) -> None:
    path = tmp_path / "pod"
    with pod("--unix", str(path)) as (process, _), Host(socket.AF_UNIX, str(path)) as host:
        host.until(Hello)
        process.send_signal(number)
        assert process.wait(DEADLINE_S) == 0
        assert not path.exists()
        assert process.stderr is not None
        assert process.stderr.read() == ""


def test_it_ends_with_the_program_that_started_it() -> None:
    """No orphan: its standard input closes when that program ends, however it ends."""
    starter = (
        "import os, subprocess, sys\n"
        f"pod = subprocess.Popen([{str(POD)!r}, '--until-eof'], stdin=subprocess.PIPE,"
        " stdout=subprocess.PIPE, text=True)\n"
        "print(pod.pid, pod.stdout.readline(), flush=True)\n"
        "os.kill(os.getpid(), 9)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", starter], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == -signal.SIGKILL
    number = int(done.stdout.split()[0])
    end = time.monotonic() + DEADLINE_S
    while _runs(number):
        assert time.monotonic() < end, "an orphan"
        time.sleep(0.02)


def _runs(number: int) -> bool:
    """Return whether a process of that number is our pod and no zombie."""
    try:
        shown = subprocess.run(
            ["ps", "-o", "stat=,comm=", "-p", str(number)],
            capture_output=True,
            text=True,
            check=False,
        ).stdout
    except FileNotFoundError:
        stat = Path(f"/proc/{number}/stat")
        if not stat.exists():
            return False
        comm, state = stat.read_text(encoding="utf-8").split(")")
        shown = f"{state.split()[0]} {comm}"
    return "knuckle-pod" in shown and not shown.startswith("Z")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--nonsense", "1"], "no option '--nonsense'"),
        (["--tcp"], "'--tcp'"),
        (["--tcp", "70000"], "no port '70000'"),
        (["--sensors", "mpu6050,radar"], "no such sensor in 'radar'"),
        (["--camber", "much"], "no angle 'much'"),
        (["--seed", ""], "no whole number ''"),
    ],
)
def test_words_that_make_no_sense(words: list[str], told: str) -> None:
    done = subprocess.run([POD, *words], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert told in done.stderr and "--help" in done.stderr


def test_help_names_every_option() -> None:
    done = subprocess.run([POD, "--help"], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0
    source = (FIRMWARE / "ports" / "posix" / "options.c").read_text(encoding="utf-8")
    options = set(re.findall(r'strcmp\(\S+, "(--[a-z-]+)"\)', source))
    assert len(options) >= 8
    for option in options - {"--help"}:
        assert option in done.stdout


def test_somebody_elses_file_is_not_written_over(tmp_path: Path) -> None:
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear all", encoding="utf-8")
    done = subprocess.run(
        [POD, "--settings", letter], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 1 and "not one that this program wrote" in done.stderr
    assert letter.read_text(encoding="utf-8") == "Dear all"


def test_a_place_that_cannot_be_served(tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    taken.write_text("", encoding="utf-8")
    for path in (taken, tmp_path / "no" / "folder", tmp_path / ("long" * 60)):
        done = subprocess.run(
            [POD, "--unix", path], capture_output=True, text=True, timeout=60, check=False
        )
        assert done.returncode == 1 and str(path) in done.stderr
    assert taken.exists()
