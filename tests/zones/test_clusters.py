from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from shapely.geometry import Point, box
from sklearn.datasets import load_iris

from rxmap.grid import Grid, make_grid
from rxmap.zones import clusters
from rxmap.zones.clusters import _centres, _first_minimum, _memberships, make_zones
from rxmap.zones.indices import partition_coefficient, partition_entropy


@pytest.fixture
def square_field() -> Grid:
    return make_grid(box(0, 0, 300, 300), 5.0)


def patchy(grid: Grid, seed: int, smooth: float = 6.0) -> np.ndarray:
    noise = np.random.default_rng(seed).standard_normal(grid.shape)
    field = ndimage.gaussian_filter(noise, smooth)
    return np.exp(field / field.std())[grid.inside]


def test_membership_equals_the_step_worked_by_hand():
    # x = 1.5, 2, 3, 5.5, centres 1 and 5. Bezdek (1981) with m = 1.5: u = d^-4 / sum d^-4.
    x, centres = np.array([[1.5], [2.0], [3.0], [5.5]]), np.array([[1.0], [5.0]])
    near = [3.5**4 / (3.5**4 + 0.5**4), 3**4 / (3**4 + 1), 0.5, 0.5**4 / (0.5**4 + 4.5**4)]
    assert _memberships(x, centres)[:, 0] == pytest.approx(near)


def test_cell_on_a_centre_belongs_to_it_alone():
    assert _memberships(np.array([[1.0], [4.0]]), np.array([[1.0], [5.0]]))[0] == pytest.approx([1, 0])


def test_centres_are_a_fixed_point_of_fuzzy_c_means():
    x = np.random.default_rng(3).normal([[0], [4], [9]], 0.5, (3, 50)).reshape(-1, 1)
    centres = _centres(x, 3, seed=1)
    weights = _memberships(x, centres) ** 1.5
    assert (weights.T @ x / weights.sum(axis=0)[:, None]) == pytest.approx(centres, abs=1e-4)  # stops at 1e-5
    assert centres[:, 0] == pytest.approx([0, 4, 9], abs=0.3)  # four standard errors of a mean of 50


IRIS = load_iris()  # Fisher (1936), Annals of Eugenics 7:179-188, as scikit-learn ships it


def test_iris_centres_and_indices_equal_the_published_ones(monkeypatch):
    """Iris, unscaled, m = 2: Bezdek (1981) and Pal & Bezdek (1995), IEEE Trans. Fuzzy Syst. 3:370-379 (from memory).

    F = 0.892 and H = 0.196 for two clusters, 0.783 and 0.396 for three; 16 flowers of 150 in the wrong one.
    """
    monkeypatch.setattr(clusters, "FUZZINESS", 2.0)
    for k, coefficient, entropy in ((2, 0.892, 0.196), (3, 0.783, 0.396)):
        centres = _centres(IRIS.data, k, seed=1)
        u = _memberships(IRIS.data, centres)
        assert partition_coefficient(u) == pytest.approx(coefficient, abs=1.5e-3)  # three digits remembered
        assert partition_entropy(u) == pytest.approx(entropy, abs=1.5e-3)
    published = [[5.00, 3.41, 1.48, 0.25], [5.89, 2.76, 4.36, 1.40], [6.77, 3.05, 5.65, 2.05]]
    assert centres == pytest.approx(np.array(published), abs=0.01)
    assert np.sum(u.argmax(axis=1) != IRIS.target) == 16


def test_iris_standardised_has_two_clear_groups():
    """Two of the three species overlap, so that indices of crispness choose two (Pal & Bezdek 1995, from memory)."""
    grid = Grid(west=0.0, north=1.0, cell=1.0, share=np.ones((1, 150)))
    zones = make_zones(IRIS.data[:, ::-1], grid, zones=None, smooth_m=0.0, seed=1)  # petal width first: it ranks
    assert (zones.k, zones.agree) == (2, True)
    assert np.all(zones.labels[0, :50] == 1)
    assert np.mean(zones.labels[0, 50:] == 2) > 0.95


def test_two_halves_become_two_zones_the_low_one_first(square_field):
    east = square_field.centres()[:, 0] > 150
    loss = np.where(east, 1.0, 8.0) + np.random.default_rng(0).normal(0, 0.3, len(east))
    zones = make_zones(loss[:, None], square_field, zones=None, smooth_m=10, seed=1)
    assert zones.k == 2
    assert np.array_equal(zones.labels[square_field.inside] == 1, east)
    assert zones.explained > 0.95  # noise share: .09 / (.09 + 12.25)
    assert zones.crisp > 0.95


def test_four_levels_become_four_zones(square_field):
    level = np.floor(square_field.centres()[:, 0] / 75)
    loss = 10 * level + np.random.default_rng(0).normal(0, 0.3, len(level))
    zones = make_zones(loss[:, None], square_field, zones=None, smooth_m=5, seed=1)
    assert [trial.k for trial in zones.tried] == [2, 3, 4, 5]
    assert zones.k in (2, 4)  # FPI has a first minimum at two pairs of levels as well
    asked = make_zones(loss[:, None], square_field, zones=4, smooth_m=5, seed=1)
    assert np.array_equal(asked.labels[square_field.inside], level + 1)


