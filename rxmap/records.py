"""Frozen records that pass between the layers. No arithmetic beyond counting what they hold.

Metres, hectares, litres and kilograms unless a unit stands beside the number. Geometries named
``polygon`` or ``boundary`` are WGS84 lon/lat, on the 1e-7 degree grid in which files carry them.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from rxmap.errors import Caution
from rxmap.grid import FloatArray, Frame, Grid
from rxmap.records_evidence import Evidence
from rxmap.records_weather import WeatherReport, WeatherTable

Measure = Literal["count", "incidence", "severity", "rating"]
Verdict = Literal["map", "uniform", "note"]
DecisionKind = Literal["map", "all", "none"]

LONGEST_SLUG = 40
# Names of devices, which Windows takes for no file whatever their ending (Microsoft, Naming Files, Paths and
# Namespaces; from memory)
RESERVED = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))})


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """The field as it will be written: its boundary and the frame that turns it into metres."""

    name: str
    boundary: Polygon | MultiPolygon
    ground: BaseGeometry  # the same boundary in metres of `frame`
    frame: Frame
    area_ha: float  # on the ellipsoid, holes excluded


EDGE_STOP = "edge stop"  # why such a stop is not used for the field
TWO_TANKS = "one trip with two tanks, each product where it pays"  # beside the changed assumptions of what-if


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One target looked at at one stop on one day: a row of the scouting file."""

    stop: str
    lon: float
    lat: float
    easting: float
    northing: float
    target: str
    n: int  # sample units looked at
    value: float  # count over the n units, positives of n, percent or rating
    place: str  # file and row, for messages
    date: dt.date | None = None
    positives: int | None = None
    edge: bool = False
    note: str = ""
    extra: tuple[tuple[str, str], ...] = ()
    used: bool = True
    why: str = ""  # why it is not used


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """An input, for the manifest: name as the plan gives it, size and SHA-256."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepOutSource:
    """What the plan keeps away from: points, lines or polygons, before any setback."""

    reason: str
    setback_m: float
    ground: BaseGeometry  # in metres


@dataclass(frozen=True, slots=True, kw_only=True)
class HandDrawn:
    """Ground that the adviser treats or skips by hand: it beats numbers and gates, never keep-outs or the label."""

    action: Literal["treat", "skip"]
    pass_name: str | None  # None for every pass
    reason: str
    ground: BaseGeometry  # in metres


@dataclass(frozen=True, slots=True, kw_only=True)
class CellLayer:
    """A covariate on the field grid: an index or band of the image, soil, elevation, an earlier map."""

    name: str
    values: FloatArray  # (rows, columns), NaN where missing
    covered: float  # share of the field with values
    how: str  # in words, for the record


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """Everything that was read for one build."""

    field: Field
    grid: Grid
    observations: tuple[Observation, ...]
    keep_outs: tuple[KeepOutSource, ...]
    files: tuple[InputFile, ...]  # the plan first
    cautions: tuple[Caution, ...]
    by_hand: tuple[HandDrawn, ...] = ()
    layers: tuple[CellLayer, ...] = ()
    weather: WeatherTable | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepOut:
    """Ground that must not be treated: a source with its setback, clipped to the field.

    Products differ in the setback on their labels, so one source may stand here once for each setback.
    """

    reason: str
    setback_m: float
    polygon: Polygon | MultiPolygon
    ground: BaseGeometry  # in metres
    passes: tuple[str, ...]  # slugs of the passes that keep this setback


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeLevel:
    """What edge stops say about the strip along the boundary that they decide."""

    width_m: float
    stops: int
    pressure: float
    p_over: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CovariateUse:
    """What became of a covariate in the surface of a target."""

    name: str
    used: bool
    gain: float | None  # share of the squared left-out errors that it takes away; None where it was not tried
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetResult:
    """What the stops say about one target, ready to be written and shown."""

    name: str
    slug: str
    measure: Measure
    unit: str  # of the pressure, such as "per 25 sweeps" or "percent"
    threshold: float
    source: str
    read: int
    used: int
    mean: float  # area mean of the surface
    p_over: float  # P(field mean > threshold)
    model: str
    skill: float | None  # None where there was nothing to compare
    chance: float | None  # share of shuffles of the same values that look as clustered; None as for skill
    verdict: Verdict
    reason: str
    surface: Surface
    covariates: tuple[CovariateUse, ...] = ()
    edge: EdgeLevel | None = None
    evidence: Evidence | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """Pressure of one target over the field; each array is (rows, columns), NaN outside."""

    grid: Grid
    mean: FloatArray
    sd: FloatArray  # of the pressure itself, not of one more observation
    p_over: FloatArray
    q05: FloatArray
    q95: FloatArray

    def bands(self) -> Mapping[str, FloatArray]:
        """Return the arrays in the order in which they are written."""
        return {"mean": self.mean, "sd": self.sd, "p_over": self.p_over, "q05": self.q05, "q95": self.q95}


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneShape:
    """A management zone: it explains, it carries no rate."""

    zone: int
    polygon: Polygon | MultiPolygon
    area_ha: float
    pressure: Mapping[str, float]  # by target slug, area means
    p_over: Mapping[str, float]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One polygon of a prescription layer, sprayable or not."""

    polygon: Polygon
    zone: int
    treat: int
    rate: float
    unit: str
    product: str
    volume: float
    vol_unit: str
    target: str
    pressure: float
    p_over: float
    area_ha: float
    benefit: float | None  # money/ha; None without a loss
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductUse:
    """A product in a pass: its rates on treated ground and what the pass needs of it."""

    name: str
    rate: float  # the highest in use
    unit: str
    total: float
    total_unit: str
    rates: tuple[float, ...] = ()  # all in use, low to high; empty where nothing is treated
    least: float = 0.0  # rate by the label
    most: float = math.inf  # the same; what earlier applications leave of the season counts
    least_volume: float = 0.0  # of spray by the label [L/ha]


