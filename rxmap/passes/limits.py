"""A prescription layer that the machine's terminal can hold: fewer corners, then fewer parts.

Terminals take so many polygons and so many vertices, and no more. Outlines are simplified first, which costs
little; then the treated parts that pay least are left untreated, which costs what they would have earned.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import shapely

from rxmap.errors import Caution
from rxmap.plan import Limits
from rxmap.records import Part

# Of the usual tolerance, which is a decision cell; an edge moves by up to 1.8 times its tolerance.
SIMPLER = (1.5, 2.0)

Build = Callable[[float, Sequence[shapely.Polygon]], tuple[Part, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLayer:
    """A layer made to fit a machine, and what that cost.

    Parameters
    ----------
    parts : tuple of Part
        The layer.
    simpler : float
        Tolerance of its outlines over the usual one.
    left : tuple of Polygon
        Ground that is no longer treated, WGS84.
    lost_ha : float [ha]
        Treated area given up.
    lost_benefit : float or None
        Expected benefit given up [currency]; None without money.
    cautions : tuple of Caution
        `simplified` with the cost, or `over_limits` where the limits cannot be met; then the layer is as it was.
    """

    parts: tuple[Part, ...]
    simpler: float
    left: tuple[shapely.Polygon, ...]
    lost_ha: float
    lost_benefit: float | None
    cautions: tuple[Caution, ...]


def within_limits(
    build: Build, limits: Limits | None, *, name: str, currency: str, may_leave: Callable[[Part], bool]
) -> FittedLayer:
    """Simplify a layer until it has no more polygons and vertices than the machine takes.

    Parameters
    ----------
    build : callable
        Makes the layer from a tolerance, as a multiple of the usual one, and from ground to leave untreated. That
        has to join the untreated ground around it: as a polygon of its own it would spare none.
    limits : Limits or None
        From the plan; None for a machine that takes anything.
    name : str
        Of the pass, for cautions.
    currency : str
        Of the benefit, for cautions.
    may_leave : callable
        Whether a treated part may be left untreated: not where the adviser treats by hand.
    """
    usual = parts = build(1.0, ())
    simpler, left = 1.0, list[shapely.Polygon]()
    for coarser in SIMPLER:
        if _takes(limits, 0, vertices(parts)):  # coarser outlines make no fewer polygons
            break
        simpler, parts = coarser, build(coarser, ())
    while not fits(parts, limits):
        gone = _pay_least(parts, limits, may_leave)
        fewer = build(simpler, [*left, *gone])
        if not gone or _treated_ha(fewer) >= _treated_ha(parts):  # nothing more may go, or what goes comes back
            return _as_it_was(usual, parts, limits, name=name)
        left += gone
        parts = fewer
    lost = [benefit_of(layer) for layer in (usual, parts)]
    fitted = FittedLayer(
        parts=parts,
        simpler=simpler,
        left=tuple(left),
        lost_ha=_treated_ha(usual) - _treated_ha(parts),
        lost_benefit=None if lost[0] is None or lost[1] is None else lost[0] - lost[1],
        cautions=(),
    )
    if simpler == 1.0 and not left:
        return fitted
    return replace(fitted, cautions=(_simplified(usual, fitted, name=name, currency=currency),))


def vertices(parts: Sequence[Part]) -> int:
    """Vertices of a layer as files count them: every ring's first point again at its end."""
    return int(sum(shapely.get_num_coordinates(part.polygon) for part in parts))


def fits(parts: Sequence[Part], limits: Limits | None) -> bool:
    """Whether a machine takes a layer."""
    return _takes(limits, len(parts), vertices(parts))


def _takes(limits: Limits | None, polygons: int, corners: int) -> bool:
    most_polygons, most_vertices = (limits.polygons, limits.vertices) if limits else (None, None)
    return polygons <= (most_polygons or polygons) and corners <= (most_vertices or corners)


def benefit_of(parts: Sequence[Part]) -> float | None:
    """Sum the expected benefit of the treated parts [currency]; None where one has none."""
    treated = [(part.benefit, part.area_ha) for part in parts if part.treat]
    worth = [benefit * area for benefit, area in treated if benefit is not None]
    return math.fsum(worth) if len(worth) == len(treated) else None


def _pay_least(
    parts: Sequence[Part], limits: Limits | None, may_leave: Callable[[Part], bool]
) -> list[shapely.Polygon]:
    """Parts that earn least, as many as the layer is over; one treated part stays. Without money the smallest."""
    treated = [part for part in parts if part.treat]
    free = sorted(
        (part for part in treated if may_leave(part)),
        key=lambda part: (part.area_ha * (1.0 if part.benefit is None else part.benefit), part.area_ha),
    )
    gone: list[shapely.Polygon] = []
    polygons, corners = len(parts), vertices(parts)
    for part in free[: len(treated) - 1]:
        if _takes(limits, polygons, corners):
            break
        gone.append(part.polygon)
        polygons, corners = polygons - 1, corners - vertices([part])
    return gone


def _treated_ha(parts: Sequence[Part]) -> float:
    return math.fsum(part.area_ha for part in parts if part.treat)


def _simplified(usual: Sequence[Part], fitted: FittedLayer, *, name: str, currency: str) -> Caution:
    """Say what the limits changed, and what that gives up."""
    done = ["outlines are coarser"] if fitted.simpler > 1.0 else []
    if fitted.left:
        gone = (
            "the treated part that pays least is" if len(fitted.left) == 1 else "the treated parts that pay least are"
        )
        done.append(f"{gone} left untreated ({len(fitted.left)})")
    cost = f"{fitted.lost_ha / _treated_ha(usual):.1%} of the treated area"
    if fitted.lost_benefit is not None:
        cost += f" and {fitted.lost_benefit:,.2f} {currency} of expected benefit"
    return Caution(
        "simplified",
        f"{name}: for the machine's limits the layer has {len(fitted.parts)} polygons and {vertices(fitted.parts)} "
        f"vertices instead of {len(usual)} and {vertices(usual)}: {' and '.join(done)}. That gives up {cost}.",
    )


def _as_it_was(usual: tuple[Part, ...], fewest: Sequence[Part], limits: Limits | None, *, name: str) -> FittedLayer:
    """Keep a layer whose limits cannot be met whole: what was left out would be given up for nothing."""
    asked = [
        f"{most} {what}"
        for what, most in (("polygons", limits and limits.polygons), ("vertices", limits and limits.vertices))
        if most is not None
    ]
    text = (
        f"{name}: the layer has {len(usual)} polygons and {vertices(usual)} vertices; the machine takes "
        f"{' and '.join(asked)}. Even simplified it has {len(fewest)} and {vertices(fewest)}. The file may not load: "
        "set a coarser output.cell, or simplify the keep-outs and the boundary."
    )
    return FittedLayer(
        parts=usual, simpler=1.0, left=(), lost_ha=0.0, lost_benefit=None, cautions=(Caution("over_limits", text),)
    )
