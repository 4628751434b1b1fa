"""The spin axis of a wheel in pod axes, from a run in which the wheel was turned."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.analysis.lean import USUAL_LEAN_DEG, lean_of_stops, lean_of_turn
from knuckle.analysis.readings import sensor_notices, usable_rests
from knuckle.analysis.request import Request, SeatSpan
from knuckle.analysis.runout import clocks_deg, runout_of
from knuckle.analysis.spin_data import (
    LARGEST_GAP_DEG,
    LEAST_PLACES,
    PLACE_DEG,
    TurnData,
    cells_of,
    ends_of,
    largest_gap_deg,
    turn_data,
)
from knuckle.analysis.summary import result_of
from knuckle.errors import MeasurementRefused
from knuckle.estimate.mounting import Mounting
from knuckle.estimate.sensor import tangents
from knuckle.estimate.solver import Solution, derivative, solve
from knuckle.estimate.spin import SpinModel
from knuckle.model.block import Block, FloatArray
from knuckle.model.rest import Rest
from knuckle.model.result import Notice, Outcome, Quantity

ROCKED_DEG: Final = 0.06
"""Scatter of stops off their plane, or a turn that does not close by so much, is told."""
ROCKED_MOVING_DEG: Final = 0.12
"""The same while the wheel is turned between stops: a hand at the tyre moves a little of
everything, and the stops are without it."""
ROCKED_TOO_MUCH_DEG: Final = 0.5
STEEPEST_MOUNT_DEG: Final = 15.0
WHOLE_TURN_GAP_DEG: Final = 130.0


WHOLE: Final = (SeatSpan(-math.inf),)


@dataclass(frozen=True)
class Spun:
    """The fit of one seat."""

    solution: Solution
    model: SpinModel
    data: TurnData
    freedom: float
    scatter_deg: float | None
    rocked_deg: float
    closure_deg: float | None
    gap_deg: float
    ends_g: tuple[FloatArray, FloatArray]

    @property
    def yaw_tilt_deg(self) -> FloatArray:
        """Yaw and tilt of the spin axis in pod axes, shape (2,)."""
        return np.asarray(self.model.yaw_and_tilt(self.solution.x))

    @property
    def covariance_rad2(self) -> FloatArray:
        """Of the normal along its own tangents, shape (2, 2)."""
        along = self._along
        return np.asarray(along @ self.solution.covariance @ along.T)

    @property
    def normal_freedom(self) -> float:
        """Degrees of freedom behind that covariance: of the scatter that stands in it."""
        scattered = sum(
            float(np.sum(self.solution.shares(row)["noise"] ** 2)) for row in self._along
        )
        return self.freedom * (float(np.trace(self.covariance_rad2)) / scattered) ** 2

    @property
    def _along(self) -> FloatArray:
        step = derivative(self.model.normal_at, self.solution.x)
        return np.asarray(tangents(self.model.normal_at(self.solution.x)) @ step)


def analyse_spin(
    block: Block,
    rests: list[Rest],
    request: Request,
) -> tuple[Outcome, Mounting]:
    """Return tilt and yaw of the spin axis against the pod, and the mounting.

    Parameters
    ----------
    block : Block
        The whole recording, calibrated.
    rests : list of Rest
    request : Request
        Of its seats the last one is the mounting.

    Raises
    ------
    MeasurementRefused
        NO_REST, ACCELEROMETER_CLIPPED, NOT_GRAVITY, POD_TURNED, TURN_TOO_SMALL, NOT_SPUN or
        CAR_ROCKED_TOO_MUCH.
    """
    rests, notices = usable_rests(rests, request)
    notices = [notice for notice in notices if notice.code != "REST_LEFT_OUT"]
    spun = [_seat(block, rests, request, seat) for seat in request.seats or WHOLE]
    last = spun[-1]
    model, solution = last.model, last.solution
    gradients = derivative(model.yaw_and_tilt, solution.x)
    results = {
        quantity: result_of(
            quantity,
            float(last.yaw_tilt_deg[i]),
            gradients[i],
            solution,
            last.freedom,
            "mount and runout together, as the pod is seated",
            known_dof=request.priors.degrees_of_freedom(),
        )
        for i, quantity in ((1, Quantity.MOUNT_TILT), (0, Quantity.MOUNT_YAW))
    }
    details: dict[str, float | str] = {
        "way": "stops" if last.data.stops else "slow turn",
        "readings": float(len(last.data.readings_g)),
        "largest_gap_deg": last.gap_deg,
        "rocked_deg": max(one.rocked_deg for one in spun),
        "seats": float(len(spun)),
    }
    if last.scatter_deg is not None:
        details["scatter_deg"] = last.scatter_deg
    if last.closure_deg is not None:
        details["closure_deg"] = last.closure_deg
    notices += [*sensor_notices(request, gyro_used=False), *_notices(spun)]
    if len(spun) > 1:
        noise = [math.degrees(math.sqrt(np.trace(one.covariance_rad2) / 2.0)) for one in spun]
        common = [
            [term for term in results[name].budget if term.source != "noise"]
            for name in (Quantity.MOUNT_YAW, Quantity.MOUNT_TILT)
        ]
        found, more, told = runout_of(
            np.array([one.yaw_tilt_deg for one in spun]),
            clocks_deg([one.ends_g for one in spun]),
            np.array(noise),
            common,
        )
        results |= found
        details |= more
        notices += told
    used = np.eye(3) if request.correction is None else request.correction
    mounting = Mounting(
        model.normal_at(solution.x), last.covariance_rad2, used, last.normal_freedom
    )
    details["mounting"] = json.dumps(mounting.to_json())
    outcome = Outcome("spin", request.wheel.value, results, (), tuple(notices), None, details)
    return outcome, mounting


def _seat(block: Block, rests: list[Rest], request: Request, seat: SeatSpan) -> Spun:
    """Fit the plane of one seat's readings."""
    i, j = np.searchsorted(block.t_s, [seat.from_s, seat.to_s])
    own = [rest for rest in rests if seat.from_s <= rest.start_s < seat.to_s]
    if not own:
        raise _too_small(0.0)
    part = block.part(int(i), int(j))
    data = turn_data(part, own)
    if len(data.readings_g) < LEAST_PLACES:
        raise _too_small(0.0)
    gap_deg = largest_gap_deg(data.angles_deg)
    if gap_deg > LARGEST_GAP_DEG:
        raise _too_small(360.0 - gap_deg)
    prior = request.priors.accelerometer
    lean_g = math.radians(USUAL_LEAN_DEG)
    first = SpinModel(data.readings_g, np.diag(data.noise_g**2 + lean_g**2), prior)
    off_g = first.out_of_plane_g(solve(first.rows, first.start(), first.sources).x)
    count = len(off_g)
    if data.stops:
        lean = lean_of_stops(off_g, data.noise_g)
    else:
        along, across = tangents(first.normal)
        axes = np.stack([along, first.normal, across])
        lean = lean_of_turn(data.t_s, data.readings_g @ axes.T, data.noise_g)
    model = SpinModel(data.readings_g, lean.covariance_g2, prior)
    solution = solve(model.rows, model.start(), model.sources)
    _check_axis(model.normal_at(solution.x))
    spun = Spun(
        solution,
        model,
        data,
        lean.freedom,
        _scatter_deg(off_g, count - 3),
        _rocked_deg(model, solution, cells_of(part, own)),
        _closure_deg(model, solution, own),
        gap_deg,
        ends_of(part),
    )
    still_deg = (spun.scatter_deg or 0.0) if data.stops else 0.0
    if max(still_deg, spun.rocked_deg, spun.closure_deg or 0.0) > ROCKED_TOO_MUCH_DEG:
        raise MeasurementRefused(
            "CAR_ROCKED_TOO_MUCH",
            "The readings do not lie on one cone about a fixed axis: the car rocked, or the pod "
            "moved on the rim.",
            "The car is not firm on its stands, the wheel bearing has play, or the pod is loose.",
            "Set the car down firmly, tighten the pod, and turn the wheel with less force.",
        )
    return spun


