"""Outcomes, hellos and facts as the JSON text that the store keeps, and back.

Numbers keep every digit. JSON has no NaN and no infinity: both are kept as null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from enum import IntEnum
from typing import Any, Final

from knuckle.errors import StoreError
from knuckle.model.result import (
    BudgetTerm,
    Notice,
    Outcome,
    Place,
    PlacedRest,
    PlacedTouch,
    Position,
    Quantity,
    Result,
)
from knuckle.wire.messages import Hello

RECORD_VERSION: Final = 1
"""Of the outcome's record; it is inside the record."""


def without_nan(value: Any) -> Any:
    """Return a JSON-like value with every NaN and infinity, at any depth, as None."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [without_nan(item) for item in value]
    if value is None or isinstance(value, str | bool | int):
        return value
    if hasattr(value, "item"):  # a numpy scalar, without importing numpy
        return without_nan(value.item())
    return str(value)


def to_text(value: Any) -> str:
    """Return a value as compact JSON."""
    return json.dumps(without_nan(value), ensure_ascii=False, allow_nan=False)


def outcome_to_text(outcome: Outcome) -> str:
    """Return an outcome as the store's record."""
    record = asdict(outcome)
    record["results"] = [asdict(result) for result in outcome.results.values()]
    return to_text({"record": RECORD_VERSION, **record})


def outcome_from_text(text: str) -> Outcome:
    """Return the outcome of a record.

    Raises
    ------
    StoreError
        If the record is of a newer version or damaged.
    """
    try:
        record = json.loads(text)
        if record["record"] > RECORD_VERSION:
            raise StoreError(
                f"A result is kept in version {record['record']}; this program knows up to "
                f"{RECORD_VERSION}.",
                "It was written by a newer version of the program.",
                "Update the program.",
            )
        results = [_result(item) for item in record["results"]]
        refused = record["refused"]
        return Outcome(
            measure=record["measure"],
            wheel=record["wheel"],
            results={result.quantity: result for result in results},
            rests=tuple(_placed_rest(item) for item in record["rests"]),
            warnings=tuple(Notice(**item) for item in record["warnings"]),
            refused=None if refused is None else Notice(**refused),
            details={key: _number(item) for key, item in record["details"].items()},
            # Records of before toe was measured have none.
            touches=tuple(_placed_touch(item) for item in record.get("touches", ())),
        )
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreError(
            f"A result in the store cannot be read: {error!r}.",
            "The file is damaged or was changed by another program.",
            "The raw bytes of the run are kept apart: `knuckle export RUN --as capture`.",
        ) from error


def _number(value: Any, absent: float = math.nan) -> Any:
    return absent if value is None else value


def _result(item: dict[str, Any]) -> Result:
    budget = tuple(
        BudgetTerm(
            term=term["term"],
            source=term["source"],
            standard_uncertainty=_number(term["standard_uncertainty"]),
            degrees_of_freedom=_number(term["degrees_of_freedom"], math.inf),
        )
        for term in item["budget"]
    )
    return Result(
        quantity=Quantity(item["quantity"]),
        value=_number(item["value"]),
        expanded_uncertainty=_number(item["expanded_uncertainty"]),
        coverage_factor=_number(item["coverage_factor"]),
        unit=item["unit"],
        budget=budget,
        condition=item["condition"],
    )


def _placed_rest(item: dict[str, Any]) -> PlacedRest:
    return PlacedRest(
        position=None if item["position"] is None else Position(item["position"]),
        start_s=item["start_s"],
        end_s=item["end_s"],
        camber_deg=_number(item["camber_deg"]),
        camber_expanded_uncertainty_deg=_number(item["camber_expanded_uncertainty_deg"]),
        steer_deg=item["steer_deg"],
    )


def _placed_touch(item: dict[str, Any]) -> PlacedTouch:
    return PlacedTouch(**{**item, "place": Place(item["place"])})


def hello_to_facts(hello: Hello) -> dict[str, Any]:
    """Return what a pod said of itself, by name, for people and programs to read."""
    return {
        "protocol": hello.protocol,
        "hardware": hello.hardware,
        "firmware": ".".join(str(part) for part in hello.firmware),
        "identity": hello.identity.hex(),
        "name": hello.name,
        "reset_cause": _name(hello.reset_cause),
        "tick_hz": hello.tick_hz,
        "raw_period_ticks": hello.raw_period_ticks,
        "averaging": hello.averaging,
        "channels": [
            {
                **asdict(channel),
                "kind": _name(channel.kind),
                "sensor": _name(channel.sensor),
            }
            for channel in hello.channels
        ],
    }


def _name(code: int) -> str | int:
    """Return the name of a code, or the code itself where this version knows no name."""
    return code.name.lower() if isinstance(code, IntEnum) else code
