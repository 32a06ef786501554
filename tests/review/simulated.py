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

from rxmap.grid import FloatArray, make_grid

YIELD = 8.0  # [t/ha]
HEADER = 9.0  # [m]
LENGTH = 150.0  # [m] of a strip, as by default
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


def season(seed: int, *, strips: int = 4, gain: float = 0.5, soil: float = 0.08, patchy: float = 0.3) -> Truth:
    """Simulate one season.

    `gain` [t/ha] is the mean over many seasons; `soil` the sd of the soil's part of the yield, as a share of it;
    `patchy` the sd of the logarithm of the pressure.
    """
    rng = np.random.default_rng([7, seed])
    swath, heading = float(rng.choice([18.0, 24.0, 27.0])), float(rng.uniform(0, 180))
    wide, long = rng.uniform(320, 480, 2)
    lying = shapely.box(0, 0, wide, long)
    area = back(lying, heading)
    grid = make_grid(area, 12.0)
    easting, northing = np.meshgrid(*grid.axes())
    cells = np.column_stack([easting.ravel(), northing.ravel()])
    waves = int(rng.integers(2**31))
    pressure = np.exp(patchy * noise(np.random.default_rng(waves), 200.0, cells) - patchy**2 / 2)
    grounds = [back(strip, heading) for strip in scattered(rng, wide, long, swath, strips)]
    near = shapely.union_all(grounds).buffer(3 * swath)  # nothing else of the log is ever compared
    places = logged(rng, wide, long, heading)
    places = places[shapely.contains_xy(near, places[:, 0], places[:, 1])]
    here = np.exp(patchy * noise(np.random.default_rng(waves), 200.0, places) - patchy**2 / 2)
    treated = treated_share(places, grounds, heading)
    soils = YIELD * soil * (0.8 * noise(rng, 120.0, places) + 0.6 * noise(rng, 30.0, places))
    log = YIELD * 0.08 * rng.normal(size=len(places))
    values = YIELD + soils + gain * here * treated + log
    mean = float((pressure.reshape(grid.shape) * grid.share).sum() / grid.share.sum())
    return Truth(gain * mean, grounds, area.difference(shapely.union_all(grounds)), places, values)


def scattered(rng: np.random.Generator, wide: float, long: float, swath: float, count: int) -> list[shapely.Polygon]:
    """Strips in lanes at random, two treated lanes between them at least, where they start at random too."""
    lanes = np.arange(1, int(wide / swath) - 1, 3)
    chosen = rng.choice(lanes, size=min(count, len(lanes)), replace=False) * swath
    starts = rng.uniform(swath, long - LENGTH - swath, len(chosen))
    return [shapely.box(left, start, left + swath, start + LENGTH) for left, start in zip(chosen, starts, strict=True)]


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