@dataclass(frozen=True, slots=True, kw_only=True)
class PassDates:
    """What to wait for after a pass, in words with dates; None where the label gives no limit."""

    no_entry: str | None
    no_rain: str | None
    harvest_from: str | None
    look_again: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadItem:
    """Something that goes into the tank: water in litres, a product in the unit that its rate counts."""

    item: str
    amount: float
    unit: str
    least: float = 0.0  # what the label asks for on the ground of the load
    most: float = math.inf  # what it allows there


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One filling of the tank."""

    load: int  # from 1
    order: int  # in which the loads are driven, from 1
    area_ha: float  # on the ellipsoid
    volume_l: float  # of spray on the ground
    items: tuple[LoadItem, ...]  # water first, then the products in the order of the pass
    polygon: Polygon | MultiPolygon


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """Spray that is mixed once, with the first load, beside what the treated area takes."""

    why: str
    volume_l: float
    items: tuple[LoadItem, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductNeed:
    """What a pass needs of a product, and the packs to bring."""

    item: str
    total: float  # on the ground: rate x area
    extra: float  # in spray beside that
    unit: str
    packs: int | None  # None without a pack size in the plan
    pack: str | None
    left: float | None  # in opened or unopened packs, in `unit`


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPlan:
    """All loads of a pass, in the order in which they are driven."""

    loads: tuple[Load, ...]
    extras: tuple[Extra, ...]
    needs: tuple[ProductNeed, ...]
    area_ha: float
    volume_l: float
    heading: float  # [degree]
    limit: str  # what ends a load, in words
    order: str  # how the loads were laid out, in words
    pace: str  # flow and work rate, in words


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckStrip:
    """One strip of treated ground that is left untreated.

    Parameters
    ----------
    ground : Polygon
        In metres: one swath wide, along the pass.
    rate : float
        Of the ground around it, as written.
    length_m, area_ha : float
        Of the strip.
    benefit : float or None
        Expected benefit given up on it [currency]; None without money.
    """

    ground: Polygon
    rate: float
    length_m: float
    area_ha: float
    benefit: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AsApplied:
    """What a machine will do with a planned layer.

    Parameters
    ----------
    heading : float [degree]
        Of the first pass, clockwise from north.
    treated_ha, applied_ha : float [ha]
        Ground that is planned to be treated, and ground that will be sprayed.
    missed_ha, off_target_ha : float [ha]
        Planned and not sprayed; sprayed and not planned.
    over_ha, under_ha : float [ha]
        Planned and sprayed, more than a tenth above or below the planned rate.
    setback_ha, outside_ha : float [ha]
        Of the ground off target: inside a keep-out; outside the field.
    product_difference : float
        Product applied over product planned, less 1.
    classes : ndarray of uint8, shape of the field grid
        0 nothing, 1 as planned, 2 missed, 3 off target, as found at the centre of each cell.
    """

    heading: float
    treated_ha: float
    applied_ha: float
    missed_ha: float
    off_target_ha: float
    over_ha: float
    under_ha: float
    setback_ha: float
    outside_ha: float
    product_difference: float
    classes: NDArray[np.uint8] = dataclass_field(repr=False)

    @property
    def misplaced_share(self) -> float:
        """Ground missed and ground off target, over the treated ground."""
        return (self.missed_ha + self.off_target_ha) / self.treated_ha if self.treated_ha else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PassResult:
    """One trip over the field with one tank mix."""

    name: str
    slug: str
    base: str  # file name of the machine files, at most 8 ASCII characters
    products: tuple[ProductUse, ...]
    decision: DecisionKind
    reason: str
    next_look: str
    treated_ha: float
    loads: int
    parts: tuple[Part, ...]  # empty with decision `none`
    smallest_m: float | None  # diameter of the smallest lone patch that pays
    dates: PassDates | None = None  # None for a pass that stays at home
    check_strips: tuple[CheckStrip, ...] = ()
    strips_text: str = ""  # what they can show
    applied: AsApplied | None = None  # as the machine will apply it; None for a pass that stays at home
    heading_text: str = ""  # a heading proposed where the plan has none
    given_up: float = 0.0  # expected benefit of what check strips and the machine's limits leave [currency]
    cautions: tuple[Caution, ...] = ()
    load_plan: LoadPlan | None = None  # the same


@dataclass(frozen=True, slots=True, kw_only=True)
class Money:
    """Expected gain over treating nothing, trips and scouting included [currency]."""

    currency: str
    map: float | None  # None where no target supports a map
    all: float
    none: float
    best: DecisionKind
    range: tuple[float, float] | None  # 5-95 % of map minus the better of all and none
    p_map: float | None  # P(map earns more than the better of all and none)


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIf:
    """The decision under one changed assumption, nothing refitted."""

    name: str
    treated_share: Mapping[str, float]  # of the field, by pass slug
    money: Money | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneChoice:
    """How the number of zones was chosen, in our own words."""

    crisp: float  # 0 shared .. 1 every place belongs to one zone
    explained: float  # share of the variance that the zones explain
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Everything that was decided: what `write` puts into files and `show` on the screen."""

    crop: str
    units: Literal["us", "metric"]
    seed: int
    field: Field
    grid: Grid
    observations: tuple[Observation, ...]
    targets: tuple[TargetResult, ...]
    zones: tuple[ZoneShape, ...]
    zone_choice: ZoneChoice
    keep_outs: tuple[KeepOut, ...]
    passes: tuple[PassResult, ...]
    money: Money | None
    swath_m: float | None  # None without a machine
    cautions: tuple[Caution, ...]
    inputs: tuple[InputFile, ...]
    plan: Mapping[str, object] = dataclass_field(repr=False)  # the plan as understood, defaults filled in
    formats: tuple[str, ...] = ("geojson", "shapefile")
    what_if: tuple[WhatIf, ...] = ()
    weather: WeatherReport | None = None  # beside the decision; None without a table


def slugs(names: Iterable[str], empty: str) -> list[str]:
    """File-name-safe names: ASCII, lower case, at most 40 characters, all different, none that Windows reserves.

    Parameters
    ----------
    names : iterable of str
        Names as the plan gives them.
    empty : str
        What a name becomes that has no ASCII letter or digit, such as ``target`` -> ``target-1``.

    Examples
    --------
    >>> slugs(["Marsh leafhopper", "marsh  leafhopper!", "\u96ea"], "target")
    ['marsh-leafhopper', 'marsh-leafhopper-2', 'target-3']
    >>> slugs(["Aux"], "pass")
    ['aux-2']
    """
    out: list[str] = []
    for number, name in enumerate(names, start=1):
        ascii_name = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii").lower()
        base = re.sub(r"[^a-z0-9]+", "-", ascii_name)[:LONGEST_SLUG].strip("-") or f"{empty}-{number}"
        slug, again = base, 2
        while slug in out or slug in RESERVED:
            tail = f"-{again}"
            slug, again = base[: LONGEST_SLUG - len(tail)] + tail, again + 1
        out.append(slug)
    return out
