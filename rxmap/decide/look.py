"""How close a target is to acting, and when to look again: the answer where nothing is sprayed."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

import numpy as np

from rxmap.records import Observation, TargetResult

CLOSE = 0.5  # share of the threshold; judgement, no source
# Days after the newest visit. Common practice, no source: a fast pest or wet weather asks for less.
WHERE_CLOSE, WHERE_FAR = (3, 7), (7, 14)
OFF_CENTRE = 0.08  # share of the field's longer side within which a place is in the middle; judgement
POINTS = ("east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east")


def next_look(
    targets: Sequence[TargetResult], observations: Sequence[Observation], *, next_crop: str | None = None
) -> str:
    """Say how close the nearest of some targets is to its threshold, where, and when to look again.

    Parameters
    ----------
    targets : sequence of TargetResult
        Those that a pass is for.
    observations : sequence of Observation
        All rows; the newest used one of the target is its newest visit.
    next_crop : str, optional
        What a target that decides about the next crop is a note for.
    """
    if not targets:
        return ""
    target = max(targets, key=lambda target: (target.verdict != "note", _closeness(target)))
    level = (
        f"{target.name} is at {100 * target.mean / target.threshold:.0f} % of its threshold of {target.threshold:.4g} "
        f"on average ({_pressure(target, target.mean)}); {_highest(target)}"
    )
    if target.verdict == "note":
        return f"{level}. A note for the next crop{f', {next_crop}' if next_crop else ''}"
    return f"{level}. {_when(target, observations)}"


def compass(east: float, north: float) -> str:
    """Name the point of the compass in a direction.

    Examples
    --------
    >>> compass(1.0, 0.1), compass(-3.0, -3.0)
    ('east', 'south-west')
    """
    return POINTS[round(math.degrees(math.atan2(north, east)) / 45) % 8]


def _closeness(target: TargetResult) -> float:
    """Pressure at the highest place over the threshold, the strip along the boundary included."""
    strip = target.edge.pressure if target.edge else 0.0
    return max(float(np.nanmax(target.surface.mean)), strip) / target.threshold


def _highest(target: TargetResult) -> str:
    """Say where the pressure is highest and how likely it is above the threshold there."""
    inside, centres = target.surface.grid.inside, target.surface.grid.centres()
    means, chances = target.surface.mean[inside], target.surface.p_over[inside]
    at = int(np.argmax(means))
    pressure, chance = float(means[at]), float(chances[at])
    if target.edge is not None and target.edge.pressure >= pressure:
        place, pressure, chance = "in the strip along the boundary", target.edge.pressure, target.edge.p_over
    elif np.ptp(means) <= 1e-9 * target.threshold:
        return f"at any one place the chance of being above it is {_chance(chance)}"
    else:
        shift = centres[at] - centres.mean(axis=0)
        off = np.hypot(*shift) >= OFF_CENTRE * np.ptp(centres, axis=0).max()
        place = f"in the {compass(*shift) if off else 'middle'}"
    return f"highest {place} ({_pressure(target, pressure)}), where the chance of being above it is {_chance(chance)}"


def _when(target: TargetResult, observations: Sequence[Observation]) -> str:
    close = target.mean >= CLOSE * target.threshold or _closeness(target) >= 1.0
    first, last = WHERE_CLOSE if close else WHERE_FAR
    days = f"{first} to {last} days after the newest visit"
    seen = max((o.date for o in observations if o.used and o.date and o.target == target.name), default=None)
    if seen is None:
        return f"Look again {days} (common practice)"
    return f"Look again {seen + dt.timedelta(days=first)} to {seen + dt.timedelta(days=last)} ({days}; common practice)"


def _pressure(target: TargetResult, value: float) -> str:
    return f"{value:.3g} {'%' if target.unit == 'percent' else target.unit}"


def _chance(share: float) -> str:
    """No sample can give 0 or 100 %."""
    return "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"
