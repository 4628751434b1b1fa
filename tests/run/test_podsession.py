"""One pod's session, without any link or loop: bytes in, events and bytes out."""

from __future__ import annotations

import random

import numpy as np
import pytest

from knuckle.errors import KnuckleError, LinkLost, LinkTimeout, LinkWrongDevice, PodError
from knuckle.links.contract import Chunk
from knuckle.model.block import Block, concatenate
from knuckle.model.wheel import Wheel
from knuckle.run.events import (
    ButtonPressed,
    CommandFailed,
    Health,
    LinkDown,
    LinkUp,
    PodRestarted,
    PodSeen,
    RestEnded,
    RestReady,
    RunEvent,
    Samples,
    StillnessChanged,
)
from knuckle.run.exchange import Reply, Request
from knuckle.run.podsession import PodSession
from knuckle.wire.messages import AckCode, ClockReply, Command, ResetCause
from knuckle.wire.settings import SettingsRecord
from links.scripted_pod import BLANK, IDENTITY, Bench, ScriptedPod, of_kind

NEW_IDENTITY = bytes(range(11, 19))


def whole(events: list[RunEvent]) -> Block:
    return concatenate([event.block for event in of_kind(events, Samples)])


def test_a_pod_is_heard_read_and_started_in_this_order() -> None:
    pod = ScriptedPod()
    bench = Bench(pod)
    events = bench.run(2.0)
    assert set(pod.commands()[:-1]) == {Command.SETTINGS_READ}
    assert pod.commands()[-1] == Command.START
    seen = of_kind(events, PodSeen)
    assert len(seen) == 1
    assert seen[0].identity == IDENTITY
    assert seen[0].settings.name == "test pod"
    assert not seen[0].again
    assert events.index(seen[0]) < events.index(of_kind(events, Samples)[0])
    block = whole(events)
    assert block.rate_hz == pytest.approx(100.0)
    assert np.allclose(block.accel_g.mean(axis=0), (0, 0, 1), atol=1e-3)
    assert np.allclose(np.diff(block.t_s), 0.01)


def test_nothing_is_written_before_a_hello() -> None:
    pod = ScriptedPod()
    pod.mute = True
    bench = Bench(pod)
    bench.run(3.5)
    pod.say(b"\x00login: \r\n\x00Arduino ready\r\n")
    bench.run(0.3)
    assert not pod.received


def test_a_pod_without_identity_is_given_one_once() -> None:
    pod = ScriptedPod(BLANK, identity=bytes(8))
    first = Bench(pod, new_identity=lambda: NEW_IDENTITY).run(3.0)
    assert of_kind(first, PodSeen)[0].identity == NEW_IDENTITY
    assert SettingsRecord.from_bytes(bytes(pod.settings)).identity == NEW_IDENTITY
    again = ScriptedPod(bytes(pod.settings), identity=NEW_IDENTITY)
    Bench(again, new_identity=lambda: b"\x63" * 8).run(3.0)
    assert Command.SETTINGS_WRITE not in again.commands()


def test_the_rest_of_the_settings_survives_the_new_identity() -> None:
    before = SettingsRecord(name="left one", baud=9600)
    pod = ScriptedPod(before.to_bytes(), identity=bytes(8))
    Bench(pod, new_identity=lambda: NEW_IDENTITY).run(3.0)
    after = SettingsRecord.from_bytes(bytes(pod.settings))
    assert (after.identity, after.name, after.baud) == (NEW_IDENTITY, "left one", 9600)


def test_drawn_identities_are_64_bits_and_differ() -> None:
    drawn = set()
    for _ in range(3):
        pod = ScriptedPod(BLANK, identity=bytes(8))
        drawn.add(of_kind(Bench(pod).run(3.0), PodSeen)[0].identity)
    assert len(drawn) == 3
    assert all(len(identity) == 8 for identity in drawn)


def test_an_identity_that_cannot_be_written_is_told_and_the_pod_measures() -> None:
    pod = ScriptedPod(BLANK, identity=bytes(8))
    pod.refuses[Command.SETTINGS_WRITE] = AckCode.SETTINGS_FAULT
    events = Bench(pod).run(3.0)
    seen = of_kind(events, PodSeen)[0]
    assert seen.identity == bytes(8)
    assert "memory is at fault" in seen.settings_problem
    assert of_kind(events, Samples)


