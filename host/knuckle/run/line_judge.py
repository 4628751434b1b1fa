"""What makes the lines of a text pod useless, told while they come."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.errors import PodLinesError
from knuckle.run.events import RunEvent, Samples
from knuckle.wire.columns import other_unit
from knuckle.wire.decoder import PodDecoder

ENOUGH: Final = 25
"""Samples whose typical length tells the unit."""
UNREADABLE: Final = 40
"""Lines in vain before the pod is given up: a second or so."""
HOPELESS: Final = 20
"""So many times more lines in vain than good ones."""
SEE: Final = "docs/own-pod.md lists common mistakes."


class LineJudge:
    """Looks at the first samples of a text pod, and at how many of its lines can be read."""

    def __init__(self) -> None:
        self._lengths_g: list[float] = []

    def take(self, event: RunEvent) -> None:
        """Take samples.

        Raises
        ------
        PodLinesError
            If they are plainly in another unit than g.
        """
        if not isinstance(event, Samples) or len(self._lengths_g) >= ENOUGH:
            return
        self._lengths_g += np.linalg.norm(event.block.accel_g, axis=1).tolist()
        if len(self._lengths_g) < ENOUGH:
            return
        typical = float(np.median(self._lengths_g))
        unit = other_unit(typical)
        if unit is not None:
            raise PodLinesError(
                f"The pod's acceleration is typically {typical:.4g} long, where a pod that stands "
                "still reads 1 g.",
                f"Its readings seem to be in {unit}, under a header that says g.",
                f"Let the board convert them to g. {SEE}",
            )

    def judge(self, decoder: PodDecoder) -> None:
        """Look at what became of the lines.

        Raises
        ------
        PodLinesError
            If hardly one can be read.
        """
        counts = decoder.counts
        if counts.bad_lines >= UNREADABLE and counts.bad_lines > HOPELESS * counts.text_lines:
            raise PodLinesError(
                "The pod's lines cannot be read: they do not fit its header.",
                decoder.text_trouble,
                SEE,
            )
