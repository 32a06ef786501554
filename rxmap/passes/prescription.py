"""The prescription layer of a pass: the whole field, sprayable or not, as polygons with a rate each."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rxmap.decide.benefit import Stake
from rxmap.decide.decision import PassDecision
from rxmap.decide.treat import least_width
from rxmap.grid import FloatArray, Grid
from rxmap.passes.label import written_rate
from rxmap.plan import Machine, Product
from rxmap.records import Field, Part, PassResult, ProductUse
from rxmap.units import convert, denominator, numerator
from rxmap.zones.polygons import Face, coverage, label_polygons

TREATED, UNTREATED, FIRST_KEEP_OUT = 1, 2, 3
LONGEST_BASE = 8  # some terminals take 8.3 file names only; common practice, no source
IntArray = NDArray[np.int_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What a polygon's attributes are taken from: values on the inside cells of the field grid."""

    field: Field
    grid: Grid
    zones: IntArray  # (rows, columns), 0 outside
    stakes: Sequence[Stake]


def prescribe(
    decision: PassDecision,
    keep_outs: Sequence[tuple[str, BaseGeometry]],
    ledger: Ledger,
    *,
    machine: Machine,
    base: str,
    next_look: str,
) -> PassResult:
    """Turn a decision into the pass that is written: polygons, products, loads.

    Parameters
    ----------
    decision : PassDecision
        What to do.
    keep_outs : sequence of (str, geometry)
        Reason and ground in metres, setback and rounding included.
    ledger : Ledger
        Where attributes come from.
    machine : Machine
        What drives.
    base : str
        File name of the machine files.
    next_look : str
        When to look again, for a pass that stays at home.
    """
    parts = _parts(decision, keep_outs, ledger, machine) if decision.goes_out else ()
    treated_ha = math.fsum(part.area_ha for part in parts if part.treat)
    carrier = machine.carrier.to("L/ha") * treated_ha
    usable = machine.tank.to("L") - (machine.reserve.to("L") if machine.reserve else 0.0)
    return PassResult(
        name=decision.option.name,
        slug=decision.option.slug,
        base=base,
        products=tuple(product_use(product, treated_ha) for product in decision.option.products),
        decision=decision.kind,
        reason=decision.reason,
        next_look=next_look,
        treated_ha=round(treated_ha, 4),
        loads=math.ceil(carrier / usable - 1e-9),
        parts=parts,
        smallest_m=decision.smallest_patch_m,
    )


def product_use(product: Product, treated_ha: float) -> ProductUse:
    """Amount of a product for an area: rate as written times area, in the unit the rate counts.

    Parameters
    ----------
    product : Product
        From the plan.
    treated_ha : float
        Treated area [ha].
    """
    unit = product.full_rate.unit
    rate = written_rate(product, product.full_rate)
    return ProductUse(
        name=product.name,
        rate=rate,
        unit=unit,
        total=rate * convert(treated_ha, "ha", denominator(unit)),
        total_unit=numerator(unit),
    )


def base_names(slugs: Sequence[str]) -> list[str]:
    """Short file names for machine files, all different.

    Examples
    --------
    >>> base_names(["product-alder", "product-alder-2", "x"])
    ['producta', 'product2', 'x']
    """
    names: list[str] = []
    for slug in slugs:
        plain = re.sub("[^a-z0-9]", "", slug)
        name, again = plain[:LONGEST_BASE], 2
        while name in names:
            name, again = plain[: LONGEST_BASE - len(str(again))] + str(again), again + 1
        names.append(name)
    return names


def _parts(
    decision: PassDecision, keep_outs: Sequence[tuple[str, BaseGeometry]], ledger: Ledger, machine: Machine
) -> tuple[Part, ...]:
    faces = _faces(decision, keep_outs, ledger, machine)
    shares = _cells_of(faces, ledger)
    reasons = {FIRST_KEEP_OUT + i: f"keep-out: {reason}" for i, (reason, _) in enumerate(keep_outs)}
    return tuple(
        _part(face, cells, decision, ledger, machine, reasons) for face, cells in zip(faces, shares, strict=True)
    )