def test_an_identity_counts_only_as_the_pod_says_it_holds_it() -> None:
    class Forgetful(ScriptedPod):
        def receive(self, data: bytes) -> None:
            super().receive(data)
            self.settings[:] = BLANK

    events = Bench(Forgetful(BLANK, identity=bytes(8))).run(3.0)
    seen = of_kind(events, PodSeen)[0]
    assert seen.identity == bytes(8)
    assert "blank" in seen.settings_problem


def test_a_pod_that_knows_itself_keeps_its_blank_settings() -> None:
    pod = ScriptedPod(BLANK)
    events = Bench(pod).run(3.0)
    assert bytes(pod.settings) == BLANK
    assert of_kind(events, PodSeen)[0].identity == IDENTITY


def test_damaged_settings_are_not_written_over() -> None:
    damaged = bytearray(SettingsRecord(name="precious").to_bytes())
    damaged[20] ^= 1
    pod = ScriptedPod(bytes(damaged), identity=bytes(8))
    events = Bench(pod).run(3.0)
    assert bytes(pod.settings) == bytes(damaged)
    seen = of_kind(events, PodSeen)[0]
    assert seen.settings is None
    assert "damaged" in seen.settings_problem
    assert of_kind(events, Samples)


def test_a_pod_that_knows_no_settings_still_measures() -> None:
    pod = ScriptedPod()
    pod.refuses[Command.SETTINGS_READ] = AckCode.UNKNOWN_COMMAND
    events = Bench(pod).run(2.0)
    assert of_kind(events, PodSeen)[0].settings is None
    assert of_kind(events, PodSeen)[0].identity == IDENTITY
    assert of_kind(events, Samples)


@pytest.mark.parametrize(("asked_hz", "averaging"), [(50.0, 2), (33.0, 3), (100.0, 1), (1e4, 1)])
def test_the_rate_asked_for_is_set_by_averaging(asked_hz: float, averaging: int) -> None:
    pod = ScriptedPod()
    events = Bench(pod, rate_hz=asked_hz).run(3.0)
    block = whole(events)
    assert block.rate_hz == pytest.approx(100.0 / averaging)
    assert np.allclose(np.diff(block.t_s), 0.01 * averaging)
    assert (Command.SET_RATE in pod.commands()) == (averaging != 1)


def test_a_pod_that_refuses_to_start_is_an_error() -> None:
    pod = ScriptedPod()
    pod.refuses[Command.START] = AckCode.BUSY
    with pytest.raises(PodError, match="START"):
        Bench(pod).run(3.0)


def test_a_pod_that_does_not_answer_is_an_error_at_the_deadline() -> None:
    pod = ScriptedPod()
    pod.deaf_to.add(Command.START)
    bench = Bench(pod)
    with pytest.raises(LinkTimeout, match="START"):
        bench.run(10.0)
    assert bench.now_s < 4.0


def test_lost_commands_are_sent_again() -> None:
    pod = ScriptedPod()
    pod.ignore_next = {Command.SETTINGS_READ: 2, Command.START: 1}
    events = Bench(pod).run(6.0)
    assert of_kind(events, PodSeen)[0].settings is not None
    assert of_kind(events, Samples)


def test_silence_after_opening_is_a_timeout() -> None:
    pod = ScriptedPod()
    pod.mute = True
    bench = Bench(pod)
    with pytest.raises(LinkTimeout, match="4 s"):
        bench.run(10.0)
    assert bench.now_s == pytest.approx(4.0, abs=0.03)


def test_bytes_without_a_hello_are_the_wrong_device() -> None:
    pod = ScriptedPod()
    pod.mute = True
    bench = Bench(pod)
    bench.run(1.0)
    pod.mute = False
    pod.say(random.Random(2).randbytes(500))
    pod.mute = True
    with pytest.raises(LinkWrongDevice) as caught:
        bench.run(10.0)
    assert "baud" in caught.value.cause + caught.value.next_step


def test_a_pod_that_streams_already_is_asked_who_it_is() -> None:
    pod = ScriptedPod()
    pod.advance(0.2)  # its first hello is missed
    pod.start()
    bench = Bench(pod)
    bench.now_s = 0.2
    events = bench.run(2.0)
    assert pod.commands()[0] == Command.HELLO
    assert of_kind(events, PodSeen)
    assert of_kind(events, Samples)


def test_samples_that_come_before_the_settings_are_kept() -> None:
    pod = ScriptedPod()
    pod.start()
    pod.deaf_to.add(Command.SETTINGS_READ)
    bench = Bench(pod)
    events = bench.run(12.0)
    seen = of_kind(events, PodSeen)[0]
    assert seen.settings is None
    assert len(whole(events)) > 1100


