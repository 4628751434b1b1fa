"""Components of variance against NIST sets and statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from agreement.nist_sets import Find, numbers
from knuckle.agreement.components import components, pool, within_groups


@pytest.mark.parametrize(("run", "sd"), [(1.0, 0.0774330), (2.0, 0.0799751)])
def test_pooled_repeatability(outside_data: Find, run: float, sd: float) -> None:
    """NIST/SEMATECH e-Handbook, MPC441 (check standard 140, probe 2362)."""
    table = numbers(outside_data, "MPC441.DAT")
    days = table[table[:, 0] == run]
    assert pool(days[:, 8], days[:, 9]).sd == pytest.approx(sd, abs=5e-8)


def test_levels_of_a_probe(outside_data: Find) -> None:
    """NIST/SEMATECH e-Handbook, MPC61, probe 2362: within days, day to day, run to run."""
    table = numbers(outside_data, "MPC61.DAT")
    table = table[table[:, 2] == 2362]
    repeated = pool(table[:, 8], np.full(table.shape[0], 5))
    assert (repeated.sd, repeated.freedom) == (pytest.approx(0.0728667, abs=5e-8), 300)
    runs: dict[float, list[np.ndarray]] = {}
    for wafer in np.unique(table[:, 1]):
        for run in (1, 2):
            here = table[(table[:, 1] == wafer) & (table[:, 0] == run)]
            runs.setdefault(wafer, []).append(here[:, 7])
    days = within_groups([days for both in runs.values() for days in both])
    assert (days.sd, days.freedom) == (pytest.approx(0.0361682, abs=5e-8), 50)
    between = within_groups([[days.mean() for days in both] for both in runs.values()])
    assert (between.sd, between.freedom) == (pytest.approx(0.0196452, abs=5e-8), 5)


def test_components_agree_with_statsmodels() -> None:
    """Equal groups: moments and restricted likelihood give the same components."""
    rng = np.random.default_rng(5)
    seats = rng.normal(0.0, 8.0, 8)
    values = seats[:, None] + rng.normal(0.0, 3.0, (8, 4))
    found = components(list(values))
    frame = pd.DataFrame({"value": values.ravel(), "seat": np.repeat(np.arange(8), 4)})
    oracle = smf.mixedlm("value ~ 1", frame, groups=frame["seat"]).fit(reml=True)
    assert found.within**2 == pytest.approx(float(oracle.scale), rel=1e-4)
    assert found.between**2 == pytest.approx(float(oracle.cov_re.iloc[0, 0]), rel=1e-3)
    assert (found.within_freedom, found.between_freedom) == (24, 7)
    assert found.reproducibility**2 == pytest.approx(found.within**2 + found.between**2)


def test_unequal_groups_are_unbiased() -> None:
    rng = np.random.default_rng(8)
    sizes = [1, 2, 3, 6, 2, 4]
    variances = np.mean(
        [
            [c.within**2, c.between**2]
            for c in (
                components([rng.normal(rng.normal(0.0, 2.0), 1.0, size) for size in sizes])
                for _ in range(2000)
            )
        ],
        axis=0,
    )
    assert variances[0] == pytest.approx(1.0, abs=0.05)
    assert variances[1] == pytest.approx(4.0, abs=0.25)


def test_groups_that_differ_by_less_than_chance_add_nothing() -> None:
    found = components([[1.0, 3.0], [3.0, 1.0], [2.0, 2.0]])
    assert found.between == 0.0
    assert found.reproducibility == found.within


@pytest.mark.parametrize("groups", [[[1.0, 2.0]], [[1.0], [2.0], [3.0]]])
def test_too_few_groups_are_refused(groups: list[list[float]]) -> None:
    with pytest.raises(ValueError, match=r"two groups|degree of freedom"):
        components(groups)
