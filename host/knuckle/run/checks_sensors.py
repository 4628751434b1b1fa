"""What is checked of each sensor: who it is, its own test, noise, gravity, rest, temperature."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from knuckle.estimate.data_sheets import accelerometer_sheet, gyro_sheet
from knuckle.model.block import Block, FloatArray
from knuckle.model.check import Check, Verdict, within
from knuckle.run.calibrations import of_settings
from knuckle.run.examination import Evidence
from knuckle.run.fault_words import fault_words, kind_of, part_of
from knuckle.run.replay import sensors_of
from knuckle.wire.messages import Channel, ChannelKind, FaultCode, Sensor

NOISE_GOOD: Final = 1.5
NOISE_BAD: Final = 4.0
"""Times the data sheet's noise."""
QUIET: Final = 0.1
HARMLESS_G: Final = 0.005
"""Noise up to this is never bad: floors shake, and a rest averages it away."""
MOVED_G: Final = 0.02
MOVED_DPS: Final = 0.7
"""Change of the half-second means by which a pod that should lie still has been moved."""
CALIBRATED_GOOD_G: Final = 0.01
CALIBRATED_BAD_G: Final = 0.03
ROOM_C: Final = (-10.0, 60.0)
POSSIBLE_C: Final = (-40.0, 85.0)

_LAY_STILL = "Lay the pod down where nothing shakes it, and check again."
_REPLACE = "Check again; if it stays, replace the sensor board."


def sensor_checks(evidence: Evidence) -> list[Check]:
    """Return the checks of the inertial sensors, in the order of a table."""
    checks = [*_parts(evidence), *_own_test(evidence)]
    block = evidence.block
    if block is None or len(block) < 2:
        if evidence.linear is not None and not evidence.faults_of(FaultCode.SENSOR_MISSING):
            checks.append(_no_accelerometer())
        return checks
    still = _still(block)
    checks.append(still)
    judged = still.verdict is Verdict.GOOD
    checks += _accelerometer(evidence, block, judged)
    checks += _gyro(evidence, block, judged)
    checks += _temperature(block)
    return checks


def _parts(evidence: Evidence) -> Iterator[Check]:
    """Say of each part in the table whether it answers as itself."""
    hello = evidence.hello
    if hello is None:
        return
    for sensor in dict.fromkeys(row.sensor for row in hello.channels):
        rows = [row for row in hello.channels if row.sensor is sensor]
        part, kinds = part_of(rows[0]), ", ".join(map(kind_of, rows))
        troubles = [
            words
            for code in (FaultCode.SENSOR_MISSING, FaultCode.SENSOR_IDENTITY)
            for words in evidence.faults_of(code)
            if words == fault_words(code, rows)
        ]
        if troubles:
            words = troubles[0]
            found = "away" if "missing" in words.short else "another part"
            yield Check(part, Verdict.BAD, found, "answers", words.why, words.next_step)
        else:
            yield Check(part, Verdict.GOOD, kinds if len(kinds) <= 18 else "answers", "answers")
    for code in (FaultCode.SENSOR_IDENTITY, FaultCode.SENSOR_MISSING):
        nobody = fault_words(code, ())
        if code is FaultCode.SENSOR_MISSING and evidence.faults_of(FaultCode.SENSOR_IDENTITY):
            continue  # told already, and better
        if nobody in evidence.faults_of(code):
            told = "none answers" if code is FaultCode.SENSOR_MISSING else "another part"
            yield Check("sensors", Verdict.BAD, told, "", nobody.why, nobody.next_step)
    for words in evidence.faults_of(FaultCode.SENSOR_STUCK):
        yield Check("readings", Verdict.BAD, words.short, "", words.why, words.next_step)
    for words in evidence.faults_of(FaultCode.SENSOR_RANGE):
        yield Check("range", Verdict.BAD, words.short, "", words.why, words.next_step)