def test_constant_features_make_one_zone(square_field):
    loss = np.full((square_field.inside.sum(), 2), [0.1, 0.0])
    zones = make_zones(loss, square_field, zones=None, smooth_m=10, seed=1)
    assert (zones.k, zones.tried, zones.explained, zones.crisp) == (1, (), 0.0, 1.0)
    assert np.array_equal(zones.labels, square_field.inside)


def test_constant_feature_changes_nothing(square_field):
    loss = patchy(square_field, 1)[:, None]
    beside = np.column_stack([loss, np.full(len(loss), 0.3)])
    one, both = (make_zones(f, square_field, zones=None, smooth_m=10, seed=1) for f in (loss, beside))
    assert np.array_equal(one.labels, both.labels)


def test_never_more_zones_than_distinct_values(square_field):
    loss = (square_field.centres()[:, :1] > 150) * 2.0
    assert make_zones(loss, square_field, zones=5, smooth_m=0, seed=1).k == 2
    assert make_zones(loss, square_field, zones=None, smooth_m=0, seed=1).k == 2


def test_unit_of_a_feature_does_not_matter(square_field):
    loss = np.column_stack([patchy(square_field, 1), patchy(square_field, 2)])
    one, other = (make_zones(f, square_field, zones=3, smooth_m=10, seed=1) for f in (loss, loss * [1000.0, 0.01]))
    assert np.array_equal(one.labels, other.labels)


def test_smoothing_leaves_fewer_patches_and_no_specks(square_field):
    loss = patchy(square_field, 4, smooth=3) + np.random.default_rng(5).normal(0, 0.5, square_field.inside.sum())
    rough, smooth = (make_zones(loss[:, None], square_field, zones=2, smooth_m=s, seed=1) for s in (0, 12))
    assert _patch_sizes(smooth.labels).size < _patch_sizes(rough.labels).size / 3
    assert _patch_sizes(smooth.labels).min() * 25 >= np.pi * 12**2


def test_small_separate_part_keeps_its_zone():
    share = np.zeros((20, 30))
    share[:, :20] = 1.0
    share[9:11, 27:29] = 1.0  # 4 cells; specks below 13 cells go to the zone around them, but here is none
    grid = Grid(west=0.0, north=200.0, cell=10.0, share=share)
    loss = np.where(np.arange(30) < 10, 0.0, 5.0)[np.nonzero(share)[1]]
    zones = make_zones(loss[:, None], grid, zones=2, smooth_m=20.0, seed=1)
    assert np.all(zones.labels[9:11, 27:29] == 2)


def _patch_sizes(labels: np.ndarray) -> np.ndarray:
    patches = [ndimage.label(labels == k)[0] for k in range(1, labels.max() + 1)]
    return np.concatenate([np.bincount(patch.ravel())[1:] for patch in patches])


def test_same_seed_same_zones(square_field):
    loss = np.column_stack([patchy(square_field, 1), patchy(square_field, 2)])
    one, again = (make_zones(loss, square_field, zones=None, smooth_m=10, seed=7) for _ in range(2))
    assert np.array_equal(one.labels, again.labels)
    assert (one.tried, one.crisp, one.explained) == (again.tried, again.crisp, again.explained)


def test_disagreement_takes_the_smaller_number_and_says_so(square_field):
    for seed in range(12):
        zones = make_zones(patchy(square_field, seed)[:, None], square_field, zones=None, smooth_m=0, seed=1)
        best = [zones.tried[_first_minimum([getattr(t, i) for t in zones.tried])].k for i in ("fpi", "nce")]
        assert zones.k == min(best)
        assert zones.agree == (best[0] == best[1])


@pytest.mark.parametrize(
    ("values", "place"), [([3, 2, 1, 4], 2), ([1, 2, 0, 0], 0), ([4, 3, 2, 1], 3), ([1], 0), ([2, 2, 1], 0)]
)
def test_first_minimum_is_the_first_that_the_next_does_not_undercut(values, place):
    assert _first_minimum(values) == place


@pytest.mark.parametrize("spoilt", [np.ones((3, 1)), np.full((3600, 1), np.nan)])
def test_features_without_a_value_for_each_cell_are_refused(square_field, spoilt):
    with pytest.raises(ValueError, match="one finite row for each cell"):
        make_zones(spoilt, square_field, zones=None, smooth_m=10, seed=1)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([None, 1, 2, 3, 5]), st.sampled_from([0.0, 4.0, 30.0]))
def test_labels_cover_exactly_the_inside_and_rise_with_the_first_feature(seed, zones, smooth_m):
    grid = make_grid(Point(0, 0).buffer(60), 6.0)
    loss = np.column_stack([patchy(grid, seed, 2), patchy(grid, seed + 1, 2)])
    found = make_zones(loss, grid, zones=zones, smooth_m=smooth_m, seed=seed)
    inside, area = found.labels[grid.inside], grid.share[grid.inside]
    assert np.array_equal(found.labels > 0, grid.inside)
    assert np.array_equal(np.unique(inside), np.arange(1, found.k + 1))
    means = [np.average(loss[inside == k, 0], weights=area[inside == k]) for k in range(1, found.k + 1)]
    assert means == sorted(means)
    assert 0 <= found.explained <= 1
    assert 0 <= found.crisp <= 1
