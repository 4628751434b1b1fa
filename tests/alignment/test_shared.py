"""What two results share, against the shares of the estimator's own fits; GTC; plain rules."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import GTC
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alignment.figures import made, u_of
from analysis.paper_sweeps import swept
from analysis.wheel_on_paper import Wheel as PaperWheel
from knuckle.alignment.compare import Difference, Standing, against_target, compare, too_coarse
from knuckle.alignment.pair import SweptWheel, included_angle, pair_of
from knuckle.alignment.shared import Origin, Part, combined, correlation, with_budget
from knuckle.analysis import sweep
from knuckle.estimate.priors import AccelerometerPrior, Priors
from knuckle.estimate.solver import derivative
from knuckle.model.car import Target
from knuckle.model.result import SWEPT, BudgetTerm, Outcome, Quantity
from knuckle.model.wheel import Wheel

LF, RF, LR, RR = Wheel
CAMBER, CASTER, SAI, TOE = Quantity.CAMBER, Quantity.CASTER, Quantity.SAI, Quantity.TOE
SENSOR = ("zero", "calibration", "chip_turn", "gyro_calibration")
Shares = dict[Quantity, dict[str, np.ndarray]]
Sweep = Callable[..., tuple[Outcome, Shares]]


@pytest.fixture
def sweep_with_shares(monkeypatch: pytest.MonkeyPatch) -> Sweep:
    """Sweep a wheel on paper; return also how the rows behind each source move each figure."""
    kept: dict[str, Shares] = {}
    outcome = sweep._outcome

    def watched(problem: Any, rests: Any, request: Any, sound: Any, notices: Any) -> Outcome:
        solution = sound.fit.solution
        gradients = derivative(sound.fit.model.outputs, solution.x)
        kept["last"] = {q: solution.shares(g) for q, g in zip(SWEPT, gradients[:3], strict=True)}
        return outcome(problem, rests, request, sound, notices)

    monkeypatch.setattr(sweep, "_outcome", watched)

    def run(wheel: PaperWheel, **asked: Any) -> tuple[Outcome, Shares]:
        found = swept(wheel, **asked)
        assert found.refused is None
        return found, kept["last"]

    return run


PRIORS = (
    Priors(),
    Priors(accelerometer=AccelerometerPrior.data_sheet(), mount_tilt_deg=0.05, mount_yaw_deg=0.05),
)


@pytest.mark.parametrize("priors", PRIORS, ids=["calibrated", "data sheet"])
def test_left_against_right_by_one_pod(sweep_with_shares: Sweep, priors: Priors) -> None:
    wheel = PaperWheel(caster=5.0, sai=12.0, camber=-1.5, pitch=3.0)
    left, by_left = sweep_with_shares(wheel, priors=priors)
    right, by_right = sweep_with_shares(replace(wheel, name="RF"), priors=priors, seed=3)
    pair = pair_of(
        SweptWheel(left.results, Origin(LF, pod="p")),
        SweptWheel(right.results, Origin(RF, pod="p")),
    )
    for quantity, cross in zip(
        SWEPT, (Quantity.CROSS_CAMBER, Quantity.CROSS_CASTER, Quantity.CROSS_SAI), strict=True
    ):
        difference = pair.cross[cross].difference
        variance = 0.0
        for source in SENSOR:
            shares = by_left[quantity][source], by_right[quantity][source]
            exact = float(np.linalg.norm(shares[0] - shares[1]))
            variance += exact**2
            alone = math.hypot(*(float(np.linalg.norm(share)) for share in shares))
            # What adds up or stays is told to a third, what goes out to be small.
            if exact > 0.4 * alone and alone > 0.01:
                assert u_of(difference, source) == pytest.approx(exact, rel=0.35)
            else:
                assert u_of(difference, source) < 0.6 * alone + 0.01
        stated = math.hypot(*(u_of(difference, source) for source in SENSOR))
        assert stated == pytest.approx(math.sqrt(variance), rel=0.35)


@pytest.mark.parametrize("priors", PRIORS, ids=["calibrated", "data sheet"])
@pytest.mark.parametrize("change", [{"camber": 0.0}, {"caster": 6.5}, {"sai": 11.0, "pitch": 6.0}])
def test_before_against_after_by_one_pod(
    sweep_with_shares: Sweep, priors: Priors, change: dict[str, float]
) -> None:
    wheel = PaperWheel(caster=5.0, sai=12.0, camber=-1.5, pitch=3.0)
    earlier, before = sweep_with_shares(wheel, priors=priors)
    later, after = sweep_with_shares(replace(wheel, **change), priors=priors, seed=3)
    here = Origin(LF, pod="p", mounting="m")
    for quantity in SWEPT:
        found = compare(earlier.results[quantity], later.results[quantity], here, here)
        for source in (*SENSOR, "mount"):
            exact = float(np.linalg.norm(before[quantity][source] - after[quantity][source]))
            alone = u_of(earlier.results[quantity], source)
            # It cancels to a third at most, and is not said to cancel by more than it does.
            assert u_of(found.difference, source) < 0.35 * alone + 0.01
            assert exact < u_of(found.difference, source) + 0.06 * alone + 0.005


def test_included_angle_by_the_estimator(sweep_with_shares: Sweep) -> None:
    """u of SAI + camber, by the fit's own gradients, is what the budget says within a fifth."""
    outcome, shares = sweep_with_shares(PaperWheel(caster=5.0, sai=12.0, camber=-1.5))
    found = included_angle(outcome.results, Origin(LF))
    assert found is not None
    both = {s: shares[SAI][s] + shares[CAMBER][s] for s in shares[SAI]}
    exact = math.sqrt(sum(float(np.sum(x**2)) for x in both.values()))
    assert found.standard_uncertainty == pytest.approx(exact, rel=0.2)
    assert u_of(found, "pads") < 0.01
    assert float(np.linalg.norm(both["pads"])) < 0.01


