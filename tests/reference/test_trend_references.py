"""Trend maths against published worked examples and full enumeration; each test names its source."""

from itertools import permutations

import numpy as np
import pytest
from scipy.special import ndtri

from models.trend import mann_kendall, theil_sen


def test_slope_and_interval_of_sen():
    """P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389, example: slope 4, 93 % limits 3.71 and 4.38.

    The numbers are those that scipy's own tests quote from the paper.
    """
    x = [1, 2, 3, 4, 10, 12, 18]
    fit = theil_sen(x, [[9, 15, 19, 20, 45, 55, 78]], confidence=0.93)
    assert fit.slope[0] == pytest.approx(4.0)
    assert (fit.low[0], fit.high[0]) == pytest.approx((3.71, 4.38), abs=0.005)
    assert fit.intercept[0] == pytest.approx(4.0)  # median y 20 - 4 * median x 4


def test_rank_correlation_of_hollander_and_wolfe():
    """M. Hollander, D. A. Wolfe, Nonparametric Statistical Methods (1973) p. 187: lightness and panel score.

    tau 0.4444; large-sample p 0.04765 one-sided, as the cor.test manual page of R prints it.
    """
    lightness = [44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1]
    panel = [2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8]
    tau, p = mann_kendall(lightness, [panel])
    assert tau[0] == pytest.approx(4 / 9)
    assert p[0] == pytest.approx(2 * 0.04765, abs=1e-5)


@pytest.mark.parametrize(
    ("x", "y"),
    [
        ([1, 2, 3, 4, 5, 6], [1, 2, 3, 4, 5, 6]),
        ([1, 2, 3, 4, 5, 6], [1, 1, 2, 2, 2, 3]),
        ([1, 1, 2, 2, 3, 4], [1, 1, 1, 2, 3, 3]),
    ],
)
def test_variance_of_the_score_by_enumeration(x, y):
    """Without a trend all 720 orders of y are as likely: their variance is the one behind the p-value."""
    orders = np.array(list(permutations(y)), dtype=float)
    x = np.asarray(x, dtype=float)
    i, j = np.triu_indices(len(x), 1)
    score = (np.sign(x[j] - x[i]) * np.sign(orders[:, j] - orders[:, i])).sum(axis=1)
    tau, p = mann_kendall(x, orders)
    some = np.abs(score) > 0
    z = -ndtri(p[some] / 2)  # back from the two-sided p to the standard score
    np.testing.assert_allclose(np.abs(score[some]) / z, np.std(score), rtol=1e-9)
    np.testing.assert_array_equal(np.sign(tau), np.sign(score))
