"""Seasons with known truth: does the range hold it as often as it says?"""

from __future__ import annotations

import numpy as np
import pytest

from rxmap.review.grounds import compare_places, strip_ground
from rxmap.review.intervals import Interval, paired_interval


def gain_of(simulated, truth) -> Interval | None:
    grounds = [
        strip_ground(number, strip, truth.treated, header_m=simulated.HEADER)
        for number, strip in enumerate(truth.strips, start=1)
    ]
    pairs, _ = compare_places(grounds, truth.places, truth.yields)
    return paired_interval([pair.gain for pair in pairs])


def held(simulated, seeds: range, **asked: float) -> tuple[float, float]:
    """Share of seasons whose range holds the true gain, and the mean error [t/ha]; some have no room for strips."""
    both = [(truth, gain_of(simulated, truth)) for truth in (simulated.season(seed, **asked) for seed in seeds)]
    truths, found = zip(*((truth, one) for truth, one in both if one is not None), strict=True)
    assert len(found) >= 0.9 * len(seeds)
    inside = [one.low <= truth.gain <= one.high for one, truth in zip(found, truths, strict=True)]
    return float(np.mean(inside)), float(np.mean([one.value - t.gain for one, t in zip(found, truths, strict=True)]))


def test_ranges_of_a_few_seasons_hold_the_truth(simulated):
    share, error = held(simulated, range(25))
    assert share >= 0.76  # a coverage of 0.9 holds 19 or more of 25 in 98 % of such tests
    assert abs(error) < 0.1  # standard error of the mean of 25 seasons is 0.03 t/ha


@pytest.mark.parametrize("strips", [0, 1, 2])
def test_too_few_strips_give_no_number(simulated, strips):
    assert gain_of(simulated, simulated.season(1, strips=strips)) is None


@pytest.mark.long
def test_ranges_hold_the_truth_in_85_to_95_of_100_of_200_seasons(simulated):
    share, error = held(simulated, range(200))
    assert 0.85 <= share <= 0.95
    assert -0.05 < error < 0.02  # strips lie where less is at stake: a gain that follows the pressure is understated


@pytest.mark.long
@pytest.mark.parametrize("asked", [{"strips": 3}, {"strips": 8}, {"patchy": 0.6}], ids=str)
def test_ranges_hold_in_other_fields(simulated, asked):
    share, _ = held(simulated, range(1000, 1060), **asked)
    assert 0.8 <= share <= 0.99  # 60 seasons: a standard error of 0.04
