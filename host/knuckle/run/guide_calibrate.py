"""Guides a person through a calibration: poses, the face run, a full turn; nobody presses a key.

A part ends by itself when it is good enough, or early when the pod is laid down and left for
`LAID_DOWN_S`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from knuckle.calibrate.directions import coverage
from knuckle.calibrate.face import fit_face
from knuckle.calibrate.finder import PoseEvent, PoseFinder
from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import AccelerometerFit, FaceFit
from knuckle.estimate.data_sheets import AccelerometerSheet
from knuckle.model.block import Block, FloatArray
from knuckle.model.guidance import Ask, Guidance, PlaceMark, Shown, Sphere
from knuckle.model.rest import Rest
from knuckle.run.events import ButtonPressed, LinkDown, LinkUp, RunEvent, Samples
from knuckle.run.pose_marks import TAKEN_AFTER_S, Part, PoseMark, Taken
from knuckle.run.pose_progress import PoseProgress, corrected_up, quarter_deg
from knuckle.run.pose_words import pose_words
from knuckle.run.turn_watch import TOO_SLOW, TurnWatch
from knuckle.wire.messages import Cue

HOLD_S: Final = 0.5
"""Still for so long, the person is asked to keep so."""
LAID_DOWN_S: Final = 20.0
"""Whoever leaves the pod alone for so long is done with this part."""
UPRIGHT_DEG: Final = 25.0
NEW_QUARTER_DEG: Final = 45.0
QUARTERS: Final = 4
MOST_FACE: Final = 8
BEGUN_DEG, AT_MARK_DEG = 20.0, 45.0


class CalibrateGuide:
    """Turns run events into what the person with the pod should do.

    Parameters
    ----------
    sheet : callable
        Returns the accelerometer's data sheet; called when the pod is known.
    face : bool
        Whether the face run is asked for.
    turn_deg : float or None
        The full turn that is asked for.
    earlier : Taken, optional
        Of the run that is carried on.
    """

    def __init__(
        self,
        sheet: Callable[[], AccelerometerSheet],
        *,
        face: bool = True,
        turn_deg: float | None = None,
        earlier: Taken | None = None,
    ) -> None:
        self._sheet = sheet
        self._turn_deg = turn_deg
        parts = [Part.POSES, *([Part.FACE] * face), *([Part.TURN] * (turn_deg is not None))]
        self._parts = [*parts, Part.OVER]
        self._part = Part.POSES
        self._taken = earlier if earlier is not None else Taken()
        self._carried_on = earlier is not None
        self._marks: list[PoseMark] = []
        self._finder: PoseFinder | None = None
        self._rate_hz = 0.0
        self._progress = PoseProgress()
        self._face_fit: FaceFit | None = None
        self._watch = TurnWatch()
        self._held: Pose | None = None
        self._asked: float | None = None
        self._counted: float | None = None
        self._trouble = ""
        self._alone_from_s = 0.0
        self._clipped_s: float | None = None
        self._recent: FloatArray | None = None
        self._link_down = False
        self._first_s: float | None = None
        self._now_s = 0.0
        self._remarks: list[str] = []
        self.drops = 0
        self.ended_early: list[Part] = []

    # ---- what there is

    @property
    def marks(self) -> tuple[PoseMark, ...]:
        """Which poses of the recording were taken, and what for."""
        return tuple(self._marks)

    @property
    def finished(self) -> bool:
        """Whether every part is over."""
        return self._part is Part.OVER

    steer_deg = camber_deg = None

    @property
    def passed_s(self) -> float:
        """Pod time since the first sample."""
        return 0.0 if self._first_s is None else self._now_s - self._first_s

    def confirm(self, rests: Sequence[Rest]) -> list[Cue]:
        """Do nothing: a wheel's rests have no say here."""
        return []

    def remarks(self) -> list[str]:
        """Return lines for the operator that have come up since the last call."""
        told, self._remarks = self._remarks, []
        return [line for text in told for line in textwrap.wrap(text, 78, subsequent_indent="  ")]

    @property
    def figure(self) -> Shown | None:
        """What the part is about: what is left in camber, or how far round."""
        if self._part is Part.TURN and self._watch.turned_deg is not None:
            return Shown("turned, live", f"{abs(self._watch.turned_deg):.0f}", "deg")
        if self._face_fit is not None and self._face_fit.good:
            return Shown("left in camber, one sigma", f"{self._face_fit.camber_u_deg:.2f}", "deg")
        if self._fit is not None and self._fit.is_calibration:
            return Shown("left in camber, one sigma", f"{self._fit.camber_u_deg:.2f}", "deg")
        if not self._taken.poses:
            return None
        filled = coverage(np.array([p.accel_g for p in self._taken.poses])).filled
        return Shown("directions covered", f"{100.0 * filled:.0f}", "%")

    @property
    def guidance(self) -> Guidance:
        """What the person should do now."""
        words, ask = self._words()
        wanted = {Part.POSES: max(12, len(self._taken.poses)), Part.FACE: QUARTERS, Part.TURN: 2}
        places = tuple(
            PlaceMark(part.value, len(self._taken.of(part)), wanted[part])
            for part in self._parts
            if part is not Part.OVER
        )
        return Guidance(words, ask, None, places, self._sphere)

    def _words(self) -> tuple[str, Ask]:
        if self.finished:
            return "Finished", Ask.DONE
        if self._link_down:
            return "Link lost: the program waits for the pod", Ask.TROUBLE
        if self._first_s is None:
            return "Waiting for the pod", Ask.WAIT
        if self._trouble:
            return self._trouble, Ask.TROUBLE
        if self._counted is not None:
            return self._taken_words(), Ask.TAKEN
        if self._held is not None:
            return "Keep still", Ask.HOLD
        return self._next_words(), Ask.MOVE

    def _taken_words(self) -> str:
        """Say what was taken, and what is next, in so few letters that a line holds it."""
        asked = self._next_words().removeprefix("Next: ")
        count = len(self._taken.of(self._part))
        return f"Taken{f' {count}' if count else ''}; now {asked[0].lower()}{asked[1:]}"

    @property
    def _sphere(self) -> Sphere | None:
        if self._part is not Part.POSES:
            return None
        return self._progress.sphere(self._taken.poses, self._recent)

    @property
    def _fit(self) -> AccelerometerFit | None:
        return self._progress.fit

    def _next_words(self) -> str:
        if self._part is Part.POSES:
            wanted = self._progress.wanted(self._taken.poses)
            if not wanted:
                return "Turn it to a new pose"
            return f"Next: {pose_words(np.array(wanted[0]))}"
        if self._part is Part.FACE:
            if not self._taken.face:
                return "Hold the mounting face flat to a wall"
            return "Turn it a quarter on the wall"
        if not self._taken.turn:
            return "Stand it upright on a flat surface, at a mark"
        return "Turn it once round, flat, back to the mark"

    # ---- what happens

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order."""
        match event:
            case Samples(block=block) if len(block):
                return self._sampled(block)
            case ButtonPressed():
                return self._taken_back()
            case LinkDown():
                self._link_down = True
                return [Cue.LINK_LOST]
            case LinkUp():
                self._link_down = False
                if self._part is Part.TURN and self._taken.turn:
                    self._turn_anew("The turn was broken off: once more, from the mark.")
                return [Cue.LINK_BACK]
        return []

    def _sampled(self, block: Block) -> list[Cue]:
        if self._finder is None or block.rate_hz != self._rate_hz:
            self._finder = PoseFinder(block.rate_hz)
            self._rate_hz = block.rate_hz
            if self._first_s is None:
                self._first_s = float(block.t_s[0])
                if self._carried_on and self._taken.poses:
                    self._carry_on()
        self._now_s = float(block.t_s[-1])
        self._recent = block.accel_g[-10:].mean(axis=0)
        cues = self._knocked(block)
        self._watch.push(block)
        for event in self._finder.push(block):
            if not self.finished:
                cues += self._told(event)
        return cues

    def _knocked(self, block: Block) -> list[Cue]:
        """A reading beyond the range is a pod that fell, or hit something."""
        if not block.clipped.any():
            return []
        at_s = float(block.t_s[int(np.argmax(block.clipped))])
        again = self._clipped_s is not None and at_s - self._clipped_s < 2.0
        self._clipped_s = at_s
        if again:
            return []
        self.drops += 1
        self._remarks.append(
            "The pod was knocked beyond its range: dropped? Poses before and after must agree; if "
            "many are left out from here on, begin anew."
        )
        return [Cue.TROUBLE]

    def _told(self, event: PoseEvent) -> list[Cue]:
        pose = event.pose
        if event.kind == "ended":
            cues = [] if self._counted is not None else self._ready(pose)
            if self._counted == pose.start_s:
                self._replace(pose)
            self._held, self._asked, self._counted, self._trouble = None, None, None, ""
            return cues
        self._held = pose
        if self._counted == pose.start_s:
            self._replace(pose)
            return self._too_slow() or self._left_alone(pose)
        cues = self._ready(pose)
        if cues or self._counted is not None or self._trouble:
            return cues
        if self._asked != pose.start_s and pose.end_s - pose.start_s >= HOLD_S:
            self._asked = pose.start_s
            return [Cue.HOLD_STILL]
        return self._left_alone(pose)

    def _replace(self, pose: Pose) -> None:
        """Keep the longer reading of a pose that is still held."""
        for kept in map(self._taken.of, (Part.POSES, Part.FACE, Part.TURN)):
            if kept and kept[-1].start_s == pose.start_s and kept[-1].stretch == pose.stretch:
                kept[-1] = pose

    def _left_alone(self, pose: Pose) -> list[Cue]:
        alone_s = pose.end_s - max(pose.start_s, self._alone_from_s)
        if alone_s < LAID_DOWN_S or self._part is Part.TURN:
            return []
        self._alone_from_s = pose.end_s
        self.ended_early.append(self._part)
        self._remarks.append(f"The pod was left alone: the part ends early. {self._unsettled()}")
        self._counted = pose.start_s
        return self._next_part()

    def _ready(self, pose: Pose) -> list[Cue]:
        """Take a pose once it is old enough, if it serves the part."""
        if pose.end_s - pose.start_s < TAKEN_AFTER_S[self._part]:
            return []
        if self._part is Part.POSES:
            return self._take_pose(pose)
        if self._part is Part.FACE:
            return self._take_face(pose)
        return self._take_turn(pose)

    def _mark(self, pose: Pose) -> None:
        self._taken.of(self._part).append(pose)
        self._marks.append(PoseMark(self._part, pose.start_s, pose.stretch))
        self._counted, self._trouble = pose.start_s, ""

    # ---- poses

    def _take_pose(self, pose: Pose) -> list[Cue]:
        self._mark(pose)
        self._progress.fitted(self._taken.poses, self._sheet())
        newly_out, lines = self._progress.newly_left_out()
        self._remarks += lines
        if self._progress.is_enough:
            return self._next_part()
        return [Cue.TROUBLE] if (pose.start_s, pose.stretch) in newly_out else [Cue.TAKEN]

    def _carry_on(self) -> None:
        fit = self._progress.fitted(self._taken.poses, self._sheet())
        self._remarks.append(
            f"{len(self._taken.poses)} poses of the earlier run are carried on: {fit.reason}."
        )
        if self._progress.is_enough:
            self._next_part()

    def _unsettled(self) -> str:
        if self._part is Part.FACE:
            return "Without the face run the chip's turn in its case stays open: 1.5 deg."
        return self._progress.unsettled()

    # ---- face

    def _take_face(self, pose: Pose) -> list[Cue]:
        up = corrected_up(pose, self._fit)
        if abs(up[1]) > np.sin(np.radians(UPRIGHT_DEG)):
            return self._not_so("Hold the mounting face to something upright")
        quarters = [quarter_deg(corrected_up(other, self._fit)) for other in self._taken.face]
        own = quarter_deg(up)
        near = [abs((own - other + 180.0) % 360.0 - 180.0) < NEW_QUARTER_DEG for other in quarters]
        if any(near) and len(quarters) < QUARTERS:
            return self._not_so("Turn it on by a quarter")
        self._mark(pose)
        if len(self._taken.face) < QUARTERS or self._fit is None:
            return [Cue.TAKEN]
        self._face_fit = fit_face(self._taken.face, self._fit)
        if self._face_fit.good:
            self._remarks.append(f"Face run: {self._face_fit.reason}.")
            return self._next_part()
        if len(self._taken.face) >= MOST_FACE:
            self._remarks.append(f"The face run is given up: {self._face_fit.reason}.")
            return self._next_part()
        self._remarks.append(f"Another quarter turn is needed: {self._face_fit.reason}.")
        return [Cue.TROUBLE]

    def _not_so(self, words: str) -> list[Cue]:
        """Say once for each pose that it does not serve."""
        told, self._trouble = self._trouble, words
        return [] if told == words else [Cue.TROUBLE]

    # ---- turn

    def _take_turn(self, pose: Pose) -> list[Cue]:
        if not self._taken.turn:
            self._mark(pose)
            self._watch.begin(pose)
            return [Cue.TAKEN]
        turned = self._watch.turned_deg
        wanted = self._turn_deg or 360.0
        if turned is None or abs(turned) < BEGUN_DEG or not self._watch.stands:
            return []
        if abs(abs(turned) - wanted) > AT_MARK_DEG:
            return self._not_so("Turn it on, to the mark")
        self._mark(pose)
        return self._next_part()

    def _too_slow(self) -> list[Cue]:
        if self._part is not Part.TURN or not self._watch.crept:
            return []
        self._turn_anew(TOO_SLOW)
        return [Cue.TROUBLE]

    def _turn_anew(self, why: str) -> None:
        self._taken.turn.clear()
        self._marks = [mark for mark in self._marks if mark.part is not Part.TURN]
        self._watch.stop()
        self._remarks.append(why)

    # ---- parts

    def _next_part(self) -> list[Cue]:
        if self._part is Part.POSES and Part.POSES not in self.ended_early:
            self._remarks.append(f"Poses: {self._progress.why_enough}.")
        self._part = self._parts[self._parts.index(self._part) + 1]
        if self._part is Part.FACE and len(self._taken.face) >= QUARTERS and self._fit is not None:
            self._face_fit = fit_face(self._taken.face, self._fit)
            if self._face_fit.good:
                self._remarks.append("The face run of the earlier run is carried on.")
                return self._next_part()
        return [Cue.FINISHED] if self.finished else [Cue.MOVE_ON]

    def _taken_back(self) -> list[Cue]:
        """Take back the last pose of the part that is on, by the pod's button."""
        if self.finished or not self._marks or self._marks[-1].part is not self._part:
            return []
        self._marks.pop()
        self._taken.of(self._part).pop()
        if self._part is Part.TURN:
            self._watch.stop()
        if self._part is Part.POSES and self._taken.poses:
            self._progress.fitted(self._taken.poses, self._sheet())
        self._remarks.append("Taken back by the button.")
        return [Cue.GO_BACK]
