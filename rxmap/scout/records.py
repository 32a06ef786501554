"""What a walk is: its stops in order, and what to do at each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from typing import Literal

from shapely.geometry.base import BaseGeometry

from rxmap.errors import Caution
from rxmap.plan import Target
from rxmap.records import Field, InputFile
from rxmap.scout.tally import Tally

WalkKind = Literal["first visit", "next stops", "enough"]
StopKind = Literal["coverage", "close pair", "edge", "next"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkStop:
    """A place to look at.

    Parameters
    ----------
    name : str
        Numbered in walking order.
    easting, northing : float [m]
    lon, lat : float [degree]
        As written.
    kind : {"coverage", "close pair", "edge", "next"}
        What it is there for.
    targets : tuple of str
        What to look for.
    value : float or None
        Money by which it raises the value of the stops chosen before it; None on a first visit.
    """

    name: str
    easting: float
    northing: float
    lon: float
    lat: float
    kind: StopKind
    targets: tuple[str, ...]
    value: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What one target asks of the walk.

    Parameters
    ----------
    target : Target
    units : int
        Sample units to look at, at each stop.
    stops : int
        For the field mean at the threshold to the wanted precision.
    map_stops : int
        For a pattern to be told from chance.
    reached : float
        Standard error over the mean that the stops of this walk are expected to reach at the threshold.
    reason : str
        Where the numbers come from.
    tally : Tally or None
        In units looked at for incidence, in stops for a count; None for what is not counted.
    """

    target: Target
    units: int
    stops: int
    map_stops: int
    reached: float
    reason: str
    tally: Tally | None

    @property
    def per_stop(self) -> int:
        """Samples of the tally at each stop."""
        return self.units if self.target.measure == "incidence" else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What further stops are worth, and what they cost [currency].

    Parameters
    ----------
    currency : str
    batch : float
        Expected gain from these stops, trips included.
    perfect : float
        What knowing the pressure everywhere would gain at most.
    cost : float or None
        Of walking them; None where the plan has no `scouting.cost`.
    may_change : float
        Share of the ground that may be treated whose call changes with a chance of 5 % or more.
    """

    currency: str
    batch: float
    perfect: float
    cost: float | None
    may_change: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """A walk over a field, or the reason why none is proposed."""

    kind: WalkKind
    field: Field
    units: Literal["us", "metric"]
    seed: int
    start: tuple[float, float] | None  # (easting, northing) [m]
    stops: tuple[WalkStop, ...]  # in walking order
    length_m: float
    asks: tuple[Ask, ...]
    reasons: tuple[str, ...]
    worth: Worth | None
    kept: BaseGeometry  # ground of the keep-outs [m]
    seen: tuple[tuple[float, float], ...]  # places of the stops there were (easting, northing) [m]
    waits: tuple[str, ...]  # until when to keep out after a product of the plan, in words
    cautions: tuple[Caution, ...]
    inputs: tuple[InputFile, ...]
    plan: Mapping[str, object] = dataclass_field(repr=False)