def test_the_sum_of_correlated_results_by_gtc() -> None:
    """y = 0.5 a - 0.5 b + c with a shared source of correlation r: GTC as oracle."""
    r = 0.6
    a, b, c = (
        made(TOE, x, string=u, touch=0.01) for x, u in ((0.2, 0.02), (0.1, 0.03), (0.3, 0.02))
    )
    origins = [Origin(w, strings="s", string_correlation=r) for w in (LF, RF, LR)]
    parts = [Part(x, w, o) for x, w, o in zip((a, b, c), (0.5, -0.5, 1.0), origins, strict=True)]
    found = combined(TOE, parts)
    s_left, s_right = GTC.multiple_ureal([0.0, 0.0], [1.0, 1.0], math.inf)
    GTC.set_correlation(r, s_left, s_right)
    touch = [GTC.ureal(0.0, 0.01) for _ in range(3)]
    # LF and LR are read from one string, whose error is one; each has its own size of it here.
    y = (
        0.5 * (0.2 + 0.02 * s_left + touch[0])
        - 0.5 * (0.1 + 0.03 * s_right + touch[1])
        + (0.3 + 0.02 * s_left + touch[2])
    )
    assert found.value == pytest.approx(GTC.value(y))
    assert found.standard_uncertainty == pytest.approx(GTC.uncertainty(y))


def test_degrees_of_freedom_of_a_sum() -> None:
    """Independent estimates by Welch-Satterthwaite (GUM G.2b); one cause keeps its own."""

    def touched(wheel: Wheel, u: float, freedom: float, **names: str) -> Part:
        term = BudgetTerm("x", "touch", u, freedom)
        return Part(with_budget(TOE, 0.1, [term]), 1.0, Origin(wheel, **names))

    apart = combined(TOE, [touched(LF, 0.3, 4.0), touched(RF, 0.4, 9.0)])
    whole = (0.3**2 + 0.4**2) ** 2 / (0.3**4 / 4.0 + 0.4**4 / 9.0)
    assert apart.budget[0].degrees_of_freedom == pytest.approx(whole)
    zero = BudgetTerm("x", "zero", 0.3, 7.0)
    one = [Part(with_budget(CAMBER, -1.0, [zero]), w, Origin(LF, pod="p")) for w in (1.0, -1.0)]
    assert combined(CAMBER, one).budget[0].degrees_of_freedom == 7.0


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ((CAMBER, LF), (CAMBER, RF), -1.0),
        ((SAI, LF), (SAI, RF), -1.0),
        ((CASTER, LF), (CASTER, RF), 1.0),
        ((CAMBER, LF), (SAI, LF), -1.0),
        ((CAMBER, LF), (SAI, RF), 1.0),
        ((CAMBER, LF), (CASTER, LF), 0.0),
        ((CAMBER, LF), (CAMBER, LR), 0.0),
        ((CAMBER, LR), (CAMBER, RR), -1.0),
        ((CAMBER, LF), (CAMBER, LF), 1.0),
    ],
)
def test_signs_of_shared_pads(
    first: tuple[Quantity, Wheel], second: tuple[Quantity, Wheel], expected: float
) -> None:
    a, b = (Part(made(q, 1.0, pads=0.1), 1.0, Origin(w, pads="today")) for q, w in (first, second))
    assert correlation("pads", a, b) == expected
    stranger = replace(b, origin=replace(b.origin, pads="last week"))
    assert correlation("pads", a, stranger) == 0.0


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([CAMBER, CASTER, SAI, TOE]),
            st.sampled_from(list(Wheel)),
            st.floats(-0.5, 0.5),
            st.sampled_from(["a", "b"]),
        ),
        min_size=2,
        max_size=8,
    ),
    st.floats(-1.0, 1.0),
)
def test_correlations_can_be(figures: list[tuple[Quantity, Wheel, float, str]], r: float) -> None:
    """No sum of results gets a variance below zero: no matrix of correlations an impossible one.

    Down to 0.02, by which rounded correlations may fall short; a variance is then taken as zero.
    """
    parts = [
        Part(made(q, x, noise=0.1), 1.0, Origin(w, "p", n, n, "s", "t", n, n, r))
        for q, w, x, n in figures
    ]
    sources = ("zero", "calibration", "chip_turn", "gyro_calibration", "mount", "pads", "string")
    for source in (*sources, "rim_length", "straight_ahead", "body_roll", "reversal"):
        matrix = np.array(
            [[1.0 if a is b else correlation(source, a, b) for b in parts] for a in parts]
        )
        assert np.allclose(matrix, matrix.T)
        assert np.min(np.linalg.eigvalsh(matrix)) > -0.02 * len(parts)


