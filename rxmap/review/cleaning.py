"""Harvest points that are no measurement of the crop: taken out by stated rules, and counted by reason."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.grid import BoolArray, FloatArray
from rxmap.read.harvest import HarvestPoints

OUTLYING = 4.0  # robust standard deviations; judgement: one point in 16,000 of a normal distribution
MAD_TO_SD = 1.4826  # standard deviation over median absolute deviation of a normal distribution (Hampel 1974)
LEAST_SPREAD = 0.05  # of the median: a constant speed would make an outlier of any other
HEADLAND = 20.0  # [m] along the boundary, where machines turn; common practice, no source
FULL_WIDTH = 0.9  # of the header: less is a rest of ground that was partly cut before; judgement
SAME_PLACE = 0.1  # [m] two points nearer are one place logged twice

REASONS = (
    "outside the field",
    "zero or negative yield",
    "no valid speed",
    "same place as an earlier point",
    "near the field's edge",
    "less than the full width",
    "extreme speed",
    "extreme yield",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaned:
    """Harvest points after cleaning: read = used + the sum of what was taken out."""

    places: FloatArray  # (n, 2) easting, northing [m]
    values: FloatArray  # (n,) in the unit of the file, at one moisture
    read: int
    removed: tuple[tuple[str, int], ...]  # reason and points, each point once, by the first reason that holds
    moisture: float | None  # percent to which all yields were brought

    @property
    def used(self) -> int:
        """Points that are left."""
        return len(self.values)


def cleaned(points: HarvestPoints, ground: BaseGeometry) -> Cleaned:
    """Take out what is no measurement of the crop.

    Parameters
    ----------
    points : HarvestPoints
        As read.
    ground : geometry [m]
        The field.
    """
    left = np.ones(len(points.yields), bool)
    removed = []
    values = points.yields
    moisture = None
    for reason, hit in _rules(points, ground, left):
        out = left & hit
        left &= ~hit
        removed.append((reason, int(out.sum())))
    if points.moisture is not None and left.any():
        moisture = float(np.median(points.moisture[left]))
        values = at_moisture(points.yields, points.moisture, moisture)
    return Cleaned(
        places=points.places[left],
        values=values[left],
        read=len(left),
        removed=tuple((reason, count) for reason, count in removed if count),
        moisture=moisture,
    )


def _rules(points: HarvestPoints, ground: BaseGeometry, left: BoolArray) -> Iterator[tuple[str, BoolArray]]:
    """Yield each rule's reason and points; `left` is what the rules before it left, for rules on the distribution."""
    nothing = np.zeros(len(left), bool)
    places = shapely.points(points.places)
    shapely.prepare(ground)
    inside = shapely.contains_xy(ground, points.places[:, 0], points.places[:, 1])
    yield REASONS[0], ~inside
    yield REASONS[1], points.yields <= 0
    yield REASONS[2], nothing if points.speed is None else points.speed <= 0
    yield REASONS[3], _again(points.places)
    yield REASONS[4], inside & (shapely.distance(ground.boundary, places) < HEADLAND)
    yield REASONS[5], nothing if points.width is None else points.width < FULL_WIDTH * np.max(points.width, initial=0)
    yield REASONS[6], nothing if points.speed is None else outlying(points.speed, left)
    yield REASONS[7], outlying(points.yields, left)


def _again(places: FloatArray) -> BoolArray:
    cells = np.round(places / SAME_PLACE).astype(np.int64)
    _, first = np.unique(cells, axis=0, return_index=True)
    again = np.ones(len(places), bool)
    again[first] = False
    return again


def outlying(values: FloatArray, of: BoolArray) -> BoolArray:
    """Values more than four robust standard deviations from the median.

    References
    ----------
    Hampel (1974), The influence curve and its role in robust estimation, J. Am. Stat. Assoc. 69:383-393.

    Examples
    --------
    >>> values = np.array([5.0, 5.1, 4.9, 5.2, 4.8, 9.0])
    >>> outlying(values, np.ones(6, bool))
    array([False, False, False, False, False,  True])
    """
    if not of.any():
        return np.zeros(len(values), bool)
    middle = float(np.median(values[of]))
    spread = max(MAD_TO_SD * float(np.median(np.abs(values[of] - middle))), LEAST_SPREAD * abs(middle))
    found: BoolArray = np.abs(values - middle) > OUTLYING * spread
    return found


def at_moisture(wet: FloatArray | float, moisture: FloatArray | float, standard: float) -> FloatArray:
    """Yield at a standard moisture: wet x (100 - M) / (100 - standard), as dry matter stays the same.

    Parameters
    ----------
    wet : float or ndarray
        In any unit.
    moisture, standard : float [percent]
        Of wet weight.

    Examples
    --------
    >>> round(float(at_moisture(200.0, 20.0, 15.5)), 2)
    189.35
    """
    dry: FloatArray = np.asarray(wet, float) * (100.0 - np.asarray(moisture, float)) / (100.0 - standard)
    return dry
