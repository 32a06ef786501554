"""Predicting in tiles says what summing over all stops says, and costs less."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.surface import tiles as tiling
from rxmap.surface.covariance import Kernel
from rxmap.surface.kriging import Kriging, columns, krige
from rxmap.surface.tiles import Tile, lagrange, nodes_between, tiles

SIDE = 800.0


def cells(size: float, side: float = SIDE) -> np.ndarray:
    axis = np.arange(size / 2.0, side, size)
    return np.stack(np.meshgrid(axis, axis[::-1]), axis=-1).reshape(-1, 2)


def invented(stops: int, seed: int, **law: float) -> Kriging:
    random = np.random.default_rng(seed)
    kernel: Kernel = law.pop("kernel", "exponential")  # type: ignore[arg-type]
    given = {"range": 200.0, "sill": 0.8, "nugget": 0.2} | law
    return Kriging(random.uniform(0.0, SIDE, (stops, 2)), random.standard_normal(stops), kernel, **given)


def plainly(systems: list[Kriging], places: np.ndarray, drift: np.ndarray | None = None) -> tuple:
    """Mean and variance from the formula alone, all stops at every place."""
    level = columns(drift, len(places)).T
    told = [system.combine(system.shape.correlations(places, system.coordinates), level) for system in systems]
    return tuple(np.array(part) for part in zip(*told, strict=True))


@contextmanager
def tiles_of(side: float) -> Iterator[mock.Mock]:
    """Tiles of a given side [m], and a count of those in which far stops were summed at the nodes."""
    sums = Kriging.at_nodes
    with (
        mock.patch.object(tiling, "tile_side", return_value=side),
        mock.patch.object(Kriging, "at_nodes", autospec=True, side_effect=sums) as far,
    ):
        yield far


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from([88.0, 120.0, 200.0]),
    st.integers(24, 160),
    st.integers(0, 1000),
    st.sampled_from(["exponential", "matern32", "spherical"]),
    st.floats(30.0, 2000.0),
    st.floats(1e-4, 0.5),
    st.sampled_from([1.0, 1.5, 3.0]),
    st.floats(0.0, 180.0),
)
def test_tiles_say_what_all_stops_say(
    side: float, stops: int, seed: int, kernel: Kernel, range_: float, nugget: float, ratio: float, heading: float
) -> None:
    system = invented(stops, seed, kernel=kernel, range=range_, nugget=nugget, ratio=ratio, heading=heading)
    places = cells(4.0)
    with tiles_of(side) as far:
        mean, variance = krige([system], places)
    assert far.called or ratio > 1.0  # along the heading near stops reach three times as far
    plain_mean, plain_variance = plainly([system], places)
    # The promise is 1e-8 of the sill; 2e-10 was the most that 14 nodes were off in trials
    assert np.abs(mean - plain_mean).max() < 1e-8
    assert np.abs(variance - plain_variance).max() < 1e-8


@pytest.mark.parametrize("nugget", [1e-4, 0.05, 0.5])
@pytest.mark.parametrize("range_", [50.0, 400.0, 2000.0])
def test_tiles_agree_on_a_fine_grid_with_many_stops(nugget: float, range_: float) -> None:
    system, places = invented(300, 2, range=range_, nugget=nugget), cells(4.0)
    with tiles_of(100.0) as far:
        mean, variance = krige([system], places)
    assert far.call_count == 64
    plain_mean, plain_variance = plainly([system], places)
    assert np.abs(mean - plain_mean).max() < 1e-8
    assert np.abs(variance - plain_variance).max() < 1e-8


def test_compact_support_is_exact() -> None:
    system, places = invented(300, 3, kernel="spherical"), cells(8.0)  # type: ignore[arg-type]
    (mean, variance), (plain_mean, plain_variance) = krige([system], places), plainly([system], places)
    assert np.abs(mean - plain_mean).max() < 1e-12  # rounding of sums in another order
    assert np.abs(variance - plain_variance).max() < 1e-12


def test_systems_of_several_shapes_with_layers_agree() -> None:
    random, places = np.random.default_rng(4), cells(4.0)
    stops, values, layer = (
        random.uniform(0.0, SIDE, (90, 2)),
        random.standard_normal(90),
        random.standard_normal((90, 2)),
    )
    shapes = [("exponential", 150.0, 1.0), ("exponential", 400.0, 1.0), ("exponential", 150.0, 3.0)]
    systems = [
        Kriging(stops, values, kernel, range_, 0.7, 0.1 * layer[:, 0] ** 2 + 0.1, layer, precision, ratio, 20.0)
        for kernel, range_, ratio in shapes
        for precision in (0.0, 0.16)
    ]
    drift = np.column_stack([np.sin(places[:, 0] / 90.0), places[:, 1] / 400.0])
    with tiles_of(88.0) as far:
        mean, variance = krige(systems, places, drift)
    assert any(call.args[0].ratio == 3.0 for call in far.call_args_list)  # far stops along the rows too
    plain_mean, plain_variance = plainly(systems, places, drift)
    assert np.abs(mean - plain_mean).max() < 1e-8
    assert np.abs(variance - plain_variance).max() < 1e-8


@pytest.mark.parametrize("kept", [0.03, 0.6, 0.97])
def test_places_with_gaps_and_in_any_order_agree(kept: float) -> None:
    random = np.random.default_rng(5)
    places = random.permutation(cells(4.0))[: int(kept * 40_000)]
    system = invented(60, 6)
    (mean, variance), (plain_mean, plain_variance) = krige([system], places), plainly([system], places)
    assert np.abs(mean - plain_mean).max() < 1e-8
    assert np.abs(variance - plain_variance).max() < 1e-8


@pytest.mark.parametrize("turned", [False, True])
def test_places_on_a_line_agree(turned: bool) -> None:
    line = np.column_stack([np.arange(0.0, SIDE), np.full(800, 400.0)])[:, :: -1 if turned else 1]
    system = invented(60, 10)
    (mean, variance), (plain_mean, plain_variance) = krige([system], line), plainly([system], line)
    assert np.abs(mean - plain_mean).max() < 1e-8
    assert np.abs(variance - plain_variance).max() < 1e-8


def test_one_place_far_from_the_origin_may_stand_many_times() -> None:
    places, system = np.full((1000, 2), 2e7), invented(60, 11)
    mean, _ = krige([system], places)
    assert mean[0] == pytest.approx(np.full(1000, plainly([system], places[:1])[0][0, 0]))


def test_places_on_no_lattice_are_summed_plainly() -> None:
    places = np.random.default_rng(7).uniform(0.0, SIDE, (6000, 2))
    system = invented(60, 8)
    (mean, variance), (plain_mean, plain_variance) = krige([system], places), plainly([system], places)
    assert np.abs(mean - plain_mean).max() < 1e-13
    assert np.abs(variance - plain_variance).max() < 1e-13


def test_a_stop_on_the_edge_of_a_halo_and_a_place_on_a_node_are_no_trap() -> None:
    places = cells(4.0)
    with tiles_of(100.0):
        tile = next(tiles(places, 60))
    beyond = tile.box[1] + [tile.halo(1.0), 0.0]
    stops = np.vstack([np.random.default_rng(9).uniform(0.0, SIDE, (59, 2)), beyond, tile.nodes.places[30:31]])
    system = Kriging(stops, np.arange(61.0), "exponential", 100.0, 1.0, 0.01)
    with tiles_of(100.0) as far:
        mean, variance = krige([system], places)
    assert far.call_count == 64
    plain_mean, plain_variance = plainly([system], places)
    assert np.abs(mean - plain_mean).max() < 1e-8 * 61.0  # values up to 61
    assert np.abs(variance - plain_variance).max() < 1e-8


@given(st.integers(1, 3000), st.integers(0, 100), st.integers(24, 2000))
def test_every_place_is_in_one_tile_and_one_piece(count: int, seed: int, stops: int) -> None:
    places = np.random.default_rng(seed).uniform(0.0, 1000.0, (count, 2)).round(-1)
    cut: list[Tile] = list(tiles(places, stops))
    pieces = [tile.index[part] for tile in cut for part in tile.pieces(places[tile.index], stops)]
    assert np.array_equal(np.sort(np.concatenate(pieces)), np.arange(count))
    assert all((tile.beyond(places[tile.index]) < 1e-9).all() for tile in cut)  # metres; boxes are rounded


@given(st.floats(-50.0, 50.0), st.floats(0.1, 100.0), st.lists(st.floats(0.0, 1.0), min_size=1, max_size=5))
def test_a_polynomial_through_the_nodes_is_reproduced(low: float, width: float, shares: list[float]) -> None:
    nodes, where = nodes_between(low, low + width), low + width * np.array(shares)
    assert lagrange(where, nodes).sum(axis=1) == pytest.approx(1.0)
    assert lagrange(where, nodes) @ ((nodes - low) / width) ** 9 == pytest.approx(np.array(shares) ** 9, abs=1e-11)
    assert np.array_equal(lagrange(nodes, nodes).round(12), np.eye(len(nodes)))


PROGRAM = """
import numpy as np
from rxmap.surface.kriging import Kriging
random = np.random.default_rng(1)
axis = np.arange(0.5, 800.0)
places = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
system = Kriging(random.uniform(0.0, 800.0, (500, 2)), random.standard_normal(500), "exponential", 200.0, 0.8, 0.2)
system.predict(places)
(peak,) = [line for line in open("/proc/self/status") if line.startswith("VmHWM")]
print(peak.split()[1])
"""


@pytest.mark.skipif(sys.platform != "linux", reason="/proc/self/status is on Linux only")
def test_640_000_cells_from_500_stops_fit_into_150_megabytes() -> None:
    run = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)
    assert float(run.stdout) / 1024.0 <= 150.0  # the interpreter and its libraries take half of it
