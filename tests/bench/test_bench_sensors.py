"""The emulated sensors against figures of their data sheets (from memory)."""

from __future__ import annotations

import numpy as np
import pytest

from bench.monitored import ADXL355, GONE, MPU6050, Monitored, rms

CYCLES_PER_MS = 16000


def test_mpu6050_answers_asleep_after_power_and_reads_nothing(monitored: Monitored) -> None:
    assert monitored.registers(MPU6050, 0x75, 1) == b"\x68"
    assert monitored.registers(MPU6050, 0x6B, 1) == b"\x40"
    monitored.bench.hold((0.1, 0.2, 0.9), 25.0, (1.0, 2.0, 3.0))
    assert monitored.mpu6050() == (0,) * 7


@pytest.mark.parametrize("fs", range(4))
def test_mpu6050_converts_by_the_range_that_is_set(fs: int, monitored: Monitored) -> None:
    # Data sheet: 16384, 8192, 4096, 2048 counts/g; 131, 65.5, 32.8, 16.4 counts/(deg/s);
    # 340 counts/C from 36.53 C.
    monitored.wake_mpu6050()
    monitored.set_register(MPU6050, 0x1B, fs << 3)
    monitored.set_register(MPU6050, 0x1C, fs << 3)
    monitored.bench.hold((0.5, -0.25, 1.0), 36.53 + 10.0, (10.0, -20.0, 100.0))
    monitored.bench.run_s(0.05)
    counts = monitored.mpu6050()
    scale = (16384, 8192, 4096, 2048)[fs]
    assert counts[:3] == (round(0.5 * scale), round(-0.25 * scale), scale)
    assert counts[3] == pytest.approx(3400, abs=1)
    per_dps = (131.0, 65.5, 32.8, 16.4)[fs]
    assert counts[4:] == pytest.approx((10 * per_dps, -20 * per_dps, 100 * per_dps), abs=6)


def test_mpu6050_clips_at_the_end_of_its_range(monitored: Monitored) -> None:
    monitored.wake_mpu6050()
    monitored.bench.hold((2.5, -2.5, 0.0), 25.0, (300.0, -300.0, 0.0))
    monitored.bench.run_s(0.05)
    x, y, _, _, gx, gy, _ = monitored.mpu6050()
    assert (x, y, gx, gy) == (32767, -32768, 32767, -32768)


def test_readings_follow_the_feed_and_its_last_row_stays(monitored: Monitored) -> None:
    monitored.wake_mpu6050()
    bench = monitored.bench
    start = bench.cycle + 10 * CYCLES_PER_MS
    rows = np.zeros((100, 7))
    rows[:, 2] = np.where(np.arange(100) < 50, 0.5, -0.5)
    bench.feed(start, CYCLES_PER_MS, rows)
    bench.run_to(start + 10 * CYCLES_PER_MS)
    assert monitored.mpu6050()[2] == 8192
    bench.run_s(1.0)
    assert monitored.mpu6050()[2] == -8192


@pytest.mark.parametrize(("setting", "hz"), [(1, 184), (3, 44), (6, 5)])
def test_the_low_pass_lets_through_what_one_pole_does(
    setting: int, hz: float, monitored: Monitored
) -> None:
    # White noise through y += a (x - y) has variance a / (2 - a), a = 1 - exp(-2 pi f dt).
    monitored.wake_mpu6050()
    monitored.set_register(MPU6050, 0x1A, setting)
    bench = monitored.bench
    rows = np.zeros((4600, 7))
    rows[:, 0] = 0.1 * np.random.default_rng(4).standard_normal(4600)
    bench.feed(bench.cycle, CYCLES_PER_MS, rows)
    bench.run_s(0.3)
    readings = [monitored.mpu6050()[0] / 16384.0 for _ in range(200)]
    share = 1.0 - np.exp(-2.0 * np.pi * hz * 0.001)
    expected = 0.1 * np.sqrt(share / (2.0 - share))
    independent = min(200.0, 4.0 * 2.0 * np.pi * hz)
    assert rms(readings) == pytest.approx(expected, rel=4.0 / np.sqrt(2.0 * independent))


