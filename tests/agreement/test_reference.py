"""What a reference's readings are worth."""

from __future__ import annotations

import math

import pytest
from GTC import asin as gtc_asin
from GTC import ureal

from knuckle.agreement.reference import (
    Reference,
    ReferenceKind,
    SineBar,
    rectangular,
    stated_reference,
)


def test_sine_bar() -> None:
    """Sine bar of 100 mm on a stack of 8.7156 mm: 5 deg (plain trigonometry)."""
    found = SineBar(100.0, 0.02, 0.005).angle(8.71557427)
    assert found.angle_deg == pytest.approx(5.0, abs=1e-8)
    assert SineBar(100.0, 0.02, 0.005).angle(0.0, 8.71557427).angle_deg == pytest.approx(-5.0)


@pytest.mark.parametrize(("high", "low"), [(17.36, 0.0), (12.0, 4.5), (0.0, 20.0)])
def test_sine_bar_agrees_with_gtc(high: float, low: float) -> None:
    found = SineBar(125.0, 0.03, 0.01).angle(high, low)
    u_low, u_high = (0.01 if height else 0.0 for height in (low, high))
    oracle = gtc_asin((ureal(high, u_high) - ureal(low, u_low)) / ureal(125.0, 0.03))
    assert found.angle_deg == pytest.approx(math.degrees(oracle.x), rel=1e-12)
    assert found.u_deg == pytest.approx(math.degrees(oracle.u), rel=1e-9)


def test_a_bars_length_is_a_scale_common_to_all_settings() -> None:
    bar = SineBar(100.0, 0.05, 0.01)
    reference = bar.reference(surface_deg=0.02)
    assert reference.zero_deg == 0.02
    assert reference.common_u_deg(0.0) == 0.02
    at_five = bar.angle(8.71557)
    assert reference.scale * 5.0 == pytest.approx(at_five.length_u_deg, rel=0.01)


def test_limits_are_rectangular() -> None:
    """GUM (JCGM 100:2008) 4.3.7 and F.2.2.1: a / sqrt 3, resolution / sqrt 12."""
    assert rectangular(0.3) == pytest.approx(0.3 / math.sqrt(3.0))
    gauge = stated_reference(
        ReferenceKind.GAUGE, resolution_deg=0.1, accuracy_deg=0.2, reach_deg=10.0
    )
    assert gauge.resolution_u_deg == pytest.approx(0.1 / math.sqrt(12.0))
    assert gauge.zero_deg == pytest.approx(0.2 / math.sqrt(3.0))
    # Nothing said of the scale: off by as much again at the end of the range.
    assert gauge.common_u_deg(10.0) == pytest.approx(0.2 * math.sqrt(2.0 / 3.0))
    stated = stated_reference(
        ReferenceKind.GAUGE, resolution_deg=0.1, accuracy_deg=0.2, reach_deg=10.0, scale=0.0
    )
    assert stated.common_u_deg(10.0) == stated.zero_deg


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        Reference(ReferenceKind.PROTRACTOR, 0.1, -0.1, 0.1, 0.0)
    with pytest.raises(ValueError, match="length"):
        SineBar(0.0, 0.1, 0.1)
    with pytest.raises(ValueError, match="length or more"):
        SineBar(100.0, 0.1, 0.1).angle(100.0)
