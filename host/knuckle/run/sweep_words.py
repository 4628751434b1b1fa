"""What is said to the driver of a sweep about the next move."""

from __future__ import annotations

from typing import Final

from knuckle.model.wheel import Wheel
from knuckle.run.sweep_plan import AIM_DEG, Need

_BEGUN_DEG: Final = 5.0


class SweepWords:
    """Words and goals for one wheel.

    Parameters
    ----------
    wheel : Wheel or None
        Tells which side is "in"; None where both front wheels are swept at once.
    plates_deg : (float, float) or None
        The turn plates' angles at left and right lock.
    """

    def __init__(self, wheel: Wheel | None, plates_deg: tuple[float, float] | None) -> None:
        self._wheel = wheel
        self._plates = plates_deg is not None
        self._left_deg, self._right_deg = plates_deg or (AIM_DEG, AIM_DEG)

    def goal_deg(self, need: Need) -> float | None:
        """Return where to steer to, left positive; None where it is open."""
        goals = {Need.LEFT: self._left_deg, Need.RIGHT: -self._right_deg, Need.STRAIGHT: 0.0}
        return goals.get(need)

    def move(self, need: Need, steer_deg: float | None) -> str:
        """Return what to do next."""
        if need is Need.STRAIGHT:
            return "Come back to straight ahead"
        if need not in (Need.LEFT, Need.RIGHT):
            return f"Turn left or right, to {max(self._left_deg, self._right_deg):.0f} deg"
        left = need is Need.LEFT
        aim_deg = self._left_deg if left else self._right_deg
        begun = steer_deg is not None and abs(steer_deg) > _BEGUN_DEG and (steer_deg > 0.0) == left
        verb = "Turn further" if begun else "Turn"
        return f"{verb} {self._way(left)}, to {aim_deg:.0f} deg"

    def move_without_gyro(self, need: Need, *, locks_taken: int) -> str:
        """Return what to do next, where the side that was taken is not known."""
        if need is Need.STRAIGHT:
            return "Come back to straight ahead"
        which = "the other side" if locks_taken else "one side"
        about = "to" if self._plates else "about"
        return f"Turn to {which}, {about} {max(self._left_deg, self._right_deg):.0f} deg"

    def go_back(self, steer_deg: float | None) -> str:
        """Return what is said when a position that was taken does not count after all."""
        if steer_deg is None:
            return "Not taken after all: go back to where the wheel stood"
        if abs(steer_deg) < _BEGUN_DEG:
            return "Not taken after all: go back to straight ahead"
        way = self._way(steer_deg > 0.0)
        return f"Not taken after all: go back {way}, to {abs(steer_deg):.0f} deg"

    def _way(self, left: bool) -> str:
        side = "left" if left else "right"
        if self._wheel is None:
            return side
        return f"{side} ({'out' if left == self._wheel.is_left else 'in'})"

    def no_gyro(self) -> str:
        """Return what is said of a pod without gyro."""
        if self._plates:
            return "No gyro, so no live steer angle: steer to the plates' marks."
        return (
            "No gyro, so no live steer angle; --plates or --linear would make the result far "
            "better."
        )

    def linear_dead(self) -> str:
        """Return what is said of a linear sensor that does not follow the wheel."""
        return (
            "The linear sensor does not follow the wheel: is it hooked up, and square to its "
            "lever? No live steer angle."
        )
