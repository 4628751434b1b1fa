"""A steering sweep: caster, steering-axis inclination and camber from the rests of one wheel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from knuckle.analysis.first_guess import guess
from knuckle.analysis.positions import Placing, check_size, label, place
from knuckle.analysis.readings import (
    noise_degrees_of_freedom,
    readings_of,
    sensor_notices,
    usable_rests,
)
from knuckle.analysis.request import Request
from knuckle.analysis.slow_sweep import SLOW_SWEEP, slow_sweep
from knuckle.analysis.soundness import Fit, SoundFit, find_sound_fit
from knuckle.analysis.summary import result_of
from knuckle.errors import MeasurementRefused
from knuckle.estimate.priors import Priors
from knuckle.estimate.solver import derivative, solve
from knuckle.estimate.turns import Turn, turns_between
from knuckle.estimate.wheel_model import BodyRoll, HeadingMark, Reading, WheelModel
from knuckle.geometry.rotation import unit
from knuckle.geometry.steering import two_reading_caster_rad
from knuckle.model.block import Block, FloatArray
from knuckle.model.rest import Rest
from knuckle.model.result import Notice, Outcome, PlacedRest, Quantity, Result

LARGEST_CONE_SIGMA = 0.2
"""With neither gyro nor plates, the cone's half-angle must be known to a fifth of itself."""


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
    side: int
    priors: Priors

    @property
    def steer_measured(self) -> bool:
        """Whether anything but the cone of 'up' tells the steer angle."""
        return bool(self.turns or self.marks)

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


