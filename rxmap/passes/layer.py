"""The prescription layer of a pass: the whole field, sprayable or not, as polygons with a rate each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rxmap.decide.benefit import Stake
from rxmap.decide.decision import PassDecision
from rxmap.decide.treat import least_width
from rxmap.grid import M2_PER_HA, FloatArray, Grid
from rxmap.passes.label import written_rate, written_volume
from rxmap.plan import Machine
from rxmap.records import Field, HandDrawn, Part
from rxmap.zones.polygons import Face, coverage, label_polygons

REST = 0  # label of ground that nothing claims: untreated
IntArray = NDArray[np.int_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What a polygon's attributes are taken from: values on the inside cells of the field grid."""

    field: Field
    grid: Grid
    zones: Mapping[int, BaseGeometry]  # outline of each zone as it is written, WGS84
    stakes: Sequence[Stake]
    units: Literal["us", "metric"] = "metric"  # what people read


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """Ground that is spoken for; of two claims to one place the earlier holds.

    Parameters
    ----------
    ground : geometry
        In metres; may reach beyond the field.
    level : int
        Rate, 0 for untreated.
    reason : str
        Why; empty where the numbers say it.
    kept : bool
        Whether it is a keep-out, which must not lose ground.
    """

    ground: BaseGeometry
    level: int
    reason: str = ""
    kept: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """What changes a layer after it is decided.

    Parameters
    ----------
    strips : sequence of Claim
        Check strips.
    simpler : float
        Tolerance of outlines over the usual one, which is a decision cell.
    left : geometry or None
        Ground in metres that the numbers would treat and the machine's limits leave.
    """

    strips: Sequence[Claim] = ()
    simpler: float = 1.0
    left: BaseGeometry | None = None


def claims_of(
    decision: PassDecision,
    keep_outs: Sequence[tuple[str, BaseGeometry]],
    by_hand: Sequence[HandDrawn],
    grid: Grid,
    cut: Cut = Cut(),
) -> list[Claim]:
    """List what claims ground: keep-outs, check strips, the adviser's hand, then the numbers."""
    full = len(decision.steps)
    hands = sorted(by_hand, key=lambda hand: hand.action != "skip")  # where both are drawn, skipping is the safer
    words = {"skip": "skipped by hand", "treat": "treated by hand"}
    return [
        *(Claim(ground=ground, level=0, reason=f"keep-out: {reason}", kept=True) for reason, ground in keep_outs),
        *cut.strips,
        *(
            Claim(ground=h.ground, level=full if h.action == "treat" else 0, reason=f"{words[h.action]}: {h.reason}")
            for h in hands
        ),
        *(
            claim if cut.left is None else replace(claim, ground=claim.ground.difference(cut.left))
            for claim in _decided(decision, grid, cut.simpler)
        ),
    ]


def _decided(decision: PassDecision, grid: Grid, simpler: float) -> list[Claim]:
    """Outline the decision cells of each rate; what may not be sprayed takes the label of its nearest neighbour."""
    ground = decision.ground
    if decision.kind == "all":
        west, south, east, north = grid.bounds
        return [Claim(ground=shapely.box(west, south, east, north).buffer(grid.cell), level=int(decision.levels.max()))]
    labels = np.where(ground.sprayable, decision.levels + 1, 0)  # 1 is untreated, 0 not for the machine
    if ground.by_hand is not None:  # its own line is drawn exactly; its cells would leave scraps around it
        labels[ground.by_hand] = 0
    # In the passes the sides of cells are where the machine switches: they stay unless it takes fewer corners.
    tolerance = 0.0 if ground.aligned and simpler == 1.0 else simpler
    drawn = label_polygons(labels, Grid(0.0, 0.0, 1.0, ground.field_ha), tolerance=tolerance)
    placed = ground.cells.to_metres
    return [
        Claim(ground=placed(shapely.MultiPolygon([p for label, p in drawn if label == level + 1])), level=level)
        for level in range(1, len(decision.steps) + 1)
        if any(label == level + 1 for label, _ in drawn)
    ]


def layer_parts(decision: PassDecision, claims: Sequence[Claim], ledger: Ledger, machine: Machine) -> tuple[Part, ...]:
    """Cut the field along the claims and give every polygon its attributes."""
    faces, claims = _faces(decision, claims, ledger, machine)
    means = _Means(faces, ledger)
    lead, mine = decision.option.lead, _ranked(ledger.stakes, decision)
    ranks = np.stack([means.of(stake.weight) for stake in mine])
    benefit = _benefit(decision, means)
    zones = _zones_of(faces, ledger.zones)
    levels: dict[str, FloatArray] = {s.name: means.of(s.mean) for s in mine}
    chances: dict[str, FloatArray] = {s.name: means.of(s.p_over) for s in mine}
    parts = []
    for number, face in enumerate(faces):
        claim = claims[face.label - 1] if face.label != REST else Claim(ground=face.polygon, level=0)
        rate, volume = _rate(decision, claim.level, machine)
        stake = mine[int(np.argmax(ranks[:, number]))]
        pressure = float(levels[stake.name][number])
        parts.append(
            Part(
                polygon=face.polygon,
                zone=0 if claim.kept else zones[number],
                treat=int(claim.level > 0),
                rate=rate,
                unit=lead.full_rate.unit,
                product=lead.name,
                volume=volume,
                vol_unit=machine.carrier.unit,
                target=stake.name,
                pressure=pressure,
                p_over=float(np.clip(chances[stake.name][number], 0.0, 1.0)),
                area_ha=round(face.area_m2 / M2_PER_HA, 4),
                benefit=None if benefit is None else float(benefit[max(claim.level - 1, -1), number]),
                reason=claim.reason or _why(claim.level, stake, pressure),
            )
        )
    return tuple(parts)


