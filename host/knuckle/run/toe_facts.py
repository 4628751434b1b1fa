"""What a measurement of toe took for known beforehand, as a run's facts keep it."""

from __future__ import annotations

from dataclasses import asdict, fields
from typing import Any

from knuckle.analysis.toe_request import ToeRequest
from knuckle.estimate.priors import Given
from knuckle.model.wheel import Wheel


def request_fact(request: ToeRequest) -> dict[str, Any]:
    """Return what a request takes for known, in the form of `assumptions.to_fact`."""
    values = _values(request)
    usual = _values(ToeRequest(Wheel.LF, request.length_mm))
    changed = [name for name, value in values.items() if value != usual[name]]
    return {"values": values, "not_default": ["length_mm", *changed]}


def _values(request: ToeRequest) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for field in fields(ToeRequest):
        if field.name not in ("wheel", "calibration"):
            value = getattr(request, field.name)
            values[field.name] = asdict(value) if isinstance(value, Given) else value
    return values
