"""A sweep posed as a problem: rests placed, with all that says how far the wheel was steered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.analysis.first_guess import guess
from knuckle.analysis.fit import Fit
from knuckle.analysis.linear_source import LinearSource, is_of_linear, linear_source
from knuckle.analysis.positions import Placing, check_size, place
from knuckle.analysis.readings import readings_of
from knuckle.analysis.request import Request
from knuckle.analysis.slip import unseen_places
from knuckle.analysis.slow_sweep import SLOW_SWEEP, slow_sweep
from knuckle.errors import MeasurementRefused
from knuckle.estimate.linear_steer import LinearRows
from knuckle.estimate.priors import Priors
from knuckle.estimate.solver import solve
from knuckle.estimate.turns import Turn, turns_between
from knuckle.estimate.wheel_model import BodyRoll, HeadingMark, Reading, WheelModel
from knuckle.geometry.rotation import unit
from knuckle.model.block import Block, FloatArray
from knuckle.model.rest import Rest
from knuckle.model.result import Notice

MOST_PLACINGS = 4
"""The first guess is off by a fifth at most, so the second placing is mostly the last."""


@dataclass(frozen=True)
class SweepProblem:
    """The rests of a sweep, placed, with all that says how far the wheel was steered."""

    readings: list[Reading]
    turns: list[Turn]
    marks: list[HeadingMark]
    placing: Placing
    theta_rad: FloatArray
    axis: FloatArray
    body_roll: BodyRoll | None
    is_rest: list[bool]
    request: Request
    linear: LinearSource | None = None

    @property
    def side(self) -> int:
        """+1 on a left wheel, -1 on a right one."""
        return self.request.side

    @property
    def priors(self) -> Priors:
        """What is known beforehand."""
        return self.request.priors

    @property
    def unseen(self) -> list[int]:
        """The rests after which a slip of the mount would go unseen."""
        return unseen_places(self.placing.clusters, len(self.readings))

    @property
    def steer_measured(self) -> bool:
        """Whether anything but the cone of 'up' tells the steer angle."""
        return bool(self.turns or self.marks or self.linear)

    def fit(self, roll_deg: float, slip_after: int | None = None) -> Fit:
        """Solve with a given prior of the wheel's roll, and perhaps a slip of the mount.

        Raises
        ------
        MeasurementRefused
            UNDETERMINED.
        """
        datum = self.placing.straight[0]
        model = WheelModel(
            self.readings,
            self.turns,
            self.marks,
            self.placing.straight,
            self.side,
            self.priors,
            roll_deg,
            self.axis,
            unit(self.readings[datum].accel_g),
            self.body_roll,
            slip_after,
            self._linear_rows(),
        )
        try:
            solution = solve(
                model.rows, model.start(self.theta_rad), model.sources, model.pattern()
            )
        except np.linalg.LinAlgError as error:
            raise MeasurementRefused(
                "UNDETERMINED",
                "The readings do not determine the steering axis.",
                "Nothing says how far the wheel was steered, or the brake was free.",
                "Hold the brake, use a pod with a gyro, or give --plates.",
            ) from error
        return Fit(model, solution)

    def _linear_rows(self) -> LinearRows | None:
        if self.linear is None:
            return None
        placing = self.placing
        return LinearRows(
            self.linear.steer, self.linear.readings, placing.straight, placing.clusters
        )


def build_problem(
    readings: list[Reading],
    turns: list[Turn],
    is_rest: list[bool],
    request: Request,
    linear: LinearSource | None = None,
) -> SweepProblem:
    """Place the readings and collect the sources of steer angle.

    Parameters
    ----------
    readings : list of Reading
        In order of time.
    turns : list of Turn
    is_rest : list of bool
        Which of them are rests; straight ahead is always one of these.
    request : Request
    linear : LinearSource, optional

    Raises
    ------
    MeasurementRefused
        STEER_UNKNOWN, STRAIGHT_MISSING, STRAIGHT_AMBIGUOUS or SWEEP_TOO_SMALL; of the linear
        sensor LINEAR_DEAD_CENTRE or LINEAR_GEOMETRY.
    """
    ups = np.stack([reading.accel_g for reading in readings])
    first = guess(ups, turns, None if linear is None else linear.headings_rad(None))
    problem = _placed(readings, turns, is_rest, request, first.theta_rad, first.axis, linear)
    if linear is not None:
        problem = _placed_by_length(problem, linear)
    if turns or linear is not None:
        theta = problem.theta_rad
        straight = np.mean(theta[problem.placing.straight])
        check_size(np.degrees(theta - straight), problem.placing)
    return problem


def placed_again(problem: SweepProblem, fit: Fit) -> SweepProblem | None:
    """Place the rests by the steer angles that were fitted; None where nothing changes.

    Raises
    ------
    MeasurementRefused
        STRAIGHT_MISSING or STRAIGHT_AMBIGUOUS.
    """
    heading_deg = fit.headings_deg
    placing = place(heading_deg, problem.is_rest, problem.request.straight)
    if placing == problem.placing:
        return None
    return _placed(
        problem.readings,
        problem.turns,
        problem.is_rest,
        problem.request,
        np.radians(heading_deg),
        problem.axis,
        problem.linear,
    )


def _placed_by_length(problem: SweepProblem, linear: LinearSource) -> SweepProblem:
    """Read the lengths anew from what was found to be straight ahead, until that stays.

    Lengths bend with heading, so the first guess from any other datum is a rough one.
    """
    for _ in range(MOST_PLACINGS):
        straight = problem.placing.straight
        measured = linear.headings_rad(straight)
        linear.check_moment(measured, straight)
        if problem.turns:
            return problem
        first = guess(np.stack([r.accel_g for r in problem.readings]), [], measured)
        problem = _placed(
            problem.readings,
            [],
            problem.is_rest,
            problem.request,
            first.theta_rad,
            first.axis,
            linear,
        )
        if problem.placing.straight == straight:
            break
    return problem


def _placed(
    readings: list[Reading],
    turns: list[Turn],
    is_rest: list[bool],
    request: Request,
    theta_rad: FloatArray,
    axis: FloatArray,
    linear: LinearSource | None,
) -> SweepProblem:
    placing = place(np.degrees(theta_rad), is_rest, request.straight)
    theta = theta_rad - theta_rad[placing.straight[0]]
    heading_deg = np.degrees(theta - np.mean(theta[placing.straight]))
    return SweepProblem(
        readings,
        turns,
        _marks(heading_deg, placing, request),
        placing,
        theta,
        axis,
        _body_roll(heading_deg, placing, request.priors),
        is_rest,
        request,
        linear,
    )


def _marks(heading_deg: FloatArray, placing: Placing, request: Request) -> list[HeadingMark]:
    """Return the plates' readings; how well straight ahead was found again counts in."""
    if request.plates_deg is None:
        return []
    closing_deg = float(np.std(heading_deg[placing.straight]))
    sigma = np.radians(np.hypot(request.priors.plates_deg, closing_deg))
    left, right = np.radians(request.plates_deg)
    return [HeadingMark(i, left, sigma) for i in placing.left_lock] + [
        HeadingMark(i, -right, sigma) for i in placing.right_lock
    ]


