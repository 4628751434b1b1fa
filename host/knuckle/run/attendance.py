"""Whether a pod is there: judged on arrivals alone, in the link's own time."""

from __future__ import annotations

from typing import Final

from knuckle.errors import LinkError, LinkTimeout
from knuckle.run.deadlines import Deadlines, bad_header, gone_silent, no_header, no_hello
from knuckle.run.handshake import no_sensor
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import PROTOCOL, Hello

SENSORS_S: Final = 1.5
"""Time for a pod that has just started to find its sensors; it says hello once a second."""


class Attendance:
    """Notes when bytes came and says when they are overdue.

    Attributes
    ----------
    down_since_s : float or None
        Link time from which nothing has come; None while the pod is there.
    silent : LinkTimeout or None
        Why an open link counts as down.
    """

    def __init__(self, deadlines: Deadlines) -> None:
        self.down_since_s: float | None = None
        self.silent: LinkTimeout | None = None
        self._deadlines = deadlines
        self._opened_s = 0.0
        self._bytes_came = False
        self._last_data_s: float | None = None
        self._bare_since_s: float | None = None

    def opened(self, at_s: float) -> None:
        """Take note that the link is open (again)."""
        self._opened_s = at_s
        self._bytes_came = False
        self._bare_since_s = None
        self.silent = None

    def bytes_came(self, at_s: float) -> None:
        """Take note of an arrival."""
        self._bytes_came = True
        self._last_data_s = at_s
        self.silent = None

    def hello_overdue(self, now_s: float, decoder: PodDecoder) -> LinkError | None:
        """Return the error if no hello has come in time.

        Parameters
        ----------
        decoder : PodDecoder
            Knows whether sample lines of the text format come, whose header is repeated seldom,
            and what is wrong with a header.
        """
        lines_come = decoder.counts.headerless_lines > 0
        limit_s = self._deadlines.header_s if lines_come else self._deadlines.hello_s
        if now_s - self._opened_s < limit_s:
            return None
        if decoder.text_trouble:
            return bad_header(decoder.text_trouble)
        if lines_come:
            return no_header(limit_s)
        return no_hello(limit_s, bytes_came=self._bytes_came)

    def fell_silent(self, now_s: float) -> LinkTimeout | None:
        """Return the error once when nothing has come for too long."""
        if self.silent is not None or self._last_data_s is None:
            return None
        silent_s = now_s - self._last_data_s
        if silent_s < self._deadlines.silence_s:
            return None
        self.silent = gone_silent(silent_s)
        return self.silent

    def goes_down(self, now_s: float) -> bool:
        """Take note that the pod is gone; True if it was there until now."""
        if self.down_since_s is not None:
            return False
        self.down_since_s = self._last_data_s if self._last_data_s is not None else now_s
        return True

    def comes_up(self, now_s: float) -> float | None:
        """Take note that the pod is there; return how long it was gone, if it was."""
        if self.down_since_s is None:
            return None
        gap_s = now_s - self.down_since_s
        self.down_since_s = None
        return gap_s

    def waits_for_sensors(self, hello: Hello, at_s: float) -> bool:
        """Return whether a pod without sensors shall have time to find them.

        Raises
        ------
        PodError
            If it has had enough.
        """
        if hello.channels or hello.protocol != PROTOCOL:
            self._bare_since_s = None
            return False
        if self._bare_since_s is None:
            self._bare_since_s = at_s
        if at_s - self._bare_since_s >= SENSORS_S:
            raise no_sensor()
        return True
