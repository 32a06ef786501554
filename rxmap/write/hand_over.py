"""What the operator gets on paper with the machine files: one page of plain ASCII for each pass."""

from __future__ import annotations

import hashlib
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from rxmap.errors import CheckError
from rxmap.grid import M2_PER_HA, geodesic_area_m2
from rxmap.records import LoadPlan, Part, PassResult, ProductNeed, Result
from rxmap.units import convert, numerator
from rxmap.write.files import write_bytes
from rxmap.write.geojson import on_file_grid
from rxmap.write.mix_sheet import mix_filled, mix_lines, mix_totals
from rxmap.write.shapefile import ascii_text
from rxmap.write.summary import MACHINE

COLUMNS, MOST_LINES = 78, 60  # one page of paper in a fixed-width font
LONGEST_NAME = 40
LONGEST_WAIT = 120  # a waiting time is never cut: half a date is a wrong date
MOST_PRODUCTS = 3  # with room for all else on the page; further ones stand on the mix sheet
BLANK = "_" * 24
TEST_BASE = "testzone"
TEST_SIDE = 30.0  # [m] a few swaths of a drone, one of a boom; judgement
HALF_DIAGONAL = 1.25**0.5  # of two unit squares beside each other


def write_hand_over(path: Path, result: Result, one: PassResult, loads: LoadPlan) -> None:
    """Write the page of a pass whose machine files stand in the folder ``machine`` beside it.

    Parameters
    ----------
    path : Path
        The ``.txt``.
    result : Result
        Field, crop and units.
    one : PassResult
        A pass that goes out.
    loads : LoadPlan
        Its loads.

    Raises
    ------
    CheckError
        If the text does not fit its page.
    """
    folder = path.parent / MACHINE
    files = sorted(file for file in folder.rglob("*") if file.is_file())
    digests = {file.relative_to(folder).as_posix(): hashlib.sha256(file.read_bytes()).hexdigest() for file in files}
    text = hand_over_text(result, one, loads, digests)
    lines = text.splitlines()
    if len(lines) > MOST_LINES or max(map(len, lines)) > COLUMNS or not text.isascii():
        raise CheckError(f"{path.name}: {len(lines)} lines do not fit one page of {MOST_LINES} x {COLUMNS}.")
    write_bytes(path, text.encode("ascii"))


def hand_over_text(result: Result, one: PassResult, loads: LoadPlan, digests: Mapping[str, str]) -> str:
    """Text of the page.

    Parameters
    ----------
    result, one, loads
        As in `write_hand_over`.
    digests : mapping of str to str
        SHA-256 of each machine file by its name.
    """
    lines = [
        f"HAND-OVER {ascii_text(one.name, LONGEST_NAME)}",
        "",
        *_facts(result, one, loads),
        "",
        "FILES FOR THE TERMINAL (SHA-256); copy all of them, and nothing else",
        *(line for name, digest in digests.items() for line in _digest(name, digest)),
        "",
        "CHECK ON THE TERMINAL",
        *(line for check in _checks(one) for line in _wrapped("[ ] ", check)),
        "",
        "CAUTION",
        *(line for caution in _cautions(one) for line in _wrapped("- ", caution)),
    ]
    return "\n".join(lines) + "\n"


def _facts(result: Result, one: PassResult, loads: LoadPlan) -> Iterator[str]:
    amounts = _amounts(loads, result.units)
    treated = [part for part in one.parts if part.treat]
    field: Any = result.plan["field"]
    yield from _fact("Field", f"{ascii_text(result.field.name, LONGEST_NAME)}, {ascii_text(result.crop, LONGEST_NAME)}")
    yield _fact_line("Spray date", str(field.get("spray_date") or BLANK))
    area = f"{one.treated_ha:.4f} ha"
    if result.units == "us":
        area += f" = {convert(one.treated_ha, 'ha', 'acre'):.2f} acre"
    yield _fact_line("Treated area", area)
    for use, need in list(zip(one.products, loads.needs, strict=True))[:MOST_PRODUCTS]:
        rate = _either({part.rate for part in treated if part.product == use.name} or {use.rate})
        told = f"{ascii_text(use.name, LONGEST_NAME)}, {rate} {use.unit}: {amounts[use.name]}{_packs(need)}"
        yield from _fact("Product", told)
    if len(one.products) > MOST_PRODUCTS:
        yield _fact_line("", f"and {len(one.products) - MOST_PRODUCTS} more on the mix sheet")
    yield from _fact("Carrier", _carrier(treated, next(iter(amounts.values()))))
    how = f", {loads.order}; a load ends with {loads.limit}" if len(loads.loads) > 1 else f"; it holds {loads.limit}"
    yield from _fact("Flow", loads.pace)
    droplets = _droplets(one, result.plan)
    if droplets:
        yield from _fact("Droplets", f"{droplets}, as the plan took it from the label")
    yield from _fact("Loads", f"{len(loads.loads)}{how}")
    yield from _fact("Extra mix", _extra_mix(numerator(treated[0].vol_unit), loads))
    yield _fact_line("Polygons", f"{len(one.parts)}, of these {len(treated)} with a rate above 0")


