"""Camber of one wheel from one or more rests."""

from __future__ import annotations

import math

import numpy as np

from knuckle.analysis.readings import (
    noise_degrees_of_freedom,
    readings_of,
    sensor_notices,
    usable_rests,
)
from knuckle.analysis.request import Request
from knuckle.analysis.summary import TERMS, coverage_factor, result_of
from knuckle.estimate.camber_model import CamberModel
from knuckle.estimate.solver import Solution, derivative, solve
from knuckle.estimate.wheel_model import Reading
from knuckle.model.block import BoolArray, FloatArray
from knuckle.model.rest import Rest
from knuckle.model.result import (
    BudgetTerm,
    Notice,
    Outcome,
    PlacedRest,
    Position,
    Quantity,
    Result,
)

LEAST_DISAGREEMENT_DEG = 0.01
"""Rests closer than this are never said to disagree: a tyre settles by as much."""

AGREEMENT_SIGMAS = 4.0

SMALLEST_READING_G = 1e-3


def analyse_camber(rests: list[Rest], request: Request) -> Outcome:
    """Return the camber of one wheel: the mean of the rests that agree.

    Raises
    ------
    MeasurementRefused
        NO_REST, ACCELEROMETER_CLIPPED, NOT_GRAVITY or POD_TURNED.
    """
    rests, notices = usable_rests(rests, request)
    model = CamberModel(readings_of(rests), request.side, request.priors)
    solution = solve(model.rows, model.start(), model.sources, model.pattern())
    cambers = model.cambers(solution.x)
    gradients = derivative(model.cambers, solution.x)
    noise = _noise_deg(gradients, solution)
    agree = _agreeing(cambers, noise, rests)
    weight = np.where(agree, 1.0 / (noise**2 + LEAST_DISAGREEMENT_DEG**2), 0.0)
    weight /= weight.sum()
    scatter_deg = 0.0
    if not np.all(agree):
        scatter_deg = float(np.sqrt(np.mean((cambers - weight @ cambers) ** 2)))
        notices.append(
            Notice(
                "RESTS_DISAGREE",
                f"{np.count_nonzero(~agree)} of {len(rests)} rests disagree by up to "
                f"{np.ptp(cambers):.2f} deg, more than their noise allows: the car or the pod "
                "moved. The mean is that of the rests that agree, and the scatter is in the "
                "budget.",
            )
        )
    dof = noise_degrees_of_freedom(rests)
    freedom = request.priors.degrees_of_freedom()
    mean = result_of(
        Quantity.CAMBER,
        float(weight @ cambers),
        weight @ gradients,
        solution,
        dof,
        request.condition(Quantity.CAMBER),
        known_dof=freedom,
    )
    placed = tuple(
        PlacedRest(
            Position.STRAIGHT,
            rest.start_s,
            rest.end_s,
            float(cambers[i]),
            result_of(
                Quantity.CAMBER,
                float(cambers[i]),
                gradients[i],
                solution,
                dof,
                "",
                known_dof=freedom,
            ).expanded_uncertainty,
            None,
        )
        for i, rest in enumerate(rests)
    )
    return Outcome(
        "camber",
        request.wheel.value,
        {Quantity.CAMBER: _with_scatter(mean, scatter_deg)},
        placed,
        (*sensor_notices(request, gyro_used=False), *notices),
        None,
        {"rests_agreeing": float(np.count_nonzero(agree)), "rests_found": float(len(rests))},
    )


def camber_of_rest(rest: Rest, request: Request) -> Result:
    """Return the camber by the direction of one rest's reading, whatever is wrong with its size."""
    size_g = max(float(np.linalg.norm(rest.accel_g)), SMALLEST_READING_G)
    reading = Reading(rest.accel_g / size_g, rest.accel_cov_g2 / size_g**2)
    model = CamberModel([reading], request.side, request.priors)
    solution = solve(model.rows, model.start(), model.sources, model.pattern())
    return result_of(
        Quantity.CAMBER,
        float(model.cambers(solution.x)[0]),
        derivative(model.cambers, solution.x)[0],
        solution,
        noise_degrees_of_freedom([rest]),
        request.condition(Quantity.CAMBER),
        known_dof=request.priors.degrees_of_freedom(),
    )


def _noise_deg(gradients: FloatArray, solution: Solution) -> FloatArray:
    shares = [solution.shares(gradient)["noise"] for gradient in gradients]
    return np.array([math.sqrt(float(np.sum(share**2))) for share in shares])


def _agreeing(cambers: FloatArray, noise: FloatArray, rests: list[Rest]) -> BoolArray:
    """Return the largest group of rests (by time stood) that agree with one of them."""
    floor = LEAST_DISAGREEMENT_DEG**2
    apart = np.abs(cambers[:, None] - cambers[None, :])
    allowed = AGREEMENT_SIGMAS * np.sqrt(noise[:, None] ** 2 + noise[None, :] ** 2 + floor)
    agrees = apart <= allowed
    stood_s = np.array([rest.duration_s for rest in rests])
    return np.asarray(agrees[int(np.argmax(agrees @ stood_s))])


def _with_scatter(result: Result, scatter_deg: float) -> Result:
    if scatter_deg == 0.0:
        return result
    terms = [*result.budget, BudgetTerm(TERMS["scatter"], "scatter", scatter_deg)]
    terms.sort(key=lambda term: -term.standard_uncertainty)
    factor = coverage_factor(terms)
    combined = math.sqrt(sum(term.standard_uncertainty**2 for term in terms))
    return Result(
        result.quantity,
        result.value,
        factor * combined,
        factor,
        result.unit,
        tuple(terms),
        result.condition,
    )