def test_text_pods_stream_unasked_and_take_no_commands() -> None:
    header = b"# id=bench\nt_s,ax_g,ay_g,az_g\n"

    class TextPod:
        received = b""
        at = 0

        def advance(self, to_s: float) -> bytes:
            first, self.at = self.at, round(to_s * 100)
            lines = b"".join(b"%.2f,0.0,0.0,1.0\n" % (n / 100) for n in range(first, self.at))
            return (header if first == 0 else b"") + lines

        def receive(self, data: bytes) -> None:
            self.received += data

    pod = TextPod()
    bench = Bench(pod)
    events = bench.run(3.0)
    seen = of_kind(events, PodSeen)[0]
    assert seen.hello is None
    assert ("id", "bench") in seen.facts
    assert len(whole(events)) > 290
    assert not bench.session.tell(Request(Command.CUE))
    replies: list[Reply] = []
    bench.session.command(Request(Command.CLOCK), replies.append)
    assert isinstance(replies[0], LinkWrongDevice)
    assert not bench.session.stop_bytes()
    bench.run(1.0)
    assert not pod.received


def test_text_lines_without_their_header_are_waited_for_longer() -> None:
    class LateHeader:
        def advance(self, to_s: float) -> bytes:
            return b"%.2f,0.0,0.0,1.0\n" % to_s

        def receive(self, data: bytes) -> None:
            assert not data

    bench = Bench(LateHeader())
    bench.run(10.0)
    with pytest.raises(LinkWrongDevice):
        bench.run(10.0)


def test_a_command_brings_its_reply() -> None:
    bench = Bench(ScriptedPod())
    bench.run(2.0)
    replies: list[Reply] = []
    bench.session.command(Request(Command.CLOCK), replies.append)
    bench.pod.receive(bench.session.take_outgoing())
    bench.run(0.1)
    assert len(replies) == 1
    assert isinstance(replies[0], ClockReply)


def test_a_refused_or_unanswered_cue_is_told() -> None:
    pod = ScriptedPod()
    bench = Bench(pod)
    bench.run(2.0)
    pod.refuses[Command.CUE] = AckCode.BAD_VALUE
    assert bench.session.tell(Request(Command.CUE, b"\x02"))
    failed = of_kind(bench.run(0.2), CommandFailed)
    assert failed[0].command == Command.CUE
    assert isinstance(failed[0].reason, PodError)
    pod.deaf_to.add(Command.CUE)
    assert bench.session.tell(Request(Command.CUE, b"\x02", deadline_s=0.5, attempts=2))
    failed = of_kind(bench.run(2.0), CommandFailed)
    assert isinstance(failed[0].reason, LinkTimeout)


def test_silence_is_told_and_so_is_the_end_of_it() -> None:
    pod = ScriptedPod()
    bench = Bench(pod)
    bench.run(3.0)
    pod.mute = True
    events = bench.run(4.0)
    assert len(of_kind(events, LinkDown)) == 1
    assert of_kind(events, LinkDown)[0].at_s == pytest.approx(5.0, abs=0.1)
    pod.mute = False
    events = bench.run(1.0)
    up = of_kind(events, LinkUp)
    assert len(up) == 1
    assert up[0].gap_s == pytest.approx(4.0, abs=0.15)
    assert events.index(up[0]) < events.index(of_kind(events, Samples)[0])


def test_a_lost_link_fails_what_is_under_way_and_comes_back_with_its_gap() -> None:
    pod = ScriptedPod()
    bench = Bench(pod)
    bench.run(3.0)
    replies: list[Reply] = []
    bench.session.command(Request(Command.CLOCK), replies.append)
    reason = LinkLost("gone")
    told = bench.session.lost(3.0, reason)
    assert [type(event) for event in told] == [LinkDown]
    assert replies == [reason]
    bench.session.opened(8.0)
    bench.now_s = 8.0
    pod.restart(ResetCause.EXTERNAL)
    events = bench.run(3.0)
    assert of_kind(events, PodSeen)[0].again
    assert of_kind(events, PodRestarted)[0].cause == ResetCause.EXTERNAL
    assert of_kind(events, LinkUp)[0].gap_s > 5.0
    block = whole(bench.events)
    assert len(set(block.stretch.tolist())) == 2
    assert (np.diff(block.t_s) > 0).all()