def _faces(
    decision: PassDecision, keep_outs: Sequence[tuple[str, BaseGeometry]], ledger: Ledger, machine: Machine
) -> list[Face]:
    """Cut the field into treated, untreated and kept-out faces; scraps too small to drive are left untreated."""
    protected = [(FIRST_KEEP_OUT + i, ground) for i, (_, ground) in enumerate(keep_outs)]
    if decision.kind == "all":
        drawn: list[tuple[int, BaseGeometry]] = [(TREATED, ledger.field.ground.envelope.buffer(ledger.grid.cell))]
    else:
        drawn = [*_treated_ground(decision)]
    field, frame = ledger.field.boundary, ledger.field.frame
    order = [label for label, _ in protected]
    faces = coverage(field, [*protected, *drawn], frame, rest=UNTREATED, protected=order)
    least = least_width(machine, decision.ground.grid.cell) ** 2 if decision.kind == "map" else 0.0
    scraps = [face for face in faces if face.label == TREATED and face.area_m2 < least]
    if scraps:
        left = [(UNTREATED, frame.geometry_to_metres(face.polygon)) for face in scraps]
        faces = coverage(field, [*protected, *left, *drawn], frame, rest=UNTREATED, protected=order)
    return faces


def _treated_ground(decision: PassDecision) -> list[tuple[int, BaseGeometry]]:
    """Outline the treated decision cells; what may not be sprayed takes the label of its nearest neighbour."""
    ground = decision.ground
    labels = np.where(ground.sprayable, np.where(decision.treated, TREATED, UNTREATED), 0)
    drawn = label_polygons(labels, ground.grid, tolerance=ground.grid.cell / 2)
    return [(label, polygon) for label, polygon in drawn if label == TREATED]


def _cells_of(faces: Sequence[Face], ledger: Ledger) -> list[FloatArray]:
    """Ground of each face on each inside cell, by the cell's centre; a face too small for one takes the nearest."""
    from rasterio.features import rasterize  # here: importing rasterio costs 0.15 s that `rxmap --help` must not pay

    grid, frame = ledger.grid, ledger.field.frame
    outlines = [frame.geometry_to_metres(face.polygon) for face in faces]
    owner = rasterize(
        [(outline, number) for number, outline in enumerate(outlines, start=1)],
        out_shape=grid.shape,
        transform=grid.transform,
        dtype="int32",
    )[grid.inside]
    area = grid.share[grid.inside]
    cells = [np.where(owner == number, area, 0.0) for number in range(1, len(faces) + 1)]
    centres: FloatArray | None = None
    for number, outline in enumerate(outlines):
        if not cells[number].any():
            centres = grid.centres() if centres is None else centres
            place = shapely.get_coordinates(shapely.point_on_surface(outline))[0]
            cells[number][np.argmin(((centres - place) ** 2).sum(axis=1))] = 1.0
    return cells


def _part(
    face: Face,
    cells: FloatArray,
    decision: PassDecision,
    ledger: Ledger,
    machine: Machine,
    kept_reasons: Mapping[int, str],
) -> Part:
    treat = int(face.label == TREATED)
    lead = decision.option.lead
    weights = cells / cells.sum()
    stake = max(_ranked(ledger.stakes, decision), key=lambda s: float(s.weight @ weights))
    zone_area = np.bincount(ledger.zones[ledger.grid.inside], weights=cells)
    benefit = decision.benefit
    return Part(
        polygon=face.polygon,
        zone=0 if face.label in kept_reasons else int(np.argmax(zone_area)),
        treat=treat,
        rate=written_rate(lead, lead.full_rate) if treat else 0.0,
        unit=lead.full_rate.unit,
        product=lead.name,
        volume=round(machine.carrier.magnitude, 3) if treat else 0.0,
        vol_unit=machine.carrier.unit,
        target=stake.name,
        pressure=float(stake.mean @ weights),
        p_over=float(np.clip(stake.p_over @ weights, 0.0, 1.0)),
        area_ha=round(face.area_m2 / 10_000, 4),
        benefit=float(benefit.score @ weights) if benefit is not None and benefit.money else None,
        reason=kept_reasons.get(face.label) or _why(treat, stake, float(stake.mean @ weights)),
    )


def _ranked(stakes: Sequence[Stake], decision: PassDecision) -> Sequence[Stake]:
    """Targets that may stand in a polygon: those that the pass is for."""
    mine = [s for s in stakes if decision.benefit is not None and s.name in decision.benefit.targets]
    return mine or stakes


def _why(treat: int, stake: Stake, pressure: float) -> str:
    if treat:
        return "treating pays here"
    return "below the threshold" if pressure < stake.threshold else "treating does not pay here"
