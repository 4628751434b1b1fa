"""What the fits of a calibration return."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from knuckle.calibrate.pose import Pose
from knuckle.estimate.data_sheets import AccelerometerSheet
from knuckle.model.block import FloatArray


class FitState(enum.StrEnum):
    """What a fit of the accelerometer is worth."""

    GOOD = "good"
    """Every parameter is supported, and the camber it leaves is fine."""
    COARSE = "coarse"
    """Every parameter is supported, but more poses would still help."""
    ILL_CONDITIONED = "ill_conditioned"
    """Some parameters rest on the data sheet: it is no calibration."""


@dataclass(frozen=True)
class PoseResidual:
    """How one pose agrees with the others.

    Attributes
    ----------
    pose : Pose
    residual_g : float
        Length of the corrected reading less the length it should have.
    score : float
        The residual over its standard uncertainty were the pose not used (externally
        studentised).
    used : bool
        False if the pose was dropped: it was knocked, moved or out of range.
    reason : str
        Why it was dropped; else empty.
    """

    pose: Pose
    residual_g: float
    score: float
    used: bool
    reason: str


@dataclass(frozen=True)
class Parameter:
    """One of the nine parameters that a multi-position calibration is about.

    Attributes
    ----------
    name : str
        ``bias_x`` ... ``scale_x`` ... ``skew_xy`` (half the sum of the two cross-axis terms).
    value : float
        In g for a bias, else a ratio.
    standard_uncertainty : float
    prior : float
        The data sheet's standard uncertainty.
    supported : bool
        Whether the poses, not the data sheet, settle it.
    """

    name: str
    value: float
    standard_uncertainty: float
    prior: float
    supported: bool


@dataclass(frozen=True)
class AccelerometerFit:
    """Multi-position fit: reading = a + bias + nonlinearity * (a^2 - 0.6), a = matrix @ true.

    Attributes
    ----------
    bias_g : ndarray, shape (3,)
    matrix : ndarray, shape (3, 3)
    nonlinearity_per_g : ndarray, shape (3,)
        Square law on each axis.
    covariance : ndarray, shape (18, 18)
        Of bias, matrix without the turn (symmetric, row by row), turn of the chip in its case
        (rad, about X, Y, Z) and nonlinearity; see `knuckle.estimate.calibration.Calibration`.
    degrees_of_freedom : float
        Effective: of the poses used, less what the fit took of them.
    camber_degrees_of_freedom : float
        Effective, of the uncertainty that poses, data sheet and the unknown turn leave in a
        camber near zero (Welch-Satterthwaite).
    scatter_g : float
        Of a pose's residual, on top of its own covariance.
    residuals : tuple of PoseResidual
        One a pose given, in the same order.
    parameters : tuple of Parameter
        Nine.
    suggestions : tuple of ndarray, shape (3,)
        Directions (corrected, pod axes) that should point up in poses that would help most;
        the best first; empty when nothing is wanted.
    camber_u_deg : float
        Standard uncertainty that this fit alone leaves in a camber near zero, the turn of the
        chip left out: what the face run fixes.
    whole_camber_u_deg : float
        The same with it, and with scale and skew.
    state : FitState
    reason : str
        For people: why it is good, or what is missing.
    temp_c : float or None
        Mean temperature of the poses used.
    sheet : AccelerometerSheet
        The data sheet whose tolerances were the priors.
    """

    bias_g: FloatArray
    matrix: FloatArray
    nonlinearity_per_g: FloatArray
    covariance: FloatArray
    degrees_of_freedom: float
    camber_degrees_of_freedom: float
    scatter_g: float
    residuals: tuple[PoseResidual, ...]
    parameters: tuple[Parameter, ...]
    suggestions: tuple[FloatArray, ...]
    camber_u_deg: float
    whole_camber_u_deg: float
    state: FitState
    reason: str
    temp_c: float | None
    sheet: AccelerometerSheet

    @property
    def is_calibration(self) -> bool:
        """Whether it may be kept as a calibration."""
        return self.state is not FitState.ILL_CONDITIONED

    @property
    def supported(self) -> tuple[str, ...]:
        """Names of the parameters that the poses settle."""
        return tuple(p.name for p in self.parameters if p.supported)

    @property
    def unsupported(self) -> tuple[str, ...]:
        """Names of the parameters for which the data sheet's tolerance still stands."""
        return tuple(p.name for p in self.parameters if not p.supported)


