"""Bias and limits of agreement against published figures, statsmodels and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.weightstats import DescrStatsW

from agreement.nist_sets import Find, flow_meters, numbers
from knuckle.agreement.components import pair_repeatability
from knuckle.agreement.limits import WIDTH, agreement_of_groups, bias, limits_of_agreement


def test_seventeen_subjects(outside_data: Find) -> None:
    """Bland & Altman, Lancet 1986; 327: 307-310."""
    table = flow_meters(outside_data)
    d = table["wright_1"] - table["mini_1"]
    found = bias(d)
    assert found.mean == pytest.approx(-2.1176471, abs=5e-8)
    assert found.sd == pytest.approx(38.7651299, abs=5e-8)
    assert found.se == pytest.approx(9.40193, abs=5e-6)
    assert (found.low, found.high) == pytest.approx((-22.0488, 17.8135), abs=5e-5)
    twice = limits_of_agreement(d, width=2.0, exact=False)
    assert (twice.lower, twice.upper) == pytest.approx((-79.6479, 75.4126), abs=5e-5)
    assert twice.se == pytest.approx(16.2846, abs=5e-5)
    # The paper adds 2.12 rounded standard errors to limits of -79.7 and 75.5.
    assert twice.lower_interval == pytest.approx((-114.3, -45.1), abs=0.2)
    assert twice.upper_interval == pytest.approx((40.9, 110.1), abs=0.2)
    plain = limits_of_agreement(d, width=1.96)
    assert (plain.lower, plain.upper) == pytest.approx((-78.0973, 73.8620), abs=5e-5)


def test_repeatability_of_the_flow_meters(outside_data: Find) -> None:
    """Bland & Altman 1986, repeatability of either meter."""
    table = flow_meters(outside_data)
    assert pair_repeatability(table["wright_1"], table["wright_2"]) == pytest.approx(
        21.6469, abs=5e-5
    )
    assert pair_repeatability(table["mini_1"], table["mini_2"]) == pytest.approx(28.1582, abs=5e-5)


@pytest.mark.parametrize(
    ("column", "mean", "sd", "t"),
    [(3, -0.00383448, 0.00514520, -4.013), (4, 0.00488621, 0.00400426, 6.571)],
)
def test_bias_of_a_probe(outside_data: Find, column: int, mean: float, sd: float, t: float) -> None:
    """NIST/SEMATECH e-Handbook, MPC536."""
    found = bias(numbers(outside_data, "MPC536.DAT")[:, column])
    assert found.freedom + 1 == 29
    assert found.mean == pytest.approx(mean, abs=5e-9)
    assert found.sd == pytest.approx(sd, abs=5e-9)
    assert found.t == pytest.approx(t, abs=5e-4)


@pytest.mark.parametrize(
    ("name", "skip", "mean", "sd"),
    [
        # NIST StRD certified values; all but NUMACC4's (in the file) from memory.
        ("NUMACC4.DAT", 60, 10000000.2, 0.1),
        ("LEW.DAT", 25, -177.435, 277.332168044316),
        ("MAVRO.DAT", 25, 2.001856, 0.000429123454003),
        ("MICHELSO.DAT", 25, 299.8524, 0.0790105478190518),
    ],
)
def test_univariate_sets(outside_data: Find, name: str, skip: int, mean: float, sd: float) -> None:
    x = np.loadtxt(outside_data(f"nist/{name}"), skiprows=skip, usecols=0)
    found = bias(x)
    assert found.mean == pytest.approx(mean, rel=1e-12)
    assert found.sd == pytest.approx(sd, rel=2e-8)


def test_interval_agrees_with_statsmodels() -> None:
    d = np.random.default_rng(3).normal(0.2, 0.1, 12)
    found, oracle = bias(d), DescrStatsW(d)
    assert (found.low, found.high) == pytest.approx(oracle.tconfint_mean(0.05), rel=1e-12)
    assert found.t == pytest.approx(oracle.ttest_mean(0.0)[0], rel=1e-12)


def test_exact_intervals_hold_for_few_readings() -> None:
    """Each limit's interval covers the true limit in 95 % of 20000 sets of eight."""
    rng, n, runs = np.random.default_rng(11), 8, 20000
    d = rng.normal(0.0, 1.0, (runs, n))
    one = limits_of_agreement(d[0])
    sd = bias(d[0]).sd
    near, far = ((limit - bias(d[0]).mean) / sd for limit in one.upper_interval)
    mean, scatter = d.mean(axis=1), d.std(axis=1, ddof=1)
    true = 1.959964
    covered = np.mean((mean + near * scatter <= true) & (true <= mean + far * scatter))
    assert covered == pytest.approx(0.95, abs=0.005)
    mirrored = tuple(2.0 * bias(d[0]).mean - limit for limit in reversed(one.upper_interval))
    assert one.lower_interval == pytest.approx(mirrored)


def test_approximation_meets_exact_for_many_readings() -> None:
    d = np.random.default_rng(2).normal(0.0, 1.0, 4000)
    exact, near = limits_of_agreement(d), limits_of_agreement(d, exact=False)
    assert exact.upper_interval == pytest.approx(near.upper_interval, abs=0.004)
    assert near.se == pytest.approx(math.sqrt(3.0 / 4000), rel=0.03)


def test_one_difference_is_refused() -> None:
    with pytest.raises(ValueError, match="two differences"):
        bias([0.1])


def test_several_readings_of_one_thing_do_not_narrow_the_limits() -> None:
    """Total variance by one-way analysis of variance, against statsmodels' table."""
    import pandas as pd
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    rng = np.random.default_rng(7)
    groups = [rng.normal(rng.normal(0.1, 0.3), 0.05, size) for size in (6, 6, 6, 6, 6, 6, 6, 6)]
    found, limits = agreement_of_groups(groups)
    frame = pd.DataFrame({"d": np.concatenate(groups), "g": np.repeat(np.arange(8), 6).astype(str)})
    table = anova_lm(ols("d ~ g", frame).fit())
    within, between = table.mean_sq["Residual"], table.mean_sq["g"]
    assert found.sd**2 == pytest.approx(within + (between - within) / 6.0, rel=1e-9)
    # Balanced groups: the mean's variance is that of eight independent means.
    assert found.se == pytest.approx(math.sqrt(between / 48.0), rel=1e-9)
    assert limits.upper - limits.lower == pytest.approx(2.0 * WIDTH * found.sd)
    assert not limits.exact


def test_limits_of_groups_of_one_are_the_plain_ones() -> None:
    values = [0.1, -0.2, 0.05, 0.3, 0.0]
    assert agreement_of_groups([[v] for v in values])[1] == limits_of_agreement(values)
    assert agreement_of_groups([values])[1] == limits_of_agreement(values)


def test_limits_of_groups_cover() -> None:
    """Unequal groups, as in a full design: the interval of the upper limit holds the true one."""
    rng = np.random.default_rng(3)
    true = WIDTH * math.hypot(0.2, 0.1)
    hits = 0
    for _ in range(400):
        sizes = [1] * 14 + [8]
        groups = [rng.normal(rng.normal(0.0, 0.2), 0.1, size) for size in sizes]
        low, high = agreement_of_groups(groups)[1].upper_interval
        hits += low <= true <= high
    assert 0.91 <= hits / 400 <= 0.99
