"""What a pod says of its faults, in words that name cause and next step, and clear when over."""

from __future__ import annotations

import pytest

from knuckle.model.wheel import Wheel
from knuckle.run.events import PodReport, PodRestarted, PodSeen
from knuckle.run.fault_book import FaultBook
from knuckle.run.fault_words import POD_ITSELF, fault_words, restart_words
from knuckle.run.view import LinkWatch
from knuckle.wire.messages import Fault, FaultCode, Hello, ResetCause, Status
from vectors.wire_vectors import POD_FRAMES, message_of

HELLO = message_of(next(v for v in POD_FRAMES if v["name"].startswith("hello of an ADXL355")))
ONE_CHIP = message_of(POD_FRAMES[0])
assert isinstance(HELLO, Hello)
assert isinstance(ONE_CHIP, Hello)


def fault(code: int, channel: int, present: bool = True) -> Fault:
    return Fault(0, code, channel, present)


def status(*codes: int) -> Status:
    return Status(0, 0, 0, 0, 0, sum(1 << code for code in codes))


def book(hello: Hello = HELLO) -> FaultBook:
    made = FaultBook()
    made.met(hello)
    return made


@pytest.mark.parametrize("code", [c for c in FaultCode if c is not FaultCode.NONE], ids=str)
def test_every_fault_says_what_why_and_what_next(code: FaultCode):
    for rows in ((), HELLO.channels[:1], HELLO.channels[3:4], HELLO.channels[4:5]):
        words = fault_words(code, rows)
        assert words.short == words.short.strip() and 0 < len(words.short) < 40
        for sentence in (words.what, words.cause, words.next_step):
            assert sentence[0].isupper()
            assert sentence.endswith(".")
    assert "MPU-6050" in fault_words(FaultCode.SENSOR_MISSING, ONE_CHIP.channels).what


def test_the_part_and_the_wires_to_look_at_are_named():
    words = {row: fault_words(FaultCode.SENSOR_MISSING, [row]).lines() for row in HELLO.channels}
    accelerometer, gyro, _, potentiometer, caliper = (
        " ".join(words[row]) for row in HELLO.channels
    )
    assert "ADXL355" in accelerometer and "clock, data" in accelerometer
    assert "MPU-6050" in gyro and "start anew" in gyro
    assert "potentiometer" in potentiometer and "plug" in potentiometer
    assert "caliper" in caliper and "cell" in caliper


def test_one_chip_is_told_once_and_is_over_with_its_last_row():
    made = book(ONE_CHIP)
    first = made.take(fault(FaultCode.SENSOR_MISSING, 0))
    assert first[0].startswith("The MPU-6050 (accelerometer, gyro, temperature) does not answer")
    assert sum(line.startswith(("  cause:", "  next:")) for line in first) == 2
    assert all(len(line) < 80 for line in first)
    assert made.take(fault(FaultCode.SENSOR_MISSING, 1)) == []
    assert made.take(fault(FaultCode.SENSOR_MISSING, 2)) == []
    assert len(made.standing) == 1
    assert made.take(fault(FaultCode.SENSOR_MISSING, 0, False)) == []
    assert made.take(fault(FaultCode.SENSOR_MISSING, 1, False)) == []
    assert made.take(fault(FaultCode.SENSOR_MISSING, 2, False)) == ["Over: MPU-6050 missing."]
    assert made.standing == ()


def test_two_parts_are_told_apart():
    made = book()
    made.take(fault(FaultCode.SENSOR_MISSING, 1))
    made.take(fault(FaultCode.SENSOR_MISSING, 4))
    assert [words.short for words in made.standing] == ["MPU-6050 missing", "caliper missing"]


def test_a_status_tells_what_was_missed_and_clears_what_is_over():
    made = book()
    lines = made.take(status(FaultCode.SENSOR_MISSING, FaultCode.SUPPLY_LOW))
    assert any("supply voltage" in line for line in lines)
    assert [w.short for w in made.standing] == ["sensor missing", "supply low"]
    made.take(fault(FaultCode.SENSOR_MISSING, 4))
    assert [w.short for w in made.standing] == ["caliper missing", "supply low"]
    assert made.take(status(FaultCode.SENSOR_MISSING, FaultCode.SUPPLY_LOW)) == []
    assert made.take(status(FaultCode.SUPPLY_LOW)) == ["Over: caliper missing."]
    assert made.take(status()) == ["Over: supply low."]


def test_what_is_told_again_is_not_said_again():
    made = book()
    assert made.take(fault(FaultCode.BUS, POD_ITSELF))
    assert made.take(fault(FaultCode.BUS, POD_ITSELF)) == []


def test_a_code_of_a_later_firmware_is_shown_by_its_number():
    made = book()
    assert "fault 23" in made.take(fault(23, POD_ITSELF))[0]
    assert made.take(status(23)) == []


def test_another_table_and_a_restart_forget_what_no_longer_holds():
    made = book()
    made.take(fault(FaultCode.SENSOR_MISSING, 4))
    made.take(fault(FaultCode.SUPPLY_LOW, POD_ITSELF))
    made.met(ONE_CHIP)
    assert [w.short for w in made.standing] == ["supply low"]
    made.restarted()
    assert made.standing == ()


def test_the_link_shows_faults_while_they_stand():
    watch = LinkWatch()
    watch.take(PodSeen(Wheel.LF, 0.0, HELLO, None))
    assert "restarted before: its program hung" in " ".join(
        LinkWatch().take(PodSeen(Wheel.LF, 0.0, HELLO, None))
    )
    assert watch.take(PodReport(Wheel.LF, 1.0, fault(FaultCode.SENSOR_IDENTITY, 0)))
    assert watch.state.faults == ("wrong part for ADXL355",)
    assert "WRONG PART FOR ADXL355" in watch.state.words
    assert watch.take(PodReport(Wheel.LF, 2.0, status())) == ["Over: wrong part for ADXL355."]
    assert watch.state.faults == ()
    watch.take(PodReport(Wheel.LF, 3.0, fault(FaultCode.BUS, POD_ITSELF)))
    (line,) = watch.take(PodRestarted(Wheel.LF, 4.0, ResetCause.BROWN_OUT))
    assert "supply fell too low" in line
    assert watch.state.faults == ()


@pytest.mark.parametrize("cause", list(ResetCause), ids=str)
def test_every_cause_of_a_restart_has_words(cause: ResetCause):
    assert len(restart_words(cause)) > 10
