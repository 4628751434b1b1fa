"""An outcome as the JSON object that docs/results.md describes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

from knuckle.model.budget import effective_degrees_of_freedom, evaluation_type, group_of
from knuckle.model.result import BudgetTerm, Notice, Outcome, PlacedRest, Result
from knuckle.store.records import without_nan

RESULTS_SCHEMA: Final = 1


def outcome_to_json(outcome: Outcome, **more: Any) -> dict[str, Any]:
    """Return an outcome as a JSON-like object: no NaN, no infinity, null in their place.

    Parameters
    ----------
    outcome : Outcome
        Refused ones too: `error` is then set, `results` empty, the rests kept.
    **more
        Further members, such as the file, the program's version or notices of its reading.
    """
    content: dict[str, Any] = {
        "schema": RESULTS_SCHEMA,
        "measure": outcome.measure,
        "wheel": str(outcome.wheel),
        "results": {}
        if outcome.refused is not None
        else {
            quantity.value: result_to_json(result) for quantity, result in outcome.results.items()
        },
        "rests": [_rest(rest) for rest in outcome.rests],
        "warnings": [_notice(notice) for notice in outcome.warnings],
        "details": dict(outcome.details),
    }
    if outcome.measure == "toe":
        content["touches"] = [asdict(touch) for touch in outcome.touches]
    if outcome.refused is not None:
        content["error"] = _notice(outcome.refused)
    content.update(more)
    plain: dict[str, Any] = without_nan(content)
    return plain


def result_to_json(result: Result) -> dict[str, Any]:
    """Return a result as a JSON-like object, its budget with it."""
    return {
        "value": result.value,
        "expanded_uncertainty": result.expanded_uncertainty,
        "coverage_factor": result.coverage_factor,
        "effective_degrees_of_freedom": effective_degrees_of_freedom(result.budget),
        "unit": result.unit,
        "condition": result.condition,
        "budget": [
            {
                "term": term.term,
                "source": term.source,
                "standard_uncertainty": term.standard_uncertainty,
                "share": _share(term, result),
                "type": evaluation_type(term),
                "degrees_of_freedom": term.degrees_of_freedom,
                "group": group_of(term.source),
            }
            for term in result.budget
        ],
    }


def _share(term: BudgetTerm, result: Result) -> float:
    combined = result.standard_uncertainty
    return term.standard_uncertainty**2 / combined**2 if combined > 0.0 else 0.0


def _rest(rest: PlacedRest) -> dict[str, Any]:
    return {
        "position": None if rest.position is None else rest.position.value,
        "start_s": rest.start_s,
        "end_s": rest.end_s,
        "camber_deg": rest.camber_deg,
        "camber_expanded_uncertainty_deg": rest.camber_expanded_uncertainty_deg,
        "steer_deg": rest.steer_deg,
    }


def _notice(notice: Notice) -> Mapping[str, str]:
    return {"code": notice.code, "text": notice.text}
