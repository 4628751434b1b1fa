"""Which faults of a pod stand, from what it says of their coming and going."""

from __future__ import annotations

from knuckle.run.fault_words import POD_ITSELF, FaultWords, fault_words
from knuckle.wire.messages import Channel, Fault, FaultCode, Hello, Sensor, Status

_UNPLACED = -1
"""A fault that only STATUS has told: it names no channel."""


class FaultBook:
    """Keeps what stands, and says what is new.

    The rows of one part have their faults together: a chip that is away takes three rows with
    it, and is told once.
    """

    def __init__(self) -> None:
        self._channels: tuple[Channel, ...] = ()
        self._standing: dict[int, set[int]] = {}

    def met(self, hello: Hello | None) -> None:
        """Take note of the pod's table; another one makes the faults of its rows void."""
        channels = hello.channels if hello is not None else ()
        if channels != self._channels:
            self._channels = channels
            for code, places in list(self._standing.items()):
                self._keep(code, places & {POD_ITSELF, _UNPLACED})

    def restarted(self) -> None:
        """Forget everything: the pod has started anew and tells it anew."""
        self._standing.clear()

    @property
    def standing(self) -> tuple[FaultWords, ...]:
        """What stands now, in words; one for each part and code."""
        return tuple(words for _, words in self.by_code)

    @property
    def by_code(self) -> tuple[tuple[int, FaultWords], ...]:
        """The same, each with its code."""
        return tuple(
            (code, fault_words(code, self._rows(group)))
            for code, places in sorted(self._standing.items())
            for group in self._groups(places)
        )

    def take(self, message: Fault | Status) -> list[str]:
        """Take a message; return lines for what is new, and for what is gone."""
        before = self.standing
        if isinstance(message, Fault):
            places = set(self._standing.get(message.code, set())) - {_UNPLACED}
            place = message.channel
            self._keep(message.code, places | {place} if message.present else places - {place})
        else:
            self._by_status(message.faults)
        return _told(before, self.standing)

    def _by_status(self, bits: int) -> None:
        for code in range(1, 32):
            stands = bits >> code & 1
            if not stands:
                self._keep(code, set())
            elif code not in self._standing:
                self._standing[code] = {_UNPLACED}

    def _keep(self, code: int, places: set[int]) -> None:
        if places and code != FaultCode.NONE:
            self._standing[code] = places
        else:
            self._standing.pop(code, None)

    def _rows(self, places: set[int]) -> list[Channel]:
        return [self._channels[place] for place in sorted(places) if self._is_row(place)]

    def _is_row(self, place: int) -> bool:
        return 0 <= place < len(self._channels)

    def _groups(self, places: set[int]) -> list[set[int]]:
        """Return the places by part: those of one chip together, whole as soon as one is there."""
        groups: list[set[int]] = []
        parts: list[Sensor] = []
        for place in sorted(places):
            if not self._is_row(place):
                groups.append({place})
                continue
            sensor = self._channels[place].sensor
            if sensor in (Sensor.MPU6050, Sensor.ADXL355, Sensor.SIMULATED):
                if sensor in parts:
                    continue
                parts.append(sensor)
                alike = {i for i, row in enumerate(self._channels) if row.sensor is sensor}
                groups.append(alike)
            else:
                groups.append({place})
        return groups


def _told(before: tuple[FaultWords, ...], after: tuple[FaultWords, ...]) -> list[str]:
    lines: list[str] = []
    for words in after:
        if words not in before:
            lines += words.lines()
    lines += [f"Over: {words.short}." for words in before if words not in after]
    return lines
