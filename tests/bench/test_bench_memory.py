"""Power lost while settings are written, at every byte: the last good record is never lost."""

from __future__ import annotations

import pytest

from bench.conftest import Wires
from bench.wired import PowerLostError, Wired
from knuckle.bench.client import CLOCK_HZ
from knuckle.wire.commands import LONGEST_SETTINGS_PIECE, settings_read, settings_write
from knuckle.wire.messages import Ack, Command, FaultCode, SettingsData
from knuckle.wire.settings import SettingsRecord

BOOT_S = 0.5
"""Until the first hello: the program lets the sensors start first."""
OLD = SettingsRecord(b"\x01" * 8, "old name", 115200, None).to_bytes()
NEW = SettingsRecord(b"\x02" * 8, "a new and longer name", 115200, None).to_bytes()
WRITE_CYCLES = round(3.4e-3 * CLOCK_HZ)


def write_record(wired: Wired, record: bytes) -> None:
    for offset in range(0, len(record), LONGEST_SETTINGS_PIECE):
        piece = settings_write(offset, record[offset : offset + LONGEST_SETTINGS_PIECE])
        reply = wired.ask(Command.SETTINGS_WRITE, piece, within_s=2.0)
        assert isinstance(reply, Ack)
        assert reply.code == 0


def read_record(wired: Wired) -> bytes:
    record = b""
    while len(record) < len(OLD):
        reply = wired.ask(Command.SETTINGS_READ, settings_read(len(record), LONGEST_SETTINGS_PIECE))
        assert isinstance(reply, SettingsData)
        record += reply.data
    return record


def restart(wired: Wired, image: bytes | None = None) -> int:
    """Let power go and come back; return the cycle at which it came."""
    wired.bench.command("power", "off")
    if image is not None:
        wired.bench.set_eeprom(0, image)
    wired.run(0.01)
    wired.bench.command("power", "on")
    came = wired.bench.cycle
    wired.messages.clear()
    wired.run(BOOT_S)
    return came


def test_power_lost_at_every_byte_of_a_write_leaves_the_old_record_or_the_new(wires: Wires) -> None:
    wired = wires()
    wired.bench.command("sensor", "mpu6050", "gone")
    wired.run(BOOT_S)
    write_record(wired, OLD)
    wired.run(2.0)
    image = wired.bench.eeprom()
    assert read_record(wired) == OLD

    restart(wired, image)
    begun_at = wired.bench.cycle
    wired.bench.select_events("m")
    write_record(wired, NEW)
    wired.run(2.0)
    writes = [event.cycle - begun_at for event in wired.bench.events()]
    wired.bench.select_events("")
    assert read_record(wired) == NEW
    restart(wired)
    assert wired.hello.name == "a new and longer name"
    assert len(writes) > 30  # bytes that are there already are not written again
    assert wired.bench.eeprom() != image

    names = []
    for i, after in enumerate(writes):
        # In turn early in the byte's erasing, late in it, in its writing, and just after.
        part = (0.1, 0.45, 0.75, 1.02)[i % 4]
        restart(wired, image)
        wired.power_ends_at = wired.bench.cycle + after + round(part * WRITE_CYCLES)
        with pytest.raises(PowerLostError):
            write_record(wired, NEW)
            wired.run(2.0)
        restart(wired)
        names.append(wired.hello.name)
        assert names[-1] in ("old name", "a new and longer name"), f"write {i}"
        assert not [f for f in wired.faults(FaultCode.SETTINGS) if f.present], f"write {i}"
        if i % 8 == 0:
            assert read_record(wired) in (OLD, NEW)
    # All but the last byte's writing leave the old record.
    assert names[:-1] == ["old name"] * (len(writes) - 1)


def test_a_fresh_pod_says_that_its_settings_are_blank_and_keeps_the_first_ones(
    wires: Wires,
) -> None:
    wired = wires()
    wired.bench.command("sensor", "mpu6050", "gone")
    wired.run(BOOT_S)
    assert wired.hello.name == ""
    assert wired.hello.identity == bytes(8)
    assert [f for f in wired.faults(FaultCode.SETTINGS) if f.present]
    write_record(wired, NEW)
    restart(wired)
    assert wired.hello.name == "a new and longer name"
    assert not [f for f in wired.faults(FaultCode.SETTINGS) if f.present]