def _own_test(evidence: Evidence) -> Iterator[Check]:
    """Say how the pod's own test of its sensors came out."""
    hello, verdicts = evidence.hello, evidence.verdicts
    if hello is None:
        return
    if verdicts is None:
        yield Check(
            "own test of sensors",
            Verdict.NOT_CHECKED,
            "not done",
            "",
            evidence.verdict_problem or "The pod gave no answer.",
            "",
        )
        return
    for sensor in dict.fromkeys(row.sensor for row in hello.channels):
        places = [i for i, row in enumerate(hello.channels) if row.sensor is sensor]
        rows = [hello.channels[i] for i in places]
        bad = {verdicts[i] for i in places if i < len(verdicts)} - {0}
        subject = f"own test of {part_of(rows[0])}"
        if not bad:
            yield Check(subject, Verdict.GOOD, "passed", "passed")
            continue
        words = fault_words(min(bad), rows)
        yield Check(subject, Verdict.BAD, "failed", "passed", words.why, words.next_step)


def _no_accelerometer() -> Check:
    return Check(
        "accelerometer",
        Verdict.LOOK,
        "none",
        "",
        "The pod has no accelerometer: camber and sweep cannot be measured with it.",
        "If it should have one, check the four wires of its bus.",
    )


def _still(block: Block) -> Check:
    """Judge from half-second means whether the pod lay still."""
    half = max(1, round(block.rate_hz / 2.0))
    moved_g = float(np.ptp(_means(block.accel_g, half), axis=0).max())
    moved = moved_g > MOVED_G
    found = f"{1000.0 * moved_g:.1f} mg"
    if block.gyro_dps is not None:
        moved_dps = float(np.ptp(_means(block.gyro_dps, half), axis=0).max())
        moved = moved or moved_dps > MOVED_DPS
        found += f", {moved_dps:.2f} deg/s"
    if not moved:
        return Check("lay still", Verdict.GOOD, found)
    return Check(
        "lay still",
        Verdict.LOOK,
        found,
        f"{1000.0 * MOVED_G:.0f} mg",
        "The pod was moved during the check, so noise and rest are not judged.",
        _LAY_STILL,
    )


