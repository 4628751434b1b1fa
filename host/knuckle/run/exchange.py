"""Commands under way: each is answered, sent again, or given up at its deadline."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from knuckle.errors import KnuckleError, LinkTimeout, PodError
from knuckle.wire.commands import encode_command
from knuckle.wire.messages import (
    Ack,
    AckCode,
    ClockReply,
    Command,
    Hello,
    Message,
    SelfTestReply,
    SettingsData,
    Status,
)

Reply = Message | KnuckleError
OnReply = Callable[[Reply], None]

HANDSHAKE_TOKENS: Final = range(1, 64)
OTHER_TOKENS: Final = range(64, 256)
"""Two sets, so that a replay, which gives no cues, numbers its handshake as the live run did."""

_REFUSALS: Final = {
    AckCode.UNKNOWN_COMMAND: "its firmware does not know the command",
    AckCode.BAD_LENGTH: "the command had the wrong length",
    AckCode.BAD_VALUE: "a value was out of range",
    AckCode.BUSY: "it is busy",
    AckCode.SETTINGS_FAULT: "its settings memory is at fault",
    AckCode.TOO_MANY: "too many commands came at once",
}


@dataclass(frozen=True, slots=True)
class Request:
    """A command to send.

    Attributes
    ----------
    deadline_s : float
        How long to wait for the answer to each attempt, in the link's time.
    attempts : int
        How often it is sent before it is given up; every command may safely come twice.
    """

    command: Command
    payload: bytes = b""
    deadline_s: float = 1.0
    attempts: int = 3


@dataclass(slots=True)
class _Pending:
    request: Request
    token: int
    on_reply: OnReply
    due_s: float
    attempts_left: int


class Exchange:
    """Requests out, replies in; knows time only from what it is told."""

    def __init__(self) -> None:
        self._pending: list[_Pending] = []
        self._outgoing = bytearray()
        self._used: dict[range, int] = {}

    def send(
        self, request: Request, at_s: float, on_reply: OnReply, tokens: range = OTHER_TOKENS
    ) -> None:
        """Send a command; `on_reply` is called once, with the answer or an error."""
        token = self._next_token(tokens)
        pending = _Pending(request, token, on_reply, 0.0, request.attempts)
        self._pending.append(pending)
        self._attempt(pending, at_s)

    def start_over(self) -> None:
        """Count the handshake's tokens from the first again."""
        self._used.pop(HANDSHAKE_TOKENS, None)

    def take_outgoing(self) -> bytes:
        """Return the bytes to write now."""
        data = bytes(self._outgoing)
        self._outgoing.clear()
        return data

    def take(self, message: Message) -> None:
        """See whether a message answers a command."""
        for pending in self._pending:
            if not _answers(message, pending):
                continue
            self._pending.remove(pending)
            if isinstance(message, Ack) and message.code != AckCode.OK:
                pending.on_reply(_refused(pending.request.command, message.code))
            else:
                pending.on_reply(message)
            return

    def pass_time(self, at_s: float) -> None:
        """Send again, or give up, what has not been answered in time."""
        for pending in [p for p in self._pending if at_s >= p.due_s]:
            if pending.attempts_left > 0:
                self._attempt(pending, at_s)
                continue
            self._pending.remove(pending)
            waited_s = pending.request.deadline_s * pending.request.attempts
            pending.on_reply(
                LinkTimeout(
                    f"The pod did not answer {pending.request.command.name} in {waited_s:g} s.",
                    "The link is disturbed, or the pod hangs.",
                    "Check cable and battery; unplug the pod and plug it in again.",
                )
            )

    def fail_all(self, error: KnuckleError) -> None:
        """Give up everything under way."""
        pending, self._pending = self._pending, []
        self._outgoing.clear()
        for one in pending:
            one.on_reply(error)

    def _attempt(self, pending: _Pending, at_s: float) -> None:
        pending.attempts_left -= 1
        pending.due_s = at_s + pending.request.deadline_s
        self._outgoing += encode_command(
            pending.request.command, pending.token, pending.request.payload
        )

    def _next_token(self, tokens: range) -> int:
        used = self._used.get(tokens, 0)
        self._used[tokens] = used + 1
        return tokens[used % len(tokens)]


def _answers(message: Message, pending: _Pending) -> bool:
    if isinstance(message, Ack | SettingsData | ClockReply | SelfTestReply):
        return message.token == pending.token
    if isinstance(message, Hello):
        return pending.request.command == Command.HELLO
    return isinstance(message, Status) and pending.request.command == Command.STATUS


def _refused(command: Command, code: int) -> PodError:
    try:
        reason = _REFUSALS[AckCode(code)]
    except (ValueError, KeyError):
        reason = f"it gave the unknown code {code}"
    return PodError(
        f"The pod refused {command.name}: {reason}.",
        next_step="If this repeats, update the pod's firmware.",
    )
