"""What a person hears, sees and presses: patterns and button, in simulated time."""

from __future__ import annotations

import itertools

import pytest

from firmware.core_library import MS, Board, of_type
from knuckle.wire import commands
from knuckle.wire.messages import Ack, AckCode, Button, Command, Cue, SampleBatch

STEADY_S = 0.02
"""How long a contact must keep to a state (firmware/core/button.h)."""
PATTERN_S = 3.0
WRAPPING = 2**32 - 450_000
"""A first tick that wraps 1.8 s after the start: in the middle of what the tests look at."""

Step = tuple[float, float]


def settled(first_tick: int = 0) -> Board:
    board = Board(first_tick=first_tick)
    board.start()
    board.run(1.2)
    return board


def listen(board: Board, seconds: float = PATTERN_S) -> list[Step]:
    """Return (tone in hertz, its length in ms), tone by tone; check the light on the way."""
    steps: list[Step] = []
    for _ in range(round(seconds * 1000)):
        board.run_ns(MS)
        hz = board.get("TONE_HZ")
        assert board.get("LIGHT") == (hz > 0), "the light shines with the tone"
        if steps and steps[-1][0] == hz:
            steps[-1] = hz, steps[-1][1] + 1
        else:
            steps.append((hz, 1))
    return steps


def sounded(board: Board, cue: Cue) -> list[Step]:
    """Play a pattern; return it from its first tone to the silence behind it."""
    board.send(commands.encode_command(Command.CUE, 1, commands.cue(cue)))
    steps = listen(board)
    assert steps[-1][0] == 0, "it ends by itself"
    assert steps[-1][1] > 500
    start = 1 if steps[0][0] == 0 else 0
    return steps[start:-1]


@pytest.fixture(scope="module")
def patterns() -> dict[Cue, list[Step]]:
    found = {}
    for cue in Cue:
        with settled() as board:
            found[cue] = sounded(board, cue)
    return found


def test_every_pattern_but_silence_sounds_and_none_like_another(
    patterns: dict[Cue, list[Step]],
) -> None:
    assert patterns[Cue.SILENT] == []
    audible = {cue: [hz for hz, _ in steps] for cue, steps in patterns.items() if steps}
    assert len(audible) == len(Cue) - 1
    for cue, tones in audible.items():
        for other, others in audible.items():
            assert cue is other or tones != others, f"{cue.name} sounds like {other.name}"


def test_patterns_say_what_they_mean(patterns: dict[Cue, list[Step]]) -> None:
    """Up is good, down is not; trouble is the lowest and the longest (firmware/core/cues.c)."""

    def tones(cue: Cue) -> list[float]:
        return [hz for hz, _ in patterns[cue] if hz > 0]

    def length_ms(cue: Cue) -> float:
        return sum(ms for _, ms in patterns[cue])

    for good in (Cue.TAKEN, Cue.FINISHED, Cue.LINK_BACK):
        assert tones(good) == sorted(set(tones(good)))
        assert len(tones(good)) >= 2
    for bad in (Cue.GO_BACK, Cue.LINK_LOST):
        assert tones(bad) == sorted(set(tones(bad)), reverse=True)
        assert len(tones(bad)) >= 2
    lowest = min(hz for cue in Cue for hz in tones(cue))
    assert set(tones(Cue.TROUBLE)) == {lowest}
    assert length_ms(Cue.TROUBLE) == max(length_ms(cue) for cue in Cue)


@pytest.mark.parametrize("cue", [Cue.FINISHED, Cue.TROUBLE])
def test_patterns_last_as_long_while_ticks_wrap(cue: Cue, patterns: dict[Cue, list[Step]]) -> None:
    with settled(WRAPPING) as board:
        before = board.tick
        steps = sounded(board, cue)
        assert board.tick < before
    assert [hz for hz, _ in steps] == [hz for hz, _ in patterns[cue]]
    for (_, ms), (_, expected_ms) in zip(steps, patterns[cue], strict=True):
        assert ms == pytest.approx(expected_ms, abs=6)  # the main loop turns every 5 ms


def test_a_pattern_is_answered_at_once_and_holds_nothing_up() -> None:
    with settled() as board:
        board.ask(Command.START, within=1.0)
        answer = board.ask(Command.CUE, commands.cue(Cue.TROUBLE), within=0.03)
        assert [ack.code for ack in of_type(answer, Ack)] == [AckCode.OK]
        assert board.get("TONE_HZ") > 0
        batches = of_type(board.run(2.0), SampleBatch)
        ticks = [batch.tick + i * 1250 for batch in batches for i in range(batch.samples)]
        assert len(ticks) > 350
        assert [b - a for a, b in itertools.pairwise(ticks)] == [1250] * (len(ticks) - 1)


def test_a_new_pattern_takes_the_place_of_the_one_that_plays() -> None:
    with settled() as board:
        board.ask(Command.CUE, commands.cue(Cue.TROUBLE), within=0.1)
        low = board.get("TONE_HZ")
        board.ask(Command.CUE, commands.cue(Cue.TAKEN), within=0.02)
        assert board.get("TONE_HZ") > low
        board.ask(Command.CUE, commands.cue(Cue.SILENT), within=0.02)
        assert board.get("TONE_HZ") == 0
        assert listen(board, 1.0) == [(0, 1000)]


def test_a_pattern_that_does_not_exist() -> None:
    with settled() as board:
        for number in (len(Cue), 255):
            answer = board.ask(Command.CUE, bytes([number]), within=0.1)
            assert [ack.code for ack in of_type(answer, Ack)] == [AckCode.BAD_VALUE]
            assert board.get("TONE_HZ") == 0


def bounce(board: Board, to: int, times: int, each_s: float) -> list[Button]:
    told: list[Button] = []
    for _ in range(times):
        board.set("BUTTON", to)
        told += of_type(board.run(each_s), Button)
        board.set("BUTTON", 1 - to)
        told += of_type(board.run(each_s), Button)
    board.set("BUTTON", to)
    return told


@pytest.mark.parametrize("first_tick", [0, 2**32 - 312_000])
@pytest.mark.parametrize("streaming", [False, True])
def test_a_bouncing_button_is_told_once_each_way(first_tick: int, streaming: bool) -> None:
    with settled(first_tick) as board:
        if streaming:
            board.ask(Command.START, within=0.05)
        for pressed in (1, 0, 1, 0):
            assert bounce(board, pressed, 7, STEADY_S / 4) == []
            changed = board.tick
            told = of_type(board.run(0.3), Button)
            assert [button.pressed for button in told] == [bool(pressed)]
            late = (told[0].tick - changed) % 2**32
            assert late <= 0.006 * board.tick_hz, "the tick is that of the contact"


def test_a_touch_shorter_than_the_bouncing_is_none() -> None:
    with settled() as board:
        board.set("BUTTON", 1)
        board.run(STEADY_S / 2)
        board.set("BUTTON", 0)
        assert of_type(board.run(1.0), Button) == []