def build_problem(
    readings: list[Reading], turns: list[Turn], is_rest: list[bool], request: Request
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

    Raises
    ------
    MeasurementRefused
        STEER_UNKNOWN, STRAIGHT_MISSING, STRAIGHT_AMBIGUOUS or SWEEP_TOO_SMALL.
    """
    readings_g = np.stack([reading.accel_g for reading in readings])
    first = guess(readings_g, turns)
    steer_deg = np.degrees(first.theta_rad)
    placing = place(steer_deg, is_rest, request.straight)
    theta = first.theta_rad - first.theta_rad[placing.straight[0]]
    heading_deg = np.degrees(theta - np.mean(theta[placing.straight]))
    if turns:
        check_size(heading_deg, placing)
    marks = []
    if request.plates_deg is not None:
        left, right = request.plates_deg
        sigma = np.radians(request.priors.plates_deg)
        marks = [HeadingMark(i, np.radians(left), sigma) for i in placing.left_lock]
        marks += [HeadingMark(i, -np.radians(right), sigma) for i in placing.right_lock]
    return SweepProblem(
        readings,
        turns,
        marks,
        placing,
        theta,
        first.axis,
        _body_roll(heading_deg, placing, request.priors),
        request.side,
        request.priors,
    )


def _body_roll(heading_deg: FloatArray, placing: Placing, priors: Priors) -> BodyRoll | None:
    """Share out the roll at the locks in proportion to the steer angle of each rest."""
    if priors.body_roll is None:
        return None
    left = np.clip(heading_deg / np.mean(heading_deg[placing.left_lock]), 0.0, None)
    right = np.clip(heading_deg / np.mean(heading_deg[placing.right_lock]), 0.0, None)
    away = np.ones(heading_deg.size)
    away[placing.straight] = 0.0
    return BodyRoll(left * away, right * away)


def analyse_sweep(block: Block, rests: list[Rest], request: Request) -> Outcome:
    """Return caster, SAI and camber of one wheel from a sweep.

    Parameters
    ----------
    block : Block
        The whole recording, calibrated.
    rests : list of Rest
        In order of time.
    request : Request

    Raises
    ------
    MeasurementRefused
        With one of the codes of docs/results.md.
    """
    if not request.wheel.is_front and not request.rear_steers:
        raise MeasurementRefused(
            "REAR_WHEEL",
            f"The {request.wheel.spoken} wheel does not steer, so it has no sweep.",
            "Caster and steering-axis inclination belong to a steered wheel.",
            "Measure its camber, or say --rear-steers if this car steers its rear wheels.",
        )
    rests, notices = usable_rests(rests, request)
    problem, kept, said = _problem(block, rests, request)
    sound = find_sound_fit(problem.fit, request.priors)
    if not problem.steer_measured:
        _check_cone(sound.fit)
    check_size(_headings_deg(sound.fit), problem.placing)
    notices += sensor_notices(request, bool(problem.turns))
    notices += [*said, *sound.notices, *_notices(problem)]
    return _outcome(problem, kept, request, sound, notices)


def _problem(
    block: Block, rests: list[Rest], request: Request
) -> tuple[SweepProblem, list[Rest | None], list[Notice]]:
    """Pose the problem from the rests alone, or else with windows of slow moves between."""
    turns = turns_between(block, rests) if request.use_gyro else []
    try:
        problem = build_problem(readings_of(rests), turns, [True] * len(rests), request)
    except MeasurementRefused as refusal:
        if not request.use_gyro or refusal.code == "STRAIGHT_AMBIGUOUS":
            raise
        slow = slow_sweep(block, rests)
        if slow is None:
            raise
        try:
            is_rest = [rest is not None for rest in slow.rests]
            problem = build_problem(slow.readings, slow.turns, is_rest, request)
        except MeasurementRefused:
            raise refusal from None
        return problem, slow.rests, [SLOW_SWEEP]
    return problem, list(rests), []


def _headings_deg(fit: Fit) -> FloatArray:
    x = fit.solution.x
    return np.degrees(fit.model.headings(fit.model.state(x)))


def _check_cone(fit: Fit) -> None:
    gradient = derivative(fit.model.half_angle, fit.solution.x)[0]
    sigma = float(np.sqrt(fit.solution.variance(gradient)))
    half_angle = float(fit.model.half_angle(fit.solution.x)[0])
    if sigma > LARGEST_CONE_SIGMA * half_angle:
        raise MeasurementRefused(
            "CONE_TOO_WEAK",
            "Without gyro and turn plates the steering axis cannot be told well enough "
            f"(half-angle {np.degrees(half_angle):.1f} deg, one sigma {np.degrees(sigma):.1f}).",
            "Caster and inclination are small, or the sweep is.",
            "Give the turn plates' angles with --plates, or use a pod with a gyro.",
        )


def _notices(problem: SweepProblem) -> list[Notice]:
    notices = []
    repeated = any(len(cluster) > 1 for cluster in problem.placing.clusters)
    if not problem.turns:
        notices.append(
            Notice(
                "NO_GYRO",
                "No gyro record: steer angles come from "
                + ("the turn plates" if problem.marks else "the cone of 'up' alone")
                + ", and there is no live steer angle.",
            )
        )
        if not repeated:
            notices.append(
                Notice(
                    "SLIP_UNCHECKED",
                    "No position was visited twice, so a slip of the mount would go unseen.",
                )
            )
    if not problem.steer_measured and problem.priors.brake_held:
        notices.append(
            Notice(
                "BRAKE_UNCHECKED",
                "Whether the brake was held cannot be checked without gyro and plates: the "
                "result holds only if it was.",
            )
        )
    return notices


def _outcome(
    problem: SweepProblem,
    rests: list[Rest | None],
    request: Request,
    sound: SoundFit,
    notices: list[Notice],
) -> Outcome:
    solution, model = sound.fit.solution, sound.fit.model
    values = model.outputs(solution.x)
    gradients = derivative(model.outputs, solution.x)
    noise_dof = noise_degrees_of_freedom([rest for rest in rests if rest is not None])

    def result(quantity: Quantity, at: int, condition: str) -> Result:
        return result_of(
            quantity,
            float(values[at]),
            gradients[at],
            solution,
            noise_dof,
            condition,
            sound.inflation,
        )

    main = (Quantity.CAMBER, Quantity.CASTER, Quantity.SAI)
    results = {q: result(q, at, request.condition(swept=at > 0)) for at, q in enumerate(main)}
    cambers, headings = np.split(values[len(main) :], 2)
    placed = [
        PlacedRest(
            label(headings[i], i in problem.placing.straight, problem.side),
            rest.start_s,
            rest.end_s,
            float(cambers[i]),
            result(Quantity.CAMBER, len(main) + i, "").expanded_uncertainty,
            float(headings[i]),
        )
        for i, rest in enumerate(rests)
        if rest is not None
    ]
    details = _details(problem, cambers, headings, sound.fit)
    return Outcome(
        "sweep", request.wheel.value, results, tuple(placed), tuple(notices), None, details
    )


def _details(
    problem: SweepProblem, cambers: FloatArray, headings: FloatArray, fit: Fit
) -> dict[str, float | str]:
    solution = fit.solution
    straight, left, right = (
        problem.placing.straight,
        problem.placing.left_lock,
        problem.placing.right_lock,
    )
    rule = two_reading_caster_rad(
        float(np.radians(np.mean(cambers[left]))),
        float(np.radians(np.mean(cambers[right]))),
        float(np.radians(np.mean(headings[left]))),
        float(np.radians(np.mean(headings[right]))),
        problem.side,
    )
    rolls, _ = fit.model.rolls(solution.x)
    details: dict[str, float | str] = {
        "steer_left_deg": float(np.mean(headings[left])),
        "steer_right_deg": float(np.mean(headings[right])),
        "two_reading_caster_deg": float(np.degrees(rule)),
        "chi_squared": solution.chi_squared,
        "degrees_of_freedom": float(solution.degrees_of_freedom),
        "fit_probability": float(chi2.sf(solution.chi_squared, solution.degrees_of_freedom)),
        "largest_wheel_roll_deg": float(np.degrees(np.ptp(rolls))),
    }
    if len(straight) > 1:
        first, last = straight[0], straight[-1]
        details["closure_camber_deg"] = float(cambers[last] - cambers[first])
        details["closure_steer_deg"] = float(headings[last] - headings[first])
    repeats = [group for group in problem.placing.clusters if len(group) > 1]
    if repeats:
        spreads = [float(np.ptp(cambers[group])) for group in repeats]
        details["hysteresis_camber_deg"] = max(spreads)
    return details
