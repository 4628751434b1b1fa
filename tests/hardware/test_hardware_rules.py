"""The wiring keeps its rules, and each rule finds what it is for."""

from __future__ import annotations

import dataclasses
import re

import pytest

from hardware.plans import rewired, with_terminal, with_value, with_wire
from podplan.currents import BUS_FARAD
from podplan.levels import highest
from podplan.plan import HARDWARE, Plan, read_plan
from podplan.rules import RULES, check
from podplan.variants import FULL, VARIANTS

FIRMWARE = HARDWARE.parent / "firmware"


def test_the_wiring_keeps_every_rule() -> None:
    assert check(read_plan()) == []


def found(plan: Plan) -> str:
    return "\n".join(check(plan))


@pytest.mark.parametrize(
    ("plan", "says"),
    [
        # exists
        (with_wire("U1.D4", "X1.a", "BUTTON"), "there is no X1.a"),
        (with_wire("U1.D4", "U2.Z", "BUTTON"), "there is no U2.Z"),
        (with_wire("U1.GND", "U2.INT", "GND"), "U2.INT must stay open"),
        # twice
        (with_wire("U1.D6", "U1.D4", "BUZZER"), "U1.D4 is on the nets BUTTON and BUZZER"),
        (with_wire("U1.D6", "R3.a", "BUZZER"), "joined 2 times over"),
        (with_wire("U1.D6", "U1.D6", "BUZZER"), "joined 1 times over"),
        (with_wire("U2.GND", "U3.GND", "GND"), "joined already"),
        (rewired({("U1.GND", "U2.GND"): None}), "the net GND is in pieces"),
        (with_wire("R1.a", "R2.b", "SDA_5V"), "R2.b is on the nets 5V and SDA_5V"),
        # loose
        (rewired({("U1.GND", "S1.b"): None}), "S1.b is not wired"),
        (rewired({("U1.GND", "U2.AD0"): None}), "U2.AD0 is not wired"),
        (rewired({("U7.TXD", "U3.LV3"): None}), "U3.LV3 is not wired"),
        # pins of the firmware
        (rewired({("U1.D6", "R3.a"): ("U1.D4", "R3.a", "BUTTON")}), "D6 is in pins.h, but not"),
        (rewired({("U1.D2", "Q1.C"): ("U1.D3", "Q1.C", "DATA_5V")}), "nothing drives U1.D2"),
        # supplies
        (rewired({("U4.OUT", "U2.VCC"): ("U1.5V", "U2.VCC", "5V")}), "U2.VCC is made for 2.4 to"),
        (rewired({("U4.OUT", "U5.VDD"): ("U1.5V", "U5.VDD", "5V")}), "U5.VDD is made for 2.25 to"),
        (rewired({("U4.OUT", "U3.LV"): ("U1.5V", "U3.LV", "5V")}), "U3.LV is made for 2.5 to 3.6"),
        (rewired({("U1.5V", "U4.IN"): ("U4.OUT", "U4.IN", "3V3")}), "U4.IN is made for 3.6"),
        (with_wire("U1.5V", "U4.OUT", "5V"), "drive the net 5V against each other"),
        (rewired({("U1.GND", "U2.GND"): ("U2.SDA", "U2.GND", "SDA_3V3")}), "U2.GND is on the net"),
        # levels: a 5 V line straight into what stands 3.6 V
        (rewired({("U3.LV1", "U2.SDA"): ("U1.A4", "U2.SDA", "SDA_5V")}), "U2.SDA stands 3.6 V"),
        (rewired({("R11.b", "U7.RXD"): ("U1.D1", "U7.RXD", "TXD")}), "U7.RXD stands 3.6 V"),
        # a divider without its lower half, or with halves that do not fit
        (rewired({("U1.GND", "R12.b"): ("U1.5V", "R12.b", "5V")}), "U7.RXD .* may get 5 V"),
        (with_value("resistor-6k8", 12_000.0), "U7.RXD stands 3.6 V and may get 3.88 V"),
        (with_value("resistor-6k8", 3_300.0), "U7.RXD reads high from 2.31 V on and may get 1.85"),
        (
            rewired({("U3.LV1", "U5.MOSI_SDA"): ("U1.A4", "U5.MOSI_SDA", "SDA_5V")}),
            "U5.MOSI_SDA stands 3.6 V and may get 5 V",
        ),
        # levels: 3.3 V into the bus input that wants 3.5 V; 1.5 V into one that wants 3 V
        (
            rewired(
                {
                    ("U1.A4", "U3.HV1"): ("U1.A4", "U3.LV1", "SDA_5V"),
                    ("U1.A4", "R1.a"): None,
                    ("U3.LV1", "U2.SDA"): ("U1.A4", "U2.SDA", "SDA_5V"),
                    ("U3.LV1", "U5.MOSI_SDA"): ("U1.A4", "U5.MOSI_SDA", "SDA_5V"),
                }
            ),
            "U1.A4 reads high from 3.5 V on and gets 3.3 V",
        ),
        (with_terminal("bluetooth", "TXD", kind="out", volts_out=5.0), "U3.LV3 stands 3.6 V"),
        (
            rewired({("U1.GND", "U2.AD0"): ("U2.VCC", "U2.AD0", "3V3")}),
            "U2.AD0 must be tied to ground",
        ),
        (with_terminal("board-usb", "A0", volts_max=3.3), "U1.A0 stands 3.3 V and may get 5 V"),
        # directions
        (with_terminal("board-usb", "D6", kind="in", high_from=3.0), "D6 is in, but out in pins.h"),
        (with_wire("U1.D1", "U1.D6", "TXD"), "drive the net TXD"),
        (rewired({("U1.D0", "U1.USB_OUT"): ("U1.D0", "U1.USB_IN", "RXD")}), "nothing drives U1"),
        # currents and times
        (with_value("resistor-4k7", 2200.0), "mA must be sunk to pull SDA low"),
        (with_value("resistor-4k7", 47000.0), "the net SCL_5V rises in"),
        (with_terminal("mpu6050", "SDA", pull_up_ohm=1500.0), "must be sunk to pull SDA"),
        (with_value("resistor-330", 100.0), "BZ1 takes 50 mA"),
        (with_value("resistor-1k", 9000.0), "U1.A0 sees a source of 11500 Ohm"),
        (with_value("potentiometer", 100_000.0), "U1.A0 sees a source of 26000 Ohm"),
        (with_value("capacitor-10n", 1e-7), "U1.A0: open, it is half-way up only after 3.5 ms"),
        (with_value("resistor-47k", 100_000.0), "Q1 gets 4 uA at its base"),
        (with_value("transistor-npn", 40.0), "Q2 gets 12 uA at its base and needs 19"),
    ],
)
def test_a_rule_finds_what_it_is_for(plan: Plan, says: str) -> None:
    assert re.search(says, found(plan)), found(plan)


