"""The four wheels and their sides."""

from __future__ import annotations

from enum import StrEnum


class Wheel(StrEnum):
    """A wheel position: left or right, front or rear."""

    LF = "LF"
    RF = "RF"
    LR = "LR"
    RR = "RR"

    @property
    def is_left(self) -> bool:
        """Whether the wheel is on the car's left side."""
        return self.value[0] == "L"

    @property
    def is_front(self) -> bool:
        """Whether the wheel is on the front axle."""
        return self.value[1] == "F"

    @property
    def side(self) -> int:
        """+1 on the left, -1 on the right: the q of docs/measurement.md."""
        return 1 if self.is_left else -1

    @property
    def spoken(self) -> str:
        """The wheel in words, for people."""
        return f"{'left' if self.is_left else 'right'} {'front' if self.is_front else 'rear'}"
