"""A pod's own zero, and a surface's slope: the pod laid on it, then turned end for end."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from knuckle.analysis.lean import UNUSUAL
from knuckle.analysis.readings import check_size, sensor_notices
from knuckle.analysis.request import Request
from knuckle.analysis.summary import result_of
from knuckle.errors import MeasurementRefused
from knuckle.estimate.reversal import ReversalModel
from knuckle.estimate.solver import derivative, solve
from knuckle.estimate.turns import turn_between
from knuckle.estimate.zero import FoundZero
from knuckle.geometry.rotation import unit
from knuckle.model.block import Block, FloatArray
from knuckle.model.rest import Rest
from knuckle.model.result import Notice, Outcome, Quantity

FLAT_DEG: Final = 15.0
"""A pod that lies is within so much of one of its axes: slope, and its own errors."""
STEEPEST_DEG: Final = 5.0
SAME_END_DEG: Final = 40.0
USUAL_SEATING_DEG: Final = 0.02
"""How alike a pod lies down again, each way, one sigma, before repeats have shown it."""
USUAL_SEATING_DOF: Final = 3.0
SCATTERED_DEG: Final = 0.08
ALIKE_DEG: Final = 0.06
"""Readings closer than three times a placing's usual scatter are alike."""
NAMES: Final = "XYZ"
ZEROS: Final = (Quantity.ZERO_X, Quantity.ZERO_Y, Quantity.ZERO_Z)
SLOPES: Final = (Quantity.SLOPE_X, Quantity.SLOPE_Y, Quantity.SLOPE_Z)


def analyse_reversal(block: Block, rests: list[Rest], request: Request) -> Outcome:
    """Return zero and slope.

    Parameters
    ----------
    block : Block
        The whole recording, calibrated.
    rests : list of Rest
    request : Request
        `seats` tells which stretches are placings; without, every rest is one. The wheel means
        nothing.

    Raises
    ------
    MeasurementRefused
        NO_REST, NOT_GRAVITY, NOT_FLAT, NOT_TURNED, or SURFACE_TOO_STEEP.
    """
    placed, up, left_out = _placings(rests, request)
    ends, assumed = _ends(block, placed)
    if len(set(ends)) < 2:
        raise _not_turned("All readings were taken the same way round.")
    readings = np.array([rest.accel_g for rest in placed])
    noise = np.array([math.sqrt(np.trace(rest.accel_cov_g2) / 3.0) for rest in placed])
    seating, freedom = _seating_g(readings, ends, up)
    model = ReversalModel(
        readings,
        np.hypot(noise, seating),
        ends,
        up,
        request.priors.accelerometer,
        request.squareness,
    )
    solution = solve(model.rows, model.start(), model.sources)
    values = model.zero_and_slope(solution.x)
    if np.max(np.abs(values[2:])) > STEEPEST_DEG:
        raise MeasurementRefused(
            "SURFACE_TOO_STEEP",
            f"The surface slopes by {np.max(np.abs(values[2:])):.1f} deg: how exactly the pod was "
            "turned end for end would matter too much.",
            "",
            "Use a flatter surface, or level it a little.",
        )
    gradients = derivative(model.zero_and_slope, solution.x)
    face = _face(up, float(readings[:, up].mean()))
    results = {}
    known_dof = {**request.priors.degrees_of_freedom(), "seating": freedom}
    if 1 in model.level:
        camber = derivative(model.camber_zero, solution.x)[0]
        results[Quantity.CAMBER_ZERO] = result_of(
            Quantity.CAMBER_ZERO,
            float(model.camber_zero(solution.x)[0]),
            camber,
            solution,
            freedom,
            f"by the face {face}, as far as it is square to the mounting face",
            known_dof=known_dof,
        )
    for place, axis in enumerate(model.level):
        for shift, quantity, said in (
            (0, ZEROS[axis], f"of the face {face}"),
            (2, SLOPES[axis], f"the end of +{NAMES[axis]} higher, as the pod lay first"),
        ):
            results[quantity] = result_of(
                quantity,
                float(values[place + shift]),
                gradients[place + shift],
                solution,
                freedom,
                said,
                known_dof=known_dof,
            )
    scatter_deg = math.degrees(seating)
    notices = [*sensor_notices(request, gyro_used=False), *left_out]
    slope_deg = float(np.max(np.abs(values[2:])))
    notices += _notices(up, assumed, slope_deg, scatter_deg, len(placed))
    details: dict[str, float | str] = {
        "face": face,
        "placings": float(len(placed)),
        "turned": float(np.sum(np.asarray(ends) == 1)),
        "seating_scatter_deg": scatter_deg,
    }
    if 1 in model.level:
        along_y = np.zeros_like(solution.x)
        along_y[model.where_zero + model.level.index(1)] = 1.0
        used = np.eye(3) if request.correction is None else request.correction
        zero = FoundZero(
            up,
            1 if readings[:, up].mean() > 0.0 else -1,
            float(along_y @ solution.x),
            math.sqrt(solution.variance(along_y)),
            freedom,
            request.squareness.standard_uncertainty,
            _temperature_c(placed),
            used,
        )
        details["zero"] = json.dumps(zero.to_json())
    return Outcome("reversal", "", results, (), tuple(notices), None, details)