def _scatter_deg(off_g: FloatArray, freedom: int) -> float | None:
    if freedom < 1:
        return None
    return math.degrees(math.sqrt(float(np.sum(off_g**2)) / freedom))


def _rocked_deg(model: SpinModel, solution: Solution, cells: TurnData) -> float:
    """Return the scatter off the plane of all short means, moving ones too, less their noise."""
    if len(cells.readings_g) < LEAST_PLACES:
        return 0.0
    normal = model.normal_at(solution.x)
    off_g = cells.readings_g @ normal
    spread = float(np.mean((off_g - off_g.mean()) ** 2) - np.mean(cells.noise_g**2))
    return math.degrees(math.sqrt(max(spread, 0.0)))


def _closure_deg(model: SpinModel, solution: Solution, rests: list[Rest]) -> float | None:
    """Return by how much rests at one place of the turn disagree; None without such rests."""
    normal = model.normal_at(solution.x)
    accel = np.array([rest.accel_g for rest in rests])
    along = accel @ normal
    angles = np.degrees(np.arctan2(accel[:, 0], accel[:, 2]))
    apart = np.abs((angles[:, None] - angles[None, :] + 180.0) % 360.0 - 180.0)
    same = (apart < PLACE_DEG) & ~np.eye(len(rests), dtype=bool)
    if not np.any(same):
        return None
    return math.degrees(float(np.max(np.abs(along[:, None] - along[None, :])[same])))


