"""Scenario files: every key checked, errors that say file, key and what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel
from knuckle.sim.recording import simulate_block
from knuckle.sim.scenario import load, names
from knuckle.sim.spec import Purpose


def test_all_built_in_scenarios_load_and_say_what_they_are() -> None:
    assert {"garage", "no_gyro", "knocks", "drifting", "brake_free", "slip"} <= set(names())
    assert {"noisy_link", "restart", "continuous", "uncalibrated"} <= set(names())
    for name in names():
        scenario = load(name)
        assert scenario.name == name
        assert scenario.about.endswith(".")


def test_overrides_typed_and_as_text() -> None:
    scenario = load(
        "garage",
        wheel="RF",
        purpose="camber_all",
        seed="7",
        faults="knocks, drifting",
        **{"car.LF.caster_deg": "4.5", "script.wheels": "RF,LF", "pod.gyro": "no"},
    )
    assert scenario.wheel is Wheel.RF
    assert scenario.purpose is Purpose.CAMBER_ALL
    assert scenario.seed == 7
    assert scenario.faults.knocks.on
    assert scenario.faults.drifting.on
    assert not scenario.faults.slip.on
    assert scenario.script.wheels == (Wheel.RF, Wheel.LF)
    assert not scenario.pod.gyro
    # A right wheel that is not given mirrors the left one: same angles.
    assert scenario.truth(Wheel.RF).caster_deg == 4.5
    assert scenario.truth().caster_deg == 4.5
    assert load("garage", wheel=None).wheel is Wheel.LF


def test_overrides_keep_the_rest_of_a_table() -> None:
    scenario = load("drifting", **{"faults.drifting.rate_dps": 0.1})
    assert scenario.faults.drifting.on
    assert scenario.faults.drifting.stops == (2,)
    merged = load("drifting", faults={"drifting": {"rate_dps": 0.2}})
    assert merged.faults.drifting.on
    assert merged.faults.drifting.rate_dps == 0.2


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        ({"car.LF.castor_deg": 3}, ["car.LF.castor_deg", "caster_deg"]),
        ({"whel": "LF"}, ["whel", "wheel"]),
        ({"wheel": "XX"}, ["wheel", "XX", "LF, RF, LR, RR"]),
        ({"purpose": "dance"}, ["purpose", "camber", "sweep"]),
        ({"seed": "x"}, ["seed", "whole number"]),
        ({"seed": 1.5}, ["seed", "whole number"]),
        ({"seed": -1}, ["seed"]),
        ({"car.LF.caster_deg": 91}, ["car.LF.caster_deg", "-20 to 20"]),
        ({"car.LF.caster_deg": True}, ["car.LF.caster_deg"]),
        ({"car.LF.caster_deg": "nan"}, ["car.LF.caster_deg"]),
        ({"pod.gyro": "perhaps"}, ["pod.gyro", "true, false"]),
        ({"sensor.accel_bias_g": [0.1, 0.2]}, ["sensor.accel_bias_g", "list of 3"]),
        ({"sensor.accel_bias_g": 3}, ["sensor.accel_bias_g", "a list"]),
        ({"script.positions_deg": []}, ["script.positions_deg", "at least one"]),
        ({"script.hold_s": [5, 4]}, ["script.hold_s", "shortest"]),
        ({"faults": 3}, ["faults", "names"]),
        ({"faults": "gremlins"}, ["faults.gremlins", "knocks"]),
        ({"car": 3}, ["car", "a table"]),
        ({"seed.x": 3}, ["seed", "whole number"]),
        ({"about.x": 3}, ["about.x", "no table"]),
        ({"name": 3}, ["name", "text"]),
    ],
)
def test_wrong_keys_and_values_are_named(overrides: dict[str, object], words: list[str]) -> None:
    with pytest.raises(UsageError) as caught:
        load("garage", **overrides)
    for word in ["garage", *words]:
        assert word in str(caught.value)


def test_files_of_ones_own(tmp_path: Path) -> None:
    file = tmp_path / "shed.toml"
    file.write_text('about = "Mine."\n[car.LF]\ncaster_deg = 3.0\n', encoding="utf-8")
    assert load(file).name == "shed"
    assert load(str(file)).truth(Wheel.RF).caster_deg == 3.0
    file.write_text("about = \n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"shed\.toml is not valid TOML"):
        load(file)
    file.write_text("[car.LF]\ncolour = 1\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"shed\.toml.*car\.LF\.colour"):
        load(file)
    with pytest.raises(UsageError, match="cannot be read"):
        load(tmp_path / "none.toml")
    with pytest.raises(UsageError, match="garage"):
        load("gargae")


def test_line_names_what_is_needed_to_run_it_again() -> None:
    line = load("garage", wheel="RF", seed=9).line()
    for part in ("garage", "RF", "sweep", "9"):
        assert part in line


def test_a_line_that_carries_nothing_and_a_name_that_does_not_fit() -> None:
    with pytest.raises(UsageError, match=r"pod\.baud"):
        simulate_block(load("garage", **{"pod.baud": 1200, "pod.raw_rate_hz": 1000}))
    with pytest.raises(UsageError, match=r"pod\.name"):
        load("garage", **{"pod.name": "x" * 25})
