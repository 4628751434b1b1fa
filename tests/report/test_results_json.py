from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from knuckle.model.result import BudgetTerm, Outcome, Quantity
from knuckle.report.results_json import outcome_to_json
from report.made_sweep import made_outcome, refused


def strict(content: object) -> object:
    """Through text and back; NaN and infinity are errors on both ways."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    return json.loads(json.dumps(content, allow_nan=False), parse_constant=refuse)


def test_object_has_the_documented_members():
    outcome = made_outcome()
    content = strict(outcome_to_json(outcome))
    assert isinstance(content, dict)
    assert list(content) == [
        "schema",
        "measure",
        "wheel",
        "results",
        "rests",
        "warnings",
        "details",
    ]
    assert (content["schema"], content["measure"], content["wheel"]) == (1, "sweep", "LF")
    assert list(content["results"]) == ["camber", "caster", "steering_axis_inclination"]
    caster = content["results"]["caster"]
    assert caster == {
        "value": 5.0,
        "expanded_uncertainty": 0.31,
        "coverage_factor": 1.96,
        # One term of share 0.36 with 55 degrees of freedom: 55 / 0.36^2.
        "effective_degrees_of_freedom": pytest.approx(55.0 / 0.36**2),
        "unit": "deg",
        "condition": "relative to gravity, as swept, on its springs",
        "budget": [
            {
                "term": "mount: spin axis against the pod",
                "source": "mount",
                "standard_uncertainty": 0.8 * 0.31 / 1.96,
                "share": pytest.approx(0.64),
                "type": "B",
                "degrees_of_freedom": None,
                "group": "mount",
            },
            {
                "term": "noise of the readings",
                "source": "noise",
                "standard_uncertainty": 0.6 * 0.31 / 1.96,
                "share": pytest.approx(0.36),
                "type": "A",
                "degrees_of_freedom": 55.0,
                "group": "noise",
            },
        ],
    }
    assert [rest["position"] for rest in content["rests"]] == [
        "straight",
        "out",
        "straight",
        "in",
        "straight",
    ]
    assert set(content["rests"][0]) == {
        "position",
        "start_s",
        "end_s",
        "camber_deg",
        "camber_expanded_uncertainty_deg",
        "steer_deg",
    }
    assert content["warnings"] == [
        {"code": "GYRO_UNCALIBRATED", "text": "The gyro's scale is from its data sheet."}
    ]
    assert content["details"]["two_reading_caster_deg"] == 4.93


def test_what_is_no_number_becomes_null():
    outcome = made_outcome()
    worst = replace(
        outcome.results[Quantity.CASTER],
        expanded_uncertainty=math.inf,
        value=math.nan,
        budget=(BudgetTerm("unknown", "noise", math.inf),),
    )
    unknown = replace(outcome.rests[0], position=None, steer_deg=None)
    outcome = replace(outcome, results={Quantity.CASTER: worst}, rests=(unknown,))
    content = strict(outcome_to_json(outcome, notices=[math.nan]))
    assert isinstance(content, dict)
    caster = content["results"]["caster"]
    assert caster["value"] is None and caster["expanded_uncertainty"] is None
    assert caster["budget"][0]["standard_uncertainty"] is None
    assert content["rests"][0]["position"] is None and content["rests"][0]["steer_deg"] is None
    assert content["details"]["hysteresis_camber_deg"] is None
    assert content["notices"] == [None]


def test_refused_has_an_error_no_results_and_its_rests():
    content = strict(outcome_to_json(refused(made_outcome())))
    assert isinstance(content, dict)
    assert content["error"] == {
        "code": "SWEEP_TOO_SMALL",
        "text": "The wheel turned by 6 deg only.",
    }
    assert content["results"] == {}
    assert len(content["rests"]) == 5
    # Even results that a refused outcome carries by mistake are not shown.
    half = replace(refused(made_outcome()), results=made_outcome().results)
    assert outcome_to_json(half)["results"] == {}


def test_camber_alone():
    outcome = Outcome("camber", "RR", {Quantity.CAMBER: made_outcome().results[Quantity.CAMBER]})
    content = outcome_to_json(outcome)
    assert list(content["results"]) == ["camber"] and content["rests"] == []
