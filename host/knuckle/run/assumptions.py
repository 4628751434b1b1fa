"""What a measurement took for known beforehand, as a run's facts keep it.

With it, the calibration (`calibrations.used_fact`) and the raw bytes a result can be computed
again. The covariance of the sensor is left out: it follows from the calibration and from what
was stated of the sensor.
"""

from __future__ import annotations

from dataclasses import asdict, fields
from typing import Any, Final

from knuckle.analysis.request import Request
from knuckle.estimate.priors import Given, Priors
from knuckle.model.wheel import Wheel

ASSUMED: Final = "assumed"
"""The fact's name."""

_FROM_CALIBRATION: Final = {"accelerometer", "gyro"}
_NAMES: Final = {"plates_deg": "plates_u_deg"}
"""Of priors whose own name is one of the request's as well."""


_OF_THE_RUN: Final = ("wheel", "priors", "linear", "seats", "correction")


def to_fact(request: Request) -> dict[str, Any]:
    """Return what a request takes for known.

    Returns
    -------
    dict
        `values`: everything by name; `not_default`: the names of those that this version
        would not have assumed by itself.
    """
    values = _values(request)
    defaults = _values(Request(Wheel.LF))
    changed = [name for name, value in values.items() if value != defaults.get(name)]
    return {"values": values, "not_default": changed}


def _values(request: Request) -> dict[str, Any]:
    priors = request.priors
    values: dict[str, Any] = {}
    for field in fields(Priors):
        if field.name == "stated":
            values.update(asdict(priors.stated))
        elif field.name not in _FROM_CALIBRATION:
            name = _NAMES.get(field.name, field.name)
            values[name] = _plain(getattr(priors, field.name))
    for field in fields(Request):
        if field.name not in _OF_THE_RUN:
            values[field.name] = _plain(getattr(request, field.name))
    if request.linear is not None:
        linkage = request.linear.to_json()
        values["linear"] = linkage.pop("kind")
        values.update({f"linear_{name}": value for name, value in linkage.items()})
    return values


def _plain(value: Any) -> Any:
    if isinstance(value, Given):
        return asdict(value)
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value.tolist() if hasattr(value, "tolist") else value
