"""Exact treated area."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from rxmap.decide.cut import cut_value, treated_area
from rxmap.decide.edge import EdgePrice

CELL = 5.0
PRICES = {
    "no heading": EdgePrice(along=0.02, across=0.05, aligned=False),
    "dear ends": EdgePrice(along=0.02, across=0.05, aligned=True),
    "dear sides": EdgePrice(along=0.06, across=0.01, aligned=True),
    "free ends": EdgePrice(along=0.09, across=0.0, aligned=True),
}
STEPS = ((0, 1), (-1, 0), (-1, 1), (1, 1))  # row, column steps to the east, north, north-east, south-east


def even_price(mean: float) -> EdgePrice:
    """Price of `mean` [money/m] in every direction."""
    return EdgePrice(along=mean * math.pi / 4.0, across=mean * math.pi / 4.0, aligned=False)


def invented_benefit(seed: int, shape: tuple[int, int] = (60, 70)) -> np.ndarray:
    """Patchy benefit per cell [money] with texture."""
    draw = np.random.default_rng(seed).standard_normal
    patches, grain = ndimage.gaussian_filter(draw(shape), 8), ndimage.gaussian_filter(draw(shape), 1)
    return CELL**2 * (0.003 * (patches / patches.std() + 0.8 * grain / grain.std()) - 0.001)


def best_of_all_masks(benefit: np.ndarray, inside: np.ndarray, price: EdgePrice) -> tuple[np.ndarray, float]:
    """Try every set of cells inside; written without the code under test. Fewest cells among equals."""
    cells = [tuple(cell) for cell in np.argwhere(inside)]
    masks = np.arange(2 ** len(cells))[:, np.newaxis] >> np.arange(len(cells)) & 1
    values = masks @ np.array([benefit[cell] for cell in cells])
    for (down, right), weight in zip(STEPS, price.arc_weights(CELL), strict=True):
        for first, (row, column) in enumerate(cells):
            if (row + down, column + right) in cells:
                values = values - weight * (masks[:, first] != masks[:, cells.index((row + down, column + right))])
    best = np.flatnonzero(values >= values.max() - 1e-9)
    best = best[np.argmin(masks[best].sum(axis=1))]
    treated = np.zeros(inside.shape, dtype=bool)
    treated[inside] = masks[best] == 1
    return treated, float(values[best])


@pytest.mark.parametrize("price", PRICES.values(), ids=PRICES)
@pytest.mark.parametrize("seed", range(4))
def test_no_mask_of_sixteen_cells_is_better(price, seed):
    benefit = np.random.default_rng(seed).normal(0.05, 0.5, (4, 4))
    inside = np.ones((4, 4), dtype=bool)
    treated = treated_area(benefit, inside, price, CELL)
    best, value = best_of_all_masks(benefit, inside, price)
    np.testing.assert_array_equal(treated, best)
    assert cut_value(treated, benefit, price, CELL, inside=inside) == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize("price", PRICES.values(), ids=PRICES)
def test_no_mask_of_a_ragged_field_in_two_pieces_is_better(price):
    inside = np.array([[1, 1, 1, 0, 1], [1, 0, 1, 0, 1], [1, 1, 0, 0, 1], [0, 1, 1, 0, 1]], dtype=bool)
    benefit = np.where(inside, np.random.default_rng(7).normal(0.0, 0.4, inside.shape), np.nan)
    best, _ = best_of_all_masks(benefit, inside, price)
    np.testing.assert_array_equal(treated_area(benefit, inside, price, CELL), best)


@settings(max_examples=60, deadline=None)
@given(
    gains=st.lists(st.integers(-4, 4), min_size=9, max_size=9),
    along=st.integers(0, 4),
    across=st.integers(0, 4),
)
def test_of_several_best_areas_the_smallest_is_taken(gains, along, across):
    # Small whole numbers make ties common, and the cut counts them without rounding.
    price = EdgePrice(along=along / CELL, across=across / CELL, aligned=True)
    benefit, inside = np.reshape(gains, (3, 3)).astype(float), np.ones((3, 3), dtype=bool)
    best, _ = best_of_all_masks(benefit, inside, price)
    np.testing.assert_array_equal(treated_area(benefit, inside, price, CELL), best)


@pytest.mark.parametrize(("gain", "share"), [(0.3, 1.0), (-0.3, 0.0), (0.0, 0.0)])
def test_a_field_alike_everywhere_is_treated_where_it_gains_and_only_there(gain, share):
    inside = np.hypot(*np.indices((20, 20)) - 10.0) < 9.0
    treated = treated_area(np.full((20, 20), gain), inside, even_price(0.02), CELL)
    np.testing.assert_array_equal(treated, inside if share else np.zeros_like(inside))


def test_with_free_edges_each_cell_decides_for_itself():
    benefit, inside = invented_benefit(3), np.ones((60, 70), dtype=bool)
    np.testing.assert_array_equal(treated_area(benefit, inside, even_price(0.0), CELL), benefit > 0)


def test_with_edges_beyond_price_each_piece_of_the_field_is_treated_whole_or_not():
    benefit, inside = invented_benefit(4), np.ones((60, 70), dtype=bool)
    inside[:, 35] = False
    treated = treated_area(benefit, inside, even_price(1e12), CELL)
    for piece in (np.s_[:, :35], np.s_[:, 36:]):
        assert (treated[piece] == (benefit[piece].sum() > 0)).all()


@pytest.mark.parametrize("factor", [2.0**-40, 2.0**40])
def test_the_currency_does_not_matter(factor):
    # The solver counts in whole numbers of 32 bits: neither tiny nor huge money may overflow or vanish.
    benefit, inside = invented_benefit(5), np.ones((60, 70), dtype=bool)
    treated = treated_area(benefit, inside, even_price(0.02), CELL)
    np.testing.assert_array_equal(treated_area(benefit * factor, inside, even_price(0.02 * factor), CELL), treated)


def test_one_cell_worth_a_fortune_blurs_none_of_the_others():
    benefit, inside = invented_benefit(5), np.ones((60, 70), dtype=bool)
    worths = []
    for worth in (10.0, 1e9):  # both beyond what all edges of a cell can cost
        benefit[30, 30] = worth
        worths.append(treated_area(benefit, inside, even_price(0.02), CELL))
    one, other = worths
    np.testing.assert_array_equal(one, other)


def test_a_field_without_ground_has_nothing_to_treat():
    nothing = np.zeros((3, 3), dtype=bool)
    assert not treated_area(np.ones((3, 3)), nothing, even_price(0.02), CELL).any()


def test_what_lies_outside_neither_counts_nor_matters():
    benefit, inside = invented_benefit(5), np.hypot(*np.indices((60, 70)) - 33.0) < 30.0
    treated = treated_area(benefit, inside, even_price(0.02), CELL)
    assert not treated[~inside].any()
    unknown = np.where(inside, benefit, np.nan)
    np.testing.assert_array_equal(treated_area(unknown, inside, even_price(0.02), CELL), treated)


@pytest.mark.parametrize("hole", [np.nan, np.inf])
def test_a_cell_inside_without_a_number_is_refused(hole):
    benefit = np.ones((3, 3))
    benefit[1, 1] = hole
    with pytest.raises(ValueError, match="not finite inside"):
        treated_area(benefit, np.ones((3, 3), dtype=bool), even_price(0.02), CELL)


def test_the_boundary_of_the_field_costs_nothing():
    # One cell gains 1 and a side of 5 m costs 0.5: one priced side pays, two do not.
    benefit, price = np.array([[1.0, -0.6, -0.6]]), EdgePrice(along=0.1, across=0.1, aligned=True)
    inside = np.ones((1, 3), dtype=bool)
    assert treated_area(benefit, inside, price, CELL).tolist() == [[True, False, False]]
    assert treated_area(np.roll(benefit, 1), inside, price, CELL).tolist() == [[False, False, False]]


def test_noise_of_the_processor_changes_no_cell():
    inside = np.ones((60, 70), dtype=bool)
    benefit = np.round(invented_benefit(6), 4)  # clear of the places where six digits round up or down
    noisy = benefit * (1.0 + 1e-13 * np.random.default_rng(0).standard_normal(benefit.shape))
    one, other = (treated_area(values, inside, even_price(0.02), CELL) for values in (benefit, noisy))
    np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("mean", [0.005, 0.02, 0.05])
@pytest.mark.parametrize("seed", [1, 2])
def test_no_filter_of_the_cell_by_cell_answer_is_worth_more(seed, mean):
    benefit, inside = invented_benefit(seed), np.ones((60, 70), dtype=bool)
    by_cell = benefit > 0
    tried = {
        "none": np.zeros_like(inside),
        "all": inside,
        "cell by cell": by_cell,
        "opened": ndimage.binary_opening(by_cell, np.ones((3, 3))),
        "closed": ndimage.binary_closing(by_cell, np.ones((3, 3))),
    }
    tried |= {f"majority {n}": ndimage.median_filter(by_cell.astype(int), n) > 0 for n in (3, 5, 7)}
    tried |= {f"blurred {s}": ndimage.gaussian_filter(benefit, s) > 0 for s in (1, 2, 4, 8)}
    price = even_price(mean)
    best = cut_value(treated_area(benefit, inside, price, CELL), benefit, price, CELL, inside=inside)
    for name, mask in tried.items():
        # Whole-number capacities cost at most half a unit an arc: far below a thousandth of a cent here.
        assert best >= cut_value(mask, benefit, price, CELL, inside=inside) - 1e-5, name


@pytest.mark.parametrize("seed", range(3))
def test_dearer_edges_are_never_longer(seed):
    benefit, inside = invented_benefit(seed), np.ones((60, 70), dtype=bool)
    lengths = []
    for mean in (0.0, 0.002, 0.005, 0.01, 0.02, 0.04, 0.08, 0.2):
        treated = treated_area(benefit, inside, even_price(mean), CELL)
        lengths.append(-cut_value(treated, np.zeros(benefit.shape), even_price(1.0), CELL, inside=inside))
    assert (np.diff(lengths) <= 1e-9).all()


def test_dearer_edges_close_a_small_hole():
    benefit = np.full((9, 9), 1.0)
    benefit[4, 4] = -1.0
    inside = np.ones((9, 9), dtype=bool)
    cheap, dear = (treated_area(benefit, inside, even_price(mean), CELL) for mean in (0.02, 0.2))
    np.testing.assert_array_equal(cheap, benefit > 0)
    assert dear.all()


def test_dearer_edges_shrink_patches_that_lie_apart():
    north, east = np.indices((80, 160)) * CELL
    hills = [(200.0, 160.0, 120.0), (180.0, 430.0, 90.0), (220.0, 660.0, 60.0)]
    benefit = CELL**2 * (0.01 * sum(np.exp(-((north - n) ** 2 + (east - e) ** 2) / r**2) for n, e, r in hills) - 0.005)
    inside = np.ones(benefit.shape, dtype=bool)
    cells = [treated_area(benefit, inside, even_price(mean), CELL).sum() for mean in (0.0, 0.01, 0.03, 0.05, 0.1, 0.3)]
    assert (np.diff(cells) <= 0).all()
    assert cells[0] > cells[2] > cells[-1] == 0


@given(gain=st.floats(0.5, 3.0), rest=st.floats(-3.0, -0.5))
@settings(max_examples=30, deadline=None)
def test_more_benefit_never_treats_less(gain, rest):
    benefit, inside = invented_benefit(8, (25, 25)), np.ones((25, 25), dtype=bool)
    raised = benefit + np.where(benefit > 0, gain, 0.0) * 1e-2
    lowered = benefit + np.where(benefit > 0, 0.0, rest) * 1e-2
    less, middle, more = (treated_area(b, inside, even_price(0.02), CELL) for b in (lowered, benefit, raised))
    assert (less <= middle).all()
    assert (middle <= more).all()


@pytest.mark.parametrize(("ratio", "pays"), [(0.95, False), (1.05, True)])
@pytest.mark.parametrize("margin", [0.001, 0.004])
def test_a_lone_round_patch_pays_from_four_prices_over_margin_on(margin, ratio, pays):
    # Geometry: margin pi D^2 / 4 > price pi D  <=>  D > 4 price / margin. The grid measures a circle
    # within 0.5 %, and 5 % in D is 5 % in gain per edge.
    price, cell = 0.02, 4 * 0.02 / margin / 40
    distance = np.hypot(*(np.indices((61, 61)) - 30.0)) * cell
    benefit = np.where(distance <= ratio * 4 * price / margin / 2, margin, -1.0) * cell**2
    treated = treated_area(benefit, np.ones((61, 61), dtype=bool), even_price(price), cell)
    assert treated.any() == pays
    if pays:
        assert treated.sum() >= 0.95 * (benefit > 0).sum()


def test_the_treated_area_stretches_along_the_pass():
    # Ends across the pass are dear, sides along it cheap: a weak round patch is followed lengthways.
    along, across = np.indices((41, 41)) - 20.0
    benefit = 6.0 - 0.5 * np.hypot(along, across)
    price = EdgePrice(along=0.2, across=6.0, aligned=True)
    rows, columns = np.nonzero(treated_area(benefit, np.ones((41, 41), dtype=bool), price, CELL))
    assert np.ptp(rows) > np.ptp(columns)


def test_a_field_of_160_000_cells_is_cut():
    benefit, inside = invented_benefit(9, (400, 400)), np.ones((400, 400), dtype=bool)
    treated = treated_area(benefit, inside, even_price(0.02), CELL)
    value = cut_value(treated, benefit, even_price(0.02), CELL, inside=inside)
    assert value > max(0.0, benefit.sum())
