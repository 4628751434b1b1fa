"""A linear sensor as a source of steer angle: its linkage, and the rows it adds to a sweep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.priors import Given
from knuckle.estimate.unknowns import Known, Unknowns
from knuckle.geometry.linkage import LinkageKind, LinkageShape, change_of_length
from knuckle.geometry.rotation import Array
from knuckle.geometry.steering import WheelFrame
from knuckle.model.block import BoolArray, FloatArray

SQUARE_DEG: Final = Given(90.0, 2.0)
FORWARD_DEG: Final = Given(0.0, 20.0)
LEVEL_MM: Final = Given(0.0, 10.0)
"""Where the user measured nothing: set up by eye (common practice, no source)."""


@dataclass(frozen=True)
class LinearSteer:
    """The linkage as the user measured it, with standard uncertainties; docs/measurement.md.

    Attributes
    ----------
    kind : LinkageKind
    lever_mm : Given
    longer_left : bool
        Whether steering left makes the sensor longer.
    reach_mm : Given or None
        Wire: from point to anchor at straight ahead, along it; None takes the calibrated length.
        Rod: the face ahead of the axis.
    angle_deg, arm_deg, rise_mm : Given
        As in `LinkageShape`.
    own_mm : float
        Play of the linkage and give of the body: each reading's own, as length.
    gain_percent, curve_mm : float
        Of a sensor without calibration: its scale, and its departure from the straight line.
    channel : int or None
        Which linear channel, from 1; None where the pod has only one.
    calibration : LinearCalibration or None
    uncalibrated : bool
        Whether the user says that there is none.
    """

    kind: LinkageKind
    lever_mm: Given
    longer_left: bool
    reach_mm: Given | None = None
    angle_deg: Given = SQUARE_DEG
    arm_deg: Given = FORWARD_DEG
    rise_mm: Given = LEVEL_MM
    own_mm: float = 0.2
    gain_percent: float = 2.0
    curve_mm: float = 0.3
    channel: int | None = None
    calibration: LinearCalibration | None = None
    uncalibrated: bool = False

    @property
    def gain(self) -> float:
        """mm of length for each mm sent."""
        return 1.0 if self.calibration is None else self.calibration.gain

    @property
    def gain_u(self) -> float:
        """Standard uncertainty of `gain`."""
        if self.calibration is None:
            return self.gain_percent / 100.0
        return float(np.sqrt(self.calibration.covariance[0, 0]))

    @property
    def scatter_mm(self) -> float:
        """The sensor's departure from its straight line at any one place, as length."""
        return self.curve_mm if self.calibration is None else self.calibration.scatter_mm

    def reach_at(self, straight_mm: float) -> Given:
        """Return the reach of `LinkageShape`, where need be by the calibrated reading.

        Parameters
        ----------
        straight_mm : float
            What the pod sends at straight ahead.

        Raises
        ------
        ValueError
            If it is neither given nor calibrated, or shorter than the anchor's rise.
        """
        along = self.reach_mm
        if along is None:
            if self.calibration is None:
                raise ValueError("the length at straight ahead is neither given nor calibrated")
            length = self.calibration.length(np.array([straight_mm]))
            along = Given(float(length.length_mm[0]), float(length.u_mm[0]))
        if self.kind is LinkageKind.ROD:
            return along
        square = along.value**2 - self.rise_mm.value**2
        if along.value <= 0.0 or square <= 0.0:
            raise ValueError(
                f"point and anchor are {along.value:.0f} mm apart, one {self.rise_mm.value:.0f} mm "
                "above the other"
            )
        return Given(float(np.sqrt(square)), along.standard_uncertainty)

    def shape(self, reach_mm: float) -> LinkageShape:
        """Return the figures as given, in mm and rad."""
        return LinkageShape(
            np.asarray(self.lever_mm.value),
            np.asarray(reach_mm),
            np.radians(self.angle_deg.value),
            np.radians(self.arm_deg.value),
            np.asarray(self.rise_mm.value),
        )

    def to_json(self) -> dict[str, Any]:
        """Return all of it that is in force as plain data, by name."""
        idle = () if self.calibration is None else ("gain_percent", "curve_mm")
        return {name: _plain(value) for name, value in vars(self).items() if name not in idle}


