"""The emulated board on a time in seconds, as a link sees a pod."""

from __future__ import annotations

from pathlib import Path

from knuckle.bench.client import CLOCK_HZ, Bench
from knuckle.bench.places import find_bench, find_elf
from knuckle.errors import LinkLost


class Board:
    """The bench with a program, started when it is opened.

    Parameters
    ----------
    bench, elf : str or None
        Files; None takes those of the source checkout.
    seed : int
        Of what is random in the chip.
    clock_ppm : float
        How much faster than nominal its crystal runs.
    """

    finished = False
    connected = True

    def __init__(
        self,
        *,
        bench: str | None = None,
        elf: str | None = None,
        seed: int = 1,
        clock_ppm: float = 0.0,
    ) -> None:
        self._files = bench, elf
        self._seed = seed
        self._cycles_per_s = CLOCK_HZ * (1.0 + clock_ppm * 1e-6)
        self._zero_cycle = 0
        self._bench: Bench | None = None
        self._closed = False

    @property
    def bench(self) -> Bench:
        """The running bench.

        Raises
        ------
        LinkLost
            If it is not open.
        """
        if self._bench is None:
            raise LinkLost(
                "The emulated board is not running.",
                "It was closed, or never opened.",
                "Start again.",
            )
        return self._bench

    @property
    def ended(self) -> bool:
        """Whether the bench is not to be had again: closed, or its process is gone."""
        return self._closed or (self._bench is not None and self._bench.ended)

    @property
    def elf(self) -> Path:
        """The program it runs.

        Raises
        ------
        LinkNotFound
            If it is not there.
        """
        return find_elf(self._files[1])

    def open(self) -> bool:
        """Start the bench if it does not run; return whether it was started.

        Raises
        ------
        LinkNotFound
            If bench or program are not there or do not start.
        """
        if self._bench is not None or self._closed:
            return False
        self._bench = Bench(find_bench(self._files[0]), self.elf, seed=self._seed)
        return True

    def close(self) -> None:
        """End the bench for good."""
        self._closed = True
        if self._bench is not None:
            self._bench.close()
            self._bench = None

    def cycle_at(self, at_s: float) -> int:
        """Return the cycle of a moment."""
        return self._zero_cycle + round(at_s * self._cycles_per_s)

    def seconds_at(self, cycle: int) -> float:
        """Return the moment of a cycle."""
        return (cycle - self._zero_cycle) / self._cycles_per_s

    def start_time(self) -> None:
        """Let this moment be second 0."""
        self._zero_cycle = self.bench.cycle

    def advance(self, to_s: float) -> bytes:
        """Let time go on; return what the pod has sent by then."""
        return self.bench.run_to(self.cycle_at(to_s))

    def receive(self, data: bytes) -> None:
        """Put bytes on the line to the pod."""
        self.bench.write(data)