def test_a_wire_of_another_colour_is_found() -> None:
    plan = read_plan()
    wires = [
        dataclasses.replace(wire, colour="grey") if wire.end == "U2.GND" else wire
        for wire in plan.wires
    ]
    assert "has wires in black and grey" in found(dataclasses.replace(plan, wires=tuple(wires)))


def test_a_part_without_terminals_is_found() -> None:
    plan = read_plan()
    terminals = {key: value for key, value in plan.terminals.items() if key != "buzzer"}
    broken = dataclasses.replace(plan, terminals=terminals)
    assert "there is no BZ1.a" in found(broken)


def test_every_wired_part_appears_in_the_wiring() -> None:
    plan = read_plan()
    for variant in VARIANTS:
        pod = plan.pod(variant)
        assert set(pod.by_label) == {end.split(".")[0] for end in pod.net_of()}


def test_voltages_are_those_of_paper() -> None:
    """Worked by hand from the diagram of the pod with everything."""
    volts = highest(read_plan().pod(*FULL))
    for net, volt in {
        "GND": 0.0,
        "5V": 5.0,
        "3V3": 3.3,
        "SDA_5V": 5.0,
        "SDA_3V3": 3.3,
        "ANALOG": 5.0,
        "CLOCK_5V": 5.0,
        "CAL_CLOCK": 1.5,
        "BASE_DATA": 1.5,
    }.items():
        assert volts[net] == volt, net


