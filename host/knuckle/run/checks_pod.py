"""What is checked of a pod as a whole: its start, settings, supply, clock, line."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from knuckle.model.check import Check, Verdict, within
from knuckle.run.examination import Evidence
from knuckle.run.fault_words import fault_words, restart_words
from knuckle.wire.messages import FaultCode, ResetCause

CLOCK_GOOD: Final = 0.006
"""Part of the clock's rate: a ceramic resonator's tolerance, +-0.5 % (data sheets, from memory),
and what the arrivals of some seconds can tell."""
CLOCK_BAD: Final = 0.03
"""The internal oscillator of a small controller is off by as much: the wrong clock source."""
LATE_GOOD_US: Final = 25.0
"""A reading starts this close to its due time (docs/protocol.md is silent; the firmware's own
limit)."""
LATE_BAD_US: Final = 1000.0
_SLICE_S: Final = 0.5


def pod_checks(evidence: Evidence) -> list[Check]:
    """Return the checks of the pod as a whole, in the order of a table."""
    checks: list[Check] = []
    hello = evidence.hello
    if hello is None:
        checks.append(Check("pod", Verdict.GOOD, "text format", "", "", ""))
    else:
        version = ".".join(map(str, hello.firmware))
        checks.append(Check("pod", Verdict.GOOD, hello.hardware))
        checks.append(Check("firmware", Verdict.GOOD, version))
        checks.append(_last_start(hello.reset_cause))
        checks.append(_settings(evidence))
        checks.append(_supply(evidence))
    checks += [*_rate(evidence), *_line(evidence), *_other_faults(evidence)]
    return checks


def _last_start(cause: ResetCause) -> Check:
    odd = cause in (ResetCause.WATCHDOG, ResetCause.BROWN_OUT)
    found = cause.name.lower().replace("_", " ")
    if not odd:
        return Check("last start", Verdict.GOOD, found)
    return Check(
        "last start",
        Verdict.LOOK,
        found,
        "power on",
        f"The pod has restarted: {restart_words(cause)}.",
        "Unplug it and plug it in again; if this comes back, look for the cause.",
    )


def _settings(evidence: Evidence) -> Check:
    record = evidence.settings
    if record is not None and not evidence.faults_of(FaultCode.SETTINGS):
        kept = "with calibration" if record.calibration is not None else "no calibration"
        return Check("settings", Verdict.GOOD, kept)
    words = fault_words(FaultCode.SETTINGS, ())
    return Check(
        "settings",
        Verdict.LOOK,
        "none that can be read",
        "a whole record",
        " ".join(filter(None, (words.why, evidence.settings_problem))),
        words.next_step,
    )


def _supply(evidence: Evidence) -> Check:
    words = fault_words(FaultCode.SUPPLY_LOW, ())
    if evidence.faults_of(FaultCode.SUPPLY_LOW):
        return Check("supply", Verdict.BAD, "low", "", words.why, words.next_step)
    return Check("supply", Verdict.GOOD, "no complaint")


def _rate(evidence: Evidence) -> list[Check]:
    """Check the rate of samples, the pod's clock, and how steady its ticks are."""
    taken = evidence.block if evidence.block is not None else evidence.linear
    if taken is None or len(taken) < 2:
        if evidence.hello is not None and not evidence.hello.channels:
            return []
        return [
            Check(
                "samples",
                Verdict.BAD,
                "none came",
                "",
                "The pod sends no samples.",
                "Unplug it and plug it in again; check the sensors' wires.",
            )
        ]
    passed_s = float(taken.t_s[-1] - taken.t_s[0]) + 1.0 / taken.rate_hz
    count = len(taken) + int(taken.lost_before.sum())
    counted_hz = count / passed_s
    good = abs(counted_hz / taken.rate_hz - 1.0) < 0.01
    checks = [
        Check(
            "samples a second",
            Verdict.GOOD if good else Verdict.BAD,
            f"{counted_hz:.4g} /s",
            f"{taken.rate_hz:.4g} /s",
            "" if good else "The pod sends another rate than it says.",
            "" if good else "Unplug it and plug it in again; if it stays, renew its firmware.",
            value=counted_hz,
            unit="/s",
        )
    ]
    clock = _clock(evidence)
    if clock is not None:
        checks.append(clock)
    steadiness = _steadiness(evidence)
    if steadiness is not None:
        checks.append(steadiness)
    return checks


