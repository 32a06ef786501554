"""Seasons with known truth: a treated area with check strips, harvested by a machine that logs noisy yields.

Everything is invented. The pressure varies over the area and the gain follows it, so strips see a sample of the gain;
the soil varies from place to place, and neighbouring points of the log resemble each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
import shapely.affinity

from rxmap.decide.lanes import Lanes
from rxmap.grid import FloatArray, make_grid
from rxmap.passes.strip_places import TreatedArea, place_strips
from rxmap.plan import CheckStrips

YIELD = 8.0  # [t/ha]
HEADER = 9.0  # [m]
COST = 0.4  # of treating, in units of the mean gain
SEEN = 0.15  # sd of the logarithm of what scouting sees over the true pressure
STEP = 3.0  # [m] between points of the log
WAVES = 120


@dataclass(frozen=True)
class Truth:
    """One simulated season."""

    gain: float  # true mean over the treated ground, strips included [t/ha]
    strips: list[shapely.Polygon]
    treated: shapely.geometry.base.BaseGeometry
    places: FloatArray
    yields: FloatArray


def noise(rng: np.random.Generator, reach: float, places: FloatArray) -> FloatArray:
    """Gaussian random field of sd 1 whose correlation falls to 5 % at `reach`: random plane waves."""
    waves = rng.normal(0.0, math.sqrt(6.0) / reach, size=(WAVES, 2))
    turns = places @ waves.T + rng.uniform(0.0, 2 * np.pi, WAVES)
    return np.sqrt(2.0 / WAVES) * np.cos(turns).sum(axis=1)


def season(seed: int, *, strips: int | None = None, patchy: float | None = None) -> Truth:
    """Simulate one season; what is not asked for is drawn, so that seasons differ as fields do.

    `patchy` is the sd of the logarithm of the pressure. The gain goes with the pressure in every second season and is
    the same everywhere in the others. Strips lie where a build would put them by the pressure that was seen, which is
    not the true one.
    """
    rng = np.random.default_rng([7, seed])
    patchy = float(rng.uniform(0.1, 0.6)) if patchy is None else patchy
    strips = int(rng.integers(4, 7)) if strips is None else strips
    gain, soil, follows = float(rng.uniform(0.0, 0.8)), float(rng.uniform(0.03, 0.12)), float(seed % 2)
    swath, heading = float(rng.choice([18.0, 24.0, 27.0])), float(rng.uniform(0, 180))
    wide, long = rng.uniform(320, 480, 2)
    area = back(shapely.box(0, 0, wide, long), heading)
    grid = make_grid(area, 12.0)
    easting, northing = np.meshgrid(*grid.axes())
    waves, blurred = (int(rng.integers(2**31)) for _ in range(2))

    def pressure(places: FloatArray) -> FloatArray:
        return np.exp(patchy * noise(np.random.default_rng(waves), 200.0, places) - patchy**2 / 2)

    cells = np.column_stack([easting.ravel(), northing.ravel()])
    true = pressure(cells).reshape(grid.shape)
    seen = true * np.exp(SEEN * noise(np.random.default_rng(blurred), 200.0, cells)).reshape(grid.shape)
    placed = place_strips(
        [TreatedArea(rate=1.0, ground=area, worth=seen - COST)], [area], grid,
        lanes=Lanes(heading=heading, left=0.0, swath=swath), asked=CheckStrips(count=strips),
    )  # fmt: skip
    grounds = [one.ground for one in placed]
    near = shapely.union_all(grounds).buffer(3 * swath)  # nothing else of the log is ever compared
    places = logged(rng, wide, long, heading)
    places = places[shapely.contains_xy(near, places[:, 0], places[:, 1])]
    soils = YIELD * soil * (0.8 * noise(rng, 120.0, places) + 0.6 * noise(rng, 30.0, places))
    log = YIELD * 0.08 * rng.normal(size=len(places))
    here = treated_share(places, grounds, heading) * pressure(places) ** follows
    return Truth(
        gain=gain * float((true**follows * grid.share).sum() / grid.share.sum()),
        strips=grounds,
        treated=area.difference(shapely.union_all(grounds)),
        places=places,
        yields=YIELD + soils + gain * here + log,
    )


def back(ground: shapely.Polygon, heading: float) -> shapely.Polygon:
    """Turn ground from the frame of the passes, where they go north, to their heading."""
    return shapely.affinity.rotate(ground, -heading, origin=(0, 0))


def logged(rng: np.random.Generator, wide: float, long: float, heading: float) -> FloatArray:
    """Points of the harvest, along the heading of the spraying but not in its lanes."""
    across = np.arange(rng.uniform(0, HEADER), wide, HEADER)
    along = np.arange(0, long, STEP)
    lying = np.array([(a, b) for a in across for b in along])
    angle = math.radians(heading)
    return np.column_stack(
        [
            math.cos(angle) * lying[:, 0] + math.sin(angle) * lying[:, 1],
            -math.sin(angle) * lying[:, 0] + math.cos(angle) * lying[:, 1],
        ]
    )


def treated_share(places: FloatArray, strips: list[shapely.Polygon], heading: float) -> FloatArray:
    """Share of the header over each point that cut treated crop."""
    angle = math.radians(heading)
    steps = np.linspace(-HEADER / 2, HEADER / 2, 9)[:, None]
    kind = np.zeros(len(places))
    union = shapely.union_all(strips)
    shapely.prepare(union)
    for step in steps:
        moved = places + step * np.array([math.cos(angle), -math.sin(angle)])
        kind += ~shapely.contains_xy(union, moved[:, 0], moved[:, 1])
    return kind / len(steps)