def test_a_divider_leaves_the_share_of_paper() -> None:
    """5 V behind 4.7 kOhm over 6.8 kOhm: 5 x 6.8 / 11.5."""
    volts = highest(read_plan().pod("battery"))
    assert volts["TXD_3V0"] == pytest.approx(2.957, abs=0.001)
    assert (volts["TXD"], volts["RXD"], volts["RXD_3V3"]) == (5.0, 5.0, 3.3)


def test_a_divider_too_large_for_the_line_is_found() -> None:
    """47 over 68 kOhm are 27.8 kOhm: 2.2 x 27.8 kOhm x 60 pF = 3.7 us, of bits of 8.7 us."""
    plan = read_plan()
    of = {"R11": 47_000.0, "R12": 68_000.0}
    parts = [dataclasses.replace(p, value=of.get("".join(p.labels), p.value)) for p in plan.parts]
    assert "TXD_3V0 takes 3.7 us" in found(dataclasses.replace(plan, parts=tuple(parts)))


def test_addresses_are_those_of_the_drivers() -> None:
    # MPU-6050 data sheet: AD0 low is 0x68. ADXL355 data sheet: ASEL low is 0x1D. From memory.
    terminals = read_plan().terminals
    for header, key, name, address in (
        ("mpu6050.h", "mpu6050", "AD0", 0x68),
        ("adxl355.h", "adxl355", "MISO_ASEL", 0x1D),
    ):
        text = (FIRMWARE / "core" / header).read_text(encoding="utf-8")
        stated = re.search(r"_ADDRESS = (0x[0-9A-Fa-f]+)", text)
        assert stated is not None
        assert int(stated[1], 16) == address
        assert f"0x{address:X}".lower() in terminals[key][name].note.lower()


def test_the_port_turns_the_calipers_signals_round() -> None:
    """One transistor a line inverts; the port must know it, and listen to no other input."""
    text = "".join(
        path.read_text(encoding="utf-8")
        for path in (FIRMWARE / "ports" / "atmega328p").glob("*.[ch]")
    )
    assert re.search(r"KN_CALIPER_INVERTED\s*(=\s*)?1\b", text)
    plan = read_plan().pod("caliper")
    for transistor, pin in (("Q1", "D2"), ("Q2", "D3")):
        assert plan.net_of()[f"{transistor}.C"] == plan.net_of()[f"U1.{pin}"]


def test_the_bus_rate_of_the_rules_is_the_firmwares() -> None:
    bus = (FIRMWARE / "ports" / "atmega328p" / "bus.c").read_text(encoding="utf-8")
    assert re.search(r"BUS_KHZ = 400\b", bus), "300 ns of rise time is the limit at 400 kHz"
    assert BUS_FARAD > 3 * 10e-12, "three inputs of 10 pF each (UM10204), and wire"


FACTORS = {"": 1.0, "k": 1e3, "n": 1e-9, "u": 1e-6}


def test_what_may_take_a_parts_place_keeps_the_rules_as_well() -> None:
    plan = read_plan()
    tried = 0
    for key, part in {part.key: part for part in plan.parts}.items():
        pattern = r"([\d.]+)(?: (k?)Ohm)? to ([\d.]+) ([kun]?)(?:Ohm|F)"
        span = re.match(pattern, part.substitutes)
        if span is None or part.unit not in ("ohm", "farad"):
            continue
        low_factor = span[2] if span[2] is not None else span[4]
        for number, prefix in ((span[1], low_factor), (span[3], span[4])):
            value = float(number) * FACTORS[prefix]
            if "nF to 1 uF" in part.substitutes or value == part.value:
                continue
            tried += 1
            assert check(with_value(key, value)) == [], f"{key} of {value:g}"
    assert tried >= 10


def test_every_rule_says_what_it_is() -> None:
    assert all(rule.__doc__ for rule in RULES)
    assert len({rule.__name__ for rule in RULES}) == len(RULES)
