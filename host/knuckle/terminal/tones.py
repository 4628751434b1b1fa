"""The cues as sound: short tunes, made here, written as WAV files."""

from __future__ import annotations

import array
import math
import sys
import wave
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from knuckle.wire.messages import Cue

RATE_HZ: Final = 22050
_LOUDNESS: Final = 0.6
_FADE_S: Final = 0.008
"""Each note fades in and out, or it would click."""


@dataclass(frozen=True, slots=True)
class Note:
    """A note, or a pause where `pitch_hz` is 0."""

    pitch_hz: float
    length_s: float


TUNES: Final[dict[Cue, tuple[Note, ...]]] = {
    # Told apart by rhythm and by rise or fall, so that an engine fan or poor hearing
    # for pitch does not make two of them alike.
    Cue.HOLD_STILL: (Note(440, 0.35),),
    Cue.TAKEN: (Note(880, 0.09), Note(0, 0.05), Note(1175, 0.16)),
    Cue.MOVE_ON: (Note(660, 0.08), Note(0, 0.06), Note(660, 0.08), Note(0, 0.06), Note(660, 0.08)),
    Cue.GO_BACK: (Note(784, 0.14), Note(0, 0.04), Note(523, 0.22)),
    Cue.FINISHED: (Note(523, 0.12), Note(659, 0.12), Note(784, 0.12), Note(1047, 0.35)),
    Cue.TROUBLE: (Note(220, 0.25), Note(0, 0.1), Note(220, 0.25), Note(0, 0.1), Note(220, 0.25)),
    Cue.LINK_LOST: (Note(600, 0.12), Note(450, 0.12), Note(330, 0.12), Note(240, 0.3)),
    Cue.LINK_BACK: (Note(330, 0.1), Note(495, 0.2)),
}

BELLS: Final[dict[Cue, int]] = {
    Cue.HOLD_STILL: 1,
    Cue.TAKEN: 2,
    Cue.MOVE_ON: 3,
    Cue.GO_BACK: 2,
    Cue.FINISHED: 4,
    Cue.TROUBLE: 5,
    Cue.LINK_LOST: 5,
    Cue.LINK_BACK: 1,
}
"""Strokes of the terminal's bell, where there is no player."""


def samples(tune: tuple[Note, ...]) -> array.array[int]:
    """Return a tune as 16-bit samples at `RATE_HZ`."""
    found = array.array("h")
    for note in tune:
        count = round(note.length_s * RATE_HZ)
        fade = min(round(_FADE_S * RATE_HZ), count // 2)
        for place in range(count):
            edge = min(place, count - 1 - place, fade) / fade
            phase = 2 * math.pi * note.pitch_hz * place / RATE_HZ
            # The octave above carries over a running engine better than a pure tone.
            tone = 0.8 * math.sin(phase) + 0.2 * math.sin(2 * phase)
            found.append(round(32767 * _LOUDNESS * edge * tone))
    return found


def write_wav(cue: Cue, path: Path) -> None:
    """Write a cue as a mono WAV file.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    content = samples(TUNES[cue])
    if sys.byteorder == "big":
        content.byteswap()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(content.tobytes())