def _clock(evidence: Evidence) -> Check | None:
    """Compare the pod's clock with the computer's, by the promptest arrivals."""
    pairs = np.array(evidence.arrivals)
    if len(pairs) < 4 or np.ptp(pairs[:, 0]) < 4 * _SLICE_S:
        return None
    delay_s = pairs[:, 1] - pairs[:, 0]
    slices = ((pairs[:, 0] - pairs[0, 0]) // _SLICE_S).astype(int)
    best = [int(np.flatnonzero(slices == s)[np.argmin(delay_s[slices == s])]) for s in set(slices)]
    x = pairs[best, 0] - pairs[best, 0].mean()
    slope = float(np.sum(x * delay_s[best]) / np.sum(x**2))
    rest_s = delay_s[best] - delay_s[best].mean() - slope * x
    sigma = float(np.sqrt(np.sum(rest_s**2) / max(1, len(best) - 2) / np.sum(x**2)))
    fast = -slope
    good, bad = CLOCK_GOOD + 2.0 * sigma, CLOCK_BAD + 2.0 * sigma
    verdict = Verdict.GOOD if abs(fast) <= good else Verdict.LOOK
    if abs(fast) > bad:
        verdict = Verdict.BAD
    words = fault_words(FaultCode.CLOCK, ())
    off = verdict is not Verdict.GOOD
    return Check(
        "clock, by the computer's",
        verdict,
        f"{100.0 * fast:+.2f} %",
        f"within {100.0 * good:.2f} %",
        "The pod's clock runs " + ("fast" if fast > 0 else "slow") + "." if off else "",
        words.next_step if off else "",
        100.0 * fast,
        100.0 * good,
        "%",
    )


def _steadiness(evidence: Evidence) -> Check | None:
    """Check that each frame begins a whole number of periods after the one before."""
    hello, batches = evidence.hello, evidence.batches
    if hello is None or len(batches) < 3:
        return None
    odd_ticks = []
    for one, other in pairwise(batches):
        period = one.averaging * hello.raw_period_ticks
        if one.averaging != other.averaging or (one.sequence + 1) % 65536 != other.sequence:
            continue
        apart = (other.tick - one.tick - one.samples * period) % 2**32
        apart -= 2**32 if apart >= 2**31 else 0
        raw = hello.raw_period_ticks
        odd_ticks.append(apart - raw * round(apart / raw))
    if not odd_ticks:
        return None
    worst_us = max(map(abs, odd_ticks)) / hello.tick_hz * 1e6
    return within(
        "steadiness of ticks",
        worst_us,
        "us",
        LATE_GOOD_US,
        LATE_BAD_US,
        "Readings do not start on time.",
        "Ask for fewer samples with --rate; if it stays, renew the pod's firmware.",
        form=".1f",
    )


def _line(evidence: Evidence) -> list[Check]:
    counts = evidence.counts
    broken = counts.bad_crc + counts.bad_cobs + counts.too_long + counts.malformed
    broken += counts.bad_lines
    checks = [
        _counted(
            "frames lost or damaged",
            counts.lost_frames + broken,
            max(1, counts.frames + counts.text_lines),
            "The line loses or damages bytes.",
            "Try another cable or port, away from ignition and chargers; a radio link nearer by.",
        )
    ]
    before, after = evidence.before, evidence.after
    if before is None or after is None:
        return checks

    def risen(name: str) -> int:
        return int((getattr(after, name) - getattr(before, name)) % 2**32)

    taken = evidence.block if evidence.block is not None else evidence.linear
    samples = len(taken) if taken is not None else 1
    words = {code: fault_words(code, ()) for code in FaultCode}
    for subject, name, code in (
        ("samples dropped by the pod", "dropped", FaultCode.DROPPED),
        ("readings late or left out", "overruns", FaultCode.OVERRUN),
        ("errors on the sensors' bus", "bus_errors", FaultCode.BUS),
    ):
        checks.append(
            _counted(subject, risen(name), samples, words[code].why, words[code].next_step)
        )
    return checks


def _counted(subject: str, count: int, of: int, what: str, next_step: str) -> Check:
    if count == 0:
        return Check(subject, Verdict.GOOD, "0", "0", value=0.0)
    verdict = Verdict.BAD if count > 0.01 * of else Verdict.LOOK
    return Check(subject, verdict, str(count), "0", what, next_step, value=float(count))


_TOLD_ELSEWHERE: Final = {
    FaultCode.SENSOR_MISSING,
    FaultCode.SENSOR_IDENTITY,
    FaultCode.SENSOR_STUCK,
    FaultCode.SENSOR_RANGE,
    FaultCode.SELF_TEST,
    FaultCode.SETTINGS,
    FaultCode.SUPPLY_LOW,
    FaultCode.DROPPED,
    FaultCode.OVERRUN,
    FaultCode.BUS,
}


def _other_faults(evidence: Evidence) -> list[Check]:
    """Return a check for each fault that no other check tells of."""
    return [
        Check("told by the pod", Verdict.LOOK, words.short, "", words.why, words.next_step)
        for (code, _), words in evidence.faults.items()
        if code not in _TOLD_ELSEWHERE
    ]
