"""Sample sizes against published figures and worked values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from rxmap.scout.precision import (
    binomial_size,
    binomial_size_within,
    negative_binomial_size,
    poisson_size,
    taylor_size,
)


@pytest.mark.parametrize(
    ("size", "samples"),
    [
        # Karandinos (1976), Bulletin of the Entomological Society of America 22:417, his formulas evaluated
        (poisson_size(0.75, 0.25), 22),
        (negative_binomial_size(2.0, 0.5, 0.25), 40),
        (negative_binomial_size(10.0, 1.0, 0.25), 18),
        (taylor_size(4.0, 2.0, 1.5, 0.25), 16),
        # Cochran (1977), Sampling Techniques, section 4.4: the customary tables for 95 %
        (binomial_size_within(0.05, 0.05), 73),
        (binomial_size_within(0.05, 0.02), 457),
        (binomial_size_within(0.5, 0.1), 97),
    ],
)
def test_sizes_of_published_formulas(size, samples):
    assert math.ceil(size - 1e-9) == samples


def test_taylor_gives_the_published_sizes_for_alfalfa_weevil_larvae():
    # n = (100 / c)^2 t^2 a m^(b - 2): the paper's plan reads 1173 at m = 0.1, c = 20 % and about 100 at m = 0.3,
    # c = 40 %, at 95 %. Its a and b were not read; b is what the pair implies, a then follows from the first.
    b = 2.0 - math.log(1173 / (100 * 4)) / math.log(3.0)
    a = 1173 * 0.2**2 / 1.96**2 / 0.1 ** (b - 2.0)
    assert b == pytest.approx(1.02, abs=0.01)
    assert taylor_size(0.1, a, b, 0.20, times=1.96) == pytest.approx(1173, rel=1e-9)
    assert taylor_size(0.3, a, b, 0.40, times=1.96) == pytest.approx(100, rel=0.01)


def test_a_wide_negative_binomial_is_a_poisson():
    assert negative_binomial_size(3.0, 1e12, 0.2) == pytest.approx(poisson_size(3.0, 0.2), rel=1e-9)


@pytest.mark.parametrize("law", ["poisson", "negative binomial", "binomial"])
def test_samples_of_that_size_reach_the_precision(law):
    # scipy's distributions stand for the field: the spread of their means is the precision asked for
    draws = {
        "poisson": (stats.poisson(1.5), poisson_size(1.5, 0.2), 1.5),
        "negative binomial": (stats.nbinom(0.8, 0.8 / (0.8 + 2.0)), negative_binomial_size(2.0, 0.8, 0.2), 2.0),
        "binomial": (stats.bernoulli(0.2), binomial_size(0.2, 0.2), 0.2),
    }
    one, size, mean = draws[law]
    means = one.rvs((4000, math.ceil(size)), random_state=np.random.default_rng(5)).mean(axis=1)
    # the relative error of a standard deviation from 4000 means is 1.1 %; rounding the size up takes 2 % at most
    assert means.std() / mean == pytest.approx(0.2, rel=0.05)