def _temperature_c(placed: Sequence[Rest]) -> float | None:
    read = [rest.temp_c for rest in placed if rest.temp_c is not None]
    return float(np.mean(read)) if read else None


def _placings(rests: list[Rest], request: Request) -> tuple[list[Rest], int, list[Notice]]:
    """Return the rests in which the pod lay on one face, that face's axis, what was left out."""
    if not rests:
        raise MeasurementRefused(
            "NO_REST",
            "The pod never lay still long enough for a reading.",
            "It was being handled, or the recording is too short.",
            "Lay it down, take the hand away, and wait two seconds.",
        )
    check_size(rests, request)
    spans = request.seats
    wanted = [
        rest
        for rest in rests
        if not spans or any(span.from_s <= rest.start_s < span.to_s for span in spans)
    ]
    flat = []
    for rest in wanted:
        up = unit(rest.accel_g)
        axis = int(np.argmax(np.abs(up)))
        if abs(up[axis]) >= math.cos(math.radians(FLAT_DEG)):
            flat.append((axis, bool(up[axis] > 0.0), rest))
    if not flat:
        raise MeasurementRefused(
            "NOT_FLAT",
            "The pod lay on none of its faces: no axis was upright.",
            "It leaned, or the surface is steep.",
            "Lay it flat on its base.",
        )
    kinds = [(axis, sign) for axis, sign, _ in flat]
    kind = max(kinds, key=kinds.count)
    chosen = [rest for axis, sign, rest in flat if (axis, sign) == kind]
    notices = []
    if len(chosen) < len(wanted):
        notices.append(
            Notice(
                "OTHER_FACE_LEFT_OUT",
                f"Rests on another face, or none, left out: {len(wanted) - len(chosen)}.",
            )
        )
    return chosen, kind[0], notices


def _ends(block: Block, placed: list[Rest]) -> tuple[FloatArray, bool]:
    """Return which way round each placing was, by the gyro, else by turns; and if by turns."""
    ends = [0]
    assumed = False
    for i in range(1, len(placed)):
        turn = turn_between(block, placed, i - 1, i)
        if turn is None:
            assumed = True
            ends.append(1 - ends[-1])
            continue
        up = unit(placed[i].accel_g)
        about_deg = abs(math.degrees(float(turn.rotation_rad @ up)))
        if about_deg < SAME_END_DEG:
            ends.append(ends[-1])
        elif about_deg > 180.0 - SAME_END_DEG:
            ends.append(1 - ends[-1])
        else:
            raise _not_turned(f"Between two readings it was turned by {about_deg:.0f} deg.")
    return np.array(ends), assumed


def _seating_g(readings: FloatArray, ends: FloatArray, up: int) -> tuple[float, float]:
    """Return scatter of one placing, g, and its degrees of freedom, usual ones included."""
    level = np.delete(readings, up, axis=1)
    total, freedom = 0.0, 0.0
    for end in (0, 1):
        own = level[ends == end]
        total += float(np.sum((own - own.mean(axis=0)) ** 2))
        freedom += 2.0 * (len(own) - 1)
    usual = math.radians(USUAL_SEATING_DEG) ** 2
    if freedom and total > UNUSUAL**2 * usual * freedom:
        return math.sqrt(total / freedom), freedom
    weight = freedom + USUAL_SEATING_DOF
    return math.sqrt((total + USUAL_SEATING_DOF * usual) / weight), weight


def _face(up: int, reading_g: float) -> str:
    """Return the face that the pod lay on: opposite to the axis that is up."""
    name = f"{'-' if reading_g > 0.0 else '+'}{NAMES[up]}"
    known = {"-Z": "-Z (base)", "-Y": "-Y (mounting face)"}
    return known.get(name, name)


def _not_turned(what: str) -> MeasurementRefused:
    return MeasurementRefused(
        "NOT_TURNED",
        f"The pod was not turned end for end. {what}",
        "",
        "Read once, turn it by half a turn on the same spot, read again.",
    )


def _notices(
    up: int, assumed: bool, slope_deg: float, scatter_deg: float, placings: int
) -> Sequence[Notice]:
    notices = []
    if assumed:
        notices.append(
            Notice(
                "HALF_TURNS_ASSUMED",
                "The gyro did not see every turn: the readings are taken as laid in turn, one "
                "way round and the other.",
            )
        )
    if assumed and slope_deg < ALIKE_DEG:
        notices.append(
            Notice(
                "LEVEL_OR_NOT_TURNED",
                "All readings are alike: the surface is level, or the pod was never turned end for "
                "end, which nothing here can tell. A book under one edge of the surface would.",
            )
        )
    if placings > 2 and scatter_deg > SCATTERED_DEG:
        notices.append(
            Notice(
                "PLACINGS_SCATTER",
                f"Placings the same way round scatter by {scatter_deg:.2f} deg: dirt, a rocking "
                "base, or another spot of the surface.",
            )
        )
    if up == 1:
        notices.append(
            Notice(
                "NO_CAMBER_ZERO",
                "On this face no camber is zeroed: the pod's Y was upright. Lay it on its base.",
            )
        )
    return notices
