"""Which column of a recording belongs to which linear sensor, whatever the pod's table says."""

from __future__ import annotations

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.wire.messages import Channel, ChannelKind, Hello, Sensor


class LinearColumns:
    """Keeps a sensor in its column when the table changes in a recording.

    A column is known by the sensor and its number among those of its kind. A sensor that the
    table has not had before gets the next column.
    """

    def __init__(self) -> None:
        self._places: dict[tuple[Sensor, int, int], int] = {}
        self._channels: list[Channel] = []

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The row of the table that each column had last."""
        return tuple(self._channels)

    def placed(self, hello: Hello, linear_mm: FloatArray | None) -> FloatArray | None:
        """Return readings in their columns; NaN in those that the table now lacks.

        Parameters
        ----------
        hello : Hello
        linear_mm : ndarray, shape (n, axes of the table's linear channels), or None
        """
        places: list[int] = []
        seen: dict[Sensor, int] = {}
        for channel in hello.channels:
            if channel.kind != ChannelKind.LINEAR:
                continue
            number = seen[channel.sensor] = seen.get(channel.sensor, 0) + 1
            for axis in range(channel.axes):
                key = (channel.sensor, number, axis)
                if key not in self._places:
                    self._places[key] = len(self._channels)
                    self._channels.append(channel)
                self._channels[self._places[key]] = channel
                places.append(self._places[key])
        count = len(self._channels)
        if linear_mm is None:
            return None
        if places == list(range(count)):
            return linear_mm
        wide = np.full((linear_mm.shape[0], count), np.nan)
        wide[:, places] = linear_mm
        return wide
