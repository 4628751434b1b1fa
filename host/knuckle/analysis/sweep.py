"""A steering sweep: caster, steering-axis inclination and camber from the rests of one wheel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from knuckle.analysis.doubt import Doubt, linear_in_doubt, plates_in_doubt
from knuckle.analysis.fit import Fit
from knuckle.analysis.linear_source import is_of_linear
from knuckle.analysis.positions import check_size, label
from knuckle.analysis.readings import (
    noise_degrees_of_freedom,
    sensor_notices,
    usable_rests,
)
from knuckle.analysis.request import Request
from knuckle.analysis.soundness import SoundFit, Sources, find_sound_fit
from knuckle.analysis.summary import result_of
from knuckle.analysis.sweep_problem import SweepProblem, check_by_cone, placed_again, pose
from knuckle.errors import MeasurementRefused
from knuckle.estimate.distributions import chi_squared_tail
from knuckle.estimate.solver import derivative
from knuckle.geometry.steering import two_reading_caster_rad
from knuckle.model.block import Block, FloatArray
from knuckle.model.rest import Rest
from knuckle.model.result import Notice, Outcome, PlacedRest, Quantity, Result
from knuckle.model.wheel import Wheel

LARGEST_CONE_SIGMA = 0.2
"""With neither gyro nor plates, the cone's half-angle must be known to a fifth of itself."""


def check_steered(wheel: Wheel, rear_steers: bool) -> None:
    """Refuse a wheel that does not steer.

    Raises
    ------
    MeasurementRefused
        REAR_WHEEL.
    """
    if wheel.is_front or rear_steers:
        return
    raise MeasurementRefused(
        "REAR_WHEEL",
        f"The {wheel.spoken} wheel does not steer, so it has no sweep.",
        "Caster and steering-axis inclination belong to a steered wheel.",
        "Measure its camber, or say --rear-steers if this car steers its rear wheels.",
    )


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
    check_steered(request.wheel, request.rear_steers)
    rests, notices = usable_rests(rests, request)
    try:
        return _analysed(block, rests, request, notices)
    except MeasurementRefused as refusal:
        gyro = request.use_gyro and block.gyro_dps is not None
        if not is_of_linear(refusal):
            if not gyro:
                _blame_dead_centre(rests, request)
            raise
        if not (gyro or request.plates_deg):
            raise
        unused = Notice(refusal.code, f"{refusal.what} The result does not use it.")
        return _analysed(block, rests, replace(request, linear=None), [*notices, unused])


def _blame_dead_centre(rests: list[Rest], request: Request) -> None:
    try:
        check_by_cone(rests, request)
    except MeasurementRefused as refusal:
        if is_of_linear(refusal):
            raise


def _analysed(block: Block, rests: list[Rest], request: Request, notices: list[Notice]) -> Outcome:
    problem, kept, said = pose(block, rests, request)
    sound = _sound(problem)
    again = placed_again(problem, sound.fit)
    if again is not None:
        problem, sound = again, _sound(again)
        if placed_again(problem, sound.fit) is not None:
            raise MeasurementRefused(
                "READINGS_DISAGREE",
                "The steer angles of the rests contradict each other.",
                "The pod moved on its mount, the wheel rolled, or a typed angle is wrong.",
                "Check mount, brake and typed figures, and sweep again.",
            )
    if problem.linear is not None:
        headings = np.radians(sound.fit.headings_deg)
        problem.linear.check_moment(headings, problem.placing.straight)
    if not problem.steer_measured:
        _check_cone(sound.fit)
    check_size(sound.fit.headings_deg, problem.placing)
    notices = [*notices, *sensor_notices(request, bool(problem.turns)), *said]
    notices += [*sound.notices, *_notices(problem)]
    return _outcome(problem, kept, request, sound, notices)


def _sound(problem: SweepProblem) -> SoundFit:
    sources = Sources(bool(problem.turns), problem.unseen, _doubts(problem))
    return find_sound_fit(problem.fit, problem.priors, sources)


def _doubts(problem: SweepProblem) -> tuple[Doubt, ...]:
    """Return what may be wrong of all that was typed, where something else tells the steer."""
    doubts = []
    if problem.turns and problem.marks:
        doubts.append(plates_in_doubt(replace(problem, marks=[]).fit, len(problem.marks)))
    if problem.linear is not None and (problem.turns or problem.marks):
        count = int(problem.linear.readings.present.sum())
        others = "the gyro" if problem.turns else "the turn plates' angles that were typed"
        doubts.append(linear_in_doubt(replace(problem, linear=None).fit, count, others))
    return tuple(doubts)


def _check_cone(fit: Fit) -> None:
    gradient = derivative(fit.model.half_angle, fit.solution.x)[0]
    sigma = float(np.sqrt(fit.solution.variance(gradient)))
    half_angle = float(fit.model.half_angle(fit.solution.x)[0])
    if sigma > LARGEST_CONE_SIGMA * half_angle:
        raise MeasurementRefused(
            "CONE_TOO_WEAK",
            "Without gyro, turn plates or linear sensor the steering axis cannot be told well "
            f"enough (half-angle {np.degrees(half_angle):.1f} deg, "
            f"one sigma {np.degrees(sigma):.1f}).",
            "Caster and inclination are small, the sweep is, or pod or car moved meanwhile.",
            "Give the turn plates' angles with --plates, lay a linear sensor to the wheel, or use "
            "a pod with a gyro.",
        )


def _notices(problem: SweepProblem) -> list[Notice]:
    notices = []
    if not problem.turns:
        notices.append(
            Notice(
                "NO_GYRO",
                "No gyro record: steer angles come from "
                + _steer_words(problem)
                + ("." if problem.linear else ", and there is no live steer angle."),
            )
        )
        if problem.unseen:
            notices.append(
                Notice(
                    "SLIP_UNCHECKED",
                    f"No position was visited both before and after rest {problem.unseen[-1] + 1}: "
                    "a slip of the mount there would go unseen.",
                )
            )
    if not problem.steer_measured and problem.priors.brake_held:
        notices.append(
            Notice(
                "BRAKE_UNCHECKED",
                "Whether the brake was held cannot be checked without gyro, plates or linear "
                "sensor: the result holds only if it was.",
            )
        )
    return notices


def _steer_words(problem: SweepProblem) -> str:
    sources = ["the turn plates"] * bool(problem.marks)
    sources += ["the linear sensor"] * (problem.linear is not None)
    return " and ".join(sources) or "the cone of 'up' alone"


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
            request.priors.degrees_of_freedom(),
        )

    main = (Quantity.CAMBER, Quantity.CASTER, Quantity.SAI)
    results = {q: result(q, at, request.condition(q)) for at, q in enumerate(main)}
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
        "fit_probability": chi_squared_tail(solution.chi_squared, solution.degrees_of_freedom),
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
