"""What the stops can carry: each told from the others, and from far away; how they lie on the ground.

All figures come from the fitted model by algebra; nothing is fitted again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmap.grid import M2_PER_HA
from rxmap.records_evidence import Chances, Evidence, LeftOutCheck, LeftOutStop
from rxmap.surface.covariance import Array, distances
from rxmap.surface.ensemble import Ensemble
from rxmap.surface.evidence_ground import beyond_reach, crowding, nearest_ground, reach_of_stops
from rxmap.surface.evidence_look import next_look
from rxmap.surface.kriging import Kriging
from rxmap.surface.links import Link
from rxmap.surface.model import PressureModel
from rxmap.surface.places import BoolArray
from rxmap.surface.target import TargetSurface
from rxmap.surface.verdict import even_scale, left_out_errors

FEWEST_CHECKED = 20  # places below which a share of them says next to nothing: each is 5 % and more; policy
LARGEST_BLOCK = 6  # stops: in blocks of 4 to 6 most stops lose all their nearest neighbours; policy
THIRDS = (1.0 / 3.0, 2.0 / 3.0)

Blocks = NDArray[np.int64]  # number of the block of each stop


@dataclass(frozen=True)
class Speaker:
    """A model and the places of which it speaks.

    Parameters
    ----------
    told : array of bool, shape (n,)
    ensemble : Ensemble or None
        None for the level of the field.
    stops : array of bool, shape (n,)
        What the ensemble was fitted to.
    """

    told: BoolArray
    ensemble: Ensemble | None
    stops: BoolArray

    @property
    def rows(self) -> NDArray[np.intp]:
        """Where the places stand among the stops of the ensemble."""
        return np.flatnonzero(self.told[self.stops])


def target_evidence(fitted: TargetSurface) -> Evidence:
    """Weigh what the stops of a fitted target can carry.

    Parameters
    ----------
    fitted : TargetSurface

    Returns
    -------
    Evidence
    """
    setting, target, places = fitted.setting, fitted.target, fitted.model.places_
    field = setting.field.ground
    spacing = float(np.sqrt(field.area / len(places)))
    range_m = effective_range(fitted.model)
    reach = reach_of_stops(spacing, None if fitted.model.covariates_used_ else range_m)
    not_sampled = beyond_reach(places.coordinates, field, reach)
    crowd = crowding(places.pressure, nearest_ground(places.coordinates, field))
    return Evidence(
        places=len(places),
        spacing_m=spacing,
        range_m=range_m,
        reach_m=reach,
        not_sampled=not_sampled,
        not_sampled_ha=not_sampled.area / M2_PER_HA,
        stops_mean=crowd.plain,
        even_mean=crowd.even,
        crowded=crowd.found,
        left_out=check_left_out(fitted.model, target.threshold) if len(places) >= FEWEST_CHECKED else None,
    )


def effective_range(model: PressureModel) -> float | None:
    """Practical range that the stops speak for [m], the geometric mean over the posterior; None without a pattern."""
    ensemble = _speaking(model)[0].ensemble
    return None if ensemble is None else ensemble.average([point.system.range for point in ensemble.points])


def check_left_out(model: PressureModel, threshold: float) -> LeftOutCheck:
    """Hold the surface against stops that it did not know.

    Parameters
    ----------
    model : PressureModel
        Fitted.
    threshold : float
        In the unit of the pressure.

    Returns
    -------
    LeftOutCheck
    """
    places = model.places_
    seen = places.pressure
    told = np.empty(len(places))
    told[places.index] = model.left_out_  # rows at one place have one
    p_over, inside = np.empty(len(places)), np.empty(len(places))
    for speaker in _speaking(model):
        look = next_look(places.at(speaker.told), speaker.ensemble, speaker.rows, level=model._level, link=model._link)
        p_over[speaker.told], inside[speaker.told] = look.p_over(threshold), look.inside()
    blocks = neighbours_in_blocks(places.coordinates, LARGEST_BLOCK)
    over = seen > threshold
    stops = tuple(
        LeftOutStop(found=float(found), told=float(value), p_over=float(chance), inside=float(held))
        for found, value, chance, held in zip(seen, told, p_over, inside, strict=True)
    )
    return LeftOutCheck(
        stops=stops,
        skill_blocks=_skill_of_blocks(model, blocks) if model.verdict_ == "map" else None,
        blocks=int(blocks.max()) + 1,
        block_gap_m=block_gap(places.coordinates, blocks),
        coverage=float(inside.mean()),
        wrong_side=float(((told > threshold) != over).mean()),
        wrong_side_alike=float(min(over.mean(), 1.0 - over.mean())),
        chances=tuple(_by_thirds(p_over, over)),
    )


def neighbours_in_blocks(coordinates: Array, largest: int) -> Blocks:
    """Put stops into blocks: the ground is halved across its longer side until they are small.

    Parameters
    ----------
    coordinates : array of shape (n, 2) [m]
    largest : int
        Stops in a block at most.

    Examples
    --------
    >>> neighbours_in_blocks(np.array([[0.0, 0.0], [90.0, 0.0], [10.0, 0.0], [100.0, 0.0]]), 2)
    array([0, 1, 0, 1])
    """
    block = np.zeros(len(coordinates), dtype=np.int64)
    waiting, number = [np.arange(len(coordinates))], 0
    while waiting:
        inside = waiting.pop()
        if len(inside) <= largest:
            block[inside], number = number, number + 1
            continue
        side = int(np.argmax(np.ptp(coordinates[inside], axis=0)))
        ordered = inside[np.lexsort((coordinates[inside, 1 - side], coordinates[inside, side]))]
        half = len(inside) // 2
        waiting += [ordered[half:], ordered[:half]]  # the lower half is numbered first
    return block


def block_gap(coordinates: Array, blocks: Blocks) -> float:
    """Mean way from a stop to the nearest one outside its block [m]; 0 with one block."""
    apart = distances(coordinates, coordinates)
    apart[blocks[:, None] == blocks] = np.inf
    nearest = apart.min(axis=0)
    return float(nearest.mean()) if np.isfinite(nearest).all() else 0.0


def without_blocks(system: Kriging, blocks: Blocks, micro: float = 0.0) -> tuple[Array, Array]:
    """Mean and variance of the latent value at every stop, told from the stops outside its block.

    Parameters
    ----------
    system : Kriging
    blocks : array of int, shape (n,)
    micro : float
        Variance of the scatter from stop to stop, which counts as part of what is told.

    Returns
    -------
    mean, variance : arrays of shape (n,)

    References
    ----------
    Dubrule 1983, Mathematical Geology 15:687 (several data left out at once).
    """
    count = len(system.values)
    explained = system.rows[count + 1 :]
    precision = system.inverse.T @ system.inverse - explained.T @ explained
    mean, variance = system.values.copy(), np.empty(count)
    for number in range(int(blocks.max()) + 1):
        inside = np.flatnonzero(blocks == number)
        covariance = np.linalg.inv(precision[np.ix_(inside, inside)])
        mean[inside] -= covariance @ system.rows[count][inside]
        variance[inside] = np.diag(covariance)
    return mean, np.maximum(variance - system.nugget + micro, 1e-12)


def _speaking(model: PressureModel) -> list[Speaker]:
    """Models that the verdict lets speak, layers first where they are used."""
    places, driven = model.places_, model._driven
    everywhere = np.ones(len(places), dtype=bool)
    if model.verdict_ != "map" or driven is None:
        return [Speaker(everywhere, model._ensemble if model.verdict_ == "map" else None, everywhere)]
    known = driven.drift.known(places.covariates)
    with_layers = Speaker(known, driven.ensemble, known)
    if known.all():
        return [with_layers]
    return [with_layers, Speaker(~known, model._ensemble if model._patches else None, everywhere)]


def _skill_of_blocks(model: PressureModel, blocks: Blocks) -> float:
    """One minus the squared errors over those of the mean of the stops outside the block, on the even scale."""
    places = model.places_
    told = _mean_outside(places.pressure, blocks)
    observed, against = even_scale(places.measure, places.pressure), even_scale(places.measure, told)
    for speaker in _speaking(model):
        if speaker.ensemble is not None:
            told[speaker.told] = _told_by(speaker.ensemble, model._link, blocks[speaker.stops])[speaker.rows]
    squares = float(((observed - against) ** 2).sum())
    left = float((left_out_errors(observed, even_scale(places.measure, told)) ** 2).sum())
    return 1.0 - left / squares if squares > 0.0 else 0.0


def _told_by(ensemble: Ensemble, link: Link, blocks: Blocks) -> Array:
    """Pressure at each stop of an ensemble from the stops outside its block."""
    total = np.zeros(len(blocks))
    for weight, point in zip(ensemble.weights, ensemble.points, strict=True):
        mean, variance = without_blocks(point.system, blocks, point.micro)
        total += weight * link.moments(mean, np.sqrt(variance))[0]
    return total


def _mean_outside(pressure: Array, blocks: Blocks) -> Array:
    sums, counts = np.bincount(blocks, pressure), np.bincount(blocks)
    if len(counts) == 1:
        return np.full(len(pressure), pressure.mean())
    outside: Array = ((pressure.sum() - sums) / (len(pressure) - counts))[blocks]
    return outside


def _by_thirds(p_over: Array, over: BoolArray) -> Sequence[Chances]:
    third = np.digitize(p_over, THIRDS)
    return [
        Chances(stops=int(here.sum()), told=float(p_over[here].mean()), found=float(over[here].mean()))
        for here in (third == number for number in range(len(THIRDS) + 1))
        if here.any()
    ]
