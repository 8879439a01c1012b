"""Tolerance intervals against published factors, for units measured without error.

With a prior of the spread so wide that it says nothing, the interval of many units is mean ± k s of
ISO 16269-6. With few the flat prior is the more careful.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import nct, t

from fit.statistics.population import Posterior, posterior


def known(units: int) -> Posterior:
    """Of a sample of mean 0 and standard deviation 1 exactly."""
    y = np.random.default_rng(units).standard_normal(units)
    y = (y - y.mean()) / y.std(ddof=1)
    return posterior(y, np.zeros(units), scale=10.0)


# Two-sided, 95 % of all with 95 % confidence: the table of Berthouex & Brown, "Statistics for
# Environmental Engineers", 2nd ed. (2002), table 21.1.
@pytest.mark.parametrize(("units", "k"), [(30, 2.55), (40, 2.45), (60, 2.34)])
def test_two_sided_factor_of_many_units_is_the_table_s(units: int, k: float) -> None:
    assert known(units).half_width(0.95, 0.95) == pytest.approx(k, rel=0.03)


def test_two_sided_factor_of_the_engineering_handbook() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3: n = 43, 90 %, 99 %: k = 2.217.
    assert known(43).half_width(0.90, 0.99) == pytest.approx(2.217, rel=0.03)


@pytest.mark.parametrize(("units", "k"), [(5, 5.08), (10, 3.39)])  # the same table
def test_few_units_get_no_less_than_the_table_has(units: int, k: float) -> None:
    assert known(units).half_width(0.95, 0.95) > k


def test_one_sided_limit_is_that_of_the_noncentral_t() -> None:
    # Owen 1968, "A survey of properties and applications of the noncentral t-distribution",
    # Technometrics 10:445 (from memory); scipy's own distribution.
    k = nct.ppf(0.95, 99, 1.645 * np.sqrt(100)) / np.sqrt(100)
    assert known(100).quantile(0.95, z=1.645) == pytest.approx(k, rel=0.01)


def test_next_of_many_units_is_student_s() -> None:
    half = t.ppf(0.975, 99) * np.sqrt(1 + 1 / 100)
    assert known(100).quantile(0.975, own=True) == pytest.approx(half, rel=0.01)
