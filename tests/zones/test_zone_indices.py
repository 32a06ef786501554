"""Indices of a fuzzy partition against vectors worked by hand from the published formulas.

Formulas: Bezdek (1981); Odeh et al. (1992); Fridgen et al. (2004); Boydell & McBratney (2002).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rxmap.zones.indices import fpi, mpe, nce, partition_coefficient, partition_entropy, variance_reduction

TWO = [[0.9, 0.1], [0.8, 0.2], [0.3, 0.7], [0.05, 0.95]]
THREE = [[0.7, 0.2, 0.1], [0.6, 0.3, 0.1], [0.2, 0.6, 0.2], [0.1, 0.8, 0.1], [0.05, 0.15, 0.8], [0.1, 0.1, 0.8]]
CRISP = [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 0, 0]]


@pytest.mark.parametrize(
    ("index", "u", "worked"),
    [
        # F = (.82 + .68 + .58 + .905) / 4
        (partition_coefficient, TWO, 0.74625),
        (partition_entropy, TWO, 0.4087162356),
        (fpi, TWO, 0.5075),  # 2 (1 - .74625) / 1
        (nce, TWO, 0.8174324712),  # H / (1 - 2/4)
        (mpe, TWO, 0.5896528862),  # H / ln 2
        (partition_coefficient, THREE, 3.425 / 6),  # (.54 + .46 + .44 + .66 + .665 + .66) / 6
        (partition_entropy, THREE, 0.756828),
        (fpi, THREE, 0.643750),
        (nce, THREE, 1.513656),
        (mpe, THREE, 0.688895),
    ],
)
def test_index_equals_the_vector_worked_by_hand(index, u, worked):
    assert index(u) == pytest.approx(worked, abs=1e-6)  # vectors are given to six digits or more


def test_crisp_partition_has_no_fuzziness():
    # The complement that circulates under the same name would give 1 here.
    assert fpi(CRISP) == 0
    assert partition_entropy(CRISP) == 0
    assert nce(CRISP) == mpe(CRISP) == 0


@given(st.integers(2, 6), st.integers(7, 30))
def test_evenly_shared_partition_is_as_fuzzy_as_can_be(c, n):
    u = np.full((n, c), 1 / c)
    assert fpi(u) == pytest.approx(1)
    assert mpe(u) == pytest.approx(1)
    assert nce(u) == pytest.approx(math.log(c) / (1 - c / n))


# A 4 x 4 field cut at 3: zone means 1.625 and 5.125, variances .234375 and 1.109375, total 3.734375.
FIELD = np.array([1, 1, 2, 4, 1, 2, 4, 5, 2, 2, 5, 6, 2, 4, 6, 7], float)[:, None]


def test_variance_reduction_equals_the_field_worked_by_hand():
    # With sample variances (ddof 1) it would be .807233 and not eta squared.
    assert variance_reduction((FIELD[:, 0] > 3).astype(int), FIELD, np.ones(16)) == pytest.approx(0.8200837, abs=1e-7)


def test_variance_reduction_weights_by_area():
    twice = np.repeat(FIELD, 2, axis=0)
    weights = np.where(np.arange(16) % 3, 1.0, 2.0)
    kept = np.repeat(weights, 2) > np.tile([0, 1], 16)  # a cell of area 2 counts as two cells
    labels = (FIELD[:, 0] > 3).astype(int)
    expected = variance_reduction(np.repeat(labels, 2)[kept], twice[kept], np.ones(kept.sum()))
    assert variance_reduction(labels, FIELD, weights) == pytest.approx(expected)


@given(arrays(float, (12, 2), elements=st.floats(-100, 100)), arrays(int, 12, elements=st.integers(0, 3)))
def test_variance_reduction_is_a_share(features, labels):
    assert 0 <= variance_reduction(labels, features, np.ones(12)) <= 1


def test_constant_features_have_nothing_to_explain():
    assert variance_reduction(np.array([0, 1, 1]), np.full((3, 1), 4.0), np.ones(3)) == 0