def _faces(
    decision: PassDecision, claims: Sequence[Claim], ledger: Ledger, machine: Machine
) -> tuple[list[Face], list[Claim]]:
    """Cut the field; a treated scrap that a clip leaves too small to drive is left untreated."""
    faces = _cut(claims, ledger.field)
    if decision.kind != "map":
        return faces, list(claims)
    least = least_width(machine, decision.ground) ** 2
    treated = [face for face in faces if face.label != REST and claims[face.label - 1].level > 0]
    scraps = [
        face
        for face in treated
        if face.area_m2 < least
        and not claims[face.label - 1].reason
        and not any(other is not face and other.polygon.touches(face.polygon) for other in treated)
    ]
    if not scraps:
        return faces, list(claims)
    first = next(number for number, claim in enumerate(claims) if not claim.reason)
    left = [Claim(ground=ledger.field.frame.geometry_to_metres(face.polygon), level=0) for face in scraps]
    more = [*claims[:first], *left, *claims[first:]]
    return _cut(more, ledger.field), more


def _cut(claims: Sequence[Claim], field: Field) -> list[Face]:
    labelled = [(number, claim.ground) for number, claim in enumerate(claims, start=1)]
    kept = [number for number, claim in enumerate(claims, start=1) if claim.kept]
    return coverage(field.boundary, labelled, field.frame, rest=REST, protected=kept)


def _rate(decision: PassDecision, level: int, machine: Machine) -> tuple[float, float]:
    """Rate and spray volume of a level. A lower rate is less of the same mix, so the volume falls with it."""
    if level == 0:
        return 0.0, 0.0
    step, full = decision.steps[level - 1].rate, decision.steps[-1].rate
    volume = written_volume(machine, decision.option.products, step.magnitude / full.magnitude)
    return written_rate(decision.option.lead, step), volume


def _benefit(decision: PassDecision, means: _Means) -> FloatArray | None:
    """Benefit of each face at each rate, the last row the best of them: (steps + 1, faces); None without money."""
    if decision.benefit is None or not decision.benefit.money:
        return None
    at_rates = np.stack([means.of(score) for score in decision.benefit.scores])
    return np.vstack([at_rates, at_rates.max(axis=0)])


def _zones_of(faces: Sequence[Face], zones: Mapping[int, BaseGeometry]) -> list[int]:
    """Zone that holds most of each face, by the outlines that files carry."""
    names, outlines = list(zones), np.array(list(zones.values()))
    return [names[int(np.argmax(shapely.area(shapely.intersection(face.polygon, outlines))))] for face in faces]


class _Means:
    """Area means over faces, by the cells whose centre they hold; a face too small for one takes the nearest."""

    def __init__(self, faces: Sequence[Face], ledger: Ledger) -> None:
        from rasterio.features import rasterize  # here: its import costs 0.15 s that `rxmap --help` must not pay

        grid, frame = ledger.grid, ledger.field.frame
        self.faces = len(faces)
        outlines = [frame.geometry_to_metres(face.polygon) for face in faces]
        self.owner = rasterize(
            [(outline, number) for number, outline in enumerate(outlines)],
            out_shape=grid.shape,
            transform=grid.transform,
            fill=len(faces),
            dtype="int32",
        )[grid.inside]
        self.share = grid.share[grid.inside]
        self.area = self._sums(np.ones_like(self.share))
        self.nearest = {}
        for number in np.flatnonzero(self.area == 0):
            place = shapely.get_coordinates(shapely.point_on_surface(outlines[number]))[0]
            self.nearest[int(number)] = int(np.argmin(((grid.centres() - place) ** 2).sum(axis=1)))

    def _sums(self, values: FloatArray) -> FloatArray:
        sums = np.bincount(self.owner, weights=values * self.share, minlength=self.faces)
        return np.asarray(sums[: self.faces], dtype=np.float64)

    def of(self, values: FloatArray) -> FloatArray:
        """Area mean of a value over each face."""
        sums = self._sums(values)
        means = np.divide(sums, self.area, out=np.zeros_like(sums), where=self.area > 0)
        for number, cell in self.nearest.items():
            means[number] = values[cell]
        return means


def _ranked(stakes: Sequence[Stake], decision: PassDecision) -> Sequence[Stake]:
    """Targets that may stand in a polygon: those that the pass is for."""
    named = decision.option.control if decision.benefit is None else decision.benefit.targets
    return [stake for stake in stakes if stake.name in named] or stakes


def _why(level: int, stake: Stake, pressure: float) -> str:
    if level:
        return "treating pays here"
    return "below the threshold" if pressure < stake.threshold else "treating does not pay here"
