"""The whole program over Bluetooth: unmodified bleak, a stand-in for bluetoothd, a simulated car.

The pod's time runs faster than the clock on the wall, as fast as its listener takes the bytes.
Bytes and cues cross two sockets and a bus, so no two runs are the same: results are judged by
the truth and their own uncertainty, not by digits.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from ble.radio import ADDRESS, Radio, SerialLine, needs_bus, radio
from knuckle.cli import app as program
from knuckle.cli.app import COMMANDS
from knuckle.cli.pod_choice import only_pod
from knuckle.cli.pods import described
from knuckle.errors import LinkBusy
from knuckle.links.discovery import FoundPort, by_pod, find_ble_pods
from knuckle.links.ports import UsbPort
from knuckle.links.schemes import open_link
from knuckle.model.wheel import Wheel
from knuckle.wire.messages import Cue
from links.devices import ScriptedBytes
from links.scripted_pod import IDENTITY, ScriptedPod

pytestmark = needs_bus
SPEED = 20.0
POD = ["--pod", "ble:knuckle-1"]


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("KNUCKLE_SOUND", "off")
    monkeypatch.setenv("KNUCKLE_PLAIN", "1")
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


@dataclass
class Car:
    """A simulated car with a pod that has a Bluetooth module."""

    room: Radio
    pod: Any
    line: SerialLine

    @property
    def cues(self) -> list[Cue]:
        return [cue for _, cue in self.pod.cues]


@contextmanager
def car(
    folder: Path,
    address: str,
    purpose: str,
    *,
    wheel: Wheel = Wheel.LF,
    speed: float = SPEED,
    **said: Any,
) -> Iterator[Car]:
    pod = open_link(address, wheel=wheel, purpose=purpose).pod  # type: ignore[attr-defined]
    with radio(folder) as room:
        yield Car(room, pod, room.pod(pod, speed=speed, **said))


MODULE = {"service": "module", "mtu": 23}
BOARD = {"service": "uart", "mtu": 247}


@pytest.mark.parametrize("kind", [MODULE, BOARD], ids=["module-23", "board-247"])
def test_a_sweep(kind: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with car(tmp_path, "sim:?seed=5", "sweep", **kind) as made:
        assert program.run(["sweep", "--wheel", "LF", "--json", *POD]) == 0
        truth, swept = made.pod.scenario.truth(Wheel.LF), made.pod.truth()
        state = made.room.do("state")[ADDRESS]
    captured = capsys.readouterr()
    results = json.loads(captured.out)["results"]
    wanted = {
        "camber": truth.camber_deg,
        "caster": swept.caster_as_swept_deg,
        "steering_axis_inclination": truth.sai_deg,
    }
    for name, true_deg in wanted.items():
        found = results[name]
        # Twice the expanded uncertainty: one in 16 000.
        assert abs(found["value"] - true_deg) < 2.0 * found["expanded_uncertainty"], name
    assert Cue.TAKEN in made.cues, "cues reach the driver"
    assert Cue.FINISHED in made.cues
    assert state == {"connected": False, "notifying": 0, "dropped_bytes": 0, "reads": 0}


def test_camber_of_all_wheels(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    address = "sim:?seed=3&script.wheels=LF,RF"
    with car(tmp_path, address, "camber_all", **BOARD) as made:
        assert program.run(["camber", "--order", "LF RF", "--json", *POD]) == 0
        truths = {wheel: made.pod.scenario.truth(wheel) for wheel in (Wheel.LF, Wheel.RF)}
    wheels = json.loads(capsys.readouterr().out)["wheels"]
    assert [each["wheel"] for each in wheels] == ["LF", "RF"]
    for each in wheels:
        found = each["results"]["camber"]
        true_deg = truths[Wheel(each["wheel"])].camber_deg
        assert abs(found["value"] - true_deg) < 2.0 * found["expanded_uncertainty"]


class LostAfterARest:
    """A simulated pod whose connection drops when the first rest has been taken.

    All by the pod's own time, which stands once `gap_s` of it have passed without a listener.
    """

    def __init__(self, pod: Any, gap_s: float) -> None:
        self.pod = pod
        self.room: Radio | None = None
        self.lost = self.back = False
        self._gap_s = gap_s
        self._before_s = self._now_s = 0.0
        self._until_s = 0.0

    def advance(self, to_s: float) -> bytes:
        assert self.room is not None
        if not self.lost and any(cue is Cue.TAKEN for _, cue in self.pod.cues):
            self.room.do("drop", address=ADDRESS)
            self.lost, self._until_s = True, self._now_s + self._gap_s
        elif self.lost and not self.back:
            self.back = self.room.do("state")[ADDRESS]["notifying"] > 0
        self._now_s += to_s - self._before_s
        self._before_s = to_s
        if self.lost and not self.back:
            self._now_s = min(self._now_s, self._until_s)
        return self.pod.advance(self._now_s)

    def receive(self, data: bytes) -> None:
        self.pod.receive(data)


def test_a_sweep_goes_on_across_a_loss(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = open_link("sim:?seed=5&script.repeat=2", wheel=Wheel.LF, purpose="sweep")
    pod = made.pod  # type: ignore[attr-defined]
    with radio(tmp_path) as room:
        losing = LostAfterARest(pod, 5.0)
        losing.room = room
        room.pod(losing, speed=8.0, starts_when_heard=True, **MODULE)
        code = program.run(["sweep", "--wheel", "LF", *POD])
    truth, cues = pod.truth(), [cue for _, cue in pod.cues]
    assert losing.back
    shown = capsys.readouterr().out
    assert code == 0, shown
    assert "The Bluetooth connection to knuckle-1" in shown
    assert "is gone" in shown
    assert "The pod is back after" in shown
    assert "the gap is marked" in shown
    assert Cue.LINK_BACK in cues, "the operator hears that it is back"
    caster = next(line for line in shown.splitlines() if line.startswith("Caster"))
    value, _, u = caster.split()[1:4]
    assert abs(float(value) - truth.caster_as_swept_deg) < 2.0 * float(u)


def test_as_a_user_runs_it(tmp_path: Path) -> None:
    with car(tmp_path, "sim:?seed=7", "sweep", **BOARD):
        done = subprocess.run(
            [sys.executable, "-m", "knuckle", "sweep", "--wheel", "LF", *POD],
            capture_output=True,
            text=True,
            timeout=180,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    assert "Bluetooth LE knuckle-1" in done.stdout
    for word in ("Camber  ", "Caster  ", "Steering-axis inclination", "Run 1 (finished)"):
        assert word in done.stdout
    assert "Traceback" not in done.stderr
    assert "was never retrieved" not in done.stderr


CASES: dict[str, tuple[str, str, list[str], dict[str, Any]]] = {
    "watch": ("sim:?seed=5", "watch", ["--seconds", "6"], {}),
    "selftest": ("sim:?seed=5", "still", ["--seconds", "2"], {"speed": 1.0}),
    "pod": ("sim:?seed=5", "watch", ["--name", "left"], {}),
    "spin": ("sim:spin?seed=5", "spin", ["--wheel", "LF"], {}),
    "reversal": ("sim:bench?seed=2", "reversal", [], {}),
    "toe": ("sim:string?seed=2", "toe", ["--wheel", "LF", "--rim-length", "420mm"], {}),
    "noise": ("sim:?seed=5", "still", ["--seconds", "20"], {}),
    "calibrate": ("sim:?seed=4&posing.face=true", "calibrate", ["--face"], {}),
    "linear": (
        "sim:known_lengths?seed=2&script.lengths_mm=10,30,50,70,90&script.repeat=1",
        "lengths",
        ["calibrate", "10", "30", "50", "70", "90"],
        {},
    ),
}
WITHOUT_A_POD = {"demo", "analyze", "runs", "show", "note", "export", "plot", "config"}
TRIED_ELSEWHERE = {"sweep", "camber", "pods", "validate"}


@pytest.mark.parametrize("command", CASES)
def test_each_command_that_works_over_usb_works_with_the_address_changed(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    address, purpose, words, said = CASES[command]
    with car(tmp_path, address, purpose, **{**BOARD, **said}):
        if command == "toe":
            typed = ["10=12.5", "50=53", "90=93.5", "--identity", "77d3ce6b37253875"]
            assert program.run(["linear", "calibrate", *typed]) == 0
        code = program.run([command, *words, *POD])
    captured = capsys.readouterr()
    assert code == 0, captured.out + captured.err
    assert captured.out
    assert "fault of its own" not in captured.err


def test_a_validation_with_readings_typed_in(tmp_path: Path) -> None:
    angles = ",".join(f"{angle:g}" for angle in (-6, -3, 0, 3, 6))
    actions = ",".join(["0", *["1"] * 4])
    address = f"sim:protractor?seed=7&tilting.angles_deg={angles}&tilting.actions={actions}"
    words = ["--reference", "gauge", "--resolution", "0.05", "--accuracy", "0.1", "--keep-seated"]
    design = ["--design", "linear", "--angles", "5", "--from=-6", "--to=6", "--tolerance", "0.5"]
    told = tmp_path / "told.txt"
    with car(tmp_path, address, "validate", speed=6.0, **BOARD) as made, told.open("w") as out:
        child = subprocess.Popen(
            [sys.executable, "-m", "knuckle", "validate", *words, *design, *POD],
            stdin=subprocess.PIPE,
            stdout=out,
            stderr=subprocess.PIPE,
        )
        assert child.stdin is not None and child.stderr is not None
        asked = b""
        while piece := os.read(child.stderr.fileno(), 4096):
            asked += piece
            if asked.endswith(b"? "):
                child.stdin.write(made.pod.typed()[-1].encode() + b"\n")
                child.stdin.flush()
                asked = b""
        code = child.wait(120)
        child.stdin.close()
        child.stderr.close()
    shown = told.read_text(encoding="utf-8")
    assert code in (0, 1, 3), shown + asked.decode()
    assert "5 pod readings at 5 settings" in shown
    assert "Run 1 (finished)" in shown


def test_every_command_is_tried_or_needs_no_pod() -> None:
    tried = set(CASES) | TRIED_ELSEWHERE
    for name in COMMANDS:
        source = Path(program.__file__).with_name(f"{name}.py").read_text(encoding="utf-8")
        if "choose_pod(" in source:
            assert name in tried, f"{name} talks to a pod; does it over Bluetooth?"


def test_without_pod_named_it_is_found_and_all_runs_in_one_loop(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made_loops = []
    make = asyncio.new_event_loop

    def counted() -> asyncio.AbstractEventLoop:
        made_loops.append(make())
        return made_loops[-1]

    monkeypatch.setattr(asyncio.events, "new_event_loop", counted)
    with car(tmp_path, "sim:?seed=5", "watch", **MODULE):
        assert program.run(["watch", "--seconds", "5"]) == 0
    shown = capsys.readouterr().out
    assert "over Bluetooth" in shown
    assert "ble" not in shown.splitlines()[1].lower() or "knuckle-1" in shown
    assert "Still" in shown
    assert len(made_loops) == 1


def test_a_killed_program_leaves_a_pod_that_can_be_used_at_once(tmp_path: Path) -> None:
    """The service keeps the connection of a program that died; the pod does not advertise then."""
    words = [sys.executable, "-m", "knuckle", "watch", *POD]
    with car(tmp_path, "sim:?seed=5", "watch", speed=1.0, **BOARD) as made:
        child = subprocess.Popen(
            words, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"}
        )
        assert child.stdout is not None
        for line in child.stdout:
            if "Still" in line or "Moving" in line:
                break
        child.send_signal(signal.SIGKILL)
        child.wait(30)
        child.stdout.close()
        assert made.room.do("state")[ADDRESS]["connected"]
        assert program.run(["watch", "--seconds", "2", *POD]) == 0


def test_pods_lists_what_is_in_reach(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        pod = ScriptedPod(identity=b"abcdefgh")
        room.pod(pod, address="5C:F3:70:8A:00:02", name="front", **BOARD, rssi=-81)
        text = ScriptedBytes([b"# id=mine\nt_s,ax_g,ay_g,az_g\n0.0,0,0,1\n"] * 400)
        room.pod(text, address="5C:F3:70:8A:00:03", name="knuckle diy", advertises_uuid=False)
        room.do("device", address="5C:F3:70:8A:00:04", name="heart rate", service="other")
        assert program.run(["pods"]) == 0
    shown = capsys.readouterr().out
    assert "ble:knuckle-1  (Bluetooth LE, -60 dBm)" in shown
    assert "ble:front  (Bluetooth LE, -81 dBm)" in shown
    assert "6162636465666768" in shown
    assert "pod of the text format: t_s, ax_g, ay_g, az_g" in shown
    assert "heart rate" not in shown
    assert not pod.received, "nothing is written"


def test_the_same_pod_over_cable_and_bluetooth_is_one_row_and_the_cable_is_taken(
    tmp_path: Path,
) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        room.pod(ScriptedPod(identity=b"abcdefgh"), address="5C:F3:70:8A:00:02", name="knuckle-1")
        devices = asyncio.run(find_ble_pods(scan_s=0.5))
    mine = next(one for one in devices if one.pod_identity == IDENTITY)
    other = next(one for one in devices if one is not mine)
    assert mine.address == f"ble:{ADDRESS}", "two of one name are known by their addresses"
    port = FoundPort(UsbPort("/dev/ttyUSB0", 1, 2, name="USB serial"), hello=mine.hello)
    busy = FoundPort(UsbPort("/dev/ttyUSB1", 1, 2), problem=LinkBusy("Busy."))
    rows = by_pod([port, busy, *devices])
    assert rows == [[port, mine], [busy], [other]]
    shown = described(*rows[0]).splitlines()
    assert shown[0] == "serial:/dev/ttyUSB0  (USB serial)"
    assert shown[1] == f"ble:{ADDRESS}  (knuckle-1, Bluetooth LE, -60 dBm)"
    assert only_pod([mine, busy, port]) == "serial:/dev/ttyUSB0"
    assert only_pod([busy, mine]) == mine.address


def test_a_radio_that_is_too_slow_gets_a_rate_that_it_carries(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with car(
        tmp_path, "sim:?seed=5", "still", speed=1.0, radio_bytes_per_s=1000.0, **MODULE
    ) as made:
        assert program.run(["watch", "--seconds", "5", *POD]) == 0
        averaging = made.pod.averaging if hasattr(made.pod, "averaging") else None
    shown = capsys.readouterr().out
    assert "The link carries" in shown
    assert "samples/s; what came before" in shown
    assert averaging is None or averaging > 1
