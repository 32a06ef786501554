"""What speaks for a surface and against it: figures that pass from the fit to files and page."""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry.base import BaseGeometry


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutStop:
    """One stop, told from the others as if nobody had looked there.

    Parameters
    ----------
    found, told : float
        Pressure that was found, and pressure that the other stops led to expect.
    p_over : float
        Chance, told by the others, that a look there finds more than the threshold.
    inside : float
        Share of what was found that lies inside the 90 % interval told by the others: 0 or 1 but for counts, where
        a number can lie across its end.
    """

    found: float
    told: float
    p_over: float
    inside: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Chances:
    """Stops whose chance of being above the threshold was told alike: mean chance, and share that was above."""

    stops: int
    told: float
    found: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutCheck:
    """The surface against stops that it did not know.

    Parameters
    ----------
    stops : tuple of LeftOutStop
        Each left out alone.
    skill_blocks : float or None
        As the skill, whole blocks of neighbouring stops left out at a time; None without a map.
    blocks : int
    block_gap_m : float [m]
        Mean way from a stop to the nearest one outside its block.
    coverage : float
        Share of what was found inside the 90 % interval told by the others.
    wrong_side, wrong_side_alike : float
        Share of stops that the others put on the wrong side of the threshold; and the share that would be wrong if
        the whole field were called alike, as most stops are.
    chances : tuple of Chances
        By thirds of the chance, low to high; empty ones left out.
    """

    stops: tuple[LeftOutStop, ...]
    skill_blocks: float | None
    blocks: int
    block_gap_m: float
    coverage: float
    wrong_side: float
    wrong_side_alike: float
    chances: tuple[Chances, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What the stops of one target can carry.

    Parameters
    ----------
    places : int
        Where somebody looked; stops at the same place count once.
    spacing_m : float [m]
        Between as many stops evenly spread.
    range_m : float or None [m]
        Within which places have to do with each other; None without a pattern.
    reach_m : float [m]
        Ground farther than this from every stop is not sampled.
    not_sampled : geometry
        That ground, in metres.
    not_sampled_ha : float [ha]
    stops_mean, even_mean : float
        Plain mean of the stops, and each weighted by the ground nearest to it.
    crowded : bool
        Whether stops crowd where the pressure is high or low; the field's level then is the even mean.
    left_out : LeftOutCheck or None
        None where stops are too few to be checked against each other.
    """

    places: int
    spacing_m: float
    range_m: float | None
    reach_m: float
    not_sampled: BaseGeometry
    not_sampled_ha: float
    stops_mean: float
    even_mean: float
    crowded: bool
    left_out: LeftOutCheck | None
