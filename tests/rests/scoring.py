"""Hold the rests a detector finds against where the wheel truly stood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from knuckle.model.block import Block
from knuckle.model.rest import Rest
from knuckle.rests.detector import RestDetector
from knuckle.rests.noise_floor import KnownFloor
from rests.driver_signal import Truth

LONGEST_DRIFT_DPS = 0.01
SHORTEST_DRIFT_DPS = 0.1
SHORTEST_REST_S = 2.0


@dataclass
class Score:
    """Counts over recordings.

    `missed` are true rests of 2 s or more without a found one; `invented` are found rests
    that overlap no still stretch, or reach into a move; `split` are second finds of one rest.
    `delays_s` run from within 0.1 deg of the final steer to the cue; `errors` are the means'
    distances from truth over their own sigma (3 axes).
    """

    wanted: int = 0
    found: int = 0
    missed: list[str] = field(default_factory=list)
    invented: list[str] = field(default_factory=list)
    split: list[str] = field(default_factory=list)
    delays_s: list[float] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)
    withdrawn: int = 0

    def add(self, other: Score) -> None:
        """Take in what another score has counted."""
        self.wanted += other.wanted
        self.found += other.found
        self.withdrawn += other.withdrawn
        for name in ("missed", "invented", "split", "delays_s", "errors"):
            getattr(self, name).extend(getattr(other, name))

    def take(
        self,
        name: str,
        block: Block,
        truths: Sequence[Truth],
        quiet_before: Sequence[float] = (),
        known: KnownFloor | None = None,
    ) -> list[Rest]:
        """Run a detector over the block and count; `quiet_before` are the knocks' times."""
        detector = RestDetector(block.rate_hz, block.gyro_dps is not None, known=known)
        events = detector.push(block) + detector.finish()
        rests = detector.rests()
        ready = [e for e in events if e.kind == "ready"]
        self.withdrawn += sum(e.kind == "moved" for e in events)
        hits = [0] * len(truths)
        for rest in rests:
            place = [
                i
                for i, t in enumerate(truths)
                if min(rest.end_s, t.end_s) - max(rest.start_s, _began(t, block))
                > 0.5 * (rest.end_s - rest.start_s)
            ]
            label = f"{name}: {rest.start_s:.2f}-{rest.end_s:.2f}"
            drifts = bool(place) and abs(truths[place[0]].drift_dps) >= SHORTEST_DRIFT_DPS
            if drifts and block.gyro_dps is None:
                # Whether gravity shows it in time depends on its length: not judged.
                continue
            if not place or drifts:
                self.invented.append(label)
                continue
            truth = truths[place[0]]
            hits[place[0]] += 1
            if hits[place[0]] > 1:
                self.split.append(label)
            sigma = np.sqrt(np.diag(rest.accel_cov_g2))
            if truth.drift_dps == 0.0:
                self.errors += ((rest.accel_g - truth.up) / sigma).tolist()
        for i, truth in enumerate(truths):
            length = truth.end_s - max(truth.settled_s, float(block.t_s[0]))
            if abs(truth.drift_dps) > LONGEST_DRIFT_DPS or length < SHORTEST_REST_S:
                continue
            self.wanted += 1
            if hits[i]:
                self.found += 1
            else:
                self.missed.append(f"{name}: {truth.settled_s:.2f}-{truth.end_s:.2f}")
            cues = [e.at_s for e in ready if truth.settled_s - 0.5 <= e.at_s <= truth.end_s]
            if cues:
                began = max(truth.settled_s, float(block.t_s[0]))
                if not any(cues[0] - 1.0 <= k + 0.5 and k <= cues[0] for k in quiet_before):
                    self.delays_s.append(cues[0] - began)
        return rests


def _began(truth: Truth, block: Block) -> float:
    """Without gyro creep cannot be seen: there a rest may begin where the move ends."""
    return truth.settled_s if block.gyro_dps is not None else min(truth.settled_s, truth.start_s)
