"""Price of treated edge."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.decide.cut import cut_value
from rxmap.decide.edge import CURVED_EDGE, EdgePrice, edge_price

# With this at stake per m2 a price per metre reads as m2 misplaced per metre of straight edge.
PER_M2 = {"cost_per_m2": 0.5 / CURVED_EDGE, "benefit_per_m2": 0.5 / CURVED_EDGE}
ARC_BEARINGS = np.radians([90.0, 0.0, 45.0, 135.0])  # east, north, north-east, south-east
ARC_LENGTHS = np.array([1.0, 1.0, math.sqrt(2.0), math.sqrt(2.0)])

prices = st.floats(0.0, 10.0)


def length_of_edge(treated: np.ndarray, cell: float) -> float:
    """Length [m] of a treated area's edge as the cut measures it, without a heading."""
    price = EdgePrice(along=math.pi / 4.0, across=math.pi / 4.0, aligned=False)
    inside = np.ones_like(treated)
    return -cut_value(treated, np.zeros(treated.shape), price, cell, inside=inside)


def charged_per_metre(price: EdgePrice, edge_bearing: float, cell: float = 5.0) -> float:
    """Price [money/m] of a long straight edge: arcs cut per metre times what each carries."""
    normal = math.radians(edge_bearing + 90.0)
    arcs_per_metre = np.abs(np.cos(ARC_BEARINGS - normal)) * ARC_LENGTHS / cell
    return float(arcs_per_metre @ np.array(price.arc_weights(cell)))


def test_a_3_m_section_misplaces_half_a_square_metre_per_metre():
    # Mean of w/4 |cos phi| over phi, by hand: 3/4 x 2/pi = 0.48 m2/m.
    price = edge_price(section_width=3, speed=5, delay=0, look_ahead=0, aligned=False, **PER_M2)
    assert price.mean == pytest.approx(0.4775, abs=1e-4)
    assert price.across == 0.0


def test_two_metres_driven_before_the_valve_opens():
    # Mean of v tau |sin phi| over phi, by hand: 2 x 2/pi = 1.27 m2/m.
    price = edge_price(section_width=0, speed=5, delay=0.4, look_ahead=0, aligned=False, **PER_M2)
    assert price.mean == pytest.approx(1.2732, abs=1e-4)


def test_a_36_m_boom_with_one_section_is_the_closed_form_and_a_quarter():
    # 9 x 2/pi x 1.25 = 7.16 m2/m; our own simulation of curved edges gave 7.15.
    price = edge_price(section_width=36, speed=5, delay=0, look_ahead=0, aligned=True, cost_per_m2=1, benefit_per_m2=0)
    assert price.mean == pytest.approx(7.15, rel=0.01)


@pytest.mark.parametrize("look_ahead", [0.1, 0.7])
def test_looking_ahead_too_little_costs_as_much_as_too_far(look_ahead):
    price = edge_price(section_width=3, speed=5, delay=0.4, look_ahead=look_ahead, aligned=True, **PER_M2)
    assert price.across == pytest.approx(5 * 0.3)


def test_a_machine_that_misplaces_nothing_has_free_edges():
    price = edge_price(section_width=0, speed=5, delay=0.4, look_ahead=0.4, aligned=False, **PER_M2)
    assert price.mean == 0.0
    assert price.arc_weights(5.0) == (0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("wrong", [-0.01, math.nan, math.inf])
def test_a_price_that_is_no_price_is_refused(wrong):
    with pytest.raises(ValueError, match="edge price across"):
        EdgePrice(along=0.0, across=wrong, aligned=False)


def test_weights_without_heading_are_the_published_ones():
    # Boykov & Kolmogorov (2003), Cauchy-Crofton: h^2 (pi/4) / (2 |e|) for a price of 1 per metre; h = 5 m.
    price = EdgePrice(along=math.pi / 4, across=math.pi / 4, aligned=False)
    axial, diagonal = 25 * math.pi / 8 / 5, 25 * math.pi / 8 / (5 * math.sqrt(2))
    assert price.arc_weights(5.0) == pytest.approx((axial, axial, diagonal, diagonal))
    assert (axial, diagonal) == pytest.approx((1.9635, 1.3884), abs=1e-4)


def test_a_circle_measures_two_pi_r():
    # Geometry: 2 pi 100 m = 628.3 m. The grid of 5 m cells is laid over the circle in 30 ways, because a
    # circle that just touches a row of cells gains a step there; the mean is due within one percent.
    shifts = np.random.default_rng(1).uniform(0.0, 5.0, (30, 2))
    circles = [np.hypot(*(np.indices((45, 45)) * 5.0 - 110.0 + s[:, np.newaxis, np.newaxis])) < 100.0 for s in shifts]
    lengths = [length_of_edge(circle, 5.0) for circle in circles]
    assert np.mean(lengths) == pytest.approx(2 * math.pi * 100.0, rel=0.01)
    assert lengths == pytest.approx([2 * math.pi * 100.0] * 30, rel=0.02)


def test_a_square_by_counting_its_arcs():
    # 4 x 4 cells of 5 m. By hand: 8 arcs cut to east-west and to north-south each, 2 x (4 + 3) in each diagonal.
    treated = np.pad(np.ones((4, 4), dtype=bool), 2)
    assert length_of_edge(treated, 5.0) == pytest.approx(16 * 1.96350 + 28 * 1.38840, abs=1e-3)


@pytest.mark.parametrize("diamond", [False, True])
def test_an_eight_neighbour_grid_measures_straight_edges_a_twentieth_short(diamond):
    # (1 + sqrt 2) pi / 8 = 0.948 of an edge along the rows or a diagonal: 5.2 % short. That is the worst direction.
    north, east = (np.indices((161, 161)) - 80) * 2.5
    if diamond:
        treated, true = np.abs(east) + np.abs(north) <= 141.4, 4 * 200.0
    else:
        treated, true = np.maximum(np.abs(east), np.abs(north)) <= 100.0, 4 * 200.0
    assert length_of_edge(treated, 2.5) == pytest.approx(0.948 * true, rel=0.015)  # 2 cells at the corners


@settings(deadline=None)
@given(edge=st.floats(0.0, 180.0), along=prices, across=prices)
def test_in_the_passes_every_direction_of_edge_is_priced_exactly(edge, along, across):
    price = EdgePrice(along=along, across=across, aligned=True)
    phi = math.radians(edge)
    exact = along * abs(math.cos(phi)) + across * abs(math.sin(phi))
    assert charged_per_metre(price, edge) == pytest.approx(exact, abs=1e-9)


@settings(deadline=None)
@given(along=prices, across=prices, sides=st.tuples(st.floats(1.0, 40.0), st.floats(1.0, 40.0)))
def test_cells_longer_than_wide_pay_for_each_side_by_its_length(along, across, sides):
    price = EdgePrice(along=along, across=across, aligned=True).on_cells(*sides)
    east, north, *diagonals = price.arc_weights(sides[1])
    assert (east, north) == pytest.approx((along * sides[1], across * sides[0]))
    assert diagonals == [0.0, 0.0]


def test_a_pass_to_the_north_charges_its_long_sides_along_and_its_ends_across():
    treated = np.zeros((20, 20), dtype=bool)
    treated[3:17, 5:9] = True  # 14 cells north-south, 4 cells wide
    price = EdgePrice(along=2.0, across=7.0, aligned=True)
    cost = -cut_value(treated, np.zeros((20, 20)), price, 5.0, inside=np.ones((20, 20), dtype=bool))
    assert cost == pytest.approx(2.0 * 2 * 14 * 5.0 + 7.0 * 2 * 4 * 5.0)
