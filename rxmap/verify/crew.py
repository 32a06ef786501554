"""Passes that go out with a crew: their folders, and every zone file that is handed over with them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from rxmap.units import Quantity, convert, denominator, numerator
from rxmap.verify.folder import Folder
from rxmap.verify.geojson import Layer
from rxmap.verify.label import product_of
from rxmap.verify.prescription import treated
from rxmap.verify.values import quantity

TEST_ZONE = "testzone"
LOAD_ROUNDING = 1e-4  # [ha] of the area of one load: four decimals, rounded so that all add up
SPEED = {"ground": 5.0, "aircraft": 60.0, "drone": 5.0, "hand": 1.0}  # [m/s] where the plan has none; design rule


@dataclass(frozen=True, slots=True)
class Crew:
    """A pass with treated ground: its figures, its prescription layer and its folder."""

    told: Any
    layer: Layer
    folder: str


def crews(result: Folder) -> list[Crew]:
    """List the passes that somebody drives."""
    return [Crew(each, layer, f"passes/{each['slug']}") for each, layer in result.layers if treated(layer)]


def zone_files(result: Folder) -> Iterator[tuple[dict[str, str], Layer]]:
    """Zone files of each pass by format, then those of its test zone, each with the layer that they all hold."""
    for each, layer in result.layers:
        yield each["files"], layer
    for crew in crews(result):
        files = testzone_files(crew)
        yield files, result.prescription(files)


def testzone_files(crew: Crew) -> dict[str, str]:
    """Paths of the test zone by format: those of the machine files, under its own name."""
    files = {}
    for key, name in crew.told["files"].items():
        inner = name.removeprefix(f"{crew.folder}/machine/")
        own = inner if "/" in inner else f"{TEST_ZONE}.{inner.rpartition('.')[2]}"
        files[key] = f"{crew.folder}/{TEST_ZONE}/{own}"
    files.pop("zip", None)
    return files


def usable_l(machine: Any) -> float:
    """Spray that a load may hold [L]: the tank less what stays in it, and less what hoses and overlap take."""
    taken = [quantity(machine[key]).to("L") for key in ("reserve", "allowance") if machine.get(key)]
    return quantity(machine["tank"]).to("L") - sum(taken)


def reach_ha(machine: Any) -> float | None:
    """Ground that one battery or tank of fuel covers [ha]; None where nothing but the tank ends a load."""
    if not machine.get("endurance"):
        return None
    return quantity(machine["endurance"]).to("s") * swept_ha_s(machine)


def swept_ha_s(machine: Any) -> float:
    """Ground that the swath goes over in a second [ha/s]."""
    speed = quantity(machine["speed"]).to("m/s") if machine.get("speed") else SPEED[machine["kind"]]
    return speed * quantity(machine["swath"]).to("m") / 10_000.0


def allowed(result: Folder, name: str) -> tuple[Quantity, Quantity]:
    """Least and most of a product that may go out now, by its label and what went out before."""
    product = product_of(result, name)
    label, reasoned = product["label"], product.get("under_label")
    least, most = quantity(reasoned["rate"] if reasoned else label["min"]), quantity(label["max"])
    if label.get("season_max"):
        earlier = sum(quantity(applied["rate"]).to(most.unit) for applied in product.get("applied") or ())
        left = quantity(label["season_max"]).to(most.unit) - earlier
        most = Quantity(min(most.magnitude, left), most.unit)
    return least, most


def amount_on(hectares: float, rate: Quantity, unit: str) -> float:
    """Amount of a product on an area, in a unit.

    Examples
    --------
    >>> round(amount_on(0.40468564224, Quantity(9.0, "floz/acre"), "floz"), 9)
    9.0
    """
    return convert(rate.magnitude * convert(hectares, "ha", denominator(rate.unit)), numerator(rate.unit), unit)