def _droplets(one: PassResult, plan: Mapping[str, Any]) -> str:
    """Spray quality that the labels of a tank ask for."""
    used = {use.name for use in one.products}
    told = [product["label"].get("droplet") for product in plan.get("product", ()) if product["name"] in used]
    return " and ".join(dict.fromkeys(ascii_text(each, LONGEST_NAME) for each in told if each))


def _amounts(loads: LoadPlan, units: Literal["us", "metric"]) -> dict[str, str]:
    """Say of water and each product what goes on the ground, and what is filled where more is mixed than that."""
    lines = mix_lines(loads, units)
    totals, told = mix_totals(lines), {}
    for item, filled in mix_filled(loads, lines).items():
        amount, unit = totals[item]
        more = f", {filled:f} {unit} to fill with the extra mix" if filled != amount else ""
        told[item] = f"{amount:f} {unit} on the ground{more}"
    return told


def _carrier(treated: Sequence[Part], water: str) -> str:
    volumes = _either({part.volume for part in treated})
    return f"{volumes} {treated[0].vol_unit} of spray, product included; water {water}"


def _either(numbers: Iterable[float]) -> str:
    return " or ".join(f"{number:.6g}" for number in sorted(numbers))


def _packs(need: ProductNeed) -> str:
    if need.packs is None:
        return ""
    word = "pack" if need.packs == 1 else "packs"
    return f"; bring {need.packs} {word} of {need.pack}, {need.left:.4g} {need.unit} will be left"


def _extra_mix(unit: str, loads: LoadPlan) -> str:
    """Spray that is mixed beside what the treated area takes, as on the mix sheet."""
    told = [f"{extra.why} {convert(extra.volume_l, 'L', unit):.4g} {unit}" for extra in loads.extras]
    return "; ".join(told) + "; mixed with load 1, on lines of its own"


def _checks(one: PassResult) -> Iterator[str]:
    part = next(part for part in one.parts if part.treat)
    name = ascii_text(part.product, LONGEST_NAME)
    yield f"A terminal that doses product: column 'rate', unit {part.unit} of {name}."
    yield f"A terminal that doses spray: column 'volume', unit {part.vol_unit}. Choose the unit by hand if it asks."
    yield "Rate outside the polygons = 0, and rate without position = 0."
    yield "Coordinates: WGS84 longitude and latitude in degrees (EPSG:4326). Set no other datum."
    polygons = "1 polygon" if len(one.parts) == 1 else f"{len(one.parts)} polygons"
    yield f"It shows {polygons}, the area above, and the field where it really is."
    yield "The shapes lie right: keep-outs, setbacks and water are without rate."
    yield f"The day before, drive the two squares of {TEST_BASE} with clean water: one off, one on."


def _cautions(one: PassResult) -> Iterator[str]:
    yield (
        "The label and local law go before this page. Mix in the order that the label says. Only licensed people "
        "apply what needs a licence; drones and aircraft need theirs as well."
    )
    yield "Drift: no spraying in wind or inversion outside the label; keep people, bees, water and neighbours clear."
    entry = ascii_text((one.dates and one.dates.no_entry) or "as the label says", LONGEST_WAIT)
    yield f"Re-entry: {entry}. Post the field where the label asks for it."
    yield "Left-over mix and rinse water: as the label says, never into a drain or water."


def _digest(name: str, digest: str) -> list[str]:
    line = f"{digest}  {name}"
    return [line] if len(line) <= COLUMNS else [digest, f"  {name}"]


def _fact(word: str, text: str) -> list[str]:
    return _wrapped(f"{word:<13}", text)


def _fact_line(word: str, text: str) -> str:
    return f"{word:<13}{text}"


def _wrapped(head: str, text: str) -> list[str]:
    return textwrap.wrap(text, COLUMNS, initial_indent=head, subsequent_indent=" " * len(head))


def terminal_test(result: Result, one: PassResult) -> tuple[Part, ...]:
    """Two squares beside each other, one with rate 0 and one with the rate of the pass, to try on the terminal.

    They lie in the widest place of the field outside its keep-outs; 30 m, or less where the field is narrower.

    Parameters
    ----------
    result : Result
        Field and keep-outs.
    one : PassResult
        A pass that goes out.
    """
    kept = [keep_out.ground for keep_out in result.keep_outs]
    centre, side = _widest(shapely.difference(result.field.ground, shapely.union_all(kept)))
    treated = max((part for part in one.parts if part.treat), key=lambda part: part.rate)
    off = replace(treated, treat=0, rate=0.0, volume=0.0)
    west, south = centre.x - side, centre.y - side / 2
    frame = result.field.frame
    squares = []
    for number, part in enumerate((off, treated)):
        box = shapely.box(west + number * side, south, west + (number + 1) * side, south + side)
        polygon: Polygon = on_file_grid(frame.geometry_to_lonlat(box))
        area_ha = round(geodesic_area_m2(polygon) / M2_PER_HA, 4)
        squares.append(replace(part, polygon=polygon, area_ha=area_ha, benefit=None, reason="test of the terminal"))
    return tuple(squares)


def _widest(ground: BaseGeometry) -> tuple[Any, float]:
    """Centre of the largest circle in the ground, and the side of the squares that fit it [m]."""
    radii = shapely.maximum_inscribed_circle(ground, tolerance=0.5)
    centre = shapely.Point(np.asarray(radii.coords)[0])
    return centre, min(TEST_SIDE, radii.length / HALF_DIAGONAL * 0.99)
