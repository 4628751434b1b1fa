"""Calling on a pod without starting it: its settings read, changed, read back."""

from __future__ import annotations

import asyncio
import dataclasses
from typing import Any

import pytest

from knuckle.errors import LinkLost, LinkTimeout, LinkWrongDevice, PodError
from knuckle.links.sim import SimLink
from knuckle.run.podsettings import PodSettings, change_settings
from knuckle.run.visit import visit
from knuckle.wire.messages import AckCode, Command
from knuckle.wire.settings import SettingsRecord, StoredCalibration
from links.devices import ScriptedBytes
from links.scripted_pod import BLANK, IDENTITY, ScriptedPod

NEW = bytes(range(11, 19))
EYE = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
CALIBRATION = StoredCalibration(
    (0.01, 0.02, 0.03), EYE, (1e-3,) * 3, EYE, EYE, EYE, 20.0, 1767225600, 0.05
)


def call(device: Any, name: str | None = None, baud: int | None = None) -> PodSettings:
    link = SimLink(device, scenario="scripted", seed=1, transport="memory")
    return asyncio.run(visit(link, lambda hello: change_settings(hello, name, baud, lambda: NEW)))


def held(pod: ScriptedPod) -> SettingsRecord:
    return SettingsRecord.from_bytes(bytes(pod.settings))


def test_looking_writes_nothing_and_starts_nothing() -> None:
    pod = ScriptedPod()
    found = call(pod)
    assert found.now == found.before == SettingsRecord(IDENTITY, "test pod")
    assert set(pod.commands()) == {Command.SETTINGS_READ}


def test_name_and_baud_change_and_the_rest_stays() -> None:
    kept = SettingsRecord(IDENTITY, "old", calibration=CALIBRATION)
    pod = ScriptedPod(kept.to_bytes())
    found = call(pod, "left", 9600)
    stored = held(pod)
    assert found.before is not None and found.before.name == "old"
    assert found.now is not None
    assert (stored.name, stored.baud, stored.identity) == ("left", 9600, IDENTITY)
    assert stored.calibration == SettingsRecord.from_bytes(kept.to_bytes()).calibration
    assert Command.START not in pod.commands()


def test_a_blank_pod_gets_an_identity_with_its_name() -> None:
    pod = ScriptedPod(BLANK, identity=bytes(8))
    assert call(pod, "fresh").before is None
    assert held(pod) == SettingsRecord(NEW, "fresh")


def test_a_blank_pod_that_is_only_looked_at_stays_blank() -> None:
    pod = ScriptedPod(BLANK, identity=bytes(8))
    assert call(pod).now is None
    assert bytes(pod.settings) == BLANK


def test_damaged_settings_are_not_written_over() -> None:
    damaged = bytearray(SettingsRecord(IDENTITY, "x", calibration=CALIBRATION).to_bytes())
    damaged[100] ^= 1
    pod = ScriptedPod(bytes(damaged))
    with pytest.raises(PodError, match="damaged"):
        call(pod, "new")
    assert pod.settings == damaged


def test_a_pod_that_streams_already_is_asked_who_it_is() -> None:
    pod = ScriptedPod()
    pod.advance(0.2)
    pod.start()
    assert call(pod, "busy").now is not None
    assert held(pod).name == "busy"
    assert pod.streaming, "it is left as it was"
    assert pod.commands()[0] is Command.HELLO


def test_memory_that_does_not_keep_is_told() -> None:
    pod = ScriptedPod()

    class Forgetful(ScriptedPod):
        def receive(self, data: bytes) -> None:
            super().receive(data)
            if Command.SETTINGS_WRITE in self.commands():
                self.settings[230] = 7

    with pytest.raises(PodError, match="read back"):
        call(Forgetful(), "x")
    pod.refuses[Command.SETTINGS_WRITE] = AckCode.SETTINGS_FAULT
    with pytest.raises(PodError, match="SETTINGS_WRITE"):
        call(pod, "x")


def test_silence_noise_and_text_are_errors_in_words() -> None:
    with pytest.raises(LinkTimeout, match="Nothing came"):
        call(ScriptedBytes([b""] * 400))
    with pytest.raises(LinkWrongDevice, match="no hello"):
        call(ScriptedBytes([b"\x00\x05ab\x00"] * 400))
    with pytest.raises(PodError, match="keeps no settings"):
        call(ScriptedBytes([b"t_s,ax_g,ay_g,az_g\n0.0,0,0,1\n"]))


def test_a_pod_that_falls_silent_or_ends_is_told() -> None:
    deaf = ScriptedPod()
    deaf.deaf_to = {Command.SETTINGS_READ}
    with pytest.raises(LinkTimeout, match="SETTINGS_READ"):
        call(deaf)
    ended = ScriptedPod(lasts_s=0.5)
    ended.deaf_to = {Command.SETTINGS_READ}
    with pytest.raises(LinkLost):
        call(ended)


def test_an_answer_lost_is_asked_for_again() -> None:
    pod = ScriptedPod()
    pod.ignore_next[Command.SETTINGS_WRITE] = 2
    found = call(pod, "again")
    assert found.now == dataclasses.replace(SettingsRecord(IDENTITY, "test pod"), name="again")
