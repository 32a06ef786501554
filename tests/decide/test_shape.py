"""Parts that are too narrow and parts that do not pay."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from rxmap.decide.cut import cut_value, treated_area
from rxmap.decide.edge import EdgePrice
from rxmap.decide.shape import keep_paying, machine_footprint, widen_or_drop

SHAPE = (12, 14)
EVERYWHERE = np.ones(SHAPE, dtype=bool)

masks = arrays(bool, SHAPE, elements=st.booleans(), fill=st.nothing())
blobs = st.builds(lambda mask, turns: ndimage.binary_dilation(mask, iterations=turns), masks, st.integers(0, 2))
fields = st.builds(lambda mask: ndimage.binary_closing(ndimage.binary_dilation(mask), iterations=2) | ~mask, masks)
footprints = st.builds(
    machine_footprint,
    st.sampled_from([3.0, 9.0]),
    st.just(3.0),
    width=st.floats(1.0, 12.0),
    run=st.floats(1.0, 15.0),
    aligned=st.booleans(),
)
prices = st.builds(EdgePrice, along=st.floats(0.0, 0.3), across=st.floats(0.0, 0.3), aligned=st.booleans())
benefits = arrays(float, SHAPE, elements=st.floats(-1.0, 1.0, width=16), fill=st.nothing())


def block(rows: slice, columns: slice) -> np.ndarray:
    """Mask with one treated rectangle."""
    treated = np.zeros(SHAPE, dtype=bool)
    treated[rows, columns] = True
    return treated


@pytest.mark.parametrize(
    ("sides", "aligned", "shape"),
    [((3.0, 3.0), True, (5, 3)), ((9.0, 3.0), True, (5, 1)), ((12.0, 1.5), True, (10, 1)), ((3.0, 3.0), False, (5, 5))],
)
def test_a_footprint_is_as_many_cells_as_hold_it(sides, aligned, shape):
    # 9 m across and 14 m along: in cells of 3 m three and, rounded up, five.
    footprint = machine_footprint(*sides, width=9.0, run=14.0, aligned=aligned)
    assert footprint.shape == shape
    assert footprint.all()


def test_a_machine_smaller_than_a_cell_takes_one_cell():
    assert machine_footprint(3.0, 3.0, width=0.5, run=0.0, aligned=True).tolist() == [[True]]


@settings(deadline=None)
@given(treated=blobs, inside=fields, footprint=footprints)
def test_nothing_is_added_and_a_second_time_changes_nothing(treated, inside, footprint):
    treated = treated & inside
    once = widen_or_drop(treated, inside, footprint)
    assert not (once & ~treated).any()
    np.testing.assert_array_equal(widen_or_drop(once, inside, footprint), once)


@settings(deadline=None)
@given(treated=blobs, more=blobs, inside=fields, footprint=footprints)
def test_more_treated_ground_never_loses_any(treated, more, inside, footprint):
    less = widen_or_drop(treated & inside, inside, footprint)
    assert (less <= widen_or_drop((treated | more) & inside, inside, footprint)).all()


@settings(deadline=None)
@given(inside=fields, footprint=footprints)
def test_a_field_treated_as_a_whole_stays_whole_however_narrow_it_is(inside, footprint):
    np.testing.assert_array_equal(widen_or_drop(inside, inside, footprint), inside)


@settings(deadline=None)
@given(treated=blobs, footprint=footprints)
def test_in_the_open_it_is_the_opening_of_the_textbook(treated, footprint):
    # Reference: scipy.ndimage.binary_opening, with more ground around than the footprint is long.
    treated = np.pad(treated, 8)
    expected = ndimage.binary_opening(treated, footprint)
    np.testing.assert_array_equal(widen_or_drop(treated, np.ones_like(treated), footprint), expected)


@settings(deadline=None)
@given(treated=blobs, inside=fields, footprint=footprints, price=prices, benefit=benefits)
def test_after_pruning_no_part_away_from_the_boundary_is_narrow(treated, inside, footprint, price, benefit):
    opened = widen_or_drop(treated & inside, inside, footprint)
    kept = keep_paying(opened, benefit, price, 3.0, inside=inside)
    reach = 2 * max(footprint.shape) + 1  # a footprint that covers the cell cannot leave the field
    away = ndimage.binary_erosion(inside, np.ones((reach, reach)))
    assert ndimage.binary_opening(np.pad(kept, 8), footprint)[8:-8, 8:-8][away & kept].all()
    np.testing.assert_array_equal(widen_or_drop(kept, inside, footprint)[away], kept[away])


@pytest.mark.parametrize(("width", "stays"), [(1, False), (2, True), (3, True), (4, True)])
def test_the_boundary_may_clip_less_than_half_of_the_machine(width, stays):
    strip = block(np.s_[:], np.s_[:width])
    kept = widen_or_drop(strip, EVERYWHERE, np.ones((3, 3), dtype=bool))
    np.testing.assert_array_equal(kept, strip if stays else np.zeros(SHAPE, dtype=bool))


def test_a_thin_strip_along_a_setback_is_dropped():
    inside = ~block(np.s_[:], np.s_[6:9])
    thin, wide = block(np.s_[:], np.s_[5:6]), block(np.s_[:], np.s_[9:12])
    kept = widen_or_drop(thin | wide, inside, np.ones((3, 3), dtype=bool))
    np.testing.assert_array_equal(kept, wide)


def test_in_an_arm_of_the_field_narrower_than_the_machine_the_arm_is_wide_enough():
    inside = block(np.s_[:], np.s_[:8]) | block(np.s_[5:6], np.s_[8:])
    arm = block(np.s_[5:6], np.s_[10:])
    footprint = np.ones((3, 3), dtype=bool)
    np.testing.assert_array_equal(widen_or_drop(arm, inside, footprint), arm)
    assert not widen_or_drop(block(np.s_[5:6], np.s_[12:13]), inside, footprint).any()


def test_a_neck_too_narrow_is_cut_and_both_ends_are_kept():
    left, right = block(np.s_[3:8], np.s_[1:6]), block(np.s_[3:8], np.s_[8:13])
    neck = block(np.s_[5:6], np.s_[6:8])
    kept = widen_or_drop(left | neck | right, EVERYWHERE, np.ones((3, 3), dtype=bool))
    np.testing.assert_array_equal(kept, left | right)


FOUR_CENTS = EdgePrice(along=0.04, across=0.04, aligned=True)


@pytest.mark.parametrize(("fixed", "stays"), [(0.0, True), (1.3, True), (1.5, False)])
def test_a_part_goes_when_it_does_not_pay_for_edge_and_fixed_cost(fixed, stays):
    # 2 x 3 cells of 5 m that gain 0.567 each: 3.4. Edge 50 m at 0.04: 2.0. By hand: 1.4 remain.
    part = block(np.s_[4:6], np.s_[4:7])
    benefit = np.where(part, 3.4 / 6, -1.0)
    kept = keep_paying(part, benefit, FOUR_CENTS, 5.0, inside=EVERYWHERE, fixed_per_part=fixed)
    np.testing.assert_array_equal(kept, part & stays)


def test_a_part_that_only_breaks_even_goes():
    part = block(np.s_[4:6], np.s_[4:7])
    price = EdgePrice(along=0.25, across=0.25, aligned=True)  # 10 m of edge: 2.5, exact in binary
    benefit = np.where(block(np.s_[4:5], np.s_[4:7]), 0.5, 0.0) + np.where(block(np.s_[5:6], np.s_[4:6]), 0.5, 0.0)
    assert not keep_paying(part, benefit, price, 1.0, inside=EVERYWHERE).any()


def test_a_part_on_the_boundary_does_not_pay_for_the_boundary():
    corner = block(np.s_[:2], np.s_[:3])
    inland = block(np.s_[6:8], np.s_[6:9])
    benefit = np.where(corner | inland, 1.5 / 6, -1.0)  # edges 25 m, 1.0, and 50 m, 2.0
    kept = keep_paying(corner | inland, benefit, FOUR_CENTS, 5.0, inside=EVERYWHERE)
    np.testing.assert_array_equal(kept, corner)


def test_when_a_part_goes_its_neighbour_at_the_corner_is_asked_again():
    price = EdgePrice(along=0.4 / math.pi, across=0.4 / math.pi, aligned=False)
    first, second = block(np.s_[2:4], np.s_[2:4]), block(np.s_[4:6], np.s_[4:6])
    inside = EVERYWHERE
    zero = np.zeros(SHAPE)
    alone = -cut_value(second, zero, price, 5.0, inside=inside)
    shared = -cut_value(first | second, zero, price, 5.0, inside=inside) - alone
    assert shared < alone
    # The second pays for its edge only as long as the first is there to share the corner.
    benefit = np.where(second, (shared + alone) / 2 / 4, -1.0)
    assert not keep_paying(first | second, benefit, price, 5.0, inside=inside).any()


@settings(deadline=None)
@given(treated=masks, inside=fields, price=prices, benefit=benefits, fixed=st.floats(0.0, 1.0))
def test_pruning_never_loses_money(treated, inside, price, benefit, fixed):
    treated = treated & inside
    kept = keep_paying(treated, benefit, price, 3.0, inside=inside, fixed_per_part=fixed)

    def worth(mask: np.ndarray) -> float:
        return cut_value(mask, benefit, price, 3.0, inside=inside) - fixed * ndimage.label(mask)[1]

    assert not (kept & ~treated).any()
    assert worth(kept) >= worth(treated) - 1e-9
    again = keep_paying(kept, benefit, price, 3.0, inside=inside, fixed_per_part=fixed)
    np.testing.assert_array_equal(again, kept)


@settings(deadline=None)
@given(inside=fields, price=prices, benefit=benefits)
def test_every_part_of_an_exact_cut_pays(inside, price, benefit):
    treated = treated_area(benefit, inside, price, 3.0)
    np.testing.assert_array_equal(
        keep_paying(treated, benefit, price, 3.0, inside=inside, fixed_per_part=-1e-5), treated
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_machine_loses_little_of_an_exact_cut_and_much_of_a_cell_by_cell_answer(seed):
    draw = np.random.default_rng(seed).standard_normal
    patches, grain = (ndimage.gaussian_filter(draw((80, 80)), reach) for reach in (10, 1))
    benefit = 25.0 * (0.003 * (patches / patches.std() + 0.8 * grain / grain.std()) - 0.0005)
    price, inside = EdgePrice(along=0.016, across=0.016, aligned=True), np.ones((80, 80), dtype=bool)
    footprint = machine_footprint(5.0, 5.0, width=10.0, run=20.0, aligned=True)

    def lost(treated: np.ndarray) -> float:
        return 1.0 - benefit[widen_or_drop(treated, inside, footprint)].sum() / benefit[treated].sum()

    # Five draws of this invented field gave 0.1-0.6 % against 3-9 %, nine to fifty times as much.
    after_cut = lost(treated_area(benefit, inside, price, 5.0))
    assert after_cut < 0.01
    assert lost(benefit > 0) > 5 * after_cut
