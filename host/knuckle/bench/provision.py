"""Give a fresh pod its settings over the line, as a host would."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from knuckle.bench.client import Bench
from knuckle.errors import LinkWrongDevice, PodError
from knuckle.wire.commands import LONGEST_SETTINGS_PIECE, encode_command, settings_write
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import Ack, AckCode, Command, Hello, Message

STEP_S: Final = 0.02
HELLO_WITHIN_S: Final = 5.0
ANSWER_WITHIN_S: Final = 2.0
TRIES: Final = 3
_Wanted = Callable[[Message], bool]


def write_settings(bench: Bench, record: bytes) -> None:
    """Write the whole settings record.

    Raises
    ------
    LinkWrongDevice
        If the program says no hello.
    PodError
        If it does not take the settings.
    """
    decoder = PodDecoder()
    if not _wait(bench, decoder, HELLO_WITHIN_S, lambda message: isinstance(message, Hello)):
        raise LinkWrongDevice(
            f"The emulated board said no hello within {HELLO_WITHIN_S:g} s.",
            "The ELF file holds another program, or it hangs.",
            "Build it anew: 'make -C firmware board'; or name another with elf=FILE.",
        )
    for token, offset in enumerate(range(0, len(record), LONGEST_SETTINGS_PIECE)):
        piece = settings_write(offset, record[offset : offset + LONGEST_SETTINGS_PIECE])
        _write_piece(bench, decoder, token, piece)


def _write_piece(bench: Bench, decoder: PodDecoder, token: int, piece: bytes) -> None:
    answers: list[Ack] = []

    def is_answer(message: Message) -> bool:
        if isinstance(message, Ack) and message.token == token:
            answers.append(message)
            return True
        return False

    for _ in range(TRIES):
        bench.write(encode_command(Command.SETTINGS_WRITE, token, piece))
        if _wait(bench, decoder, ANSWER_WITHIN_S, is_answer):
            break
    if not answers or answers[-1].code != AckCode.OK:
        said = AckCode(answers[-1].code).name if answers else "nothing"
        raise PodError(
            "The emulated board did not take its settings.",
            f"It answered: {said}.",
            "Build it anew: 'make -C firmware board'.",
        )


def _wait(bench: Bench, decoder: PodDecoder, within_s: float, wanted: _Wanted) -> bool:
    for _ in range(round(within_s / STEP_S)):
        decoder.receive_data(bench.run_s(STEP_S))
        if any(wanted(message) for message in decoder.events()):
            return True
    return False
