"""A pod checked through and through: what was found, and whether it is fit to measure."""

from __future__ import annotations

from knuckle.model.check import Check
from knuckle.run.checks_linear import linear_checks
from knuckle.run.checks_pod import pod_checks
from knuckle.run.checks_sensors import sensor_checks
from knuckle.run.examination import Evidence


def checks_of(evidence: Evidence) -> list[Check]:
    """Return every check of a pod, in the order of the table."""
    return [*pod_checks(evidence), *sensor_checks(evidence), *linear_checks(evidence)]
