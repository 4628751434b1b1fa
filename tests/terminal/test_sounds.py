"""Cues: distinct tunes, played beside the program, the bell where there is no player."""

from __future__ import annotations

import itertools
import sys
import threading
import wave
from pathlib import Path

import pytest

from knuckle.terminal.sounds import FILE, Sounds, player_command
from knuckle.terminal.tones import BELLS, RATE_HZ, TUNES, samples, write_wav
from knuckle.wire.messages import Cue

AUDIBLE = [cue for cue in Cue if cue is not Cue.SILENT]


def test_every_cue_has_a_tune_and_bells() -> None:
    assert set(TUNES) == set(BELLS) == set(AUDIBLE)
    assert all(sum(note.length_s for note in tune) < 1.2 for tune in TUNES.values())


def rhythm(cue: Cue) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Number and length of the notes, and whether each rises or falls: no absolute pitch."""
    notes = [note for note in TUNES[cue] if note.pitch_hz]
    steps = [
        (b.pitch_hz > a.pitch_hz) - (b.pitch_hz < a.pitch_hz) for a, b in itertools.pairwise(notes)
    ]
    return tuple(round(note.length_s / 0.12) for note in notes), tuple(steps)


def test_cues_differ_in_rhythm_or_direction() -> None:
    assert len({rhythm(cue) for cue in AUDIBLE}) == len(AUDIBLE)


@pytest.mark.parametrize("cue", AUDIBLE)
def test_wav_is_sound_and_ends_in_silence(cue: Cue, tmp_path: Path) -> None:
    path = tmp_path / "cue.wav"
    write_wav(cue, path)
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HZ)
        assert file.getnframes() == len(samples(TUNES[cue]))
    made = samples(TUNES[cue])
    assert 10_000 < max(map(abs, made)) < 32_767, "loud, but not clipped"
    assert made[0] == made[-1] == 0


@pytest.mark.parametrize(
    ("platform", "there", "command"),
    [
        ("darwin", {"afplay"}, ["/bin/afplay", FILE]),
        ("linux", {"aplay", "paplay"}, ["/bin/paplay", FILE]),
        ("linux", {"aplay"}, ["/bin/aplay", "-q", FILE]),
        ("linux", {"pw-play", "aplay"}, ["/bin/pw-play", FILE]),
        ("linux", set(), None),
    ],
)
def test_player(platform: str, there: set[str], command: list[str] | None) -> None:
    def which(name: str) -> str | None:
        return f"/bin/{name}" if name in there else None

    assert player_command(platform, which) == command


def test_player_on_windows_takes_the_path_from_the_environment() -> None:
    command = player_command("win32", lambda name: f"C:\\{name}.exe")
    assert command is not None
    assert "$env:CUE_FILE" in command[-1]
    assert FILE not in command


def recorder(tmp_path: Path) -> tuple[list[str], Path]:
    """Return a player that notes what it was given."""
    heard = tmp_path / "heard.txt"
    code = (
        "import sys, wave; wave.open(sys.argv[1]).close(); "
        "open(sys.argv[2], 'a').write(sys.argv[1] + '\\n')"
    )
    return [sys.executable, "-c", code, FILE, str(heard)], heard


def test_played_by_a_child_process(tmp_path: Path) -> None:
    player, heard = recorder(tmp_path)
    with Sounds(player=player) as sounds:
        sounds.play(Cue.TAKEN)
        sounds.play(Cue.MOVE_ON)
        sounds.play(Cue.SILENT)
        sounds.close(wait_s=30)
    names = [Path(line).name for line in heard.read_text().splitlines()]
    assert names == ["taken.wav", "move_on.wav"]
    assert not Path(heard.read_text().splitlines()[0]).exists(), "cleans up after itself"


def test_newest_cues_go_first_when_they_pile_up(tmp_path: Path) -> None:
    gate = threading.Event()
    entered = threading.Event()
    rung: list[int] = []

    def ring() -> None:
        entered.set()
        gate.wait(30)
        rung.append(1)

    sounds = Sounds(player=None, ring=ring)
    sounds.play(Cue.HOLD_STILL)
    assert entered.wait(30)
    for _ in range(20):
        sounds.play(Cue.HOLD_STILL)
    gate.set()
    sounds.close(wait_s=30)
    assert len(rung) == 3, "the one being played and the two newest"


@pytest.mark.parametrize(
    "player", [None, ["/no/such/player", FILE], [sys.executable, "-c", "import sys; sys.exit(1)"]]
)
def test_bell_where_the_player_fails(player: list[str] | None) -> None:
    rung: list[int] = []
    with Sounds(player=player, ring=lambda: rung.append(1)) as sounds:
        sounds.play(Cue.TAKEN)
        sounds.close(wait_s=30)
    assert len(rung) == BELLS[Cue.TAKEN]


def test_off_is_silent() -> None:
    rung: list[int] = []
    with Sounds(enabled=False, player=None, ring=lambda: rung.append(1)) as sounds:
        sounds.play(Cue.TROUBLE)
        sounds.close(wait_s=30)
    assert rung == []