def test_a_restarted_pod_is_started_again() -> None:
    pod = ScriptedPod()
    bench = Bench(pod)
    bench.run(3.0)
    pod.restart()
    events = bench.run(3.0)
    assert [event.cause for event in of_kind(events, PodRestarted)] == [ResetCause.WATCHDOG]
    assert pod.commands().count(Command.START) == 2
    assert of_kind(events, Samples)


def test_a_pod_that_restarts_and_streams_by_itself_is_noticed() -> None:
    pod = ScriptedPod()
    bench = Bench(pod)
    bench.run(6.0)
    pod.restart()
    pod._hello_at_s += 100.0
    pod.now_s += 0.6
    pod.start()
    bench.now_s = pod.now_s
    events = bench.run(3.0)
    assert len(of_kind(events, PodRestarted)) == 1


def test_another_pod_is_not_taken_for_the_one_that_was_lost() -> None:
    bench = Bench(ScriptedPod())
    bench.run(3.0)
    bench.session.lost(3.0, LinkLost("gone"))
    bench.session.opened(3.0)
    bench.pod = ScriptedPod(identity=b"stranger")
    with pytest.raises(LinkWrongDevice, match="test pod"):
        bench.run(4.0)
    assert not bench.pod.received


def test_samples_of_a_stranger_are_never_mixed_in() -> None:
    bench = Bench(ScriptedPod(), keep_samples=True)
    bench.run(3.0)
    before = len(whole(bench.events))
    bench.session.lost(3.0, LinkLost("gone"))
    bench.session.opened(3.0)
    stranger = ScriptedPod(identity=b"stranger")
    stranger.advance(0.2)
    stranger.start()
    stranger.now_s = 3.0
    bench.pod = stranger
    with pytest.raises(LinkWrongDevice):
        bench.run(6.0)
    bench.session.lost(bench.now_s, LinkLost("passed over"))
    assert len(whole(bench.events)) == before


def test_only_the_pod_asked_for_is_accepted() -> None:
    Bench(ScriptedPod(), identity=IDENTITY).run(2.0)
    with pytest.raises(LinkWrongDevice):
        Bench(ScriptedPod(), identity=b"expected").run(2.0)


def test_the_button_is_told() -> None:
    bench = Bench(ScriptedPod())
    bench.run(2.0)
    bench.pod.press()
    assert len(of_kind(bench.run(0.1), ButtonPressed)) == 1


def test_health_comes_each_second_with_rate_noise_and_losses() -> None:
    bench = Bench(ScriptedPod())
    health = of_kind(bench.run(6.0), Health)
    assert len(health) in (4, 5)
    assert health[2].rate_hz == pytest.approx(100.0, rel=0.1)
    assert health[2].accel_noise_g == pytest.approx(6 / 16384, rel=0.3)
    assert health[2].gyro_noise_dps == pytest.approx(6 / 131, rel=0.3)
    assert health[2].lost == 0
    assert health[1].counts.frames < health[2].counts.frames


def test_calibration_is_chosen_for_the_pod_seen_and_applied_to_every_block() -> None:
    asked: list[PodSeen] = []

    def calibration_of(seen: PodSeen) -> object:
        asked.append(seen)

        def double(block: Block) -> Block:
            return Block(
                block.t_s,
                2.0 * block.accel_g,
                block.gyro_dps,
                block.temp_c,
                block.linear_mm,
                block.lost_before,
                block.stretch,
                block.clipped,
                block.rate_hz,
            )

        return double

    events = Bench(ScriptedPod(), calibration_of=calibration_of).run(2.0)
    assert asked[0].identity == IDENTITY
    assert np.allclose(whole(events).accel_g[:, 2], 2.0, atol=0.01)


def moving_now_and_then(t_s: float) -> bool:
    return 5.0 < t_s % 8.0 < 7.0


def test_rests_are_found_on_the_way_and_ended_at_the_end() -> None:
    pod = ScriptedPod(moves=moving_now_and_then)
    bench = Bench(pod, keep_samples=True)
    events = bench.run(20.0) + bench.session.finish(20.0)
    assert len(of_kind(events, RestReady)) == 3
    assert len(of_kind(events, RestEnded)) == 3
    assert {event.state for event in of_kind(events, StillnessChanged)} >= {"moving", "still"}
    assert len(bench.session.readings.rests()) == 3
    kept = bench.session.readings.block()
    assert kept is not None
    assert len(kept) == len(whole(events))


