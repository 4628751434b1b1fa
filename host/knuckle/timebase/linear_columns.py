"""Which column of a recording belongs to which linear sensor, whatever the pod's table says."""

from __future__ import annotations

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.wire.messages import ChannelKind, Hello, Sensor


class LinearColumns:
    """Keeps a sensor in its column when the table changes in a recording.

    A column is known by the sensor and its number among those of its kind. A sensor that the
    table has not had before gets the next column.
    """

    def __init__(self) -> None:
        self._places: dict[tuple[Sensor, int, int], int] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """The sensor of each column, such as ``caliper`` or ``potentiometer 2``."""
        return tuple(
            sensor.name.lower() + (f" {number}" if number > 1 else "")
            for sensor, number, _ in self._places
        )

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
                places.append(self._places.setdefault(key, len(self._places)))
        count = len(self._places)
        if linear_mm is None:
            return None
        if places == list(range(count)):
            return linear_mm
        wide = np.full((linear_mm.shape[0], count), np.nan)
        wide[:, places] = linear_mm
        return wide
