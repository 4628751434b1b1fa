"""Everything that a comparison says, at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.agreement.comparison import Comparison
from knuckle.agreement.components import Components, components
from knuckle.agreement.effects import (
    Drift,
    Linearity,
    Regression,
    drift,
    hysteresis,
    linearity,
    mean_error,
    reference_zero,
    regression,
)
from knuckle.agreement.joint import Estimate, JointFit, best_terms, joint_fit
from knuckle.agreement.limits import Bias, Limits, agreement_of_groups
from knuckle.agreement.rows import Terms
from knuckle.agreement.verdict import Judgement, judge
from knuckle.model.block import FloatArray


@dataclass(frozen=True)
class Assessment:
    """What a run of validation yields.

    Attributes
    ----------
    differences_deg : ndarray, shape (n,)
        Pod less reference, for each pod reading.
    simple_bias : Bias
        Of the differences as they stand, as if the reference had no error of its own.
    limits : Limits
        Between which 95 % of single differences lie. Readings of the pod turned end for end are
        in neither: the reference's zero is in them with the other sign.
    bias : Estimate
        Mean error of the pod over its readings, with everything the reference leaves.
    regression : Regression or None
        None if one angle only was set.
    linearity, hysteresis, drift, reference_zero, components : or None
        None where the design does not show it.
    pod_zero : Estimate or None
        The pod's error at angle zero, if zero lies in the range.
    fit : JointFit
    judgement : Judgement
    """

    differences_deg: FloatArray
    simple_bias: Bias
    limits: Limits
    bias: Estimate
    regression: Regression | None
    linearity: Linearity | None
    hysteresis: Estimate | None
    drift: Drift | None
    reference_zero: Estimate | None
    components: Components | None
    pod_zero: Estimate | None
    fit: JointFit
    judgement: Judgement


def assess(comparison: Comparison, tolerance_deg: float) -> Assessment:
    """Return everything that a comparison says.

    Raises
    ------
    ValueError
        With fewer than two pod readings.
    """
    pairs = np.array(comparison.pairs())
    differences = pairs[:, 1] - pairs[:, 0]
    simple, limits = agreement_of_groups(_by_setting(comparison, differences))
    fit = supported_fit(comparison)
    low, high = fit.rows.middle_deg - fit.rows.half_deg, fit.rows.middle_deg + fit.rows.half_deg
    return Assessment(
        differences,
        simple,
        limits,
        mean_error(fit, pairs[:, 0]),
        regression(comparison) if fit.terms.order else None,
        linearity(fit),
        hysteresis(fit),
        drift(comparison, fit.terms),
        reference_zero(fit),
        _components(comparison),
        fit.error(0.0) if low <= 0.0 <= high and fit.terms.order else None,
        fit,
        judge(comparison, fit, tolerance_deg),
    )


def supported_fit(comparison: Comparison) -> JointFit:
    """Return the fit with as many unknowns as the readings support.

    Raises
    ------
    ValueError
        If even a constant error cannot be found: fewer than two pod readings.
    """
    best = best_terms(comparison)
    tries = [best, Terms(best.order)] if best.hysteresis else [best]
    tries += [Terms(order) for order in range(best.order - 1, -1, -1)]
    for terms in tries[:-1]:
        try:
            return joint_fit(comparison, terms)
        except ValueError:
            continue
    return joint_fit(comparison, tries[-1])


def _by_setting(comparison: Comparison, differences: FloatArray) -> list[list[float]]:
    """Group differences by setting, of the pod as it usually stands if it did so twice."""
    usual = [not reading.turned for reading in comparison.pod_readings]
    kept = usual if sum(usual) > 1 else [True] * len(usual)
    groups: dict[int, list[float]] = {}
    for reading, difference, keep in zip(comparison.pod_readings, differences, kept, strict=True):
        if keep:
            groups.setdefault(reading.setting, []).append(float(difference))
    return list(groups.values())


def _components(comparison: Comparison) -> Components | None:
    """Split the scatter at the setting where the pod was seated most often."""
    seats: dict[tuple[int, bool], dict[int, list[float]]] = {}
    for reading in comparison.pod_readings:
        place = seats.setdefault((reading.setting, reading.turned), {})
        place.setdefault(reading.seat, []).append(reading.value_deg)
    most = max(seats.values(), key=len)
    try:
        return components(list(most.values()))
    except ValueError:
        return None