def test_mpu6050_self_test_responds_as_its_trim_says(monitored: Monitored) -> None:
    # Register map rev 4.2: 4096 * 0.34 * (0.92 / 0.34)^((code - 1) / 30) at +-8 g, and
    # +-25 * 131 * 1.046^(code - 1), y negative, at +-250 deg/s.
    trims = monitored.registers(MPU6050, 0x0D, 4)
    monitored.wake_mpu6050()
    monitored.bench.hold((0.0, 0.0, 1.0), 25.0, (0.0, 0.0, 0.0))
    monitored.set_register(MPU6050, 0x1C, 0x10)
    monitored.bench.run_s(0.1)
    before = monitored.mpu6050()
    monitored.set_register(MPU6050, 0x1B, 0xE0)
    monitored.set_register(MPU6050, 0x1C, 0xF0)
    after = monitored.mpu6050()
    for axis in range(3):
        code = (trims[axis] >> 5) << 2 | trims[3] >> (4 - 2 * axis) & 3
        response = 4096 * 0.34 * (0.92 / 0.34) ** ((code - 1) / 30)
        assert after[axis] - before[axis] == pytest.approx(response, abs=2)
        gyro = 25 * 131 * 1.046 ** ((trims[axis] & 31) - 1) * (-1 if axis == 1 else 1)
        assert after[4 + axis] - before[4 + axis] == pytest.approx(gyro, abs=2)
    monitored.bench.command("sensor", "mpu6050", "self_test", 0)
    assert monitored.mpu6050()[:3] == before[:3]


def test_a_sensor_goes_and_comes_back_as_after_power(monitored: Monitored) -> None:
    monitored.wake_mpu6050()
    monitored.bench.command("sensor", "mpu6050", "gone")
    statuses, _ = monitored.transfer(MPU6050, b"\x75")
    assert statuses[1] == GONE
    monitored.bench.command("sensor", "mpu6050", "back")
    assert monitored.registers(MPU6050, 0x6B, 1) == b"\x40"


def test_identity_and_refused_bytes(monitored: Monitored) -> None:
    monitored.bench.command("sensor", "mpu6050", "identity", "0x71")
    assert monitored.registers(MPU6050, 0x75, 1) == b"\x71"
    monitored.bench.command("sensor", "mpu6050", "nack", 1)
    statuses, _ = monitored.transfer(MPU6050, b"\x6b\x01")
    assert statuses == [0x08, 0x18, 0x30, 0x28]


def test_settings_written_during_a_reset_are_lost(monitored: Monitored) -> None:
    monitored.ask(b"x\x68\x02\x00\x6b\x80" + b"x\x68\x02\x00\x1a\x03", 0.1)
    assert monitored.registers(MPU6050, 0x1A, 1) == b"\x00"


def test_adxl355_identity_standby_and_readings(monitored: Monitored) -> None:
    # Data sheet: AD 1D ED at 00 to 02; 256000 counts/g at +-2 g, 20 bits left-justified;
    # temperature 1885 counts at 25 C, -9.05 counts/C.
    bench = monitored.bench
    bench.command("sensor", "adxl355", "back")
    assert monitored.registers(ADXL355, 0x00, 3) == b"\xad\x1d\xed"
    bench.hold((0.5, -1.0, 2.5), 45.0, (0.0, 0.0, 0.0))
    assert monitored.registers(ADXL355, 0x06, 11) == bytes(11)
    monitored.set_register(ADXL355, 0x2D, 0x00)
    bench.run_s(0.1)
    burst = monitored.registers(ADXL355, 0x06, 11)
    assert int.from_bytes(burst[:2], "big") == round(1885 - 9.05 * 20)
    x, y, z = (int.from_bytes(burst[i : i + 3], "big", signed=True) for i in (2, 5, 8))
    assert (x, y, z) == (128000 << 4, -256000 << 4, 524287 << 4)
    monitored.set_register(ADXL355, 0x2C, 0x82)
    bench.run_s(0.01)
    burst = monitored.registers(ADXL355, 0x06, 11)
    assert int.from_bytes(burst[8:11], "big", signed=True) >> 4 == 320000


def test_adxl355_self_test_and_reset(monitored: Monitored) -> None:
    bench = monitored.bench
    bench.command("sensor", "adxl355", "back")
    bench.hold((0.0, 0.0, 0.0), 25.0, (0.0, 0.0, 0.0))
    monitored.set_register(ADXL355, 0x2D, 0x00)
    monitored.set_register(ADXL355, 0x2E, 0x03)
    bench.run_s(0.01)
    z = int.from_bytes(monitored.registers(ADXL355, 0x0E, 3), "big", signed=True) >> 4
    assert z == pytest.approx(1.5 * 256000, abs=1)  # typical; data sheet
    monitored.set_register(ADXL355, 0x2F, 0x52)
    assert monitored.registers(ADXL355, 0x2D, 1) == b"\x01"
