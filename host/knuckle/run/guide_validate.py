"""Guides a person through a validation: angles are set, the reference's reading is typed.

Nothing else is typed and no key pressed: a pod reading counts once the pod has stood still, and
the next one only after the pod was handled.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.agreement.comparison import ReferenceReading
from knuckle.errors import UsageError
from knuckle.geometry.rotation import unit
from knuckle.geometry.steering import camber
from knuckle.model.block import Block
from knuckle.model.guidance import Ask, Guidance, PlaceMark, Shown
from knuckle.model.rest import Rest
from knuckle.run.events import (
    LinkDown,
    LinkUp,
    RestEnded,
    RestReady,
    RestWithdrawn,
    RunEvent,
    Samples,
    StillnessChanged,
)
from knuckle.run.guide import PlainGuide
from knuckle.run.handling import Handling
from knuckle.run.live_angles import LiveAngles
from knuckle.run.validation_facts import Plan, Taken
from knuckle.wire.messages import Cue

STILL_S: Final = 2.5
"""A rest counts once it is that old: the noise of its mean is then small beside a protractor's."""
TAKEN_OFF_DPS: Final = 2.0
STEEPEST_DEG: Final = 60.0
APART_DEG: Final = 3.0
"""A typed reading that differs from the pod's by more is asked for again, once."""
TURNED_DEG: Final = 120.0
AGAIN: Final = "again"
_OUTBOARD: Final = np.array([0.0, 1.0, 0.0])


ReadLine = Callable[[str, int], ReferenceReading]


@dataclass(slots=True)
class _Held:
    """The rest that goes on."""

    rest: Rest
    counted: bool = False