def _body_roll(heading_deg: FloatArray, placing: Placing, priors: Priors) -> BodyRoll | None:
    """Share out the roll at the locks in proportion to the steer angle of each rest."""
    if priors.body_roll is None:
        return None
    left = np.clip(heading_deg / np.mean(heading_deg[placing.left_lock]), 0.0, None)
    right = np.clip(heading_deg / np.mean(heading_deg[placing.right_lock]), 0.0, None)
    away = np.ones(heading_deg.size)
    away[placing.straight] = 0.0
    return BodyRoll(left * away, right * away)


def pose(
    block: Block, rests: list[Rest], request: Request
) -> tuple[SweepProblem, list[Rest | None], list[Notice]]:
    """Pose the problem from the rests alone, or else with windows of slow moves between."""
    turns = turns_between(block, rests) if request.use_gyro else []
    try:
        problem, said = _with_lengths(readings_of(rests), turns, list(rests), request)
    except MeasurementRefused as refusal:
        told = refusal.code == "STRAIGHT_AMBIGUOUS" or is_of_linear(refusal)
        if told or not request.use_gyro:
            raise
        slow = slow_sweep(block, rests)
        if slow is None:
            raise
        try:
            problem, said = _with_lengths(slow.readings, slow.turns, slow.rests, request)
        except MeasurementRefused:
            raise refusal from None
        return problem, slow.rests, [SLOW_SWEEP, *said]
    return problem, list(rests), said


def _with_lengths(
    readings: list[Reading], turns: list[Turn], rests: list[Rest | None], request: Request
) -> tuple[SweepProblem, list[Notice]]:
    is_rest = [rest is not None for rest in rests]
    if request.linear is None:
        return build_problem(readings, turns, is_rest, request), []
    linear, said = linear_source(rests, request.linear)
    return build_problem(readings, turns, is_rest, request, linear), said


def check_by_cone(rests: list[Rest], request: Request) -> None:
    """Refuse a linear sensor that passes dead centre where the cone of 'up' puts the rests.

    Past dead centre a length has two headings, and the wrong one looks like a straight ahead
    that is missing or a wheel that rolled.

    Raises
    ------
    MeasurementRefused
        LINEAR_DEAD_CENTRE, or another reason why the cone or the sensor cannot serve.
    """
    if request.linear is None:
        return
    linear, _ = linear_source(list(rests), request.linear)
    theta = guess(np.stack([rest.accel_g for rest in rests]), []).theta_rad
    straight = place(np.degrees(theta), [True] * len(rests), request.straight).straight
    linear.check_moment(theta - np.mean(theta[straight]), straight)
