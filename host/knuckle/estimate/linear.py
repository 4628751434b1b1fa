"""The calibration of a linear channel: from a reading to a length, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from knuckle.model.block import BoolArray, FloatArray

FORMAT: Final = "knuckle linear calibration"
VERSION: Final = 1
UNITS: Final = {"gain": "1", "offset": "mm", "scatter": "mm", "valid": "mm"}


@dataclass(frozen=True)
class Lengths:
    """Lengths of one channel with what is their own kept apart from what they share.

    Attributes
    ----------
    length_mm : ndarray, shape (n,)
    own_u_mm : ndarray, shape (n,)
        Standard uncertainty of each that is its own: noise of the reading, and departure of
        the sensor from its straight line at that place.
    shared : ndarray, shape (n, 2)
        Derivative of each by the calibration's gain and offset (mm).
    shared_covariance : ndarray, shape (2, 2)
        Of gain and offset.
    in_range : ndarray of bool, shape (n,)
        Whether the reading lies where the calibration was made.
    """

    length_mm: FloatArray
    own_u_mm: FloatArray
    shared: FloatArray
    shared_covariance: FloatArray
    in_range: BoolArray

    @property
    def covariance_mm2(self) -> FloatArray:
        """Of all lengths together, shape (n, n)."""
        common = self.shared @ self.shared_covariance @ self.shared.T
        return np.asarray(common + np.diag(self.own_u_mm**2))

    @property
    def u_mm(self) -> FloatArray:
        """Standard uncertainty of each length by itself, shape (n,)."""
        return np.sqrt(np.diag(self.covariance_mm2))


@dataclass(frozen=True)
class LinearCalibration:
    """length = gain x reading + offset.

    Attributes
    ----------
    channel : int
        Which of the pod's linear channels, from 1, in the hello's order.
    gain : float
        mm of length for each mm that the pod sends; negative where the sensor runs backwards.
    offset_mm : float
    covariance : ndarray, shape (2, 2)
        Of gain and offset (mm).
    scatter_mm : float
        Departure of the sensor from the straight line at any one place, one sigma: what the
        known lengths left over, or what was stated where two of them leave nothing over.
    count : int
        Known lengths behind it; 0 for one that was stated and not made.
    valid_mm : tuple of float
        Smallest and largest reading (as the pod sends it) that it was made with.
    identity : str
        The pod's, 16 hex digits; empty if not known.
    date : str
        ISO 8601 with offset; empty if not known.
    """

    channel: int
    gain: float
    offset_mm: float
    covariance: FloatArray
    scatter_mm: float
    count: int
    valid_mm: tuple[float, float]
    identity: str = ""
    date: str = ""

    @property
    def degrees_of_freedom(self) -> float:
        """Behind `scatter_mm`; infinite where it was stated."""
        return float(self.count - 2) if self.count > 2 else float("inf")

    def length(self, raw_mm: FloatArray, noise_mm: FloatArray | float = 0.0) -> Lengths:
        """Return the lengths that readings stand for.

        Parameters
        ----------
        raw_mm : ndarray, shape (n,)
            As the pod's hello scales them.
        noise_mm : ndarray, shape (n,), or float
            Standard uncertainty of each reading, in the same mm.
        """
        raw = np.atleast_1d(np.asarray(raw_mm, dtype=float))
        noise = np.broadcast_to(np.asarray(noise_mm, dtype=float), raw.shape)
        low, high = self.valid_mm
        return Lengths(
            length_mm=self.gain * raw + self.offset_mm,
            own_u_mm=np.hypot(self.gain * noise, self.scatter_mm),
            shared=np.stack([raw, np.ones_like(raw)], axis=1),
            shared_covariance=self.covariance,
            in_range=(raw >= low) & (raw <= high),
        )

    def to_json(self) -> dict[str, Any]:
        """Return it as the JSON object of docs/measurement.md."""
        return {
            "format": FORMAT,
            "version": VERSION,
            "units": UNITS,
            "pod": self.identity,
            "date": self.date,
            "channel": self.channel,
            "gain": self.gain,
            "offset": self.offset_mm,
            "covariance": self.covariance.tolist(),
            "scatter": self.scatter_mm,
            "count": self.count,
            "valid": [None if np.isinf(end) else end for end in self.valid_mm],
        }

    @classmethod
    def from_json(cls, content: Any) -> LinearCalibration:
        """Read the JSON object again.

        Raises
        ------
        ValueError
            In words, if it is none, of another version, in other units, or a member is wrong.
        """
        if not isinstance(content, dict) or content.get("format") != FORMAT:
            raise ValueError(f'it does not say "format": "{FORMAT}"')
        if content.get("version") != VERSION:
            raise ValueError(
                f"its version is {content.get('version')!r}, this program reads {VERSION}"
            )
        if content.get("units") != UNITS:
            raise ValueError(f"its units are {content.get('units')!r}, not {UNITS}")
        try:
            return cls._checked(content)
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"a member is missing or wrong ({error})") from error

    @classmethod
    def _checked(cls, content: dict[str, Any]) -> LinearCalibration:
        covariance = np.asarray(content["covariance"], dtype=float)
        low, high = content["valid"]
        found = cls(
            channel=int(content["channel"]),
            gain=float(content["gain"]),
            offset_mm=float(content["offset"]),
            covariance=covariance,
            scatter_mm=float(content["scatter"]),
            count=int(content["count"]),
            valid_mm=(
                -np.inf if low is None else float(low),
                np.inf if high is None else float(high),
            ),
            identity=str(content.get("pod", "")),
            date=str(content.get("date", "")),
        )
        if covariance.shape != (2, 2) or not np.all(np.isfinite(covariance)):
            raise ValueError("the covariance is not two by two finite numbers")
        if not np.allclose(covariance, covariance.T) or np.linalg.eigvalsh(covariance)[0] < -1e-12:
            raise ValueError("the covariance is not symmetric and positive")
        if not np.isfinite(found.gain) or found.gain == 0.0 or not np.isfinite(found.offset_mm):
            raise ValueError("gain or offset is no number, or the gain is zero")
        if found.channel < 1 or not found.scatter_mm >= 0.0 or not np.isfinite(found.scatter_mm):
            raise ValueError("the channel is below 1, or the scatter is no length")
        return found
