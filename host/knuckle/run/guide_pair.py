"""Guides one driver through a sweep of both front wheels, by a pod on each.

Each wheel has a guide of its own, which knows what its wheel lacks. The driver hears them as
one: "taken" when both have it, "move on" when both want to go on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from knuckle.model.guidance import Ask, Guidance, PlaceMark
from knuckle.model.rest import Rest
from knuckle.model.wheel import Wheel
from knuckle.run.events import Ended, LinkDown, LinkUp, RunEvent
from knuckle.run.guide_sweep import SweepGuide
from knuckle.wire.messages import Cue

_NEXT = (Cue.MOVE_ON, Cue.GO_BACK, Cue.FINISHED)


@dataclass(slots=True)
class _Side:
    """One wheel: its guide, and what that would have said."""

    guide: SweepGuide
    taken: bool = False
    next: Cue | None = None
    link_down: bool = False
    gone: bool = False


class PairGuide:
    """Turns the events of two pods into what the one driver should do.

    Parameters
    ----------
    guides : mapping of Wheel to SweepGuide
    """

    def __init__(self, guides: Mapping[Wheel, SweepGuide]) -> None:
        self._sides = {wheel: _Side(guide) for wheel, guide in guides.items()}
        self._told = False
        self._sent = False
        self._held = False
        self._called_back = False
        self._finished = False
        self._remarks: list[str] = []

    # ---- what is shown

    @property
    def finished(self) -> bool:
        """Whether both wheels have all that they need."""
        return self._finished

    @property
    def wheel(self) -> Wheel:
        """The wheel whose guide leads now."""
        return next(wheel for wheel, side in self._sides.items() if side is self._leading())

    @property
    def passed_s(self) -> float:
        """Pod time since the first sample, of the pod that has come furthest."""
        return max(side.guide.passed_s for side in self._sides.values())

    def steer_deg(self, wheel: Wheel) -> float | None:
        """Change of heading of one wheel from straight ahead; None where not known."""
        return self._sides[wheel].guide.steer_deg

    def camber_deg(self, wheel: Wheel) -> float | None:
        """Camber of one wheel as it is now, for the eye only."""
        return self._sides[wheel].guide.camber_deg

    @property
    def guidance(self) -> Guidance:
        """What the driver should do now."""
        places = self._places()
        if self._finished:
            return Guidance("Finished", Ask.DONE, None, places)
        down = [w for w, side in self._sides.items() if side.link_down and not side.gone]
        if down:
            which = "Both pods'" if len(down) > 1 else f"{_side_of(down[0]).capitalize()} pod's"
            words = f"{which} link lost: keep still"
            return Guidance(words, Ask.TROUBLE, None, places)
        if self._told and not self._sent:
            return Guidance("Taken", Ask.TAKEN, None, places)
        led = self._leading().guide.guidance
        here = self._here()
        if any(side.taken for side in here) and not self._told and led.ask is not Ask.TROUBLE:
            return Guidance("Keep still", Ask.HOLD, led.goal_deg, places)
        return Guidance(led.words, led.ask, led.goal_deg, places)

    def _places(self) -> tuple[PlaceMark, ...]:
        """Return the places of the wheel that has fewer of each."""
        rows = [side.guide.guidance.places for side in self._here() or self._sides.values()]
        return tuple(min(marks, key=lambda mark: mark.taken) for marks in zip(*rows, strict=True))

    def _here(self) -> list[_Side]:
        return [side for side in self._sides.values() if not side.gone]

    def _leading(self) -> _Side:
        """Return the wheel in trouble, else the one that has not got this rest, else lacks more."""
        here = self._here() or list(self._sides.values())
        troubled = [side for side in here if side.guide.guidance.ask is Ask.TROUBLE]
        open_ones = [side for side in here if not side.guide.finished]
        waiting = [side for side in open_ones if not side.taken]
        return (troubled or waiting or open_ones or here)[0]

    def remarks(self) -> list[str]:
        """Return lines for the driver that have come up since the last call; each once."""
        told, self._remarks = self._remarks, []
        for wheel, side in self._sides.items():
            told += [f"{wheel}: {line}" for line in side.guide.remarks()]
        return told

    # ---- what happens

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order, on every pod."""
        side = self._sides[event.wheel]
        if isinstance(event, Ended):
            side.gone = True
            if event.error is not None and self._here():
                self._remarks.append(
                    f"The {_side_of(event.wheel)} pod is gone for good; the sweep goes on with "
                    "the other."
                )
            return self._together()
        if isinstance(event, LinkDown):
            side.link_down = True
        if isinstance(event, LinkUp):
            side.link_down = False
        return self._heard(side, side.guide.take(event))

    def confirm(self, wheel: Wheel, rests: Sequence[Rest]) -> list[Cue]:
        """Drop places whose rest is judged a drift by now; return cues."""
        side = self._sides[wheel]
        return self._heard(side, side.guide.confirm(rests))

    def _heard(self, side: _Side, cues: Sequence[Cue]) -> list[Cue]:
        """Pass on at once what cannot wait, and keep the rest until both say it."""
        troubled = Cue.TROUBLE in cues
        out: list[Cue] = []
        for cue in cues:
            if cue is Cue.TAKEN:
                side.taken = True
            elif cue in _NEXT and not troubled:
                side.next = cue
            elif cue is Cue.HOLD_STILL:
                if not self._held:
                    out.append(cue)
                self._held = True
            elif cue is Cue.TROUBLE or (cue in _NEXT and troubled):
                # The other wheel has drifted as well: the driver is called back once.
                if not self._called_back:
                    out.append(cue)
            else:
                out.append(cue)
        if troubled:
            self._called_back = self._called_back or Cue.GO_BACK in cues
            self._told = self._sent = False
        if not side.guide.taken:
            side.taken, side.next = False, None
        if not any(each.guide.taken for each in self._here()):
            self._told = self._sent = False
            self._held = any(each.guide.guidance.ask is Ask.HOLD for each in self._here())
        return out + self._together()

    def _together(self) -> list[Cue]:
        """Return what both have said by now."""
        here = self._here()
        if not here or self._finished or any(side.link_down for side in here):
            return []
        out: list[Cue] = []
        if not self._told and all(side.taken for side in here):
            self._told, self._called_back = True, False
            out.append(Cue.TAKEN)
        if self._told and not self._sent and all(side.next is not None for side in here):
            self._sent = True
            if all(side.guide.finished for side in here):
                self._finished = True
                return [*out, Cue.FINISHED]
            wanted = {side.next for side in here if not side.guide.finished}
            out.append(Cue.GO_BACK if Cue.GO_BACK in wanted else Cue.MOVE_ON)
        return out


def _side_of(wheel: Wheel) -> str:
    return "left" if wheel.is_left else "right"