def test_a_wrong_rim_length_goes_with_the_toe() -> None:
    """toe = asin(d/L): 1 % of L is 1 % of toe, so toe-in and toe-out err opposite ways."""
    here = Origin(LF, rim="tape")
    alike = compare(made(TOE, 1.0, rim_length=0.01), made(TOE, 0.5, rim_length=0.005), here, here)
    assert u_of(alike.difference, "rim_length") == pytest.approx(0.005)
    across = compare(made(TOE, 1.0, rim_length=0.01), made(TOE, -0.5, rim_length=0.005), here, here)
    assert u_of(across.difference, "rim_length") == pytest.approx(0.015)


def test_straight_ahead_and_body_roll_in_cross_caster() -> None:
    """Steering off centre is toe-in on one side, toe-out on the other: it counts twice.

    docs/measurement.md: 1 deg of it is 0.2 deg of caster at each wheel, 0.4 of cross-caster.
    The body rolls alike on both sides: it goes out.
    """
    origins = [Origin(w, straight_ahead="here", body_roll="here") for w in (LF, RF)]
    results = [{CASTER: made(CASTER, 5.0, straight_ahead=0.2, body_roll=0.1)} for _ in origins]
    pair = pair_of(*(SweptWheel(r, o) for r, o in zip(results, origins, strict=True)))
    difference = pair.cross[Quantity.CROSS_CASTER].difference
    assert u_of(difference, "straight_ahead") == pytest.approx(0.4)
    assert u_of(difference, "body_roll") == 0.0


def test_nothing_cancels_without_a_name() -> None:
    before, after = made(CAMBER, -1.5, mount=0.2), made(CAMBER, -1.0, mount=0.2)
    found = compare(before, after, Origin(LF), Origin(LF))
    assert u_of(found.difference, "mount") == pytest.approx(0.2 * math.sqrt(2.0))
    assert found.verdict is Difference.CANNOT_TELL
    assert found.cancelled == ()


def test_noise_never_cancels() -> None:
    here = Origin(LF, "p", "m", "f", "s", "r", "a", "b")
    one = made(CAMBER, -1.5, noise=0.1, touch=0.1, scatter=0.1, runout=0.1, temperature=0.1)
    found = compare(one, one, here, here)
    for source in ("noise", "touch", "scatter", "runout", "temperature"):
        assert u_of(found.difference, source) == pytest.approx(0.1 * math.sqrt(2.0))


def test_figures_of_an_axle_before_and_after() -> None:
    here = Origin(None, strings="s", rim="t")
    before = made(Quantity.TOTAL_TOE, 0.6, string=0.05, touch=0.02)
    after = made(Quantity.TOTAL_TOE, 0.2, string=0.05, touch=0.02)
    found = compare(before, after, here, here)
    assert u_of(found.difference, "string") == 0.0
    assert found.verdict is Difference.DIFFERS


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    [
        (0.0, 0.1, Standing.INSIDE),
        (0.25, 0.1, Standing.CANNOT_TELL),
        (0.35, 0.1, Standing.CANNOT_TELL),
        (0.45, 0.1, Standing.OUTSIDE),
        (-0.45, 0.1, Standing.OUTSIDE),
        (0.0, 0.4, Standing.CANNOT_TELL),
    ],
)
def test_verdicts_against_a_band(value: float, u: float, expected: Standing) -> None:
    """JCGM 106:2012, 8.3: the whole interval decides. Band -0.3 to 0.3."""
    result = made(CAMBER, value, noise=u / 1.959964)
    target = Target(0.0, -0.3, 0.3)
    assert against_target(result, target) is expected
    assert too_coarse(result, target) == (u > 0.3)


@pytest.mark.parametrize(
    ("change", "u", "expected"),
    [
        (0.3, 0.1, Difference.DIFFERS),
        (0.05, 0.1, Difference.SAME),
        (0.05, 0.22, Difference.CANNOT_TELL),
        (0.2, 0.3, Difference.CANNOT_TELL),
    ],
)
def test_verdicts_of_a_difference(change: float, u: float, expected: Difference) -> None:
    each = u / 1.959964 / math.sqrt(2.0)
    a, b = made(CAMBER, -1.0, noise=each), made(CAMBER, -1.0 + change, noise=each)
    found = compare(a, b, Origin(LF), Origin(LF), matters=0.25)
    assert found.verdict is expected
    assert found.difference.value == pytest.approx(change)


def test_what_cannot_be_compared_is_an_error() -> None:
    with pytest.raises(ValueError, match="cannot be compared"):
        compare(made(CAMBER, 1.0, noise=0.1), made(TOE, 1.0, noise=0.1), Origin(), Origin())
    with pytest.raises(ValueError, match="one unit"):
        combined(TOE, [])
