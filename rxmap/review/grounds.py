"""Which ground may be compared: a check strip, and treated ground on both of its sides, nothing else.

Treated zones were treated because the pressure there was higher, so they differ from untreated zones for that reason
too. A strip and what lies beside it differ in the treatment alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.grid import BoolArray, FloatArray

MARGIN = 2.0  # [m] left out along every edge: drift, rows cut by the edge, position; at most a quarter of the width
LEAST_LANE = 0.5  # [m] on either side of a strip's middle that stays, however wide the harvest is
END = 5.0  # [m] left out at both ends, where the machine switches; judgement
REACH = 2.0  # widths of the strip that its neighbours reach on either side; judgement: near, and still some points
MOST_SPRAYED = 0.1  # share of the inside of a strip that may have been sprayed after all; judgement
FEWEST_POINTS = 5  # on a strip and on each side of it; judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class StripGround:
    """A check strip and the treated ground beside it, in metres; `why` says why it cannot be used."""

    number: int
    width_m: float
    whole: BaseGeometry
    on: BaseGeometry
    sides: tuple[BaseGeometry, BaseGeometry]
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """What was found on a strip and beside it: means, and how many places they stand on."""

    number: int
    on: float
    beside: float
    points: tuple[int, int]

    @property
    def gain(self) -> float:
        """Beside less on the strip: what the treatment added."""
        return self.beside - self.on


@dataclass(frozen=True, slots=True, kw_only=True)
class Unused:
    """A strip that tells nothing, and why."""

    number: int
    why: str


def strip_ground(
    number: int,
    strip: BaseGeometry,
    treated: BaseGeometry,
    *,
    sprayed: BaseGeometry | None = None,
    others: Sequence[BaseGeometry] = (),
    header_m: float = 0.0,
) -> StripGround:
    """Take the inside of a strip, and the treated ground within two widths on both of its sides.

    Parameters
    ----------
    number : int
        Of the strip in its pass.
    strip, treated : geometry [m]
        The strip, and ground planned to be treated, without strips.
    sprayed : geometry, optional [m]
        Ground that was sprayed: neighbours must lie in it, and the strip outside it.
    others : sequence of geometry [m]
        Ground that other passes treat: it has to be the same on the strip and beside it.
    header_m : float [m]
        Width of the harvest: a point stands for that much ground across, all of which has to be of one kind.

    Examples
    --------
    >>> treated = shapely.box(0, 0, 100, 200).difference(shapely.box(45, 20, 55, 180))
    >>> found = strip_ground(1, shapely.box(45, 20, 55, 180), treated)
    >>> found.on.bounds, sorted(side.bounds[0] for side in found.sides)
    ((47.0, 25.0, 53.0, 175.0), [23.0, 57.0])
    """
    ring = shapely.get_coordinates(shapely.minimum_rotated_rectangle(strip))
    corner, along, across = _sides(ring)
    width, length = float(np.linalg.norm(across)), float(np.linalg.norm(along))
    margin = min(max(min(MARGIN, width / 4), header_m / 2), width / 2 - LEAST_LANE)
    end = min(END, length / 4)
    u, v = along / length, across / width

    def rectangle(left: float, right: float) -> BaseGeometry:
        corners = [(end, left), (length - end, left), (length - end, right), (end, right)]
        return shapely.Polygon([corner + a * u + b * v for a, b in corners])

    inside = rectangle(margin, width - margin)
    beside, why = _alike(inside, treated if sprayed is None else treated.intersection(sprayed), others)
    near = (rectangle(-margin - REACH * width, -margin), rectangle(width + margin, width + margin + REACH * width))
    sides = [side.intersection(shapely.buffer(beside, -margin)) for side in near]
    spoiled = 0.0 if sprayed is None else inside.intersection(sprayed).area / inside.area
    why = f"{100 * spoiled:.0f} % of it was sprayed" if spoiled > MOST_SPRAYED else why
    return StripGround(number=number, width_m=width, whole=strip, on=inside, sides=(sides[0], sides[1]), why=why)


def _alike(inside: BaseGeometry, beside: BaseGeometry, others: Sequence[BaseGeometry]) -> tuple[BaseGeometry, str]:
    """Keep of the ground beside a strip what every other pass treats as it treats the strip."""
    for other in others:
        share = inside.intersection(other).area / inside.area
        if MOST_SPRAYED < share < 1 - MOST_SPRAYED:
            return beside, f"another pass treats {100 * share:.0f} % of it"
        beside = beside.intersection(other) if share >= 1 - MOST_SPRAYED else beside.difference(other)
    return beside, ""


def _sides(ring: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Corner of a rectangle, its long side and its short side as vectors."""
    one, other = ring[1] - ring[0], ring[3] - ring[0]
    long_first = np.linalg.norm(one) >= np.linalg.norm(other)
    return ring[0], one if long_first else other, other if long_first else one


def compare_places(
    grounds: Sequence[StripGround], places: FloatArray, values: FloatArray, *, fewest: int = FEWEST_POINTS
) -> tuple[list[Pair], list[Unused]]:
    """Pair the mean on each strip with the mean of the means on its two sides: a slope across them cancels.

    Parameters
    ----------
    grounds : sequence of StripGround
        Strips of one pass.
    places : ndarray, shape (n, 2) [m]
        Easting, northing.
    values : ndarray, shape (n,)
        What was found there.
    fewest : int
        Places wanted on the strip and on each side.
    """
    pairs: list[Pair] = []
    unused: list[Unused] = []
    for ground in grounds:
        here = [_within(part, places) for part in (ground.on, *ground.sides)]
        counts = [int(part.sum()) for part in here]
        why = ground.why or _too_few(counts, fewest)
        if why:
            unused.append(Unused(number=ground.number, why=why))
            continue
        on, left, right = (float(values[part].mean()) for part in here)
        pairs.append(
            Pair(number=ground.number, on=on, beside=(left + right) / 2, points=(counts[0], counts[1] + counts[2]))
        )
    return pairs, unused


def _within(ground: BaseGeometry, places: FloatArray) -> BoolArray:
    shapely.prepare(ground)
    inside: BoolArray = shapely.contains_xy(ground, places[:, 0], places[:, 1])
    return inside


def _too_few(counts: Sequence[int], fewest: int) -> str:
    if counts[0] < fewest:
        return f"{counts[0]} points on it, fewer than {fewest}"
    if min(counts[1:]) < fewest:
        return f"{min(counts[1:])} points on one side of it, fewer than {fewest}"
    return ""