def _plain(value: Any) -> Any:
    if isinstance(value, Given):
        return {"value": value.value, "standard_uncertainty": value.standard_uncertainty}
    if isinstance(value, LinearCalibration):
        return value.to_json()
    return value.value if isinstance(value, LinkageKind) else value


@dataclass(frozen=True)
class LinearReadings:
    """What the sensor read at each rest, as the pod sends it.

    Attributes
    ----------
    raw_mm : ndarray, shape (n,)
        NaN where there is no reading.
    noise_mm : ndarray, shape (n,)
        Standard uncertainty of each mean.
    """

    raw_mm: FloatArray
    noise_mm: FloatArray

    @property
    def present(self) -> BoolArray:
        """Where there is a reading."""
        return np.isfinite(self.raw_mm)


class LinearRows:
    """The rows of one linear sensor.

    Parameters
    ----------
    steer : LinearSteer
    readings : LinearReadings
    straight : list of int
        The rests at straight ahead; one of them has a reading.
    clusters : list of list of int
        The rests of each position: they share the sensor's departure from its straight line.

    Attributes
    ----------
    rests : ndarray of int, shape (m,)
        Those with a reading.
    """

    def __init__(
        self,
        steer: LinearSteer,
        readings: LinearReadings,
        straight: list[int],
        clusters: list[list[int]],
    ) -> None:
        self._steer = steer
        self.rests = np.flatnonzero(readings.present)
        at_straight = [i for i in straight if readings.present[i]]
        datum_mm = float(np.mean(readings.raw_mm[at_straight]))
        self._reach = steer.reach_at(datum_mm)
        self._raw = readings.raw_mm[self.rests] - datum_mm
        self._sigma = np.hypot(steer.gain * readings.noise_mm[self.rests], steer.own_mm)
        place = {rest: k for k, cluster in enumerate(clusters) for rest in cluster}
        # A moment of a slow move belongs to no cluster; it has a place of its own.
        spare = len(clusters)
        self._place = np.array([place.get(int(i), spare) for i in self.rests])
        self._places = int(self._place.max()) + 1

    @property
    def free(self) -> dict[str, int]:
        """Unknowns of which nothing is known beforehand."""
        return {"linear_offset": 1}

    @property
    def known(self) -> list[Known]:
        """Unknowns with what is known of them beforehand."""
        s = self._steer
        given = (s.lever_mm, self._reach, s.angle_deg, s.arm_deg, s.rise_mm)
        unit = np.array([1.0, 1.0, np.pi / 180.0, np.pi / 180.0, 1.0])
        mean = unit * [g.value for g in given]
        sigma = unit * [g.standard_uncertainty for g in given]
        gain_var = np.array([[s.gain_u**2]])
        curve = np.eye(self._places) * s.scatter_mm**2
        return [
            Known("linkage", "linear_geometry", mean, np.diag(sigma**2)),
            Known("linear_gain", "linear_calibration", np.array([s.gain]), gain_var),
            Known("linear_curve", "linear_calibration", np.zeros(self._places), curve),
        ]

    @property
    def curve_pattern(self) -> BoolArray:
        """Which places each row touches, shape (m, places)."""
        return np.asarray(self._place[:, None] == np.arange(self._places))

    def rows(
        self, x: Array, unknowns: Unknowns, axis: Array, vehicle: WheelFrame, turn_rad: Array
    ) -> Array:
        """Return the whitened rows, shape (..., m).

        Parameters
        ----------
        turn_rad : ndarray, shape (..., n)
            Of every rest about the steering axis, from straight ahead.
        """
        linkage = unknowns.part(x, "linkage")
        shape = LinkageShape(*(linkage[..., i] for i in range(5)))
        longer = change_of_length(
            self._steer.kind,
            shape,
            self._steer.longer_left,
            axis,
            vehicle,
            turn_rad[..., self.rests],
        )
        read = unknowns.part(x, "linear_gain") * self._raw + unknowns.part(x, "linear_offset")
        bent = unknowns.part(x, "linear_curve")[..., self._place]
        return np.asarray((longer + bent - read) / self._sigma)