@dataclass(frozen=True)
class FaceFit:
    """A face run: the fit with the turns of the chip that carry +Y fixed.

    Attributes
    ----------
    bias_g, matrix, nonlinearity_per_g, covariance
        As of `AccelerometerFit`, the face's readings taken in.
    degrees_of_freedom : float
        Effective, of the uncertainty that poses, face and data sheet leave in a camber near
        zero (Welch-Satterthwaite).
    residuals_deg : ndarray, shape (n,)
        How far each reading lies off the plane of all.
    used : tuple of bool
        False for a reading that was dropped: the face was not flat on.
    lean_deg : float
        Of the surface: it need not be plumb.
    turn_u_deg : tuple of float
        Standard uncertainty of the chip's turn about X, Y, Z.
    camber_u_deg : float
        Standard uncertainty that the calibration leaves in a camber near zero.
    good : bool
        Whether the face run has done its work.
    reason : str
        Why, or why not, for people.
    parameters : tuple of Parameter
        Nine, by poses and face run together.
    state : FitState
        Of the fit of poses and face run together.
    state_reason : str
        Why, for people.
    """

    bias_g: FloatArray
    matrix: FloatArray
    nonlinearity_per_g: FloatArray
    covariance: FloatArray
    degrees_of_freedom: float
    residuals_deg: FloatArray
    used: tuple[bool, ...]
    lean_deg: float
    turn_u_deg: tuple[float, float, float]
    camber_u_deg: float
    good: bool
    reason: str
    parameters: tuple[Parameter, ...]
    state: FitState
    state_reason: str

    @property
    def is_calibration(self) -> bool:
        """Whether poses and face run together settle all parameters."""
        return self.good and self.state is not FitState.ILL_CONDITIONED

    @property
    def supported(self) -> tuple[str, ...]:
        """Names of the parameters that poses and face run settle."""
        return tuple(p.name for p in self.parameters if p.supported)

    @property
    def unsupported(self) -> tuple[str, ...]:
        """Names of the parameters for which the data sheet's tolerance still stands."""
        return tuple(p.name for p in self.parameters if not p.supported)


@dataclass(frozen=True)
class GyroTurns:
    """The gyro's readings between two poses.

    Attributes
    ----------
    before, after : Pose
    t_s : ndarray, shape (n,)
        From the middle of one pose to the middle of the other.
    rate_dps : ndarray, shape (n, 3)
        Not corrected.
    """

    before: Pose
    after: Pose
    t_s: FloatArray
    rate_dps: FloatArray


@dataclass(frozen=True)
class FullTurn:
    """A turn through a known angle about the vertical, or about any axis that stands still.

    Attributes
    ----------
    turn : GyroTurns
        The pod lies on a surface before and after.
    angle_deg : float
        A multiple of 360: the pod comes back to the mark it started from.
    angle_u_deg : float
        How well it came back.
    """

    turn: GyroTurns
    angle_deg: float = 360.0
    angle_u_deg: float = 0.5


@dataclass(frozen=True)
class GyroFit:
    """rate read = matrix @ true rate + bias, in the axes of the corrected accelerometer.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
    covariance : ndarray, shape (9, 9)
    bias_dps : ndarray, shape (3,)
        Of this run: it is found anew at every rest.
    degrees_of_freedom : float
    misfit_deg : ndarray, shape (n,)
        Between gravity as read after each turn and where the gyro says that it is.
    uncorrected_misfit_deg : float
        Root-mean-square of the same with the readings as they come.
    axes : tuple of str
        Which axis the gyro's X, Y and Z follow by gravity: ``("+x", "+y", "+z")`` if all is
        well; ``("+x", "-y", "+z")`` for a reversed Y.
    unsupported : tuple of str
        Names of scales (``scale_x`` ...) and of cross-axis terms (``cross_xy`` ...) that the
        turns leave to the data sheet.
    used : tuple of bool
        False for a turn that was dropped.
    good : bool
    reason : str
        For people; names swapped or reversed axes.
    """

    matrix: FloatArray
    covariance: FloatArray
    bias_dps: FloatArray
    degrees_of_freedom: float
    misfit_deg: FloatArray
    uncorrected_misfit_deg: float
    axes: tuple[str, str, str]
    unsupported: tuple[str, ...]
    used: tuple[bool, ...]
    good: bool
    reason: str