def _check_axis(normal: FloatArray) -> None:
    if normal[1] < math.cos(math.radians(STEEPEST_MOUNT_DEG)):
        raise MeasurementRefused(
            "NOT_SPUN",
            "The pod did not turn about its +Y: the wheel was steered rather than spun, or the "
            "pod was in the hand.",
            "",
            "Lock the steering straight ahead, and turn the wheel as if the car rolled.",
        )


def _too_small(arc_deg: float) -> MeasurementRefused:
    return MeasurementRefused(
        "TURN_TOO_SMALL",
        "The wheel was not turned far enough round: stops at three places or more are needed, or "
        f"one slow turn; found {arc_deg:.0f} deg.",
        "It was stopped early or was too quick, or the car rocked so that nothing stood still.",
        "Turn the wheel through a full turn within 10 to 60 seconds, or stop every quarter turn.",
    )


def _notices(spun: Sequence[Spun]) -> list[Notice]:
    notices = []
    stops_deg = max(one.scatter_deg or 0.0 if one.data.stops else 0.0 for one in spun)
    moving_deg = max(one.rocked_deg for one in spun)
    closure_deg = max(one.closure_deg or 0.0 for one in spun)
    allowed_deg = ROCKED_MOVING_DEG if all(one.data.stops for one in spun) else ROCKED_DEG
    if max(stops_deg, closure_deg) > ROCKED_DEG or moving_deg > allowed_deg:
        notices.append(
            Notice(
                "CAR_ROCKED",
                f"The car rocked or leaned while the wheel was turned, by about "
                f"{max(stops_deg, closure_deg, moving_deg):.2f} deg. The scatter is in the "
                "uncertainty; firm stands and a lighter hand make it smaller.",
            )
        )
    if max(one.gap_deg for one in spun) > WHOLE_TURN_GAP_DEG:
        notices.append(
            Notice(
                "PART_TURN",
                "The readings leave more than a third of the turn open. The uncertainty says "
                "what that costs; a full turn is better.",
            )
        )
    fewest = min(len(one.data.readings_g) for one in spun)
    if fewest <= LEAST_PLACES + 1:
        notices.append(
            Notice(
                "TURN_UNCHECKED",
                "Three stops fit any axis, and a fourth hardly checks it: whether the car stood "
                "still cannot be told. Five stops or more would show it, and make the uncertainty "
                "smaller.",
            )
        )
    return notices