def test_a_change_of_rate_keeps_the_rests_places_in_the_recording() -> None:
    pod = ScriptedPod()
    bench = Bench(pod, keep_samples=True)
    bench.run(4.0)
    pod._averaging = 2
    pod.restart()
    bench.run(6.0)
    bench.session.finish(bench.now_s)
    rests = bench.session.readings.rests()
    kept = bench.session.readings.block()
    assert kept is not None
    assert len(rests) == 2
    for rest in rests:
        assert kept.t_s[rest.first] == pytest.approx(rest.start_s, abs=0.03)


def as_text(events: list[RunEvent]) -> list[str]:
    """Return events with every digit of their arrays, so that they can be compared."""
    with np.printoptions(threshold=10**9, floatmode="unique"):
        return [repr(event) for event in events]


def test_a_replay_tells_the_same_to_the_last_digit() -> None:
    pod = ScriptedPod(BLANK, identity=bytes(8), moves=moving_now_and_then)
    live = Bench(pod)
    live.run(6.0)
    live.session.tell(Request(Command.CUE, b"\x02"))
    pod.receive(live.session.take_outgoing())
    live.run(6.0)
    pod.restart()
    live.run(4.0)
    live.events += live.session.finish(live.now_s)

    replayed = PodSession(Wheel.LF)
    events = replayed.opened(0.0)
    for chunk in live.chunks:
        events += replayed.receive(chunk)
        replayed.take_outgoing()  # leads nowhere
    events += replayed.finish(live.now_s)
    assert as_text(events) == as_text(live.events)


@pytest.mark.parametrize("longest", [1, 7, 200, 5000])
def test_however_the_bytes_are_cut_samples_and_rests_are_the_same(longest: int) -> None:
    live = Bench(ScriptedPod(moves=moving_now_and_then), keep_samples=True)
    live.run(12.0)
    live.session.finish(live.now_s)
    stream = [(c.arrival_s, c.data) for c in live.chunks]
    rng = random.Random(longest)
    session = PodSession(Wheel.LF, keep_samples=True)
    session.opened(0.0)
    data = b"".join(piece for _, piece in stream)
    at = 0
    while at < len(data):
        cut = data[at : at + rng.randint(1, longest)]
        at += len(cut)
        session.receive(Chunk(1.0 + at * 1e-6, cut))
        session.take_outgoing()
    session.finish(2.0)
    one, other = live.session.readings, session.readings
    assert repr(one.rests()) == repr(other.rests())
    first, second = one.block(), other.block()
    assert first is not None
    assert second is not None
    assert np.array_equal(first.t_s, second.t_s)
    assert np.array_equal(first.accel_g, second.accel_g)


def test_junk_between_frames_is_counted_and_does_no_harm() -> None:
    pod = ScriptedPod()
    bench = Bench(pod)
    bench.run(2.0)
    rng = random.Random(4)
    for _ in range(50):
        pod.say(rng.randbytes(40))
        bench.run(0.1)
    health = of_kind(bench.events, Health)[-1]
    assert health.counts.bad_crc + health.counts.bad_cobs > 10
    assert not [event for event in bench.events if isinstance(event, KnuckleError)]
    assert len(whole(bench.events)) > 500


def test_stop_is_known_once_the_pod_may_stream() -> None:
    bench = Bench(ScriptedPod())
    assert not bench.session.stop_bytes()
    bench.run(2.0)
    bench.pod.receive(bench.session.stop_bytes())
    assert bench.pod.commands()[-1] == Command.STOP


def test_a_pod_without_any_sensor_is_refused_in_words() -> None:
    pod = ScriptedPod()
    pod.channels = ()
    with pytest.raises(PodError) as told:
        Bench(pod).run(3.0)
    assert "finds no sensor" in told.value.what
    assert "selftest" in told.value.next_step
    assert Command.START not in pod.commands()


def test_a_table_that_changed_before_start_is_told() -> None:
    pod = ScriptedPod()
    accelerometer, gyro = pod.channels
    pod.channels = (accelerometer,)
    bench = Bench(pod)

    def came_back() -> None:
        pod.channels = (accelerometer, gyro)

    pod.on_start = came_back
    events = bench.run(3.0)
    seen = of_kind(events, PodSeen)
    assert [len(one.hello.channels) for one in seen] == [1, 2]
    assert [one.again for one in seen] == [False, True]
    block = whole(events)
    assert block.gyro_dps is not None
    assert not of_kind(events, PodRestarted)
