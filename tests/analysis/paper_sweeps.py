"""From a wheel on paper to an outcome, as `analyze` would come to it."""

from __future__ import annotations

import numpy as np

from analysis.wheel_on_paper import Wheel, record, sweep_steer
from knuckle.analysis.measure import measure
from knuckle.analysis.request import Request
from knuckle.estimate.priors import Priors
from knuckle.model.block import Block
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel as Position
from knuckle.rests.detector import RestDetector

SWEEP = (0, 20, 0, -20, 0)


def block_of(columns, rate_hz):
    """Return recorded columns as a block."""

    def stack(*names):
        return np.stack([columns[name] for name in names], axis=1)

    n = columns["t_s"].size
    gyro = stack("gx_dps", "gy_dps", "gz_dps") if "gx_dps" in columns else None
    zero = np.zeros(n, dtype=int)
    accel = stack("ax_g", "ay_g", "az_g")
    linear = stack(*names) if (names := [c for c in columns if c.startswith("linear")]) else None
    return Block(columns["t_s"], accel, gyro, None, linear, zero, zero, zero.astype(bool), rate_hz)


def outcome_of_block(block, wheel, name="sweep", priors=None, **asked):
    """Find the rests of a block and measure."""
    detector = RestDetector(block.rate_hz, block.gyro_dps is not None)
    detector.push(block)
    detector.finish()
    request = Request(Position(wheel.name), priors or Priors(), **asked)
    return measure(name, block, detector.rests(), request, detector.dropped)


def swept(wheel: Wheel, seed=1, stops=SWEEP, name="sweep", knocks=(), priors=None, **asked):
    """Sweep a wheel on paper and measure it."""
    rng = np.random.default_rng(seed)
    steer, _ = sweep_steer(rng, stops, rate_hz=wheel.rate_hz)
    block = block_of(record(wheel, steer, rng, knocks), wheel.rate_hz)
    return outcome_of_block(block, wheel, name, priors, **asked)


def errors_in_u(outcome, wheel):
    """Return how many expanded uncertainties each result lies from the truth."""
    truth = {Quantity.CAMBER: wheel.camber, Quantity.CASTER: wheel.caster, Quantity.SAI: wheel.sai}
    return {
        quantity: (result.value - truth[quantity]) / result.expanded_uncertainty
        for quantity, result in outcome.results.items()
    }


def codes(outcome):
    """Return the codes of an outcome's warnings."""
    return {warning.code for warning in outcome.warnings}
