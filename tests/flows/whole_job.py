"""A person who carries a whole job through on a simulated car: types, turns what is advised."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from knuckle.cli.app import run
from knuckle.model.wheel import Wheel
from knuckle.sim.adjusting import AdjustableCar, TrueAdjusters
from knuckle.sim.car import WheelTruth

CAR = """name = "Dunlin"
wheelbase_mm = 2400
track_front_mm = 1520
track_rear_mm = 1520
rim_mm = 420

[front]
toe_link = { pitch_mm = 1.5, thread = "single", arm_mm = 120, side = "behind" }
camber_shim = { lever_mm = 250, place = "upper" }
caster = { pitch_mm = 1.5, lever_mm = 250, joint = "upper" }

[front.targets]
camber_deg = { aim = -1.5, within = 0.75 }
caster_deg = { aim = 6, within = 0.75 }
toe_deg = { aim = 0.1, within = 0.2 }

[rear]
toe_link = { pitch_mm = 1.5, thread = "single", arm_mm = 120, side = "ahead" }

[rear.targets]
toe_deg = { aim = 0.15, within = 0.2 }
"""
BANDS = {
    **{
        (wheel, name): band
        for wheel in (Wheel.LF, Wheel.RF)
        for name, band in (
            ("camber_deg", (-2.25, -0.75)),
            ("caster_deg", (5.25, 6.75)),
            ("toe_deg", (-0.1, 0.3)),
        )
    },
    **{(wheel, "toe_deg"): (-0.05, 0.35) for wheel in (Wheel.LR, Wheel.RR)},
}
OFF_TOE_DEG = 0.5457
"""asin(4 mm / 420 mm)."""
PREPARED = "\n" * 7
PADS = "0 0 0 0\n\nn\n"
STRINGS = "100 100 100 100\n\n1520/0.3 1520/0.3\nn\n"


def car_that_is_off() -> AdjustableCar:
    """Return a car 1.5 deg of camber and 4 mm of toe off; its levers are not as the file says.

    They are 12 to 14 % shorter or longer, and shims and caster move toe by what the file cannot
    tell.
    """
    front = TrueAdjusters(
        link_arm_mm=106.0, shim_lever_mm=285.0, link_above_mm=45.0, caster_lever_mm=223.0
    )
    other = TrueAdjusters(
        link_arm_mm=138.0, shim_lever_mm=218.0, link_above_mm=45.0, caster_lever_mm=285.0
    )
    return AdjustableCar(
        {
            Wheel.LF: WheelTruth(5.0, 12.5, 0.0, 0.1 - OFF_TOE_DEG),
            Wheel.RF: WheelTruth(6.2, 12.2, -3.0, 0.1 + OFF_TOE_DEG),
            Wheel.LR: WheelTruth(0.0, 8.0, -1.6, 0.15 + OFF_TOE_DEG),
            Wheel.RR: WheelTruth(0.0, 8.0, -1.6, 0.15),
        },
        {
            Wheel.LF: front,
            Wheel.RF: other,
            Wheel.LR: TrueAdjusters(link_arm_mm=-105.0),
            Wheel.RR: TrueAdjusters(link_arm_mm=-138.0),
        },
    )


@dataclass
class Person:
    """Drives `knuckle align` through its piped answers.

    Attributes
    ----------
    address : str
        Of the pod, without the car.
    options : sequence of str
        Of the command line.
    """

    car: AdjustableCar
    address: str
    monkeypatch: pytest.MonkeyPatch
    capsys: pytest.CaptureFixture[str]
    options: Sequence[str] = ()
    output: list[str] = field(default_factory=list)

    def types(self, lines: str, *options: str) -> str:
        """Run the command with these lines to read; return what it said."""
        said = "".join(f"&{name}={value}" for name, value in self.car.options().items())
        self.monkeypatch.setattr("sys.stdin", io.StringIO(lines))
        self.capsys.readouterr()
        words = ["align", "dunlin", "--pod", f"{self.address}{said}", *self.options, *options]
        code = run(["--no-sound", "--plain", *words])
        out, err = self.capsys.readouterr()
        assert code == 0, (out[-3000:], err)
        self.output.append(out)
        return out

    def status(self) -> dict[str, Any]:
        """Return how the job stands."""
        self.capsys.readouterr()
        assert run(["align", "dunlin", "--status", "--json"]) == 0
        content: dict[str, Any] = json.loads(self.capsys.readouterr().out)
        return content

    def adjusts(self) -> list[str]:
        """Do everything that is advised, on the car too; return what that was."""
        before = len(self.status()["adjustments"])
        advised = self.types("q\n", "--phase", "adjust").count(" Then ")
        self.types("y\n" * advised + "\n", "--phase", "adjust")
        made = self.status()["adjustments"][before:]
        assert len(made) == advised
        for each in made:
            self.car.turn(Wheel(each["wheel"]), each["adjuster"], each["amount"])
        return [f"{each['wheel']} {each['adjuster']} {each['amount']:+.2f}" for each in made]


Prepared = Callable[[str, Sequence[str]], Person]


@pytest.fixture
def person(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Prepared:
    """Return a person with a car file, a store and a pod."""
    (tmp_path / "dunlin.toml").write_text(CAR, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.delenv("KNUCKLE_POD", raising=False)
    return lambda address, options: Person(car_that_is_off(), address, monkeypatch, capsys, options)


def outside(car: AdjustableCar) -> list[str]:
    """Return the true angles that lie outside their targets' bands, front toe about the thrust."""
    thrust_deg = (car.wheels[Wheel.RR].toe_deg - car.wheels[Wheel.LR].toe_deg) / 2.0
    found = []
    for (wheel, name), (low, high) in BANDS.items():
        value = float(getattr(car.wheels[wheel], name))
        if name == "toe_deg" and wheel.is_front:
            value += thrust_deg if wheel is Wheel.LF else -thrust_deg
        if not low <= value <= high:
            found.append(f"{wheel} {name} {value:+.3f}")
    return found