def _means(values: FloatArray, size: int) -> FloatArray:
    whole = max(1, len(values) // size)
    size = min(size, len(values))
    cut = values[: whole * size]
    return np.asarray(cut.reshape(-1, size, values.shape[1]).mean(axis=1))


def noise_of(values: FloatArray, rate_hz: float) -> float:
    """Return the noise of the worst axis: rms about the means of each second.

    Parameters
    ----------
    values : ndarray, shape (n, axes)
    rate_hz : float
    """
    size = min(len(values), max(2, round(rate_hz)))
    whole = len(values) // size
    cut = values[: whole * size].reshape(whole, size, values.shape[1])
    apart = cut - cut.mean(axis=1, keepdims=True)
    return float(np.sqrt(np.sum(apart**2, axis=(0, 1)) / (whole * (size - 1))).max())


def _row(evidence: Evidence, kind: ChannelKind) -> Channel | None:
    channels = evidence.hello.channels if evidence.hello is not None else ()
    return next((row for row in channels if row.kind == kind and row.axes == 3), None)


def _noise(
    subject: str, noise: float, wanted: float, harmless: float, unit: str, factor: float
) -> Check:
    """Judge a noise against its data sheet's; `factor` brings both to `unit`."""
    limit = NOISE_GOOD * wanted
    bad = max(NOISE_BAD * wanted, harmless)
    if noise == 0.0:
        return Check(
            subject,
            Verdict.BAD,
            "none at all",
            f"about {factor * wanted:.3g} {unit}",
            "Its readings never change: the chip is stuck or asleep.",
            "Unplug the pod for some seconds. If it stays, replace the sensor board.",
        )
    if noise < QUIET * wanted:
        return Check(
            subject,
            Verdict.LOOK,
            f"{factor * noise:.3g} {unit}",
            f"about {factor * wanted:.3g} {unit}",
            "It is far quieter than its data sheet says: another part, or a strong filter.",
            "Compare the chip's own print with the parts list.",
        )
    return within(
        subject,
        factor * noise,
        unit,
        factor * limit,
        factor * max(bad, limit),
        "It is noisier than its data sheet says.",
        f"{_LAY_STILL} If it stays, shorten the wires, or replace the sensor board.",
    )


def _expected(row: Channel | None, sheet_density: float, rate_hz: float) -> float:
    """Return the noise of a reading: the density up to half the rate, and the steps."""
    density = row.noise_density if row is not None and row.noise_density > 0.0 else sheet_density
    step = row.scale if row is not None else 0.0
    return float(np.hypot(density * np.sqrt(rate_hz / 2.0), step / np.sqrt(12.0)))


def _accelerometer(evidence: Evidence, block: Block, judged: bool) -> Iterator[Check]:
    row = _row(evidence, ChannelKind.ACCELEROMETER)
    sheet = accelerometer_sheet(sensors_of(evidence.hello, evidence.facts).accelerometer)
    if judged:
        wanted_g = _expected(row, sheet.noise_ug * 1e-6, block.rate_hz)
        noise_g = noise_of(block.accel_g, block.rate_hz)
        yield _noise("accelerometer noise", noise_g, wanted_g, HARMLESS_G, "mg", 1000.0)
    mean = block.accel_g.mean(axis=0)
    tolerance_g = max(sheet.bias_mg) / 1000.0 + sheet.scale_percent / 100.0
    good, bad, whose = 1.5 * tolerance_g, 3.0 * tolerance_g, "raw"
    calibration = of_settings(evidence.settings)
    if calibration is not None and evidence.hello is not None:
        mean = np.linalg.inv(calibration.matrix) @ (mean - calibration.bias_g)
        good, bad, whose = CALIBRATED_GOOD_G, CALIBRATED_BAD_G, "calibrated"
    size_g = float(np.linalg.norm(mean))
    off_g = abs(size_g - 1.0)
    verdict = Verdict.GOOD if off_g <= good else Verdict.LOOK if off_g <= bad else Verdict.BAD
    told = verdict is not Verdict.GOOD
    yield Check(
        f"gravity, {whose}",
        verdict,
        f"{size_g:.4f} g",
        f"1 g within {good:.2g}",
        f"At rest it must read 1 g and reads {size_g:.3f} g." if told else "",
        (
            "Calibrate the pod anew, or measure with --uncalibrated."
            if whose == "calibrated"
            else f"An axis is dead, or the range is not what the pod says. {_REPLACE}"
        )
        if told
        else "",
        value=size_g,
        unit="g",
    )


def _gyro(evidence: Evidence, block: Block, judged: bool) -> Iterator[Check]:
    if block.gyro_dps is None:
        yield Check("gyro", Verdict.NOT_CHECKED, "none", "", "", "")
        return
    row = _row(evidence, ChannelKind.GYRO)
    sheet = gyro_sheet(sensors_of(evidence.hello, evidence.facts).gyro)
    if not judged:
        return
    wanted_dps = _expected(row, sheet.noise_dps, block.rate_hz)
    noise_dps = noise_of(block.gyro_dps, block.rate_hz)
    yield _noise("gyro noise", noise_dps, wanted_dps, 0.0, "deg/s", 1.0)
    bias_dps = float(np.abs(block.gyro_dps.mean(axis=0)).max())
    yield within(
        "gyro at rest",
        bias_dps,
        "deg/s",
        sheet.bias_dps,
        2.0 * sheet.bias_dps,
        "It reads a turn while it lies still.",
        _REPLACE,
        form=".1f",
    )


def _temperature(block: Block) -> Iterator[Check]:
    read = None if block.temp_c is None else block.temp_c[np.isfinite(block.temp_c)]
    if read is None or not read.size:
        yield Check("temperature", Verdict.NOT_CHECKED, "none", "", "", "")
        return
    mean_c = float(read.mean())
    verdict = Verdict.GOOD if ROOM_C[0] <= mean_c <= ROOM_C[1] else Verdict.LOOK
    if not POSSIBLE_C[0] <= mean_c <= POSSIBLE_C[1]:
        verdict = Verdict.BAD
    told = verdict is not Verdict.GOOD
    yield Check(
        "temperature",
        verdict,
        f"{mean_c:.1f} C",
        f"{ROOM_C[0]:.0f} to {ROOM_C[1]:.0f} C",
        "The sensor's temperature is not plausible here." if told else "",
        f"Another part than the hello says, or a broken one. {_REPLACE}" if told else "",
        value=mean_c,
        unit="C",
    )


def lengths_of(evidence: Evidence) -> dict[str, float]:
    """Return the full scale of each linear column by its name, in mm, where it is known."""
    hello = evidence.hello
    if hello is None:
        return {}
    found: dict[str, float] = {}
    for name in evidence.linear_names:
        sensor = Sensor.__members__.get(name.split(" ")[0].upper())
        row = next(
            (c for c in hello.channels if c.kind == ChannelKind.LINEAR and c.sensor is sensor), None
        )
        if row is not None:
            found[name] = row.full_scale
    return found