class ValidateGuide(PlainGuide):
    """Turns run events and typed lines into what the person should do.

    Parameters
    ----------
    plan : Plan
    read : callable
        From a typed line and its setting to the reading; raises `UsageError` in words.
    typed : sequence of ReferenceReading
        Of an earlier run that is gone on with.
    done : int
        Steps done in it.
    """

    def __init__(
        self,
        plan: Plan,
        read: ReadLine,
        typed: Sequence[ReferenceReading] = (),
        done: int = 0,
    ) -> None:
        super().__init__()
        self._plan = plan
        self._read = read
        self._steps = plan.steps
        self._before = tuple(typed)
        self._typed: list[ReferenceReading] = []
        self._taken: list[Taken] = []
        self._index = done
        self._angles = LiveAngles()
        self._handling = Handling()
        self._handling.handled = True
        self._held: _Held | None = None
        self._heading_deg: float | None = None
        self._turned = False
        self._read_deg = 0.0
        self._asking = False
        self._doubted: float | None = None
        self._trouble = ""
        self._state = "moving"
        self._moved = True

    # ---- what is known

    @property
    def typed(self) -> tuple[ReferenceReading, ...]:
        """Readings of the reference typed in this run."""
        return tuple(self._typed)

    @property
    def taken(self) -> tuple[Taken, ...]:
        """Pod readings taken in this run."""
        return tuple(self._taken)

    @property
    def figure(self) -> Shown:
        """How far it is."""
        step = min(self._index + 1, len(self._steps))
        return Shown("reading", f"{step}", f"of {len(self._steps)}")

    @property
    def question(self) -> str | None:
        """What is asked of the person now; None if nothing is."""
        if not self._asking:
            return None
        number = f"Reading {self._index + 1} of {len(self._steps)}"
        if self._plan.bar is not None:
            return f"{number}: stack heights, mm, HIGH or HIGH/LOW"
        return f"{number}: what does the reference show, deg?"

    @property
    def guidance(self) -> Guidance:
        """What the person should do now."""
        words, ask = self._words()
        parts = list(dict.fromkeys(step.part for step in self._steps))
        places = tuple(
            PlaceMark(
                part.value,
                sum(step.part is part for step in self._steps[: self._index]),
                sum(step.part is part for step in self._steps),
            )
            for part in parts
        )
        return Guidance(words, ask, None, places if len(places) > 1 else ())

    def _words(self) -> tuple[str, Ask]:
        if self._finished:
            return "Finished", Ask.DONE
        if self._link_down:
            return "Link lost: the program waits for the pod", Ask.TROUBLE
        if self._asking:
            return "Taken: type what the reference shows", Ask.TAKEN
        if self._trouble:
            return self._trouble, Ask.TROUBLE
        if self._held is not None and not self._held.counted:
            return "Keep still", Ask.HOLD
        return self._wanted, Ask.MOVE if self._first_s is not None else Ask.WAIT

    @property
    def _wanted(self) -> str:
        """What the next step asks for."""
        step = self._steps[self._index]
        last = self._steps[self._index - 1] if self._index else None
        if last is not None and last.setting == step.setting:
            if step.turned != last.turned:
                return "Put the pod on turned end for end"
            return "Take the pod off and on again"
        words = f"Set about {step.target_deg:+.1f} deg"
        if self._plan.bar is not None:
            stack_mm = self._plan.bar.length_mm * abs(np.sin(np.radians(step.target_deg)))
            words += f" (stacks {stack_mm:.1f} mm apart)"
        if last is not None and last.turned and not step.turned:
            return f"{words}, the pod as at first"
        return words if last is not None and last.seat == step.seat else f"{words}, pod on anew"

    # ---- what happens

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order."""
        match event:
            case Samples(block=block) if len(block):
                return self._sampled(block)
            case StillnessChanged(state=state):
                self._state = state
                if state == "moving":
                    self._moved, self._trouble = True, ""
            case RestReady(rest=rest):
                return self._rested(rest)
            case RestEnded(rest=rest):
                self._angles.rested(rest)
                self._held = None
            case RestWithdrawn(start_s=start_s):
                return self._withdrawn(start_s)
            case LinkDown():
                self._link_down = True
                self._held = None
                return [Cue.LINK_LOST]
            case LinkUp():
                self._link_down = False
                return [Cue.LINK_BACK]
        return []

    def answer(self, text: str) -> list[Cue]:
        """Take what was typed in answer to the question; return the cues to give now.

        Raises
        ------
        UsageError
            If it cannot be read, or differs so much from the pod's reading that it is asked for
            again. The question stands.
        """
        if text.strip().lower() == AGAIN:
            self._asking = False
            self._taken.pop()
            self._remarks.append("Left out: set it once more, and keep still.")
            return [Cue.MOVE_ON]
        step = self._steps[self._index]
        reading = self._read(text, step.setting)
        sign = -1.0 if step.turned else 1.0
        apart = abs(reading.value_deg - sign * self._read_deg)
        if apart > APART_DEG and self._doubted != reading.value_deg:
            self._doubted = reading.value_deg
            sign_wrong = abs(reading.value_deg + sign * self._read_deg) < APART_DEG
            raise UsageError(
                f"{text.strip()} is {apart:.1f} deg from what the pod reads.",
                "The sign is the other way round." if sign_wrong else "",
                "Type it again to keep it, or type what the reference shows.",
            )
        self._typed.append(reading)
        self._asking, self._doubted = False, None
        return self._go_on()

    def _sampled(self, block: Block) -> list[Cue]:
        if self._first_s is None:
            self._first_s = float(block.t_s[0])
        self._now_s = float(block.t_s[-1])
        self._angles.push(block)
        held = self._held
        if held is None:
            self._handling.follow(self._angles, self._now_s)
            return []
        rate_dps = self._angles.rate_dps
        moving = rate_dps is not None and rate_dps > TAKEN_OFF_DPS
        if held.counted or moving or self._now_s - held.rest.start_s < STILL_S:
            return []
        return self._count(held)

    def _rested(self, rest: Rest) -> list[Cue]:
        self._angles.rested(rest)
        if self._finished or self._asking:
            return []
        read_deg = float(np.degrees(camber(unit(rest.accel_g), _OUTBOARD)))
        self._trouble = self._hindrance(read_deg)
        if self._trouble:
            return [Cue.TROUBLE]
        self._held = _Held(rest)
        self._read_deg = read_deg
        return [Cue.HOLD_STILL]

    def _hindrance(self, read_deg: float) -> str:
        """Return why a rest is not the reading that is wanted; empty if it is."""
        if abs(read_deg) > STEEPEST_DEG:
            return "The pod lies on its face: stand it up"
        step = self._steps[self._index]
        last = self._steps[self._index - 1] if self._index else None
        if last is None or not (self._taken or self._typed):
            return ""
        if not (self._handling.handled if step.seat != last.seat else self._moved):
            return f"Not moved since: {self._wanted[0].lower()}{self._wanted[1:]}"
        if step.turned != self._turned and self._turned_by() < TURNED_DEG:
            return "Turn the pod end for end, by half a turn"
        if step.turned == self._turned and step.turned and self._turned_by() > 180.0 - TURNED_DEG:
            return "Leave the pod turned end for end"
        return ""

    def _turned_by(self) -> float:
        """Return by how much the heading has changed, 0 to 180 deg; 180 or 0 as wanted if unknown.

        Without a gyro nothing is known, and the person's word is taken.
        """
        now = self._angles.steer_deg
        if now is None or self._heading_deg is None:
            step = self._steps[self._index]
            return 180.0 if step.turned != self._turned else 0.0
        return abs((now - self._heading_deg + 180.0) % 360.0 - 180.0)

    def _count(self, held: _Held) -> list[Cue]:
        held.counted = True
        step = self._steps[self._index]
        self._taken.append(Taken(self._index, held.rest.start_s, self._now_s))
        self._handling.rested(held.rest, self._angles)
        self._heading_deg = self._angles.steer_deg
        self._turned, self._moved = step.turned, False
        known = {reading.setting for reading in (*self._before, *self._typed)}
        if step.setting not in known:
            self._asking = True
            return [Cue.TAKEN]
        return [Cue.TAKEN, *self._go_on()]

    def _go_on(self) -> list[Cue]:
        self._index += 1
        if self._index < len(self._steps):
            return []
        self._finished = True
        return [Cue.FINISHED]

    def _withdrawn(self, start_s: float) -> list[Cue]:
        """Take back a reading whose rest turned out to be none."""
        held, self._held = self._held, None
        if held is None or not held.counted or held.rest.start_s != start_s or self._asking:
            return []
        last = self._taken.pop()
        self._index = last.step
        self._moved = self._handling.handled = True
        self._remarks.append("That was no rest after all: once more, please.")
        return [Cue.TROUBLE]
